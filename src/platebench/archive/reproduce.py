"""A package's pictures made again from the captures, and what differs if anything does."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from platebench.archive.file_check import Finding, FindingKind, PackedFiles
from platebench.archive.package_tree import hash_path, refuse_no_package
from platebench.archive.pixels import (
    RECIPE,
    PixelDifference,
    compare_pixels,
    pixels_to_json,
    recipe_of,
)
from platebench.archive.recipe import Recipe, read_recipe
from platebench.archive.verify import PAYLOAD
from platebench.core.errors import ArchiveError, ExitCode, PackageError, PlateError, WriteError
from platebench.core.files import make_empty_folder
from platebench.core.installed import differing, versions
from platebench.core.progress import NullProgress, Progress, working
from platebench.core.settings import PlateSettings
from platebench.master.make_master import master_plate
from platebench.plate.job import PICTURES, POSITIVES, PREVIEWS, PlateJob
from platebench.session import convert_plate as convert
from platebench.session.jobs import prepare_light
from platebench.write.tiff import pixel_digest

CAPTURES, MASTERS = "captures", "masters"  # below data/
_ELSEWHERE = "; or name a folder with whole captures", "captures"


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
    damage : Finding or None
        What is wrong with the packed picture, by the package's manifests.
    """

    name: str
    same_bytes: bool
    same_pixels: bool | None = None
    difference: PixelDifference | None = None
    damage: Finding | None = None

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "name": self.name,
            "same_bytes": self.same_bytes,
            "same_pixels": self.same_pixels,
            "difference": self.difference.to_json() if self.difference else None,
            "packed_one": self.damage.to_json() if self.damage else None,
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
        """OK if every byte is as it was; PACKAGE_INVALID if the package was found damaged.

        The first error's code where nothing could be made.
        """
        damaged = any(picture.damage for picture in self.remade)
        if damaged or any(isinstance(error, PackageError) for _, error in self.errors):
            return ExitCode.PACKAGE_INVALID
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

    What is read from the package, and the pictures in it, are compared with its manifests, too: a
    package that was damaged is not taken for a result that differs.

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
        If it is no package, its recipe is missing, changed, or of another version, or its blank
        or dark frames were damaged.
    ArchiveError
        If it has no such plate, or its blank or dark frames are not there.
    WriteError
        If ``output`` cannot be written, or lies in the package.
    """
    refuse_no_package(package)
    files = PackedFiles(package)
    recipe = trusted_recipe(files)
    wanted = _wanted(package, recipe, plates)
    with ExitStack() as stack:
        if output is None:
            output = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="platebench-")))
        else:
            if output.resolve().is_relative_to(package.resolve()):
                what = "it lies in the package, and packages are only read"
                raise WriteError(output, what, "name a folder elsewhere", "output")
            make_empty_folder(output)
        for name in (POSITIVES, PREVIEWS, PICTURES, MASTERS):
            (output / name).mkdir()
        making = _Making(files, recipe, captures, output)
        remade, errors = making.all_of(wanted, progress or NullProgress())
    return Reproduction(
        package=package,
        versions=tuple(_differing(recipe, wanted)),
        remade=tuple(remade),
        errors=tuple(errors),
    )


def trusted_recipe(files: PackedFiles) -> Recipe:
    """Return a package's recipe if it is as the manifests state.

    Raises
    ------
    PackageError
        If it is missing, changed, or no recipe.
    """
    path = files.package / RECIPE
    fault = files.fault_of(RECIPE)
    if fault is not None and fault.kind is FindingKind.MISSING and not files.is_listed(RECIPE):
        what = "is not there, and without it the pictures cannot be made again"
        raise PackageError(path, what, "name a package that this program made", "archive")
    if fault is not None:
        raise files.error_of(fault)
    return read_recipe(recipe_of(files.package), path)


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
        self, files: PackedFiles, recipe: Recipe, captures: Path | None, output: Path
    ) -> None:
        self.files, self.recipe, self.output = files, recipe, output
        self.package = files.package
        self.captures = self.package / PAYLOAD / CAPTURES if captures is None else captures
        self.packed = captures is None

    def all_of(
        self, plates: Sequence[PlateSettings], progress: Progress
    ) -> tuple[list[Remade], list[tuple[str, PlateError]]]:
        """Make plates, one after the other; one that fails does not stop the rest."""
        remade: list[Remade] = []
        errors: list[tuple[str, PlateError]] = []
        settings = self.recipe.settings
        self._check_inputs(settings.light_captures)
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
            if self.packed:
                self._refuse_absent(name)
            try:
                real = path.resolve(strict=True)
                found = hash_path(real, ("sha256",)).sha256
            except (FileNotFoundError, NotADirectoryError) as error:
                remedy = "name the folder that has it"
                raise ArchiveError(path, "is not there", remedy, "captures") from error
            except (OSError, RuntimeError) as error:
                what = f"cannot be read ({getattr(error, 'strerror', error)})"
                raise ArchiveError(path, what, "check its permissions") from error
            if found == self.recipe.inputs.get(name):
                continue
            fault = self.files.fault_of(f"{PAYLOAD}{CAPTURES}/{name}") if self.packed else None
            if fault is not None:
                raise self.files.error_of(fault, also=_ELSEWHERE)
            what = f"is not the capture of the recipe: its SHA-256 is {found[:12]}..."
            stated = self.recipe.inputs.get(name, "")[:12]
            raise ArchiveError(path, what, f"find the one whose SHA-256 is {stated}...")

    def _refuse_absent(self, name: str) -> None:
        """Refuse a capture that is not in the package: never was, or not any more."""
        path = f"{PAYLOAD}{CAPTURES}/{name}"
        there = self.files.place_of(path)
        if there is None and not self.files.is_listed(path):
            remedy = "name the folder that has the captures"
            raise ArchiveError(self.package / path, "is not in the package", remedy, "captures")
        if there is None:
            fault = self.files.fault_of(path)
            assert fault is not None  # it is not there
            raise self.files.error_of(fault, also=_ELSEWHERE)
        if not _is_same(self.package / path, there):
            what = f"has its accents composed in another way than {name} in the recipe"
            remedy = "copy the package's captures elsewhere, rename it and name that folder"
            raise PackageError(there, what, remedy, "captures")

    def _job(self, plate: PlateSettings) -> PlateJob:
        recipe, settings = self.recipe, self.recipe.settings
        names = (*plate.captures, *settings.light_captures)
        of_pictures = [picture.tone or plate.tone for picture in plate.pictures]
        if lacking := sorted({plate.tone, *of_pictures} - set(recipe.tones)):
            what = f'has no tone profile "{lacking[0]}"'
            raise PackageError(self.package / RECIPE, what, "take the package from another copy")
        return PlateJob(
            folder=self.captures,
            output=self.output,
            settings=plate,
            scan=settings.scan,
            calibration=recipe.calibration,
            blanks=tuple(sorted(recipe.inputs[name] for name in settings.blank)),
            tone=recipe.tones[plate.tone],
            picture_tones=tuple(recipe.tones[name] for name in of_pictures),
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
            recipe = self.recipe
            again = master_plate(job, master, colour=recipe.master_colour, also=recipe.master_also)
            made += [again.path, again.preview, *again.also]
        names = [path.relative_to(self.output).as_posix() for path in made]
        remade = [self._compare(name) for name in names if name in self.recipe.outputs]
        if not remade:  # nothing to compare with is no success
            what = f'lists no pictures of plate "{job.plate_id}"'
            raise PackageError(self.package / RECIPE, what, "take the package from another copy")
        return remade

    def _compare(self, name: str) -> Remade:
        made, stated = self.output / name, self.recipe.outputs[name]
        damage = self.files.fault_of(PAYLOAD + name)
        with made.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256")
        if digest.hexdigest() == stated.get("sha256"):
            same = True if "pixels" in stated else None
            return Remade(name=name, same_bytes=True, same_pixels=same, damage=damage)
        if "pixels" not in stated:
            return Remade(name=name, same_bytes=False, damage=damage)
        found = pixel_digest(made)
        if found is not None and pixels_to_json(*found) == stated["pixels"]:
            return Remade(name=name, same_bytes=False, same_pixels=True, damage=damage)
        packed = self.files.place_of(PAYLOAD + name)
        difference = None
        if packed is not None and damage is None:
            difference = compare_pixels(packed, made)
        return Remade(
            name=name, same_bytes=False, same_pixels=False, difference=difference, damage=damage
        )


def _is_same(path: Path, there: Path) -> bool:
    """Tell whether a name opens the file that was found, on disks that compose accents too."""
    try:
        return path.samefile(there)
    except OSError:
        return False
