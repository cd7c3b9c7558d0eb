"""The standard printing time: from numbers of known curves, from tables, from scans of strips."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import ReadingsError
from platebench.printing.exposure_strip import (
    draw_strip,
    keep_scale,
    read_printing_time,
    read_strip,
    read_strip_table,
)
from platebench.printing.printing_time import (
    FIRST_TINT,
    MisplacedStripError,
    PrintingTime,
    find_printing_time,
)
from platebench.printing.process import Status
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.step_chart import plain_chart
from platebench.printing.strip_plan import StripPlan, plan_strip, strip_times
from platebench.synthetic.printing_process import PrintingProcess

from .printed_charts import print_chart, print_strip, refused


def test_the_reference_paper_has_its_iso_range() -> None:
    # Worked from ISO 6846's definition for D = 0.05 + 2.05 / (1 + 10^(-1.9 (log H - 1))): 0.04
    # above white at log H 0.10467, 90 % of the net full black at 1.50223, R 139.8 -> 140.
    log_h = np.arange(-1.0, 3.6, 0.15)
    above_white = 2.05 / (1 + 10 ** (-1.9 * (log_h - 1)))
    found = find_printing_time("paper", (10**log_h).tolist(), above_white.tolist())
    assert found.iso_r == 140 and found.first_tint_s is not None
    assert np.log10(found.first_tint_s) == pytest.approx(0.10467, abs=0.01)
    # Full black less 0.03, by the formula solved for log H: 1 + log10(2.02 / 0.03) / 1.9.
    assert np.log10(found.seconds) == pytest.approx(1 + np.log10(2.02 / 0.03) / 1.9, abs=0.01)


def test_first_tint_and_full_black_thirty_times_apart() -> None:
    # Clerc, Photography: Theory and Practice, paragraph 502: first tint 1 min, black 30 min, a
    # scale of 1.477. Here a paper that darkens evenly between the two.
    times = [15, 30, 60, 120, 240, 480, 960, 1800, 3600, 7200]
    share = np.clip(np.log10(np.array(times) / 60) / np.log10(30), 0, 1)
    found = find_printing_time(
        "strip", times, (FIRST_TINT + share * 1.36).tolist(), tolerance=0.005
    )
    assert found.scale is None  # it begins at the tint: nothing lighter on the strip
    lighter = np.where(np.array(times) < 60, 0.0, FIRST_TINT + share * 1.36)
    found = find_printing_time("strip", times, lighter.tolist(), tolerance=0.005)
    assert found.scale == pytest.approx(1.477, abs=0.05)  # steps of a whole stop, 0.30


def test_noise_within_the_tolerance_does_no_harm() -> None:
    times = strip_times(1.0, 15)
    log_t = np.log10(times)
    clean = 1.4 / (1 + 10 ** (-2.5 * (log_t - 0.8)))
    truth = 0.8 + np.log10(1.37 / 0.03) / 2.5
    rng = np.random.default_rng(3)
    for _ in range(20):
        found = find_printing_time("strip", times, (clean + rng.normal(0, 0.008, 15)).tolist())
        assert np.log10(found.seconds) == pytest.approx(truth, abs=0.16)  # half a stop


def test_strips_that_say_nothing() -> None:
    times = strip_times(2.0, 9)
    rising = np.linspace(0.1, 1.3, 9)
    assert "32 s" in refused(lambda: find_printing_time("s.csv", times, rising.tolist()))
    flat = np.full(9, 1.3)
    assert "begins shorter" in refused(lambda: find_printing_time("s.csv", times, flat.tolist()))
    turned = np.concatenate((rising, rising[-1:] - 0.2, rising[-1:]))
    assert "step 10 (45.3 s)" in refused(
        lambda: find_printing_time("s.csv", strip_times(2.0, 11), turned.tolist())
    )
    assert "at least 5" in refused(lambda: find_printing_time("s.csv", [1, 2], [0.1, 1.0]))


def test_the_card_moves_after_the_differences() -> None:
    plan = StripPlan(first_s=30, steps=15)
    assert np.cumsum(plan.card_s) == pytest.approx(plan.times_s)
    assert plan.times_s[-1] == pytest.approx(30 * 128)


@pytest.mark.parametrize("scale", [0.8, 1.4, 2.0, 2.6])
@pytest.mark.parametrize("stops_off", [-2.5, 0.0, 2.5])
def test_both_ends_lie_on_a_planned_strip_with_a_stop_to_spare(
    scale: float, stops_off: float
) -> None:
    plan = plan_strip(900, 2.5, (scale - 0.2, scale + 0.2))
    black = 900 * 2**stops_off
    assert plan.times_s[-1] >= 1.999 * black
    assert plan.first_s <= black / 10**scale / 1.999


def _paper(log_t: np.ndarray, black: float, scale: float, d_max: float = 1.3) -> np.ndarray:
    """Density of an invented paper: 0.04 and 0.03 below black lie a scale apart."""
    share = np.clip((log_t - black) / scale + 1, -0.5, 1.5)
    return np.interp(
        share,
        [-0.5, -0.3, 0, 0.2, 0.8, 1, 1.2],
        [0, 0, 0.04, 0.2, d_max - 0.2, d_max - 0.03, d_max],
    )


@pytest.mark.parametrize("scale", [0.8, 1.9, 2.1, 2.6])
@pytest.mark.parametrize("first_s", [0.02, 3.0, 40.0, 900.0, 30_000.0])
def test_the_strip_after_a_misplaced_one_shows_both_ends(scale: float, first_s: float) -> None:
    # Wherever a strip of 15 half stops lies, the next one has time and scale: no circles.
    black = 3.0

    def read(plan: StripPlan) -> PrintingTime:
        density = _paper(np.log10(plan.times_s), black, scale)
        return find_printing_time("strip", plan.times_s, density.tolist())

    following: StripPlan | None
    try:
        following = read(StripPlan(first_s=first_s, steps=15)).next_strip
    except MisplacedStripError as error:
        following = error.next_strip
    if following is None:
        assert scale < 1.5 and first_s == 40.0  # the only ones that showed all at once
        return
    found = read(following)
    assert found.scale == pytest.approx(scale, abs=found.step)
    assert np.log10(found.seconds) == pytest.approx(black, abs=found.step / 2)


def test_a_strip_in_whole_stops_says_so_itself(tmp_path: Path) -> None:
    path = print_strip(
        tmp_path / "strip.tif", -1.5, PrintingProcess(shoulder=8), steps=12, stops=1.0, seed=5
    )
    found = read_strip(path, 8.0)
    assert found.times_s == pytest.approx(strip_times(8.0, 12, 1.0))
    assert found.next_strip is not None and found.next_strip.stops == 0.5


def test_a_scan_of_a_strip(tmp_path: Path) -> None:
    process = PrintingProcess(shoulder=8)
    path = print_strip(tmp_path / "strip.tif", -1.0, process, steps=21, seed=5)
    found = read_strip(path, 8.0)
    # The simulator's own curve, noise-free, at the times given.
    log_t = np.linspace(-1, 3, 4001)
    curve = process.density_at(log_t)
    steps = -1.0 + np.arange(21) * np.log10(2) / 2
    black = float(process.density_at(steps[-1]))
    truth = 8.0 * 10 ** (log_t[np.argmax(curve >= black - 0.03)] + 1.0)
    assert np.log2(found.seconds / truth) == pytest.approx(0, abs=0.5)
    tint = 8.0 * 10 ** (log_t[np.argmax(curve >= FIRST_TINT)] + 1.0)
    assert found.first_tint_s is not None
    assert np.log2(found.first_tint_s / tint) == pytest.approx(0, abs=0.5)


def test_other_sheets_and_missing_times(tmp_path: Path) -> None:
    path = print_chart(tmp_path / "chart.tif", plain_chart(51), 1)
    assert "calibrate-process" in refused(lambda: read_strip(path, 10))
    assert "--first SECONDS" in refused(
        lambda: read_printing_time(path, None, tolerance=0.03, gamma=2.2)
    )


def test_the_scale_goes_into_a_profile_and_nothing_else_does(tmp_path: Path) -> None:
    own = tmp_path / "process" / "salted-paper.toml"
    own.parent.mkdir()
    own.write_text('# mine\ncontrast = "two coats"\n', encoding="utf-8")
    folders = process_folders(None, tmp_path)
    times = strip_times(1.0, 21)
    read = 1.3 / (1 + 10 ** (-2.2 * (np.log10(times) - 1.4)))
    found = find_printing_time("strip", times, read.tolist())
    assert keep_scale(found, "salted-paper", folders, own.parent) == (own,)
    process = load_process("salted-paper", folders)
    (scale,) = process.scales
    assert found.scale is not None and scale.typical == pytest.approx(found.scale, abs=1e-3)
    assert scale.status[1] is Status.TESTED and process.contrast == "two coats"
    assert own.read_text(encoding="utf-8").startswith("# mine")
    assert keep_scale(replace(found, scale=None), "salted-paper", folders, own.parent) == ()


def test_tables(tmp_path: Path) -> None:
    path = tmp_path / "strip.csv"
    times = strip_times(1.0, 12)
    read = 1.3 / (1 + 10 ** (-3 * (np.log10(times) - 0.6)))
    rows = "\n".join(f"{t:.4f},{d:.4f}" for t, d in zip(times, read, strict=True))
    path.write_text(f"time_s,density\n{rows}\n", encoding="utf-8")
    assert read_strip_table(path).seconds == pytest.approx(
        find_printing_time("", times, read.tolist()).seconds, rel=0.01
    )
    for text in ("", "time_s\n1\n", "time_s,density\n1,x\n", "time_s,density\n2,0.1\n1,0.2\n"):
        path.write_text(text, encoding="utf-8")
        if text:
            with pytest.raises(ReadingsError, match="time_s,density"):
                read_strip_table(path)
    with pytest.raises(ReadingsError):
        read_strip_table(tmp_path / "none.csv")


@pytest.mark.parametrize("steps", [7, 21])
@pytest.mark.parametrize("stops", [0.5, 1.0])
def test_the_strip_has_room_for_its_marks(steps: int, stops: float) -> None:
    sheet = draw_strip(StripPlan(first_s=1, steps=steps, stops=stops), 100)
    assert sheet.ink.min() == 0 and sheet.ink.max() == 1
