"""Sensor counts to transmittance: dark level off, divided by the light of the bare light box.

Silver is neutral, so ``(plate - dark) / (blank - dark)``, photosite by photosite, is transmittance
at full sensor resolution whatever the colour filters; no demosaic is needed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import FrameMismatchError
from platebench.core.image import CaptureKind, PlateImage, SensorFrame
from platebench.plate.bands import BandedImage, BandStep
from platebench.plate.light import Dark, Light, check_same_camera, exposure_ratio, zero_level
from platebench.plate.smooth_field import row_field, site_classes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SiteCorrection:
    """Per kind of site, ``T -> (T * gain) ** exponent``: how stain is taken off.

    Attributes
    ----------
    gains : ndarray of float32, shape (kinds, rows, columns)
    exponents : ndarray of float32, shape (kinds,)
    """

    gains: NDArray[np.float32]
    exponents: NDArray[np.float32]


def check_light_fits(frame: SensorFrame, light: Light) -> None:
    """Refuse a light that was not taken with the plate's own camera set-up.

    Raises
    ------
    FrameMismatchError
        If size, filter pattern, ISO, aperture or the kind of capture differ.
    """
    if light.info.kind is not frame.info.kind:
        kinds = {CaptureKind.RAW: "a camera raw", CaptureKind.SCAN: "a scan"}
        raise FrameMismatchError(
            light.info.path,
            frame.info.path,
            f"it is {kinds[light.info.kind]} and the plate is {kinds[frame.info.kind]}",
            "take blank and plate the same way",
        )
    if light.shape != frame.shape or light.channels != frame.channels:
        raise FrameMismatchError(
            light.info.path,
            frame.info.path,
            f"it is {light.shape[1]} x {light.shape[0]} pixels and the plate is "
            f"{frame.shape[1]} x {frame.shape[0]}",
            "take blank and dark frames with the same camera and crop as the plate",
        )
    if not np.array_equal(light.pattern, frame.pattern):
        raise FrameMismatchError(
            light.info.path,
            frame.info.path,
            "its colour-filter pattern differs",
            "take blank and plate with the same camera",
        )
    check_same_camera(light.info, frame.info)


def flatten(frame: SensorFrame, light: Light, dark: Dark | None = None) -> BandedImage:
    """Return transmittance: signal over the bare light at the same place and exposure.

    Parameters
    ----------
    frame : SensorFrame
        The plate's capture; its counts are held, and every band is made from them.
    light : Light
        The bare light; scaled by exposure time where both times are known.
    dark : Dark, optional
        Replaces the file's own black level.

    Returns
    -------
    BandedImage
        Transmittance, dimensionless, 1.0 = bare light box; the filter pattern still interleaved.
        ``valid`` is False at clipped sites, None where nothing clips. Values may be negative:
        noise about zero is kept.

    Raises
    ------
    FrameMismatchError
        If light or dark do not belong to the plate's set-up.
    """
    check_light_fits(frame, light)
    classes = site_classes(frame.pattern)
    channels = light.channels
    scale = exposure_ratio(light.info, frame.info)
    gains = row_field(
        (scale / light.fields).astype(np.float32), classes, frame.shape, channels=channels
    )
    zero = zero_rows(frame, dark)
    height, width = frame.shape
    counts = frame.counts.reshape(height, -1)
    clips = frame.info.kind is CaptureKind.RAW

    def make(start: int, stop: int) -> tuple[NDArray[np.float32], NDArray[np.bool_] | None]:
        source = counts[start:stop]
        linear = source if frame.curve is None else cv2.LUT(source, frame.curve)
        band = linear.astype(np.float32)
        p = len(zero)
        for k in range(min(p, stop - start)):
            band[k::p] -= zero[(start + k) % p]
        cv2.multiply(band, gains.rows(start, stop), dst=band)
        if not clips or int(source.max()) < frame.white:
            return band, None
        sites = source.reshape(stop - start, width, channels)
        return band, np.asarray((sites < frame.white).all(axis=2), bool)

    return BandedImage(shape=frame.shape, channels=channels, pattern=frame.pattern, make=make)


def transmittance_from_counts(
    frame: SensorFrame,
    light: Light,
    dark: Dark | None = None,
    steps: Sequence[BandStep] = (),
) -> PlateImage:
    """Return transmittance of a whole capture at once; see :func:`flatten`.

    Parameters
    ----------
    steps : sequence of callables
        What else is to be done to each band of transmittance, in order: glare off, stain off.
    """
    return replace(flatten(frame, light, dark), steps=tuple(steps)).whole()


def stain_step(
    correction: SiteCorrection, pattern: NDArray[np.uint8], shape: tuple[int, int], channels: int
) -> BandStep:
    """Return the step that takes stain off a band of transmittance."""
    classes = site_classes(pattern)
    gains = row_field(correction.gains, classes, shape, channels=channels)
    sites = [
        (row, column, float(correction.exponents[classes[row, column]]))
        for row in range(classes.shape[0])
        for column in range(classes.shape[1])
    ]
    p, q = classes.shape
    if channels == 3:
        sites = [(0, channel, float(correction.exponents[channel])) for channel in range(3)]
        p, q = 1, 3

    def correct(band: NDArray[np.float32], start: int, stop: int) -> None:
        cv2.multiply(band, gains.rows(start, stop), dst=band)
        for row, column, exponent in sites:
            if exponent != 1.0:
                part = band[(row - start) % p :: p, column::q]
                if part.size:
                    lit = np.power(np.maximum(part, np.float32(1e-6)), np.float32(exponent))
                    part[...] = np.where(part > 1e-6, lit, part)  # noise about zero stays

    return correct


def zero_rows(frame: SensorFrame, dark: Dark | None) -> NDArray[np.float32]:
    """Return the level without light along each row of the pattern, shape (p, values in a row)."""
    width = frame.shape[1]
    if frame.counts.ndim == 3:
        return np.tile(zero_level(frame, dark), width)[None, :]
    level = frame.black if dark is None else zero_level(frame, dark)[site_classes(frame.pattern)]
    return rows_of_sites(level, width)


def rows_of_sites(sites: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    """Return values by site of the pattern repeated along whole rows, shape (p, width)."""
    wide = np.tile(sites, (1, -(-width // sites.shape[1])))
    return wide[:, :width].astype(np.float32)
