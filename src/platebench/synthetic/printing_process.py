"""A printer and a contact-printing process with known truth, from film file to scan of the print.

Printer: halftone dots that spread on the film and scatter light between them. Process: an S curve
of density against log exposure with a toe and a shoulder of its own. Print: uneven coating, drift
of exposure and depth from print to print, paper texture, specks. Scan: turned, askew, noisy, coded.

References
----------
Dots: Murray, J. Franklin Inst. 221:721 (1936) with the exponent of Yule and Nielsen, TAGA Proc.
3:65 (1951), both from memory. S curve: softplus trapezoid, as the reference plate of the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from platebench.core.formats import MM_PER_INCH
from platebench.synthetic.streams import effect_streams

FULL_CODE = 65535
Plane = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PrinterModel:
    """What the film holds back, in the process's own light.

    Attributes
    ----------
    full_density : float
        Density of full ink above the clear film, D.
    spread : float
        How much dots grow: coverage is ``ink + 4 * spread * ink * (1 - ink)``.
    scatter : float
        Yule-Nielsen exponent; 1 is none.
    """

    full_density: float = 2.3
    spread: float = 0.12
    scatter: float = 1.6

    def film_density(self, ink: ArrayLike) -> Plane:
        """Return density above the clear film.

        Examples
        --------
        >>> PrinterModel(spread=0, scatter=1, full_density=2).film_density([0, 1]).tolist()
        [-0.0, 2.0]
        """
        ink = np.clip(np.asarray(ink, np.float64), 0, 1)
        cover = ink + 4 * self.spread * ink * (1 - ink)
        dark = 10 ** (-self.full_density / self.scatter)
        return np.asarray(-self.scatter * np.log10(1 - cover + cover * dark))


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourPrinter:
    """A printer of four inks that is asked for red, green and blue; what its film holds back.

    Each ink is laid in dots of its own, independent of the others' (Demichel; from memory), so
    that densities add.

    Attributes
    ----------
    inks : tuple of 4 float
        Density of full cyan, magenta, yellow and black ink in the process's light.
    black_share : float
        How much of the grey in a colour is printed in black ink.
    black_from : float
        Grey from which black ink is used.
    replaced : float
        How much of the colours the black ink replaces.
    spread, scatter : float
        Of the dots, as in ``PrinterModel``.
    """

    inks: tuple[float, float, float, float] = (0.5, 0.6, 1.8, 1.6)
    black_share: float = 1.0
    black_from: float = 0.3
    replaced: float = 0.6
    spread: float = 0.12
    scatter: float = 1.6

    def separated(self, ink: ArrayLike) -> Plane:
        """Return the coverage of the four inks asked for, shape (..., 4), as the driver has it."""
        asked = np.clip(np.asarray(ink, np.float64), 0, 1)
        if asked.shape[-1:] != (3,):
            asked = np.repeat(asked[..., None], 3, axis=-1)
        grey = asked.min(-1, keepdims=True)
        black = self.black_share * np.clip((grey - self.black_from) / (1 - self.black_from), 0, 1)
        return np.concatenate((asked - self.replaced * black, black), axis=-1)

    def ink_laid(self, ink: ArrayLike) -> Plane:
        """Return how much ink is laid, in full areas of one of them."""
        return np.asarray(self.separated(ink).sum(-1))

    def film_density(self, ink: ArrayLike) -> Plane:
        """Return density above the clear film; ``ink`` is one minus red, green, blue, or grey.

        Examples
        --------
        >>> printer = ColourPrinter(inks=(0.5, 0.6, 1.8, 1.6), spread=0, scatter=1)
        >>> printer.film_density([0.0, 0.0, 1.0]).round(3).tolist()
        1.8
        """
        laid = self.separated(ink)
        return sum(
            (
                PrinterModel(
                    full_density=full, spread=self.spread, scatter=self.scatter
                ).film_density(laid[..., place])
                for place, full in enumerate(self.inks)
            ),
            start=np.zeros(laid.shape[:-1]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintingProcess:
    """A sensitised paper and its processing.

    Attributes
    ----------
    d_max : float
        Reflection density it would reach in the end, above paper white.
    scale : float
        Log exposure from foot to head of the straight line.
    toe, shoulder : float
        Sharpness of the two bends, per log unit; small is long and soft.
    exposure : float
        Log exposure through clear film, from the foot of the straight line.
    printer : PrinterModel or ColourPrinter
    """

    d_max: float = 1.4
    scale: float = 1.3
    toe: float = 5.0
    shoulder: float = 4.0
    exposure: float = 1.9
    printer: PrinterModel | ColourPrinter = PrinterModel()

    def density_at(self, log_exposure: ArrayLike) -> Plane:
        """Return the print's density above paper white at a log exposure from the foot."""
        x = np.asarray(log_exposure, np.float64)
        rise = np.logaddexp(0, self.toe * x) / self.toe
        fall = np.logaddexp(0, self.shoulder * (x - self.scale)) / self.shoulder
        return np.asarray(self.d_max * (rise - fall) / self.scale)

    def print_density(self, ink: ArrayLike, *, exposure: ArrayLike = 0.0) -> Plane:
        """Return the noise-free print density under some ink, above paper white."""
        film = self.printer.film_density(ink)
        return self.density_at(self.exposure + np.asarray(exposure) - film)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintFaults:
    """What makes one print unlike the next.

    Attributes
    ----------
    texture : float
        Standard deviation of the paper's grain in density, at 0.2 mm.
    mottle : float
        The same at 2 mm: coating that pools, larger than grain and smaller than a patch.
    coating_exposure : float
        Drift of sensitivity over the sheet, highest to lowest, log exposure.
    coating_depth : float
        Drift of depth over the sheet, highest to lowest, as a share of density.
    exposure_drift, depth_drift : float
        Standard deviation from print to print: log exposure, share of depth.
    specks : int
        Spots of dirt, dark and light, some as large as a patch.
    """

    texture: float = 0.03
    mottle: float = 0.012
    coating_exposure: float = 0.06
    coating_depth: float = 0.04
    exposure_drift: float = 0.008
    depth_drift: float = 0.01
    specks: int = 6


