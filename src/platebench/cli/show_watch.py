"""How an arrival is told: a few lines for people, or one line of JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator

from platebench.core.shown import shown
from platebench.measure.checks import Severity
from platebench.session.session_report import error_to_json
from platebench.session.watch_session import Arrival

_URGENT = (Severity.WARN, Severity.FAIL)


def arrival_lines(arrival: Arrival) -> Iterator[str]:
    """Yield what a person at the light box needs: densities, doubts, what to take again."""
    yield from arrival.waiting
    if arrival.files and not arrival.plates:
        yield f"arrived: {', '.join(arrival.files)}"
    for plate in arrival.plates:
        if plate.error:
            yield f"{plate.plate_id}: {plate.error}"
            continue
        record = plate.record
        if record is None:
            continue
        if record.dense_end is None:
            yield f"{plate.plate_id}: densities not known: {record.no_densities}"
        else:
            fog = "base plus fog" if record.fog_seen else "thinnest"
            d_max, span, bound = record.dense_end
            over = "at least " if bound else ""
            yield (
                f"{plate.plate_id}: {fog} {record.base_fog:z.2f}, Dmax {over}{d_max:z.2f}, "
                f"range {over}{span:z.2f}"
            )
        for flag in record.flags:
            yield f"  look: {shown(flag)}"
    for entry in arrival.checked:
        for verdict in entry.check.verdicts if entry.check else ():
            if verdict.severity in _URGENT:
                yield f"  {entry.name}: {verdict.severity}: {verdict}"


def arrival_line(arrival: Arrival) -> str:
    """Return an arrival as one line of JSON."""
    return json.dumps(
        {
            "files": list(arrival.files),
            "plates": [
                {"id": plate.plate_id, "error": error_to_json(plate.error)}
                if plate.error
                else {"id": plate.plate_id, "result": plate.record and plate.record.to_json()}
                for plate in arrival.plates
            ],
            "checked": [
                {"capture": entry.name, **entry.check.as_json()}
                for entry in arrival.checked
                if entry.check
            ],
            "waiting": list(arrival.waiting),
            "trouble": list(arrival.trouble),
        },
        allow_nan=False,
    )
