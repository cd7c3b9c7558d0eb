"""The first half of a plate's way: read, flatten, find. What is seen before anything is made.

Conversion, checks and readings all start here, so that they see the same plate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import BadSettingError, FrameMismatchError, NoPlateError
from platebench.core.image import CaptureInfo, CaptureKind, PlateImage, SensorFrame
from platebench.core.settings import SESSION_FILE, PlateSettings
from platebench.plate.bands import BandedImage, banded
from platebench.plate.bare_light import (
    LightDrift,
    around_plate,
    bare_light_drift,
    bare_light_level,
    drift_step,
    white_of_scan,
)
from platebench.plate.bracket.plan import BracketPlan
from platebench.plate.calibration import Calibration
from platebench.plate.colours import one_channel, separate_colours
from platebench.plate.densities import MEASURED_LONG_SIDE, density_from_transmittance
from platebench.plate.exposures import Exposures, read_exposures
from platebench.plate.finding.find_plate import FoundPlate, angles_of
from platebench.plate.finding.overview import Overview, find_in_overview, overview_of
from platebench.plate.finding.surround import BLACK
from platebench.plate.flatten import stain_step
from platebench.plate.glare import Glare, glare_bound, glare_step, interval_in_words, measure_glare
from platebench.plate.job import PlateJob
from platebench.plate.joining.join import Joined, join_tiles
from platebench.plate.light import LEVEL_REFUSED, Light, LightSource
from platebench.plate.set_up import compare_set_ups, set_up_of
from platebench.plate.shown_tones import GAMMA as SCAN_GAMMA
from platebench.plate.shown_tones import Polarity, tones_of_light
from platebench.plate.stain import Stain, measure_stain

LEVEL_NOTED = 0.02  # change of the bare light that is told
CORNERS_BEYOND = 0.1  # of the long side that corners by hand may lie outside the capture
SMALLEST_SIDE = 0.02  # of the long side, between corners by hand
FLATTEST_PLATE = 0.06  # D between the 5 % and 95 % quantiles, below which nothing is there


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateView:
    """A plate as it lies in its capture.

    Attributes
    ----------
    picture : BandedImage
        Transmittance of the whole capture, glare and stain taken off where they were measured.
    small : Overview
        The same, at most ``MEASURED_LONG_SIDE`` pixels long.
    found : FoundPlate
        Its corners; the finder's, or those a person gave.
    by_hand : bool
        True where a person gave the corners.
    level : float
        Bare light around the plate over the light used, 1.0 where they agree; transmittance
        divided by this is true.
    light : Light
        What the capture was divided by.
    light_note : str or None
        What the densities of a scan without a blank count from, in words.
    drift : LightDrift or None
        How the light has drifted across the frame since the blank; it has been taken off.
    plan : BracketPlan or None
        How a bracket was merged; None for a single capture.
    joined : Joined or None
        How tiles were joined; None for a single capture or a bracket.
    glare : Glare or None
        By all that tells of it; None where nothing dark shows it.
    glare_off : bool
        Whether it was taken off: what does not stand out from its error is not.
    glare_bound : float or None
        The most that glare can be, share of the bare light, where nothing dark shows it.
    calibration : Calibration or None
        The session's, where it holds for this capture.
    stain : Stain or None
        None where the picture has one colour.
    by_green : bool
        Densities and tones are those of green: the picture has colours, which are kept.
    looks : {"negative", "positive"} or None
        What a scan seems to show; None where that cannot be told, and of a raw.
    doubts : tuple of str
        Everything a person should look at, in plain words.
    notes : tuple of str
        What was assumed or done.
    """

    info: CaptureInfo
    picture: BandedImage
    small: Overview
    found: FoundPlate
    by_hand: bool
    level: float
    light: Light
    light_note: str | None
    drift: LightDrift | None
    plan: BracketPlan | None
    joined: Joined | None
    glare: Glare | None
    glare_off: bool
    glare_bound: float | None
    calibration: Calibration | None
    stain: Stain | None
    by_green: bool
    looks: Polarity | None
    doubts: tuple[str, ...]
    notes: tuple[str, ...]

    @cached_property
    def image(self) -> PlateImage:
        """All of ``picture`` at once, for readings all over it; made when first asked for."""
        return self.picture.whole()


def look_at_plate(
    job: PlateJob, *, neutralise: bool = True, frames: Sequence[SensorFrame] | None = None
) -> PlateView:
    """Read a plate's captures, flatten or merge them, find the plate, take glare and stain off.

    Parameters
    ----------
    job : PlateJob
        The plate.
    neutralise : bool
        False leaves stain on, for readings of red, green and blue.
    frames : sequence of SensorFrame, optional
        The captures, where they have been read already.

    Raises
    ------
    CaptureError
        If a capture cannot be read, or is all black or all clipped.
    BracketError
        If several captures are not exposures of one framing.
    CalibrationError
        If blank or dark frame do not fit, or there is no light to divide by.
    """
    exposures, joined = _captures_of(job, frames)
    light, notes = exposures.light, list(exposures.notes)
    picture = exposures.picture()
    seen = overview_of(picture)
    small = seen.at_most(MEASURED_LONG_SIDE)
    positive = exposures.info.shows_positive
    found, by_hand = _find(
        turned_tones(seen) if positive else seen,
        job.settings,
        light_known=light.source is not LightSource.SCANNER,
    )
    if by_hand:
        around = _surround(turned_tones(small) if positive else small, found)
        found = replace(found, surround=around)
    alone = None if by_hand or joined is not None else found
    picture, seen, drift = _without_drift(picture, seen, light, alone)
    small = seen.at_most(MEASURED_LONG_SIDE)
    looks: Polarity | None = None
    doubts = [*found.doubts, *(joined.doubts if joined else ())]
    if exposures.info.kind is CaptureKind.SCAN:
        looks = tones_of_light(one_channel(small.pixels, by_green=False))
        doubts[:0] = misread(looks, exposures.info)
    level, light_note, doubtful = _level(small, found, exposures, by_hand=by_hand)
    doubts += doubtful
    if light_note is not None:
        notes.append(light_note)
    if positive and job.settings.emulsion == "camera":
        notes.append('turned left for right, for emulsion = "camera" is set')
    calibration, unlike = calibration_for(job, exposures.info)
    doubts += unlike
    glare = (
        joined.glare
        if joined is not None
        else None
        if positive
        else _glare(seen, found, light, calibration, job.settings, level, by_hand=by_hand)
    )
    if by_hand and found.surround != "dark" and joined is None:
        notes.append("glare not read outside corners given by hand")
    wanted = glare is not None and glare.shows and job.settings.glare != "kept"
    glare_off = wanted if joined is None else joined.glare_off
    bound, of_glare = _of_glare(glare, light, seen, level)
    doubts += of_glare[0]
    notes += of_glare[1]
    if glare is not None and glare_off and joined is None:
        step = glare_step(glare.off, picture.pattern, picture.shape, channels=light.channels)
        picture = picture.then(step)
        seen = overview_of(picture)
        if light.source is LightSource.BLANK:
            level = bare_light_level(seen.at_most(MEASURED_LONG_SIDE), found)
    stain = measure_stain(seen, found.corners) if found.found and not positive else None
    coloured, before = job.settings.colour != "mosaic", picture
    if coloured and picture.channels == 1:
        picture = banded(separate_colours(picture.whole()))
    elif stain is not None and stain.found and neutralise:
        picture = picture.then(
            stain_step(stain.correction, picture.pattern, picture.shape, picture.channels)
        )
    seen = seen if picture is before else overview_of(picture)
    for known, said in zip(
        (doubts, notes), _of_stain(stain, coloured=coloured, neutralise=neutralise), strict=True
    ):
        known += said
    return PlateView(
        info=exposures.info,
        picture=picture,
        small=seen.at_most(MEASURED_LONG_SIDE),
        found=found,
        by_hand=by_hand,
        level=level,
        light=light,
        light_note=light_note,
        drift=drift,
        plan=exposures.plan,
        joined=joined,
        glare=glare,
        glare_off=glare_off,
        glare_bound=bound,
        calibration=calibration,
        stain=stain,
        by_green=coloured or (stain is not None and stain.found and not neutralise),
        looks=looks,
        doubts=tuple(doubts),
        notes=(*notes, *_of_drift(drift)),
    )


def _captures_of(
    job: PlateJob, frames: Sequence[SensorFrame] | None
) -> tuple[Exposures, Joined | None]:
    """Return a plate's captures as one picture: a bracket merged, or tiles joined."""
    if len(job.captures) > 1 and job.settings.join == "tiles":
        joined = join_tiles(job)
        return joined.exposures, joined
    return read_exposures(job, frames), None


