"""Collections as they are met: folders closed or wrecked, names taken, files saved by others."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from platebench.archive.audit import Audit, audit_collection
from platebench.archive.audit_log import FILE_NAME as LOG
from platebench.archive.audit_log import append_audit, entry_of, read_audits
from platebench.archive.catalogue import index_collection
from platebench.archive.catalogue_file import ELSEWHERE, FILE_NAME
from platebench.archive.collection import find_packages
from platebench.archive.pack_session import pack_session
from platebench.archive.verify import verify_package
from platebench.cli import main
from platebench.core.errors import CollectionError, ExitCode, WriteError
from platebench.core.locks import sole_run

from ..processes import needs_accents
from ..refusals import refused
from ..session_files import tree
from .conftest import NOW
from .packages import build

Close = Callable[[Path], None]


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args])


def audit(collection: Path, month: int, share: str = "1/1", **options: object) -> Audit:
    day = date(2026, month, 1)
    return audit_collection(collection, day=day, share=Fraction(share), **options)  # type: ignore[arg-type]


def outcomes(found: Audit) -> dict[str, tuple[str, str]]:
    return {entry.package: (entry.outcome, entry.detail) for entry in found.entries}


@pytest.fixture
def collection(tmp_path: Path) -> Path:
    place = tmp_path / ("Platten 2" if sys.getfilesystemencoding() == "ascii" else "Platten Süd")
    place.mkdir()
    for name in ("Scheune 1", "b", "c"):
        build(place / name, {"file": name.encode()})
    return place


@pytest.fixture
def close(monkeypatch: pytest.MonkeyPatch) -> Close:
    """Close a folder to us, whoever runs the tests: what lists it or looks into it is refused."""
    closed: list[str] = []

    def refusing(real: Callable[..., object], lists: bool) -> Callable[..., object]:
        def call(path: object = ".", *args: object, **kwargs: object) -> object:
            name = os.fspath(path) if isinstance(path, str | os.PathLike) else ""
            for folder in closed:
                if name.startswith(f"{folder}/") or (lists and name == folder):
                    raise PermissionError(13, "Permission denied", name)
            return real(path, *args, **kwargs)

        return call

    for name in ("scandir", "listdir", "stat", "lstat", "open"):
        monkeypatch.setattr(os, name, refusing(getattr(os, name), name.endswith("dir")))
    return lambda folder: closed.append(str(folder))


# --- What is closed, wrecked or gone


def test_a_package_closed_to_us_does_not_stop_the_others(collection: Path, close: Close) -> None:
    audit(collection, 1)
    close(collection / "b")
    found = audit(collection, 2)
    assert {name: outcome for name, (outcome, _) in outcomes(found).items()} == {
        "Scheune 1": "valid",
        "b": "not valid",
        "c": "valid",
    }
    assert found.exit_code is ExitCode.PACKAGE_INVALID and found.closed == ()
    indexed = index_collection(collection)
    assert [name for name, _ in indexed.closed] == ["b"]
    assert indexed.gone == indexed.no_package == () and indexed.packages == 3


def test_a_closed_folder_of_no_known_package_is_told_and_no_fault(
    collection: Path, close: Close
) -> None:
    (collection / "lost+found").mkdir()
    close(collection / "lost+found")
    result = run("audit", collection)
    assert result.exit_code == ExitCode.OK
    assert result.stdout.startswith("lost+found: ")
    close(collection)
    result = run("audit", collection)
    assert result.exit_code == ExitCode.INPUT
    assert result.stderr.startswith(f"Error: {collection} ") and result.stderr.count("\n") == 1


def test_what_is_closed_is_said_in_our_own_line(
    collection: Path, close: Close, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda *args, **kwargs: False)
    close(collection / "b")
    for command in ("verify", "reproduce"):
        result = run(command, collection / "b")
        assert result.exit_code == ExitCode.PACKAGE_INVALID
        assert result.stderr.startswith(f"Error: {collection / 'b'} ")
        assert result.stderr.count("\n") == 1
    close(collection)
    result = run("verify", collection / "b")
    assert len(result.stderr.splitlines()) == 1


def test_a_package_without_its_bagit_txt_is_damaged_not_gone(collection: Path) -> None:
    audit(collection, 1)
    (collection / "b/bagit.txt").unlink()
    assert "b" in find_packages(collection).packages  # audited before or not
    indexed = index_collection(collection)
    assert indexed.gone == indexed.no_package == () and indexed.packages == 3
    found = audit(collection, 2)
    outcome, detail = outcomes(found)["b"]
    assert outcome == "not valid" and "bagit.txt" in detail
    assert found.packages == 3
    line = run("audit", collection).stdout.splitlines()[0]
    assert line.startswith("b: not valid: ") and detail in line
    assert line.endswith(f"platebench verify '{collection / 'b'}'")
    result = run("verify", collection / "b")
    assert result.stdout.endswith("; take what is named from another copy of the package\n")


def test_a_folder_that_is_no_package_any_more_is_damaged_not_gone(collection: Path) -> None:
    audit(collection, 1)
    for path in (collection / "b").glob("*.txt"):
        path.unlink()
    shutil.copytree(collection / "b", collection / "never one")
    indexed = index_collection(collection)
    assert indexed.no_package == ("b",) and indexed.gone == ()
    for month in (2, 3):  # told until it is mended, whatever is due
        found = audit(collection, month, "1/100")
        assert outcomes(found)["b"][0] == "not valid"
        assert found.exit_code is ExitCode.PACKAGE_INVALID and "never one" not in outcomes(found)
    line = run("audit", collection).stdout.splitlines()[0]
    assert line.startswith("b: not valid: ")
    shutil.rmtree(collection / "b")
    build(collection / "b", {"file": b"b"})
    assert outcomes(audit(collection, 4))["b"] == ("valid", "")


@needs_accents
def test_what_was_renamed_or_moved_in_the_collection_is_no_fault(collection: Path) -> None:
    audit(collection, 1)
    (collection / "Regal 2").mkdir()
    (collection / "b").rename(collection / "Regal 2/Scheune Süd")
    (collection / "b").mkdir()  # what may be left of it
    found = audit(collection, 2, "1/3")
    assert outcomes(found) == {
        "Regal 2/Scheune Süd": ("valid", ""),
        "b": ("gone", outcomes(found)["b"][1]),
    }
    assert "2026-01-01" in outcomes(found)["b"][1]
    assert found.exit_code is ExitCode.OK and found.moved == {"b": "Regal 2/Scheune Süd"}
    assert set(outcomes(audit(collection, 3))) == {"Regal 2/Scheune Süd", "Scheune 1", "c"}
    (collection / "c").rename(collection / "d")
    assert run("catalogue", "index", collection).stdout.startswith("moved: c is now at d\n")
    (collection / "Scheune 1").rename(collection / "e")
    (collection / "d").rename(collection.parent / "d")
    result = run("audit", collection)
    assert result.exit_code == ExitCode.PACKAGE_INVALID  # for that one only
    first, second = result.stdout.splitlines()[:2]
    assert first.startswith("Scheune 1: gone: ") and first.endswith(" e")
    assert second.startswith("c: gone: ") and "2026-03-01" in second


def test_what_came_back_is_checked_first(collection: Path) -> None:
    audit(collection, 1)
    (collection / "c").rename(collection.parent / "c")
    assert outcomes(audit(collection, 2))["c"][0] == "gone"
    (collection.parent / "c").rename(collection / "c")
    assert list(outcomes(audit(collection, 3, "1/3"))) == ["c"]


def test_what_is_gone_is_told_with_what_is_in_its_place(collection: Path) -> None:
    audit(collection, 1)
    for name in ("b", "c", "Scheune 1"):
        (collection / name).rename(collection.parent / name)
    (collection / "b").symlink_to(collection.parent / "b")
    (collection / "c").touch()
    result = run("audit", collection)
    assert result.exit_code == ExitCode.PACKAGE_INVALID
    *gone, _ = result.stdout.splitlines()
    for line, name in zip(gone, ("Scheune 1", "b", "c"), strict=True):
        assert line.startswith(f"{name}: gone: ") and "2026-01-01" in line
    assert "link" in gone[1] and "file" in gone[2]


def test_many_findings_are_one_line_that_can_be_read(collection: Path) -> None:
    for number in range(5):
        (collection / f"b/data/{number}").touch()
    line = run("audit", collection).stdout.splitlines()[0]
    assert line.startswith("b: not valid: ")
    assert [f"data/{n} " in line for n in range(5)] == [True] * 3 + [False] * 2
    assert "data/4" in read_audits(collection / LOG)[1].detail


def test_a_list_of_checksums_makes_no_package(collection: Path) -> None:
    (collection / "manifest-md5.txt").write_text("of all the disk\n", encoding="utf-8")
    (collection / "sub").mkdir()
    shutil.move(collection / "c", collection / "sub/c")
    (collection / "sub/manifest-md5.txt").write_text("of a part of it\n", encoding="utf-8")
    assert find_packages(collection).packages == ("Scheune 1", "b", "sub/c")


# --- Catalogue and log


def test_two_at_once_do_not_do_the_same_twice(collection: Path) -> None:
    audit(collection, 1)
    before = (collection / LOG).read_bytes()
    with sole_run(collection) as alone:
        assert alone
        for command in (["audit"], ["catalogue", "index", "--anew"]):
            result = run(*command, collection)
            assert result.exit_code == ExitCode.INPUT
            said = "is in use by another run; wait until it is done, then run again"
            assert result.stderr == f"Error: {collection / FILE_NAME} {said}\n"
    assert (collection / LOG).read_bytes() == before
    assert run("audit", collection).exit_code == ExitCode.OK


@pytest.fixture(params=["a database", "a table"])
def foreign(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A file of somebody else's that is named by mistake, and has to stay as it is."""
    place = tmp_path / "mine" / ("mine.csv" if request.param == "a table" else FILE_NAME)
    place.parent.mkdir()
    if request.param == "a table":
        place.write_text("id,title\n1,Mill\n", encoding="utf-8")
    else:
        with sqlite3.connect(place) as connection:
            connection.execute("CREATE TABLE photographs (title TEXT)")
        connection.close()
    before = place.read_bytes()
    yield place
    assert place.read_bytes() == before


