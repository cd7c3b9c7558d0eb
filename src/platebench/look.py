"""The first half of a plate's way: read, flatten, find. What is seen before anything is made.

Conversion, checks and readings all start here, so that they see the same plate.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.errors import CaptureError, FrameMismatchError, NoPlateError
from platebench.image import CaptureInfo, CaptureKind, PlateImage, SensorFrame
from platebench.plate_job import PlateJob
from platebench.settings import PlateSettings
from platebench.stages.colours import separate_colours
from platebench.stages.density import density_from_transmittance
from platebench.stages.find_plate import FoundPlate, angles_of, find_plate
from platebench.stages.flatten import stain_step, transmittance_from_counts
from platebench.stages.light import Dark, Light, LightSource, level_light, light_of_scanner
from platebench.stages.light_estimate import light_from_surround
from platebench.stages.measure import reduced
from platebench.stages.read_capture import read_capture
from platebench.stages.stain import Stain, measure_stain

DARKEST_PLATE = 0.002  # of full scale: a capture whose brightest part is below it holds nothing
CLIPPED_PLATE = 0.9  # share of clipped sites above which nothing can be read
CLIPPED_IN_BRACKET = 0.001  # share clipped within the plate above which a shorter exposure is used
LEVEL_NOTED, LEVEL_REFUSED = 0.02, 0.5  # change of the bare light: share told, stops refused
FLATTEST_PLATE = 0.06  # D between the 5 % and 95 % quantiles, below which nothing is there


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateView:
    """A plate as it lies in its capture.

    Attributes
    ----------
    image : PlateImage
        TRANSMITTANCE of the whole capture, stain taken off where there was one.
    small : ndarray of float32, shape (m, n) or (m, n, 3)
        Area mean of ``image``, at most 1200 pixels long.
    small_valid : ndarray of bool, shape (m, n), or None
        False where photosites under a pixel of ``small`` clipped.
    found : FoundPlate
        Its corners; the finder's, or those a person gave.
    by_hand : bool
        True where a person gave the corners.
    level : float
        Bare light around the plate over the light used, 1.0 where they agree; transmittance
        divided by this is true.
    light : Light
        What the capture was divided by.
    stain : Stain or None
        None where the picture has one colour.
    doubts : tuple of str
        Everything a person should look at, in plain words.
    notes : tuple of str
        What was assumed or done.
    """

    info: CaptureInfo
    image: PlateImage
    small: NDArray[np.float32]
    small_valid: NDArray[np.bool_] | None
    found: FoundPlate
    by_hand: bool
    level: float
    light: Light
    stain: Stain | None
    doubts: tuple[str, ...]
    notes: tuple[str, ...]


def look_at_plate(job: PlateJob) -> PlateView:
    """Read a plate's capture, flatten it and find the plate.

    Raises
    ------
    CaptureError
        If the capture cannot be read, or is all black or all clipped.
    CalibrationError
        If blank or dark frame do not fit, or there is no light to divide by.
    NoPlateError
        If there is nothing in the frame.
    """
    frame = _best_of_bracket(job)
    _check_counts(frame)
    notes = list(frame.info.notes)
    if len(job.captures) > 1:
        notes.append(f"bracket of {len(job.captures)}: {frame.info.path.name} was used")
    light, image = _flatten(frame, job.light, job.dark)
    known = light.source is not LightSource.SCANNER
    found, by_hand = _find(image, job.settings, light_known=known)
    small = reduced(image.pixels)
    small_valid = _valid_like(image.valid, small)
    level, doubts = 1.0, [*found.doubts]
    if light.source is LightSource.BLANK:
        level = _bare_light_level(small, small_valid, image.shape, found)
        doubts += _check_level(level, small, found, light, frame.info)
    elif light.source is LightSource.ESTIMATED:
        doubts.append("no blank frame: light estimated from the bare light box around the plate")
    stain = measure_stain(image, found.corners) if found.found else None
    if stain is not None and stain.found and job.settings.colour == "mosaic":
        del image
        step = stain_step(stain.correction, frame.pattern, frame.shape, frame.channels)
        image = transmittance_from_counts(frame, light, job.dark, steps=[step])
        small = reduced(image.pixels)
        notes.append("stain taken off: densities are those of the silver as green light sees it")
    if job.settings.colour != "mosaic":
        image = separate_colours(image)
        small = reduced(image.pixels)
    return PlateView(
        info=frame.info,
        image=image,
        small=small,
        small_valid=small_valid,
        found=found,
        by_hand=by_hand,
        level=level,
        light=light,
        stain=stain,
        doubts=tuple(doubts),
        notes=tuple(notes),
    )


def _best_of_bracket(job: PlateJob) -> SensorFrame:
    """Return the longest exposure of a bracket whose middle does not clip."""
    frames = [read_capture(path, job.scan) for path in job.captures[:1]]
    if len(job.captures) == 1:
        return frames[0]
    best = frames[0]
    for path in job.captures[1:]:
        frame = read_capture(path, job.scan)
        one, other = _clipped_in_middle(best), _clipped_in_middle(frame)
        longer = (frame.info.exposure_s or 0) > (best.info.exposure_s or 0)
        if max(one, other) <= CLIPPED_IN_BRACKET:
            best = frame if longer else best
        elif other < one:
            best = frame
    return best


def _clipped_in_middle(frame: SensorFrame) -> float:
    rows, columns = frame.shape
    middle = frame.counts[rows // 4 : -rows // 4, columns // 4 : -columns // 4]
    return float(np.count_nonzero(middle >= frame.white)) / max(1, middle.size)


def _check_counts(frame: SensorFrame) -> None:
    """Refuse a capture that holds no picture at all."""
    if frame.info.kind is CaptureKind.SCAN:
        return
    sample = frame.counts[::7, ::5]
    light = float(np.percentile(sample, 99.9)) - float(frame.black.max())
    if light < DARKEST_PLATE * frame.full_scale:
        raise CaptureError(
            frame.info.path, "is all black", "look at lamp and exposure and take it again"
        )
    if float((sample >= frame.white).mean()) > CLIPPED_PLATE:
        raise CaptureError(
            frame.info.path, "is clipped all over", "shorten the exposure and take it again"
        )


def _flatten(
    frame: SensorFrame, light: Light | None, dark: Dark | None
) -> tuple[Light, PlateImage]:
    if light is None and frame.info.kind is CaptureKind.SCAN:
        light = light_of_scanner(frame)
    if light is None:
        unflattened = transmittance_from_counts(frame, level_light(frame, dark), dark)
        rough = find_plate(unflattened, light_known=False)
        del unflattened
        light = light_from_surround(frame, rough.corners, dark)
    return light, transmittance_from_counts(frame, light, dark)


def _find(
    image: PlateImage, settings: PlateSettings, *, light_known: bool
) -> tuple[FoundPlate, bool]:
    if settings.corners is not None:
        corners = np.array(settings.corners, np.float64)
        tilt, square = angles_of(corners)
        return (
            FoundPlate(
                corners=corners,
                confidence=1.0,
                surround="none",
                tilt_deg=tilt,
                out_of_square_deg=square,
                doubts=(),
                found=True,
            ),
            True,
        )
    return find_plate(image, light_known=light_known), False


def _valid_like(
    valid: NDArray[np.bool_] | None, small: NDArray[np.float32]
) -> NDArray[np.bool_] | None:
    """Return validity for a reduced picture: a pixel is good where all under it are."""
    if valid is None:
        return None
    share = cv2.resize(
        valid.view(np.uint8) * np.uint8(255), small.shape[1::-1], interpolation=cv2.INTER_AREA
    )
    return np.asarray(share == 255, bool)


def _bare_light_level(
    small: NDArray[np.float32],
    valid: NDArray[np.bool_] | None,
    shape: tuple[int, int],
    found: FoundPlate,
) -> float:
    """Return the median transmittance of the bare light around the plate; 1 if none shows."""
    if not found.found or found.surround != "bright":
        return 1.0
    grey = small if small.ndim == 2 else small.mean(axis=2)
    scale = np.array(grey.shape) / np.array(shape)
    centre = found.corners.mean(axis=0)
    grown = (centre + (found.corners - centre) * 1.06) * scale
    outside = np.ones(grey.shape, np.uint8)
    cv2.fillConvexPoly(outside, np.rint(grown[:, ::-1]).astype(np.int32), 0)
    around = grey[outside > 0] if valid is None else grey[(outside > 0) & valid]
    if around.size < 0.02 * grey.size:
        return 1.0
    high = float(np.quantile(around, 0.8))
    return float(np.median(around[np.abs(around - high) < 0.2 * high]))


def _check_level(
    level: float, small: NDArray[np.float32], found: FoundPlate, light: Light, info: CaptureInfo
) -> list[str]:
    """Compare the bare light seen around the plate with the blank's; refuse what is far off."""
    if abs(np.log2(level)) > LEVEL_REFUSED and info.exposure_s:
        raise _light_differs(light, info, f"the bare light is {level:.2f} times the blank's")
    if level == 1.0:
        top = float(np.quantile(small, 0.999))
        if top > 2**LEVEL_REFUSED:
            raise _light_differs(light, info, f"it shows {top:.2f} times the light of the blank")
    if found.found and abs(level - 1) > LEVEL_NOTED:
        return [f"bare light changed by {level - 1:+.0%} since the blank; taken into account"]
    return []


def _light_differs(light: Light, info: CaptureInfo, what: str) -> FrameMismatchError:
    return FrameMismatchError(
        light.info.path,
        info.path,
        what,
        "leave lamp, distance and aperture alone between blank and plate, and take both again",
    )


def check_something_there(view: PlateView) -> None:
    """Refuse a capture in which there is nothing but light.

    Raises
    ------
    NoPlateError
        If no plate was found and the picture is as good as even.
    """
    if view.found.found:
        return
    low, high = np.quantile(density_from_transmittance(view.small), (0.05, 0.95))
    if high - low < FLATTEST_PLATE:
        raise NoPlateError(view.info.path)


def relative(path: Path, folder: Path) -> str:
    """Return a path as it is written in records: relative to the session, with slashes."""
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name
