"""One plate's work order and its outcome: what crosses from the session to a worker and back.

Paths and small values only; pixels stay in the worker. Both pickle, so the same job can run in
this process, in a local pool or on another machine that sees the same folders.

``convert_plate(job)`` writes ``job.positive`` and ``job.preview`` and returns both in ``written``;
``job.record`` is written around it, once the result is known. It may raise a PlateError: the
batch turns it into a result.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from platebench.core.errors import PlateError
from platebench.core.plate_names import stem_of
from platebench.core.settings import PlateSettings, ScanSettings

if TYPE_CHECKING:
    from platebench.plate.calibration import Calibration
    from platebench.plate.light import Dark, Light
    from platebench.plate.record import PlateRecord
    from platebench.plate_log.entry import LogEntry
    from platebench.tone.profile import ToneProfile

POSITIVES, PREVIEWS, RECORDS = "positives", "previews", "plates"
PICTURES = "pictures"  # of plates that hold several: positives and previews
OWN_FOLDERS = POSITIVES, PREVIEWS, RECORDS, PICTURES


def positive_of(output: Path, name: str) -> Path:
    """Return where the positive of a plate, or of a picture on it ("plate-001/2"), lies."""
    return output / (PICTURES if "/" in name else POSITIVES) / f"{stem_of(name)}.tif"


def preview_of(output: Path, name: str) -> Path:
    """Return where the preview of a plate, or of a picture on it, lies."""
    return output / (PICTURES if "/" in name else PREVIEWS) / f"{stem_of(name)}.jpg"


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintingEnds:
    """The densities that print to the two ends of the paper's scale.

    Attributes
    ----------
    base_fog : float
        Base plus fog in density units (D); prints to black-plus.
    d_max : float
        Densest useful tone (D); prints to white-minus.
    """

    base_fog: float
    d_max: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateJob:
    """Everything a worker needs to convert one plate.

    Attributes
    ----------
    folder : Path
        The session folder; ``settings.captures`` are relative to it.
    output : Path
        The folder of results. Its sub-folders exist before the first job runs.
    settings : PlateSettings
        Decisions for this plate, with the session's defaults already filled in.
    scan : ScanSettings
        How scans are read.
    light : Light or None
        The bare light box, prepared once for the session. None: estimate it from the surround.
    dark : Dark or None
        Level without light. None: the black level the file states.
    calibration : Calibration or None
        From a step tablet in the same light. None: densities are as the camera reads them.
    blanks : tuple of str
        SHA-256 of the session's blank frames, to tell whether the calibration was made with them.
    tone : ToneProfile or None
        Tone profile, already read. None only where nothing is toned (measuring).
    picture_tones : tuple of ToneProfile
        Those of ``settings.pictures``, in their order.
    ends : PrintingEnds or None
        Printing ends shared by the session. None: this plate's own.
    entry : LogEntry or None
        What the plate log says of this plate.
    inputs : tuple of (str, str)
        Every file read for this plate and its SHA-256, for the record.
    fingerprint : str
        SHA-256 over all that decides the result; see ``record.py``.
    force : bool
        Replace the positive even if somebody has changed it since it was made.
    """

    folder: Path
    output: Path
    settings: PlateSettings
    scan: ScanSettings = field(default_factory=ScanSettings)
    light: Light | None = None
    dark: Dark | None = None
    calibration: Calibration | None = None
    blanks: tuple[str, ...] = ()
    tone: ToneProfile | None = None
    picture_tones: tuple[ToneProfile, ...] = ()
    ends: PrintingEnds | None = None
    entry: LogEntry | None = None
    inputs: tuple[tuple[str, str], ...] = ()
    fingerprint: str = ""
    force: bool = False

    @property
    def plate_id(self) -> str:
        """Name of the plate and of its files."""
        return self.settings.id

    @property
    def captures(self) -> tuple[Path, ...]:
        """The plate's files."""
        return tuple(self.folder / name for name in self.settings.captures)

    @property
    def positive(self) -> Path:
        """Where the positive goes."""
        return positive_of(self.output, self.plate_id)

    @property
    def preview(self) -> Path:
        """Where the preview goes."""
        return preview_of(self.output, self.plate_id)

    @property
    def record(self) -> Path:
        """Where the plate's record goes."""
        return self.output / RECORDS / f"{self.plate_id}.json"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateResult:
    """Outcome of one plate: a value, also when it failed.

    Attributes
    ----------
    plate_id : str
        Name of the plate.
    written : tuple of Path
        Files written whole, in a fixed order.
    record : PlateRecord or None
        What was measured and done; None where nothing was converted.
    master : mapping or None
        What is written beside an archive master, where that was made.
    ends : PrintingEnds or None
        The plate's own printing ends, for ``printing = "shared"``.
    error : PlateError or None
        Why there is no result.
    skipped : bool
        Done before and unchanged; ``record`` and ``written`` are those of the earlier run.
    checks : tuple
        What was found in its captures, where they were checked too; see ``check_file.py``.
    """

    plate_id: str
    written: tuple[Path, ...] = ()
    record: PlateRecord | None = None
    master: Mapping[str, Any] | None = None
    ends: PrintingEnds | None = None
    error: PlateError | None = None
    skipped: bool = False
    checks: tuple[Any, ...] = ()
