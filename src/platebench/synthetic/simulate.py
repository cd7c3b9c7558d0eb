"""Put plate, light box and camera together: captures with known truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import SensorFrame
from platebench.synthetic.camera import (
    CameraModel,
    cfa_pattern,
    expose,
    map_points,
    plate_to_sensor,
)
from platebench.synthetic.defects import Defects, coating_field, draw_defects
from platebench.synthetic.light_box import LightBox, light_field, with_glare
from platebench.synthetic.plate import PlateModel, grown, outline_mm
from platebench.synthetic.scene import scene_near
from platebench.synthetic.shapes import Band, paint, quad_coverage
from platebench.synthetic.stray_light import stray_light
from platebench.synthetic.streams import effect_streams

Array = NDArray[np.float64]
Plane = NDArray[np.float32]

_BAND_ROWS = 384
_COLOURED = 1.01  # of one colour's mean light over another's


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Simulation:
    """A capture and the truth behind it.

    Attributes
    ----------
    frame : SensorFrame
        What the camera recorded.
    transmittance : ndarray of float32, shape (M, N)
        True transmittance at each site, in the site's own colour, after the lens's blur, before
        light, glare and noise. 1.0 is the bare light box.
    corners : ndarray of float64, shape (4, 2)
        Where the lines of the plate's sides meet, ``(row, column)``: top left, top right, bottom
        right, bottom left as seen in the capture. They may lie outside the frame.
    """

    frame: SensorFrame
    transmittance: Plane
    corners: Array


def simulate_plate(
    plate: PlateModel, box: LightBox, camera: CameraModel, *, exposure_s: float, seed: int
) -> Simulation:
    """Return one capture of a plate.

    Parameters
    ----------
    exposure_s : float
        Shutter time; with ``box.brightness`` it sets how far the bare light box fills the well.
    seed : int
        Of everything random about plate and noise; each effect has its own stream.

    Examples
    --------
    >>> small = CameraModel(shape=(60, 80))
    >>> shot = simulate_plate(PlateModel(), LightBox(), small, exposure_s=1 / 15, seed=1)
    >>> shot.frame.counts.shape, shot.corners.shape
    ((60, 80), (4, 2))
    """
    truth = true_transmittance(plate, box, camera, seed=seed)
    frame = photograph(truth, box, camera, exposure_s=exposure_s, seed=seed)
    return Simulation(frame=frame, transmittance=truth, corners=true_corners(plate, camera))


def photograph(
    transmittance: Plane, box: LightBox, camera: CameraModel, *, exposure_s: float, seed: int
) -> SensorFrame:
    """Return one capture of a known transmittance, for brackets and repeats of one plate.

    Parameters
    ----------
    transmittance : ndarray of float32, shape (M, N)
        As in `Simulation`.
    seed : int
        Of the noise alone.
    """
    light = np.empty(camera.shape, np.float32)
    for top in range(0, camera.shape[0], _BAND_ROWS):
        rows = slice(top, min(top + _BAND_ROWS, camera.shape[0]))
        bare = light_field(box, camera.shape, rows)
        light[rows] = with_glare(transmittance[rows], box.glare) * bare
    if box.stray is not None:
        coarse = (max(1, camera.shape[0] // 4), max(1, camera.shape[1] // 4))
        empty = light_field(box, coarse, slice(None))
        pattern = cfa_pattern(camera.cfa)
        light += stray_light(light, empty, box.stray, _if_coloured(light, pattern))
    light *= np.float32(box.brightness * exposure_s)
    return expose(light, camera, exposure_s=exposure_s, seed=seed)


def _if_coloured(light: Plane, pattern: NDArray[np.uint8]) -> NDArray[np.uint8] | None:
    """Return a filter pattern where its colours differ in light, None where they do not."""
    p, q = pattern.shape
    means = [
        np.mean([light[i::p, j::q].mean(dtype=np.float64) for i, j in np.argwhere(pattern == c)])
        for c in np.unique(pattern)
    ]
    return pattern if max(means) > _COLOURED * min(means) else None


def simulate_blank(
    box: LightBox, camera: CameraModel, *, exposure_s: float, seed: int
) -> SensorFrame:
    """Return a capture of the bare light box, without plate, card or holder."""
    bare = np.ones(camera.shape, np.float32)
    return photograph(bare, box, camera, exposure_s=exposure_s, seed=seed)


def simulate_card(
    box: LightBox,
    camera: CameraModel,
    *,
    exposure_s: float,
    seed: int,
    height: float | None = 0.75,
    aside: float = 0.0,
    density: float = 6.0,
) -> SensorFrame:
    """Return a capture of a square card on the bare box.

    Parameters
    ----------
    height : float or None
        Of the card, share of the frame's; None: it covers all of the box.
    aside : float
        How far it lies to the left of the middle, share of the frame's width.
    density : float
        Of the card; two sheets of black card, or metal, are 6 and more.
    """
    truth = np.full(camera.shape, 10**-density, np.float32)
    if height is not None:
        truth = np.ones(camera.shape, np.float32)
        half = round(height * camera.shape[0] / 2)
        row, column = camera.shape[0] // 2, round((0.5 - aside) * camera.shape[1])
        truth[row - half : row + half, max(column - half, 0) : column + half] = 10**-density
    return photograph(truth, box, camera, exposure_s=exposure_s, seed=seed)


def simulate_box_off(
    box: LightBox, camera: CameraModel, *, exposure_s: float, seed: int
) -> SensorFrame:
    """Return a capture with the light box off: the room's light, and glare that is always there."""
    nothing = np.zeros(camera.shape, np.float32)
    return photograph(nothing, box, camera, exposure_s=exposure_s, seed=seed)


