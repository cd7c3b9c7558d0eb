"""Every way a package can be broken is found, named, and told from the others."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import bagit
import numpy as np
import pytest
import tifffile

from platebench.archive import manifest as manifests
from platebench.archive.file_check import FindingKind
from platebench.archive.manifest import clashes, parse_manifest, parse_tags
from platebench.archive.package_writer import new_package
from platebench.archive.pixels import pixels_to_json
from platebench.archive.verify import verify_package
from platebench.core.errors import PackageError
from platebench.write.tiff import pixel_digest

from ..processes import needs_accents
from ..refusals import refused
from .packages import DAY, build, flip_byte, picture, rewrite, seal

ONE = "data/plates/tall.json"
Damage = Callable[[Path], object]


@pytest.fixture
def package(tmp_path: Path) -> Path:  # a small one, not that of conftest.py
    return build(tmp_path / "p", {"plates/tall.json": b'{"plate": "tall"}\n', "empty": b""})


def kinds(package: Path) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for finding in verify_package(package).findings:
        found.setdefault(finding.path, set()).add(str(finding.kind))
    return found


def replace_in(path: Path, before: bytes, after: bytes) -> None:
    data = path.read_bytes()
    assert before in data
    path.write_bytes(data.replace(before, after))


# What is done, where it is found and as what; an independent library rejects each of them, too.
BROKEN: list[tuple[str, Damage, str, str]] = [
    ("byte flipped", lambda p: flip_byte(p / ONE, 3), ONE, "altered"),
    ("deleted", lambda p: (p / ONE).unlink(), ONE, "missing"),
    ("cut off", lambda p: os.truncate(p / ONE, 5), ONE, "altered"),
    ("extra", lambda p: (p / "data/more").write_bytes(b"x"), "data/more", "extra"),
    (
        "manifest cut off",
        lambda p: rewrite(p, lambda _, data: data[:-30]),
        "manifest-sha256.txt",
        "bad manifest",
    ),
    (
        "manifest of a line less",
        lambda p: rewrite(p, lambda _, data: data.split(b"\n", 1)[1]),
        "data/empty",
        "extra",
    ),
    (
        "tag file changed",
        lambda p: replace_in(p / "bag-info.txt", b"2026", b"2025"),
        "bag-info.txt",
        "altered",
    ),
    (
        "oxum of another",
        lambda p: (replace_in(p / "bag-info.txt", b"Oxum: 18.2", b"Oxum: 18.3"), seal(p)),
        "bag-info.txt",
        "bad tags",
    ),
    ("no bagit.txt", lambda p: (p / "bagit.txt").unlink(), "bagit.txt", "bad declaration"),
    (
        "bad bagit.txt",
        lambda p: ((p / "bagit.txt").write_bytes(b"a bag\n"), seal(p)),
        "bagit.txt",
        "bad declaration",
    ),
    (
        "no encoding",
        lambda p: ((p / "bagit.txt").write_bytes(b"BagIt-Version: 1.0\n"), seal(p)),
        "bagit.txt",
        "bad declaration",
    ),
    (
        "no manifests",
        lambda p: [path.unlink() for path in p.glob("manifest-*")],
        "manifest-sha512.txt",
        "missing",
    ),
    (
        "path out of the package",
        lambda p: rewrite(p, lambda n, d: d + b"0" * (64 if n == "sha256" else 128) + b"  ../x\n"),
        "../x",
        "unsafe path",
    ),
    (
        "absolute path",
        lambda p: rewrite(p, lambda n, d: d + b"0" * (64 if n == "sha256" else 128) + b"  /x\n"),
        "/x",
        "unsafe path",
    ),
]


@pytest.mark.parametrize(
    ("damage", "path", "kind"), [case[1:] for case in BROKEN], ids=[case[0] for case in BROKEN]
)
def test_broken_in_ways_that_an_independent_library_rejects(
    package: Path, damage: Damage, path: str, kind: str
) -> None:
    assert verify_package(package).valid
    bagit.Bag(str(package)).validate()
    damage(package)
    check = verify_package(package)
    assert not check.valid
    assert kind in kinds(package)[path]
    assert check.complete == (kind == "altered")
    with pytest.raises((bagit.BagError, FileNotFoundError)):
        bagit.Bag(str(package)).validate()


# The same, where this is stricter than that library.
STRICTER: list[tuple[str, Damage, str, str]] = [
    (
        "a link for a file",
        lambda p: ((p / ONE).unlink(), (p / ONE).symlink_to("/etc/hostname")),
        ONE,
        "not a file",
    ),
    (
        "a link for a folder",
        lambda p: (
            (p / "data/plates").rename(p / "../x"),
            (p / "data/plates").symlink_to("../../x"),
        ),
        "data/plates",
        "not a file",
    ),
    (
        "one manifest of a line less",
        lambda p: rewrite(p, lambda name, d: d.split(b"\n", 1)[1] if name == "sha256" else d),
        "data/empty",
        "bad manifest",
    ),
    ("a pipe", lambda p: os.mkfifo(p / "data/pipe"), "data/pipe", "not a file"),
    (
        "a drive of Windows",
        lambda p: rewrite(p, lambda n, d: d + b"0" * (64 if n == "sha256" else 128) + b"  C:\\x\n"),
        "C:\\x",
        "unsafe path",
    ),
    (
        "backslashes",
        lambda p: rewrite(
            p, lambda n, d: d + b"0" * (64 if n == "sha256" else 128) + b"  data\\..\\..\\x\n"
        ),
        "data\\..\\..\\x",
        "unsafe path",
    ),
    (
        "a home folder",
        lambda p: rewrite(p, lambda n, d: d + b"0" * (64 if n == "sha256" else 128) + b"  ~/x\n"),
        "~/x",
        "unsafe path",
    ),
    (
        "listed twice",
        lambda p: rewrite(p, lambda _, data: data + data.split(b"\n", 1)[0] + b"\n"),
        "manifest-sha256.txt",
        "bad manifest",
    ),
    (
        "short digest",
        lambda p: rewrite(p, lambda _, data: data[2:]),
        "manifest-sha256.txt",
        "bad manifest",
    ),
    (
        "not UTF-8",
        lambda p: rewrite(p, lambda _, data: data + b"\xff\n"),
        "manifest-sha256.txt",
        "bad manifest",
    ),
    (
        "byte-order mark",
        lambda p: rewrite(p, lambda _, data: b"\xef\xbb\xbf" + data),
        "manifest-sha256.txt",
        "bad manifest",
    ),
    (
        "one manifest changed",
        lambda p: rewrite(
            p, lambda n, d: (b"1" if d[:1] == b"0" else b"0") + d[1:] if n == "sha512" else d
        ),
        "data/empty",
        "bad manifest",
    ),
    (
        "files to fetch",
        lambda p: (
            (p / "fetch.txt").write_text("http://example.org/x - data/x\n", encoding="utf-8"),
            seal(p),
        ),
        "fetch.txt",
        "unsupported",
    ),
    (
        "a version to come",
        lambda p: (replace_in(p / "bagit.txt", b"1.0", b"7.3"), seal(p)),
        "bagit.txt",
        "unsupported",
    ),
    (
        "another encoding",
        lambda p: (replace_in(p / "bagit.txt", b"UTF-8", b"UTF-16"), seal(p)),
        "bagit.txt",
        "unsupported",
    ),
    (
        "an unknown algorithm",
        lambda p: (
            (p / "manifest-crc32.txt").write_text("00  data/empty\n", encoding="utf-8"),
            seal(p),
        ),
        "manifest-crc32.txt",
        "unsupported",
    ),
    (
        "a tag manifest of nothing",
        lambda p: (p / "tagmanifest-sha512.txt").write_bytes(b""),
        "tagmanifest-sha512.txt",
        "bad manifest",
    ),
    (
        "a tag manifest of a line less",
        lambda p: replace_in(
            p / "tagmanifest-sha512.txt",
            next(
                line
                for line in (p / "tagmanifest-sha512.txt").read_bytes().splitlines(True)
                if line.endswith(b"manifest-sha256.txt\n")
            ),
            b"",
        ),
        "manifest-sha256.txt",
        "bad manifest",
    ),
    (
        "an extra tag file",
        lambda p: (p / "more.txt").write_text("x", encoding="utf-8"),
        "more.txt",
        "extra",
    ),
    (
        "bag-info of nonsense",
        lambda p: ((p / "bag-info.txt").write_text("nonsense\n", encoding="utf-8"), seal(p)),
        "bag-info.txt",
        "bad tags",
    ),
]


@pytest.mark.parametrize(
    ("damage", "path", "kind"), [case[1:] for case in STRICTER], ids=[case[0] for case in STRICTER]
)
def test_broken_in_other_ways(package: Path, damage: Damage, path: str, kind: str) -> None:
    damage(package)
    assert kind in kinds(package)[path]
    assert not verify_package(package).valid


def test_nothing_outside_is_read(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    secret = package.parent / "secret"
    secret.write_bytes(b"s")
    (package / "data/link").symlink_to(secret)
    (package / "data/plates/up").symlink_to("../../..")
    rewrite(package, lambda n, d: d + b"0" * (64 if n == "sha256" else 128) + b"  ../secret\n")
    opened: list[str] = []
    real = os.open

    def watched(path: object, *args: object, **kwargs: object) -> int:
        opened.append(os.fspath(path))  # type: ignore[call-overload]
        return real(path, *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", watched)
    verify_package(package)
    assert opened and all(
        Path(name).resolve().is_relative_to(package.resolve()) for name in opened
    ), opened


def test_a_file_that_cannot_be_read_or_vanishes(package: Path) -> None:
    from platebench.archive.package_tree import hash_path

    def bad(path: Path, algorithms: tuple[str, ...]) -> object:
        if path.name == "empty":
            raise OSError(5, "Input/output error")
        if path.name == "tall.json":
            raise FileNotFoundError(2, "No such file")
        return hash_path(path, algorithms)

    found = {f.path: str(f) for f in verify_package(package, digest=bad).findings}  # type: ignore[arg-type]
    assert found == {
        "data/empty": "unreadable: data/empty cannot be read (Input/output error)",
        ONE: f"missing: {ONE} vanished while the package was checked",
    }


def test_a_folder_closed_to_us_is_unreadable(package: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root may read everything")
    (package / "data/plates").chmod(0)
    try:
        assert "unreadable" in kinds(package)["data/plates"]
    finally:
        (package / "data/plates").chmod(0o700)


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (lambda p: (p / "bagit.txt").unlink(), ["bad declaration: bagit.txt is missing"]),
        (
            lambda p: [path.unlink() for path in p.glob("*manifest-*.txt")],
            [
                "missing: manifest-sha512.txt is missing, and so is every other manifest that is "
                "read here"
            ],
        ),
        (
            lambda p: (p / "manifest-sha256.txt").write_bytes(b""),
            [
                "altered: manifest-sha256.txt is empty",
                "bad manifest: manifest-sha256.txt lists nothing",
            ],
        ),
        (lambda p: (p / ONE).write_bytes(b""), [f"altered: {ONE} is empty"]),
        (
            lambda p: ((p / ONE).unlink(), (p / ONE).symlink_to("/etc/hostname")),
            [f"not a file: {ONE} is a link; it is not followed"],
        ),
    ],
)
def test_one_damage_is_told_once(package: Path, damage: Damage, told: list[str]) -> None:
    damage(package)
    assert [str(finding) for finding in verify_package(package).findings] == told


@pytest.mark.parametrize("name", ["data", "data/plates", "bagit.txt", "manifest-sha256.txt"])
def test_what_is_closed_to_us_is_told_once_and_not_as_missing(
    package: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    closed = str(package / name)

    def refusing(real: Callable[..., object]) -> Callable[..., object]:
        def call(path: object, *args: object, **kwargs: object) -> object:
            if os.fspath(path) == closed:  # type: ignore[call-overload]
                raise PermissionError(13, "Permission denied")
            return real(path, *args, **kwargs)

        return call

    for call in ("scandir", "open"):
        monkeypatch.setattr(os, call, refusing(getattr(os, call)))
    check = verify_package(package)
    said = f"unreadable: {name} cannot be read (Permission denied)"
    assert [str(finding) for finding in check.findings] == [said]
    assert check.remedies == ("check the permissions and the disk",)


@pytest.mark.parametrize("lost", [("512",), ("256", "512")])
def test_tag_manifests_that_our_packages_have_are_missed(
    tmp_path: Path, lost: tuple[str, ...]
) -> None:
    with new_package(tmp_path / "p", DAY, [("Made-With", "platebench 0.1")]) as writer:
        writer.put("file", b"x")
    for size in lost:
        (tmp_path / f"p/tagmanifest-sha{size}.txt").unlink()
    assert kinds(tmp_path / "p") == {f"tagmanifest-sha{size}.txt": {"missing"} for size in lost}


def test_what_to_do_fits_what_was_found(package: Path) -> None:
    (package / "data/Thumbs.db").touch()
    (package / ONE).unlink()
    check = verify_package(package)
    assert check.remedies == (
        "move what does not belong there out of it",
        "take what is named from another copy of the package",
    )
    assert check.to_json()["what_to_do"] == list(check.remedies)


# --- Pixels apart from the file


@pytest.fixture
def pictured(tmp_path: Path) -> Path:
    source = picture(tmp_path / "a.tif")
    with new_package(tmp_path / "p", DAY) as writer:
        packed = writer.copy(source, "masters/a.tif")
        assert packed.shape
        pixels = pixels_to_json(packed.digests.span, packed.shape)
        writer.put(
            "recipe.json", json.dumps({"outputs": {"masters/a.tif": {"pixels": pixels}}}).encode()
        )
    return tmp_path / "p"


def test_an_edited_tag_is_told_from_damaged_pixels(pictured: Path) -> None:
    master = pictured / "data/masters/a.tif"
    whole = master.read_bytes()
    with tifffile.TiffFile(master, mode="r+") as tif:
        tif.pages[0].tags["ImageDescription"].overwrite("Somebody else's words")
    assert verify_package(pictured).findings[0].kind is FindingKind.METADATA_CHANGED
    pixels = tifffile.imread(master)
    tifffile.imwrite(master, pixels, compression="zlib", predictor=True)  # saved anew, packed
    assert verify_package(pictured).findings[0].kind is FindingKind.METADATA_CHANGED
    tifffile.imwrite(master, pixels.reshape(53, 37))  # the same samples, another picture
    assert verify_package(pictured).findings[0].kind is FindingKind.ALTERED
    master.write_bytes(whole)
    flip_byte(master, len(whole) - 5)
    found = verify_package(pictured).findings
    assert [(one.kind, one.path) for one in found] == [(FindingKind.ALTERED, "data/masters/a.tif")]
    master.write_bytes(whole)
    flip_byte(master, 5)  # the header: no reader opens it
    said = "altered: data/masters/a.tif has other bytes than when it was packed"
    assert [str(finding) for finding in verify_package(pictured).findings] == [said]
    master.write_bytes(b"")
    said = "altered: data/masters/a.tif is empty"
    assert [str(finding) for finding in verify_package(pictured).findings] == [said]


def test_a_recipe_that_was_changed_is_no_witness(pictured: Path) -> None:
    master, recipe = pictured / "data/masters/a.tif", pictured / "data/recipe.json"
    flip_byte(master, master.stat().st_size - 5)  # pixels
    digest, shape = pixel_digest(master) or ("", ())
    recipe.write_text(
        json.dumps({"outputs": {"masters/a.tif": {"pixels": pixels_to_json(digest, shape)}}}),
        encoding="utf-8",
    )
    assert kinds(pictured) == {
        "data/masters/a.tif": {"altered"},
        "data/recipe.json": {"altered"},
    }


def test_the_recipe_is_read_once_however_much_is_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from platebench.archive import pixels

    package = build(tmp_path / "several")
    read, real = [], pixels.read_small

    def reading(folder: Path, path: str, limit: int) -> bytes | None:
        read.append(path)
        return real(folder, path, limit)

    monkeypatch.setattr(pixels, "read_small", reading)
    for path in ("plates/tall.json", "notes/50% sure\nor less.txt"):
        flip_byte(package / "data" / path, 0)
    assert len(verify_package(package).findings) == 2
    assert read == ["data/recipe.json"]


def test_an_entity_bomb_in_xmp_is_never_parsed(pictured: Path, tmp_path: Path) -> None:
    bomb = '<!DOCTYPE a [<!ENTITY a "' + "x" * 1000 + '">'
    bomb += "".join(f'<!ENTITY a{n} "{f"&a{n - 1 if n else str()};" * 10}">' for n in range(30))
    master = pictured / "data/masters/a.tif"
    pixels = tifffile.imread(master)
    packet = f"{bomb}]><a>&a29;</a>".encode()
    tifffile.imwrite(master, pixels, extratags=[(700, 1, len(packet), packet, True)])
    assert verify_package(pictured).findings[0].kind is FindingKind.METADATA_CHANGED


@pytest.mark.parametrize("recipe", [b"[" * 200_000, b"not json", b"[]", b'{"outputs": [1]}'])
def test_a_recipe_of_nonsense_does_not_matter(pictured: Path, recipe: bytes) -> None:
    (pictured / "data/recipe.json").write_bytes(recipe)
    flip_byte(pictured / "data/masters/a.tif", -5)
    assert kinds(pictured) == {
        "data/masters/a.tif": {"altered"},
        "data/recipe.json": {"altered"},
    }


# --- Names


@needs_accents
def test_accents_composed_otherwise_are_a_note(tmp_path: Path) -> None:
    composed, apart = "caf\u00e9", "cafe\u0301"
    package = build(tmp_path / "p", {composed: b"x"})
    (package / "data" / composed).rename(package / "data" / apart)
    check = verify_package(package)
    assert check.valid and check.findings[0].kind is FindingKind.OTHER_SPELLING


def test_names_that_clash_on_other_disks_are_a_note(tmp_path: Path) -> None:
    check = verify_package(build(tmp_path / "p", {"A": b"x", "a": b"y"}))
    assert check.valid and check.findings[0].kind is FindingKind.CLASH


def test_every_finding_is_one_line(tmp_path: Path) -> None:
    package = build(tmp_path / "p", {"two\nlines": b"x"})
    flip_byte(package / "data/two\nlines", 0)
    (finding,) = verify_package(package).findings
    assert finding.kind is FindingKind.ALTERED and r"data/two\nlines" in str(finding)
    assert "\n" not in str(finding)


# --- Limits


def test_a_manifest_of_too_many_lines_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(manifests, "MOST_FILES", 100)
    data = b"".join(b"%032x  data/%d\n" % (n, n) for n in range(1000))
    found = parse_manifest(data, "md5")
    assert len(found.entries) == 100
    (problem,) = found.problems
    assert "100" in problem


def test_a_manifest_of_nothing_but_faults_ends() -> None:
    assert len(parse_manifest(b"nonsense\n" * 100_000, "md5").problems) == 21


def test_bombs_of_lines_end_soon() -> None:
    begun = time.perf_counter()
    found = parse_manifest(b"\n" * manifests.LARGEST_MANIFEST, "md5")
    (problem,) = found.problems
    assert "1000000" in problem
    folded = b"Label: value\n" + b" a\n" * (manifests.LARGEST_TAG_FILE // 3)
    assert parse_tags(folded) is not None
    many = [f"{name}{n}" for n in range(20_000) for name in ("A", "a")]
    assert len(clashes(many)) == 20_000
    assert time.perf_counter() - begun < 60  # minutes to hours if any of it were quadratic


def test_a_picture_that_claims_to_be_huge_is_not_unpacked(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((8, 8), np.uint16), compression="zlib")
    with tifffile.TiffFile(tmp_path / "a.tif", mode="r+") as tif:
        for name in ("ImageWidth", "ImageLength"):
            tif.pages[0].tags[name].overwrite(2**20)
    assert pixel_digest(tmp_path / "a.tif") is None


def test_a_manifest_too_large_is_not_read(package: Path) -> None:
    with (package / "manifest-sha256.txt").open("wb") as stream:
        stream.truncate(manifests.LARGEST_MANIFEST + 1)  # takes no room on the disk
    assert "bad manifest" in kinds(package)["manifest-sha256.txt"]


def test_too_many_files_end_the_walk(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platebench.archive.package_tree.MOST_FILES", 3)
    assert not verify_package(package).valid


def test_folders_too_deep_end_the_walk(package: Path) -> None:
    (package / "data" / "/".join(["d"] * 70)).mkdir(parents=True)
    assert any("folders deep" in str(finding) for finding in verify_package(package).findings)


def test_lines_of_bag_info_may_go_on() -> None:
    # RFC 8493, section 2.2.2, example of a folded value
    text = b"Source-Organization: An Archive\nExternal-Description: Plates\n  of a shelf\n"
    assert parse_tags(text) == [
        ("Source-Organization", "An Archive"),
        ("External-Description", "Plates of a shelf"),
    ]


# --- No package at all


def test_what_is_no_package_is_said_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "file.zip").write_bytes(b"PK")
    (tmp_path / "folder").mkdir()
    for name in ("gone", "file.zip", "folder"):
        with refused(PackageError, path=tmp_path / name):
            verify_package(tmp_path / name)


def test_packages_of_another_program_are_read(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a/photo.txt").write_text("x", encoding="utf-8")
    bagit.make_bag(str(tmp_path / "a"), {"Contact-Name": "Nobody"}, checksums=["md5", "sha512"])
    assert verify_package(tmp_path / "a").valid
    shutil.rmtree(tmp_path / "a/data")
    assert not verify_package(tmp_path / "a").valid
