"""What a scan's file leaves open, and what it tells of a plate's size."""

from __future__ import annotations

from platebench.formats import CUT_UNDER, FORMATS, MM_PER_INCH
from platebench.image import CaptureInfo, CaptureKind
from platebench.plate_job import PlateJob
from platebench.quality.verdict import Severity, Verdict
from platebench.stages.find_plate import FoundPlate
from platebench.stages.plate_format import plate_format
from platebench.stages.reading.scan_header import FULL_BITS

_UNSURE = 0.005  # of a side, by corners and rounding of the resolution


def scan_hints(job: PlateJob, info: CaptureInfo, found: FoundPlate | None) -> tuple[Verdict, ...]:
    """Return what to know of a scan of a plate; of a raw only a date that is none.

    Parameters
    ----------
    job : PlateJob
        The plate; names its format, if it is known.
    info : CaptureInfo
        What the file says.
    found : FoundPlate or None
        The plate in the scan.
    """
    hints = []
    if info.no_date is not None and info.taken is None:
        text = f'the date in the file, "{info.no_date}", is no date: it counts as unknown'
        hints.append(Verdict(Severity.NOTE, "date", text, "set the camera's clock"))
    if info.kind is not CaptureKind.SCAN:
        return tuple(hints)
    if info.least_bits is not None and info.least_bits < FULL_BITS:
        hints.append(_bits(info.least_bits, job.scan.bits))
    if info.assumed_gamma is not None:
        text = f"no colour profile in the scan: gamma {info.assumed_gamma:g} is assumed"
        text += ", and every density goes with it"
        remedy = (
            "scan with a profile, or set [scan] gamma in session.toml to the scanner's (1: linear)"
        )
        hints.append(Verdict(Severity.NOTE, "coding", text, remedy))
    # A camera's picture states a resolution too, which means nothing.
    scanned = info.exposure_s is None and info.f_number is None
    open_size = scanned and not job.settings.format
    if open_size and info.ppi and found is not None and found.found and not found.doubts:
        hints.append(_size(found, info.ppi))
    return tuple(hints)


def _bits(least: int, bits: int) -> Verdict:
    """Say what is taken for full scale where no value of a 16-bit scan comes near it."""
    text = f"no value of this scan of 16 bits passes {(1 << least) - 1}: "
    text += f"full scale is taken to be {(1 << (bits or FULL_BITS)) - 1}"
    remedy = f"set [scan] bits in session.toml: {least} if the scanner gives {least}, else 16"
    return Verdict(Severity.NOTE, "coding", text, remedy)


def _size(found: FoundPlate, ppi: float) -> Verdict:
    """Say how large the plate is by the scan's own resolution, which is not taken unasked."""
    fit = plate_format(found.corners, None)
    short, long = (side / ppi * MM_PER_INCH for side in (fit.short_px, fit.long_px))
    named = [
        known.name for known in FORMATS if _is(short, known.short_mm) and _is(long, known.long_mm)
    ]
    size = f"{short:.0f} x {long:.0f} mm"
    text = f"no format is set; by the {ppi:g} ppi that the scan states the plate is {size}"
    remedy = f'if that is right, set format = "{named[0] if named else size}" in session.toml'
    return Verdict(Severity.NOTE, "format", text, remedy)


def _is(side_mm: float, nominal_mm: float) -> bool:
    return 1 - CUT_UNDER - _UNSURE <= side_mm / nominal_mm <= 1 + _UNSURE
