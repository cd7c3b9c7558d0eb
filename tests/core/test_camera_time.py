"""Times that a hand can give, and times as people write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platebench.core.camera_time import camera_time, seconds_from_words, time_in_words


@given(st.tuples(st.floats(1e-4, 1e6), st.floats(1e-4, 1e6)))
def test_longer_is_never_rounded_to_shorter(times: tuple[float, float]) -> None:
    short, long = sorted(times)
    assert camera_time(short).seconds <= camera_time(long).seconds


@given(st.floats(1 / 1000, 1e6))
def test_rounding_is_about_half_a_stop_at_most_and_told(seconds: float) -> None:
    found = camera_time(seconds)
    assert found.seconds == pytest.approx(seconds * 2**found.off_stops)
    assert abs(found.off_stops) <= 0.53  # 1/60 to 1/125 are 1.06 stops
    if seconds >= 10:
        assert abs(found.off_stops) < 0.08  # half a second at 10 s: log2(10.5 / 10) = 0.07


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (1 / 1000, "1/1000 s"),
        (0.0081, "1/125 s"),
        (1.1, "1 s"),
        (1.4, "1.5 s"),
        (59.6, "1 min"),
        (97, "1 min 35 s"),
        (605, "10 min"),
        (3599, "1 h"),
        (5000, "1 h 23 min"),
    ],
)
def test_times_by_hand(seconds: float, words: str) -> None:
    assert str(camera_time(seconds)) == words


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_no_time(bad: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        camera_time(bad)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1/60", 1 / 60),
        ("1/60 s", 1 / 60),
        ("0.5", 0.5),
        ("12", 12),
        ("90s", 90),
        ("5m", 300),
        ("1m30s", 90),
        ("1 min 30 s", 90),
        ("2 MIN", 120),
        ("12h", 43200),
        ("1.5 h", 5400),
        ("1h 5m 3s", 3903),
    ],
)
def test_reading_times(text: str, seconds: float) -> None:
    assert seconds_from_words(text) == pytest.approx(seconds)


@pytest.mark.parametrize(
    "text", ["", "0", "0s", "-5", "1/0", "0/4", "soon", "1,5", "5 m x", "nan", "inf", "1/2/3", "s"]
)
def test_no_times(text: str) -> None:
    with pytest.raises(ValueError, match=r"write one such as 1/60"):
        seconds_from_words(text)


@given(st.sampled_from([0.004, 0.5, 1.0, 2.5, 45.0, 61.0, 90.0, 3600.0, 5400.0, 43200.0]))
def test_what_is_written_can_be_read(seconds: float) -> None:
    assert seconds_from_words(time_in_words(seconds)) == pytest.approx(seconds)
