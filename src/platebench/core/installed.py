"""What is installed: the folder of profiles, and the programs that have a say in the bytes."""

from __future__ import annotations

import platform
import sys
from functools import cache
from importlib import metadata
from pathlib import Path

from platebench.core.shown import shown
from platebench.core.version import __version__


def profiles_folder() -> Path:
    """Return the folder ``profiles``: inside an installed package, or at the root of a checkout.

    Raises
    ------
    FileNotFoundError
        If the installation lacks it, which is a packaging fault.
    """
    here = Path(__file__).resolve()
    for folder in (here.parents[1] / "profiles", here.parents[3] / "profiles"):
        if (folder / "tone").is_dir():
            return folder
    raise FileNotFoundError(f"no profiles beside {here.parents[1]}; install the package again")


_DISTRIBUTIONS = (
    *("edtf", "exifread", "imagecodecs", "numpy", "opencv-python-headless", "pillow"),
    *("rawpy", "scipy", "tifffile"),
)


def versions() -> dict[str, str]:
    """Return versions by name; the system and the kind of processor stand for its own libraries."""
    return dict(_installed())


@cache  # what is loaded stays loaded, whatever is installed while the program runs
def _installed() -> dict[str, str]:
    found = {"platebench": __version__, "python": platform.python_version()}
    for name in _DISTRIBUTIONS:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:  # built into a single file, say
            found[name] = "unknown"
    return found | {"system": sys.platform, "processor": platform.machine()}


def differing(then: dict[str, str], now: dict[str, str]) -> list[str]:
    """Return a sentence's worth for each version that differs.

    Examples
    --------
    >>> differing({"numpy": "2.1.0", "rawpy": "0.28"}, {"numpy": "2.2.0", "rawpy": "0.28"})
    ['numpy was 2.1.0 and is 2.2.0']
    """
    names = sorted(then.keys() | now.keys())
    return [
        shown(f"{name} was {then.get(name, 'not used')} and is {now.get(name, 'not used')}")
        for name in names
        if then.get(name) != now.get(name)
    ]
