"""The density range of a converted plate, read from its record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from platebench.core.errors import NoDensitiesError, SessionFolderError
from platebench.plate.densities import BIN_EDGES
from platebench.plate.job import RECORDS
from platebench.plate.record import PlateRecord, record_in


@dataclass(frozen=True, slots=True, kw_only=True)
class Tones:
    """How much of a picture has which density.

    Attributes
    ----------
    counts : tuple of int
        By 0.01 D between :data:`platebench.plate.densities.BIN_EDGES`.
    thinnest, densest : float
        The useful tones the print is exposed for, D.
    """

    counts: tuple[int, ...]
    thinnest: float
    densest: float

    def share_below(self, density: float) -> float:
        """Return the share of the picture thinner than a density, 0 to 1."""
        below = np.concatenate([[0.0], np.cumsum(self.counts, dtype=np.float64)])
        return float(np.interp(density, BIN_EDGES, below) / below[-1])

    def share_above(self, density: float) -> float:
        """Return the share of the picture denser than a density, 0 to 1."""
        return 1.0 - self.share_below(density)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateRange:
    """What a plate asks of a print.

    Attributes
    ----------
    plate_id : str
        Name of the plate.
    density_range : float
        Densest less thinnest useful tone, D, by the picture's own (green) density.
    blue_range : float or None
        The same as blue light sees it; None where it was not measured apart.
    neutral : bool
        True where blue was measured and does not depart from green.
    tones : Tones or None
        How much of the picture has which density.
    light : str
        Where the bare light was taken from: "blank", "estimated" or "scanner".
    calibrated : bool
        True where the record names the calibration its densities went through.
    doubtful : bool
        True where the plate's sides were in doubt, so that other things may have been measured.
    at_least : float or None
        Where the densest tone is lost in the dark: the range that is sure, by two standard errors.
    base_fog : float
        Base plus fog, or the thinnest tone where there is no rebate, D, in green light.
    base_sigma : float
        Its standard error; 0 where not taken.
    blue_offset, blue_share : float
        What the stain adds in blue light: D, and D per D.
    """

    plate_id: str
    density_range: float
    blue_range: float | None = None
    neutral: bool = False
    tones: Tones | None = None
    light: str = "blank"
    calibrated: bool = False
    doubtful: bool = False
    base_fog: float = 0.0
    base_sigma: float = 0.0
    blue_offset: float = 0.0
    blue_share: float = 0.0
    at_least: float | None = None

    def in_blue(self, density: float) -> float:
        """Return a green density as blue light sees it: its stain's offset and share on top."""
        return density * (1 + self.blue_share) + self.blue_offset

    @property
    def stained(self) -> bool:
        """Whether a stain was measured that blue light sees."""
        return self.blue_offset != 0 or self.blue_share != 0


def read_plate_ranges(output: Path, plates: Sequence[str] = ()) -> list[PlateRange]:
    """Read the records that ``convert`` left.

    Parameters
    ----------
    output : Path
        Folder of results, ``SESSION/converted``.
    plates : sequence of str
        Names of plates; all there are, sorted, if empty.

    Raises
    ------
    SessionFolderError
        If there are no records, a plate has none, or a record is damaged.
    """
    folder = output / RECORDS
    known = sorted(path.stem for path in folder.glob("*.json")) if folder.is_dir() else []
    if not known:
        what, remedy = "holds no records of plates", "convert the session first"
        raise SessionFolderError(output, what, remedy)
    for plate in plates:
        if plate not in known:
            what = f'has no record of a plate "{plate}"'
            raise SessionFolderError(output, what, f"the plates there are: {', '.join(known)}")
    return [_read_record(folder / f"{plate}.json") for plate in plates or known]


def _read_record(path: Path) -> PlateRange:
    try:
        record = record_in(path.read_bytes())
        if record.no_densities:
            raise NoDensitiesError.of_record(path, record.no_densities)
        return plate_range_of(path.stem, record)
    except (OSError, ValueError) as error:
        what, remedy = "is no record of densities", "delete it and convert the session again"
        raise SessionFolderError(path, what, remedy) from error


def plate_range_of(plate_id: str, record: PlateRecord) -> PlateRange:
    """Return what a plate's record says of its densities.

    Raises
    ------
    ValueError
        If it holds none.
    """
    measured, stain = record.densities, record.stain
    if measured is None:
        raise ValueError("no densities")
    coloured = stain is not None and stain.coloured
    counts, least = measured.histogram, measured.d_max_at_least
    whole = len(counts) == BIN_EDGES.size - 1 and sum(counts) > 0 and min(counts) >= 0
    return PlateRange(
        plate_id=plate_id,
        density_range=measured.density_range,
        blue_range=measured.blue_range,
        neutral=stain is not None and measured.blue_range is None and not stain.coloured,
        tones=Tones(counts=counts, thinnest=measured.d_min, densest=measured.d_max)
        if whole
        else None,
        light=record.light.source,
        calibrated=record.calibration is not None,
        doubtful=record.doubtful,
        base_fog=measured.base_fog,
        base_sigma=measured.base_fog_sigma or 0.0,
        blue_offset=stain.blue if stain is not None and coloured else 0.0,
        blue_share=stain.blue_share if stain is not None and coloured else 0.0,
        at_least=None if least is None else least - measured.d_min,
    )
