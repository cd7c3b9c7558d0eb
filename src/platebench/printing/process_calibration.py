"""What was measured on prints of the step chart, as a process profile keeps it."""

from __future__ import annotations

from dataclasses import dataclass

from platebench.printing.print_response import PrintResponse


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPrint:
    """One print of the step chart, as read.

    Attributes
    ----------
    scan : str
        File name of the scan.
    chart : str
        The chart's id, as coded in its picture.
    ink : tuple of float
        Share of full ink of each level, rising.
    density : tuple of float
        Reflection density of the print at each level, above its paper white, as read.
    error : tuple of float
        Standard error of each density.
    """

    scan: str
    chart: str
    ink: tuple[float, ...]
    density: tuple[float, ...]
    error: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessCalibration:
    """The measured response of printer, film, paper and chemistry together.

    Attributes
    ----------
    response : PrintResponse
        The smooth monotone curve through all prints.
    prints : tuple of ChartPrint
        What it was fitted to, oldest first.
    residual : float
        RMS distance of the readings from the curve, D.
    noise : float
        Standard deviation of one patch among its duplicates, D: paper, coating and scan.
    evenness : float
        How far the coating and light drift over the sheet, highest to lowest, D at mid tones.
    """

    response: PrintResponse
    prints: tuple[ChartPrint, ...]
    residual: float
    noise: float
    evenness: float
