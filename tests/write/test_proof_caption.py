"""Type and captions: whatever a plate is called, its words fit."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ImageFont

from platebench.write import page_pen as proof_type
from platebench.write.page_pen import (
    LIGHT,
    REGULAR,
    TIMES,
    pack,
    plain_line,
    shorten,
    width_mm,
    wrap,
)
from platebench.write.proof_caption import MAX_FLAG_LINES, TYPE, Hand, ProofPrint, caption_lines

PICTURE = np.arange(6, dtype=np.uint8).reshape(2, 3)
PLATE = ProofPrint(
    plate_id="B-014",
    picture=PICTURE,
    format_name="4x5 in",
    base_fog=0.11,
    d_max=1.874,
    density_range=1.764,
)


def said(shown: ProofPrint, width: float = 60.0, *, scaled: bool = True) -> str:
    lines = caption_lines(shown, 3, width, scaled=scaled)
    return "\n".join(f"{line.text} {line.beside}".strip() for line in lines)


@pytest.mark.parametrize(("font", "file"), sorted(proof_type._FILES.items()))
def test_widths_agree_with_freetype(font, file):
    """FreeType (through Pillow) measures the same advance widths, kerning off.

    Letters only: at any size FreeType lets the font's hints move the figures' widths.
    """
    path = proof_type.Path(proof_type.__file__).parent / "fonts" / file
    size = 1000  # one pixel a font unit
    measured = ImageFont.truetype(path, size, layout_engine=ImageFont.Layout.BASIC)
    text = "Dmax range b"
    advances = sum(measured.getlength(letter) for letter in text)
    assert width_mm(text, font, size) == pytest.approx(advances * 25.4 / 72, rel=1e-6)


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=80), st.floats(3, 80))
def test_shortened_text_never_overflows_and_keeps_both_ends(text, width):
    line = plain_line(text)
    short = shorten(line, width, REGULAR, 7.6)
    assert width_mm(short, REGULAR, 7.6) <= width
    if short != line:
        head, tail = short.split("…", 1) if line.count("…") == 0 else ("", "")
        assert line.startswith(head)
        assert line.endswith(tail)


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200), st.floats(6, 80))
def test_wrapped_text_loses_nothing_and_never_overflows(text, width):
    lines = wrap(text, width, LIGHT, 6.6)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(width_mm(line, LIGHT, 6.6) <= width or len(line) == 1 for line in lines)


def test_packed_items_stay_whole():
    lines = pack(["range 1.76", "b+f 0.11", "Dmax 1.87"], 25, LIGHT, 6.6)
    assert len(lines) > 1
    assert "   ".join(lines) == "range 1.76   b+f 0.11   Dmax 1.87"


def test_a_long_id_keeps_the_figures_that_tell_plates_apart():
    first, second = (shorten(f"museum-of-the-valley-box-{n}", 25, REGULAR, 7.6) for n in (12, 13))
    assert first != second
    assert first.startswith("mus") and first.endswith("12")


def test_caption_names_format_and_densities():
    text = said(PLATE)
    assert text.startswith("B-014")
    for words in (f"4 {TIMES} 5 in", "range 1.76", "b+f 0.11", "Dmax 1.87"):
        assert words in text
    assert "scale" not in text and "doubtful" not in text


def test_what_is_not_known_is_said():
    text = said(
        replace(PLATE, format_name="", base_fog=math.nan, d_max=math.nan, density_range=math.nan),
        scaled=False,
    )
    for words in ("format not known", "density not measured", "not to scale"):
        assert words in text
    assert "nan" not in text


def test_a_doubtful_plate_is_named_so_with_the_reason():
    text = said(
        replace(PLATE, whole=True, doubtful=True, flags=("left edge not found", "chipped")),
        width=90,
    )
    assert "doubtful, kept whole: left edge not found; chipped" in text


def test_kept_whole_is_said_once():
    flags = ("left edge not found", "kept whole: not cropped")
    assert (
        said(replace(PLATE, whole=True, doubtful=True, flags=flags), width=90).count("kept whole")
        == 1
    )


def test_a_plate_kept_whole_on_purpose_is_not_called_doubtful():
    shown = replace(PLATE, whole=True)
    assert "uncropped" in said(shown) and "doubtful" not in said(shown)


def test_a_remark_alone_makes_no_doubt():
    shown = replace(PLATE, flags=("stain corrected",))
    assert "stain corrected" in said(shown) and not shown.doubtful


def test_letters_the_face_lacks_are_helped_by_the_plates_number():
    line = caption_lines(replace(PLATE, plate_id="長根-7"), 3, 60, scaled=True)[0]
    assert line.text.endswith("(plate 3)")
    assert line.full == "長根-7"


@pytest.mark.parametrize("plate_id", ["Фото-12", "Πλάκα 3", "Łódź 4", "straße 5"])
def test_latin_greek_and_cyrillic_are_set_as_they_are(plate_id):
    assert caption_lines(replace(PLATE, plate_id=plate_id), 1, 60, scaled=True)[0].text == plate_id


@pytest.mark.parametrize("plate_id", ["", " \n\t", "\u200b", "\ud800"])
def test_an_id_of_nothing_visible_is_called_by_its_number(plate_id):
    first = caption_lines(replace(PLATE, plate_id=plate_id), 5, 60, scaled=True)[0]
    assert first.text == "(plate 5)"


@settings(max_examples=60, deadline=None)
@given(
    st.text(max_size=90),
    st.text(max_size=60),
    st.lists(st.text(max_size=300), max_size=6),
    st.booleans(),
    st.floats(31, 120),
)
def test_every_line_of_any_caption_fits(plate_id, format_name, flags, whole, width):
    shown = replace(
        PLATE, plate_id=plate_id, format_name=format_name, flags=tuple(flags), whole=whole
    )
    lines = caption_lines(shown, 9, width, scaled=False)
    for line in lines:
        assert width_mm(line.text, *TYPE[line.hand]) <= width
        assert line.width <= width
    assert sum(line.hand is Hand.FLAG for line in lines) <= MAX_FLAG_LINES


def test_more_flags_than_there_is_room_for_are_pointed_to():
    shown = replace(PLATE, flags=tuple(f"remark number {n} of this plate" for n in range(30)))
    lines = [line.text for line in caption_lines(shown, 1, 31, scaled=True)]
    assert lines[-1] == "… more in the record"


def test_title_and_date_stand_under_the_name():
    titled = replace(PLATE, title="Mill and weir", date="about 1893")
    assert said(titled).splitlines()[1] == "Mill and weir, about 1893"
    assert said(replace(PLATE, date="1890s")).splitlines()[1] == "1890s"
    assert len(said(titled).splitlines()) == len(said(PLATE).splitlines()) + 1


def test_a_long_title_takes_three_lines_and_keeps_its_date():
    titled = replace(PLATE, title="House front seen from across the street " * 5, date="1893")
    lines = caption_lines(titled, 1, 40.0, scaled=True)
    story = lines[1:4]  # after name and format
    assert all(line.width <= 40.0 for line in lines)
    assert story[0].text.startswith("House front")
    assert "…" in story[2].text and story[2].text.endswith("street, 1893")
    assert story[2].full.endswith("street, 1893")
    assert len(story[2].full) > len(story[2].text)


def test_a_long_name_is_broken_and_no_type_is_small():
    """8 pt is what the sheet promises; remarks are no smaller than captions."""
    named = replace(PLATE, plate_id="museum-of-the-valley-box-12-plate-004", flags=("look",))
    lines = caption_lines(named, 1, 40.0, scaled=True)
    names = [line.text for line in lines if line.hand is Hand.NAME]
    assert len(names) == 2 and "".join(names) == named.plate_id
    assert min(size for _, size in TYPE.values()) >= 8
    assert TYPE[Hand.FLAG][1] >= TYPE[Hand.DATA][1]
