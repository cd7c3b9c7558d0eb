"""What finished plates say, kept in ``own-speed.json``: rows, from which the fit is made anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from platebench.core.kept_json import read_kept
from platebench.core.rounding import rounded
from platebench.exposing.exposure import LIGHTS
from platebench.exposing.own_speed import Offset, OwnSpeed, PlateMade, fit_own_speed
from platebench.exposing.subject_range import SubjectSeen

FILE_NAME = "own-speed.json"
SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where plates are exposed, degrees; longitude None where clocks show the sun's own time."""

    latitude: float
    longitude: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlatesMade:
    """What the plates of some sessions say.

    Attributes
    ----------
    plates : tuple of PlateMade
        In order of their dates.
    subjects : tuple of SubjectSeen
        Ranges of their subjects.
    left_out : dict of str to tuple of str
        Why plates say nothing of speed, and which.
    lacking : dict of str to tuple of str
        What would make the rest say more, and of which plates it is missing.
    known_q : dict of str to (float, float)
        ``1 - p`` and its error, by batch, from test plates.
    place : Place or None
    """

    plates: tuple[PlateMade, ...]
    subjects: tuple[SubjectSeen, ...] = ()
    left_out: dict[str, tuple[str, ...]] = field(default_factory=dict)
    lacking: dict[str, tuple[str, ...]] = field(default_factory=dict)
    known_q: dict[str, tuple[float, float]] = field(default_factory=dict)
    place: Place | None = None


def offset_to_json(offset: Offset) -> dict[str, Any]:
    """Return an offset as JSON types."""
    numbers = {key: rounded(getattr(offset, key), 3) for key in ("stops", "sigma", "low", "high")}
    return {
        "stops_less_than_rule": numbers["stops"],
        "sigma": numbers["sigma"],
        "next_plate_80_percent": [numbers["low"], numbers["high"]],
        "verdict": offset.verdict,
        "plates_of_same_light": offset.same_light,
    }


def rating_by_light(own: OwnSpeed, batch: str = "") -> dict[str, tuple[float, Offset]]:
    """Return the own speed (ISO) in each light that plates were made in, and the offset it is by.

    At 1 s or less; for a batch that no plate was made of yet where none is named.
    """
    found = {}
    for light, rule in LIGHTS.items():
        if any(plate.light == light for plate in own.plates):
            offset = own.offset(light, batch=batch)
            found[light] = (2.0 * 2.0 ** (offset.stops - rule.stops), offset)
    return found


def made_to_json(made: PlatesMade, own: OwnSpeed) -> dict[str, Any]:
    """Return the rows, and what they say, as JSON types."""
    return {
        "schema": SCHEMA,
        "own_speed": {
            light: {"iso": rounded(iso, 3), **offset_to_json(offset)}
            for light, (iso, offset) in rating_by_light(own).items()
        },
        "scatter_stops": rounded(own.scatter, 3),
        "look_again": [
            {
                "plate": row.plate_id,
                "stops_off": rounded(row.stops_off, 2),
                "probability_wrong": rounded(row.probability, 2),
            }
            for row in own.look_again
        ],
        "left_out": {why: list(ids) for why, ids in made.left_out.items()},
        "lacking": {what: list(ids) for what, ids in made.lacking.items()},
        "known_q": {batch: list(q) for batch, q in made.known_q.items()},
        "place": None if made.place is None else asdict(made.place),
        "subjects": [asdict(subject) for subject in made.subjects],
        "plates": [asdict(plate) for plate in made.plates],
    }


def load_own_speed(path: Path) -> tuple[PlatesMade, OwnSpeed]:
    """Read the rows and fit them anew.

    Raises
    ------
    ReadingsError
        If the file cannot be read, or is something else.
    """

    def build(document: Mapping[str, Any]) -> tuple[PlatesMade, OwnSpeed]:
        wanted = {key: document[key] for key in PlatesMade.__dataclass_fields__}
        made = msgspec.convert(wanted, PlatesMade)
        if any(plate.light not in LIGHTS or plate.sigma < 0 for plate in made.plates):
            raise ValueError("plates")
        return made, fit_own_speed(made.plates, made.known_q)

    remedy = "name the own-speed.json that the own-speed command wrote"
    return read_kept(path, "own_speed", build, lacks="own speed", remedy=remedy)
