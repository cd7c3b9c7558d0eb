"""What rounding to whole codes leaves in a mean, however many values are averaged.

B. Widrow and I. Kollar, *Quantization Noise* (2008), from memory: rounding adds noise of 1/12 of a
code squared, independent of the light, where noise spreads the values over more than about half a
code. Below that the error of a mean is none that averages out: it depends on where between two
codes the light lies, and is half a code at most.

All in codes: noise ``s``, normal, is a share of the distance from one code to the next.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

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
