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


def shown_seconds(seconds: float) -> str:
    """Return a shutter time as a camera shows it.

    Examples
    --------
    >>> shown_seconds(0.125), shown_seconds(2.5)
    ('1/8 s', '2.5 s')
    """
    return f"1/{round(1 / seconds)} s" if seconds < 0.3 else f"{seconds:g} s"