def simulate_dark(camera: CameraModel, *, exposure_s: float, seed: int) -> SensorFrame:
    """Return a capture with the lens cap on."""
    return expose(np.zeros(camera.shape, np.float32), camera, exposure_s=exposure_s, seed=seed)


def true_corners(plate: PlateModel, camera: CameraModel) -> Array:
    """Return the plate's corners in the frame; see `Simulation`."""
    return map_points(plate_to_sensor(plate.size_mm, camera), outline_mm(plate))


def true_transmittance(
    plate: PlateModel, box: LightBox, camera: CameraModel, *, seed: int
) -> Plane:
    """Return the transmittance at each site; see `Simulation`."""
    painter = _Painter(plate, box, camera, seed)
    pattern = cfa_pattern(camera.cfa)
    truth = np.empty(camera.shape, np.float32)
    for top in range(0, camera.shape[0], _BAND_ROWS):
        bottom = min(top + _BAND_ROWS, camera.shape[0])
        for colour, plane in _through_lens(painter, camera, top, bottom):
            if colour is None:
                truth[top:bottom] = plane
            else:
                _write_sites(truth[top:bottom], plane, pattern == colour, top)
    return truth


def _through_lens(
    painter: _Painter, camera: CameraModel, top: int, bottom: int
) -> Iterator[tuple[int | None, Plane]]:
    """Yield colour and transmittance of some rows after blur, a photosite an element."""
    finer, rows = camera.finer, camera.shape[0] * camera.finer
    sigma = camera.blur_px * finer
    halo = int(np.ceil(4 * sigma)) if sigma > 0 else 0
    start, stop = max(top * finer - halo, 0), min(bottom * finer + halo, rows)
    for colour, sharp in painter.planes(start, stop):
        plane = sharp
        if halo:
            size = (2 * halo + 1, 2 * halo + 1)
            plane = np.asarray(
                cv2.GaussianBlur(sharp, size, sigma, borderType=cv2.BORDER_REFLECT), np.float32
            )
        plane = plane[top * finer - start : bottom * finer - start]
        if finer > 1:
            parts = plane.reshape(bottom - top, finer, camera.shape[1], finer)
            plane = parts.mean(axis=(1, 3), dtype=np.float64).astype(np.float32)
        yield colour, plane


