"""What the bare light box gives at every place: from blank frames, or a scanner's own white."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from platebench.core.camera_time import shown_seconds
from platebench.core.errors import BlankFrameError, FrameMismatchError
from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.plate.smooth_field import class_means, grid_shape, site_classes, smooth_cells

if TYPE_CHECKING:
    from platebench.plate.glare_model import SessionGlare

CLIPPED_SHARE_ALLOWED = 0.001
LEVEL_REFUSED = 0.5  # stops by which bare light may have changed since the blank
_SMOOTHED = 0.25  # noise that smooth_cells leaves of independent cells': its two filters' own
_SAME = 0.01  # share by which ISO and aperture may differ
_LIKE_TIME = 2.0  # times that a dark frame may be longer or shorter unmentioned
_SAMPLED_ROWS = 64  # of each kind of site, for the noise of a blank
DARKEST_BLANK = 0.02  # of full scale: below it the blank adds more noise than it removes


class LightSource(StrEnum):
    """Where the knowledge of the bare light comes from."""

    BLANK = "blank"  # measured on blank frames
    ESTIMATED = "estimated"  # surface fitted to the bare light around the plate
    SCANNER = "scanner"  # a scanner's own white


@dataclass(frozen=True, slots=True)
class Uniformity:
    """How even light is over the frame; both measures are in use.

    Attributes
    ----------
    sd_over_mean : float
        Standard deviation over mean of cell means (FADGI 2023).
    range_over_max : float
        (max - min) / max of cell means ("non-uniformity", FADGI 2016).
    """

    sd_over_mean: float
    range_over_max: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dark:
    """Mean level of dark frames by kind of site, in the counts of the sensor."""

    level: NDArray[np.float32]
    shape: tuple[int, int]
    info: CaptureInfo


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Light:
    """The bare light box as the camera sees it.

    Attributes
    ----------
    fields : ndarray of float32, shape (kinds, rows, columns)
        Smooth signal (counts, dark off) of bare light on a coarse grid, per kind of site.
    pattern : ndarray of uint8, shape (p, q)
        Filter pattern of the frame it belongs to.
    channels : int
        Values a site: 1, or 3 for red, green and blue.
    before, after : Uniformity or None
        Evenness of the blank, and of a blank flattened by it (by the other blanks, where there
        are several); None where it cannot be known.
    noise_share : float
        Standard error of the field, relative: the share of the flattening in the noise.
    glare : SessionGlare or None
        How it strays, by captures of the session; None where there are none.
    """

    fields: NDArray[np.float32]
    shape: tuple[int, int]
    pattern: NDArray[np.uint8]
    channels: int
    source: LightSource
    info: CaptureInfo
    before: Uniformity | None = None
    after: Uniformity | None = None
    noise_share: float = 0.0
    glare: SessionGlare | None = None


def uniformity(values: NDArray[np.floating]) -> Uniformity:
    """Return the evenness of positive cell means.

    Examples
    --------
    >>> round(uniformity(np.array([1.0, 0.8])).range_over_max, 3)
    0.2
    """
    cells = np.asarray(values, np.float64)
    mean, top = float(cells.mean()), float(cells.max())
    return Uniformity(float(cells.std()) / mean, (top - float(cells.min())) / top)


def dark_from_frames(frames: Sequence[SensorFrame]) -> Dark:
    """Return the mean level of dark frames (at least one), by kind of site.

    Raises
    ------
    BlankFrameError
        If a frame holds light: its mean stands above 5 % of full scale.
    FrameMismatchError
        If the frames differ in size.
    """
    passing = iter(frames)  # frames may be read as they are asked for: each is, once
    first = next(passing)
    levels = []
    for frame in chain([first], passing):
        check_same_sensor(frame, first)
        means = class_means(frame.counts, site_classes(frame.pattern), (4, 4))
        level = np.asarray(np.median(means.reshape(means.shape[0], -1), axis=1), np.float32)
        if float(np.max(level - black_by_kind(frame))) > 0.05 * frame.full_scale:
            raise BlankFrameError(
                frame.info.path,
                "is named as a dark frame but holds light",
                "cap the lens and take it again, or remove it from [light] dark",
            )
        levels.append(level)
    return Dark(level=_average(levels), shape=first.shape, info=first.info)


def light_from_blanks(blanks: Sequence[SensorFrame], dark: Dark | None = None) -> Light:
    """Return the light of the bare light box, from blank frames (at least one).

    Blanks of one session are averaged at a common exposure (that of the first), dark level off,
    and smoothed per kind of site: what is finer than a hundredth of the frame is dust or noise.

    Raises
    ------
    BlankFrameError
        If a blank clips (more than 0.1 % of the sites) or is nearly black.
    FrameMismatchError
        If the blanks, or the dark, differ in size or camera settings.
    """
    passing = iter(blanks)  # see dark_from_frames
    first = next(passing)
    fields = [_blank_field(blank, first, dark) for blank in chain([first], passing)]
    field = smooth_cells(_average(fields))
    sites = first.counts.size / max(1, field.size) * len(blanks)
    before = uniformity(smooth_cells(fields[0]).mean(axis=0))
    others = smooth_cells(_average(fields[1:])) if len(fields) > 1 else field
    return Light(
        fields=field,
        shape=first.shape,
        pattern=first.pattern,
        channels=first.channels,
        source=LightSource.BLANK,
        info=first.info,
        before=before,
        after=uniformity((fields[0] / others).mean(axis=0)),
        noise_share=_SMOOTHED * math.sqrt(_site_noise(first) / max(1.0, sites)),
    )


def _site_noise(blank: SensorFrame) -> float:
    """Return the variance of a site of even light over the square of that light.

    From second differences along the rows between sites of one kind, which a lamp's slopes do not
    reach; the median over blocks leaves dust out.
    """
    p, q = blank.pattern.shape
    planes = [blank.counts[row::p, column::q] for row in range(p) for column in range(q)]
    blacks = blank.black.ravel()
    if blank.counts.ndim == 3:
        planes = [blank.counts[..., channel] for channel in range(3)]
    shares = []
    for plane, black in zip(planes, blacks, strict=True):
        counts = plane[:: max(1, len(plane) // _SAMPLED_ROWS)]
        sample = counts if blank.curve is None else blank.curve[counts]
        rows = sample.astype(np.float64) - float(black)
        bends = np.square(np.diff(rows, 2, axis=1)).mean(axis=1) / 6  # of [1, -2, 1]: 6 variances
        shares.append(bends / np.maximum(rows.mean(axis=1), 1e-9) ** 2)
    return float(np.median(np.concatenate(shares))) if planes[0].shape[1] > 2 else 0.0


def _blank_field(blank: SensorFrame, first: SensorFrame, dark: Dark | None) -> NDArray[np.float32]:
    check_same_sensor(blank, first)
    check_same_camera(blank.info, first.info)
    if _clipped_share(blank) > CLIPPED_SHARE_ALLOWED:
        raise BlankFrameError(
            blank.info.path,
            "is clipped: the bare light is brighter than the sensor can count",
            "shorten the exposure until the light box sits just below clipping and take it again",
        )
    means = linear_means(blank) - zero_level(blank, dark)[:, None, None]
    if float(np.median(means)) < DARKEST_BLANK * blank.full_scale:
        raise BlankFrameError(
            blank.info.path,
            "is nearly black: there is too little light in it to divide by",
            "lengthen the exposure until the light box sits just below clipping and take it again",
        )
    ratio = exposure_ratio(first.info, blank.info)
    return np.asarray(np.maximum(means * ratio, 1e-3), np.float32)


def light_of_scanner(frame: SensorFrame) -> Light:
    """Return a scanner's own white as the light: full scale is transmittance 1."""
    kinds = frame.channels if frame.counts.ndim == 3 else int(site_classes(frame.pattern).max()) + 1
    top = float(frame.curve[-1]) if frame.curve is not None else float(frame.white)
    return Light(
        fields=np.full((kinds, 1, 1), top, np.float32),
        shape=frame.shape,
        pattern=frame.pattern,
        channels=frame.channels,
        source=LightSource.SCANNER,
        info=frame.info,
    )


