"""The noise of a scan at each light, told from its grain and picture by how fine it is.

A scanner's noise differs from pixel to pixel without rule; grain and picture have gone through its
lens and hardly change from one pixel to the next. So the finest differences in the quietest places
of a like light are nearly noise alone. That holds for noise that is white, which is looked at;
where pixels share their noise (JPEG, resampled or smoothed scans) nothing is said here.

J. Immerkaer, "Fast noise variance estimation", Computer Vision and Image Understanding 64(2), 1996,
from memory, has the mask of second differences along both axes; grain still shows through that, so
here they are of the fourth and sixth order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d
from scipy.special import chdtri, ndtr

from platebench.stages.code_rounding import noise_of_scatter
from platebench.stages.noise_model import BLOCK, sample_blocks

Doubles = NDArray[np.float64]
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
