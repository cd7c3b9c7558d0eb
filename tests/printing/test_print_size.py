"""Size of a print negative: arithmetic of inches and millimetres, exact by definition."""

from pathlib import Path

import pytest

from platebench.errors import PrintNegativeError
from platebench.formats import MM_PER_INCH, format_named
from platebench.printing.print_size import PrintSize, plan_print_size

PLATE = Path("plate.tif")
FOUR_BY_FIVE = (8000, 6400)  # 1600 ppi


def plan(source=FOUR_BY_FIVE, source_ppi=1600.0, **asked) -> PrintSize:
    size = asked.pop("size", None)
    return plan_print_size(PLATE, source, source_ppi, size=size and format_named(size), **asked)


@pytest.mark.parametrize(
    ("asked", "rows", "columns", "times"),
    [
        ({}, 3600, 2880, 1.0),  # 5 in x 720
        ({"enlarge": 2.0}, 7200, 5760, 2.0),
        ({"size": "8 x 10 in"}, 7200, 5760, 2.0),
        ({"size": "10 x 8 in", "ppi": 360.0}, 3600, 2880, 2.0),  # long side to long side
        ({"size": "254 x 203.2 mm"}, 7200, 5760, 2.0),
        ({"enlarge": 0.5, "ppi": 1440.0}, 3600, 2880, 0.5),
    ],
)
def test_pixels_follow_from_inches(asked, rows, columns, times):
    size = plan(**asked)
    assert size.shape == (rows, columns)
    assert size.enlargement == pytest.approx(times, abs=1e-9)
    assert size.height_mm == pytest.approx(rows / size.ppi * MM_PER_INCH, abs=1e-9)


def test_the_picture_keeps_its_shape_inside_the_size_asked_for():
    size = plan((8000, 6450), size="8 x 10 in")  # 0.8 % wider than 4 : 5
    assert size.width_mm == pytest.approx(203.2, abs=0.02)
    assert size.height_mm == pytest.approx(203.2 * 8000 / 6450, abs=0.02)


def test_a_size_needs_no_size_of_the_plate():
    size = plan(source_ppi=None, size="8 x 10 in")
    assert size.shape == (7200, 5760) and size.enlargement is None


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"source_ppi": None}, "has no size in millimetres"),
        ({"source_ppi": None, "enlarge": 2.0}, "has no size in millimetres"),
        ({"size": "5 x 7 in"}, "--size 127.0x158.8mm"),
        ({"size": "18 x 24 in"}, "--size 457.2x571.5mm"),
        ({"enlarge": 0.1}, "would be 10.2 x 12.7 mm on the film"),
        ({"enlarge": 40.0}, "no film is so large"),
        ({"enlarge": 12.0}, "1493 million pixels"),  # 48 x 60 in at 720
    ],
)
def test_what_cannot_be_made_is_refused_with_what_can(asked, says):
    with pytest.raises(PrintNegativeError) as refused:
        plan(**asked)
    assert says in str(refused.value)


def test_the_shape_it_names_is_one_it_takes():
    assert plan(size="127.0 x 158.8 mm").width_mm == pytest.approx(127.0, abs=0.1)


def test_resolution_is_told_where_the_plate_cannot_support_the_size():
    assert plan(enlarge=5.0).resolution_notes() == ()  # 1600 / 5 = 320 pixels per inch
    (note,) = plan(enlarge=8.0).resolution_notes()
    assert "200 pixels per inch" in note and "542 x 677 mm" in note  # 4 and 5 in x 1600 / 300
    assert plan(enlarge=5.0).resolution_notes(1.0) == ()
    (note,) = plan(enlarge=5.0).resolution_notes(0.6)  # resolves 0.6 x 320
    assert "192 pixels per inch" in note and "60% of its 320" in note and "325 x 406 mm" in note
