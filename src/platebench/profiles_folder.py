"""Where the profiles that come with the package are."""

from __future__ import annotations

from pathlib import Path


def profiles_folder() -> Path:
    """Return the folder ``profiles``: inside an installed package, or at the root of a checkout.

    Raises
    ------
    FileNotFoundError
        If the installation lacks it, which is a packaging fault.
    """
    here = Path(__file__).resolve()
    for folder in (here.parent / "profiles", here.parents[2] / "profiles"):
        if (folder / "tone").is_dir():
            return folder
    raise FileNotFoundError(f"no profiles beside {here.parent}; install the package again")
