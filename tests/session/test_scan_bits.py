"""Twelve bits in sixteen: settled for a session by all its files, written down, and said."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from platebench.cli import main
from platebench.session.check_session import check_session
from platebench.session.drafting import draft_session
from platebench.session.settings_file import load_session
from platebench.session.watch_session import SessionWatch

SHAPE = (300, 420)


def write_scans(folder: Path, bits: int, seed: int) -> None:
    """Write a blank, a plate and a dark frame of a camera that counts electrons: linear light."""
    folder.mkdir()
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    bare = 0.85 - 0.15 * ((x / SHAPE[1] - 0.5) ** 2 + (y / SHAPE[0] - 0.5) ** 2)
    grain = cv2.GaussianBlur(rng.normal(0, 1, SHAPE), (0, 0), 9)
    density = 0.9 + 0.5 * np.sin(x / 31) * np.cos(y / 23) + grain
    plate = bare.copy()
    inside = (slice(45, 255), slice(60, 360))
    plate[inside] *= 10 ** -np.clip(density[inside], 0.15, 2.2)
    full = (1 << bits) - 1
    for name, light in (("blank", bare), ("plate", plate), ("dark", 0 * bare)):
        counts = rng.poisson(light * 20_000) / 20_000 * full + rng.normal(2, 1, SHAPE)
        codes = np.clip(np.rint(counts), 0, full).astype(np.uint16)
        tifffile.imwrite(folder / f"{name}.tif", codes, photometric="minisblack", metadata=None)


@pytest.mark.parametrize("seed", [301, 302])
@pytest.mark.parametrize(("bits", "written"), [(10, 10), (12, 12), (14, 14), (16, 16)])
def test_a_blank_of_few_bits_is_no_dark_frame(
    tmp_path: Path, bits: int, written: int, seed: int
) -> None:
    write_scans(tmp_path / "s", bits, seed)
    settings = draft_session(tmp_path / "s", workers=1).settings
    assert settings.blank == ("blank.tif",)
    assert settings.dark == ("dark.tif",)
    assert [plate.captures for plate in settings.plates] == [("plate.tif",)]
    assert settings.scan.bits == written


def test_start_check_and_record_say_what_is_assumed(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    write_scans(folder, 12, 303)
    started = CliRunner().invoke(main, ["start", str(folder)])
    assert started.exit_code == 0
    assert "12 bits" in started.stdout and "4095" in started.stdout
    assert load_session(folder).scan.bits == 12
    checks = {entry.name: entry.check for entry in check_session(folder, workers=1)}
    plate = checks["plate.tif"]
    assert plate is not None
    assert any(v.topic == "coding" and "4095" in v.text for v in plate.verdicts)
    assert CliRunner().invoke(main, ["convert", str(folder)]).exit_code in (0, 3)
    record = json.loads((folder / "converted/plates/plate-001.json").read_text(encoding="utf-8"))
    assert any("12 bits" in note for note in record["result"]["notes"])


def test_files_that_say_nothing_are_noted_and_not_rescaled_without_a_setting(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "s"
    write_scans(folder, 12, 304)
    text = '[light]\nblank = ["blank.tif"]\n[[plate]]\nid = "p"\ncaptures = ["plate.tif"]\n'
    (folder / "session.toml").write_text(text, encoding="utf-8")
    by_name = {entry.name: entry.check for entry in check_session(folder, workers=1)}
    plate = by_name["plate.tif"]
    assert plate is not None
    assert any(v.topic == "coding" and "65535" in v.text for v in plate.verdicts)


def test_watch_settles_it_too(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    write_scans(folder, 12, 305)
    now = iter(range(0, 1000, 10))
    watch = SessionWatch(folder=folder, workers=1, clock=lambda: float(next(now)))
    arrived = [watch.look() for _ in range(3)]
    assert any(arrived)
    settings = load_session(folder)
    assert settings.blank == ("blank.tif",) and settings.scan.bits == 12
