"""The batch book: limits against a published example, states by number of batches, the file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import BadSettingError, ReadingsError
from platebench.sensitometry.batch_book import (
    HEADINGS,
    BatchBook,
    chart,
    control_limits,
    firm_limits,
    load_book,
    load_limits,
    write_book,
)

# NIST/SEMATECH e-Handbook 6.3.2.2, individuals chart of ten batches' flow rates (from memory):
# mean 50.81, mean moving range 1.8778, limits 45.8159 and 55.8041 with 3 / 1.128.
FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def names(count: int) -> list[str]:
    return [str(n) for n in range(count)]


def test_the_handbooks_example() -> None:
    limits = control_limits(FLOW)
    assert limits.centre == pytest.approx(50.81)
    assert limits.low == pytest.approx(45.8159, abs=0.002)  # 2.66 is 3 / 1.128 to three figures
    assert limits.high == pytest.approx(55.8041, abs=0.002)
    assert limits.range_high == pytest.approx(3.267 * 1.8778, abs=0.001)


def test_limits_are_hidden_then_provisional_then_firm() -> None:
    states = [chart("gamma", names(n), FLOW[:1] * n).state for n in (7, 8, 19, 20)]
    assert states == ["points only", "provisional", "provisional", "firm"]
    assert chart("gamma", names(7), FLOW[:7]).limits is None
    assert chart("gamma", names(7), (*FLOW[:6], 99.0)).outside == ()


def test_a_step_stands_out_and_firm_limits_stay() -> None:
    rng = np.random.default_rng(3)
    values = [float(v) for v in rng.normal(1, 0.05, 20)]
    first = chart("gamma", names(20), values)
    kept = firm_limits([first], {})
    assert first.state == "firm" and kept["gamma"] == first.limits
    later = chart("gamma", names(21), [*values, 1.4], kept["gamma"])
    assert later.limits == first.limits and "20" in later.outside
    assert firm_limits([later], kept) == kept


def test_false_alarms_are_rare_once_limits_are_firm() -> None:
    """Normal batches beyond limits of 20: theory for known limits 0.27 %, about 1 % for these."""
    rng = np.random.default_rng(17)
    alarms = []
    for _ in range(300):
        limits = control_limits([float(v) for v in rng.normal(0, 1, 20)])
        new = rng.normal(0, 1, 50)
        alarms.append(np.mean((new < limits.low) | (new > limits.high)))
    assert 0.0027 < np.mean(alarms) < 0.02


def test_the_file_keeps_columns_of_ones_own(tmp_path: Path) -> None:
    path = tmp_path / "batches.csv"
    path.write_text("mood;batch;gamma\ngood;13;0,9\n", encoding="utf-8")
    book = load_book(tmp_path).with_line("14", {"gamma": "1.1"}).with_line("13", {"Dmax": "2.4"})
    write_book(tmp_path, book)
    again = load_book(tmp_path)
    assert again.headings == (*HEADINGS, "mood")
    assert [dict(line)["mood"] for line in again.lines] == ["good", ""]
    (gamma, d_max) = again.charted({})
    assert gamma.values == (0.9, 1.1) and d_max.names == ("13",)


def test_bad_books_are_refused(tmp_path: Path) -> None:
    for text in ("batch,gamma\n1,steep\n", "batch,speed\n1,-2\n", "batch,gamma\n1,1\n1,1\n"):
        (tmp_path / "batches.csv").write_text(text, encoding="utf-8")
        with pytest.raises(BadSettingError):
            load_book(tmp_path)
    (tmp_path / "limits.json").write_text("[]", encoding="utf-8")
    with pytest.raises(ReadingsError):
        load_limits(tmp_path)


def test_speeds_are_compared_by_their_logarithm() -> None:
    book = BatchBook(headings=HEADINGS, lines=())
    for n, speed in enumerate(("1", "10", "100")):
        book = book.with_line(str(n), {"speed": speed})
    assert book.charted({})[0].values == pytest.approx((0.0, 1.0, 2.0))
