"""Gamma against time of development, batch against batch."""

from __future__ import annotations

import math

import numpy as np
import pytest

from platebench.core.errors import ReadingsError
from platebench.sensitometry import (
    Estimate,
    compare_batches,
    figures_of,
    fit_development,
    pair_readings,
)

from ..refusals import refused
from .reference_plate import DENSITIES, LOG_H, density


def law(time: float, limit: float = 1.6, rate: float = 0.2) -> float:
    return limit * (1 - math.exp(-rate * time))


def test_the_law_is_recovered_from_doubled_times() -> None:
    # gamma infinity 1.6, k 0.2: gamma(4) = 0.88107, gamma(8) = 1.27697 (worked from the law).
    assert (law(4), law(8)) == pytest.approx((0.88107, 1.27697), abs=5e-6)
    found = fit_development([4, 8], [Estimate(0.88107), Estimate(1.27697)])
    assert found is not None
    assert found.gamma_infinity.value == pytest.approx(1.6, abs=5e-5)
    assert found.rate.value == pytest.approx(0.2, abs=2e-5)
    assert found.gamma_infinity.sigma is None  # two times fit exactly


def test_the_law_is_recovered_from_many_times_in_any_order() -> None:
    times = [12.0, 2.0, 5.0, 20.0]
    found = fit_development(times, [Estimate(law(time)) for time in times])
    assert found is not None
    assert found.times.tolist() == [2, 5, 12, 20]
    assert found.gamma_infinity.value == pytest.approx(1.6)
    assert found.misfit == pytest.approx(0, abs=1e-9)
    for time in times:
        assert found.gamma_at(np.array(time)) == pytest.approx(law(time))
        assert found.time_for(law(time)) == pytest.approx(time)
    assert found.time_for(1.7) is None and found.time_for(0.0) == 0.0


def test_errors_of_the_law_are_as_large_as_its_scatter() -> None:
    rng = np.random.default_rng(12)
    times = np.array([3.0, 5.0, 8.0, 12.0, 20.0])
    found = []
    for _ in range(300):
        gammas = [Estimate(law(t) + 0.02 * rng.standard_normal(), 0.02) for t in times]
        fit = fit_development(times.tolist(), gammas)
        assert fit is not None
        found.append((fit.gamma_infinity.value, fit.rate.value))
    last = (fit.gamma_infinity.sigma, fit.rate.sigma)
    assert last == pytest.approx(np.std(found, axis=0), rel=0.25)
    assert np.mean(found, axis=0) == pytest.approx((1.6, 0.2), rel=0.02)


@pytest.mark.parametrize("gammas", [(0.4, 0.8, 1.6), (0.9, 0.9, 0.9), (1.2, 0.9, 0.6)])
def test_gamma_infinity_is_not_made_up(gammas: tuple[float, ...]) -> None:
    assert fit_development([3, 6, 12], [Estimate(gamma) for gamma in gammas]) is None


@pytest.mark.parametrize("times", [[3.0, -6.0], [3.0, math.nan], [0.0, 5.0], [4.0, 4.0]])
def test_bad_times(times: list[float]) -> None:
    with pytest.raises(ReadingsError):
        fit_development(times, [Estimate(0.5), Estimate(0.8)])


def test_a_batch_one_stop_slower_and_a_third_harder() -> None:
    first = figures_of(pair_readings("a", LOG_H, DENSITIES, base_fog=0.10))
    slower = 0.13 + (density(LOG_H - math.log10(2)) - 0.10)
    harder = 0.10 + 1.3 * (DENSITIES - 0.10)
    found = compare_batches(first, figures_of(pair_readings("b", LOG_H, slower, base_fog=0.13)))
    assert found.speed_stops is not None
    assert found.speed_stops.value == pytest.approx(-1.0, abs=0.01)
    assert found.gamma_ratio.value == pytest.approx(1.0, abs=0.002)
    assert found.base_fog.value == pytest.approx(0.03)
    other = compare_batches(first, figures_of(pair_readings("c", LOG_H, harder, base_fog=0.10)))
    assert other.gamma_ratio.value == pytest.approx(1.3, abs=0.002)
    back = compare_batches(figures_of(pair_readings("c", LOG_H, harder, base_fog=0.10)), first)
    assert other.speed_stops is not None and back.speed_stops is not None
    assert back.speed_stops.value == pytest.approx(-other.speed_stops.value)
    assert back.gamma_ratio.value == pytest.approx(1 / other.gamma_ratio.value)


def test_errors_of_a_difference_add_in_square() -> None:
    readings = pair_readings("a", LOG_H, DENSITIES, sigma=np.full(21, 0.01), base_fog=0.10)
    one, other = (figures_of(readings, rng=np.random.default_rng(s), trials=30) for s in (1, 2))
    found = compare_batches(one, other)
    assert found.speed_stops and one.speed_point and other.speed_point
    assert one.speed_point.sigma and other.speed_point.sigma and found.speed_stops.sigma
    both = math.hypot(one.speed_point.sigma, other.speed_point.sigma)
    assert found.speed_stops.sigma == pytest.approx(both / math.log10(2))


def test_a_known_and_a_relative_exposure_cannot_be_compared() -> None:
    one = figures_of(pair_readings("one.csv", LOG_H, DENSITIES, absolute=True))
    other = figures_of(pair_readings("other.csv", LOG_H, DENSITIES))
    with refused(ReadingsError, path="other.csv"):
        compare_batches(one, other)
