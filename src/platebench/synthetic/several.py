"""Several plates in one frame, with known corners: apart, touching, cracked, on a box or in a mask.

Each plate is drawn on a canvas of its own, laid on a common board in millimetres, seen by a camera
with perspective and a little radial distortion, which no straight side allows for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.formats import FORMATS
from platebench.core.image import SensorFrame
from platebench.synthetic.camera import CameraModel, map_points
from platebench.synthetic.light_box import LightBox
from platebench.synthetic.plate import EmulsionCurve, PlateModel
from platebench.synthetic.scene import SCENES
from platebench.synthetic.simulate import photograph, true_corners, true_transmittance

Rng = np.random.Generator
Array = NDArray[np.float64]
Plane = NDArray[np.float32]
Kind = Literal["bright", "mask", "touch", "crack"]

FINER = 2  # the board is drawn so many times finer than the frame
SHADOW_MM = 0.8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Group:
    """What lies together: one plate, plates that touch, or the pieces of one.

    Attributes
    ----------
    kind : {"plate", "touch", "crack"}
    corners : ndarray of float64, shape (k, 4, 2)
        True corners of each plate, ``(row, column)``; of a cracked one those of the whole plate.
    """

    kind: Literal["plate", "touch", "crack"]
    corners: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeveralPlates:
    """A capture of several plates and the truth behind it."""

    frame: SensorFrame
    box: LightBox
    camera: CameraModel
    groups: tuple[Group, ...]


@dataclass(slots=True, eq=False)
class _Piece:
    """A canvas with something on it, and where it lies: millimetres from its group's middle."""

    picture: Plane
    corners: Array  # in the canvas
    per_mm: float
    place: Array
    turn_deg: float
    part: Plane | None = None  # 1 where the canvas belongs to the piece


@dataclass(slots=True, eq=False)
class _Laid:
    kind: Literal["plate", "touch", "crack"]
    pieces: list[_Piece]
    middle: Array


def simulate_several(
    seed: int,
    kind: Kind = "bright",
    *,
    count: int | None = None,
    shape: tuple[int, int] | None = None,
) -> SeveralPlates:
    """Return one capture of several plates, drawn for a seed; expose its blank for 1/15 s.

    Formats, densities, rebates, chips, dust, turns to 5 degrees, gaps of 2 to 20 mm, shadows of the
    glass, dark rims, uneven light, glare, perspective and distortion all vary.

    Parameters
    ----------
    kind : {"bright", "mask", "touch", "crack"}
        Plates apart on a bright box; in the openings of a mask; two or three of them touching; or
        one in two pieces.
    count : int or None
        Plates; None: 2 to 20.
    shape : (int, int) or None
        Rows and columns of the frame; None: 3 megapixels, 6 for more than six plates.
    """
    rng = np.random.default_rng([seed, 2089, ("bright", "mask", "touch", "crack").index(kind)])
    if count is None:
        count = int(rng.integers(2, 9) if rng.random() < 0.75 else rng.integers(9, 21))
    if shape is None:
        shape = (1400, 2100) if count <= 6 else (2000, 3000)
    camera = CameraModel(
        shape=shape,
        cfa=str(rng.choice(["RGGB", "MONO", "GBRG"])),
        blur_px=0.0,
        fixed_pattern_e=float(rng.uniform(0, 2)),
    )
    box = LightBox(
        uneven=float(rng.uniform(0, 0.3)),
        vignette=float(rng.uniform(0, 0.4)),
        glare=float(rng.uniform(0, 0.008)),
        light_seed=int(rng.integers(1000)),
    )
    laid, size = _lay_out(rng, kind, count, shape)
    to_frame = _board_to_frame(rng, size, shape)
    distortion = float(rng.uniform(-0.002, 0.002))
    truth = _draw(rng, laid, to_frame, shape, distortion, masked=kind == "mask")
    seen, corners = truth
    frame = photograph(seen, box, camera, exposure_s=1 / 15, seed=seed)
    groups = tuple(
        Group(kind=one.kind, corners=found) for one, found in zip(laid, corners, strict=True)
    )
    return SeveralPlates(frame=frame, box=box, camera=camera, groups=groups)


