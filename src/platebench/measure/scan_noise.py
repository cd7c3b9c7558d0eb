"""The noise of a scan at each light, told from its grain and picture by how fine it is.

A scanner's noise differs from pixel to pixel without rule; grain and picture have gone through its
lens and hardly change from one pixel to the next. So the finest differences in the quietest places
of a like light are nearly noise alone. That holds for noise that is white, which is looked at;
where pixels share their noise (JPEG, resampled or smoothed scans) nothing is said here.

J. Immerkaer, "Fast noise variance estimation", Computer Vision and Image Understanding 64(2), 1996,
from memory, has the mask of second differences along both axes; grain still shows through that, so
here they are of the fourth and sixth order.

It begins with what finely counted codes add to a scatter, or hide of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import correlate1d
from scipy.special import chdtri, ndtr

from platebench.plate.noise_model import BLOCK, sample_blocks

Doubles = NDArray[np.float64]

# Of an error that goes up and down as a sine, as rounding's does where there is some noise, 68 of
# 100 lie within this many times its root mean square (arcsine law, exact); 72 of one evenly spread.
TWO_THIRDS = math.sqrt(2) * math.sin(math.pi / 2 * math.erf(1 / math.sqrt(2)))
_KNOWN = 0.95  # of the noise: it is known to about a twentieth, and less of it leaves more
_HARMONICS = np.arange(1, 201)
_FLIPPING = 0.4  # what `_grain` makes of values on two codes is 0.37 at most
_NOISES = np.linspace(0.0, 2.0, 401)


def mean_square(noise: ArrayLike) -> Doubles:
    """Return the mean square error of means of rounded values, over every light between two codes.

    The Fourier series of the expected rounding error: ``sum exp(-4 pi^2 k^2 s^2) / (2 pi^2 k^2)``.

    Examples
    --------
    >>> bool(np.isclose(mean_square(0.0), 1 / 12, rtol=0.01)), bool(mean_square(0.5) < 1e-5)
    (True, True)
    """
    s = np.asarray(noise, np.float64)[..., None]
    terms = np.exp(-((2 * np.pi * _HARMONICS * s) ** 2)) / (2 * (np.pi * _HARMONICS) ** 2)
    rest = np.where(s[..., 0] == 0, 1 / 12 - (1 / (2 * (np.pi * _HARMONICS) ** 2)).sum(), 0.0)
    return np.asarray(terms.sum(axis=-1) + rest)


def scatter(noise: ArrayLike) -> Doubles:
    """Return the variance of rounded values about their own mean, averaged over every light.

    What noise and rounding have in all, ``s^2 + 1 / 12``, is either in this or in the mean.
    """
    s = np.asarray(noise, np.float64)
    return np.asarray(s**2 + 1 / 12 - mean_square(s))


def noise_of_scatter(variance: float) -> float:
    """Return the noise whose rounded values scatter so, on the average over every light."""
    known = np.maximum.accumulate(scatter(_NOISES))
    if variance >= known[-1]:
        return math.sqrt(variance - 1 / 12)
    return float(np.interp(variance, known, _NOISES))


def rounding_error(step: float, variance: float) -> float:
    """Return the standard error that rounding to steps leaves in a mean, from its own values.

    Parameters
    ----------
    step : float
        From one code to the next.
    variance : float
        Of the rounded values, rounding included.

    Examples
    --------
    >>> round(rounding_error(1.0, 0.0), 3), round(rounding_error(1.0, 1.0), 6)
    (0.289, 0.0)
    """
    noise = math.sqrt(max(variance / max(step, 1e-15) ** 2 - 1 / 12, 0.0))
    return step * math.sqrt(float(mean_square(noise)))


def left_in_mean(codes: Doubles, inside: NDArray[np.bool_], noise: float) -> float:
    """Return the mean square of what rounding leaves in the mean of an area.

    Parameters
    ----------
    codes : ndarray of float64, shape (M, N)
    inside : ndarray of bool, shape (M, N)
        The sites of the area.
    noise : float
        Of a site before rounding.

    Notes
    -----
    Three things make it less than the 1/12 of even light without noise: noise, or grain, which
    spreads the values as noise does where it is more than values on two codes can show; a slope
    that sweeps the values through W codes (the average of a wave over W periods is its sinc, at
    most ``1 / (pi W)``); and parts of the area on other codes, each with an error of its own.
    """
    seen = np.rint(codes[inside]).astype(np.intp)
    share = np.bincount(seen - seen.min()) / seen.size
    grain = min(_grain(codes, inside), _grain(codes.T, inside.T)) ** 2
    spread = math.sqrt(max((_KNOWN * noise) ** 2, grain - _FLIPPING))
    swept = max(_swept(codes, inside), _swept(codes.T, inside.T), 1e-9)
    parts = float(np.square(share).sum())
    still = max(float(share.max()) - 1 / max(swept, 1.0), 0.0)  # of the area beside a slope
    sloping = 6 / np.pi**2 / (np.pi * swept) ** 2 + still**2
    return float(mean_square(spread)) * min(parts, sloping)


def _swept(codes: Doubles, inside: NDArray[np.bool_]) -> float:
    """Return through how many codes, one after another, the light runs from end to end of rows."""
    pairs = inside[:, :-1] & inside[:, 1:]
    steps = np.rint(np.diff(codes, axis=1))[pairs]
    if steps.size == 0:
        return 0.0
    net = abs(float(steps[np.abs(steps) == 1].sum()))
    return net / max(1, int(pairs.any(axis=1).sum()))


def _grain(codes: Doubles, inside: NDArray[np.bool_]) -> float:
    """Return the deviation of most sites from their neighbours, which an edge does not change."""
    trios = inside[:, :-2] & inside[:, 1:-1] & inside[:, 2:]
    bends = np.abs(np.diff(np.rint(codes), 2, axis=1))[trios]
    return 1.4826 * float(np.median(bends)) / math.sqrt(6) if bends.size else 0.0


Floats = NDArray[np.float32]

_COARSE, _FINE = (1, -4, 6, -4, 1), (1, -6, 15, -20, 15, -6, 1)
_ALONG = 48  # blocks along each side of the frame
_GROUP, _MOST_GROUPS, _LEAST_BLOCKS = 60, 36, 12
_AROUND = 4  # groups on both sides, where light may lie anywhere between two codes
_QUIET = 0.25  # of the blocks of like light
_WHITE = 1.35  # coarse over fine, above which noise is alike from pixel to pixel or there is none
_SPREAD = 0.35  # variance, codes: less may be noise of any size below half a code
_MANY = 0.3  # share of such blocks among those of like light
# Neighbouring differences share values: the sum of their squared correlations.
_SHARED = sum((n / 924) ** 2 for n in (924, *2 * (792, 495, 220, 66, 12, 1)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScanNoise:
    """Noise of a pixel of a scan before it was rounded.

    Attributes
    ----------
    light : ndarray of float64, shape (n,)
        Rising, in the units of the scan's curve.
    codes : ndarray of float64, shape (n,)
        Standard deviation there, in codes.
    darkest : float
        The same at the first of them, in the units of the curve.
    """

    light: Doubles
    codes: Doubles
    darkest: float

    def at(self, light: float, step: float) -> float:
        """Return the noise at a light where codes lie a ``step`` apart, in codes.

        Where it is darker than anywhere it was measured, the noise of light is taken to be the
        same: it falls with the light, if anything.
        """
        if light < self.light[0]:
            return self.darkest / step
        return float(np.interp(light, self.light, self.codes))


def lost_in_black(mean: float, noise: float) -> float:
    """Return by how much the mean of normal values comes out too great where none goes below 0.

    Parameters
    ----------
    mean : float
        As it came out.
    noise : float
        Standard deviation before.

    Examples
    --------
    Values about 0 itself: their upper half has the mean ``1 / sqrt(2 pi)`` (exact), all of it lost.

    >>> round(lost_in_black(0.3989, 1.0), 3), lost_in_black(6.0, 1.0) < 1e-8
    (0.399, True)
    """
    if noise <= 0 or mean > 6 * noise:
        return 0.0
    before = np.linspace(-4.0, 6.0, 1001)
    seen = np.exp(-(before**2) / 2) / math.sqrt(2 * math.pi) + before * ndtr(before)
    return float(np.interp(mean / noise, seen, seen - before)) * noise


def scan_noise(
    plane: NDArray[np.uint16], white: float, levels: Floats, curve: Floats | None
) -> ScanNoise | None:
    """Measure the noise of one channel of a scan.

    Parameters
    ----------
    plane : ndarray of uint16, shape (M, N)
        Counts.
    white : float
        Counts that are clipped.
    levels : ndarray of float32, shape (n,)
        Light of every code there is.
    curve : ndarray of float32, shape (65536,), or None
        Light of the counts; None where they are light.

    Returns
    -------
    ScanNoise or None
        None where too little of it is unclipped, or where the noise is not white anywhere, so that
        it cannot be told from the picture.
    """
    blocks = sample_blocks(plane, _ALONG)
    blocks = blocks[(blocks.max(axis=(1, 2)) < white) & (blocks.min(axis=(1, 2)) > 0)]
    if len(blocks) < _LEAST_BLOCKS:
        return None
    seen = blocks.astype(np.float64) if curve is None else curve[blocks].astype(np.float64)
    light = seen.mean(axis=(1, 2))
    step = steps_at(levels, light)
    coarse, fine = (_differences(seen, mask) / step**2 for mask in (_COARSE, _FINE))
    spread = seen.var(axis=(1, 2)) / step**2
    groups = np.array_split(
        np.argsort(light, kind="stable"), min(_MOST_GROUPS, max(1, len(light) // _GROUP))
    )
    if min(_whiteness(coarse[group], fine[group]) for group in groups) > _WHITE:
        return None
    around = [
        np.concatenate(groups[max(0, n - _AROUND) : n + _AROUND + 1]) for n in range(len(groups))
    ]
    anywhere = _even_noise(fine, spread)
    codes = np.array(
        [
            min(anywhere, _even_noise(fine[wide], spread[wide]))
            if (spread[group] < _SPREAD).mean() > _MANY
            else _quiet_noise(fine[group])
            for group, wide in zip(groups, around, strict=True)
        ]
    )
    return ScanNoise(
        light=np.array([light[group].mean() for group in groups]),
        codes=codes,
        darkest=float(codes[0] * np.median(step[groups[0]])),
    )


def steps_at(levels: Floats, light: Doubles) -> Doubles:
    """Return how far the codes around a light lie apart."""
    at = np.clip(np.searchsorted(levels, light), 1, len(levels) - 1)
    return np.maximum(levels[at].astype(np.float64) - levels[at - 1], 1e-9)


def _differences(blocks: Doubles, mask: tuple[int, ...]) -> Doubles:
    """Return the variance that differences along both axes at once show, block by block."""
    half = len(mask) // 2
    inner = slice(half, -half)
    filtered = correlate1d(correlate1d(blocks, mask, axis=1), mask, axis=2)[:, inner, inner]
    return np.asarray(np.square(filtered).mean(axis=(1, 2)) / sum(m * m for m in mask) ** 2)


def _whiteness(coarse: Doubles, fine: Doubles) -> float:
    """Return coarse over fine differences in the quieter half; 1 for white noise, or for none."""
    quiet = coarse <= np.median(coarse)
    return float((coarse[quiet].sum() + 1e-9) / (fine[quiet].sum() + 1e-9))


def _even_noise(fine: Doubles, spread: Doubles) -> float:
    """Return the noise in codes where most blocks are spread over little more than one.

    What they show depends on where between two codes their light lies, so the mean over many
    places counts, not the quietest. A sky may still lie between two codes all over: no more is
    taken than in the rest of the scan.
    """
    even = spread < _SPREAD
    return noise_of_scatter(float(fine[even].mean())) if even.any() else 0.0


def _quiet_noise(fine: Doubles) -> float:
    """Return the noise in codes where most blocks are spread: the quietest hold least picture."""
    freedom = (BLOCK - len(_FINE) + 1) ** 2 / _SHARED**2
    low = float(chdtri(freedom, 1 - _QUIET)) / freedom
    return math.sqrt(max(float(np.quantile(fine, _QUIET)) / low - 1 / 12, 0.0))
