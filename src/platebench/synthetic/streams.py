"""One independent random stream per effect.

Switching an effect off, or changing its strength, leaves every other effect of the same seed as it
was, because no two effects draw from the same generator.
"""

from __future__ import annotations

import numpy as np

# Append only: the position of a name decides its stream, so old seeds keep their pictures.
EFFECTS = (
    "coating",
    "grain",
    "chips",
    "scratches",
    "pinholes",
    "dust",
    "flakes",
    "shot",
    "read",
    "light",
    "pattern",
    "few",
    "print",
    "paper",
    "scan",
)


def effect_streams(seed: int) -> dict[str, np.random.Generator]:
    """Return a fresh generator for each effect in `EFFECTS`.

    Parameters
    ----------
    seed : int
        Any non-negative integer.

    Examples
    --------
    >>> first, again = effect_streams(7), effect_streams(7)
    >>> _ = first["dust"].random(1000)
    >>> bool(first["read"].random() == again["read"].random())
    True
    """
    children = np.random.SeedSequence(seed).spawn(len(EFFECTS))
    return {
        name: np.random.default_rng(child) for name, child in zip(EFFECTS, children, strict=True)
    }
