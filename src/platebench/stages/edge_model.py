"""Where the glass ends, from the mean profile across a whole side.

Many stations together show the foot of the edge far below what one shows. A model is fitted to it:
surround, then at the edge a dark line that fades inwards (light bent away by the glass's rim; its
density falls evenly to nothing), then the rebate; all blurred by a Gaussian. Half way up such an
edge is up to the line's width too far in against black, and the blur's width too far out against
light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import erf, log_ndtr, ndtr

BIN_PX = 0.25
USUAL_BLUR_PX = 0.9  # lens, photosite and unevenness of the cut together
DEEPEST = 0.005  # of the step: below this the foot is not trusted (glare, level, a lens's wings)
ROUGHNESS = 0.08  # relative error granted to the model, so that the foot counts as the top does

# Gauss-Legendre points and weights for the mean over -0.5 .. 0.5.
APERTURE = ((-0.2886751, 0.5), (0.2886751, 0.5))
NO_LINE = 0.01  # density of a rim that is no line
LINE_STARTS = ((0.7, 1.0, 2.5), (0.6, 1.2, 1.2))  # blur, density and width
# How far a line at the rim is believed, by the share of the misfit that it leaves. A narrow line
# and a wider blur can look alike; then the middle between the two stories is least wrong.
BELIEF = ((0.6, 0.8, 1.03, 1.15), (1.0, 0.6, 0.5, 0.0))
WORTH_A_LINE = 0.64  # the same against light, where the two stories hardly differ
BARE_STRIP = 0.955  # of the light: more than any glass lets through (0.92: two surfaces, n = 1.52)
WIDE = 2.5  # times the blur: a strip narrower than this does not tell its level

Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class MeanProfile:
    """The mean profile across one side.

    Attributes
    ----------
    distances : ndarray of float64, shape (bins,)
        Inside the presumed edge, pixels, in rising order.
    rises : ndarray of float64, shape (bins,)
        Departure from the surround's level, positive inside.
    level : float
        Transmittance of the surround.
    noise : float
        Standard deviation of ``rises``.
    """

    distances: Doubles
    rises: Doubles
    level: float
    noise: float


@dataclass(frozen=True, slots=True, eq=False)
class EdgeFit:
    """What the mean profiles say together.

    Attributes
    ----------
    shifts_px : ndarray of float64, shape (sides,)
        From where each edge was taken to be to where it is, inwards positive.
    blur_px : float
        Standard deviation of the blur.
    line_density, line_px : float
        The dark line at the rim.
    bare : bool
        Against black: whether all sides begin with a strip that is brighter than any glass once
        the blur is taken off.
    strip_ends_px : ndarray of float64, shape (sides,)
        Where such a strip ends, counted as ``shifts_px``.
    """

    shifts_px: Doubles
    blur_px: float
    line_density: float
    line_px: float
    bare: bool
    strip_ends_px: Doubles


def average_profiles(
    distances: Doubles, rises: Doubles, *, level: float, noise: float, brighter: bool
) -> MeanProfile:
    """Average many profiles in narrow bins of distance from the edge.

    Parameters
    ----------
    distances, rises : ndarray of float64, shape (k,)
        Distance inside the presumed edge, pixels, and departure from the surround's level.
    level, noise : float
        Of the surround; the noise is that of the mean profile.
    brighter : bool
        The glass is brighter than the surround.
    """
    bins = np.floor(distances / BIN_PX).astype(int)
    bins -= bins.min()
    count = np.bincount(bins)
    full = count >= max(3, 0.2 * np.median(count[count > 0]))
    x = np.bincount(bins, distances)[full] / count[full]
    y = np.bincount(bins, rises)[full] / count[full]
    keep = _first_flank(y, brighter=brighter)
    return MeanProfile(x[keep], y[keep], level, noise)


def fit_edges(profiles: list[MeanProfile], *, brighter: bool) -> EdgeFit:
    """Fit the model to the mean profiles of a plate's sides, one blur and one line for all.

    Parameters
    ----------
    brighter : bool
        The glass is brighter than the surround.
    """
    plain = _Story(profiles, brighter=brighter, line=False)
    clean, clean_cost = _fitted(plain, (0.8, NO_LINE, 1.0))
    story = _Story(profiles, brighter=brighter, line=True)
    lined, lined_cost = min((_fitted(story, start) for start in LINE_STARTS), key=lambda f: f[1])
    left = lined_cost / max(clean_cost, 1e-9)
    belief = float(np.interp(left, *BELIEF)) if brighter else float(left < WORTH_A_LINE)
    blur, density, line = np.exp(np.clip((lined if belief > 0.5 else clean)[:3], -4, 4)).tolist()
    sides = slice(3, 3 + len(profiles))
    bare, ends = _bare_strip(plain, clean)
    return EdgeFit(
        shifts_px=belief * lined[sides] + (1 - belief) * clean[sides],
        blur_px=blur,
        line_density=density,
        line_px=line,
        bare=brighter and bare,
        strip_ends_px=ends,
    )


def _bare_strip(story: _Story, p: Doubles) -> tuple[bool, Doubles]:
    """Tell whether a fit without a line begins with bare light on all sides, and where that ends.

    Level and width of a strip vary against each other, their product is sure; and the level of
    bare light is 1.
    """
    count = story.count
    strip, after = story.levels(p)
    level = float(np.median(strip))
    widths = np.exp(np.minimum(p[3 + count :], 4.0))
    ends = p[3 : 3 + count] + widths * strip
    blur = float(np.exp(np.clip(p[0], -4, 4)))
    bare = level > BARE_STRIP and strip.min() > 0.9 and np.median(widths) > WIDE * blur
    followed = bool(np.all(after < 0.93 * strip))  # else one broad step: nothing says where it ends
    return bool(bare) and followed, ends


def _fitted(story: _Story, start: tuple[float, float, float]) -> tuple[Doubles, float]:
    """Return the best parameters of a story, and half the sum of its squared misfits."""
    fit = least_squares(
        story.residuals, story.start(*start), method="lm", xtol=1e-3, ftol=1e-4, max_nfev=300
    )
    return np.asarray(fit.x, np.float64), float(fit.cost)


class _Story:
    """The model and the profiles, ready for a least-squares fit.

    Parameters of the fit: log blur, log density and log width of the rim's line; a shift for each
    side; the log width of each side's rebate, at the end of which the picture (or, after a strip of
    bare light, the glass) begins.
    """

    def __init__(self, profiles: Sequence[MeanProfile], *, brighter: bool, line: bool) -> None:
        self.count, self.brighter = len(profiles), brighter
        self.x = np.concatenate([p.distances for p in profiles])
        self.rise = np.concatenate([p.rises for p in profiles])
        lengths = [len(p.rises) for p in profiles]
        self.of = np.repeat(np.arange(self.count), lengths)
        self.level = np.array([p.level for p in profiles])[self.of]
        tops = np.array([float(p.rises.max()) for p in profiles])
        # A dense side says least of blur and line: whatever light creeps round it counts much.
        doubt = np.clip(tops.max() / np.maximum(tops, 1e-6), 1, 5)
        noise = np.maximum([p.noise for p in profiles], DEEPEST * tops)
        self.size = doubt[self.of] * np.hypot(noise[self.of], ROUGHNESS * np.abs(self.rise))
        strips = [np.log(4.0)] * self.count
        rim = (USUAL_BLUR_PX, 0.5 if line else NO_LINE, 1.5)
        self.usual = np.concatenate([np.log(rim), np.zeros(self.count), strips])
        loose = (0.25, 0.8 if line else 0.01, 0.8)
        self.spread = np.concatenate([loose, np.full(self.count, 3.0), np.full(len(strips), 1.0)])

    def start(self, blur: float, density: float, line: float) -> Doubles:
        """Return where a fit begins."""
        p = self.usual.copy()
        p[:3] = np.log([blur, density, line])
        return p

    def residuals(self, p: Doubles) -> Doubles:
        """Return misfits over their expected size, then departures from what is usual."""
        light, rebate, picture = self._parts(p)
        first, second = self._levels(light, rebate, picture)
        off = first[self.of] * rebate + second[self.of] * picture - light
        return np.concatenate([off / self.size, (p - self.usual) / self.spread])

    def levels(self, p: Doubles) -> tuple[Doubles, Doubles]:
        """Return each side's transmittance first inside the edge, and after that."""
        return self._levels(*self._parts(p))

    def _parts(self, p: Doubles) -> tuple[Doubles, Doubles, Doubles]:
        """Return the light seen, and the shares of it that rebate and picture let through."""
        blur, density, line = np.exp(np.clip(p[:3], -4, 4))
        d = self.x - p[3 : 3 + self.count][self.of]
        strip = np.exp(np.minimum(p[3 + self.count :], 4.0))[self.of]
        rim = (float(blur), float(density), float(line))
        glass, covered, beyond = np.zeros((3, len(d)))
        for at, weight in APERTURE:  # a photosite sees the mean over its width
            glass += weight * blurred_glass(d + at, *rim)
            covered += weight * self.level * ndtr((d + at) / blur)  # surround hidden by the glass
            beyond += weight * ndtr((d + at - strip) / blur)
        # Rises are positive where it gets darker, if the surround is light. What a black one shows
        # is mostly stray light, which lies over the glass as well.
        light = self.rise if self.brighter else covered - self.rise
        return light, glass - beyond, beyond

    def _levels(
        self, target: Doubles, rebate: Doubles, picture: Doubles
    ) -> tuple[Doubles, Doubles]:
        """Return the levels of rebate and picture, by linear least squares."""
        weight = 1 / np.square(self.size)

        def dot(one: Doubles, other: Doubles) -> Doubles:
            return np.asarray(np.bincount(self.of, weight * one * other, self.count), np.float64)

        aa, bb, ab = dot(rebate, rebate) + 1e-9, dot(picture, picture) + 1e-9, dot(rebate, picture)
        at, bt = dot(rebate, target), dot(picture, target)
        whole = np.maximum(aa * bb - ab * ab, 1e-12)
        first = np.clip((bb * at - ab * bt) / whole, 0, 1.5)
        second = np.clip((aa * bt - ab * at) / whole, 0, 1.5)
        return np.asarray(first), np.asarray(second)


