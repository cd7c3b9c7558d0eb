"""Proof sheets as other programs read them: pypdf and pdfium, neither of which wrote them."""

import itertools
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pypdf
import pytest
from PIL import Image

from platebench.core.errors import WriteError
from platebench.write.paper_page import MARGIN_SIDE, MARGIN_TOP
from platebench.write.proof_picture import write_proof_pngs
from platebench.write.proof_sheet import ProofPrint, write_proof_sheet

from ..refusals import refused
from .pdf_facts import Drawn, page_size, paths_on, pictures_on, pixels_of, words_on


def ramp(rows: int, columns: int) -> np.ndarray:
    down, across = np.mgrid[0:rows, 0:columns]
    return (30 + 120 * across / columns + 80 * down / rows).astype(np.uint8)


def plate(number: int, width: float = 127.0, height: float = 101.6, **changes) -> ProofPrint:
    shown = ProofPrint(
        plate_id=f"RM-{number:03d}",
        picture=ramp(round(height), round(width)),
        format_name="4x5 in",
        size_mm=(width, height),
        base_fog=0.1 + number / 1000,
        d_max=1.5 + number / 500,
        density_range=1.4 + number / 1000,
    )
    return replace(shown, **changes)


def overlap(one: Drawn, other: Drawn, slack: float = 0.05) -> bool:
    return (
        one.left + slack < other.left + other.width
        and other.left + slack < one.left + one.width
        and one.bottom + slack < other.bottom + other.height
        and other.bottom + slack < one.bottom + one.height
    )


def test_every_plate_can_be_found_as_text_on_its_page(tmp_path):
    path = tmp_path / "proof.pdf"
    prints = [plate(n) for n in range(40)]
    pages = write_proof_sheet(path, prints, title="River meadows", date="April 1911")
    read = pypdf.PdfReader(path).pages
    assert len(read) == pages == 4
    texts = [page.extract_text() for page in read]
    everything = "\n".join(texts)
    places = []
    for shown in prints:
        assert everything.count(shown.plate_id) == 1
        places.append(everything.index(shown.plate_id))
        caption = everything[places[-1] :].split("RM-", 2)[1]
        for name, value in (
            ("range", shown.density_range),
            ("b+f", shown.base_fog),
            ("Dmax", shown.d_max),
        ):
            assert f"{name} {value:.2f}" in caption
    assert places == sorted(places)
    for number, text in enumerate(texts, 1):
        for words in ("River meadows", "April 1911", "40 plates", f"page {number} of 4"):
            assert words in text


def test_prints_share_one_scale_and_keep_their_shape(tmp_path):
    path = tmp_path / "proof.pdf"
    sizes = [(127, 101.6), (203.2, 254), (82.55, 107.95), (180, 130)] * 5
    write_proof_sheet(path, [plate(n, *size) for n, size in enumerate(sizes)], title="Mixed")
    drawn = [d for page in pypdf.PdfReader(path).pages for d in pictures_on(page)]
    scales = [d.width / size[0] for d, size in zip(drawn, sizes, strict=True)]
    scales += [d.height / size[1] for d, size in zip(drawn, sizes, strict=True)]
    assert max(scales) - min(scales) < 1e-3 * max(scales)
    assert max(scales) <= 1


def test_the_scale_bar_measures_what_it_says(tmp_path):
    path = tmp_path / "proof.pdf"
    write_proof_sheet(path, [plate(n) for n in range(9)], title="Nine")
    (page,) = pypdf.PdfReader(path).pages
    scale = pictures_on(page)[0].width / 127.0
    flat = [p for p in paths_on(page) if len(p) == 2 and p[0][1] == p[1][1]]
    assert "50 mm" in page.extract_text()
    assert [p[1][0] - p[0][0] for p in flat] == pytest.approx([50 * scale], abs=0.05)


