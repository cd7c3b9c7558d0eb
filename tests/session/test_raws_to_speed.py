"""The whole way, by the commands: raws with glare, a calibration, a wedge, gamma and speed."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.synthetic import simulate_blank, simulate_box_off, simulate_card, simulate_plate
from platebench.synthetic.targets import TABLET_21

from ..session_files import put
from ..tablet_scenes import BOX, CAMERA, EXPOSURE_S, WEDGE_S2, strip, wedge_plate

SESSION = """[light]
blank = ["blank.dng"]
card = ["card.dng"]
box_off = ["off.dng"]
[every_plate]
format = "9x12 cm"
emulsion = "light"
[[plate]]
id = "wedge"
captures = ["wedge.dng"]
"""


def run(*args: str | Path) -> str:
    result = CliRunner().invoke(main, [str(arg) for arg in args])
    assert result.exit_code == 0, result.output
    return result.stdout


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A calibrated session; half a percent of glare lies over tablet and plate."""
    assert BOX.glare == 0.005
    folder = tmp_path_factory.mktemp("raws")
    put(folder / "blank.dng", simulate_blank(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=1))
    put(folder / "card.dng", simulate_card(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=2))
    put(folder / "off.dng", simulate_box_off(BOX, CAMERA, exposure_s=64 * EXPOSURE_S, seed=3))
    for name, plate, tilt in (("tablet", strip(dust=8), -3.0), ("wedge", wedge_plate(), 2.0)):
        camera = replace(CAMERA, tilt_deg=tilt)
        frame = simulate_plate(plate, BOX, camera, exposure_s=EXPOSURE_S, seed=5).frame
        put(folder / f"{name}.dng", frame)
    (folder / "session.toml").write_text(SESSION, encoding="utf-8")
    table = "".join(f"{n},{d:.2f},0.003\n" for n, d in enumerate(TABLET_21, 1))
    (folder / "own.csv").write_text("step,density,sigma\n" + table, encoding="utf-8")
    run("calibrate", folder, "--tablet", "tablet.dng", "--steps", "own.csv")
    return folder


@pytest.mark.big
@pytest.mark.parametrize("kind", ["json", "csv"])
def test_gamma_to_1_percent_and_speed_to_2(session: Path, kind: str) -> None:
    """The figures are those of check-values 4."""
    out = session / f"wedge.{kind}"
    run("measure", session, "wedge", "--wedge", "--fog", "60,10", "--output", out)
    if kind == "json":
        steps = json.loads(out.read_text(encoding="utf-8"))["steps"]
        assert [step["density"] for step in steps] == pytest.approx(WEDGE_S2, abs=0.01)
    # log H = 2.50 without the tablet.
    report = json.loads(
        run("curve", out, "--tablet", "21", "--exposure", f"{10**2.50:.4f}", "--json")
    )
    [plate] = report["plates"]
    assert plate["figures"]["gamma"]["value"] == pytest.approx(0.68118, rel=0.01)
    point = plate["speeds"]["point"]
    assert point["value"]["value"] == pytest.approx(2.0, rel=0.02)
    assert (point["kind"], point["standard"]) == ("arithmetic speed", 2.0)
    to_fog = plate["speeds"]["inertia_to_base_plus_fog"]["hurter_driffield"]
    assert to_fog["value"] == pytest.approx(89.27, rel=0.02)
    assert to_fog["sigma"] / to_fog["value"] < 0.02
