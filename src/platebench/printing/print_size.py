"""How large a print negative is: pixels at the printer's resolution, and what the plate supports.

The picture keeps its own shape: it is scaled alike both ways, never stretched or cropped.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from platebench.errors import PrintNegativeError
from platebench.formats import MM_PER_INCH, PlateFormat

PRINTER_PPI = 720.0  # a step inkjet printers work in; 600 and 1200 are the others
FINE_PPI = 300.0  # below this a contact print looks soft at reading distance; practice, no source
MAX_SKEW = 0.03  # plates are cut up to 1 % under their nominal sides, so shapes differ by 2 %
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
    """

    shape: tuple[int, int]
    ppi: float
    source: tuple[int, int]
    enlargement: float | None

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

    def resolution_notes(self, efficiency: float | None = None) -> tuple[str, ...]:
        """Say what the plate's real resolution cannot support.

        Parameters
        ----------
        efficiency : float or None
            Share of its pixels the capture resolves, 0 to 1: the frequency at which its SFR falls
            to 0.1, over half the sampling frequency. None where it was not measured.
        """
        detail = self.detail_ppi * (1.0 if efficiency is None else min(efficiency, 1.0))
        if detail >= FINE_PPI:
            return ()
        largest = detail / FINE_PPI
        resolved = (
            f"the capture gives the print {self.detail_ppi:.0f} pixels per inch"
            if efficiency is None
            else f"the capture resolves {detail:.0f} pixels per inch of the print "
            f"({efficiency:.0%} of its {self.detail_ppi:.0f})"
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
        Sides the picture is to fill, long side to long side.
    enlarge : float or None
        Or times the plate's own size; with neither, the plate's own size.
    ppi : float
        The printer's.

    Raises
    ------
    PrintNegativeError
        If the plate's size is needed and not known, the shapes differ, or no film is so large.
    """
    rows, columns = source
    if size is not None:
        inches = _fitted_inches(path, source, size)
    elif source_ppi is None:
        what = "has no size in millimetres"
        remedy = "give --size, or set the plate's format in session.toml and convert again"
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
    )
    sides = sorted((planned.width_mm, planned.height_mm))
    if sides[0] < SMALLEST_MM:
        what = f"would be {sides[0]:.1f} x {sides[1]:.1f} mm on the film"
        remedy = f"make its short side {SMALLEST_MM:.0f} mm at least: the marks need that"
        raise PrintNegativeError(path, what, remedy)
    if sides[0] > WIDEST_MM or sides[1] > LONGEST_MM:
        what = f"would be {sides[0]:.0f} x {sides[1]:.0f} mm, and no film is so large"
        raise PrintNegativeError(path, what, f"stay within {WIDEST_MM:.0f} mm of width")
    if shape[0] * shape[1] > MOST_PIXELS:
        what = f"would have {shape[0] * shape[1] / 1e6:.0f} million pixels, more than a PDF holds"
        raise PrintNegativeError(path, what, "give a lower --ppi, or a smaller size")
    return planned


def _fitted_inches(path: Path, source: tuple[int, int], size: PlateFormat) -> tuple[float, float]:
    """Return height and width, in inches, of a picture as large as fits the sides."""
    rows, columns = source
    shape = max(rows, columns) / min(rows, columns)
    wanted = size.long_mm / size.short_mm
    if not 1 / (1 + MAX_SKEW) < shape / wanted < 1 + MAX_SKEW:
        short = size.long_mm / shape
        own = (short, size.long_mm) if short <= size.short_mm else (
            size.short_mm, size.short_mm * shape)  # fmt: skip
        what = (
            f"has the shape 1 : {shape:.3f} and {size.short_mm:.1f} x {size.long_mm:.1f} mm "
            f"the shape 1 : {wanted:.3f}"
        )
        remedy = f"name a size of its own shape, such as --size {own[0]:.1f}x{own[1]:.1f}mm"
        raise PrintNegativeError(path, what, remedy)
    per_pixel = min(size.long_mm / max(rows, columns), size.short_mm / min(rows, columns))
    return rows * per_pixel / MM_PER_INCH, columns * per_pixel / MM_PER_INCH
