"""Transmittance to the positive's 16-bit values: straightened and toned, band by band.

Every row of the capture is made, coded and forgotten again; what is resampled are its codes, half
the size of floats. No full-size array is held but the result.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.bands import BandedImage, bands
from platebench.plate.colours import one_channel
from platebench.plate.densities import code_from_transmittance
from platebench.plate.straighten import Straightening, resample

Codes = NDArray[np.uint16]
_ROWS = 128  # of the result made at a time, at least


def print_positive(
    picture: BandedImage, plan: Straightening, table: Codes, *, by_green: bool = False
) -> Codes:
    """Return the positive.

    Parameters
    ----------
    picture : BandedImage
        Transmittance of the whole capture.
    plan : Straightening
        Where the result's pixels come from.
    table : ndarray of uint16, shape (65536,)
        Value of each transmittance code.
    by_green : bool
        Tones of a picture in colours are those of green; else all three count alike.

    Returns
    -------
    ndarray of uint16, shape ``plan.shape``
    """
    positive = np.empty(plan.shape, np.uint16)
    as_captured = plan.before_rotation(positive)
    height, width = as_captured.shape
    whole = plan.source_box((0, height), picture.shape)
    # Neighbouring bands of a turned plate share the capture's rows: as many of them as new ones.
    shared = plan.source_box((0, min(_ROWS, height)), picture.shape).rows - min(_ROWS, height)
    spans = bands(height, max(_ROWS, shared))
    boxes = [plan.source_box(span, picture.shape) for span in spans]
    coded = _coded_rows(
        picture, [(box.top, box.bottom) for box in boxes], (whole.left, whole.right), by_green
    )
    for (top, bottom), box, codes in zip(spans, boxes, coded, strict=True):
        matrix = plan.from_band(top, origin=(box.top, whole.left))
        band = resample(codes, matrix, (bottom - top, width), whole_pixels=plan.whole_pixels)
        rows = as_captured[top:bottom]
        if rows.flags.c_contiguous:  # a quarter turn's are not, and OpenCV cannot fill them
            cv2.LUT(band, table, dst=rows)
        else:
            rows[...] = cv2.LUT(band, table)
    return positive


def _coded_rows(
    picture: BandedImage,
    spans: Sequence[tuple[int, int]],
    columns: tuple[int, int],
    by_green: bool,
) -> Iterator[Codes]:
    """Yield the codes of spans of rows, which go down the capture; shared rows are made once.

    What is yielded is overwritten two spans later.
    """
    tallest, width = max(high - low for low, high in spans), columns[1] - columns[0]
    buffers = np.empty((2, tallest, width), np.uint16)
    held, end = buffers[1][:0], 0
    for turn, (low, high) in enumerate(spans):
        codes = buffers[turn % 2][: high - low]
        kept = held[len(held) - max(0, end - low) :]
        codes[: len(kept)] = kept
        fresh = low + len(kept)
        for start, stop in bands(high - fresh):
            pixels = picture.rows(fresh + start, fresh + stop).pixels[:, slice(*columns)]
            band = code_from_transmittance(one_channel(pixels, by_green=by_green))
            codes[len(kept) + start : len(kept) + stop] = band
        held, end = codes, high
        yield codes
