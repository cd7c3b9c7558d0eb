"""A scan of a print: the sheet found on it by its corners, linear light, the mean of places."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import ChartError
from platebench.core.image import CaptureKind
from platebench.core.settings import ScanSettings
from platebench.printing.chart_sheet import MARKERS
from platebench.printing.step_chart import marker_boxes
from platebench.read.capture import read_capture
from platebench.write.paper_page import Box

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


_LUMINANCE = (0.2126, 0.7152, 0.0722)  # of linear red, green, blue: IEC 61966-2-1 (BT.709)
_INNER = 0.62  # share of a patch's side that is read; its rim belongs to its neighbours' light
_POINTS = 40  # a side
_BLOCKS = 5  # a side; the middle block of 25 stands for the patch
_CLIPPED_SHARE = 0.05  # of paper white: the tail of its grain may touch the end
_BLACK_SHARE = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class PrintScan:
    """A print as scanned.

    Attributes
    ----------
    light : ndarray of float32, shape (M, N)
        Linear, share of the scan's full scale.
    clipped, black : ndarray of bool, shape (M, N)
        Where some channel is at its end.
    ppi : float or None
        Pixels per inch, as the file says.
    notes : tuple of str
        How it was read.
    assumed_gamma : float or None
        The gamma that was assumed; None where the file says how it is coded.
    """

    path: Path
    light: Plane
    clipped: NDArray[np.bool_]
    black: NDArray[np.bool_]
    ppi: float | None
    notes: tuple[str, ...]
    assumed_gamma: float | None = None


def read_print(path: Path, gamma: float = 2.2) -> PrintScan:
    """Read a scan of a print.

    Parameters
    ----------
    path : Path
        TIFF, PNG or JPEG; grey or RGB.
    gamma : float
        Used where the file has no profile and does not say how it is coded.

    Raises
    ------
    CaptureError
        If it cannot be read.
    ChartError
        If it is a camera raw: its light is not even, and a mosaic has no luminance.
    """
    frame = read_capture(path, ScanSettings(gamma=gamma))
    if frame.info.kind is CaptureKind.RAW:
        what = "is a camera raw, not a scan of a print"
        raise ChartError(path, what, "scan the print, or save the picture as TIFF")
    counts = frame.counts
    table = np.arange(65536, dtype=np.float32) if frame.curve is None else frame.curve
    table = (table - float(frame.black.mean())) / frame.full_scale
    if counts.ndim == 3:
        light = sum(w * table[counts[..., i]] for i, w in enumerate(_LUMINANCE))
        clipped, black = (counts >= frame.white).any(2), (counts == 0).all(2)
    else:
        light, clipped, black = table[counts], counts >= frame.white, counts == 0
    return PrintScan(
        path=path,
        light=np.asarray(light, np.float32),
        clipped=np.asarray(clipped),
        black=np.asarray(black),
        ppi=frame.info.ppi,
        notes=tuple(note.removesuffix(" ([scan] gamma)") for note in frame.info.notes),
        assumed_gamma=frame.info.assumed_gamma,
    )


def patch_lights(scan: PrintScan, found: FoundSheet, boxes: Sequence[Box]) -> NDArray[np.float64]:
    """Return the linear light of each patch, away from its rim; small damage does not count.

    Reflectance is averaged, not density, as a densitometer's opening does (ISO 5-4).

    Raises
    ------
    ChartError
        If a patch leaves the scan.
    """
    grids = np.concatenate([_grid(box) for box in boxes])
    places = found.points(grids)
    rows, columns = scan.light.shape
    if places.min() < 0 or (places >= (columns - 1, rows - 1)).any():
        what = "does not show the whole sheet"
        raise ChartError(scan.path, what, "scan the whole print, with a little room around it")
    x, y = (places[:, i].astype(np.float32).reshape(len(boxes), -1) for i in (0, 1))
    spacing = found.pixels_a_mm * boxes[0].width * _INNER / _POINTS
    light: Any = scan.light
    if spacing > 1.5:  # fine scans: every pixel counts, not every other
        side = int(spacing) | 1
        light = cv2.blur(scan.light, (side, side))
    values = cv2.remap(light, x, y, cv2.INTER_LINEAR)
    size = _POINTS // _BLOCKS
    blocks = values.reshape(len(boxes), _BLOCKS, size, _BLOCKS, size).mean((2, 4))
    blocks = blocks.reshape(len(boxes), -1).astype(np.float64)
    middles = np.median(blocks, 1)
    spreads = 1.4826 * np.median(np.abs(blocks - middles[:, None]), 1)
    # The mean of the blocks near the median: as robust as that, and less noisy.
    near = np.abs(blocks - middles[:, None]) <= 3 * np.maximum(spreads, 1e-6)[:, None]
    return np.asarray((blocks * near).sum(1) / near.sum(1), np.float64)


def check_white(scan: PrintScan, found: FoundSheet, box: Box) -> None:
    """See that paper white is not clipped.

    Raises
    ------
    ChartError
        If it is, or if it is nearly black.
    """
    if _share(scan.clipped, found, box) > _CLIPPED_SHARE:
        what = "is clipped in the paper's white"
        raise ChartError(
            scan.path, what, "scan it again darker, without automatic levels or contrast"
        )


def check_black(scan: PrintScan, found: FoundSheet, box: Box) -> None:
    """See that the print's black is not clipped.

    Raises
    ------
    ChartError
        If it is.
    """
    if _share(scan.black, found, box) > _BLACK_SHARE:
        what = "is clipped in the print's black"
        raise ChartError(
            scan.path, what, "scan it again lighter, without automatic levels or contrast"
        )


def _share(mask: NDArray[np.bool_], found: FoundSheet, box: Box) -> float:
    places = np.rint(found.points(_grid(box))).astype(int)
    rows, columns = mask.shape
    x, y = np.clip(places[:, 0], 0, columns - 1), np.clip(places[:, 1], 0, rows - 1)
    return float(mask[y, x].mean())


def _grid(box: Box) -> NDArray[np.float64]:
    """Return the points at which a patch is read, ``(x, y)`` in millimetres, row by row."""
    at = ((np.arange(_POINTS) + 0.5) / _POINTS - 0.5) * _INNER + 0.5
    y, x = np.meshgrid(box.top + at * box.height, box.left + at * box.width, indexing="ij")
    return np.column_stack((x.ravel(), y.ravel()))
