"""One plate, the whole way: captures in, positive, preview and record out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench import __version__
from platebench.formats import MM_PER_INCH
from platebench.image import MONO_PATTERN, Encoding, PlateImage
from platebench.look import PlateView, check_something_there, look_at_plate, relative
from platebench.outputs.preview import write_preview
from platebench.outputs.tiff import write_positive
from platebench.outputs.xmp import PictureNote, xmp_packet
from platebench.plate_job import PlateJob, PlateResult, PrintingEnds
from platebench.stages.cut_out import Straightening, plan_straighten, straighten_rows
from platebench.stages.density import code_from_transmittance, transmittance_of_codes
from platebench.stages.measure import PlateDensities, measure_densities
from platebench.stages.plate_format import FormatFit, plate_format
from platebench.stages.tone import display_table

BAND_ROWS = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Framing:
    """How a plate is cut out of its capture.

    Attributes
    ----------
    plan : Straightening
        Where each pixel of the result comes from.
    whole : bool
        True where the capture is kept uncropped.
    fit : FormatFit or None
        Format and pixels per inch; None where the corners are in doubt.
    """

    plan: Straightening
    whole: bool
    fit: FormatFit | None

    @property
    def ppi(self) -> float | None:
        """Pixels per inch of the result, where the format is known."""
        return None if self.fit is None else self.fit.ppi

    @property
    def format_name(self) -> str:
        """Name of the format, empty where it is not known."""
        return (self.fit.name or "") if self.fit is not None else ""


def convert_plate(job: PlateJob) -> PlateResult:
    """Convert one plate and write its positive and preview.

    Raises
    ------
    PlateError
        If the plate cannot be converted; nothing is left half written.
    """
    view = look_at_plate(job)
    check_something_there(view)
    framing = frame_plate(view, job)
    densities = measure_view(view)
    ends = job.ends or PrintingEnds(base_fog=densities.d_min, d_max=densities.d_max)
    table = tone_codes(job, ends, view.level)
    positive = render(view.image, framing.plan, table)
    record = plate_record(job, view, framing, densities, ends)
    note = picture_note(job, view, framing, densities, record)
    packet = xmp_packet(note)
    write_positive(
        job.positive,
        positive,
        ppi=framing.ppi,
        description=f"Plate {job.plate_id}: positive",
        software=f"platebench {__version__}",
        taken=view.info.taken,
        xmp=packet,
    )
    write_preview(job.preview, positive, ppi=framing.ppi)
    return PlateResult(
        plate_id=job.plate_id,
        written=(job.positive, job.preview),
        record=record,
        ends=session_ends(densities),
    )


def measure_plate(job: PlateJob) -> PlateResult:
    """Measure one plate and write nothing: the first pass of a shared printing exposure."""
    view = look_at_plate(job)
    check_something_there(view)
    densities = measure_view(view)
    return PlateResult(plate_id=job.plate_id, ends=session_ends(densities))


def session_ends(densities: PlateDensities) -> PrintingEnds:
    """Return what the plate asks of a printing exposure shared by the session.

    Plates printed alike are printed for base plus fog, so that their differences show. A plate
    printed on its own is printed for its own thinnest tone.
    """
    return PrintingEnds(base_fog=densities.base_fog, d_max=densities.d_max)


def keeps_whole(view: PlateView, job: PlateJob) -> bool:
    """Tell whether the capture is kept uncropped: by choice, or because the crop is in doubt."""
    return not job.settings.crop or not view.found.found or bool(view.found.doubts)


def frame_plate(view: PlateView, job: PlateJob) -> Framing:
    """Decide how the plate is cut out, turned and scaled."""
    settings = job.settings
    whole = keeps_whole(view, job)
    plan = plan_straighten(
        view.image.shape,
        frame_corners(view.image.shape) if whole else view.found.corners,
        how="none" if whole else settings.straighten,
        mirror=settings.emulsion == "camera",
        rotate=settings.rotate,
    )
    trusted = view.found.found and not view.found.doubts
    fit = plate_format(view.found.corners, settings.format) if trusted else None
    return Framing(plan=plan, whole=whole, fit=fit)


def frame_corners(shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return the outer corners of a whole frame, ``(row, column)``, shape (4, 2)."""
    top, left, bottom, right = -0.5, -0.5, shape[0] - 0.5, shape[1] - 0.5
    return np.array([[top, left], [top, right], [bottom, right], [bottom, left]])


def measure_view(view: PlateView) -> PlateDensities:
    """Measure densities on a reduced, straightened picture of the plate."""
    small = view.small
    scale = np.array(small.shape[:2]) / np.array(view.image.shape)
    picture = PlateImage(
        pixels=_grey(small) / np.float32(view.level),
        encoding=Encoding.TRANSMITTANCE,
        valid=view.small_valid,
        pattern=MONO_PATTERN,
    )
    seen = view.found.corners if view.found.found else frame_corners(view.image.shape)
    corners = (seen + 0.5) * scale - 0.5
    plan = plan_straighten(picture.shape, corners, how="perspective", mirror=False, rotate=0)
    plate, mask = straighten_rows(picture, plan, 0, plan.shape[0])
    stained = view.stain is not None and view.stain.found
    share_of_blue = view.stain.blue_share if view.stain is not None and stained else 0.0
    return measure_densities(plate, mask, whole_plate=view.found.found, blue_share=share_of_blue)


