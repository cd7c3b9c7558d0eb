"""The numbers behind a positive, for whoever makes it again by README.txt and without this program.

Everything between a capture's samples and the positive's values is a smooth field of place on a
coarse grid, a few constants, one homography and one curve. They go into the package as they were
used, as JSON.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from platebench.archive.readme import README
from platebench.core.image import CaptureKind, SensorFrame
from platebench.core.progress import step
from platebench.plate.densities import PlateDensities
from platebench.plate.flatten import SiteCorrection
from platebench.plate.framing import Framing, frame_plate
from platebench.plate.glare import rows_together
from platebench.plate.job import PlateJob, PrintingEnds
from platebench.plate.light import exposure_ratio, zero_level
from platebench.plate.look import PlateView, look_at_plate
from platebench.plate.pictures import picture_jobs, with_fog_of
from platebench.plate.smooth_field import site_classes
from platebench.read.capture import read_capture
from platebench.session.convert_plate import measure_view, picture_of, toned_range
from platebench.tone.profile import printing_paper

FOLDER = "workings"  # below data/
SCHEMA = 1


def plate_workings(job: PlateJob) -> list[dict[str, Any]]:
    """Look at a plate as its conversion did, and return the numbers that were used.

    Parameters
    ----------
    job : PlateJob
        With light, dark level and tone.

    Returns
    -------
    list of dict
        For the plate's positive and for that of each picture on it. JSON types only; README.txt
        names every one. ``flatten`` is None where several captures were joined to one picture,
        which no grid describes.

    Raises
    ------
    PlateError
        If the plate cannot be read.
    """
    with step("reading and finding"):
        frames = [read_capture(path, job.scan) for path in job.captures]
        alone = frames[0] if len(frames) == 1 else None
        view = look_at_plate(job, frames=frames)
    with step("measuring"):
        framing = frame_plate(view, job)
        densities = measure_view(view)
        part = picture_of(view, framing, job.settings)
        box = part.box_px if part is not None and part.cut else None
        flattened = None if alone is None else _flattened(alone, job, view)
        made = [_of_positive(job, view, framing, densities, alone, box) | {"flatten": flattened}]
        for own, seen in picture_jobs(job, view, framing)[0]:
            found = measure_view(seen)
            if found is not None and densities is not None:
                found = with_fog_of(densities, found)
            picture = _of_positive(own, seen, frame_plate(seen, own), found, alone, None)
            made.append(picture | {"flatten": flattened})
    return made


def _of_positive(
    job: PlateJob,
    view: PlateView,
    framing: Framing,
    densities: PlateDensities | None,
    alone: SensorFrame | None,
    box: tuple[int, int, int, int] | None,
) -> dict[str, Any]:
    """Return what turns transmittance into one positive."""
    plan = framing.plan
    rows, columns = plan.shape[::-1] if plan.rotate in (90, 270) else plan.shape
    ends = None
    if densities is not None:
        ends = job.ends or PrintingEnds(base_fog=densities.d_min, d_max=densities.d_max)
    return {
        "schema": SCHEMA,
        "positive": job.plate_id,
        "explained_in": README,
        "captures": list(job.settings.captures),
        "one_value": _one_value(view, alone),
        "cut": {
            "rows_columns": [rows, columns],
            "matrix": plan.upright.tolist(),
            "nearest": plan.whole_pixels,
            "rotate": plan.rotate,
            "box": None if box is None else list(box),
        },
        "tone": None if ends is None else _toned(job, ends, view),
    }


def _flattened(frame: SensorFrame, job: PlateJob, view: PlateView) -> dict[str, Any]:
    """Return what turns samples into transmittance, step by step; None for a step not taken."""
    kinds = None if frame.channels == 3 else site_classes(frame.pattern)
    dark = None if view.info.shows_positive else job.dark
    zero = frame.black if dark is None else zero_level(frame, dark)
    if dark is not None and kinds is not None:
        zero = zero[kinds]
    off = view.glare.off if view.glare is not None and view.glare_off else None
    stained = view.stain is not None and view.stain.found and job.settings.colour == "mosaic"
    return {
        "kind": "raw" if frame.info.kind is CaptureKind.RAW else "scan",
        "rows_columns_channels": [*frame.shape, frame.channels],
        "sites": None if kinds is None else kinds.tolist(),
        "curve": None if frame.curve is None else _short(frame.curve),
        "black": _short(zero),
        "gain": _short(
            (exposure_ratio(view.light.info, frame.info) / view.light.fields).astype(np.float32)
        ),
        "drift": None
        if view.drift is None
        else {"down": view.drift.down, "across": view.drift.across},
        "glare": None
        if off is None
        else {
            "rows_together": rows_together(off, frame.shape),
            "gain": _short(off.gain.astype(np.float32)),
            "offset": _short(off.offset.astype(np.float32)),
        },
        "stain": _stain_off(view.stain.correction) if stained and view.stain else None,
    }


def _stain_off(correction: SiteCorrection) -> dict[str, Any]:
    return {"gain": _short(correction.gains), "exponent": _short(correction.exponents)}


def _one_value(view: PlateView, alone: SensorFrame | None) -> str:
    """Return how one value a pixel is had of what may be three, or a mosaic."""
    if view.picture.channels == 1:
        return "as it is"
    if not view.by_green:
        return "mean"
    return "green" if alone is not None and alone.channels == 3 else "green of mosaic"


def _toned(job: PlateJob, ends: PrintingEnds, view: PlateView) -> dict[str, Any]:
    if job.tone is None:
        raise ValueError("a job that is to be toned needs a tone profile")
    low, high = toned_range(ends)
    paper, exposure = printing_paper(
        job.tone,
        base_fog=low,
        d_max=high,
        print_stops=job.settings.print_stops,
        contrast=job.settings.print_contrast,
    )
    calibration = view.calibration
    return {
        "level": view.level,
        "calibration": None
        if calibration is None
        else {
            "callier": calibration.callier,
            "nodes": list(calibration.nodes),
            "residuals": list(calibration.residuals),
        },
        "base_fog": low,
        "d_max": high,
        "profile": job.tone.name,
        "print_stops": job.settings.print_stops,
        "print_contrast": job.settings.print_contrast,
        "exposure": exposure,
        "white": paper.white,
        "black": paper.black,
        "toe": paper.toe,
        "shoulder": paper.shoulder,
        "straight": paper.straight,
        "middle": paper.middle,
        "shown": job.tone.shown,
    }


def _short(values: NDArray[np.float32]) -> Any:
    """Return lists of the shortest numbers that are these floats again."""
    floats = np.asarray(values, np.float32)
    return np.array([float(str(value)) for value in floats.ravel()]).reshape(floats.shape).tolist()
