"""True-size pages, measured by pypdf: its transformation matrices and its paths."""

import itertools

import cv2
import numpy as np
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platebench.core.errors import WriteError
from platebench.write.paper_page import PAPERS
from platebench.write.proof_caption import ProofPrint
from platebench.write.true_size import write_true_size
from platebench.write.true_size_page import OVERLAP, plan_tiles

from ..refusals import refused
from .pdf_facts import page_size, paths_on, pictures_on, pixels_of, words_on

WITHIN = 0.1  # mm


def plate(width: float, height: float, per_mm: float = 1.0, **changes) -> ProofPrint:
    """A plate of smooth noise, no part of it like another."""
    shape = round(height * per_mm), round(width * per_mm)
    noise = cv2.GaussianBlur(np.random.default_rng(7).normal(size=shape), (0, 0), 2)
    picture = (128 + 400 * noise).clip(0, 255).astype(np.uint8)
    facts = {"plate_id": "P-1", "format_name": "test", "size_mm": (width, height)}
    return ProofPrint(picture=picture, **(facts | changes))


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("size", [(101.6, 127.0), (127.0, 101.6), (82.55, 82.55), (180.0, 120.0)])
def test_a_plate_the_paper_can_hold_is_one_picture_of_its_true_size(tmp_path, paper, size):
    path = tmp_path / "true.pdf"
    result = write_true_size(path, [plate(*size)], title="T", paper=paper)
    assert result.pages == 1 and result.left_out == ()
    (page,) = pypdf.PdfReader(path).pages
    (drawn,) = pictures_on(page)
    assert (drawn.width, drawn.height) == pytest.approx(size, abs=WITHIN)
    width, height = page_size(page)
    assert sorted((width, height)) == pytest.approx(
        sorted({"a4": (210, 297), "letter": (215.9, 279.4)}[paper]), abs=WITHIN
    )
    assert drawn.left > 5 and drawn.left + drawn.width < width - 5


@pytest.mark.parametrize("lossless", [True, False])
@pytest.mark.parametrize("size", [(203.2, 254.0), (400.0, 300.0), (279.4, 355.6), (20.0, 600.0)])
def test_tiles_show_all_of_the_plate_at_true_size_and_overlap(tmp_path, size, lossless):
    """Each tile's pixels are found in the plate; their size as drawn must be their size there."""
    path = tmp_path / "true.pdf"
    per_mm = 2.0
    shown = plate(*size, per_mm=per_mm)
    write_true_size(path, [shown], title="T", lossless=lossless)
    seen = np.zeros(shown.picture.shape, bool)
    places = []
    for page in pypdf.PdfReader(path).pages:
        (drawn,) = pictures_on(page)
        (pixels,) = pixels_of(page)
        rows, columns = pixels.shape
        scale = shown.picture.shape[1] / size[0], shown.picture.shape[0] / size[1]
        assert drawn.width == pytest.approx(columns / scale[0], abs=WITHIN / 10)
        assert drawn.height == pytest.approx(rows / scale[1], abs=WITHIN / 10)
        top, left = find(pixels, shown.picture, exact=lossless)
        seen[top : top + rows, left : left + columns] = True
        places.append((top, left, rows, columns))
    assert seen.all()
    assert len(places) > 1
    for top, left, rows, columns in places:
        right = [p for p in places if p[0] == top and p[1] > left]
        below = [p for p in places if p[1] == left and p[0] > top]
        if right:
            assert left + columns - min(p[1] for p in right) >= (OVERLAP - 1) * per_mm
        if below:
            assert top + rows - min(p[0] for p in below) >= (OVERLAP - 1) * per_mm


def find(pixels: np.ndarray, plate: np.ndarray, *, exact: bool) -> tuple[int, int]:
    """Return the one place in the plate that shows these pixels, by OpenCV's matching."""
    match = cv2.matchTemplate(plate, pixels, cv2.TM_CCOEFF_NORMED)
    top, left = np.unravel_index(match.argmax(), match.shape)
    there = plate[top : top + pixels.shape[0], left : left + pixels.shape[1]].astype(int)
    error = abs(there - pixels)
    assert error.max() == 0 if exact else error.mean() < 2  # JPEG at quality 92
    return int(top), int(left)


