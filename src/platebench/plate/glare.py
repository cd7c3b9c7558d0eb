"""Glare of one capture: what is known of it, and how it comes off.

The model is in :mod:`platebench.plate.glare_model`; what it was fitted to, in
:mod:`platebench.plate.glare_evidence`. Where nothing dark shows how much light strays, nothing is
taken off, and a bound says how much there can be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.bands import BandStep
from platebench.plate.finding.overview import Overview
from platebench.plate.glare_evidence import lit_scene, own_dark_cells
from platebench.plate.glare_model import (
    AROUND_MISFIT,
    BESIDE_MISFIT,
    MISFIT_TOLD,
    NOTHING,
    OWN_CARD,
    PREDICTED_MISFIT,
    PRIOR,
    DarkCells,
    Evidence,
    GlareOff,
    fit_captures,
    foretold,
    glare_off,
    posterior_of,
    stands_out,
)
from platebench.plate.light import Light
from platebench.plate.smooth_field import row_field, site_classes

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

CARD_DENSITY = 3.5  # D of a mask, holder or strip, about; see docs/brackets-and-glare.md
MOST_SHARE = 0.015  # of a frame's mean light: no lens in order strays more
_MARGIN_OF_BOUND = 1.3  # glare in the middle of a frame over its mean
_DARKEST = 0.005  # quantile of a frame's cells
_LEAST_OF_FORETOLD, _MOST_OF_FORETOLD = 0.5, 1.6  # glare read over glare foretold by a card
_APART = 2.8  # standard errors by which the two differ at least where a card was another lens's
_WORTH = 0.5  # glare over its error, from which on it is taken off
_ROWS_OF_CELL = 1 / 8  # taken together, of the rows of a cell
_NEAR_BORDER = 1 / 20  # of the frame: what is read there is glare that the plate does not have


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glare:
    """Veiling glare of one capture.

    Attributes
    ----------
    share : float
        Over the plate, of the bare light.
    sigma : float
        Its standard error where the plate lets nothing through.
    sources : tuple of str
        What it was read on: "card", "tablet", "black mask", "holder", "opaque strip".
    error : ndarray of float64, shape (3, rows, columns)
        On a grid over the frame, ``var T = error[0] - 2 T error[1] + T^2 error[2]``.
    off : GlareOff
        What takes it off.
    demanded : bool
        Whether what is dark cannot be explained without glare, by cards that are not opaque.
    doubts : tuple of str
        Where it does not follow the model, in plain words.
    """

    share: float
    sigma: float
    sources: tuple[str, ...]
    error: Doubles
    off: GlareOff
    demanded: bool = True
    doubts: tuple[str, ...] = ()

    @property
    def shows(self) -> bool:
        """Whether it is there, and densities are nearer to the truth once it is taken off.

        Stated errors are generous: where the model fails, nothing tells by how much elsewhere.
        """
        return self.demanded and self.share > _WORTH * self.sigma

    @property
    def source(self) -> str:
        """What it was read on, in words."""
        return " and ".join(self.sources)

    def error_at(self, place: tuple[float, float] | None) -> tuple[float, float, float]:
        """Return the three terms of the variance at a place, a share of height and width.

        None: their mean over the frame's middle.
        """
        rows, columns = self.error.shape[1:]
        if place is None:
            middle = self.error[:, rows // 4 : -(rows // 4) or None, columns // 4 : -(columns // 4)]
            first, second, third = (float(term.mean()) for term in middle)
            return first, second, third
        row, column = (
            min(max(int(share * n), 0), n - 1)
            for share, n in zip(place, (rows, columns), strict=True)
        )
        first, second, third = (float(value) for value in self.error[:, row, column])
        return first, second, third


def glare_from_opaque(transmittance: float) -> float:
    """Return the share g, of the bare light, that makes something opaque measure ``transmittance``.

    ``T_measured = (T + g) / (1 + g)`` with T = 0, solved for g (J. J. McCann and A. Rizzi,
    "Veiling glare: the dynamic range limit of HDR images", J. Soc. Inf. Display 2007).

    Examples
    --------
    >>> round(glare_from_opaque(0.005 / 1.005), 6)
    0.005
    """
    measured = min(max(transmittance, 0.0), 0.999)
    return measured / (1 - measured)


def density_with_glare(density: float, glare: float) -> float:
    """Return the density that is measured in place of ``density``.

    Examples
    --------
    >>> round(density_with_glare(3.0, 0.005), 2)
    2.22
    """
    return -math.log10((10**-density + glare) / (1 + glare))


def density_without_glare(density: float, glare: float) -> float:
    """Return the density that is measured as ``density``; infinite where all of it may be glare.

    Examples
    --------
    >>> round(density_without_glare(2.22, 0.005), 1)
    3.0
    """
    through = 10**-density * (1 + glare) - glare
    return math.inf if through <= 0 else -math.log10(through)


def interval_in_words(bound: float) -> str:
    """Return what densities as read may be, where so much glare is left on them.

    Examples
    --------
    >>> interval_in_words(0.005)
    'D 1.00 as read may be up to 1.02, 1.50 up to 1.57, 2.00 up to 2.30'
    """
    parts = []
    for read in (1.0, 1.5, 2.0):
        most = density_without_glare(read, bound)
        told = f"up to {most:.2f}" if most < 4 else "any density above"
        parts.append(f"{read:.2f} {told}")
    return ("D " + ", ".join(parts)).replace(" up to", " as read may be up to", 1)


def glare_bound(seen: Overview, level: float = 1.0) -> float:
    """Return the most that glare can be where nothing dark shows it, share of the bare light.

    Lenses stray up to 1.5 % of the frame's light, and there is no more than the darkest places
    show. The bound held for 89 % of the patches of six simulated sessions.
    """
    cells = seen.cells.mean(axis=0, dtype=np.float64) / level
    mean = float(np.clip(cells, 0, 1).mean())
    darkest = max(float(np.quantile(cells, _DARKEST)), 0.0)
    return _MARGIN_OF_BOUND * min(MOST_SHARE * mean, darkest)


def measure_glare(
    seen: Overview,
    light: Light,
    *,
    corners: Doubles | None,
    surround: str,
    others: Sequence[Doubles] = (),
    level: float = 1.0,
    card_density: float = CARD_DENSITY,
    tablet: Evidence | None = None,
) -> Glare | None:
    """Return the glare of a capture by all that tells of it.

    Parameters
    ----------
    seen : Overview
        Transmittance of the whole capture.
    light : Light
        What it was divided by, with what the session's own captures say of its glare.
    corners : ndarray of float64, shape (4, 2), or None
        The plate's, ``(row, column)``; None where what lies beside it is not to be read.
    surround : {"bright", "dark", "holder", "none"}
        What lies around it, see ``FoundPlate``.
    others : sequence of ndarray of float64, shape (4, 2)
        Other plates in the capture, which are neither mask nor strip.
    level : float
        Transmittance of the bare light box on this scale.
    card_density : float
        Density of a mask, holder or strip, about: what it lets through is not glare.
    tablet : Evidence or None
        What a step tablet in the same light says.

    Returns
    -------
    Glare or None
        None where nothing dark shows it.
    """
    session, scene = light.glare, lit_scene(seen, light)
    known, proven = scene.known, scene.proven
    sources = ["card"] if session is not None and (session.card or session.card_over) else []
    if tablet is not None:
        known = known + tablet
        sources.append("tablet")
    cells, bare, room = scene.cells, scene.bare, scene.room
    masked = surround in ("dark", "holder")
    own, doubts = None, []
    if corners is not None:
        box, lamp = (plane.mean(axis=0) for plane in (bare, room))
        own = own_dark_cells(seen, box, lamp, corners, masked=masked, level=level, others=others)
    if own is not None:
        name = {"dark": "black mask", "holder": "holder"}.get(surround, "opaque strip")
        if session is not None and proven:
            ratio, apart = foretold(own, session.found if tablet is None else posterior_of(known))
            most = _MOST_OF_FORETOLD + _card_over_glare(own, card_density)
            if apart > _APART and not _LEAST_OF_FORETOLD < ratio < most:
                doubts.append(
                    f"the {name} shows {ratio:.1f} times the glare that the session's card "
                    "foretells, so that it alone is gone by: was the lens, its aperture or the "
                    "mask another?"
                )
                known, proven, sources = session.of_room, False, []
        if proven and not masked:
            own = None  # what a strip lets through is less sure than what the card foretells
    if own is not None:
        sources.append(name)
        known = fit_captures([own], known + _about(card_density))
        if not masked and _near_border(own.tiles):
            doubts.append(
                "the opaque strip lies at the border of the frame, where it reads glare that the "
                "plate does not have: lay it nearer to the plate"
            )
    if not sources:
        return None
    alone = session is not None and known is session.evidence
    found = session.found if session is not None and alone else posterior_of(known)
    around = AROUND_MISFIT if own is not None and masked else BESIDE_MISFIT
    off = glare_off(
        cells,
        bare,
        room,
        found,
        known.misfit,
        left_over=known.left_over,
        seen=own is not None,
        predicted=PREDICTED_MISFIT if proven else around,
    )
    if known.misfit > MISFIT_TOLD:
        doubts.append(
            f"glare does not follow its model here: {known.misfit:.0%} of it is left over"
        )
    inside = _within(off.share.shape, seen.shape, corners)
    return Glare(
        share=float(off.share[inside].mean()),
        sigma=float(np.sqrt(off.error[0][inside].mean())),
        sources=tuple(sources),
        error=off.error,
        off=off,
        demanded=stands_out(known, room),
        doubts=tuple(doubts),
    )


def _about(card_density: float) -> Evidence:
    """Return that a plate's own card lets about so much through, give or take all of it."""
    precision = np.zeros_like(NOTHING.precision)
    # In place of the general prior, which the posterior adds.
    precision[OWN_CARD, OWN_CARD] = (10**-card_density) ** -2 - PRIOR[OWN_CARD] ** -2
    return replace(NOTHING, precision=precision)


