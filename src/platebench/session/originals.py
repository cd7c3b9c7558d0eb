"""Original captures: nothing that is written may take their place."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from platebench.core.errors import SettingsError, WriteError
from platebench.core.settings import SessionSettings
from platebench.plate.job import POSITIVES, PREVIEWS, RECORDS
from platebench.session.settings_file import FILE_NAME, load_session


def captures_of(folder: Path, settings: SessionSettings) -> tuple[Path, ...]:
    """Return every file a session names: blank and dark frames, all plates, skipped ones too."""
    plates = (name for plate in settings.plates for name in plate.captures)
    return tuple(folder / name for name in (*settings.blank, *settings.dark, *plates))


def refuse_captures(targets: Iterable[Path], captures: Iterable[Path]) -> None:
    """Refuse to write what would replace a capture.

    Raises
    ------
    WriteError
        For the first target that is one, under whatever name.
    """
    known = {_identity(path) for path in captures}
    for target in targets:
        if _identity(target) in known:
            raise WriteError(target, "it is one of the captures", "choose another folder", "output")


def refuse_results(folder: Path, output: Path) -> None:
    """Refuse a folder in which what is to be written would be taken for what ``convert`` wrote.

    Parameters
    ----------
    folder : Path
        Where files are about to be written.
    output : Path
        Folder of results.

    Raises
    ------
    WriteError
        If positives, previews or records lie there.
    """
    if folder.resolve() in {(output / name).resolve() for name in (POSITIVES, PREVIEWS, RECORDS)}:
        what = "the session's own results lie in that folder"
        raise WriteError(folder, what, "choose another folder", "output")


def refuse_folder_of_captures(folder: Path, suffixes: Iterable[str]) -> None:
    """Refuse a folder in which a session has captures that end like what is to be written there.

    The session is that of the folder itself or of one above it; one whose ``session.toml`` cannot
    be used is passed over.

    Raises
    ------
    WriteError
        If there is such a capture.
    """
    place = folder.resolve()
    for above in (place, *place.parents):
        if not (above / FILE_NAME).is_file():
            continue
        try:
            captures = captures_of(above, load_session(above))
        except SettingsError:
            continue
        if any(c.parent.resolve() == place and c.suffix.lower() in suffixes for c in captures):
            raise WriteError(
                folder, "captures of a session lie there", "choose another folder", "output"
            )


def _identity(path: Path) -> tuple[int, int] | Path:
    """Return what two names of one file have in common."""
    try:
        seen = path.stat()
    except OSError:
        return path.resolve()
    return seen.st_dev, seen.st_ino