def blurred_glass(d: Doubles, blur: float, density: float, line: float) -> Doubles:
    """Return a glass of transmittance 1 with a dark line at its rim, blurred.

    Inside the rim the transmittance is ``10 ** (-density * (1 - d / line))`` up to ``line``, then
    1. With k = density ln 10 / line, the blurred ramp is
    ``10 ** -density exp(k d + k^2 s^2 / 2) [Phi((line - d) / s - k s) - Phi(-d / s - k s)]``
    (complete the square), s being the blur.

    Examples
    --------
    >>> blurred_glass(np.array([-9.0, 0.0, 9.0]), 1.0, 0.0, 1.0).round(6).tolist()
    [0.0, 0.5, 1.0]
    """
    k = density * np.log(10) / line
    upper, lower = (line - d) / blur - k * blur, -d / blur - k * blur
    grow = k * d + 0.5 * np.square(k * blur) - density * np.log(10)
    ramp = np.exp(grow + log_ndtr(upper)) - np.exp(grow + log_ndtr(lower))
    return np.asarray(np.maximum(ramp, 0) + ndtr((d - line) / blur))


def strip_of_light(
    profiles: Sequence[MeanProfile], fit: EdgeFit, *, light: float = 1.0
) -> tuple[Literal["none", "gap", "unclear"], Doubles]:
    """Tell whether the first thing inside a black surround is bare light, and where it ends.

    A strip of light g wide, blurred, peaks at erf(g / (2 sqrt 2 blur)); glass in its place would
    stay below 0.93 of that (two surfaces take 8 %, Fresnel at n = 1.52).

    Returns
    -------
    verdict : {"none", "gap", "unclear"}
    inner : ndarray of float64, shape (sides,)
        Where the strip ends and the glass begins, on the profiles' distances.
    """
    if fit.bare:
        return "gap", fit.strip_ends_px
    blur = fit.blur_px
    inner = np.array(fit.shifts_px, np.float64)
    votes = {"none": 0, "gap": 0, "unclear": 0}
    for k, profile in enumerate(profiles):
        x, tone = profile.distances, profile.rises + profile.level
        top = int(np.argmax(tone))
        after = tone[top:]
        peak, low = float(tone[top]), _first_floor(after)
        if low > 0.93 * peak:  # nothing follows: one broad step
            votes["unclear" if peak > 0.96 * light else "none"] += 1
            continue
        crossing = top + int(np.argmax(after < (peak + low) / 2))
        share = ((peak + low) / 2 - tone[crossing - 1]) / (tone[crossing] - tone[crossing - 1])
        inner[k] = x[crossing - 1] + share * (x[crossing] - x[crossing - 1])
        rising = int(np.argmax(tone[: top + 1] > peak / 2))
        width = float(inner[k] - x[rising]) + 0.5 * BIN_PX
        ratio = peak / (light * float(erf(width / (2 * np.sqrt(2) * blur))))
        if (width < 4 * blur and 0.7 < ratio < 0.93) or (width < 2.5 * blur and ratio > 0.6):
            votes["unclear"] += 1
        else:
            votes["gap" if ratio >= 0.93 else "none"] += 1
    if 0 < votes["gap"] < len(profiles):
        return "unclear", inner
    most = max(votes, key=lambda name: votes[name])
    return most, inner  # type: ignore[return-value]


