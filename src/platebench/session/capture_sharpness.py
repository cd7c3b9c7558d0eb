"""How much of its pixels a plate's capture resolves, measured on the plate's own edges."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from platebench.core.errors import PlateError
from platebench.core.settings import ScanSettings
from platebench.measure.checks.edge_focus import measure_edges, typical_sfr
from platebench.plate.record import PlateRecord
from platebench.read.capture import read_capture

_HALF_SAMPLING = 0.5  # cycles a pixel


def resolved_share(
    folder: Path, record: PlateRecord, scan: ScanSettings
) -> tuple[float, float | None] | None:
    """Return the sampling efficiency of the capture a plate was converted from.

    The frequency at which the SFR falls to 0.1, over half the sampling frequency; the median of
    the edges that are clean steps.

    Parameters
    ----------
    folder : Path
        The session folder.
    record : PlateRecord
        The capture used and the corners found in it.
    scan : ScanSettings
        How scans are read.

    Returns
    -------
    share, sigma : float
        0 to 1, and its standard error, None where that is not known. None in place of both where
        the corners are in doubt or no edge is a clean step.

    References
    ----------
    Sampling efficiency: FADGI 2016, after ISO 16067-1 (read second-hand).
    """
    if not record.found or record.doubtful:
        return None
    try:
        corners = np.array(record.corners, np.float64).reshape(4, 2)
        frame = read_capture(folder / record.used, scan)
    except (ValueError, PlateError):
        return None
    typical = typical_sfr(measure_edges(frame, corners), "sfr10")
    if typical is None:
        return None
    middle, sigma = typical
    return min(1.0, middle / _HALF_SAMPLING), None if sigma is None else sigma / _HALF_SAMPLING