def turned_tones(seen: Overview) -> Overview:
    """Return a scan that shows a positive as the negative it was made of, to find the plate in.

    Which curve the scanner's program used is not known; edges stay where they are by any of them.
    """
    code = np.clip(seen.pixels, 0, 1) ** np.float32(1 / SCAN_GAMMA)
    return replace(seen, pixels=np.asarray((1 - code) ** np.float32(SCAN_GAMMA), np.float32))


def misread(looks: Polarity | None, info: CaptureInfo) -> list[str]:
    """Say where a scan looks like the other of negative and positive than it is taken for."""
    taken: Polarity = "positive" if info.shows_positive else "negative"
    if looks is None or looks == taken:
        return []
    return [f'looks like a {looks} and is read as a {taken} ([scan] shows = "{taken}")']


def coloured_said(stain: Stain | None) -> list[str]:
    """Say where a capture has colours that neither silver nor a stain has."""
    if stain is None or not stain.coloured:
        return []
    return [
        f"colours that no stain explains ({stain.unexplained:.2f} D): is this a negative? "
        'colour = "demosaiced" keeps them'
    ]


def _glare(
    seen: Overview,
    found: FoundPlate,
    light: Light,
    calibration: Calibration | None,
    settings: PlateSettings,
    level: float,
    *,
    by_hand: bool,
) -> Glare | None:
    """Return the glare of a capture, by all that tells of it."""
    # Corners by hand may lie within the glass: what is beyond them is no card then.
    beside = found.found and not (by_hand and found.surround != "dark")
    scan = light.source is LightSource.SCANNER  # in which a lid or a margin may be dark
    return measure_glare(
        seen,
        light,
        corners=found.corners if beside and not scan else None,
        others=found.others,
        surround=found.surround,
        level=level,
        card_density=settings.card_density,
        tablet=None if calibration is None else calibration.glare,
    )


