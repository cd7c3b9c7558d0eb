"""The part of a plate that is printed and shared, as the review page shows and draws it."""

from __future__ import annotations

import numpy as np

from platebench.plate.densities import MEASURED_LONG_SIDE
from platebench.plate.picture_part import box_in_mm, picture_part
from platebench.plate.record import PictureRecord
from platebench.plate.straighten import plan_straighten
from platebench.review.layers import Shown
from platebench.review.tiles import DeepSize, codes_of_preview


def picture_shown(shown: Shown) -> PictureRecord | None:
    """Return the part that a conversion would find; None where all of the plate is printed."""
    pixels, settings = shown.pixels, shown.settings
    plate = None
    if settings.picture == "rebate" and pixels.densities is not None and not shown.framing.whole:
        plan = plan_straighten(pixels.shape, shown.found.corners)
        size = DeepSize(rows=plan.shape[0], columns=plan.shape[1])
        codes = codes_of_preview(pixels.levels, plan.source, size, MEASURED_LONG_SIDE)
        plate = (10.0 ** -pixels.density[codes]).astype(np.float32)
    return picture_part(settings, shown.found.corners, shown.framing, plate)


def drawn_in_mm(
    shown: Shown, box: tuple[float, float, float, float]
) -> tuple[float, float, float, float] | None:
    """Return a rectangle drawn on the positive as ``picture_box_mm`` has it.

    Parameters
    ----------
    box : (top, left, bottom, right)
        Pixels of the positive, its first pixel beginning at 0.

    Returns
    -------
    (left, top, width, height) or None
        None where the plate's size is not known, or its corners are in doubt.
    """
    top, left, bottom, right = box
    return box_in_mm((left, top, right, bottom), shown.found.corners, shown.framing)
