"""Paths inside a package: how a manifest writes them, and which ones are not safe.

RFC 8493 section 2.1.3: forward slashes, UTF-8, and CR, LF and % percent-encoded.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from pathlib import PureWindowsPath

LONGEST_PATH_BYTES = 4096  # what Linux takes; others take less

_ENCODED = re.compile(r"%(25|0[aAdD])")
_CODES = {"%": "%25", "\n": "%0A", "\r": "%0D"}


def encode_path(path: str) -> str:
    r"""Return a path as a manifest writes it.

    Examples
    --------
    >>> encode_path("data/50%\nsure.tif")
    'data/50%25%0Asure.tif'
    """
    return re.sub(r"[%\r\n]", lambda found: _CODES[found[0]], path)


def decode_path(written: str) -> str:
    r"""Return the path that a manifest means; other percent signs are left as they are.

    Examples
    --------
    >>> decode_path("data/50%25%0asure.tif"), decode_path("data/100%.tif")
    ('data/50%\nsure.tif', 'data/100%.tif')
    """
    return _ENCODED.sub(lambda found: chr(int(found[1], 16)), written)


def fault_of_path(path: str) -> str | None:
    """Return why a path could lead out of its package, on any system; None if it cannot.

    Examples
    --------
    >>> fault_of_path("data/masters/plate-1.tif")
    >>> fault_of_path("data/../../secret")
    'leads out of its folder'
    >>> fault_of_path("data/C:/secret"), fault_of_path("/secret")
    ('names a drive', 'is absolute')
    """
    parts = re.split(r"[/\\]", path)
    if "\0" in path:
        return "holds a null character"
    if path[:1] in ("/", "\\"):
        return "is absolute"
    if any(PureWindowsPath(part).drive for part in parts):
        return "names a drive"
    if parts[0].startswith("~"):
        return "names a home folder"
    if ".." in parts:
        return "leads out of its folder"
    if not path or "" in parts or "." in parts:
        return "has an empty part, or a part that is a dot"
    if len(path.encode(errors="surrogateescape")) > LONGEST_PATH_BYTES:
        return f"is longer than {LONGEST_PATH_BYTES} bytes"
    return None


def folded_path(path: str) -> str:
    """Return what two paths share when some file system cannot tell them apart.

    Examples
    --------
    >>> folded_path("data/Plate.tif") == folded_path("data/plate.TIF")
    True
    """
    once = unicodedata.normalize("NFC", path).casefold()
    return unicodedata.normalize("NFC", once)


def clashes(paths: Iterable[str]) -> list[tuple[str, str]]:
    """Return pairs of different paths that would be one file on some disks, folders included."""
    seen: dict[str, str] = {}
    found: dict[tuple[str, str], None] = {}
    for path in sorted(set(paths)):
        parts = path.split("/")
        for count in range(1, len(parts) + 1):
            head = "/".join(parts[:count])
            first = seen.setdefault(folded_path(head), head)
            if first != head:
                found[first, head] = None
    return list(found)
