"""Advice on prints, against worked values and arithmetic done by hand."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platebench.plate.densities import BIN_EDGES
from platebench.printing.advice import Verdict, advise, advise_plate, advised_hazards
from platebench.printing.plate_range import PlateRange, Tones
from platebench.printing.process import ExposureScale, LightOfProcess, Process, Status, iso_r
from platebench.printing.process_file import load_process, load_processes, process_folders

FOLDERS = process_folders(None, None)
ALL = load_processes(FOLDERS)


def process(
    low: float, typical: float, high: float, light: LightOfProcess = "ultraviolet"
) -> Process:
    scale = ExposureScale(low=low, typical=typical, high=high, status=(Status.TESTED,) * 3)
    return Process(
        name="mine",
        title="mine",
        light=light,
        scales=(scale,),
        contrast="",
        hazards=("glass",),
        cautions=(),
        path=Path("mine.toml"),
    )


def even_tones(thinnest: float, densest: float) -> Tones:
    """A picture with as much of each density between two ends as of any other."""
    counts = tuple(
        7 if thinnest <= edge + 1e-9 and edge < densest - 1e-9 else 0 for edge in BIN_EDGES[:-1]
    )
    return Tones(counts=counts, thinnest=thinnest, densest=densest)


def test_clerc_thirty_to_one() -> None:
    # Clerc, paragraph 502: first tint 1 min, full black 30 min: negatives of opacity ratio 30:1,
    # a density difference of 1.477, are used fully; 20:1 cannot give both black and white.
    scale = math.log10(30)
    assert scale == pytest.approx(1.477, abs=5e-4)
    paper = process(scale, scale, scale)
    (exact,) = advise(scale, None, [paper])
    assert exact.verdict is Verdict.SUITS and not exact.needs_print_negative
    (short,) = advise(math.log10(20), None, [paper])
    assert short.verdict is Verdict.TOO_SHORT and short.needs_print_negative
    assert short.overflow == pytest.approx(math.log10(20 / 30))
    assert "full black" in short.lost()


def test_overflow_is_range_less_scale() -> None:
    # Overflow = DR - ES: 2.30 on a scale of 1.65 (worked: 0.65); 0.55 beyond the high end 1.75.
    (one,) = advise(2.30, None, [process(1.5, 1.65, 1.75)])
    assert one.overflow == pytest.approx(0.65) and one.beyond == pytest.approx(0.55)
    assert one.verdict is Verdict.TOO_LONG and one.unused == 0.0
    # A print negative of 1.65 / 2.30 times the contrast has the range 1.65.
    assert one.contrast_factor == pytest.approx(1.65 / 2.30)
    assert one.lost_light is None and "light tones" in one.lost()


def test_underrun() -> None:
    (one,) = advise(1.20, None, [process(1.5, 1.6, 1.75)])
    assert one.overflow == pytest.approx(-0.40) and one.beyond == pytest.approx(-0.30)
    assert one.verdict is Verdict.TOO_SHORT
    assert one.unused == pytest.approx(0.25)  # 0.40 of 1.60
    assert (one.lost_light, one.lost_dark) == (0.0, 0.0)


def test_share_lost_of_an_even_picture() -> None:
    # Even from 0.20 to 2.20: on a scale of 1.50 a quarter of it (0.50 of 2.00) is lost.
    (one,) = advise(2.0, None, [process(1.4, 1.5, 1.6)], tones=even_tones(0.2, 2.2))
    assert one.lost_light == pytest.approx(0.25, abs=1e-6)
    assert one.lost_dark == pytest.approx(0.25, abs=1e-6)


def test_the_two_ends_are_not_taken_for_one_another() -> None:
    # Three parts thin (0.20 to 0.70), one part dense (1.70 to 2.20), scale 1.50: exposed for the
    # shadows all dense parts are white, exposed for the highlights all thin ones are black.
    thin, dense = even_tones(0.2, 0.7).counts, even_tones(1.7, 2.2).counts
    counts = tuple(3 * a + b for a, b in zip(thin, dense, strict=True))
    tones = Tones(counts=counts, thinnest=0.2, densest=2.2)
    (one,) = advise(2.0, None, [process(1.4, 1.5, 1.6)], tones=tones)
    assert one.lost_light == pytest.approx(0.25, abs=1e-6)
    assert one.lost_dark == pytest.approx(0.75, abs=1e-6)
    assert "25% of " in one.lost()


def test_a_stained_plate_is_judged_by_blue() -> None:
    # Blue sees 1.2 times the density: a scale of 1.80 in blue is 1.50 in visual density.
    (one,) = advise(2.0, 2.4, [process(1.7, 1.8, 1.9)], tones=even_tones(0.2, 2.2))
    assert one.density_used == "blue" and one.density_range == 2.4
    assert one.overflow == pytest.approx(0.6)
    assert one.lost_light == pytest.approx(0.25, abs=1e-6)
    assert "ultraviolet" in one.density_note


@pytest.mark.parametrize(
    ("blue", "neutral", "used", "part"),
    [
        (None, True, "visual", "measured as neutral"),
        (None, False, "visual", "blue was not measured"),
        (1.6, False, "blue", "stained"),
    ],
)
def test_it_says_which_density_was_used(
    blue: float | None, neutral: bool, used: str, part: str
) -> None:
    for one in advise(1.5, blue, ALL, neutral=neutral):
        assert one.density_used == used and part in one.density_note
    (paper,) = advise(1.5, blue, [process(1, 1.2, 1.4, "blue")], neutral=neutral)
    assert "ultraviolet" not in paper.density_note


# ISO 6846 by the Focal Encyclopedia of Photography, p. 679: R = 100 times the log range, to the
# nearest 10. The reference paper's ranges 1.39143 and 1.39756 are both R 140; the table of one
# variable-contrast paper by filter is R 180, 160, 130, 110, 90, 60, 40.
@pytest.mark.parametrize(
    ("log_range", "r"),
    [
        *((1.39143, 140), (1.39756, 140)),
        *((1.80, 180), (1.60, 160), (1.30, 130), (1.10, 110), (0.90, 90), (0.60, 60), (0.40, 40)),
        *((1.05, 110), (1.15, 120), (1.049, 100)),  # halves go up, by the arithmetic of the hand
    ],
)
def test_iso_r(log_range: float, r: int) -> None:
    assert iso_r(log_range) == r


@pytest.mark.parametrize(
    ("name", "log_range", "grade", "r"),
    [
        # ANSI PH2.2-1966: six grades over 0.50 to 1.70; 0.35 to 0.50 for grade 6 of the draft.
        ("silver-gelatin", 1.55, "grade 0", 160),
        ("silver-gelatin", 1.28, "grade 1", 130),
        ("silver-gelatin", 1.05, "grade 2", 110),
        ("silver-gelatin", 0.88, "grade 3", 90),
        ("silver-gelatin", 0.72, "grade 4", 70),
        ("silver-gelatin", 0.58, "grade 5", 60),
        ("silver-gelatin", 0.42, "grade 6", 40),
        ("silver-gelatin", 1.15, "grade 1", 120),  # on the border: the softer keeps more
        ("silver-gelatin-filters", 1.80, "filter 00", 180),
        ("silver-gelatin-filters", 1.60, "filter 0", 160),
        ("silver-gelatin-filters", 1.30, "filter 1", 130),
        ("silver-gelatin-filters", 1.10, "filter 2", 110),
        ("silver-gelatin-filters", 0.90, "filter 3", 90),
        ("silver-gelatin-filters", 0.60, "filter 4", 60),
        ("silver-gelatin-filters", 0.40, "filter 5", 40),
    ],
)
def test_nearest_grade(name: str, log_range: float, grade: str, r: int) -> None:
    (one,) = advise(log_range, None, [load_process(name, FOLDERS)])
    assert one.scale.grade == grade and one.iso_r == r
    assert one.verdict is Verdict.SUITS


def test_beyond_the_softest_and_short_of_the_hardest_grade() -> None:
    paper = load_process("silver-gelatin", FOLDERS)
    (long,) = advise(2.0, None, [paper])
    assert (long.scale.grade, long.verdict) == ("grade 0", Verdict.TOO_LONG)
    assert long.beyond == pytest.approx(0.30)  # beyond 1.70
    (short,) = advise(0.30, None, [paper])
    assert (short.scale.grade, short.verdict) == ("grade 6", Verdict.TOO_SHORT)
    assert short.beyond == pytest.approx(-0.05)  # short of 0.35


def test_between_two_filters_the_nearer_is_named_and_the_paper_suits() -> None:
    (one,) = advise(0.76, None, [load_process("silver-gelatin-filters", FOLDERS)])
    assert one.scale.grade == "filter 3" and one.verdict is Verdict.SUITS


def test_a_dense_plate_for_salted_paper_and_not_for_gum() -> None:
    by_name = {one.process: one for one in advise(2.0, None, ALL)}
    assert by_name["salted-paper"].verdict is Verdict.SUITS
    assert by_name["gum"].verdict is Verdict.TOO_LONG
    assert by_name["gum"].overflow == pytest.approx(2.0 - 0.85)
    assert by_name["platinum"].beyond == pytest.approx(0.3)


@pytest.mark.parametrize("density_range", [1.05, 1.43, 2.45])
def test_what_is_set_for_each_plate_is_no_answer_to_which_print(density_range: float) -> None:
    (carbon,) = advise(density_range, None, [load_process("carbon", FOLDERS)])
    assert carbon.verdict is Verdict.ADJUSTABLE and not carbon.needs_print_negative
    assert f"{density_range:.2f}" in carbon.lost() and "dichromate" in carbon.lost()
    ranked = [one.verdict for one in advise(density_range, None, ALL)]
    assert ranked.index(Verdict.ADJUSTABLE) == ranked.count(Verdict.SUITS)


def test_beyond_its_ends_what_can_be_set_needs_a_print_negative() -> None:
    (carbon,) = advise(2.8, None, [load_process("carbon", FOLDERS)])
    assert carbon.verdict is Verdict.TOO_LONG and carbon.needs_print_negative


def test_marks_come_along() -> None:
    for one in advise(1.3, None, ALL):
        assert "from memory" in one.marks or "second-hand" in one.marks or "source" in one.marks
    (tested,) = advise(1.3, None, [process(1, 1.2, 1.4)])
    assert tested.marks == "your own test"


@given(st.floats(0.0, 4.0), st.one_of(st.none(), st.floats(0.0, 4.0)))
def test_what_suits_comes_first_and_nothing_suits_beyond_its_ends(
    visual: float, blue: float | None
) -> None:
    advice = advise(visual, blue, ALL)
    assert len(advice) == len(ALL)
    needs = [one.needs_print_negative for one in advice]
    assert needs == sorted(needs)
    used = visual if blue is None else blue
    for one in advice:
        assert one.density_range == used
        assert one.overflow == pytest.approx(used - one.scale.typical)
        if not one.scale.grade:
            inside = one.scale.low - 1e-8 <= used <= one.scale.high + 1e-8
            assert inside is not one.needs_print_negative


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf])
def test_ranges_that_are_none_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="density range"):
        advise(bad, None, ALL)
    with pytest.raises(ValueError, match="density range"):
        advise(1.0, bad, ALL)


def test_a_plate_without_contrast_gets_no_factor() -> None:
    (one,) = advise(0.0, None, [process(1, 1.2, 1.4)])
    assert one.contrast_factor is None and one.unused == 1.0


def test_advice_for_a_plate_uses_all_it_knows() -> None:
    plate = PlateRange(plate_id="p", density_range=2.0, blue_range=2.4, tones=even_tones(0.2, 2.2))
    (one,) = advise_plate(plate, [process(1.7, 1.8, 1.9)])
    assert one.lost_light == pytest.approx(0.25, abs=1e-6) and one.density_used == "blue"


def test_hazards_are_listed_once() -> None:
    hazards = advised_hazards(advise(1.3, None, ALL))
    assert len(hazards) == len(set(hazards))
    assert {"silver nitrate", "dichromate", "ferricyanide", "ultraviolet"} <= set(hazards)
