"""How this program is called again: in a command that it prints for a person to type."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

NAME = "platebench"


def command_to_type(
    *words: str,
    called: str | None = None,
    found: str | None = None,
    windows: bool = os.name == "nt",
) -> str:
    """Return a command line that calls this program again, quoted for the shell.

    Parameters
    ----------
    words : str
        What follows the program's name.
    called : str or None
        How it was called; None: the first of the process's own arguments.
    found : str or None
        What the shell finds under its name, "" for nothing; None: it is looked for.
    windows : bool
        Quote for Windows.

    Examples
    --------
    >>> command_to_type("review", "my shelf", called=".venv/bin/platebench", found="")
    ".venv/bin/platebench review 'my shelf'"
    """
    called = sys.argv[0] if called is None else called
    found = shutil.which(NAME) or "" if found is None else found
    line = [*_program(Path(called), found), *words]
    return subprocess.list2cmdline(line) if windows else shlex.join(line)


def _program(called: Path, found: str) -> list[str]:
    if called.name == "__main__.py":  # python -m platebench
        return [sys.executable, "-m", NAME]
    if called.stem != NAME or (found and _bare(Path(found)) == _bare(called)):
        return [NAME]
    return [str(called)]


def _bare(path: Path) -> Path:
    """Return the program's own file, without the ending that Windows adds or leaves out."""
    return path.resolve().with_suffix("")