def _of_glare(
    glare: Glare | None, light: Light, seen: Overview, level: float
) -> tuple[float | None, tuple[Sequence[str], Sequence[str]]]:
    """Return the most that glare can be where nothing shows it, and doubts and notes on it."""
    if glare is not None:
        return None, (glare.doubts, ())
    if light.source is not LightSource.BLANK:
        return None, ((), ())
    bound = glare_bound(seen, level)
    return bound, ((), (f"nothing dark shows how much light strays: {interval_in_words(bound)}",))


def calibration_for(job: PlateJob, info: CaptureInfo) -> tuple[Calibration | None, tuple[str, ...]]:
    """Return the calibration that holds for a capture, if one does, and what differs."""
    if info.shows_positive:
        return None, ()
    if job.calibration is None or job.calibration.set_up is None:
        return job.calibration, ()
    fit = compare_set_ups(job.calibration.set_up, set_up_of(info, job.blanks))
    return (job.calibration if fit.applies else None), fit.doubts


def _find(seen: Overview, settings: PlateSettings, *, light_known: bool) -> tuple[FoundPlate, bool]:
    if settings.corners is not None:
        return plate_by_hand(settings, seen.shape), True
    found = find_in_overview(seen, light_known=light_known)
    said = (settings.doubt,) if settings.doubt else ()
    return (
        replace(
            found,
            doubts=(*said, *found.doubts),
            confidence=0.0 if said else found.confidence,
            others=_outlines(settings),
        ),
        False,
    )


def _outlines(settings: PlateSettings) -> tuple[NDArray[np.float64], ...]:
    return tuple(np.array(outline, np.float64) for outline in settings.others)


def plate_by_hand(settings: PlateSettings, shape: tuple[int, int]) -> FoundPlate:
    """Return the plate whose corners a person gave, in a capture of ``shape``.

    Raises
    ------
    BadSettingError
        If they lie far outside the capture, or enclose next to nothing.
    """
    corners = np.array(settings.corners, np.float64)
    _check_corners(corners, shape, settings.id)
    tilt, square = angles_of(corners)
    return FoundPlate(
        corners=corners,
        confidence=0.0 if settings.doubt else 1.0,
        surround="none",
        tilt_deg=tilt,
        out_of_square_deg=square,
        doubts=(settings.doubt,) if settings.doubt else (),
        found=True,
        others=_outlines(settings),
    )


def _surround(small: Overview, found: FoundPlate) -> Literal["bright", "dark", "none"]:
    """Say what lies around corners that a person gave: bare light, black, or neither."""
    around, inside = around_plate(small, found)
    if around.size < 0.02 * small.pixels.shape[0] * small.pixels.shape[1] or inside.size == 0:
        return "none"
    middle = float(np.median(around))
    if middle > 0.95 * float(np.quantile(inside, 0.99)):
        return "bright"
    return "dark" if middle < BLACK else "none"


