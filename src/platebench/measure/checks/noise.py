"""How noisy the photosites are, and the deepest density they can measure.

The model is that of :mod:`platebench.plate.noise_model`, measured here on blank and dark frames,
or bounded by a plate's own quietest parts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from platebench.core.image import SensorFrame
from platebench.measure.checks.sites import light_of, planes
from platebench.plate.noise_model import BLOCK, ROUNDING, NoiseModel, fit_terms, sample_blocks

Floats = NDArray[np.float64]

_BLOCKS_ALONG = 24  # blocks along each side of a plane, at most
# Second differences [1, -2, 1] of independent values have 6 times their variance; neighbouring
# ones share values (correlation -2/3 and 1/6), which leaves one degree of freedom in 1.944.
_SECOND_DIFFERENCE_GAIN = 6.0
_SHARED = 1 + 2 * ((4 / 6) ** 2 + (1 / 6) ** 2)
_LEAST_BLOCKS = 12
_VISIBLE_READ = 0.3  # of the shot noise's variance at the darkest level
_QUIET_SHARE = 0.1  # of blocks at like level: those with least picture in them


def deepest_density(
    noise: NoiseModel, bare_light: float, *, snr: float, photosites: int = 1
) -> float:
    """Return the density at which the signal falls to ``snr`` times its noise.

    Parameters
    ----------
    noise : NoiseModel
        Of this camera at this ISO.
    bare_light : float
        Light of the bare light box at the plate's exposure, above black.
    snr : float
        Signal over noise. 1 is where dynamic range ends by ISO 15739 and ISO 21550; at 10 a
        reading scatters by 0.4343 / 10 = 0.043 D.
    photosites : int
        Number of photosites averaged for one reading.

    Returns
    -------
    float
        D = log10(bare_light / light); below 0 if even the bare light box does not reach it.

    Notes
    -----
    Counts the noise of the plate's capture only. Blank and dark frames are smoothed over
    thousands of photosites before use, so they add next to none. Glare ends the range earlier
    in most set-ups: see :mod:`platebench.measure.checks.glare_check`.

    Examples
    --------
    10,000 electrons without read noise: SNR 10 needs 100 of them, so T = 0.01.

    >>> shot_only = NoiseModel(gain=1.0, read_variance=0.0, source="by hand")
    >>> deepest_density(shot_only, 10_000.0, snr=10)
    2.0
    """
    return math.log10(bare_light / noise.light_at_snr(snr, photosites))


def noise_from_frames(
    flats: Sequence[SensorFrame], darks: Sequence[SensorFrame] = ()
) -> NoiseModel | None:
    """Return the noise model of frames without a picture in them.

    Two flats (or darks) of one exposure are subtracted from each other, which leaves the noise of
    time alone; a single one is measured by its second differences along the rows between
    photosites of one colour, which take out the lamp's slopes but keep the fixed pattern.

    Parameters
    ----------
    flats : sequence of SensorFrame
        Blank frames, at least one; the first two are used, if exposed alike.
    darks : sequence of SensorFrame
        Dark frames; without them the read noise is known only if the flats reach deep enough.

    Returns
    -------
    NoiseModel or None
        None where the flats are clipped nearly everywhere, or without noise (not a camera's).
    """
    paired = len(flats) > 1 and _alike(flats[0], flats[1])
    light, variance = _pair_blocks(*flats[:2]) if paired else _flat_blocks(flats[0])
    if len(light) < _LEAST_BLOCKS:
        return None
    source = "two blank frames" if paired else "one blank frame"
    if darks:
        pair = len(darks) > 1 and _alike(darks[0], darks[1])
        dark_light, dark_variance = _pair_blocks(*darks[:2]) if pair else _flat_blocks(darks[0])
        light = np.concatenate([light, np.zeros_like(dark_light)])
        variance = np.concatenate([variance, dark_variance])
        source += " and two dark frames" if pair else " and a dark frame"
    line = np.stack([np.maximum(light, 0.0), np.ones_like(light)], axis=1)
    (gain, read), read_error = fit_terms(line, variance)
    known = read > 2 * read_error
    read = _at_least_rounding(flats[0], read if known else 0.0)
    if gain + read == 0:
        return None
    return NoiseModel(
        gain=gain,
        read_variance=read,
        source=source,
        read_known=known,
    )


def noise_from_plate(frame: SensorFrame) -> NoiseModel | None:
    """Return an upper bound of the noise from a picture: its quietest blocks at each level.

    Grain and picture only add variance, so no level is noisier than its quietest blocks, and the
    line ``a y + b`` lies below them all: ``a`` is at most the least of variance over light (read
    on the bare light box, if it shows), ``b`` at most what is left over at the darkest level. All
    within the scatter of the estimate, about a tenth. None where nearly everything is clipped or
    black, or smoothed by a picture format.
    """
    light, variance = _flat_blocks(frame)
    light, variance = light[light > 0], variance[light > 0]
    if len(light) < _LEAST_BLOCKS:
        return None
    freedom = BLOCK * (BLOCK - 2) / _SHARED
    low = chdtri(freedom, 1 - _QUIET_SHARE) / freedom
    order = np.argsort(light, kind="stable")
    groups = np.array_split(order, max(3, len(order) // 60))
    gain = float(min(_quiet(variance[group] / light[group]) for group in groups)) / float(low)
    darkest = groups[:3]
    read = min(_quiet(variance[group] / low - gain * light[group]) for group in darkest)
    known = bool(read > _VISIBLE_READ * gain * float(np.mean(light[groups[0]])))
    read = _at_least_rounding(frame, read if known else 0.0)
    if gain + read == 0:
        return None
    return NoiseModel(
        gain=gain,
        read_variance=read,
        source="the quietest parts of the plate",
        upper_bound=True,
        read_known=known,
    )


def _quiet(values: Floats) -> float:
    return float(np.quantile(values, _QUIET_SHARE))


def _at_least_rounding(frame: SensorFrame, read_variance: float) -> float:
    """Return the read variance, or that of rounding to whole counts, 1/12, if that is more.

    A dark frame quieter than half a count shows less, because its counts hardly ever leave the
    black level. With light on it they do.
    """
    return max(read_variance, ROUNDING) if frame.curve is None else read_variance


def _alike(one: SensorFrame, other: SensorFrame) -> bool:
    return (
        one.counts.shape == other.counts.shape
        and one.info.exposure_s == other.info.exposure_s
        and one.info.iso == other.info.iso
    )


def _flat_blocks(frame: SensorFrame) -> tuple[Floats, Floats]:
    """Return mean light and variance of unclipped, even blocks, from second differences in rows.

    A block across an edge would count as if it were of one level, with fewer photosites.
    """
    lights, variances = [], []
    for plane in planes(frame):
        counts = sample_blocks(plane.counts, _BLOCKS_ALONG)
        counts = counts[counts.max(axis=(1, 2)) < frame.white]
        blocks = light_of(frame, counts, plane.black).astype(np.float64)
        second = blocks[:, :, :-2] - 2 * blocks[:, :, 1:-1] + blocks[:, :, 2:]
        variance = (second**2).mean(axis=(1, 2)) / _SECOND_DIFFERENCE_GAIN
        upper, lower = (half.mean(axis=(1, 2)) for half in np.split(blocks, 2, axis=1))
        even = (upper - lower) ** 2 < 16 * variance / (BLOCK**2 / 4) + (0.1 * (upper + lower)) ** 2
        lights.append(((upper + lower) / 2)[even])
        variances.append(variance[even])
    return np.concatenate(lights), np.concatenate(variances)


def _pair_blocks(one: SensorFrame, other: SensorFrame) -> tuple[Floats, Floats]:
    """Return mean light and variance of unclipped blocks, from the difference of two frames."""
    lights, variances = [], []
    for first, second in zip(planes(one), planes(other), strict=True):
        counts = np.stack([sample_blocks(p.counts, _BLOCKS_ALONG) for p in (first, second)])
        counts = counts[:, counts.max(axis=(0, 2, 3)) < one.white]
        a = light_of(one, counts[0], first.black).astype(np.float64)
        b = light_of(other, counts[1], second.black).astype(np.float64)
        lights.append((a.mean(axis=(1, 2)) + b.mean(axis=(1, 2))) / 2)
        variances.append((a - b).var(axis=(1, 2), ddof=1) / 2)  # the lamp may flicker
    return np.concatenate(lights), np.concatenate(variances)
