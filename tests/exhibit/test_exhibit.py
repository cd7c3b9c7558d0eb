"""An exhibit: who is in it, what stands in its files, and that only what changed is made again."""

from __future__ import annotations

import csv
import json
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from platebench.core.errors import SessionFolderError, WriteError
from platebench.exhibit.deep_picture import DeepPicture, write_pictures
from platebench.exhibit.gather import ShownPlate, gather_plates
from platebench.exhibit.write_site import ExhibitWishes, checked_address, write_exhibit
from platebench.plate.densities import PlateDensities
from platebench.plate.record import PlateRecord
from platebench.plate_log.entry import LogEntry
from platebench.sensitometry.curve_file import load_curves
from platebench.sensitometry.curve_job import curves_of, write_curves
from platebench.write.tiff import write_picture

from ..sensitometry.step_tables import MINUTES, write_family
from ..session_files import tree

WISHES = ExhibitWishes(title="A wall", address="https://example.org/plates/")
CC = "creativecommons.org/licenses/by/4.0/"
IN_COPYRIGHT = "rightsstatements.org/vocab/InC/1.0/"
EVIL = '"><script>alert(1)</script>'


def put_plate(
    session: Path,
    name: str,
    *,
    title: str = "",
    access: str = "",
    seed: int = 0,
    densities: PlateDensities | None = None,
    **noted: Any,
) -> None:
    results = session / "converted"
    for part in ("positives", "plates"):
        (results / part).mkdir(parents=True, exist_ok=True)
    codes = np.random.default_rng(seed).integers(0, 65535, (700, 1300)).astype(np.uint16)
    write_picture(
        results / "positives" / f"{name}.tif", codes, ppi=300, description="", software="s",
        taken=None, xmp=b"",
    )  # fmt: skip
    more = (("Access", access),) if access else ()
    entry = LogEntry(
        plate_id=name, title=title, date="1893~", creator="A. Maker", more=more, **noted
    )
    record = PlateRecord(
        plate=name, base_fog=0.1, d_max=1.5, density_range=1.4, densities=densities, log=entry
    )
    text = json.dumps({"result": record.to_json()})
    (results / "plates" / f"{name}.json").write_text(text, encoding="utf-8")


@pytest.fixture
def session(tmp_path: Path) -> Path:
    folder = tmp_path / "shelf"
    put_plate(folder, "one", title="Mill & weir")
    put_plate(folder, "two", title=EVIL, seed=1)
    put_plate(folder, "small", access="restricted", seed=2)
    put_plate(folder, "hidden", title="Nobody sees this", access="Private", seed=3)
    return folder


def written(session: Path, site: Path, wishes: ExhibitWishes = WISHES) -> Path:
    made = write_exhibit(gather_plates([session]), site, wishes)
    assert made.shown == 3 and made.private == 1 and not made.failed
    return site


