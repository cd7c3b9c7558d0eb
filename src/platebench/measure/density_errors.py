"""How well a plate's densities are known: everything but the noise of the sites that are read.

One place holds the whole error, so that a spot reading, the review page and a plate's record say
the same of the same place, and so that "at least" means the same everywhere: what the density
exceeds by two standard errors of everything.

What is known only as a limit has an allowance, a figure of ours: see ``docs/measurement.md`` for
how often the errors then hold the truth, by a bench whose physics nothing here was fitted to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import CaptureKind
from platebench.plate.bare_light import bare_light_spread
from platebench.plate.calibration import Calibration
from platebench.plate.colours import one_channel
from platebench.plate.densities import MAX_DENSITY, PlateDensities
from platebench.plate.glare import Glare
from platebench.plate.light import Light, LightSource
from platebench.plate.look import PlateView

Doubles = NDArray[np.float64]

PLAIN = Calibration(callier=1.0, callier_sigma=0.0)
SURE = 2.0  # standard errors
LEAST_LIGHT = 1e-6  # a bound is no denser

# Allowances. Shares of the light, one standard error.
SMOOTHNESS = 0.003  # between blank and plate: fall-off of the lens, texture of the lamp
LAMP = 0.0125  # change of the lamp since the blank, where no bare light shows it
ESTIMATED = 0.01  # a surface drawn from the bare light around the plate, under the plate
LINEARITY = 0.005  # of a sensor's response, from black to the bare light
TYPICAL_GLARE = 0.007  # of the frame's mean light, where nothing shows how much there is
_MOST_LEFT_ON = 0.9  # of what comes through: a bound says more than an error of over 1 D
_DARKEST = 0.005  # quantile of the plate
_BELOW_MEAN = 2.58  # standard deviations, of that quantile in a normal distribution
_CELLS = 100  # along the picture's long side, in which its darkest place is looked for
_LN10 = math.log(10)


@dataclass(frozen=True, slots=True, kw_only=True)
class GlareError:
    """What is not known of the stray light of a capture, shares of the bare light.

    Attributes
    ----------
    sigma : float
        Standard error of what was taken off, either way; 0 where nothing was.
    terms : (float, float, float) or None
        The same by the light that comes through, where the model of the glare gives it:
        ``terms[0] - 2 T terms[1] + T^2 terms[2]``.
    model : Glare or None
        What gives it, by place.
    below : float
        By how much the darkest place lies below nothing: as much too much was taken off.
    left_on : float
        Root mean square of what may lie over the picture still. It only ever makes a place read
        too thin, so a lower bound of a density holds whatever it is.
    """

    sigma: float = 0.0
    left_on: float = 0.0
    terms: tuple[float, float, float] | None = None
    model: Glare | None = None
    below: float = 0.0

    def at(self, place: tuple[float, float] | None) -> GlareError:
        """Return the same for a place of the capture, shares of height and width."""
        if self.model is None:
            return self
        first, second, third = self.model.error_at(place)
        return replace(self, terms=(first + self.below**2, second, third))

    def taken_off(self, through: float) -> float:
        """Return the standard error of what was taken off, where so much comes through."""
        light = min(max(through, 0.0), 1.0)
        if self.terms is None:
            return self.sigma * (1 - light)
        first, second, third = self.terms
        return math.sqrt(max(first - 2 * light * second + light**2 * third, 0.0))

    def without(self, through: float) -> float:
        """Return what comes through without what may lie over it, a tenth of it at least."""
        return through - min(self.left_on * (1 - through), _MOST_LEFT_ON * through)


@dataclass(frozen=True, slots=True, kw_only=True)
class DensityErrors:
    """From light to density with an error, or to a bound.

    Light is a share of the bare light, as it was before the calibration and after glare was taken
    off; noise is the standard error of its mean.

    Attributes
    ----------
    calibration : Calibration
        What is left of it to apply; `PLAIN` where there is none.
    light : float
        Standard error of the bare light at a place, relative.
    linearity : float
        Allowance for the sensor's response, relative, from black to the bare light.
    glare : GlareError
    """

    calibration: Calibration = PLAIN
    light: float = 0.0
    linearity: float = 0.0
    glare: GlareError = GlareError()

    def at(self, place: tuple[float, float]) -> DensityErrors:
        """Return the errors at a place of the capture, shares of its height and width."""
        return replace(self, glare=self.glare.at(place))

    def told(self, light: float, noise: float) -> bool:
        """Say whether light is told from darkness: it exceeds two standard errors of its noise."""
        through, _ = self._off_darkness(light, noise)
        return through > 0 and through >= SURE * noise

    def bound(self, light: float, noise: float) -> float | None:
        """Return the density that light is no less than; None where the density itself is known.

        Given where light does not exceed two standard errors of everything, density or not.
        """
        through, off = self._off_darkness(light, noise)
        return self.at_least(light, noise) if through < SURE * off else None

    def density(self, light: float, noise: float) -> float | None:
        """Return the density of light (D); None where it is not told from darkness."""
        return float(self.calibration.diffuse_density(light)) if self.told(light, noise) else None

    def at_least(self, light: float, noise: float) -> float:
        """Return the density that is exceeded by two standard errors of everything."""
        seen = max(light, 0.0)
        share = math.hypot(self.light, self.linearity) * seen
        most = seen + SURE * math.sqrt(noise**2 + self.glare.taken_off(seen) ** 2 + share**2)
        density = float(self.calibration.diffuse_density(max(most, LEAST_LIGHT)))
        return density - SURE * float(self.calibration.density_sigma(density))

    def noise_sigma(self, density: float, noise: float) -> float:
        """Return the error (D) that noise of the light gives a density."""
        return float(self.calibration.gain(density)) * noise

    def light_sigma(self, density: float) -> float:
        """Return the error (D) by the bare light and the sensor's response."""
        bent = self.linearity * (1 - self._through(density))
        return math.hypot(self.light, bent) / _LN10 / self.calibration.callier

    def glare_sigma(self, density: float) -> float:
        """Return the error (D) by stray light.

        What is left on counts by the density without it: as much light is more density there.
        """
        through = self._through(density)
        off = self.noise_sigma(density, self.glare.taken_off(through))
        seen, without = (
            float(self.calibration.diffuse_density(light))
            for light in (through, self.glare.without(through))
        )
        return math.hypot(off, without - seen)

    def systematic_sigma(self, density: float) -> float:
        """Return everything but noise (D): bare light, stray light, calibration."""
        return math.sqrt(
            self.light_sigma(density) ** 2
            + self.glare_sigma(density) ** 2
            + float(self.calibration.density_sigma(density)) ** 2
        )

    @property
    def note(self) -> str:
        """Say what stated errors hold, with the figures."""
        share = math.hypot(self.light, self.linearity)
        light = f"the bare light to {share:.1%}" if share else "nothing of the scanner's own white"
        if self.glare.left_on:
            glare = (
                f"glare that does not show here, {self.glare.left_on:.2%} of the bare light: true "
                "densities may be higher, never lower for it"
            )
        else:
            known = self.glare.taken_off(0.0)
            glare = f"glare to {known:.2%} of the bare light"
        return f"stated errors hold noise, {light}, and {glare}"

    def _through(self, density: float) -> float:
        return float(min(10.0 ** (-self.calibration.callier * density), 1.0))

    def _off_darkness(self, light: float, noise: float) -> tuple[float, float]:
        """Return what came through, glare off, and the error of that."""
        return light, math.hypot(noise, self.glare.taken_off(light))