NO_FAULTS = PrintFaults(
    texture=0, mottle=0, coating_exposure=0, coating_depth=0, exposure_drift=0, depth_drift=0,
    specks=0,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanModel:
    """How the print lies on the scanner, and what that makes of it.

    Attributes
    ----------
    turn_deg : float
        Turn clockwise.
    askew : float
        How far each corner is pulled out of place, as a share of the sheet's width.
    margin_mm : float
        Bare scanner lid around the sheet.
    gamma : float
        Exponent of the coding.
    paper : float
        Reflectance of paper white as coded; above 1 it clips.
    noise : float
        Standard deviation, share of full scale, in linear light.
    bits : {8, 16}
    mirrored : bool
        The picture was flipped.
    """

    turn_deg: float = 1.5
    askew: float = 0.006
    margin_mm: float = 8.0
    gamma: float = 2.2
    paper: float = 0.86
    noise: float = 0.002
    bits: int = 16
    mirrored: bool = False


def simulate_print(
    codes: NDArray[np.uint16],
    ppi: float,
    process: PrintingProcess,
    *,
    seed: int,
    faults: PrintFaults = PrintFaults(),
    covered: NDArray[np.bool_] | None = None,
    ink_side_on_paper: bool = True,
) -> Plane:
    """Return the reflection density of a print above its paper white, as one looks at it.

    Parameters
    ----------
    codes : ndarray of uint16, shape (M, N), or (M, N, 3) for a printer of colours
        The film's file, mirrored as it is printed.
    ppi : float
    process : PrintingProcess
    seed : int
        Of this print.
    faults : PrintFaults
    covered : ndarray of bool, shape (M, N), optional
        Where opaque tape keeps the paper white, as one looks at the print.
    ink_side_on_paper : bool
        False lays the film the wrong way up: the print reads reversed.
    """
    ink = 1 - codes.astype(np.float64) / FULL_CODE
    if ink_side_on_paper:
        ink = ink[:, ::-1]
    shape = (ink.shape[0], ink.shape[1])
    rng = effect_streams(seed)["print"]
    drift, depth = _drift(rng, faults)
    uneven = _slow_field(shape, rng) * faults.coating_exposure
    thick = _slow_field(shape, rng) * faults.coating_depth
    density = process.print_density(ink, exposure=drift + uneven) * (1 + depth + thick)
    if covered is not None:
        density[covered] = 0
    paper = effect_streams(seed)["paper"]
    density += _grain(shape, 0.2, ppi, paper) * faults.texture
    density += _grain(shape, 2.0, ppi, paper) * faults.mottle * (0.3 + density / process.d_max)
    _add_specks(density, ppi, faults.specks, paper)
    return np.asarray(density, np.float64)


def drift_of(seed: int, faults: PrintFaults) -> tuple[float, float]:
    """Return how far a print of this seed drifted: log exposure, share of depth."""
    return _drift(effect_streams(seed)["print"], faults)


def simulate_scan(
    density: Plane,
    ppi: float,
    scan: ScanModel = ScanModel(),
    *,
    seed: int,
) -> NDArray[np.uint16] | NDArray[np.uint8]:
    """Return the codes of a scan of a print, shape (M, N)."""
    rng = effect_streams(seed)["scan"]
    reflectance = scan.paper * 10**-density
    rows, columns = density.shape
    margin = scan.margin_mm / MM_PER_INCH * ppi
    angle = np.deg2rad(scan.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([(0, 0), (columns, 0), (columns, rows), (0, rows)], np.float64)
    placed = (corners - corners.mean(0)) @ turn.T
    placed += rng.uniform(-1, 1, (4, 2)) * scan.askew * columns
    placed += margin - placed.min(0)
    size = np.ceil(placed.max(0) + margin).astype(int)
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), placed.astype(np.float32))
    lid = 0.7
    light = cv2.warpPerspective(
        reflectance, matrix, (int(size[0]), int(size[1])), flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=lid,
    )  # fmt: skip
    light = light + rng.normal(0, scan.noise, light.shape)
    if scan.mirrored:
        light = light[:, ::-1]
    full = 255 if scan.bits == 8 else FULL_CODE
    codes = np.rint(full * np.clip(light, 0, 1) ** (1 / scan.gamma))
    return np.ascontiguousarray(codes.astype(np.uint8 if scan.bits == 8 else np.uint16))


