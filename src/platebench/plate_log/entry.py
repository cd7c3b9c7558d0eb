"""What is known of one plate from its maker's or its archive's notes: plain values."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class StepNoted:
    """One step of developing, from a developing log.

    Attributes
    ----------
    name : str
        "develop", "rinse", "fix", "wash" or "dry".
    time_s : float
        How long, s.
    temperature_c : float or None
        Of the bath, degrees Celsius.
    day : str
        ISO date.
    note : str
        Developer, dilution, anything else.
    """

    name: str
    time_s: float
    temperature_c: float | None = None
    day: str = ""
    note: str = ""


RIGHTS = ("creator", "rights", "usage_terms", "web_statement", "credit")
"""Of a :class:`LogEntry`: what a session may say of all its plates."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """What the log says of one plate; "" and None where it says nothing.

    Attributes
    ----------
    plate_id : str
        The plate's id in ``session.toml``.
    title, place : str
        What and where.
    date : str
        When the plate was exposed, EDTF; see ``dates.py``.
    holder, emulsion, batch : str
        Plate holder; the emulsion and the batch it was coated from.
    coated_on : str
        When it was coated, EDTF.
    light : str
        Light at the exposure.
    metered_s, given_s : float or None
        Exposure as metered, and as given, s.
    f_number : float or None
        Aperture.
    lens : str
        Lens.
    bellows_mm : float or None
        Extension, lens to plate, mm.
    developer, dilution : str
        Developer.
    temperature_c : float or None
        Of the developer, degrees Celsius.
    develop_s : float or None
        Time of developing, s.
    fixing, washing : str
        As written: a time, or how.
    meter_ev : float or None
        What the meter read, exposure value at ISO 100.
    metered_on : str
        One of ``cells.METERED_ON``.
    light_kind : str
        One of ``cells.LIGHT_KINDS``.
    hour : str
        Of the exposure, HH:MM, perhaps with the clock's distance from UTC.
    focal_mm : float or None
        Focal length, mm.
    subject : str
        Class of subject: portrait, street; a person's own word.
    darkest_ev, lightest_ev : float or None
        Spot readings of the darkest and the lightest place that should show detail, at ISO 100.
    notes : str
        Anything else; may have several lines.
    creator, rights, usage_terms, web_statement, credit : str
        Who made the plate, who holds which right in it, what others may do, the address that says
        more, whom to name beside the picture: as XMP and IPTC have them.
    more : tuple of (str, str)
        Columns that are not known here, by their heading, in their order.
    steps : tuple of StepNoted
        From a developing log, in the order they were done.
    """

    plate_id: str
    title: str = ""
    place: str = ""
    date: str = ""
    holder: str = ""
    emulsion: str = ""
    batch: str = ""
    coated_on: str = ""
    light: str = ""
    metered_s: float | None = None
    given_s: float | None = None
    f_number: float | None = None
    lens: str = ""
    bellows_mm: float | None = None
    developer: str = ""
    dilution: str = ""
    temperature_c: float | None = None
    develop_s: float | None = None
    fixing: str = ""
    washing: str = ""
    meter_ev: float | None = None
    metered_on: str = ""
    light_kind: str = ""
    hour: str = ""
    focal_mm: float | None = None
    subject: str = ""
    darkest_ev: float | None = None
    lightest_ev: float | None = None
    notes: str = ""
    creator: str = ""
    rights: str = ""
    usage_terms: str = ""
    web_statement: str = ""
    credit: str = ""
    more: tuple[tuple[str, str], ...] = ()
    steps: tuple[StepNoted, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return what is known as JSON types, in the order of the log's columns."""
        shown: dict[str, Any] = {}
        for part in fields(self):
            value = getattr(self, part.name)
            if value in ("", None, ()):
                continue
            if part.name == "more":
                value = dict(value)
            elif part.name == "steps":
                value = [step_to_json(step) for step in value]
            shown[part.name] = value
        return shown


def step_to_json(step: StepNoted) -> dict[str, Any]:
    """Return a step of developing as JSON types, without what was not noted."""
    shown = {part.name: getattr(step, part.name) for part in fields(step)}
    return {key: value for key, value in shown.items() if value not in ("", None)}


def entry_from_json(values: Mapping[str, Any]) -> LogEntry:
    """Return the entry that ``to_json`` spelled out.

    Raises
    ------
    ValueError
        If there is a name or a value that it cannot have.
    """
    said = dict(values)
    more, steps = said.pop("more", {}), said.pop("steps", [])
    if not isinstance(more, dict) or not isinstance(steps, list):
        raise ValueError("more or steps")
    if not all(isinstance(text, str) for text in more.values()):
        raise ValueError("more")
    noted = tuple(StepNoted(**_checked(StepNoted, step)) for step in steps)
    return LogEntry(**_checked(LogEntry, said), more=tuple(more.items()), steps=noted)


def _checked(kind: type[LogEntry] | type[StepNoted], values: Any) -> dict[str, Any]:
    """Return values if each is text or a finite number as its field asks."""
    if not isinstance(values, dict):
        raise ValueError(f"{values!r} is no table")
    texts = {part.name for part in fields(kind) if part.type == "str"}
    numbers = {part.name for part in fields(kind) if str(part.type).startswith("float")}
    for name, value in values.items():
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        text = name in texts and isinstance(value, str)
        number = name in numbers and is_number and math.isfinite(value)
        if not (text or number):
            raise ValueError(f"{name} cannot be {value!r}")
    needed = {"plate_id"} if kind is LogEntry else {"name", "time_s"}
    if not needed <= values.keys():
        raise ValueError(f"no {' or '.join(sorted(needed))}")
    return values
