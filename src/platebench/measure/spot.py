"""Spot readings: the density of small squares of a plate, with its standard error and colours.

Places are those of the straightened positive, so that what is pointed at in the picture is what is
read; the photosites themselves are read where they lie in the capture, before any resampling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import NoDensitiesError, SpotError
from platebench.core.formats import MM_PER_INCH
from platebench.core.image import PlateImage
from platebench.core.rounding import rounded
from platebench.measure.density_errors import DensityErrors, errors_of_view
from platebench.measure.patch import Mean, PatchReading, mapped, quad_around, read_patch
from platebench.measure.site_noise import SiteNoise, notes_on_scan, sites_to_read
from platebench.plate.framing import Framing, frame_plate
from platebench.plate.job import PlateJob
from platebench.plate.look import PlateView, look_at_plate
from platebench.plate.plate_format import unknown_size

Doubles = NDArray[np.float64]

USUAL_SIZE_MM = 2.0
USUAL_SIZE_SHARE = 0.02  # of the positive's long side, where millimetres are not known
_SLACK = 0.05  # pixels by which a square may miss the edge of what it is in
_CLIPPED = 0.02  # of a square: more that is lost makes what is left a selection


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A square to read.

    Attributes
    ----------
    x, y : float
        Its middle, from the left and from the top of the positive: millimetres from the plate's
        corner, or pixels (the first is 0).
    size : float
        Side, in the same unit.
    unit : {"mm", "px"}
    """

    x: float
    y: float
    size: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotReading:
    """What was read in one square.

    Attributes
    ----------
    x_px, y_px, size_px : float
        Middle and side on the positive, pixels.
    x_mm, y_mm, size_mm : float or None
        The same from the plate's top left corner; None where the plate's size is not known.
    density : float or None
        Diffuse density (as the camera sees it, without a calibration); None where nothing was
        told from darkness.
    sigma : float or None
        Its standard error: ``photon_sigma`` and ``calibration_sigma`` together, D.
    photon_sigma, calibration_sigma : float or None
        Noise of the photosites read; everything else: bare light, glare and calibration.
    light_sigma, glare_sigma : float or None
        What of ``calibration_sigma`` is by the bare light and the sensor's response, and by glare,
        taken off or left on; see :mod:`platebench.measure.density_errors`.
    red, green, blue : float or None
        Density by the camera's own channels.
    red_sigma, green_sigma, blue_sigma : float or None
        Their error, D: photon noise, and detail that falls on other sites than theirs.
    printing : float or None
        Density to a blue-sensitive printing process: that of the blue channel; None where the
        square holds no site of one of the colours.
    spread : float or None
        Standard deviation of density within the square: picture, grain, dust; with the noise of
        the sites where the square is too small for tiles. None for a single site.
    sites : int
        Photosites read.
    left_out : float
        Share of the square that was not counted: clipped, and of a step dust and scratches.
    at_least : float or None
        Where the light does not exceed two standard errors of everything: the density that is
        exceeded by as much. ``density`` is None where it does not even exceed those of noise.
    reason : {"clipped", "too dense", "partly clipped", "uncertain"} or None
        Why there is no density; that it is one of what did not clip, which is the denser part; or
        that ``at_least`` is all that is sure.
    """

    x_px: float
    y_px: float
    size_px: float
    x_mm: float | None
    y_mm: float | None
    size_mm: float | None
    density: float | None
    sigma: float | None
    photon_sigma: float | None
    calibration_sigma: float | None
    light_sigma: float | None
    glare_sigma: float | None
    red: float | None
    green: float | None
    blue: float | None
    red_sigma: float | None
    green_sigma: float | None
    blue_sigma: float | None
    printing: float | None
    spread: float | None
    sites: int
    left_out: float
    at_least: float | None
    reason: str | None

    def to_json(self) -> dict[str, Any]:
        """Return plain values, rounded to what means something."""
        digits = {"x_px": 1, "y_px": 1, "size_px": 1, "x_mm": 2, "y_mm": 2, "size_mm": 2}
        return {
            key: rounded(value, digits.get(key, 4)) if isinstance(value, float) else value
            for key, value in asdict(self).items()
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Probe:
    """A plate ready to be read anywhere."""

    view: PlateView
    image: PlateImage
    framing: Framing
    noise: SiteNoise
    errors: DensityErrors
    calibrated: bool
    positive_cut: bool = False

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the positive."""
        return self.framing.plan.shape

    @property
    def mm_per_px(self) -> float | None:
        """Size of a pixel of the positive."""
        return None if self.framing.ppi is None else MM_PER_INCH / self.framing.ppi

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know about every reading."""
        notes = [*self.view.doubts]
        if not self.calibrated:
            off = self.view.glare_off
            glare = "" if off else "glare makes dense places read thinner, and "
            notes.append(
                f"not calibrated with a step tablet: {glare}the camera reads silver somewhat "
                "denser than a densitometer (Callier effect)"
            )
        if self.view.stain is not None and self.view.stain.found:
            notes.append("the plate is stained: density is that of green")
        notes.append(self.errors.note)
        notes += notes_on_scan(self.view, self.noise)
        if self.framing.whole:
            notes.append("the plate was not cut out: places are those of the whole capture")
        elif self.positive_cut:
            notes.append("places count from the plate's corner; its positive is cut to the picture")
        return tuple(notes)


def open_probe(job: PlateJob) -> Probe:
    """Look at a plate and make ready to read it.

    Raises
    ------
    PlateError
        As :func:`platebench.plate.look.look_at_plate`.
    """
    # Photosites, even of a plate that is converted demosaiced: its pixels share their noise.
    coloured = job.settings.colour != "mosaic"
    job = replace(job, settings=replace(job.settings, colour="mosaic"))
    view = look_at_plate(job, neutralise=False)  # stain is to be seen
    if view.info.shows_positive:
        raise NoDensitiesError.of_positive(view.info.path)
    view = replace(view, by_green=view.by_green or coloured)
    image, noise = sites_to_read(view, job)
    return Probe(
        view=view,
        image=image,
        framing=frame_plate(view, job),
        noise=noise,
        errors=errors_of_view(view),
        calibrated=view.calibration is not None,
        positive_cut=job.settings.crop_positives and job.settings.picture != "off",
    )


def read_spots(probe: Probe, spots: Sequence[Spot]) -> list[SpotReading]:
    """Read squares of a plate; of those that are clipped, the reading says so.

    Raises
    ------
    SpotError
        If a square lies off the plate, is in millimetres where the plate's size is not known, or
        if there is nothing to read in any of them.
    """
    readings = [read_spot(probe, spot) for spot in spots]
    if readings and not any(reading.sites for reading in readings):
        first = spots[0]
        raise SpotError(
            probe.view.info.path,
            f"holds nothing to read at {first.x:g},{first.y:g} {first.unit}",
            "choose a place that is not clipped",
        )
    return readings


def grid_spots(probe: Probe, rows: int, columns: int, size: float | None, unit: str) -> list[Spot]:
    """Return squares in the middle of each field of a grid over the plate, row after row."""
    if size is None:
        size, unit = usual_size(probe)
    scale = _scale(probe, unit)
    height, width = (n * scale for n in probe.shape)
    origin = 0.0 if unit == "mm" else -0.5
    return [
        Spot(
            x=(column + 0.5) / columns * width + origin,
            y=(row + 0.5) / rows * height + origin,
            size=size,
            unit=unit,
        )
        for row in range(rows)
        for column in range(columns)
    ]


def usual_size(probe: Probe) -> tuple[float, str]:
    """Return the side of a square where none was asked for, and its unit."""
    if probe.mm_per_px is not None:
        return USUAL_SIZE_MM, "mm"
    return max(8.0, round(USUAL_SIZE_SHARE * max(probe.shape))), "px"


def _scale(probe: Probe, unit: str) -> float:
    """Return the size of a pixel of the positive in a unit."""
    if unit == "px":
        return 1.0
    if probe.mm_per_px is None:
        cause, way_out = unknown_size(probe.framing.format_name)
        raise SpotError(
            probe.view.info.path,
            f"has no size in millimetres: {cause}",
            f"give places in pixels of the positive, or {way_out}",
            "at",
        )
    return probe.mm_per_px


def read_spot(probe: Probe, spot: Spot) -> SpotReading:
    """Read one square; see :func:`read_spots`."""
    scale = _scale(probe, spot.unit)
    # Millimetres run from the plate's corner, which is half a pixel before the first centre.
    offset = -0.5 if spot.unit == "mm" else 0.0
    x, y, side = spot.x / scale + offset, spot.y / scale + offset, spot.size / scale
    quad = _square(probe, spot, scale, (y, x), side)
    image = probe.image
    patch = read_patch(image, quad, robust=False, noise=probe.noise)
    if patch is None and read_patch(replace(image, valid=None), quad, robust=False) is None:
        raise SpotError(
            probe.view.info.path,
            f"has no photosite in a square of {spot.size:g} {spot.unit} at {spot.x:g},{spot.y:g}",
            "choose a larger one",
            "size",
        )
    return reading_of(probe, patch, x, y, side)


def _square(
    probe: Probe, spot: Spot, scale: float, middle: tuple[float, float], side: float
) -> Doubles:
    """Return the corners of a square in the capture; refuse one that leaves the plate."""
    rows, columns = probe.shape
    within = f"{columns * scale:.4g} x {rows * scale:.4g} {spot.unit}"
    half = side / 2 - _SLACK
    if not all(-0.5 <= at <= n - 0.5 for at, n in zip(middle, (rows, columns), strict=True)):
        raise SpotError(
            probe.view.info.path,
            f"has no place {spot.x:g},{spot.y:g} {spot.unit} on the plate",
            f"stay within {within}",
        )
    quad = quad_around(np.array(middle), side, side)
    there = mapped(quad, probe.framing.plan.source)
    seen = np.array(probe.image.shape) - 0.5 + _SLACK
    fits = all(
        at - half >= -0.5 and at + half <= n - 0.5
        for at, n in zip(middle, (rows, columns), strict=True)
    )
    if not fits or (there < -0.5 - _SLACK).any() or (there > seen).any():
        raise SpotError(
            probe.view.info.path,
            f"does not show all of a square of {spot.size:g} {spot.unit} at {spot.x:g},{spot.y:g}",
            f"choose a smaller one, or a place further inside its {within}",
            "size",
        )
    return there


def reading_of(
    probe: Probe, patch: PatchReading | None, x: float, y: float, side: float
) -> SpotReading:
    """Return the densities of an area around a place of the positive, pixels."""
    if patch is None:
        nothing = Mean(transmittance=0.0, sigma=float("inf"), sites=0)
        patch = PatchReading(all=nothing, colours={}, spread=None, left_out=1.0)
    mean = _main(probe, patch)
    errors = probe.errors.at(_share_of_frame(probe, x, y))
    density, photon = _density(probe, mean)
    systematic = None if density is None else errors.systematic_sigma(density)
    bound = errors.bound(*_light(probe, mean)) if mean.sites else None
    colours = {
        name: _colour_density(probe, patch, name) if len(patch.colours) == 3 else (None, None)
        for name in ("red", "green", "blue")
    }
    blue = colours["blue"][0]
    mm = probe.mm_per_px
    return SpotReading(
        x_px=x,
        y_px=y,
        size_px=side,
        x_mm=None if mm is None else (x + 0.5) * mm,
        y_mm=None if mm is None else (y + 0.5) * mm,
        size_mm=None if mm is None else side * mm,
        density=density,
        sigma=None if systematic is None or photon is None else float(np.hypot(photon, systematic)),
        photon_sigma=photon,
        calibration_sigma=systematic,
        light_sigma=None if density is None else errors.light_sigma(density),
        glare_sigma=None if density is None else errors.glare_sigma(density),
        **{name: value[0] for name, value in colours.items()},
        **{f"{name}_sigma": value[1] for name, value in colours.items()},
        printing=blue if _has_colours(probe) else density,
        spread=patch.spread,
        sites=mean.sites,
        left_out=patch.left_out,
        at_least=bound,
        reason=_reason(patch, density, bound),
    )


def _share_of_frame(probe: Probe, x: float, y: float) -> tuple[float, float]:
    """Return where a place of the positive lies in the capture, shares of its height and width."""
    [[row, column]] = mapped(np.array([[y, x]], np.float64), probe.framing.plan.source)
    rows, columns = probe.image.shape
    return float((row + 0.5) / rows), float((column + 0.5) / columns)


def _reason(patch: PatchReading, density: float | None, bound: float | None) -> str | None:
    """Say why there is no density, or what is wrong with it."""
    if not patch.all.sites:
        return "clipped"
    if density is None:
        return "too dense"
    if patch.clipped > _CLIPPED:
        return "partly clipped"
    return None if bound is None else "uncertain"


def _has_colours(probe: Probe) -> bool:
    image = probe.image
    return image.pixels.ndim == 3 or image.pattern.size > 1


def _main(probe: Probe, patch: PatchReading) -> Mean:
    """Return the mean that density is taken from: all sites, or the green ones of colours."""
    return patch.colours.get("green", patch.all) if probe.view.by_green else patch.all


def _density(probe: Probe, mean: Mean) -> tuple[float | None, float | None]:
    """Return density and its photon noise; None for both where nothing is told from darkness."""
    light, noise = _light(probe, mean)
    density = probe.errors.density(light, noise)
    return density, None if density is None else probe.errors.noise_sigma(density, noise)


def _light(probe: Probe, mean: Mean) -> tuple[float, float]:
    """Return a mean as a share of the bare light, and its noise."""
    return mean.transmittance / probe.view.level, mean.sigma / probe.view.level


def _colour_density(
    probe: Probe, patch: PatchReading, name: str
) -> tuple[float | None, float | None]:
    """Return one colour's density and its error: noise, and detail the other colours' sites saw.

    Each colour has its own photosites, so that fine detail falls differently on each: the scatter
    of density over the patch, by the root of the sites, says by how much.
    """
    mean = patch.colours[name]
    density, photon = _density(probe, mean)
    if density is None or photon is None:
        return density, photon
    spread = patch.spread or 0.0
    return density, float(np.hypot(photon, spread / np.sqrt(max(1, mean.sites))))
