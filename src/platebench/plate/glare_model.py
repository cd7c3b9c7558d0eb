"""Veiling glare computed from the picture: one model for every capture of a session.

A lens spreads a little of all light over the whole picture, so a black place reads grey, and the
more so the more light lies around it. With ``x`` the light of the scene, 1 for the bare box on
average, on a grid of cells, a capture holds

    m = x + room + box + far mean(x) + ghost G(x) + sum_j outside_j O_j(x) + sum_k near_k K_k(x)

``K_k`` are bells of six widths: sums of them imitate the exponential and power laws that lenses
have, and the fit stays convex. ``O_j`` is what the three widest would bring from beyond the border
if the light there went on; how much of it there is nobody sees, so that it has shares of its own,
which all captures tell together. ``box`` is what reaches the picture from the box far outside,
whatever lies in the frame. ``G`` is the scene mirrored
through the middle, out of focus; only a card off the middle tells it, and where none does it is
left on and counts in the error. All captures of a session have the same shares, none of them
negative but the ghost's, whose prior lies about zero. They are read where no light should be
(:mod:`platebench.plate.glare_evidence`), and taken off plate and blank alike:
``T = (m - glare) / (b - glare of the blank)``.

Estimation is that of a linear model with Gaussian errors and half-normal priors. Its posterior
mean and covariance are sampled, since the most probable values lie on the bounds: where room,
card and far glare look alike, all would be given to one of them. Sampling as in G. Rodriguez-Yam,
R. A. Davis and L. L. Scharf, "Efficient Gibbs sampling of truncated multivariate normal" (2004).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.optimize import nnls
from scipy.special import log_ndtr, ndtri_exp

Doubles = NDArray[np.float64]
Mask = NDArray[np.bool_]

WIDTHS = tuple(2.0**-n for n in range(1, 7))  # standard deviations, share of the long side
REACHES = WIDTHS[:3]  # of light from outside the frame
SHARES = 4 + len(REACHES) + len(WIDTHS)  # room, far, ghost, box, from outside, and one a width
GHOST, BOX = 2, 3
CARD, OWN_CARD, SCALE = SHARES, SHARES + 1, SHARES + 2  # places of what comes after the shares
UNKNOWNS = SHARES + 3  # ... light through the card, through a plate's own; this capture's scale
# How large they are held to be where nothing shows them. The card is asked for to be opaque, and is
# taken to be of D 4.7 at least unless a capture of it over the whole box tells.
PRIOR = np.array(
    [
        *[0.0015, 0.005, 0.0017, 0.002, *[0.004] * len(REACHES)],
        *[0.001, *[0.003] * (len(WIDTHS) - 1)],
        *[3e-4, 3e-4, 0.01],
    ]
)
OPAQUE = 2e-5
USUAL_TOTAL = 0.007  # of the frame's mean light, that strays onto a dark place
FROM_BEYOND = 0.5  # light beyond the border over that at it, for the narrow bells
SCALE_SIGMA = float(PRIOR[SCALE])  # by which the glare of one capture is off as a whole
LEAST_MISFIT = 0.01  # of the glare: no lens follows the model better
PREDICTED_MISFIT = 0.02  # of the glare, where it is computed and not read, by a card
AROUND_MISFIT = 0.15  # the same by a mask or holder around the plate alone
BESIDE_MISFIT = 0.25  # and by a strip or a tablet alone
_USUAL_MISFIT = 0.02  # of the glare; what is left over above it is of some other kind
_IMAGE = 2.5  # light of an image of the scene over what is left over on a card
MISFIT_TOLD = 0.05  # of the glare, left over by the model
_ANYWHERE = 1 / 6  # of the long side: how far the scene's light may come to lie from where it was
_GHOST_BLUR = 1 / 24  # of the long side: ghosts are out of focus
_ALL_DARK = 0.9  # of the frame: no light shows that could stray
_OPPOSITE = 0.8  # of a dark area; if as much lies dark opposite, ghosts on it cannot be told
_SIGNED = [GHOST, SCALE]  # unknowns that may be negative: where nothing shows them, they are zero
ROOM_SIGMA = 0.05  # by which the room's light changes between captures
INDEPENDENT = 8  # tiles of a card that count as independent
# Lenses use few of the bells each, so that the truth lies at the ends of what captures leave open,
# up to 1.7 standard deviations from the middle where that is a line.
_AT_ENDS = 1.5
_CHAINS, _SWEEPS, _SETTLING = 96, 240, 40
_ROUNDS = 3
_LEAST_GLARE = 3e-5  # of the bare light; less is not told from noise and black level
_SEED = 20
_NEVER = 1e-9  # a share that is held to be zero
_STANDS_OUT = 9.0  # twice the gain in log likelihood that glare must bring to be taken off
_ROOM_TOLD = 5e-5  # of the bare light; less may be an error of the black level


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DarkCells:
    """Where a capture shows something that lets next to no light through.

    Attributes
    ----------
    light : ndarray of float64, shape (rows, columns)
        All of the capture, over the mean light of the bare box; the room's light, where that is
        known, off.
    bare : ndarray of float64, shape (rows, columns)
        The bare box on the same scale.
    tiles : ndarray of int, shape (rows, columns)
        Number of the tile of each dark cell, from 1; 0 elsewhere.
    weight : ndarray of float64, shape (n,)
        Of each tile, as a share of an independent one.
    noise : float
        Standard deviation of a cell's light.
    through : ndarray of float64, shape (n,)
        Transmittance of each tile where it is known (a step tablet); 0 for a card.
    slope : ndarray of float64, shape (n,)
        Its error by the Callier factor's, which all tiles share; 0 for a card.
    sigma : ndarray of float64, shape (n,)
        Its own error; 0 for a card.
    card : int or None
        ``CARD`` or ``OWN_CARD``; None for a tablet.
    read : ndarray of float64, shape (n,), or None
        Light of each tile where it was read more finely than by cells.
    """

    light: Doubles
    bare: Doubles
    tiles: NDArray[np.intp]
    weight: Doubles
    noise: float
    through: Doubles
    slope: Doubles
    sigma: Doubles
    card: int | None
    read: Doubles | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """What captures say of the unknowns: a Gaussian likelihood, added up.

    Attributes
    ----------
    precision : ndarray of float64, shape (UNKNOWNS, UNKNOWNS)
    pull : ndarray of float64, shape (UNKNOWNS,)
        Precision times the place of the maximum.
    misfit : float
        What the model leaves over in them, share of the glare.
    left_over : float
        The same as a share of the bare light, by which it is more than usual.
    dark : float
        What dark places show over what they usually do; 0 where none was seen. More, and shares
        must be held possible that are as much larger; less, and a ghost is as much weaker.
    """

    precision: Doubles
    pull: Doubles
    misfit: float = LEAST_MISFIT
    left_over: float = 0.0
    dark: float = 0.0

    @property
    def prior(self) -> Doubles:
        """Scales of the half-normal priors."""
        scales = PRIOR.copy()
        scales[:SHARES] *= max(self.dark, 1.0)
        scales[GHOST] = PRIOR[GHOST] * (self.dark or 1.0)
        return scales

    def __add__(self, other: Evidence) -> Evidence:
        """Return what both say together."""
        return Evidence(
            precision=self.precision + other.precision,
            pull=self.pull + other.pull,
            misfit=max(self.misfit, other.misfit),
            left_over=max(self.left_over, other.left_over),
            dark=max(self.dark, other.dark),
        )

    def without(self, other: Evidence) -> Evidence:
        """Return what this says beyond what ``other``, which is part of it, says."""
        return replace(
            self, precision=self.precision - other.precision, pull=self.pull - other.pull
        )


NOTHING = Evidence(precision=np.zeros((UNKNOWNS, UNKNOWNS)), pull=np.zeros(UNKNOWNS))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """The unknowns: mean and covariance."""

    mean: Doubles
    covariance: Doubles


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SessionGlare:
    """What a session's own captures say of its glare.

    Attributes
    ----------
    evidence : Evidence
        Of the shares.
    found : Posterior
        The shares by it.
    of_room : Evidence
        The part of it that the capture of the room says.
    room : ndarray of float64, shape (kinds, rows, columns)
        The room's light over the mean bare light, by kind of site; zeros where it is not known.
    card, box_off, card_over : int
        Captures of each kind.
    notes : tuple of str
        What a person should know of them.
    """

    evidence: Evidence
    found: Posterior
    of_room: Evidence
    room: Doubles
    card: int = 0
    box_off: int = 0
    card_over: int = 0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GlareOff:
    """What has to be done to a capture, and how well it is known.

    Attributes
    ----------
    gain, offset : ndarray of float64, shape (kinds, rows, columns)
        ``T = gain T_measured + offset``, by kind of site.
    error : ndarray of float64, shape (3, rows, columns)
        ``var T = error[0] - 2 T error[1] + T^2 error[2]``.
    share : ndarray of float64, shape (rows, columns)
        Glare of the capture over the bare light at the place.
    """

    gain: Doubles
    offset: Doubles
    error: Doubles
    share: Doubles


@lru_cache(maxsize=16)
def _bells(cells: int, long_side: int) -> tuple[Doubles, Doubles]:
    """Return matrices along one axis, (bells, cells, cells): border dark, and repeated."""
    at = np.arange(cells)
    padded = np.arange(-long_side, cells + long_side)
    dark, repeated = [], []
    for width in WIDTHS:
        bell = np.exp(-0.5 * ((padded[None, :] - at[:, None]) / (width * long_side)) ** 2)
        bell /= bell.sum(axis=1, keepdims=True)
        inside = bell[:, long_side : long_side + cells].copy()
        dark.append(inside.copy())
        inside[:, 0] += bell[:, :long_side].sum(axis=1)
        inside[:, -1] += bell[:, long_side + cells :].sum(axis=1)
        repeated.append(inside)
    return np.stack(dark), np.stack(repeated)


def spread_of(light: Doubles) -> Doubles:
    """Return what strays of a scene's light for shares of one.

    Parameters
    ----------
    light : ndarray of float64, shape (..., rows, columns)

    Returns
    -------
    ndarray of float64, shape (SHARES, ..., rows, columns)
    """
    rows, columns = light.shape[-2:]
    down, across = (_bells(n, max(rows, columns)) for n in (rows, columns))
    dark, repeated = (
        np.stack([v @ light @ h.T for v, h in zip(down[i], across[i], strict=True)]) for i in (0, 1)
    )
    outside = repeated - dark
    wide = len(REACHES)
    even = np.ones_like(light)
    far = even * light.mean(axis=(-2, -1), keepdims=True)
    sigma = _GHOST_BLUR * max(rows, columns)
    ghost = gaussian_filter(light[..., ::-1, ::-1], sigma, axes=(-2, -1), mode="constant")
    near = [dark[:wide], dark[wide:] + FROM_BEYOND * outside[wide:]]
    return np.concatenate([[even, far, ghost, even], outside[:wide], *near])


def scene_of(light: Doubles, shares: Doubles, scale: float = 1.0) -> tuple[Doubles, Doubles]:
    """Return the glare on a capture, shape of ``light``, and what its scene strays.

    Parameters
    ----------
    light : ndarray of float64, shape (rows, columns)
        As captured.
    shares : ndarray of float64, shape (SHARES,)
    scale : float
        Glare of this capture over what the shares say.
    """
    first = scale * np.tensordot(shares, spread_of(light), axes=1)
    spread = spread_of(light - first)  # a third time changes less than a millionth
    return scale * np.tensordot(shares, spread, axes=1), spread


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """The linear model of a capture's tiles: ``value = matrix @ unknowns``, and its errors."""

    matrix: Doubles
    value: Doubles
    noise: Doubles  # variance
    glare: Doubles
    common: Doubles  # standard deviation, shared by all tiles


