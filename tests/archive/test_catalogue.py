"""A collection's catalogue: built from the packages, searched, exported, made anew."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import shutil
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import rdflib
from rdflib.namespace import RDF, SDO

from platebench.archive.catalogue import Indexed, index_collection
from platebench.archive.catalogue_file import ANEW, FILE_NAME
from platebench.archive.catalogue_find import EXPORTED, Query, export_plates, find_plates
from platebench.archive.collection import find_packages
from platebench.core.errors import CollectionError, WriteError
from platebench.core.files import UNFINISHED, write_error
from platebench.printing.process_file import load_processes, process_folders

from ..refusals import refused
from ..session_files import tree
from .packages import build, flip_byte

Result = Mapping[str, Any]
RESULT: Result = {
    "taken": "2031-06-14T14:07:35",
    "format": "13x18 cm",
    "base_fog": 0.1,
    "d_max": 1.6,
    "density_range": 1.5,
    "flags": [],
    "light": {"source": "blank"},
    "stain": None,
    "densities": {
        "base_fog": 0.1,
        "base_fog_from": "rebate",
        "d_min": 0.1,
        "d_max": 1.6,
        "density_range": 1.5,
        "blue_range": None,
        "histogram": [],
    },
}
MILL = {"title": "The mill, frozen", "place": "Nordhafen", "date": "1893-02~", "batch": "7a"}
BOATS = {"title": "Zwei Böte", "place": "Südkai", "date": "1894/1896", "batch": "8"}


def package(target: Path, plates: Mapping[str, Result], note: str = "") -> Path:
    """Write a package of these plates, as they are recorded."""
    session = {"plate": [{"id": plate, "note": note} for plate in plates]}
    files = {"recipe.json": json.dumps({"session": session}).encode()}
    for plate, result in plates.items():
        files[f"plates/{plate}.json"] = json.dumps({"result": result}).encode()
    target.parent.mkdir(parents=True, exist_ok=True)
    return build(target, files)


@pytest.fixture
def collection(tmp_path: Path) -> Path:
    place = tmp_path / "plates"
    measured = {**RESULT["densities"], "density_range": 0.8}
    flags = ["light estimated: 100% of it"]
    thin = {**RESULT, "density_range": 0.8, "densities": measured, "flags": flags}
    package(place / "shelf 1", {"mill": {**RESULT, "log": MILL}, "thin": thin})
    boats = {**RESULT, "log": {**BOATS, "more": {"shelf mark": "=B 3"}}, "density_range": 2.1}
    package(place / "deep/er/shelf 2", {"boats": boats}, note="cracked in the corner")
    (place / f"{UNFINISHED}x/data").mkdir(parents=True)
    (place / f"{UNFINISHED}x/bagit.txt").touch()
    (place / "link").symlink_to(tmp_path)
    return place


def index(collection: Path, **options: Any) -> Indexed:
    processes = load_processes(process_folders(None, None), ["albumen", "gum"])
    return index_collection(collection, processes=processes, **options)


def ids(collection: Path, **asked: Any) -> list[str]:
    found = find_plates(collection / FILE_NAME, Query(**asked))
    assert found.total == len(found.plates)
    return [plate["plate"] for plate in found.plates]


def test_plates_are_found_by_everything_that_is_known(collection: Path) -> None:
    index(collection)
    every = ["boats", "mill", "thin"]
    assert ids(collection) == every
    assert ids(collection, text="mill frozen") == ["mill"]
    assert ids(collection, text="FROZ") == ["mill"]  # the beginning of a word
    assert ids(collection, text="sudkai bote") == ["boats"]  # accents do not matter
    assert ids(collection, text="corner") == ["boats"]  # the note in session.toml
    assert ids(collection, text="b 3") == ["boats"]  # a column of their own in the plate log
    assert ids(collection, text="mill boats") == []
    assert ids(collection, dates=("1893-01-01", "1893-12-31")) == ["mill"]
    assert ids(collection, dates=("1895-05-01", "1895-05-01")) == ["boats"]  # within 1894/1896
    assert ids(collection, dates=("1893-01-01", "")) == ["boats", "mill"]
    assert ids(collection, dates=("", "1893-12-31")) == ["mill"]
    assert ids(collection, digitised=("2031-06-14", "2031-06-14")) == every
    assert ids(collection, digitised=("2031-06-15", "")) == []
    assert ids(collection, batch="7A") == ["mill"]
    assert ids(collection, density_range=(1.2, 1.8)) == ["mill"]
    assert ids(collection, flag="100%") == ["thin"]
    assert ids(collection, flag="1%") == []  # no wildcard
    assert ids(collection, flagged=True) == ["thin"]
    assert ids(collection, process="gum") == ["thin"]  # its profile says 0.6 to 1.1
    assert ids(collection, process="albumen", flagged=True) == []
    assert ids(collection, batch="7a", density_range=(2, 3)) == []


@pytest.mark.parametrize(
    "text", ['"', "'; DROP TABLE plates; --", "a OR b", "NEAR(", "*", "title:x", "-", "(", "^"]
)
def test_no_text_is_taken_for_a_command(collection: Path, text: str) -> None:
    index(collection)
    for name in ("text", "batch", "developer", "process", "flag"):
        find_plates(collection / FILE_NAME, Query(**{name: text}))
    assert len(ids(collection)) == 3


def test_only_what_is_new_or_changed_is_read(collection: Path) -> None:
    first = index(collection)
    assert (first.packages, first.plates, first.added) == (2, 3, 2)
    again = index(collection)
    assert (again.added, again.renewed, again.unchanged) == (0, 0, 2)
    shutil.rmtree(collection / "shelf 1")
    package(collection / "shelf 1", {"other": RESULT})
    package(collection / "shelf 3", {"more": RESULT})
    third = index(collection)
    assert (third.added, third.renewed, third.unchanged, third.gone) == (1, 1, 1, ())
    assert ids(collection) == ["boats", "other", "more"]
    assert ids(collection, text="mill") == [] and ids(collection, text="other") == ["other"]
    shutil.rmtree(collection / "deep")
    assert index(collection).gone == ("deep/er/shelf 2",)
    assert ids(collection, text="boats") == []


def dump(path: Path) -> list[str]:
    with sqlite3.connect(path) as connection:
        lines = list(connection.iterdump())
    connection.close()
    return [line for line in lines if "words_" not in line]


def test_made_anew_it_is_the_same(collection: Path) -> None:
    index(collection)
    before = dump(collection / FILE_NAME)
    (collection / FILE_NAME).write_bytes(b"no database" * 100)
    with refused(CollectionError, path=collection / FILE_NAME, remedy=ANEW[0], settings=ANEW[1:]):
        index(collection)
    with refused(CollectionError, path=collection / FILE_NAME, remedy=ANEW[0], settings=ANEW[1:]):
        ids(collection)
    index(collection, anew=True)
    assert dump(collection / FILE_NAME) == before
    (collection / FILE_NAME).unlink()
    with refused(CollectionError, path=collection / FILE_NAME, settings=("index",)):
        ids(collection)
    index(collection)
    assert dump(collection / FILE_NAME) == before
    assert not list(collection.glob(f"{UNFINISHED}[!x]*"))


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
@pytest.mark.parametrize("anew", [False, True])
def test_it_is_as_private_as_new_files_are(collection: Path, anew: bool) -> None:
    before = os.umask(0o077)
    try:
        index(collection, anew=anew)
    finally:
        os.umask(before)
    assert (collection / FILE_NAME).stat().st_mode & 0o777 == 0o600


def test_the_packages_are_only_read(collection: Path) -> None:
    before = tree(collection)
    index(collection)
    assert tree(collection) == before | {FILE_NAME: tree(collection)[FILE_NAME]}


def test_another_version_of_the_file_asks_to_be_made_anew(collection: Path) -> None:
    index(collection)
    with sqlite3.connect(collection / FILE_NAME) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    with refused(CollectionError, path=collection / FILE_NAME, remedy=ANEW[0], settings=ANEW[1:]):
        index(collection)
    index(collection, anew=True)


def test_a_full_disk_is_said_and_costs_nothing(
    collection: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    index(collection)
    before = dump(collection / FILE_NAME)
    many = {f"plate-{n}": {**RESULT, "log": {"notes": "x" * 10_000}} for n in range(60)}
    package(collection / "shelf 4", many)
    real = sqlite3.connect

    def small(*args: Any, **kwargs: Any) -> sqlite3.Connection:
        connection = real(*args, **kwargs)
        connection.execute("PRAGMA max_page_count = 60")  # SQLite's own way to be full
        return connection

    monkeypatch.setattr("platebench.archive.catalogue_file.sqlite3.connect", small)
    with refused(WriteError, remedy=write_error(Path(), OSError(errno.ENOSPC, "")).remedy):
        index(collection)
    monkeypatch.setattr("platebench.archive.catalogue_file.sqlite3.connect", real)
    assert dump(collection / FILE_NAME) == before
    assert index(collection).added == 1


def test_one_that_is_in_use_is_said(collection: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    index(collection)
    package(collection / "shelf 5", {"a": RESULT})
    real = sqlite3.connect
    monkeypatch.setattr(
        "platebench.archive.catalogue_file.sqlite3.connect",
        lambda path, **options: real(path, **options | {"timeout": 0.05}),
    )
    other = real(collection / FILE_NAME)
    other.execute("BEGIN IMMEDIATE")
    try:
        with refused(CollectionError, path=collection / FILE_NAME, cause=sqlite3.OperationalError):
            index(collection)
    finally:
        other.close()


@pytest.mark.parametrize(
    "result",
    [
        {},
        {"log": []},
        {"log": {"title": 7, "date": "yesterday", "more": [1], "notes": "\ud800"}},
        {"density_range": "x", "flags": "y", "taken": ["z"]},
        {"density_range": 1e308, "base_fog": True, "densities": {"histogram": None}},
        {"log": {"title": "x" * 1_000_000}},
    ],
)
def test_records_of_nonsense_are_passed_over(tmp_path: Path, result: Result) -> None:
    package(tmp_path / "c/p", {"plate": result})
    index(tmp_path / "c")
    assert ids(tmp_path / "c") == ["plate"]


def test_a_malicious_package_is_only_a_poor_entry(tmp_path: Path) -> None:
    place = tmp_path / "c"
    session = {"plate": [{"id": "../../../secret"}, {"id": 7}, {"id": "linked"}, 5]}
    build(place_for(place / "evil"), {"recipe.json": json.dumps({"session": session}).encode()})
    (tmp_path / "secret.json").write_text(json.dumps({"result": {"log": MILL}}), encoding="utf-8")
    (place / "evil/data/plates").mkdir()
    (place / "evil/data/plates/linked.json").symlink_to(tmp_path / "secret.json")
    build(place / "deep", {"recipe.json": b"[" * 100_000})
    build(place / "foreign", {"photo.txt": b"x"})
    (place / "empty").mkdir()
    (place / "empty/bagit.txt").touch()
    indexed = index(place)
    assert (indexed.packages, indexed.plates) == (4, 1)
    assert ids(place) == ["linked"] and ids(place, text="mill") == []


def place_for(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def test_export_as_linked_data(collection: Path, tmp_path: Path) -> None:
    """JSON-LD 1.1 (W3C 2020): a context, a graph, and every node with its type and its own id."""
    index(collection)
    target = tmp_path / "plates.jsonld"
    count = export_plates(collection / FILE_NAME, Query(), target)
    document = json.loads(target.read_text(encoding="utf-8"))
    assert set(document) == {"@context", "@graph"} and len(document["@graph"]) == count >= 2
    found = {plate["identifier"]: plate for plate in document["@graph"]}
    known = {plate["plate"]: plate for plate in find_plates(collection / FILE_NAME, Query()).plates}
    assert len({plate["@id"] for plate in document["@graph"]}) == count
    for name, plate in found.items():
        assert plate["@type"] == "Photograph" and "" not in plate.values()
        assert plate.get("dateCreated", "") == known[name]["date"]
        densities = {p["name"]: p["value"] for p in plate.get("additionalProperty", [])}
        assert densities.get("maximum density") == known[name]["d_max"]
    export_plates(collection / FILE_NAME, Query(), target)  # our own is replaced
    mine = tmp_path / "mine.jsonld"
    mine.write_text("{}", encoding="utf-8")
    with pytest.raises(WriteError):
        export_plates(collection / FILE_NAME, Query(), mine)
    assert mine.read_text(encoding="utf-8") == "{}"


@pytest.mark.filterwarnings("ignore:ConjunctiveGraph is deprecated:DeprecationWarning")
def test_linked_data_says_who_made_it_and_who_may_use_it(collection: Path, tmp_path: Path) -> None:
    """Read with rdflib, whose list of schema.org's terms is the check of every name."""
    said = {
        "creator": "A. Maker",
        "rights": "© A. Maker's heirs",
        "usage_terms": 'For study; "not" for sale',
        "web_statement": "https://example.org/rights",
        "credit": "Harbour museum",
    }
    closed = {"more": {"access": "restricted"}}
    package(collection / "rights", {"pier": {**RESULT, "log": {**said, **closed}}})
    index(collection)
    target = tmp_path / "plates.jsonld"
    export_plates(collection / FILE_NAME, Query(), target)
    document = json.loads(target.read_text(encoding="utf-8"))
    assert document["@context"] == str(SDO)
    # The published context needs the web: a vocabulary stands for it, which makes links texts.
    local = {**document, "@context": {"@vocab": str(SDO)}}
    graph = rdflib.Graph().parse(data=json.dumps(local), format="json-ld")
    kinds = {kind for _, _, kind in graph.triples((None, RDF.type, None))}
    for term in {verb for _, verb, _ in graph if verb != RDF.type} | kinds:
        assert term in SDO
    (pier,) = graph.subjects(SDO.identifier, rdflib.Literal("pier"))
    found = {key: str(graph.value(pier, term)) for key, term in (
        ("creator", SDO.creator), ("rights", SDO.copyrightNotice), ("credit", SDO.creditText),
        ("web_statement", SDO.license),
    )}  # fmt: skip
    terms = graph.value(pier, SDO.usageInfo)
    assert found | {"usage_terms": str(graph.value(terms, SDO.text))} == said
    assert str(graph.value(pier, SDO.conditionsOfAccess)) == "restricted"


