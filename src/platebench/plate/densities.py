"""Transmittance to density and codes of density, and what a plate is in densities.

Measured on an area-reduced picture after a median, so that dust, pinholes and scratches do not
count, and inside the rebate, so that clear glass and chips do not either.

The plate's figures: base plus fog, Dmax, range, histogram.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.rounding import rounded

MAX_DENSITY = 4.5
TOP_TRANSMITTANCE = 1.6
_CODES_PER_ROOT = 65535.0 / float(np.sqrt(TOP_TRANSMITTANCE))


def density_from_transmittance(
    transmittance: NDArray[np.float32], *, max_density: float = MAX_DENSITY
) -> NDArray[np.float32]:
    """Return optical density D = -log10(T).

    Parameters
    ----------
    transmittance : ndarray of float32, any shape
        Linear transmittance; 1.0 is the bare light box. Dimensionless.
    max_density : float
        Ceiling (D). Transmittance at or below ``10 ** -max_density``, zero and negatives
        included, gives exactly this.

    Returns
    -------
    ndarray of float32, same shape
        Density; negative where T > 1.

    Raises
    ------
    ValueError
        If ``max_density`` is not positive.

    References
    ----------
    D = log10(1/T), opacity 1/T: C. E. K. Mees, *The Fundamentals of Photography*.

    Examples
    --------
    >>> density_from_transmittance(np.array([1.0, 0.1, 0.0], np.float32)).tolist()
    [0.0, 1.0, 4.5]
    """
    if max_density <= 0:
        raise ValueError(f"max_density must be > 0 D, got {max_density}")
    floor = np.float32(10.0**-max_density)
    density = np.negative(np.log10(np.maximum(transmittance, floor))) + np.float32(0.0)
    return np.asarray(np.minimum(density, np.float32(max_density)), np.float32)


def code_from_transmittance(transmittance: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Return square-root codes: 0 for T <= 0, 65535 for T >= ``TOP_TRANSMITTANCE``.

    One step is 0.0002 D at D 2 and 0.0005 D at D 3 (derived: dD = 2 log10(e) / code).
    """
    roots = cv2.sqrt(transmittance)  # not-a-number below 0, which becomes code 0
    return np.asarray(
        cv2.addWeighted(roots, _CODES_PER_ROOT, roots, 0.0, 0.0, dtype=cv2.CV_16U), np.uint16
    )


def transmittance_of_codes() -> NDArray[np.float64]:
    """Return the transmittance that each of the 65,536 codes stands for."""
    return np.asarray((np.arange(65536) / _CODES_PER_ROOT) ** 2, np.float64)


