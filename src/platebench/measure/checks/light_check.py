"""Whether the light box is even, clean, and the same for the plate as in the blank frame."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.formats import MM_PER_INCH, PlateFormat
from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.measure.checks.dust import count_specks, find_specks
from platebench.measure.checks.exposure_check import longer_by
from platebench.measure.checks.verdict import Severity, Verdict, percent
from platebench.plate.bare_light import plane_of
from platebench.plate.light import (
    DARKEST_BLANK,
    Dark,
    Light,
    Uniformity,
    exposure_ratio,
    linear_means,
    uniformity,
    zero_level,
)
from platebench.plate.light_estimate import cells_inside
from platebench.plate.smooth_field import smooth_cells

# FADGI 2023: standard deviation over mean of the flat field, reflective classes (first and last
# found in secondary sources, the middle from memory). FADGI 2016, negatives: "illuminance
# non-uniformity", per cent, up to 4x5 in and larger (the larger class's 1 star from a misprinted
# cell, read as 5 %). Best first: 4, 3, 2, 1 star.
_SD_LIMITS = (0.01, 0.03, 0.05, 0.08)
_RANGE_LIMITS_SMALL = (0.01, 0.03, 0.05, 0.08)
_RANGE_LIMITS_LARGE = (0.01, 0.03, 0.05, 0.05)
_SMALL_CLASS_MM2 = 4 * 5 * MM_PER_INCH**2
_UNEVEN = 0.5  # (max-min)/max: the weakest place has half the light, a stop more noise
_SLOPE_NOTE, _SLOPE_SIGMAS = 0.01, 4.0  # change across the frame: worth saying, and sure
_MATCH_GOOD, _MATCH_WARN, _MATCH_FAIL = 0.02, 0.05, 0.20
_OLD_BLANK_HOURS = 3.0
_ENOUGH_CELLS = 8
_REACH = 0.5  # of the frame, that the bare light must span to show a slope


@dataclass(frozen=True, slots=True, kw_only=True)
class BlankMatch:
    """The bare light box around the plate against the blank frame.

    Attributes
    ----------
    ratio : float
        Light now over light in the blank, exposure times allowed for; 1 is a perfect match.
    spread : float
        Standard deviation of that ratio over the surround, relative: has the light moved?
    cells : int
        Number of surround cells it was read on.
    across, down : float
        Change of that ratio from the left edge of the frame to the right, from the upper to the
        lower, relative; 0 where the surround does not reach far enough to tell.
    slope_sigma : float
        Standard error of the two.
    """

    ratio: float
    spread: float
    cells: int
    across: float = 0.0
    down: float = 0.0
    slope_sigma: float = 0.0

    @property
    def density_offset(self) -> float:
        """Error of every density if the drift is not corrected, D; positive reads too thin."""
        return math.log10(self.ratio)


def measure_uniformity(frame: SensorFrame, dark: Dark | None = None) -> Uniformity:
    """Return the evenness of a blank frame, smoothed to a hundredth of the frame."""
    means = linear_means(frame) - zero_level(frame, dark)[:, None, None]
    return uniformity(np.maximum(smooth_cells(means), 1e-6).mean(axis=0))


def relative_cells(
    frame: SensorFrame, light: Light, dark: Dark | None = None
) -> NDArray[np.float64] | None:
    """Return light over bare light on a coarse grid, colours averaged; None if sizes differ.

    Exposure times are allowed for, so bare light box is 1 wherever the light has not changed.
    """
    means = linear_means(frame) - zero_level(frame, dark)[:, None, None]
    fields = light.fields
    if fields.shape[1:] == (1, 1):  # a scanner's white is one number
        fields = np.broadcast_to(fields, means.shape)
    if means.shape != fields.shape:
        return None
    ratio = (means / fields).mean(axis=0, dtype=np.float64)
    return np.asarray(ratio * exposure_ratio(light.info, frame.info))


def measure_match(
    relative: NDArray[np.float64],
    corners: NDArray[np.float64] | None,
    shape: tuple[int, int],
    surround: str = "bright",
) -> BlankMatch | None:
    """Compare the bare light around a plate with the blank frame; None where none shows.

    A cell counts as bare light if it lies outside the plate and is at least 0.6 of the brightest
    ones there, as are its neighbours: card, holder and shadows fall away. Where a black mask
    surrounds the plate, what shows beside it is light past the mask's edge, or the mask itself,
    never the level of the box.

    Parameters
    ----------
    relative : ndarray of float64, shape (rows, columns)
        From :func:`relative_cells`.
    corners : ndarray of float64, shape (4, 2), or None
        The plate's corners; None of another blank frame, which is bare light all over.
    shape : (int, int)
        Rows and columns of the frame.
    surround : {"bright", "dark", "holder", "none"}
        What lies around the plate, as the finder has it.
    """
    if surround not in ("bright", "holder"):
        return None
    grid = (relative.shape[0], relative.shape[1])
    outside = np.ones(grid, bool)
    if corners is not None:
        outside = ~cells_inside(corners, shape, grid, grow=0.03)
    if not outside.any():
        return None
    bright = outside & (relative > 0.6 * np.percentile(relative[outside], 95))
    alone = cv2.erode(bright.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    lit = np.asarray(alone if np.count_nonzero(alone) >= _ENOUGH_CELLS else bright)
    bare = relative[lit]
    if len(bare) < _ENOUGH_CELLS or float(np.median(bare)) < 0.2:
        return None
    middle = float(np.median(bare))
    spread = 1.4826 * float(np.median(np.abs(bare - middle))) / middle
    across, down, sigma = _slope(relative / middle, lit)
    return BlankMatch(
        ratio=middle, spread=spread, cells=len(bare), across=across, down=down, slope_sigma=sigma
    )


def _slope(ratio: NDArray[np.float64], lit: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Fit a plane to a ratio without outliers; its change across and down the frame, and error."""
    rows, columns = np.nonzero(lit)
    if np.ptp(rows) < _REACH * lit.shape[0] or np.ptp(columns) < _REACH * lit.shape[1]:
        return 0.0, 0.0, 0.0
    places = (np.stack([rows, columns], axis=1) + 0.5) / lit.shape - 0.5
    # Neighbouring cells err alike (lamp, shading): as if one in sixteen stood alone.
    (_, down, across), sigma = plane_of(places, ratio[lit], alone=1 / 16)
    return across, down, sigma