@settings(max_examples=80, deadline=None)
@given(st.floats(1, 900), st.floats(1, 900), st.sampled_from(sorted(PAPERS)))
def test_tiles_cover_any_plate_and_fit_the_paper(width, height, name):
    sheet, tiles = plan_tiles(width, height, PAPERS[name])
    assert {sheet.width, sheet.height} == {PAPERS[name].width, PAPERS[name].height}
    lefts = sorted({(t.part.left, t.part.right) for t in tiles})
    tops = sorted({(t.part.top, t.part.bottom) for t in tiles})
    assert len(tiles) == len(lefts) * len(tops) == len({t.name for t in tiles})
    for spans, length, side in ((lefts, width, sheet.width), (tops, height, sheet.height)):
        assert spans[0][0] == 0 and spans[-1][1] == length
        for (_, end), (start, _) in itertools.pairwise(spans):
            assert end - start >= OVERLAP - 1e-6
        assert all(0 < end - start < side - 20 for start, end in spans)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("size", [(215.9, 165.1), (165.1, 215.9)])
def test_a_whole_plate_lies_on_one_page_whichever_way_it_was_held(tmp_path, paper, size):
    path, shown = tmp_path / "true.pdf", plate(*size, per_mm=4.0)
    assert write_true_size(path, [shown], title="T", paper=paper, lossless=True).pages == 1
    (drawn,) = pictures_on(pypdf.PdfReader(path).pages[0])
    assert sorted((drawn.width, drawn.height)) == pytest.approx([165.1, 215.9], abs=WITHIN)
    (pixels,) = pixels_of(pypdf.PdfReader(path).pages[0])
    lain = shown.picture if drawn.width < drawn.height and size[0] < size[1] else None
    np.testing.assert_array_equal(pixels, np.rot90(shown.picture) if lain is None else lain)


def test_every_page_has_a_ruler_of_100_mm_and_the_sentence(tmp_path):
    path = tmp_path / "true.pdf"
    write_true_size(path, [plate(127, 101.6), plate(400, 300)], title="T", paper="letter")
    pages = pypdf.PdfReader(path).pages
    assert len(pages) > 3
    for page in pages:
        flat = [p for p in paths_on(page) if len(p) == 2 and p[0][1] == p[1][1]]
        assert max(p[1][0] - p[0][0] for p in flat) == pytest.approx(100, abs=WITHIN)
        assert "100 mm" in page.extract_text()


def rings_on(page: pypdf.PageObject) -> list[tuple[float, float]]:
    """Centres of the registration marks' circles: four curves and a point to start from."""
    return [tuple(np.mean(p[1:5], axis=0)) for p in paths_on(page) if len(p) == 5]


def test_registration_crosses_of_two_tiles_mark_the_same_line_on_the_plate(tmp_path):
    path = tmp_path / "true.pdf"
    write_true_size(path, [plate(150, 400, per_mm=4.0)], title="T", lossless=True)
    upper, lower = pypdf.PdfReader(path).pages
    down = []  # of the crosses, from the top of the plate
    for page, starts in ((upper, 0.0), (lower, None)):
        (drawn,) = pictures_on(page)
        top = starts if starts is not None else 400 - drawn.height
        marks = {round(top + drawn.bottom + drawn.height - y, 3) for _, y in rings_on(page)}
        sides = [x < drawn.left or x > drawn.left + drawn.width for x, _ in rings_on(page)]
        assert len(sides) == 2 and all(sides)
        down.append(marks)
    assert max(down[0]) == pytest.approx(max(down[1]), abs=WITHIN)
    assert len(down[0]) == len(down[1]) == 1


def test_tiles_are_named_in_order(tmp_path):
    path = tmp_path / "true.pdf"
    write_true_size(path, [plate(300, 400)], title="T")
    texts = [page.extract_text() for page in pypdf.PdfReader(path).pages]
    for number, (name, text) in enumerate(zip(("A1", "A2", "B1", "B2"), texts, strict=True), 1):
        assert f"tile {name}, {number} of 4" in text


