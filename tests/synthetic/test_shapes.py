"""Coverage of photosites by edges, against counting points."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from platebench.synthetic.shapes import half_plane_coverage

STEPS = 400


@given(st.floats(0, 2 * np.pi), st.floats(-0.9, 0.9))
def test_half_plane_coverage_counts_points(angle: float, distance: float) -> None:
    normal = (float(np.sin(angle)), float(np.cos(angle)))
    at = (np.arange(STEPS) + 0.5) / STEPS - 0.5
    inside = at[:, None] * normal[0] + at[None, :] * normal[1] + distance > 0
    # Points along one edge may fall either way: at most two rows' worth.
    covered = half_plane_coverage(np.array([distance]), normal)[0]
    assert abs(covered - inside.mean()) < 2 / STEPS


def test_half_plane_coverage_is_antisymmetric() -> None:
    distance = np.linspace(-0.8, 0.8, 33)
    normal = (0.6, -0.8)
    both = half_plane_coverage(distance, normal) + half_plane_coverage(-distance, normal)
    assert np.allclose(both, 1, atol=1e-12)
