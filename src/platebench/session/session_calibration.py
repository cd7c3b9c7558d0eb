"""A session's calibration, and the blank frames that tell whether it still holds."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from platebench.densitometry.calibration import FILE_NAME, Calibration, load_calibration
from platebench.session.record import hash_files
from platebench.settings import SessionSettings


def session_calibration(folder: Path) -> Calibration | None:
    """Return the calibration beside ``session.toml``; None where there is none.

    Raises
    ------
    TabletError
        If there is one that cannot be used.
    """
    path = folder / FILE_NAME
    return load_calibration(path) if path.exists() else None


def blank_digests(
    folder: Path, settings: SessionSettings, known: Mapping[Path, str] | None = None
) -> tuple[str, ...]:
    """Return the SHA-256 of each blank frame, sorted.

    Parameters
    ----------
    known : mapping of Path to str, optional
        Digests at hand; the files are read where there are none.
    """
    paths = [folder / name for name in settings.blank]
    digests = hash_files(paths) if known is None else known
    return tuple(sorted(digests[path] for path in paths))
