"""What lies where on a print negative: picture, marks, ruler, wedge, words. Millimetres; pure.

Everything is laid out as the finished print is seen, which is how the film looks from the lamp
when it lies right. The sheet as a whole is then mirrored, or not, for the side that touches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from platebench.outputs.proof_page import Box
from platebench.outputs.proof_type import LIGHT, REGULAR, plain_line, shorten, width_mm

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
