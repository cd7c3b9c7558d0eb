"""``platebench print-negative`` on a small session: files, sentences, refusals."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner, Result

from platebench.cli import main
from platebench.core.errors import ExitCode

from ..session_files import tree, write_session
from ..write.pdf_facts import words_on


@pytest.fixture(scope="module")
def converted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("prints") / "shelf", names=("tall", "wide"))
    assert CliRunner().invoke(main, ["convert", str(folder), "--jobs", "1"]).exit_code == 0
    return folder


@pytest.fixture
def session(converted: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(converted, tmp_path / "shelf"))


def run(session: Path, *args: str | Path, process: str = "albumen") -> Result:
    words = ["print-negative", str(session), *map(str, args), "--process", process, "--ppi", "150"]
    return CliRunner().invoke(main, [*words, "--jobs", "1"] if "--jobs" not in args else words)


def made(session: Path, *args: str | Path) -> tuple[dict, np.ndarray]:
    result = run(session, *args, "--json")
    assert result.exit_code == 0, result.output
    (plate,) = json.loads(result.stdout)["plates"]
    return plate, tifffile.imread(plate["files"][0])


def test_writes_four_files_and_leaves_everything_else_alone(session):
    before = tree(session)
    plate, _ = made(session, "tall")
    assert {Path(f).suffix for f in plate["files"]} == {".tif", ".pdf", ".jpg", ".json"}
    assert all(Path(f).is_file() for f in plate["files"])
    assert before == tree(session, but="print-negatives")
    written = json.loads(Path(plate["files"][3]).read_text(encoding="utf-8"))
    assert written["picture_mm"] == plate["picture_mm"] == pytest.approx([90, 120], abs=1.2)
    assert written["mirrored"] is True and written["calibrated"] is False


def test_says_size_side_film_and_cautions(session):
    result = run(session, "tall", "--enlarge", "2", "--contact", "base")
    assert "2 times" in result.stdout
    assert "Ink side" in result.stdout and "not mirrored" in result.stdout
    assert "Not calibrated" in result.stdout and "fits A" in result.stdout
    assert "Glass:" in result.stdout and "Silver nitrate:" in result.stdout


def test_cautions_come_before_the_work_and_once(session):
    said = run(session, "tall", "wide").stdout
    assert said.startswith("Before you begin: cautions")
    assert said.count("Read the safety data sheet") == said.count("Glass: ") == 1
    assert said.index("Glass: ") < said.index("tall: ") < said.index("wide: ")


def test_a_plate_without_size_names_the_cause_and_its_way_out(session):
    """Sides in doubt though the format is set: corners, not the format."""
    record = session / "converted" / "plates" / "tall.json"
    positive = session / "converted" / "positives" / "tall.tif"
    pixels = tifffile.imread(positive)
    tifffile.imwrite(positive, pixels, resolution=(1, 1), resolutionunit="NONE")
    document = json.loads(record.read_text(encoding="utf-8"))
    document["result"] |= {"ppi": None, "size_mm": None, "doubtful": True}
    for name, wanted, never in (("9x12 cm", "corners", "format"), ("", "format and its c", "xx")):
        document["result"]["format"] = name
        record.write_text(json.dumps(document), encoding="utf-8")
        result = run(session, "tall")
        assert result.exit_code == ExitCode.INPUT
        assert wanted in result.stderr and never not in result.stderr
    sized = " ".join(run(session, "tall", "--size", "5x7in").stdout.split())
    assert "in doubt" in sized and "corners" in sized


def test_a_size_of_another_shape_is_filled_as_far_as_the_picture_goes(session):
    """On the film itself: the picture lies in the middle, opaque margins all around."""
    result = run(session, "tall", "--size", "5x7in", "--margins", "opaque")
    (path,) = (session / "print-negatives").glob("*.tif")
    record = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    width, height = record["picture_mm"]
    assert record["fitted_into_mm"] == [127.0, 177.8]
    assert f"tall: {width:.1f} x {height:.1f} mm in the middle of 127.0 x 177.8 mm" in result.stdout
    assert width == pytest.approx(127.0, abs=0.2) and height < 176.0
    film = tifffile.imread(path)
    assert np.array(film.shape) * 25.4 / 150 == pytest.approx([177.8 + 24.2, 127.0 + 12], abs=0.2)
    column = film[: -round(18.2 / 25.4 * 150), film.shape[1] // 4]  # beside the marks in the middle
    picture = np.flatnonzero(column > 0)
    above, below = picture[0], len(column) - 1 - picture[-1]
    assert above - below == pytest.approx(6.0 / 25.4 * 150, abs=3)
    assert len(picture) == pytest.approx(height / 25.4 * 150, abs=3)


def test_a_size_in_doubt_is_said_wherever_it_is_used(session):
    """Every plate set to 13 x 18 cm, while the glass is 9 x 12 cm."""
    settings = session / "session.toml"
    settings.write_text(
        settings.read_text(encoding="utf-8").replace('"9x12 cm"', '"13x18 cm"'), encoding="utf-8"
    )
    words = ["convert", str(session), "--jobs", "1", "--true-size"]
    assert CliRunner().invoke(main, words).exit_code == 0
    sheet, _ = words_on(session / "converted" / "proof-sheet.pdf")
    assert sheet.count("not to scale") == 2 and "1 : " not in sheet
    pages, _ = words_on(session / "converted" / "true-size.pdf")
    assert "in doubt" in pages

    own, larger = (made(session, "tall", *args)[0] for args in ((), ("--enlarge", "1.5")))
    for plate in (own, larger):
        (note,) = (note for note in plate["notes"] if "in doubt" in note)
        assert note.startswith("the plate's own size is in doubt: the plate is ")
        assert note.endswith("its format or corners in session.toml, then convert again")
    fitted, _ = made(session, "tall", "--size", "5x7in")
    assert any(note.startswith("how much the plate is enlarged") for note in fitted["notes"])
    said = " ".join(run(session, "tall").stdout.split())
    assert "in doubt" in said


def test_a_plate_of_its_formats_shape_has_a_size_without_doubt(session):
    assert not any("in doubt" in note for note in made(session, "tall")[0]["notes"])


def test_a_persons_edits_of_the_positive_are_what_is_printed(session):
    path = session / "converted" / "positives" / "tall.tif"
    before, _ = made(session, "tall", "--contact", "base")
    picture = tifffile.imread(path)
    with tifffile.TiffFile(path) as tif:
        profile = tif.pages[0].tags.valueof(34675)
    picture[: picture.shape[0] // 2] = 65535  # a sky burnt out by hand
    ppi = 25.4 * picture.shape[1] / before["picture_mm"][0]
    tifffile.imwrite(
        path, picture, resolution=(ppi, ppi), resolutionunit="INCH", iccprofile=profile
    )
    _, edited = made(session, "tall", "--contact", "base")
    assert (edited[60:200, 60:-60] == 0).all()  # full ink: paper white


def test_a_positive_named_as_a_file_is_printed(session, tmp_path):
    path = tmp_path / "elsewhere.tif"
    shutil.copy(session / "converted" / "positives" / "wide.tif", path)
    plate, _ = made(session, path)
    assert plate["plate"] == "elsewhere"
    assert any("linear light" in note for note in plate["read_as"])


def test_facsimile_is_linear_in_the_plates_density(session):
    """Uncalibrated, film density is proportional to ink: ink must be linear in measured density."""
    shown, negative = made(session, "tall", "--aim", "facsimile", "--contact", "base")
    assert shown["aim"] == "facsimile" and "facsimile" in shown["files"][0]
    places = [(25.0, 30.0), (45.0, 60.0), (60.0, 95.0)]
    at = [word for x, y in places for word in ("--at", f"{x},{y}")]
    words = ["measure", str(session), "tall", *at, "--size", "3", "--json"]
    readings = json.loads(CliRunner().invoke(main, words).stdout)["readings"]
    printed = json.loads((session / "converted/plates/tall.json").read_text(encoding="utf-8"))[
        "result"
    ]["printed"]
    per_mm = 150 / 25.4
    for (across, down), reading in zip(places, readings, strict=True):
        x, y = round((6 + across) * per_mm), round((6 + down) * per_mm)
        half = round(1.5 * per_mm)
        ink = 1 - negative[y - half : y + half, x - half : x + half].mean() / 65535
        range_ = printed["white_at"] - printed["black_at"]
        expected = np.clip((reading["density"] - printed["black_at"]) / range_, 0, 1)
        assert ink == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        (("nobody",), 10, ": tall, wide"),
        (("tall", "--size", "0.5x0.7in"), 10, " mm"),
        (("tall", "--enlarge", "20"), 10, " mm"),
        (("tall", "--enlarge", "0.1"), 10, " mm"),
        (("tall", "--size", "0x0in"), 2, "'0x0in'"),
        (("tall", "--enlarge", "0"), 2, "0.05 to 50"),
        (("tall", "--size", "4x5in", "--enlarge", "2"), 2, "--size, --enlarge"),
        (("missing.tif",), 10, "missing.tif"),
        (("missing.tif", "--aim", "facsimile"), 10, "densities"),
    ],
)
def test_what_cannot_be_made_is_one_clear_line(session, args, code, says):
    result = run(session, *args)
    assert result.exit_code == code
    assert says in result.stderr
    assert "Traceback" not in result.output
    assert result.stdout == ""  # nothing was made: no cautions, which would hide the line
    assert not list((session / "print-negatives").glob("*.tif"))


def test_an_unknown_process_names_those_there_are(session):
    result = run(session, "tall", process="daguerre")
    assert result.exit_code == 15
    assert "albumen" in result.stderr and "salted-paper" in result.stderr


def test_one_plate_that_fails_does_not_stop_the_others(session):
    result = run(session, "nobody", "tall", "--json")
    assert result.exit_code == 3
    failed, fine = json.loads(result.stdout)["plates"]
    assert failed["error"]["kind"] == "PrintNegativeError" and fine["files"]


def test_two_workers_write_what_one_writes(session):
    for jobs in ("1", "2"):
        done = run(session, "wide", "tall", "--jobs", jobs, "--output", session / jobs, "--json")
        assert [plate["plate"] for plate in json.loads(done.stdout)["plates"]] == ["wide", "tall"]
    assert tree(session / "1") == tree(session / "2") and len(tree(session / "1")) == 8


def test_two_files_of_one_name_do_not_replace_each_other(session, tmp_path):
    path = tmp_path / "tall.tif"
    shutil.copy(session / "converted" / "positives" / "wide.tif", path)
    result = run(session, "tall", path, "--json")
    assert result.exit_code == 3
    fine, refused = json.loads(result.stdout)["plates"]
    assert "another plate" in refused["error"]["message"]
    assert (
        json.loads(Path(fine["files"][3]).read_text(encoding="utf-8"))["picture_mm"]
        == fine["picture_mm"]
    )


def test_a_print_negative_somebody_changed_is_left_alone(session):
    plate, pixels = made(session, "tall")
    path = Path(plate["files"][0])
    tifffile.imwrite(path, pixels, software="an editor")
    result = run(session, "tall")
    assert result.exit_code == 12 and str(path) in result.stderr
    assert np.array_equal(tifffile.imread(path), pixels)


@pytest.mark.parametrize("place", range(4))
def test_files_of_somebody_elses_under_our_names_are_left_alone(session, place):
    plate, _ = made(session, "tall")
    path = Path(plate["files"][place])
    path.write_bytes(b"{}")
    result = run(session, "tall")
    assert result.exit_code == 12 and str(path) in result.stderr
    assert path.read_bytes() == b"{}"


@pytest.mark.parametrize(
    ("pixels", "says"),
    [
        (np.zeros((300, 400), np.uint8), " 8 bits"),
        (np.zeros((300, 400, 3), np.uint16), "colour"),
    ],
)
def test_positives_that_cannot_be_printed_from_say_why(session, tmp_path, pixels, says):
    path = tmp_path / "saved.tif"
    tifffile.imwrite(path, pixels, resolution=(100, 100), resolutionunit="INCH")
    result = run(session, path)
    assert result.exit_code == 10 and says in result.stderr and "16 bits" in result.stderr


def test_sharpness_that_cannot_be_measured_is_said(session):
    """The glass of these plates refracts a dark line along every edge: no clean step."""
    plate, _ = made(session, "tall", "--sharpness")
    assert plate["resolved_share"] is None
    assert any("not measured" in note for note in plate["notes"])


def test_another_folder_can_be_named(session, tmp_path):
    plate, _ = made(session, "tall", "--output", tmp_path / "films")
    assert all(Path(file).parent == tmp_path / "films" for file in plate["files"])
    assert not (session / "print-negatives").exists()


def test_a_disk_that_fills_up_leaves_nothing_half_written(session, monkeypatch):
    """The system refuses in the middle of the TIFF, as a full disk does."""
    import errno

    import platebench.printing.make_negative as making

    def fills_up(*args, **kwargs):
        def bands():
            yield np.zeros((64, 700), np.uint16)
            raise OSError(errno.ENOSPC, "No space left on device")

        kept(args[0], args[1], bands(), **kwargs)

    kept = making.write_print_negative
    monkeypatch.setattr(making, "write_print_negative", fills_up)
    result = run(session, "tall")
    assert result.exit_code == 12
    assert list((session / "print-negatives").iterdir()) == []


def test_a_calibration_beside_the_session_is_gone_through(session):
    """The wedge on the film, printed by the measured curve, must step evenly in lightness.

    L* = 116 Y^(1/3) - 16 above Y = 0.008856 (CIE 15), Y the reflectance relative to the paper.
    """
    ink = np.linspace(0, 1, 11)
    density = 1.5 * (1 - ink) ** 1.7  # a printer and process of its own
    (session / "process").mkdir()
    (session / "process" / "albumen.toml").write_text(
        f"[calibration]\nink = {ink.tolist()}\ndensity = {density.tolist()}\n", encoding="utf-8"
    )
    plate, film = made(session, "tall", "--contact", "base")
    assert plate["calibrated"] is True and plate["print_d_max"] == 1.5
    assert not any("not calibrated" in note for note in plate["notes"])
    per_mm = 150 / 25.4
    row = film[round((6 + plate["picture_mm"][1] + 4.2) * per_mm)]
    middles = [round((6 + 6 * (i + 0.5)) * per_mm) for i in range(11)]
    printed = np.interp(1 - row[middles] / 65535, ink, density)
    lightness = 116 * np.cbrt(10**-printed) - 16
    assert np.diff(lightness) == pytest.approx(np.full(10, np.ptp(lightness) / 10), abs=1.0)


def test_a_positive_older_than_its_settings_is_printed_and_said_to_be(session: Path) -> None:
    def told() -> str:
        args = ["print-negative", str(session), "wide", "--process", "albumen", "--jobs", "1"]
        result = CliRunner().invoke(main, args)
        assert result.exit_code == 0, result.output
        return " ".join(result.stdout.split())

    assert "older than its settings" not in told()
    path = session / "session.toml"
    before, at, after = path.read_text(encoding="utf-8").partition('id = "wide"\n')
    path.write_text(f"{before}{at}print_stops = 0.5\n{after}", encoding="utf-8")
    assert "older than its settings" in told() and "convert first" in told()


def test_all_negatives_on_sheets_of_one_film(session):
    result = run(session, "tall", "wide", "--sheet", "A4", "--with-chart", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    names = [piece["name"] for sheet in told["sheets"] for piece in sheet["pieces"]]
    assert sorted(names) == ["step chart", "tall", "wide"]
    assert all(Path(path).is_file() for sheet in told["sheets"] for path in sheet["files"])


def test_a_negative_too_large_for_the_film_fails_alone(session):
    result = run(session, "tall", "wide", "--sheet", "110x150mm", "--json")  # wide takes 114 x 132
    told = json.loads(result.stdout)
    assert result.exit_code == ExitCode.PARTIAL
    assert [sorted(plate).count("error") for plate in told["plates"]] == [0, 1]
    assert [piece["name"] for piece in told["sheets"][0]["pieces"]] == ["tall"]
    assert run(session, "tall", "--with-chart").exit_code == ExitCode.USAGE
    assert run(session, "tall", "--sheet", "4x5in", "--with-chart").exit_code == ExitCode.INPUT
