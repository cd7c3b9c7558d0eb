"""Fixity of a collection on a rolling share: oldest first, resumed after a kill."""

from __future__ import annotations

import shutil
import signal
import sqlite3
import subprocess
import sys
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from platebench.archive.audit import Audit, audit_collection
from platebench.archive.audit_log import AuditEntry, append_audit, entry_of, read_audits
from platebench.archive.catalogue import index_collection
from platebench.archive.catalogue_file import FILE_NAME
from platebench.archive.catalogue_find import Query, find_plates
from platebench.core.errors import CollectionError, ExitCode

from ..processes import environment, wait_until
from ..refusals import refused
from .packages import build, flip_byte

NAMES = ("a", "b", "c", "d", "e")


@pytest.fixture
def collection(tmp_path: Path) -> Path:
    place = tmp_path / "plates"
    place.mkdir()
    for name in NAMES:
        build(place / name, {"file": name.encode()})
    return place


def audit(collection: Path, month: int, share: str = "2/5", **options: object) -> Audit:
    day = date(2026, month, 1)
    return audit_collection(collection, day=day, share=Fraction(share), **options)  # type: ignore[arg-type]


def checked(found: Audit) -> str:
    return "".join(entry.package for entry in found.entries)


def test_shares_roll_over_the_collection_oldest_first(collection: Path) -> None:
    first = audit(collection, 1)
    assert checked(first) == "ab" and first.oldest == "" and first.exit_code is ExitCode.OK
    assert checked(audit(collection, 2)) == "cd"
    third = audit(collection, 3)
    assert checked(third) == "ea" and third.oldest == "2026-01-01"
    build(collection / "new", {"file": b"x"})
    assert checked(audit(collection, 4, "1/6")) == "new"
    assert checked(audit(collection, 5, "1/1")) == "bcdae" + "new"
    assert checked(audit(collection, 6, "1/100")) == "a"  # rounded up: none is left for ever


def test_what_is_damaged_or_gone_is_found_and_recorded(collection: Path) -> None:
    audit(collection, 1, "1/1")
    flip_byte(collection / "b/data/file", 0)
    shutil.rmtree(collection / "d")
    found = audit(collection, 2, "1/1")
    assert found.exit_code is ExitCode.PACKAGE_INVALID
    outcomes = {entry.package: (entry.outcome, entry.detail) for entry in found.entries}
    altered = "altered: data/file has other bytes than when it was packed"
    assert outcomes["b"] == ("not valid", altered)
    assert outcomes["d"] == ("gone", "it was there on 2026-01-01")
    assert outcomes["a"] == ("valid", "")
    assert read_audits(collection / "audits.csv")[-5:] == list(found.entries)
    third = audit(collection, 3, "1/1")
    assert "d" not in checked(third)  # told once


def test_the_log_outlives_the_catalogue(collection: Path) -> None:
    audit(collection, 1)
    (collection / FILE_NAME).write_bytes(b"damaged")
    log = read_audits(collection / "audits.csv")
    index_collection(collection, anew=True, audits=log)
    assert checked(audit(collection, 2)) == "cd"
    lines = (collection / "audits.csv").read_text(encoding="utf-8").splitlines()
    assert lines[:2] == ["day,package,outcome,detail", "2026-01-01,a,valid,"]


def test_outcomes_are_in_the_catalogue(packed_once: Path, tmp_path: Path) -> None:
    shutil.copytree(packed_once, tmp_path / "c/p")
    audit(tmp_path / "c", 1)
    plate = find_plates(tmp_path / "c" / FILE_NAME, Query(text="mill")).plates[0]
    assert (plate["last_audit"], plate["audit_outcome"]) == ("2026-01-01", "valid")


def test_a_round_that_was_interrupted_is_gone_on_with(
    collection: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from platebench.archive import audit as auditing

    real = auditing.verify_package

    def interrupted(package: Path) -> object:
        if package.name == "c":
            raise KeyboardInterrupt
        return real(package)

    monkeypatch.setattr(auditing, "verify_package", interrupted)
    with pytest.raises(KeyboardInterrupt):
        audit(collection, 1, "4/5")
    monkeypatch.setattr(auditing, "verify_package", real)
    again = audit(collection, 1, "1/5")  # the rest of the round, whatever the share
    assert again.resumed and checked(again) == "cd"
    assert not audit(collection, 2, "1/5").resumed
    monkeypatch.setattr(auditing, "verify_package", interrupted)
    with pytest.raises(KeyboardInterrupt):
        audit(collection, 3, "1/1")
    monkeypatch.setattr(auditing, "verify_package", real)
    anew = audit(collection, 3, "1/5", anew=True)
    assert not anew.resumed and len(anew.entries) == 1


SLOW = """
import sys, time
from datetime import date
from pathlib import Path
from platebench.archive import audit
real = audit.verify_package
def slow(package):
    time.sleep(0.05)
    return real(package)
audit.verify_package = slow
audit.audit_collection(Path(sys.argv[1]), day=date(2026, 1, 1))
"""


def test_killed_it_loses_nothing(tmp_path: Path) -> None:
    place = tmp_path / "plates"
    place.mkdir()
    for n in range(40):
        build(place / f"{n:02d}", {"file": b"x"})
    log = place / "audits.csv"
    process = subprocess.Popen([sys.executable, "-c", SLOW, str(place)], env=environment())
    wait_until(lambda: log.exists() and log.stat().st_size > 100)
    process.send_signal(signal.SIGKILL)
    process.wait()
    done = {entry.package for entry in read_audits(log)}
    assert 0 < len(done) < 40
    rest = audit(place, 2)
    assert rest.resumed and {entry.package for entry in rest.entries} | done == {
        f"{n:02d}" for n in range(40)
    }
    assert len(read_audits(log)) <= 41  # one may have been in hand between log and catalogue


def test_a_line_that_was_cut_off_is_passed_over(tmp_path: Path) -> None:
    log = tmp_path / "audits.csv"
    odd = "sub/two\nlines, 50 %\u2028"
    append_audit(log, entry_of(date(2026, 1, 1), odd, ["one\nline", "two"]))
    with log.open("ab") as stream:
        stream.write(b"2026-01-02,b,val")
    append_audit(log, entry_of(date(2026, 1, 3), "c", []))
    assert read_audits(log) == [
        AuditEntry(day="2026-01-01", package=odd, outcome="not valid", detail="one line | two"),
        AuditEntry(day="2026-01-03", package="c", outcome="valid"),
    ]


@pytest.mark.parametrize("share", ["0/5", "7/6", "x", "1", "1/0", "-1/2"])
def test_shares_that_are_none(collection: Path, share: str) -> None:
    from click.testing import CliRunner

    from platebench.cli import main

    result = CliRunner().invoke(main, ["audit", str(collection), "--share", share])
    assert result.exit_code == ExitCode.USAGE


def test_a_collection_that_is_read_only_keeps_its_catalogue_elsewhere(
    collection: Path, tmp_path: Path
) -> None:
    before = sorted(collection.iterdir())
    audit(collection, 1, catalogue=tmp_path / "elsewhere.sqlite")
    assert sorted(collection.iterdir()) == before
    assert (tmp_path / "audits.csv").exists()
    missing = tmp_path / "no folder" / "x.sqlite"
    with refused(CollectionError, path=missing, cause=sqlite3.OperationalError):
        audit(collection, 1, catalogue=missing)
