"""Every error the package raises on purpose, and the exit code it maps to.

An error carries data and builds its sentence in ``__str__``: what, which file, what to do. The
data may come from a file, so each piece is cut to a sensible length there.
"""

from __future__ import annotations

from difflib import get_close_matches
from enum import IntEnum
from pathlib import Path
from typing import ClassVar

from platebench.core.shown import LONGEST_PART, shown

MOST_LINES = 50  # of one error


class ExitCode(IntEnum):
    """Process exit codes. Documented in docs/exit-codes.md, tested, never renumbered."""

    OK = 0
    INTERNAL = 1
    USAGE = 2  # click's own code for bad arguments
    PARTIAL = 3  # the batch finished, at least one plate failed
    INPUT = 10
    CALIBRATION = 11
    OUTPUT = 12
    PACKAGE_INVALID = 13
    WORKER_LOST = 14
    SETTINGS = 15
    CLUSTER = 16
    CLUSTER_LOST = 17
    INTERRUPTED = 130
    PIPE_CLOSED = 141  # as shells report a reader that stopped reading: 128 + SIGPIPE


class PlateError(Exception):
    """Base class. Carries data; the sentence for people is built from it."""

    exit_code: ClassVar[ExitCode] = ExitCode.INTERNAL
    settings: tuple[str, ...] = ()  # that the remedy is about; the command line names its options


class FileFault(PlateError):
    """Something is wrong with one file: ``path what; remedy``.

    Parameters
    ----------
    path : Path or str
        The file, folder, or whatever it is that people know by this name.
    what : str
        What is wrong, as the second half of a sentence ("is empty").
    remedy : str
        What to do next, as an instruction ("copy it from the card again").
    *settings : str
        Names of what the caller can set to that end ("output").
    """

    def __init__(self, path: Path | str, what: str, remedy: str, *settings: str) -> None:
        super().__init__(path, what, remedy, *settings)
        self.path, self.what, self.remedy, self.settings = path, what, remedy, settings

    def __str__(self) -> str:
        return f"{_part(self.path)} {_part(self.what)}; {_part(self.remedy)}"


class InputError(PlateError):
    """A capture cannot be used."""

    exit_code = ExitCode.INPUT


class CalibrationError(PlateError):
    """A blank or dark frame cannot be used with this plate."""

    exit_code = ExitCode.CALIBRATION


class OutputError(PlateError):
    """A result could not be written."""

    exit_code = ExitCode.OUTPUT


class SettingsError(PlateError):
    """``session.toml`` or a profile says something that cannot be done."""

    exit_code = ExitCode.SETTINGS


class CaptureError(FileFault, InputError):
    """A capture is missing, empty, damaged or not a picture."""


class NoPlateError(InputError):
    """There is no plate in a capture that should show one."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.path = path

    def __str__(self) -> str:
        return (
            f"{_part(self.path)} shows no plate; if it is a blank frame name it under [light] "
            "blank, else give the plate's corners or crop = false in session.toml"
        )


class NoAccessError(InputError):
    """The system lets nobody look at a file or folder under this name."""

    def __init__(
        self, path: Path | str, reason: str, remedy: str = "check its name and permissions"
    ) -> None:
        super().__init__(path, reason, remedy)
        self.path, self.reason, self.remedy = path, reason, remedy

    def __str__(self) -> str:
        what = f"cannot be used ({shown(self.reason)})"
        return f"{_part(self.path)} {what}; {_part(self.remedy)}"


class ReadingsError(FileFault, InputError):
    """Step readings, or the tablet they were made with, cannot be used."""


class ArchiveError(FileFault, InputError):
    """A session or plate cannot be packed, or made again, as it is."""


class CollectionError(FileFault, InputError):
    """A collection of packages, its catalogue or its log of audits cannot be used."""


class PackageError(FileFault, PlateError):
    """What is named as a package is none, or is not valid."""

    exit_code = ExitCode.PACKAGE_INVALID


class PrintNegativeError(FileFault, InputError):
    """A plate or positive cannot be made into a print negative of the size or tone asked for."""


class SpotError(FileFault, InputError):
    """A place that is to be measured is not on the plate, or holds nothing to read."""


class ChartError(FileFault, InputError):
    """A print of the step chart, or of a test strip, cannot be read."""


class FrameMismatchError(CalibrationError):
    """A blank or dark frame does not match the plate's capture (size, ISO, aperture, ...)."""

    def __init__(self, frame: Path, plate: Path, what: str, remedy: str) -> None:
        super().__init__(frame, plate, what, remedy)
        self.frame, self.plate, self.what, self.remedy = frame, plate, what, remedy

    def __str__(self) -> str:
        frame, plate = _part(self.frame), _part(self.plate)
        return f"{frame} does not fit {plate}: {_part(self.what)}; {_part(self.remedy)}"


