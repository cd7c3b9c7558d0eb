"""The fit of one's own plates: known answers, what must not matter, and small invented makers."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.exposing.exposure import LIGHTS, ExposureRequest, exposure_to_give
from platebench.exposing.own_advice import own_advice
from platebench.exposing.own_speed import PlateMade, fit_own_speed
from platebench.exposing.reference_tone import AIM_NET, median_density, tone_above_aim
from platebench.exposing.subject_range import SubjectSeen, range_of_class
from platebench.plate_log.cells import LIGHT_KINDS
from platebench.sensitometry.curve_file import BatchCurve

sys.path.insert(0, str(Path(__file__).parents[2] / "bench"))
import own_speed as bench


def made(above: float, n: int = 0, light: str = "indoors", **more: object) -> PlateMade:
    return PlateMade(
        plate_id=f"{light}-{n}", light=light, above=above, beyond=0.0, seconds=1.0, **more
    )  # type: ignore[arg-type]


def test_kinds_of_light_are_those_of_the_rules() -> None:
    assert tuple(LIGHTS) == LIGHT_KINDS


@pytest.mark.parametrize("light", LIGHT_KINDS)
@pytest.mark.parametrize("ev", [3.0, 15.0])
def test_without_plates_the_rule_as_it_stands(light: str, ev: float) -> None:
    request = ExposureRequest(ev100=ev, f_number=8.0, light=light)
    plan = exposure_to_give(request)
    advice = own_advice(request, plan, fit_own_speed([]))
    assert abs(np.log2(advice.exposure.given_s / plan.exposure.given_s)) <= 0.01
    assert advice.pair == () and advice.offset.verdict == "by rule"


def test_many_plates_that_agree_are_believed() -> None:
    offset = fit_own_speed([made(1.5, n) for n in range(25)]).offset("indoors")
    assert offset.stops == pytest.approx(1.5, abs=0.15)
    assert offset.verdict == "enough plates"
    assert offset.low < 1.5 < offset.high


def test_an_unknown_light_stays_unsure_and_gets_a_pair() -> None:
    own = fit_own_speed([made(1.0, 0)])
    request = ExposureRequest(ev100=10.0, f_number=8.0, light="tungsten")
    advice = own_advice(request, exposure_to_give(request), own)
    assert advice.offset.verdict == "not enough plates"
    shorter, longer = advice.pair
    assert np.log2(longer.metered_s / shorter.metered_s) == pytest.approx(2.0)


def test_a_wrong_row_is_named_and_moves_little() -> None:
    rng = np.random.default_rng(5)
    rows = [made(0.5 + float(rng.normal(0, 0.4)), n) for n in range(12)]
    spoiled = [replace(rows[0], beyond=-5.0), *rows[1:]]
    own = fit_own_speed(spoiled)
    assert [row.plate_id for row in own.look_again] == ["indoors-0"]
    assert own.look_again[0].stops_off == pytest.approx(5.0, abs=1.0)
    assert fit_own_speed(rows).look_again == ()
    away = own.offset("indoors").stops - fit_own_speed(rows).offset("indoors").stops
    assert abs(away) < 0.3


def test_a_bound_is_never_read_as_a_value() -> None:
    known = [made(0.0, n) for n in range(4)]
    at_least = fit_own_speed([*known, *(made(0.5, n + 9, bound="at least") for n in range(4))])
    value = fit_own_speed([*known, *(made(0.5, n + 9) for n in range(4))])
    assert at_least.offset("indoors").stops > value.offset("indoors").stops + 0.1
    # A bound that the rest keeps anyhow says next to nothing.
    idle = fit_own_speed([*known, made(-4.0, 9, bound="at least")])
    plain = fit_own_speed(known)
    assert idle.offset("indoors").stops == pytest.approx(plain.offset("indoors").stops, abs=0.06)


def test_rows_in_another_order_give_the_same() -> None:
    rng = np.random.default_rng(8)
    rows = [made(float(rng.normal(0.7, 0.5)), n, batch=str(n % 3)) for n in range(9)]
    one, other = fit_own_speed(rows), fit_own_speed(rows[::-1])
    ends = [own.offset("indoors", batch="1").stops for own in (one, other)]
    assert ends[0] == pytest.approx(ends[1], abs=0.05)


def test_a_tested_p_is_taken_at_its_word() -> None:
    rows = [replace(made(-0.2 * 6, n, batch="14"), seconds=64.0) for n in range(12)]
    own = fit_own_speed(rows, {"14": (0.2, 0.01)})
    assert own.q_for("14") == (0.2, 0.01)
    assert own.offset("indoors", batch="14").stops == pytest.approx(0.0, abs=0.15)
    assert own.offset("indoors", batch="14", seconds=64.0).stops == pytest.approx(-1.2, abs=0.15)


STRAIGHT = BatchCurve(
    name="7", batch="7", minutes=5.0, log_h=np.arange(-2.0, 1.01, 0.1),
    density=0.1 + np.clip(np.arange(-2.0, 1.01, 0.1) + 1.5, 0, 2.0), base_fog=0.1, gamma=1.0,
    useful_end=2.1,
)  # fmt: skip


def test_a_tone_through_a_straight_curve() -> None:
    # Gamma 1: 0.30103 D (log10 2) above the aim is a stop, by definition.
    tone = tone_above_aim(AIM_NET + 0.30103, STRAIGHT)
    assert tone.above == pytest.approx(1.0, abs=1e-3) and tone.bound == ""
    assert tone_above_aim(0.05, STRAIGHT).bound == "at most"
    assert tone_above_aim(2.05, STRAIGHT).bound == "at least"
    assert tone_above_aim(1.5, STRAIGHT, too_dense=1.2).bound == "at least"
    assert tone_above_aim(AIM_NET, None).above == 0.0


def test_the_median_of_a_histogram() -> None:
    assert median_density((1, 2, 1), (0.0, 1.0, 2.0, 3.0)) == pytest.approx(1.5)
    with pytest.raises(ValueError, match="histogram"):
        median_density((0, 0), (0.0, 1.0, 2.0))


def seen(*ranges: float, at_least: tuple[float, ...] = ()) -> list[SubjectSeen]:
    rows = [(value, False) for value in ranges] + [(value, True) for value in at_least]
    return [
        SubjectSeen(plate_id=str(n), subject="Street", log_range=value, at_least=bound)
        for n, (value, bound) in enumerate(rows)
    ]


def test_a_class_is_learned_once_enough_of_it_were_seen() -> None:
    assert range_of_class("street", seen(2.0, 2.1, 2.2)).plates == 0
    learned = range_of_class("street", seen(2.0, 2.1, 2.2, 2.3, 2.4))
    assert (learned.log_range, learned.plates) == (2.2, 5)
    # Kaplan and Meier by hand: 1.9 is surely passed by all; of five, 2.0 leaves 4/5 ...
    bounded = range_of_class("street", seen(2.0, 2.1, 2.4, at_least=(1.9, 2.2)))
    assert bounded.log_range > 2.1
    assert range_of_class("portrait", seen(2.0, 2.1, 2.2, 2.3)).log_range == 1.3


@pytest.mark.big
@pytest.mark.parametrize(("plates", "rms", "within"), [(10, 0.75, 0.68), (30, 0.62, 0.70)])
def test_invented_makers_fare_as_published(plates: int, rms: float, within: float) -> None:
    """A small version of bench/own_speed.py; the limits leave room for 40 makers' luck."""
    line = bench.fare(40, plates, bench.Kind(), seed=77)
    assert line.rms <= rms < line.rule_rms
    assert line.within >= within > line.rule_within
    assert 0.65 <= line.holds <= 0.97


@pytest.mark.big
def test_one_large_error_moves_the_advice_little() -> None:
    moves, named, sound_named = bench.moved_by_one_error(30, 78).T
    assert np.quantile(moves, 0.9) <= 0.45
    assert named.mean() > 0.6 and sound_named.mean() < 0.05
