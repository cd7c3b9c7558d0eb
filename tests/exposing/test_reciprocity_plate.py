"""A test plate of strips: planned by arithmetic, read back from Schwarzschild's law."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import ReadingsError
from platebench.exposing.reciprocity_plate import (
    RATIO,
    load_tested,
    plan_strips,
    read_strips,
    strips_in,
)
from platebench.sensitometry.curve_file import BatchCurve

X = np.arange(-2.0, 1.51, 0.1)
CURVE = BatchCurve(
    name="", batch="14", minutes=5.0, log_h=X, base_fog=0.1, gamma=1.2, useful_end=2.2,
    density=0.1 + 2.4 / (1 + np.exp(-2 * X)),
)  # fmt: skip


def net(stops: float) -> float:
    return float(2.4 / (1 + np.exp(-2 * stops * 0.30103)))


def test_strips_get_the_same_light_times_time() -> None:
    strips = plan_strips(8.0, 2.0)
    assert [s.seconds / strips[0].seconds for s in strips] == pytest.approx(
        [1, 5.657, 32], abs=1e-3
    )
    for strip in strips:  # t / N^2 is the exposure; a stop's mark is good to a tenth of a stop
        given = np.log2(strip.seconds / strip.f_number**2 * 8.0**2 / 2.0)
        assert given == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("p", [0.76, 0.86, 1.0])
def test_p_comes_back(p: float) -> None:
    # I t^p: equal I t, so the effect goes as t^(p - 1) (Schwarzschild 1900; 0.86 was his own).
    times = [2.0, 2.0 * RATIO, 2.0 * RATIO**2]
    nets = [net((p - 1) * float(np.log2(t / 2))) for t in times]
    tested = read_strips(times, nets, CURVE, batch="14")
    assert tested.p == pytest.approx(p, abs=0.006)
    assert tested.misfit_stops < 0.02


def test_the_error_is_that_of_repeated_plates() -> None:
    rng = np.random.default_rng(12)
    times = [2.0, 2.0 * RATIO, 2.0 * RATIO**2]
    found = []
    for _ in range(200):
        stops = [-0.14 * np.log2(t / 2) + rng.normal(0, 0.08) for t in times]
        tested = read_strips(times, [net(s) for s in stops], CURVE, batch="")
        found.append((tested.p, tested.sigma))
    p, sigma = np.array(found).T
    assert p.mean() == pytest.approx(0.86, abs=0.006)
    assert 0.8 < np.median(sigma) / p.std() < 1.5


@pytest.mark.parametrize(
    ("times", "nets"),
    [
        ([2.0, 11.0, 64.0], [0.05, 0.8, 0.8]),  # in the toe
        ([2.0, 11.0, 64.0], [0.8, 0.8]),
        ([2.0, 3.0, 4.0], [0.8, 0.8, 0.8]),  # times too near
        ([64.0, 11.0, 2.0], [1.4, 1.1, 0.8]),  # in the wrong order: long ones came out denser
    ],
)
def test_strips_that_tell_nothing_are_refused(times: list[float], nets: list[float]) -> None:
    with pytest.raises(ValueError, match=r".+"):
        read_strips(times, nets, CURVE, batch="14")


def test_another_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "reciprocity.json"
    path.write_text('{"reciprocity": "", "p": 3}', encoding="utf-8")
    with pytest.raises(ReadingsError):
        load_tested([path])


def test_strips_are_found_either_way_and_nowhere_on_a_picture() -> None:
    rng = np.random.default_rng(2)
    bands = np.repeat([1.0, 0.8, 0.6], 3)[None, :] + rng.normal(0, 0.01, (9, 9))
    bands[:, [0, 8]] = 0.1  # a rim
    bands[[0, 8]] = 0.1
    for grid in (bands, bands.T):
        assert strips_in(grid.tolist(), 3) == pytest.approx((1.0, 0.8, 0.6), abs=0.02)
    with pytest.raises(ValueError, match="strips"):
        strips_in(rng.uniform(0.2, 1.5, (9, 9)).tolist(), 3)
