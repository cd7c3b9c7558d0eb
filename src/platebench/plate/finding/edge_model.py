"""Where the glass ends, from the mean profile across a whole side.

Many stations together show the foot of the edge far below what one shows. A model is fitted to it:
surround, then at the edge a dark line that fades inwards (light bent away by the glass's rim; its
density falls evenly to nothing), then the rebate; all blurred by a Gaussian. Half way up such an
edge is up to the line's width too far in against black, and the blur's width too far out against
light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import erf, log_ndtr, ndtr

from platebench.plate.finding.mean_profile import BIN_PX, MeanProfile

AVERAGED = 1 / 6  # variance of a mean over one pixel, twice
EVERY = 2  # bins: after the mean over a pixel, every second one tells as much
# Lens, photosite, unevenness of the cut and the mean over one pixel twice, together.
USUAL_BLUR_PX = 1.0
DEEPEST = 0.003  # of the step: below this the foot is not trusted (glare, level, a lens's wings)
ROUGHNESS = 0.02  # relative error granted to the model, so that the foot counts as the top does
DEEPEST_LIGHT, ROUGHNESS_LIGHT = 0.005, 0.08  # the same against light
WELL_TOLD = 1.0  # times the expected misfit: no side is trusted further

LINE_STARTS = ((0.8, 0.7, 2.5), (0.7, 1.2, 1.2))  # blur, density and width
# How far a line at the rim is believed, by the share of the misfit that it leaves. A narrow line
# and a wider blur can look alike; then the middle between the two stories is least wrong.
BELIEF = ((0.65, 0.87), (1.0, 0.0))
WORTH_A_LINE = 0.64  # the same against light, where the two stories hardly differ
BARE_STRIP = 0.955  # of the light: more than any glass lets through (0.92: two surfaces, n = 1.52)
WIDE = 2.5  # times the blur: a strip narrower than this does not tell its level
LEVEL_TOLD = 6.0  # times the blur: a strip wider than this shows its level, whatever the blur
STEP = 1e-7  # of a parameter, for slopes: pixels, or a share of blur, density or width

Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class EdgeFit:
    """What the mean profiles say together.

    Attributes
    ----------
    shifts_px : ndarray of float64, shape (sides,)
        From where each edge was taken to be to where it is, inwards positive.
    blur_px : float
        Standard deviation of the blur, without the mean over a pixel.
    other_blur_px : float
        The same by the story that was believed less: with a line for without, or the reverse.
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
    other_blur_px: float
    line_density: float
    line_px: float
    bare: bool
    strip_ends_px: Doubles


def fit_edges(profiles: list[MeanProfile], *, brighter: bool) -> EdgeFit:
    """Fit the model to the mean profiles of a plate's sides, one blur and one line for all.

    Parameters
    ----------
    brighter : bool
        The glass is brighter than the surround.
    """
    plain = _Story(profiles, brighter=brighter, line=False)
    story = _Story(profiles, brighter=brighter, line=True)
    clean, clean_cost = _fitted(plain, plain.start(0.9))
    lined, lined_cost = min(
        (_fitted(story, story.start(*start)) for start in LINE_STARTS), key=lambda f: f[1]
    )
    if brighter:
        # A side that neither story tells well (a picture that begins at the edge) says less.
        trust = np.maximum(np.minimum(plain.misfits(clean), story.misfits(lined)), WELL_TOLD)
        plain.doubt_sides(trust)
        story.doubt_sides(trust)
        clean, clean_cost = _fitted(plain, clean)
        lined, lined_cost = _fitted(story, lined)
    left = (lined_cost + 1) / (clean_cost + 1)  # misfits below 1 tell nothing apart
    belief = float(np.interp(left, *BELIEF)) if brighter else float(left < WORTH_A_LINE)
    told, best = (story, lined) if belief > 0.5 else (plain, clean)
    blur, density, line = told.rim(best)
    bare, ends = _bare_strip(profiles) if brighter else (False, np.zeros(len(profiles)))
    return EdgeFit(
        shifts_px=belief * story.shifts(lined) + (1 - belief) * plain.shifts(clean),
        blur_px=_of_the_lens(blur),
        other_blur_px=_of_the_lens(story.rim(lined)[0] if told is plain else plain.rim(clean)[0]),
        line_density=density,
        line_px=line,
        bare=bare,
        strip_ends_px=ends,
    )


def _of_the_lens(blur: float) -> float:
    return float(np.sqrt(max(blur**2 - AVERAGED, 0.1)))