def fit_captures(captures: Sequence[DarkCells], known: Evidence = NOTHING) -> Evidence:
    """Return what captures say of the unknowns, together with what is known already.

    The errors depend on the glare and the scene on what is taken off, so it is done three times.
    """
    shares = most_probable(known)[:SHARES] if known.precision.any() else None
    known = replace(known, dark=max(known.dark, *map(_darkness, captures)))
    misfit, left_over, total = known.misfit, known.left_over, known
    spreads = [spread_of(capture.light) for capture in captures]
    ghost_told = tells_ghost(known) or any(map(_shows_ghost, captures))
    for _ in range(_ROUNDS):
        rows = [_rows_of(*pair, shares) for pair in zip(captures, spreads, strict=True)]
        for capture, of_capture in zip(captures, rows, strict=True):
            if _all_dark(capture):  # a card over the box keeps its light in
                of_capture.matrix[:, BOX] = 0.0
        if not ghost_told:
            for of_capture in rows:
                of_capture.matrix[:, GHOST] = 0.0
        total = known
        for capture, of_capture in zip(captures, rows, strict=True):
            total = total + _evidence_of(capture, of_capture, misfit)
        found = most_probable(total)
        shares = found[:SHARES]
        over = [_misfit(*pair, found) for pair in zip(captures, rows, strict=True)]
        misfit = max(known.misfit, *over)
        sizes = [float(np.median(of_capture.glare)) for of_capture in rows]
        unusual = [
            size * max(each - _USUAL_MISFIT, 0.0) for size, each in zip(sizes, over, strict=True)
        ]
        left_over = max(known.left_over, *unusual)
    return replace(total, misfit=misfit, left_over=left_over)


