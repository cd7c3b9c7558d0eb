"""What came of checking one capture of a session."""

from __future__ import annotations

from dataclasses import dataclass, replace

from platebench.errors import PlateError
from platebench.quality import CaptureCheck, Severity, Verdict
from platebench.quality.figures import Role

_BY_FRAMES = ("blank match", "noise floor")  # topics that ask for frames the session has


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckedCapture:
    """What came of checking one capture.

    Attributes
    ----------
    plate_id : str
        The plate it belongs to; "" for blank and dark frames.
    name : str
        The file, relative to the session folder.
    role : {"plate", "blank", "dark"}
        What it is for.
    check : CaptureCheck or None
        Figures and verdicts; None where there is an error.
    error : PlateError or None
        Why it could not be checked.
    """

    plate_id: str
    name: str
    role: Role
    check: CaptureCheck | None = None
    error: PlateError | None = None


def asking_for_no_frames(check: CaptureCheck) -> CaptureCheck:
    """Return a check made without the frames that cannot be used; they are there, mended first."""
    said = tuple(verdict for verdict in check.verdicts if verdict.topic not in _BY_FRAMES)
    return replace(check, verdicts=said)


def failed(check: CaptureCheck, error: PlateError, topic: str) -> CaptureCheck:
    """Return a check with an error of conversion said first."""
    return replace(check, verdicts=(Verdict(Severity.FAIL, topic, str(error)), *check.verdicts))
