"""What a plate's conversion is remembered by: the record, and the note inside the picture."""

from __future__ import annotations

import math
from dataclasses import replace

from platebench.core.errors import SHOWS_POSITIVE
from platebench.core.rounding import rounded
from platebench.core.version import __version__
from platebench.plate.densities import PlateDensities
from platebench.plate.framing import Framing
from platebench.plate.job import PlateJob, PrintingEnds
from platebench.plate.light import Uniformity
from platebench.plate.look import PlateView, relative
from platebench.plate.plate_scale import PlateScale
from platebench.plate.record import (
    BracketRecord,
    CalibrationRecord,
    GlareRecord,
    LightRecord,
    PictureRecord,
    PlateRecord,
    PrintedRecord,
    ScaleRecord,
    StainRecord,
)
from platebench.plate_log.entry import LogEntry
from platebench.write.xmp import PictureNote

KEPT_WHOLE = "kept whole: not cropped"
FOG_OF_PICTURE = (
    "base plus fog is the picture's thinnest tone, so at most this: "
    "no rebate wide and even enough shows"
)


def plate_record(
    job: PlateJob,
    view: PlateView,
    framing: Framing,
    densities: PlateDensities | None,
    ends: PrintingEnds | None,
    picture: PictureRecord | None = None,
) -> PlateRecord:
    """Return what was measured and done, rounded.

    Of a scan that shows a positive there are no densities, and nothing was printed; impossible ones
    are not stated as the plate's.
    """
    no_densities = why_no_densities(densities)
    stated = None if densities is None or no_densities else densities.rounded()
    info, found, light = view.info, view.found, view.light
    flags = [*view.doubts]
    if densities is not None and no_densities:
        flags.append(no_densities)
    if found.doubts:  # sides are named as the camera saw them, whichever way the print is turned
        first = flags.index(found.doubts[0])
        flags = [d for d in flags if d not in found.doubts]
        flags.insert(first, f"in the capture, {'; '.join(found.doubts)}")
    flags += _doubts_of_size(framing)
    doubtful = framing.whole and job.settings.crop
    if picture is not None and picture.doubt and not doubtful:
        flags.append(picture.doubt)
    if doubtful:
        flags.append(KEPT_WHOLE)
    notes = [*view.notes]
    if stated is not None and stated.base_fog_from == "picture":
        notes.append(FOG_OF_PICTURE)
    shape = _shape(framing, picture)
    size = size_with_error(shape, framing.scale)
    return PlateRecord(
        plate=job.plate_id,
        captures=job.settings.captures,
        used=relative(info.path, job.folder),
        camera=info.camera,
        taken=info.taken.isoformat() if info.taken else None,
        exposure_s=info.exposure_s,
        format=framing.format_name,
        size_mm=None if size is None else size[0],
        size_sigma_mm=None if size is None else size[1],
        scale=None if framing.scale is None else scale_record(framing.scale),
        ppi=None if framing.ppi is None else rounded(framing.ppi, 2),
        pixels=(shape[1], shape[0]),
        found=found.found,
        by_hand=view.by_hand,
        corners=tuple((rounded(row, 2), rounded(column, 2)) for row, column in found.corners),
        confidence=rounded(found.confidence, 3),
        surround=found.surround,
        tilt_deg=rounded(found.tilt_deg, 3),
        out_of_square_deg=rounded(found.out_of_square_deg, 3),
        picture=picture,
        whole=framing.whole,
        doubtful=doubtful,
        light=LightRecord(
            source=str(light.source),
            level=rounded(view.level, 4),
            drift=()
            if view.drift is None
            else tuple(
                rounded(math.expm1(change), 4) for change in (view.drift.across, view.drift.down)
            ),
            uniformity_before=_even(light.before),
            uniformity_after=_even(light.after),
        ),
        bracket=None
        if view.plan is None
        else BracketRecord(
            ratios=tuple(rounded(ratio, 5) for ratio in view.plan.ratios),
            stated=tuple(None if r is None else rounded(r, 5) for r in view.plan.stated),
            moved=tuple(tuple(int(v) for v in shift) for shift in view.plan.shifts),
        ),
        join=None if view.joined is None else view.joined.record,
        glare=None
        if view.glare is None
        else GlareRecord(
            share=rounded(view.glare.share, 5),
            sigma=rounded(view.glare.sigma, 5),
            source=view.glare.source,
            taken_off=view.glare_off,
        ),
        glare_at_most=None if view.glare_bound is None else rounded(view.glare_bound, 5),
        stain=None
        if view.stain is None
        else StainRecord(
            found=view.stain.found,
            coloured=view.stain.coloured,
            red=rounded(view.stain.red, 4),
            blue=rounded(view.stain.blue, 4),
            red_share=rounded(view.stain.red_share, 4),
            blue_share=rounded(view.stain.blue_share, 4),
        ),
        shows="positive" if info.shows_positive else "negative",
        looks=view.looks,
        densities=stated,
        no_densities=no_densities,
        base_fog=None if stated is None else stated.base_fog,
        d_max=None if stated is None else stated.d_max,
        density_range=None if stated is None else stated.density_range,
        calibration=None
        if view.calibration is None
        else CalibrationRecord(
            tablet=view.calibration.tablet,
            capture=view.calibration.capture,
            callier=rounded(view.calibration.callier, 4),
        ),
        tone=job.settings.tone if ends is not None else None,
        printed=None
        if ends is None or stated is None
        else PrintedRecord(
            black_at=rounded(ends.base_fog, 3),
            white_at=rounded(ends.d_max, 3),
            stops=job.settings.print_stops,
            contrast=job.settings.print_contrast,
        ),
        flags=tuple(flags),
        notes=tuple(notes),
        log=job.entry,
    )


