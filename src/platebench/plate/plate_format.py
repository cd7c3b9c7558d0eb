"""From a plate's corners and its nominal size to pixels per inch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from platebench.core.formats import CUT_UNDER, FORMATS, MM_PER_INCH, PlateFormat, format_named
from platebench.plate.record import PlateRecord

ASPECT_LIMIT_PERCENT = 1.5  # both sides may be cut up to 1 % under; more is another format


@dataclass(frozen=True, slots=True, kw_only=True)
class FormatFit:
    """How a plate's measured sides fit a nominal size.

    Attributes
    ----------
    name : str or None
        The format that was asked for; None if none was, or if it is not known.
    ppi : float or None
        Pixels per inch, mean of both sides; None without a format. Plates are cut up to 1 % under
        their nominal size, so the true figure is this or up to 1 % more.
    short_px, long_px : float
        Measured sides, means of opposite ones, in pixels.
    short_ppi, long_ppi : float or None
        Pixels per inch from each side alone.
    aspect_error_percent : float or None
        Long over short, measured against nominal; positive if the plate is longer.
    suggestions : tuple of str
        Formats of this shape, nearest first. A shape alone gives no size: a suggestion only.
    warning : str or None
        What does not fit, in plain words.
    """

    name: str | None
    ppi: float | None
    short_px: float
    long_px: float
    short_ppi: float | None = None
    long_ppi: float | None = None
    aspect_error_percent: float | None = None
    suggestions: tuple[str, ...] = ()
    warning: str | None = None


def plate_format(corners: ArrayLike, name: str | None) -> FormatFit:
    """Fit a plate to its nominal size.

    Parameters
    ----------
    corners : array_like, shape (4, 2)
        Top left, top right, bottom right, bottom left, ``(row, column)``, pixels.
    name : str or None
        As in ``session.toml``: a format's name, "W x H mm", or None or "" for unknown.

    Examples
    --------
    >>> plate = [[0, 0], [0, 5000], [4000, 5000], [4000, 0]]
    >>> fit = plate_format(plate, "4x5 in")
    >>> fit.ppi, fit.aspect_error_percent, fit.warning
    (1000.0, 0.0, None)
    >>> plate_format(plate, None).suggestions
    ('4x5 in', '8x10 in', '24x30 cm')
    """
    quad = np.asarray(corners, np.float64)
    ahead = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
    short, long = sorted((float(ahead[0] + ahead[2]) / 2, float(ahead[1] + ahead[3]) / 2))
    if short <= 0:
        raise ValueError(f"corners enclose no plate: {np.round(quad, 1).tolist()}")
    suggestions = _suggestions(long / short)
    nominal = format_named(name) if name else None
    if nominal is None:
        warning = f"plate format {name!r} is not known" if name else None
        return FormatFit(
            name=None,
            ppi=None,
            short_px=short,
            long_px=long,
            suggestions=suggestions,
            warning=warning,
        )
    short_ppi = short / nominal.short_mm * MM_PER_INCH
    long_ppi = long / nominal.long_mm * MM_PER_INCH
    error = 100 * ((long / short) / (nominal.long_mm / nominal.short_mm) - 1)
    return FormatFit(
        name=nominal.name,
        ppi=(short_ppi + long_ppi) / 2,
        short_px=short,
        long_px=long,
        short_ppi=short_ppi,
        long_ppi=long_ppi,
        aspect_error_percent=error,
        suggestions=suggestions,
        warning=_warning(nominal, error, suggestions),
    )


def misfit_of(record: PlateRecord) -> str:
    """Return what a converted plate's record says of a shape that is not its format's.

    Parameters
    ----------
    record : PlateRecord

    Returns
    -------
    str
        :attr:`FormatFit.warning`; "" where the shape fits, or the size does not follow from the
        format.

    Examples
    --------
    >>> from dataclasses import replace
    >>> corners = ((0, 0), (0, 4000), (3000, 4000), (3000, 0))
    >>> record = PlateRecord(ppi=600.0, corners=corners, format="13x18 cm")
    >>> misfit_of(record).split("; ")[0]
    'the plate is 3.7 % shorter in shape than 13x18 cm'
    >>> misfit_of(replace(record, format="9x12 cm"))
    ''
    """
    measured = record.scale is not None and record.scale.source != "nominal"
    if record.ppi is None or measured or not record.corners:
        return ""
    return plate_format(np.array(record.corners), record.format).warning or ""


def size_doubt(misfit: str, *, what: str = "the size") -> str:
    """Say that a length is in doubt, and what to do; a sentence without its full stop."""
    remedy = "correct its format or corners in session.toml, then convert again"
    return f"{what} is in doubt: {misfit}; {remedy}"


SET_CORNERS = "set its corners on the review page or in session.toml and convert again"


def unknown_size(format_name: str, *, doubtful: bool = False) -> tuple[str, str]:
    """Say why a plate has no size in millimetres, and what to do.

    Parameters
    ----------
    format_name : str
        As its record has it; "" where none was set.
    doubtful : bool
        True where its sides were in doubt. They were also where a format was set, and yet there is
        no size.

    Examples
    --------
    >>> unknown_size("9x12 cm")[0], unknown_size("")[0]
    ('its sides are in doubt', 'its format is not set')
    """
    if format_name:
        return "its sides are in doubt", SET_CORNERS
    if doubtful:
        remedy = SET_CORNERS.replace("corners", "format and its corners")
        return "its format is not set and its sides are in doubt", remedy
    return "its format is not set", "set it in session.toml and convert again"


def _suggestions(aspect: float) -> tuple[str, ...]:
    """Return the formats of this shape, cutting tolerance included, nearest first."""
    off = [(abs(aspect / (known.long_mm / known.short_mm) - 1), known.name) for known in FORMATS]
    near = [(error, name) for error, name in off if error <= CUT_UNDER]
    return tuple(name for _, name in sorted(near, key=lambda pair: pair[0]))


def _warning(nominal: PlateFormat, error: float, suggestions: tuple[str, ...]) -> str | None:
    if abs(error) <= ASPECT_LIMIT_PERCENT:
        return None
    shape = "longer" if error > 0 else "shorter"
    text = f"the plate is {abs(error):.1f} % {shape} in shape than {nominal.name}"
    return f"{text}; its shape is that of {' or '.join(suggestions)}" if suggestions else text
