"""The exposure to give, against arithmetic done by hand from the definitions."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platebench.exposing.exposure import (
    LIGHTS,
    ExposureRequest,
    bellows_factor,
    ev_from_reading,
    exposure_to_give,
)
from platebench.exposing.reciprocity import NoCorrection, OwnTable, PracticeRule, Schwarzschild

SUN = ExposureRequest(ev100=15.0, f_number=16.0, reciprocity=NoCorrection())


def metered(request: ExposureRequest) -> float:
    return exposure_to_give(request).exposure.metered_s


def test_exposure_value() -> None:
    # EV = log2(N^2 / t) at the meter's own ISO: f/16 and 1/128 s are EV 15, f/1 and 1 s EV 0.
    assert ev_from_reading(16, 1 / 128, 100) == 15.0
    assert ev_from_reading(1, 1, 100) == 0.0
    # The same reading with a meter at ISO 400 is of light two stops weaker.
    assert ev_from_reading(16, 1 / 128, 400) == pytest.approx(13.0)


def test_a_plate_of_iso_two_needs_fifty_times_iso_hundred() -> None:
    assert metered(SUN) == pytest.approx(50 / 128)
    assert metered(replace(SUN, rating=100.0)) == pytest.approx(1 / 128)
    assert exposure_to_give(SUN).rating == 2.0


def test_time_goes_with_the_square_of_the_f_number() -> None:
    assert metered(replace(SUN, f_number=32.0)) == pytest.approx(4 * metered(SUN))
    assert metered(replace(SUN, f_number=8.0)) == pytest.approx(metered(SUN) / 4)


def test_summer_noon_is_rated_five_and_leaves_room_to_two() -> None:
    plan = exposure_to_give(replace(SUN, light="summer-noon"))
    assert plan.rating == 5.0
    assert plan.exposure.metered_s == pytest.approx(20 / 128)  # 100 / 5
    assert plan.least is not None and plan.most is not None
    assert plan.least.metered_s == pytest.approx(20 / 128)
    assert plan.most.metered_s == pytest.approx(50 / 128)


def test_indoors_is_three_to_five_stops_more() -> None:
    plan = exposure_to_give(replace(SUN, light="indoors"))
    assert plan.least is not None and plan.most is not None
    assert plan.least.metered_s == pytest.approx(8 * 50 / 128)
    assert plan.exposure.metered_s == pytest.approx(16 * 50 / 128)
    assert plan.most.metered_s == pytest.approx(32 * 50 / 128)


def test_sea_and_sky_invents_no_figure() -> None:
    plan = exposure_to_give(replace(SUN, light="sea-and-sky"))
    assert plan.exposure.metered_s == pytest.approx(metered(SUN))
    assert any("figure" in reason.words for reason in plan.reasons)


def test_tungsten() -> None:
    # A colour-blind emulsion rated 50 by daylight and 8 by tungsten (US Navy training text):
    # log2(50 / 8) = 2.64 stops more.
    assert LIGHTS["tungsten"].stops == pytest.approx(2.64, abs=5e-3)
    assert metered(replace(SUN, light="tungsten")) == pytest.approx(metered(SUN) * 50 / 8)


def test_a_rating_of_ones_own_is_taken_at_its_word() -> None:
    plan = exposure_to_give(replace(SUN, rating=3.0, light="summer-noon"))
    assert plan.exposure.metered_s == pytest.approx(100 / 3 / 128)
    assert plan.least == plan.exposure == plan.most
    assert plan.reasons[0].mark == "your own"
    indoors = exposure_to_give(replace(SUN, rating=3.0, light="indoors"))
    assert indoors.exposure.metered_s == pytest.approx(16 * 100 / 3 / 128)


def test_stops_of_ones_own() -> None:
    assert metered(replace(SUN, stops=-1.0)) == pytest.approx(metered(SUN) / 2)
    assert metered(replace(SUN, stops=2.5)) == pytest.approx(metered(SUN) * 2**2.5)


# (v / f)^2 with a thin lens: at infinity v = f; life size v = 2 f; half size v = 1.5 f.
@pytest.mark.parametrize(
    ("extension", "focal", "factor"),
    [(150, 150, 1), (300, 150, 4), (225, 150, 2.25), (450, 150, 9)],
)
def test_bellows(extension: float, focal: float, factor: float) -> None:
    assert bellows_factor(extension, focal) == factor
    request = replace(SUN, extension_mm=extension, focal_mm=focal)
    assert metered(request) == pytest.approx(factor * metered(SUN))


@given(st.floats(50, 500), st.floats(0, 3))
def test_bellows_by_magnification(focal: float, m: float) -> None:
    # v = f (1 + m) from the thin lens equation, so the factor is (1 + m)^2.
    assert bellows_factor(focal * (1 + m), focal) == pytest.approx((1 + m) ** 2)


@pytest.mark.parametrize(
    ("extension", "focal", "part"),
    [(100, 150, "shorter than the focal length"), (0, 150, "above 0"), (150, math.nan, "above 0")],
)
def test_bellows_that_cannot_be(extension: float, focal: float, part: str) -> None:
    with pytest.raises(ValueError, match=part):
        bellows_factor(extension, focal)


def test_reciprocity_comes_last_on_the_whole_time() -> None:
    # EV 7 at f/16: 256 / 128 = 2 s at ISO 100, 100 s at ISO 2; bellows 2.25 makes 225 s; doubled.
    request = ExposureRequest(ev100=7.0, f_number=16.0, extension_mm=225, focal_mm=150)
    plan = exposure_to_give(request)
    assert plan.exposure.metered_s == pytest.approx(225.0)
    assert plan.exposure.given_s == pytest.approx(450.0)
    assert str(plan.exposure.camera) == "7 min 30 s"


def test_reasons_add_up() -> None:
    request = ExposureRequest(
        ev100=4.0,
        f_number=11.0,
        light="indoors",
        stops=-0.5,
        extension_mm=300,
        focal_mm=210,
        reciprocity=Schwarzschild(p=0.86),
    )
    plan = exposure_to_give(request)
    plain_s = 11.0**2 / 2**4  # at ISO 100
    total = sum(reason.stops for reason in plan.reasons)
    assert plain_s * 2**total == pytest.approx(plan.exposure.given_s)
    assert all(reason.mark for reason in plan.reasons)


def test_rules_without_a_source_say_so() -> None:
    for light in LIGHTS:
        marks = [reason.mark for reason in exposure_to_give(replace(SUN, light=light)).reasons]
        assert any("source" in mark for mark in marks)
    assert "dofmaster" in LIGHTS["tungsten"].mark


def test_other_stops_double_and_are_corrected_each_for_itself() -> None:
    request = ExposureRequest(ev100=8.0, f_number=16.0, reciprocity=PracticeRule())
    plan = exposure_to_give(request)  # 256 / 256 * 50 = 50 s
    by_stop = {other.f_number: other for other in plan.others}
    assert 16.0 not in by_stop and set(by_stop) >= {8, 11, 22, 32}
    assert by_stop[11].given_s == pytest.approx(25.0)
    assert by_stop[22].metered_s == pytest.approx(100.0)
    assert by_stop[22].given_s == pytest.approx(100.0 * 100 / 60)  # on the joint of the rule
    assert by_stop[32].given_s == pytest.approx(400.0)


def test_a_table_that_ends_leaves_other_stops_out() -> None:
    table = OwnTable(metered=(1.0, 60.0), given=(1.0, 80.0))
    plan = exposure_to_give(ExposureRequest(ev100=8.0, f_number=16.0, reciprocity=table))
    assert max(other.f_number for other in plan.others) == 11
    with pytest.raises(ValueError, match="longer than the last row"):
        exposure_to_give(ExposureRequest(ev100=7.0, f_number=16.0, reciprocity=table))
    ajar = exposure_to_give(
        ExposureRequest(ev100=12.0, f_number=16.0, light="indoors", reciprocity=table)
    )
    assert ajar.exposure.metered_s == pytest.approx(50.0) and ajar.most is None


@given(
    st.tuples(st.floats(-4, 18), st.floats(-4, 18)),
    st.sampled_from(sorted(LIGHTS)),
    st.sampled_from([PracticeRule(), Schwarzschild(p=0.8), Schwarzschild(p=0.86, plus_one=True)]),
)
def test_less_light_never_gets_less_time(
    values: tuple[float, float], light: str, rule: PracticeRule | Schwarzschild
) -> None:
    dim, bright = sorted(values)
    at = {
        ev: exposure_to_give(
            ExposureRequest(ev100=ev, f_number=5.6, light=light, rating=50.0, reciprocity=rule)
        ).exposure
        for ev in (dim, bright)
    }
    assert at[dim].metered_s >= at[bright].metered_s
    assert at[dim].given_s >= at[bright].given_s
    assert at[dim].camera.seconds >= at[bright].camera.seconds


@pytest.mark.parametrize(
    ("change", "part"),
    [
        ({"ev100": math.nan}, "exposure value must be from -20 to 30"),
        ({"ev100": 99.0}, "exposure value"),
        ({"f_number": 0.0}, "f-number"),
        ({"rating": -2.0}, "plate rating"),
        ({"rating": 0.0}, "plate rating"),
        ({"stops": 50.0}, "stops"),
        ({"light": "moon"}, "one of general"),
        ({"extension_mm": 300.0}, "both extension and focal length"),
        ({"ev100": -15.0}, "longer than a week"),
    ],
)
def test_requests_that_make_no_sense(change: dict[str, float], part: str) -> None:
    with pytest.raises(ValueError, match=part):
        exposure_to_give(replace(SUN, **change))  # type: ignore[arg-type]
