"""What C libraries write to stderr is taken as evidence; what others write there is kept."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from platebench.read.library_lines import library_lines

PRINTS = b"/a/b.crw: data corrupted at 1376447\n"


def test_complaints_are_taken_and_the_rest_is_passed_on(capfd: pytest.CaptureFixture[str]) -> None:
    with library_lines() as lines:
        os.write(2, b"progress 3 of 9\n")
        os.write(2, PRINTS)
        os.write(2, b"PNG warning: iCCP: CRC error\n")
        os.write(2, b"Corrupt JPEG data: 3 extraneous bytes before marker 0xd9\n")
    assert lines.damage == [
        "/a/b.crw: data corrupted at 1376447",
        "Corrupt JPEG data: 3 extraneous bytes before marker 0xd9",
    ]
    assert capfd.readouterr().err == "progress 3 of 9\n"


def test_stderr_comes_back_after_an_exception(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ValueError, match="inside"), library_lines():
        raise ValueError("inside")
    os.write(2, PRINTS)
    assert capfd.readouterr().err == PRINTS.decode()


def test_no_file_descriptor_is_left_open(capfd: pytest.CaptureFixture[str]) -> None:
    folder = Path("/proc/self/fd")
    if not folder.exists():
        pytest.skip("no /proc here")
    before = len(list(folder.iterdir()))
    for _ in range(20):
        with library_lines():
            pass
    assert len(list(folder.iterdir())) == before
