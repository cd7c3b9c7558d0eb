"""What somebody at the light box needs of a capture, from two metres away. Pure.

One word (good, look, again), the one thing to change, how each matter stands, what to take next.
"""

from __future__ import annotations

from typing import Any, Literal

from platebench.core.settings import SessionSettings
from platebench.measure.checks.verdict import Severity, Verdict
from platebench.session.watch_session import Arrival

State = Literal["good", "look", "again"]
_STATES: dict[Severity, State] = {Severity.WARN: "look", Severity.FAIL: "again"}


def facts_of(arrival: Arrival, settings: SessionSettings | None) -> dict[str, Any]:
    """Return an arrival as the large view shows it.

    Parameters
    ----------
    arrival : Arrival
    settings : SessionSettings or None
        The session as it is now; None where it cannot be read.
    """
    verdicts = [
        verdict for entry in arrival.checked if entry.check for verdict in entry.check.verdicts
    ]
    faults = [f"{plate.plate_id}: {plate.error}" for plate in arrival.plates if plate.error]
    faults += [f"{entry.name}: {entry.error}" for entry in arrival.checked if entry.error]
    faults += arrival.trouble
    flags = [flag for plate in arrival.plates if plate.record for flag in plate.record.flags]
    state = _state(verdicts, faults, flags)
    return {
        "files": list(arrival.files),
        "waiting": list(arrival.waiting),
        "plates": [plate.plate_id for plate in arrival.plates if plate.error is None],
        "state": None if arrival.waiting and not faults else state,
        "change": _change(verdicts, faults, flags),
        "topics": _topics(verdicts, arrival),
        "next": what_next(settings, arrival, state),
    }


def what_next(settings: SessionSettings | None, arrival: Arrival | None, state: State) -> str:
    """Return what to take next: the frames a session needs first, then plates."""
    if settings is None or not settings.blank:
        return "Blank frame: the bare light box, nothing on it"
    if state == "again" and arrival is not None:
        again = next((p.plate_id for p in arrival.plates), "")
        return f"The same again{f': {again}' if again else ''}"
    dense = [
        p.plate_id
        for p in (arrival.plates if arrival else ())
        if p.record and p.record.dense_end and p.record.dense_end[2]
    ]
    if dense:
        return f"A longer exposure of {dense[-1]}: it is denser than one capture shows"
    if not settings.plates:
        lacking = [
            name
            for name, there in (
                ("a dark frame (lens cap on)", settings.dark),
                ("the card, box on and box off, for densities above 2", settings.card),
            )
            if not there
        ]
        return f"The first plate{f'; before it, {lacking[0]}' if lacking else ''}"
    return "The next plate"


def _state(verdicts: list[Verdict], faults: list[str], flags: list[str]) -> State:
    found = {_STATES.get(verdict.severity, "good") for verdict in verdicts}
    if faults or "again" in found:
        return "again"
    return "look" if flags or "look" in found else "good"


def _change(verdicts: list[Verdict], faults: list[str], flags: list[str]) -> str:
    """Return the one thing to change: the gravest, as an instruction where there is one."""
    for severity in (Severity.FAIL, Severity.WARN):
        if severity is Severity.WARN and faults:
            return faults[0]
        for verdict in verdicts:
            if verdict.severity is severity:
                return str(verdict)
    return next(iter([*faults, *flags]), "")


def _topics(verdicts: list[Verdict], arrival: Arrival) -> list[dict[str, str]]:
    """Return how each matter stands, the gravest finding of each, and whether plates were found."""
    told: dict[str, tuple[State, str]] = {}
    rank = ("good", "look", "again")
    for plate in arrival.plates:
        if plate.record:
            found = not plate.record.doubtful
            told["plate"] = ("good", "found") if found else ("look", "not found for certain")
    for verdict in verdicts:
        state = _STATES.get(verdict.severity, "good")
        if verdict.topic not in told or rank.index(state) > rank.index(told[verdict.topic][0]):
            told[verdict.topic] = state, verdict.text
    return [{"topic": topic, "state": state, "text": text} for topic, (state, text) in told.items()]
