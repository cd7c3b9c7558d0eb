"""Paths, manifests and tag files of BagIt 1.0 (RFC 8493): read with limits, written in one form."""

from __future__ import annotations

import hashlib
import io
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import PureWindowsPath

from platebench.core.shown import shown

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


DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
LARGEST_MANIFEST = 64 * 2**20  # bytes
MOST_FILES = 250_000
LARGEST_TAG_FILE = 2**20  # bytes, of bagit.txt and bag-info.txt
SUPPORTED = ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")  # of foreign packages, too
MADE_WITH = "platebench "  # how Made-With begins in our packages
READABLE_VERSIONS = ("0.97", "1.0")
MANIFEST_NAME = re.compile(r"(tag)?manifest-([A-Za-z0-9]+)\.txt")

_LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+(.+)", re.DOTALL)
_ENDS = re.compile(r"\r\n|\r|\n")
_DECLARED = re.compile(
    r"BagIt-Version: (\d+\.\d+)(?:\r\n|\r|\n)Tag-File-Character-Encoding: (\S+)(?:\r\n|\r|\n)?"
)
_MOST_LINES = 4 * MOST_FILES
_MOST_TOLD = 20  # bad lines of one manifest


@dataclass(slots=True)
class Manifest:
    """A manifest as read.

    Attributes
    ----------
    entries : dict of str to str
        Digest in lower-case hexadecimal by path.
    unsafe : list of (str, str)
        Paths that are never looked at, and why.
    problems : list of str
        What is wrong with it, each with its line.
    """

    entries: dict[str, str] = field(default_factory=dict)
    unsafe: list[tuple[str, str]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


def is_package(names: Iterable[str]) -> bool:
    """Tell by the names in a folder whether it is a package, be it one that lost some of them.

    Examples
    --------
    >>> is_package(["data", "manifest-sha512.txt"]), is_package(["data"])
    (True, False)
    """
    return any(name == "bagit.txt" or MANIFEST_NAME.fullmatch(name) for name in names)


def parse_manifest(data: bytes, algorithm: str) -> Manifest:
    """Return what a manifest lists, and everything that is wrong with it.

    Parameters
    ----------
    data : bytes
        The file, at most ``LARGEST_MANIFEST`` bytes.
    algorithm : str
        One of ``SUPPORTED``; digests of another length are problems.
    """
    manifest = Manifest()
    text = _decoded(data, manifest.problems)
    digits = hashlib.new(algorithm, usedforsecurity=False).digest_size * 2
    lines = io.StringIO(text, newline=None)  # one at a time: a manifest may be nothing but lines
    for number, ended in enumerate(lines, 1):
        line = ended.rstrip("\n")
        if number > _MOST_LINES:
            manifest.problems.append(f"has more than {_MOST_LINES} lines, the limit here")
            break
        if len(manifest.problems) >= _MOST_TOLD:
            manifest.problems.append("and more: it is given up here")
            break
        if not line:
            continue
        if len(manifest.entries) >= MOST_FILES:
            manifest.problems.append(f"lists more than {MOST_FILES} files, the limit here")
            break
        match = _LINE.fullmatch(line)
        if match is None:
            manifest.problems.append(f"line {number} is not a digest and a path")
            continue
        digest, path = match[1].lower(), decode_path(match[2])
        fault = fault_of_path(path)
        if fault:
            manifest.unsafe.append((path, fault))
        elif len(digest) != digits:
            manifest.problems.append(f"line {number} has a digest of {len(digest)} digits")
        elif path in manifest.entries:
            manifest.problems.append(f"line {number} lists {shown(path)} again")
        else:
            manifest.entries[path] = digest
    return manifest


def _decoded(data: bytes, problems: list[str]) -> str:
    if len(data) > LARGEST_MANIFEST:
        problems.append(f"is larger than {LARGEST_MANIFEST >> 20} MiB, the limit here")
        return ""
    if data.startswith(b"\xef\xbb\xbf"):
        problems.append("begins with a byte-order mark")
        data = data[3:]
    try:
        return data.decode()
    except UnicodeDecodeError:
        problems.append("is not UTF-8")
        return ""


def format_manifest(digests: Mapping[str, str]) -> bytes:
    """Return a manifest: sorted by path, two spaces, a line feed after each."""
    lines = (f"{digests[path]}  {encode_path(path)}\n" for path in sorted(digests))
    return "".join(lines).encode()


def parse_declaration(data: bytes) -> tuple[str, str] | None:
    """Return version and encoding that ``bagit.txt`` declares; None if it is not one.

    Examples
    --------
    >>> parse_declaration(DECLARATION)
    ('1.0', 'UTF-8')
    """
    try:
        match = _DECLARED.fullmatch(data.decode())
    except UnicodeDecodeError:
        return None
    return None if match is None else (match[1], match[2])


def format_tags(tags: Iterable[tuple[str, str]]) -> bytes:
    """Return ``bag-info.txt``: a line each; empty values are left out, line ends become spaces."""
    lines = (f"{label}: {' '.join(value.split())}\n" for label, value in tags if value.strip())
    return "".join(lines).encode()


def parse_tags(data: bytes) -> list[tuple[str, str]] | None:
    """Return the labels and values of ``bag-info.txt`` in order; None if it is not one.

    A line that begins with a space or tab goes on with the one before.
    """
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return None
    tags: list[tuple[str, list[str]]] = []
    for line in _ENDS.split(text):
        label, colon, value = line.partition(":")
        if line[:1] in (" ", "\t") and tags:
            tags[-1][1].append(line.strip())
        elif colon and label.strip():
            tags.append((label.strip(), [value.strip()]))
        elif line.strip():
            return None
    return [(label, " ".join(parts)) for label, parts in tags]
