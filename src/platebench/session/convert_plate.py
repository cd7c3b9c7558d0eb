"""One plate, the whole way: captures in, positive, preview and record out.

``convert_and_record`` is what a worker is given; what it calls may be used by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from platebench.core.files import hash_file, remove_file
from platebench.core.image import MONO_PATTERN, PlateImage, SensorFrame
from platebench.core.progress import step
from platebench.core.rounding import rounded
from platebench.core.settings import PlateSettings
from platebench.core.version import __version__
from platebench.measure.density_errors import sigma_of_end, with_errors
from platebench.plate.calibration import Calibration
from platebench.plate.colours import one_channel
from platebench.plate.densities import PlateDensities, measure_densities, transmittance_of_codes
from platebench.plate.framing import Framing, frame_plate
from platebench.plate.job import PlateJob, PlateResult, PrintingEnds, positive_of, preview_of
from platebench.plate.look import PlateView, check_something_there, look_at_plate
from platebench.plate.picture_part import cut_out, picture_part
from platebench.plate.pictures import (
    names_of,
    own_part,
    picture_jobs,
    picture_name,
    with_fog_of,
)
from platebench.plate.print_positive import print_positive
from platebench.plate.record import PictureRecord, PlateRecord
from platebench.plate.straighten import frame_corners, plan_straighten, straighten_rows
from platebench.session.originals import refuse_edited
from platebench.session.record import read_record, record_aside, write_record
from platebench.tone.profile import display_table, kept_tones
from platebench.write.plate_record import picture_note, plate_record
from platebench.write.preview import write_preview
from platebench.write.tiff import write_picture
from platebench.write.xmp import capture_facts, xmp_packet


def convert_and_record(
    job: PlateJob,
    *,
    view: PlateView | None = None,
    frames: Sequence[SensorFrame] | None = None,
) -> PlateResult:
    """Convert one plate and write its record: the unit of work of a batch, on any machine.

    Parameters
    ----------
    job : PlateJob
    view, frames
        As for :func:`convert_plate`.

    Raises
    ------
    PlateError
        If it cannot be converted, or somebody has changed its positive.
    """
    file = read_record(job.record)
    before = (
        {} if file is None else {job.output / name: file.outputs[name] for name in file.outputs}
    )
    for positive in (path for path in files_of(job) if path.suffix == ".tif"):
        if not job.force and positive.is_file():
            refuse_edited(positive, before[positive].sha256 if positive in before else "")
    with record_aside(job.record, job.positive):
        result = convert_plate(job, view=view, frames=frames)
        if result.error:
            raise result.error
        for path in before.keys() - {*result.written}:  # of a picture that is no more
            if path.is_file() and hash_file(path) == before[path].sha256:
                remove_file(path)
        return write_record(job, result)


def files_of(job: PlateJob) -> tuple[Path, ...]:
    """Return the positives and previews of a plate and of the pictures on it."""
    makers = positive_of, preview_of
    return tuple(make(job.output, name) for name in names_of(job.settings) for make in makers)


T = TypeVar("T", np.float32, np.float64)


def convert_plate(
    job: PlateJob,
    *,
    view: PlateView | None = None,
    frames: Sequence[SensorFrame] | None = None,
    on: PlateDensities | None = None,
) -> PlateResult:
    """Convert one plate and write its positive and preview, and those of the pictures on it.

    Parameters
    ----------
    job : PlateJob
    view : PlateView, optional
        What was seen of the plate, where somebody has looked already.
    frames : sequence of SensorFrame, optional
        Its captures, where they have been read already.
    on : PlateDensities, optional
        Of the plate that this is a picture on.

    Raises
    ------
    PlateError
        If the plate cannot be converted; nothing is left half written.
    """
    with step("reading and finding"):
        view = look_at_plate(job, frames=frames) if view is None else view
        check_something_there(view, job.settings)
    with step("measuring"):
        framing = frame_plate(view, job)
        densities = measure_view(view)
        part = picture_of(view, framing, job.settings) if on is None else None
        if densities is not None and on is not None:
            densities = with_fog_of(on, densities)
    if densities is None:
        ends, table = None, kept_tones(transmittance_of_codes())
    else:
        ends = job.ends or PrintingEnds(base_fog=densities.d_min, d_max=densities.d_max)
        table = tone_codes(job, ends, view.level, view.calibration)
    with step("printing"):
        positive = print_positive(view.picture, framing.plan, table, by_green=view.by_green)
    if part is not None and part.cut and part.box_px is not None:
        positive = cut_out(positive, part.box_px)
    record = plate_record(job, view, framing, densities, ends, part)
    record = _with_errors_of_ends(record, view)
    note = picture_note(job, view, framing, record)
    packet = xmp_packet(note)
    with step("writing"):
        write_picture(
            job.positive,
            positive,
            ppi=framing.ppi,
            description=note.description,
            software=f"platebench {__version__}",
            taken=view.info.taken,
            xmp=packet,
            exif=capture_facts(note),
        )
        write_preview(job.preview, positive, ppi=framing.ppi, exif=capture_facts(note))
    written, record = _with_pictures(job, view, framing, densities, record)
    return PlateResult(
        plate_id=job.plate_id,
        written=(job.positive, job.preview, *written),
        record=record,
        ends=session_ends(densities),
    )


def _with_pictures(
    job: PlateJob,
    view: PlateView,
    framing: Framing,
    densities: PlateDensities | None,
    record: PlateRecord,
) -> tuple[list[Path], PlateRecord]:
    """Convert the pictures on a plate; return their files, and the plate's record with theirs."""
    jobs, faults = picture_jobs(job, view, framing)
    captions = {picture_name(job.plate_id, one): one.caption for one in job.settings.pictures}
    written: list[Path] = []
    records = []
    for own, seen in jobs:
        made = convert_plate(own, view=seen, on=densities)
        written += made.written
        if made.record is not None:
            records.append(own_part(made.record, record, captions[own.plate_id]))
    flags = (*record.flags, *faults)
    return written, replace(record, flags=flags, pictures=tuple(records))


