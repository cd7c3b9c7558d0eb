"""Several pictures on one plate: placed by hand, converted, shown, shared, printed, packed."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from platebench.archive.pack_session import pack_session
from platebench.archive.reproduce import reproduce_package
from platebench.core.errors import BadSettingError, BadSettingsError, ExitCode
from platebench.plate.densities import density_from_transmittance
from platebench.plate.pictures import corners_in_capture
from platebench.printing.make_negative import NegativeOrder
from platebench.printing.process_file import load_process, process_folders
from platebench.session.convert_session import convert_session
from platebench.session.edit_file import edit_plate
from platebench.session.print_negative import print_negatives
from platebench.session.settings_file import load_session
from platebench.session.share_session import share_session
from platebench.synthetic.simulate import true_corners, true_transmittance

from ..session_files import BOX, CAMERA, NOON, PLATES, write_session

BOXES = {"left": (0.06, 0.06, 0.40, 0.84), "right": (0.54, 0.06, 0.40, 0.84)}
PICTURES = "".join(
    f'[[plate.pictures]]\nid = "{name}"\nbox = {list(box)}\ncaption = "The {name} one"\n'
    for name, box in BOXES.items()
)
IN_MM = "[[plate.pictures]]\nbox_mm = [60.0, 4.5, 48.0, 75.6]\nprint_stops = 0.5\n"


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("pictures") / "shelf", names=("wide",))
    add(folder, PICTURES + IN_MM)
    assert convert_session(folder, workers=1).exit_code is ExitCode.OK
    return folder


def add(folder: Path, text: str) -> None:
    path = folder / "session.toml"
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")


def result_of(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "converted/plates/wide.json").read_bytes())["result"]


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_each_picture_has_its_own_positive_and_figures(done: Path) -> None:
    plate = result_of(done)
    left, right, in_mm = plate["pictures"]
    assert [one["plate"] for one in plate["pictures"]] == ["wide/left", "wide/right", "wide/3"]
    assert left["caption"] == "The left one"
    # 0.40 x 120 mm and 0.84 x 90 mm, by the settings above.
    assert left["size_mm"] == pytest.approx((48.0, 75.6), abs=0.5)
    assert in_mm["size_mm"] == pytest.approx((48.0, 75.6), abs=0.5)
    assert left["base_fog"] == plate["base_fog"]  # one emulsion: the rebate tells it for all
    assert left["printed"]["white_at"] != right["printed"]["white_at"]
    assert in_mm["printed"]["stops"] == 0.5
    for name in ("left", "right", "3"):
        codes = tifffile.imread(done / f"converted/pictures/wide.{name}.tif")
        assert codes.shape[0] > codes.shape[1]  # upright, of a plate that lies
    assert (done / "converted/positives/wide.tif").is_file()


def test_a_picture_shows_what_lies_there(done: Path) -> None:
    """Its densest and thinnest tones are those of the simulated scene within its rectangle."""
    scene = true_transmittance(PLATES["wide"], BOX, CAMERA, seed=12)
    corners = true_corners(PLATES["wide"], CAMERA)
    for one, box in zip(result_of(done)["pictures"], BOXES.values(), strict=False):
        left, top, width, height = box
        shares = np.array(
            [[left, top], [left + width, top], [left + width, top + height], [left, top + height]]
        )
        assert one["corners"] == pytest.approx(corners_in_capture(shares, corners), abs=1.0)
        rows, columns = corners_in_capture(shares, corners).T
        inside = np.s_[
            round(max(rows[:2])) + 3 : round(min(rows[2:])) - 3,
            round(max(columns[[0, 3]])) + 3 : round(min(columns[1:3])) - 3,
        ]
        density = density_from_transmittance(scene[inside])
        assert one["d_max"] == pytest.approx(np.quantile(density, 0.995), abs=0.12)


def test_proof_sheet_report_share_and_print_negative_name_each(done: Path, tmp_path: Path) -> None:
    report = (done / "converted/report.html").read_text(encoding="utf-8")
    assert all(name in report for name in ("wide/left", "wide/right", "wide/3", "The left one"))
    shared = share_session(done, to=tmp_path / "shared")
    assert [one.plate_id for one in shared if one.error is None] == [
        "wide", "wide/left", "wide/right", "wide/3",
    ]  # fmt: skip
    assert names_in(tmp_path / "shared") == [
        "wide.3.jpg", "wide.jpg", "wide.left.jpg", "wide.right.jpg",
    ]  # fmt: skip
    process = load_process("albumen", process_folders(done, None))
    aims = NegativeOrder(), NegativeOrder(aim="facsimile")
    for order in aims:
        place = tmp_path / order.aim
        (made,) = print_negatives(done, ["wide/right"], process, order, output=place)
        assert made.made is not None and made.error is None
        assert all(name.startswith("wide.right-albumen-48x76mm") for name in names_in(place))
    (unknown,) = print_negatives(done, ["wide/middle"], process, aims[0], output=tmp_path / "none")
    assert unknown.error is not None


def test_a_change_makes_it_anew_and_what_is_gone_goes(done: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(done, tmp_path / "shelf"))
    assert all(result.skipped for result in convert_session(folder, workers=1).results)
    edit_plate(folder, "wide", {"pictures": [{"id": "left", "box": [0.1, 0.1, 0.3, 0.5]}]})
    edit_plate(folder, "wide", {"rotate": 90})  # does not land in the table of a picture
    (plate,) = load_session(folder).plates
    assert plate.rotate == 90 and [one.id for one in plate.pictures] == ["left"]
    (result,) = convert_session(folder, workers=1).results
    assert not result.skipped
    assert names_in(folder / "converted/pictures") == ["wide.left.jpg", "wide.left.tif"]


def test_a_package_makes_the_pictures_again(done: Path, tmp_path: Path) -> None:
    (packed,) = pack_session(done, now=NOON, to=tmp_path)
    again = reproduce_package(packed.package, captures=done)
    assert not again.errors
    pictures = [one for one in again.remade if "pictures/" in one.name]
    assert len(pictures) == 6 and all(one.same_bytes for one in pictures)


def test_what_cannot_be_cut_is_flagged(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "shelf", names=("wide",))
    add(folder, '[[plate.pictures]]\nid = "far"\nbox_mm = [80, 5, 60, 60]\n' + PICTURES)
    assert convert_session(folder, workers=1).exit_code is ExitCode.OK
    plate = result_of(folder)
    assert [one["plate"] for one in plate["pictures"]] == ["wide/left", "wide/right"]
    assert any("far" in flag for flag in plate["flags"])


@pytest.mark.parametrize(
    "text",
    [
        'id = "a"\n',
        "box = [0, 0, 1]\n",
        "box = [0.5, 0, 0.6, 1]\n",
        "box = [0, 0, 0, 1]\n",
        "box = [0, 0, 1, 1]\nbox_mm = [0, 0, 50, 50]\n",
        "outline = [[0, 0], [0, 1], [1, 1], [1, 0]]\n",
        "outline = [[0, 0], [2, 0], [1, 1], [0, 1]]\n",
        'id = "a/b"\nbox = [0, 0, 1, 1]\n',
        'box = [0, 0, 1, 1]\nformat = "9x12 cm"\n',
        'box = [0, 0, 1, 1]\n[[plate.pictures]]\nid = "1"\nbox = [0, 0, 1, 1]\n',
        'box = [0, 0, 1, 1]\n[[plate]]\nid = "wide.1"\ncaptures = ["b.dng"]\n',
    ],
)
def test_places_that_are_none_are_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "session.toml").write_text(
        f'[[plate]]\nid = "wide"\ncaptures = ["a.dng"]\n[[plate.pictures]]\n{text}',
        encoding="utf-8",
    )
    with pytest.raises((BadSettingError, BadSettingsError)):
        load_session(tmp_path)
