"""A session's report: its facts, and one HTML file that needs nothing else and prints well."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from platebench.core.files import atomic_write
from platebench.write.page_pen import REGULAR, font_file
from platebench.write.preview import smaller_preview

Fact = tuple[str, str]  # name, value
COLUMNS = ("size", "base plus fog", "Dmax", "range")  # of the table of all plates
_URGENT = ("warn", "fail")


@dataclass(frozen=True, slots=True, kw_only=True)
class Histogram:
    """How much of a plate has which density.

    Attributes
    ----------
    counts : tuple of int
        By equal steps from ``first``.
    first, step : float
        Density where the first step begins, and its width, D.
    base_fog, d_max : float
        Marks, D.
    """

    counts: tuple[int, ...]
    first: float
    step: float
    base_fog: float
    d_max: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlatePart:
    """One plate in the report.

    Attributes
    ----------
    plate_id, title : str
    picture : Path or None
        Preview; None where the plate failed.
    measured, settings, about : tuple of (str, str)
        Densities and geometry; what was decided; what the plate log says.
    flags : tuple of str
        What a person should look at.
    notes : tuple of str
        What was assumed or done.
    verdicts : tuple of (str, str)
        Severity and sentence of what ``check`` found in its captures.
    figures : tuple of str
        As of `IndexLine`.
    histogram : Histogram or None
    error : str
        Why it failed; "" where it did not.
    """

    plate_id: str
    title: str = ""
    picture: Path | None = None
    measured: tuple[Fact, ...] = ()
    settings: tuple[Fact, ...] = ()
    about: tuple[Fact, ...] = ()
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    verdicts: tuple[Fact, ...] = ()
    figures: tuple[str, ...] = ("",) * 4
    histogram: Histogram | None = None
    error: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightPart:
    """Blank or dark frames in the report.

    Attributes
    ----------
    name : str
        Which they are.
    verdicts : tuple of (str, str) or None
        As of a plate; None where they were not checked.
    """

    name: str
    verdicts: tuple[Fact, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexLine:
    """A plate in the table of all plates, which is the index too.

    Attributes
    ----------
    plate_id, title, state : str
        The state is "" where there is nothing to do about it.
    figures : tuple of str
        Plate size, base plus fog, Dmax, range, as `COLUMNS` names them; "" where not known.
    place : int
        Among the plates of its file, from 1.
    part : str
        The file's name without its ending; "" where it is the one that holds the index.
    """

    plate_id: str
    title: str
    place: int
    state: str = ""
    figures: tuple[str, ...] = ("",) * 4
    part: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFacts:
    """A session's report.

    Attributes
    ----------
    title, date : str
    summary : tuple of str
        Sentences at its head.
    light : tuple of LightPart
        Blank and dark frames, and what ``check`` found in them.
    plates : tuple of PlatePart
        Those of this file; none where it is the index of several.
    index : tuple of IndexLine
    part : str
        This file's name without its ending, where it is one of several.
    versions : tuple of (str, str)
    remarks : tuple of str
        What does not fit between plate log and session.
    checked : bool
        Whether ``check`` has been run on these captures.
    terms : tuple of (str, str)
        Terms of the trade used above, and what they mean.
    """

    title: str
    date: str = ""
    summary: tuple[str, ...] = ()
    light: tuple[LightPart, ...] = ()
    plates: tuple[PlatePart, ...] = ()
    index: tuple[IndexLine, ...] = ()
    part: str = ""
    versions: tuple[Fact, ...] = ()
    remarks: tuple[str, ...] = ()
    checked: bool = False
    terms: tuple[Fact, ...] = ()


def by_urgency(verdicts: Sequence[Fact]) -> tuple[list[str], list[str]]:
    """Return what of a check asks for action, and what is only worth knowing."""
    urgent = [text for severity, text in verdicts if severity in _URGENT]
    return urgent, [text for severity, text in verdicts if severity not in _URGENT]


def outline_of(histogram: Histogram, most: float) -> list[tuple[float, float]]:
    """Return a histogram's outline from D 0 to ``most``, both ways from 0 to 1."""
    peak = max(histogram.counts, default=0) or 1
    points = [(0.0, 0.0)]
    for number, count in enumerate(histogram.counts):
        density = histogram.first + (number + 0.5) * histogram.step
        if 0 <= density <= most:
            points.append((density / most, count / peak))
    return [*points, (points[-1][0], 0.0)]


