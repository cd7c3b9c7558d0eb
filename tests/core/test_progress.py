"""The time left is said once there is evidence, and comes true for work that goes evenly."""

from __future__ import annotations

import pytest

from platebench.core.progress import EVIDENCE_S, NullProgress, TimeLeft, left_in_words, working


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def test_nothing_is_said_before_there_is_evidence() -> None:
    clock = Clock()
    left = TimeLeft(10, clock=clock)
    assert left.seconds is None
    clock.now += 60
    left.advance()
    assert left.seconds is None  # one thing says nothing of the next
    clock.now += 60
    left.advance()
    assert left.seconds == pytest.approx(8 * 60)


def test_quick_things_say_nothing_until_some_time_has_passed() -> None:
    clock = Clock()
    left = TimeLeft(1000, clock=clock)
    for _ in range(19):
        clock.now += EVIDENCE_S / 20
        left.advance()
        assert left.seconds is None
    clock.now += EVIDENCE_S / 10
    left.advance()
    assert left.seconds is not None


@pytest.mark.parametrize("at_once", [1, 2, 8])
def test_even_work_takes_as_long_as_was_said(at_once: int) -> None:
    """Things of 6 s, so many side by side: by arithmetic, 48 of them take 48 / at_once * 6 s."""
    clock = Clock()
    left = TimeLeft(48, at_once=at_once, clock=clock)
    whole = 48 / at_once * 6
    for done in range(1, 49):
        clock.now = 100.0 + (done + at_once - 1) // at_once * 6
        left.advance()
        if left.seconds is not None:
            assert left.seconds == pytest.approx(whole - left.passed_s)


def test_files_count_by_their_bytes() -> None:
    clock = Clock()
    left = TimeLeft(4, work=1000, clock=clock)
    for size, took in ((100, 1.0), (400, 4.0)):
        clock.now += took
        left.advance(size)
    assert left.seconds == pytest.approx(5.0)  # half the bytes took 5 s; half the files are left


def test_the_time_left_runs_down_between_things_and_never_below_nothing() -> None:
    clock = Clock()
    left = TimeLeft(3, clock=clock)
    for _ in range(2):
        clock.now += 10
        left.advance()
    clock.now += 4
    assert left.seconds == pytest.approx(6)
    clock.now += 60
    assert left.seconds == 0
    left.advance()
    assert left.seconds is None


def test_times_are_words_no_finer_than_they_are_known() -> None:
    said = [left_in_words(s) for s in (0, 1.9, 2, 14.4, 57.4, 57.5, 89, 3599, 86400)]
    assert said[:2] == ["a moment left", "a moment left"]  # nobody says "about a moment"
    assert said[2:4] == ["about 2 s left", "about 14 s left"]
    words = ["55 s", "1 min", "1 min", "1 h 0 min", "24 h 0 min"]
    assert said[4:] == [f"about {one} left" for one in words]


class Told(NullProgress):
    def __init__(self) -> None:
        self.said: list[str] = []

    def begin(self, what: str, total: int, *, work: float = 0.0, at_once: int = 1) -> None:
        self.said.append(what)

    def end(self) -> None:
        self.said.append("end")


def test_work_that_fails_is_ended_and_no_work_is_not_begun() -> None:
    told = Told()
    with pytest.raises(OSError, match="full"), working(told, "files", 2):
        raise OSError("full")
    with working(told, "frames", 0):
        pass
    assert told.said == ["files", "end"]