class BlankFrameError(FileFault, CalibrationError):
    """A blank or dark frame is not usable by itself (clipped, black, not bare light)."""


class TabletError(FileFault, CalibrationError):
    """A step tablet, or its table of densities, cannot be used to calibrate."""


SHOWS_POSITIVE = "the scan shows a positive"  # why there are no densities
_AS_NEGATIVE = "scan the plate as a negative, without the scanner's own tones"


class NoDensitiesError(FileFault, InputError):
    """The densities of a plate are not known, and something was asked for that needs them."""

    @classmethod
    def of_positive(cls, path: Path) -> NoDensitiesError:
        """Return that of a scan which shows a positive."""
        what = "shows a positive ([scan] shows), whose densities are not known"
        return cls(path, what, _AS_NEGATIVE)

    @classmethod
    def of_record(cls, path: Path, why: str) -> NoDensitiesError:
        """Return that of a record without densities, and why it has none."""
        remedy = "capture the plate and a blank frame in the same light, then convert again"
        if why == SHOWS_POSITIVE:
            remedy = _AS_NEGATIVE
        return cls(path, f"holds no densities ({why})", remedy)


class BracketError(InputError):
    """Captures named as a bracket of one framing do not belong together.

    Parameters
    ----------
    one, other : Path
        The two captures.
    what : str
        What differs, as a sentence of its own.
    remedy : str
        What to do next, as an instruction.
    differs : str
        What they differ in, in a word or two: "size", "ISO", "place".
    """

    def __init__(self, one: Path, other: Path, what: str, remedy: str, differs: str) -> None:
        super().__init__(one, other, what, remedy, differs)
        self.one, self.other, self.what, self.remedy = one, other, what, remedy
        self.differs = differs

    def __str__(self) -> str:
        one, other = _part(self.one), _part(self.other)
        return f"{one} and {other} are no bracket: {_part(self.what)}; {_part(self.remedy)}"


class JoinError(InputError):
    """Captures named as tiles of one plate do not make one picture.

    Parameters
    ----------
    path : Path
        The capture it shows at.
    what : str
        What is wrong with it, as a verb and more.
    remedy : str
        What to do next, as an instruction.
    differs : str
        What is at fault, in a word or two: "links", "gap", "light".
    names : tuple of str
        All captures it concerns, where they are several.
    """

    def __init__(
        self, path: Path, what: str, remedy: str, differs: str, names: tuple[str, ...] = ()
    ) -> None:
        super().__init__(path, what, remedy, differs, names)
        self.path, self.what, self.remedy = path, what, remedy
        self.differs, self.names = differs, names

    def __str__(self) -> str:
        return (
            f"{_part(self.path)}: tiles cannot be joined: {_part(self.what)}; {_part(self.remedy)}"
        )


class NoLightReferenceError(CalibrationError):
    """There is no blank frame and no bare light box in the picture to estimate it from."""

    def __init__(self, plate: Path, why: str = "") -> None:
        super().__init__(plate, why)
        self.plate, self.why = plate, why

    def __str__(self) -> str:
        box = "and shows no bare light box around the plate"
        if self.why:
            box = f"{box} ({_part(self.why)})"
        return (
            f"{_part(self.plate)} has no blank frame {box}; "
            "capture the light box without a plate and name it under [light] blank"
        )


class WriteError(FileFault, OutputError):
    """A file could not be written whole; nothing was left under its final name."""

    def __str__(self) -> str:
        return f"{_part(self.path)} was not written: {_part(self.what)}; {_part(self.remedy)}"


class BadSettingError(SettingsError):
    """One setting cannot be used.

    Parameters
    ----------
    path : Path
        The TOML file.
    key : str
        Dotted name of the setting, such as ``plate[3].rotate``.
    what : str
        What is wrong with it.
    remedy : str
        What to write instead.
    """

    def __init__(self, path: Path, key: str, what: str, remedy: str) -> None:
        super().__init__(path, key, what, remedy)
        self.path, self.key, self.what, self.remedy = path, key, what, remedy

    def __str__(self) -> str:
        place = f"{_part(self.path)}: {shown(self.key)}"
        return f"{place} {_part(self.what)}; {_part(self.remedy)}"


