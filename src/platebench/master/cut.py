"""What of a capture an archive master keeps: the plate, its edge, and a margin around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platebench.framing import keeps_whole
from platebench.look import PlateView
from platebench.plate_job import PlateJob
from platebench.stages.plate_format import plate_format

MARGIN = 0.02  # of the plate's longer side: the whole edge, and some of what lies around it
LEAST_MARGIN = 8  # pixels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cut:
    """An upright rectangle of whole photosites: nothing is resampled.

    Attributes
    ----------
    top, left, bottom, right : int
        In the capture, half-open.
    whole : bool
        True where it is the whole capture.
    corners : ndarray of float64, shape (4, 2), or None
        The plate's corners in the cut, ``(row, column)``; None where they are in doubt.
    ppi : float or None
        Pixels per inch, where the format is known.
    """

    top: int
    left: int
    bottom: int
    right: int
    whole: bool
    corners: NDArray[np.float64] | None
    ppi: float | None

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.bottom - self.top, self.right - self.left


def cut_of(view: PlateView, job: PlateJob) -> Cut:
    """Return what is kept: all of it by choice, or where the plate's sides are in doubt."""
    rows, columns = view.picture.shape
    corners = view.found.corners
    whole = keeps_whole(view.found, job.settings)
    top, left, bottom, right = 0, 0, rows, columns
    if not whole:
        sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
        margin = max(LEAST_MARGIN, MARGIN * float(sides.max()))
        low, high = np.floor(corners.min(axis=0) - margin), np.ceil(corners.max(axis=0) + margin)
        top, left = max(0, int(low[0])), max(0, int(low[1]))
        bottom, right = min(rows, int(high[0]) + 1), min(columns, int(high[1]) + 1)
    trusted = view.found.found and not view.found.doubts
    return Cut(
        top=top,
        left=left,
        bottom=bottom,
        right=right,
        whole=whole,
        corners=corners - (top, left) if trusted else None,
        ppi=plate_format(corners, job.settings.format).ppi if trusted else None,
    )
