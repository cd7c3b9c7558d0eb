"""How large a print negative is: pixels at the printer's resolution, and what the plate supports.

The picture keeps its own shape: it is scaled alike both ways, never stretched or cropped, and lies
in the middle of a size of another shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from platebench.core.errors import PrintNegativeError
from platebench.core.formats import MM_PER_INCH, PlateFormat

PRINTER_PPI = 720.0  # a step inkjet printers work in; 600 and 1200 are the others
FINE_PPI = 300.0  # below this a contact print looks soft at reading distance; practice, no source
SMALLEST_MM = 20.0  # the ruler, the wedge and the words need so much
WIDEST_MM, LONGEST_MM = 1524.0, 5000.0  # rolls of 60 in (from memory); PDF: 14400 points
MOST_PIXELS = 1_000_000_000  # 16 bits each: readers of PDF count bytes in 31 bits


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintSize:
    """Size of the picture on the film.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns on the film.
    ppi : float
        The printer's pixels per inch.
    source : (int, int)
        Rows and columns of the plate's picture.
    enlargement : float or None
        Of the plate, linear; None where the plate's own size is not known.
    room_mm : (float, float) or None
        Width and height that the picture was to fit into, turned as it lies; None: its own.
    """

    shape: tuple[int, int]
    ppi: float
    source: tuple[int, int]
    enlargement: float | None
    room_mm: tuple[float, float] | None = None

    @property
    def width_mm(self) -> float:
        """Width on the film, exactly that of its pixels."""
        return self.shape[1] * MM_PER_INCH / self.ppi

    @property
    def height_mm(self) -> float:
        """Height on the film, exactly that of its pixels."""
        return self.shape[0] * MM_PER_INCH / self.ppi

    @property
    def detail_ppi(self) -> float:
        """Pixels of the plate's picture per inch of the print."""
        return self.ppi * self.source[0] / self.shape[0]

    def resolution_notes(
        self, efficiency: float | None = None, sigma: float | None = None
    ) -> tuple[str, ...]:
        """Say what the plate's real resolution cannot support.

        Parameters
        ----------
        efficiency : float or None
            Share of its pixels the capture resolves, 0 to 1: the frequency at which its SFR falls
            to 0.1, over half the sampling frequency. None where it was not measured.
        sigma : float or None
            Its standard error.
        """
        detail = self.detail_ppi * (1.0 if efficiency is None else min(efficiency, 1.0))
        if detail >= FINE_PPI:
            return ()
        largest = detail / FINE_PPI
        error = "" if sigma is None else f" ± {max(100 * sigma, 1):.0f}"
        resolved = (
            f"the capture gives the print {self.detail_ppi:.0f} pixels per inch"
            if efficiency is None
            else f"the capture resolves {detail:.0f} pixels per inch of the print "
            f"({100 * efficiency:.0f}{error} % of its {self.detail_ppi:.0f})"
        )
        return (
            f"{resolved}, and below {FINE_PPI:.0f} a contact print looks soft (common practice, "
            f"no source); up to {self.width_mm * largest:.0f} x {self.height_mm * largest:.0f} mm "
            "it would be sharp",
        )


def plan_print_size(
    path: Path,
    source: tuple[int, int],
    source_ppi: float | None,
    *,
    size: PlateFormat | None = None,
    enlarge: float | None = None,
    ppi: float = PRINTER_PPI,
    no_size: tuple[str, str] | None = None,
) -> PrintSize:
    """Decide the size of a print negative's picture.

    Parameters
    ----------
    path : Path
        The positive, for messages.
    source : (int, int)
        Its rows and columns.
    source_ppi : float or None
        Its pixels per inch of the plate; None where the plate's size is not known.
    size : PlateFormat or None
        Sides the picture is to fit into, long side to long side.
    enlarge : float or None
        Or times the plate's own size; with neither, the plate's own size.
    ppi : float
        The printer's.
    no_size : (str, str), optional
        Why the plate's size is not known, where it is not, and what to do.

    Raises
    ------
    PrintNegativeError
        If the plate's size is needed and not known, or no film is so large.
    """
    rows, columns = source
    room = None if size is None else _turned(size, rows > columns)
    if room is not None:
        per_pixel = min(room[0] / columns, room[1] / rows) / MM_PER_INCH
        inches = (rows * per_pixel, columns * per_pixel)
    elif source_ppi is None:
        cause, way_out = no_size or ("it does not say", "save it with its resolution")
        what = f"has no size in millimetres: {cause}"
        remedy = f"give the size of the print, or {way_out}"
        raise PrintNegativeError(path, what, remedy)
    else:
        times = 1.0 if enlarge is None else enlarge
        inches = (rows / source_ppi * times, columns / source_ppi * times)
    shape = (max(1, round(inches[0] * ppi)), max(1, round(inches[1] * ppi)))
    planned = PrintSize(
        shape=shape,
        ppi=ppi,
        source=source,
        enlargement=None if source_ppi is None else shape[0] / ppi / (rows / source_ppi),
        room_mm=room,
    )
    sides = sorted((planned.width_mm, planned.height_mm))
    if sides[0] < SMALLEST_MM:
        what = f"would be {sides[0]:.1f} x {sides[1]:.1f} mm on the film"
        remedy = f"make its short side {SMALLEST_MM:.0f} mm at least: the marks need that"
        raise PrintNegativeError(path, what, remedy)
    sides = sorted(room or sides)
    if sides[0] > WIDEST_MM or sides[1] > LONGEST_MM:
        what = f"would be {sides[0]:.0f} x {sides[1]:.0f} mm, and no film is so large"
        raise PrintNegativeError(path, what, f"stay within {WIDEST_MM:.0f} mm of width")
    pixels = sides[0] * sides[1] * (ppi / MM_PER_INCH) ** 2
    if pixels > MOST_PIXELS:
        what = f"would have {pixels / 1e6:.0f} million pixels, more than a PDF holds"
        raise PrintNegativeError(
            path, what, "give fewer pixels an inch, or a smaller size", "ppi", "size"
        )
    return planned


def _turned(size: PlateFormat, tall: bool) -> tuple[float, float]:
    """Return width and height of a size that lies as the picture does, mm."""
    return (size.short_mm, size.long_mm) if tall else (size.long_mm, size.short_mm)
