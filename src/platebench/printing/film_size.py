"""Which film a print negative needs, and how it may be brought onto a smaller one."""

from __future__ import annotations

import math

from platebench.printing.negative_layout import FOOT, HEAD, SIDE, NegativeLayout

# From memory: film is sold in these sizes.
FILMS = (
    ("A4", 210.0, 297.0),
    ("8.5 x 11 in", 215.9, 279.4),
    ("11 x 17 in", 279.4, 431.8),
    ("A3", 297.0, 420.0),
    ("13 x 19 in", 330.2, 482.6),
    ("A2", 420.0, 594.0),
    ("roll of 24 in", 609.6, 1e9),
    ("roll of 44 in", 1117.6, 1e9),
    ("roll of 60 in", 1524.0, 1e9),
)
_TAKEN = (2 * SIDE, HEAD + FOOT)  # of width and of height, by the margins


def film_for(layout: NegativeLayout) -> str:
    """Return the smallest film that holds a sheet."""
    short = min(layout.width, layout.height)
    return next(
        (name for name, *film in FILMS if _holds(film, layout.width, layout.height)),
        f"a roll of {short:.0f} mm",
    )


def film_notes(layout: NegativeLayout) -> tuple[str, ...]:
    """Say so where the margins alone ask for larger film, and what would fit the smaller.

    Returns
    -------
    tuple of str
        A sentence without its full stop; empty where a smaller film would not hold the picture.
    """
    needed = film_for(layout)
    box = layout.picture
    width, height = box.right - box.left, box.bottom - box.top
    most = next((film[1:] for film in FILMS if film[0] == needed), (math.inf, math.inf))
    smaller = [
        film
        for film in FILMS
        if film[1] < most[0] and film[2] < most[1] and _holds(film[1:], width, height)
    ]
    if not smaller:
        return ()
    shares = {film[0]: _share(film[1:], width, height) for film in smaller}
    share = max(shares.values())
    name = " and ".join(film for film, kept in shares.items() if kept == share)
    size = f"{math.floor(width * share):d}x{math.floor(height * share):d}mm"
    less = f" ({math.floor(100 * share)}% as large)" if share < 1 else ""
    ways = [f"--size {size}{less} fits {name}"]
    lain = layout.height - _TAKEN[1] + _TAKEN[0], layout.width - _TAKEN[0] + _TAKEN[1]
    turned = next((film[0] for film in smaller if _holds(film[1:], *lain)), None)
    if turned and share < 1:
        way = "upright" if width > height else "on its side"
        ways.append(f"turned {way} (rotate in session.toml, then convert) it fits {turned} whole")
    return (
        f"the picture alone would fit {' or '.join(film[0] for film in smaller)}, but its margins "
        f"with marks and words make it {needed}; to use the smaller film, {', or '.join(ways)}",
    )


def _holds(film: tuple[float, ...] | list[float], width: float, height: float) -> bool:
    (short, long), sides = film, sorted((width, height))
    return sides[0] <= short and sides[1] <= long


def _share(film: tuple[float, ...], width: float, height: float) -> float:
    """Return how much of its size a picture keeps on a film, 1 at most; margins keep theirs."""
    fits = (
        min((across - _TAKEN[0]) / width, (down - _TAKEN[1]) / height)
        for across, down in (film, film[::-1])
    )
    return min(1.0, max(fits))
