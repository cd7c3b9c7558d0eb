"""Glare, Callier factor and residual from a tablet: truth found again, wrong tablets refused."""

from __future__ import annotations

import json
import math
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import TabletError
from platebench.core.image import CaptureKind
from platebench.measure.tablet.calibration_fit import fit_calibration
from platebench.measure.tablet.find_tablet import FoundTablet
from platebench.measure.tablet.known_tablet import STANDARD, KnownTablet
from platebench.measure.tablet.read_tablet import StepReading, TabletReading, read_tablet
from platebench.plate.calibration import Calibration, load_calibration
from platebench.plate.set_up import SetUp
from platebench.synthetic import LightBox
from platebench.synthetic.targets import TABLET_21

from ..refusals import refused
from ..tablet_scenes import BOX, CAMERA, TABLET_31, light_and_glare, scene_of, seen, strip

PATH = Path("tablet.dng")
SET_UP = SetUp(
    kind=CaptureKind.RAW, camera="Halvorn C6", iso=100.0, f_number=8.0, blanks=("ab" * 32,)
)


def reading(
    densities: np.ndarray,
    *,
    glare: float = 0.0,
    callier: float = 1.0,
    noise: float = 0.0005,
    rng: np.random.Generator | None = None,
    ends: tuple[str, str] = ("seen", "seen"),
) -> TabletReading:
    """Return a tablet as the model of check-values section 9 and 3 has it, with relative noise."""
    through = 10 ** (-callier * np.asarray(densities, float))
    light = (through + glare) / (1 + glare)
    sigma = noise * light
    if rng is not None:
        light = light + rng.normal(0, sigma)
    steps = [
        StepReading(
            place=k,
            transmittance=float(t),
            sigma=float(s),
            density=-math.log10(t),
            density_sigma=float(s / t / math.log(10)),
            red=None,
            green=None,
            blue=None,
            spread=0.0,
            sites=1000,
            left_out=0.0,
        )
        for k, (t, s) in enumerate(zip(light, sigma, strict=True))
    ]
    found = FoundTablet(
        quads=np.zeros((len(steps), 4, 2)),
        pitch_px=30,
        width_px=60,
        angle_deg=0,
        ends=ends,
        clear=(True, True),
        level=1.0,
    )
    return TabletReading(found=found, steps=tuple(steps), notes=())


def own(densities: tuple[float, ...], sigma: float = 0.005) -> KnownTablet:
    return KnownTablet(
        name="own.csv", densities=densities, sigmas=(sigma,) * len(densities), calibrated=True
    )


def test_callier_exponent() -> None:
    # check-values section 3 (derived): Q = 1.3, diffuse 1.00 -> camera 1.30.
    calibration = Calibration(callier=1.3, callier_sigma=0)
    assert float(calibration.diffuse_density(10**-1.3)) == pytest.approx(1.0, abs=1e-12)
    assert -np.log10(calibration.measured_transmittance(1.0)) == pytest.approx(1.3, abs=1e-12)


@pytest.mark.parametrize("callier", [1.0, 1.08, 1.3, 1.5])
def test_callier_factor_is_found_again(callier: float) -> None:
    tablet = reading(np.array(TABLET_21), callier=callier)
    fitted = fit_calibration(tablet, own(TABLET_21), path=PATH)
    assert fitted.callier == pytest.approx(callier, abs=0.001)
    assert max(abs(step.residual) for step in fitted.steps) < 0.003


def test_uncertainties_cover_the_errors() -> None:
    """Tablets known to 0.01 D, read with 0.2 % noise: errors over stated uncertainties."""
    rng = np.random.default_rng(31)
    pulls, total = [], []
    for _ in range(150):
        true = np.array(TABLET_21) + rng.normal(0, 0.01, 21)
        tablet = reading(true, callier=1.1, noise=0.002, rng=rng)
        fitted = fit_calibration(tablet, own(TABLET_21, 0.01), path=PATH)
        pulls.append((fitted.callier - 1.1) / fitted.callier_sigma)
        at = np.array([0.5, 1.0, 1.5, 2.0, 2.5])
        total.append((fitted.diffuse_density(10 ** (-1.1 * at)) - at) / fitted.density_sigma(at))
    # Root mean square of 150 pulls is 1 +- 0.06; the fit states no less than it has.
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1, abs=0.35)
    spread = np.sqrt(np.mean(np.square(total), axis=0))
    assert np.all(spread < 1.1) and np.all(spread > 0.15)
    assert np.mean(np.abs(total) > 2) < 0.05


