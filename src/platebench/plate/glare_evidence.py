"""Where a capture shows glare and nothing else: cards, masks, strips; and the room's own light.

Three captures tell a session's glare: a large opaque card on the bare box, best a little off the
middle, the same framing with the box off, and, for a card that may let light through, the card over
the whole box. What lies dark around a plate tells more of its own.

What is dark may be a plate. A mask or holder lies around the plate that was found; a strip is
narrower than half that plate and has bare light along both sides. No part of a plate is ever taken
for opaque: a dense, even sky looks just the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import BlankFrameError
from platebench.core.image import SensorFrame
from platebench.plate.finding.overview import Overview
from platebench.plate.finding.surround import BLACK, reduce_picture
from platebench.plate.flatten import check_light_fits
from platebench.plate.glare_model import (
    CARD,
    INDEPENDENT,
    NOTHING,
    OPAQUE,
    OWN_CARD,
    ROOM_SIGMA,
    DarkCells,
    Evidence,
    SessionGlare,
    fit_captures,
    posterior_of,
)
from platebench.plate.light import Dark, Light, exposure_ratio, linear_means, zero_level
from platebench.plate.smooth_field import grid_shape, smooth_cells

Doubles = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LONG_SIDE = 600  # pixels of the picture in which dark areas are looked for
_TILE = 6  # cells along a side
_LEAST_CELLS = 4  # in a tile
_CLIPPED = 0.001  # share of clipped sites that spoils a capture: what strays from there is unknown
_LONG_OFF = 8.0  # times the blank's exposure that a capture of the room should have at least
_ROOM_NOISE = 1e-5  # of the bare light: what a black level may be off by
_ROOM_MOST = 0.05  # of the bare light; more, and the box was on
_CARD_LEAST = 0.03  # of the frame that a card covers at least
_MARGIN = 0.03  # of the plate's size around it that is left out: bevels, shadows, bare gaps
_AS_DARK = 1.5  # times the darkest part of the plate: what passes more is not opaque
_AREAS_ALIKE = 3.0  # times the darkest area: glare differs less over a frame, papers more
_EVEN = 0.12  # relative scatter of cells about a smooth surface
_LOOKED_AT = 3000  # cells of an area
_EVEN_FLOOR = 2e-4  # of the bare light: scatter that is noise in any case
_STRIP_DARKEST = 0.02  # of the frame's mean light: no lens strays more
_STRIP_WIDEST = 0.5  # of the plate's short side: what is broader may be a plate
_BARE_ALONG = 0.7  # share of a strip's rim that is bare light
_BARE = 0.85  # of the bare light, beside a strip
_BENT, _BENT_FLOOR = 0.03, 2e-4  # noise of a cell of a card: relative, and of the bare light
_CROSSED, _CROSSED_FLOOR = 3.0, 0.002  # times the card's light, and of the bare light: its edge
_SMALLEST_SHARE = 0.001  # of the frame, connected


def bare_cells(light: Light) -> Doubles:
    """Return the blank on the grid of cells, mean 1 for every kind of site."""
    fields = light.fields.astype(np.float64) / _means(light)
    kinds = len(fields)
    return np.array(np.broadcast_to(fields, (kinds, *grid_shape(light.shape))))  # a scanner's is 1


def capture_cells(frame: SensorFrame, light: Light, dark: Dark | None) -> Doubles:
    """Return a capture's light on the blank's grid, over the mean light of the blank.

    Raises
    ------
    FrameMismatchError
        If the blank was not taken with the capture's own camera set-up.
    """
    check_light_fits(frame, light)
    counts = linear_means(frame).astype(np.float64) - zero_level(frame, dark)[:, None, None]
    return np.asarray(counts * exposure_ratio(light.info, frame.info) / _means(light))


def _means(light: Light) -> Doubles:
    """Return the mean of the blank, by kind of site, shape (kinds, 1, 1)."""
    means: Doubles = light.fields.mean(axis=(1, 2), dtype=np.float64)
    return means[:, None, None]


def session_glare(
    light: Light,
    dark: Dark | None,
    *,
    cards: Sequence[SensorFrame] = (),
    boxes_off: Sequence[SensorFrame] = (),
    cards_over: Sequence[SensorFrame] = (),
) -> SessionGlare:
    """Return what captures of a card and of the room say of a session's glare.

    Parameters
    ----------
    light : Light
        Of the blank frames.
    cards : sequence of SensorFrame
        A card on the bare box.
    boxes_off : sequence of SensorFrame
        The same framing, the box switched off.
    cards_over : sequence of SensorFrame
        The same card over the whole box.

    Raises
    ------
    BlankFrameError
        If one is clipped, or does not show what it is named as.
    FrameMismatchError
        If one was not taken as the blanks were.
    """
    notes: list[str] = []
    room = np.zeros(light.fields.shape, np.float64)
    evidence = NOTHING
    if len(boxes_off):
        room, remarks = _room(boxes_off, light, dark)
        notes += remarks
        evidence = _known_of(0, ROOM_SIGMA * float(room.mean()) + _ROOM_NOISE)
    of_room = evidence
    bare = bare_cells(light) - room
    captures = []
    for frames, over in ((cards, False), (cards_over, True)):
        for frame in frames:
            cells = capture_cells(frame, light, dark) - room
            captures.append(_card_cells(frame, cells.mean(axis=0), bare.mean(axis=0), over=over))
    if captures:
        if not len(cards_over):
            evidence = evidence + _known_of(CARD, OPAQUE)
        evidence = fit_captures(captures, evidence)
    return SessionGlare(
        evidence=evidence,
        found=posterior_of(evidence),
        of_room=of_room,
        room=room,
        card=len(cards),
        box_off=len(boxes_off),
        card_over=len(cards_over),
        notes=tuple(notes),
    )


def _room(
    frames: Sequence[SensorFrame], light: Light, dark: Dark | None
) -> tuple[Doubles, list[str]]:
    notes, seen = [], []
    for frame in frames:
        cells = capture_cells(frame, light, dark)
        if float(np.median(cells)) > _ROOM_MOST:
            raise BlankFrameError(
                frame.info.path,
                f"is named as taken with the box off but holds {np.median(cells):.0%} of its light",
                "switch the light box off and take it again, or remove it from [light] box_off",
            )
        _refuse_clipped(frame, "box_off")
        ratio = exposure_ratio(frame.info, light.info)
        if ratio < _LONG_OFF:
            notes.append(
                f"{frame.info.path.name}: exposed {ratio:.2g} times as long as the blank; 64 times "
                "would tell the light of the room from noise"
            )
        seen.append(cells)
    mean = np.mean(seen, axis=0).astype(np.float32)
    return np.maximum(smooth_cells(mean).astype(np.float64), 0.0), notes


def _known_of(unknown: int, sigma: float) -> Evidence:
    """Return that one of the unknowns is zero, give or take ``sigma``."""
    precision = np.zeros_like(NOTHING.precision)
    precision[unknown, unknown] = sigma**-2
    return replace(NOTHING, precision=precision)


def _refuse_clipped(frame: SensorFrame, key: str) -> None:
    if float(np.mean(frame.counts >= frame.white)) > _CLIPPED:
        raise BlankFrameError(
            frame.info.path,
            "is clipped: how much light strays from there cannot be known",
            f"take it again with a shorter exposure, or remove it from [light] {key}",
        )


def _card_cells(frame: SensorFrame, light: Doubles, bare: Doubles, *, over: bool) -> DarkCells:
    """Return the dark cells of a card, or of all of the frame where it covers the box."""
    key = "card_over" if over else "card"
    _refuse_clipped(frame, key)
    dark = np.asarray(light < BLACK * bare, bool)
    if not over:
        dark = largest_of(dark)
    # Cells that the card's edge crosses are no part of it, nor those beside them: means by kind of
    # site lean on neighbours.
    usual = float(np.median(light[dark])) if dark.any() else 0.0
    inner = dark if over else eroded(dark & (light < _CROSSED * usual + _CROSSED_FLOOR))
    least = 0.9 if over else _CARD_LEAST
    opaque = inner.any() and float(np.median(light[inner])) < _STRIP_DARKEST * float(bare.mean())
    if float(np.mean(dark)) < least or not opaque or not is_smooth(light / bare, inner):
        raise BlankFrameError(
            frame.info.path,
            "shows no opaque card" if not over else "is not covered by a card all over",
            "lay a large black card on the bare box, about the middle, and take it again"
            if not over
            else "cover the whole box with the card and take it again",
        )
    return dark_cells(light, bare, inner, card=CARD)


def largest_of(dark: Mask) -> Mask:
    """Return the largest connected area."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark.astype(np.uint8))
    if count < 2:
        return np.zeros_like(dark)
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])), bool)


