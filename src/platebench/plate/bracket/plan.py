"""What has to be known of a bracket before it is merged: order, true exposures, movement, noise.

Shutter times are nominal, lamps drift, stands are touched. All of it is measured on the captures;
what cannot be put right is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import BracketError
from platebench.core.image import CaptureKind, SensorFrame
from platebench.plate.bracket.register import Movement, cell_means, measure_movement, overlap
from platebench.plate.light import Light
from platebench.plate.noise_model import ExposurePair, NoiseModel, noise_from_pairs

LARGEST_SHIFT = 2  # sites that are put right
LARGEST_TURN = 1.0  # sites, in the corners of the frame
RATIO_REFUSED = 0.5  # stops between the stated and the measured ratio of two exposures
RATIO_NOTED = 0.02  # share by which they may differ unmentioned
_WELL_EXPOSED = (0.02, 0.55)  # of full scale, mean over all colours: no colour clips
_FAINTEST = 0.002  # of full scale; used where the plate holds nothing brighter
_ENOUGH_CELLS = 50
_LEAST_COUNTS = 3.0  # mean light of cells in the shorter exposure; below it is read noise
_ALIKE = 0.1  # cells of one framing differ by less, relative, exposure taken out
_UNLIKE_SHARE = 0.1  # share of cells that may differ more (edges of what moved a little)
_OUTLIER = 4.0  # robust standard deviations
Cells = NDArray[np.float32]
_AGAIN = "take the bracket again without touching camera, lamp or plate; change the time only"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BracketPlan:
    """How the exposures of a bracket go together. Small; holds no pixels.

    Attributes
    ----------
    order : tuple of int
        Places of the captures in what was given, longest exposure first; all else is in this order.
    ratios : tuple of float
        Light of each over that of the reference exposure, measured.
    stated : tuple of float or None
        The same from the shutter times; None where one is unknown.
    reference : int
        Which of them (in ``order``) the light is scaled to: the one whose stated time is nearest to
        the blank's. A shutter repeats a time better than it keeps to it.
    movements : tuple of (float, float)
        Rows and columns by which each lies off the target, measured.
    shifts : tuple of (int, int)
        The same to whole sites: what is put right.
    target : int
        The exposure the others are moved to.
    noise : NoiseModel
        Of one photosite, in counts of its own exposure.
    notes : tuple of str
        What was found, in plain words.
    """

    order: tuple[int, ...]
    ratios: tuple[float, ...]
    stated: tuple[float | None, ...]
    reference: int
    movements: tuple[tuple[float, float], ...]
    shifts: tuple[tuple[int, int], ...]
    target: int
    noise: NoiseModel
    notes: tuple[str, ...]


def plan_bracket(frames: Sequence[SensorFrame], light: Light) -> BracketPlan:
    """Measure how exposures of one framing go together.

    Parameters
    ----------
    frames : sequence of SensorFrame
        Camera raws, at least one, in any order.
    light : Light
        The bare light; its exposure time decides which exposure is the reference.

    Raises
    ------
    BracketError
        If size, filter pattern, camera, ISO or aperture differ; if the plate moved by more than
        ``LARGEST_SHIFT`` sites or turned; if they show different things; or if the light changed.
    """
    for frame in frames:
        _check_alike(frame, frames[0])
    cells = [cell_means(frame) for frame in frames]
    order = _longest_first(frames, cells)
    ordered = [frames[k] for k in order]
    cells = [cells[k] for k in order]
    steps, moves = [], []
    for k in range(len(ordered) - 1):
        step, move = _compare((ordered[k], ordered[k + 1]), (cells[k], cells[k + 1]))
        steps.append(step)
        moves.append(move)
    reference = _nearest_to(light, ordered)
    ratios = _relative(steps, reference)
    stated = tuple(_stated(frame, ordered[reference]) for frame in ordered)
    movements, target = _positions(moves)
    shifts = tuple((round(row), round(column)) for row, column in movements)
    _check_movement(ordered, movements, moves, target)
    pairs = [
        ExposurePair(*overlap(ordered[k], ordered[k + 1], _whole(move)))
        for k, move in enumerate(moves)
    ]
    noise = noise_from_pairs(pairs) if pairs else None
    if noise is None:
        noise = NoiseModel(
            gain=1.0, read_variance=0.0, source="nothing: weighted by time alone", read_known=False
        )
    return BracketPlan(
        order=order,
        ratios=ratios,
        stated=stated,
        reference=reference,
        movements=movements,
        shifts=shifts,
        target=target,
        noise=noise,
        notes=tuple(_notes(ordered, ratios, stated, shifts, moves)),
    )


def _check_alike(frame: SensorFrame, first: SensorFrame) -> None:
    """Refuse what the same camera would not have taken at the same settings."""
    one, other = first.info, frame.info
    for info in (one, other):
        if info.kind is not CaptureKind.RAW:
            raise BracketError(
                one.path, other.path, f"{info.path.name} is no camera raw",
                "name one capture only, or bracket with raw files", "kind",
            )  # fmt: skip
    if frame.counts.shape != first.counts.shape or frame.counts.ndim != 2:
        sizes = [f"{f.shape[1]} x {f.shape[0]} x {f.channels}" for f in (first, frame)]
        raise BracketError(
            one.path, other.path, f"one is {sizes[0]} values and the other {sizes[1]}",
            "bracket mosaics of one camera and crop", "size",
        )  # fmt: skip
    if not np.array_equal(frame.pattern, first.pattern):
        what = "their colour-filter patterns differ"
        raise BracketError(one.path, other.path, what, _AGAIN, "pattern")
    for what, a, b in (
        ("camera", one.camera, other.camera),
        ("ISO", one.iso, other.iso),
        ("aperture", one.f_number, other.f_number),
    ):
        if a and b and a != b:
            shown = [f"{v:g}" if isinstance(v, float) else str(v) for v in (a, b)]
            raise BracketError(
                one.path, other.path, f"{what} is {shown[0]} in one and {shown[1]} in the other",
                _AGAIN, what,
            )  # fmt: skip


def _longest_first(frames: Sequence[SensorFrame], cells: Sequence[Cells]) -> tuple[int, ...]:
    """Return the order by stated time, or by light where a time is unknown."""
    times = [frame.info.exposure_s for frame in frames]
    known = [time for time in times if time]
    keys = known if len(known) == len(frames) else [float(np.mean(c, dtype=float)) for c in cells]
    return tuple(sorted(range(len(frames)), key=lambda k: -keys[k]))


def _compare(
    pair: tuple[SensorFrame, SensorFrame], cells: tuple[Cells, Cells]
) -> tuple[float, Movement]:
    """Return ratio of light and movement of two neighbours, the longer first."""
    long, short = pair
    stated = _stated(long, short)
    measured = measured_ratio(long, cells)
    if measured is None:
        if stated is None:
            raise BracketError(
                long.info.path, short.info.path,
                "their times are unknown, and no part is well exposed in both",
                "take them with less difference in time", "time",
            )  # fmt: skip
        return stated, measure_movement(long, short, stated, cells[0])
    ratio, unlike = measured
    move = measure_movement(long, short, ratio, cells[0])
    if not move.alike and unlike > _UNLIKE_SHARE:
        raise BracketError(
            long.info.path, short.info.path, "they show different things, or the plate was moved",
            "list captures of one plate and one framing only", "picture",
        )  # fmt: skip
    if any(_whole(move)) and max(map(abs, _whole(move))) <= LARGEST_SHIFT:
        one, other = overlap(long, short, _whole(move))
        measured = measured_ratio(one, (cell_means(one), cell_means(other)))
        ratio = measured[0] if measured else ratio
    if stated is not None and abs(math.log2(ratio / stated)) > RATIO_REFUSED:
        raise BracketError(
            long.info.path, short.info.path,
            f"one has {ratio:.2f} times the light of the other, by their times {stated:.2f}",
            _AGAIN, "light",
        )  # fmt: skip
    return ratio, move


def measured_ratio(long: SensorFrame, cells: tuple[Cells, Cells]) -> tuple[float, float] | None:
    """Return how many times the light of the shorter exposure the longer one has.

    Cells well exposed in the longer one are used, chosen by it alone, with their neighbours well
    exposed too, so that no clipped corner is in them; the ratio of their sums is the best there is
    for light that arrives at random, once what moved is left out.

    Returns
    -------
    (float, float) or None
        The ratio, and the share of cells that do not follow it. None where too little is well
        exposed.
    """
    top = long.full_scale
    around = cv2.dilate(cells[0], np.ones((3, 3), np.uint8))
    for lowest in (_WELL_EXPOSED[0], _FAINTEST):
        use = (cells[0] > lowest * top) & (around < _WELL_EXPOSED[1] * top)
        if np.count_nonzero(use) >= _ENOUGH_CELLS and np.median(cells[1][use]) > _LEAST_COUNTS:
            break
    else:
        return None
    use &= cells[1] > 0
    one, other = cells[0][use].astype(np.float64), cells[1][use].astype(np.float64)
    off = np.log(one / other)
    middle = float(np.median(off))
    spread = max(1.4826 * float(np.median(np.abs(off - middle))), 1e-4)
    unlike = float(np.mean(np.abs(off - middle) > max(_ALIKE, _OUTLIER * spread)))
    if spread > _ALIKE:
        unlike = 1.0
    kept = np.abs(off - middle) < _OUTLIER * spread
    return float(one[kept].sum() / other[kept].sum()), unlike


def _stated(frame: SensorFrame, other: SensorFrame) -> float | None:
    a, b = frame.info.exposure_s, other.info.exposure_s
    return a / b if a and b else None


def _nearest_to(light: Light, ordered: Sequence[SensorFrame]) -> int:
    """Return the exposure the light is scaled to: that of the light, or else the shortest."""
    wanted = light.info.exposure_s
    times = [frame.info.exposure_s for frame in ordered]
    if not wanted or not all(times):
        return len(ordered) - 1
    return min(
        range(len(ordered)), key=lambda k: (abs(math.log((times[k] or wanted) / wanted)), -k)
    )


def _relative(steps: Sequence[float], reference: int) -> tuple[float, ...]:
    """Chain ratios of neighbours to ratios to the reference."""
    logs = np.concatenate([[0.0], -np.cumsum(np.log(steps))])
    return tuple(float(v) for v in np.exp(logs - logs[reference]))


def _positions(moves: Sequence[Movement]) -> tuple[tuple[tuple[float, float], ...], int]:
    """Return each exposure's place against the one in the middle of them all, and which that is."""
    places = np.zeros((len(moves) + 1, 2))
    for k, move in enumerate(moves):
        places[k + 1] = places[k] + move.shift
    away = np.abs(places - np.median(places, axis=0)).max(axis=1)
    target = int(np.argmin(away.round(1)))
    places -= places[target]
    return tuple((float(row), float(column)) for row, column in places), target