ODD = [
    plate(1, plate_id="x" * 300, format_name="a format with a very long name indeed, " * 4),
    plate(2, plate_id="長根-山 004", flags=("右の縁が見つからない " * 12,)),
    plate(3, plate_id="Фото Ω 12\n\t\u200b", flags=("word" * 200, "left edge not found " * 30)),
    plate(4, whole=True, size_mm=None, flags=("the plate lies against a dark holder",) * 9),
    plate(5, plate_id="🌻", size_mm=(float("nan"), 10.0)),
    plate(6, plate_id="\ud800bad", size_mm=(10.0, 200.0)),  # not the picture's shape
    plate(7, 20, 400),
    plate(8, 400, 20),
]


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("prints", [ODD, ODD[:1], ODD[3:4], ODD[6:7], ODD[7:], ODD * 4])
def test_nothing_overlaps_or_leaves_the_page_whatever_the_session(tmp_path, paper, prints):
    path = tmp_path / "proof.pdf"
    write_proof_sheet(
        path, prints, title="A long title, " * 30, date="a long date " * 20, paper=paper
    )
    count = 0
    for number, page in enumerate(pypdf.PdfReader(path).pages):
        width, height = page_size(page)
        pictures = pictures_on(page)
        count += len(pictures)
        _, words = words_on(path, number)
        assert words
        for box in pictures + words:
            assert box.left > MARGIN_SIDE - 0.2
            assert box.left + box.width < width - MARGIN_SIDE + 0.2
            assert box.bottom > 5 and box.bottom + box.height < height - 5
        for picture, word in itertools.product(pictures, words):
            assert not overlap(picture, word)
        for one, other in itertools.combinations(words, 2):
            assert not overlap(one, other, slack=0.6)  # pdfium's boxes hold accents and tails
        for one, other in itertools.combinations(pictures, 2):
            assert not overlap(one, other)
    assert count == len(prints)


FAILED = [
    [("plate-003", "a.dng is empty")],
    [(f"plate-{n:03d}", "HVC_0231.DNG is cut off: 12 of its 99 bytes are missing") for n in (3, 7)],
    [(f"box {n}", "left side and right side do not agree " * 9) for n in range(9)],
    [("x" * 300, "y" * 500), ("長根-山 004", "右の縁が見つからない"), ("", "")] * 3,
    [(f"plate-{n:04d}", "is empty") for n in range(3000)],
]


@pytest.mark.parametrize("failed", FAILED, ids=len)
@pytest.mark.parametrize("prints", [ODD[:4], [plate(n) for n in range(1, 20)]], ids=len)
@pytest.mark.parametrize("turn", [True, False])
def test_failed_plates_are_named_at_the_foot_of_the_first_page(tmp_path, failed, prints, turn):
    path = tmp_path / "proof.pdf"
    write_proof_sheet(path, prints, title="T", turn=turn, not_converted=failed)
    pages = pypdf.PdfReader(path).pages
    count = f"{len(prints) + len(failed)} plates, {len(failed)} not converted"
    assert all(count in page.extract_text() for page in pages)
    first, *others = (page.extract_text() for page in pages)
    assert first.count("not converted: ") == 1
    assert not any("not converted: " in text for text in others)
    named = first.partition("not converted: ")[2].replace("\n", " ")
    shown = [plate_id for plate_id, _ in failed if plate_id and plate_id in named]
    if len(failed) < 10 and len(failed[0][0]) < 300:
        assert [plate_id for plate_id, _ in failed] == shown
        assert failed[0][1][:9] in named
    if len(failed) == 3000:
        assert len(shown) > 15 and f"and {3000 - len(shown)} more" in named
    width, height = page_size(pages[0])
    _, words = words_on(path, 0)
    for box in words:
        assert box.left > MARGIN_SIDE - 0.2
        assert box.left + box.width < width - MARGIN_SIDE + 0.2
        assert box.bottom > 5 and box.bottom + box.height < height - 5
    for one, other in itertools.combinations(words, 2):
        assert not overlap(one, other, slack=0.6)


def test_copying_gives_the_whole_id_where_a_short_one_is_shown(tmp_path):
    path = tmp_path / "proof.pdf"
    long_id = "municipal-waterworks-" * 8 + "017"
    write_proof_sheet(path, [plate(1, plate_id=long_id), plate(2, plate_id="長根-4")], title="T")
    seen = pypdf.PdfReader(path).pages[0].extract_text()  # pypdf reads what is drawn
    assert "…" in seen and long_id not in seen
    copied, _ = words_on(path)  # pdfium honours ActualText
    assert long_id in copied and "長根-4" in copied


