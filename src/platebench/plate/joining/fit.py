"""Where each tile lies on the plate: one fit of all places that two tiles show.

A tile lies somewhere, turned a little, at a scale of its own (the stand's height) and tilted by a
hair; the lens bends and the camera's tilt to the bed are the same for all tiles. Without the lens a
fit of shifts and turns is off by pixels where four tiles meet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from platebench.plate.joining.pair import Link

Doubles = NDArray[np.float64]

OWN = 6  # of a tile: x, y, turn, scale, tilt across, tilt down
SHARED = 7  # of lens and stand: three radial terms, keystone and decentring, two each
_ROUNDS = 25
_FAR = 2.0  # halves of a tile's long side from its middle; nothing of it lies there
_MOST_OWN, _MOST_SHARED = 0.05, 0.1  # no stand and no lens does more; too few places might
_STILL = 1e-4  # pixels
_MEAN_SCALE = 1e8  # how firmly the mean of the logarithms of scales is held at 0
# Standard deviations, as displacements at the end of the frame's long side, in shares of its half.
_SCALE, _TILT = 0.005, 4e-4
_LENS = (0.01, 0.003, 0.003, 0.003, 0.003, 0.001, 0.001)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Where tiles lie.

    Attributes
    ----------
    shapes : tuple of (int, int)
        Rows and columns of each tile.
    own : ndarray of float64, shape (n, 6)
        Of each tile: place of its middle ``x, y`` in pixels of the whole, turn (radians),
        logarithm of its scale, tilt across and down.
    shared : ndarray of float64, shape (7,)
        Of the lens: radial terms of the third, fifth and seventh order, keystone
        across and down, decentring (D. C. Brown, "Decentering distortion of lenses",
        Photogrammetric Engineering, 1966; from memory).
    """

    shapes: tuple[tuple[int, int], ...]
    own: Doubles
    shared: Doubles

    def to_plate(self, tile: int, places: Doubles) -> Doubles:
        """Return where places ``(x, y)`` of a tile, shape (n, 2), lie on the plate."""
        return placed(self.own[tile], self.shared, self.shapes[tile], places)

    def to_tile(self, tile: int, places: Doubles) -> Doubles:
        """Return where places of the plate lie in a tile; what is far outside stays outside."""
        x, y, turn, log_scale, across, down = self.own[tile]
        middle, half = _middle_and_half(self.shapes[tile])
        cos, sin = np.cos(turn), np.sin(turn)
        flat = (places - (x, y)) / (half * np.exp(log_scale))
        u = flat[:, 0] * cos + flat[:, 1] * sin
        v = flat[:, 1] * cos - flat[:, 0] * sin
        key_across, key_down = self.shared[3:5]
        p, q = across + key_across, down + key_down
        level = 1 / (1 - p * u - q * v)
        bent = np.clip(np.stack([u * level, v * level], axis=1), -_FAR, _FAR)
        straight = bent.copy()
        for _ in range(6):
            straight = straight + (bent - _through_lens(self.shared, straight))
        return np.asarray(straight * half + middle)


def placed(own: Doubles, shared: Doubles, shape: tuple[int, int], places: Doubles) -> Doubles:
    """Return where places ``(x, y)`` of a tile lie on the plate."""
    x, y, turn, log_scale, across, down = own
    key_across, key_down = shared[3:5]
    middle, half = _middle_and_half(shape)
    flat = (places - middle) / half
    bent = _through_lens(shared, flat)
    level = 1 + (across + key_across) * bent[:, 0] + (down + key_down) * bent[:, 1]
    bent = bent / level[:, None]
    cos, sin = np.cos(turn), np.sin(turn)
    scale = half * np.exp(log_scale)
    return np.stack(
        [
            x + scale * (cos * bent[:, 0] - sin * bent[:, 1]),
            y + scale * (sin * bent[:, 0] + cos * bent[:, 1]),
        ],
        axis=1,
    )


