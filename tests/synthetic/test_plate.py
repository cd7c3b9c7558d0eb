"""The emulsion's curve, against plate S2's published-method figures."""

import numpy as np
import pytest

from platebench.synthetic import EmulsionCurve

# Plate "S2": densities of a 21-step tablet (0.05 to 3.05 by 0.15) printed at log H 2.50, worked
# out independently to four figures from D = 0.10 + g [sp(5(x - xt))/5 - sp(4(x - xs))/4].
S2_STEPS = (
    1.8305, 1.7974, 1.7498, 1.6871, 1.6110, 1.5249, 1.4320, 1.3349, 1.2353, 1.1343, 1.0326,
    0.9305, 0.8284, 0.7265, 0.6253, 0.5258, 0.4297, 0.3401, 0.2616, 0.1993, 0.1558,
)  # fmt: skip


def test_tablet_on_plate_s2() -> None:
    log_exposure = 2.50 - (0.05 + 0.15 * np.arange(21))
    assert EmulsionCurve().density(log_exposure) == pytest.approx(S2_STEPS, abs=6e-5)


def test_iso_6_points() -> None:
    # ISO 6: point m is 0.10 over fog, and 1.30 further the density is 0.80 more.
    low, high = EmulsionCurve().density(np.array([-0.39794, -0.39794 + 1.30]))
    assert low == pytest.approx(0.10 + 0.10, abs=1e-5)
    assert high - low == pytest.approx(0.80, abs=1e-5)


def test_curve_rises_from_fog_to_its_limit() -> None:
    curve = EmulsionCurve(base_fog=0.2)
    density = curve.density(np.linspace(-6, 8, 200))
    assert (np.diff(density) >= 0).all()
    assert density[0] == pytest.approx(0.2, abs=1e-6)
    # Limit density of S2: 1.8820 with fog 0.10 (derived: fog + g (s - t)).
    assert density[-1] == pytest.approx(1.8820 + 0.10, abs=1e-4)
