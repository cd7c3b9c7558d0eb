"""Several pictures on one plate: each a work order of its own on what was seen.

The plate stays one object with one master; its pictures share its captures, light and fog.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.formats import MM_PER_INCH
from platebench.core.settings import PictureSettings, PlateSettings
from platebench.plate.densities import PlateDensities
from platebench.plate.framing import Framing
from platebench.plate.job import PlateJob
from platebench.plate.look import PlateView
from platebench.plate.record import PlateRecord
from platebench.plate_log.entry import LogEntry

Doubles = NDArray[np.float64]

_PLATE_IN_DOUBT = "its pictures were not cut out: the plate's sides are in doubt"
_NO_SIZE = "picture {id} was not cut out: the plate's size is not known, and with it no millimetre"
_BEYOND = "picture {id} was not cut out: it leaves the plate, which is {across:.1f} x {down:.1f} mm"
_LEAST_PX = 16  # of a side: no figure can be had of less
_TOO_SMALL = "picture {id} was not cut out: it would be fewer than 16 pixels wide or high"
_SPILL = 0.01  # of a side by which millimetres may pass the plate: glass is cut under its format


def picture_name(plate_id: str, picture: PictureSettings) -> str:
    """Return what a picture on a plate is called on command lines and in reports.

    Examples
    --------
    >>> picture_name("plate-001", PictureSettings(id="left"))
    'plate-001/left'
    """
    return f"{plate_id}/{picture.id}"


def plate_sides(corners: Doubles) -> tuple[float, float]:
    """Return width and height between four corners, means of opposite sides, in pixels."""
    ways = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    return float(ways[0] + ways[2]) / 2, float(ways[1] + ways[3]) / 2


def shares_of(picture: PictureSettings, plate_mm: tuple[float, float] | None) -> Doubles | None:
    """Return a picture's four (across, down) places as shares of the plate, clockwise.

    Parameters
    ----------
    picture : PictureSettings
    plate_mm : (width, height) or None
        As the plate lies in the capture.

    Returns
    -------
    ndarray of float64, shape (4, 2), or None
        None where its millimetres leave the plate, or the plate's size is not known.
    """
    if picture.outline:
        return np.array(picture.outline)
    left, top, width, height = picture.box_mm or picture.box
    across, down = (plate_mm or (0.0, 0.0)) if picture.box_mm else (1.0, 1.0)
    if not across or max((left + width) / across, (top + height) / down) > 1 + _SPILL:
        return None
    right, bottom = min((left + width) / across, 1.0), min((top + height) / down, 1.0)
    left, top = left / across, top / down
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def plate_size(corners: Doubles, ppi: float | None) -> tuple[float, float] | None:
    """Return width and height in mm of a plate as it lies; None where its scale is not known."""
    if ppi is None:
        return None
    width, height = plate_sides(corners)
    return width * MM_PER_INCH / ppi, height * MM_PER_INCH / ppi


def plate_to_capture(corners: Doubles) -> Doubles:
    """Return the homography from shares of a plate, ``(x, y)``, to ``(x, y)`` in the capture."""
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    return np.asarray(cv2.getPerspectiveTransform(unit, corners[:, ::-1].astype(np.float32)))


def corners_in_capture(shares: Doubles, corners: Doubles) -> Doubles:
    """Return shares of a plate as ``(row, column)`` in the capture.

    A plate's corners lie on the edge of the glass, in the pixels' own places: the middle of the
    first is 0.
    """
    return np.asarray(cv2.perspectiveTransform(shares[None], plate_to_capture(corners))[0][:, ::-1])


def picture_jobs(
    job: PlateJob, view: PlateView, framing: Framing
) -> tuple[list[tuple[PlateJob, PlateView]], list[str]]:
    """Return the pictures of a plate to be made, and why others cannot be.

    Parameters
    ----------
    job : PlateJob
        The plate's.
    view : PlateView
        What was seen of it.
    framing : Framing
        How it is cut out.
    """
    if not job.settings.pictures:
        return [], []
    if not view.found.found or view.found.doubts:
        return [], [_PLATE_IN_DOUBT]
    plate_mm = plate_size(view.found.corners, framing.ppi)
    jobs, faults = [], []
    tones = job.picture_tones or (job.tone,) * len(job.settings.pictures)
    for picture, tone in zip(job.settings.pictures, tones, strict=True):
        shares = shares_of(picture, plate_mm)
        if shares is None:
            across, down = plate_mm or (0.0, 0.0)
            said = _BEYOND if plate_mm else _NO_SIZE
            faults.append(said.format(id=picture.id, across=across, down=down))
            continue
        corners = corners_in_capture(shares, view.found.corners)
        if min(plate_sides(corners)) < _LEAST_PX:
            faults.append(_TOO_SMALL.format(id=picture.id))
            continue
        own = _settings(job.settings, picture, plate_size(corners, framing.ppi))
        scale = framing.scale
        if scale is not None and scale.error is not None:  # measured: no nominal size
            pair = scale.pixels_per_mm, scale.pixels_per_mm * scale.error
            own = replace(own, format="", scale=pair, scale_from=scale.reference)
        entry = job.entry
        if picture.caption:
            entry = replace(entry or LogEntry(plate_id=own.id), title=picture.caption)
        found = replace(view.found, corners=corners, confidence=1.0, doubts=())
        seen = replace(view, found=found, by_hand=True, doubts=(), notes=())
        jobs.append((replace(job, settings=own, tone=tone, picture_tones=(), entry=entry), seen))
    return jobs, faults


def settings_of(name: str, plates: Mapping[str, PlateSettings]) -> PlateSettings:
    """Return the settings of a plate, or of a picture on one, by its name.

    Raises
    ------
    KeyError
        If there is none.
    """
    if name in plates:
        return plates[name]
    plate = plates[name.rpartition("/")[0]]
    pictures = {picture_name(plate.id, picture): picture for picture in plate.pictures}
    return _settings(plate, pictures[name], None)


def names_of(plate: PlateSettings) -> tuple[str, ...]:
    """Return the names of a plate and of the pictures on it."""
    return (plate.id, *(picture_name(plate.id, picture) for picture in plate.pictures))


def _settings(
    plate: PlateSettings, picture: PictureSettings, size_mm: Sequence[float] | None
) -> PlateSettings:
    """Return a picture's settings as if it were a plate: only what holds for it too is taken."""
    return PlateSettings(
        id=picture_name(plate.id, picture),
        captures=plate.captures,
        format="" if size_mm is None else "{:.3f} x {:.3f} mm".format(*size_mm),
        emulsion=plate.emulsion,
        rotate=plate.rotate,
        tone=picture.tone or plate.tone,
        printing=plate.printing,
        print_stops=plate.print_stops if picture.print_stops is None else picture.print_stops,
        print_contrast=plate.print_contrast
        if picture.print_contrast is None
        else picture.print_contrast,
        colour=plate.colour,
        straighten=plate.straighten,
        join=plate.join,
    )


def with_fog_of(plate: PlateDensities, picture: PlateDensities) -> PlateDensities:
    """Return a picture's densities with the base plus fog that the plate's rebate shows."""
    if plate.base_fog_from != "rebate":
        return picture
    return replace(
        picture,
        base_fog=plate.base_fog,
        base_fog_from=plate.base_fog_from,
        base_fog_sigma=plate.base_fog_sigma,
        base_fog_spread=plate.base_fog_spread,
    )


def own_part(picture: PlateRecord, plate: PlateRecord, caption: str) -> PlateRecord:
    """Return what a picture's record says that its plate's does not."""
    nothing = PlateRecord()
    alike = ("camera", "taken", "exposure_s", "light", "bracket", "join",
             "glare", "glare_at_most", "stain", "calibration", "surround", "log")  # fmt: skip
    return replace(
        picture,
        **{key: getattr(nothing, key) for key in alike},
        format="",
        caption=caption,
        flags=tuple(flag for flag in picture.flags if flag not in plate.flags),
        notes=tuple(note for note in picture.notes if note not in plate.notes),
    )