def test_doubtful_plates_are_ringed_and_named(tmp_path):
    flagged = plate(2, whole=True, doubtful=True, flags=("left edge not found",))
    reds = []
    for prints in ([plate(1), plate(2)], [plate(1), flagged]):
        path = tmp_path / f"{len(reds)}.pdf"
        write_proof_sheet(path, prints, title="T")
        (png,) = write_proof_pngs(path, tmp_path)
        pixels = np.asarray(Image.open(png).convert("RGB")).astype(int)
        reds.append(np.count_nonzero(pixels[..., 0] - pixels[..., 1] > 125))
    assert reds[0] == 0
    assert reds[1] > 1000  # words in the lighter red do not count
    text = pypdf.PdfReader(path).pages[0].extract_text()
    assert "left edge" in text
    assert "to scale" in text and "red pencil" in text


def test_a_plate_that_has_not_its_formats_shape_is_fitted_in_and_marked(tmp_path):
    """Set to a format half as large again, it is drawn no larger than the plates beside it."""
    path = tmp_path / "proof.pdf"
    misfit = "the plate is 3.7 % shorter in shape than 13x18 cm"
    wrong = plate(2, 180.0, 135.0, misfit=misfit, flags=(misfit,))
    write_proof_sheet(path, [plate(1, 120.0, 90.0), wrong], title="T")
    (page,) = pypdf.PdfReader(path).pages
    one, other = pictures_on(page)
    assert (other.width, other.height) == pytest.approx((one.width, one.height), abs=0.1)
    assert page.extract_text().count("not to scale") == 1


def test_paper_is_black_around_the_prints_and_white_at_the_margin(tmp_path):
    path = tmp_path / "proof.pdf"
    write_proof_sheet(path, [plate(1)], title="T")
    (png,) = write_proof_pngs(path, tmp_path, ppi=100)
    gray = np.asarray(Image.open(png).convert("L"))
    a_mm = 100 / 25.4
    assert gray[int((MARGIN_TOP + 3) * a_mm), int((MARGIN_SIDE + 3) * a_mm)] == 7
    assert gray[int(3 * a_mm) :, : int(8 * a_mm)].min() == 255


def test_the_picture_is_the_plates_own(tmp_path):
    path = tmp_path / "proof.pdf"
    shown = plate(1, picture=ramp(609, 762))
    write_proof_sheet(path, [shown], title="T")
    (pixels,) = pixels_of(pypdf.PdfReader(path).pages[0])
    assert pixels.shape == (609, 762)
    error = pixels.astype(float) - shown.picture
    assert abs(error).max() <= 3  # JPEG at quality 92


def test_fonts_are_embedded(tmp_path):
    path = tmp_path / "proof.pdf"
    write_proof_sheet(path, [plate(1)], title="T")
    fonts = pypdf.PdfReader(path).pages[0]["/Resources"]["/Font"]
    used = [font.get_object() for font in fonts.values()]
    assert len(used) == 1
    assert all("/FontFile2" in font["/FontDescriptor"] for font in used)


def test_a_white_ground_is_the_papers_own_and_takes_little_toner(tmp_path):
    """As pdfium draws it; what is not print, type or edge is white."""
    means = {}
    for ground in ("black", "white"):
        path = tmp_path / f"{ground}.pdf"
        write_proof_sheet(path, [plate(n) for n in range(12)], title="T", ground=ground)
        (png,) = write_proof_pngs(path, tmp_path, ppi=60)
        with Image.open(png) as page:
            means[ground] = np.asarray(page.convert("L")).astype(float)
    assert (means["white"] > 250).mean() > 0.35  # of the page, beside the prints
    assert means["white"].mean() > means["black"].mean() + 60


def test_a_very_long_title_takes_two_lines_on_the_sheet(tmp_path):
    path = tmp_path / "proof.pdf"
    title = "The long shelf in the north room, boxes one to forty, as they were found in the spring"
    write_proof_sheet(path, [plate(1)], title=title, turn=False)
    words = pypdf.PdfReader(path).pages[0].extract_text()
    assert "".join(title.split()) in "".join(words.split())