def _through_lens(shared: Doubles, flat: Doubles) -> Doubles:
    """Return places of a capture, in halves of its long side, as a perfect lens would show them."""
    first, second, third, _, _, one, two = shared
    r2 = np.square(flat).sum(axis=1)
    bent = flat * (1 + r2 * (first + r2 * (second + r2 * third)))[:, None]
    across, down = flat[:, 0], flat[:, 1]
    bent[:, 0] += 2 * one * across * down + two * (r2 + 2 * across * across)
    bent[:, 1] += one * (r2 + 2 * down * down) + 2 * two * across * down
    return np.asarray(bent)


def _middle_and_half(shape: tuple[int, int]) -> tuple[Doubles, float]:
    rows, columns = shape
    return np.array([(columns - 1) / 2, (rows - 1) / 2]), max(rows, columns) / 2


def parts_linked(count: int, links: Sequence[Link]) -> list[list[int]]:
    """Return the tiles that hang together, the largest part first."""
    part = list(range(count))
    for link in links:
        old, new = part[link.other], part[link.one]
        part = [new if p == old else p for p in part]
    groups = [[tile for tile in range(count) if part[tile] == p] for p in dict.fromkeys(part)]
    return sorted(groups, key=lambda group: (-len(group), group[0]))


def rough_layout(shapes: Sequence[tuple[int, int]], links: Sequence[Link]) -> Layout:
    """Return a first layout: from the best linked tile outwards, by the surest links."""
    own = np.zeros((len(shapes), OWN))
    counts = np.zeros(len(shapes))
    for link in links:
        counts[[link.one, link.other]] += link.support
    known = {int(np.argmax(counts))}
    while True:
        open_links = [link for link in links if (link.one in known) != (link.other in known)]
        if not open_links:
            break
        link = max(open_links, key=lambda link: link.support)
        near, far = (link.one, link.other) if link.one in known else (link.other, link.one)
        here, there = (link.here, link.there) if near == link.one else (link.there, link.here)
        target = placed(own[near], np.zeros(SHARED), shapes[near], here)
        own[far] = _similar(there, target, shapes[far])
        known.add(far)
    return Layout(shapes=tuple(shapes), own=own, shared=np.zeros(SHARED))


def agreeing(layout: Layout, links: Sequence[Link], within: float) -> list[Link]:
    """Return the links that a layout brings together to within so many pixels.

    What repeats in a picture, windows or railings, links tiles at the wrong places.
    """
    off = misfits(layout, links)
    return [link for link, far in zip(links, off, strict=True) if np.median(far) < within]


def _similar(places: Doubles, target: Doubles, shape: tuple[int, int]) -> Doubles:
    """Return the shift, turn and scale that carry places of a tile to their target."""
    middle, half = _middle_and_half(shape)
    flat = (places - middle) / half
    z, w = flat[:, 0] + 1j * flat[:, 1], target[:, 0] + 1j * target[:, 1]
    system = np.stack([z, np.ones_like(z)], axis=1)
    (turned, at), *_ = np.linalg.lstsq(system, w, rcond=None)
    log_scale = float(np.log(abs(turned) / half))
    return np.array([at.real, at.imag, float(np.angle(turned)), log_scale, 0.0, 0.0])


