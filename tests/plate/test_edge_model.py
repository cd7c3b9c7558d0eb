"""Fitting a plate's edge: an edge made by another road, and the derivatives the fit goes by."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from platebench.plate.finding import edge_model
from platebench.plate.finding.edge_model import EdgeFit, blurred_glass, fit_edges, strip_of_light
from platebench.plate.finding.mean_profile import BIN_PX, MeanProfile

X = np.arange(-28, 49) * BIN_PX


def seen_through(d, blur, density, line):
    """Return the light at a place, by numerical integration of the rim's ramp over the blur."""

    def passed(at):
        return 10 ** (-density * max(1 - at / line, 0)) * norm.pdf((d - at) / blur) / blur

    return quad(passed, 0, line, epsabs=1e-10)[0] + norm.cdf((d - line) / blur)


def edge(*, shift, brighter, strip=None, blur=1.1, density=0.7, line=1.6):
    """Return a profile without noise: rebate of 0.6, and after a strip the picture of 0.25."""
    tone = 0.6 * np.array([seen_through(x - shift, blur, density, line) for x in X])
    if strip is not None:
        tone -= 0.35 * norm.cdf((X - shift - strip) / blur)
    level = 0.001 if brighter else 1.0
    around = level * norm.cdf(-(X - shift) / blur)
    rises = tone if brighter else level - around - tone
    even = 0 if strip is not None or not brighter else len(X)
    return MeanProfile(X, rises, rises, np.full(len(X), 1e-4), level, 1e-4, even)


@pytest.mark.parametrize("place", [-1.5, 0.0, 0.7, 3.0])
def test_blurred_rim_is_the_integral(place):
    expected = seen_through(place, 1.1, 0.7, 1.6)
    assert blurred_glass(np.array([place]), 1.1, 0.7, 1.6) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("brighter", [True, False])
def test_edges_are_where_they_were_put(brighter):
    shifts = (-0.4, 0.3, 0.0, 1.1)
    profiles = [
        edge(shift=s, strip=w, brighter=brighter)
        for s, w in zip(shifts, (None, 5.0, None, 4.0), strict=True)
    ]
    fit = fit_edges(profiles, brighter=brighter)
    assert fit.shifts_px == pytest.approx(shifts, abs=0.15)


@pytest.mark.parametrize("brighter", [True, False])
@pytest.mark.parametrize("line", [True, False])
def test_slopes_are_those_of_each_parameter_alone(brighter, line):
    """Against central differences (error of third order in the step), one parameter at a time."""
    profiles = [
        edge(shift=s, strip=w, brighter=brighter) for s, w in ((0.3, None), (-0.2, 5.0), (0, 3.0))
    ]
    story = edge_model._Story(profiles, brighter=brighter, line=line)
    p = story.start(*(0.8, 0.5, 2.0)[: story.rims]) + 0.03
    slopes = story.slopes(p)
    step = 1e-5
    for k, unit in enumerate(np.eye(len(p))):
        ahead, behind = story.residuals(p + step * unit), story.residuals(p - step * unit)
        expected = (ahead - behind) / (2 * step)
        assert slopes[:, k] == pytest.approx(expected, abs=1e-4 * (1 + np.abs(expected).max()))


def test_where_only_the_blur_tells_a_gap_from_a_rebate_the_glass_is_sought_behind_it():
    """A gap of light of 2.6 pixels against a black card, then the glass with a dark rim."""
    gap, blur = 2.6, 1.0
    tone = norm.cdf(X / blur) - norm.cdf((X - gap) / blur)
    tone += 0.6 * np.array([seen_through(x - gap, blur, 1.2, 3.0) for x in X])
    profile = MeanProfile(X, tone, tone, np.full(len(X), 1e-4), 0.0, 1e-4, 0)
    none = np.zeros(4)
    sharp = EdgeFit(none - 1.4, 0.55, 1.0, 1.2, 2.2, bare=False, strip_ends_px=none)
    verdict, inner = strip_of_light([profile] * 4, sharp)
    assert verdict == "unclear"  # with the sharper blur the strip is too dark for bare light
    assert inner == pytest.approx([gap] * 4, abs=0.5)
