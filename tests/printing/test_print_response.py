"""The curve every print negative goes through, in both directions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from platebench.printing.process import PrintResponse, ProcessCalibration, codes_of, response_of
from platebench.printing.process_file import list_processes, load_process, process_folders

FOLDERS = process_folders(None, None)


@given(
    st.lists(st.integers(0, 2000).map(lambda n: n / 10_000), min_size=3, max_size=60).filter(
        lambda steps: sum(steps) > 0.5
    )
)
def test_there_and_back_again(steps: list[float]) -> None:
    density = np.concatenate((np.cumsum(steps)[::-1], [0.0]))
    ink = np.linspace(0, 1, len(density))
    response = PrintResponse(ink=tuple(ink), density=tuple(density))
    wanted = np.linspace(0, response.d_max, 997)
    found = response.ink_for(wanted)
    assert (np.diff(found) <= 0).all() and found.min() >= 0 and found.max() <= 1
    assert np.abs(response.density_of(found) - wanted).max() < 1e-9
    assert (np.diff(response.density_of(np.linspace(0, 1, 5000))) <= 0).all()


def test_tones_on_either_side_of_a_flat_stretch_are_found() -> None:
    response = PrintResponse(ink=(0, 0.25, 0.75, 1), density=(1.0, 0.6, 0.6, 0.0))
    for fall in (1e-8, 1e-7, 1e-6, 1e-3):
        for wanted in (0.6 + fall, 0.6 - fall):
            assert response.density_of(response.ink_for([wanted]))[0] == pytest.approx(
                wanted, abs=1e-12
            )
    # Just below the stretch the ink is past its end, just above it before its start.
    assert response.ink_for([0.6 - 1e-8])[0] > 0.75
    assert response.ink_for([0.6 + 1e-8])[0] < 0.25


def test_flat_ends_join_on_where_the_tones_begin() -> None:
    # Three tenths of the ink still print full black, and white is reached before full ink.
    response = PrintResponse(ink=(0, 0.3, 0.8, 1), density=(1.5, 1.5, 0.0, 0.0))
    black, white = response.ink_for([1.5, 0.0])
    assert black == pytest.approx(0.3, abs=1e-3) and white == pytest.approx(0.8, abs=1e-3)
    near_black, near_white = response.ink_for([1.4999, 0.0001])
    assert near_black == pytest.approx(black, abs=0.01)
    assert near_white == pytest.approx(white, abs=0.01)


def test_what_cannot_be_reached_is_clamped() -> None:
    response = PrintResponse(ink=(0, 0.4, 1), density=(1.2, 0.9, 0.2))
    assert response.ink_for([9.0, -9.0]).tolist() == [0.0, 1.0]
    assert (response.d_max, response.d_min) == (1.2, 0.2)


@pytest.mark.parametrize(
    ("ink", "density"),
    [
        ((0, 1), (1.0,)),
        ((0.1, 1), (1.0, 0.0)),
        ((0, 0.5, 0.5, 1), (1.0, 0.5, 0.4, 0.0)),
        ((0, 0.5, 1), (1.0, 1.1, 0.0)),
        ((0, 1), (1.0, float("nan"))),
        ((0, 1), (0.0, 0.0)),
    ],
)
def test_what_is_no_curve_is_refused(ink: tuple[float, ...], density: tuple[float, ...]) -> None:
    with pytest.raises(ValueError):
        PrintResponse(ink=ink, density=density)


def test_codes_are_those_of_the_seam() -> None:
    # round(65535 * (1 - ink)): clear film is 65535, 0.25 of the ink 49151.25 -> 49151.
    assert codes_of([0, 0.25, 1]).tolist() == [65535, 49151, 0]


@pytest.mark.parametrize("name", list_processes(FOLDERS))
def test_every_process_has_a_response_before_it_is_calibrated(name: str) -> None:
    process = load_process(name, FOLDERS)
    response = response_of(process)
    assert not response.calibrated
    assert response.d_max == process.look.d_max and response.d_min == 0
    # Film density in proportion to ink: the middle of the ink is the middle of the scale.
    middle = np.interp(0.5, process.print_curve.exposure, process.print_curve.tone)
    assert response.density_of(0.5) == pytest.approx(response.d_max * middle, abs=0.02)


def test_a_calibration_counts_before_everything_else() -> None:
    process = load_process("salted-paper", FOLDERS)
    own = PrintResponse(ink=(0, 1), density=(1.1, 0.1), calibrated=True)
    measured = ProcessCalibration(response=own, prints=(), residual=0, noise=0, evenness=0)
    assert response_of(replace(process, calibration=measured, path=Path("x.toml"))) is own
