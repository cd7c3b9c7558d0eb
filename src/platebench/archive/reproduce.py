"""A package's pictures made again from the captures, and what differs if anything does."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from platebench import convert
from platebench.archive.compare_pixels import PixelDifference, compare_pixels
from platebench.archive.digests import hash_path
from platebench.archive.manifest import LARGEST_MANIFEST, parse_manifest
from platebench.archive.package_tree import PackageTree, read_small, walk_package
from platebench.archive.pixels import RECIPE, pixels_to_json, recipe_of
from platebench.archive.recipe import Recipe, read_recipe
from platebench.archive.verify import PAYLOAD, refuse_no_package
from platebench.errors import ArchiveError, ExitCode, PackageError, PlateError
from platebench.fsio import make_empty_folder
from platebench.master import master_plate
from platebench.outputs.tiff_pixels import pixel_digest
from platebench.plate_job import POSITIVES, PREVIEWS, PlateJob
from platebench.progress import NullProgress, Progress, working
from platebench.session.session_light import prepare_light
from platebench.settings import PlateSettings
from platebench.versions import differing, versions

CAPTURES, MASTERS = "captures", "masters"  # below data/


@dataclass(frozen=True, slots=True, kw_only=True)
class Remade:
    """One picture made again.

    Attributes
    ----------
    name : str
        Path below ``data/``.
    same_bytes : bool
        It is byte for byte what the recipe says.
    same_pixels : bool or None
        Its pixels are; None where the recipe lists none (a JPEG).
    difference : PixelDifference or None
        Against the packed picture, where pixels differ and that one is whole.
    """

    name: str
    same_bytes: bool
    same_pixels: bool | None = None
    difference: PixelDifference | None = None

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "name": self.name,
            "same_bytes": self.same_bytes,
            "same_pixels": self.same_pixels,
            "difference": self.difference.to_json() if self.difference else None,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Reproduction:
    """What came of making a package's pictures again.

    Attributes
    ----------
    package : Path
    versions : tuple of str
        What differs between the programs of then and now; empty where nothing does.
    remade : tuple of Remade
    errors : tuple of (str, PlateError)
        Plates that could not be made, and why.
    """

    package: Path
    versions: tuple[str, ...]
    remade: tuple[Remade, ...]
    errors: tuple[tuple[str, PlateError], ...]

    @property
    def exit_code(self) -> ExitCode:
        """OK if every byte is as it was; the first error's code where nothing could be made."""
        if self.errors and not self.remade:
            return self.errors[0][1].exit_code
        same = all(picture.same_bytes for picture in self.remade)
        return ExitCode.OK if same and not self.errors else ExitCode.PARTIAL


def reproduce_package(
    package: Path,
    *,
    captures: Path | None = None,
    output: Path | None = None,
    plates: Sequence[str] = (),
    progress: Progress | None = None,
) -> Reproduction:
    """Make positives, previews and masters again by a package's recipe, and compare.

    Parameters
    ----------
    package : Path
        Nothing in it is changed.
    captures : Path or None
        Folder with the captures, named as in the session; None: those in the package.
    output : Path or None
        New or empty folder that keeps what is made; None: it is thrown away.
    plates : sequence of str
        Only these; empty: all.

    Raises
    ------
    PackageError
        If it is no package, or its recipe is missing, changed, or of another version.
    ArchiveError
        If it has no such plate, or its blank or dark frames are not there.
    """
    refuse_no_package(package)
    recipe = trusted_recipe(package)
    wanted = _wanted(package, recipe, plates)
    tree = walk_package(package)
    with ExitStack() as stack:
        if output is None:
            output = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="platebench-")))
        else:
            make_empty_folder(output)
        for name in (POSITIVES, PREVIEWS, MASTERS):
            (output / name).mkdir()
        making = _Making(package, tree, recipe, captures, output)
        remade, errors = making.all_of(wanted, progress or NullProgress())
    return Reproduction(
        package=package,
        versions=tuple(_differing(recipe, wanted)),
        remade=tuple(remade),
        errors=tuple(errors),
    )


def trusted_recipe(package: Path) -> Recipe:
    """Return a package's recipe if it is as the manifest says.

    Raises
    ------
    PackageError
        If it is missing, changed, or no recipe.
    """
    path = package / RECIPE
    document = recipe_of(package)
    if not document:
        what = "is missing or cannot be read"
        raise PackageError(path, what, f"see: platebench verify {package.name}")
    manifest = read_small(package, "manifest-sha256.txt", LARGEST_MANIFEST) or b""
    stated = parse_manifest(manifest, "sha256").entries.get(RECIPE)
    if hash_path(path, ("sha256",)).sha256 != stated:
        what = "is not as it was packed"
        raise PackageError(path, what, f"see: platebench verify {package.name}")
    return read_recipe(document, path)


def _differing(recipe: Recipe, plates: Sequence[PlateSettings]) -> list[str]:
    """Return which programs are others than those that converted the plates and packed them."""
    now = versions()
    made_by = [recipe.converted_with.get(plate.id, recipe.versions) for plate in plates]
    lines = dict.fromkeys(line for then in made_by for line in differing(then, now))
    if any(f"{MASTERS}/{plate.id}.tif" in recipe.outputs for plate in plates):
        packed = [line for line in differing(recipe.versions, now) if line not in lines]
        lines |= dict.fromkeys(f"masters: {line}" for line in packed)
    return list(lines)


