"""What checking a package finds: typed, so that programs need not read sentences."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from platebench.archive.bag_paths import LONGEST_PATH_BYTES
from platebench.shown import LONGEST_PART, shown


class FindingKind(StrEnum):
    """Kinds of finding, in the words of docs/archive.md."""

    MISSING = "missing"  # listed and not there
    EXTRA = "extra"  # in data/ and not listed
    UNREADABLE = "unreadable"  # the system refuses to read it
    ALTERED = "altered"  # other bytes; pixels, too, where there are any
    METADATA_CHANGED = "metadata changed"  # other bytes, the pixels as they were
    BAD_DECLARATION = "bad declaration"  # bagit.txt is missing or wrong
    BAD_MANIFEST = "bad manifest"
    BAD_TAGS = "bad tags"  # bag-info.txt is wrong, or its Payload-Oxum does not fit
    UNSAFE_PATH = "unsafe path"  # leads out of the package; never looked at
    NOT_A_FILE = "not a file"  # a link, pipe or device
    UNSUPPORTED = "unsupported"  # version, encoding, algorithm, files to fetch
    OTHER_SPELLING = "other spelling"  # accents composed in another way: a note
    CLASH = "clash"  # one file on some disks: a note


NOTES = frozenset({FindingKind.OTHER_SPELLING, FindingKind.CLASH})
# What leaves a package incomplete (RFC 8493 section 3); the rest of the faults, invalid.
_INCOMPLETE = frozenset(FindingKind) - NOTES - {FindingKind.ALTERED, FindingKind.METADATA_CHANGED}


_COPY = "take what is named from another copy of the package"
_OUT = "move what does not belong there out of it"
_OTHERS = "ask whoever made it for a package of BagIt 1.0 in UTF-8 that holds all its files"
_REMEDIES = {
    FindingKind.UNREADABLE: "check the permissions and the disk",
    FindingKind.EXTRA: _OUT,
    FindingKind.NOT_A_FILE: _OUT,
    FindingKind.UNSAFE_PATH: "do not trust its manifests: take another copy of the package",
    FindingKind.UNSUPPORTED: _OTHERS,
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found.

    Attributes
    ----------
    kind : FindingKind
    path : str
        Within the package.
    what : str
        The rest of the sentence.
    """

    kind: FindingKind
    path: str
    what: str

    def __str__(self) -> str:
        return f"{self.kind}: {shown(self.path)} {shown(self.what, LONGEST_PART)}"

    def to_json(self) -> dict[str, str]:
        """Return plain values; every path that can be used is whole."""
        path, what = shown(self.path, LONGEST_PATH_BYTES), shown(self.what, LONGEST_PART)
        return {"kind": str(self.kind), "path": path, "what": what}


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageCheck:
    """The outcome of checking a package.

    Attributes
    ----------
    package : Path
    findings : tuple of Finding
        Faults and notes, by path.
    files, size : int
        Payload files and their bytes.
    identifier : str
        Its External-Identifier.
    """

    package: Path
    findings: tuple[Finding, ...]
    files: int
    size: int
    identifier: str = ""

    @property
    def faults(self) -> tuple[Finding, ...]:
        """Findings that are more than notes."""
        return tuple(finding for finding in self.findings if finding.kind not in NOTES)

    @property
    def complete(self) -> bool:
        """Everything that has to be there is there, and nothing else."""
        return not any(finding.kind in _INCOMPLETE for finding in self.findings)

    @property
    def valid(self) -> bool:
        """Complete, and every byte as it was."""
        return not self.faults

    @property
    def remedies(self) -> tuple[str, ...]:
        """What to do about the faults, each once."""
        return tuple(dict.fromkeys(_REMEDIES.get(fault.kind, _COPY) for fault in self.faults))

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "package": str(self.package),
            "identifier": shown(self.identifier, LONGEST_PART),
            "complete": self.complete,
            "valid": self.valid,
            "files": self.files,
            "bytes": self.size,
            "what_to_do": list(self.remedies),
            "findings": [finding.to_json() for finding in self.findings],
        }