def test_plates_of_unknown_size_are_left_out_and_listed(tmp_path):
    path = tmp_path / "true.pdf"
    prints = [
        plate(127, 101.6, plate_id="known"),
        plate(127, 101.6, plate_id="unknown", size_mm=None, format_name=""),
        plate(127, 101.6, plate_id="other shape", size_mm=(101.6, 127.0)),
        plate(
            127,
            101.6,
            plate_id="doubtful",
            whole=True,
            doubtful=True,
            flags=("left side not found",),
        ),
        plate(127, 101.6, plate_id="whole on purpose", whole=True),
    ]
    result = write_true_size(path, prints, title="T")
    assert [plate_id for plate_id, _ in result.left_out] == ["unknown", "other shape", "doubtful"]
    last = pypdf.PdfReader(path).pages[-1].extract_text()
    assert result.pages == 3
    last = " ".join(last.split())
    assert "unknown: its format is not set, so its true size is not known; set it in" in last
    assert "doubtful: its sides are in doubt, so its true size is not known; set its" in last
    assert "other shape: its picture has not the shape of 101.6" in last
    assert "known:" not in last.replace("unknown:", "")


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(
    ("misfit", "said"),
    [
        ("the plate is 3.7 % shorter in shape than 13x18 cm; its shape is that of 9x12 cm",) * 2,
        (
            "the plate is 3.7 % shorter in shape than 13x18 cm; its shape is that of "
            + " or ".join(f"{n} x {n + 1} cm" for n in range(10, 30)),
            "the plate is 3.7 % shorter in shape than 13x18 cm",  # as much as one line holds
        ),
    ],
)
def test_a_size_in_doubt_is_said_on_its_page_alone(tmp_path, paper, misfit, said):
    path = tmp_path / "true.pdf"
    prints = [plate(180, 120, misfit=misfit), plate(180, 120, plate_id="P-2")]
    write_true_size(path, prints, title="T", paper=paper)
    sure, _ = words_on(path, 1)
    text, boxes = words_on(path, 0)
    said = said.replace("13x18", "13 \N{MULTIPLICATION SIGN} 18")
    said = said.replace("9x12", "9 \N{MULTIPLICATION SIGN} 12")
    assert "doubt" not in sure
    remedy = "correct its format or corners in session.toml, then convert again"
    assert f"the size is in doubt: {said}; {remedy}" in text
    width, _ = page_size(pypdf.PdfReader(path).pages[0])
    assert all(box.left > 5 and box.left + box.width < width - 5 for box in boxes)


def test_a_long_list_of_plates_left_out_takes_several_pages_and_stays_on_them(tmp_path):
    path = tmp_path / "true.pdf"
    prints = [plate(50, 40)] + [plate(50, 40, plate_id=f"N{n}", size_mm=None) for n in range(150)]
    result = write_true_size(path, prints, title="T")
    assert result.pages > 2
    read = pypdf.PdfReader(path).pages
    text = "\n".join(page.extract_text() for page in read)
    assert all(f"N{n}: its" in text for n in range(150))
    for number in range(len(read)):
        assert all(box.bottom > 5 for box in words_on(path, number)[1])


@pytest.mark.parametrize(
    ("prints", "shown"),
    [
        ([], ()),
        ([plate(9, 8, size_mm=None, format_name="")], ("format",)),
        ([plate(9, 8, size_mm=None)], ("corners",)),
        (
            [plate(9, 8, size_mm=None), plate(9, 8, plate_id="P-2", size_mm=None, format_name="")],
            ("of P-1, set its corners", "of P-2"),
        ),
    ],
)
def test_nothing_to_print_is_refused_and_nothing_is_left(tmp_path, prints, shown):
    with refused(WriteError, *shown, path=tmp_path / "true.pdf"):
        write_true_size(tmp_path / "true.pdf", prints, title="T")
    assert not list(tmp_path.iterdir())


def test_the_viewer_is_asked_not_to_fit(tmp_path):
    """ISO 32000-1, table 150: PrintScaling None."""
    path = tmp_path / "true.pdf"
    write_true_size(path, [plate(127, 101.6)], title="T")
    preferences = pypdf.PdfReader(path).trailer["/Root"]["/ViewerPreferences"]
    assert preferences["/PrintScaling"] == "/None"


@pytest.mark.parametrize("lossless", [True, False])
def test_same_input_same_bytes(tmp_path, lossless):
    for name in "ab":
        write_true_size(tmp_path / name, [plate(300, 120)], title="T", lossless=lossless)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_long_names_stay_on_the_page(tmp_path):
    path = tmp_path / "true.pdf"
    long = plate(300, 400, plate_id="x" * 300, format_name="y " * 80)
    write_true_size(path, [long], title="z" * 200, date="d " * 40)
    for number, page in enumerate(pypdf.PdfReader(path).pages):
        width, _ = page_size(page)
        for box in words_on(path, number)[1]:
            assert box.left > 5 and box.left + box.width < width - 5
