"""Several negatives on a sheet of film: none over another, none lost, none scaled."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pypdf
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from platebench.core.formats import PlateFormat
from platebench.printing.full_sheet import Piece, pack, write_full_sheets

A4 = PlateFormat("A4", 210.0, 297.0)
FILM = (297, 210)
sides = st.tuples(st.integers(20, 290), st.integers(20, 205))


@settings(max_examples=60, deadline=None)
@given(st.lists(sides, min_size=1, max_size=9))
def test_pieces_lie_on_the_film_apart_from_each_other(shapes: list[tuple[int, int]]) -> None:
    sheets = pack(shapes, FILM, 2)
    assert sorted(one.piece for sheet in sheets for one in sheet) == list(range(len(shapes)))
    for sheet in sheets:
        taken = np.zeros(FILM, int)
        for one in sheet:
            assert (one.rows, one.columns) == shapes[one.piece][:: -1 if one.turned else 1]
            assert 0 <= one.top <= FILM[0] - one.rows and 0 <= one.left <= FILM[1] - one.columns
            near = slice(max(0, one.top - 2), one.top + one.rows)
            taken[near, max(0, one.left - 2) : one.left + one.columns] += 1
        assert taken.max() == 1


def test_pieces_are_turned_only_where_that_saves_film() -> None:
    alone = pack([(151, 114)], FILM, 2)
    assert not alone[0][0].turned
    # Two of 140 x 200 one above the other; upright, as given, each would need a sheet.
    (both,) = pack([(200, 140), (200, 140)], FILM, 2)
    assert [one.turned for one in both] == [True, True]


@pytest.mark.parametrize("margins", ["clear", "opaque"])
def test_every_pixel_of_a_piece_is_on_the_sheet(tmp_path: Path, margins: str) -> None:
    rng = np.random.default_rng(4)
    pieces = [
        Piece(name=name, codes=rng.integers(0, 65535, shape, np.uint16))
        for name, shape in (("a", (700, 500)), ("b", (480, 700)), ("c", (700, 500)))
    ]
    sheets = write_full_sheets(
        tmp_path, pieces, film=A4, ppi=100, margins=margins, stem="sheet-x-A4"
    )
    assert sorted(len(sheet.record["pieces"]) for sheet in sheets) == [1, 2]
    for sheet in sheets:
        film = tifffile.imread(sheet.files[0])
        assert film.shape == (round(297 / 25.4 * 100), round(210 / 25.4 * 100))
        page = pypdf.PdfReader(sheet.files[1]).pages[0].mediabox
        # ISO 216 A4 in points of 1/72 inch (ISO 32000-1), to a pixel.
        assert [float(page.width), float(page.height)] == pytest.approx([595.28, 841.89], abs=0.72)
        known = json.loads(sheet.files[2].read_text(encoding="utf-8"))
        ground = 65535 if margins == "clear" else 0
        assert film[0, 0] == ground and (film == 65535 - ground).any()  # film, and cutting lines
        for place in known["pieces"]:
            (piece,) = (one for one in pieces if one.name == place["name"])
            codes = np.rot90(piece.codes) if place["turned"] else piece.codes
            top, left = (round(place[side] / 25.4 * 100) for side in ("top_mm", "left_mm"))
            there = film[top : top + codes.shape[0], left : left + codes.shape[1]]
            np.testing.assert_array_equal(there, codes)
        fill = sum(p["width_mm"] * p["height_mm"] for p in known["pieces"]) / (210 * 297)
        assert known["fill"] == pytest.approx(fill, abs=0.01)
