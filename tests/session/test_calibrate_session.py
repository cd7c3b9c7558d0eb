"""The commands calibrate and measure, from raw files to files."""

from __future__ import annotations

import csv
import io
import json
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from platebench.cli.calibrate import command as calibrate
from platebench.cli.measure import command as measure
from platebench.core.errors import SpotError, TabletError, WriteError
from platebench.plate.calibration import load_calibration
from platebench.sensitometry.step_files import load_readings, load_tablet
from platebench.session.convert_session import convert_session
from platebench.synthetic import (
    CameraModel,
    PlateModel,
    simulate_blank,
    simulate_box_off,
    simulate_card,
    simulate_plate,
)
from platebench.synthetic.targets import TABLET_21

from ..refusals import refused
from ..session_files import put, tree
from ..tablet_scenes import BOX, CAMERA, EXPOSURE_S, WEDGE_S2, strip, wedge_plate

SESSION = """[light]
blank = ["blank.dng"]
[every_plate]
format = "9x12 cm"
emulsion = "light"
[[plate]]
id = "plate"
captures = ["plate.dng"]
[[plate]]
id = "wedge"
captures = ["wedge.dng"]
"""


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("original") / "shelf"
    folder.mkdir()
    put(folder / "blank.dng", simulate_blank(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=1))
    tilted = replace(CAMERA, tilt_deg=3)
    for name, plate in (
        ("tablet", strip(tuple(1.1 * d for d in TABLET_21), dust=8)),
        ("plate", PlateModel()),
        ("wedge", wedge_plate()),
    ):
        frame = simulate_plate(plate, BOX, tilted, exposure_s=EXPOSURE_S, seed=5).frame
        put(folder / f"{name}.dng", frame)
    (folder / "session.toml").write_text(SESSION, encoding="utf-8")
    return folder


def know_glare(session: Path) -> None:
    """Give a session captures of two cards and with the box off."""
    put(session / "card.dng", simulate_card(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=2, aside=0.1))
    small = simulate_card(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=4, height=0.4)
    put(session / "small.dng", small)
    put(session / "off.dng", simulate_box_off(BOX, CAMERA, exposure_s=64 * EXPOSURE_S, seed=3))
    path = session / "session.toml"
    lines = '[light]\ncard = ["card.dng", "small.dng"]\nbox_off = ["off.dng"]'
    text = path.read_text(encoding="utf-8").replace("[light]", lines)
    path.write_text(text, encoding="utf-8")


@pytest.fixture
def session(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "shelf"))