def eroded(dark: Mask) -> Mask:
    """Return an area without its outermost cells, the frame's border not counted as one."""
    small = cv2.erode(dark.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=1)
    return np.asarray(small > 0, bool)


def dark_cells(light: Doubles, bare: Doubles, dark: Mask, *, card: int) -> DarkCells:
    """Return the dark parts of a capture in tiles; an area counts for a few at most."""
    tiles = np.zeros(dark.shape, np.intp)
    weights: list[float] = []
    blocks = np.indices(dark.shape) // _TILE
    block = blocks[0] * (dark.shape[1] // _TILE + 1) + blocks[1]
    count, areas = cv2.connectedComponents(dark.astype(np.uint8), connectivity=4)
    for area in range(1, count):
        members = areas == area
        numbers, sizes = np.unique(block[members], return_counts=True)
        kept = numbers[sizes >= _LEAST_CELLS]
        for number in kept:
            tiles[members & (block == number)] = len(weights) + 1
            weights.append(min(1.0, INDEPENDENT / len(kept)))
    size = len(weights)
    return DarkCells(
        light=light,
        bare=bare,
        tiles=tiles,
        weight=np.array(weights, np.float64),
        noise=_cell_noise(light, tiles > 0),
        through=np.zeros(size),
        slope=np.zeros(size),
        sigma=np.zeros(size),
        card=card,
    )


def is_smooth(light: Doubles, where: Mask) -> bool:
    """Tell whether an area holds no detail: glare may slope, and ghosts are soft; pictures bend."""
    usual = float(np.median(light[where]))
    return _cell_noise(light, where) < _BENT * usual + _BENT_FLOOR


def _cell_noise(light: Doubles, dark: Mask) -> float:
    """Return the noise of a cell, from what bends between neighbours in dark areas."""
    whole = dark[:, :-2] & dark[:, 1:-1] & dark[:, 2:]
    bends = np.diff(light, 2, axis=1)[whole]
    if bends.size < _LEAST_CELLS:
        return _EVEN_FLOOR
    # [1, -2, 1] has six times the variance; 0.4549 is the median of a squared normal deviate.
    return float(np.sqrt(np.median(np.square(bends)) / 0.4549 / 6))


def own_dark_cells(
    seen: Overview,
    bare: Doubles,
    room: Doubles,
    corners: Doubles,
    *,
    masked: bool,
    level: float,
    others: Sequence[Doubles] = (),
) -> DarkCells | None:
    """Return what is opaque around a plate: its mask or holder, or strips laid beside it.

    Parameters
    ----------
    seen : Overview
        Transmittance of the whole capture.
    bare, room : ndarray of float64, shape (rows, columns)
        Blank and the room's light on the grid of cells.
    corners : ndarray of float64, shape (4, 2)
        The plate's, in the capture.
    masked : bool
        Whether the plate lies in a mask or holder.
    level : float
        Transmittance of the bare light.
    others : sequence of ndarray of float64, shape (4, 2)
        Corners of other plates in the capture.
    """
    picture = seen.image
    small, block = reduce_picture(
        picture.pixels, _LONG_SIDE, period=int(np.lcm(*picture.pattern.shape))
    )
    cells = small.astype(np.float64)
    places = [(seen.places(outline) + 0.5) / block - 0.5 for outline in (corners, *others)]
    where = _opaque(cells / level, places, masked=masked)
    # Area means: those by kind of site lean on neighbours, which are bright beside a strip.
    light, share = (
        cv2.resize(plane, (bare.shape[1], bare.shape[0]), interpolation=cv2.INTER_AREA)
        for plane in (cells, where.astype(np.float64))
    )
    dark = np.asarray(share > 0.99, bool)
    found = dark_cells(np.asarray(light * bare - room), bare - room, dark, card=OWN_CARD)
    return found if len(found.weight) else None


def _opaque(cells: Doubles, outlines: Sequence[Doubles], *, masked: bool) -> Mask:
    """Return which cells lie outside all plates, on something even and as dark as it gets.

    The first outline is that of the plate that is asked about.
    """
    outside = np.ones(cells.shape, np.uint8)
    for corners in outlines:
        centre = corners.mean(axis=0)
        grown = centre + (corners - centre) * (1 + 2 * _MARGIN)
        cv2.fillConvexPoly(outside, np.rint(grown[:, ::-1] * 16).astype(np.int32), 0, shift=4)
    corners = outlines[0]
    black = ((cells < BLACK) & (outside > 0)).astype(np.uint8)
    inner = np.asarray(cv2.erode(black, np.ones((5, 5), np.uint8), borderValue=1), np.uint8)
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(inner, connectivity=4)
    areas = []
    for k in range(1, count):
        where = labels == k
        if stats[k, cv2.CC_STAT_AREA] < _SMALLEST_SHARE * cells.size or not _is_even(cells, where):
            continue
        if masked or _is_strip(cells, where, float(sides.min())):
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


def _is_even(cells: Doubles, where: Mask) -> bool:
    """Tell whether an area is smooth: glare has no detail."""
    places = np.argwhere(where)
    places = places[:: max(1, len(places) // _LOOKED_AT)]
    values = cells[tuple(places.T)]
    y, x = (places / np.array(cells.shape) * 2 - 1).T
    terms = np.stack([np.ones_like(y), y, x, y * y, x * y, x * x], axis=1)
    fit = np.linalg.lstsq(terms, values, rcond=None)[0]
    scatter = 1.4826 * float(np.median(np.abs(values - terms @ fit)))
    return scatter < _EVEN * float(np.median(values)) + _EVEN_FLOOR


def _is_strip(cells: Doubles, where: Mask, plate_side: float) -> bool:
    """Tell a strip of card on bare light from a second plate, or a dense part of one."""
    if float(np.median(cells[where])) > _STRIP_DARKEST * float(cells.mean()):
        return False
    points = np.argwhere(where)[:, ::-1].astype(np.int32)
    width = min(cv2.minAreaRect(points)[1]) + 5
    if width > _STRIP_WIDEST * plate_side:
        return False
    near, far = (
        cv2.dilate(where.astype(np.uint8), np.ones((n, n), np.uint8)) for n in (9, 13)
    )  # erosion took two cells; the lens blurs another
    rim = (far > 0) & (near == 0)
    return float(np.mean(cells[rim] > _BARE)) > _BARE_ALONG


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LitScene:
    """A capture on the grid of cells, with what is known of its glare.

    Attributes
    ----------
    cells, bare, room : ndarray of float64, shape (kinds, rows, columns)
        The capture, the bare box and the room's light, over the mean bare light.
    shape : (int, int)
        Rows and columns of the capture.
    known : Evidence
        Of the session's own captures.
    proven : bool
        Whether a card is among them.
    """

    cells: Doubles
    bare: Doubles
    room: Doubles
    shape: tuple[int, int]
    known: Evidence
    proven: bool

    def cell_of(self, place: Doubles) -> tuple[int, int]:
        """Return the cell in which a place of the capture, ``(row, column)``, lies."""
        grid = self.bare.shape[1:]
        at = ((place + 0.5) / self.shape * grid).astype(int)
        row, column = (int(np.clip(n, 0, most - 1)) for n, most in zip(at, grid, strict=True))
        return row, column


def lit_scene(seen: Overview, light: Light) -> LitScene:
    """Return a capture that was flattened by a light, on the grid of cells."""
    bare = bare_cells(light)
    session = light.glare
    return LitScene(
        cells=seen.cells * bare,
        bare=bare,
        room=np.zeros_like(bare) if session is None else session.room,
        shape=seen.shape,
        known=NOTHING if session is None else session.evidence,
        proven=session is not None and session.card > 0,
    )


def tablet_cells(
    scene: LitScene,
    places: Doubles,
    light: Doubles,
    light_sigma: Doubles,
    known: Doubles,
    known_sigma: Doubles,
    callier: tuple[float, float],
) -> DarkCells:
    """Return the steps of a tablet as parts of a capture whose light is known.

    Parameters
    ----------
    places : ndarray of float64, shape (n, 2)
        Middle of each step, ``(row, column)``.
    light, light_sigma : ndarray of float64, shape (n,)
        Transmittance as it was read.
    known, known_sigma : ndarray of float64, shape (n,)
        Diffuse density of the steps, D.
    callier : (float, float)
        Callier factor, about, and its error.
    """
    grey, bare, room = (plane.mean(axis=0) for plane in (scene.cells, scene.bare, scene.room))
    cells = [scene.cell_of(place) for place in places]
    kept = [n for n, cell in enumerate(cells) if cell not in cells[:n]]
    tiles = np.zeros(grey.shape, np.intp)
    for number, n in enumerate(kept, 1):
        tiles[cells[n]] = number
    held = np.array([bare[cells[n]] for n in kept])
    through = 10 ** (-callier[0] * known[kept])
    ln10 = float(np.log(10))
    return DarkCells(
        light=grey - room,
        bare=bare - room,
        tiles=tiles,
        weight=np.full(len(kept), min(1.0, INDEPENDENT / len(kept))),
        noise=0.0,
        through=through,
        slope=through * ln10 * known[kept] * callier[1],
        sigma=np.hypot(through * ln10 * callier[0] * known_sigma[kept], light_sigma[kept]),
        card=None,
        read=light[kept] * held - np.array([room[cells[n]] for n in kept]),
    )
