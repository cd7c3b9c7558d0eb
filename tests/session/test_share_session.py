"""Pictures to share of a session: from the positives as they are, saying no more than is wanted."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from platebench.cli import main
from platebench.core.errors import SessionFolderError
from platebench.core.progress import NullProgress
from platebench.core.settings import PlateSettings
from platebench.plate_log.entry import LogEntry
from platebench.review import makers
from platebench.session import share_session as share_session_module
from platebench.session.convert_session import convert_session
from platebench.session.run_plates import made_or_raise
from platebench.session.share_session import Shared, ShareWishes, caption_lines, share_session
from platebench.synthetic import CameraModel, simulate_plate

from ..refusals import refused
from ..session_files import BOX, EXPOSURE_S, PLATES, put, write_session

LOG = "plate id,title,place,date\nwide,The old ferry,Under Hallow Point,1893~\n"


@pytest.fixture(scope="module")
def converted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("share") / "shelf", names=("dense", "wide"))
    (folder / "plates.csv").write_text(LOG, encoding="utf-8")
    convert_session(folder, workers=1)
    return folder


@pytest.fixture
def session(converted: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(converted, tmp_path / "shelf"))


def shared(*args: Any, **wanted: Any) -> list[Shared]:
    return made_or_raise(share_session(*args, **wanted))


def test_every_converted_plate_is_shared_without_its_edge(session: Path) -> None:
    made = shared(session, wishes=ShareWishes(long_side=200))
    assert [one.path.name for one in made] == ["dense.jpg", "wide.jpg"]
    with Image.open(made[1].path) as inner:
        assert max(inner.size) == 200 and inner.mode == "RGB"
        within = np.asarray(inner.convert("L"))
    whole_path = shared(session, ["wide"], wishes=ShareWishes(long_side=200, edge=True))[0].path
    with Image.open(whole_path) as whole:
        edged = np.asarray(whole.convert("L"))
    # the clear rebate prints black; the simulator has one on all four sides
    assert edged[:3].mean() < 30 < within[:3].mean()
    assert (edged < 20).mean() > (within < 20).mean()


def test_a_picture_that_is_replaced_by_another_is_said_so(session: Path) -> None:
    def shared(*more: str) -> str:
        result = CliRunner().invoke(
            main, ["share", str(session), "wide", "--long-side", "80", *more]
        )
        assert result.exit_code == 0
        return result.stderr

    assert "replaced" not in shared()
    assert "replaced" not in shared()  # the same picture again
    assert "wide.jpg" in shared("--edge")
    assert "replaced" not in shared("--edge", "--as", "png")  # another file


def test_a_positive_older_than_its_settings_is_said_to_be(session: Path) -> None:
    path = session / "session.toml"
    text = path.read_text(encoding="utf-8")
    said = shared(session, wishes=ShareWishes(long_side=80))
    assert not any(one.note() for one in said)
    at = text.index('id = "wide"')
    path.write_text(
        text[:at] + text[at:].replace("\n", '\nnote = "a crack"\n', 1), encoding="utf-8"
    )
    said = shared(session, wishes=ShareWishes(long_side=80))
    assert not any(one.older for one in said)  # a note changes no picture
    path.write_text(
        text[:at] + text[at:].replace("\n", "\nprint_stops = 0.5\n", 1), encoding="utf-8"
    )
    said = shared(session, wishes=ShareWishes(long_side=80))
    assert [one.plate_id for one in said if "convert first" in one.note()] == ["wide"]
    (session / "converted" / "plates" / "wide.json").unlink()  # nothing is known
    said = shared(session, wishes=ShareWishes(long_side=80))
    assert not any(one.older for one in said)


def test_a_date_that_is_not_sure_is_captioned_in_words() -> None:
    plate, entry = PlateSettings(id="wide", captures=()), LogEntry(plate_id="wide", date="1893~")
    # EDTF, ISO 8601-2: "~" is approximate
    assert caption_lines(plate, entry, place=False) == ["wide, about 1893", "glass plate"]


def test_the_place_is_left_out_unless_it_is_asked_for(session: Path) -> None:
    for place in (False, True):
        made = shared(session, ["wide"], wishes=ShareWishes(caption=True, place=place))
        content = made[0].path.read_bytes()
        assert b"The old ferry" in content
        assert (b"Hallow Point" in content) is place
        assert b"1/16" not in content and b"blank.dng" not in content


def test_a_retouched_positive_is_what_is_shared(session: Path) -> None:
    positive = session / "converted" / "positives" / "wide.tif"
    import tifffile

    with tifffile.TiffFile(positive) as tiff:
        pixels = tiff.asarray()
    tifffile.imwrite(positive, np.full_like(pixels, 65535), photometric="minisblack")
    made = shared(session, ["wide"], wishes=ShareWishes(kind="png", long_side=100))
    with Image.open(made[0].path) as picture:
        assert np.asarray(picture).min() == 255


def test_the_command_says_what_it_made_and_what_it_cannot(session: Path) -> None:
    done = CliRunner().invoke(main, ["share", str(session), "wide", "--as", "webp"])
    assert done.exit_code == 0 and done.stdout.strip().endswith("wide.webp")
    lost = CliRunner().invoke(main, ["share", str(session), "none"])
    assert lost.exit_code == 10 and 'lists no plate "none"; name one of: dense, wide' in lost.stderr
    (session / "converted" / "positives" / "wide.tif").unlink()
    with refused(SessionFolderError, "wide", path=session / "converted"):
        shared(session, ["wide"])


def test_a_capture_is_never_replaced(session: Path) -> None:
    (session / "wide.jpg").write_bytes(b"a scan")
    text = (session / "session.toml").read_text(encoding="utf-8")
    (session / "session.toml").write_text(
        text.replace('["dense.dng"]', '["wide.jpg"]'), encoding="utf-8"
    )
    done = CliRunner().invoke(main, ["share", str(session), "wide", "--output", str(session)])
    assert done.exit_code == 12 and (session / "wide.jpg").read_bytes() == b"a scan"


def test_a_webp_file_is_no_longer_than_the_format_allows(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """VP8 holds 14 bits of width and height (RFC 6386, 9.1): 16,383, caption included."""
    assert share_session_module.LONGEST["webp"] * 1.17 < 16_383
    monkeypatch.setattr(share_session_module, "LONGEST", {"webp": 150})
    wishes = ShareWishes(kind="webp", long_side=300)
    with Image.open(shared(session, ["wide"], wishes=wishes)[0].path) as picture:
        assert max(picture.size) == 150


def test_a_plate_kept_whole_is_shared_without_the_empty_light_box_and_says_so(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "shelf"
    write_session(folder, names=("wide",))
    camera = CameraModel(shape=(300, 400), offset=(0.0, 0.35))
    off = simulate_plate(PLATES["wide"], BOX, camera, exposure_s=EXPOSURE_S, seed=12)
    put(folder / "wide.dng", off.frame, at_s=60)
    convert_session(folder, workers=1)
    asked = ["share", str(folder), "--as", "png", "--output", str(tmp_path / "to")]
    done = CliRunner().invoke(main, asked)
    assert done.exit_code == 0 and done.stdout.strip() == str(tmp_path / "to" / "wide.png")
    assert done.stderr.startswith("Note: wide is shown uncropped: in the capture, ")
    assert "leave" in done.stderr and "convert" in done.stderr
    assert "kept whole" not in done.stderr  # said once
    with Image.open(tmp_path / "to" / "wide.png") as picture:
        seen = np.asarray(picture.convert("L"))
    assert seen.shape[1] < 0.8 * 400 and (seen > 60).mean() > 0.6
    (made,) = shared(folder, wishes=ShareWishes(edge=True, kind="png"))
    with Image.open(made.path) as whole:
        assert whole.size == (400, 300)
    document = json.loads(CliRunner().invoke(main, [*asked, "--json"]).stdout)
    assert document["notes"] == [made.note()]
    table = SimpleNamespace(folder=folder, output=folder / "converted")
    done = makers.share(table, {"plate": "wide", "edge": True})(NullProgress())  # type: ignore[arg-type]
    assert done.files == (made.path.with_suffix(".jpg"),) and done.notes == (made.note(),)
