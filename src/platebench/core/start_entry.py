"""A file that a person clicks to start the page, in the form each system knows.

Linux: a desktop entry (freedesktop.org, Desktop Entry Specification 1.5). macOS: a ``.command``
file, which Terminal runs. Windows: a ``.bat`` file.
"""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import Literal, get_args

from platebench.core.errors import WriteError
from platebench.core.files import atomic_write

System = Literal["linux", "macos", "windows"]
SYSTEMS: tuple[System, ...] = get_args(System)
_NAMES: dict[System, str] = {
    "linux": "platebench.desktop",
    "macos": "platebench.command",
    "windows": "platebench.bat",
}


def system_named(platform: str) -> System:
    """Return which of the systems ``sys.platform`` names; any other is taken for a Linux.

    Examples
    --------
    >>> system_named("win32"), system_named("darwin"), system_named("freebsd14")
    ('windows', 'macos', 'linux')
    """
    return {"win32": "windows", "darwin": "macos"}.get(platform, "linux")  # type: ignore[return-value]


def write_start_entry(folder: Path, python: Path, system: System) -> Path:
    """Write the file into a folder and return it; it runs this very Python's platebench.

    Parameters
    ----------
    folder : Path
        Where it is wanted, such as the desktop.
    python : Path
        The Python that platebench is installed in.
    system : {"linux", "macos", "windows"}

    Raises
    ------
    WriteError
        If there is no such folder, or the file cannot be written.
    """
    path = folder / _NAMES[system]
    with atomic_write(path) as stream:
        stream.write(start_text(python, system).encode(errors="surrogateescape"))
    if system != "windows":
        os.chmod(path, 0o755)  # noqa: PTH101 (what a file manager asks for before it runs a file)
    return path


def start_text(python: Path, system: System) -> str:
    """Return what the file says.

    Raises
    ------
    WriteError
        If the system's files cannot hold the Python's name.
    """
    name = str(python)
    if any(ord(letter) < 32 for letter in name) or (system == "windows" and '"' in name):
        what = "no such file can hold that name of a program"
        raise WriteError(python, what, "install platebench in a folder of a plainer name")
    if system == "windows":
        escaped = name.replace("%", "%%")
        lines = (
            "@echo off",
            "chcp 65001 >nul",
            f'"{escaped}" -m platebench',
            "if errorlevel 1 pause",
        )
        return "".join(f"{line}\r\n" for line in lines)
    if system == "macos":
        return f"#!/bin/sh\nexec {shlex.quote(name)} -m platebench\n"
    return (
        "[Desktop Entry]\nType=Application\nVersion=1.5\nName=platebench\n"
        "Comment=Glass plates: capture, check, correct, convert, print, keep\n"
        f"Exec={_exec_argument(name)} -m platebench\nTerminal=true\nCategories=Graphics;\n"
    )


def _exec_argument(text: str) -> str:
    """Return an argument as the Exec key quotes it, then as a value of type string escapes it.

    Desktop Entry Specification 1.5, "The Exec key" and "Possible value types".
    """
    quoted = "".join(f"\\{letter}" if letter in '"`$\\' else letter for letter in text)
    return f'"{quoted}"'.replace("%", "%%").replace("\\", "\\\\")
