"""Whole sessions, converted for real: what is written, what is left alone, what fails alone."""

from __future__ import annotations

import json
import shutil
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image

from platebench.cli import main
from platebench.core.errors import (
    BlankFrameError,
    CaptureError,
    ExitCode,
    FrameMismatchError,
    MissingProfileError,
    SessionFolderError,
    WorkerLostError,
    WriteError,
)
from platebench.plate.job import PlateJob, PlateResult, PrintingEnds
from platebench.session.convert_session import (
    SessionResult,
    convert_and_record,
    convert_session,
    shared_ends,
)
from platebench.synthetic import CameraModel, simulate_blank
from platebench.synthetic.simulate import true_corners

from ..refusals import refused
from ..session_files import BOX, CAMERA, EXPOSURE_S, PLATES, put, tree, write_session

FILES = [
    ".made-from.json",
    "plates/dense.json",
    "plates/tall.json",
    "plates/wide.json",
    "positives/dense.tif",
    "positives/tall.tif",
    "positives/wide.tif",
    "previews/dense.jpg",
    "previews/tall.jpg",
    "previews/wide.jpg",
    "proof-sheet-1.png",
    "proof-sheet.pdf",
    "report.html",
    "report.json",
    "report.pdf",
]


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_session(tmp_path_factory.mktemp("original") / "shelf")


