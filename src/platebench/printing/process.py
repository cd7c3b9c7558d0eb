"""What a printing process is to a plate: the exposure scale it can take up, and how sure that is.

The exposure scale is the log exposure between the first full black and the first perceptible
tone of the print. A negative prints as it is where its density range equals the scale (Clerc,
Photography: Theory and Practice, paragraph 502).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from platebench.printing.print_look import (
    GENERAL_CURVE,
    GENERAL_LOOK,
    PrintCurve,
    PrintLook,
    SpectralBand,
)
from platebench.printing.status import Status

if TYPE_CHECKING:
    from platebench.printing.process_calibration import ProcessCalibration

LightOfProcess = Literal["ultraviolet", "blue"]
TABLET_STEP = 0.15  # log units; a scale read off a 21-step tablet is known to one step


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureScale:
    """The negative density range a process or a grade of paper takes up, in log10 exposure.

    Attributes
    ----------
    low, typical, high : float
        What is met, from one paper and chemistry to the next.
    status : tuple of 3 Status
        Of ``low``, ``typical`` and ``high``.
    source : str
        Where the numbers were read; "" where they were not.
    grade : str
        Grade or filter of a silver paper; "" for other processes.
    adjustable : bool
        True where one chooses the scale for the plate, anywhere from ``low`` to ``high``, as the
        process's ``contrast`` says; ``typical`` is then no more than where to begin.
    """

    low: float
    typical: float
    high: float
    status: tuple[Status, Status, Status]
    source: str = ""
    grade: str = ""
    adjustable: bool = False

    def distance(self, density_range: float) -> float:
        """Return how far a range lies outside: above 0 beyond ``high``, below 0 short of ``low``.

        Examples
        --------
        >>> tested = (Status.TESTED,) * 3
        >>> scale = ExposureScale(low=1.5, typical=1.65, high=1.75, status=tested)
        >>> scale.distance(1.6), scale.distance(2.0), scale.distance(1.0)
        (0.0, 0.25, -0.5)
        """
        return density_range - min(max(density_range, self.low), self.high)

    def set_for(self, density_range: float) -> ExposureScale:
        """Return the scale as one sets it for a plate; itself where it is not adjustable.

        Examples
        --------
        >>> stated = (Status.MEMORY, Status.MIDDLE, Status.MEMORY)
        >>> carbon = ExposureScale(low=1.0, typical=1.75, high=2.5, status=stated, adjustable=True)
        >>> carbon.set_for(1.4).typical, carbon.set_for(0.7).typical
        (1.4, 1.0)
        """
        if not self.adjustable:
            return self
        status = (self.status[0], Status.CHOSEN, self.status[2])
        return replace(self, typical=min(max(density_range, self.low), self.high), status=status)

    def marks(self) -> str:
        """Say how each number came to be.

        Examples
        --------
        >>> marks = (Status.MEMORY, Status.MIDDLE, Status.MEMORY)
        >>> ExposureScale(low=1, typical=2, high=3, status=marks).marks()
        'low and high: from memory, no source read; typical: middle of the two ends'
        """
        of: dict[Status, list[str]] = {}
        for name, status in zip(("low", "typical", "high"), self.status, strict=True):
            of.setdefault(status, []).append(name)
        if len(of) == 1:
            said = self.status[0].words
        else:
            said = "; ".join(f"{' and '.join(of[status])}: {status.words}" for status in of)
        return f"{said} ({self.source})" if self.source else said


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """A printing process, as its profile describes it.

    Attributes
    ----------
    name : str
        File name of the profile without ``.toml``.
    title : str
        Name for people.
    light : {"ultraviolet", "blue"}
        The light that makes the print, and so the density that counts.
    scales : tuple of ExposureScale
        One, or one for each grade of a silver paper, softest first.
    contrast : str
        How the scale can be moved, "" where it cannot.
    hazards : tuple of str
        Names from ``cautions.CAUTIONS``.
    cautions : tuple of str
        Further cautions, of the profile's own.
    path : Path
        The file the scale was read from.
    look : PrintLook
        Depth, paper and hue of the print.
    print_curve : PrintCurve
        Shape of its curve.
    band : SpectralBand or None
        The light the layer answers to; None where the profile does not say.
    calibration : ProcessCalibration or None
        What was measured on your own prints; None before that.
    """

    name: str
    title: str
    light: LightOfProcess
    scales: tuple[ExposureScale, ...]
    contrast: str
    hazards: tuple[str, ...]
    cautions: tuple[str, ...]
    path: Path
    look: PrintLook = GENERAL_LOOK
    print_curve: PrintCurve = GENERAL_CURVE
    band: SpectralBand | None = None
    calibration: ProcessCalibration | None = None

    def nearest_scale(self, density_range: float) -> ExposureScale:
        """Return the grade a range comes nearest to; of two alike the softer, which keeps more."""
        return min(self.scales, key=lambda scale: abs(scale.distance(density_range)))

    def reach(self) -> tuple[float, float]:
        """Return the shortest and the longest range that some grade takes up.

        A range between two grades suits: papers are made in steps, and development or a filter
        makes up the difference.
        """
        return min(s.low for s in self.scales), max(s.high for s in self.scales)


def iso_r(density_range: float) -> int:
    """Return the ISO range R that takes up a density range: 100 times it, to the nearest 10.

    ISO 6846:1992 as given in the Focal Encyclopedia of Photography, p. 679.

    Examples
    --------
    >>> iso_r(1.39143), iso_r(1.15), iso_r(0.44)
    (140, 120, 40)
    """
    return 10 * int(round(10 * density_range, 6) + 0.5)
