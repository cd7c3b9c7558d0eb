"""What is written under a print. Pure: text in, lines that fit out."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.write.page_pen import (
    REGULAR,
    TIMES,
    can_show,
    pack,
    plain_line,
    shorten,
    width_mm,
    wrap,
)

MAX_FLAG_LINES = 8
MAX_NAME_LINES = 2
MAX_TITLE_LINES = 3
MAX_FAILED_LINES = 2
_REASON_MM = (80.0, 50.0, 30.0)  # room for one reason, the most there is room for in all
_FAILED_ID_MM = 40.0
_MOST_FAILED = 150  # ids that could stand on two lines
BESIDE_GAP = 2.4
_BETWEEN_FIGURES = re.compile(r"(?<=\d)\s*x\s*(?=\d)")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProofPrint:
    """One plate as it is shown on a proof sheet.

    Attributes
    ----------
    plate_id : str
        Name of the plate.
    picture : Path or ndarray of uint8, shape (M, N)
        The positive, gray gamma 2.2; a path to its preview keeps memory small.
    title, date : str
        What the plate shows, and when it was exposed, as the plate log has it; "" if it does not.
    format_name : str
        Plate format; "" where it is not known.
    size_mm : (width, height) or None
        True size of what ``picture`` shows, edge to edge, in millimetres. None: not known.
    size_error : str
        By how much that may be off, in words; "" where that is not known.
    base_fog, d_max, density_range : float
        Densities (D); nan where not measured.
    bound : bool
        True where ``d_max`` and ``density_range`` are lower bounds: the rest is lost in the dark.
    fog_seen : bool
        False where no rebate shows, so that ``base_fog`` is but the thinnest tone.
    flags : tuple of str
        Doubts and remarks, in plain words.
    whole : bool
        True where the capture is shown uncropped.
    doubtful : bool
        True where a person should look: kept whole because its sides are in doubt.
    misfit : str
        How its shape differs from that of its format; "" where it does not.
    """

    plate_id: str
    picture: Path | NDArray[np.uint8]
    title: str = ""
    date: str = ""
    format_name: str = ""
    size_mm: tuple[float, float] | None = None
    size_error: str = ""
    base_fog: float = math.nan
    d_max: float = math.nan
    density_range: float = math.nan
    bound: bool = False
    fog_seen: bool = True
    flags: tuple[str, ...] = ()
    whole: bool = False
    doubtful: bool = False
    misfit: str = ""

    @property
    def trusted_size(self) -> tuple[float, float] | None:
        """``size_mm``, but None where the plate is doubtful or not of its format's shape.

        Resolution comes from the plate's sides and its format; where one of them is in doubt, so
        is every length.
        """
        return None if self.doubtful or self.misfit else self.size_mm


class Hand(StrEnum):
    """How a line of a caption is written."""

    NAME = "name"
    DATA = "data"
    FLAG = "flag"


TYPE = {Hand.NAME: (REGULAR, 9), Hand.DATA: (REGULAR, 8), Hand.FLAG: (REGULAR, 8)}
LEADING_MM = {Hand.NAME: 3.8, Hand.DATA: 3.4, Hand.FLAG: 3.4}


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a caption.

    Attributes
    ----------
    text : str
        What is written.
    hand : Hand
        How.
    full : str
        The text it stands for, where that was shortened.
    beside : str
        Written after it on the same line, in the hand of the data.
    """

    text: str
    hand: Hand
    full: str = ""
    beside: str = ""

    @property
    def beside_at(self) -> float:
        """Where ``beside`` begins, millimetres from the start of the line."""
        return width_mm(self.text, *TYPE[self.hand]) + BESIDE_GAP

    @property
    def width(self) -> float:
        """Length of the line in millimetres."""
        beside = self.beside and self.beside_at + width_mm(self.beside, *TYPE[Hand.DATA])
        return beside or width_mm(self.text, *TYPE[self.hand])


def caption_lines(shown: ProofPrint, number: int, width: float, *, scaled: bool) -> list[Line]:
    """Return the caption of one print, no line wider than ``width`` millimetres.

    Parameters
    ----------
    shown : ProofPrint
        The plate.
    number : int
        Its place in the session, from 1; written where the face lacks letters of its id.
    width : float
        Room in millimetres.
    scaled : bool
        False where the print is not at the scale of the sheet.
    """
    full = plain_line(shown.plate_id)
    name = full if full and can_show(full) else f"{full} (plate {number})".lstrip()
    lines = _name_lines(name, full or name, width)
    what, densities = _what(shown, scaled), _densities(shown)
    beside = replace(lines[-1], beside=what)
    if beside.width <= width:
        lines[-1] = beside
    else:
        densities = [what, *densities]
    lines += _title_lines(shown, width)
    lines += [Line(text, Hand.DATA) for text in pack(densities, width, *TYPE[Hand.DATA])]
    return lines + _flag_lines(shown, width)


