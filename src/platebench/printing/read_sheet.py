"""A scan of a print to linear light, and the mean light of places on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.errors import ChartError
from platebench.image import CaptureKind
from platebench.outputs.proof_page import Box
from platebench.printing.find_sheet import FoundSheet
from platebench.settings import ScanSettings
from platebench.stages.read_capture import read_capture

Plane = NDArray[np.float32]
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
        notes=tuple(note.replace("[scan] gamma", "--gamma") for note in frame.info.notes),
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
