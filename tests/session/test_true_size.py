"""A plate's true size with its error, formats proposed, and the picture within its rebate."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
import tomlkit
from click.testing import CliRunner
from PIL import Image

from platebench.cli import main
from platebench.core.errors import BadSettingError, ExitCode
from platebench.core.settings import PlateSettings
from platebench.plate.likely_format import likely_format
from platebench.plate.plate_scale import doubt_of_scale, scale_of, weighted_mean
from platebench.plate.record import PlateRecord, record_in
from platebench.session.convert_session import convert_session
from platebench.session.master_session import write_masters
from platebench.session.propose_formats import propose_formats
from platebench.session.settings_file import load_session
from platebench.session.share_session import ShareWishes, share_session
from platebench.synthetic import CameraModel, PlateModel, simulate_plate

from ..session_files import BOX, EXPOSURE_S, put

PER_MM = 4.0  # photosites
SHAPE = (900, 1200)
FRAME = (6000, 9000)
# Cut under their nominal sizes 9x12 cm, 13x18 cm and quarter plate (82.55 x 107.95 mm); the last
# is of no known format.
SIZES = {
    "nine": (89.5, 119.3),
    "thirteen": (179.1, 129.2),
    "quarter": (82.2, 107.3),
    "odd": (101.0, 112.0),
}
REBATES = {"nine": (3.0, 2.0, 4.0, 2.5), "thirteen": (3.0, 3.0, 3.0, 3.0)}


def box(*size: float) -> list[list[float]]:
    down, across = (side * 40.0 for side in size)
    return [[0, 0], [0, across], [down, across], [down, 0]]


@pytest.fixture(scope="module")
def captured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sizes") / "box"
    folder.mkdir()
    names = []
    for n, (name, size) in enumerate(SIZES.items()):
        fill = PER_MM / min(SHAPE[0] / size[0], SHAPE[1] / size[1])
        camera = CameraModel(shape=SHAPE, cfa="MONO", fill=fill, tilt_deg=1.0)
        plate = PlateModel(size_mm=size, rebate_mm=REBATES.get(name, (0.0, 0.0, 0.0, 0.0)))
        frame = simulate_plate(plate, BOX, camera, exposure_s=EXPOSURE_S, seed=50 + n).frame
        put(folder / f"{name}.dng", frame, at_s=60.0 * n)
        names.append(f'[[plate]]\nid = "{name}"\ncaptures = ["{name}.dng"]\n')
    (folder / "session.toml").write_text("".join(names), encoding="utf-8")
    return folder


@pytest.fixture
def session(captured: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(captured, tmp_path / "box"))


def set_up(session: Path, every: dict | None = None, **plates: dict) -> None:
    path = session / "session.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    if every:
        document["every_plate"] = every
    for table in document["plate"]:  # type: ignore[union-attr]
        table.update(plates.get(table["id"], {"skip": True}))
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def record(session: Path, name: str) -> PlateRecord:
    return record_in((session / "converted/plates" / f"{name}.json").read_bytes())


# A size is a caliper's over the corners' ratio: by arithmetic, at 40 pixels a millimetre.
def test_one_side_gives_the_other_with_its_error() -> None:
    plate = PlateSettings(id="a", captures=(), format="9x12 cm", short_mm=89.5)
    scale = scale_of(box(89.5, 119.2), plate, FRAME)
    assert scale is not None and scale.pixels_per_mm == pytest.approx(40.0)
    assert scale.glass_mm == pytest.approx((119.2, 89.5))
    assert scale.glass_sigma_mm is not None
    across, down = scale.glass_sigma_mm
    # 0.1 mm of 89.5 is 0.13 mm of 119.2, and the corners add to it.
    assert down == 0.1 and 0.13 < across < 0.2 and not scale.doubt


def test_a_nominal_size_states_no_error_but_its_source() -> None:
    scale = scale_of(box(90, 120), PlateSettings(id="a", captures=(), format="9x12 cm"), FRAME)
    assert scale is not None and (scale.source, scale.error) == ("nominal", None)
    assert scale_of(box(90, 120), PlateSettings(id="a", captures=()), FRAME) is None


def test_a_plate_that_leans_is_known_less_well() -> None:
    plate = PlateSettings(id="a", captures=(), short_mm=89.5)
    straight = scale_of(box(89.5, 119.2), plate, FRAME)
    corners = np.array(box(89.5, 119.2))
    corners[:2, 1] += [60, -60]  # the far side 2.5 % shorter
    leaning = scale_of(corners, plate, FRAME)
    assert straight is not None and straight.error is not None
    assert leaning is not None and leaning.error is not None
    assert leaning.error > 2 * straight.error


@pytest.mark.parametrize(
    "change",
    [
        {"long_mm": 117.0},
        {"short_mm": 89.5, "long_mm": 122.0},
        {"scale": (38.0, 0.02)},
        {"long_mm": 119.2, "scale": (40.8, 0.04, *FRAME)},
    ],
    ids=["no such format", "two that contradict", "no such format by scale", "not the session's"],
)
def test_what_contradicts_a_size_is_a_doubt(change: dict) -> None:
    plate = PlateSettings(id="a", captures=(), format="9x12 cm", **change)
    scale = scale_of(box(89.5, 119.2), plate, FRAME)
    assert scale is not None and scale.doubt


def test_a_scale_of_other_captures_is_not_used_and_that_is_said() -> None:
    plate = PlateSettings(id="a", captures=(), format="9x12 cm", scale=(40.0, 0.02, 4000, 6000))
    scale = scale_of(box(89.5, 119.2), plate, FRAME)
    assert scale is not None and scale.source == "nominal"
    assert doubt_of_scale(scale, plate, FRAME) and doubt_of_scale(None, plate, FRAME)
    upright = scale_of(box(89.5, 119.2), plate, (6000, 4000))  # the same camera on its side
    assert upright is not None and upright.source == "session"
    tiles = replace(plate, join="tiles")
    assert doubt_of_scale(scale_of(box(89.5, 119.2), tiles, FRAME), tiles, FRAME) == ""


def test_scales_that_scatter_have_the_error_of_their_scatter() -> None:
    # Weighted mean and its error for equal errors: mean and s / sqrt(n), any text on statistics.
    mean, error, discord = weighted_mean([(40.0, 0.001), (40.4, 0.001)])
    assert mean == pytest.approx(40.2, abs=0.01)
    assert error * mean == pytest.approx(np.std([40.0, 40.4], ddof=1) / np.sqrt(2), rel=0.01)
    assert discord > 3


def test_formats_within_the_error_are_all_named() -> None:
    # 127 x 177.8 mm (5x7 in) and 130 x 180 mm less 1 % (13x18 cm) are 1.3 and 0.2 % apart.
    plate = PlateSettings(id="a", captures=(), scale=(40.0, 0.4), scale_from="a scan")
    scale = scale_of(box(127.8, 178.0), plate, FRAME)
    assert scale is not None
    likely = likely_format(scale)
    assert likely is not None and not likely.proposed
    assert {name for name, _ in likely.shares} == {"5x7 in", "13x18 cm"}
    sure = scale_of(box(127.0, 177.6), replace(plate, scale=(40.0, 0.02)), FRAME)
    assert sure is not None
    known = likely_format(sure)
    assert known is not None and known.proposed == "5x7 in"


def test_start_proposes_the_formats_of_a_mixed_box(session: Path) -> None:
    (session / "session.toml").unlink()
    options = ("--caliper", "nine.dng", "119.3", "--fixed-height", "--json", "--jobs", "1")
    result = CliRunner().invoke(main, ["start", str(session), *options])
    assert result.exit_code == 0, result.output
    plates = {plate.captures[0]: plate for plate in load_session(session).plates}
    formats = {name: plates[f"{name}.dng"].format for name in SIZES}
    assert formats == {
        "nine": "9x12 cm",
        "thirteen": "13x18 cm",
        "quarter": "quarter plate",
        "odd": "",
    }
    assert plates["nine.dng"].long_mm == 119.3
    per_mm, error, *frame = plates["odd.dng"].scale
    assert tuple(frame) == SHAPE
    assert abs(per_mm - PER_MM) < 2 * error < 0.02 * PER_MM
    again = CliRunner().invoke(main, ["start", str(session), *options])
    assert again.exit_code == 0  # an unedited draft, with its sizes, gives way to another


def test_a_file_of_ones_own_keeps_its_lines(session: Path) -> None:
    path = session / "session.toml"
    path.write_text("# mine\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    set_up(session, nine={"long_mm": 119.3, "format": "half plate UK"}, quarter={}, thirteen={})
    result = CliRunner().invoke(main, ["start", str(session), "--fixed-height", "--jobs", "1"])
    assert result.exit_code == 0, result.output
    assert path.read_text(encoding="utf-8").startswith("# mine\n")
    plates = {plate.id: plate for plate in load_session(session).plates}
    assert plates["nine"].format == "half plate UK"  # a person's word stands
    assert plates["quarter"].format == "quarter plate"
    assert plates["quarter"].scale == plates["thirteen"].scale != ()


def test_captures_of_another_camera_get_no_scale(session: Path) -> None:
    camera = CameraModel(shape=SHAPE, cfa="MONO", fill=0.5, focal_length_mm=60.0)
    frame = simulate_plate(PlateModel(), BOX, camera, exposure_s=EXPOSURE_S, seed=9).frame
    (session / "quarter.dng").unlink()
    put(session / "quarter.dng", frame, at_s=500.0)
    set_up(session, nine={"long_mm": 119.3}, quarter={}, thirteen={})
    found = propose_formats(session, load_session(session), fixed_height=True, workers=1)
    assert "scale" in found.changes["thirteen"] and "quarter" not in found.changes


def test_caliper_sizes_that_contradict_give_no_scale(session: Path) -> None:
    set_up(session, nine={"long_mm": 119.3}, thirteen={"long_mm": 175.0})
    found = propose_formats(session, load_session(session), fixed_height=True, workers=1)
    assert found.notes and not any("scale" in change for change in found.changes.values())


def test_a_caliper_size_of_no_plate_is_refused(session: Path) -> None:
    with pytest.raises(BadSettingError):
        propose_formats(session, load_session(session), calipers={"ten.dng": 100.0})


def test_a_measured_size_goes_into_record_master_and_report(session: Path) -> None:
    set_up(session, nine={"long_mm": 119.3})
    assert convert_session(session, workers=1).exit_code is ExitCode.OK
    known = record(session, "nine")
    assert known.size_mm is not None and known.size_sigma_mm is not None
    assert known.scale is not None and known.scale.source == "caliper"
    for measured, true, sigma in zip(
        known.size_mm, (119.3, 89.5), known.size_sigma_mm, strict=True
    ):
        assert abs(measured - true) < 2 * sigma + 0.05 and sigma < 0.3
    write_masters(session, workers=1)
    with tifffile.TiffFile(session / "masters/nine.tif") as master:
        ratio = master.pages[0].tags["XResolution"].value
    assert ratio[0] / ratio[1] == pytest.approx(PER_MM * 25.4, rel=0.002)
    report = (session / "converted/report.html").read_text(encoding="utf-8")
    assert "± 0.1 mm" in report or "± 0.2 mm" in report


def test_a_picture_on_a_measured_plate_has_its_error_and_is_not_nominal(session: Path) -> None:
    picture = {"id": "left", "box_mm": [5.0, 5.0, 50.0, 40.0]}
    set_up(session, nine={"long_mm": 119.3, "pictures": [picture]})
    convert_session(session, workers=1)
    (own,) = record(session, "nine").pictures
    assert own.size_mm == pytest.approx((50.0, 40.0), abs=0.4)
    assert own.size_sigma_mm is not None and own.scale is not None
    assert own.scale.reference == record(session, "nine").scale.reference


CROPPED = {"picture": "rebate", "picture_margin_mm": 0.5}


def test_what_is_shared_and_printed_lies_within_the_rebate(session: Path) -> None:
    set_up(session, CROPPED, nine={"long_mm": 119.3, "emulsion": "camera", "rotate": 90})
    convert_session(session, workers=1)
    picture = record(session, "nine").picture
    assert picture is not None and picture.box_px is not None and not picture.cut
    positive = tifffile.imread(session / "converted/positives/nine.tif")
    rows, columns = positive.shape
    # Turned over and then by 90 degrees: top, right, bottom, left are left, top, right, bottom of
    # the plate seen from behind. Rebates are given as the plate lies, and 0.5 mm is kept within.
    top, right, bottom, left = REBATES["nine"]
    expected = (bottom, right, columns / PER_MM - top, rows / PER_MM - left)
    inner = np.add(expected, (0.5, 0.5, -0.5, -0.5))
    assert np.array(picture.box_px) / PER_MM == pytest.approx(inner, abs=0.35)
    ((outcome),) = share_session(session, wishes=ShareWishes(long_side=2000))
    assert outcome.made is not None
    with Image.open(outcome.made.path) as shown:
        box = picture.box_px
        assert shown.size == (box[2] - box[0], box[3] - box[1])
        # The rebate prints black: nothing of it is left along the sides.
        edge = np.asarray(shown.convert("L"), float)
    assert min(np.median(side) for side in (edge[0], edge[-1], edge[:, 0], edge[:, -1])) > 5


def test_a_positive_that_a_person_has_resized_is_not_cut_at_the_wrong_place(session: Path) -> None:
    set_up(session, CROPPED, nine={"long_mm": 119.3})
    convert_session(session, workers=1)
    path = session / "converted/positives/nine.tif"
    whole = tifffile.imread(path)
    tifffile.imwrite(path, whole[::2, ::2], photometric="minisblack")
    ((outcome),) = share_session(session, ["nine"], wishes=ShareWishes(long_side=2000))
    assert outcome.made is not None and outcome.made.resized


def test_a_rectangle_in_mm_cuts_print_negatives_and_positives_but_no_master(session: Path) -> None:
    wanted = {"picture": "box", "picture_box_mm": [20.0, 10.0, 60.0, 50.0], "long_mm": 119.3}
    set_up(session, nine=wanted | {"crop_positives": True}, quarter={})
    convert_session(session, workers=1)
    known = record(session, "nine")
    assert known.size_mm == pytest.approx((60.0, 50.0), abs=0.4)
    positive = tifffile.imread(session / "converted/positives/nine.tif")
    assert positive.shape == pytest.approx((50 * PER_MM, 60 * PER_MM), abs=2)
    words = ["print-negative", str(session), "nine", "--process", "albumen", "--ppi", "150"]
    made = CliRunner().invoke(main, [*words, "--json", "--jobs", "1"])
    assert made.exit_code == 0, made.output
    (plate,) = json.loads(made.stdout)["plates"]
    beside = json.loads(Path(plate["files"][3]).read_text(encoding="utf-8"))
    assert beside["picture_mm"] == pytest.approx([60.0, 50.0], abs=0.5)
    assert beside["cut_to_picture"] and beside["plate_scale"]["source"] == "caliper"
    write_masters(session, plates=["nine"], workers=1)
    master = tifffile.imread(session / "masters/nine.tif")
    assert min(master.shape) > 89.5 * PER_MM


def test_a_ratio_is_the_largest_about_the_middle(session: Path) -> None:
    set_up(session, CROPPED | {"picture_ratio": "1:1"}, nine={"format": "9x12 cm"})
    convert_session(session, workers=1)
    picture = record(session, "nine").picture
    assert picture is not None and picture.size_mm is not None
    assert picture.size_mm[0] == pytest.approx(picture.size_mm[1], abs=0.3)
    # 89.5 mm less rebates of 3 and 4 and twice the margin.
    assert picture.size_mm[1] == pytest.approx(81.5, abs=0.8)


@pytest.mark.parametrize(
    "every",
    [
        {"picture": "rebate", "picture_margin_mm": 0.0},
        {"picture": "rebate", "format": "quarter plate"},
        {"picture": "box", "picture_box_mm": [50.0, 50.0, 80.0, 80.0], "format": "quarter plate"},
        {"picture": "box", "picture_box_mm": [5.0, 5.0, 50.0, 50.0]},
    ],
    ids=["no rebate", "no rebate, size known", "beyond the plate", "no size"],
)
def test_where_the_picture_is_not_known_the_plate_is_left_whole(session: Path, every: dict) -> None:
    set_up(session, every | {"crop_positives": True}, quarter={})
    convert_session(session, workers=1)
    known = record(session, "quarter")
    assert known.picture is not None and known.picture.box_px is None
    assert known.picture.doubt in known.flags
    positive = tifffile.imread(session / "converted/positives/quarter.tif")
    assert max(positive.shape) > 0.98 * 107.3 * PER_MM
