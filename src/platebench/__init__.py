"""From glass-plate negatives on a light box to densities, positives and proof sheets.

The verbs of one plate, for notebooks and scripts; ``docs/python.md`` walks through them.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from platebench.core.version import __version__

if TYPE_CHECKING:
    from platebench.verbs import (
        density,
        find_plate,
        flatten,
        light_from_blanks,
        make_positive,
        measure_plate,
        read_capture,
        straighten,
        write_positive,
    )

__all__ = [
    "__version__",
    "density",
    "find_plate",
    "flatten",
    "light_from_blanks",
    "make_positive",
    "measure_plate",
    "read_capture",
    "straighten",
    "write_positive",
]


def __getattr__(name: str) -> Any:
    """Load the verbs when one is first asked for: the command line starts without them."""
    if name in __all__:
        return getattr(import_module("platebench.verbs"), name)
    raise AttributeError(f"module 'platebench' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