def _all_dark(capture: DarkCells) -> bool:
    return float(np.mean(capture.tiles > 0)) > _ALL_DARK


def _darkness(capture: DarkCells) -> float:
    """Return what dark cells show over what they usually do; 1 for a tablet, 0 if all is dark."""
    if capture.card is None:
        return 1.0
    if _all_dark(capture):
        return 0.0
    dark = float(np.median(capture.light[capture.tiles > 0]))
    usual = USUAL_TOTAL * max(float(capture.light.mean()), 1e-6)
    return max(dark, _LEAST_GLARE) / usual


def tells_ghost(known: Evidence) -> bool:
    """Tell whether captures showed how strong a ghost is."""
    return bool(known.precision[GHOST, GHOST] > 0)


def _shows_ghost(capture: DarkCells) -> bool:
    """Tell whether the scene's image, mirrored, would lie bright on a card."""
    if capture.card != CARD:  # around a plate, ghosts look like other glare
        return False
    dark = capture.tiles > 0
    return float(np.mean(dark[::-1, ::-1][dark])) < _OPPOSITE


def _rows_of(capture: DarkCells, spread: Doubles, shares: Doubles | None) -> _Rows:
    if shares is not None:
        spread = spread_of(capture.light - np.tensordot(shares, spread, axes=1))
    counts = np.bincount(capture.tiles.ravel())[1:].astype(np.float64)

    def means(cells: Doubles) -> Doubles:
        sums = np.bincount(capture.tiles.ravel(), weights=cells.ravel())[1:]
        return np.asarray(sums / counts, np.float64)

    matrix = np.zeros((len(counts), UNKNOWNS))
    matrix[:, :SHARES] = np.stack([means(cells) for cells in spread], axis=1)
    held = means(capture.bare)
    light = means(capture.light) if capture.read is None else capture.read
    value = light - held * capture.through
    # All light of a card is taken for glare at first.
    glare = np.maximum(value if shares is None else matrix[:, :SHARES] @ shares, _LEAST_GLARE)
    if capture.card is not None:
        matrix[:, capture.card] = held
    if capture.card == OWN_CARD:
        matrix[:, SCALE] = glare
    return _Rows(
        matrix=matrix,
        value=value,
        noise=capture.noise**2 / counts + (held * capture.sigma) ** 2,
        glare=glare,
        common=held * capture.slope,
    )