def test_a_smooth_residual_is_taken_up_and_stays_monotone() -> None:
    at = np.array(TABLET_21)
    bent = at + 0.03 * np.sin(at * np.pi / 3)  # what the camera makes of them
    fitted = fit_calibration(reading(bent), own(TABLET_21, 0.003), path=PATH)
    assert max(abs(step.residual) for step in fitted.steps) < 0.012
    light = np.linspace(1.05, 0.0002, 4000)
    assert np.all(np.diff(fitted.diffuse_density(light)) >= 0)
    assert float(fitted.diffuse_density(1.0)) == pytest.approx(0, abs=1e-9)


def test_a_nominal_tablet_is_followed_less_and_trusted_less() -> None:
    tablet = reading(np.array(TABLET_21) + 0.02 * np.sin(np.arange(21.0)))
    nominal = fit_calibration(tablet, STANDARD["21"], path=PATH)
    known = fit_calibration(tablet, own(TABLET_21), path=PATH)
    assert any("nominal" in note for note in nominal.notes)
    assert not any("nominal" in note for note in known.notes)
    at = np.array([0.5, 1.0, 2.0, 3.0])
    assert np.all(nominal.density_sigma(at) > 2 * known.density_sigma(at))
    assert np.abs(nominal.residuals).max() < np.abs(known.residuals).max()


@pytest.mark.parametrize("first", [0, 2, 5])
def test_missing_thin_end_is_told_by_the_densities(first: int) -> None:
    part = reading(np.array(TABLET_21[first:18]), ends=("frame", "frame"))
    fitted = fit_calibration(part, STANDARD["21"], path=PATH)
    assert [step.step for step in fitted.steps] == list(range(first + 1, 19))
    assert f"{18 - first} of 21 steps were read: {first + 1} to 18" in fitted.notes


@pytest.mark.parametrize(
    ("densities", "named", "shown"),
    [
        (TABLET_31, "21", (" 31 ", "21-step")),
        (TABLET_21, "31", ("31-step", "21-step")),
        (TABLET_31[3:20], "21", ("21-step", "31-step")),
        (TABLET_21[2:15], "31", ("31-step", "21-step")),
    ],
)
def test_wrong_tablet(densities: tuple[float, ...], named: str, shown: tuple[str, ...]) -> None:
    for glare, callier in ((0.0, 1.0), (0.005, 1.1), (0.02, 1.2)):
        tablet = reading(np.array(densities), glare=glare, callier=callier)
        with refused(TabletError, *shown, path=PATH):
            fit_calibration(tablet, STANDARD[named], path=PATH)


def test_wrong_table() -> None:
    half = own(tuple(d / 2 for d in TABLET_21))
    with refused(TabletError, " 2.", "own.csv", path=PATH):
        fit_calibration(reading(np.array(TABLET_21)), half, path=PATH)
    uneven = own(tuple(d + 0.12 * (k % 2) for k, d in enumerate(TABLET_21)))
    with refused(TabletError, "own.csv: step ", path=PATH):
        fit_calibration(reading(np.array(TABLET_21)), uneven, path=PATH)


def test_too_few_and_out_of_order() -> None:
    with refused(TabletError, " 3 ", path=PATH):
        fit_calibration(reading(np.array(TABLET_21[:3])), STANDARD["21"], path=PATH)
    swapped = np.array(TABLET_21)
    swapped[[4, 5]] = swapped[[5, 4]]
    with refused(TabletError, "step 5", path=PATH):
        fit_calibration(reading(swapped), STANDARD["21"], path=PATH)
    with refused(TabletError, "step 1", path=PATH):
        fit_calibration(reading(np.array(TABLET_21[::-1])), STANDARD["21"], path=PATH)


def test_tablet_told_by_its_number_of_steps() -> None:
    assert fit_calibration(reading(np.array(TABLET_31)), None, path=PATH).tablet == "31"
    with refused(TabletError, " 17 ", path=PATH, settings=("steps",)):
        fit_calibration(reading(np.array(TABLET_21[:17])), None, path=PATH)
    cut = reading(np.array(TABLET_31[:21]), ends=("seen", "frame"))
    with refused(TabletError, " 21 ", path=PATH, settings=("steps",)):
        fit_calibration(cut, None, path=PATH)