def errors_of_view(view: PlateView) -> DensityErrors:
    """Return how well densities of a plate are known."""
    return DensityErrors(
        calibration=PLAIN if view.calibration is None else view.calibration,
        light=_light_error(view),
        linearity=LINEARITY if view.info.kind is not CaptureKind.SCAN else 0.0,
        glare=_glare_error(view),
    )


def with_errors(densities: PlateDensities, view: PlateView) -> PlateDensities:
    """Return a plate's densities with their errors, and a bound where Dmax is lost in the dark."""
    errors, noise = errors_of_view(view), _noise_of_darkest(view)
    light = float(errors.calibration.measured_transmittance(densities.d_max))
    bound = errors.bound(light, noise)
    if bound is None and densities.d_max > MAX_DENSITY - 0.01:  # the scale ends there
        bound = errors.at_least(light, noise)
    sigma = errors.noise_sigma(densities.d_max, noise)
    densest = math.hypot(sigma, errors.systematic_sigma(densities.d_max))
    return replace(
        densities,
        base_fog_sigma=math.hypot(
            errors.systematic_sigma(densities.base_fog), densities.base_fog_spread or 0.0
        ),
        d_max_sigma=densest,
        density_range_sigma=math.hypot(densest, errors.systematic_sigma(densities.d_min)),
        d_max_at_least=None if bound is None else min(bound, densities.d_max),
    )