class BadSettingsError(SettingsError):
    """Several settings of one file cannot be used; each gets its own line, up to a number."""

    def __init__(self, problems: tuple[BadSettingError, ...]) -> None:
        super().__init__(problems)
        self.problems = problems

    def __str__(self) -> str:
        lines = [str(problem) for problem in self.problems[:MOST_LINES]]
        if more := len(self.problems) - len(lines):
            lines.append(f"{_part(self.problems[0].path)} has {more} more; correct these first")
        return "\n".join(lines)


class SettingsFileError(FileFault, SettingsError):
    """A settings file is missing, is not TOML, or may not be replaced."""


class SessionFolderError(FileFault, InputError):
    """A session folder is missing, is not a folder, or holds nothing to work on."""


class PortTakenError(InputError):
    """The port for the review page is taken or not allowed."""

    settings = ("port",)

    def __init__(self, port: int) -> None:
        super().__init__(port)
        self.port = port

    def __str__(self) -> str:
        return f"port {self.port} is taken or not allowed; name another, or leave it out"


class MissingProfileError(SettingsError):
    """A profile is named that is in none of the folders.

    Parameters
    ----------
    kind : {"tone", "process"}
    name : str
        The name that was asked for.
    folders : tuple of Path
        Where it was looked for.
    known : tuple of str
        The names there are.
    """

    def __init__(
        self, kind: str, name: str, folders: tuple[Path, ...], known: tuple[str, ...]
    ) -> None:
        super().__init__(kind, name, folders, known)
        self.kind, self.name, self.folders, self.known = kind, name, folders, known

    def __str__(self) -> str:
        looked = " or ".join(_part(folder) for folder in self.folders)
        return (
            f'there is no {self.kind} profile "{shown(self.name)}" in {looked}; {self._guess()}'
            f"the profiles there are: {_part(', '.join(self.known)) or 'none'}"
        )

    def _guess(self) -> str:
        """Ask whether a name that begins so, or is spelled much like it, was meant."""
        asked = self.name.casefold()
        begin = [name for name in self.known if asked and name.casefold().startswith(asked)]
        near = begin or get_close_matches(asked, self.known, n=2)
        return f"did you mean {shown(' or '.join(near))}? " if near else ""


class ClusterError(FileFault):
    """A cluster, or one of its workers, cannot be used."""

    exit_code = ExitCode.CLUSTER


class ClusterLostError(FileFault):
    """The scheduler of a cluster was lost on the way; what was finished stays."""

    exit_code = ExitCode.CLUSTER_LOST


class MemoryFault(PlateError):
    """There was not memory enough for a plate."""

    exit_code = ExitCode.WORKER_LOST
    settings = ("workers",)
    what: ClassVar[str]  # and what to do

    def __init__(self, plate_id: str) -> None:
        super().__init__(plate_id)
        self.plate_id = plate_id

    def __str__(self) -> str:
        return f"{shown(self.plate_id)}: {self.what}, one plate at a time"


class WorkerLostError(MemoryFault):
    """A worker process died, most often for want of memory."""

    what = "its worker was killed, most likely out of memory; run again"


class OutOfMemoryError(MemoryFault):
    """A plate did not fit in memory; the process survived."""

    what = "not enough memory; close other programs and run again"


class UnexpectedError(PlateError):
    """A plate met a fault of the program itself; the other plates went on.

    The one error that keeps ``ExitCode.INTERNAL``: nobody foresaw it. ``trace`` is the traceback
    as text, because a traceback does not survive the way between processes.
    """

    exit_code = ExitCode.INTERNAL

    def __init__(self, plate_id: str, what: str, trace: str) -> None:
        super().__init__(plate_id, what, trace)
        self.plate_id, self.what, self.trace = plate_id, what, trace

    def __str__(self) -> str:
        return (
            f"{shown(self.plate_id)}: the program failed ({_part(self.what)}); "
            "this is a fault of the program: report it with the traceback in report.json"
        )


def _part(text: object) -> str:
    return shown(text, LONGEST_PART)
