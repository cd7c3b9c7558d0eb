"""Times of a plate printed itself: transmittance is 10 ** -D by definition, times follow."""

import math
from dataclasses import replace

import numpy as np
import pytest

from platebench.plate.densities import BIN_EDGES
from platebench.printing.direct_time import (
    STRIPS,
    added_times,
    direct_times,
    plan_strip,
    strip_times,
)
from platebench.printing.plate_range import PlateRange, Tones
from platebench.printing.process import ExposureScale, Status

SCALE = ExposureScale(low=1.5, typical=1.6, high=1.7, status=(Status.TESTED,) * 3)


def plate(base: float, thinnest: float, densest: float, blue: float | None = None) -> PlateRange:
    counts = tuple([1] * (BIN_EDGES.size - 1))
    return PlateRange(
        plate_id="p",
        density_range=densest - thinnest,
        blue_range=blue,
        tones=Tones(counts=counts, thinnest=thinnest, densest=densest),
        base_fog=base,
    )


@pytest.mark.parametrize(
    ("base", "reference", "factor"),
    [
        (0.30103, 0.0, 2.0),  # log10 2: half the light, twice the time
        (1.0, 0.0, 10.0),
        (0.4, 0.4, 1.0),
        (0.1, 0.40103, 0.5),
    ],
)
def test_the_time_factor_is_ten_to_the_difference_of_bases(base, reference, factor):
    times = direct_times(plate(base, 0.5, 1.5), SCALE, reference=plate(reference, 0.5, 1.5))
    assert times.for_base == pytest.approx(factor, rel=1e-5)


def test_blue_stain_and_errors_count_in_times() -> None:
    seen = replace(plate(0.3, 0.5, 1.5), blue_offset=0.2, blue_share=0.1, base_sigma=0.01)
    times = direct_times(seen, SCALE)
    assert times.base == pytest.approx(0.3 * 1.1 + 0.2)  # D_blue = D (1 + share) + offset
    low, high = (math.log10(factor) for factor in times.spread)
    assert low == pytest.approx(-0.02)  # two standard errors
    assert high == pytest.approx(0.02 + 0.15 + (0.53 - 0.3))  # and glass and stain, in ultraviolet
    blue = direct_times(seen, SCALE, light="blue")
    assert [math.log10(factor) for factor in blue.spread] == pytest.approx([-0.02, 0.02])
    assert [math.log10(f) for f in times.scale_spread] == pytest.approx([-0.1, 0.1])


def exposure(density: float, time: float) -> float:
    """Light that reaches the paper, by opacity: O = 1 / T, T = 10 ** -D."""
    opacity = math.pow(10, density)
    return time / opacity


@pytest.mark.parametrize("reference", [0.0, 0.25])
def test_the_ends_of_the_range_land_on_black_and_on_the_first_tint(reference):
    times = direct_times(plate(0.2, 0.45, 1.75), SCALE, reference=plate(reference, 0.5, 1.5))
    black = exposure(reference, 1.0)  # what the reference's time gives through its base
    assert exposure(0.2, times.for_base) == pytest.approx(black)
    assert exposure(0.45, times.for_shadows) == pytest.approx(black)
    assert math.log10(black / exposure(1.75, times.for_highlights)) == pytest.approx(1.6)


def test_a_range_as_long_as_the_scale_needs_one_time_only():
    times = direct_times(plate(0.2, 0.3, 1.9), SCALE)
    assert times.for_shadows == pytest.approx(times.for_highlights)
    assert times.middle == pytest.approx(times.for_shadows)


def test_a_stained_plate_is_timed_by_its_blue_range():
    seen = direct_times(plate(0.2, 0.3, 1.5), SCALE).for_highlights
    blue = direct_times(plate(0.2, 0.3, 1.5, blue=1.5), SCALE).for_highlights
    assert blue / seen == pytest.approx(10**0.3)  # 1.5 in place of 1.2


def test_a_strip_is_geometric_and_its_steps_add_up():
    totals = strip_times(60.0, strips=7, ratio=2**0.5)
    assert np.diff(np.log10(totals)) == pytest.approx(np.full(6, 0.1505), abs=1e-4)  # log10(2) / 2
    assert totals[3] == pytest.approx(60.0)
    assert np.cumsum(added_times(totals)) == pytest.approx(totals)


@pytest.mark.parametrize("beyond", [-1.57, -1.15, -0.6, 0.0, 0.3, 1.0, 1.57, 2.2])
def test_a_strip_holds_the_times_for_shadows_and_highlights(beyond):
    """By definition the times lie as far apart as range and scale; a stop is log10 2 = 0.301."""
    times = direct_times(plate(0.2, 0.3, 0.3 + SCALE.typical + beyond), SCALE)
    strip = plan_strip(times)
    ends = sorted((times.for_shadows, times.for_highlights))
    assert strip.holds
    assert strip.totals[0] < 0.9 * ends[0] and strip.totals[-1] > 1.1 * ends[1]
    assert np.diff(np.log2(strip.totals)) == pytest.approx(strip.stops)
    assert strip.stops == (0.5 if abs(beyond) <= 1.0 else 1.0)


def test_times_further_apart_than_any_strip_are_not_said_to_be_held():
    times = direct_times(plate(0.2, 0.3, 4.3), SCALE)  # 2.4 beyond the scale: 8 stops
    strip = plan_strip(times)
    assert not strip.holds
    assert strip.totals[-1] / strip.totals[0] == pytest.approx(2**8)
    assert len(strip.totals) == max(parts for parts, _ in STRIPS)