def test_a_file_of_somebody_else_is_never_replaced(collection: Path, foreign: Path) -> None:
    option = ("--catalogue", foreign)
    for command in (
        ("catalogue", "index", collection, "--anew", *option),
        ("catalogue", "index", collection, *option),
        ("catalogue", "find", collection, *option),
        ("audit", collection, *option),
    ):
        result = run(*command)
        assert result.exit_code == ExitCode.INPUT
        said = "is no catalogue, and is left as it is; move it away, or name another file"
        assert result.stderr == f"Error: {foreign} {said} (--catalogue)\n"
    assert [path.name for path in foreign.parent.iterdir()] == [foreign.name]


def test_a_damaged_catalogue_is_replaced_as_its_message_says(collection: Path) -> None:
    place = collection / FILE_NAME
    for wreck in (b"", b"garbage"):
        index_collection(collection)
        place.write_bytes(wreck)
        result = run("catalogue", "find", collection)
        assert result.exit_code == ExitCode.INPUT and "index COLLECTION --anew" in result.stderr
        assert ("is empty;" in result.stderr) == (not wreck)
        assert run("catalogue", "index", collection, "--anew").exit_code == ExitCode.OK
        assert run("catalogue", "find", collection).exit_code == ExitCode.OK


@pytest.mark.parametrize("name", [FILE_NAME, LOG])
def test_a_folder_in_the_place_of_a_file(collection: Path, name: str) -> None:
    (collection / name).mkdir()
    for command in (["catalogue", "index"], ["catalogue", "index", "--anew"], ["audit"]):
        result = run(*command, collection)
        assert result.exit_code == ExitCode.INPUT
        assert result.stderr.startswith(f"Error: {collection / name} is a folder, not a ")
        assert result.stderr.endswith("; move it away, or name another file (--catalogue)\n")
    assert not list(collection.glob(".writing-*"))


