"""Formats and pixels per inch; expected values follow from 1 in = 25.4 mm."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from platebench.plate.plate_format import misfit_of, plate_format
from platebench.plate.record import PlateRecord


def plate(height, width, tilt_deg=0.0):
    angle = np.deg2rad(tilt_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    box = np.array([[0.0, 0.0], [0.0, width], [height, width], [height, 0.0]])
    return box @ turn + [11.0, 17.0]


@pytest.mark.parametrize("tilt", [0.0, 3.0, -5.5])
@pytest.mark.parametrize("size", [(1800, 1300), (1300, 1800)])
def test_both_sides_give_the_resolution(size, tilt):
    fit = plate_format(plate(*size, tilt), "13x18 cm")
    # 1300 px on 130 mm and 1800 px on 180 mm: 10 px/mm = 254 px/in.
    assert fit.ppi == pytest.approx(254.0)
    assert fit.short_ppi == pytest.approx(254.0)
    assert fit.long_ppi == pytest.approx(254.0)
    assert fit.aspect_error_percent == pytest.approx(0.0, abs=1e-9)
    assert fit.warning is None


def test_one_side_cut_short_is_reported_but_allowed():
    fit = plate_format(plate(1300 * 0.99, 1800), "13x18 cm")
    assert fit.ppi == pytest.approx(254 * (1 + 0.99) / 2)
    assert fit.aspect_error_percent == pytest.approx(100 / 0.99 - 100)
    assert fit.warning is None


def test_wrong_format_is_said():
    fit = plate_format(plate(4000, 5000), "13x18 cm")  # 1.25 against 1.385: 9.7 % shorter
    assert fit.warning is not None
    assert "9.7 %" in fit.warning
    assert "4x5 in" in fit.warning


@pytest.mark.parametrize("ppi", [500.0, None])
def test_a_record_tells_a_shape_that_is_not_its_formats(ppi):
    """Without pixels per inch no size is claimed, and none can be in doubt."""
    corners = tuple(map(tuple, plate(1200, 900).tolist()))
    record = PlateRecord(corners=corners, format="13x18 cm", ppi=ppi)
    assert ("9x12 cm" in misfit_of(record)) == (ppi is not None)
    assert misfit_of(replace(record, format="9x12 cm")) == ""
    assert misfit_of(PlateRecord(ppi=ppi)) == ""


def test_unknown_format_gives_suggestions_and_no_resolution():
    fit = plate_format(plate(1200, 900), "")
    assert (fit.name, fit.ppi, fit.warning) == (None, None, None)
    assert fit.suggestions[:1] == ("9x12 cm",)


def test_name_nobody_knows():
    fit = plate_format(plate(1200, 900), "tea tray")
    assert fit.ppi is None
    assert fit.warning is not None
    assert "tea tray" in fit.warning


def test_size_of_ones_own():
    assert plate_format(plate(800, 1000), "80 x 100 mm").ppi == pytest.approx(254.0)


def test_no_plate():
    with pytest.raises(ValueError, match="no plate"):
        plate_format(np.zeros((4, 2)), "4x5 in")
