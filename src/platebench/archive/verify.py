"""Is a package complete, and every byte as it was? Nothing is written; links are not followed."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from platebench.archive.file_check import Digest, Finding, FindingKind, PackageCheck, check_file
from platebench.archive.manifest import (
    LARGEST_MANIFEST,
    LARGEST_TAG_FILE,
    MADE_WITH,
    MANIFEST_NAME,
    READABLE_VERSIONS,
    SUPPORTED,
    Manifest,
    clashes,
    parse_declaration,
    parse_manifest,
    parse_tags,
)
from platebench.archive.package_tree import (
    ALGORITHMS,
    PackageTree,
    hash_path,
    read_small,
    refuse_no_package,
    walk_package,
)
from platebench.archive.pixels import RECIPE, pixels_as_recorded, recipe_as_packed
from platebench.core.files import size_of
from platebench.core.progress import NullProgress, Progress, working
from platebench.core.shown import shown

PAYLOAD = "data/"
_OXUM = re.compile(r"(\d{1,20})\.(\d{1,20})")


@dataclass(slots=True)
class _Checking:
    """One check as it goes."""

    package: Path
    tree: PackageTree
    digest: Digest
    findings: list[Finding] = field(default_factory=list)
    payload: dict[str, Manifest] = field(default_factory=dict)
    tags: dict[str, Manifest] = field(default_factory=dict)
    spelled: dict[str, str] = field(default_factory=dict)
    identifier: str = ""
    oxum: str | None = None
    recipe: dict[str, Any] | None = None  # once it is needed

    def digests_of(self, path: str) -> dict[str, str]:
        """Return what the payload manifests state of a file, by algorithm."""
        return {
            algorithm: manifest.entries[path]
            for algorithm, manifest in self.payload.items()
            if path in manifest.entries
        }

    def unlooked(self, path: str) -> bool:
        """Tell whether something that was found begins so, or hides it, and was not looked into.

        What is told of that is enough.
        """
        return any(
            odd == "." or odd.startswith(path) or path.startswith(f"{odd}/")
            for odd, _ in self.tree.odd
        )

    def find(self, kind: FindingKind, path: str, what: str) -> None:
        """Note a finding."""
        self.findings.append(Finding(kind, path, what))


def verify_package(
    package: Path, *, progress: Progress | None = None, digest: Digest = hash_path
) -> PackageCheck:
    """Check a package against its own manifests, every file read once.

    Parameters
    ----------
    package : Path
        Its folder; a package of any program, BagIt 0.97 or 1.0.
    progress : Progress or None
        Told of each file.
    digest : callable
        What reads and hashes a file.

    Returns
    -------
    PackageCheck
        With every finding.

    Raises
    ------
    PackageError
        If there is no such folder, or it was never a package.
    """
    refuse_no_package(package)
    progress = progress or NullProgress()
    checking = _Checking(package, walk_package(package), digest)
    for path, fault in checking.tree.odd:
        odd = FindingKind.UNREADABLE if fault.startswith("cannot") else FindingKind.NOT_A_FILE
        checking.find(odd, path, fault)
    _check_declaration(checking)
    _read_manifests(checking)
    _check_lists(checking)
    _check_tags(checking)
    _check_bytes(checking, progress)
    _check_oxum(checking)
    for first, second in clashes(checking.tree.files):
        checking.find(FindingKind.CLASH, second, f"and {shown(first)} are one file on some disks")
    payload = [size for path, size in checking.tree.files.items() if path.startswith(PAYLOAD)]
    return PackageCheck(
        package=package,
        findings=_each_once(checking.findings),
        files=len(payload),
        size=sum(payload),
        identifier=checking.identifier,
    )


def _each_once(findings: list[Finding]) -> tuple[Finding, ...]:
    """Sort by path; of two faults at one place, leave out the one that the other explains."""
    by_kind = {(found.path, found.kind): found for found in findings}
    chosen = [
        found
        for found in findings
        if (found.kind is not FindingKind.UNREADABLE or by_kind[found.path, found.kind] is found)
        and (
            found.kind is not FindingKind.MISSING
            or (found.path, FindingKind.BAD_DECLARATION) not in by_kind
        )
    ]
    return tuple(sorted(chosen, key=lambda found: (found.path, found.kind)))


def _check_declaration(checking: _Checking) -> None:
    if "bagit.txt" not in checking.tree.files and not checking.unlooked("bagit.txt"):
        return checking.find(FindingKind.BAD_DECLARATION, "bagit.txt", "is missing")
    data = _tag_file(checking, "bagit.txt", LARGEST_TAG_FILE)
    if data is None:  # told where its bytes are checked
        return None
    declared = parse_declaration(data)
    if declared is None:
        what = "does not read BagIt-Version and Tag-File-Character-Encoding, a line each"
        return checking.find(FindingKind.BAD_DECLARATION, "bagit.txt", what)
    version, encoding = declared
    if version not in READABLE_VERSIONS:
        checking.find(FindingKind.UNSUPPORTED, "bagit.txt", f"declares BagIt {shown(version, 40)}")
    if encoding.upper() != "UTF-8":
        what = f"declares tag files in {shown(encoding, 40)}"
        checking.find(FindingKind.UNSUPPORTED, "bagit.txt", what)
    return None


def _tag_file(checking: _Checking, path: str, limit: int) -> bytes | None:
    """Return a file of the top folder; a finding where it is there and cannot be read."""
    if path not in checking.tree.files:
        return None
    if checking.tree.files[path] > limit:
        what = f"is larger than {limit >> 20} MiB, the limit here"
        checking.find(FindingKind.BAD_MANIFEST, path, what)
        return b""
    data = read_small(checking.package, path, limit)
    if data is None:
        checking.find(FindingKind.UNREADABLE, path, "cannot be read")
    return data


def _read_manifests(checking: _Checking) -> None:
    for path in checking.tree.files:
        match = MANIFEST_NAME.fullmatch(path)
        if match is None:
            continue
        is_tag, algorithm = bool(match[1]), match[2].lower()
        if algorithm not in SUPPORTED:
            checking.find(FindingKind.UNSUPPORTED, path, "is of an algorithm unknown here")
            continue
        if (data := _tag_file(checking, path, LARGEST_MANIFEST)) is None:
            continue
        manifest = parse_manifest(data, algorithm)
        (checking.tags if is_tag else checking.payload)[algorithm] = manifest
        for problem in manifest.problems:
            checking.find(FindingKind.BAD_MANIFEST, path, problem)
        for unsafe, fault in manifest.unsafe:
            checking.find(FindingKind.UNSAFE_PATH, unsafe, f"{fault}; listed in {path}")
    if not checking.payload and not checking.unlooked("manifest-"):
        what = "is missing, and so is every other manifest that is read here"
        checking.find(FindingKind.MISSING, "manifest-sha512.txt", what)
    if "fetch.txt" in checking.tree.files:
        what = "names files to fetch; nothing is fetched here"
        checking.find(FindingKind.UNSUPPORTED, "fetch.txt", what)


def _check_lists(checking: _Checking) -> None:
    """Compare what is listed with what is there."""
    present = set(checking.tree.files)
    by_form = {unicodedata.normalize("NFC", path): path for path in present}
    listed: set[str] = set()
    for is_payload, manifests in ((True, checking.payload), (False, checking.tags)):
        every = set().union(*(manifest.entries for manifest in manifests.values()))
        for path in every:
            if path.startswith(PAYLOAD) != is_payload:
                kind = "payload" if is_payload else "tag"
                what = f"does not belong into a {kind} manifest"
                checking.find(FindingKind.BAD_MANIFEST, path, what)
            there = path if path in present else by_form.get(unicodedata.normalize("NFC", path))
            if there is None and not checking.unlooked(path):
                checking.find(FindingKind.MISSING, path, "is listed and not there")
            elif there is not None and there != path:
                checking.find(
                    FindingKind.OTHER_SPELLING, there, "has its accents written otherwise"
                )
            listed.add(there or path)
            checking.spelled[path] = there or ""
        _compare_lists(checking, manifests, every, "manifest" if is_payload else "tagmanifest")
    for path in sorted(present - listed):
        if not path.startswith(PAYLOAD):
            if checking.tags and not path.startswith("tagmanifest-"):
                checking.find(FindingKind.EXTRA, path, "is in no tag manifest")
        elif checking.payload:
            checking.find(FindingKind.EXTRA, path, "is in no manifest")


def _compare_lists(
    checking: _Checking, manifests: Mapping[str, Manifest], every: set[str], kind: str
) -> None:
    """See that each manifest lists what the others do.

    A payload manifest has to list every payload file, a tag manifest every payload manifest, and
    should list the same tag files as others (RFC 8493, sections 2.1.3 and 2.2.1, from memory).
    """
    if kind == "tagmanifest" and manifests:
        names = map(MANIFEST_NAME.fullmatch, checking.tree.files)
        every = every | {match[0] for match in names if match and not match[1]}
    for algorithm, manifest in manifests.items():
        name = f"{kind}-{algorithm}.txt"
        if manifest.entries:
            for path in sorted(every - set(manifest.entries)):
                checking.find(FindingKind.BAD_MANIFEST, path, f"is not listed in {name}")
        elif every and not manifest.problems:
            checking.find(FindingKind.BAD_MANIFEST, name, "lists nothing")


def _check_tags(checking: _Checking) -> None:
    if (data := _tag_file(checking, "bag-info.txt", LARGEST_TAG_FILE)) is None:
        return
    tags = parse_tags(data)
    if tags is None:
        checking.find(FindingKind.BAD_TAGS, "bag-info.txt", "is not a list of labels and values")
        return
    values = {label.lower(): value for label, value in reversed(tags)}
    checking.identifier = values.get("external-identifier", "")
    checking.oxum = values.get("payload-oxum")
    if not values.get("made-with", "").startswith(MADE_WITH):
        return
    for name in (
        f"{kind}-{hash}.txt" for kind in ("manifest", "tagmanifest") for hash in ALGORITHMS
    ):
        told = any(found.path == name for found in checking.findings)
        if name not in checking.tree.files and not told and not checking.unlooked(name):
            what = "is not there, and every package of platebench has one"
            checking.find(FindingKind.MISSING, name, what)


def _check_oxum(checking: _Checking) -> None:
    """Compare the octets and files that bag-info.txt counts, where nothing else explains it."""
    if checking.oxum is None or any(f"{f.path}/".startswith(PAYLOAD) for f in checking.findings):
        return
    payload = [size for path, size in checking.tree.files.items() if path.startswith(PAYLOAD)]
    found = f"{sum(payload)}.{len(payload)}"
    if not _OXUM.fullmatch(checking.oxum) or checking.oxum != found:
        what = f"says Payload-Oxum {checking.oxum[:50]}, found is {found}"
        checking.find(FindingKind.BAD_TAGS, "bag-info.txt", what)


def _check_bytes(checking: _Checking, progress: Progress) -> None:
    """Hash every listed file once, by all algorithms that list it."""
    wanted: dict[str, dict[str, str]] = {}
    for manifests in (checking.payload, checking.tags):
        for algorithm, manifest in manifests.items():
            for path, digest in manifest.entries.items():
                if there := checking.spelled[path]:
                    wanted.setdefault(there, {})[algorithm] = digest
    sizes = {path: size_of(checking.package / path) for path in sorted(wanted)}
    with working(progress, "files", len(sizes), work=sum(sizes.values())):
        for path, size in sizes.items():
            _check_file(checking, path, wanted[path])
            progress.advance(path, size)


def _check_file(checking: _Checking, path: str, wanted: Mapping[str, str]) -> None:
    found = check_file(checking.package, path, wanted, digest=checking.digest)
    if found is not None:
        whole = found.kind is FindingKind.ALTERED and checking.tree.files[path]
        checking.findings.append(_by_pixels(checking, found) if whole else found)


def _by_pixels(checking: _Checking, found: Finding) -> Finding:
    """Return what the pixels tell of a file with other bytes, where they tell anything."""
    if checking.recipe is None:
        checking.recipe = recipe_as_packed(checking.package, checking.digests_of(RECIPE))
    pixels = pixels_as_recorded(checking.package, found.path, checking.recipe)
    if pixels is None:
        return found
    if pixels:
        what = "was changed beside its pixels; these are as they were"
        return Finding(FindingKind.METADATA_CHANGED, found.path, what)
    what = "has other pixels than when it was packed"
    return Finding(FindingKind.ALTERED, found.path, what)
