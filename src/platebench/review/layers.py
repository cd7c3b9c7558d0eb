"""What a plate is shown as: positive, capture as it was taken, map of density, or negative."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.settings import PlateSettings
from platebench.plate.finding.find_plate import FoundPlate
from platebench.plate.framing import Framing, frame_found
from platebench.plate.job import PrintingEnds
from platebench.plate.look import plate_by_hand
from platebench.plate.straighten import Straightening, frame_corners, plan_straighten
from platebench.review.plate_pixels import Codes, PlatePixels
from platebench.review.tiles import DeepSize
from platebench.tone.profile import DISPLAY_GAMMA, ToneProfile, display_table

Layer = Literal["positive", "captured", "density", "negative"]
LAYERS: tuple[str, ...] = get_args(Layer)
LEAST_MAPPED = 0.5  # D from one end of the map's scale to the other
LEAST_RANGE = 0.05  # D between the printing ends

Table = NDArray[np.uint8]  # (65536,) grey or (65536, 3) blue, green, red


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shown:
    """A plate with its settings of the moment: where each layer's pixels come from."""

    pixels: PlatePixels
    settings: PlateSettings
    framing: Framing
    found: FoundPlate

    def plan(self, layer: Layer) -> Straightening:
        """Return where a layer's pixels lie in the capture."""
        if layer != "captured":
            return self.framing.plan
        corners = frame_corners(self.pixels.shape)
        return plan_straighten(self.pixels.shape, corners, how="none")

    def size(self, layer: Layer) -> DeepSize:
        """Return the size of a layer at full scale."""
        rows, columns = self.plan(layer).shape
        return DeepSize(rows=rows, columns=columns)


def show_plate(pixels: PlatePixels, settings: PlateSettings) -> Shown:
    """Frame a plate as its settings say, with the corners a person gave or those found.

    Raises
    ------
    BadSettingError
        If corners by hand enclose nothing.
    """
    found = pixels.found
    if settings.corners is not None:
        found = plate_by_hand(settings, pixels.shape)
    framing = frame_found(pixels.shape, found, settings)
    return Shown(pixels=pixels, settings=settings, framing=framing, found=found)


def positive_table(
    pixels: PlatePixels, settings: PlateSettings, tone: ToneProfile, ends: PrintingEnds
) -> Table:
    """Return the 8-bit positive of each code, gray gamma 2.2."""
    table = display_table(
        10.0 ** -pixels.density.astype(np.float64),
        tone,
        base_fog=ends.base_fog,
        d_max=max(ends.d_max, ends.base_fog + LEAST_RANGE),
        print_stops=settings.print_stops,
        contrast=settings.print_contrast,
    )
    return ((table.astype(np.uint32) + 128) // 257).astype(np.uint8)


def captured_table(pixels: PlatePixels) -> Table:
    """Return the 8-bit picture of each code as the light box showed it: bare light is white."""
    light = 10.0 ** -pixels.density.astype(np.float64)
    return np.rint(255 * np.clip(light, 0, 1) ** (1 / DISPLAY_GAMMA)).astype(np.uint8)


def map_ends(pixels: PlatePixels) -> tuple[float, float]:
    """Return the densities at the ends of the map's scale: the plate's, to the next tenth.

    Of a plate whose densities are not known, 0 and 3.
    """
    if pixels.densities is None:
        return 0.0, 3.0
    low = max(0.0, floor(pixels.densities.d_min * 10) / 10)
    return low, max(low + LEAST_MAPPED, ceil(pixels.densities.d_max * 10) / 10)


def density_table(pixels: PlatePixels) -> Table:
    """Return the colour (blue, green, red) of each code on the map of density."""
    low, high = map_ends(pixels)
    place = np.clip((pixels.density - low) / (high - low), 0, 1) * 255
    return np.asarray(density_colours()[np.rint(place).astype(np.intp)])


def density_colours() -> NDArray[np.uint8]:
    """Return the map's 256 colours (blue, green, red), from its thin end to its dense one.

    OpenCV's viridis: even steps of density look even, and read alike without colour vision.
    """
    ramp = np.arange(256, dtype=np.uint8).reshape(-1, 1)
    return np.asarray(cv2.applyColorMap(ramp, cv2.COLORMAP_VIRIDIS)[:, 0], np.uint8)


def painted(codes: Codes, table: Table) -> NDArray[np.uint8]:
    """Return codes as pixels: (M, N) grey or (M, N, 3) blue, green, red."""
    return np.asarray(table[codes])


def jpeg(pixels: NDArray[np.uint8], quality: int = 88) -> bytes:
    """Return pixels as a JPEG file."""
    done, encoded = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError("the picture could not be coded")
    return encoded.tobytes()