def _lay_out(
    rng: Rng, kind: Kind, count: int, shape: tuple[int, int]
) -> tuple[list[_Laid], tuple[float, float]]:
    """Return the groups in rows on a board, and the board's height and width, mm."""
    small = [known for known in FORMATS if known.long_mm < 200]
    known = small[int(rng.integers(len(small)))]
    alike = rng.random() < 0.6
    per_mm = (
        FINER
        * 0.9
        * float(np.sqrt(shape[0] * shape[1] / (count * known.short_mm * known.long_mm * 1.5)))
    )
    groups: list[list[PlateModel]] = []
    left = count
    special = kind in ("touch", "crack")
    while left > 0:
        together = 1
        if special and not groups and kind == "touch":
            together = min(left, int(rng.choice([2, 2, 3])))
        size = known if alike else small[int(rng.integers(len(small)))]
        upright = rng.random() < 0.3
        groups.append([_plate(rng, size.short_mm, size.long_mm, upright) for _ in range(together)])
        left -= together
    turned = 5.0 if rng.random() < 0.6 else 0.5
    laid: list[_Laid] = []
    for models in groups:
        if kind == "crack" and not laid:
            laid.append(_cracked(rng, models[0], per_mm, turned))
        elif len(models) > 1:
            laid.append(_touching(rng, models, per_mm, turned))
        else:
            laid.append(
                _Laid(
                    "plate",
                    [_piece(rng, models[0], per_mm, rng.uniform(-turned, turned))],
                    np.zeros(2),
                )
            )
    order = rng.permutation(len(laid))
    laid = [laid[k] for k in order]
    narrow = 2.0 if rng.random() < 0.4 else float(rng.uniform(2, 12))
    across = max(1, round(float(np.sqrt(len(laid) * shape[1] / shape[0]))))
    top, widest = 0.0, 0.0
    for start in range(0, len(laid), across):
        row = laid[start : start + across]
        boxes = [_extent(one) for one in row]
        height = max(float(low_high[1][0] - low_high[0][0]) for low_high in boxes)
        x = 0.0
        for one, (low, high) in zip(row, boxes, strict=True):
            slack = height - float(high[0] - low[0])
            one.middle = np.array([top - low[0] + slack * rng.uniform(0, 1), x - low[1]])
            x += float(high[1] - low[1]) + float(rng.uniform(narrow, min(20, narrow + 5)))
        widest = max(widest, x)
        top += height + float(rng.uniform(narrow, min(20, narrow + 5)))
    return laid, (top, widest)


def _plate(rng: Rng, short: float, long: float, upright: bool) -> PlateModel:
    cut = 1 - rng.uniform(0, 0.01, 2)
    size = (long * cut[1], short * cut[0]) if upright else (short * cut[0], long * cut[1])
    strip = float(rng.uniform(1.5, 4.0))
    rebate = [(strip,) * 4, (0.0, strip, 0.0, strip), (strip, 0.0, 0.0, 0.0), (0.0,) * 4]
    return PlateModel(
        size_mm=(float(size[0]), float(size[1])),
        scene=SCENES[int(rng.integers(len(SCENES)))],
        curve=EmulsionCurve(
            base_fog=float(
                rng.uniform(0.06, 0.6) if rng.random() < 0.3 else rng.uniform(0.06, 0.2)
            ),
            gamma=float(rng.uniform(0.5, 1.1)),
        ),
        log_exposure=float(rng.uniform(0.5, 2.4)),
        rebate_mm=rebate[int(rng.choice(4, p=[0.5, 0.15, 0.1, 0.25]))],
        grain_um=float(rng.uniform(0.2, 0.9)),
        coating=float(rng.uniform(0, 0.15)),
        out_of_square_deg=float(rng.uniform(-0.7, 0.7)),
        chips=int(rng.integers(0, 9)),
        flakes=int(rng.integers(0, 4)),
        scratches=int(rng.integers(0, 7)),
        dust=int(rng.integers(0, 81)),
        edge_mm=float(rng.uniform(0.15, 0.6)),
        edge_density=float(rng.uniform(0.3, 1.5)),
    )


