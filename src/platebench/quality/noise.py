"""How noisy the photosites are, and the deepest density they can measure.

Model: the variance of a photosite is ``a y + b`` at light ``y`` above black. ``a y`` is the shot
noise of the light (a = counts for each electron), ``b`` the read noise (squared) with the rounding
to whole counts. A. Foi et al., "Practical Poissonian-Gaussian noise modeling and fitting for
single-image raw-data", IEEE Trans. Image Process. 17(10), 2008.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from platebench.image import SensorFrame
from platebench.quality.sites import light_of, planes

Floats = NDArray[np.float64]

_BLOCK = 16  # same-colour sites along a block
_BLOCKS_ALONG = 24  # blocks along each side of a plane, at most
# Second differences [1, -2, 1] of independent values have 6 times their variance; neighbouring
# ones share values (correlation -2/3 and 1/6), which leaves one degree of freedom in 1.944.
_SECOND_DIFFERENCE_GAIN = 6.0
_SHARED = 1 + 2 * ((4 / 6) ** 2 + (1 / 6) ** 2)
_LEAST_BLOCKS = 12
_ROUNDING = 1 / 12  # variance of rounding to whole counts
_VISIBLE_READ = 0.3  # of the shot noise's variance at the darkest level
_QUIET_SHARE = 0.1  # of blocks at like level: those with least picture in them


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseModel:
    """Variance of one photosite as a straight line of its light.

    Attributes
    ----------
    gain : float
        ``a``: variance per unit of light; counts for each electron in a linear raw.
    read_variance : float
        ``b``: variance without light, units of light squared.
    source : str
        What it was measured on, in plain words.
    upper_bound : bool
        True where grain and picture may be in it: the camera is no noisier than this.
    read_known : bool
        False where nothing measured was dark enough to tell ``b`` from zero.
    """

    gain: float
    read_variance: float
    source: str
    upper_bound: bool = False
    read_known: bool = True

    def variance(self, light: Floats | float) -> Floats:
        """Return the variance at ``light`` above black."""
        return np.asarray(self.gain * np.maximum(light, 0.0) + self.read_variance, np.float64)

    def light_at_snr(self, snr: float, photosites: int = 1) -> float:
        """Return the least light whose mean over ``photosites`` has this signal to noise.

        From ``snr = sqrt(n) y / sqrt(a y + b)``: y is the positive root of
        ``y^2 - s^2 a y - s^2 b = 0`` with ``s = snr / sqrt(n)``.

        Examples
        --------
        >>> NoiseModel(gain=1.0, read_variance=0.0, source="").light_at_snr(10)
        100.0
        """
        s2 = snr**2 / photosites
        a, b = self.gain, self.read_variance
        return (s2 * a + math.sqrt((s2 * a) ** 2 + 4 * s2 * b)) / 2


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
    in most set-ups: see :mod:`platebench.quality.glare`.

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
    gain, read, read_error = _fit_line(light, variance)
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
    freedom = _BLOCK * (_BLOCK - 2) / _SHARED
    low = chi2.ppf(_QUIET_SHARE, freedom) / freedom
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
    return max(read_variance, _ROUNDING) if frame.curve is None else read_variance


def _alike(one: SensorFrame, other: SensorFrame) -> bool:
    return (
        one.counts.shape == other.counts.shape
        and one.info.exposure_s == other.info.exposure_s
        and one.info.iso == other.info.iso
    )


def _block_starts(length: int) -> NDArray[np.intp]:
    count = min(_BLOCKS_ALONG, length // _BLOCK)
    return np.linspace(0, length - _BLOCK, count).astype(np.intp)


def _blocks(plane: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Return blocks spread evenly over a plane, shape (n, block, block)."""
    if min(plane.shape) < _BLOCK:
        return np.empty((0, _BLOCK, _BLOCK), np.uint16)
    rows, cols = (_block_starts(length) for length in plane.shape)
    windows = np.lib.stride_tricks.sliding_window_view(plane, (_BLOCK, _BLOCK))
    return windows[np.ix_(rows, cols)].reshape(-1, _BLOCK, _BLOCK)


def _flat_blocks(frame: SensorFrame) -> tuple[Floats, Floats]:
    """Return mean light and variance of unclipped, even blocks, from second differences in rows.

    A block across an edge would count as if it were of one level, with fewer photosites.
    """
    lights, variances = [], []
    for plane in planes(frame):
        counts = _blocks(plane.counts)
        counts = counts[counts.max(axis=(1, 2)) < frame.white]
        blocks = light_of(frame, counts, plane.black).astype(np.float64)
        second = blocks[:, :, :-2] - 2 * blocks[:, :, 1:-1] + blocks[:, :, 2:]
        variance = (second**2).mean(axis=(1, 2)) / _SECOND_DIFFERENCE_GAIN
        upper, lower = (half.mean(axis=(1, 2)) for half in np.split(blocks, 2, axis=1))
        even = (upper - lower) ** 2 < 16 * variance / (_BLOCK**2 / 4) + (0.1 * (upper + lower)) ** 2
        lights.append(((upper + lower) / 2)[even])
        variances.append(variance[even])
    return np.concatenate(lights), np.concatenate(variances)


def _pair_blocks(one: SensorFrame, other: SensorFrame) -> tuple[Floats, Floats]:
    """Return mean light and variance of unclipped blocks, from the difference of two frames."""
    lights, variances = [], []
    for first, second in zip(planes(one), planes(other), strict=True):
        counts = np.stack([_blocks(first.counts), _blocks(second.counts)])
        counts = counts[:, counts.max(axis=(0, 2, 3)) < one.white]
        a = light_of(one, counts[0], first.black).astype(np.float64)
        b = light_of(other, counts[1], second.black).astype(np.float64)
        lights.append((a.mean(axis=(1, 2)) + b.mean(axis=(1, 2))) / 2)
        variances.append((a - b).var(axis=(1, 2), ddof=1) / 2)  # the lamp may flicker
    return np.concatenate(lights), np.concatenate(variances)


def _fit_line(light: Floats, variance: Floats) -> tuple[float, float, float]:
    """Return a, b and the standard error of b of ``variance = a light + b``, both at least 0.

    Weighted by the inverse of the fitted variance (the scatter of a sample variance is in
    proportion to it); blocks four robust standard deviations off (dust, dead photosites) are
    left out, a few rounds over.
    """
    gain = max(0.0, float(np.median(variance) / max(float(np.median(light)), 1e-9)))
    read = float(np.percentile(variance, 5))
    used = np.ones(len(light), bool)
    read_error = math.inf
    for _ in range(8):
        weight = 1 / np.maximum(gain * np.maximum(light, 0) + read, 1e-9)
        basis = np.stack([light * weight, weight], axis=1)
        wanted = variance * weight
        solution, *_ = np.linalg.lstsq(basis[used], wanted[used], rcond=None)
        residual = wanted - basis @ solution
        spread = 1.4826 * float(np.median(np.abs(residual[used]))) + 1e-12
        covariance = np.linalg.pinv(basis[used].T @ basis[used]) * spread**2
        read_error = math.sqrt(max(0.0, float(covariance[1, 1])))
        gain, read = max(0.0, float(solution[0])), max(0.0, float(solution[1]))
        used = np.abs(residual) < 4 * spread
    return gain, read, read_error