def _write_sites(out: Plane, plane: Plane, sites: NDArray[np.bool_], top: int) -> None:
    height, width = sites.shape
    for row, col in np.argwhere(sites):
        first = (row - top) % height
        out[first::height, col::width] = plane[first::height, col::width]


class _Painter:
    """Draws bands of the scene on the light box, before the lens's blur."""

    def __init__(self, plate: PlateModel, box: LightBox, camera: CameraModel, seed: int) -> None:
        streams = effect_streams(seed)
        self.plate, self.box = plate, box
        seen = (int(colour) for colour in np.unique(cfa_pattern(camera.cfa)))
        self.colours: tuple[int | None, ...] = tuple(seen) if plate.coloured else (None,)
        # Place n of the fine grid lies at (n - (finer - 1) / 2) / finer photosites.
        spread = np.diag([camera.finer, camera.finer, 1.0])
        spread[:2, 2] = (camera.finer - 1) / 2
        self.shape = (camera.shape[0] * camera.finer, camera.shape[1] * camera.finer)
        self.to_sensor = spread @ plate_to_sensor(plate.size_mm, camera)
        self.to_plate: Array = np.linalg.inv(self.to_sensor).astype(np.float64)
        self.outline = outline_mm(plate)
        side = map_points(self.to_sensor, np.array([[0.0, 0.0], [0.0, 0.1]]))
        self.pitch_mm = 0.1 / float(np.hypot(*(side[1] - side[0])))
        self.defects: Defects = draw_defects(plate, streams)
        self.coating = coating_field(streams["coating"]) if plate.coating > 0 else None
        self.grain = (
            streams["grain"].standard_normal(self.shape, np.float32) if plate.grain_um > 0 else None
        )
        self.picture = self._density_picture()

    def planes(self, start: int, stop: int) -> Iterator[tuple[int | None, Plane]]:
        """Yield ``(colour, transmittance)`` of some rows; colour None serves all sites."""
        plate = self.plate
        band = Band((start, stop), self.shape[1], self.to_sensor, self.to_plate, self.pitch_mm)
        around = self._surround(band)
        inside, rim = quad_coverage(band, map_points(self.to_sensor, self.outline))
        self._chip(band, inside, rim)
        silver, emulsion = self._density(band)
        common = self._dirt(band, rim)
        for colour in self.colours:
            density = silver * np.float32(1 + plate.stain[colour or 0])
            density += np.float32(plate.glass_density)
            density += np.float32(plate.veil[colour or 0]) * emulsion
            through = np.exp(density * np.float32(-np.log(10)))
            through *= common
            yield colour, np.asarray(around + inside * (through - around), np.float32)

    def _surround(self, band: Band) -> Plane:
        box = self.box
        around = np.ones(band.shape, np.float32)
        if box.surround == "bright":
            return around
        card = np.float32(10**-box.card_density)
        if box.surround == "dark":
            around[:] = card
        else:
            outer = map_points(self.to_sensor, grown(self.outline, box.gap_mm + box.holder_mm))
            around += quad_coverage(band, outer)[0] * (card - 1)
        if box.gap_mm > 0:
            opening = map_points(self.to_sensor, grown(self.outline, box.gap_mm))
            around += quad_coverage(band, opening)[0] * (1 - around)
        return around

    def _chip(self, band: Band, inside: Plane, rim: Plane) -> None:
        for chip in self.defects.chips:
            found = chip.distances(band)
            if found is not None:
                where, outside = found
                away = outside / np.float32(band.pitch_mm)
                inside[where] *= np.clip(away + 0.5, 0, 1)
                np.minimum(rim[where], away, out=rim[where])

    def _density(self, band: Band) -> tuple[Plane, Plane]:
        """Return density of the silver over glass, and the share of emulsion left."""
        plate, bare = self.plate, np.zeros(band.shape, np.float32)
        paint(bare, band, self.defects.flakes)
        paint(bare, band, self.defects.scratches)
        paint(bare, band, self.defects.pinholes)
        emulsion = 1 - bare
        total = self._target_density(band) if plate.target else self._picture_density(band)
        silver = np.maximum(total - np.float32(plate.glass_density), 0)
        if self.coating is not None:
            relief = self._spread(self.coating, *band.places())
            silver *= 1 + np.float32(plate.coating) * relief
        if self.grain is not None:
            noise = self.grain[band.rows[0] : band.rows[1]]
            strength = np.float32(plate.grain_um / (band.pitch_mm * 1000))
            silver += noise * np.sqrt(silver) * strength
            np.maximum(silver, 0, out=silver)
        silver *= emulsion
        return silver, emulsion

    def _dirt(self, band: Band, rim: Plane) -> Plane:
        plate, dirt = self.plate, np.zeros(band.shape, np.float32)
        paint(dirt, band, self.defects.dust)
        clear = 1 - dirt
        if plate.edge_mm > 0:
            depth = rim * np.float32(band.pitch_mm / plate.edge_mm)
            line = (depth > -1) & (depth < 1)
            profile = (1 - np.clip(depth[line], 0, 1)) * np.float32(plate.edge_density)
            clear[line] *= np.float32(10) ** -profile
        return clear

    def _density_picture(self) -> Plane | None:
        plate = self.plate
        if plate.scene is None or plate.target is not None:
            return None
        top, right, bottom, left = plate.rebate_mm
        size = (plate.size_mm[0] - top - bottom, plate.size_mm[1] - left - right)
        wanted = (max(round(size[0] / self.pitch_mm), 2), max(round(size[1] / self.pitch_mm), 2))
        upright = wanted if plate.turned in (0, 180) else wanted[::-1]
        light = scene_near(plate.scene, upright) if isinstance(plate.scene, str) else plate.scene
        light = np.ascontiguousarray(np.rot90(light, -plate.turned // 90))
        if light.shape[0] > wanted[0] or light.shape[1] > wanted[1]:
            smaller = cv2.resize(light, wanted[::-1], interpolation=cv2.INTER_AREA)
            light = np.asarray(smaller, np.float32)
        log_h = np.log10(np.maximum(light, np.float32(1e-6))) + np.float32(plate.log_exposure)
        picture = plate.curve.density(log_h).astype(np.float32)
        return np.ascontiguousarray(picture if plate.glass_side_up else picture[:, ::-1])

    def _picture_density(self, band: Band) -> Plane:
        plate = self.plate
        fog = np.float32(plate.curve.base_fog)
        if self.picture is None:
            return np.full(band.shape, fog, np.float32)
        top, right, bottom, left = plate.rebate_mm
        y, x = band.places()
        height, width = plate.size_mm[0] - top - bottom, plate.size_mm[1] - left - right
        rows, cols = self.picture.shape
        v = (y + np.float32(plate.size_mm[0] / 2 - top)) * np.float32(rows / height) - 0.5
        u = (x + np.float32(plate.size_mm[1] / 2 - left)) * np.float32(cols / width) - 0.5
        sampled = cv2.remap(self.picture, u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        # The holder's lip: a clean edge, antialiased over one photosite. Where nothing was covered
        # the picture runs on to the glass's own edge.
        per_site = np.float32(rows / height * self.pitch_mm)
        lit = np.ones(band.shape, np.float32)
        depths = (v + 0.5, cols - 0.5 - u, rows - 0.5 - v, u + 0.5)
        for strip, depth in zip(plate.rebate_mm, depths, strict=True):
            if strip > 0:
                lit *= np.clip(depth / per_site + 0.5, 0, 1)
        return np.asarray(fog + lit * (sampled - fog), np.float32)

    def _target_density(self, band: Band) -> Plane:
        plate = self.plate
        assert plate.target is not None
        y, x = band.places()
        if plate.glass_side_up:
            x = -x
        return plate.target(y, x, self.pitch_mm)

    def _spread(self, relief: Plane, y: Plane, x: Plane) -> Plane:
        height, width = self.plate.size_mm
        v = (y / np.float32(height) + np.float32(0.5)) * np.float32(relief.shape[0] - 1)
        u = (x / np.float32(width) + np.float32(0.5)) * np.float32(relief.shape[1] - 1)
        spread = cv2.remap(relief, u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(spread, np.float32)
