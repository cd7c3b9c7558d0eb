"""One plate, step by step, on arrays and paths: what a notebook needs.

The commands go through the same functions; see ``docs/python.md`` for a plate from raw to picture.
Shapes are row first; ``(row, column)`` of a pixel's centre counts from ``(0, 0)``.
"""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platebench.core.image import PlateImage, SensorFrame
from platebench.core.installed import profiles_folder
from platebench.core.settings import ScanSettings
from platebench.plate.bands import BandedImage
from platebench.plate.colours import one_channel
from platebench.plate.densities import (
    PlateDensities,
    code_from_transmittance,
    density_from_transmittance,
    measure_densities,
    reduced,
    transmittance_of_codes,
)
from platebench.plate.exposures import own_light
from platebench.plate.finding.find_plate import FoundPlate
from platebench.plate.finding.overview import find_in_overview, overview_of
from platebench.plate.flatten import flatten as flatten_bands
from platebench.plate.light import Dark, Light, dark_from_frames
from platebench.plate.light import light_from_blanks as light_of_frames
from platebench.plate.straighten import plan_straighten, straighten_rows
from platebench.read.capture import read_capture as read_file
from platebench.tone.profile import display_table
from platebench.tone.profile_file import load_tone
from platebench.write.tiff import write_picture

Floats = NDArray[np.float32]


def read_capture(
    path: str | PathLike[str],
    *,
    gamma: float | None = None,
    shows: Literal["negative", "positive"] = "negative",
) -> SensorFrame:
    """Read a camera raw or a scan.

    Parameters
    ----------
    path : str or path
        A raw, TIFF, PNG or JPEG. It is only ever read.
    gamma : float, optional
        Of a scan that does not state its coding itself; left out, 2.2.
    shows : {"negative", "positive"}
        What a scan shows.

    Returns
    -------
    SensorFrame
        ``counts``, uint16, shape (M, N) or (M, N, 3); ``info`` holds what the file states and
        what had to be assumed.

    Raises
    ------
    CaptureError
        If the file is missing, damaged, or no capture.
    """
    scan = ScanSettings(shows=shows) if gamma is None else ScanSettings(gamma=gamma, shows=shows)
    return read_file(Path(path), scan)


def light_from_blanks(blanks: Sequence[SensorFrame], darks: Sequence[SensorFrame] = ()) -> Light:
    """Return the light of the bare light box.

    Parameters
    ----------
    blanks : sequence of SensorFrame
        One or more captures of the bare box, just below clipping.
    darks : sequence of SensorFrame, optional
        Captures with the lens cap on.

    Raises
    ------
    CalibrationError
        If a blank clips or is nearly black, or frames differ in size or camera settings.
    """
    return light_of_frames(blanks, dark_from_frames(darks) if darks else None)


def flatten(
    plate: SensorFrame, light: Light | None = None, darks: Sequence[SensorFrame] = ()
) -> BandedImage:
    """Divide a capture by the bare light: transmittance, 1.0 where nothing lay on the box.

    Parameters
    ----------
    plate : SensorFrame
        The plate's capture.
    light : Light, optional
        From :func:`light_from_blanks`. Left out, it is estimated from the bare light around the
        plate; for a scan, the scanner's white counts as 1.0.
    darks : sequence of SensorFrame, optional
        Captures with the lens cap on.

    Returns
    -------
    BandedImage
        Made a few rows at a time as it is asked for; ``.whole().pixels`` is float32, shape (M, N)
        or (M, N, 3). Photosites stay in their places: silver is neutral, so nothing is demosaiced.

    Raises
    ------
    CalibrationError
        If the light does not fit the capture, or none can be found.
    """
    dark: Dark | None = dark_from_frames(darks) if darks else None
    return flatten_bands(plate, own_light(plate, dark) if light is None else light, dark)


def find_plate(seen: BandedImage, *, scanned: bool = False) -> FoundPlate:
    """Find the plate in flattened light.

    Parameters
    ----------
    seen : BandedImage
        From :func:`flatten`.
    scanned : bool
        True for a scan, whose bare light is not known to be 1.0.

    Returns
    -------
    FoundPlate
        ``corners``, float64, shape (4, 2): (row, column) of top left, top right, bottom right and
        bottom left. ``doubts`` lists what to look at before you trust them.
    """
    return find_in_overview(overview_of(seen), light_known=not scanned)


