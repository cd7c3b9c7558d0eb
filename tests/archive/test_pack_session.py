"""Sessions as packages: what goes in, what is refused, and that originals stay as they are."""

from __future__ import annotations

import getpass
import json
import platform
from pathlib import Path
from typing import Any

import bagit
import pytest
import tifffile

from platebench.archive import pack_session as packing
from platebench.archive.pack_session import PackOptions, pack_session
from platebench.archive.package_tree import hash_path
from platebench.archive.verify import verify_package
from platebench.core.errors import ArchiveError, WriteError
from platebench.master.make_master import MasterResult
from platebench.plate.job import PlateJob
from platebench.session.master_session import write_masters

from ..processes import needs_accents
from ..refusals import refused
from ..session_files import tree
from .conftest import NOW
from .packages import flip_byte


def pack(session: Path, **options: object) -> list[Path]:
    chosen = PackOptions(**options)  # type: ignore[arg-type]
    return [one.package for one in pack_session(session, now=NOW, options=chosen, workers=1)]


def test_everything_is_in_it_and_an_independent_library_agrees(
    converted: Path, packed_once: Path
) -> None:
    bag = bagit.Bag(str(packed_once))
    bag.validate()
    assert bag.info["External-Identifier"] == "shelf 3"
    assert bag.info["External-Description"] == "Test"
    plates = ("dense", "tall")
    assert sorted(bag.payload_files()) == sorted(
        [
            *(f"data/{name}.json" for name in ("events", "recipe", "report")),
            "data/README.txt",
            "data/premis.xml",
            *(f"data/workings/{name}.json" for name in plates),
            *(f"data/captures/{name}.dng" for name in ("blank", "dark", *plates)),
            *(f"data/masters/{name}.{end}" for name in plates for end in ("jpg", "tif")),
            *(f"data/plates/{name}.json" for name in plates),
            *(f"data/positives/{name}.tif" for name in plates),
            *(f"data/previews/{name}.jpg" for name in plates),
            "data/plates.csv",
            "data/proof-sheet.pdf",
            "data/report.pdf",
            "data/session.toml",
        ]
    )
    for name in ("positives/tall.tif", "plates/dense.json", "proof-sheet.pdf", "report.pdf"):
        source, copy = converted / "converted" / name, packed_once / "data" / name
        assert copy.read_bytes() == source.read_bytes()


def test_the_recipe_lists_what_is_there(packed_once: Path) -> None:
    recipe = json.loads((packed_once / "data/recipe.json").read_bytes())
    for name, digest in recipe["inputs"].items():
        assert hash_path(packed_once / "data/captures" / name).sha256 == digest
    for name, facts in recipe["outputs"].items():
        path = packed_once / "data" / name
        assert facts["sha256"] == hash_path(path).sha256
        assert facts["bytes"] == path.stat().st_size
        if path.suffix == ".tif":
            assert facts["pixels"]["rows_columns"] == list(tifffile.imread(path).shape)
    assert set(recipe["shared_printing"]) == {"tall"}


def test_the_recipe_names_no_person_no_machine_and_no_time(packed_once: Path) -> None:
    text = (packed_once / "data/recipe.json").read_text(encoding="utf-8")
    named = {platform.node(), getpass.getuser(), str(Path.home()), str(packed_once.parent)}
    for word in named | {"2026-03-01", "/tmp"}:
        assert f'"{word}' not in text and f"/{word}/" not in text
    assert "15:30" in (packed_once / "data/events.json").read_text(encoding="utf-8")


def test_the_same_session_gives_the_same_bytes(
    converted: Path, packed_once: Path, tmp_path: Path
) -> None:
    again = pack_session(
        converted, now=NOW, to=tmp_path, options=PackOptions(captures=True), workers=1
    )
    assert tree(again[0].package) == tree(packed_once)


