"""The part of a plate that is printed and shared: within its rebate, to a ratio, or a rectangle.

Archive masters are never cut by it. Where the picture's own border does not show, the plate is left
whole, and the record says why.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from platebench.core.formats import MM_PER_INCH, ratio_of
from platebench.core.rounding import rounded
from platebench.core.settings import PlateSettings
from platebench.plate.densities import picture_border
from platebench.plate.framing import Framing
from platebench.plate.pictures import plate_to_capture
from platebench.plate.record import PictureRecord, PlateRecord

Doubles = NDArray[np.float64]
Box = tuple[float, float, float, float]  # left, top, right, bottom

LEAST_SHARE = 0.1  # of the plate's short side that a picture has at least
BEYOND = 0.02  # of a side by which a rectangle may pass the plate: it was measured with a ruler
SIDES = ("top", "right", "bottom", "left")


def picture_part(
    settings: PlateSettings,
    corners: Doubles,
    framing: Framing,
    plate: NDArray[np.float32] | None,
) -> PictureRecord | None:
    """Return the part that is printed and shared; None where that is all of the plate.

    Parameters
    ----------
    settings : PlateSettings
    corners : ndarray of float64, shape (4, 2)
        The plate's, ``(row, column)`` in the capture.
    framing : Framing
        How the positive is cut out of the capture.
    plate : ndarray of float32, shape (M, N), or None
        Transmittance of the plate alone, straightened and reduced, as it lies in the capture; None
        where its densities are not known.
    """
    if settings.picture == "off":
        return None
    askew = None
    if framing.whole:
        return _whole(settings, "the plate is not cut out of its capture")
    if framing.scale is None and (settings.picture == "box" or settings.picture_margin_mm):
        what = "the plate's size is not known, and with it no millimetre"
        return _whole(settings, f"{what}: set its format or a caliper size")
    if settings.picture == "box":
        shares = _shares_of_box(settings, framing)
        margin = 0.0
        if shares is None:
            return _whole(settings, "picture_box_mm does not lie within the plate")
    else:
        border = [None] * 4 if plate is None else picture_border(plate)
        missing = [name for name, ends in zip(SIDES, border, strict=True) if ends is None]
        if plate is None or missing:
            return _whole(settings, _no_border(missing))
        shares, askew = _shares_of_border([ends for ends in border if ends], plate.shape)
        margin = settings.picture_margin_mm
    box = _in_result(shares, corners, framing)
    if margin and framing.ppi is not None:
        off = margin * framing.ppi / MM_PER_INCH
        box = (box[0] + off, box[1] + off, box[2] - off, box[3] - off)
    box = _to_ratio(box, ratio_of(settings.picture_ratio))
    rows, columns = framing.plan.shape
    # Inwards to whole pixels.
    left, top = max(0, int(np.ceil(box[0]))), max(0, int(np.ceil(box[1])))
    right, bottom = min(columns, int(np.floor(box[2]))), min(rows, int(np.floor(box[3])))
    if min(right - left, bottom - top) < LEAST_SHARE * min(rows, columns):
        return _whole(settings, "next to nothing of the picture would be left")
    scale = None if framing.ppi is None else MM_PER_INCH / framing.ppi
    return PictureRecord(
        part=settings.picture,
        box_px=(left, top, right, bottom),
        size_mm=None
        if scale is None
        else (rounded((right - left) * scale, 1), rounded((bottom - top) * scale, 1)),
        cut=settings.crop_positives,
        askew_deg=None if askew is None else rounded(askew, 2),
    )


RESIZED = "its positive no longer has the size it was converted to, so it is not cut to its picture"


def is_resized(shape: tuple[int, ...], record: PlateRecord) -> bool:
    """Tell whether a person has changed the size of a positive that is to be cut."""
    to_cut = record.picture is not None and record.picture.to_cut is not None
    return to_cut and record.pixels is not None and shape[1::-1] != tuple(record.pixels)


def cut_to(codes: NDArray[np.uint16], record: PlateRecord) -> NDArray[np.uint16]:
    """Return the part of a positive that is printed and shared: a view, or all of it.

    All of it also where a person has changed its size, see :func:`is_resized`.
    """
    box = None if record.picture is None else record.picture.to_cut
    if box is None or is_resized(codes.shape, record):
        return codes
    return cut_out(codes, box)


def cut_out(codes: NDArray[np.uint16], box: tuple[int, int, int, int]) -> NDArray[np.uint16]:
    """Return a view of a rectangle: left, top, right, bottom, half-open."""
    left, top, right, bottom = box
    return codes[top:bottom, left:right]


def _whole(settings: PlateSettings, why: str) -> PictureRecord:
    return PictureRecord(part=settings.picture, doubt=f"not cut to its picture: {why}")


def _no_border(missing: list[str]) -> str:
    remedy = "give picture_box_mm, or draw the picture on the review page"
    if len(missing) == len(SIDES) or not missing:
        return f"no rebate shows where it ends; {remedy}"
    sides = f"the {' and '.join(missing)} side{'s' if len(missing) > 1 else ''}"
    return f"in the capture, it does not show where the picture ends at {sides}; {remedy}"


def _shares_of_border(
    border: list[tuple[float, float]], shape: tuple[int, ...]
) -> tuple[Box, float]:
    """Return an upright rectangle within a border, as shares of the plate, and the border's lean.

    Clockwise is positive, degrees.
    """
    rows, columns = shape
    top, right, bottom, left = (max(ends) for ends in border)
    lengths = (columns, rows, columns, rows)
    leans = [
        np.degrees(np.arctan2(ends[1] - ends[0], length))
        for ends, length in zip(border, lengths, strict=True)
        if ends[0] != ends[1]
    ]
    lean = float(np.median(leans)) if leans else 0.0
    return (left / columns, top / rows, 1 - right / columns, 1 - bottom / rows), lean


def _shares_of_box(settings: PlateSettings, framing: Framing) -> Box | None:
    if len(settings.picture_box_mm) != 4 or framing.scale is None:
        return None
    left, top, width, height = settings.picture_box_mm
    across, down = framing.scale.glass_mm
    right, bottom = (left + width) / across, (top + height) / down
    if max(right, bottom) > 1 + BEYOND:
        return None
    return left / across, top / down, min(right, 1.0), min(bottom, 1.0)


def box_in_mm(box: Box, corners: Doubles, framing: Framing) -> Box | None:
    """Return a rectangle of the positive as ``picture_box_mm``: left, top, width, height, mm.

    None where the plate's size is not known, or it is not cut out of its capture.

    Parameters
    ----------
    box : (left, top, right, bottom)
        Pixels of the positive, its first pixel beginning at 0; what lies beyond the plate is left
        off.
    """
    if framing.scale is None or framing.whole:
        return None
    left, top, right, bottom = box
    points = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    to_plate = np.linalg.inv(_plate_to_result(corners, framing))
    mapped = np.column_stack([points - 0.5, np.ones(4)]) @ to_plate.T
    shares = np.sort(np.clip(mapped[:, :2] / mapped[:, 2:], 0, 1), axis=0)
    low, high = shares[1] * framing.scale.glass_mm, shares[2] * framing.scale.glass_mm
    x, y = (round(float(v), 1) for v in low)
    width, height = (round(float(v), 1) for v in high - low)
    return x, y, width, height


def _plate_to_result(corners: Doubles, framing: Framing) -> Doubles:
    """Return the homography from shares of the plate, ``(x, y)``, to pixels of the positive."""
    to_capture = plate_to_capture(corners)
    return np.asarray(np.linalg.inv(framing.plan.source) @ to_capture, np.float64)


def _in_result(shares: Box, corners: Doubles, framing: Framing) -> Box:
    """Return the upright rectangle of the positive that lies within one of the plate, pixels.

    Edges of pixels count: the first pixel begins at 0.
    """
    left, top, right, bottom = shares
    inner = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    mapped = np.column_stack([inner, np.ones(4)]) @ _plate_to_result(corners, framing).T
    points = mapped[:, :2] / mapped[:, 2:] + 0.5
    x, y = np.sort(points[:, 0]), np.sort(points[:, 1])
    return float(x[1]), float(y[1]), float(x[2]), float(y[2])


def _to_ratio(box: Box, ratio: float | None) -> Box:
    """Return the largest rectangle of a ratio about a rectangle's middle, its long side as there.

    Examples
    --------
    >>> _to_ratio((0.0, 10.0, 100.0, 60.0), 1.25)
    (18.75, 10.0, 81.25, 60.0)
    """
    if ratio is None:
        return box
    width, height = box[2] - box[0], box[3] - box[1]
    wanted = ratio if width >= height else 1 / ratio  # width over height
    half_w, half_h = min(width, height * wanted) / 2, min(height, width / wanted) / 2
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    return x - half_w, y - half_h, x + half_w, y + half_h
