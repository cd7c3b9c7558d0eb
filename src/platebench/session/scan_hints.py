"""What a scan's file leaves open, and what it tells of a plate's size."""

from __future__ import annotations

from collections.abc import Iterable

from platebench.core.formats import CUT_UNDER, FORMATS, MM_PER_INCH
from platebench.core.image import CaptureInfo, CaptureKind
from platebench.measure.checks.verdict import Severity, Verdict
from platebench.plate.finding.find_plate import FoundPlate
from platebench.plate.job import PlateJob
from platebench.plate.look import misread
from platebench.plate.plate_format import plate_format
from platebench.plate.record import PlateRecord
from platebench.plate.shown_tones import Polarity, SessionTones, tones_of_session
from platebench.read.scan_header import FULL_BITS

_UNSURE = 0.005  # of a side, by corners and rounding of the resolution


def tones_said(tones: SessionTones | None) -> tuple[str, ...]:
    """Return what a draft assumes of its scans and why, in sentences; nothing without scans."""
    if tones is None:
        return ()
    if tones.shows == "positive":
        return (
            f'{tones.said}: shows = "positive".',
            "Their tones are kept, they stay as they lie, and densities are not known.",
        )
    turned = (
        "The emulsion is assumed to face the lens, where a negative reads reversed, so the "
        'positives are turned left for right; where they read wrong, set emulsion = "light".'
    )
    if tones.shows == "negative":
        return f'{tones.said}: shows = "negative".', turned
    return (
        f'{tones.said}: negatives are assumed; if they are positives set shows = "positive".',
        turned,
    )


def likely_misread(records: Iterable[PlateRecord | None]) -> str | None:
    """Say so where most scans of a session look like the other of negative and positive.

    Parameters
    ----------
    records : iterable of PlateRecord or None
        Of the session's plates, as conversion left them.
    """
    scans = [record for record in records if record and record.light.source == "scanner"]
    tones = tones_of_session([record.looks for record in scans])
    taken = {record.shows for record in scans}
    if tones.shows is None or taken != {"negative" if tones.shows == "positive" else "positive"}:
        return None
    return (
        f"read as {taken.pop()}s, but {tones.said}: likely the cause where pictures look inverted "
        f'or plates were not found; set shows = "{tones.shows}" under [scan] in session.toml'
    )


def scan_hints(
    job: PlateJob,
    info: CaptureInfo,
    found: FoundPlate | None,
    looks: Polarity | None = None,
) -> tuple[Verdict, ...]:
    """Return what to know of a scan of a plate; of a raw only a date that is none.

    Parameters
    ----------
    job : PlateJob
        The plate; names its format, if it is known.
    info : CaptureInfo
        What the file says.
    found : FoundPlate or None
        The plate in the scan.
    looks : {"negative", "positive"} or None
        What it seems to show.
    """
    hints: list[Verdict] = []
    if info.no_date is not None and info.taken is None:
        text = f'the date in the file, "{info.no_date}", is no date: it counts as unknown'
        hints.append(Verdict(Severity.NOTE, "date", text, "set the camera's clock"))
    if info.kind is not CaptureKind.SCAN:
        return tuple(hints)
    hints += [
        Verdict(Severity.WARN, "scan", text, f'set shows = "{looks}" if it is one')
        for text in misread(looks, info)
    ]
    if info.least_bits is not None and info.least_bits < FULL_BITS:
        hints.append(_bits(info.least_bits, job.scan.bits))
    if info.assumed_gamma is not None:
        text = f"no colour profile in the scan: gamma {info.assumed_gamma:g} is assumed"
        text += f", and every {'tone' if info.shows_positive else 'density'} goes with it"
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
