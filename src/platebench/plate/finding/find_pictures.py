"""Where several pictures on one plate part: plain gaps of unexposed emulsion, or none.

A gap runs from rebate to rebate, about as thin as the rebate, with picture on both sides of most of
it, and parts the plate in equal pictures. Whatever else is seen, the answer is one picture.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

LENGTH = 1024  # pixels along which gaps are looked for
BLOCKS = 40  # across, each judged by itself
WIDEST = 0.035  # of the length: a gap is narrower, and what is beyond it is picture
SLANT = 0.014  # rise over run up to which a gap may lean in its plate
REBATE = 0.06  # of the width that is not looked at on either side
CLEAR = 0.5  # of the tone beside it that a gap stays under
DARK = 0.15  # of the plate's median tone: what is darker does not part from a gap
MOST = 8  # pictures along a side
OUTER = 0.06  # of the length by which the first and last picture may begin within the plate
UNEQUAL = 0.006  # of the length by which pitches may differ
ASKEW = 0.003  # rise over run by which two gaps may lean apart
SURE = 0.6  # share of a gap's blocks that have picture on both sides of it, over all gaps
EACH = 0.4  # the same, of the weakest
STRAY = 0.8  # of the weakest's share, seen where no equal parting has a gap: nothing is plain then
CROSSED = 0.1  # share of blocks in which picture may cross a gap: flakes and scratches


@dataclass(frozen=True, slots=True)
class Gap:
    """A gap across a plate.

    Attributes
    ----------
    place : float
        Of its middle, where it crosses the middle of the plate, as a share of the plate's length.
    slant : float
        Rise over run.
    width : float
        As a share of the length.
    bounded : float
        Share of its blocks with picture on both sides.
    """

    place: float
    slant: float
    width: float
    bounded: float


@dataclass(frozen=True, slots=True)
class Parting:
    """How a plate parts, if it does.

    Attributes
    ----------
    boxes : tuple of (left, top, width, height)
        Pictures in reading order, as shares of the plate; () where it is one.
    gaps : tuple of Gap
        Those between rows of pictures, then those between columns.
    """

    boxes: tuple[tuple[float, float, float, float], ...] = ()
    gaps: tuple[Gap, ...] = ()


def find_pictures(plate: Floats, *, positive: bool = False) -> Parting:
    """Return the pictures of a plate where the gaps between them are plain.

    Parameters
    ----------
    plate : ndarray of float32, shape (M, N)
        Transmittance of the straightened plate alone, edge to edge, about as long as ``LENGTH``;
        of a scan that shows a positive, its light.
    positive : bool
        Whether it is that.
    """
    tone = over_rebate(plate, positive=positive)
    down, across = gaps_along(tone), gaps_along(np.ascontiguousarray(tone.T))
    if not down and not across:
        return Parting()
    rows, columns = _spans(down, tone), _spans(across, np.ascontiguousarray(tone.T))
    boxes = tuple(
        (left, top, right - left, bottom - top) for top, bottom in rows for left, right in columns
    )
    return Parting(boxes, (*down, *across))


def over_rebate(plate: Floats, *, positive: bool = False) -> Floats:
    """Return how far each place is from the plate's thinnest tone; 1 is the median."""
    light = np.clip(plate, 1e-4, None)
    tone = light ** (1 / 2.2) if positive else -np.log10(light)
    tone = tone - np.quantile(tone, 0.02)
    middle = float(np.median(tone))
    return np.asarray(np.clip(tone, 0, None) / max(middle, 1e-3), np.float32)


def gaps_along(tone: Floats) -> tuple[Gap, ...]:
    """Return the gaps that part rows of equal pictures; none where that is not plain."""
    columns = _columns(tone)
    seen = list(_candidates(columns))
    best: tuple[Gap, ...] = ()
    for count in range(2, MOST + 1):
        for gaps in _equal(seen, count):
            shares = [gap.bounded for gap in gaps]
            leans = [gap.slant for gap in gaps]
            if min(shares) >= EACH and np.mean(shares) >= SURE and np.ptp(leans) <= ASKEW:
                best = gaps
    others = [gap.bounded for gap in seen if gap not in best]
    return best if best and max(others, default=0) < STRAY * min(g.bounded for g in best) else ()


def _columns(tone: Floats) -> Floats:
    """Return the blocks' tones, one a column, reduced to ``LENGTH`` rows."""
    edge = round(REBATE * tone.shape[1])
    inner = tone[:, edge : tone.shape[1] - edge]
    rows = min(LENGTH, tone.shape[0])
    return np.asarray(cv2.resize(inner, (BLOCKS, rows), interpolation=cv2.INTER_AREA), np.float32)


