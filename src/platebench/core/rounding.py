"""Rounding for files and for people: what rounds to nothing is plain zero."""

from __future__ import annotations


def rounded(value: float, digits: int) -> float:
    """Return a number rounded; a tiny negative one becomes 0.0 and not -0.0.

    For text, the format option ``z`` does the same (PEP 682).

    Examples
    --------
    >>> rounded(-0.0004, 3), rounded(-0.0006, 3), rounded(1.23456, 2)
    (0.0, -0.001, 1.23)
    """
    return round(float(value), digits) + 0.0
