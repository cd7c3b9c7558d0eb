"""Pictures made again by a recipe: byte for byte, or a precise account of what differs."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy
import tifffile

from platebench.archive.file_check import PackedFiles
from platebench.archive.pack_session import PackOptions, pack_session
from platebench.archive.pixels import compare_pixels
from platebench.archive.reproduce import reproduce_package, trusted_recipe
from platebench.core.errors import (
    ArchiveError,
    ExitCode,
    PackageError,
    PlateError,
    SettingsError,
    WriteError,
)
from platebench.core.installed import versions
from platebench.session.convert_session import convert_session

from ..processes import needs_accents
from ..refusals import refused
from ..session_files import tree
from .conftest import NOW
from .packages import build, flip_byte, rewrite

MakePackage = Callable[[dict[str, Any]], object]


def test_byte_for_byte_from_the_package_alone(package: Path, tmp_path: Path) -> None:
    before = tree(package)
    made = reproduce_package(package, output=tmp_path / "remade")
    assert made.exit_code is ExitCode.OK and made.versions == ()
    assert len(made.remade) == 8 and all(picture.same_bytes for picture in made.remade)
    for name in ("positives/tall.tif", "masters/dense.tif", "previews/dense.jpg"):
        packed = package / "data" / name
        assert (tmp_path / "remade" / name).read_bytes() == packed.read_bytes()
    assert tree(package) == before


def test_from_captures_elsewhere_one_plate(session: Path) -> None:
    package = pack_session(session, now=NOW, workers=1)[0].package
    with refused(ArchiveError):
        reproduce_package(package)
    made = reproduce_package(package, captures=session, plates=["tall"])
    assert made.exit_code is ExitCode.OK and len(made.remade) == 4
    with refused(ArchiveError, '"lost"', "dense, tall"):
        reproduce_package(package, captures=session, plates=["lost"])


def test_another_capture_is_not_taken_for_the_one(package: Path, session: Path) -> None:
    flip_byte(session / "tall.dng", -3)
    made = reproduce_package(package, captures=session)
    assert made.exit_code is ExitCode.PARTIAL
    ((plate, error),) = made.errors
    assert plate == "tall" and isinstance(error, ArchiveError)
    assert error.path == session / "tall.dng" and "SHA-256" in str(error)
    assert len(made.remade) == 4


# --- A package that was damaged is no result that differs


def empty(path: Path) -> None:
    path.write_bytes(b"")


def flip(path: Path) -> None:
    flip_byte(path, path.stat().st_size // 2)


OTHER = "has other bytes than when it was packed"
DAMAGES = [(flip, OTHER), (empty, "is empty"), (Path.unlink, "is missing")]


@pytest.mark.parametrize(("damage", "what"), DAMAGES)
def test_a_damaged_capture_of_the_package_is_said_to_be_one(
    package: Path, damage: Callable[[Path], None], what: str
) -> None:
    capture = package / "data/captures/tall.dng"
    damage(capture)
    made = reproduce_package(package)
    assert made.exit_code is ExitCode.PACKAGE_INVALID and len(made.remade) == 4
    ((plate, error),) = made.errors
    assert plate == "tall" and str(error) == (
        f"{capture} {what}; the package is damaged, see: platebench verify {package}; "
        "or name a folder with whole captures"
    )


def test_a_damaged_blank_frame_too(package: Path, converted: Path) -> None:
    (blank,) = trusted_recipe(PackedFiles(package)).settings.blank
    flip(package / "data/captures" / blank)
    with refused(PackageError, blank):
        reproduce_package(package)
    made = reproduce_package(package, captures=converted, plates=["tall"])  # the remedy
    assert made.exit_code is ExitCode.OK


@pytest.mark.parametrize(("damage", "what"), DAMAGES)
def test_a_damaged_picture_is_told_and_made_again(
    package: Path, packed_once: Path, tmp_path: Path, damage: Callable[[Path], None], what: str
) -> None:
    name = "masters/dense.tif"
    damage(package / "data" / name)
    made = reproduce_package(package, plates=["dense"], output=tmp_path / "again")
    assert made.exit_code is ExitCode.PACKAGE_INVALID
    told = {one.name: one.damage.what for one in made.remade if one.damage is not None}
    assert told == {name: what} and all(one.same_bytes for one in made.remade)
    assert (tmp_path / "again" / name).read_bytes() == (packed_once / "data" / name).read_bytes()


def test_a_result_that_differs_is_not_compared_with_a_damaged_picture(package: Path) -> None:
    edit(package, _set("session", "plate", 0, "print_stops", to=0.5))
    flip(package / "data/positives/dense.tif")
    made = reproduce_package(package, plates=["dense"])
    positive = made.remade[0]
    assert made.exit_code is ExitCode.PACKAGE_INVALID
    assert positive.same_pixels is False and positive.difference is None
    assert positive.damage is not None and positive.damage.what == OTHER


def test_a_damaged_manifest_is_told_from_a_damaged_file(package: Path) -> None:
    manifest = package / "manifest-sha512.txt"
    lines = manifest.read_text(encoding="utf-8").splitlines(keepends=True)
    place = next(n for n, line in enumerate(lines) if "positives/dense.tif" in line)
    lines[place] = ("1" if lines[place][0] == "0" else "0") + lines[place][1:]
    manifest.write_text("".join(lines), encoding="utf-8")
    damage = reproduce_package(package, plates=["dense"]).remade[0].damage
    assert damage is not None
    assert damage.what == "fits sha256 and not sha512: a manifest was changed, not the file"


def test_one_manifest_that_was_lost_leaves_the_other(package: Path) -> None:
    (package / "manifest-sha256.txt").unlink()
    assert reproduce_package(package, plates=["dense"]).exit_code is ExitCode.OK
    empty(package / "manifest-sha512.txt")
    with refused(PackageError, "recipe.json"):
        reproduce_package(package)


def test_nothing_is_written_into_the_package(package: Path) -> None:
    before = tree(package)
    for place in (package, package / "new", package / "data/../data/new"):
        with refused(WriteError):
            reproduce_package(package, output=place)
    assert tree(package) == before


@needs_accents
def test_captures_under_accents_composed_otherwise(session: Path) -> None:
    composed, apart = "Scheune S\u00fcd.dng", "Scheune Su\u0308d.dng"
    (session / "tall.dng").rename(session / composed)
    settings = session / "session.toml"
    settings.write_text(
        settings.read_text(encoding="utf-8").replace('"tall.dng"', f'"{composed}"'),
        encoding="utf-8",
    )
    convert_session(session, workers=1)
    package = pack_session(session, now=NOW, options=PackOptions(captures=True), workers=1)[
        0
    ].package
    assert reproduce_package(package, plates=["tall"]).exit_code is ExitCode.OK
    (package / "data/captures" / composed).rename(package / "data/captures" / apart)
    made = reproduce_package(package, plates=["tall"])
    if not made.errors:  # a disk that composes accents itself
        return
    said = str(made.errors[0][1])
    assert apart in said and composed in said


def edit(package: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Change the recipe, and the manifests with it, as another writer would."""
    path = package / "data/recipe.json"
    document = json.loads(path.read_bytes())
    change(document)
    old = {name: _digest(name, path.read_bytes()) for name in ("sha256", "sha512")}
    path.write_text(json.dumps(document), encoding="utf-8")
    new = {name: _digest(name, path.read_bytes()) for name in old}
    rewrite(package, lambda name, data: data.replace(old[name].encode(), new[name].encode()))


