"""Light box and glare, against published and derived figures."""

import numpy as np
import pytest

from platebench.synthetic import LightBox
from platebench.synthetic.light_box import light_field, with_glare

SHAPE = (61, 90)

# T_meas = (T + g) / (1 + g), veiling glare as a constant share of the scene's light
# (McCann & Rizzi, J. Soc. Inf. Display 2007). Measured density for true 1.0 1.5 2.0 2.5 3.0,
# worked out from that formula to three figures beforehand.
GLARE_TABLE = {
    0.0025: (0.990, 1.468, 1.904, 2.248, 2.457),
    0.005: (0.981, 1.438, 1.826, 2.090, 2.224),
    0.01: (0.963, 1.385, 1.703, 1.885, 1.963),
    0.02: (0.929, 1.296, 1.531, 1.644, 1.686),
}


@pytest.mark.parametrize("glare", GLARE_TABLE)
def test_glare_table(glare: float) -> None:
    true = np.float32(10) ** -np.float32([1.0, 1.5, 2.0, 2.5, 3.0])
    measured = -np.log10(with_glare(true, glare))
    assert measured == pytest.approx(GLARE_TABLE[glare], abs=6e-4)


def test_bare_light_is_unchanged_by_glare() -> None:
    assert with_glare(np.ones(3, np.float32), 0.02) == pytest.approx(1)


def test_vignette_is_the_loss_in_the_corner() -> None:
    field = light_field(LightBox(uneven=0, vignette=0.36), SHAPE, slice(None))
    corners = field[[0, 0, -1, -1], [0, -1, 0, -1]]
    assert corners == pytest.approx(1 - 0.36, abs=1e-6)
    assert field[30].max() == pytest.approx(1, abs=1e-3)
    # cosine-fourth law: light 1/(1 + k r^2)^2; half way to the corner r^2 = 1/4, and k = 1/4.
    assert field[45, 67] == pytest.approx((1 + 0.25 / 4) ** -2, abs=0.003)


def test_uneven_light_stays_in_its_range_and_varies() -> None:
    for seed in range(20):
        field = light_field(LightBox(uneven=0.3, vignette=0, light_seed=seed), SHAPE, slice(None))
        assert field.min() >= 0.7 - 1e-6
        assert field.max() <= 1 + 1e-6
        assert np.ptp(field) > 0.01


def test_bands_are_rows_of_the_whole() -> None:
    box = LightBox(uneven=0.2, vignette=0.3, light_seed=4)
    whole = light_field(box, SHAPE, slice(None))
    assert np.array_equal(light_field(box, SHAPE, slice(17, 40)), whole[17:40])


def test_all_off_is_flat() -> None:
    field = light_field(LightBox(uneven=0, vignette=0), SHAPE, slice(None))
    assert np.array_equal(field, np.ones(SHAPE, np.float32))
