"""How noisy, and how finely counted, a single site of a picture of transmittance is.

The noise model speaks of counts; a reading speaks of transmittance. Between them lie the bare light
at the place, the exposure, a scan's curve, a bracket's weights and the glare that was taken off.

``sites_to_read`` joins both for a plate as it was seen, and says where a scan clips.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from platebench.core.image import CaptureKind, PlateImage, SensorFrame
from platebench.measure.checks.noise import noise_from_plate
from platebench.measure.scan_noise import ScanNoise, scan_noise, steps_at
from platebench.plate.job import PlateJob
from platebench.plate.light import Light, exposure_ratio
from platebench.plate.look import PlateView
from platebench.plate.noise_model import NoiseModel
from platebench.read.capture import read_capture

Floats = NDArray[np.float32]

GREY = 9  # kind, as of channels, of their mean

_BLOCK = 8  # pixels: neighbours further apart than this are taken to be independent
_BLOCKS = 8  # along a region in which blocks are compared
_REGIONS_ALONG = 24
_QUIETEST, _QUIET = 0.25, 1.6  # quantile, and times it: picture adds most of all to large blocks
_LEAST_REGIONS = 8
_SAMPLED = 200  # rows
_EIGHT_BITS = 256  # values


@dataclass(frozen=True, slots=True)
class Kinship:
    """By how much the variance of a mean exceeds that of pixels whose noise is independent.

    Along each axis, the variance of the mean of n neighbours is ``reach / n - end / n^2`` of what
    their second differences show, once n exceeds the distance at which they are alike. 1 and 0 on a
    mosaic; more where a picture was demosaiced, resampled or smoothed.
    """

    reach: float = 1.0
    end: float = 0.0

    def of(self, sites: int) -> float:
        """Return the factor for the mean over about a square of so many pixels."""
        return max(1.0, self.reach - self.end / math.sqrt(sites)) ** 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SiteNoise:
    """Noise and counting steps of single sites, in transmittance.

    Attributes
    ----------
    light : Light
        What the capture was divided by.
    shape : (int, int)
        Rows and columns of the capture.
    scale : float
        Exposure of the light over that of the capture.
    model : NoiseModel or None
        Noise of a site in counts (or in the units of ``curve``); None where none could be measured.
    full_scale : float
        Light of a site at clipping.
    curve : ndarray of float32, shape (n,), or None
        Light of each code that a scan can hold; None where counts are light.
    ratios : tuple of float
        Exposures that were merged, over the one that ``scale`` belongs to.
    glare, level : float
        What was taken off: share of the bare light, and the bare light's own transmittance.
    kinship : tuple of Kinship
        How alike the noise of neighbours is, for red, green, blue and their mean.
    grey_share : float
        Variance of the mean of red, green and blue over that of one of them.
    scan : tuple of ScanNoise
        Noise of a scan's channels (of one, if it is grey); empty where it cannot be told from the
        picture, and of raws.
    block_step : float or None
        Of a scan packed with loss, see `CaptureInfo`.
    """

    light: Light
    shape: tuple[int, int]
    scale: float
    model: NoiseModel | None
    full_scale: float
    curve: Floats | None = None
    ratios: tuple[float, ...] = (1.0,)
    glare: float = 0.0
    level: float = 1.0
    kinship: tuple[Kinship, Kinship, Kinship, Kinship] = (Kinship(),) * 4
    grey_share: float = 1.0
    scan: tuple[ScanNoise, ...] = ()
    block_step: float | None = None

    @property
    def upper_bound(self) -> str | None:
        """Say why errors of a scan's readings are upper bounds only; None where they are not."""
        if self.curve is None or self.scan:
            return None
        if self.block_step is not None:
            return "a JPEG has rounded whole blocks of pixels: stated errors are upper bounds"
        return (
            "the scanner's noise cannot be told from grain and picture here: "
            "stated errors are upper bounds"
        )

    def variance(self, kind: int, place: tuple[float, float], transmittance: float) -> float | None:
        """Return the variance of one site; None where no noise could be measured.

        Parameters
        ----------
        kind : int
            Kind of site, see `site_classes`; or channel, `GREY` for the mean of the three.
        place : (float, float)
            Row and column.
        transmittance : float
            Mean there.
        """
        if self.model is None:
            return None
        counts, unit = self._light(kind, place, transmittance)
        shares = [
            ratio**2 / float(self.model.variance(counts * ratio))
            for ratio in self.ratios
            if counts * ratio < self.full_scale or ratio == min(self.ratios)
        ]
        return unit**2 / sum(shares) * (self.grey_share if kind == GREY else 1.0)

    def step(self, kind: int, place: tuple[float, float], transmittance: float) -> float:
        """Return how far two codes lie apart there."""
        counts, unit = self._light(kind, place, transmittance)
        if self.curve is None:
            usable = [r for r in self.ratios if counts * r < self.full_scale]
            return unit / max(usable, default=min(self.ratios))
        return unit * float(steps_at(self.curve, np.array(counts)))

    def codes(
        self, kind: int, place: tuple[float, float], transmittance: NDArray[np.floating]
    ) -> NDArray[np.float64]:
        """Return transmittances of a scan in the codes they were counted in, and between them."""
        assert self.curve is not None
        dark, unit = self._light(kind, place, 0.0)
        counts = dark + np.asarray(transmittance, np.float64) / unit
        return np.asarray(np.interp(counts, self.curve, np.arange(len(self.curve))))

    def noise_in_codes(self, kind: int, place: tuple[float, float], transmittance: float) -> float:
        """Return the noise of a pixel of a scan before it was rounded, in codes."""
        channel = self.scan[min(1 if kind == GREY else kind, len(self.scan) - 1)]
        counts, unit = self._light(kind, place, transmittance)
        return channel.at(counts, self.step(kind, place, transmittance) / unit)

    def _light(
        self, kind: int, place: tuple[float, float], transmittance: float
    ) -> tuple[float, float]:
        """Return a site's light in counts, and the transmittance of one count."""
        fields = self.light.fields
        kind = 1 if kind == GREY else kind
        rows, columns = fields.shape[1:]
        row = min(max(int((place[0] + 0.5) / self.shape[0] * rows), 0), rows - 1)
        column = min(max(int((place[1] + 0.5) / self.shape[1] * columns), 0), columns - 1)
        per_count = self.scale / float(fields[kind, row, column])
        measured = (transmittance + self.glare * self.level) / (1 + self.glare)
        return max(measured, 0.0) / per_count, per_count * (1 + self.glare)