def blank_levels(light: Light, frame: SensorFrame, percentile: float) -> dict[int, float]:
    """Return the bare light by colour number at the exposure of ``frame``, light above black.

    Parameters
    ----------
    percentile : float
        Over the frame: 99 for what clips first, 50 for a typical place.
    """
    scale = exposure_ratio(frame.info, light.info)
    levels: dict[int, list[float]] = {}
    for kind, field in enumerate(light.fields):
        colour = _colour_of(light, kind)
        levels.setdefault(colour, []).append(float(np.percentile(field, percentile)) * scale)
    return {colour: max(values) for colour, values in sorted(levels.items())}


def _colour_of(light: Light, kind: int) -> int:
    if light.channels == 3:
        return kind
    if light.pattern.size <= 4:
        return int(light.pattern.ravel()[kind])
    return int(np.unique(light.pattern)[kind])


def judge_uniformity(even: Uniformity, format: PlateFormat | None) -> Verdict:
    """Measure the evenness against published figures, and say what helps.

    Flattening takes unevenness out, at the price of noise where the light is weak; the figures
    are for the bare light.
    """
    small = format is not None and format.short_mm * format.long_mm <= _SMALL_CLASS_MM2 + 1
    ranges = _RANGE_LIMITS_SMALL if small else _RANGE_LIMITS_LARGE
    text = (
        f"the bare light varies by {100 * even.sd_over_mean:.1f} % (s.d./mean) and "
        f"{100 * even.range_over_max:.1f} % ((max-min)/max); measured against FADGI: "
        f"{_stars(even.sd_over_mean, _SD_LIMITS)} of 2023, "
        f"{_stars(even.range_over_max, ranges)} of 2016 (plates "
        f"{'up to' if small else 'larger than'} 4x5 in)"
    )
    remedy = (
        "flattening takes it out, but even light is better: close the lens a stop or two, lift "
        "the plate off the light box, use a larger box"
    )
    if even.range_over_max > _UNEVEN:
        return Verdict(Severity.WARN, "light uniformity", text, remedy)
    if even.sd_over_mean >= _SD_LIMITS[-1]:
        return Verdict(Severity.NOTE, "light uniformity", text, remedy)
    return Verdict(Severity.GOOD, "light uniformity", text)


def judge_match(
    match: BlankMatch | None, *, masked: bool = False, against: str = "the blank frame"
) -> Verdict:
    """Return what a drift between blank frame and plate means for the densities.

    Parameters
    ----------
    masked : bool
        Whether a black mask lies around the plate.
    against : str
        What it was compared with.
    """
    topic = "blank match"
    if match is None and masked:
        text = "on a black mask nothing shows whether the light is as bright as in the blank frame"
        remedy = "capture the blank frame right before or after, with the lamp warmed up"
        return Verdict(Severity.NOTE, topic, text, remedy)
    if match is None:
        text = "no bare light box shows around the plate, so that a drift of the light is not seen"
        remedy = "leave a narrow strip of bare light box in the frame"
        return Verdict(Severity.NOTE, topic, text, remedy)
    away = abs(match.ratio - 1)
    way = "brighter" if match.ratio > 1 else "darker"
    text = (
        f"the light box is {100 * away:.1f} % {way} than in {against} "
        f"({match.density_offset:+z.3f} D)"
    )
    if away < 0.001:
        text = f"the light box is as bright as in {against}, within 0.1 %"
    if match.spread > _MATCH_WARN:
        moved = f"{text}, by {100 * match.spread:.0f} % more in one place than in another"
        again = "light box or camera moved: capture a new blank frame"
        return Verdict(Severity.WARN, topic, moved, again)
    slope = _slope_said(match)
    if slope:
        again = "convert fits a plane to it; let the lamp warm up, then capture a new blank frame"
        grave = max(away, abs(match.across), abs(match.down)) > _MATCH_WARN
        return Verdict(Severity.WARN if grave else Severity.NOTE, topic, f"{text}, {slope}", again)
    if away <= _MATCH_GOOD:
        return Verdict(Severity.GOOD, topic, text)
    if away <= _MATCH_WARN:
        return Verdict(Severity.NOTE, topic, text, "let the lamp warm up before the next session")
    again = "capture a new blank frame with the light box as it is now"
    if away <= _MATCH_FAIL:
        return Verdict(Severity.WARN, topic, text, again)
    return Verdict(
        Severity.FAIL,
        topic,
        text,
        f"check that the files state the true shutter times, and {again}",
    )


