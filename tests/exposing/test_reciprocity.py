"""Reciprocity: published and derived values, and that longer never means shorter."""

from __future__ import annotations

import math
import random
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platebench.exposing.reciprocity import (
    NoCorrection,
    OwnTable,
    PowerExcess,
    PracticeRule,
    Reciprocity,
    Schwarzschild,
)

TABLE = OwnTable(metered=(1.0, 10.0, 100.0, 1e5), given=(1.0, 14.0, 220.0, 5e5))
EVERY: list[Reciprocity] = [
    NoCorrection(),
    PracticeRule(),
    *(Schwarzschild(p=p, plus_one=form) for p in (0.5, 0.7, 0.86, 1.0) for form in (False, True)),
    *(PowerExcess(a=a) for a in (0.0, 0.046, 0.169)),
    TABLE,
]


# t_c = t_m ** (1 / p), worked from the formula (Schwarzschild, equal blackening at equal I t^p):
# four figures.
@pytest.mark.parametrize(
    ("p", "metered", "given"),
    [
        *((0.86, 2, 2.24), (0.86, 10, 14.55), (0.86, 60, 116.9)),
        *((0.80, 2, 2.38), (0.80, 10, 17.78), (0.80, 60, 167.0)),
        *((0.90, 2, 2.16), (0.90, 10, 12.92), (0.90, 60, 94.6)),
    ],
)
def test_schwarzschild(p: float, metered: float, given: float) -> None:
    assert Schwarzschild(p=p).given_s(metered) == pytest.approx(given, rel=5e-4, abs=5e-3)


def test_schwarzschild_leaves_short_times_and_p_of_one_alone() -> None:
    assert Schwarzschild(p=0.8).given_s(0.3) == 0.3
    assert Schwarzschild(p=0.8).given_s(1.0) == 1.0
    assert Schwarzschild(p=1.0).given_s(77.0) == pytest.approx(77.0)
    assert Schwarzschild(p=1.0, plus_one=True).given_s(77.0) == pytest.approx(77.0)


def test_the_form_with_plus_one() -> None:
    # (t + 1) ** (1 / p) - 1: at t = 9 s and p = 0.86 that is 10 ** (1 / 0.86) - 1 = 13.55 s.
    rule = Schwarzschild(p=0.86, plus_one=True)
    assert rule.given_s(9.0) == pytest.approx(13.55, abs=5e-3)
    # Continuous down to 0, where it goes as t / p: no step at 1 s, none at 0.
    for tiny in (1e-3, 1e-6, 1e-9):
        assert rule.given_s(tiny) / tiny == pytest.approx(1 / 0.86, rel=2 * tiny)
    assert rule.given_s(1 + 1e-9) == pytest.approx(rule.given_s(1 - 1e-9), rel=1e-8)


# t_c = t_m + a * t_m ** 1.62, a fit to tests of five modern films (read second-hand); the values
# are worked from the formula.
@pytest.mark.parametrize(
    ("a", "at_10", "at_100"),
    [
        (0.169, 17.05, 393.7),
        (0.061, 12.54, 206.0),
        (0.069, 12.88, 219.9),
        (0.101, 14.21, 275.5),
        (0.046, 11.92, 179.9),
    ],
)
def test_power_excess(a: float, at_10: float, at_100: float) -> None:
    assert PowerExcess(a=a).given_s(10) == pytest.approx(at_10, abs=5.1e-3)
    assert PowerExcess(a=a).given_s(100) == pytest.approx(at_100, abs=0.051)


def test_the_common_rule_is_kept_where_it_speaks() -> None:
    rule = PracticeRule()
    for metered in (1e-3, 0.5, 1, 30, 59.9, 60):  # none to one minute
        assert rule.given_s(metered) == metered
    assert rule.given_s(90) == pytest.approx(90 * 1.5)  # half more, over one minute
    for metered in (120, 121, 600, 7200):  # double from two minutes on
        assert rule.given_s(metered) == 2 * metered


def test_the_documentation_shows_the_rule_as_it_is() -> None:
    text = (Path(__file__).parents[2] / "docs" / "exposing-and-developing.md").read_text(
        encoding="utf-8"
    )
    metered, given_s = (
        [float(cell.removesuffix(" s")) for cell in row.split(" | ")]
        for row in re.findall(r"^\| (?:metered|given) \| (.+) \|$", text, re.MULTILINE)
    )
    assert len(metered) == len(given_s) == 7
    for time, shown in zip(metered, given_s, strict=True):
        assert PracticeRule().given_s(time) == pytest.approx(shown, abs=0.5)