TEMPLATES = Path(__file__).parent / "report_page"
MOST_BYTES = 40 << 20  # of pictures in one file
_SIDES = ((900, 90_000), (640, 45_000), (420, 20_000), (260, 9_000), (160, 4_000))
MOST_DENSITY = 3.5
# https://www.w3.org/TR/CSP3/ ; the page's own styles and pictures, and no script
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; "
    "base-uri 'none'; form-action 'none'"
)
_WIDTH, _HEIGHT, _FOOT = 340, 120, 16


def write_report_html(path: Path, facts: ReportFacts) -> None:
    """Write the report; pictures are reduced so that the file stays under about 40 MB.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    side = picture_side(sum(part.picture is not None for part in facts.plates))
    text = environment.get_template("report.html").render(
        facts=facts,
        policy=POLICY,
        columns=COLUMNS,
        face=_face(),
        picture=lambda preview: _data_address(preview, side),
        histogram=_histogram,
        by_urgency=by_urgency,
    )
    with atomic_write(path) as stream:
        stream.write(text.encode("utf-8", "replace"))


def picture_side(pictures: int) -> int:
    """Return the long side of each of so many pictures, pixels."""
    for side, usual_bytes in _SIDES:
        if pictures * usual_bytes <= MOST_BYTES:
            return side
    return _SIDES[-1][0]


@cache
def _face() -> str:
    """Return the face of the PDF as an address that needs no file beside the page."""
    return f"data:font/ttf;base64,{base64.b64encode(font_file(REGULAR).read_bytes()).decode()}"


def _data_address(preview: Path, side: int) -> str:
    try:
        data = smaller_preview(preview, side)
    except OSError:
        return "data:,"  # gone since it was made: the words still tell
    return f"data:image/jpeg;base64,{base64.b64encode(data).decode()}"


def _histogram(histogram: Histogram) -> Markup:
    """Return a drawing of a plate's densities, with base plus fog and Dmax marked."""

    def across(density: float) -> float:
        return 4 + min(max(density / MOST_DENSITY, 0), 1) * (_WIDTH - 8)

    def up(share: float) -> float:
        return (_HEIGHT - _FOOT) - share * (_HEIGHT - _FOOT - 14)

    outline = " ".join(
        f"{across(x * MOST_DENSITY):.1f},{up(y):.1f}"
        for x, y in outline_of(histogram, MOST_DENSITY)
    )
    marks = "".join(
        f'<line x1="{across(d):.1f}" x2="{across(d):.1f}" y1="{up(0)}" y2="12" stroke="#7a2e12"/>'
        f'<text x="{across(d):.1f}" y="9" text-anchor="{anchor}">{name}</text>'
        for d, name, anchor in (
            (histogram.base_fog, "b+f", "middle" if histogram.base_fog > 0.2 else "start"),
            (histogram.d_max, "Dmax", "middle"),
        )
    )
    scale = "".join(
        f'<text x="{across(n / 2):.1f}" y="{_HEIGHT - 3}" text-anchor="{_anchor(n)}">{n / 2:.1f}'
        "</text>"
        for n in range(8)
    )
    return Markup(  # figures only: nothing in it comes from a file
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="Histogram of density, '
        f'base plus fog {histogram.base_fog:.2f}, densest tone {histogram.d_max:.2f}">'
        f'<polygon points="{outline}" fill="#b9b6ae"/>{marks}'
        f'<line x1="4" x2="{_WIDTH - 4}" y1="{up(0)}" y2="{up(0)}" stroke="#1d1c1a"/>{scale}</svg>'
    )


def _anchor(number: int) -> str:
    return {0: "start", 7: "end"}.get(number, "middle")
