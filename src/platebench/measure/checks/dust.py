"""Dark specks on the bare light box: how many, and which have come or gone since the blank frame.

What lies on the box in the blank and in the plate's capture alike, or on the sensor, stays in its
place. What is in one of them alone has moved; under the plate it would be taken for the plate's.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import SensorFrame
from platebench.measure.checks.sites import OUTSIDE, light_of, planes, region_map
from platebench.measure.checks.verdict import Severity, Verdict

Mask = NDArray[np.bool_]

LONG_SIDE = 1500  # pixels on which specks are looked for
_DEEP = 0.03  # light lost in a speck worth counting in a blank
_SIGMAS, _LEAST = 6.0, 0.01  # of the noise, and light lost: certainly a speck
_STILL_THERE = 0.5  # of a speck's depth, found in the other frame: it has not moved
_NEAR = 3  # pixels by which a speck may seem to move: rounding, its size
_WORTH_SAYING = 5  # specks moved; fewer are anybody's
_STEPS = 10000  # of a relative departure in its whole numbers


@dataclass(frozen=True, slots=True, eq=False)
class Specks:
    """Dark specks of a frame, on a reduced picture of it.

    Attributes
    ----------
    departure : ndarray of int16, shape (m, n)
        Of the light from that around it, relative, in steps of 0.0001; 0 where not ``seen``. Whole
        numbers, since it goes to every worker.
    seen : ndarray of bool, shape (m, n)
        Where bare light shows.
    noise : float
        Standard deviation of ``departure``, relative.
    """

    departure: NDArray[np.int16]
    seen: Mask
    noise: float

    def marks(self, least: float = _LEAST) -> Mask:
        """Return where it is certainly darker than around, by ``least`` at least."""
        return np.asarray(self.departure < -_STEPS * max(least, _SIGMAS * self.noise))


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedDust:
    """Specks on the bare light around a plate against those of the blank frame.

    Attributes
    ----------
    come, gone : int
        Specks that only the plate's capture, only the blank frame has there.
    stayed : int
        Specks of the plate's capture that the blank has too.
    share : float
        Share of the frame on which both could be seen.
    """

    come: int
    gone: int
    stayed: int
    share: float


def find_specks(frame: SensorFrame, corners: NDArray[np.float64] | None = None) -> Specks:
    """Find specks on the bare light of a frame, in its green photosites.

    Parameters
    ----------
    corners : ndarray of float64, shape (4, 2), optional
        Of the plate, which is left out with what is dark around it. None: a blank frame.
    """
    green = next(plane for plane in planes(frame) if plane.colour == 1)
    factor = max(1, round(max(green.counts.shape) / LONG_SIDE))
    size = (green.counts.shape[1] // factor, green.counts.shape[0] // factor)
    plane = light_of(frame, green.counts, green.black)
    small = np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.float32)
    seen = np.ones(small.shape, bool)
    if corners is not None:
        seen = region_map(small.shape, corners * (np.array(small.shape) / frame.shape)) == OUTSIDE
        if seen.any():
            seen &= _eroded(cv2.medianBlur(small, 5) > 0.6 * np.percentile(small[seen], 95))
        seen = _eroded(seen)
    around = cv2.medianBlur(cv2.blur(small, (3, 3)), 5)
    weight = _smooth(seen.astype(np.float32))
    around = _smooth(np.where(seen, around, np.float32(0)))
    relative = np.where(seen, small * weight / np.maximum(around, 1e-6) - 1, 0)
    noise = 1.4826 * float(np.median(np.abs(relative[seen]))) if seen.any() else 0.0
    steps = np.clip(np.rint(relative * _STEPS), -_STEPS, _STEPS)
    return Specks(steps.astype(np.int16), np.asarray(seen), noise)


def count_specks(specks: Specks) -> int:
    """Return how many specks take at least 3 % of the light."""
    marks = specks.marks(_DEEP).astype(np.uint8)
    return int(cv2.connectedComponents(marks, connectivity=8)[0]) - 1


def moved_dust(plate: Specks, blank: Specks) -> MovedDust | None:
    """Compare the specks around a plate with the blank's; None where they cannot be compared."""
    if plate.seen.shape != blank.seen.shape or not plate.seen.any():
        return None
    seen = plate.seen & blank.seen
    come, stayed = _missing(plate, blank, seen)
    gone, _ = _missing(blank, plate, seen)
    return MovedDust(come=come, gone=gone, stayed=stayed, share=float(seen.mean()))


def judge_moved_dust(moved: MovedDust, *, blanks: bool = False) -> Verdict:
    """Say how much dust moved, and what to do.

    Parameters
    ----------
    blanks : bool
        Whether two blank frames were compared, over the whole box.
    """
    total = moved.come + moved.gone
    where = "the light box" if blanks else "the bare light around the plate"
    text = (
        f"dust: {moved.come} dark {'speck' if moved.come == 1 else 'specks'} on {where} that "
        f"{'an earlier' if blanks else 'the'} blank frame does not have, {moved.gone} of its own "
        "are gone"
    )
    if total == 0:
        text = f"no dust has moved on {where}"
    if total < _WORTH_SAYING:
        return Verdict(Severity.GOOD, "dust", text)
    again = "blow off light box and plate, then capture the blank frame and the plate again"
    return Verdict(Severity.NOTE, "dust", text, again)


def _missing(one: Specks, other: Specks, seen: Mask) -> tuple[int, int]:
    """Return how many specks of one frame the other does not have, and how many it has."""
    marks = (one.marks() & seen).astype(np.uint8)
    count, labels = cv2.connectedComponents(marks, connectivity=8)
    rows, columns = np.nonzero(marks)
    which = labels[rows, columns] - 1
    sizes = np.bincount(which, minlength=count - 1)
    depth = np.bincount(which, one.departure[rows, columns], minlength=count - 1) / sizes
    deepest = np.zeros(count - 1)
    for down in range(-_NEAR, _NEAR + 1):
        for across in range(-_NEAR, _NEAR + 1):
            at = (
                np.clip(rows + down, 0, marks.shape[0] - 1),
                np.clip(columns + across, 0, marks.shape[1] - 1),
            )
            found = np.bincount(which, other.departure[at], minlength=count - 1) / sizes
            deepest = np.minimum(deepest, found)
    there = int(np.count_nonzero(deepest <= _STILL_THERE * depth))
    return count - 1 - there, there


def _smooth(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a plane blurred by a hundredth of its long side, made from a quarter of its rows."""
    coarse = (max(1, plane.shape[1] // 4), max(1, plane.shape[0] // 4))
    small = cv2.resize(plane, coarse, interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), max(coarse) / 100)
    return np.asarray(cv2.resize(blurred, plane.shape[::-1], interpolation=cv2.INTER_LINEAR))


def _eroded(mask: Mask) -> Mask:
    return np.asarray(cv2.erode(mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0)
