"""A sheet with corner squares in a scan: where it lies, which one it is, which way it reads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.errors import ChartError
from platebench.printing.chart_sheet import MARKERS
from platebench.printing.step_chart import marker_boxes

Plane = NDArray[np.float32]
SizeOf = Callable[[int], tuple[float, float]]
_LOOKED_AT = (1600, 3200, 900)  # longest side, pixels; the first serves nearly always
_NUMBERS = 250
_WHOLE = "scan the whole print flat, with all four corner squares in the picture"


@dataclass(frozen=True, slots=True, eq=False)
class FoundSheet:
    """Where a sheet lies.

    Attributes
    ----------
    number : int
        Coded in its corner squares.
    to_scan : ndarray of float64, shape (3, 3)
        From ``(x, y)`` in millimetres on the sheet to pixels of the scan.
    squares : int
        Corner squares seen, 3 or 4.
    """

    number: int
    to_scan: NDArray[np.float64]
    squares: int

    @property
    def pixels_a_mm(self) -> float:
        """Scale of the scan, near the sheet's upper left corner."""
        ends = self.points(np.array([(10.0, 10.0), (60.0, 60.0)]))
        return float(np.hypot(*(ends[1] - ends[0])) / np.hypot(50.0, 50.0))

    def points(self, mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where places on the sheet, ``(x, y)`` in millimetres, lie in the scan."""
        homogeneous = np.column_stack((mm, np.ones(len(mm)))) @ self.to_scan.T
        return np.asarray(homogeneous[:, :2] / homogeneous[:, 2:])


def find_sheet(path: Path, light: Plane, *, size: SizeOf, what: str) -> FoundSheet:
    """Find the corner squares of a sheet.

    Parameters
    ----------
    path : Path
        The scan, for messages.
    light : ndarray of float32, shape (M, N)
        Linear.
    size : callable
        Width and height of the sheet with some number, millimetres; may raise ``ChartError``.
    what : str
        What it is called, such as ``"step chart"``.

    Raises
    ------
    ChartError
        If there is none, or another one, or if it is reversed.
    """
    codes = np.sqrt(np.clip(light / max(float(np.percentile(light, 99)), 1e-6), 0, 1))
    picture = (codes * 255).astype(np.uint8)
    seen: dict[int, NDArray[np.float64]] = {}
    for longest in _LOOKED_AT:
        seen = max(seen, _squares(picture, longest), key=lambda found: len(_of_one(found)))
        if len(_of_one(seen)) == 4:
            break
    squares = _of_one(seen)
    if len(squares) >= 3:
        return _placed(path, squares, size, what)
    mirrored = _of_one(_squares(np.ascontiguousarray(picture[:, ::-1]), _LOOKED_AT[0]))
    if len(mirrored) >= 3:
        raise ChartError(
            path,
            f"shows the {what} reversed",
            "if the scan was flipped turn it back, else print again with the film's ink side on "
            "the paper",
        )
    found = f"shows {len(squares)} of the four corner squares of a {what}"
    raise ChartError(
        path,
        found if squares else f"shows no {what}",
        _WHOLE,
    )


def _squares(picture: NDArray[np.uint8], longest: int) -> dict[int, NDArray[np.float64]]:
    """Return the corners of each square by its code, in pixels of the whole picture."""
    factor = min(1.0, longest / max(picture.shape))
    small: Any = picture
    if factor < 1:
        small = cv2.resize(picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(MARKERS)
    corners, codes, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(small)
    if codes is None:
        return {}
    return {
        int(code): (square.reshape(4, 2).astype(np.float64) + 0.5) / factor - 0.5
        for code, square in zip(np.ravel(codes), corners, strict=True)
    }


def _of_one(seen: dict[int, NDArray[np.float64]]) -> dict[int, NDArray[np.float64]]:
    """Return the squares of the sheet that shows the most of them."""
    sheets: dict[int, dict[int, NDArray[np.float64]]] = {}
    for code, square in seen.items():
        if code < 4 * _NUMBERS:
            sheets.setdefault(code // 4, {})[code] = square
    return max(sheets.values(), key=len, default={})


def _placed(
    path: Path, squares: dict[int, NDArray[np.float64]], size: SizeOf, what: str
) -> FoundSheet:
    number = next(iter(squares)) // 4
    width, height = size(number)
    boxes = marker_boxes(width, height)
    mm, pixels = [], []
    for code, square in squares.items():
        box = boxes[code % 4]
        mm += [
            (box.left, box.top), (box.right, box.top), (box.right, box.bottom),
            (box.left, box.bottom),
        ]  # fmt: skip
        pixels += list(square)
    matrix, _ = cv2.findHomography(np.array(mm), np.array(pixels), 0)
    if matrix is None:
        raise ChartError(path, f"shows no {what}", _WHOLE)
    return FoundSheet(number, np.asarray(matrix, np.float64), len(squares))
