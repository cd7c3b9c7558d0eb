"""A plate's captures as one picture: a single capture flattened, or a bracket merged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import CaptureError
from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.core.settings import PlateSettings
from platebench.plate.bands import BandedImage, banded
from platebench.plate.bracket.merge import merge_bracket
from platebench.plate.bracket.plan import BracketPlan, plan_bracket
from platebench.plate.finding.overview import find_all_in_overview, overview_of
from platebench.plate.flatten import flatten
from platebench.plate.job import PlateJob
from platebench.plate.light import Dark, Light, dark_note, level_light, light_of_scanner
from platebench.plate.light_estimate import light_from_surround
from platebench.read.capture import read_capture

DARKEST_PLATE = 0.002  # of full scale: a capture whose brightest part is below it holds nothing
CLIPPED_PLATE = 0.9  # share of clipped sites above which nothing can be read
CLIPPED_ALLOWED = 0.001  # share above which a shorter exposure is the better one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exposures:
    """Captures of one framing, read, with the light they are divided by.

    Attributes
    ----------
    info : CaptureInfo
        Of the capture whose exposure sets the scale.
    light : Light
        The bare light.
    picture : callable
        Returns transmittance, mosaic kept. A bracket is merged when this is called.
    plan : BracketPlan or None
        How a bracket is merged; None for a single capture.
    notes : tuple of str
        What was assumed or done.
    """

    info: CaptureInfo
    light: Light
    picture: Callable[[], BandedImage]
    plan: BracketPlan | None
    notes: tuple[str, ...]


def read_exposures(job: PlateJob, frames: Sequence[SensorFrame] | None = None) -> Exposures:
    """Read a plate's captures and find the light they are divided by.

    Parameters
    ----------
    frames : sequence of SensorFrame, optional
        The captures, where they have been read already.

    Raises
    ------
    CaptureError
        If a capture cannot be read, or the best of them is all black or all clipped.
    BracketError
        If they are not exposures of one framing.
    CalibrationError
        If blank or dark frame do not fit, or there is no light to divide by.
    """
    if frames is None:
        frames = [read_capture(path, job.scan) for path in job.captures]
    best = best_exposed(frames)
    check_counts(best)
    if best.info.shows_positive:  # blank and dark frames are of light, which it holds no more
        light, dark = light_of_scanner(best), None
    else:
        light, dark = (
            job.light or own_light(_with_bare_light(frames), job.dark, outlines_of(job.settings)),
            job.dark,
        )
    if len(frames) == 1:
        return Exposures(
            info=best.info,
            light=light,
            picture=lambda: flatten(best, light, dark),
            plan=None,
            notes=(*best.info.notes, *dark_note(frames, dark)),
        )
    plan = plan_bracket(frames, light)
    return Exposures(
        info=frames[plan.order[plan.reference]].info,
        light=light,
        picture=lambda: banded(merge_bracket(frames, light, dark, plan=plan).image),
        plan=plan,
        notes=(
            *best.info.notes,
            f"{len(frames)} exposures merged",
            *plan.notes,
            *dark_note(frames, dark),
        ),
    )


def best_exposed(frames: Sequence[SensorFrame]) -> SensorFrame:
    """Return the longest exposure whose middle does not clip, or the one that clips least."""
    return _longest_unclipped(frames, _clipped_in_middle)


def _with_bare_light(frames: Sequence[SensorFrame]) -> SensorFrame:
    """Return the longest exposure that clips nowhere, or the one that clips least."""
    return _longest_unclipped(
        frames, lambda frame: float(np.mean(frame.counts[::7, ::5] >= frame.white))
    )


def _longest_unclipped(
    frames: Sequence[SensorFrame], clipped_share: Callable[[SensorFrame], float]
) -> SensorFrame:
    if len(frames) == 1:
        return frames[0]

    def badness(frame: SensorFrame) -> tuple[float, float]:
        clipped = clipped_share(frame)
        return (clipped if clipped > CLIPPED_ALLOWED else 0.0, -(frame.info.exposure_s or 0.0))

    return min(frames, key=badness)


def _clipped_in_middle(frame: SensorFrame) -> float:
    rows, columns = frame.shape
    middle = frame.counts[rows // 4 : -rows // 4, columns // 4 : -columns // 4]
    return float(np.count_nonzero(middle >= frame.white)) / max(1, middle.size)


def check_counts(frame: SensorFrame) -> None:
    """Refuse a raw that holds no picture at all.

    Raises
    ------
    CaptureError
        If it is all black, or clipped all over.
    """
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


def outlines_of(settings: PlateSettings) -> list[NDArray[np.float64]]:
    """Return the corners that are known of plates in a capture: this one's, and the others'."""
    known = () if settings.corners is None else (settings.corners, *settings.others)
    return [np.array(corners, np.float64) for corners in known]


def own_light(
    frame: SensorFrame, dark: Dark | None, outlines: Sequence[NDArray[np.float64]] = ()
) -> Light:
    """Return the light where there is no blank: a scanner's white, or what shows around it.

    ``outlines`` are the corners of the plates in the capture; without any, they are found.
    """
    if frame.info.kind is CaptureKind.SCAN:
        return light_of_scanner(frame)
    unflattened = overview_of(flatten(frame, level_light(frame, dark), dark))
    found = find_all_in_overview(unflattened, light_known=False)
    first, *others = outlines or [plate.corners for plate in found]
    return light_from_surround(frame, first, dark, others)