def _slope_said(match: BlankMatch) -> str:
    """Say which way the light has drifted over the frame; "" where it has not, for sure."""
    least = max(_SLOPE_NOTE, _SLOPE_SIGMAS * match.slope_sigma)
    said = [
        f"{100 * abs(change):.1f} % more at the {more} than at the {less}"
        for change, more, less in (
            (match.across, *(("right", "left") if match.across > 0 else ("left", "right"))),
            (match.down, *(("bottom", "top") if match.down > 0 else ("top", "bottom"))),
        )
        if abs(change) > least
    ]
    return f"and has drifted: {' and '.join(said)} of the frame" if said else ""


def judge_settings(info: CaptureInfo, blank: CaptureInfo) -> list[Verdict]:
    """Compare what the files say of plate and blank frame: ISO, aperture, camera, age."""
    verdicts = []
    for what, one, other in (
        ("ISO", info.iso, blank.iso),
        ("the aperture", info.f_number, blank.f_number),
    ):
        if one and other and abs(one / other - 1) > 0.01:
            text = f"{what} is {one:g} here and {other:g} in the blank frame"
            again = "capture plate and blank alike; only the shutter time may differ"
            verdicts.append(Verdict(Severity.FAIL, "blank match", text, again))
    if info.camera and blank.camera and info.camera != blank.camera:
        text = f"the plate is from {info.camera}, the blank frame from {blank.camera}"
        again = "capture a blank frame with the plate's camera"
        verdicts.append(Verdict(Severity.FAIL, "blank match", text, again))
    if info.taken and blank.taken:
        hours = (info.taken - blank.taken).total_seconds() / 3600
        if abs(hours) > _OLD_BLANK_HOURS:
            text = f"the blank frame is {abs(hours):.0f} hours {'older' if hours > 0 else 'newer'}"
            again = "capture a blank frame at the start and the end of every session"
            verdicts.append(Verdict(Severity.NOTE, "blank match", text, again))
    return verdicts


def judge_blank(frame: SensorFrame, clipped: float, dark: Dark | None = None) -> list[Verdict]:
    """Judge a blank frame by itself: clipped, too dark, dusty."""
    verdicts = []
    if frame.info.kind is CaptureKind.RAW and clipped > 1e-3:
        time_s = frame.info.exposure_s
        new = longer_by(time_s, -2 / 3) if time_s else None
        remedy = f"shorten to {new}" if new else "shorten the exposure by two thirds of a stop"
        text = f"{percent(clipped)} of the blank frame clips; it cannot be divided by"
        verdicts.append(Verdict(Severity.FAIL, "clipping", text, f"{remedy} and capture it again"))
    means = linear_means(frame) - zero_level(frame, dark)[:, None, None]
    if float(np.median(means)) < DARKEST_BLANK * frame.full_scale:
        text = "the blank frame is nearly black"
        remedy = "lengthen its exposure until the bare light sits just below clipping"
        verdicts.append(Verdict(Severity.FAIL, "exposure", text, remedy))
        return verdicts
    spots = count_specks(find_specks(frame))
    if spots:
        text = f"{spots} dark {'speck' if spots == 1 else 'specks'} in the blank frame"
        remedy = (
            "clean light box and lens; specks that stay in place from frame to frame are on the "
            "sensor"
        )
        verdicts.append(Verdict(Severity.NOTE, "dust", text, remedy))
    return verdicts


def _stars(value: float, limits: tuple[float, ...]) -> str:
    """Return the highest class whose figure a value stays under.

    Examples
    --------
    >>> _stars(0.02, _SD_LIMITS), _stars(0.06, _RANGE_LIMITS_LARGE)
    ('3 stars', 'no star')
    """
    for stars, limit in zip((4, 3, 2, 1), limits, strict=True):
        if value < limit:
            return f"{stars} stars" if stars > 1 else "1 star"
    return "no star"