def not_converted_lines(failed: Sequence[tuple[str, str]], width: float) -> list[str]:
    """Return what names the plates that failed: at most ``MAX_FAILED_LINES`` lines.

    With reasons where there is room, each shortened alike; else ids alone, as many as fit.

    Parameters
    ----------
    failed : sequence of (str, str)
        Id and reason of each.
    width : float
        Room in millimetres.
    """
    if not failed:
        return []
    font = TYPE[Hand.FLAG]
    ids = [shorten(plain_line(plate_id), _FAILED_ID_MM, *font) for plate_id, _ in failed]
    reasons = [plain_line(reason) for _, reason in failed]
    for room in _REASON_MM if len(failed) <= _MOST_FAILED else ():
        short = [f" ({shorten(reason, room, *font)})" if reason else "" for reason in reasons]
        named = ", ".join(map("".join, zip(ids, short, strict=True)))
        lines = wrap(f"not converted: {named}", width, *font)
        if len(lines) <= MAX_FAILED_LINES:
            return lines
    for count in range(min(len(ids), _MOST_FAILED), 0, -1):
        more = f" and {len(ids) - count} more" if count < len(ids) else ""
        lines = wrap(f"not converted: {', '.join(ids[:count])}{more}", width, *font)
        if len(lines) <= MAX_FAILED_LINES:
            break
    return lines


def caption_height(lines: Sequence[Line]) -> float:
    """Return the height of a caption in millimetres."""
    return sum(LEADING_MM[line.hand] for line in lines) + 0.6  # tails of the last line


def format_shown(name: str) -> str:
    """Return a format as it is set in type.

    Examples
    --------
    >>> format_shown("4x5 in"), format_shown("whole plate")
    ('4 × 5 in', 'whole plate')
    """
    return _BETWEEN_FIGURES.sub(f" {TIMES} ", plain_line(name))


def _what(shown: ProofPrint, scaled: bool) -> str:
    facts = [format_shown(shown.format_name) or "format not known"]
    if shown.whole and not shown.flags:
        facts.append("uncropped")
    if not scaled:
        facts.append("not to scale")
    return ", ".join(facts)


def _name_lines(name: str, full: str, width: float) -> list[Line]:
    """Return a plate's name, broken where it must be; a very long one keeps its two ends."""
    font = TYPE[Hand.NAME]
    lines = wrap(name, width, *font)
    if len(lines) > MAX_NAME_LINES:
        lines = [shorten(name, width, *font)]
    first, *rest = lines or [""]
    return [Line(first, Hand.NAME, full), *(Line(line, Hand.NAME) for line in rest)]


def _title_lines(shown: ProofPrint, width: float) -> list[Line]:
    told = ", ".join(filter(None, (plain_line(shown.title), plain_line(shown.date))))
    lines = wrap(told, width, *TYPE[Hand.DATA])
    if len(lines) > MAX_TITLE_LINES:
        rest = " ".join(lines[MAX_TITLE_LINES - 1 :])
        lines[MAX_TITLE_LINES - 1 :] = [shorten(rest, width, *TYPE[Hand.DATA])]
        return [*(Line(line, Hand.DATA) for line in lines[:-1]), Line(lines[-1], Hand.DATA, rest)]
    return [Line(line, Hand.DATA) for line in lines]


def _densities(shown: ProofPrint) -> list[str]:
    thinnest = "b+f" if shown.fog_seen else "thinnest"
    over = " over" if shown.bound else ""
    figures = (
        (f"range{over}", shown.density_range),
        (thinnest, shown.base_fog),
        (f"Dmax{over}", shown.d_max),
    )
    measured = [f"{name} {value:z.2f}" for name, value in figures if math.isfinite(value)]
    return measured or ["density not measured"]


def _flag_lines(shown: ProofPrint, width: float) -> list[Line]:
    texts = [flag for flag in map(plain_line, shown.flags) if flag]
    if shown.doubtful:
        texts = [text for text in texts if not text.startswith("kept whole")]  # said once
        texts = [": ".join(filter(None, ("doubtful, kept whole", "; ".join(texts))))]
    lines = [line for text in texts for line in wrap(text, width, *TYPE[Hand.FLAG])]
    if len(lines) > MAX_FLAG_LINES:
        last = shorten("… more in the record", width, *TYPE[Hand.FLAG])
        lines = [*lines[: MAX_FLAG_LINES - 1], last]
    return [Line(line, Hand.FLAG) for line in lines]