def why_no_densities(densities: PlateDensities | None) -> str | None:
    """Return why a plate's densities are not known; None where they are."""
    if densities is None:
        return SHOWS_POSITIVE
    return densities.impossible or None


def _even(light: Uniformity | None) -> Uniformity | None:
    if light is None:
        return None
    return Uniformity(
        sd_over_mean=rounded(light.sd_over_mean, 5),
        range_over_max=rounded(light.range_over_max, 5),
    )


def _doubts_of_size(framing: Framing) -> list[str]:
    """Return what contradicts a plate's size; of a measured one, its shape is no doubt."""
    measured = framing.scale is not None and framing.scale.source != "nominal"
    warning = "" if measured or framing.fit is None else framing.fit.warning
    return [doubt for doubt in (framing.size_doubt, warning) if doubt]


def _shape(framing: Framing, picture: PictureRecord | None) -> tuple[int, int]:
    """Return rows and columns of the positive."""
    if picture is None or not picture.cut or picture.box_px is None:
        return framing.plan.shape
    left, top, right, bottom = picture.box_px
    return bottom - top, right - left


def size_with_error(
    shape: tuple[int, int], scale: PlateScale | None
) -> tuple[tuple[float, float], tuple[float, float] | None] | None:
    """Return width and height of a picture in mm and their standard errors.

    The errors are None where the size is that of a nominal format; all is None without a scale.
    """
    if scale is None:
        return None
    width, height = (side / scale.pixels_per_mm for side in shape[::-1])
    size = rounded(width, 1), rounded(height, 1)
    if scale.glass_sigma_mm is None:
        return size, None
    share = max(sigma / mm for sigma, mm in zip(scale.glass_sigma_mm, scale.glass_mm, strict=True))
    return size, (rounded(width * share, 2), rounded(height * share, 2))


def scale_record(scale: PlateScale) -> ScaleRecord:
    """Return a scale as records state it."""
    (across, down), sigma = scale.glass_mm, scale.glass_sigma_mm
    return ScaleRecord(
        source=scale.source,
        reference=scale.reference,
        pixels_per_mm=rounded(scale.pixels_per_mm, 4),
        error_percent=None if scale.error is None else rounded(100 * scale.error, 3),
        glass_mm=(rounded(across, 2), rounded(down, 2)),
        glass_sigma_mm=None if sigma is None else (rounded(sigma[0], 2), rounded(sigma[1], 2)),
    )


def picture_note(
    job: PlateJob,
    view: PlateView,
    framing: Framing,
    record: PlateRecord,
) -> PictureNote:
    """Return what the positive says of itself."""
    return replace(
        capture_note(job, view, job.entry),
        description=positive_description(job.plate_id, job.entry),
        ppi=framing.ppi,
        plate_format=framing.format_name,
        size=record.size_said,
        base_fog=record.base_fog,
        d_max=None if record.dense_end is None or record.dense_end[2] else record.d_max,
        flags=record.flags,
        settings=_settings_said(job, view),
    )


def _settings_said(job: PlateJob, view: PlateView) -> dict[str, str]:
    """Return the settings that made the positive what it is."""
    settings = job.settings
    turned = {"emulsion": settings.emulsion, "rotate": str(settings.rotate)}
    if view.info.shows_positive:
        return turned | {"tone": "as scanned"}
    return turned | {
        "tone": settings.tone,
        "print_stops": f"{settings.print_stops:g}",
        "print_contrast": f"{settings.print_contrast:g}",
        "light": str(view.light.source),
    }


def capture_note(job: PlateJob, view: PlateView, entry: LogEntry | None) -> PictureNote:
    """Return what any picture made from a plate's captures says of itself."""
    info = view.info
    return PictureNote(
        identifier=job.plate_id,
        title=title_of(job.plate_id, entry),
        tool=f"platebench {__version__}",
        digitised=info.taken,
        camera=info.camera,
        exposure_s=info.exposure_s,
        f_number=info.f_number,
        iso=info.iso,
        focal_length_mm=info.focal_length_mm,
        entry=entry,
    )


def title_of(plate_id: str, entry: LogEntry | None) -> str:
    """Return a plate's title: that of the log, or what names it anyway."""
    return entry.title if entry is not None and entry.title else f"Plate {plate_id}"


def positive_description(plate_id: str, entry: LogEntry | None) -> str:
    """Return what a positive says of itself in one line (tag 270, ``dc:description``)."""
    titled = f" of {entry.title}" if entry is not None and entry.title else ""
    return f"Plate {plate_id}: positive{titled}"
