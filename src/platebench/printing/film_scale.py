"""The exposure scale from a printed step chart whose film was measured in the printing light."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from platebench.errors import ReadingsError
from platebench.files.csv_table import read_numbers
from platebench.fsio import read_at_most
from platebench.printing.print_response import PrintResponse
from platebench.printing.printing_time import FIRST_TINT, LARGEST_TABLE, TOLERANCE
from platebench.printing.process import ExposureScale
from platebench.printing.status import Status

HALF_STEP = 0.075  # log units: a scale is known to about a quarter of a stop
_FEWEST = 5
_REMEDY = "write the columns ink,density, ink rising from 0 to 1, a line for each patch measured"


def tested_scale(scale: float) -> ExposureScale:
    """Return a scale of one's own test."""
    status = (Status.STEP, Status.TESTED, Status.STEP)
    low, high = scale - HALF_STEP, scale + HALF_STEP
    return ExposureScale(low=low, typical=scale, high=high, status=status)


def scale_through_film(path: Path, response: PrintResponse) -> ExposureScale | None:
    """Return the log exposure from first tint to full black, as the film's densities have it.

    Parameters
    ----------
    path : Path
        CSV table with the columns ``ink`` (share of full ink) and ``density`` (of the film, in the
        light that prints; not visual density).
    response : PrintResponse
        Measured on the print.

    Returns
    -------
    ExposureScale or None
        None where full ink prints darker than the first tint.

    Raises
    ------
    ReadingsError
        If it is no such table.
    """
    try:
        content = read_at_most(path, LARGEST_TABLE)
        if content is None:
            raise ReadingsError(path, "is too large for a film", "check that it is the file")
        rows = read_numbers(content.decode("utf-8-sig"), ("ink", "density"))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ReadingsError(path, "cannot be read as a CSV table", _REMEDY) from error
    except ValueError as error:
        raise ReadingsError(path, "is no table of ink and density", _REMEDY) from error
    if len(rows) < _FEWEST or not np.isfinite(rows).all():
        raise ReadingsError(path, f"lists {len(rows)} patches", _REMEDY)
    ink, film = np.array(rows).T
    if ink[0] != 0 or ink[-1] != 1 or (np.diff(ink) <= 0).any() or (np.diff(film) < 0).any():
        what = "does not rise, in ink and density, from clear film to full ink"
        raise ReadingsError(path, what, _REMEDY)
    if response.d_min >= FIRST_TINT:
        return None
    at = response.ink_for([response.d_max - TOLERANCE, FIRST_TINT])
    black, tint = np.interp(at, ink, film)
    return tested_scale(float(tint - black))
