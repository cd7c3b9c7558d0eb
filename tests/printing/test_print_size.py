"""Size of a print negative: arithmetic of inches and millimetres, exact by definition."""

import re
from pathlib import Path

import pytest

from platebench.core.errors import PrintNegativeError
from platebench.core.formats import MM_PER_INCH, format_named
from platebench.printing.negative_layout import (
    FOOT,
    HEAD,
    SIDE,
    film_for,
    film_notes,
    plan_negative,
)
from platebench.printing.print_size import PrintSize, plan_print_size

from ..refusals import refused

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
    ("asked", "shown"),
    [
        ({"source_ppi": None}, ()),
        ({"source_ppi": None, "enlarge": 2.0}, ()),
        ({"size": "0.7 x 8 in"}, ("17.8 x 22.2 mm",)),  # 17.78 x 5 / 4
        ({"size": "62 x 70 in"}, ()),
        ({"size": "59 x 60 in"}, ("1835 million",)),  # 59 x 60 x 720 x 720
        ({"enlarge": 0.1}, ("10.2 x 12.7 mm",)),
        ({"enlarge": 40.0}, ()),
        ({"enlarge": 12.0}, ("1493 million",)),  # 48 x 60 in at 720
    ],
)
def test_what_cannot_be_made_is_refused_with_what_can(asked, shown):
    with refused(PrintNegativeError, *shown):
        plan(**asked)


@pytest.mark.parametrize(
    ("source", "asked", "room", "inside"),
    [
        # 13 x 18 cm: 254 x 13 / 18 is 183.4; the long side decides
        ((5400, 3900), "8 x 10 in", (203.2, 254.0), (183.44, 254.0)),
        ((3900, 5400), "8 x 10 in", (254.0, 203.2), (254.0, 183.44)),
        # 4 x 5 in: 127 x 5 / 4 is 158.75; the short side decides
        (FOUR_BY_FIVE, "5 x 7 in", (127.0, 177.8), (127.0, 158.75)),
        ((6000, 6000), "5 x 7 in", (177.8, 127.0), (127.0, 127.0)),
    ],
)
def test_a_size_of_another_shape_holds_the_whole_picture(source, asked, room, inside):
    size = plan(source, size=asked)
    assert size.room_mm == pytest.approx(room)
    assert (size.width_mm, size.height_mm) == pytest.approx(inside, abs=25.4 / 720)
    assert size.shape[0] / size.shape[1] == pytest.approx(source[0] / source[1], abs=2e-4)


def test_the_picture_lies_in_the_middle_of_its_room():
    layout = plan_negative(183.44, 254.0, wedge=(0.0, 1.0), facts=("7",), room=(203.2, 254.0))
    assert (layout.width, layout.height) == pytest.approx((203.2 + 2 * SIDE, 254 + HEAD + FOOT))
    left, right = layout.picture.left - SIDE, layout.width - SIDE - layout.picture.right
    assert left == pytest.approx((203.2 - 183.44) / 2) == pytest.approx(right)
    assert layout.picture.top == HEAD and film_for(layout) == "8.5 x 11 in"
    wide = plan_negative(254.0, 183.44, wedge=(0.0, 1.0), facts=("7",), room=(254.0, 203.2))
    above, below = wide.picture.top - HEAD, wide.height - FOOT - wide.picture.bottom
    assert above == pytest.approx((203.2 - 183.44) / 2) == pytest.approx(below)


def laid_out(width, height, room=None):
    return plan_negative(width, height, wedge=(0.0, 1.0), facts=("7",), room=room)


def test_a_wide_picture_whose_margins_ask_for_larger_film_is_told_its_ways_out():
    # 8 x 10 in is 203.2 x 254 mm, film of 8.5 x 11 in 215.9 x 279.4 mm: by definition of the inch
    (note,) = film_notes(laid_out(254.0, 203.2))
    assert "A4 or 8.5 x 11 in" in note and "make it 11 x 17 in" in note
    assert "it fits 8.5 x 11 in" in note
    width, height = map(int, re.search(r"a size of (\d+)x(\d+)mm", note).groups())
    assert width < 254 and height < 203
    told = note[note.index("a size of") :].split(" fits ")[1].split(",")[0]
    film = {"A4": (210.0, 297.0), "8.5 x 11 in": (215.9, 279.4)}[told]
    smaller = plan((5080, 4064)[::-1], size=f"{width} x {height} mm")
    sheet = laid_out(smaller.width_mm, smaller.height_mm, smaller.room_mm)
    assert min(sheet.width, sheet.height) <= film[0] and max(sheet.width, sheet.height) <= film[1]
    assert film_for(sheet) in ("A4", "8.5 x 11 in") and film_notes(sheet) == ()


def test_an_empty_room_around_the_picture_is_left_out_before_the_picture_shrinks():
    (note,) = film_notes(laid_out(254.0, 183.44, (254.0, 203.2)))
    assert "a size of 254x183mm fits " in note and "as large" not in note and "rotate" not in note


def test_a_picture_that_shrinks_is_not_told_to_stay_as_large():
    # Film of 11 x 17 in is 431.8 mm long: without the margins 0.999 of the picture's length.
    assert 0.995 < (431.8 - HEAD - FOOT) / 408.0 < 1
    (note,) = film_notes(laid_out(88.2, 408.0))
    assert "(99% as large)" in note


@pytest.mark.parametrize("size", [(203.2, 254.0), (127.0, 101.6), (1500.0, 900.0)])
def test_film_is_not_spoken_of_where_no_smaller_one_holds_the_picture_alone(size):
    assert film_notes(laid_out(*size)) == ()


def test_resolution_is_told_where_the_plate_cannot_support_the_size():
    assert plan(enlarge=5.0).resolution_notes() == ()  # 1600 / 5 = 320 pixels per inch
    (note,) = plan(enlarge=8.0).resolution_notes()
    assert "200 pixels" in note and "542 x 677 mm" in note  # 4 and 5 in x 1600 / 300
    assert plan(enlarge=5.0).resolution_notes(1.0) == ()
    (note,) = plan(enlarge=5.0).resolution_notes(0.6)  # resolves 0.6 x 320
    assert "192 pixels" in note and "(60 % of its 320)" in note and "325 x 406 mm" in note