def _evidence_of(capture: DarkCells, rows: _Rows, misfit: float) -> Evidence:
    """Return what one capture says; the scale of its glare is integrated out, but a plate's own."""
    variance = (rows.noise + (misfit * rows.glare) ** 2) / capture.weight
    scale = 0.0 if capture.card == OWN_CARD else SCALE_SIGMA
    shared = np.stack([rows.common, scale * rows.glare], axis=1)
    inverse = np.diag(1 / variance)
    # Woodbury: errors that all tiles of the capture have in common.
    inner = np.linalg.inv(np.eye(2) + shared.T @ inverse @ shared)
    inverse = inverse - inverse @ shared @ inner @ shared.T @ inverse
    seen = rows.matrix.T @ inverse
    return Evidence(precision=seen @ rows.matrix, pull=seen @ rows.value)


def foretold(capture: DarkCells, found: Posterior) -> tuple[float, float]:
    """Return what dark cells hold over what other captures foretell, median of the tiles.

    The second is by how many standard errors of that the two differ.
    """
    rows = _rows_of(capture, spread_of(capture.light), found.mean[:SHARES])
    if float(np.median(rows.glare)) < 10 * _LEAST_GLARE:
        return 1.0, 0.0  # too little to be compared
    shares = rows.matrix[:, :SHARES]
    covariance = found.covariance[:SHARES, :SHARES]
    sigma = np.sqrt(np.einsum("ij,jk,ik->i", shares, covariance, shares) + rows.noise)
    apart = np.median(np.abs(rows.value - rows.glare) / sigma)
    return float(np.median(rows.value / rows.glare)), float(apart)