def _piece(rng: Rng, model: PlateModel, per_mm: float, turn_deg: float) -> _Piece:
    margin = 5.0
    shape = tuple(int(np.ceil((side + 2 * margin) * per_mm)) for side in model.size_mm)
    fill = per_mm * min(model.size_mm[0] / shape[0], model.size_mm[1] / shape[1])
    fill = per_mm / min(shape[0] / model.size_mm[0], shape[1] / model.size_mm[1])
    camera = CameraModel(shape=(shape[0], shape[1]), cfa="MONO", fill=fill, blur_px=0.0)
    seed = int(rng.integers(2**31))
    picture = true_transmittance(model, LightBox(), camera, seed=seed)
    return _Piece(picture, true_corners(model, camera), per_mm, np.zeros(2), float(turn_deg))


def _touching(rng: Rng, models: list[PlateModel], per_mm: float, turned: float) -> _Laid:
    """Lay plates side by side or one below the other, aligned or not, hardly turned."""
    axis = int(rng.integers(2))
    turn = float(rng.uniform(-turned, turned))
    aligned = rng.random() < 0.5
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    pieces, at = [], 0.0
    for k, model in enumerate(models):
        if aligned:
            model = replace(model, size_mm=models[0].size_mm)
        piece = _piece(rng, model, per_mm, turn + (rng.uniform(-0.2, 0.2) if k else 0))
        half = model.size_mm[axis] / 2
        at += half if k else 0.0
        place = np.zeros(2)
        place[axis] = at
        place[1 - axis] = rng.uniform(-0.5, 0.5) if aligned else rng.uniform(-15, 15)
        piece.place = np.array([c * place[0] + s * place[1], -s * place[0] + c * place[1]])
        at += half + float(rng.uniform(0, 0.2))
        pieces.append(piece)
    return _Laid("touch", pieces, np.zeros(2))


def _cracked(rng: Rng, model: PlateModel, per_mm: float, turned: float) -> _Laid:
    """Break a plate along a bent line, and lay its pieces up to 1.5 mm apart."""
    whole = _piece(rng, model, per_mm, float(rng.uniform(-turned, turned)))
    rows, columns = whole.picture.shape
    upright = columns > rows
    length = rows if upright else columns
    places = np.linspace(0, length - 1, 12)
    slant = rng.uniform(-0.5, 0.5) * length
    middle = (columns if upright else rows) * rng.uniform(0.3, 0.7)
    line = middle + slant * (places / length - 0.5) + rng.normal(0, 0.006 * length, 12).cumsum()
    run = np.interp(np.arange(length), places, line)
    other = np.arange(columns if upright else rows)
    first = (
        np.clip(run[:, None] - other[None, :] + 0.5, 0, 1)
        if upright
        else np.clip(run[None, :] - other[:, None] + 0.5, 0, 1)
    )
    first = first.astype(np.float32)
    distance = (
        np.abs(run[:, None] - other[None, :]) if upright else np.abs(run[None, :] - other[:, None])
    )
    dark = 10 ** (-rng.uniform(0.1, 1.0) * np.clip(1 - distance / (0.3 * per_mm), 0, 1))
    picture = (whole.picture * dark).astype(np.float32)
    apart = float(rng.uniform(0, 1.5))
    pieces = []
    for sign, part in ((-1, first), (1, 1 - first)):
        seen = (1 + part * (picture - 1)).astype(np.float32)
        piece = replace(whole, picture=seen, part=part)
        shift = np.zeros(2)
        shift[1 if upright else 0] = sign * apart / 2
        piece.place = shift
        piece.turn_deg = whole.turn_deg + (float(rng.uniform(-0.3, 0.3)) if sign > 0 else 0.0)
        pieces.append(piece)
    return _Laid("crack", pieces, np.zeros(2))