def straighten(
    seen: BandedImage,
    corners: NDArray[np.float64],
    *,
    emulsion: Literal["camera", "light"] = "camera",
    rotate: Literal[0, 90, 180, 270] = 0,
) -> Floats:
    """Cut the plate out, square and the right way round.

    Parameters
    ----------
    seen : BandedImage
        From :func:`flatten`.
    corners : ndarray of float64, shape (4, 2)
        Places (row, column) of top left, top right, bottom right, bottom left.
    emulsion : {"camera", "light"}
        The side it faced. Towards the camera the picture is turned left for right.
    rotate : {0, 90, 180, 270}
        Degrees clockwise.

    Returns
    -------
    ndarray of float32, shape (M, N)
        Transmittance of the plate alone.

    Raises
    ------
    ValueError
        If the corners enclose no pixel.
    """
    whole = seen.whole()
    image = PlateImage(pixels=one_channel(whole.pixels, by_green=False), valid=whole.valid)
    plan = plan_straighten(image.shape, corners, mirror=emulsion == "camera", rotate=rotate)
    return straighten_rows(image, plan, 0, plan.shape[0])[0]


def density(transmittance: Floats) -> Floats:
    """Return optical density, D = -log10(T), at most 4.5 D.

    Parameters
    ----------
    transmittance : ndarray of float32, any shape

    References
    ----------
    D = log10(1/T): C. E. K. Mees, *The Fundamentals of Photography*.

    Examples
    --------
    >>> density(np.array([1.0, 0.5, 0.01], np.float32)).round(3).tolist()  # log10(2) is 0.301
    [0.0, 0.3009999990463257, 2.0]
    """
    return density_from_transmittance(transmittance)


def measure_plate(transmittance: Floats) -> PlateDensities:
    """Measure a plate: base plus fog, thinnest and densest tone, density range, histogram.

    Parameters
    ----------
    transmittance : ndarray of float32, shape (M, N)
        The plate alone, edge to edge, from :func:`straighten`.

    Returns
    -------
    PlateDensities
        In D. ``base_fog_from`` says whether base plus fog is that of a rebate or the picture's
        thinnest tone.
    """
    return measure_densities(reduced(transmittance))


def make_positive(
    transmittance: Floats,
    densities: PlateDensities,
    *,
    profile: str = "neutral",
    print_stops: float = 0.0,
    contrast: float = 1.0,
) -> NDArray[np.uint16]:
    """Make the positive, as a paper would print it.

    Parameters
    ----------
    transmittance : ndarray of float32, shape (M, N)
        From :func:`straighten`.
    densities : PlateDensities
        From :func:`measure_plate`.
    profile : str
        A tone profile that comes with platebench.
    print_stops : float
        Extra printing exposure, stops; the positive prints darker.
    contrast : float
        Slope over the paper's own.

    Returns
    -------
    ndarray of uint16, shape (M, N)
        Gray gamma 2.2.

    Raises
    ------
    MissingProfileError
        If there is no such profile.
    """
    table = display_table(
        transmittance_of_codes(),
        load_tone(profile, (profiles_folder() / "tone",)),
        base_fog=densities.d_min,
        d_max=max(densities.d_max, densities.d_min + 0.05),
        print_stops=print_stops,
        contrast=contrast,
    )
    return table[code_from_transmittance(transmittance)]


def write_positive(
    path: str | PathLike[str], positive: NDArray[np.uint16], *, ppi: float | None = None
) -> None:
    """Write a positive as a 16-bit TIFF with the profile of gray gamma 2.2.

    Parameters
    ----------
    path : str or path
        The file; it appears under its name once it is whole. One that is there is replaced.
    positive : ndarray of uint16, shape (M, N)
    ppi : float, optional
        Pixels per inch.

    Raises
    ------
    WriteError
        If it cannot be written.
    """
    write_picture(
        Path(path), positive, ppi=ppi, description="", software="platebench", taken=None, xmp=b""
    )
