"""Whether a scan shows a negative, or the positive that a scanner's program made of it.

Two things are known of a plate whatever its picture. Beyond the glass lies bare light or something
black. And the rebate, which the holder covered, is base plus fog, the thinnest part there is: shown
as a negative the rim is the lightest of the plate, shown as a positive it is the darkest. Tones of
the picture say nothing: a negative of a snowfield looks like a positive of the night.

Judged on codes of gamma 2.2, in which a positive is the negative's ``1 - code``. Where rim and
surround do not both fit one answer there is none. The limits were set on every second plate of 155
real scans, as they are and inverted, and on simulated negatives of the seeds 0 to 159, one of them
(``CARD_WHITE``) on 3000 to 3099 too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from platebench.core.image import SensorFrame
from platebench.plate.finding.surround import (
    Floats,
    Mask,
    find_regions,
    find_surround,
    reduce_picture,
)

Polarity = Literal["negative", "positive"]

LONG_SIDE = 850  # pixels on which it is judged
GAMMA = 2.2
WHITE, BLACK = 0.85, 0.15  # codes of a surround: bare light, black card; a positive's swapped
FIRST, LAST = 0.006, 0.03  # of the plate's short side: where a rebate is looked for
PICTURE = 0.06  # of the short side: the picture begins here at the latest
NEAR = 4 / 255  # of the picture's own end of the scale: rebate and picture's thinnest are alike
ALL_ROUND = 0.6  # of the rim that is the darkest, or the lightest
CLEARLY = 0.3  # more of it than is the opposite
REBATE_BLACK = 0.18  # code: base plus fog prints near black
CARD_BLACK = 0.2  # code of 3 % of the light: a holder or card, if it goes on inwards
CARD_WHITE = 0.88  # the same inverted: more than a rebate lets through
REBATE_LIGHT = 0.75  # code of base plus fog and glass together, 0.27 D, against bare light
BESIDE_LIGHT = 0.1  # of a rim against bare light that may be dark; its blur makes the rest light
GLASS = 0.965  # code of two glass surfaces (92 % of the light, Fresnel at n = 1.52), and a little
AGREEING = 0.8  # of the scans of a session that could be judged


@dataclass(frozen=True, slots=True)
class SessionTones:
    """What the scans of a session show, all together.

    Attributes
    ----------
    shows : {"negative", "positive"} or None
        None where there is nothing to go by, or they do not agree.
    positive, negative, unclear : int
        How many scans seem to show which.
    """

    shows: Polarity | None
    positive: int
    negative: int
    unclear: int

    @property
    def said(self) -> str:
        """The count in words.

        Examples
        --------
        >>> SessionTones("positive", 12, 0, 2).said
        '12 of 14 scans look like positives, 2 cannot be judged'
        """
        counts = (
            (self.positive, "looks like a positive", "look like positives"),
            (self.negative, "looks like a negative", "look like negatives"),
            (self.unclear, "cannot be judged", "cannot be judged"),
        )
        total = self.positive + self.negative + self.unclear
        parts = [f"{n} {one if n == 1 else many}" for n, one, many in counts if n]
        of_all = f" of {total} {'scan' if total == 1 else 'scans'} "
        return ", ".join(parts).replace(" ", of_all, 1)


def tones_of_session(judged: Sequence[Polarity | None]) -> SessionTones:
    """Return what the scans of a session show by what each of them seems to show.

    Examples
    --------
    >>> tones_of_session(["positive", None, "positive"]).shows
    'positive'
    >>> tones_of_session(["positive", "negative"]).shows is None
    True
    """
    positive, negative = judged.count("positive"), judged.count("negative")
    known = positive + negative
    shows: Polarity | None = None
    if known and max(positive, negative) >= AGREEING * known:
        shows = "positive" if positive > negative else "negative"
    return SessionTones(shows, positive, negative, len(judged) - known)


def shown_tones(frame: SensorFrame) -> Polarity | None:
    """Judge a scan as it was read; None where it cannot be told.

    Parameters
    ----------
    frame : SensorFrame
        A scan.
    """
    codes, _ = reduce_picture(frame.counts, LONG_SIDE)
    light = codes / np.float32(frame.white)
    if frame.curve is not None:
        seen = np.interp(codes, np.arange(len(frame.curve)), frame.curve / frame.curve[-1])
        light = seen.astype(np.float32)
    return tones_of_light(light)


def tones_of_light(light: Floats) -> Polarity | None:
    """Judge a scan by its linear light as shown, full scale 1; None where it cannot be told.

    Parameters
    ----------
    light : ndarray of float32, shape (m, n)
        About ``LONG_SIDE`` pixels long.
    """
    if min(light.shape) < 24:
        return None
    regions = find_regions(find_surround(light).objects)
    if not regions:
        return None
    code = np.clip(light, 0, 1) ** (1 / GAMMA)
    rim = _rim(np.asarray(code, np.float32), regions[0].mask)
    if rim is None:
        return None
    if rim.outside > WHITE and rim.dark > max(ALL_ROUND, rim.light + CLEARLY):
        return "positive" if rim.further_in > CARD_BLACK else None
    if rim.outside < BLACK and rim.light > max(ALL_ROUND, rim.dark + CLEARLY):
        return "negative" if rim.further_in < CARD_WHITE else None
    bare = rim.outside > WHITE and rim.lightest < GLASS * rim.outside
    thin = rim.light > ALL_ROUND and rim.level > REBATE_LIGHT and rim.dark < BESIDE_LIGHT
    return "negative" if bare and thin else None


@dataclass(frozen=True, slots=True)
class _Rim:
    """The rim of what lies on the surround.

    Attributes
    ----------
    outside : float
        Median code of the surround.
    dark, light : float
        Shares of the rim where it holds something as dark (and black), as light, as the picture's
        own ends.
    level : float
        Median code of the rim.
    lightest : float
        The picture's lightest tone.
    further_in : float
        Median code inwards of where a rebate ends: a holder's frame is still black there.
    """

    outside: float
    dark: float
    light: float
    level: float
    lightest: float
    further_in: float


def _rim(code: Floats, plate: Mask) -> _Rim | None:
    """Return what the rim is like; None where there is too little of it to see."""
    corners = cv2.findNonZero(plate)
    short = min(cv2.minAreaRect(corners)[1])
    depth = cv2.distanceTransform(np.pad(plate, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    first, last = max(2.0, FIRST * short), LAST * short
    outside, picture = plate == 0, depth > PICTURE * short
    if last - first < 2 or not outside.any() or np.count_nonzero(picture) < 100:
        return None
    clean = cv2.medianBlur(np.rint(code * 255).astype(np.uint8), 3)  # no dust, no pinholes
    darkest, lightest = np.quantile(clean[picture], (0.02, 0.98)) / 255
    band = (depth > first) & (depth <= last)
    across = 2 * int(np.ceil((last - first) / 2)) + 1
    brush = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across, across))
    middle = np.abs(depth - (first + last) / 2) <= 1
    beyond = (depth > last) & (depth <= 1.5 * last)
    if not middle.any() or not beyond.any():
        return None
    low = cv2.erode(np.where(band, clean, 255).astype(np.uint8), brush)[middle] / 255
    high = cv2.dilate(np.where(band, clean, 0).astype(np.uint8), brush)[middle] / 255
    return _Rim(
        outside=float(np.median(code[outside])),
        dark=float(np.mean((low <= darkest + NEAR) & (low <= REBATE_BLACK))),
        light=float(np.mean(high >= lightest - NEAR)),
        level=float(np.median(clean[band])) / 255,
        lightest=float(lightest),
        further_in=float(np.median(clean[beyond])) / 255,
    )