def _to_board(piece: _Piece, middle: Array) -> Array:
    """Return the homography from a piece's canvas to the board, (row, column) to (y, x) mm."""
    rows, columns = piece.picture.shape
    c, s = np.cos(np.deg2rad(piece.turn_deg)), np.sin(np.deg2rad(piece.turn_deg))
    scale = 1 / piece.per_mm
    turn = np.array([[c * scale, s * scale, 0], [-s * scale, c * scale, 0], [0, 0, 1]])
    centre = np.array([[1, 0, -(rows - 1) / 2], [0, 1, -(columns - 1) / 2], [0, 0, 1]])
    place = piece.place + middle
    return np.asarray(np.array([[1, 0, place[0]], [0, 1, place[1]], [0, 0, 1]]) @ turn @ centre)


def _extent(one: _Laid) -> tuple[Array, Array]:
    points = np.concatenate([map_points(_to_board(p, np.zeros(2)), p.corners) for p in one.pieces])
    return points.min(axis=0), points.max(axis=0)


def _board_to_frame(rng: Rng, size: tuple[float, float], shape: tuple[int, int]) -> Array:
    """Return the homography from the board, mm, to the fine frame."""
    height, width = size
    margin = float(rng.uniform(0.03, 0.08))
    scale = (1 - 2 * margin) * min(shape[0] / height, shape[1] / width)
    lean = rng.normal(0, 0.006, 2) * 2 / np.array([height, width])
    centre = np.array([[1, 0, -height / 2], [0, 1, -width / 2], [0, 0, 1]])
    tilt = np.deg2rad(rng.uniform(-1, 1))
    c, s = np.cos(tilt), np.sin(tilt)
    turn = np.array([[c * scale, s * scale, 0], [-s * scale, c * scale, 0], [lean[0], lean[1], 1]])
    shift = np.array([[1, 0, (shape[0] - 1) / 2], [0, 1, (shape[1] - 1) / 2], [0, 0, 1]])
    return np.asarray(shift @ turn @ centre)


def _draw(
    rng: Rng,
    laid: list[_Laid],
    to_frame: Array,
    shape: tuple[int, int],
    distortion: float,
    *,
    masked: bool,
) -> tuple[Plane, list[Array]]:
    spread = np.diag([FINER, FINER, 1.0])
    spread[:2, 2] = (FINER - 1) / 2
    fine = (shape[0] * FINER, shape[1] * FINER)
    to_fine = spread @ to_frame
    board = np.ones(fine, np.float32)
    card = np.full(fine, 10 ** -float(rng.uniform(2.5, 4.0)), np.float32) if masked else None
    gap = float(rng.choice([0.0, rng.uniform(0.5, 3.0), -rng.uniform(0.5, 2.0)])) if masked else 0.0
    shadow = float(rng.uniform(0, 0.012))
    corners = []
    for one in laid:
        found = []
        for piece in one.pieces:
            to_board = _to_board(piece, one.middle)
            at = to_fine @ to_board
            cover = np.ones(piece.picture.shape, np.float32) if piece.part is None else piece.part
            picture = piece.picture * _shadow(piece, cover, shadow)
            _multiply(board, picture, at)
            glass = piece.corners
            if card is not None:
                centre = glass.mean(axis=0)
                opening = glass + np.sign(glass - centre) * gap * piece.per_mm
                _open(card, map_points(at, opening))
                glass = opening if gap < 0 else glass
            found.append(map_points(at, glass))
        if one.kind == "crack":
            found = [_around(np.concatenate(found))]
        corners.append(np.array(found))
    if card is not None:
        board = np.minimum(board, 1) * np.maximum(card, 0)
    sigma = float(rng.uniform(0.4, 1.2)) * FINER
    board = np.asarray(cv2.GaussianBlur(board, (0, 0), sigma), np.float32)
    board = _distorted(board, distortion)
    seen = np.asarray(cv2.resize(board, shape[::-1], interpolation=cv2.INTER_AREA), np.float32)
    _dust(rng, seen)
    centre = (np.array(fine) - 1) / 2
    reach = float(np.hypot(*centre))
    moved = []
    for points in corners:
        away = points - centre
        r2 = np.sum(away**2, axis=-1, keepdims=True) / reach**2
        moved.append((centre + away * (1 + distortion * r2) - (FINER - 1) / 2) / FINER)
    return seen, moved


