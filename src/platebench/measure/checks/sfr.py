"""Spatial frequency response from one slanted edge (e-SFR)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

OVERSAMPLING = 4  # bins a pixel, ISO 12233
HIGHEST = 1.0  # cycles/px; the slant samples finer than the pixels, so this is above 0.5
_PADDED = 4096  # DFT length: only makes the curve finer
GROUPS = 10  # of rows, left out in turn
# Share of a frequency: what the fit of line and window leaves, on edges of known blur.
METHOD = {"sfr50": 0.008, "sfr10": 0.015}
_OUTLIER = 4.0  # robust standard deviations
_ROW_NOISE = 3.0  # a row this many times rougher than the typical one has a chip or dust in it


class NoEdgeError(ValueError):
    """The region holds no edge that can be measured; the message says why."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sfr:
    """Response of camera and lens to fine detail, at right angles to the edge.

    Attributes
    ----------
    freq : ndarray of float64, shape (K,)
        Cycles per pixel, 0 to 1. 0.5 is half the sampling frequency.
    response : ndarray of float64, shape (K,)
        Modulation, 1 at zero frequency.
    sfr50, sfr10 : float
        First frequency with response 0.5 and 0.1, cycles per pixel; nan if not below 1.
    sfr50_sigma, sfr10_sigma : float
        Standard errors of these by noise and a ragged edge, from leaving out a tenth of the rows
        in turn, and by the method. nan where the frequency is, or the rest no longer samples the
        edge.
    angle_deg : float
        Slant of the edge from the nearer pixel axis, -45 to 45.
    width_px : float
        Height of the edge over its steepest slope, pixels: 2.51 sigma for a Gaussian blur.
    overshoot : float
        How far the edge goes beyond its two plateaus, as a share of its height.
    contrast : float
        Light side over dark side.
    rows_used : float
        Share of the rows kept; the others had a chip, dust or no edge.
    """

    freq: NDArray[np.float64]
    response: NDArray[np.float64]
    sfr50: float
    sfr10: float
    sfr50_sigma: float
    sfr10_sigma: float
    angle_deg: float
    width_px: float
    overshoot: float
    contrast: float
    rows_used: float

    def at(self, freq: float) -> float:
        """Return the response at ``freq`` cycles per pixel."""
        return float(np.interp(freq, self.freq, self.response))


def slanted_edge_sfr(pixels: NDArray[np.floating], *, order: int = 1) -> Sfr:
    """Return the SFR of the one edge in ``pixels``.

    Parameters
    ----------
    pixels : ndarray of float, shape (M, N)
        Linear light (transmittance or counts above black) around one edge that runs roughly
        along the rows or the columns, slanted 2 to 10 degrees for choice, at least 16 x 16.
        Either polarity.
    order : int
        Order of the polynomial fitted to the edge, 1 (a straight line) to 5.

    Raises
    ------
    NoEdgeError
        If the region is too small, has no edge, or the edge runs so straight along the pixels
        that it is not sampled at all phases.

    Notes
    -----
    The steps are those of ISO 12233 as its open lineage of programs implements them: derivative
    and centroid of each row, a line (4th edition: a polynomial) through the centroids,
    projection along the edge into bins of 1/4 pixel, derivative [-1/2, 0, 1/2], Hamming window,
    magnitude of the DFT normalised at zero, division by the derivative's own response.
    Written after a description of the standard (not its text). Where it deviates, on purpose:

    - rows are weighed: centroids more than 4 robust standard deviations off the line, and rows
      three times rougher about the edge's mean profile than most, are left out (chips, dust);
    - distances are taken at right angles to the edge, not along the row, so that the
      frequency axis needs no cosine afterwards;
    - averaging within a bin is itself a blur of 1/4 pixel: the response is also divided by
      sinc(f/4), which is 2.6 % at 0.5 cycles/px;
    - the DFT is zero-padded, which interpolates the curve and changes nothing else.

    References
    ----------
    Standard errors are those of the delete-a-group jackknife: J. Shao and D. Tu, *The Jackknife and
    Bootstrap*, 1995, section 2.3 (formula from memory).

    ISO 12233:2017 and 2023, e-SFR. P. D. Burns, "Slanted-edge MTF for digital camera and
    scanner analysis", Proc. IS&T PICS 2000, 135-138.
    """
    image = _upright(np.asarray(pixels, np.float64))
    curve, kept, width = _fit_edge(image, order)
    slope = _typical_slope(curve, image.shape[0])
    travel = float(np.ptp(curve(np.arange(image.shape[0]))))
    if travel < 1.0:
        raise NoEdgeError(
            f"the edge moves only {travel:.2f} pixel across {image.shape[0]} rows; turn the "
            "subject or the camera by 2 to 10 degrees"
        )
    distance = _distances(image.shape, curve, slope)
    half = min(_reach(image.shape[1], curve, image.shape[0]), max(32.0, 12.0 * width))
    esf, kept = _edge_profile(image, distance, kept, half)
    freq, response = _response(esf)
    sigma50, sigma10 = _sigmas(image, distance, kept, half)
    low, high = _plateaus(esf)
    height = high - low
    steepest = float(np.abs(np.gradient(esf)).max()) * OVERSAMPLING
    beyond = max(float(esf.max()) - high, low - float(esf.min()), 0.0)
    return Sfr(
        freq=freq,
        response=response,
        sfr50=_first_crossing(freq, response, 0.5),
        sfr10=_first_crossing(freq, response, 0.1),
        sfr50_sigma=sigma50,
        sfr10_sigma=sigma10,
        angle_deg=float(np.degrees(np.arctan(slope))),
        width_px=height / steepest,
        overshoot=beyond / height,
        contrast=high / low if low > 0 else float("inf"),
        rows_used=float(kept.mean()),
    )