@pytest.fixture(scope="module")
def converted(original: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session already converted, to be copied."""
    folder = tmp_path_factory.mktemp("converted") / "shelf"
    shutil.copytree(original, folder)
    result = convert_session(folder, workers=1)
    assert result.exit_code is ExitCode.OK
    return folder


@pytest.fixture
def fresh(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "shelf"))


@pytest.fixture
def done(converted: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(converted, tmp_path / "shelf"))


def edit(folder: Path, before: str, after: str) -> None:
    path = folder / "session.toml"
    text = path.read_text(encoding="utf-8")
    assert before in text
    path.write_text(text.replace(before, after, 1), encoding="utf-8")


def made_and_skipped(result: SessionResult) -> tuple[list[str], list[str]]:
    ids = [plate.plate_id for plate in result.results if not plate.skipped]
    return ids, [plate.plate_id for plate in result.results if plate.skipped]


def test_everything_promised_is_written_and_nothing_else(converted: Path, original: Path) -> None:
    assert list(tree(converted / "converted")) == FILES
    assert tree(converted, but="converted") == tree(original)  # originals untouched
    report = json.loads((converted / "converted" / "report.json").read_bytes())
    assert [plate["id"] for plate in report["plates"]] == ["dense", "tall", "wide"]
    assert {plate["status"] for plate in report["plates"]} == {"done"}
    session_files = ["proof-sheet.pdf", "proof-sheet-1.png", "report.html", "report.pdf"]
    assert report["files"] == session_files
    assert str(converted.parent) not in json.dumps(report)


def test_corners_given_by_hand_are_the_plate(fresh: Path) -> None:
    truth = true_corners(PLATES["tall"], CAMERA)
    corners = ", ".join(f"[{row:.3f}, {column:.3f}]" for row, column in truth)
    edit(fresh, 'captures = ["tall.dng"]', f'captures = ["tall.dng"]\ncorners = [{corners}]')
    result = convert_session(fresh, workers=1)
    # The tall plate is 120 x 90 mm and fills 0.8 of 300 rows: 240 x 180 pixels.
    positive = tifffile.imread(result.output / "positives" / "tall.tif")
    assert positive.dtype == np.uint16
    np.testing.assert_allclose(positive.shape, (240, 180), atol=1)
    with Image.open(result.output / "previews" / "tall.jpg") as preview:
        assert preview.size == positive.shape[::-1]
    assert result.results[1].record.by_hand is True


@pytest.mark.parametrize("workers", [1, 2])
def test_the_same_session_is_the_same_bytes_at_any_number_of_workers(
    fresh: Path, converted: Path, workers: int
) -> None:
    result = convert_session(fresh, workers=workers)
    assert [plate.plate_id for plate in result.results] == ["dense", "tall", "wide"]
    assert tree(fresh / "converted") == tree(converted / "converted")


def test_a_second_run_leaves_everything_as_it_is(done: Path) -> None:
    before, times = tree(done), {p: p.stat().st_mtime_ns for p in done.rglob("*.tif")}
    (done / "blank.dng").touch()  # a new date is no change
    result = convert_session(done, workers=1)
    assert made_and_skipped(result) == ([], ["dense", "tall", "wide"])
    assert result.exit_code is ExitCode.OK
    assert tree(done) == before
    assert {p: p.stat().st_mtime_ns for p in done.rglob("*.tif")} == times


def test_force_converts_again(done: Path) -> None:
    before = tree(done)
    result = convert_session(done, workers=1, force=True)
    assert made_and_skipped(result) == (["dense", "tall", "wide"], [])
    assert tree(done) == before


def test_only_what_changed_is_converted_again(done: Path) -> None:
    path = done / "converted" / "positives" / "tall.tif"
    before = tifffile.imread(path)
    edit(done, 'captures = ["tall.dng"]', 'captures = ["tall.dng"]\nrotate = 90')
    result = convert_session(done, workers=1)
    assert made_and_skipped(result) == (["tall"], ["dense", "wide"])
    assert tifffile.imread(path).shape == before.shape[::-1]


def test_another_blank_changes_every_plate(done: Path) -> None:
    put(done / "blank.dng", simulate_blank(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=77))
    assert made_and_skipped(convert_session(done, workers=1)) == (["dense", "tall", "wide"], [])


def test_missing_outputs_and_damaged_previews_are_made_again(done: Path) -> None:
    before = tree(done)
    (done / "converted" / "positives" / "wide.tif").unlink()
    (done / "converted" / "previews" / "dense.jpg").write_bytes(b"half")
    (done / "converted" / "plates" / "tall.json").unlink()
    result = convert_session(done, workers=1)
    assert made_and_skipped(result) == (["dense", "tall", "wide"], [])
    assert result.exit_code is ExitCode.OK
    assert tree(done) == before


def retouch(path: Path, *, tag: str) -> bytes:
    """Save a positive again with a spot on it, as another program does."""
    pixels = tifffile.imread(path)
    pixels[40:50, 60:80] = 30_000
    tifffile.imwrite(path, pixels, software=tag)
    return path.read_bytes()


@pytest.mark.parametrize("record", [True, False])
@pytest.mark.parametrize("change", ["", "rotate = 90"])
def test_a_retouched_positive_is_left_alone_until_forced(
    done: Path, converted: Path, record: bool, change: str
) -> None:
    path = done / "converted" / "positives" / "tall.tif"
    # With a record the bytes tell, even if the retoucher kept our tag.
    mine = retouch(path, tag="platebench 1" if record else "a retoucher")
    edit(done, 'captures = ["tall.dng"]', f'captures = ["tall.dng"]\n{change}')
    (done / "converted" / "previews" / "wide.jpg").unlink()
    kept = done / "converted" / "plates" / "tall.json"
    if not record:
        kept.unlink()
    for _ in range(2):
        result = convert_session(done, workers=1)
        error = result.results[1].error
        assert isinstance(error, WriteError) and result.exit_code is ExitCode.PARTIAL
        assert str(error) == (
            f"{path} was not written: it has been changed since it was made, and is left as it is; "
            "move it away, or have it replaced"
        )
        assert [plate.error is None for plate in result.results] == [True, False, True]
        assert path.read_bytes() == mine and kept.exists() == record
    assert (done / "converted" / "previews" / "wide.jpg").exists()
    forced = convert_session(done, workers=1, force=True)
    assert forced.exit_code is ExitCode.OK and path.read_bytes() != mine
    if not change:
        assert tree(done / "converted") == tree(converted / "converted")


def test_a_retouched_positive_moved_away_is_made_again(done: Path) -> None:
    path = done / "converted" / "positives" / "tall.tif"
    before = path.read_bytes()
    mine = retouch(path, tag="a retoucher")
    path.rename(done / "mine.tif")
    assert made_and_skipped(convert_session(done, workers=1)) == (["tall"], ["dense", "wide"])
    assert path.read_bytes() == before and (done / "mine.tif").read_bytes() == mine


def work_killed_after_the_positive(job: PlateJob) -> PlateResult:
    """Convert, but be killed when the positive is replaced and the preview is not."""
    import os
    import signal

    import platebench.session.convert_plate

    def killed(*args: object, **kwargs: object) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    if job.plate_id == "tall":
        platebench.session.convert_plate.write_preview = killed  # type: ignore[attr-defined]
    return convert_and_record(job)


@pytest.mark.big
@pytest.mark.skipif(not hasattr(__import__("signal"), "SIGKILL"), reason="no SIGKILL")
def test_killed_while_files_are_replaced_is_not_taken_for_retouching(done: Path) -> None:
    path = done / "converted" / "positives" / "tall.tif"
    before = path.read_bytes()
    edit(done, 'captures = ["tall.dng"]', 'captures = ["tall.dng"]\nprint_stops = 1.0')
    result = convert_session(done, workers=2, force=True, task=work_killed_after_the_positive)
    assert isinstance(result.results[1].error, WorkerLostError)
    replaced = path.read_bytes()
    assert replaced != before
    again = convert_session(done, workers=1)
    assert again.exit_code is ExitCode.OK and path.read_bytes() == replaced
    assert made_and_skipped(again) == (["tall"], ["dense", "wide"])


def test_a_plate_that_fails_before_its_files_are_touched_keeps_its_record(done: Path) -> None:
    (done / "tall.dng").write_bytes(b"")
    before = tree(done / "converted" / "plates")
    assert convert_session(done, workers=1).exit_code is ExitCode.PARTIAL
    assert tree(done / "converted" / "plates") == before
    mine = retouch(done / "converted" / "positives" / "tall.tif", tag="platebench 1")
    convert_session(done, workers=1)
    assert (done / "converted" / "positives" / "tall.tif").read_bytes() == mine


def test_plates_that_failed_are_named_on_the_proof_sheet(fresh: Path) -> None:
    import pypdf

    (fresh / "tall.dng").write_bytes(b"")
    result = convert_session(fresh, workers=1)
    text = pypdf.PdfReader(result.output / "proof-sheet.pdf").pages[0].extract_text()
    assert "3 plates, 1 not converted" in text
    assert "not converted: tall (tall.dng is empty)" in text


def test_a_truncated_raw_among_good_ones_fails_alone(fresh: Path) -> None:
    whole = (fresh / "tall.dng").read_bytes()
    (fresh / "tall.dng").write_bytes(whole[: len(whole) * 6 // 10])
    before = tree(fresh)
    result = convert_session(fresh, workers=2)
    assert result.exit_code is ExitCode.PARTIAL
    assert [plate.error is None for plate in result.results] == [True, False, True]
    assert isinstance(result.results[1].error, CaptureError)
    assert list(tree(fresh / "converted")) == [name for name in FILES if "tall" not in name]
    report = json.loads((fresh / "converted" / "report.json").read_bytes())
    assert report["plates"][1]["status"] == "failed"
    assert report["plates"][1]["error"]["message"] == str(result.results[1].error)
    assert tree(fresh, but="converted") == before
    # The capture is copied again: only its plate is made.
    (fresh / "tall.dng").write_bytes(whole)
    assert made_and_skipped(convert_session(fresh, workers=1)) == (["tall"], ["dense", "wide"])


def test_if_all_plates_fail_the_code_is_the_first_ones_own(fresh: Path) -> None:
    for name in ("dense", "tall", "wide"):
        (fresh / f"{name}.dng").unlink()
    result = convert_session(fresh, workers=1)
    assert result.exit_code is ExitCode.INPUT
    assert list(tree(fresh / "converted")) == [
        ".made-from.json",
        "report.html",
        "report.json",
        "report.pdf",
    ]


def test_a_proof_sheet_does_not_outlive_its_plates(done: Path) -> None:
    for name in ("dense", "tall", "wide"):
        (done / f"{name}.dng").unlink()
    convert_session(done, workers=1)
    assert not list((done / "converted").glob("proof-sheet*"))


def test_plates_no_longer_listed_are_told_and_left(done: Path) -> None:
    edit(done, 'id = "tall"', 'id = "standing"')
    result = convert_session(done, workers=1)
    assert result.left_from_earlier == ("tall",)
    assert (done / "converted" / "positives" / "tall.tif").exists()
    assert json.loads((result.output / "report.json").read_bytes())["left_from_earlier"] == ["tall"]


def test_plates_with_skip_are_left_out(fresh: Path) -> None:
    edit(fresh, 'captures = ["tall.dng"]', 'captures = ["tall.dng"]\nskip = true')
    result = convert_session(fresh, workers=1)
    assert made_and_skipped(result) == (["dense", "wide"], []) and result.left_out == ("tall",)
    assert json.loads((result.output / "report.json").read_bytes())["left_out"] == ["tall"]


def test_without_a_blank_the_light_is_estimated_and_said_so(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "shelf", blank=False)
    result = convert_session(folder, workers=1)
    assert result.exit_code is ExitCode.OK
    for plate in result.results:
        assert any("estimated" in flag for flag in plate.record.flags)


def test_results_go_where_they_are_wanted(fresh: Path, tmp_path: Path) -> None:
    before = tree(fresh)
    result = convert_session(fresh, output=tmp_path / "a" / "b", workers=1, true_size=True)
    assert list(tree(tmp_path / "a" / "b")) == [*FILES, "true-size.pdf"]
    assert result.files[-1].name == "true-size.pdf"
    assert tree(fresh) == before


def test_pages_at_true_size_that_cannot_be_made_hide_no_plate(fresh: Path) -> None:
    edit(fresh, 'format = "9x12 cm"', 'format = ""')
    args = ["convert", str(fresh), "--jobs", "1", "--true-size"]
    told = CliRunner().invoke(main, args)
    assert told.exit_code == ExitCode.PARTIAL
    assert told.stdout.startswith("plates: 3 converted") and "proof-sheet.pdf" in told.stdout
    (error,) = told.stderr.splitlines()
    assert "format" in error and "corners" not in error
    assert sorted(tree(fresh / "converted")) == FILES
    document = json.loads(CliRunner().invoke(main, [*args, "--json"]).stdout)
    assert [plate["status"] for plate in document["plates"]] == ["done"] * 3
    assert [one["kind"] for one in document["errors"]] == ["WriteError"]
    report = json.loads((fresh / "converted" / "report.json").read_text(encoding="utf-8"))
    assert len(report["plates"]) == 3


def test_plates_missing_from_the_pages_at_true_size_are_named(fresh: Path) -> None:
    edit(fresh, 'id = "tall"', 'id = "tall"\nformat = ""')
    result = convert_session(fresh, workers=1, true_size=True)
    assert result.exit_code is ExitCode.OK and not result.errors
    ((name, reason),) = result.not_true_size
    assert name == "tall" and "format" in reason


@pytest.mark.parametrize("part", ["write_proofs", "write_readable_report", "write_report"])
def test_a_sheet_or_report_that_fails_hides_no_plate(
    part: str, fresh: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **kwargs: object) -> None:
        raise WriteError(fresh / "converted" / part, "the disk is full", "free some space")

    monkeypatch.setattr(f"platebench.session.convert_session.{part}", refuse)
    result = convert_session(fresh, workers=1)
    assert [plate.error for plate in result.results] == [None] * 3
    assert result.exit_code is ExitCode.PARTIAL
    assert {type(error) for error in result.errors} == {WriteError}
    assert result.files  # what else the session has


def test_a_shared_printing_exposure_is_one_for_all(fresh: Path) -> None:
    edit(fresh, "[every_plate]", '[every_plate]\nprinting = "shared"')
    result = convert_session(fresh, workers=1)
    own = [plate.ends for plate in result.results if plate.ends]
    assert len({round(end.d_max, 3) for end in own}) > 1
    wanted = shared_ends(own)
    for plate in result.results:
        assert plate.record.printed.black_at == round(wanted.base_fog, 3)
        assert plate.record.printed.white_at == round(wanted.d_max, 3)


def test_what_was_measured_is_not_measured_again(
    done: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(job: PlateJob) -> PlateResult:
        raise AssertionError(f"measured {job.plate_id} again")

    monkeypatch.setattr("platebench.session.convert_plate.measure_plate", never)
    edit(done, "[every_plate]", '[every_plate]\nprinting = "shared"')
    assert made_and_skipped(convert_session(done, workers=1)) == (["dense", "tall", "wide"], [])
    assert made_and_skipped(convert_session(done, workers=1)) == ([], ["dense", "tall", "wide"])


def test_a_plate_that_cannot_be_measured_leaves_the_others_to_share(fresh: Path) -> None:
    edit(fresh, "[every_plate]", '[every_plate]\nprinting = "shared"')
    (fresh / "dense.dng").write_bytes(b"")
    result = convert_session(fresh, workers=1)
    assert result.exit_code is ExitCode.PARTIAL
    assert isinstance(result.results[0].error, CaptureError)
    ends = [plate.ends for plate in result.results[1:] if plate.ends]
    assert result.results[1].record.printed.white_at == round(shared_ends(ends).d_max, 3)


def test_ends_are_shared_only_among_those_that_want_it(fresh: Path) -> None:
    edit(fresh, 'captures = ["tall.dng"]', 'captures = ["tall.dng"]\nprinting = "shared"')
    edit(fresh, 'captures = ["wide.dng"]', 'captures = ["wide.dng"]\nprinting = "shared"')
    dense, tall, wide = convert_session(fresh, workers=1).results
    ends = [(p.record.printed.black_at, p.record.printed.white_at) for p in (tall, wide, dense)]
    assert ends[0] == ends[1] != ends[2]


def test_shared_ends_are_the_widest() -> None:
    ends = [PrintingEnds(base_fog=b, d_max=d) for b, d in ((0.3, 1.2), (0.2, 1.9), (0.5, 1.0))]
    assert shared_ends(ends) == PrintingEnds(base_fog=0.2, d_max=1.9)


def work_killed_while_writing(job: PlateJob, *, victim: str) -> PlateResult:
    import os
    import signal

    from platebench.core.files import atomic_write

    if job.plate_id == victim:
        with atomic_write(job.positive) as stream:
            stream.write(b"half a positive")
            stream.flush()
            os.kill(os.getpid(), signal.SIGKILL)
    return convert_and_record(job)


@pytest.mark.big
@pytest.mark.skipif(not hasattr(__import__("signal"), "SIGKILL"), reason="no SIGKILL")
def test_a_worker_killed_while_writing_leaves_nothing_half_written(fresh: Path) -> None:
    before = tree(fresh)
    task = partial(work_killed_while_writing, victim="tall")
    result = convert_session(fresh, workers=2, task=task)
    error = result.results[1].error
    assert error is not None and error.exit_code is ExitCode.WORKER_LOST
    assert [plate.error is None for plate in result.results] == [True, False, True]
    assert list(tree(fresh / "converted")) == [name for name in FILES if "tall" not in name]
    assert tree(fresh, but="converted") == before


def test_an_output_that_would_replace_a_capture_is_refused(fresh: Path) -> None:
    (fresh / "kept" / "positives").mkdir(parents=True)
    shutil.copy(fresh / "tall.dng", fresh / "kept" / "positives" / "tall.tif")
    edit(fresh, 'captures = ["tall.dng"]', 'captures = ["kept/positives/tall.tif"]')
    before = tree(fresh)
    with refused(WriteError, path=fresh / "kept" / "positives" / "tall.tif"):
        convert_session(fresh, output=fresh / "kept", workers=1)
    assert tree(fresh) == before


@pytest.mark.parametrize("name", ["positives/dense.tif", "proof-sheet-3.png", "report.json"])
def test_captures_of_plates_left_out_are_protected_too(fresh: Path, name: str) -> None:
    kept = fresh / "kept"
    (kept / "positives").mkdir(parents=True)
    shutil.copy(fresh / "tall.dng", kept / name)
    edit(fresh, 'captures = ["tall.dng"]', f'captures = ["kept/{name}"]\nskip = true')
    before = tree(fresh)
    for output in (kept, kept / "positives" / ".."):
        with refused(WriteError, Path(name).name):
            convert_session(fresh, output=output, workers=1, force=True)
    assert tree(fresh) == before


@pytest.mark.parametrize("part", ["", "positives", "plates"])
def test_a_file_in_the_way_of_a_folder_is_one_clear_line(fresh: Path, part: str) -> None:
    target = fresh / "converted" / part if part else fresh / "converted"
    target.parent.mkdir(exist_ok=True)
    target.write_text("mine", encoding="utf-8")
    with refused(WriteError, path=target):
        convert_session(fresh, workers=1)
    assert target.read_text(encoding="utf-8") == "mine"


def test_a_session_that_lists_no_plates_says_so(fresh: Path) -> None:
    (fresh / "session.toml").write_text("title = 'x'\n", encoding="utf-8")
    with refused(SessionFolderError, path=fresh / "session.toml"):
        convert_session(fresh)


def test_a_missing_tone_profile_stops_before_the_first_plate(fresh: Path) -> None:
    edit(fresh, "[every_plate]", '[every_plate]\ntone = "nutral"')
    with refused(MissingProfileError, kind="tone", name="nutral"):
        convert_session(fresh)
    assert not (fresh / "converted").exists()


def test_a_tone_profile_beside_the_session_is_used(fresh: Path) -> None:
    from platebench.core.installed import profiles_folder

    shutil.copy(profiles_folder() / "tone" / "softer.toml", fresh / "my own.toml")
    edit(fresh, "[every_plate]", '[every_plate]\ntone = "my own"')
    result = convert_session(fresh, workers=1)
    assert result.exit_code is ExitCode.OK
    assert {plate.record.tone for plate in result.results} == {"my own"}


def test_a_missing_blank_stops_the_session(fresh: Path) -> None:
    (fresh / "blank.dng").unlink()
    with refused(CaptureError, path=fresh / "blank.dng", cause=FileNotFoundError):
        convert_session(fresh, workers=1)


def test_a_blank_of_another_size_fails_each_plate(fresh: Path) -> None:
    other = CameraModel(shape=(302, 400))
    put(fresh / "blank.dng", simulate_blank(BOX, other, exposure_s=EXPOSURE_S, seed=1))
    edit(fresh, 'dark = ["dark.dng"]', "dark = []")
    result = convert_session(fresh, workers=1)
    assert result.exit_code is ExitCode.CALIBRATION
    assert all(isinstance(plate.error, FrameMismatchError) for plate in result.results)


def test_a_clipped_blank_stops_the_session(fresh: Path) -> None:
    put(fresh / "blank.dng", simulate_blank(BOX, CAMERA, exposure_s=1.0, seed=1))
    with refused(BlankFrameError, path=fresh / "blank.dng"):
        convert_session(fresh, workers=1)


def test_more_pages_then_fewer_leave_no_page_behind(done: Path) -> None:
    page = done / "converted" / "proof-sheet-1.png"
    shutil.copy(page, page.with_name("proof-sheet-7.png"))  # of an earlier, longer sheet
    (done / "converted" / "proof-sheet-mine.png").write_bytes(b"not ours")
    convert_session(done, workers=1)
    names = sorted(p.name for p in (done / "converted").glob("*.png"))
    assert names == ["proof-sheet-1.png", "proof-sheet-mine.png"]


def test_pages_at_true_size_are_kept_up_to_date(done: Path) -> None:
    convert_session(done, workers=1, true_size=True)
    pages = done / "converted" / "true-size.pdf"
    before = pages.read_bytes()
    edit(done, 'id = "tall"', 'id = "tall"\nrotate = 90')
    assert pages in convert_session(done, workers=1).files
    assert pages.read_bytes() != before