def test_who_may_see_a_plate_is_read_once_and_kept(collection: Path, tmp_path: Path) -> None:
    plates = {
        "shut": {"access": "private", "remark": "two lines\naccess: open"},
        "odd": {"Access": "open", " ACCESS ": "until 2040"},
        "small": {"access": "Restricted"},
    }
    place = package(
        collection / "closed", {name: {**RESULT, "log": {"more": m}} for name, m in plates.items()}
    )
    package(collection / "spoilt", {"torn": RESULT})
    (collection / "spoilt/data/plates/torn.json").write_bytes(b'{"result": ')
    index(collection)
    known = {p["plate"]: p["access"] for p in find_plates(collection / FILE_NAME, Query()).plates}
    assert known == {
        **{"boats": "open", "mill": "open", "thin": "open", "small": "restricted"},
        **{"shut": "private", "odd": "private", "torn": "unknown"},
    }
    assert export_plates(collection / FILE_NAME, Query(), tmp_path / "plates.jsonld") == 4
    text = (tmp_path / "plates.jsonld").read_text(encoding="utf-8")
    assert place.name in text and not any(name in text for name in ("shut", "odd", "torn"))


def test_export_is_a_table_that_spreadsheets_take_for_text(
    collection: Path, tmp_path: Path
) -> None:
    flip_byte(collection / "shelf 1/data/recipe.json", 1)  # what is damaged does not hinder
    package(collection / "evil", {"a": {**RESULT, "log": {"title": '=HYPERLINK("x")'}}})
    index(collection)
    target = tmp_path / "plates.csv"
    assert export_plates(collection / FILE_NAME, Query(), target) >= 2
    rows = list(csv.DictReader(io.StringIO(target.read_bytes().decode("utf-8-sig"))))
    assert tuple(rows[0]) == EXPORTED
    by_plate = {row["plate"]: row for row in rows}
    assert by_plate["a"]["title"] == '\'=HYPERLINK("x")'
    assert by_plate["boats"]["own_columns"] == "shelf mark: =B 3"  # no formula: a heading leads
    assert by_plate["boats"]["notes"] == "cracked in the corner"
    assert by_plate["boats"]["place"] == "Südkai" and by_plate["boats"]["density_range"] == "2.1"
    export_plates(collection / FILE_NAME, Query(text="boats"), target)  # our own is replaced
    (tmp_path / "mine.csv").write_text("a letter", encoding="utf-8")
    with refused(WriteError, path=tmp_path / "mine.csv"):
        export_plates(collection / FILE_NAME, Query(), tmp_path / "mine.csv")


def test_what_is_no_collection_is_said_in_one_line(collection: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for place in (tmp_path / "gone", tmp_path / "file", collection / "shelf 1"):
        with refused(CollectionError, path=place):
            find_packages(place)
    assert find_packages(collection).packages == ("deep/er/shelf 2", "shelf 1")


def test_a_package_as_archive_writes_it(packed_once: Path, tmp_path: Path) -> None:
    shutil.copytree(packed_once, tmp_path / "c/p")
    index(tmp_path / "c")
    found = find_plates(tmp_path / "c" / FILE_NAME, Query(text="ice race", batch="7")).plates
    assert [plate["plate"] for plate in found] == ["tall"]
    assert found[0]["title"] == "The mill, frozen" and found[0]["first"] == "1893-02-01"
    assert found[0]["digitised"].startswith("2026-03-01T12:02")
    record = json.loads((packed_once / "data/plates/tall.json").read_bytes())["result"]
    assert found[0]["density_range"] == record["density_range"]