class _Elements(HTMLParser):
    """Counts elements, and keeps their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def test_private_plates_leave_no_trace(session: Path, tmp_path: Path) -> None:
    site = written(session, tmp_path / "site")
    assert not list(site.rglob("*hidden*"))
    texts = [p for p in site.rglob("*") if p.suffix in (".html", ".json")]
    assert texts and not any(b"Nobody sees" in path.read_bytes() for path in texts)


def test_texts_are_escaped_wherever_they_stand(session: Path, tmp_path: Path) -> None:
    site = written(session, tmp_path / "site")
    for page in (site / "index.html", site / "plates" / "shelf-two.html"):
        text = page.read_text(encoding="utf-8")
        assert "<script>alert" not in text
        scripts = [attrs for tag, attrs in _Elements(text).found if tag == "script"]
        assert scripts and all(attrs.get("src") for attrs in scripts)


def test_tiles_hold_every_pixel_and_are_named_as_the_standard_says(
    session: Path, tmp_path: Path
) -> None:
    # IIIF Image API 3.0, 4: {region}/{size}/{rotation}/{quality}.{format}; level 0, 3 tiles wide.
    site = written(session, tmp_path / "site")
    tiles = site / "plates" / "shelf-one" / "tiles"
    info = json.loads((tiles / "info.json").read_text(encoding="utf-8"))
    assert (info["width"], info["height"]) == (1300, 700)
    assert info["type"] == "ImageService3" and info["profile"] == "level0"
    assert info["id"] == f"{WISHES.address}plates/shelf-one/tiles"
    covered = np.zeros((700, 1300), int)
    for path in tiles.rglob("default.jpg"):
        region, size, rotation = path.relative_to(tiles).parts[:3]
        assert rotation == "0"
        with Image.open(path) as tile:
            if size != "max":
                assert tile.size == tuple(map(int, size.split(",")))
        if region != "full":
            left, top, width, height = map(int, region.split(","))
            if f"{width},{height}" == size:
                covered[top : top + height, left : left + width] += 1
    assert (covered == 1).all()


def test_manifests_point_at_files_that_are_there(session: Path, tmp_path: Path) -> None:
    # IIIF Presentation API 3.0, 5: manifest, canvas, annotation page, painting annotation.
    site = written(session, tmp_path / "site")
    listed = json.loads((site / "collection.json").read_text(encoding="utf-8"))
    assert listed["type"] == "Collection" and len(listed["items"]) == 3
    for reference in listed["items"]:
        here = site / reference["id"].removeprefix(WISHES.address)
        manifest = json.loads(here.read_text(encoding="utf-8"))
        assert manifest["id"] == reference["id"] and manifest["type"] == "Manifest"
        (canvas,) = manifest["items"]
        (annotation,) = canvas["items"][0]["items"]
        assert annotation["motivation"] == "painting" and annotation["target"] == canvas["id"]
        body = annotation["body"]
        with Image.open(site / body["id"].removeprefix(WISHES.address)) as picture:
            assert picture.size == (canvas["width"], canvas["height"])
        (service,) = body["service"]
        assert (site / service["id"].removeprefix(WISHES.address) / "info.json").is_file()


@pytest.mark.parametrize(
    ("statement", "rights", "link"),
    [
        # IIIF Presentation API 3.0, 3.2: addresses of these two, with http.
        (f"https://{CC}", f"http://{CC}", True),
        (f"http://{IN_COPYRIGHT}", f"http://{IN_COPYRIGHT}", True),
        ("https://example.org/rights", None, True),
        ("javascript:alert(1)", None, False),
        (f"https://example.org/{EVIL}", None, True),
    ],
)
def test_a_manifest_names_known_rights_and_a_page_links_addresses_only(
    statement: str, rights: str | None, link: bool, tmp_path: Path
) -> None:
    put_plate(tmp_path / "s", "one", web_statement=statement)
    site = tmp_path / "site"
    write_exhibit(gather_plates([tmp_path / "s"]), site, WISHES)
    manifest = json.loads((site / "plates/s-one/manifest.json").read_text(encoding="utf-8"))
    assert manifest.get("rights") == rights
    found = _Elements((site / "plates/s-one.html").read_text(encoding="utf-8")).found
    assert (statement in [attrs.get("href") for tag, attrs in found if tag == "a"]) == link
    assert all(attrs.get("src") for tag, attrs in found if tag == "script")


def test_restricted_plates_are_small_and_marked(session: Path, tmp_path: Path) -> None:
    wishes = replace(WISHES, restricted_side=600, mark="only here")
    site = written(session, tmp_path / "site", wishes)
    plain = written(session, tmp_path / "plain", replace(wishes, mark=""))
    place = Path("plates") / "shelf-small"
    whole = place / "tiles" / "full" / "max" / "0" / "default.jpg"
    marked, unmarked = (pixels_of(folder / whole) for folder in (site, plain))
    assert max(marked.shape) == 600 and np.abs(marked - unmarked).max() > 30
    assert max(max(pixels_of(path).shape) for path in (site / place).rglob("*.jpg")) == 600


def pixels_of(path: Path) -> np.ndarray:
    with Image.open(path) as picture:
        return np.asarray(picture, float)


def test_only_what_changed_is_made_again(session: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    assert write_exhibit(gather_plates([session]), site, WISHES).made == 3
    before = tree(site)
    assert write_exhibit(gather_plates([session]), site, WISHES).made == 0
    assert tree(site) == before
    put_plate(session, "one", title="Mill, again", seed=9)
    assert write_exhibit(gather_plates([session]), site, WISHES).made == 1
    assert "Mill, again" in (site / "index.html").read_text(encoding="utf-8")
    for part in ("positives/two.tif", "plates/two.json"):
        (session / "converted" / part).unlink()
    assert write_exhibit(gather_plates([session]), site, WISHES).shown == 2
    assert not list(site.rglob("shelf-two*"))


def test_a_run_that_was_stopped_is_gone_on_with(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, done = tmp_path / "site", []

    def stopped(path: Path, folder: Path, **wishes: Any) -> DeepPicture:
        if done:
            raise KeyboardInterrupt
        done.append(path)
        return write_pictures(path, folder, **wishes)

    with monkeypatch.context() as patch:
        patch.setattr("platebench.exhibit.write_site.write_pictures", stopped)
        with pytest.raises(KeyboardInterrupt):
            write_exhibit(gather_plates([session]), site, WISHES)
    assert write_exhibit(gather_plates([session]), site, WISHES).made == 2
    assert write_exhibit(gather_plates([session]), site, WISHES).made == 0


def test_a_page_draws_the_curve_of_its_batch_through_the_readings(
    session: Path, tmp_path: Path
) -> None:
    tables = write_family(tmp_path)
    write_curves(curves_of(tables, minutes=MINUTES, batch="14"), tmp_path / "curves")
    seen = PlateDensities(
        base_fog=0.1, base_fog_from="rebate", d_min=0.3, d_max=1.1, density_range=0.8
    )
    put_plate(session, "one", batch="14", develop_s=60 * MINUTES[1], densities=seen)
    put_plate(session, "two", batch="15", develop_s=60 * MINUTES[1], densities=seen)
    wishes = replace(WISHES, curves=load_curves([tmp_path / "curves" / "curves.json"]))
    site = written(session, tmp_path / "site", wishes)
    line, used = lines_on(site / "plates" / "shelf-one.html")
    assert lines_on(site / "plates" / "shelf-two.html") == []
    steps = list(csv.DictReader(tables[1].read_text(encoding="utf-8").splitlines()))[:-1]
    read = sorted((-float(s["tablet_density"]), float(s["density"])) for s in steps)
    log_h, density = np.array(read).T
    # Ends on the readings' ends; a log unit is as long as a unit of density.
    x = line[:, 0] / 100 + log_h[0] - line[0, 0] / 100
    top = density[0] + line[0, 1] / 100
    assert x[-1] == pytest.approx(log_h[-1], abs=0.002)
    assert np.abs(np.interp(log_h, x, top - line[:, 1] / 100) - density).max() < 0.02
    heavy = top - used[:, 1] / 100
    assert heavy.min() == pytest.approx(0.3, abs=0.05) and heavy.min() >= 0.295
    assert heavy.max() == pytest.approx(1.1, abs=0.05) and heavy.max() <= 1.105


def lines_on(page: Path) -> list[np.ndarray]:
    found = _Elements(page.read_text(encoding="utf-8")).found
    points = [attrs["points"] or "" for tag, attrs in found if tag == "polyline"]
    return [np.array([place.split(",") for place in one.split()], float) for one in points]


def test_somebody_elses_folder_stays_as_it_is(session: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    site.mkdir()
    (site / "letter.txt").write_text("dear", encoding="utf-8")
    with pytest.raises(WriteError):
        write_exhibit(gather_plates([session]), site, WISHES)
    assert [path.name for path in site.iterdir()] == ["letter.txt"]
    with pytest.raises(SessionFolderError):
        gather_plates([site])


def test_a_positive_that_cannot_be_read_is_left_out_and_named(
    session: Path, tmp_path: Path
) -> None:
    broken = session / "converted" / "positives" / "one.tif"
    broken.write_bytes(b"II*\0nothing")
    made = write_exhibit(gather_plates([session]), tmp_path / "site", WISHES)
    assert made.shown == 2 and [error.path for error in made.failed] == [broken]
    assert not list((tmp_path / "site").rglob("*shelf-one*"))


def test_a_plate_whose_record_is_spoilt_stays_out_and_is_named(
    session: Path, tmp_path: Path
) -> None:
    # It may have been private.
    (session / "converted" / "plates" / "hidden.json").write_bytes(b'{"result": ')
    made = write_exhibit(gather_plates([session]), tmp_path / "site", WISHES)
    spoilt = session / "converted" / "positives" / "hidden.tif"
    assert made.shown == 3 and [error.path for error in made.failed] == [spoilt]
    assert not list((tmp_path / "site").rglob("*hidden*"))


def test_plates_of_one_name_in_two_sessions_have_two_addresses(
    session: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other" / "shelf"
    shutil.copytree(session, other)
    plates: list[ShownPlate] = gather_plates([session, other])
    slugs = [plate.slug for plate in plates]
    assert len(set(slugs)) == len(slugs) == 8
    assert all(re.fullmatch("[a-z0-9-]+", slug) for slug in slugs)


@pytest.mark.parametrize("text", ["", "plates", "ftp://a.b", "https://", "https://a.b/?q=1"])
def test_no_address_of_the_web(text: str) -> None:
    with pytest.raises(ValueError):
        checked_address(text)
    assert checked_address("https://a.b/c") == "https://a.b/c/"
