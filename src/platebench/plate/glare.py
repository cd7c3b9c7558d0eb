"""Veiling glare: stray light over the whole picture that lightens its densest parts; measured, off.

Model: ``T_measured = (T + g) / (1 + g)``, g a share of the bare light box.
J. J. McCann and A. Rizzi, "Veiling glare: the dynamic range limit of HDR images", J. Soc. Inf.
Display 2007; measured as by ISO 9358 (glare) and ISO 18844 (flare), on something opaque.

Opaque is what lies outside the plate, is even, and is no lighter than the plate's darkest parts:
black card, a holder, a strip. No part of a plate is ever taken for opaque: a dense, even sky looks
just the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from platebench.core.image import Encoding, PlateImage
from platebench.plate.bands import BandStep
from platebench.plate.finding.surround import BLACK, reduce_picture
from platebench.plate.smooth_field import grid_shape, row_field

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Source = Literal["black mask", "holder", "opaque strip", "calibration"]

CARD_DENSITY = 3.5  # D of black card and holders, at least; see docs/brackets-and-glare.md
CARD_SIGMA = 0.3  # D by which it may be off
_LOOKED_AT = 600  # cells along the long side
_SMALLEST_SHARE = 0.001  # of the frame, connected
_MARGIN = 0.03  # of the plate's size around it that is left out: bevels, shadows, bare gaps
_EVEN = 0.12  # relative scatter of cells about a smooth surface
_EVEN_FLOOR = 2e-4  # of the bare light: scatter that is noise in any case
_AS_DARK = 1.5  # times the darkest part of the plate: what passes more is not opaque
_AREAS_ALIKE = 3.0  # times the darkest area: glare differs less over a frame, papers more
_TILES = 24  # along the long side; cells are averaged in tiles, whose scatter is that of the glare
_LEAST_CELLS = 6  # in a tile
_FIELD_TILES = 16  # tiles that a field needs
_FIELD_SPAN = 0.7  # of the frame's height and width over which they are spread
_SURE = 1e-3  # probability at which "the glare is uniform" is given up
_WORTHWHILE = 0.05  # relative variation of the glare below which a field is not worth it
_FIELD_CELLS = 32


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glare:
    """Veiling glare of one capture.

    Attributes
    ----------
    share : float
        ``g``, of the bare light box; the mean over the frame where there is a field.
    sigma : float
        Standard error of ``share``: scatter and photon noise, and what the card may let through.
    source : {"black mask", "holder", "opaque strip", "calibration"}
        What it was read on; "calibration": known from a step tablet in the same light.
    area : float
        Share of the frame that was read.
    uniform_p : float or None
        Probability of the areas differing as they do by chance if glare were uniform; None where
        they do not spread over the frame.
    field : ndarray of float32, shape (rows, columns), or None
        ``g`` on a coarse grid over the frame; None where the data do not ask for more than one
        number.
    """

    share: float
    sigma: float
    source: Source
    area: float
    uniform_p: float | None = None
    field: Floats | None = None

    @property
    def shows(self) -> bool:
        """Whether it stands out from its error."""
        return self.share > 2 * self.sigma


def glare_from_opaque(transmittance: float, card: float = 0.0) -> float:
    """Return g from the transmittance measured where the true one is ``card``.

    ``T (1 + g) = card + g`` solved for g.

    Examples
    --------
    >>> round(glare_from_opaque(0.005 / 1.005), 6)
    0.005
    """
    measured = min(max(transmittance, 0.0), 0.999)
    return max((measured - card) / (1 - measured), 0.0)


def density_with_glare(density: float, glare: float) -> float:
    """Return the density that is measured in place of ``density``.

    Examples
    --------
    >>> round(density_with_glare(3.0, 0.005), 2)
    2.22
    """
    return -math.log10((10**-density + glare) / (1 + glare))


def glare_step(
    glare: Glare, shape: tuple[int, int], *, channels: int = 1, level: float = 1.0
) -> BandStep:
    """Return a function that takes the glare off a band of rows: ``T = T_measured (1 + g) - g``.

    In linear light and in the band itself. Noise may carry the result below 0; it is kept.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns of the whole frame.
    channels : {1, 3}
        Values a site; the band's rows hold them side by side.
    level : float
        Transmittance that the bare light box has on this scale, where the lamp has changed.
    """
    share = glare.share
    if glare.field is None:

        def even(band: Floats, _start: int, _stop: int) -> None:
            cv2.addWeighted(band, 1 + share, band, 0.0, -share * level, dst=band)

        return even
    fields = np.repeat(glare.field[None], channels, axis=0)
    places = row_field(fields, np.zeros((1, 1), np.uint8), shape, channels=channels)

    def by_place(band: Floats, start: int, stop: int) -> None:
        cv2.accumulateProduct(band - np.float32(level), places.rows(start, stop), band)

    return by_place


def measure_glare(
    image: PlateImage,
    corners: Doubles,
    surround: str,
    *,
    level: float = 1.0,
    card_density: float = CARD_DENSITY,
) -> Glare | None:
    """Measure glare on what is opaque in the frame.

    Parameters
    ----------
    image : PlateImage
        TRANSMITTANCE of the whole capture.
    corners : ndarray of float64, shape (4, 2)
        The plate's corners, ``(row, column)``.
    surround : {"bright", "dark", "holder", "none"}
        What lies around it, see ``FoundPlate``.
    level : float
        Transmittance of the bare light box on this scale.
    card_density : float
        Density of what is opaque.

    Returns
    -------
    Glare or None
        None where nothing opaque shows.

    Raises
    ------
    ValueError
        If the picture is not transmittance.
    """
    if image.encoding is not Encoding.TRANSMITTANCE:
        raise ValueError(f"measure_glare needs transmittance, got {image.encoding}")
    period = int(np.lcm(*image.pattern.shape))
    small, block = reduce_picture(image.pixels, _LOOKED_AT, period=period)
    cells = small.astype(np.float64) / level
    where = _opaque_cells(cells, (corners + 0.5) / block - 0.5)
    kinds: dict[str, Source] = {"dark": "black mask", "holder": "holder"}
    source = kinds.get(surround, "opaque strip")
    if np.count_nonzero(where) < _LEAST_CELLS:
        return None
    card = 10**-card_density
    g = np.maximum((cells - card) / (1 - np.minimum(cells, 0.999)), -0.01)
    card_error = card * math.log(10) * CARD_SIGMA
    return _fit_glare(g, where, source, image.shape, card_error)


def _opaque_cells(cells: Doubles, corners: Doubles) -> NDArray[np.bool_]:
    """Return which cells lie outside the plate, on something even and as dark as it gets."""
    outside = np.ones(cells.shape, np.uint8)
    centre = corners.mean(axis=0)
    grown = centre + (corners - centre) * (1 + 2 * _MARGIN)
    cv2.fillConvexPoly(outside, np.rint(grown[:, ::-1] * 16).astype(np.int32), 0, shift=4)
    dark = ((cells < BLACK) & (outside > 0)).astype(np.uint8)
    dark = np.asarray(cv2.erode(dark, np.ones((5, 5), np.uint8)), np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    smallest = max(_SMALLEST_SHARE * cells.size, 4 * _LEAST_CELLS)
    areas = []
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] < smallest:
            continue
        where = labels == k
        if _is_even(cells, where):
            areas.append((float(np.quantile(cells[where], 0.05)), where))
    found = np.zeros(cells.shape, bool)
    if not areas:
        return found
    # Half a per cent of the plate may be darker by noise, dead sites or dust.
    inside = cells[outside == 0]
    darkest = float(np.quantile(inside, 0.005)) if inside.size else 1.0
    limit = min(_AS_DARK * darkest, _AREAS_ALIKE * min(lowest for lowest, _ in areas))
    for lowest, where in areas:
        if lowest <= max(limit, 0.0) + _EVEN_FLOOR:
            found |= where
    return found


def _is_even(cells: Doubles, where: NDArray[np.bool_]) -> bool:
    """Tell whether an area is smooth: glare has no detail."""
    values = cells[where]
    terms = _terms(np.argwhere(where), cells.shape, 2)
    fit = np.linalg.lstsq(terms, values, rcond=None)[0]
    scatter = 1.4826 * float(np.median(np.abs(values - terms @ fit)))
    return scatter < _EVEN * float(np.median(values)) + _EVEN_FLOOR


def _terms(places: NDArray[np.number], shape: tuple[int, ...], order: int) -> Doubles:
    """Return powers of place, -1 to 1 over the frame, shape (n, 1, 3 or 6)."""
    half = (np.array(shape[:2], np.float64) - 1) / 2
    y, x = ((places - half) / np.maximum(half, 1)).T
    powers = [np.ones(len(y)), y, x, y * y, x * y, x * x]
    return np.stack(powers[: {0: 1, 1: 3, 2: 6}[order]], axis=1)


def _fit_glare(
    g: Doubles,
    where: NDArray[np.bool_],
    source: Source,
    shape: tuple[int, int],
    card_error: float,
) -> Glare:
    """Return one glare, or a field of it where the areas spread over the frame and differ."""
    places, values, counts = _tiles(g, where)
    weight = counts / counts.sum()
    mean = float(weight @ values)
    share = _middle(values, counts)
    spread = float(np.sqrt(weight @ (values - mean) ** 2))
    error = spread / math.sqrt(max(len(values) - 1, 1))
    covered = float(where.mean())
    if not _spread_over(places, g.shape):
        sigma = math.hypot(error, card_error)
        return Glare(share=max(share, 0.0), sigma=sigma, source=source, area=covered)
    p, order = _best_order(places, values, counts, g.shape)
    if order == 0:
        sigma = math.hypot(error, card_error)
        return Glare(share=max(share, 0.0), sigma=sigma, source=source, area=covered, uniform_p=p)
    fit, left, covariance = _fit(places, values, counts, g.shape, order)
    grid = grid_shape(shape, _FIELD_CELLS)
    cells = np.indices(grid).reshape(2, -1).T
    centres = (cells + 0.5) * (np.array(g.shape) / grid) - 0.5
    terms = _terms(centres, g.shape, order)
    low, high = values.min() - 2 * left, values.max() + 2 * left
    field = np.clip(terms @ fit, max(low, 0.0), max(high, 0.0)).reshape(grid)
    errors = np.sqrt(np.einsum("ni,ij,nj->n", terms, covariance, terms))
    return Glare(
        share=float(field.mean()),
        sigma=math.hypot(float(errors.mean()), card_error),
        source=source,
        area=covered,
        uniform_p=p,
        field=field.astype(np.float32),
    )


def _tiles(g: Doubles, where: NDArray[np.bool_]) -> tuple[Doubles, Doubles, Doubles]:
    """Return places, medians and numbers of cells of the tiles of a coarse chequer."""
    size = max(1, -(-max(g.shape) // _TILES))
    rows, columns = np.nonzero(where)
    across = -(-g.shape[1] // size)
    tile = rows // size * across + columns // size
    order = np.argsort(tile, kind="stable")
    starts = np.flatnonzero(np.diff(tile[order], prepend=-1))
    groups = [k for k in np.split(order, starts[1:]) if len(k) >= _LEAST_CELLS] or [order]
    places = np.array([(rows[k].mean(), columns[k].mean()) for k in groups])
    values = np.array([np.median(g[rows[k], columns[k]]) for k in groups])
    return places, values, np.array([len(k) for k in groups], np.float64)


def _middle(values: Doubles, counts: Doubles) -> float:
    """Return the weighted median."""
    order = np.argsort(values)
    share = np.cumsum(counts[order]) - counts[order] / 2
    return float(np.interp(counts.sum() / 2, share, values[order]))


def _spread_over(places: Doubles, shape: tuple[int, ...]) -> bool:
    """Tell whether tiles reach over the frame, with some in each quarter of it."""
    if len(places) < _FIELD_TILES:
        return False
    half = np.array(shape) / 2
    quarters = {(bool(a), bool(b)) for a, b in places > half}
    span = np.ptp(places, axis=0) / np.array(shape)
    return len(quarters) == 4 and bool((span > _FIELD_SPAN).all())


def _fit(
    places: Doubles, values: Doubles, counts: Doubles, shape: tuple[int, ...], order: int
) -> tuple[Doubles, float, Doubles]:
    """Return coefficients of a surface, the scatter about it, and their covariance."""
    root = np.sqrt(counts / counts.mean())
    terms = _terms(places, shape, order)
    basis = terms * root[:, None]
    fit = np.linalg.lstsq(basis, values * root, rcond=None)[0]
    left = (values - terms @ fit) * root
    variance = float(left @ left) / max(len(values) - terms.shape[1], 1)
    return fit, math.sqrt(variance), np.linalg.pinv(basis.T @ basis) * variance


def _best_order(
    places: Doubles, values: Doubles, counts: Doubles, shape: tuple[int, ...]
) -> tuple[float, int]:
    """Return the probability that glare is uniform, and the order of surface the data ask for.

    F-tests of a plane and of a quadratic surface against a simpler one.
    """
    n = len(values)
    squares = {}
    for order, unknowns in ((0, 1), (1, 3), (2, 6)):
        squares[order] = _fit(places, values, counts, shape, order)[1] ** 2 * (n - unknowns)
    by_plane = _p_value(squares[0], squares[1], 2, n - 3)
    by_curve = _p_value(squares[0], squares[2], 5, n - 6)
    p = min(1.0, 2 * min(by_plane, by_curve))
    fit, _, _ = _fit(places, values, counts, shape, 2)
    varies = float(np.std(_terms(places, shape, 2) @ fit))
    if p > _SURE or varies < _WORTHWHILE * max(float(values.mean()), 1e-9):
        return p, 0
    return p, 2 if _p_value(squares[1], squares[2], 3, n - 6) < _SURE else 1


def _p_value(simple: float, full: float, more: int, left: int) -> float:
    """Return the probability of a gain in squares as large by chance."""
    gain = max(simple - full, 0.0) / more
    return float(fdtrc(more, left, gain / max(full / left, 1e-30)))
