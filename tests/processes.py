"""Real processes in tests: the same packages as here, and waiting for what they do."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

# Under LC_ALL=C without UTF-8 mode no file can be named so; platebench says that in a line, which
# tests/faults/test_odd_names.py tries.
needs_accents = pytest.mark.skipif(
    sys.getfilesystemencoding() == "ascii", reason="no name with accents under this locale"
)

# Far above what anything here takes: reached only where it would never come, however busy the
# machine.
PATIENCE_S = 120.0


def environment(**more: str) -> dict[str, str]:
    """Return an environment in which a new Python finds the packages this one finds."""
    path = os.pathsep.join(path for path in sys.path if path)
    return os.environ | {"PYTHONPATH": path} | more


def command(*args: str | Path) -> list[str]:
    """Return the command line of ``platebench`` with these arguments."""
    return [sys.executable, "-m", "platebench", *map(str, args)]


def wait_until(condition: Callable[[], object], *, patience_s: float = PATIENCE_S) -> None:
    """Return as soon as a condition holds; fail if it does not come to hold."""
    end = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)