def _misfit(capture: DarkCells, rows: _Rows, found: Doubles) -> float:
    """Return what the model leaves over in a capture, share of the glare; its own scale is free."""
    if capture.card is None:
        return LEAST_MISFIT
    size = np.maximum(rows.glare, rows.value)  # where too little is foretold, what is there counts
    over = (rows.value - rows.matrix @ np.append(found[:SCALE], 0.0)) / size
    noise = (rows.noise + _LEAST_GLARE**2) / size**2
    weight = capture.weight / (noise + LEAST_MISFIT**2)
    over = over - float(weight @ over) / float(weight.sum() + SCALE_SIGMA**-2)
    square = float(weight @ (over**2 - noise)) / float(weight.sum())
    return max(LEAST_MISFIT, float(np.sqrt(max(square, 0.0))))


def most_probable(evidence: Evidence) -> Doubles:
    """Return the unknowns at the maximum of the posterior, shape (UNKNOWNS,)."""
    return _solved(evidence, np.zeros((UNKNOWNS, 1)))[:, 0] * evidence.prior


def stands_out(evidence: Evidence, room: Doubles) -> bool:
    """Tell whether captures cannot be explained without glare, by cards that are not opaque.

    By twice the gain in log likelihood: of a normal distribution, the square of the standard errors
    by which glare stands out. The posterior cannot tell: shares that are never negative add up.
    What was captured of the room needs no other proof.
    """
    if float(room.mean()) > _ROOM_TOLD:
        return True
    precision = evidence.precision + np.diag(evidence.prior**-2)
    none = evidence.precision.copy()
    none[np.arange(SHARES), np.arange(SHARES)] += _NEVER**-2
    best, without = (most_probable(e) for e in (evidence, replace(evidence, precision=none)))
    worth = [0.5 * g @ precision @ g - evidence.pull @ g for g in (best, without)]
    return bool(2 * (worth[1] - worth[0]) > _STANDS_OUT)


def _solved(evidence: Evidence, moved: Doubles) -> Doubles:
    """Return the maximum over the priors' scales, for data moved by so many standard errors."""
    prior = evidence.prior
    precision = (evidence.precision + np.diag(prior**-2)) * np.outer(prior, prior)
    root = np.linalg.cholesky(precision)
    right = np.linalg.solve(root, evidence.pull * prior)
    # What may be negative is two unknowns, one a sign.
    matrix = np.concatenate([root.T, -root.T[:, _SIGNED]], axis=1)
    found = np.stack([nnls(matrix, right + move)[0] for move in moved.T], axis=1)
    found[_SIGNED] -= found[UNKNOWNS:]
    return np.asarray(found[:UNKNOWNS], np.float64)


def posterior_of(evidence: Evidence) -> Posterior:
    """Return mean and covariance of the unknowns, none of the shares negative.

    96 chains start at the maxima of data moved at random, which lie where the posterior does, along
    its ridges too (J. M. Bardsley and others, "Randomize-then-optimize", SIAM J. Sci. Comput. 36,
    2014): steps along one unknown at a time would not get there. The seed is fixed, so that the
    same captures give the same figures.
    """
    prior = evidence.prior
    precision = (evidence.precision + np.diag(prior**-2)) * np.outer(prior, prior)
    pull = evidence.pull * prior
    rng = np.random.default_rng(_SEED)
    at = _solved(evidence, rng.standard_normal((UNKNOWNS, _CHAINS)))
    sums, squares = np.zeros(UNKNOWNS), np.zeros((UNKNOWNS, UNKNOWNS))
    for sweep in range(_SWEEPS):
        for k in range(UNKNOWNS):
            own = precision[k, k]
            middle = (pull[k] - precision[k] @ at) / own + at[k]
            width = own**-0.5
            if k in _SIGNED:
                at[k] = middle + width * rng.standard_normal(_CHAINS)
                continue
            # The upper tail beyond zero, drawn by its logarithm: far out it underflows.
            tail = np.log1p(-rng.random(_CHAINS)) + log_ndtr(middle / width)
            at[k] = np.maximum(middle - width * ndtri_exp(tail), 0.0)
        if sweep >= _SETTLING:
            sums += at.sum(axis=1)
            squares += at @ at.T
    count = _CHAINS * (_SWEEPS - _SETTLING)
    mean = sums / count
    covariance = squares / count - np.outer(mean, mean)
    return Posterior(mean=mean * prior, covariance=covariance * np.outer(prior, prior))


