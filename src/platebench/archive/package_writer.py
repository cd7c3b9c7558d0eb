"""A package as it is built: in a folder beside its place, read back, named only when whole.

BagIt 1.0 (RFC 8493). Sources are only read; each is read once, hashed and copied in the same go.

``Sources`` finds what is packed and remembers the digests of what was read once.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from platebench.archive.file_check import PackageCheck
from platebench.archive.manifest import (
    DECLARATION,
    MOST_FILES,
    clashes,
    fault_of_path,
    format_manifest,
    format_tags,
)
from platebench.archive.package_tree import (
    ALGORITHMS,
    FileDigests,
    forget_cached,
    hash_path,
    hash_stream,
    open_regular,
)
from platebench.archive.verify import PAYLOAD, verify_package
from platebench.core.errors import ArchiveError, WriteError
from platebench.core.files import atomic_folder, write_error
from platebench.core.progress import NullProgress, Progress
from platebench.core.settings import PlateSettings
from platebench.plate.job import RECORDS, positive_of, preview_of
from platebench.plate.pictures import names_of
from platebench.write.tiff import PixelPlace, pixel_place


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
    def result_names(plate: PlateSettings) -> tuple[str, ...]:
        """Return the files that ``convert`` writes for a plate; one in doubt has no pictures."""
        pictures = (
            path.as_posix()
            for name in names_of(plate)
            for path in (positive_of(Path(), name), preview_of(Path(), name))
        )
        return (*pictures, f"{RECORDS}/{plate.id}.json")

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


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedFile:
    """One payload file.

    Attributes
    ----------
    digests : FileDigests
        ``span`` is that of its pixels where it is a picture with plain samples.
    shape : tuple of int or None
        Rows, columns and channels of such a picture.
    """

    digests: FileDigests
    shape: tuple[int, ...] | None = None


class PackageWriter:
    """Fills the folder of a package; made by :func:`new_package`."""

    def __init__(self, folder: Path, target: Path) -> None:
        self.folder, self.target = folder, target
        self.files: dict[str, PackedFile] = {}
        self.check: PackageCheck | None = None  # as it read back, once finished
        (folder / PAYLOAD).mkdir()

    def copy(self, source: Path, name: str, *, sha256: str = "", pixels: bool = True) -> PackedFile:
        """Copy a file into the payload, hashing what is read.

        Parameters
        ----------
        name : str
            Path below ``data/``, with forward slashes.
        sha256 : str
            What it has to be; "" for whatever it is.
        pixels : bool
            Hash the pixels of a TIFF by themselves, too.

        Raises
        ------
        ArchiveError
            If the source cannot be read, or is not what it has to be.
        WriteError
            If the copy cannot be written.
        """
        place = self._place(name)
        span = pixel_place(source) if pixels and source.suffix == ".tif" else None
        try:
            stream = open_regular(source)
        except OSError as error:
            raise _unreadable(source, error) from error
        with stream:
            packed = self._written(place, _ReadSource(source, stream), span)
        if sha256 and packed.digests.sha256 != sha256:
            what, remedy = "is not as it was converted", "convert its plate again, then pack it"
            raise ArchiveError(source, what, remedy)
        self.files[name] = packed
        return packed

    def put(self, name: str, data: bytes) -> PackedFile:
        """Write bytes into the payload."""
        place = self._place(name)
        _write_flushed(place, data)
        return self.adopt(name)

    def adopt(self, name: str) -> PackedFile:
        """Take in a payload file that somebody wrote where :meth:`place_for` said."""
        place = self.folder / PAYLOAD / name
        span = pixel_place(place) if place.suffix == ".tif" else None
        digests = hash_path(place, ALGORITHMS, _ends(span))
        self.files[name] = PackedFile(digests=digests, shape=span.shape if span else None)
        return self.files[name]

    def place_for(self, name: str) -> Path:
        """Return where to write a payload file that is taken in by :meth:`adopt`."""
        return self._place(name)

    def finish(self, day: date, tags: Sequence[tuple[str, str]], progress: Progress) -> None:
        """Write manifests and tag files, then read everything back.

        Raises
        ------
        WriteError
            If something cannot be written, or reads back otherwise.
        """
        oxum = f"{sum(file.digests.size for file in self.files.values())}.{len(self.files)}"
        tag_files = {
            "bagit.txt": DECLARATION,
            "bag-info.txt": format_tags(
                [*tags, ("Bagging-Date", day.isoformat()), ("Payload-Oxum", oxum)]
            ),
        }
        for algorithm in ALGORITHMS:
            tag_files[f"manifest-{algorithm}.txt"] = format_manifest(
                {
                    PAYLOAD + name: file.digests.by_algorithm[algorithm]
                    for name, file in self.files.items()
                }
            )
        digests = {}
        for name, data in tag_files.items():
            _write_flushed(self.folder / name, data)
            digests[name] = hash_path(self.folder / name).by_algorithm
        for algorithm in ALGORITHMS:
            manifest = format_manifest({name: by[algorithm] for name, by in digests.items()})
            _write_flushed(self.folder / f"tagmanifest-{algorithm}.txt", manifest)
        self.check = verify_package(self.folder, progress=progress)
        if not self.check.valid:
            what = f"it read back different ({self.check.faults[0]})"
            raise WriteError(self.target, what, "look at the disk and run again")

    def _place(self, name: str) -> Path:
        if fault := fault_of_path(name):
            raise ArchiveError(name, fault, "give the file another name")
        place = self.folder / PAYLOAD / name
        place.parent.mkdir(parents=True, exist_ok=True)
        return place

    def _written(self, place: Path, source: _ReadSource, span: PixelPlace | None) -> PackedFile:
        with place.open("xb", buffering=0) as copy:
            digests = hash_stream(source, sink=_writing_all(copy), span=_ends(span))  # type: ignore[arg-type]
            os.fsync(copy.fileno())
            forget_cached(copy)
        return PackedFile(digests=digests, shape=span.shape if span else None)


@contextmanager
def new_package(
    target: Path,
    day: date,
    tags: Sequence[tuple[str, str]] = (),
    progress: Progress | None = None,
) -> Iterator[PackageWriter]:
    """Yield a writer; when the block succeeds the package is closed, read back and named.

    Parameters
    ----------
    target : Path
        The package's folder; never replaced.
    day : date
        Bagging-Date.
    tags : sequence of (str, str)
        Further labels and values of ``bag-info.txt``.

    Raises
    ------
    WriteError
        If it cannot be written whole; nothing is left of it.
    """
    with atomic_folder(target) as folder:
        writer = PackageWriter(folder, target)
        yield writer
        writer.finish(day, tags, progress or NullProgress())


def refuse_clashes(names: Iterable[str], origin: Path) -> None:
    """Refuse payload names that are one file on some disks, or far too many of them.

    Raises
    ------
    ArchiveError
        For the first pair.
    """
    names = list(names)
    for first, second in clashes(names):
        what = f"has {first} and {second}, which are one file on some disks"
        raise ArchiveError(origin, what, "rename one of them, in session.toml too")
    if len(names) > MOST_FILES // 2:
        what = f"has more files than a package may ({MOST_FILES // 2})"
        raise ArchiveError(origin, what, "pack its plates apart", "each")


class _ReadSource:
    """A source whose faults are told apart from those of the copy."""

    def __init__(self, path: Path, stream: object) -> None:
        self._path, self._stream = path, stream

    def fileno(self) -> int:
        number: int = self._stream.fileno()  # type: ignore[attr-defined]
        return number

    def readinto(self, buffer: memoryview) -> int:
        try:
            count: int = self._stream.readinto(buffer)  # type: ignore[attr-defined]
        except OSError as error:
            raise _unreadable(self._path, error) from error
        return count


def _unreadable(path: Path, error: OSError) -> ArchiveError:
    if isinstance(error, FileNotFoundError):
        return ArchiveError(path, "is not there", "check the disk it is on, then pack again")
    return ArchiveError(path, f"cannot be read ({error.strerror})", "check its permissions")


def _writing_all(copy: object) -> object:
    def write(chunk: memoryview) -> None:
        while len(chunk):
            chunk = chunk[copy.write(chunk) :]  # type: ignore[attr-defined]

    return write


def _write_flushed(path: Path, data: bytes) -> None:
    try:
        with path.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        raise write_error(path, error) from error


def _ends(place: PixelPlace | None) -> tuple[int, int] | None:
    return None if place is None else (place.start, place.stop)
