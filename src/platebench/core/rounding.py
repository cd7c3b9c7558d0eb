"""Rounding for files and for people: what rounds to nothing is plain zero."""

from __future__ import annotations

from typing import overload


@overload
def rounded(value: float, digits: int) -> float: ...
@overload
def rounded(value: float | None, digits: int) -> float | None: ...
def rounded(value: float | None, digits: int) -> float | None:
    """Return a number rounded, None as it is; a tiny negative one becomes 0.0 and not -0.0.

    For text, the format option ``z`` does the same (PEP 682).

    Examples
    --------
    >>> rounded(-0.0004, 3), rounded(-0.0006, 3), rounded(1.23456, 2)
    (0.0, -0.001, 1.23)
    """
    return None if value is None else round(float(value), digits) + 0.0


def to_digits(value: float, digits: int = 6) -> float:
    """Return a number with so many significant digits.

    Examples
    --------
    >>> to_digits(1234.5678), to_digits(-1e-9, 3)
    (1234.57, -1e-09)
    """
    return float(f"{value:.{digits}g}") + 0.0
