"""How noisy a photosite is at each light, and how that is measured on two exposures.

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
from scipy.optimize import nnls

from platebench.core.image import SensorFrame

Floats = NDArray[np.float64]

BLOCK = 16  # same-colour sites along a block
ROUNDING = 1 / 12  # variance of rounding to whole counts
_BLOCKS_WANTED = 2400  # over all planes of a frame
_LEAST_BLOCKS = 12
_UNCLIPPED = 0.9  # of full scale; blocks that reach higher in either frame are left out
_ROUNDS = 8
_OUTLIER = 4.0  # robust standard deviations


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


@dataclass(frozen=True, slots=True, eq=False)
class ExposurePair:
    """Two exposures that show the same, site for site.

    Attributes
    ----------
    one, other : SensorFrame
        The longer and the shorter. Their filter patterns may begin at different sites.
    """

    one: SensorFrame
    other: SensorFrame


def noise_from_pairs(pairs: Sequence[ExposurePair]) -> NoiseModel | None:
    """Return the noise of a camera from exposures of one picture, the picture taken out.

    With the shorter exposure scaled up by the ratio R, the two differ by noise alone. At light X of
    the longer one the variance of the difference is ``a X (1 + R) + b (1 + R^2) + c X^2``; the last
    term takes up what is in proportion to the picture itself (grain seen a fraction of a pixel
    apart, sites of unequal sensitivity), and is thrown away.

    Returns
    -------
    NoiseModel or None
        None where too few blocks are unclipped in both, or there is no noise at all.
    """
    parts = [blocks for pair in pairs for blocks in _pair_blocks(pair)]
    if sum(len(blocks) for blocks, _, _ in parts) < _LEAST_BLOCKS:
        return None
    lit, variance = (np.concatenate([part[n] for part in parts]) for n in (0, 1))
    ratio = np.repeat([part[2] for part in parts], [len(part[0]) for part in parts])
    terms = np.stack([lit * (1 + ratio), 1 + ratio**2, lit**2], axis=1)
    (gain, read, _), read_error = fit_terms(terms, variance)
    known = read > 2 * read_error
    if gain + read == 0:
        return None
    return NoiseModel(
        gain=gain,
        read_variance=max(read, ROUNDING),
        source=f"{len(pairs) + 1} exposures of the plate",
        read_known=known,
    )


def fit_terms(terms: Floats, variance: Floats) -> tuple[tuple[float, ...], float]:
    """Fit ``variance = terms @ coefficients``, no coefficient below 0.

    Weighted by the inverse of the fitted variance, since a sample variance scatters in proportion
    to itself; blocks four robust standard deviations off (dust, dead sites) are left out, a few
    rounds over.

    Parameters
    ----------
    terms : ndarray of float64, shape (n, k)
        The second column is that of the read noise.
    variance : ndarray of float64, shape (n,)

    Returns
    -------
    (tuple of float, float)
        The coefficients, and the standard error of the second.
    """
    weight = 1 / np.maximum(variance, max(float(np.median(variance)) * 1e-3, 1e-9))
    used = np.ones(len(variance), bool)
    scale = np.maximum(terms.max(axis=0), 1e-30)
    solution, error = np.zeros(terms.shape[1]), math.inf
    for _ in range(_ROUNDS):
        basis = terms / scale * weight[:, None]
        wanted = variance * weight
        solution = nnls(basis[used], wanted[used])[0]
        residual = wanted - basis @ solution
        spread = 1.4826 * float(np.median(np.abs(residual[used]))) + 1e-12
        covariance = np.linalg.pinv(basis[used].T @ basis[used]) * spread**2
        error = math.sqrt(max(0.0, float(covariance[1, 1]))) / float(scale[1])
        weight = 1 / np.maximum(terms @ (solution / scale), 1e-9)
        used = np.abs(residual) < _OUTLIER * spread
    return tuple(float(v) for v in solution / scale), error


def _pair_blocks(pair: ExposurePair) -> list[tuple[Floats, Floats, float]]:
    """Return light of the longer, variance of the difference, and the ratio, plane by plane.

    Two planes of unlike colours have a ratio of their own, so each is measured.
    """
    one, other = pair.one, pair.other
    p, q = one.pattern.shape
    along = max(3, round(math.sqrt(_BLOCKS_WANTED / (p * q))))
    tops = [_UNCLIPPED * frame.full_scale for frame in (one, other)]
    out = []
    for row in range(p):
        for column in range(q):
            a, b = (
                sample_blocks(frame.counts[row::p, column::q], along).astype(np.float64)
                - float(frame.black[row, column])
                for frame in (one, other)
            )
            good = (a.max(axis=(1, 2)) < tops[0]) & (b.max(axis=(1, 2)) < tops[1])
            a, b = a[good], b[good]
            if b.sum() <= 0:
                continue
            ratio = float(a.sum() / b.sum())
            light = np.maximum((a + b).mean(axis=(1, 2)) / (1 + 1 / ratio), 0.0)
            out.append((light, (a - ratio * b).var(axis=(1, 2), ddof=1), ratio))
    return out


def sample_blocks(plane: NDArray[np.uint16], along: int) -> NDArray[np.uint16]:
    """Return blocks spread evenly over a plane, at most ``along`` each way.

    Returns
    -------
    ndarray of uint16, shape (n, BLOCK, BLOCK)
    """
    if min(plane.shape) < BLOCK:
        return np.empty((0, BLOCK, BLOCK), np.uint16)
    rows, columns = (_starts(length, along) for length in plane.shape)
    windows = np.lib.stride_tricks.sliding_window_view(plane, (BLOCK, BLOCK))
    return windows[np.ix_(rows, columns)].reshape(-1, BLOCK, BLOCK)


def _starts(length: int, along: int) -> NDArray[np.intp]:
    return np.linspace(0, length - BLOCK, min(along, length // BLOCK)).astype(np.intp)