@pytest.fixture(scope="module")
def calibrated_once(original: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("calibrated") / "shelf"
    shutil.copytree(original, folder)
    run(calibrate, folder, "--tablet", "tablet.dng")
    return folder


@pytest.fixture
def calibrated(calibrated_once: Path, tmp_path: Path) -> Path:
    """A copy of the session with its calibration."""
    return Path(shutil.copytree(calibrated_once, tmp_path / "shelf"))


def run(command: object, *args: str | Path) -> Result:
    result = CliRunner().invoke(
        command,  # type: ignore[arg-type]
        [str(arg) for arg in args],
        standalone_mode=False,
    )
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def test_calibrate_writes_calibration_table_and_plot(session: Path) -> None:
    know_glare(session)
    told = run(calibrate, session, "--tablet", "tablet.dng", "--steps", "21").stdout
    calibration = load_calibration(session / "calibration.json")
    assert calibration.glare_share == pytest.approx(0.005, abs=1e-4)
    assert calibration.callier == pytest.approx(1.1, abs=0.005)
    assert calibration.capture == "tablet.dng"
    table = (session / "converted" / "calibration.txt").read_text(encoding="utf-8")
    assert table in told
    assert "Measured on a step tablet of 21 steps, nominal densities, in tablet.dng." in table
    rows = [line.split() for line in table.splitlines() if line[:4].strip().isdecimal()]
    # The densest steps drown in what is not known of the glare: at D 2.45 and beyond.
    assert len(rows) >= 17
    assert [float(row[1]) for row in rows] == pytest.approx(TABLET_21[: len(rows)])
    assert all(abs(float(row[6])) < 0.02 for row in rows)
    picture = cv2.imread(str(session / "converted" / "calibration.png"))
    assert picture is not None and np.ptp(picture) > 200
    assert (session / "converted" / "calibration.svg").read_text(encoding="utf-8").count(
        "<path"
    ) > 20


def test_the_same_bytes_again(calibrated: Path) -> None:
    session = calibrated
    names = ("calibration.json", *(f"converted/calibration.{end}" for end in ("txt", "png", "svg")))
    before = [(session / name).read_bytes() for name in names]
    run(calibrate, session, "--tablet", session / "tablet.dng")
    assert [(session / name).read_bytes() for name in names] == before


def test_own_densities_from_a_table(session: Path) -> None:
    lines = [f"{k},{d:.3f},0.004" for k, d in enumerate(TABLET_21, 1)]
    (session / "own.csv").write_text(
        "step,density,sigma\n" + "\n".join(lines) + "\n", encoding="utf-8"
    )
    told = run(calibrate, session, "--tablet", "tablet.dng", "--steps", "own.csv", "--json").stdout
    document = json.loads(told)
    assert document["calibrated_tablet"] and document["tablet"] == "own.csv"
    assert not any("nominal" in note for note in document["notes"])


@pytest.mark.parametrize(
    ("args", "shown"),
    [
        (("--tablet", "plate.dng", "--steps", "21"), ("plate.dng",)),
        (("--tablet", "tablet.dng", "--steps", "31"), ("31-step", "21-step")),
        (("--tablet", "tablet.dng", "--steps", "none.csv"), ("none.csv",)),
    ],
)
def test_refused_with_nothing_written(
    session: Path, args: tuple[str, ...], shown: tuple[str, ...]
) -> None:
    before = sorted(session.rglob("*"))
    with refused(TabletError, *shown):
        run(calibrate, session, *args)
    assert sorted(session.rglob("*")) == before


def test_needs_a_blank_frame(session: Path) -> None:
    (session / "session.toml").write_text(SESSION.replace('"blank.dng"', ""), encoding="utf-8")
    with refused(TabletError, "session.toml", path=session / "tablet.dng"):
        run(calibrate, session, "--tablet", "tablet.dng")


def test_calibrate_never_replaces_a_capture(session: Path) -> None:
    (session / "tablet.dng").rename(session / "calibration.png")
    before = tree(session)
    for tablet, capture in (("calibration.png", "x.dng"), ("plate.dng", "calibration.png")):
        skipped = f'[[plate]]\nid = "s"\ncaptures = ["{capture}"]\nskip = true\n'
        (session / "session.toml").write_text(SESSION + skipped, encoding="utf-8")
        with refused(WriteError, path=session / "calibration.png"):
            run(calibrate, session, "--tablet", tablet, "--output", session)
    (session / "session.toml").write_text(SESSION, encoding="utf-8")
    assert tree(session) == before


def test_measure_prints_a_table_to_read(session: Path) -> None:
    args = ("plate", "--at", "40,30", "--at", "60,50", "--size", "3")
    told = run(measure, session, *args).stdout.splitlines()
    readings = json.loads(run(measure, session, *args, "--json").stdout)["readings"]
    assert told[0].startswith("plate: densities with their standard errors, not calibrated;")
    assert " ".join(told[1].split()) == "x y side density red green blue to blue light"
    for line, reading in zip(told[2:], readings, strict=True):
        x, y, side, density, sigma, *shades = line.split()
        assert (float(x), float(y), float(side)) == (reading["x_mm"], reading["y_mm"], 3.0)
        assert float(density) == pytest.approx(reading["density"], abs=6e-4)
        assert float(sigma.removeprefix("+-")) == pytest.approx(
            max(reading["sigma"], 0.001), abs=6e-4
        )
        names = ("red", "green", "blue", "printing")
        assert [float(value) for value in shades] == pytest.approx(
            [reading[name] for name in names], abs=6e-3
        )
    wedge = run(measure, session, "wedge", "--wedge", "--fog", "60,10").stdout
    assert wedge.splitlines()[1].split()[0] == "step" and "\nbase plus fog: 0." in wedge
    assert "clipped" not in wedge  # dust that a step's mean leaves out is not clipping


def test_measure_prints_json_and_writes_a_table(session: Path) -> None:
    at = ("--at", "40,30", "--at", "300px,200px", "--size", "3")
    plain = json.loads(run(measure, session, "plate", *at, "--json").stdout)
    assert len(plain["readings"]) == 2 and not plain["calibrated"]
    know_glare(session)
    run(calibrate, session, "--tablet", "tablet.dng")
    true = json.loads(run(measure, session, "plate", *at, "--json").stdout)
    assert true["calibrated"]
    # The camera saw 1.1 times the density, and glare on top.
    camera, diffuse = (d["readings"][0]["density"] for d in (plain, true))
    through = 10**-camera * 1.005 - 0.005
    assert diffuse == pytest.approx(-np.log10(through) / 1.1, abs=0.01)
    out = session / "grid.csv"
    run(measure, session, "plate", "--grid", "2x3", "--output", out)
    rows = list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8"))))
    assert len(rows) == 6 and all(float(row["sigma"]) > 0 for row in rows)
    assert [float(row["x_mm"]) for row in rows[:3]] == pytest.approx([20, 60, 100], rel=0.01)


def test_a_calibrated_session_converts_to_diffuse_densities(session: Path) -> None:
    """From files to records: the camera saw 1.1 times the density, half a percent of glare on top.

    The tablet says so; the wedge's truth is that of check-values section 4 (reference plate S2).
    """
    know_glare(session)
    run(calibrate, session, "--tablet", "tablet.dng", "--steps", "21")
    known = load_calibration(session / "calibration.json")
    record = convert_session(session, workers=1).results[1].record
    assert record.flags == () and record.calibration.capture == "tablet.dng"
    assert record.glare.source == "card and tablet" and record.glare.taken_off
    for key, true in (("base_fog", 0.10 / 1.1), ("d_max", max(WEDGE_S2) / 1.1)):
        # Of a nominal tablet 4 % may be in doubt; noise of single sites lifts the densest place.
        assert getattr(record, key) == pytest.approx(true, abs=2 * float(known.density_sigma(true)))
        assert getattr(record, key) == pytest.approx(true, abs=0.02)
    told = run(measure, session, "wedge", "--at", "60,10", "--size", "4", "--json").stdout
    fog = json.loads(told)
    [reading] = fog["readings"]
    assert record.base_fog == pytest.approx(reading["density"], abs=2 * reading["sigma"])


@pytest.mark.parametrize("end", ["json", "csv"])
def test_a_wedge_goes_on_to_the_curve(session: Path, end: str) -> None:
    out = session / f"wedge.{end}"
    run(measure, session, "wedge", "--wedge", "--fog", "60,10", "--output", out)
    readings = load_readings(out, tablet=load_tablet("21"))
    assert readings.base_fog_sigma is not None and readings.base_fog_sigma < 0.002
    assert readings.common_sigma is not None and (readings.common_sigma > 0).all()
    # Without a calibration: glare as in check-values section 9.
    seen = -np.log10((10 ** -np.array(WEDGE_S2) + 0.005) / 1.005)
    order = np.argsort(readings.log_h)[::-1]
    assert readings.log_h[order] == pytest.approx(-np.array(TABLET_21))
    assert readings.density[order] == pytest.approx(seen, abs=0.01)


def shoot(session: Path, camera: CameraModel) -> None:
    """Take plate and blank of a session again, with another camera or set-up."""
    put(session / "blank.dng", simulate_blank(BOX, camera, exposure_s=EXPOSURE_S, seed=1))
    plate = simulate_plate(
        PlateModel(), BOX, replace(camera, tilt_deg=3), exposure_s=EXPOSURE_S, seed=5
    )
    put(session / "plate.dng", plate.frame)


@pytest.mark.parametrize(
    ("change", "applied", "said"),
    [
        ({}, True, []),
        ({"model": "Other D2"}, False, ["made with Halvorn C6, captured with Other D2"]),
        ({"f_number": 4.0}, True, ["calibrated at f/8, captured at f/4", "blank frames are not"]),
        (
            {"iso": 400.0},
            True,
            ["calibrated at ISO 100, captured at ISO 400", "blank frames are not"],
        ),
        ({"read_noise_e": 3.1}, True, ["the blank frames are not those of the calibration"]),
    ],
)
def test_a_calibration_is_tied_to_its_set_up(
    calibrated: Path, change: dict[str, object], applied: bool, said: list[str]
) -> None:
    session = calibrated
    only = SESSION[: SESSION.rindex("[[plate]]")]
    (session / "session.toml").write_text(only, encoding="utf-8")
    shoot(session, replace(CAMERA, **change))  # type: ignore[arg-type]
    [converted, *_] = convert_session(session, workers=1).results
    flags = [flag for flag in converted.record.flags if "calibrat" in flag]
    measured = json.loads(run(measure, session, "plate", "--grid", "1x1", "--json").stdout)
    notes = [note for note in measured["notes"] if "calibrat" in note]
    assert (converted.record.calibration is not None) == measured["calibrated"] == applied
    for texts in (flags, notes[: len(said)]):
        assert len(texts) == len(said)
        assert all(words in text for words, text in zip(said, texts, strict=True))


def test_a_scan_is_not_read_through_a_camera_s_calibration(calibrated: Path) -> None:
    session = calibrated
    pixels = np.full((300, 400), 250, np.uint8)
    pixels[40:260, 50:350] = 90
    Image.fromarray(pixels).save(session / "scan.png")
    scan = '[[plate]]\nid = "scan"\ncaptures = ["scan.png"]\n'
    (session / "session.toml").write_text(
        SESSION.replace('"blank.dng"', "") + scan, encoding="utf-8"
    )
    measured = json.loads(run(measure, session, "scan", "--at", "200px,150px", "--json").stdout)
    assert not measured["calibrated"]
    assert any(note.startswith("calibration not applied") for note in measured["notes"])


def test_a_calibration_that_says_not_for_what_it_holds_is_refused(calibrated: Path) -> None:
    session = calibrated
    path = session / "calibration.json"
    old = json.loads(path.read_text(encoding="utf-8")) | {"schema": 1}
    del old["set_up"]
    path.write_text(json.dumps(old), encoding="utf-8")
    for act in (
        lambda: run(measure, session, "plate", "--grid", "1x1"),
        lambda: convert_session(session, workers=1),
    ):
        with refused(TabletError, path=path, settings=("calibrate",)):
            act()


def test_no_such_plate(session: Path) -> None:
    with refused(SpotError, "nobody", "plate, wedge", path=session / "session.toml"):
        run(measure, session, "nobody", "--grid", "2x2")


@pytest.mark.parametrize(
    "args", [(), ("--at", "x"), ("--at", "3mm,5px"), ("--grid", "0x3"), ("--size", "0"),
             ("--grid", "2x2", "--fog", "1,1")],
)  # fmt: skip
def test_wrong_usage(session: Path, args: tuple[str, ...]) -> None:
    result = CliRunner().invoke(measure, [str(session), "plate", *args])
    assert result.exit_code == 2 and "Error" in result.output