def level_light(frame: SensorFrame, dark: Dark | None = None) -> Light:
    """Return an even light at the level of the brightest cells, to look at a frame unflattened."""
    means = linear_means(frame) - zero_level(frame, dark)[:, None, None]
    tops = np.percentile(means.reshape(means.shape[0], -1), 99, axis=1)
    return Light(
        fields=np.maximum(tops, 1.0).astype(np.float32)[:, None, None],
        shape=frame.shape,
        pattern=frame.pattern,
        channels=frame.channels,
        source=LightSource.ESTIMATED,
        info=frame.info,
    )


def exposure_ratio(wanted: CaptureInfo, given: CaptureInfo) -> float:
    """Return exposure time of ``wanted`` over that of ``given``; 1 where either is unknown."""
    if wanted.exposure_s and given.exposure_s:
        return wanted.exposure_s / given.exposure_s
    return 1.0


def linear_means(frame: SensorFrame) -> NDArray[np.float32]:
    """Cell means of linear light by kind of site, black still in."""
    return class_means(
        frame.counts, site_classes(frame.pattern), grid_shape(frame.shape), curve=frame.curve
    )


def black_by_kind(frame: SensorFrame) -> NDArray[np.float32]:
    """Return the file's own black level by kind of site (or channel)."""
    if frame.counts.ndim == 3:
        return frame.black
    classes = site_classes(frame.pattern)
    sums = np.bincount(classes.ravel(), weights=frame.black.ravel().astype(np.float64))
    return (sums / np.bincount(classes.ravel())).astype(np.float32)


