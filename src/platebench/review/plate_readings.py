"""Densities under the cursor, in a drawn rectangle, and their distribution over the plate."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from platebench.core.rounding import rounded
from platebench.measure.scan_noise import TWO_THIRDS
from platebench.plate.densities import (
    BIN_EDGES,
    MAX_DENSITY,
    code_from_transmittance,
    transmittance_of_codes,
)
from platebench.plate.job import PrintingEnds
from platebench.review.layers import Layer, Shown
from platebench.review.plate_pixels import CLIPPED, Codes, Doubles

CURSOR_SIDE = 9  # pixels of the capture around the cursor
MOST_SITES = 4_000_000  # of a rectangle, beyond which every nth is read
_LN10 = float(np.log(10))
_LIGHT = transmittance_of_codes()  # as captured, before change of the light and calibration


def read_rectangle(
    shown: Shown, layer: Layer, box: tuple[float, float, float, float]
) -> dict[str, Any] | None:
    """Return the density of a rectangle of a layer, with its standard error.

    The error is that of the sites' scatter (picture, grain and noise), of rounding in grey scans of
    8 bits, and of everything in :mod:`platebench.measure.density_errors` together.
    Sites that clipped are left out.

    Parameters
    ----------
    shown : Shown
        The plate.
    layer : {"positive", "captured", "density"}
        What ``box`` refers to.
    box : (top, left, bottom, right)
        Half-open, pixels of the layer at full size.

    Returns
    -------
    dict or None
        ``density`` and ``sigma``, None where nothing can be told from darkness or all clipped;
        ``at_least``, in the dark the density that is exceeded by two standard errors of everything;
        ``printing`` (density to a blue-sensitive process), ``low``, ``high`` (2nd and 98th
        percentile), ``sites``, ``clipped`` (share), ``width_mm``, ``height_mm``, ``calibrated``;
        None outside the picture, and of a scan that shows a positive.
    """
    pixels = shown.pixels
    codes, middle = _codes_within(shown, layer, box)
    if codes.size == 0 or pixels.densities is None:
        return None
    errors = pixels.errors.at(middle)
    seen = codes[codes != CLIPPED]
    top, left, bottom, right = box
    mm = _mm_per_px(shown, layer)
    told: dict[str, Any] = {
        "density": None,
        "sigma": None,
        "at_least": None,
        "printing": None,
        "low": None,
        "high": None,
        "sites": int(seen.size),
        "clipped": rounded(1 - seen.size / codes.size, 4),
        "width_mm": None if mm is None else rounded((right - left) * mm, 2),
        "height_mm": None if mm is None else rounded((bottom - top) * mm, 2),
        "calibrated": pixels.calibrated,
    }
    if seen.size == 0:
        return told
    light = 10.0 ** -pixels.density[seen].astype(np.float64)
    mean = float(light.mean())
    scatter = float(light.std(ddof=1)) / np.sqrt(light.size) if light.size > 1 else mean
    low, high = np.quantile(pixels.density[seen], (0.02, 0.98))
    told |= {"low": rounded(low, 3), "high": rounded(high, 3)}
    density = -float(np.log10(mean))
    seen_light = _LIGHT[seen] / pixels.level
    through = float(seen_light.mean())
    noise = float(seen_light.std(ddof=1)) / np.sqrt(seen.size) if seen.size > 1 else through
    bound = errors.bound(through, noise)
    if bound is not None or density > MAX_DENSITY - 0.01:
        bound = min(errors.at_least(through, noise), MAX_DENSITY)
        told["at_least"] = rounded(bound, 2)
    if not errors.told(through, noise) or density > MAX_DENSITY - 0.01:
        return told
    systematic = errors.systematic_sigma(density)
    scatter = float(np.hypot(scatter, _rounding(shown, seen, light)))
    sigma = float(np.hypot(scatter / mean / _LN10, systematic))
    return told | {
        "density": rounded(density, 3),
        "sigma": rounded(sigma, 3),
        "printing": rounded(_to_blue(shown, seen, density, middle), 3),
    }


def _rounding(shown: Shown, codes: Codes, light: Doubles) -> float:
    """Return what rounding to 8 bits leaves in a mean, of values on about one code.

    See :mod:`platebench.measure.scan_noise`; the bound for no noise is taken.
    """
    counted = shown.pixels.counted
    if counted is None:
        return 0.0
    at = int(np.clip(np.searchsorted(counted, np.median(codes)), 1, len(counted) - 1))
    above, below = 10.0 ** -shown.pixels.density[counted[at - 1 : at + 1]].astype(np.float64)
    step = abs(float(above - below))
    return TWO_THIRDS * step / float(np.sqrt(12)) if light.std() < step / 2 else 0.0


def _to_blue(shown: Shown, codes: Codes, density: float, middle: tuple[float, float]) -> float:
    """Return the density to blue light: its own transmittance, through the same calibration."""
    pixels = shown.pixels
    if pixels.blue is None:
        return density
    light = pixels.blue.through(_LIGHT[codes], middle).mean(keepdims=True)
    code = code_from_transmittance(np.atleast_2d(light).astype(np.float32))
    return float(pixels.density[code].item())


def read_point(shown: Shown, layer: Layer, x: float, y: float) -> dict[str, Any] | None:
    """Return the density around a point of a layer, its first pixel's centre at 0, 0."""
    half = CURSOR_SIDE / 2
    return read_rectangle(
        shown, layer, (y + 0.5 - half, x + 0.5 - half, y + 0.5 + half, x + 0.5 + half)
    )


