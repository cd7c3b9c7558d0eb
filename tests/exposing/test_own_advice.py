"""A pair of plates keeps its distance, whatever times a shutter is marked with."""

from __future__ import annotations

import math

import numpy as np
import pytest

from platebench.exposing.exposure import exposure_of_time
from platebench.exposing.own_advice import pair_about
from platebench.exposing.reciprocity import Schwarzschild


@pytest.mark.parametrize("p", [1.0, 0.87])
def test_a_pair_stays_two_stops_apart(p: float) -> None:
    law = Schwarzschild(p=p)
    for metered_s in np.geomspace(0.004, 100, 400):
        wanted = exposure_of_time(16.0, float(metered_s), law)
        less, more = pair_about(wanted, law)
        for one in (less, more):
            assert one.camera.off_stops == pytest.approx(
                math.log2(one.camera.seconds / one.given_s), abs=1e-9
            )
        assert abs(more.camera.off_stops - less.camera.off_stops) < 0.45
        assert abs(more.camera.off_stops + less.camera.off_stops) / 2 < 0.7
