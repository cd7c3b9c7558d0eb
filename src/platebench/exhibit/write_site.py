"""The exhibit as a folder of files: opens from a disk and from any web server.

Pictures of a plate are made again only where it, its limit or its mark has changed; pages are
written anew, which takes milliseconds.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from platebench.core.errors import SessionFolderError, WriteError
from platebench.core.files import (
    atomic_folder,
    atomic_write,
    flush_disks,
    make_folder,
    remove_unfinished,
)
from platebench.core.locks import only_writer
from platebench.core.plain_json import read_json
from platebench.core.progress import NullProgress, Progress, working
from platebench.core.version import __version__
from platebench.exhibit.curve_drawing import drawing_of
from platebench.exhibit.deep_picture import (
    TILE,
    DeepPicture,
    recipe_of_picture,
    write_pictures,
)
from platebench.exhibit.gather import ShownPlate
from platebench.exhibit.manifests import collection_of, manifest_of
from platebench.sensitometry.curve_file import BatchCurve, curve_for

KNOWN = "exhibit.json"  # marks a folder as an exhibit, and what its pictures were made from
PLATES, ASSETS = "plates", "assets"
_PAGES = Path(__file__).parent / "pages"
_VIEWER = Path(__file__).parents[1] / "review" / "page" / "vendor" / "openseadragon-6.1.1"
_SCHEMA = 1
_KEPT_EVERY = 50  # plates; what was made since is lost if the power fails


@dataclass(frozen=True, slots=True, kw_only=True)
class ExhibitWishes:
    """How an exhibit is made.

    Attributes
    ----------
    title : str
    address : str
        Where it will lie on the web, for manifests, which need it; "" writes none.
    restricted_side : int
        Longest side of restricted plates' pictures, pixels.
    mark : str
        Watermark over restricted plates.
    curves : tuple of BatchCurve
        Characteristic curves, shown with plates of their batch and time of development.
    """

    title: str
    address: str = ""
    restricted_side: int = 1200
    mark: str = "not for reproduction"
    curves: tuple[BatchCurve, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Exhibit:
    """What was written.

    Attributes
    ----------
    index : Path
    shown, made, private : int
        Plates shown; those whose pictures were made now; those kept out.
    failed : tuple of SessionFolderError
        Plates whose pictures could not be made; they are left out.
    """

    index: Path
    shown: int
    made: int
    private: int
    failed: tuple[SessionFolderError, ...] = ()


def write_exhibit(
    plates: Sequence[ShownPlate],
    folder: Path,
    wishes: ExhibitWishes,
    progress: Progress | None = None,
) -> Exhibit:
    """Write an exhibit, or bring one up to date.

    Parameters
    ----------
    plates : sequence of ShownPlate
        Private ones stay out.
    folder : Path
        Empty, not there yet, or an exhibit made before.
    wishes : ExhibitWishes
    progress : Progress or None
        Hears of each plate.

    Raises
    ------
    WriteError
        If the folder holds something else, or cannot be written.
    """
    _refuse_foreign(folder)
    open_plates = [plate for plate in plates if plate.access != "private"]
    make_folder(folder / PLATES)
    with only_writer(folder, progress or NullProgress()):
        remove_unfinished(folder / PLATES)
        known = _known(folder)
        _keep(folder, known)  # marks the folder before anything else goes in
        pictures: dict[str, tuple[str, DeepPicture]] = {}
        failed: list[SessionFolderError] = []
        made = 0
        try:
            with working(progress, "plates", len(open_plates)) as told:
                for plate in open_plates:
                    try:
                        recipe, picture, fresh = _pictures(plate, folder, wishes, known)
                        pictures[plate.slug] = recipe, picture
                        made += fresh
                        if fresh and made % _KEPT_EVERY == 0:
                            _keep(folder, known | _as_known(pictures))
                    except SessionFolderError as error:
                        failed.append(error)
                    told.advance(plate.plate_id)
        except BaseException:
            _keep(folder, known | _as_known(pictures))  # the next run goes on from here
            raise
        shown = [plate for plate in open_plates if plate.slug in pictures]
        _write_pages(shown, pictures, folder, wishes)
        _remove_gone(folder, {plate.slug for plate in shown})
        _keep(folder, _as_known(pictures))
    return Exhibit(
        index=folder / "index.html",
        shown=len(shown),
        made=made,
        private=len(plates) - len(open_plates),
        failed=tuple(failed),
    )


def facts_of(plate: ShownPlate) -> list[tuple[str, str]]:
    """Return what the page says of a plate: names and values, what is unknown left out."""
    entry, record = plate.entry, plate.record
    size = "" if record.size_mm is None else f"{record.size_mm[0]:.0f} x {record.size_mm[1]:.0f} mm"
    batch = f"batch {entry.batch}" if entry.batch else ""
    densities = (
        ("Base plus fog", record.base_fog),
        ("Maximum density", record.d_max),
        ("Density range", record.density_range),
    )
    said = [
        ("Plate", plate.plate_id),
        ("Date", entry.date),
        ("Place", entry.place),
        ("Made by", entry.creator),
        ("Size", ", ".join(filter(None, (record.format, size)))),
        (
            "Emulsion",
            ", ".join(filter(None, (entry.emulsion, batch))),
        ),
        ("Lens", entry.lens),
        ("Developer", " ".join(filter(None, (entry.developer, entry.dilution)))),
        *((name, "" if value is None else f"{value:.2f} D") for name, value in densities),
        ("Notes", entry.notes),
        ("Rights", entry.rights),
        ("Terms of use", entry.usage_terms),
        ("More on rights", entry.web_statement),
        ("Credit", entry.credit),
        ("From", plate.source),
    ]
    return [(name, value) for name, value in said if value]


def _refuse_foreign(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise WriteError(folder, "it is a file", "name a folder", "output")
    if folder.is_dir() and any(folder.iterdir()) and not (folder / KNOWN).is_file():
        what = "it holds files, and no exhibit"
        raise WriteError(
            folder, what, "name an empty folder, or one made by this command", "output"
        )


def _known(folder: Path) -> dict[str, Any]:
    try:
        state = read_json((folder / KNOWN).read_text("utf-8"))
        return dict(state["pictures"]) if state["exhibit"] == _SCHEMA else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _as_known(pictures: dict[str, tuple[str, DeepPicture]]) -> dict[str, Any]:
    return {slug: {"recipe": said, **asdict(one)} for slug, (said, one) in pictures.items()}


def _keep(folder: Path, pictures: dict[str, Any]) -> None:
    """Write what the pictures were made from, once they are on the disk."""
    state = {"exhibit": _SCHEMA, "platebench": __version__, "pictures": pictures}
    _put(folder / KNOWN, json.dumps(state, indent=1) + "\n", after_all=True)


def _pictures(
    plate: ShownPlate, folder: Path, wishes: ExhibitWishes, known: dict[str, Any]
) -> tuple[str, DeepPicture, bool]:
    """Return a plate's pictures, made now or before: what decides them, they, and whether now."""
    if plate.unread:
        what = "has no record that can be read, which would say who may see the plate"
        remedy = "convert its session again, or verify its package"
        raise SessionFolderError(plate.positive, what, remedy)
    restricted = plate.access == "restricted"
    side, mark = (wishes.restricted_side, wishes.mark) if restricted else (None, "")
    recipe = recipe_of_picture(plate.positive, side, mark)
    place, before = folder / PLATES / plate.slug, known.get(plate.slug)
    if isinstance(before, dict) and before.get("recipe") == recipe and place.is_dir():
        kept = {key: before[key] for key in ("width", "height", "service")}
        return recipe, DeepPicture(**kept), False
    if place.is_dir():
        shutil.rmtree(place)
    with atomic_folder(place, flush=False) as work:
        picture = write_pictures(plate.positive, work, long_side=side, mark=mark)
    return recipe, picture, True


