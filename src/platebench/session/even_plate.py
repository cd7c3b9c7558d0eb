"""How even a plate is: one exposed evenly to a middle density, read in cells of 10 mm."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import SessionFolderError, SpotError
from platebench.core.progress import Progress
from platebench.plate.job import RECORDS
from platebench.session.measure_session import measure_session_plate
from platebench.session.plates_made import read_plate_record
from platebench.session.session_report import OUTPUT_NAME

CELL_MM = 10.0
_MARGIN_MM = 8.0  # from the plate's edge: rebate and running coat
_LEAST = 3  # cells a side
_MUCH, _THIN, _DENSE = 0.4, 0.5, 1.6  # D: own choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evenness:
    """Densities of a plate that should be even.

    Attributes
    ----------
    cells : ndarray of float64, shape (rows, columns)
        Density D of each cell, as the positive lies; nan where it could not be read.
    middle : float
        Median, D.
    sd, span : float
        Standard deviation of the cells, and densest less thinnest, D. The exposing light's own
        fall is in them.
    """

    cells: NDArray[np.float64]
    middle: float
    sd: float
    span: float

    @property
    def doubt(self) -> str:
        """Why this may be no even plate; "" where nothing speaks against it."""
        if self.span > _MUCH:
            return (
                f"the cells differ by {self.span:.2f} D: is this a picture, or was the light uneven"
            )
        if not _THIN <= self.middle <= _DENSE:
            return f"{self.middle:.2f} D is far from 1.0, where evenness shows: expose again"
        return ""


def even_plate(session: Path, plate_id: str, progress: Progress | None = None) -> Evenness:
    """Read a plate in cells of 10 mm, 8 mm in from its edges.

    Raises
    ------
    SessionFolderError
        If the plate was not converted.
    SpotError
        If its size is not known, it is too small, or it cannot be read in half of the cells.
    PlateError
        If its captures cannot be read.
    """
    path = session / OUTPUT_NAME / RECORDS / f"{plate_id}.json"
    if not path.is_file():
        what = f'has no record of a plate "{plate_id}"'
        raise SessionFolderError(session / OUTPUT_NAME, what, "convert the session first")
    record = read_plate_record(path)
    if record.picture is not None and record.picture.cut:
        what = "has a positive that is cut to its picture"
        raise SpotError(plate_id, what, "set crop_positives = false and convert again")
    size = record.size_mm
    if size is None:
        raise SpotError(plate_id, "has no known size", "name its format in session.toml")
    across, down = (_middles(length) for length in size)
    if min(len(across), len(down)) < _LEAST:
        raise SpotError(plate_id, "is too small for cells of 10 mm", "take a larger plate")
    done = measure_session_plate(
        session,
        plate_id,
        places=[(x, y, "mm") for y in down for x in across],
        size=(CELL_MM, "mm"),
        progress=progress,
    )
    found = [np.nan if r.density is None else r.density for r in done.readings]
    cells = np.array(found, np.float64).reshape(len(down), len(across))
    seen = cells[np.isfinite(cells)]
    if seen.size < cells.size / 2:
        what = "tells no density in half of its cells"
        raise SpotError(plate_id, what, "expose the even plate to a density of about 1.0")
    return Evenness(
        cells=cells,
        middle=float(np.median(seen)),
        sd=float(np.std(seen, ddof=1)),
        span=float(np.ptp(seen)),
    )


def _middles(length_mm: float) -> list[float]:
    count = int((length_mm - 2 * _MARGIN_MM) // CELL_MM)
    first = (length_mm - (count - 1) * CELL_MM) / 2
    return [round(first + n * CELL_MM, 2) for n in range(count)]