def _with_errors_of_ends(record: PlateRecord, view: PlateView) -> PlateRecord:
    """Return a record with the errors of the densities that print to the paper's ends."""
    printed = record.printed
    if printed is None:
        return record
    black, white = (
        rounded(sigma_of_end(view, density), 3) for density in (printed.black_at, printed.white_at)
    )
    return replace(record, printed=replace(printed, black_at_sigma=black, white_at_sigma=white))


def measure_plate(job: PlateJob) -> PlateResult:
    """Measure one plate and write nothing: the first pass of a shared printing exposure."""
    with step("reading and finding"):
        view = look_at_plate(job)
        check_something_there(view, job.settings)
    with step("measuring"):
        densities = measure_view(view)
    return PlateResult(plate_id=job.plate_id, ends=session_ends(densities))


def session_ends(densities: PlateDensities | None) -> PrintingEnds | None:
    """Return what the plate asks of a printing exposure shared by the session; a positive nothing.

    Plates printed alike are printed for base plus fog, so that their differences show. A plate
    printed on its own is printed for its own thinnest tone.
    """
    if densities is None:
        return None
    return PrintingEnds(base_fog=densities.base_fog, d_max=densities.d_max)


def true_transmittance(
    transmittance: NDArray[T], level: float, calibration: Calibration | None
) -> NDArray[T]:
    """Return transmittance with the change of the light and the calibration taken into account.

    Pointwise: applied to the table of codes and to the small measuring picture, it costs nothing
    per frame.
    """
    light = transmittance / transmittance.dtype.type(level)
    if calibration is None:
        return light
    return calibration.true_transmittance(light).astype(light.dtype, copy=False)


def measure_view(view: PlateView) -> PlateDensities | None:
    """Measure densities, with errors, on a reduced, straightened picture; None of a positive.

    What a scanner's program made of the plate's densities is not known.
    """
    if view.info.shows_positive:
        return None
    plate, mask = small_plate(view)
    stained = view.stain is not None and view.stain.found
    share_of_blue = view.stain.blue_share if view.stain is not None and stained else 0.0
    found = measure_densities(plate, mask, whole_plate=view.found.found, blue_share=share_of_blue)
    return with_errors(found, view)


def small_plate(view: PlateView) -> tuple[NDArray[np.float32], NDArray[np.bool_] | None]:
    """Return true transmittance of the plate alone, straight, reduced, as it lies; and validity."""
    small = view.small
    picture = PlateImage(
        pixels=true_transmittance(
            one_channel(small.pixels, by_green=view.by_green), view.level, view.calibration
        ),
        valid=small.valid,
        pattern=MONO_PATTERN,
    )
    seen = view.found.corners if view.found.found else frame_corners(small.shape)
    plan = plan_straighten(picture.shape, small.places(seen), how="perspective")
    return straighten_rows(picture, plan, 0, plan.shape[0])


def picture_of(view: PlateView, framing: Framing, settings: PlateSettings) -> PictureRecord | None:
    """Return the part of a plate that is printed and shared; None where that is all of it."""
    if settings.picture == "off":
        return None
    known = settings.picture == "rebate" and not view.info.shows_positive
    plate = small_plate(view)[0] if known else None
    return picture_part(settings, view.found.corners, framing, plate)


def tone_codes(
    job: PlateJob, ends: PrintingEnds, level: float, calibration: Calibration | None = None
) -> NDArray[np.uint16]:
    """Return the positive's 16-bit value for each of the 65,536 transmittance codes."""
    if job.tone is None:
        raise ValueError("a job that is to be toned needs a tone profile")
    base_fog, d_max = toned_range(ends)
    return display_table(
        true_transmittance(transmittance_of_codes(), level, calibration),
        job.tone,
        base_fog=base_fog,
        d_max=d_max,
        print_stops=job.settings.print_stops,
        contrast=job.settings.print_contrast,
    )


def toned_range(ends: PrintingEnds) -> tuple[float, float]:
    """Return the densities that print to the paper's ends; an even plate has a range, too."""
    return ends.base_fog, max(ends.d_max, ends.base_fog + 0.05)