def _drift(rng: np.random.Generator, faults: PrintFaults) -> tuple[float, float]:
    drift, depth = rng.normal(0, (faults.exposure_drift, faults.depth_drift))
    return float(drift), float(depth)


def _slow_field(shape: tuple[int, int], rng: np.random.Generator) -> Plane:
    """Return a smooth field of mean 0 that spans 1 from highest to lowest."""
    nodes = rng.normal(0, 1, (4, 4)).astype(np.float32)
    field = cv2.resize(nodes, shape[::-1], interpolation=cv2.INTER_CUBIC).astype(np.float64)
    field -= field.mean()
    return np.asarray(field / np.ptp(field))


def _grain(shape: tuple[int, int], size_mm: float, ppi: float, rng: np.random.Generator) -> Plane:
    """Return noise of standard deviation 1 whose grains are about so large."""
    step = size_mm / MM_PER_INCH * ppi
    coarse = (max(2, round(shape[0] / step)), max(2, round(shape[1] / step)))
    nodes = rng.normal(0, 1, coarse).astype(np.float32)
    noise = np.asarray(cv2.resize(nodes, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float64)
    return np.asarray(noise / max(float(noise.std()), 1e-6))


def _add_specks(density: Plane, ppi: float, count: int, rng: np.random.Generator) -> None:
    """Spoil some places, in place."""
    rows, columns = density.shape
    for _ in range(count):
        at = (int(rng.uniform(0.05, 0.95) * columns), int(rng.uniform(0.12, 0.88) * rows))
        axes = rng.uniform(0.5, 4.0, 2) / MM_PER_INCH * ppi
        size = (max(1, int(axes[0])), max(1, int(axes[1])))
        level = float(rng.choice([0.02, 0.9]))
        cv2.ellipse(density, at, size, float(rng.uniform(0, 180)), 0, 360, level, -1)