def test_pages_are_the_papers_size(tmp_path):
    for paper, size in (("a4", (210, 297)), ("letter", (215.9, 279.4))):
        path = tmp_path / f"{paper}.pdf"
        write_proof_sheet(path, [plate(1, 100, 130)], title="T", paper=paper)
        assert page_size(pypdf.PdfReader(path).pages[0]) == pytest.approx(size, abs=0.01)
        write_proof_sheet(path, [plate(1, 100, 130)], title="T", paper=paper, turn=True)
        assert page_size(pypdf.PdfReader(path).pages[0]) == pytest.approx(size[::-1], abs=0.01)


SCRIPT = """
import sys, time; from pathlib import Path; import numpy as np
time.time = lambda: 1e9 * float(sys.argv[2])  # another day
from platebench.write.proof_sheet import ProofPrint, write_proof_sheet
picture = np.arange(1200, dtype=np.uint8).reshape(30, 40)
prints = [ProofPrint(plate_id=f"\\u00e9{n}", picture=picture, flags=("a", "b"), whole=n == 1)
          for n in range(3)]
write_proof_sheet(Path(sys.argv[1]), prints, title="Same")
"""


def test_same_input_same_bytes_in_any_process(tmp_path):
    bytes_written = []
    for seed in ("1", "2"):
        path = tmp_path / f"{seed}.pdf"
        subprocess.run(
            [sys.executable, "-c", SCRIPT, str(path), seed],
            check=True,
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": ":".join(sys.path)},
        )
        bytes_written.append(path.read_bytes())
    assert bytes_written[0] == bytes_written[1]


def test_no_plates_is_refused(tmp_path):
    with refused(WriteError, path=tmp_path / "proof.pdf"):
        write_proof_sheet(tmp_path / "proof.pdf", [], title="T")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("content", "what"),
    [(None, "is missing"), (b"", "cannot be read"), (b"no picture", "cannot be read")],
)
def test_a_picture_that_cannot_be_read_is_named_and_nothing_is_left(tmp_path, content, what):
    picture = tmp_path / "RM-002.jpg"
    if content is not None:
        picture.write_bytes(content)
    before = set(tmp_path.iterdir())
    with pytest.raises(WriteError) as caught:
        write_proof_sheet(tmp_path / "p.pdf", [plate(1), plate(2, picture=picture)], title="T")
    assert what in str(caught.value)
    assert "plate RM-002" in str(caught.value) and str(picture) in str(caught.value)
    assert set(tmp_path.iterdir()) == before


def test_a_picture_cut_short_is_named_and_nothing_is_left(tmp_path):
    picture = tmp_path / "RM-002.jpg"
    Image.fromarray(ramp(1600, 2000)).save(picture)
    picture.write_bytes(picture.read_bytes()[:4000])
    with refused(WriteError, picture, path=tmp_path / "p.pdf"):
        write_proof_sheet(tmp_path / "p.pdf", [plate(1), plate(2, picture=picture)], title="T")
    assert list(tmp_path.iterdir()) == [picture]


def test_a_folder_that_is_not_there_is_a_clear_error(tmp_path):
    with refused(WriteError, path=tmp_path / "absent" / "p.pdf", cause=FileNotFoundError):
        write_proof_sheet(tmp_path / "absent" / "p.pdf", [plate(1)], title="T")


def test_pngs_are_the_pages_in_order(tmp_path):
    path = tmp_path / "sheet.pdf"
    pages = write_proof_sheet(path, [plate(n) for n in range(13)], title="T")
    pngs = write_proof_pngs(path, tmp_path)
    assert [p.name for p in pngs] == ["sheet-1.png", "sheet-2.png"] and pages == 2
    for png, page in zip(pngs, pypdf.PdfReader(path).pages, strict=True):
        expected = [side / 25.4 * 150 for side in page_size(page)]
        with Image.open(png) as image:
            size, info = image.size, image.info
        assert size == pytest.approx(expected, abs=1.5)
        assert info["dpi"] == pytest.approx((150, 150), abs=0.02)  # PNG holds whole pixels a metre
    first = [p.read_bytes() for p in pngs]
    assert [p.read_bytes() for p in write_proof_pngs(path, tmp_path)] == first
    assert first[0] != first[1]