def test_a_catalogue_that_is_read_only(collection: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    audit(collection, 1)
    real = sqlite3.connect
    monkeypatch.setattr(
        "platebench.archive.catalogue_file.sqlite3.connect",
        lambda path, **options: real(f"{path.as_uri()}?mode=ro", uri=True, **options),
    )
    with refused(WriteError, remedy=ELSEWHERE, settings=("catalogue",)):
        audit(collection, 2)


def test_a_log_that_cannot_be_written(collection: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*args: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with refused(WriteError, remedy=ELSEWHERE, settings=("catalogue",), cause=PermissionError):
        append_audit(collection / LOG, entry_of(date(2026, 1, 1), "b", []))


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (",", ";", "does not begin with day,package,outcome,detail; it was saved in another form"),
        ("2026-01-01", "01.01.2026", "has no day such as 2026-03-01 in line 2; it was saved in"),
    ],
)
def test_a_log_that_a_spreadsheet_saved_is_not_passed_over(
    collection: Path, before: str, after: str, said: str
) -> None:
    audit(collection, 1)
    log = collection / LOG
    log.write_text(log.read_text(encoding="utf-8").replace(before, after), encoding="utf-8")
    kept = log.read_bytes()
    for command in (["audit"], ["catalogue", "index"]):
        result = run(*command, collection)
        assert result.exit_code == ExitCode.INPUT and len(result.stderr.splitlines()) == 1
        assert result.stderr.startswith(f"Error: {log} {said}")
    assert log.read_bytes() == kept