def _bare_strip(profiles: list[MeanProfile]) -> tuple[bool, Doubles]:
    """Tell whether the sides begin with bare light without a line, and where that ends.

    Level and width of a strip vary against each other, their product is sure; and the level of
    bare light is 1.
    """
    count = len(profiles)
    if np.median([p.rises.max() + p.level for p in profiles]) < 0.6:
        return False, np.zeros(count)  # what is narrower says nothing of its level
    sharp = [replace(p, rises=p.sharp) for p in profiles]
    story = _Story(sharp, brighter=True, line=False, whole=True)
    p, _ = _fitted(story, story.start(0.9))
    strip, after = story.levels(p)
    widths = story.strips(p)
    ends = story.shifts(p) + widths * strip
    blur, _, _ = story.rim(p)
    level = float(np.median(strip))
    bare = level > BARE_STRIP and strip.min() > 0.9 and np.median(widths) > WIDE * blur
    followed = bool(np.all(after < 0.93 * strip))  # else one broad step: nothing says where it ends
    return bool(bare) and followed, ends


def _fitted(story: _Story, start: Doubles) -> tuple[Doubles, float]:
    """Return the best parameters of a story, and half the sum of its squared misfits."""
    fit = least_squares(
        story.residuals, start, story.slopes, method="lm", xtol=1e-3, ftol=1e-4, max_nfev=60
    )
    return np.asarray(fit.x, np.float64), float(fit.cost)


