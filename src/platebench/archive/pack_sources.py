"""Where the files of a package come from: a session and its results, and nowhere else."""

from __future__ import annotations

import os
from pathlib import Path

from platebench.archive.digests import hash_path
from platebench.errors import ArchiveError
from platebench.plate_job import POSITIVES, PREVIEWS, RECORDS


class Sources:
    """The session folder and the folder of its results; links may not lead out of either."""

    def __init__(self, folder: Path, converted: Path) -> None:
        self.folder, self.converted = folder, converted

    def capture(self, name: str) -> Path:
        """Return the file of the session that a name stands for.

        Raises
        ------
        ArchiveError
            If it is not there, or a link leads out of the session.
        """
        return _inside(self.folder, name, "the session")

    def result(self, name: str) -> Path:
        """Return a file of the results; see :meth:`capture`."""
        return _inside(self.converted, name, "the folder of results")

    def has(self, name: str) -> bool:
        """Tell whether the session has something of that name, a link that leads nowhere too."""
        return os.path.lexists(self.folder / name)

    def has_result(self, name: str) -> bool:
        """Tell whether there is a result of that name."""
        return os.path.lexists(self.converted / name)

    @staticmethod
    def result_names(plate_id: str) -> tuple[str, ...]:
        """Return the files that ``convert`` writes for a plate."""
        return (
            f"{POSITIVES}/{plate_id}.tif",
            f"{PREVIEWS}/{plate_id}.jpg",
            f"{RECORDS}/{plate_id}.json",
        )

    def sha256(self, path: Path) -> str:
        """Return the digest of a file.

        Raises
        ------
        ArchiveError
            If it cannot be read.
        """
        try:
            return hash_path(path, ("sha256",)).sha256
        except OSError as error:
            what = f"cannot be read ({error.strerror})"
            raise ArchiveError(path, what, "check its permissions") from error


def _inside(folder: Path, name: str, whose: str) -> Path:
    path = folder / name
    try:
        real = path.resolve(strict=True)
    except (OSError, RuntimeError) as error:
        if folder.name and not path.is_symlink() and not path.exists():
            remedy = "convert the session first" if "results" in whose else "copy it there again"
            raise ArchiveError(path, "is not there", remedy) from error
        raise ArchiveError(path, "is a link that leads nowhere", "copy the file itself") from error
    if not real.is_relative_to(folder.resolve()):
        what = f"is reached by a link that leads out of {whose}"
        raise ArchiveError(path, what, "copy the file itself there")
    return real
