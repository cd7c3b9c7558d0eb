"""``archive``, ``reproduce``, ``catalogue`` and ``audit`` as a person meets them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from platebench.cli import main
from platebench.core.errors import ExitCode

from .packages import flip_byte


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args])


def test_packed_made_again_catalogued_and_audited(session: Path, tmp_path: Path) -> None:
    place = tmp_path / "plates"
    result = run("archive", session, "--captures", "--output", place)
    assert result.exit_code == ExitCode.OK, result.output
    package = place / "shelf 3"
    assert result.stdout.startswith(f"{package}: 2 plates (") and "read back whole" in result.stdout
    assert run("verify", package).exit_code == ExitCode.OK

    result = run("reproduce", package, "--plate", "tall")
    assert result.stdout == f"{package}: 4 of 4 pictures byte for byte\n"

    result = run("catalogue", "index", place)
    said = "catalogue.sqlite: 2 plates in 1 package (1 new, 0 changed, 0 unchanged)\n"
    assert result.stdout == f"{place}/{said}"
    result = run("catalogue", "find", place, "frozen", "mill", "--date", "1893")
    line, count = result.stdout.splitlines()
    about = "The mill, frozen, about 1893-02, Nordhafen, batch 7, range "
    assert line.startswith(f"shelf 3  tall: {about}") and count == "1 plate found"
    found = json.loads(run("catalogue", "find", place, "--batch", "8", "--json").stdout)
    assert [plate["plate"] for plate in found["plates"]] == ["dense"]
    assert run("catalogue", "find", place, "--limit", "1").stdout.endswith(
        "2 plates found; 1 more with a higher --limit, or export them\n"
    )
    result = run("catalogue", "export", place, "--output", tmp_path / "all.csv")
    assert result.stdout == f"{tmp_path / 'all.csv'}: 2 plates\n"

    result = run("audit", place, "--share", "1/12")
    assert result.exit_code == ExitCode.OK
    assert result.stdout.startswith("1 of 1 package checked, 1 complete and unchanged; the oldest")
    flip_byte(package / "data/masters/tall.tif", -1000)
    result = run("audit", place)
    assert result.exit_code == ExitCode.PACKAGE_INVALID
    damaged = "altered: data/masters/tall.tif has other pixels than when it was packed"
    see = f"platebench verify '{package}'"
    assert result.stdout.splitlines()[0] == f"shelf 3: not valid: {damaged}; see: {see}"
    assert json.loads(run("audit", place, "--json").stdout)["checked"][0]["outcome"] == "not valid"


def test_what_differs_is_told(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "platebench.session.convert_plate.__version__", "0.0.0"
    )  # it goes into the file's tags
    result = run("reproduce", package, "--plate", "dense")
    assert result.exit_code == ExitCode.PARTIAL
    assert "positives/dense.tif: " in result.stdout
    document = json.loads(run("reproduce", package, "--plate", "dense", "--json").stdout)
    assert document["exit"] == "PARTIAL"
    assert document["pictures"][0]["same_pixels"] is True


def test_damage_to_the_package_is_no_difference_of_the_result(package: Path) -> None:
    flip_byte(package / "data/positives/dense.tif", -1000)
    result = run("reproduce", package, "--plate", "dense")
    assert result.exit_code == ExitCode.PACKAGE_INVALID
    assert result.stdout.splitlines() == [
        "positives/dense.tif: the packed one has other bytes than when it was packed; "
        "the one made again is byte for byte what was packed",
        f"{package}: 4 of 4 pictures byte for byte",
        f"{package}: the package is damaged; see: platebench verify {package}, and keep what is "
        "made again with --output FOLDER",
    ]
    flip_byte(package / "data/captures/dense.dng", -4)
    result = run("reproduce", package, "--plate", "dense")
    assert result.exit_code == ExitCode.PACKAGE_INVALID
    assert result.stdout == f"{package}: no picture could be made again\n"
    assert len(result.stderr.splitlines()) == 1 and "dense.dng" in result.stderr


@pytest.mark.parametrize(
    ("option", "value"),
    [("--date", "May 1893"), ("--range", "1.2-1.8"), ("--range", ".."), ("--range", "1.8..1.2")],
)
def test_what_cannot_be_asked_is_said(tmp_path: Path, option: str, value: str) -> None:
    result = run("catalogue", "find", tmp_path, option, value)
    assert result.exit_code == ExitCode.USAGE and "; write " in result.stderr


def test_a_process_that_there_is_not_is_said(tmp_path: Path) -> None:
    result = run("catalogue", "find", tmp_path, "--process", "albumin")
    assert result.exit_code == ExitCode.SETTINGS and "albumen" in result.stderr


def test_no_catalogue_yet_is_said(tmp_path: Path) -> None:
    result = run("catalogue", "find", tmp_path)
    assert result.exit_code == ExitCode.INPUT
    assert "platebench catalogue index" in result.stderr


@pytest.mark.parametrize("name", ["index", "find", "export"])
def test_every_part_of_catalogue_has_help_and_an_example(name: str) -> None:
    result = run("catalogue", name, "--help")
    assert f"platebench catalogue {name} " in result.stdout.partition("Examples:")[2]