def _card_over_glare(own: DarkCells, card_density: float) -> float:
    """Return what a card may let through, over what is dark there."""
    dark = float(np.median(own.light[own.tiles > 0]))
    bare = float(np.median(own.bare[own.tiles > 0]))
    passed = 3 * 10**-card_density * bare
    return passed / max(dark - passed, 0.1 * dark, 1e-9)


def _near_border(tiles: NDArray[np.intp]) -> bool:
    """Tell whether all that is dark lies in the outermost twentieth of the frame."""
    rim = max(1, round(_NEAR_BORDER * max(tiles.shape)))
    return not bool((tiles[rim:-rim, rim:-rim] > 0).any())


def _within(
    grid: tuple[int, ...], shape: tuple[int, int], corners: Doubles | None
) -> NDArray[np.bool_]:
    """Return which cells of a grid lie on the plate; all but the border's where it is not known."""
    inside = np.zeros(grid, np.uint8)
    if corners is not None:
        places = (corners + 0.5) * (np.array(grid) / np.array(shape)) - 0.5
        cv2.fillConvexPoly(inside, np.rint(places[:, ::-1]).astype(np.int32), 1)
    if not inside.any():
        inside[grid[0] // 8 : -(grid[0] // 8) or None, grid[1] // 8 : -(grid[1] // 8) or None] = 1
    return np.asarray(inside > 0, bool)


def rows_together(off: GlareOff, shape: tuple[int, int]) -> int:
    """Return how many rows, from the top of the frame, share what is taken off them."""
    return max(1, int(_ROWS_OF_CELL * shape[0] / off.gain.shape[1]))


def glare_step(
    off: GlareOff, pattern: NDArray[np.uint8], shape: tuple[int, int], *, channels: int = 1
) -> BandStep:
    """Return a function that takes the glare off a band of rows: ``T = gain T + offset``.

    In linear light and in the band itself. Noise may carry the result below 0; it is kept.

    Parameters
    ----------
    pattern : ndarray of uint8, shape (p, q)
        Filter pattern of the frame.
    shape : (int, int)
        Rows and columns of the whole frame.
    channels : {1, 3}
        Values a site; the band's rows hold them side by side.
    """
    classes = site_classes(pattern)
    gains, offsets = (
        row_field(field.astype(np.float32), classes, shape, channels=channels)
        for field in (off.gain, off.offset)
    )
    phases = len(gains.tables)
    together = rows_together(off, shape)

    def take_off(band: Floats, start: int, stop: int) -> None:
        for group in range(start // together, -(-stop // together)):
            top, bottom = max(start, group * together), min((group + 1) * together, stop)
            at = (group + 0.5) * together  # whatever band is asked for
            for row in range(top, min(top + phases, bottom)):
                part = band[row - start : bottom - start : phases]
                part *= gains.row_at(at, row)
                part += offsets.row_at(at, row)

    return take_off
