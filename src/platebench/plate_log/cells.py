"""The columns of the plate log, and what may stand in their cells."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from platebench.core.camera_time import seconds_from_words
from platebench.core.plate_names import fault_of_id
from platebench.plate_log.dates import plate_date

LONGEST_CELL = 4000  # characters; notes are a paragraph, not a book
NOT_KNOWN = (
    "",
    "-",
    "\N{EN DASH}",
    "\N{EM DASH}",
    "?",
)  # how an empty cell of a date or a number may be written
_MM = {"": 1.0, "mm": 1.0, "cm": 10.0, "in": 25.4, '"': 25.4, "inch": 25.4, "inches": 25.4}
_LENGTH = re.compile(r"^(\d+(?:\.\d+)?)\s*(mm|cm|in|inch|inches|\")?$")
_HEAT = re.compile(r"^(-?\d+(?:\.\d+)?)\s*(?:°|deg)?\s*([cf])?$")
_STOP = re.compile(r"^(?:f\s*[/:]?\s*|1\s*:\s*)?(\d+(?:\.\d+)?)$")
_MADE_A_DATE = re.compile(r"^\d{1,4}[-./ ]+\w{3,9}\.?([-./ ]+\d{2,4})?$|^\w{3,9}[-./ ]+\d{1,4}$")
_EV = re.compile(r"^(?:ev\s*)?(-?\d+(?:\.\d+)?)$")
_HOUR = re.compile(r"^(\d{1,2})[:.h](\d{2})(?::\d{2})?\s*([+-]\d{2}:\d{2})?$")
_THOUSANDS = re.compile(r"^[1-9]\d{0,2},\d{3}$")

Cell = str | float

LIGHT_KINDS = ("general", "summer-noon", "indoors", "sea-and-sky", "tungsten")
METERED_ON = ("average", "white", "spot", "incident")
"""What a meter was pointed at: the whole subject, its lightest place, a middle tone, the light."""


class BadCell(ValueError):
    """What is wrong with a cell, and what to write instead."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what, remedy)
        self.what, self.remedy = what, remedy


def read_id(text: str) -> str:
    """Return a plate's id."""
    fault = fault_of_id(text)
    if fault:
        raise BadCell(fault, "write the id that the plate has in session.toml")
    return text


def read_text(text: str) -> str:
    """Return text, its line ends made alike."""
    said = text.replace("\r\n", "\n").replace("\r", "\n")
    if len(said) > LONGEST_CELL:
        raise BadCell("is too long", f"write at most {LONGEST_CELL} characters")
    if not all(char.isprintable() or char in "\n\t" for char in said):
        raise BadCell("holds control characters", "type it anew")
    return said


def read_date(text: str) -> str:
    """Return a date in EDTF."""
    try:
        return plate_date(text).edtf
    except ValueError:
        raise BadCell(
            _is(text), "write 1893, 1893-05, 1893-05-12, 1893~ (about), 189X or 1893/1895"
        ) from None


def read_time(text: str) -> float:
    """Return an exposure in seconds."""
    try:
        return seconds_from_words(_with_point(text))
    except ValueError:
        remedy = "write 1/30, 0.5, 12 s or 2 min"
        if _MADE_A_DATE.match(text):
            remedy = "the spreadsheet made a date of it: format the column as text and " + remedy
        raise BadCell(_is(text), remedy) from None


def read_bath_time(text: str) -> float:
    """Return a time of developing in seconds; a bare number could be either unit."""
    if _with_point(text).replace(".", "", 1).isdigit():
        raise BadCell(_is(text), f"write the unit, such as {text} min or {text} s")
    return read_time(text)


def read_stop(text: str) -> float:
    """Return an f-number."""
    found = _STOP.match(_with_point(text).lower())
    if not found or not 0.5 <= float(found[1]) <= 1000:
        raise BadCell(_is(text), "write the f-number, such as f/16 or 16")
    return float(found[1])


def read_length(text: str) -> float:
    """Return a length in millimetres."""
    found = _LENGTH.match(_with_point(text).lower())
    length = float(found[1]) * _MM[found[2] or ""] if found else 0.0
    if not 5 <= length <= 10_000:
        raise BadCell(_is(text), "write a length such as 210 mm, 21 cm or 8.25 in")
    return round(length, 3)


def read_heat(text: str) -> float:
    """Return a temperature in degrees Celsius."""
    found = _HEAT.match(_with_point(text.replace("\N{MINUS SIGN}", "-")).lower())
    heat = float(found[1]) if found else -999.0
    if found and found[2] == "f":
        heat = (heat - 32) / 1.8
    if not -5 <= heat <= 60:
        raise BadCell(_is(text), "write degrees Celsius, such as 20, or 68 F")
    return round(heat, 2)


def read_ev(text: str) -> float:
    """Return an exposure value at ISO 100."""
    found = _EV.match(_with_point(text.replace("\N{MINUS SIGN}", "-")).lower())
    value = float(found[1]) if found else -999.0
    if not -20 <= value <= 30:
        raise BadCell(_is(text), "write the exposure value at ISO 100, such as 12.5")
    return value


