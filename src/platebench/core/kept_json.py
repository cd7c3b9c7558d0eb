"""Results that a command kept as JSON for other commands: read back, or refused by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from platebench.core.errors import ReadingsError
from platebench.core.files import read_at_most
from platebench.core.plain_json import read_json

Kept = TypeVar("Kept")
_LARGEST = 1 << 26  # bytes


def read_kept(
    path: Path, key: str, build: Callable[[Mapping[str, Any]], Kept], *, lacks: str, remedy: str
) -> Kept:
    """Return what ``build`` makes of a file's table.

    Parameters
    ----------
    path : Path
    key : str
        A name that only such a file holds.
    build : callable
        Raises ``ValueError`` or ``KeyError`` where the table is not what it should be.
    lacks, remedy : str
        What a wrong file does not hold, and which to name.

    Raises
    ------
    ReadingsError
        If the file is missing, cannot be read, or is something else.
    """
    try:
        document = read_json(read_at_most(path, _LARGEST) or b"")
        if not isinstance(document, Mapping) or key not in document:
            raise ValueError(key)
        return build(document)
    except FileNotFoundError as error:
        raise ReadingsError(path, "is missing", remedy) from error
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise ReadingsError(path, what, "check the file and its permissions") from error
    except (ValueError, KeyError, RecursionError) as error:
        raise ReadingsError(path, f"holds no {lacks}", remedy) from error