def tone_codes(job: PlateJob, ends: PrintingEnds, level: float) -> NDArray[np.uint16]:
    """Return the positive's 16-bit value for each of the 65,536 transmittance codes."""
    if job.tone is None:
        raise ValueError("a job that is to be toned needs a tone profile")
    return display_table(
        transmittance_of_codes() / level,
        job.tone,
        base_fog=ends.base_fog,
        d_max=max(ends.d_max, ends.base_fog + 0.05),
        print_stops=job.settings.print_stops,
    )


def render(image: PlateImage, plan: Straightening, table: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Return the positive: straightened, toned, band by band, with no second float frame.

    Parameters
    ----------
    image : PlateImage
        TRANSMITTANCE of the whole capture.
    plan : Straightening
        Where the result's pixels come from.
    table : ndarray of uint16, shape (65536,)
        Value of each transmittance code.

    Returns
    -------
    ndarray of uint16, shape ``plan.shape``
    """
    rows, columns = plan.shape
    positive = np.empty((rows, columns), np.uint16)
    for top in range(0, rows, BAND_ROWS):
        bottom = min(top + BAND_ROWS, rows)
        band, _ = straighten_rows(image, plan, top, bottom)
        positive[top:bottom] = cv2.LUT(code_from_transmittance(_grey(band)), table)
    return positive


def _grey(pixels: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return one value a pixel; three channels count alike."""
    return pixels if pixels.ndim == 2 else np.asarray(pixels.mean(axis=2), np.float32)


def plate_record(
    job: PlateJob,
    view: PlateView,
    framing: Framing,
    densities: PlateDensities,
    ends: PrintingEnds,
) -> dict[str, Any]:
    """Return what was measured and done, as plain JSON values."""
    info, found, light = view.info, view.found, view.light
    flags = [*view.doubts]
    if framing.fit is not None and framing.fit.warning:
        flags.append(framing.fit.warning)
    doubtful = framing.whole and job.settings.crop
    if doubtful:
        flags.append("kept whole: not cropped")
    return {
        "plate": job.plate_id,
        "captures": list(job.settings.captures),
        "used": relative(info.path, job.folder),
        "camera": info.camera,
        "taken": info.taken.isoformat() if info.taken else None,
        "exposure_s": info.exposure_s,
        "format": framing.format_name,
        "size_mm": _size_mm(framing, job),
        "ppi": _rounded(framing.ppi, 2),
        "pixels": [framing.plan.shape[1], framing.plan.shape[0]],
        "found": found.found,
        "by_hand": view.by_hand,
        "corners": [[round(float(v), 2) for v in corner] for corner in found.corners],
        "confidence": round(found.confidence, 3),
        "surround": found.surround,
        "tilt_deg": round(found.tilt_deg, 3),
        "out_of_square_deg": round(found.out_of_square_deg, 3),
        "whole": framing.whole,
        "doubtful": doubtful,
        "light": {
            "source": str(light.source),
            "level": round(view.level, 4),
            "uniformity_before": _even(light.before),
            "uniformity_after": _even(light.after),
        },
        "stain": None
        if view.stain is None
        else {
            "found": view.stain.found,
            "red": round(view.stain.red, 4),
            "blue": round(view.stain.blue, 4),
            "red_share": round(view.stain.red_share, 4),
            "blue_share": round(view.stain.blue_share, 4),
        },
        "densities": densities.to_json(),
        "base_fog": round(densities.base_fog, 3),
        "d_max": round(densities.d_max, 3),
        "density_range": round(densities.density_range, 3),
        "tone": job.settings.tone,
        "printed": {
            "black_at": round(ends.base_fog, 3),
            "white_at": round(ends.d_max, 3),
            "stops": job.settings.print_stops,
        },
        "flags": flags,
        "notes": list(view.notes),
    }


def _even(light: Any) -> dict[str, float] | None:
    if light is None:
        return None
    return {
        "sd_over_mean": round(light.sd_over_mean, 5),
        "range_over_max": round(light.range_over_max, 5),
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _size_mm(framing: Framing, job: PlateJob) -> list[float] | None:
    """Width and height of the result; of the plate's format, the long side as it lies."""
    if framing.ppi is None:
        return None
    rows, columns = framing.plan.shape
    scale = MM_PER_INCH / framing.ppi
    return [round(columns * scale, 1), round(rows * scale, 1)]


def picture_note(
    job: PlateJob,
    view: PlateView,
    framing: Framing,
    densities: PlateDensities,
    record: dict[str, Any],
) -> PictureNote:
    """Return what the positive says of itself."""
    info = view.info
    return PictureNote(
        identifier=job.plate_id,
        title=f"Plate {job.plate_id}",
        tool=f"platebench {__version__}",
        digitised=info.taken,
        camera=info.camera,
        exposure_s=info.exposure_s,
        f_number=info.f_number,
        iso=info.iso,
        focal_length_mm=info.focal_length_mm,
        ppi=framing.ppi,
        plate_format=framing.format_name,
        base_fog=densities.base_fog,
        d_max=densities.d_max,
        flags=tuple(record["flags"]),
        settings={
            "tone": job.settings.tone,
            "emulsion": job.settings.emulsion,
            "rotate": str(job.settings.rotate),
            "print_stops": f"{job.settings.print_stops:g}",
            "light": str(view.light.source),
        },
    )