def _digest(name: str, data: bytes) -> str:
    import hashlib

    return hashlib.new(name, data).hexdigest()


def test_versions_and_pixels_that_differ_are_told(package: Path) -> None:
    def change(recipe: dict[str, Any]) -> None:
        recipe["converted_with"]["dense"]["numpy"] = "1.0"
        recipe["versions"]["scipy"] = "0.9"
        recipe["session"]["plate"][0]["print_stops"] = 0.5  # stands for a version that prints so

    edit(package, change)
    made = reproduce_package(package, plates=["dense"])
    assert made.exit_code is ExitCode.PARTIAL
    assert made.versions == (
        f"numpy was 1.0 and is {np.__version__}",
        f"masters: scipy was 0.9 and is {scipy.__version__}",
    )
    positive, preview, *masters = made.remade
    assert positive.same_pixels is False and positive.difference is not None
    assert positive.difference.mean < 0  # half a stop more prints darker
    assert positive.difference.largest > 1000 and positive.difference.share > 0.5
    assert not preview.same_bytes and all(master.same_bytes for master in masters)


def test_a_library_replaced_between_converting_and_packing_is_in_the_recipe(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    newer = versions() | {"numpy": "99.0"}
    monkeypatch.setattr("platebench.archive.pack_session.versions", lambda: newer)
    (packed,) = pack_session(session, now=NOW, options=PackOptions(captures=True), workers=1)
    recipe = trusted_recipe(PackedFiles(packed.package))
    assert recipe.versions["numpy"] == "99.0"
    assert {by["numpy"] for by in recipe.converted_with.values()} == {np.__version__}
    assert set(recipe.converted_with) == {"dense", "tall"}
    made = reproduce_package(packed.package, plates=["dense"])
    assert made.versions == (f"masters: numpy was 99.0 and is {np.__version__}",)


def test_a_recipe_that_lists_no_pictures_is_no_success(package: Path) -> None:
    edit(package, _set("outputs", to={}))
    made = reproduce_package(package, plates=["dense"])
    assert made.remade == () and made.exit_code is ExitCode.PACKAGE_INVALID
    assert '"dense"' in str(made.errors[0][1])


def test_other_tags_around_the_same_pixels_are_told(
    package: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "platebench.session.convert_plate.__version__", "0.0.0"
    )  # it goes into the file's tags
    made = reproduce_package(package, plates=["dense"])
    positive = made.remade[0]
    assert not positive.same_bytes and positive.same_pixels


def test_differences_of_known_pictures(tmp_path: Path) -> None:
    first = np.full((300, 5), 1000, np.uint16)
    second = first.copy()
    second[299, 4], second[0, 0] = 1030, 990
    for name, pixels in (("a", first), ("b", second), ("c", first[:5])):
        tifffile.imwrite(tmp_path / name, pixels)
    found = compare_pixels(tmp_path / "a", tmp_path / "b")
    assert found is not None and found.same_size
    assert found.share == 2 / 1500 and found.largest == 30
    assert found.mean == pytest.approx(20 / 1500)
    assert found.rms == pytest.approx(((30**2 + 10**2) / 1500) ** 0.5)
    other = compare_pixels(tmp_path / "a", tmp_path / "c")
    assert other is not None and not other.same_size
    (tmp_path / "d").write_text("no picture", encoding="utf-8")
    assert compare_pixels(tmp_path / "a", tmp_path / "d") is None


def test_a_recipe_that_was_changed_is_not_followed(package: Path) -> None:
    path = package / "data/recipe.json"
    path.write_text(path.read_text(encoding="utf-8").replace("neutral", "softer"), encoding="utf-8")
    with refused(PackageError, "recipe.json"):
        reproduce_package(package)
    path.write_text("{", encoding="utf-8")
    with refused(PackageError, "recipe.json"):
        reproduce_package(package)
    path.unlink()
    with refused(PackageError, "recipe.json"):
        reproduce_package(package)


def test_a_package_of_another_program_has_no_recipe(tmp_path: Path) -> None:
    package = build(tmp_path / "theirs", {"photo.txt": b"x"})
    with refused(PackageError, "recipe.json"):
        reproduce_package(package)


def _set(*keys: str | int, to: object) -> MakePackage:
    def change(recipe: dict[str, Any]) -> None:
        place: Any = recipe
        for key in keys[:-1]:
            place = place[key]
        place[keys[-1]] = to

    return change


@pytest.mark.parametrize(
    "change",
    [
        _set("schema", to=99),
        _set("converted_with", to=["numpy"]),
        _set("converted_with", "dense", to={"numpy": 2}),
        _set("kind", to="a cake"),
        _set("session", to=None),
        _set("session", "plate", 0, "captures", to=["../../../etc/passwd"]),
        _set("session", "plate", 0, "captures", to=["/etc/passwd"]),
        _set("session", "plate", 0, "id", to="../out"),
        _set("session", "plate", 0, "rotate", to=[[]]),
        _set("session", "light", "blank", to=["C:/x"]),
        _set("tones", to={}),
        _set("tones", "neutral", "paper", "black", to=1e999),
        _set("calibration", to={"schema": 2}),
        _set("shared_printing", "tall", to={"base_fog": "x"}),
        _set("log", "tall", "f_number", to="large"),
        _set("log", "tall", "steps", to=[{"name": 7}]),
        _set("log", "tall", "more", to={"a": []}),
        _set("log", "tall", to={"title": "no id"}),
        _set("inputs", to=[]),
        _set("inputs", "tall.dng", to=7),
        _set("outputs", to={"positives/tall.tif": None}),
        _set("versions", to={"numpy": []}),
    ],
)
def test_a_malicious_recipe_writes_and_reads_nothing_outside(
    package: Path, tmp_path: Path, change: MakePackage, monkeypatch: pytest.MonkeyPatch
) -> None:
    edit(package, change)
    before = tree(tmp_path)
    try:
        made = reproduce_package(package, output=tmp_path / "remade")
    except PlateError as error:
        assert isinstance(error, (PackageError, SettingsError, PlateError))
        assert ";" in str(error)
    else:
        assert made.exit_code is not ExitCode.OK
        assert all(";" in str(error) for _, error in made.errors)
    kept = {name: digest for name, digest in tree(tmp_path).items() if "remade/" not in name}
    assert kept == before


def test_links_in_a_package_are_not_followed(package: Path, converted: Path) -> None:
    (package / "data/captures/tall.dng").unlink()
    (package / "data/captures/tall.dng").symlink_to(converted / "tall.dng")
    made = reproduce_package(package, plates=["tall"])
    assert made.exit_code is ExitCode.PACKAGE_INVALID
    (error,) = (error for _, error in made.errors)
    assert isinstance(error, PackageError) and "tall.dng" in str(error)


def test_versions_are_told_by_name() -> None:
    found = versions()
    assert {"platebench", "python", "numpy", "rawpy", "tifffile"} <= set(found)
    assert "unknown" not in found.values()