def noise_of_sites(
    image: PlateImage,
    frame: SensorFrame,
    light: Light,
    model: NoiseModel | None,
    *,
    ratios: tuple[float, ...] = (1.0,),
    glare: float = 0.0,
    level: float = 1.0,
) -> SiteNoise:
    """Return the noise of the sites of a picture.

    Parameters
    ----------
    image : PlateImage
        Transmittance, as it is to be read.
    frame : SensorFrame
        The capture it came from; of a bracket, the one the light is scaled to.
    light : Light
        What it was divided by.
    model, ratios, glare, level
        See `SiteNoise`.
    """
    separate = image.pixels.ndim == 2 and frame.info.kind is CaptureKind.RAW
    curve = _light_of_codes(frame) if frame.info.kind is CaptureKind.SCAN else None
    scan = () if curve is None else _scan_noise(frame, curve)
    return SiteNoise(
        light=light,
        shape=frame.shape,
        scale=exposure_ratio(light.info, frame.info),
        model=model,
        full_scale=frame.full_scale,
        curve=curve,
        ratios=ratios,
        glare=glare,
        level=level,
        kinship=(Kinship(),) * 4 if separate or scan else _kinship(image.pixels),
        grey_share=_grey_share(image.pixels) if image.pixels.ndim == 3 else 1.0,
        scan=scan,
        block_step=frame.info.block_step,
    )


def _light_of_codes(frame: SensorFrame) -> Floats:
    """Return the light of every code a scan can hold: 256 of them spread over 16 bits, or all."""
    sample = frame.counts[::5, ::3]
    if frame.curve is None:  # three curves, undone in the counts: of 8 bits, few values are left
        values = np.unique(sample[..., 1])
        return (values if len(values) <= _EIGHT_BITS else np.arange(65536)).astype(np.float32)
    return frame.curve[:: 1 if (sample % 257).any() else 257]


def _scan_noise(frame: SensorFrame, levels: Floats) -> tuple[ScanNoise, ...]:
    """Return the noise of every channel of a scan, or nothing where it is not known of them all."""
    if frame.info.block_step is not None:
        return ()
    counts = frame.counts
    planes = [counts[..., c] for c in range(3)] if counts.ndim == 3 else [counts]
    found = [scan_noise(plane, frame.white, levels, frame.curve) for plane in planes]
    known = tuple(noise for noise in found if noise is not None)
    return known if len(known) == len(planes) else ()