@pytest.mark.big
@pytest.mark.parametrize("densities", [TABLET_21, TABLET_31], ids=["21", "31"])
@pytest.mark.parametrize("box", [BOX, replace(BOX, surround="dark")], ids=["bright", "dark"])
def test_through_the_camera(densities: tuple[float, ...], box: LightBox) -> None:
    """The aims of the job: 0.02 D to D 2.5 and 0.04 D to D 3.0 with 0.5 % glare, measured."""
    known = light_and_glare(replace(box, surround="bright"), CAMERA)
    image = seen(strip(densities, dust=20), box, replace(CAMERA, tilt_deg=4))
    tablet = read_tablet(image, PATH)
    scene = scene_of(image, known)
    fitted = fit_calibration(tablet, STANDARD[str(len(densities))], path=PATH, scene=scene)
    assert fitted.glare_share == pytest.approx(0.005, abs=1e-4)
    assert fitted.callier == pytest.approx(1.0, abs=0.004)
    # Another tablet's steps, other noise, through this calibration; glare off by the same captures.
    image = seen(strip(), BOX, seed=77)
    steps = read_tablet(image, PATH)
    clear = fit_calibration(steps, STANDARD["21"], path=PATH, scene=scene_of(image, known))
    for step in clear.steps:
        error = float(fitted.diffuse_density(10**-step.measured)) - step.known
        assert abs(error) < (0.02 if step.known <= 2.5 else 0.04), f"D {step.known}: {error:+.4f}"


def test_true_transmittance_is_pointwise_rising_and_keeps_its_kind() -> None:
    fitted = fit_calibration(reading(np.array(TABLET_21)), None, path=PATH)
    grid = np.linspace(-0.01, 1.2, 20_000, dtype=np.float32).reshape(100, 200)
    true = fitted.true_transmittance(grid)
    assert true.dtype == np.float32 and true.shape == grid.shape
    assert np.all(np.diff(true.ravel()) >= 0) and np.all(true > 0)
    assert true[3, 7] == fitted.true_transmittance(grid[3, 7])
    assert fitted.true_transmittance(np.float64(1.0)) == pytest.approx(1.0, abs=1e-12)


def test_file(tmp_path: Path) -> None:
    tablet = reading(np.array(TABLET_21))
    fitted = replace(fit_calibration(tablet, None, path=PATH), set_up=SET_UP)
    first, second = tmp_path / "calibration.json", tmp_path / "again.json"
    fitted.save(first)
    load_calibration(first).save(second)
    assert load_calibration(first).set_up == SET_UP
    assert first.read_bytes() == second.read_bytes()
    light = np.linspace(0.003, 1, 50)
    kept = load_calibration(first).diffuse_density(light)
    assert kept == pytest.approx(fitted.diffuse_density(light), abs=1e-6)
    assert json.loads(first.read_text(encoding="utf-8"))["schema"] == 5
    assert pickle.loads(pickle.dumps(fitted)) == fitted


@pytest.mark.parametrize(
    "content",
    [
        None,
        "{",
        "{}",
        "[1]",
        '{"schema": 1}',
        '{"schema": 2}',
        '{"schema": 5}',
        '{"schema": 5}',
        "nodes",
        "glare",
        "set_up",
    ],
)
def test_damaged_file(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "calibration.json"
    broken = {"nodes": [0.0, 2.0, 1.0], "glare": "much", "set_up": {"kind": "raw"}}
    if content in broken:
        whole = fit_calibration(reading(np.array(TABLET_21)), None, path=PATH)
        replace(whole, set_up=SET_UP).save(path)
        assert load_calibration(path)
        document = json.loads(path.read_text(encoding="utf-8"))
        document[content] = broken[content]
        content = json.dumps(document)
    if content is not None:
        path.write_text(content, encoding="utf-8")
    with refused(TabletError, path=path):
        load_calibration(path)


@pytest.mark.parametrize("text", ["null", "3", '"x"', "[]", "{}"])
def test_what_is_no_calibration_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "calibration.json"
    path.write_text(text, encoding="utf-8")
    with refused(TabletError, path=path):
        load_calibration(path)
