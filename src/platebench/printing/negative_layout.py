"""What lies where on a print negative: picture, marks, ruler, wedge, words. Millimetres; pure.

Everything is laid out as the finished print is seen, which is how the film looks from the lamp
when it lies right. The sheet as a whole is then mirrored, or not, for the side that touches.

Last, which size of film the layout needs, and what would make it fit a smaller one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from platebench.write.page_pen import LIGHT, REGULAR, plain_line, shorten, width_mm
from platebench.write.paper_page import Box

Contact = Literal["ink", "base"]
Margins = Literal["clear", "opaque"]

SIDE, HEAD, FOOT = 6.0, 6.0, 18.2  # an 8 x 10 in picture just fits film of 8.5 x 11 in
HAIR = 0.1
_RULERS = (200.0, 100.0, 50.0, 20.0, 10.0)
_TITLE_PT, _FACTS_PT, _FIGURE_PT = 7.0, 6.5, 5.5
_BETWEEN = "  ·  "


@dataclass(frozen=True, slots=True)
class Patch:
    """A rectangle of one ink."""

    box: Box
    ink: float


@dataclass(frozen=True, slots=True)
class Ring:
    """A circle's line in the marks' ink."""

    across: float
    down: float
    radius: float


@dataclass(frozen=True, slots=True)
class Words:
    """A line of words in the marks' ink; ``down`` is its baseline."""

    across: float
    down: float
    text: str
    font: str
    size_pt: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeLayout:
    """A sheet of film.

    Attributes
    ----------
    width, height : float
        The sheet, mm.
    picture : Box
        Where the picture lies.
    margin_ink : float
        Ink of the margins; marks have the other extreme.
    patches : tuple of Patch
        Later ones lie on earlier ones.
    rings, words
    ruler_mm : float
        Length of the ruler.
    """

    width: float
    height: float
    picture: Box
    margin_ink: float
    patches: tuple[Patch, ...]
    rings: tuple[Ring, ...]
    words: tuple[Words, ...]
    ruler_mm: float

    @property
    def mark_ink(self) -> float:
        """Ink of marks and words."""
        return 1.0 - self.margin_ink


def plan_negative(
    width: float,
    height: float,
    *,
    wedge: tuple[float, ...],
    facts: tuple[str, ...],
    contact: Contact = "ink",
    margins: Margins = "clear",
    room: tuple[float, float] | None = None,
) -> NegativeLayout:
    """Lay out the sheet around a picture.

    Parameters
    ----------
    width, height : float
        The picture, mm.
    wedge : tuple of float
        Inks of the wedge's patches, from black to white.
    facts : tuple of str
        What the last line says, the most important first: what finds no room is left out.
    contact : {"ink", "base"}
        Side of the film that is to touch the paper.
    margins : {"clear", "opaque"}
        Clear prints black, opaque keeps the paper white.
    room : (float, float) or None
        Width and height in whose middle the picture lies, mm; None: no more than it takes.
    """
    margin = 0.0 if margins == "clear" else 1.0
    mark = 1.0 - margin
    wide, tall = (max(pair) for pair in zip(room or (0.0, 0.0), (width, height), strict=True))
    field = Box(HEAD, SIDE, HEAD + tall, SIDE + wide)
    left, top = SIDE + (wide - width) / 2, HEAD + (tall - height) / 2
    box = Box(top, left, top + height, left + width)
    foot = Box(HEAD, left, HEAD + tall, left + width)  # what stands below begins with the picture
    ruler_mm = next(length for length in _RULERS if length <= max(width - 12.0, _RULERS[-1]))
    rings, crosses = _registration(field, mark)
    ruler, figures = _ruler(foot, ruler_mm, mark)
    text = _that_fit([plain_line(fact) for fact in facts if fact], width)
    words = (
        *figures,
        _line(foot, 13.7, contact_words(contact, width), REGULAR, _TITLE_PT),
        _line(foot, 16.7, text, LIGHT, _FACTS_PT),
    )
    return NegativeLayout(
        width=wide + 2 * SIDE,
        height=tall + HEAD + FOOT,
        picture=box,
        margin_ink=margin,
        patches=(*crosses, *_corners(box, mark), *_wedge(foot, wedge, mark), *ruler),
        rings=rings,
        words=words,
        ruler_mm=ruler_mm,
    )


def contact_words(contact: Contact, width: float) -> str:
    """Return the mark that reads right when the film lies right, as long as a width allows.

    Examples
    --------
    >>> contact_words("ink", 100.0)
    'Ink (emulsion) side DOWN on the paper when this reads right'
    >>> contact_words("base", 30.0)
    'Ink side UP'
    """
    way, where = ("DOWN", " on the paper") if contact == "ink" else ("UP", ", to the lamp,")
    said = (
        f"Ink (emulsion) side {way}{where} when this reads right",
        f"Ink side {way} when this reads right",
        f"Ink side {way}",
    )
    return next((text for text in said if width_mm(text, REGULAR, _TITLE_PT) <= width), said[-1])


def _line(box: Box, below: float, text: str, font: str, size_pt: float) -> Words:
    return Words(box.left, box.bottom + below, shorten(text, box.width, font, size_pt), font,
                 size_pt)  # fmt: skip


def _that_fit(facts: list[str], width: float) -> str:
    """Return the first facts on one line, as many as it holds; one at least."""
    while len(facts) > 1 and width_mm(_BETWEEN.join(facts), LIGHT, _FACTS_PT) > width:
        facts = facts[:-1]
    return _BETWEEN.join(facts)


