"""Steps that do not go with the others are named, and set aside on request."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from platebench.cli.curve import command
from platebench.core.errors import ReadingsError
from platebench.sensitometry import CurveFigures, figures_of, pair_readings
from platebench.sensitometry.doubtful_steps import doubtful_steps

from .reference_plate import DENSITIES, LOG_H, TABLET

STEPS = [str(n) for n in range(1, 22)]


def of(d: np.ndarray, *, set_aside: bool = False) -> CurveFigures:
    readings = pair_readings(
        "p", LOG_H, d, base_fog=0.1, absolute=True, steps=STEPS, set_aside=set_aside
    )
    return figures_of(readings)


@pytest.mark.parametrize("off", [-0.3, -0.12, 0.12, 0.4])
@pytest.mark.parametrize("step", [3, 8, 14, 19])
def test_one_step_that_stands_apart_is_named_and_set_aside(step: int, off: float) -> None:
    d = DENSITIES.copy()
    d[step - 1] += off
    named = of(d).readings
    assert named.doubtful == (str(step),) and named.set_aside == () and named.log_h.size == 21
    assert any(note.startswith(f"step {step} ") for note in named.notes)
    without = of(d, set_aside=True)
    assert without.readings.doubtful == () and without.readings.set_aside == (str(step),)
    assert without.readings.log_h.size == 20
    # What the reference plate gives by derivation, see reference_plate.py.
    assert without.gamma.value == pytest.approx(0.68118, rel=0.01)
    assert without.speed_point is not None
    assert 10**-without.speed_point.value == pytest.approx(2.5, rel=0.03)


@pytest.mark.parametrize("steps", [2, 4, 6])
def test_a_reversed_shoulder_is_named_and_set_aside(steps: int) -> None:
    d = DENSITIES.copy()
    d[:steps] = d[steps] - 0.06 * np.arange(steps, 0, -1)  # the first step had most light
    named = of(d).readings
    assert set(named.doubtful) == set(STEPS[:steps])
    assert any("reversed" in note for note in named.notes)
    # No smooth curve is fitted over a flaw: there is no limit to state, least of all a lower one.
    assert of(d).limit_density is None and of(d).basis.model is None
    without = of(d, set_aside=True)
    assert set(without.readings.set_aside) == set(STEPS[:steps])
    assert without.d_max.value == pytest.approx(d[steps])
    assert without.gamma.value == pytest.approx(0.68118, rel=0.01)


@pytest.mark.parametrize("seed", range(12))
def test_a_good_curve_has_no_doubtful_step(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sigma = (0.002, 0.01, 0.02)[seed % 3]
    d = DENSITIES + sigma * rng.standard_normal(21)
    readings = pair_readings("p", LOG_H, d, sigma=np.full(21, sigma))
    assert readings.doubtful == ()


def test_random_densities_are_not_a_tablet_turned_round() -> None:
    for seed in range(12):
        d = np.random.default_rng(seed).uniform(0.1, 2.2, 21)
        with pytest.raises(ReadingsError) as refused:
            pair_readings("p", LOG_H, d)
        assert "without order" in refused.value.what, seed


@pytest.mark.parametrize("dust", [None, 5, 12])
def test_a_tablet_turned_round_is_known_as_such(dust: int | None) -> None:
    d = DENSITIES[::-1].copy()
    if dust is not None:
        d[dust] += 0.3
    with pytest.raises(ReadingsError) as refused:
        pair_readings("p", LOG_H, d)
    assert "fall where" in refused.value.what


def test_few_steps_are_not_enough_to_say_which_is_wrong() -> None:
    x, d = np.arange(4.0), np.array([0.2, 0.9, 0.6, 1.4])
    assert doubtful_steps(x, d, np.full(4, 0.04)) is None
    with pytest.raises(ReadingsError):
        pair_readings("p", x, d)


@pytest.mark.parametrize(("value", "word"), [(-0.21, "less than nothing"), (6.07, "more than")])
def test_densities_that_no_plate_has_want_a_word(value: float, word: str) -> None:
    d = DENSITIES.copy()
    d[0 if value > 0 else -1] = value
    notes = pair_readings("p", LOG_H, d).notes
    assert sum(word in note and f"{value:.2f}" in note for note in notes) == 1
    assert not any(word in note for note in pair_readings("p", LOG_H, DENSITIES).notes)


def test_on_the_command_line(tmp_path: Path) -> None:
    d = DENSITIES.copy()
    d[7] -= 0.3
    rows = [f"{s},{t},{v}" for s, t, v in zip(STEPS, TABLET, d, strict=True)]
    path = tmp_path / "p.csv"
    path.write_text("step,tablet_density,density\n" + "\n".join(rows) + "\n", encoding="utf-8")
    wanted = {"": (["8"], []), "8": ([], ["8"]), "doubtful": ([], ["8"]), "3": (["8"], ["3"])}
    import json

    for aside, (doubtful, left_out) in wanted.items():
        result = CliRunner().invoke(command, [str(path), "--set-aside", aside, "--json"])
        assert result.exit_code == 0, result.output
        [plate] = json.loads(result.stdout)["plates"]
        assert (plate["doubtful_steps"], plate["set_aside"]) == (doubtful, left_out)
    unknown = CliRunner().invoke(command, [str(path), "--set-aside", "40"])
    assert isinstance(unknown.exception, ReadingsError)
