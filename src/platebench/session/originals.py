"""What may not be replaced: captures, results of ``convert``, pictures that somebody edited."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from platebench.core.errors import SettingsError, WriteError
from platebench.core.settings import SessionSettings
from platebench.plate.job import OWN_FOLDERS
from platebench.session.record import hash_files
from platebench.session.settings_file import FILE_NAME, load_session
from platebench.write.tiff import origin_of

_OURS = "platebench "  # how the Software tag of a picture begins


def captures_of(folder: Path, settings: SessionSettings) -> tuple[Path, ...]:
    """Return every file a session names: blank and dark frames, all plates, skipped ones too."""
    plates = (name for plate in settings.plates for name in plate.captures)
    return tuple(folder / name for name in (*settings.light_captures, *plates))


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
    if folder.resolve() in {(output / name).resolve() for name in OWN_FOLDERS}:
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


def refuse_edited(
    picture: Path, known: str, *, beside: Sequence[Path] = (), mark: str = ""
) -> None:
    """Refuse to replace a picture, or the files beside it, that are not as they were made here.

    ``known`` is the SHA-256 that its record states. Without a record, as after a run that was
    killed, its Software tag tells, and its description, which holds ``mark``.

    Raises
    ------
    WriteError
        If somebody has changed it.
    """
    present = [path for path in (picture, *beside) if path.exists()]
    if not present:
        return
    if known:
        as_made = not picture.exists() or hash_files([picture])[picture] == known
    else:
        software, description = origin_of(picture)
        as_made = software.startswith(_OURS) and mark in description
    if not as_made:
        raise WriteError(
            present[0],
            "it has been changed since it was made, and is left as it is",
            "move it away, or have it replaced",
            "force",
        )


def _identity(path: Path) -> tuple[int, int] | Path:
    """Return what two names of one file have in common."""
    try:
        seen = path.stat()
    except OSError:
        return path.resolve()
    return seen.st_dev, seen.st_ino