def zero_level(frame: SensorFrame, dark: Dark | None) -> NDArray[np.float32]:
    """Level without light, by kind of site.

    Raises
    ------
    FrameMismatchError
        If the dark frames were not taken with the frame's camera, crop and ISO.
    """
    if dark is None:
        return black_by_kind(frame)
    if dark.info.kind is not frame.info.kind or (
        dark.info.iso and frame.info.iso and abs(dark.info.iso / frame.info.iso - 1) > _SAME
    ):
        isos = [f"{iso:g}" if iso else "unknown" for iso in (dark.info.iso, frame.info.iso)]
        alike = dark.info.kind is frame.info.kind
        raise FrameMismatchError(
            dark.info.path,
            frame.info.path,
            f"ISO is {isos[0]} in one and {isos[1]} in the other"
            if alike
            else "one is a camera raw and the other a scan",
            "take dark frames the same way as the plate, at the same ISO",
        )
    if dark.shape != frame.shape or dark.level.shape != black_by_kind(frame).shape:
        raise FrameMismatchError(
            dark.info.path,
            frame.info.path,
            f"it is {dark.shape[1]} x {dark.shape[0]} pixels and the plate is "
            f"{frame.shape[1]} x {frame.shape[0]}",
            "take dark frames with the same camera and crop as the plate",
        )
    return dark.level


def dark_note(frames: Sequence[SensorFrame], dark: Dark | None) -> tuple[str, ...]:
    """Return what to know of a dark frame whose time is not that of the captures."""
    taken = None if dark is None else dark.info.exposure_s
    times = [frame.info.exposure_s for frame in frames if frame.info.exposure_s]
    far = [time for time in times if taken and not 1 / _LIKE_TIME < taken / time < _LIKE_TIME]
    if dark is None or not far:
        return ()
    other = max(far, key=lambda time: abs(math.log(time / (taken or time))))
    word = "longer" if (taken or 0) > other else "shorter"
    return (
        f"{dark.info.path.name}: exposed {word} than the plate ({shown_seconds(taken or 0)}, the "
        f"plate {shown_seconds(other)}); dark current grows with time",
    )


def _clipped_share(frame: SensorFrame) -> float:
    if frame.info.kind is CaptureKind.SCAN:
        return 0.0  # a scanner's white is clipped by design
    return float(np.count_nonzero(frame.counts >= frame.white)) / frame.counts.size


def check_same_sensor(frame: SensorFrame, first: SensorFrame) -> None:
    """Raise FrameMismatchError where two frames differ in size."""
    if frame.counts.shape != first.counts.shape:
        raise FrameMismatchError(
            frame.info.path,
            first.info.path,
            f"it is {frame.shape[1]} x {frame.shape[0]} pixels and the other is "
            f"{first.shape[1]} x {first.shape[0]}",
            "take all frames of a session with the same camera and crop",
        )


def check_same_camera(one: CaptureInfo, other: CaptureInfo) -> None:
    """Raise FrameMismatchError where ISO or aperture are known and differ."""
    for what, a, b in (
        ("ISO", one.iso, other.iso),
        ("aperture", one.f_number, other.f_number),
    ):
        if a and b and abs(a / b - 1) > _SAME:
            raise FrameMismatchError(
                one.path,
                other.path,
                f"{what} is {a:g} in one and {b:g} in the other",
                "take blank and plate with the same ISO and aperture; only the time may differ",
            )


def _average(fields: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    return np.asarray(np.mean(np.stack(fields), axis=0, dtype=np.float64), np.float32)