def _candidates(columns: Floats) -> Iterator[Gap]:
    """Yield lines across the plate along which most blocks are a narrow clear strip."""
    rows = columns.shape[0]
    reach = max(3, round(WIDEST * rows))
    kernel = np.ones((reach, 1), np.uint8)
    closed = np.asarray(cv2.morphologyEx(columns, cv2.MORPH_CLOSE, kernel), np.float32)
    strip = (columns < CLEAR * closed) & (closed > DARK)
    along = (np.arange(BLOCKS) + 0.5) / BLOCKS - 0.5  # of the width
    slants = np.linspace(-SLANT, SLANT, 15)
    shifts = [np.round(slant * along * rows).astype(int) for slant in slants]
    score = np.stack([_along(strip, shift) for shift in shifts], 1)
    best = score.max(1)
    left = best.copy()
    while left[row := int(left.argmax())] >= EACH:
        left[max(0, row - reach) : row + reach] = 0
        gap = _measured(columns, closed, strip, row, shifts[int(score[row].argmax())])
        if gap is not None and OUTER < gap.place < 1 - OUTER:
            yield gap


def _along(strip: NDArray[np.bool_], shift: NDArray[np.int_]) -> Doubles:
    """Return, of each row, the share of blocks that are clear where a slanting line crosses."""
    rolled = [np.roll(strip[:, n], -by) for n, by in enumerate(shift)]
    return np.asarray(np.mean(rolled, axis=0))


def _measured(
    columns: Floats,
    closed: Floats,
    strip: NDArray[np.bool_],
    row: int,
    shift: NDArray[np.int_],
) -> Gap | None:
    """Return a gap, its line through the middles of its strips; None where picture crosses it."""
    rows = columns.shape[0]
    middles, widths, places = [], [], []
    for block in range(BLOCKS):
        at = row + shift[block]
        if not 0 <= at < rows or not strip[at, block]:
            continue
        top = at
        while top > 0 and strip[top - 1, block]:
            top -= 1
        bottom = at
        while bottom < rows - 1 and strip[bottom + 1, block]:
            bottom += 1
        middles.append((top + bottom + 1) / 2)
        widths.append(bottom + 1 - top)
        places.append((block + 0.5) / BLOCKS - 0.5)
    if len(middles) < EACH * BLOCKS:
        return None
    width = float(np.median(widths))
    alike = np.abs(np.array(widths) - width) <= max(2.0, 0.4 * width)
    x, y = np.array(places), np.array(middles)
    if alike.sum() < EACH * BLOCKS:
        return None
    slope, middle = _line(x[alike], y[alike])
    fits = alike & (np.abs(y - middle - slope * x) <= max(1.5, 0.25 * width))
    bounded = float(fits.sum()) / BLOCKS
    line = np.round(middle + slope * ((np.arange(BLOCKS) + 0.5) / BLOCKS - 0.5) - 0.5).astype(int)
    line = np.clip(line, 1, rows - 2)
    core = np.min([columns[line + off, np.arange(BLOCKS)] for off in (-1, 0, 1)], axis=0)
    beside = np.maximum(closed[line, np.arange(BLOCKS)], DARK)
    crossed = float((core > CLEAR * beside).mean())
    if crossed > CROSSED:
        return None
    return Gap(middle / rows, slope / rows, width / rows, bounded)


def _line(x: Doubles, y: Doubles) -> tuple[float, float]:
    """Return slope and middle of a line through most of some points (Theil and Sen)."""
    first, second = np.triu_indices(x.size, 1)
    slope = float(np.median((y[second] - y[first]) / (x[second] - x[first])))
    return slope, float(np.median(y - slope * x))


def _equal(seen: list[Gap], count: int) -> Iterator[tuple[Gap, ...]]:
    """Yield the gaps that part a plate in so many equal pictures."""
    order = sorted(seen, key=lambda gap: gap.place)
    for first in order:
        # What is left of the plate after the first picture holds the others and the outer rebates.
        for pitch in {gap.place - first.place for gap in order if gap.place > first.place} or {0.5}:
            if count == 2:
                pitch = 0.5
            wanted = [first.place + n * pitch for n in range(count - 1)]
            near = [min(order, key=lambda gap: abs(gap.place - at)) for at in wanted]
            ends = pitch - first.place, near[-1].place + pitch - 1
            if max(abs(gap.place - at) for gap, at in zip(near, wanted, strict=True)) > UNEQUAL:
                continue
            if len(set(near)) == count - 1 and all(-OUTER <= end <= OUTER / 2 for end in ends):
                yield tuple(near)


def _spans(gaps: tuple[Gap, ...], tone: Floats) -> list[tuple[float, float]]:
    """Return where pictures begin and end along a side, as shares of it."""
    first, last = _outer(tone), 1 - _outer(tone[::-1])
    starts = [first, *(gap.place + _half(gap) for gap in gaps)]
    ends = [*(gap.place - _half(gap) for gap in gaps), last]
    return list(zip(starts, ends, strict=True))


def _half(gap: Gap) -> float:
    """Return half of what a gap takes, its slant included."""
    return gap.width / 2 + abs(gap.slant) / 2


def _outer(tone: Floats) -> float:
    """Return how deep the rebate is at the top, as a share; 0 where picture begins at the edge."""
    columns = _columns(tone)
    deepest = round(OUTER * columns.shape[0])
    clear = columns[:deepest] < CLEAR * np.median(columns, axis=0)
    depths = np.where(clear.all(0), deepest, np.argmin(clear, axis=0))
    depth = float(np.median(depths))
    return 0.0 if depth >= deepest else depth / columns.shape[0]