def _shadow(piece: _Piece, cover: Plane, strength: float) -> Plane:
    """Return how the plate's thickness dims the box right beside it."""
    glass = np.zeros(cover.shape, np.float32)
    cv2.fillConvexPoly(glass, np.rint(piece.corners[:, ::-1]).astype(np.int32), 1.0)
    glass = glass * cover
    skirt = cv2.GaussianBlur(glass, (0, 0), SHADOW_MM * piece.per_mm)
    return np.asarray(1 - strength * 2 * skirt * (1 - glass), np.float32)


def _multiply(board: Plane, picture: Plane, at: Array) -> None:
    rows, columns = picture.shape
    ends = map_points(at, np.array([[0.0, 0], [0, columns], [rows, columns], [rows, 0]]))
    low = np.maximum(np.floor(ends.min(0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(ends.max(0)).astype(int) + 3, board.shape)
    if (high <= low).any():
        return
    swap = np.array([[0, 1, 0], [1, 0, 0], [0, 0, 1.0]])  # OpenCV counts (x, y)
    moved = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]]) @ at
    seen = cv2.warpPerspective(
        picture,
        swap @ moved @ swap,
        (int(high[1] - low[1]), int(high[0] - low[0])),
        flags=cv2.INTER_LINEAR,
        borderValue=1.0,
    )
    board[low[0] : high[0], low[1] : high[1]] *= seen


def _open(card: Plane, opening: Array) -> None:
    points = np.rint(opening[:, ::-1] * 16).astype(np.int32)
    layer = np.zeros(card.shape, np.uint8)
    cv2.fillConvexPoly(layer, points, 255, lineType=cv2.LINE_AA, shift=4)
    card += (1 - card) * (layer.astype(np.float32) / 255)


def _around(points: Array) -> Array:
    """Return the corners of the smallest rectangle around the pieces of one plate."""
    box = cv2.boxPoints(cv2.minAreaRect(points[:, ::-1].astype(np.float32)))[:, ::-1]
    order = np.argsort(np.arctan2(*(box - box.mean(axis=0)).T))
    box = box[order]
    first = int(np.argmin(box.sum(axis=1)))
    return np.asarray(np.roll(box, -first, axis=0), np.float64)


def _distorted(board: Plane, k: float) -> Plane:
    rows, columns = board.shape
    y = (np.arange(rows, dtype=np.float32) - (rows - 1) / 2)[:, None]
    x = (np.arange(columns, dtype=np.float32) - (columns - 1) / 2)[None, :]
    r2 = (y * y + x * x) / np.float32(((rows - 1) ** 2 + (columns - 1) ** 2) / 4)
    back = (1 / (1 + k * r2 * (1 - 2 * k * r2))).astype(np.float32)
    return np.asarray(
        cv2.remap(
            board,
            x * back + np.float32((columns - 1) / 2),
            y * back + np.float32((rows - 1) / 2),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )


def _dust(rng: Rng, seen: Plane) -> None:
    """Lay specks all over, on the bare box too."""
    for _ in range(int(rng.integers(0, 60))):
        row, column = (int(rng.integers(n)) for n in seen.shape)
        radius = int(np.clip(rng.lognormal(0, 0.5), 1, 4))
        cv2.circle(
            seen, (column, row), radius, float(rng.uniform(0.3, 0.8)) * float(seen[row, column]), -1
        )
