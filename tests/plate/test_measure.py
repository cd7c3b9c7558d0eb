"""Base plus fog, Dmax and range of plates whose densities are written down here."""

from __future__ import annotations

import numpy as np
import pytest

from platebench.plate.densities import (
    code_from_transmittance,
    density_from_transmittance,
    measure_densities,
    picture_border,
    reduced,
    transmittance_of_codes,
)

SHAPE = (400, 560)


def _plate(*, rebate: float | None = 0.12, thin: float = 0.30, dense: float = 1.80) -> np.ndarray:
    """Density: a picture from thin to dense, a rebate of 3 % of the side around it."""
    density = np.empty(SHAPE)
    density[:] = np.interp(np.linspace(0, 1, SHAPE[1]), [0.15, 0.85], [thin, dense])
    if rebate is not None:
        wide = 18
        density[:wide], density[-wide:] = rebate, rebate
        density[:, :wide], density[:, -wide:] = rebate, rebate
    return density


def _measured(density: np.ndarray, **options: bool):  # type: ignore[no-untyped-def]
    return measure_densities((10.0**-density).astype(np.float32), **options)


# D = log10(1/T), exact by definition; log10(2) = 0.30103 to five figures.
@pytest.mark.parametrize(
    ("transmittance", "density"), [(1.0, 0.0), (0.5, 0.30103), (0.1, 1.0), (0.01, 2.0), (0.0, 4.5)]
)
def test_density_of_known_transmittance(transmittance: float, density: float) -> None:
    got = density_from_transmittance(np.array([transmittance], np.float32))
    assert got[0] == pytest.approx(density, abs=5e-6)


def test_codes_hold_density_to_half_a_step() -> None:
    # Derived: D = -2 log10(code) + const, so one code is 2 log10(e) / code; half of it is lost.
    density = np.linspace(-0.15, 3.5, 5000)
    codes = code_from_transmittance((10.0**-density).astype(np.float32)[None, :])[0]
    back = -np.log10(transmittance_of_codes()[codes])
    assert np.all(np.abs(back - density) <= 0.51 * 2 * np.log10(np.e) / codes)
    # check-values, section 9 (a): round trip better than 0.005 D up to D 3.
    assert np.abs(back - density)[density <= 3].max() < 0.005


def test_codes_end_where_light_does() -> None:
    ends = np.array([[-0.01, 0.0, 1.6, 9.0]], np.float32)
    assert code_from_transmittance(ends).tolist() == [[0, 0, 65535, 65535]]


def test_rebate_gives_base_plus_fog_and_not_the_range() -> None:
    plate = _measured(_plate())
    assert plate.base_fog_from == "rebate"
    assert plate.base_fog == pytest.approx(0.12, abs=0.005)
    assert plate.d_min == pytest.approx(0.30, abs=0.02)
    assert plate.d_max == pytest.approx(1.80, abs=0.02)
    assert plate.density_range == pytest.approx(1.50, abs=0.03)


def test_without_rebate_the_thinnest_tone_stands_in() -> None:
    plate = _measured(_plate(rebate=None))
    assert plate.base_fog_from == "picture"
    assert plate.base_fog == pytest.approx(0.30, abs=0.02)


def _with_rebates(*sides: str, at: float = 0.12, wide: int = 18) -> np.ndarray:
    density = _plate(rebate=None)
    places = {
        "top": np.s_[:wide],
        "bottom": np.s_[-wide:],
        "left": np.s_[:, :wide],
        "right": np.s_[:, -wide:],
    }
    for side in sides:
        density[places[side]] = at
    return density


@pytest.mark.parametrize("sides", [("top",), ("left",), ("right",), ("top", "bottom")])
def test_any_side_with_a_rebate_tells_base_plus_fog(sides: tuple[str, ...]) -> None:
    plate = _measured(_with_rebates(*sides))
    assert plate.base_fog_from == "rebate"
    assert plate.base_fog == pytest.approx(0.12, abs=0.005)
    assert plate.base_fog_spread is not None


def test_a_rebate_that_light_has_struck_is_not_base_plus_fog() -> None:
    # Denser towards the rim, and thinner than the picture all the same.
    rim = np.minimum.outer(np.arange(SHAPE[0]), np.arange(SHAPE[1])[::-1])
    density = _with_rebates("top", "right", "bottom", "left")
    struck = density + 0.3 * np.exp(-np.minimum(rim, rim[::-1, ::-1]) / 20)
    plate = _measured(struck)
    assert plate.base_fog_from == "picture"
    assert plate.base_fog_spread is None


def test_two_rebates_that_differ_leave_it_open_whether_light_struck_both() -> None:
    density = _with_rebates("top", at=0.29)
    density[-18:] = 0.20  # and this one, perhaps, over a fog of 0.15
    plate = _measured(density)
    assert plate.base_fog_from == "rebate" and plate.base_fog_spread is not None
    assert 0.20 - 2 * plate.base_fog_spread < 0.15


