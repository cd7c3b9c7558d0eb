"""A session's report as one HTML file: opens from disk, needs nothing else, prints well."""

from __future__ import annotations

import base64
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from platebench.fsio import atomic_write
from platebench.outputs.preview import smaller_preview
from platebench.outputs.session_report_facts import Histogram, ReportFacts, by_urgency, outline_of

TEMPLATES = Path(__file__).parent / "report_page"
MOST_BYTES = 40 << 20  # of pictures in one file
_SIDES = ((900, 90_000), (640, 45_000), (420, 20_000), (260, 9_000), (160, 4_000))
MOST_DENSITY = 3.5
# https://www.w3.org/TR/CSP3/ ; the page's own styles and pictures, and no script
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'"
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