def _write_pages(
    plates: Sequence[ShownPlate],
    pictures: dict[str, tuple[str, DeepPicture]],
    folder: Path,
    wishes: ExhibitWishes,
) -> None:
    pages = Environment(
        loader=FileSystemLoader(_PAGES),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    make_folder(folder / ASSETS)
    for source in (*(_PAGES / name for name in ("exhibit.css", "wall.js", "deep.js")),
                   _VIEWER / "openseadragon.min.js"):  # fmt: skip
        _put(folder / ASSETS / source.name, source.read_text("utf-8"))
    formats = sorted({plate.record.format for plate in plates if plate.record.format})
    wall = pages.get_template("wall.html")
    _put(
        folder / "index.html",
        wall.render(
            title=wishes.title, plates=[_card(p, pictures) for p in plates], formats=formats
        ),
    )
    one = pages.get_template("plate.html")
    for place, plate in enumerate(plates):
        picture = pictures[plate.slug][1]
        facts = facts_of(plate)
        minutes = None if plate.entry.develop_s is None else plate.entry.develop_s / 60
        curve = curve_for(wishes.curves, plate.entry.batch, minutes)
        _put(
            folder / PLATES / f"{plate.slug}.html",
            one.render(
                exhibit=wishes.title,
                plate=plate,
                facts=facts,
                curve=None if curve is None else drawing_of(plate, curve),
                manifest=bool(wishes.address),
                tiles={"width": picture.width, "height": picture.height, "tile": TILE,
                       "scales": _scales(picture), "at": f"{plate.slug}/tiles"},
                before=plates[place - 1] if place else None,
                after=plates[place + 1] if place + 1 < len(plates) else None,
            ),
        )  # fmt: skip
        info = folder / PLATES / plate.slug / "tiles" / "info.json"
        address = f"{wishes.address}{PLATES}/{plate.slug}/tiles" if wishes.address else "."
        _put(info, json.dumps({**picture.service, "id": address}, indent=1) + "\n")
        if wishes.address:
            text = manifest_of(plate, picture, facts, wishes.address)
            _put(folder / PLATES / plate.slug / "manifest.json", text)
    if wishes.address:
        _put(folder / "collection.json", collection_of(wishes.title, plates, wishes.address))


def _card(plate: ShownPlate, pictures: dict[str, tuple[str, DeepPicture]]) -> dict[str, Any]:
    picture = pictures[plate.slug][1]
    words = " ".join(value for _, value in facts_of(plate))
    return {
        "slug": plate.slug,
        "title": plate.title,
        "date": plate.entry.date,
        "format": plate.record.format,
        "words": f"{plate.title} {words}".casefold(),
        "width": picture.width,
        "height": picture.height,
    }


def _scales(picture: DeepPicture) -> list[int]:
    tiles: Any = picture.service["tiles"]
    return list(tiles[0]["scaleFactors"])


def _remove_gone(folder: Path, slugs: set[str]) -> None:
    """Take away pages and pictures of plates that are shown no more."""
    for path in (folder / PLATES).iterdir():
        if path.is_dir() and path.name not in slugs and not path.name.startswith("."):
            shutil.rmtree(path)
        elif path.suffix == ".html" and path.stem not in slugs:
            path.unlink()


def _put(path: Path, text: str, *, after_all: bool = False) -> None:
    """Write a text where it is not there already; ``after_all`` that came before is on the disk."""
    data = text.encode("utf-8", "replace")
    if path.is_file() and path.read_bytes() == data:
        return
    if after_all:
        flush_disks()
    with atomic_write(path, flush=after_all) as stream:
        stream.write(data)


def checked_address(text: str) -> str:
    """Return an address with a slash at its end.

    Raises
    ------
    ValueError
        If it is none of the web.
    """
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.netloc or parts.query or parts.fragment:
        raise ValueError(text)
    return text.rstrip("/") + "/"