def _check_corners(corners: NDArray[np.float64], shape: tuple[int, int], plate_id: str) -> None:
    """Refuse corners by hand that lie far outside the capture, or enclose next to nothing."""
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    if sides.min() < SMALLEST_SIDE * max(shape):
        raise BadSettingError(
            Path(SESSION_FILE),
            f"corners of {plate_id}",
            "enclose next to nothing",
            "write [row, column] of each, in pixels of the capture",
        )
    reach = CORNERS_BEYOND * max(shape)
    if (corners < -reach).any() or (corners > np.array(shape) + reach).any():
        raise BadSettingError(
            Path(SESSION_FILE),
            f"corners of {plate_id}",
            f"lie outside the capture, which is {shape[0]} rows by {shape[1]} columns",
            "write [row, column] of each, in pixels of the capture",
        )


def _without_drift(
    picture: BandedImage, seen: Overview, light: Light, found: FoundPlate | None
) -> tuple[BandedImage, Overview, LightDrift | None]:
    """Return a picture without the light's drift since the blank, if the bare light shows one."""
    if light.source is not LightSource.BLANK or found is None:
        return picture, seen, None
    drift = bare_light_drift(seen.at_most(MEASURED_LONG_SIDE), found)
    if drift is None:
        return picture, seen, None
    picture = picture.then(drift_step(drift, picture.shape, picture.channels))
    return picture, overview_of(picture), drift


def _of_drift(drift: LightDrift | None) -> Sequence[str]:
    """Return a note on the light's drift."""
    if drift is None:
        return ()
    said = f"{drift.in_words} of the frame; taken into account"
    return (f"the light has drifted since the blank: {said}",)


def _level(
    small: Overview, found: FoundPlate, exposures: Exposures, *, by_hand: bool
) -> tuple[float, str | None, Sequence[str]]:
    """Return the level of the light, what it counts from where that is a scanner, and doubts."""
    if exposures.info.shows_positive:
        return 1.0, None, ()
    if exposures.light.source is LightSource.SCANNER:
        return *white_of_scan(small, found, by_hand=by_hand), ()
    level, doubtful = _level_of_light(small, found, exposures)
    return level, None, doubtful


def _level_of_light(
    small: Overview, found: FoundPlate, exposures: Exposures
) -> tuple[float, list[str]]:
    """Return how bright the bare light is by the blank's, 1.0 without one, and what is doubtful."""
    info, light = exposures.info, exposures.light
    if light.source is LightSource.ESTIMATED:
        return 1.0, [
            "no blank frame: light estimated from what lies around the plate, as if bare light box"
        ]
    level = bare_light_level(small, found)
    doubts = _check_level(level, small.pixels, found, light, info)
    if level == 1.0 and None in (info.exposure_s, light.info.exposure_s):
        doubts.append("exposure time unknown: taken to be the blank's")
    return level, doubts


def _of_stain(
    stain: Stain | None, *, coloured: bool, neutralise: bool
) -> tuple[Sequence[str], Sequence[str]]:
    """Return doubts and notes on a plate's stain."""
    if stain is None or (coloured and not stain.found):
        return (), ()
    if coloured:
        return (), ("colours kept: densities and tones are those of green",)
    if stain.found and neutralise:
        return (), ("stain taken off: densities are those of the silver as green light sees it",)
    return (coloured_said(stain) if stain.coloured else ()), ()


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
        return [f"bare light changed by {level - 1:+z.0%} since the blank; taken into account"]
    return []


def _light_differs(light: Light, info: CaptureInfo, what: str) -> FrameMismatchError:
    return FrameMismatchError(
        light.info.path,
        info.path,
        what,
        "leave lamp, distance and aperture alone between blank and plate, and take both again",
    )


def check_something_there(view: PlateView, settings: PlateSettings) -> None:
    """Refuse a capture in which there is nothing but light, unless it is to be kept whole.

    Raises
    ------
    NoPlateError
        If no plate was found and the picture is as good as even.
    BadSettingError
        If corners by hand enclose nothing but even light.
    """
    if (view.found.found and not view.by_hand) or not settings.crop:
        return
    picture = view.small.pixels
    if view.by_hand:
        picture = _within(picture, view.small.places(view.found.corners))
    low, high = np.quantile(density_from_transmittance(picture), (0.05, 0.95))
    if high - low >= FLATTEST_PLATE:
        return
    if view.by_hand:
        raise BadSettingError(
            Path(SESSION_FILE),
            f"corners of {settings.id}",
            "enclose nothing but even light",
            "write [row, column] of each, in pixels of the capture, or leave them out",
        )
    raise NoPlateError(view.info.path)


def _within(picture: NDArray[np.float32], corners: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the pixels of a picture that lie within four corners."""
    inside = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillConvexPoly(inside, np.rint(corners[:, ::-1]).astype(np.int32), 1)
    return picture[inside > 0]


def relative(path: Path, folder: Path) -> str:
    """Return a path as it is written in records: relative to the session, with slashes."""
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name