MEASURED_LONG_SIDE = 1200
BARE_GLASS = 0.06  # D: two air-glass surfaces reflect 8 %, D 0.037 (Fresnel, n = 1.52)
# D below zero that errors explain: glass alone has 0.04 D, and a lamp that nobody sees drift, on a
# mask, is rarely off by a fifth (0.09 D).
BELOW_NOTHING = 0.05
MARGIN = 0.06  # share of the short side that may be rebate, left out of the picture
EDGE_STRIP = (0.004, 0.025)  # shares of the short side between which a rebate is looked for
REBATE_SHARE = 0.25  # of a side's strip that a rebate fills, on three sides at least
DEEPEST_REBATE = 0.1  # of the short side: no rebate is wider
LIP = 0.03  # D by which a rebate's end rises within two pixels of the reduced picture
EVEN_REBATE = 0.03  # D by which a rebate may vary from the bevel to its end
UNEVEN_FOG = 0.06  # D by which rebate may vary along a side, or from side to side
LIP_REACH = 7  # pixels in which a lip, blurred, has given way to the picture
# What runs on to the rim as picture, by scenes of bench/picture_border.py, seeds 3000 to 3059: D
# over a rebate or along a side; rows that count as outermost; share of a side that may be thin; D
# by which the rim may be denser than what is further in.
DENSER, OUTERMOST, THIN_PLACES, FADING = 0.4, 3, 0.05, 0.05
STEP_SHARE = 0.35  # of a side on which the rebate's end must show
STRUCK = 0.005  # D by which a rebate is denser towards the rim where light has struck it
ONE_SIDE = 0.02  # D that fog may differ across a plate, where one side alone tells; no source
ALIKE_SHARE = 0.75  # of a side that must be as thin as the rebate
THIN_SHARE, DENSE_SHARE = 0.005, 0.995  # quantiles of the picture area
BIN = 0.01  # D
BIN_EDGES = np.round(np.arange(-0.2, 4.5 + BIN / 2, BIN), 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateDensities:
    """Densities of one plate, in D.

    Attributes
    ----------
    base_fog : float
        Density of unexposed, developed emulsion: of the rebate where the holder covered the
        emulsion, else the thinnest of the picture.
    base_fog_from : {"rebate", "picture"}
    d_min, d_max : float
        Thinnest and densest useful tone of the picture.
    density_range : float
        ``d_max - d_min``: what the printing paper has to take up.
    blue_range : float or None
        The same as blue light sees it, where stain makes it differ.
    thinnest : float
        What one place in fifty of the whole plate, rebate and flaws included, is thinner than.
    histogram : tuple of int
        Counts by 0.01 D from -0.2 D to 4.5 D, on the reduced picture.
    base_fog_spread : float or None
        How far the rebates vary along and among themselves, half from end to end; None where the
        picture stands in: then ``base_fog`` is an upper bound.
    base_fog_sigma, d_max_sigma, density_range_sigma : float or None
        Standard errors, that of base plus fog with its spread; None where not taken. What thin and
        dense places have in common is not taken off the range's: light drifts from place to place.
    d_max_at_least : float or None
        Where the densest tone is not told from darkness by two standard errors of everything: the
        density that it exceeds by as much. None where ``d_max`` itself is known.
    """

    base_fog: float
    base_fog_from: str
    d_min: float
    d_max: float
    density_range: float
    blue_range: float | None = None
    thinnest: float = 0.0
    histogram: tuple[int, ...] = ()
    base_fog_sigma: float | None = None
    d_max_sigma: float | None = None
    density_range_sigma: float | None = None
    d_max_at_least: float | None = None
    base_fog_spread: float | None = None

    @property
    def impossible(self) -> str:
        """Why these cannot be densities of a plate; "" where they can."""
        lowest = min(self.base_fog, self.d_min, self.thinnest)
        if lowest > -BELOW_NOTHING:
            return ""
        return (
            f"thinnest parts measure {lowest:.2f} D: nothing lets more "
            "light through than the bare light, so this is not a plate or the light is not its own"
        )

    def rounded(self) -> PlateDensities:
        """Return the same to 0.001 D, as a record states them."""
        values: dict[str, Any] = asdict(self)
        known = {key: rounded(v, 3) for key, v in values.items() if isinstance(v, float)}
        return PlateDensities(**(values | known))


def measure_densities(
    transmittance: NDArray[np.float32],
    valid: NDArray[np.bool_] | None = None,
    *,
    whole_plate: bool = True,
    blue_share: float = 0.0,
) -> PlateDensities:
    """Measure a plate from its straightened, reduced picture.

    Parameters
    ----------
    transmittance : ndarray of float32, shape (M, N)
        The plate alone, edge to edge; about ``MEASURED_LONG_SIDE`` pixels long.
    valid : ndarray of bool, shape (M, N), optional
        False where the sensor clipped.
    whole_plate : bool
        False where the picture is an uncropped capture: no rebate is looked for.
    blue_share : float
        Extra blue density per unit density, from the stain; 0 for neutral silver.

    Returns
    -------
    PlateDensities
    """
    density = density_from_transmittance(_despeckled(transmittance))
    where = _picture_area(density)
    picture = density[where].ravel() if valid is None else density[where][valid[where]]
    if picture.size < 16:
        picture = density.ravel()
    picture = _without_bare_glass(picture)
    d_min, d_max = (float(v) for v in np.quantile(picture, (THIN_SHARE, DENSE_SHARE)))
    rebate = _rebate_density(density, d_min) if whole_plate else None
    counts = np.histogram(picture, bins=BIN_EDGES)[0]
    return PlateDensities(
        base_fog=d_min if rebate is None else rebate[0],
        base_fog_from="picture" if rebate is None else "rebate",
        base_fog_spread=None if rebate is None else rebate[1],
        d_min=d_min,
        d_max=d_max,
        density_range=d_max - d_min,
        blue_range=(d_max - d_min) * (1 + blue_share) if blue_share else None,
        thinnest=float(np.quantile(density, 0.02)),
        histogram=tuple(int(n) for n in counts),
    )


def reduced(
    pixels: NDArray[np.float32], long_side: int = MEASURED_LONG_SIDE
) -> NDArray[np.float32]:
    """Return an area mean, at most ``long_side`` pixels long."""
    factor = max(1.0, max(pixels.shape[:2]) / long_side)
    size = (max(1, round(pixels.shape[1] / factor)), max(1, round(pixels.shape[0] / factor)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32)


def _despeckled(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    if min(picture.shape) < 16:
        return picture
    return np.asarray(cv2.medianBlur(np.ascontiguousarray(picture), 5))


def _picture_area(density: NDArray[np.float32]) -> tuple[slice, slice]:
    edge = round(MARGIN * min(density.shape))
    return slice(edge, density.shape[0] - edge), slice(edge, density.shape[1] - edge)


def _edge_strips(density: NDArray[np.float32]) -> list[NDArray[np.float32]]:
    """Return the strips along the four sides from the bevel of the glass inwards, depth first."""
    first, last = (max(1, round(share * min(density.shape))) for share in EDGE_STRIP)
    turned = (np.rot90(density, k) for k in range(4))
    return [side[first : max(last, first + 1), first:-first] for side in turned]


def _without_bare_glass(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Leave out bare glass where it is a flaw: under a tenth of the picture, emulsion beyond."""
    bare = picture < BARE_GLASS
    share = float(bare.mean())
    return picture[~bare] if 0 < share < 0.1 else picture


@dataclass(frozen=True, slots=True)
class Rebate:
    """An even strip along one side, and where it ends.

    Attributes
    ----------
    density, spread : float
        Its density and how far it varies along the side, D.
    depths : (float, float)
        Where the picture begins at the two ends of the side, pixels from the plate's edge; ends
        follow each other clockwise.
    """

    density: float
    spread: float
    depths: tuple[float, float] = (0.0, 0.0)


def _rebate_along(strip: NDArray[np.float32], d_min: float) -> Rebate | None:
    """Return the rebate along one side, if it ends in a straight step to a denser picture.

    Parameters
    ----------
    strip : ndarray of float32, shape (depth, length)
        Density from the side inwards, beyond where any rebate ends.
    d_min : float
        Thinnest useful tone of the picture.

    Notes
    -----
    A dark foreground is as thin and even as a rebate. What tells them apart is the holder's lip:
    the rebate stays even from the bevel inwards and ends at one depth, all along the side, within
    a pixel or two. Where the lip leaves shadows on both sides nothing shows, so the step need be
    seen on ``STEP_SHARE`` of the side only.
    """
    depth, length = strip.shape
    if depth < 6 or length < 40:
        return None
    blocks = np.array_split(np.arange(length), 40)
    # Medians over 1/40 of the side: dust, stains and numbers scratched in are smaller.
    tone = np.stack([np.median(strip[:, block], axis=1) for block in blocks], axis=1)
    ends = np.full(len(blocks), -1)
    base = np.zeros(len(blocks))
    for k, column in enumerate(tone.T):
        rise = column[2:] - column[:-2]  # over two pixels, what the reduction blurs a lip to
        steep = np.flatnonzero((rise > LIP) & (np.arange(depth - 2) >= 2))
        if len(steep):
            ends[k] = int(steep[0])
            base[k] = float(np.median(column[: ends[k] + 1]))
            even = np.ptp(np.quantile(column[: ends[k] + 1], (0.1, 0.9))) < EVEN_REBATE
            ends[k] = ends[k] if even and BARE_GLASS < base[k] < d_min + 0.02 else -1
    seen = np.flatnonzero(ends >= 0)
    if len(seen) < STEP_SHARE * len(blocks):
        return None
    line = _common_line(seen, ends[seen])
    fits = np.abs(ends[seen] - line[seen]) <= 1.5
    if np.count_nonzero(fits) < STEP_SHARE * len(blocks):
        return None
    centre = float(np.median(base[seen[fits]]))
    within = np.array(
        [np.median(column[: max(2, int(end))]) for column, end in zip(tone.T, line, strict=True)]
    )
    alike = np.abs(within - centre) < UNEVEN_FOG
    fits_at = seen[fits]
    fading = [_fading(tone[: ends[k] + 1, k]) for k in fits_at]
    if np.mean(alike) < ALIKE_SHARE or float(np.median(fading)) > STRUCK:
        return None
    spread = float(np.ptp(np.quantile(within[alike], (0.05, 0.95))) / 2)
    return Rebate(centre, spread, _lip(tone, fits_at, ends, base))


def _lip(
    tone: NDArray[np.float32],
    places: NDArray[np.int_],
    ends: NDArray[np.int_],
    base: NDArray[np.float64],
) -> tuple[float, float]:
    """Return where a rebate's end is halfway to the picture, at the first block and the last."""
    halfway = []
    for k in places:
        column = tone[ends[k] : ends[k] + LIP_REACH, k]
        rise = (column - base[k]) / max(float(column[-3:].mean() - base[k]), LIP)
        at = int(np.argmax(rise >= 0.5))
        before = float(rise[at - 1]) if at else 0.0
        halfway.append(ends[k] + at - (float(rise[at]) - 0.5) / max(float(rise[at]) - before, 0.1))
    depths = np.array(halfway)
    kept = np.ones(len(depths), bool)
    slope, start = 0.0, float(np.median(depths))
    for _ in range(3):
        if np.ptp(places[kept]) >= 10:
            slope, start = (float(v) for v in np.polyfit(places[kept], depths[kept], 1))
        kept = np.abs(depths - slope * places - start) <= 1.5
        if np.count_nonzero(kept) < 3:
            break
    return start, start + 39 * slope


def _fading(column: NDArray[np.float32]) -> float:
    """Return how much denser a rebate is towards the rim than inwards, past the glass's bevel."""
    n = len(column)
    outer = column[round(0.25 * n) : max(round(0.55 * n), round(0.25 * n) + 1)]
    inner = column[min(round(0.7 * n), n - 2) : max(round(0.95 * n), n - 1)]
    return float(np.median(outer) - np.median(inner))


def _common_line(places: NDArray[np.int_], ends: NDArray[np.int_]) -> NDArray[np.float64]:
    """Return the line that most of the ends lie on, at all 40 places."""
    best, most = np.zeros(40), np.intp(-1)
    for i, first in enumerate(places):
        for j in range(i + 5, len(places)):
            slope = (ends[j] - ends[i]) / (places[j] - first)
            line = ends[i] + slope * (np.arange(40) - first)
            count = np.count_nonzero(np.abs(ends - line[places]) <= 1.5)
            if count > most:
                best, most = line, count
    return best


def _rebates(density: NDArray[np.float32], d_min: float) -> list[Rebate | None]:
    """Return the rebates along top, right, bottom and left; None where no end of one shows."""
    first = max(1, round(EDGE_STRIP[0] * min(density.shape)))
    depth = round(DEEPEST_REBATE * min(density.shape))
    found = []
    for turn in range(4):
        side = np.rot90(density, turn)
        strip = side[first : first + depth, depth:-depth]
        rebate = _rebate_along(strip, d_min)
        if rebate is not None:
            # From the middles of the outermost of 40 blocks on to the side's own ends; seen with
            # the side on top, all four run clockwise.
            start, stop = (end + first + 0.5 for end in rebate.depths)
            beyond = (stop - start) / (39 / 40) * (depth / max(strip.shape[1], 1) + 1 / 80)
            rebate = replace(rebate, depths=(start - beyond, stop + beyond))
        found.append(rebate)
    return found


def picture_border(transmittance: NDArray[np.float32]) -> list[tuple[float, float] | None]:
    """Return where the picture begins along top, right, bottom and left.

    Parameters
    ----------
    transmittance : ndarray of float32, shape (M, N)
        The plate alone, edge to edge, reduced as for :func:`measure_densities`.

    Returns
    -------
    list of (float, float) or None
        Pixels from the plate's edge at the two ends of the side, clockwise. Both are the rim's
        width where the picture runs on to the edge of the glass; None where neither shows.
    """
    density = density_from_transmittance(_despeckled(transmittance))
    picture = _without_bare_glass(density[_picture_area(density)].ravel())
    d_min = float(np.quantile(picture, THIN_SHARE))
    sides = _rebates(density, d_min)
    known = [side.density for side in sides if side is not None]
    if not known:
        return [None] * 4
    rim = EDGE_STRIP[0] * min(density.shape)
    return [
        side.depths if side is not None else (rim, rim) if _is_picture(strip, min(known)) else None
        for side, strip in zip(sides, _edge_strips(density), strict=True)
    ]


def _is_picture(strip: NDArray[np.float32], fog: float) -> bool:
    """Tell whether what lies along a side is picture, from the rim of the glass on.

    It is nowhere as thin as the rebates, far denser or uneven along the side, and does not fade
    inwards, as a rebate does that light has struck.
    """
    blocks = np.array_split(strip[:OUTERMOST], 40, axis=1)
    outer = np.array([float(np.median(block)) for block in blocks])
    across = np.median(strip, axis=1)
    fading = float(across[:OUTERMOST].mean() - across.min())
    if np.mean(outer - fog < UNEVEN_FOG) > THIN_PLACES or fading > FADING:
        return False
    uneven = float(np.ptp(np.quantile(outer, (0.1, 0.9))))
    return bool(np.mean(outer - fog > DENSER) > ALIKE_SHARE or uneven > DENSER)


def _rebate_density(density: NDArray[np.float32], d_min: float) -> tuple[float, float] | None:
    """Return base plus fog as the rebates have it, and its uncertainty from their unevenness, D.

    Any side will do that shows the step to the picture, see `_rebate_along`; failing that three
    sides on each of whose strips ``REBATE_SHARE`` is even, thin and alike. A rebate that light has
    struck is denser: of several sides, those near the thinnest count.
    """
    known = [side for side in _rebates(density, d_min) if side is not None]
    if known:
        thinnest = min(side.density for side in known)
        near = [side for side in known if side.density < thinnest + UNEVEN_FOG]
        apart = float(np.ptp([side.density for side in near])) / 2
        if len(near) == 1:  # how fog varies away from it is not seen, or it may be struck as well
            next_side = min((s.density for s in known if s is not near[0]), default=thinnest)
            apart = max(ONE_SIDE, (next_side - thinnest) / 2)
        fog = float(np.mean([side.density for side in near]))
        return fog, float(np.hypot(apart, max(side.spread for side in near)))
    even = _even_on_three_sides(_edge_strips(density), d_min)
    return even


def _even_on_three_sides(
    strips: list[NDArray[np.float32]], d_min: float
) -> tuple[float, float] | None:
    """Return density and spread of an even rim, thinner than the picture, that three sides share.

    It must be emulsion (denser than bare glass), narrow in density, and fill ``REBATE_SHARE`` of
    the strips of three sides.
    """
    margin = np.concatenate([strip.ravel() for strip in strips])
    thin = margin[(margin > BARE_GLASS) & (margin < d_min + 0.02)]
    if thin.size == 0:
        return None
    counts, edges = np.histogram(thin, bins=BIN_EDGES)
    peak = int(np.argmax(np.convolve(counts, np.ones(3), mode="same")))
    centre = float(edges[peak] + BIN / 2)
    alike = [np.abs(strip - centre) < 0.04 for strip in strips]
    on = [k for k, near in enumerate(alike) if near.mean() >= REBATE_SHARE]
    if len(on) < 3:
        return None
    depths = [np.median(strips[k], axis=1) for k in on]
    if np.median([_fading(tones) for tones in depths]) > STRUCK:
        return None
    levels = [float(np.median(strips[k][alike[k]])) for k in on]
    fog = float(np.median(thin[np.abs(thin - centre) < 0.04]))
    return fog, float(np.ptp(levels)) / 2