def _wanted(package: Path, recipe: Recipe, plates: Sequence[str]) -> list[PlateSettings]:
    known = {plate.id: plate for plate in recipe.settings.plates}
    for plate in plates:
        if plate not in known:
            what, remedy = f'has no plate "{plate}"', f"name one of: {', '.join(known)}"
            raise ArchiveError(package, what, remedy)
    return [known[plate] for plate in dict.fromkeys(plates)] or list(known.values())


class _Making:
    """The pictures of one package as they are made again."""

    def __init__(
        self,
        package: Path,
        tree: PackageTree,
        recipe: Recipe,
        captures: Path | None,
        output: Path,
    ) -> None:
        self.package, self.tree, self.recipe, self.output = package, tree, recipe, output
        self.captures = package / PAYLOAD / CAPTURES if captures is None else captures
        self.packed = captures is None

    def all_of(
        self, plates: Sequence[PlateSettings], progress: Progress
    ) -> tuple[list[Remade], list[tuple[str, PlateError]]]:
        """Make plates, one after the other; one that fails does not stop the rest."""
        remade: list[Remade] = []
        errors: list[tuple[str, PlateError]] = []
        settings = self.recipe.settings
        self._check_inputs((*settings.blank, *settings.dark))
        light, dark = prepare_light(self.captures, settings, progress)
        with working(progress, "plates", len(plates)) as told:
            for plate in plates:
                try:
                    self._check_inputs(plate.captures)
                    job = replace(self._job(plate), light=light, dark=dark)
                    remade += self._make(job)
                except PlateError as error:
                    errors.append((plate.id, error))
                told.advance(plate.id)
        return remade, errors

    def _check_inputs(self, names: Sequence[str]) -> None:
        """See that captures are there, and byte for byte those of the recipe."""
        for name in names:
            path = self.captures / name
            if self.packed and f"{PAYLOAD}{CAPTURES}/{name}" not in self.tree.files:
                remedy = "name the folder that has the captures: --captures FOLDER"
                raise ArchiveError(path, "is not in the package", remedy)
            try:
                real = path.resolve(strict=True)
                found = hash_path(real, ("sha256",)).sha256
            except FileNotFoundError as error:
                remedy = "name the folder that has it: --captures FOLDER"
                raise ArchiveError(path, "is not there", remedy) from error
            except (OSError, RuntimeError) as error:
                what = f"cannot be read ({getattr(error, 'strerror', error)})"
                raise ArchiveError(path, what, "check its permissions") from error
            if found != self.recipe.inputs.get(name):
                what = f"is not the capture of the recipe: its SHA-256 is {found[:12]}..."
                stated = self.recipe.inputs.get(name, "")[:12]
                raise ArchiveError(path, what, f"find the one whose SHA-256 is {stated}...")

    def _job(self, plate: PlateSettings) -> PlateJob:
        recipe, settings = self.recipe, self.recipe.settings
        names = (*plate.captures, *settings.blank, *settings.dark)
        if plate.tone not in recipe.tones:
            what = f'has no tone profile "{plate.tone}"'
            raise PackageError(self.package / RECIPE, what, "take the package from another copy")
        return PlateJob(
            folder=self.captures,
            output=self.output,
            settings=plate,
            scan=settings.scan,
            calibration=recipe.calibration,
            blanks=tuple(sorted(recipe.inputs[name] for name in settings.blank)),
            tone=recipe.tones[plate.tone],
            entry=recipe.log.get(plate.id),
            ends=recipe.ends.get(plate.id),
            inputs=tuple((name, recipe.inputs[name]) for name in names),
        )

    def _make(self, job: PlateJob) -> list[Remade]:
        result = convert.convert_plate(job)
        if result.error is not None:
            raise result.error
        made = list(result.written)
        master = self.output / MASTERS / f"{job.plate_id}.tif"
        if f"{MASTERS}/{job.plate_id}.tif" in self.recipe.outputs:
            again = master_plate(job, master, colour=self.recipe.master_colour)
            made += [again.path, again.preview]
        names = [path.relative_to(self.output).as_posix() for path in made]
        remade = [self._compare(name) for name in names if name in self.recipe.outputs]
        if not remade:  # nothing to compare with is no success
            what = f'lists no pictures of plate "{job.plate_id}"'
            raise PackageError(self.package / RECIPE, what, "take the package from another copy")
        return remade

    def _compare(self, name: str) -> Remade:
        made, stated = self.output / name, self.recipe.outputs[name]
        with made.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256")
        if digest.hexdigest() == stated.get("sha256"):
            same = True if "pixels" in stated else None
            return Remade(name=name, same_bytes=True, same_pixels=same)
        if "pixels" not in stated:
            return Remade(name=name, same_bytes=False)
        found = pixel_digest(made)
        if found is not None and pixels_to_json(*found) == stated["pixels"]:
            return Remade(name=name, same_bytes=False, same_pixels=True)
        difference = None
        if PAYLOAD + name in self.tree.files:
            difference = compare_pixels(self.package / PAYLOAD / name, made)
        return Remade(name=name, same_bytes=False, same_pixels=False, difference=difference)
