"""Packages as BagIt (RFC 8493) has them, held by an independent library (bagit on PyPI)."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import bagit
import pytest

from platebench.archive.package_tree import CHUNK, hash_path, hash_stream
from platebench.archive.package_writer import new_package, refuse_clashes
from platebench.archive.verify import verify_package
from platebench.core.errors import ArchiveError, WriteError

from ..refusals import refused
from ..session_files import tree
from .packages import DAY, FILES, build, picture


def test_an_independent_library_finds_it_valid(tmp_path: Path) -> None:
    # bagit does not decode %25 (its own reading of section 2.1.3), so no % here
    files = {name.replace("%", " percent"): data for name, data in FILES.items()}
    package = build(tmp_path / "shelf 3", files)
    bag = bagit.Bag(str(package))
    bag.validate()
    assert bag.info["Bagging-Date"] == "2026-03-01"
    assert bag.info["External-Identifier"] == "shelf 3"
    assert sorted(bag.payload_files()) == sorted(f"data/{name}" for name in files)


def test_its_files_are_those_of_the_standard(tmp_path: Path) -> None:
    package = build(tmp_path / "p")
    # RFC 8493, section 2.1.1: exactly these two lines.
    expected = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert (package / "bagit.txt").read_bytes() == expected
    # Section 2.2.2: Payload-Oxum is OctetCount.StreamCount.
    octets = sum(map(len, FILES.values()))
    assert f"Payload-Oxum: {octets}.4\n" in (package / "bag-info.txt").read_text(encoding="utf-8")
    # Section 2.1.3: a digest, white space, a path; LF and % encoded.
    lines = (package / "manifest-sha256.txt").read_text(encoding="utf-8").splitlines()
    digest = hashlib.sha256(FILES["notes/50% sure\nor less.txt"]).hexdigest()
    assert f"{digest}  data/notes/50%25 sure%0Aor less.txt" in lines
    assert sorted(path.name for path in package.iterdir()) == [
        "bag-info.txt",
        "bagit.txt",
        "data",
        "manifest-sha256.txt",
        "manifest-sha512.txt",
        "tagmanifest-sha256.txt",
        "tagmanifest-sha512.txt",
    ]
    assert verify_package(package).findings == ()


def test_the_same_files_and_day_give_the_same_bytes(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    assert tree(build(tmp_path / "a" / "p")) == tree(build(tmp_path / "b" / "p"))


@pytest.mark.parametrize("size", [0, 1, CHUNK, 4 * CHUNK, 4 * CHUNK + 1, 9 * CHUNK + 17])
def test_digests_in_one_read_are_those_of_hashlib(tmp_path: Path, size: int) -> None:
    data = os.urandom(size)
    (tmp_path / "file").write_bytes(data)
    span = (size // 3, size - size // 5)
    passed = bytearray()
    with (tmp_path / "file").open("rb", buffering=0) as stream:
        found = hash_stream(stream, sink=passed.extend, span=span)
    assert passed == data and found.size == size
    assert found.by_algorithm == {
        name: hashlib.new(name, data).hexdigest() for name in ("sha256", "sha512")
    }
    assert found.span == hashlib.sha256(data[slice(*span)]).hexdigest()


def test_the_pixels_have_a_digest_of_their_own(tmp_path: Path) -> None:
    import tifffile

    source = picture(tmp_path / "a.tif")
    with new_package(tmp_path / "p", DAY) as writer:
        packed = writer.copy(source, "masters/a.tif")
    pixels = tifffile.imread(source)
    assert packed.shape == pixels.shape == (37, 53)
    assert packed.digests.span == hashlib.sha256(pixels.astype("<u2").tobytes()).hexdigest()
    assert (tmp_path / "p/data/masters/a.tif").read_bytes() == source.read_bytes()


def test_a_package_is_never_replaced(tmp_path: Path) -> None:
    package = build(tmp_path / "p")
    before = tree(package)
    with refused(WriteError, path=package):
        build(tmp_path / "p", {"other": b"x"})
    assert tree(package) == before
    assert [path.name for path in tmp_path.iterdir()] == ["p"]


def test_what_goes_wrong_in_between_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), new_package(tmp_path / "p", DAY) as writer:
        writer.put("a", b"a")
        raise ZeroDivisionError
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_damaged_as_it_is_written_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def bad_disk(path: Path, *args: object) -> object:
        if path.name == "a":
            path.write_bytes(b"b")
        return hash_path(path, *args)  # type: ignore[arg-type]

    from platebench.archive import package_writer

    checked = package_writer.verify_package
    monkeypatch.setattr(
        package_writer, "verify_package", lambda *a, **k: checked(*a, **k, digest=bad_disk)
    )
    with refused(WriteError, "data/a", path=tmp_path / "p"):
        build(tmp_path / "p", {"a": b"a"})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["../out", "/out", "C:/out", "a/../../out", "~/out", "a//b", ""])
def test_nothing_is_written_outside(tmp_path: Path, name: str) -> None:
    (tmp_path / "in").mkdir()
    with refused(ArchiveError):
        build(tmp_path / "in" / "p", {name: b"x"})
    assert [path.name for path in tmp_path.iterdir()] == ["in"]
    assert list((tmp_path / "in").iterdir()) == []


def test_a_source_that_vanished_or_is_a_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"s")
    (tmp_path / "link").symlink_to("secret")
    os.mkfifo(tmp_path / "pipe")
    for name in ("gone", "link", "pipe"):
        with (
            refused(ArchiveError, path=tmp_path / name),
            new_package(tmp_path / "p", DAY) as writer,
        ):
            writer.copy(tmp_path / name, "file")
    assert not (tmp_path / "p").exists()


def test_names_that_clash_are_refused_before_anything_is_built(tmp_path: Path) -> None:
    composed, apart = "caf\u00e9.tif", "cafe\u0301.tif"
    for pair in (("A.dng", "a.dng"), (composed, apart), ("Scans/1.tif", "scans/2.tif")):
        with refused(ArchiveError, *(name.partition("/")[0] for name in pair)):
            refuse_clashes(pair, tmp_path)
    refuse_clashes(("a.dng", "b.dng", "a/b.dng"), tmp_path)


def test_very_long_names_end_in_one_line(tmp_path: Path) -> None:
    build(tmp_path / "p", {"a" * 255: b"x", "/".join(["deep"] * 50): b"y"})
    with refused(WriteError, cause=OSError):
        build(tmp_path / "q", {"a" * 300: b"x"})
    assert [path.name for path in tmp_path.iterdir()] == ["p"]