def _registration(box: Box, ink: float) -> tuple[tuple[Ring, ...], list[Patch]]:
    """Draw a ringed cross in the middle of the left, right and upper margin."""
    middles = (
        (box.left / 2, (box.top + box.bottom) / 2),
        (box.right + SIDE / 2, (box.top + box.bottom) / 2),
        ((box.left + box.right) / 2, box.top / 2),
    )
    lines = []
    for across, down in middles:
        lines.append(_bar(across - 2.2, down, 4.4, 0.0, ink))
        lines.append(_bar(across, down - 2.2, 0.0, 4.4, ink))
    return tuple(Ring(across, down, 1.3) for across, down in middles), lines


def _corners(box: Box, ink: float) -> list[Patch]:
    """Draw lines that run on from the picture's edges, for cutting."""
    lines = []
    for across, away in ((box.left, -1), (box.right, 1)):
        for down, off in ((box.top, -1), (box.bottom, 1)):
            start = across - 4.0 if away < 0 else across + 1.0
            lines.append(_bar(start, down, 3.0, 0.0, ink))
            if off < 0:  # the wedge lies below
                lines.append(_bar(across, down - 4.0, 0.0, 3.0, ink))
    return lines


def _wedge(box: Box, inks: tuple[float, ...], mark: float) -> list[Patch]:
    top, height = box.bottom + 2.0, 4.5
    each = min(6.0, box.width / len(inks))
    frame = Box(top - HAIR, box.left, top + height + HAIR, box.left + each * len(inks))
    patches = [Patch(frame, mark)]
    for i, ink in enumerate(inks):
        left = box.left + i * each
        patches.append(Patch(Box(top, left, top + height, left + each), ink))
    edge = frame.right - HAIR
    return [*patches, Patch(Box(top, box.left, top + height, box.left + HAIR), mark),
            Patch(Box(top, edge, top + height, edge + HAIR), mark)]  # fmt: skip


def _ruler(box: Box, length: float, ink: float) -> tuple[list[Patch], list[Words]]:
    """Draw a ruler whose outermost ticks are ``length`` apart, middle to middle."""
    line, left = box.bottom + 7.9, box.left + HAIR / 2
    lines = [_bar(left, line, length, 0.0, ink)]
    for mm in range(round(length) + 1):
        tall = 3.0 if mm % 10 == 0 else 2.0 if mm % 5 == 0 else 1.2
        lines.append(_bar(left + mm, line, 0.0, tall, ink))
    return lines, [
        Words(left + length + 1.0, line + 2.6, f"{length:g} mm", LIGHT, _FIGURE_PT),
    ]


def _bar(across: float, down: float, width: float, height: float, ink: float) -> Patch:
    """Return a line as thick as a hair; its middle runs where it is said to."""
    half = HAIR / 2
    return Patch(Box(down - half, across - half, down + height + half, across + width + half), ink)


# From memory: film is sold in these sizes.
FILMS = (
    ("A4", 210.0, 297.0),
    ("8.5 x 11 in", 215.9, 279.4),
    ("11 x 17 in", 279.4, 431.8),
    ("A3", 297.0, 420.0),
    ("13 x 19 in", 330.2, 482.6),
    ("A2", 420.0, 594.0),
    ("roll of 24 in", 609.6, 1e9),
    ("roll of 44 in", 1117.6, 1e9),
    ("roll of 60 in", 1524.0, 1e9),
)
_TAKEN = (2 * SIDE, HEAD + FOOT)  # of width and of height, by the margins


def film_for(layout: NegativeLayout) -> str:
    """Return the smallest film that holds a sheet."""
    short = min(layout.width, layout.height)
    return next(
        (name for name, *film in FILMS if _holds(film, layout.width, layout.height)),
        f"a roll of {short:.0f} mm",
    )


def film_notes(layout: NegativeLayout) -> tuple[str, ...]:
    """Say so where the margins alone ask for larger film, and what would fit the smaller.

    Returns
    -------
    tuple of str
        A sentence without its full stop; empty where a smaller film would not hold the picture.
    """
    needed = film_for(layout)
    box = layout.picture
    width, height = box.right - box.left, box.bottom - box.top
    most = next((film[1:] for film in FILMS if film[0] == needed), (math.inf, math.inf))
    smaller = [
        film
        for film in FILMS
        if film[1] < most[0] and film[2] < most[1] and _holds(film[1:], width, height)
    ]
    if not smaller:
        return ()
    shares = {film[0]: _share(film[1:], width, height) for film in smaller}
    share = max(shares.values())
    name = " and ".join(film for film, kept in shares.items() if kept == share)
    size = f"{math.floor(width * share):d}x{math.floor(height * share):d}mm"
    less = f" ({math.floor(100 * share)}% as large)" if share < 1 else ""
    ways = [f"a size of {size}{less} fits {name}"]
    lain = layout.height - _TAKEN[1] + _TAKEN[0], layout.width - _TAKEN[0] + _TAKEN[1]
    turned = next((film[0] for film in smaller if _holds(film[1:], *lain)), None)
    if turned and share < 1:
        way = "upright" if width > height else "on its side"
        ways.append(f"turned {way} (rotate in session.toml, then convert) it fits {turned} whole")
    return (
        f"the picture alone would fit {' or '.join(film[0] for film in smaller)}, but its margins "
        f"with marks and words make it {needed}; to use the smaller film, {', or '.join(ways)}",
    )


def _holds(film: tuple[float, ...] | list[float], width: float, height: float) -> bool:
    (short, long), sides = film, sorted((width, height))
    return sides[0] <= short and sides[1] <= long


def _share(film: tuple[float, ...], width: float, height: float) -> float:
    """Return how much of its size a picture keeps on a film, 1 at most; margins keep theirs."""
    fits = (
        min((across - _TAKEN[0]) / width, (down - _TAKEN[1]) / height)
        for across, down in (film, film[::-1])
    )
    return min(1.0, max(fits))