def _anywhere(light: Doubles) -> Doubles:
    """Return light that may be found at a place if it is mirrored and moved."""
    square = 0.5 * np.square(light) + 0.5 * np.square(light[::-1, ::-1])
    wide = gaussian_filter(square, _ANYWHERE * max(light.shape), mode="nearest")
    return np.asarray(np.sqrt(wide), np.float64)


def glare_off(
    light: Doubles,
    bare: Doubles,
    room: Doubles,
    found: Posterior,
    misfit: float,
    *,
    left_over: float = 0.0,
    seen: bool,
    predicted: float,
) -> GlareOff:
    """Return what takes the glare off a capture.

    Parameters
    ----------
    light, bare : ndarray of float64, shape (kinds, rows, columns)
        Capture and blank, over the mean light of the bare box, by kind of site.
    room : ndarray of float64, shape (kinds, rows, columns)
        The room's light where it was captured; zeros where it was not.
    misfit : float
        What the model leaves over, share of the glare.
    left_over : float
        The same as a share of the bare light, by which it is more than usual.
    seen : bool
        Whether the capture itself showed something dark, which told its scale.
    predicted : float
        What the model is held to leave over where glare is computed and not read.
    """
    shares = found.mean[:SHARES]
    scale = 1 + float(found.mean[SCALE]) if seen else 1.0
    scene, box = light - room, bare - room
    grey, grey_box = scene.mean(axis=0), box.mean(axis=0)
    own, per_share = scene_of(grey, shares, scale)
    other, of_blank = scene_of(grey_box, shares)
    # Colours stray alike; where the scene has less of one, so has its glare.
    tints, tints_of_box = (
        plane.mean(axis=(1, 2), keepdims=True) / plane.mean() for plane in (scene, box)
    )
    usable = np.maximum(box - tints_of_box * other, 0.02)
    gain, offset = bare / usable, -(tints * own + room) / usable
    lit = usable.mean(axis=0)
    error = np.zeros((3, *lit.shape))

    def add(first: Doubles, second: Doubles, share: float = 1.0) -> None:
        first, second = share * first / lit, share * second / lit
        error[0] += first * first
        error[1] += first * second
        error[2] += second * second

    places = [*range(SHARES), SCALE] if seen else list(range(SHARES))
    first = [*per_share * scale, own]
    second = [*of_blank, np.zeros_like(own)]
    covariance = found.covariance[np.ix_(places, places)]
    sizes, axes = np.linalg.eigh(covariance)
    for size, axis in zip(sizes, axes.T, strict=True):
        if size > 0:
            add(
                np.tensordot(axis, np.stack(first[: len(places)]), axes=1),
                np.tensordot(axis, np.stack(second[: len(places)]), axes=1),
                _AT_ENDS * float(np.sqrt(size)),
            )
    if not seen:
        add(own, np.zeros_like(own), SCALE_SIGMA)
    usual = min(misfit, _USUAL_MISFIT)
    add(own, other, max(predicted, misfit - usual))
    if left_over > 0:  # an image of the scene anywhere near, and the ghost that was found not there
        moved, moved_box = (_anywhere(plane) for plane in (grey, grey_box))
        image = _IMAGE * left_over + abs(float(shares[GHOST])) * min(misfit / MISFIT_TOLD, 1.0)
        image = min(image, float(shares[1:].sum()))
        add(image * moved, image * moved_box)
    add(room.mean(axis=0), room.mean(axis=0), ROOM_SIGMA)
    return GlareOff(gain=gain, offset=offset, error=error, share=(own + room.mean(axis=0)) / lit)