class _Story:
    """The model and the profiles, ready for a least-squares fit.

    Parameters of the fit: log blur, and of the line, if there is one, log density and log width; a
    shift for each side; and for each side that does not stay even the log width of its rebate, at
    the end of which the picture (or, after a strip of bare light, the glass) begins. Of a side
    that does stay even, only what lies before the end of that is looked at.
    """

    def __init__(
        self, profiles: Sequence[MeanProfile], *, brighter: bool, line: bool, whole: bool = False
    ) -> None:
        self.count, self.brighter, self.line = len(profiles), brighter, line
        self.rims = 3 if line else 1
        lengths = [p.even if p.even and not whole else len(p.rises) for p in profiles]
        kept = [slice(0, n, EVERY) for n in lengths]
        self.uneven = np.array([whole or p.even == 0 for p in profiles])
        self.x = np.concatenate([p.distances[k] for p, k in zip(profiles, kept, strict=True)])
        self.rise = np.concatenate([p.rises[k] for p, k in zip(profiles, kept, strict=True)])
        sizes = np.array([-(-n // EVERY) for n in lengths])
        self.of = np.repeat(np.arange(self.count), sizes)
        self.firsts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
        self.level = np.array([p.level for p in profiles])[self.of]
        tops = np.array([float(p.rises.max()) for p in profiles])
        noise = np.array([p.noise for p in profiles])
        if brighter and not whole:
            error = np.concatenate([p.errors[k] for p, k in zip(profiles, kept, strict=True)])
            floor = np.hypot(error, DEEPEST * tops[self.of])
            self.size = np.hypot(floor, ROUGHNESS * np.abs(self.rise))
        else:
            # A dense side says least of blur and line: whatever light creeps round it counts much.
            doubt = np.clip(tops.max() / np.maximum(tops, 1e-6), 1, 5)
            floor = np.maximum(noise, DEEPEST_LIGHT * tops)[self.of]
            self.size = doubt[self.of] * np.hypot(floor, ROUGHNESS_LIGHT * np.abs(self.rise))
        strips = np.full(np.count_nonzero(self.uneven), np.log(4.0))
        rim = (USUAL_BLUR_PX, 0.6, 1.8)[: self.rims]
        self.usual = np.concatenate([np.log(rim), np.zeros(self.count), strips])
        loose = (0.3, 0.8, 0.9)[: self.rims]
        self.spread = np.concatenate([loose, np.full(self.count, 3.0), np.full(len(strips), 1.0)])

    def start(self, *rim: float) -> Doubles:
        """Return where a fit begins: with a blur, and a line's density and width."""
        p = self.usual.copy()
        p[: self.rims] = np.log(rim)
        return p

    def rim(self, p: Doubles) -> Doubles:
        """Return blur, and density and width of the line, shape (..., 3)."""
        rim = np.exp(np.clip(p[..., : self.rims], -3, 3))
        return rim if self.line else np.concatenate([rim, 0 * rim, 0 * rim + 1], axis=-1)

    def shifts(self, p: Doubles) -> Doubles:
        """Return where the edges are."""
        return p[..., self.rims : self.rims + self.count]

    def strips(self, p: Doubles) -> Doubles:
        """Return how wide each side's rebate is, infinite where it stays even."""
        widths = np.full((*p.shape[:-1], self.count), np.inf)
        widths[..., self.uneven] = np.exp(np.minimum(p[..., self.rims + self.count :], 4.0))
        return widths

    def residuals(self, p: Doubles) -> Doubles:
        """Return misfits over their expected size, then departures from what is usual."""
        return np.concatenate([self._misfit(p), (p - self.usual) / self.spread])

    def slopes(self, p: Doubles) -> Doubles:
        """Return the derivatives of the residuals, shape (residuals, parameters).

        Differences, all from one call: a side's misfit hangs on its own shift and strip alone, so
        those of all sides take their steps together.
        """
        sides = slice(self.rims, self.rims + self.count)
        groups = [*range(self.rims), sides, slice(sides.stop, len(p))]
        steps = np.tile(p, (len(groups) + 1, 1))
        for step, group in zip(steps, groups, strict=False):
            step[group] += STEP
        misfits = self._misfit(steps)
        changes = (misfits[:-1] - misfits[-1]) / STEP
        told = np.zeros((misfits.shape[1], len(p)))
        told[:, : self.rims] = changes[: self.rims].T
        points = np.arange(len(told))
        told[points, self.rims + self.of] = changes[self.rims]
        strip = sides.stop + np.cumsum(self.uneven) - 1
        points = points[self.uneven[self.of]]
        told[points, strip[self.of[points]]] = changes[-1, points]
        return np.concatenate([told, np.diag(1 / self.spread)])

    def misfits(self, p: Doubles) -> Doubles:
        """Return the root mean square misfit of each side over its expected size."""
        square = self._sums(np.square(self._misfit(p)))
        means: Doubles = np.sqrt(square / np.bincount(self.of, minlength=self.count))
        return means

    def doubt_sides(self, by: Doubles) -> None:
        """Expect larger misfits on some sides, smaller on others."""
        self.size = self.size * by[self.of]

    def levels(self, p: Doubles) -> tuple[Doubles, Doubles]:
        """Return each side's transmittance first inside the edge, and after that."""
        return self._levels(*self._parts(p))

    def _misfit(self, p: Doubles) -> Doubles:
        light, rebate, picture = self._parts(p)
        first, second = self._levels(light, rebate, picture)
        seen = first[..., self.of] * rebate + second[..., self.of] * picture
        off: Doubles = (seen - light) / self.size
        return off

    def _parts(self, p: Doubles) -> tuple[Doubles, Doubles, Doubles]:
        """Return the light seen, and the shares of it that rebate and picture let through."""
        blur, density, line = np.moveaxis(self.rim(p), -1, 0)[..., None]
        d = self.x - self.shifts(p)[..., self.of]
        glass = blurred_glass(d, blur, density, line) if self.line else ndtr(d / blur)
        beyond = ndtr((d - self.strips(p)[..., self.of]) / blur)
        # Rises are positive where it gets darker, if the surround is light. What a black one shows
        # is mostly stray light, which lies over the glass as well.
        light = self.rise if self.brighter else self.level * ndtr(d / blur) - self.rise
        return light, glass - beyond, beyond

    def _levels(
        self, target: Doubles, rebate: Doubles, picture: Doubles
    ) -> tuple[Doubles, Doubles]:
        """Return the levels of rebate and picture, by linear least squares."""
        weight = 1 / np.square(self.size)

        def dot(one: Doubles, other: Doubles) -> Doubles:
            return self._sums(weight * one * other)

        aa, bb, ab = dot(rebate, rebate) + 1e-9, dot(picture, picture) + 1e-9, dot(rebate, picture)
        at, bt = dot(rebate, target), dot(picture, target)
        whole = np.maximum(aa * bb - ab * ab, 1e-12)
        first = np.clip((bb * at - ab * bt) / whole, 0, 1.5)
        second = np.clip((aa * bt - ab * at) / whole, 0, 1.5)
        return np.asarray(first), np.asarray(second)

    def _sums(self, values: Doubles) -> Doubles:
        """Return the sum over each side's points."""
        sums: Doubles = np.add.reduceat(values, self.firsts, axis=-1)
        return sums


def blurred_glass(
    d: Doubles, blur: float | Doubles, density: float | Doubles, line: float | Doubles
) -> Doubles:
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
    verdict, inner = _verdict(profiles, fit, fit.blur_px, light)
    other, _ = _verdict(profiles, fit, fit.other_blur_px, light)
    if verdict == "none" and other == "gap":
        return "unclear", inner  # it hangs on the blur alone; so sharp a lens is the odder story
    if verdict == "none" and other == "unclear":
        return "unclear", fit.shifts_px  # a doubt only: a rebate is as likely
    return verdict, inner


def _verdict(
    profiles: Sequence[MeanProfile], fit: EdgeFit, blur: float, light: float
) -> tuple[Literal["none", "gap", "unclear"], Doubles]:
    """Return what `strip_of_light` does, for one blur."""
    inner = np.array(fit.shifts_px, np.float64)
    votes = {"none": 0, "gap": 0, "unclear": 0}
    for k, profile in enumerate(profiles):
        x, tone = profile.distances, profile.sharp + profile.level
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
        if width > LEVEL_TOLD * blur:  # clear of both ends the strip shows its own level
            clear = (x > x[rising] + WIDE * blur) & (x < inner[k] - WIDE * blur)
            level = float(np.median(tone[clear])) / light
            votes["gap" if level > BARE_STRIP else "none"] += 1
            continue
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
