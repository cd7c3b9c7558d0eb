"""Tiles laid over each other by their layout: one picture, written band by band.

Where tiles overlap, each counts by how far it is from its own rim, so that nothing steps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.bands import bands
from platebench.plate.densities import TOP_TRANSMITTANCE, code_from_transmittance
from platebench.plate.joining.box_dust import HALO, dust_in, specks_in, without_dust
from platebench.plate.joining.fit import Layout
from platebench.plate.joining.refine import inside

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]
Codes = NDArray[np.uint16]

CLIPPED = np.uint16(65535)  # code of a place without a reading
_ROWS = 128
_NODE = 32  # pixels between places that are mapped exactly
_RIM = 2.0  # pixels of a tile that are not used: half a kernel
_SCALE = np.float32(math.sqrt(TOP_TRANSMITTANCE) / 65535)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """The part of the plate that is written: first row and column, rows and columns.

    Attributes
    ----------
    trimmed : float
        The widest strip that is left out at a side, since not all of it is shown, over the height
        or width of a tile.
    hole : float
        What no tile shows inside it, in tiles.
    """

    top: int
    left: int
    shape: tuple[int, int]
    trimmed: float
    hole: float


def cut_of_layout(layout: Layout) -> Cut:
    """Return the largest upright part that tiles cover, found from the outside in."""
    step = max(2, max(max(shape) for shape in layout.shapes) // 250)
    rims = np.concatenate(
        [layout.to_plate(tile, _rim(shape)) for tile, shape in enumerate(layout.shapes)]
    )
    low, high = rims.min(axis=0), rims.max(axis=0)
    xs, ys = (np.arange(low[k], high[k] + step, step) for k in range(2))
    covered = np.zeros((len(ys), len(xs)), bool)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    for tile, shape in enumerate(layout.shapes):
        covered |= inside(layout.to_tile(tile, grid), shape, _RIM).reshape(covered.shape)
    top, left, bottom, right = 0, 0, len(ys), len(xs)
    while bottom - top > 1 and right - left > 1:
        sides = {
            "top": covered[top, left:right],
            "bottom": covered[bottom - 1, left:right],
            "left": covered[top:bottom, left],
            "right": covered[top:bottom, right - 1],
        }
        bare = {name: float(np.mean(~side)) for name, side in sides.items()}
        worst = max(bare, key=lambda name: bare[name])
        if bare[worst] == 0:
            break
        top += worst == "top"
        left += worst == "left"
        bottom -= worst == "bottom"
        right -= worst == "right"
    kept = covered[top:bottom, left:right]
    rows, columns = (float(np.mean([shape[k] for shape in layout.shapes])) for k in range(2))
    trimmed = max(top, len(ys) - bottom) * step / rows, max(left, len(xs) - right) * step / columns
    first_x, first_y = math.ceil(xs[left]), math.ceil(ys[top])
    last_x, last_y = math.floor(xs[right - 1]), math.floor(ys[bottom - 1])
    return Cut(
        top=first_y,
        left=first_x,
        shape=(last_y - first_y + 1, last_x - first_x + 1),
        trimmed=max(trimmed),
        hole=float(np.sum(~kept)) * step**2 / (rows * columns),
    )


def _rim(shape: tuple[int, int]) -> Doubles:
    """Return places around the rim of a tile, ``(x, y)``, shape (4 n, 2)."""
    along = np.linspace(0, 1, 9)
    rim = np.concatenate(
        [
            np.stack([along, np.zeros(9)], axis=1),
            np.stack([along, np.ones(9)], axis=1),
            np.stack([np.zeros(9), along], axis=1),
            np.stack([np.ones(9), along], axis=1),
        ]
    )
    return np.asarray(rim * [shape[1] - 1, shape[0] - 1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """What one tile shows of a band: its columns, light and weight."""

    columns: slice
    light: Floats
    weight: Floats


def blend(
    layout: Layout,
    gains: Doubles,
    tiles: Sequence[Codes],
    clipped: Sequence[bool],
    cut: Cut,
    write: Callable[[Codes], None],
) -> int:
    """Write the joined picture, band after band of codes; return the specks of dust left out.

    Parameters
    ----------
    gains : ndarray of float64, shape (n,)
        Light of each tile over the mean of all.
    tiles : sequence of ndarray of uint16
        Codes of each tile's transmittance.
    clipped : sequence of bool
        Whether a tile has places without a reading.
    write : callable
        Takes the codes of some rows.
    """
    extents = []
    for tile, shape in enumerate(layout.shapes):
        rim = layout.to_plate(tile, _rim(shape)) - (cut.left, cut.top)
        extents.append((rim.min(axis=0) - 1, rim.max(axis=0) + 1))
    specks = 0
    for start, stop in bands(cut.shape[0], _ROWS):
        low_row, high_row = max(0, start - HALO), min(cut.shape[0], stop + HALO)
        layers = []
        for tile, (low, high) in enumerate(extents):
            left, right = max(0, math.floor(low[0])), min(cut.shape[1], math.ceil(high[0]))
            if high[1] < low_row or low[1] >= high_row or right <= left:
                continue
            box = low_row, high_row, left, right
            layer = _layer(layout, tile, tiles[tile], clipped[tile], cut, box)
            if layer is not None:
                light = layer.light * np.float32(1 / gains[tile])
                layers.append(Layer(columns=layer.columns, light=light, weight=layer.weight))
        rows = slice(start - low_row, stop - low_row)
        layers, here = _dusted(layers, (high_row - low_row, cut.shape[1]), rows)
        specks += here
        write(_laid_over(layers, (stop - start, cut.shape[1]), tiles[0].shape[2:]))
    return specks


def _dusted(
    layers: Sequence[Layer], shape: tuple[int, int], rows: slice
) -> tuple[list[Layer], int]:
    """Return some rows of layers, dust that another tile does not show left out, and its count."""
    greys = [one.light if one.light.ndim == 2 else one.light[..., 1] for one in layers]
    seen = [(one.columns, grey, one.weight) for one, grey in zip(layers, greys, strict=True)]
    masks = dust_in(seen, shape)
    kept = [
        Layer(
            columns=one.columns,
            light=one.light[rows],
            weight=(without_dust(one.weight, mask) if mask.any() else one.weight)[rows],
        )
        for one, mask in zip(layers, masks, strict=True)
    ]
    return kept, sum(specks_in(mask, (rows.start, rows.stop)) for mask in masks)


def _laid_over(layers: Sequence[Layer], size: tuple[int, int], more: tuple[int, ...]) -> Codes:
    light, weight = np.zeros((*size, *more), np.float32), np.zeros(size, np.float32)
    for layer in layers:
        share = layer.weight if not more else layer.weight[..., None]
        light[:, layer.columns] += layer.light * share
        weight[:, layer.columns] += layer.weight
    shown = weight > 0
    np.divide(
        light,
        weight if not more else weight[..., None],
        out=light,
        where=shown if not more else shown[..., None],
    )
    codes = code_from_transmittance(light.reshape(size[0], -1)).reshape(light.shape)
    np.minimum(codes, CLIPPED - 1, out=codes)
    codes[~shown] = CLIPPED
    return codes


def _layer(
    layout: Layout,
    tile: int,
    codes: Codes,
    clipped: bool,
    cut: Cut,
    box: tuple[int, int, int, int],
) -> Layer | None:
    """Return what a tile shows of rows and columns of the cut; None where it shows nothing."""
    start, stop, left, right = box
    there = tile_places(
        layout, tile, (cut.top + start, cut.left + left), (stop - start, right - left)
    )
    rows, columns = layout.shapes[tile]
    across, down = there
    rim = np.minimum(
        np.minimum(across, np.float32(columns - 1) - across),
        np.minimum(down, np.float32(rows - 1) - down),
    )
    weight = np.maximum(rim - np.float32(_RIM), 0)
    if not weight.any():
        return None
    used = weight > 0
    shown = used.any(axis=0)
    first, last = int(np.argmax(shown)), len(shown) - int(np.argmax(shown[::-1]))
    keep = slice(first, last)
    across, down, weight, used = (
        np.ascontiguousarray(a[:, keep]) for a in (across, down, weight, used)
    )
    low_y = max(0, int(down[used].min()) - 3)
    high_y = min(rows, int(down[used].max()) + 5)
    low_x = max(0, int(across[used].min()) - 3)
    high_x = min(columns, int(across[used].max()) + 5)
    part = np.ascontiguousarray(codes[low_y:high_y, low_x:high_x])
    across -= np.float32(low_x)
    down -= np.float32(low_y)
    seen = cv2.remap(part, across, down, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    light = seen.astype(np.float32)
    light *= _SCALE
    light *= light
    if clipped:
        lost = (part if part.ndim == 2 else part.max(axis=2)) == CLIPPED
        if lost.any():
            near = cv2.dilate(lost.view(np.uint8), np.ones((3, 3), np.uint8))
            weight[
                cv2.remap(near, across, down, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
                > 0
            ] = 0
    return Layer(columns=slice(left + first, left + last), light=light, weight=weight)


def tile_places(
    layout: Layout, tile: int, origin: tuple[int, int], size: tuple[int, int]
) -> tuple[Floats, Floats]:
    """Return where pixels of the whole lie in a tile: ``x`` and ``y``, shape ``size`` each.

    Exact every ``_NODE`` pixels, straight lines in between.
    """
    down = np.arange(-(-size[0] // _NODE) + 1) * _NODE
    across = np.arange(-(-size[1] // _NODE) + 1) * _NODE
    nodes = np.stack(np.meshgrid(across + origin[1], down + origin[0]), axis=-1)
    there = layout.to_tile(tile, nodes.reshape(-1, 2).astype(np.float64)).reshape(nodes.shape)
    x, y = (_between(there[..., k].astype(np.float32), size) for k in range(2))
    return x, y


def _between(nodes: Floats, size: tuple[int, int]) -> Floats:
    columns = np.arange(size[1])
    at, part = columns // _NODE, (columns % _NODE / _NODE).astype(np.float32)
    wide = nodes[:, at] + (nodes[:, at + 1] - nodes[:, at]) * part
    rows = np.arange(size[0])
    at, part = rows // _NODE, (rows % _NODE / _NODE).astype(np.float32)[:, None]
    return np.asarray(wide[at] + (wide[at + 1] - wide[at]) * part, np.float32)