def test_the_common_rule_is_joined_without_a_jump() -> None:
    rule = PracticeRule()
    for edge in (60.0, 120.0):
        below, above = rule.given_s(edge * (1 - 1e-9)), rule.given_s(edge * (1 + 1e-9))
        assert above == pytest.approx(below, rel=1e-8)
    for tenth in range(600, 1200):  # a tenth of a second never changes it by a hundredth of a stop
        step = rule.given_s((tenth + 1) / 10) / rule.given_s(tenth / 10)
        assert 0 < math.log2(step) < 0.01


@pytest.mark.parametrize("rule", EVERY, ids=lambda rule: rule.words)
@given(st.tuples(st.floats(1e-5, 1e5), st.floats(1e-5, 1e5)))
def test_a_longer_time_never_gives_a_shorter_exposure(
    rule: Reciprocity, times: tuple[float, float]
) -> None:
    short, long = sorted(times)
    assert rule.given_s(short) <= rule.given_s(long)
    assert rule.given_s(short) >= short * (1 - 1e-12)


@pytest.mark.parametrize("rule", EVERY, ids=lambda rule: rule.words)
def test_neighbouring_times_too(rule: Reciprocity) -> None:
    rng = random.Random(7)
    edges = [1.0, 10.0, 60.0, 90.0, 100.0, 120.0]
    starts = edges + [10 ** rng.uniform(-4, 4.9) for _ in range(500)]
    for start in starts:
        times = [start]
        for _ in range(4):
            times.append(math.nextafter(times[-1], math.inf))
        exposures = [rule.given_s(time) for time in times]
        assert exposures == sorted(exposures), times


def test_a_table_goes_through_its_rows_and_keeps_to_straight_lines_between() -> None:
    for metered, given_s in zip(TABLE.metered, TABLE.given, strict=True):
        assert TABLE.given_s(metered) == pytest.approx(given_s)
    # Half way on a logarithmic scale: sqrt(10 * 100) is given sqrt(14 * 220).
    assert TABLE.given_s(math.sqrt(1000)) == pytest.approx(math.sqrt(14 * 220))
    assert TABLE.given_s(0.25) == 0.25
    assert OwnTable(metered=(2, 4), given=(3, 8)).given_s(1.0) == pytest.approx(1.5)


def test_a_table_is_not_believed_beyond_its_last_row() -> None:
    with pytest.raises(ValueError, match=r"longer than the last row .*; test such a time"):
        TABLE.given_s(1.1e5)


@pytest.mark.parametrize(
    ("metered", "given_s", "part"),
    [
        ((1.0,), (1.0,), "at least two rows|stands alone"),
        ((1.0, 1.0), (1.0, 2.0), "row 2 .*does not come after"),
        ((2.0, 1.0), (2.0, 2.0), "row 2 .*does not come after"),
        ((1.0, 2.0), (5.0, 4.0), "row 2 .*less than the row before"),
        ((1.0, 2.0), (1.0, 1.5), "row 2 .*less than metered"),
        ((0.0, 2.0), (1.0, 3.0), "row 1 .*two times above 0"),
        ((1.0, math.nan), (1.0, 3.0), "row 2 .*two times above 0"),
        ((1.0, 2.0), (1.0, math.inf), "row 2 .*two times above 0"),
    ],
)
def test_tables_that_do_not_rise_are_refused(
    metered: tuple[float, ...], given_s: tuple[float, ...], part: str
) -> None:
    with pytest.raises(ValueError, match=part):
        OwnTable(metered=metered, given=given_s)


@pytest.mark.parametrize("p", [0.0, 0.49, 1.01, math.nan])
def test_exponents_that_are_none(p: float) -> None:
    with pytest.raises(ValueError, match=r"from 0\.5 to 1"):
        Schwarzschild(p=p)


@pytest.mark.parametrize(("a", "exponent"), [(-0.1, 1.62), (math.nan, 1.62), (0.1, 0.9), (0.1, 9)])
def test_added_times_that_are_none(a: float, exponent: float) -> None:
    with pytest.raises(ValueError, match="the added time needs"):
        PowerExcess(a=a, exponent=exponent)


@pytest.mark.parametrize("rule", EVERY, ids=lambda rule: rule.words)
def test_each_says_what_it_is_and_where_it_comes_from(rule: Reciprocity) -> None:
    assert rule.words.startswith("reciprocity: ") and rule.mark


def test_the_common_rule_admits_that_it_has_no_source() -> None:
    assert "source" in PracticeRule().mark
