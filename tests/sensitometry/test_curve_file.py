"""Curves kept by batch: the one after a time, between two times, and none beyond them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import WriteError
from platebench.sensitometry.curve_file import curve_for, load_curves, refuse_other_batch
from platebench.sensitometry.curve_job import curves_of, write_curves

from .step_tables import MINUTES, gamma_after, write_family


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("curves")
    report = curves_of(write_family(folder), minutes=MINUTES, batch="14")
    write_curves(report, folder / "kept")
    return folder / "kept"


def test_between_two_times_the_curve_is_between_theirs(kept: Path) -> None:
    curves = load_curves([kept / "curves.json"])
    one, other = MINUTES[0], MINUTES[1]
    between = float(np.sqrt(one * other))
    found = curve_for(curves, "14", between)
    assert found is not None and found.minutes == between
    # The tables' own law of development: gamma, and with it a density, lies between the two.
    low, truth, high = (gamma_after(minutes) for minutes in (one, between, other))
    assert low < found.gamma < high
    assert found.gamma == pytest.approx(truth, rel=0.05)
    ends = [curve_for(curves, "14", minutes) for minutes in (one, other)]
    nets = [curve.net_at(-1.0) for curve in (ends[0], found, ends[1]) if curve is not None]
    assert nets[0] < nets[1] < nets[2]


def test_a_time_that_was_not_tried_has_no_curve(kept: Path) -> None:
    curves = load_curves([kept / "curves.json"])
    assert curve_for(curves, "14", MINUTES[-1] * 1.2) is not None
    for minutes in (None, MINUTES[0] / 1.5, MINUTES[-1] * 2):
        assert curve_for(curves, "14", minutes) is None
    assert curve_for(curves, "15", MINUTES[0]) is None


def test_curves_of_another_batch_are_not_replaced(kept: Path, tmp_path: Path) -> None:
    refuse_other_batch(kept, "14")
    refuse_other_batch(tmp_path, "15")
    for batch in ("15", ""):
        with pytest.raises(WriteError):
            refuse_other_batch(kept, batch)
