"""The codes of an archive master, and what of a capture it keeps: plate, edge and a margin.

``T = code / 60000`` and ``D = -log10(code / 60000)``: one formula, which the file itself states.
The bare light box has code 60000, so that light a little brighter than it still has a code.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.plate.bands import BandedImage, BandStep, bands
from platebench.plate.colours import one_channel
from platebench.plate.flatten import stain_step
from platebench.plate.framing import keeps_whole
from platebench.plate.job import PlateJob
from platebench.plate.look import PlateView
from platebench.plate.plate_scale import PlateScale, scale_of

CODES_OF_LIGHT = 60_000
NO_READING = 65_535  # the sensor clipped, or there was more light than the bare light box
FORMULA = f"D = -log10(value / {CODES_OF_LIGHT})"


def linear_codes(
    transmittance: NDArray[np.float32], valid: NDArray[np.bool_] | None = None
) -> NDArray[np.uint16]:
    """Return the nearest code of each transmittance.

    Parameters
    ----------
    transmittance : ndarray of float32, shape (M, N) or (M, N, 3)
        Linear, 1.0 is the bare light box. Below 0 becomes 0; above 1.0922 ``NO_READING``.
    valid : ndarray of bool, shape (M, N), or None
        False where the sensor clipped: ``NO_READING``.

    Returns
    -------
    ndarray of uint16, same shape
        Half a code is 0.0036 D at D 3 (derived: log10(60.5 / 60)).

    Examples
    --------
    >>> linear_codes(np.array([[1.0, 0.001, -0.01, 2.0]], np.float32)).tolist()
    [[60000, 60, 0, 65535]]
    """
    scaled = transmittance * np.float32(CODES_OF_LIGHT)
    np.rint(scaled, out=scaled)
    codes = np.clip(scaled, 0, NO_READING, out=scaled).astype(np.uint16)
    if valid is not None:
        codes[~valid] = NO_READING
    return codes


GAMMA_FORMULA = "D = -2.2 log10(value / 65535)"


def gamma_codes(codes: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Return a master's codes in a 2.2 power law, the bare light box at full scale.

    Light beyond the bare light box and ``NO_READING`` are at full scale, too.

    Examples
    --------
    >>> gamma_codes(np.array([[0, 60, 6000, 60_000, 65_535]], np.uint16)).tolist()
    [[0, 2837, 23011, 65535, 65535]]
    """
    light = np.minimum(np.arange(NO_READING + 1) / CODES_OF_LIGHT, 1.0)
    table = np.rint(NO_READING * light ** (1 / 2.2)).astype(np.uint16)
    return np.asarray(cv2.LUT(codes, table), np.uint16)


PAST_THE_PLATE = 0.94  # transmittance that bare glass does not reach: its faces reflect 8 %


def master_codes(view: PlateView, cut: Cut, *, colour: bool) -> NDArray[np.uint16]:
    """Return the pixels of a master.

    Parameters
    ----------
    view : PlateView
        The plate, stain left on.
    cut : Cut
        What is kept.
    colour : bool
        Keep red, green and blue apart where the picture has them. Otherwise a stained plate is
        brought to what green light sees, inside its outline.

    Returns
    -------
    ndarray of uint16, shape ``cut.shape``, or with three channels
    """
    picture = view.picture if colour else _in_green(view)
    level, columns = np.float32(view.level), slice(cut.left, cut.right)
    codes = np.empty((*cut.shape, *picture.row_shape[1:]) if colour else cut.shape, np.uint16)
    for top, bottom in bands(len(codes)):
        band = picture.rows(cut.top + top, cut.top + bottom)
        light = band.pixels[:, columns]
        codes[top:bottom] = linear_codes(
            (light if colour else one_channel(light, by_green=False)) / level,
            None if band.valid is None else band.valid[:, columns],
        )
    return codes


def _in_green(view: PlateView) -> BandedImage:
    """Return the picture with the stain's colour off inside the plate's outline."""
    picture, stain = view.picture, view.stain
    if stain is None or not stain.found:
        return picture
    off = stain_step(stain.correction, picture.pattern, picture.shape, picture.channels)
    return picture.then(_inside_only(off, view))


def _inside_only(step: BandStep, view: PlateView) -> BandStep:
    """Return a step that leaves alone what is not the plate: all around it, and its chips."""
    inside = np.zeros(view.picture.shape, np.uint8)
    corners = np.rint(view.found.corners[:, ::-1]).astype(np.int32)
    cv2.fillConvexPoly(inside, corners, 1)
    brightest = np.float32(PAST_THE_PLATE * view.level)
    channels = view.picture.channels

    def change(band: NDArray[np.float32], start: int, stop: int) -> None:
        before = band.copy()
        step(band, start, stop)
        plate = np.repeat(inside[start:stop] > 0, channels, axis=1) & (before <= brightest)
        np.copyto(band, before, where=~plate)

    return change


MARGIN = 0.02  # of the plate's longer side: the whole edge, and some of what lies around it
LEAST_MARGIN = 8  # pixels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cut:
    """An upright rectangle of whole photosites: nothing is resampled.

    Attributes
    ----------
    top, left, bottom, right : int
        In the capture, half-open.
    whole : bool
        True where it is the whole capture.
    corners : ndarray of float64, shape (4, 2), or None
        The plate's corners in the cut, ``(row, column)``; None where they are in doubt.
    scale : PlateScale or None
        None where the corners are in doubt, or nothing tells it.
    """

    top: int
    left: int
    bottom: int
    right: int
    whole: bool
    corners: NDArray[np.float64] | None
    scale: PlateScale | None

    @property
    def ppi(self) -> float | None:
        """Pixels per inch, where the scale is known."""
        return None if self.scale is None else self.scale.ppi

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.bottom - self.top, self.right - self.left


def cut_of(view: PlateView, job: PlateJob) -> Cut:
    """Return what is kept: all of it by choice, or where the plate's sides are in doubt."""
    rows, columns = view.picture.shape
    corners = view.found.corners
    whole = keeps_whole(view.found, job.settings)
    top, left, bottom, right = 0, 0, rows, columns
    if not whole:
        sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
        margin = max(LEAST_MARGIN, MARGIN * float(sides.max()))
        low, high = np.floor(corners.min(axis=0) - margin), np.ceil(corners.max(axis=0) + margin)
        top, left = max(0, int(low[0])), max(0, int(low[1]))
        bottom, right = min(rows, int(high[0]) + 1), min(columns, int(high[1]) + 1)
    trusted = view.found.found and not view.found.doubts
    return Cut(
        top=top,
        left=left,
        bottom=bottom,
        right=right,
        whole=whole,
        corners=corners - (top, left) if trusted else None,
        scale=scale_of(corners, job.settings, view.picture.shape) if trusted else None,
    )