def test_uneven_fog_is_within_its_spread() -> None:
    across = np.linspace(-0.03, 0.03, SHAPE[1])[None, :]
    for sides in (("top",), ("left",), ("left", "right"), ("top", "right", "bottom", "left")):
        plate = _measured(_with_rebates(*sides) + across)
        assert plate.base_fog_from == "rebate"
        assert plate.base_fog_spread is not None
        assert abs(plate.base_fog - 0.12) <= 2 * plate.base_fog_spread


def test_a_thin_picture_at_the_edge_is_no_rebate() -> None:
    # A dark foreground that fades into the picture: even along the side, without a lip's step.
    density = _plate(rebate=None)
    density[-90:] = np.minimum(density[-90:], np.linspace(1.0, 0.2, 90)[:, None])
    assert _measured(density).base_fog_from == "picture"


def test_bare_glass_is_not_base_plus_fog() -> None:
    # Two air-glass surfaces of n = 1.52 pass (1 - 0.0426)^2 = 0.917: D 0.038 (Fresnel).
    plate = _measured(_plate(rebate=0.038))
    assert plate.base_fog == pytest.approx(0.30, abs=0.02)


def test_flaws_do_not_set_the_figures() -> None:
    rng = np.random.default_rng(3)
    density = _plate()
    clean = _measured(density)
    for row, column in rng.integers((30, 30), (370, 530), (60, 2)):
        density[row : row + 2, column : column + 2] = 3.5  # dust on the glass
    for row, column in rng.integers((30, 30), (370, 530), (60, 2)):
        density[row, column] = 0.02  # pinholes
    density[120, 40:500] = 0.03  # a scratch down to the glass
    density[:40, :52] = 0.04  # a corner broken off
    density[300:330, 20:50] = 0.04  # emulsion flaked off
    flawed = _measured(density)
    for name in ("base_fog", "d_min", "d_max", "density_range"):
        assert getattr(flawed, name) == pytest.approx(getattr(clean, name), abs=0.03), name


def test_clipped_sites_do_not_count() -> None:
    density = _plate()
    valid = np.ones(SHAPE, bool)
    density[100:200, 100:200] = 0.07
    valid[100:200, 100:200] = False
    transmittance = (10.0**-density).astype(np.float32)
    assert measure_densities(transmittance, valid).d_min == pytest.approx(0.30, abs=0.02)
    assert measure_densities(transmittance).d_min < 0.15


def test_histogram_counts_the_picture() -> None:
    plate = _measured(_plate(rebate=None))
    counts = np.array(plate.histogram)
    edges = np.round(np.arange(-0.2, 4.5, 0.01), 2)
    assert len(counts) == len(edges)
    occupied = edges[counts > 0]
    assert occupied.min() == pytest.approx(0.30, abs=0.02)
    assert occupied.max() == pytest.approx(1.80, abs=0.02)


def test_blue_range_grows_with_the_stain() -> None:
    transmittance = (10.0 ** -_plate()).astype(np.float32)
    plate = measure_densities(transmittance, blue_share=0.1)
    assert plate.blue_range == pytest.approx(1.1 * plate.density_range)
    assert measure_densities(transmittance).blue_range is None


def test_reduction_keeps_the_mean() -> None:
    picture = np.add.outer(np.arange(900.0), np.arange(1300.0) * 2).astype(np.float32)
    small = reduced(picture, 325)
    assert small.shape == (225, 325)
    assert small.mean() == pytest.approx(picture.mean(), rel=1e-6)


def _border(density: np.ndarray):  # type: ignore[no-untyped-def]
    return picture_border((10.0**-density).astype(np.float32))


def test_the_picture_begins_where_the_rebate_ends_on_each_side() -> None:
    density = _plate(rebate=None)
    for side, wide in zip(range(4), (12, 18, 24, 15), strict=True):  # a view of each side on top
        np.rot90(density, side)[:wide] = 0.12
    found = [ends and np.mean(ends) for ends in _border(density)]
    assert found == pytest.approx([12, 18, 24, 15], abs=0.6)


def test_a_picture_that_leans_has_a_border_that_leans() -> None:
    density = _plate(rebate=None)
    rows, columns = np.indices(SHAPE)
    density[rows < 14 + 8 * (columns / SHAPE[1])] = 0.12
    top = _border(density)[0]
    assert top == pytest.approx((14, 22), abs=1.0)


def test_a_side_that_shows_neither_rebate_nor_picture_has_no_border() -> None:
    density = _plate()
    density[:, :90] = np.linspace(0.12, 0.3, 90)  # the picture begins as thin as its rebate
    density[-60:] = np.linspace(0.7, 0.2, 60)[::-1, np.newaxis]  # light has struck, and no end
    top, right, bottom, left = _border(density)
    assert top is not None and right is not None
    assert bottom is None and left is None


def test_a_picture_that_runs_on_to_the_glass_ends_at_its_rim() -> None:
    density = _with_rebates("top", "right")
    density[-120:] += 0.6  # a sky
    top, _right, bottom, _left = _border(density)
    assert top is not None and np.mean(top) > 15
    assert bottom == pytest.approx((1.6, 1.6))  # 0.4 % of the short side


def test_without_any_rebate_no_border_is_guessed() -> None:
    assert _border(_plate(rebate=None)) == [None] * 4
