"""Which plate ids and capture names are safe as file names, on any system."""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from pathlib import PurePosixPath, PureWindowsPath

LONGEST_ID = 80  # characters
LONGEST_ID_BYTES = 200  # file systems stop at 255 bytes; suffixes need room

# Names and characters that Windows reserves (Microsoft, "Naming Files, Paths, and Namespaces";
# from memory). Plates travel between machines, so they are refused everywhere.
_RESERVED = re.compile(r"^(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?$", re.IGNORECASE)
_BAD_CHARACTERS = '/\\<>:"|?*'


def as_text(name: str) -> str:
    r"""Return a file's name as a document can hold it, which is in UTF-8.

    Names are any bytes. Those that are no text in the system's encoding are kept by Python as
    surrogates, which no document can hold: they are read as UTF-8 here, or shown as U+FFFD.

    Examples
    --------
    >>> as_text("shelf 3"), as_text(os.fsdecode(b"S\xc3\xbcd")) == "S\u00fcd"
    ('shelf 3', True)
    """
    try:
        return name.encode(errors="surrogateescape").decode(errors="replace")
    except UnicodeEncodeError:  # half a character, which Windows lets a name have
        return name.encode(errors="replace").decode()


def fault_of_encoding(name: str) -> str | None:
    """Return why a name is none that both a document and this system can hold; None if it is."""
    try:
        os.fsencode(name)
        name.encode()
    except UnicodeEncodeError:
        if sys.getfilesystemencoding() == "utf-8":
            return "is not UTF-8"
        return "has letters that the locale cannot name (set LC_ALL=C.UTF-8, or PYTHONUTF8=1)"
    return None


def fault_of_id(plate_id: str) -> str | None:
    """Return why ``plate_id`` cannot name files, as the end of a sentence; None if it can.

    Examples
    --------
    >>> fault_of_id("plate-001")
    >>> fault_of_id("../etc")
    'begins with a dot'
    >>> fault_of_id("a/b")
    "contains '/'"
    >>> fault_of_id("nul.1")
    'is a name that Windows reserves'
    """
    if not plate_id:
        return "is empty"
    if plate_id.startswith("."):
        return "begins with a dot"
    if plate_id.startswith("-"):
        return "begins with a hyphen"
    if plate_id != plate_id.strip() or plate_id.endswith("."):
        return "begins or ends with a space, or ends with a dot"
    if fault := fault_of_encoding(plate_id):
        return fault
    if not plate_id.isprintable():
        return "contains control characters"
    for character in _BAD_CHARACTERS:
        if character in plate_id:
            return f"contains {character!r}"
    if _RESERVED.match(plate_id):
        return "is a name that Windows reserves"
    if len(plate_id) > LONGEST_ID or len(plate_id.encode()) > LONGEST_ID_BYTES:
        return f"is longer than {LONGEST_ID} characters"
    return None


def folded_id(plate_id: str) -> str:
    """Return what two ids share when some file system cannot tell them apart.

    Examples
    --------
    >>> folded_id("Plate-A") == folded_id("plate-a")
    True
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", plate_id).casefold())


def stem_of(name: str) -> str:
    """Return what the files of a plate, or of a picture on it, are called, without a suffix.

    Examples
    --------
    >>> stem_of("plate-001"), stem_of("plate-001/2")
    ('plate-001', 'plate-001.2')
    """
    return name.replace("/", ".")


def fault_of_capture(name: str) -> str | None:
    """Return why a capture's name leaves the session folder or cannot be a file; None if fine.

    Examples
    --------
    >>> fault_of_capture("frames/0001.dng")
    >>> fault_of_capture("../0001.dng")
    'leaves the session folder'
    >>> fault_of_capture("C:/0001.dng")
    'leaves the session folder'
    """
    if not name.strip():
        return "is empty"
    if fault := fault_of_encoding(name):
        return fault
    if not name.isprintable():
        return "contains control characters"
    if PureWindowsPath(name).drive or PurePosixPath(name).is_absolute() or name.startswith("\\"):
        return "leaves the session folder"
    if ".." in re.split(r"[/\\]", name):
        return "leaves the session folder"
    if "\\" in name:
        return "contains a backslash"
    return None