def _mm_per_px(shown: Shown, layer: Layer) -> float | None:
    ppi = shown.framing.ppi
    return None if ppi is None or layer == "captured" else 25.4 / ppi


def _codes_within(
    shown: Shown, layer: Layer, box: tuple[float, float, float, float]
) -> tuple[Codes, tuple[float, float]]:
    """Return the codes of a rectangle of a layer, and where its middle lies in the capture.

    The middle is a share of the capture's height and width.
    """
    size, source = shown.size(layer), shown.plan(layer).source
    top, left = max(0, round(box[0])), max(0, round(box[1]))
    bottom, right = min(size.rows, round(box[2])), min(size.columns, round(box[3]))
    if top >= bottom or left >= right:
        return np.empty(0, np.uint16), (0.5, 0.5)
    step = max(1, int(np.sqrt((bottom - top) * (right - left) / MOST_SITES)))
    y, x = np.mgrid[top:bottom:step, left:right:step]
    mapped = np.stack([x.ravel(), y.ravel(), np.ones(x.size)]).T @ source.T
    places = np.rint(mapped[:, :2] / mapped[:, 2:]).astype(np.intp)
    rows, columns = shown.pixels.shape
    inside = (places >= 0).all(axis=1) & (places[:, 0] < columns) & (places[:, 1] < rows)
    places = places[inside]
    middle: Doubles = (
        (places.mean(axis=0) + 0.5) / (columns, rows) if len(places) else np.full(2, 0.5)
    )
    codes = shown.pixels.levels[0][places[:, 1], places[:, 0]]
    return np.asarray(codes), (float(middle[1]), float(middle[0]))


def tone_curve(
    shown: Shown, table: NDArray[np.uint8], ends: PrintingEnds | None, points: int = 128
) -> dict[str, Any] | None:
    """Return the histogram in density, with its marks and the tone curve drawn over it.

    None of a scan that shows a positive: it has no densities, and its tones are kept.
    """
    densities = shown.pixels.densities
    if densities is None or ends is None:
        return None
    curve_at = np.linspace(0.0, 3.5, points)
    order = np.argsort(shown.pixels.density)
    values = np.interp(curve_at, shown.pixels.density[order], table[order].astype(np.float64))
    return {
        "bins_from": float(BIN_EDGES[0]),
        "bin": rounded(float(BIN_EDGES[1] - BIN_EDGES[0]), 4),
        "counts": list(densities.histogram),
        "base_fog": rounded(densities.base_fog, 3),
        "fog_seen": densities.base_fog_from != "picture",
        "d_min": rounded(densities.d_min, 3),
        "d_max": rounded(densities.d_max, 3),
        "d_max_at_least": None
        if densities.d_max_at_least is None
        else rounded(densities.d_max_at_least, 3),
        "density_range": rounded(densities.density_range, 3),
        "black_at": rounded(ends.base_fog, 3),
        "white_at": rounded(ends.d_max, 3),
        "curve": [[rounded(d, 3), rounded(v, 1)] for d, v in zip(curve_at, values, strict=True)],
    }