def _upright(image: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the region turned so that the edge runs down the rows, dark side left."""
    if image.ndim != 2 or min(image.shape) < 16:
        raise NoEdgeError(f"the region is {image.shape}; at least 16 x 16 pixels are needed")
    if not np.isfinite(image).all():
        raise NoEdgeError("the region holds pixels that are not numbers")
    rows, cols = image.shape
    across = abs(image[:, -cols // 3 :].mean() - image[:, : cols // 3].mean())
    down = abs(image[-rows // 3 :].mean() - image[: rows // 3].mean())
    if max(down, across) == 0:
        raise NoEdgeError("there is no edge: the region is all the same")
    if down > across:
        image = image.T
        cols = rows
    if image[:, -cols // 3 :].mean() < image[:, : cols // 3].mean():
        image = image[:, ::-1]
    return image


def _fit_edge(
    image: NDArray[np.float64], order: int
) -> tuple[Polynomial, NDArray[np.bool_], float]:
    """Return column of the edge as a polynomial of the row, rows near it, edge width in px."""
    rows = np.arange(image.shape[0], dtype=np.float64)
    slopes = np.gradient(gaussian_filter1d(image, 2.0, axis=1), axis=1)
    strongest = slopes.argmax(axis=1).astype(np.float64)
    step = max(1, len(rows) // 400)  # a slope for every two rows
    curve = median_line(rows[::step], strongest[::step])
    kept = np.ones(len(rows), bool)
    width = _rough_width(image, curve)
    for _ in range(3):
        centroids = _centroids(image, curve, half=max(4.0, 2.0 * width))
        good = np.isfinite(centroids)
        if good.sum() < max(8, 2 * (order + 1)):
            raise NoEdgeError("fewer than 8 rows show an edge")
        kept = good.copy()
        for _ in range(4):
            curve = Polynomial.fit(rows[kept], centroids[kept], order).convert()
            away = np.abs(centroids - curve(rows))
            limit = _OUTLIER * max(1.4826 * float(np.median(away[kept])), 0.02)
            kept = good & (away <= limit)
            if kept.sum() < max(8, 2 * (order + 1)):
                raise NoEdgeError("the rows do not agree on where the edge is")
    if kept.mean() < 0.4:
        raise NoEdgeError("fewer than half of the rows agree on where the edge is")
    return curve, kept, width


def _rough_width(image: NDArray[np.float64], curve: Polynomial) -> float:
    """Return the 10 to 90 % width of the edge in px, averaged over all rows at 1 px."""
    distance = np.round(_distances(image.shape, curve, 0.0)).astype(np.intp)
    half = int(_reach(image.shape[1], curve, image.shape[0]))
    inside = np.abs(distance) <= half
    bins = distance[inside] + half
    count = np.bincount(bins, minlength=2 * half + 1)
    if half < 4 or (count == 0).any():
        raise NoEdgeError("the edge leaves the region; choose a region with it in the middle")
    profile = np.bincount(bins, image[inside], 2 * half + 1) / count
    low, high = _plateaus(profile)
    noise = float(np.median(np.abs(np.diff(image, axis=1)))) * 1.4826 / np.sqrt(2)
    if high - low <= 2.0 * noise / np.sqrt(count.min()) or high <= low:
        raise NoEdgeError("there is no edge, or it drowns in noise")
    between = (profile > low + 0.1 * (high - low)) & (profile < low + 0.9 * (high - low))
    return max(1.0, float(between.sum()))


def _centroids(image: NDArray[np.float64], curve: Polynomial, half: float) -> NDArray[np.float64]:
    """Return the centroid of each row's derivative under a Hamming window about ``curve``.

    nan where a row has no rising edge there.
    """
    rows, cols = image.shape
    derivative = np.zeros_like(image)
    derivative[:, 1:-1] = 0.5 * (image[:, 2:] - image[:, :-2])
    offset = np.arange(cols) - curve(np.arange(rows))[:, np.newaxis]
    window = np.where(np.abs(offset) <= half, 0.54 + 0.46 * np.cos(np.pi * offset / half), 0.0)
    weight = derivative * window
    total = weight.sum(axis=1)
    typical = float(np.median(total))
    if typical <= 0:
        raise NoEdgeError("there is no edge, or it drowns in noise")
    good = total > 0.3 * typical
    moment = (weight * offset).sum(axis=1)
    shift = np.divide(moment, total, out=np.full(rows, np.nan), where=good)
    return np.where(np.abs(shift) < half, curve(np.arange(rows)) + shift, np.nan)


def _typical_slope(curve: Polynomial, rows: int) -> float:
    return float(np.mean(curve.deriv()(np.arange(rows))))


def _distances(shape: tuple[int, ...], curve: Polynomial, slope: float) -> NDArray[np.float64]:
    """Return each pixel's distance from the edge, px, at right angles to its mean direction."""
    columns = np.arange(shape[1], dtype=np.float64)
    edge = curve(np.arange(shape[0], dtype=np.float64))[:, np.newaxis]
    return np.asarray((columns - edge) * np.cos(np.arctan(slope)))


def _reach(cols: int, curve: Polynomial, rows: int) -> float:
    """Return the distance from the edge, px, that every row covers on both sides."""
    edge = curve(np.arange(rows))
    return float(max(0.0, np.floor(min(edge.min(), cols - 1 - edge.max()) - 0.5)))


def _edge_profile(
    image: NDArray[np.float64],
    distance: NDArray[np.float64],
    kept: NDArray[np.bool_],
    half: float,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the edge spread function in bins of 1/4 px, and the rows that went into it."""
    if half < 4:
        raise NoEdgeError("the edge runs along the border of the region; widen the region")
    bins = np.floor(distance * OVERSAMPLING + 0.5).astype(np.intp)
    reach = int(half * OVERSAMPLING)
    inside = np.abs(bins) <= reach
    esf = _bin_means(image, bins, inside & kept[:, np.newaxis], reach)
    model = esf[np.clip(bins + reach, 0, 2 * reach)]
    square = np.where(inside, (image - model) ** 2, 0.0).sum(axis=1) / inside.sum(axis=1)
    roughness = np.sqrt(square)
    low, high = _plateaus(esf)
    typical = max(float(np.median(roughness[kept])), 0.005 * (high - low))
    smooth = kept & (roughness <= _ROW_NOISE * typical)
    if smooth.sum() >= 8 and not np.array_equal(smooth, kept):
        kept = smooth
        esf = _bin_means(image, bins, inside & kept[:, np.newaxis], reach)
    return esf, kept


def _sigmas(
    image: NDArray[np.float64],
    distance: NDArray[np.float64],
    kept: NDArray[np.bool_],
    half: float,
) -> tuple[float, float]:
    """Return the standard errors of the frequencies with response 0.5 and 0.1.

    Groups are rows that follow each other, so that a nick longer than a row counts as one.
    """
    bins = np.floor(distance * OVERSAMPLING + 0.5).astype(np.intp)
    reach = int(half * OVERSAMPLING)
    inside = np.abs(bins) <= reach
    found = []
    for group in np.array_split(np.flatnonzero(kept), GROUPS):
        rest = kept.copy()
        rest[group] = False
        try:
            esf = _bin_means(image, bins, inside & rest[:, np.newaxis], reach)
        except NoEdgeError:
            return float("nan"), float("nan")
        curve = _response(esf)
        found.append((_first_crossing(*curve, 0.5), _first_crossing(*curve, 0.1)))
    both = np.array(found)
    spread = np.hypot(
        np.std(both, axis=0) * np.sqrt(GROUPS - 1),
        np.array([METHOD["sfr50"], METHOD["sfr10"]]) * both.mean(axis=0),
    )
    return float(spread[0]), float(spread[1])


def _bin_means(
    image: NDArray[np.float64],
    bins: NDArray[np.intp],
    used: NDArray[np.bool_],
    reach: int,
) -> NDArray[np.float64]:
    index = bins[used] + reach
    count = np.bincount(index, minlength=2 * reach + 1)
    total = np.bincount(index, image[used], 2 * reach + 1)
    filled = count > 0
    if filled.mean() < 0.75:
        raise NoEdgeError("the edge is not sampled at all phases; use more rows or more slant")
    places = np.arange(2 * reach + 1)
    return np.interp(places, places[filled], total[filled] / count[filled])


def _plateaus(profile: NDArray[np.float64]) -> tuple[float, float]:
    """Return the levels of the dark (left) and light (right) end of an edge profile."""
    end = max(1, len(profile) // 6)
    return float(np.median(profile[:end])), float(np.median(profile[-end:]))


def _response(esf: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return frequencies in cycles/px and the corrected modulation of an edge profile."""
    lsf = 0.5 * (esf[2:] - esf[:-2])
    middle = (len(lsf) - 1) / 2
    lsf = lsf * (0.54 + 0.46 * np.cos(np.pi * (np.arange(len(lsf)) - middle) / middle))
    spectrum = np.abs(np.fft.rfft(lsf, _PADDED))
    freq = np.fft.rfftfreq(_PADDED, 1 / OVERSAMPLING)
    wanted = freq <= HIGHEST
    freq, spectrum = freq[wanted], spectrum[wanted]
    own = np.sinc(2 * freq / OVERSAMPLING) * np.sinc(freq / OVERSAMPLING)  # derivative, bin
    return np.asarray(freq), np.asarray(spectrum / spectrum[0] / own)


def _first_crossing(
    freq: NDArray[np.float64], response: NDArray[np.float64], level: float
) -> float:
    below = np.flatnonzero(response < level)
    if len(below) == 0 or below[0] == 0:
        return float("nan")
    i = below[0]
    span = response[i - 1] - response[i]
    share = (response[i - 1] - level) / span
    return float(freq[i - 1] + share * (freq[i] - freq[i - 1]))


def median_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> Polynomial:
    """Return the line of Theil and Sen: its slope is the median over all pairs of points.

    ``scipy.stats`` has it too, but loads as long as all else that a worker needs.

    Examples
    --------
    >>> median_line(np.arange(5.0), np.array([1.0, 3.0, 5.0, 7.0, 99.0])).coef.tolist()
    [1.0, 2.0]
    """
    first, second = np.triu_indices(len(x), 1)
    slope = np.median((y[second] - y[first]) / (x[second] - x[first]))
    return Polynomial([np.median(y) - slope * np.median(x), slope])
