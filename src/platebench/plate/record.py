"""What was measured of a plate and done to it: the record that conversion leaves.

Its fields are the keys in the file, in their order, and hold what stands there: numbers rounded,
times as text. A later version adds fields with a default; with it the records of before are read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import msgspec

from platebench.core.formats import CUT_UNDER
from platebench.core.plain_json import read_json
from platebench.plate.densities import PlateDensities
from platebench.plate.light import Uniformity
from platebench.plate.shown_tones import Polarity
from platebench.plate_log.entry import LogEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class LightRecord:
    """Where the bare light was taken from, its level at the plate, and how even it is.

    ``drift``: relative change across the frame since the blank, left to right and top to bottom,
    that was taken off; empty where none was.
    """

    source: str = ""
    level: float = 1.0
    drift: tuple[float, ...] = ()
    uniformity_before: Uniformity | None = None
    uniformity_after: Uniformity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BracketRecord:
    """Exposures merged: ratios as measured and as the files state them, and shifts in pixels."""

    ratios: tuple[float, ...]
    stated: tuple[float | None, ...] = ()
    moved: tuple[tuple[int, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinRecord:
    """Tiles joined: files of each, its middle (x, y) in pixels, turn, and light over the mean.

    ``misfit_px`` is by how far two tiles miss each other, median of all overlaps. ``box_specks``:
    dust on the light box that one tile showed and another did not, left out.
    """

    tiles: tuple[tuple[str, ...], ...]
    places: tuple[tuple[float, float], ...] = ()
    turned_deg: tuple[float, ...] = ()
    gains: tuple[float, ...] = ()
    overlaps: int = 0
    misfit_px: float = 0.0
    worst_misfit_px: float = 0.0
    box_specks: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class GlareRecord:
    """Glare as a share of the bare light, and whether it was taken off."""

    share: float
    sigma: float = 0.0
    source: str = ""
    taken_off: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StainRecord:
    """Density by colour against green, D and D per D."""

    found: bool = False
    coloured: bool = False
    red: float = 0.0
    blue: float = 0.0
    red_share: float = 0.0
    blue_share: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationRecord:
    """The calibration that the densities went through."""

    tablet: str = ""
    capture: str = ""
    callier: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedRecord:
    """Densities (D) that print to the ends of the paper's scale, and how it was exposed.

    ``black_at_sigma``, ``white_at_sigma``: standard errors of this plate's densities there.
    """

    black_at: float
    white_at: float
    black_at_sigma: float | None = None
    white_at_sigma: float | None = None
    stops: float = 0.0
    contrast: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleRecord:
    """What tells the plate's size: see ``PlateScale``.

    ``glass_mm``: the plate across and down as it lies in the capture, with standard errors; of a
    nominal format without, since glass is cut up to 1 % under it.
    """

    source: str = ""
    reference: str = ""
    pixels_per_mm: float = 0.0
    error_percent: float | None = None
    glass_mm: tuple[float, float] | None = None
    glass_sigma_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureRecord:
    """The part of the plate that is printed and shared.

    ``box_px``: left, top, right, bottom in the straightened plate as the positive shows it,
    half-open; None where it was not found, for the reason ``doubt``. ``cut``: the positive holds
    nothing else. ``askew_deg``: by how much the picture leans in its plate.
    """

    part: str = ""
    box_px: tuple[int, int, int, int] | None = None
    size_mm: tuple[float, float] | None = None
    cut: bool = False
    askew_deg: float | None = None
    doubt: str = ""

    @property
    def to_cut(self) -> tuple[int, int, int, int] | None:
        """What is left to be cut out of the positive; None where nothing is."""
        return None if self.cut else self.box_px


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateRecord:
    """What was measured and done; deterministic (no times of the run, no host).

    Attributes
    ----------
    used : str
        The capture that the geometry is of, relative to the session.
    taken : str or None
        ISO date and time of the capture.
    size_mm : (float, float) or None
        Width and height of the result; None where no size is known.
    size_sigma_mm : (float, float) or None
        Their standard errors; None where the size is that of a nominal format.
    pixels : (int, int)
        Width and height of the result.
    corners : tuple of (float, float)
        ``(row, column)`` in the capture.
    whole : bool
        The capture was kept uncropped.
    doubtful : bool
        Kept whole because the plate's sides are in doubt.
    densities : PlateDensities or None
        Rounded. None where they are not known, for the reason ``no_densities``.
    base_fog, d_max, density_range : float or None
        Of ``densities``, D.
    flags : tuple of str
        What a person should look at.
    caption : str
        Of a picture on a plate that holds several: what it shows.
    pictures : tuple of PlateRecord
        Of a plate that holds several: what differs from picture to picture.
    """

    plate: str = ""
    captures: tuple[str, ...] = ()
    used: str = ""
    camera: str | None = None
    taken: str | None = None
    exposure_s: float | None = None
    format: str = ""
    size_mm: tuple[float, float] | None = None
    size_sigma_mm: tuple[float, float] | None = None
    scale: ScaleRecord | None = None
    ppi: float | None = None
    pixels: tuple[int, int] | None = None
    found: bool = False
    by_hand: bool = False
    corners: tuple[tuple[float, float], ...] = ()
    confidence: float = 0.0
    surround: str = ""
    tilt_deg: float = 0.0
    out_of_square_deg: float = 0.0
    picture: PictureRecord | None = None
    whole: bool = False
    doubtful: bool = False
    light: LightRecord = LightRecord()
    bracket: BracketRecord | None = None
    join: JoinRecord | None = None
    glare: GlareRecord | None = None
    glare_at_most: float | None = None
    stain: StainRecord | None = None
    shows: str = "negative"
    looks: Polarity | None = None
    densities: PlateDensities | None = None
    no_densities: str | None = None
    base_fog: float | None = None
    d_max: float | None = None
    density_range: float | None = None
    calibration: CalibrationRecord | None = None
    tone: str | None = None
    printed: PrintedRecord | None = None
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    log: LogEntry | None = None
    caption: str = ""
    pictures: tuple[PlateRecord, ...] = ()

    @property
    def dense_end(self) -> tuple[float, float, bool] | None:
        """Dmax, density range, and whether they are bounds: lost in the dark beyond."""
        if self.d_max is None or self.density_range is None:
            return None
        least = None if self.densities is None else self.densities.d_max_at_least
        if least is None:
            return self.d_max, self.density_range, False
        return least, self.density_range - (self.d_max - least), True

    @property
    def size_error_said(self) -> str:
        """By how much ``size_mm`` may be off, in words; "" where nothing is known of it.

        Examples
        --------
        >>> scale = ScaleRecord(source="caliper")
        >>> sized = PlateRecord(size_mm=(119.6, 89.7), size_sigma_mm=(0.21, 0.16), scale=scale)
        >>> sized.size_error_said
        '± 0.2 mm'
        """
        if self.size_mm is None or self.scale is None:
            return ""
        if self.size_sigma_mm is None:
            return f"nominal format, up to {CUT_UNDER:.0%} less"
        return f"± {max(*self.size_sigma_mm, 0.1):.1f} mm"

    @property
    def size_said(self) -> str:
        """Width and height with their error and where they are from, in words; "" if unknown."""
        if self.size_mm is None:
            return ""
        places = 0 if self.size_sigma_mm is None else 1
        width, height = (f"{side:.{places}f}" for side in self.size_mm)
        source = "" if self.scale is None or self.size_sigma_mm is None else self.scale.reference
        said = (f"{width} x {height} mm", self.size_error_said, source and f"({source})")
        return " ".join(filter(None, said)).replace(" nominal", ", nominal")

    @property
    def fog_seen(self) -> bool:
        """Whether base plus fog was seen in a rebate, and is not the picture's thinnest tone."""
        return self.densities is None or self.densities.base_fog_from != "picture"

    def to_json(self) -> dict[str, Any]:
        """Return the record as JSON types."""
        return asdict(self) | {"log": None if self.log is None else self.log.to_json()}


NOTHING_KNOWN = PlateRecord()
"""Of a plate without a record."""


def record_from_json(values: object) -> PlateRecord:
    """Return the record that ``to_json`` spelled out, of this version or another.

    Raises
    ------
    ValueError
        If a value is of a kind that it cannot be.
    """
    if isinstance(values, Mapping) and isinstance(log := values.get("log"), Mapping):
        more = log.get("more", {})
        pairs = list(more.items()) if isinstance(more, Mapping) else more
        values = {**values, "log": {"plate_id": "", **log, "more": pairs}}
    return msgspec.convert(values, PlateRecord)


def record_in(data: bytes) -> PlateRecord:
    """Return the plate's record that a file holds, whoever wrote it.

    Raises
    ------
    ValueError
        If it holds none.
    """
    document = read_json(data)
    if not isinstance(document, Mapping):
        raise ValueError("no table")
    return record_from_json(document.get("result"))