def _whole(move: Movement) -> tuple[int, int]:
    return round(move.shift[0]), round(move.shift[1])


def _turned(move: Movement) -> bool:
    return move.turned > LARGEST_TURN + 3 * move.turned_error


def _check_movement(
    ordered: Sequence[SensorFrame],
    movements: Sequence[tuple[float, float]],
    moves: Sequence[Movement],
    target: int,
) -> None:
    for k, move in enumerate(moves):
        if _turned(move):
            raise BracketError(
                ordered[k].info.path, ordered[k + 1].info.path,
                f"the plate turned or changed its size by {move.turned:.1f} pixels at the edge",
                _AGAIN, "turn",
            )  # fmt: skip
    for k, (row, column) in enumerate(movements):
        if max(abs(row), abs(column)) >= LARGEST_SHIFT + 0.5:
            raise BracketError(
                ordered[target].info.path, ordered[k].info.path,
                f"the plate moved by {row:z.1f} rows and {column:z.1f} columns", _AGAIN, "place",
            )  # fmt: skip


def _notes(
    ordered: Sequence[SensorFrame],
    ratios: Sequence[float],
    stated: Sequence[float | None],
    shifts: Sequence[tuple[int, int]],
    moves: Sequence[Movement],
) -> list[str]:
    notes = []
    for frame, ratio, by_time in zip(ordered, ratios, stated, strict=True):
        if by_time and abs(ratio / by_time - 1) > RATIO_NOTED:
            notes.append(
                f"{frame.info.path.name}: {ratio / by_time - 1:+z.1%} of light against its time; "
                "taken into account"
            )
    for frame, (row, column) in zip(ordered, shifts, strict=True):
        if row or column:
            notes.append(f"{frame.info.path.name}: moved by {row}, {column} pixels; put right")
    if not all(move.shown for move in moves):
        notes.append("too little detail to see every movement between exposures")
    return notes