def sigma_of_end(view: PlateView, density: float) -> float:
    """Return the error (D) of a density that is printed for; noise as where it is darkest."""
    errors = errors_of_view(view)
    noise = errors.noise_sigma(density, _noise_of_darkest(view))
    return math.hypot(noise, errors.systematic_sigma(density))


def _noise_of_darkest(view: PlateView) -> float:
    """Return the noise of a pixel of the reduced picture where it is darkest; picture included."""
    grey = one_channel(view.small.pixels, by_green=view.by_green) / view.level
    if grey.shape[1] < 3:
        return 0.0
    bends = np.abs(np.diff(grey, 2, axis=1))
    dark = bends[grey[:, 1:-1] <= np.quantile(grey, 4 * _DARKEST)]
    return 1.4826 * float(np.median(dark)) / math.sqrt(6) if dark.size else 0.0


def _light_error(view: PlateView) -> float:
    """Return the standard error of the bare light at a place of the plate, relative.

    Of a scan without a blank nothing is known but the scanner's own white: its error is not in.
    """
    light: Light = view.light
    if light.source is LightSource.SCANNER:
        return 0.0
    uneven = 0.0 if light.after is None else light.after.sd_over_mean
    if light.source is LightSource.ESTIMATED:
        return math.hypot(ESTIMATED, uneven)
    seen = None if view.by_hand else bare_light_spread(view.small, view.found)
    drift = LAMP if seen is None else seen
    if view.drift is not None:  # what was taken off, at half way to the frame's edge
        drift = math.hypot(drift, view.drift.sigma / 4)
    return math.sqrt(light.noise_share**2 + uneven**2 + drift**2 + SMOOTHNESS**2)


def _glare_error(view: PlateView) -> GlareError:
    """Return what is not known of a capture's glare.

    Where nothing dark shows it there may be as much as lenses have, though no more than the darkest
    place shows. Where a mask may let light through and no card of the session tells, all that the
    darkest place shows may be glare. What is below nothing there was too much taken off.
    """
    darkest, mean = _darkness(view)
    glare = view.glare
    if glare is None:
        return GlareError(left_on=min(TYPICAL_GLARE * mean, max(darkest, 0.0)))
    if not view.glare_off:  # within its error, or kept on
        known = math.hypot(glare.share, glare.sigma)
        return GlareError(left_on=known if "card" in glare.sources else max(known, darkest))
    # Noise reaches below nothing, too.
    lowest = darkest + _BELOW_MEAN * _noise_of_darkest(view) / _cell_of(view.small.pixels.shape)
    return GlareError(model=glare, below=max(-lowest, 0.0)).at(None)


def _darkness(view: PlateView) -> tuple[float, float]:
    """Return the darkest and the mean light of the frame, by cells, as shares of the bare light."""
    grey = one_channel(view.small.pixels, by_green=view.by_green) / view.level
    share = 1 / _cell_of(grey.shape)
    cells = cv2.resize(grey, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    return float(np.quantile(cells, _DARKEST)), float(np.clip(cells, 0, 1).mean())


def _cell_of(shape: tuple[int, ...]) -> int:
    """Return how many pixels of the reduced picture a cell is long."""
    return max(1, round(max(shape) / _CELLS))
