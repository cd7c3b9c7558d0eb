"""Band, look, curve and calibration of a profile: strict keys, each with its standing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import BadSettingError, BadSettingsError, SettingsFileError
from platebench.printing.print_look import (
    GENERAL_CURVE,
    GENERAL_LOOK,
    Status,
    lightness_of,
    luminance_of,
)
from platebench.printing.process import ChartPrint, ExposureScale, PrintResponse, ProcessCalibration
from platebench.printing.process_file import list_processes, load_process, process_folders
from platebench.printing.process_write import write_profile

from ..refusals import refused

SHIPPED = process_folders(None, None)
GOOD = """\
title = "mine"
light = "ultraviolet"
hazards = []

[exposure_scale]
typical = 1.5
status = "tested"

[spectral_band]
low = 320
high = 420
status = "memory"

[print]
d_max = 1.4
paper_white = [95, 0, 4]
black_hue = [2, 3]
status = { d_max = "tested", paper_white = "practice", black_hue = "memory" }

[print_curve]
points = [[0, 0], [0.5, 0.4], [1, 1]]
status = "practice"

[calibration]
ink = [0, 0.5, 1]
density = [1.4, 0.7, 0.0]
residual = 0.01

[[calibration.print]]
scan = "a.tif"
chart = "101-1"
ink = [0, 1]
density = [1.4, 0.0]
error = [0.01, 0.01]
"""


def put(folder: Path, text: str) -> list[Path]:
    (folder / "mine.toml").write_text(text, encoding="utf-8")
    return [folder]


def test_read_as_written(tmp_path: Path) -> None:
    process = load_process("mine", put(tmp_path, GOOD))
    assert process.band is not None and process.band.words == (
        "320 to 420 nm (from memory, no source read)"
    )
    look = process.look
    assert (look.d_max, look.paper_white, look.black_hue) == (1.4, (95, 0, 4), (2, 3))
    assert look.middle_hue == GENERAL_LOOK.middle_hue  # left out
    assert look.status == (Status.TESTED, Status.PRACTICE, Status.PRACTICE, Status.MEMORY)
    assert process.print_curve.tone == (0, 0.4, 1)
    assert process.calibration is not None and process.calibration.response.calibrated
    assert process.calibration.prints[0].scan == "a.tif"


def test_left_out_it_is_a_general_matt_print(tmp_path: Path) -> None:
    process = load_process("mine", put(tmp_path, GOOD.partition("[spectral")[0]))
    assert (process.look, process.print_curve) == (GENERAL_LOOK, GENERAL_CURVE)
    assert process.band is None and process.calibration is None


@pytest.mark.parametrize(
    ("old", "new", "key", "part"),
    [
        ("[print]", "[pirnt]", "pirnt", "did you mean print?"),
        ("d_max = 1.4", "dmax = 1.4", "print.dmax", "did you mean d_max?"),
        ("d_max = 1.4", "d_max = 14", "print.d_max", "from 0.3 to 3"),
        ("[95, 0, 4]", "[95, 0]", "print.paper_white", "is no colour"),
        ("[95, 0, 4]", "[0, 0, 4]", "print.paper_white", "is no colour"),
        ("[2, 3]", '"brown"', "print.black_hue", "is no hue"),
        (', black_hue = "memory"', "", "print.status.black_hue", "is missing"),
        ('"practice", black', '"guess", black', "print.status.paper_white", 'is "guess"'),
        ('"practice", black', '"found", black', "print.source", "is missing"),
        ("low = 320", "low = 520", "spectral_band.low", "keep low below high"),
        ("high = 420", "hihg = 420", "spectral_band.hihg", "did you mean high?"),
        ('high = 420\nstatus = "memory"', "high = 420", "spectral_band.status", "is missing"),
        ("points =", "point =", "print_curve.point", "did you mean points?"),
        ("[0.5, 0.4]", "[0.5, 1.4]", "print_curve.points", "are no curve"),
        ("[0.5, 0.4]", "[0.5]", "print_curve.points", "are no curve"),
        ("[1, 1]]", "[1, 0.9]]", "print_curve.points", "are no curve"),
        ("density = [1.4, 0.7, 0.0]", "density = [1.4, 1.7, 0]", "calibration.density", "no curve"),
        ("residual = 0.01", "residual = -1", "calibration.residual", "from 0 to 3"),
        ("residual", "residuals", "calibration.residuals", "did you mean residual?"),
        ("error = [0.01, 0.01]", "error = [0.01]", "print[1].ink", "does not fit"),
        ("error = [0.01, 0.01]", "error = [0.01, 0]", "print[1].ink", "does not fit"),
    ],
)
def test_a_slip_is_named_with_what_to_write(
    old: str, new: str, key: str, part: str, tmp_path: Path
) -> None:
    assert GOOD.count(old) >= 1
    with pytest.raises((BadSettingError, BadSettingsError)) as caught:
        load_process("mine", put(tmp_path, GOOD.replace(old, new, 1)))
    lines = [line for line in str(caught.value).splitlines() if f": {key} " in line]
    assert lines and part in lines[0], str(caught.value)


@pytest.mark.parametrize("name", list_processes(SHIPPED))
def test_every_profile_that_comes_along_says_all_of_it(name: str) -> None:
    process = load_process(name, SHIPPED)
    assert process.band is not None and process.look != GENERAL_LOOK
    assert process.calibration is None
    # Nothing of it was read in a source, and nothing claims to be.
    weak = {Status.MEMORY, Status.PRACTICE}
    assert {process.band.status, process.print_curve.status, *process.look.status} <= weak
    black = process.look.lab_of(process.look.d_max)
    assert black[0] < 32 and abs(process.look.lab_of(0.0)[0] - process.look.paper_white[0]) < 1e-9


def test_prussian_blue_is_blue_and_salt_prints_are_warm() -> None:
    for name in ("cyanotype-citrate", "cyanotype-oxalate"):
        assert load_process(name, SHIPPED).look.lab_of(0.65)[2] < -20
    for name in ("salted-paper", "albumen", "van-dyke-brown"):
        assert load_process(name, SHIPPED).look.lab_of(0.65)[2] > 10


@pytest.mark.parametrize(
    ("density", "lightness"),
    # CIE 15: L* = 116 Y^(1/3) - 16 above (6/29)^3, of Y = 10^-D.
    [(0.0, 100.0), (0.30, 76.1), (0.7447, 49.5), (1.0, 37.8), (1.5, 20.7), (2.0, 8.99),
     (2.5, 2.86), (3.0, 0.90)],
)  # fmt: skip
def test_lightness_of_densities(density: float, lightness: float) -> None:
    assert float(lightness_of(10**-density)) == pytest.approx(lightness, abs=0.06)
    assert float(luminance_of(lightness_of(10**-density))) == pytest.approx(10**-density)


# --- Written


def calibration(*, d_max: float = 1.37) -> ProcessCalibration:
    ink = np.linspace(0, 1, 23)
    printed = ChartPrint(
        scan='odd "name".tif', chart="101-1", ink=(0.0, 0.4, 1.0), density=(1.3, 0.9, 0.01),
        error=(0.01,) * 3,
    )  # fmt: skip
    response = PrintResponse(
        ink=tuple(ink.round(6)), density=tuple((d_max * (1 - ink**2)).round(5)), calibrated=True
    )
    return ProcessCalibration(
        response=response, prints=(printed,), residual=0.004, noise=0.01, evenness=0.05
    )


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    process = load_process("albumen", SHIPPED)
    path = tmp_path / "process" / "albumen.toml"
    write_profile(path, process, calibration=calibration())
    back = load_process("albumen", process_folders(None, tmp_path))
    assert back.calibration == calibration()
    assert back.look.d_max == 1.37 and back.look.status[0] is Status.TESTED
    assert back.look.paper_white == process.look.paper_white
    assert (back.scales, back.hazards, back.band) == (process.scales, process.hazards, process.band)


@pytest.mark.parametrize("name", ["cyanotype-oxalate", "silver-gelatin", "silver-gelatin-filters"])
def test_a_new_name_gets_a_whole_profile(name: str, tmp_path: Path) -> None:
    process = load_process(name, SHIPPED)
    path = tmp_path / "process" / "blue-rag.toml"
    write_profile(path, process, calibration=calibration(), whole=True)
    back = load_process("blue-rag", process_folders(None, tmp_path))
    for key in ("title", "hazards", "cautions", "band", "print_curve"):
        assert getattr(back, key) == getattr(process, key), key
    assert [scale.grade for scale in back.scales] == [scale.grade for scale in process.scales]
    for one, other in zip(back.scales, process.scales, strict=True):
        assert one.typical == pytest.approx(other.typical, abs=6e-4) and one.status == other.status


def test_what_a_person_wrote_stays(tmp_path: Path) -> None:
    path = tmp_path / "albumen.toml"
    path.write_text('# my notes\ncontrast = "double coated"  # since May\n', encoding="utf-8")
    process = load_process("albumen", SHIPPED)
    write_profile(path, process, calibration=calibration())
    write_profile(path, process, calibration=calibration(d_max=1.5))
    text = path.read_text(encoding="utf-8")
    assert "# my notes" in text and "# since May" in text and text.count("[calibration]") == 1
    tested = ExposureScale(
        low=1.9, typical=2.0, high=2.1, status=(Status.STEP, Status.TESTED, Status.STEP)
    )
    write_profile(path, process, scale=tested)
    assert path.read_text(encoding="utf-8").count("[exposure_scale]") == 1
    path.write_text("= broken", encoding="utf-8")
    with refused(SettingsFileError, path=path):
        write_profile(path, process, scale=tested)
    assert path.read_text(encoding="utf-8") == "= broken"