def _first_floor(falling: Doubles) -> float:
    """Return where a falling profile first flattens or turns up again."""
    smooth = np.convolve(np.pad(falling, 1, mode="edge"), np.full(3, 1 / 3), "valid")
    steps = -np.diff(smooth)
    steepest = 0.0
    for k, step in enumerate(steps):
        if steepest > 0.02 * smooth[0] and step < 0.25 * steepest:
            return float(smooth[k])
        steepest = max(steepest, float(step))
    return float(smooth.min())


def _first_flank(rise: Doubles, *, brighter: bool) -> NDArray[np.bool_]:
    """Keep the profile up to where the picture may begin.

    Against light: past the first top, to the next rise. Against black the fall from a rebate or a
    strip of light into the picture belongs to the story, so only a rise after a fall ends it.
    """
    smooth = np.convolve(np.pad(rise, 2, mode="edge"), np.full(5, 1 / 5), "valid")
    start = int(np.argmax(smooth > (0.5 if brighter else 0.1) * float(smooth.max())))
    steps = np.diff(smooth)
    if brighter:
        highest = np.maximum.accumulate(smooth)
        fallen = (smooth < 0.95 * highest) & (np.arange(len(smooth)) > start)
        if not fallen.any():
            return np.ones(len(rise), bool)
        first = int(np.argmax(fallen))
        lowest = np.minimum.accumulate(smooth[first:])
        risen = smooth[first:] > lowest + 0.05 * highest[first]
        return np.arange(len(rise)) <= (first + int(np.argmax(risen)) if risen.any() else len(rise))
    steepest, falling = 0.0, False
    for k in range(start, len(steps)):
        if falling and steps[k] > 0.02 * steepest:
            return np.arange(len(rise)) <= k
        if steps[k] < -0.02 * steepest:
            falling = True
        elif not falling and steps[k] < 0.12 * steepest:
            return np.arange(len(rise)) <= k + 1
        steepest = max(steepest, steps[k])
    return np.ones(len(rise), bool)
