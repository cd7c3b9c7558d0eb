"""Times of a plate printed itself: transmittance is 10 ** -D by definition, times follow."""

import math

import numpy as np
import pytest

from platebench.printing.direct_time import added_times, direct_times, strip_times
from platebench.printing.plate_range import PlateRange, Tones
from platebench.printing.process import ExposureScale, Status
from platebench.stages.measure import BIN_EDGES

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
    times = direct_times(plate(base, 0.5, 1.5), SCALE, reference_base=reference)
    assert times.for_base == pytest.approx(factor, rel=1e-5)


def exposure(density: float, time: float) -> float:
    """Light that reaches the paper, by opacity: O = 1 / T, T = 10 ** -D."""
    opacity = math.pow(10, density)
    return time / opacity


@pytest.mark.parametrize("reference", [0.0, 0.25])
def test_the_ends_of_the_range_land_on_black_and_on_the_first_tint(reference):
    times = direct_times(plate(0.2, 0.45, 1.75), SCALE, reference_base=reference)
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
    totals = strip_times(60.0)
    assert np.diff(np.log10(totals)) == pytest.approx(np.full(6, 0.1505), abs=1e-4)  # log10(2) / 2
    assert totals[3] == pytest.approx(60.0)
    assert np.cumsum(added_times(totals)) == pytest.approx(totals)