def fit_layout(start: Layout, links: Sequence[Link], *, sigma: float) -> Layout:
    """Return the layout that brings the places of all links together best.

    Gauss and Newton with the weights of a soft L1 loss. One tile is held, the mean scale is 1:
    neither is seen in overlaps.

    Parameters
    ----------
    sigma : float
        Error of a place, pixels; what is far beyond counts little.
    """
    own, shared = start.own.copy(), start.shared.copy()
    count = len(own)
    half = max(max(shape) for shape in start.shapes) / 2
    one = np.concatenate([np.full(len(link.here), link.one) for link in links])
    other = np.concatenate([np.full(len(link.here), link.other) for link in links])
    here = np.concatenate([link.here for link in links])
    there = np.concatenate([link.there for link in links])
    weight = np.concatenate([link.weight for link in links]) / sigma**2
    prior = _priors(count)
    for _ in range(_ROUNDS):
        layout = Layout(shapes=start.shapes, own=own, shared=shared)
        place_one, slope_one = _slopes(layout, one, here)
        place_other, slope_other = _slopes(layout, other, there)
        off = place_one - place_other
        far = np.square(off).sum(axis=1) / sigma**2
        trust = np.sqrt(weight / np.sqrt(1 + far))
        rows, columns, values = [], [], []
        for slopes, tiles, sign in ((slope_one, one, 1.0), (slope_other, other, -1.0)):
            at = tiles[:, None] * OWN + np.arange(OWN)
            at = np.hstack(
                [at, np.broadcast_to(count * OWN + np.arange(SHARED), (len(at), SHARED))]
            )
            for axis in range(2):
                rows.append(np.repeat(np.arange(len(at)) * 2 + axis, OWN + SHARED))
                columns.append(at.ravel())
                values.append((sign * slopes[:, :, axis] * trust[:, None]).ravel())
        size = count * OWN + SHARED
        jacobian = csr_array(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
            shape=(2 * len(here), size),
        )
        current = np.concatenate([own.ravel(), shared])
        gradient = jacobian.T @ (off * trust[:, None]).ravel()
        normal = (jacobian.T @ jacobian).toarray() + np.diag(prior)
        scales = np.arange(count) * OWN + 3
        normal[np.ix_(scales, scales)] += _MEAN_SCALE
        gradient += prior * current
        gradient[scales] += _MEAN_SCALE * current[scales].sum()
        step = np.zeros(size)
        step[3:] = -np.linalg.solve(normal[3:, 3:], gradient[3:])  # the first tile is held
        own += step[: count * OWN].reshape(own.shape)
        shared += step[count * OWN :]
        np.clip(own[:, 3:], -_MOST_OWN, _MOST_OWN, out=own[:, 3:])
        np.clip(shared, -_MOST_SHARED, _MOST_SHARED, out=shared)
        moved = np.abs(step[: count * OWN].reshape(own.shape) * ([1, 1] + [half] * 4))
        if moved.max() < _STILL:
            break
    return Layout(shapes=start.shapes, own=own, shared=shared)


def _priors(count: int) -> Doubles:
    """Return how firmly each unknown is held at 0: one over its variance."""
    own = np.array([0.0, 0.0, 0.0, _SCALE**-2, _TILT**-2, _TILT**-2])
    lens = np.array(_LENS) ** -2.0
    return np.concatenate([np.tile(own, count), lens])


def _slopes(layout: Layout, tiles: NDArray[np.intp], places: Doubles) -> tuple[Doubles, Doubles]:
    """Return places on the plate, and how they follow every unknown: (n, 2), (n, 13, 2)."""
    at = np.empty_like(places)
    slopes = np.empty((len(places), OWN + SHARED, 2))
    for tile in np.unique(tiles):
        chosen = tiles == tile
        own, shape = layout.own[tile], layout.shapes[tile]
        base = placed(own, layout.shared, shape, places[chosen])
        at[chosen] = base
        for k in range(OWN + SHARED):
            step = 1e-2 if k < 2 else 1e-6
            bumped, lens = own.copy(), layout.shared.copy()
            if k < OWN:
                bumped[k] += step
            else:
                lens[k - OWN] += step
            slopes[chosen, k] = (placed(bumped, lens, shape, places[chosen]) - base) / step
    return at, slopes


def misfits(layout: Layout, links: Sequence[Link]) -> list[Doubles]:
    """Return by how many pixels the places of each link miss each other."""
    return [
        np.linalg.norm(
            layout.to_plate(link.one, link.here) - layout.to_plate(link.other, link.there), axis=1
        )
        for link in links
    ]