@pytest.mark.parametrize(
    "saved",
    [
        lambda text: text.encode("utf-16"),
        lambda text: text.encode("utf-16-le"),
        lambda text: text.replace("\r\n", "\r").encode(),
        lambda text: text.replace("valid,", "valid,\rnone").encode(),
        lambda text: text.replace("valid,", f"valid,{'x' * 140_000}").encode(),
    ],
    ids=["UTF-16", "UTF-16 without a mark", "bare CR", "a CR within", "a cell without end"],
)
def test_a_log_in_other_bytes_or_line_ends_is_refused(
    collection: Path, saved: Callable[[str], bytes]
) -> None:
    audit(collection, 1)
    log = collection / LOG
    kept = saved(log.read_bytes().decode())
    log.write_bytes(kept)
    for command in (["audit"], ["catalogue", "index"]):
        result = run(*command, collection)
        assert result.exit_code == ExitCode.INPUT and len(result.stderr.splitlines()) == 1
    assert log.read_bytes() == kept


def test_a_log_saved_with_quotes_or_cut_off_at_its_head_is_read(collection: Path) -> None:
    log = collection / LOG
    quoted = '"day","package","outcome","detail"\r\n"2026-01-01","b","valid",""\r\n'
    log.write_bytes(quoted.encode())
    assert [entry.package for entry in read_audits(log)] == ["b"]
    log.write_bytes(b"day,pack")
    assert read_audits(log) == []
    append_audit(log, entry_of(date(2026, 1, 1), "c", []))
    assert [entry.package for entry in read_audits(log)] == ["c"]


def test_a_package_of_ours_whose_recipe_is_lost_is_told(packed_once: Path, tmp_path: Path) -> None:
    package = Path(shutil.copytree(packed_once, tmp_path / "c/shelf 3"))
    assert index_collection(tmp_path / "c").without_plates == ()
    (package / "data/recipe.json").write_bytes(b"")
    result = run("catalogue", "index", tmp_path / "c", "--anew")
    first = result.stdout.splitlines()[0]
    assert first.startswith("shelf 3: ") and first.endswith(f"platebench verify '{package}'")


# --- Nothing is written into a package


def test_nothing_is_written_into_a_package(collection: Path, converted: Path) -> None:
    before = tree(collection)
    inside = collection / "b/data"
    for options in ({"catalogue": inside / "x"}, {"catalogue": inside / "x", "anew": True}):
        with refused(CollectionError, inside / "x", collection / "b"):
            index_collection(collection, **options)  # type: ignore[arg-type]
    with refused(CollectionError, collection / "b"):
        audit(inside, 1)  # a folder of a package named as a collection
    with refused(WriteError, collection / "b"):
        pack_session(converted, now=NOW, to=inside / "packages")
    assert tree(collection) == before and verify_package(collection / "b").valid


@pytest.mark.parametrize("command", [["audit"], ["catalogue", "index"], ["catalogue", "find"]])
def test_a_collection_that_is_none_is_said_before_its_files(
    tmp_path: Path, command: list[str]
) -> None:
    (tmp_path / "file").touch()
    for name, what in (("gone", "does not exist"), ("file", "is a file, not a folder")):
        result = run(*command, tmp_path / name)
        said = f"{what}; name the folder that holds the packages"
        assert result.stderr == f"Error: {tmp_path / name} {said}\n"


@pytest.mark.parametrize(
    "listed", ["../../secret", "/etc/x", "data/../../x", "C:\\x", "x" * 9_000_000]
)
@pytest.mark.parametrize("manifest", ["manifest-sha256.txt", "tagmanifest-sha512.txt"])
def test_a_package_that_verify_calls_unsafe_is_named_by_index(
    collection: Path, listed: str, manifest: str
) -> None:
    index_collection(collection)
    with (collection / "b" / manifest).open("a", encoding="utf-8") as stream:
        stream.write(f"{'0' * (64 if '256' in manifest else 128)}  {listed}\n")
    found = verify_package(collection / "b")
    assert "unsafe path" in {str(finding.kind) for finding in found.findings}
    for again in range(2):  # until it is mended, not only when it is read
        result = run("catalogue", "index", collection)
        assert result.exit_code == ExitCode.PACKAGE_INVALID, again
        lines = [line for line in result.stdout.splitlines() if line.startswith("b: unsafe path")]
        assert len(lines) == 1 and manifest in lines[0] and len(lines[0]) < 2000
        assert lines[0].isprintable()
    told = json.loads(run("catalogue", "index", collection, "--json").stdout)
    assert [package for package, _ in told["unsafe"]] == ["b"]
    assert run("verify", collection / "b").exit_code == ExitCode.PACKAGE_INVALID


def test_what_is_sound_is_not_called_unsafe(collection: Path) -> None:
    assert run("catalogue", "index", collection).exit_code == ExitCode.OK
    assert index_collection(collection).unsafe == ()