def test_masters_that_are_as_they_would_be_made_are_taken(
    session: Path, packed_once: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The package is the same, byte for byte, whoever made the masters."""
    write_masters(session, workers=1)
    (session / "masters/dense.tif").write_bytes(b"mine")
    made = []
    real = packing.master_plate

    def noting(job: PlateJob, target: Path, **more: Any) -> MasterResult:
        made.append(job.plate_id)
        return real(job, target, **more)

    monkeypatch.setattr(packing, "master_plate", noting)
    options = PackOptions(captures=True)
    (packed,) = pack_session(session, now=NOW, to=tmp_path / "to", options=options, workers=1)
    assert made == ["dense"]
    assert tree(packed.package) == tree(packed_once)


@pytest.mark.parametrize("other", [{"numpy": "1.0"}, None], ids=["other versions", "none stated"])
def test_masters_by_other_versions_are_made_again(
    session: Path, monkeypatch: pytest.MonkeyPatch, other: dict[str, str] | None
) -> None:
    """The recipe says which versions made the pictures, and has to be true."""
    write_masters(session, workers=1)
    record = session / "masters/tall.json"
    facts = json.loads(record.read_bytes()) | {"versions": other}
    record.write_text(json.dumps(facts), encoding="utf-8")
    made = []
    real = packing.master_plate

    def noting(job: PlateJob, target: Path, **more: Any) -> MasterResult:
        made.append(job.plate_id)
        return real(job, target, **more)

    monkeypatch.setattr(packing, "master_plate", noting)
    pack(session)
    assert made == ["tall"]


def test_originals_and_results_stay_as_they_are(session: Path) -> None:
    before = tree(session)
    (package,) = pack(session)
    assert tree(session, but="packages") == before
    assert package == session / "packages" / "shelf 3"
    assert not (package / "data/captures").exists()


def test_a_package_for_each_plate(session: Path) -> None:
    packages = pack(session, each=True, masters=False)
    assert [path.name for path in packages] == ["shelf 3-dense", "shelf 3-tall"]
    recipe = json.loads((packages[0] / "data/recipe.json").read_bytes())
    assert [plate["id"] for plate in recipe["session"]["plate"]] == ["dense"]
    assert sorted(recipe["inputs"]) == ["blank.dng", "dark.dng", "dense.dng"]
    with refused(WriteError, path=session / "packages" / "shelf 3-tall"):
        pack_session(session, now=NOW, plates=["tall"])
    with refused(ArchiveError, '"lost"', path=session / "session.toml"):
        pack_session(session, now=NOW, plates=["lost"])


def nothing_packed(session: Path) -> bool:
    return not list((session / "packages").iterdir())


@pytest.mark.parametrize("name", ["positives/tall.tif", "previews/dense.jpg"])
def test_a_result_that_somebody_changed_is_refused(session: Path, name: str) -> None:
    flip_byte(session / "converted" / name, -3)
    with refused(ArchiveError, path=session / "converted" / name):
        pack(session, masters=False)
    assert nothing_packed(session)


def test_what_is_not_converted_by_todays_settings_is_refused(session: Path) -> None:
    path = session / "session.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace(
            "[every_plate]\n", "[every_plate]\nprint_stops = 1\n"
        ),
        encoding="utf-8",
    )
    with refused(ArchiveError, settings=("convert",)):
        pack(session, masters=False)
    (session / "converted/plates/tall.json").unlink()
    with refused(ArchiveError, path=session / "converted/plates/tall.json"):
        pack(session, masters=False)
    assert nothing_packed(session)


def test_a_capture_that_vanished_is_named(session: Path) -> None:
    (session / "tall.dng").unlink()
    with refused(ArchiveError, path=session / "tall.dng"):
        pack(session)
    assert nothing_packed(session)


def test_links_that_lead_out_are_not_followed(session: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside.dng"
    (session / "tall.dng").rename(outside)
    (session / "tall.dng").symlink_to(outside)
    with refused(ArchiveError, path=session / "tall.dng"):
        pack(session, captures=True)
    (session / "tall.dng").unlink()
    outside.rename(session / "tall.dng")
    log = session / "plates.csv"
    log.rename(tmp_path / "plates.csv")
    log.symlink_to(tmp_path / "plates.csv")
    with refused(ArchiveError, path=log):
        pack(session, captures=True, masters=False)
    log.unlink()
    (tmp_path / "plates.csv").rename(log)
    (session / "developing.csv").symlink_to("nowhere")
    with refused(ArchiveError, path=session / "developing.csv"):
        pack(session, captures=True, masters=False)
    (session / "developing.csv").unlink()
    positive = session / "converted/positives/tall.tif"
    positive.rename(tmp_path / "tall.tif")
    positive.symlink_to(tmp_path / "tall.tif")
    with refused(ArchiveError, path=positive):
        pack(session, masters=False)
    assert nothing_packed(session)


def test_captures_whose_names_clash_elsewhere_are_refused(session: Path) -> None:
    path = session / "session.toml"
    (session / "Tall.dng").write_bytes((session / "dense.dng").read_bytes())
    path.write_text(
        path.read_text(encoding="utf-8").replace('["dense.dng"]', '["Tall.dng"]'), encoding="utf-8"
    )
    with refused(ArchiveError, "Tall.dng", "tall.dng"):
        pack(session, captures=True)
    assert nothing_packed(session)


@pytest.mark.parametrize("name", ["two\nlines", "x" * 250, "..", "a/b", "nul"])
def test_folders_that_cannot_name_a_package_ask_for_a_name(session: Path, name: str) -> None:
    with refused(ArchiveError, settings=("name",)):
        pack(session, name=name)


@pytest.mark.parametrize(
    "name", ["two\nlines", pytest.param("Größe 13x18, 50 %", marks=needs_accents), "y" * 240]
)
def test_session_folders_of_any_name(session: Path, name: str) -> None:
    renamed = session.rename(session.parent / name)
    (package,) = pack(renamed, name="plates", masters=False)
    assert verify_package(package).valid


def test_too_little_room_is_said_before_anything_is_written(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import shutil

    real = shutil.disk_usage
    monkeypatch.setattr("shutil.disk_usage", lambda path: real(path)._replace(free=1000))
    with refused(WriteError, "0.0 MB"):
        pack(session)
    assert nothing_packed(session)


def test_masters_in_colour_need_room_for_three(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:

    asked: list[int] = []

    def noting(place: Path, size: int) -> None:
        asked.append(size)
        raise WriteError(place, "is full", "free some space")

    monkeypatch.setattr(packing, "check_room", noting)
    for colour in (False, True):
        with pytest.raises(WriteError, match="is full"):
            pack(session, colour=colour)
    pictures = sum(path.stat().st_size for path in (session / "converted/positives").iterdir())
    assert asked[1] - asked[0] >= 2 * pictures