def _grey_share(pixels: Floats) -> float:
    """Return the noise of the mean of three channels over theirs, where neighbours differ least."""
    rows = np.linspace(0, pixels.shape[0] - 1, min(_SAMPLED, pixels.shape[0])).astype(int)
    bends = np.diff(pixels[rows].astype(np.float64), 2, axis=1)
    grey = np.square(bends.mean(axis=2)).ravel()
    alone = np.square(bends).mean(axis=2).ravel()
    even = alone <= np.quantile(alone, 0.5)
    return float(grey[even].sum() / max(alone[even].sum(), 1e-30)) or 1.0


def _kinship(pixels: Floats) -> tuple[Kinship, Kinship, Kinship, Kinship]:
    """Return how alike the noise of neighbours is, for each colour and for their mean."""
    planes = [pixels[..., c] for c in range(3)] if pixels.ndim == 3 else [pixels]
    side = _BLOCK * _BLOCKS
    rows, columns = (
        np.unique(np.linspace(0, max(n - side, 0), _REGIONS_ALONG).astype(int))
        for n in pixels.shape[:2]
    )
    regions = [
        [p[row : row + side, column : column + side].astype(np.float64) for p in planes]
        for row in rows
        for column in columns
    ]
    if min(pixels.shape[:2]) < side:
        return (Kinship(),) * 4
    if len(planes) == 1:
        return (_kinship_of([region[0] for region in regions]),) * 4
    red, green, blue = (_kinship_of([region[c] for region in regions]) for c in range(3))
    return red, green, blue, _kinship_of([np.mean(region, axis=0) for region in regions])


def _kinship_of(regions: list[NDArray[np.float64]]) -> Kinship:
    """Return the kinship in the quiet ones among regions, from blocks of two sizes."""
    alone = np.array([_bend(region) for region in regions])
    regions = [region for region, bend in zip(regions, alone, strict=True) if bend > 0]
    alone = alone[alone > 0]
    if len(regions) < _LEAST_REGIONS:
        return Kinship()
    by_size = [
        np.array([_bend(_blocks(region, size)) for region in regions]) * size**2
        for size in (_BLOCK // 2, _BLOCK)
    ]
    ratio = by_size[1] / alone
    quiet = ratio <= _QUIET * np.quantile(ratio, _QUIETEST)
    half, whole = (math.sqrt(values[quiet].sum() / alone[quiet].sum()) for values in by_size)
    return Kinship(reach=2 * whole - half, end=_BLOCK * (whole - half))


def _blocks(values: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Return the means of square blocks."""
    rows, columns = (n // size for n in values.shape)
    return np.asarray(values.reshape(rows, size, columns, size).mean(axis=(1, 3)))


def _bend(values: NDArray[np.float64]) -> float:
    """Return the mean square of second differences, down and across."""
    return float(
        np.mean(np.square(np.diff(values, 2, axis=0)))
        + np.mean(np.square(np.diff(values, 2, axis=1)))
    )


def sites_to_read(view: PlateView, job: PlateJob) -> tuple[PlateImage, SiteNoise]:
    """Return a plate's photosites, and how noisy single ones are.

    A scan's white is a tone like any other where a plate is looked for and printed; where it is
    read, it is light of which no more is known than that it was enough.

    A bracket's noise was measured when it was merged; a single capture is read once more, and the
    noise taken from its quietest parts.

    Raises
    ------
    CaptureError
        If the capture cannot be read any more.
    """
    plan = view.plan
    place = 0 if plan is None else plan.order[plan.reference]
    frame = read_capture(job.captures[place], job.scan)
    noise = noise_of_sites(
        view.image,
        frame,
        view.light,
        noise_from_plate(frame) if plan is None else plan.noise,
        ratios=(1.0,) if plan is None else plan.ratios,
        glare=view.glare.share / view.level if view.glare is not None and view.glare_off else 0.0,
        level=view.level,
    )
    if frame.info.kind is not CaptureKind.SCAN:
        return view.image, noise
    top = frame.counts.max(axis=2) if frame.counts.ndim == 3 else frame.counts
    return replace(view.image, valid=np.asarray(top < frame.white, bool)), noise


def notes_on_scan(view: PlateView, noise: SiteNoise) -> tuple[str, ...]:
    """Return what a person should know of every reading of a scan; nothing of a raw."""
    gamma = view.info.assumed_gamma
    assumed = f"no colour profile in the scan: gamma {gamma or 0:g} assumed ([scan] gamma)"
    notes = (None if gamma is None else assumed, view.light_note, noise.upper_bound)
    return tuple(note for note in notes if note is not None)