def read_hour(text: str) -> str:
    """Return a time of day, HH:MM, with the clock's distance from UTC where that is said."""
    found = _HOUR.match(text.strip())
    if not found or int(found[1]) > 23 or int(found[2]) > 59:
        raise BadCell(_is(text), "write the hour such as 9:40, or 9:40+02:00")
    return f"{int(found[1]):02d}:{found[2]}{found[3] or ''}"


def one_of(names: tuple[str, ...]) -> Callable[[str], str]:
    """Return what reads a cell that holds one of a few names."""

    def read(text: str) -> str:
        said = re.sub(r"[\s_]+", "-", text.strip().casefold())
        if said not in names:
            raise BadCell(_is(text), f"write one of {', '.join(names)}")
        return said

    return read


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column that is known.

    Attributes
    ----------
    heading : str
        As the template has it.
    key : str
        The field of ``LogEntry``.
    read : callable
        Cell to value; raises BadCell.
    also : tuple of str
        Other headings that mean the same.
    offered : bool
        Whether an empty log has it.
    """

    heading: str
    key: str
    read: Callable[[str], Cell] = read_text
    also: tuple[str, ...] = ()
    offered: bool = True

    @property
    def is_text(self) -> bool:
        """Tell whether anything may stand there."""
        return self.read is read_text


COLUMNS = (
    Column(heading="plate id", key="plate_id", read=read_id, also=("id", "plate")),
    Column(heading="title", key="title"),
    Column(heading="place", key="place"),
    Column(heading="date", key="date", read=read_date, also=("exposed on", "date exposed")),
    Column(heading="holder", key="holder"),
    Column(heading="emulsion", key="emulsion"),
    Column(heading="batch", key="batch"),
    Column(heading="coated on", key="coated_on", read=read_date, also=("coated",)),
    Column(heading="light", key="light"),
    Column(heading="metered", key="metered_s", read=read_time, also=("metered exposure",)),
    Column(heading="given", key="given_s", read=read_time, also=("given exposure", "exposure")),
    Column(heading="aperture", key="f_number", read=read_stop, also=("f number", "stop")),
    Column(heading="lens", key="lens"),
    Column(heading="bellows mm", key="bellows_mm", read=read_length, also=("bellows",)),
    Column(heading="developer", key="developer"),
    Column(heading="dilution", key="dilution"),
    Column(heading="temperature C", key="temperature_c", read=read_heat, also=("temperature",)),
    Column(
        heading="developed for", key="develop_s", read=read_bath_time, also=("develop", "developed")
    ),
    Column(heading="fixing", key="fixing", also=("fix", "fixed for")),
    Column(heading="washing", key="washing", also=("wash", "washed for")),
    Column(heading="meter EV", key="meter_ev", read=read_ev, also=("ev",)),
    Column(heading="metered on", key="metered_on", read=one_of(METERED_ON)),
    Column(heading="light kind", key="light_kind", read=one_of(LIGHT_KINDS)),
    Column(heading="hour", key="hour", read=read_hour, also=("time of day",)),
    Column(heading="focal mm", key="focal_mm", read=read_length, also=("focal length", "focal")),
    Column(heading="subject", key="subject"),
    Column(heading="darkest EV", key="darkest_ev", read=read_ev, also=("darkest",)),
    Column(heading="lightest EV", key="lightest_ev", read=read_ev, also=("lightest",)),
    Column(heading="notes", key="notes", also=("note",)),
    Column(heading="creator", key="creator", also=("photographer", "maker"), offered=False),
    Column(heading="rights", key="rights", also=("copyright",), offered=False),
    Column(heading="usage terms", key="usage_terms", also=("licence", "license"), offered=False),
    Column(heading="web statement", key="web_statement", also=("rights url",), offered=False),
    Column(heading="credit", key="credit", also=("credit line",), offered=False),
)


def column_of(heading: str) -> Column | None:
    """Return the column a heading names; None where it is not known.

    Examples
    --------
    >>> column_of("Plate_ID").key, column_of("Temperature (°C)").key
    ('plate_id', 'temperature_c')
    >>> column_of("shelf")
    """
    plain = _plain(heading)
    for column in COLUMNS:
        if plain in (_plain(column.heading), *column.also):
            return column
    return None


def _plain(heading: str) -> str:
    words = re.sub(r"[^\w]+|_", " ", heading.casefold()).split()
    return " ".join(words)


def _with_point(text: str) -> str:
    """Return a number's decimal comma as a point; a comma between thousands is neither."""
    if _THOUSANDS.match(text):
        raise BadCell(_is(text), "write it without the comma")
    return re.sub(r"(?<=\d),(?=\d)", ".", text.strip())


def _is(text: str) -> str:
    """Return what a cell says as it can stand in a message: short, on one line."""
    return 'is "' + "".join(c if c.isprintable() else " " for c in text[:40]) + '"'
