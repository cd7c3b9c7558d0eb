"""A print negative as files: size by independent libraries, orientation by simulated contact."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest
import tifffile
from PIL import Image, ImageDraw, ImageFont

from platebench.core.formats import format_named
from platebench.printing.make_negative import (
    NO_HUE,
    NOT_CALIBRATED,
    NegativeOrder,
    NegativeSource,
    make_negative,
    plan_sheet,
    small_sheet,
    write_sheet,
)
from platebench.printing.negative_layout import FOOT, HEAD, SIDE, contact_words
from platebench.printing.negative_tone import LONG_SIDE, table_from_positive
from platebench.printing.process import response_of
from platebench.write.page_pen import REGULAR, font_file

from .test_negative_tone import LUMINANCE, MEASURED, lightness, process

MM = 25.4 / 72  # a PDF unit is 1/72 inch: ISO 32000-1, 8.3.2.3
MEASURED_PROCESS = process(MEASURED)


def plate(shape=(250, 200), ppi: float | None = 50.0, known=MEASURED_PROCESS) -> NegativeSource:
    """A plate no turn or mirror of which is like it: a bright disc upper left, a ramp across."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    picture = 9000 + 30000 * columns / shape[1] + 9000 * rows / shape[0]
    disc = (rows - 0.2 * shape[0]) ** 2 + (columns - 0.25 * shape[1]) ** 2
    picture[disc < (0.12 * shape[1]) ** 2] = 64000
    return NegativeSource(
        plate_id="Plate 7",
        path=Path("plate-7.tif"),
        codes=np.rint(picture).astype(np.uint16),
        table=table_from_positive(LUMINANCE, response_of(known)),
        ppi=ppi,
    )


def made(folder, source=None, known=MEASURED_PROCESS, **asked):
    order = NegativeOrder(**({"ppi": 180.0} | asked))
    return make_negative(source or plate(known=known), known, order, folder)


def contact_print(file: np.ndarray, side_down: str) -> np.ndarray:
    """Lay the film on the paper, expose, and look at the print from its sensitised side.

    The printer prints on the film's ink side; looking at that side shows the file as it is. With
    the ink side down, whoever looks from the lamp sees it through the base, left for right; the
    paper, seen from the lamp too, takes up each point where it lies. Much light prints dark.
    """
    from_the_lamp = file[:, ::-1] if side_down == "ink" else file
    return MEASURED.density_of(1 - from_the_lamp / 65535)


def picture_part(sheet: np.ndarray, per_mm: float, shape) -> np.ndarray:
    top, left = round(HEAD * per_mm), round(SIDE * per_mm)
    return sheet[top : top + shape[0], left : left + shape[1]]


def likeness(one: np.ndarray, other: np.ndarray) -> float:
    return float(np.corrcoef(one.ravel(), other.ravel())[0, 1])


@pytest.mark.parametrize("contact", ["ink", "base"])
def test_the_print_reads_right_and_has_the_plates_tones(tmp_path, contact):
    source = plate()
    result = made(tmp_path, source, contact=contact, ppi=50.0)
    print_seen = contact_print(tifffile.imread(result.files[0]), contact)
    picture = picture_part(print_seen, 50 / 25.4, source.codes.shape)
    reflected = 10**-picture
    positive = (source.codes / 65535) ** 2.2
    assert likeness(reflected, positive) > 0.98
    for wrong in (positive[:, ::-1], positive[::-1], positive[::-1, ::-1]):
        assert likeness(reflected, wrong) < 0.8
    # On the wrong side it is laterally reversed.
    other = contact_print(tifffile.imread(result.files[0]), "base" if contact == "ink" else "ink")
    turned = other[:, ::-1]
    assert likeness(10 ** -picture_part(turned, 50 / 25.4, source.codes.shape), positive) > 0.98


def test_every_pixel_of_the_print_has_the_lightness_aimed_at(tmp_path):
    """CIE L* by scikit-image, between the process's black and its paper white, on the file."""
    source = plate()
    file = tifffile.imread(made(tmp_path, source, ppi=50.0).files[0])
    picture = picture_part(contact_print(file, "ink"), 50 / 25.4, source.codes.shape)
    black = float(lightness(10**-MEASURED.d_max))
    wanted = black + (100 - black) * lightness((source.codes / 65535) ** 2.2) / 100
    assert np.abs(lightness(10**-picture) - wanted).max() < 0.1


@pytest.mark.parametrize("margins", ["clear", "opaque"])
@pytest.mark.parametrize("contact", ["ink", "base"])
def test_the_words_read_right_when_the_film_lies_right(tmp_path, contact, margins):
    """The words are set again by Pillow and looked for in the sheet as seen from the lamp."""
    result = made(tmp_path, contact=contact, margins=margins, ppi=300.0, enlarge=0.7)
    file = tifffile.imread(result.files[0])
    seen = file[:, ::-1] if contact == "ink" else file  # from the lamp, as in contact_print
    plain = ImageFont.Layout.BASIC
    face = ImageFont.truetype(str(font_file(REGULAR)), 7 / 72 * 300, layout_engine=plain)
    left, top, right, bottom = map(int, face.getbbox("emulsion", anchor="ls"))
    image = Image.new("L", (right - left, bottom - top))
    ImageDraw.Draw(image).text((-left, -top), "emulsion", font=face, fill=255, anchor="ls")
    words = np.asarray(image) if margins == "opaque" else 255 - np.asarray(image)
    assert "emulsion" in contact_words(contact, 70.0)
    foot = (seen[-round(FOOT * 300 / 25.4) :] >> 8).astype(np.uint8)

    def found(where):
        return float(cv2.matchTemplate(where, words, cv2.TM_CCOEFF_NORMED).max())

    right, wrong = found(foot), found(np.ascontiguousarray(foot[:, ::-1]))
    assert right > 0.9 and wrong < 0.6, (right, wrong)


def ten_inches(folder, **asked):
    """254 mm of picture: 5 x 4 in twice as large."""
    size = format_named("8 x 10 in")
    return made(folder, size=size, **asked)


@pytest.mark.parametrize("ppi", [180.0, 300.0, 333.3])
def test_the_pdf_has_its_exact_size_by_pypdf(tmp_path, ppi):
    result = ten_inches(tmp_path, ppi=ppi)
    page = pypdf.PdfReader(result.files[1]).pages[0]
    width, height = (float(side) * MM for side in (page.mediabox.width, page.mediabox.height))
    assert width == pytest.approx(203.2 + 2 * SIDE, abs=0.2)
    assert height == pytest.approx(254.0 + HEAD + FOOT, abs=0.2)
    assert result.record["picture_mm"] == pytest.approx([203.2, 254.0], abs=0.1)
    placed = []
    page.extract_text(
        visitor_operand_before=lambda operator, _, matrix, __: (
            placed.append(matrix) if operator == b"Do" else None
        )
    )
    ((a, b, c, d, e, f),) = placed
    assert (b, c, e, f) == (0, 0, 0, 0)
    assert (a * MM, d * MM) == pytest.approx((width, height), abs=0.01)


def test_the_pdf_holds_the_tiffs_pixels_16_bits_and_all(tmp_path):
    result = made(tmp_path)
    tiff = tifffile.imread(result.files[0])
    image = pypdf.PdfReader(result.files[1]).pages[0]["/Resources"]["/XObject"]["/Sheet"]
    assert (image["/BitsPerComponent"], image["/ColorSpace"]) == (16, "/DeviceGray")
    held = np.frombuffer(image.get_data(), ">u2").reshape(image["/Height"], image["/Width"])
    assert np.array_equal(held, tiff)


def test_the_ruler_and_the_picture_measure_right_on_the_rendered_page(tmp_path):
    """Drawn by pdfium at 12 pixels a millimetre of page, measured on the pixels."""
    result = ten_inches(tmp_path, ppi=360.0, contact="base")
    per_mm = 12.0
    with pypdfium2.PdfDocument(result.files[1]) as pdf:
        page = np.asarray(pdf[0].render(scale=per_mm * MM, grayscale=True).to_numpy()).squeeze()
    foot = page[round((HEAD + 254 + 7.9 + 2.4) * per_mm)]  # only the ticks of whole centimetres
    dark = np.flatnonzero(foot[: round((SIDE + 205) * per_mm)] < 215)
    starts = dark[np.flatnonzero(np.diff(dark, prepend=-10) > 2)]
    ends = dark[np.flatnonzero(np.diff(dark, append=10**6) > 2)]
    ticks = (starts + ends) / 2 / per_mm
    ticks = ticks[ticks < SIDE + result.record["ruler_mm"] + 0.5]
    assert result.record["ruler_mm"] == 100
    assert ticks[-1] - ticks[0] == pytest.approx(100.0, abs=0.08)
    assert np.diff(ticks) == pytest.approx(np.full(10, 10.0), abs=0.08)
    column = page[:, round((SIDE + 3.0) * per_mm)]
    picture = np.flatnonzero(column[: round((HEAD + 255) * per_mm)] < 250)
    height = (picture[-1] - picture[0] + 1) / per_mm
    assert height == pytest.approx(254.0, abs=0.2)


def test_the_tiff_says_its_size_and_carries_no_profile(tmp_path):
    result = made(tmp_path, ppi=360.0)
    with tifffile.TiffFile(result.files[0]) as tif:
        page = tif.pages[0]
        assert page.dtype == np.uint16 and page.photometric.name == "MINISBLACK"
        numerator, denominator = page.tags["XResolution"].value
        assert numerator / denominator == 360 and page.tags["ResolutionUnit"].value == 2
        assert "InterColorProfile" not in page.tags
        width = page.imagewidth / 360 * 25.4
    assert width == pytest.approx(4 * 25.4 + 2 * SIDE, abs=0.05)


def test_no_posterisation(tmp_path):
    """A picture of all tones uses far more levels than 8 bits or a coarse table would give."""
    ramp = np.linspace(0, 65535, 300 * 400).reshape(300, 400).round().astype(np.uint16)
    source = replace(plate(), codes=ramp, ppi=100.0)
    for times in (1.0, 1.7):
        file = tifffile.imread(made(tmp_path, source, enlarge=times, contact="base").files[0])
        picture = picture_part(file, 180 / 25.4, (round(540 * times), round(720 * times)))
        assert np.unique(picture).size >= 4000


def test_margins_print_black_or_white(tmp_path):
    clear = tifffile.imread(made(tmp_path, margins="clear").files[0])
    opaque = tifffile.imread(made(tmp_path, margins="opaque").files[0])
    assert clear[2, 2] == clear[-2, -2] == 65535
    assert opaque[2, 2] == opaque[-2, -2] == 0


def test_what_is_not_known_is_said(tmp_path):
    notes = made(tmp_path, known=process()).notes
    assert NOT_CALIBRATED in notes and NO_HUE in notes
    assert NOT_CALIBRATED not in made(tmp_path).notes
    assert any("looks soft" in note for note in made(tmp_path).notes)  # 50 pixels per inch


def test_the_same_twice_is_the_same_bytes(tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    one, two = (made(tmp_path / name) for name in ("one", "two"))
    for first, second in zip(one.files, two.files, strict=True):
        assert first.read_bytes() == second.read_bytes()
    assert one.record == two.record


@pytest.mark.big
def test_the_proof_shows_paper_around_a_print_of_the_expected_tones(tmp_path):
    """Paper, black and a middle tone against CIE L*a*b* of the profile, by scikit-image."""
    from skimage.color import rgb2lab

    source = replace(plate(), codes=np.repeat([[0, 65535]], 60, 0).repeat(40, 1).astype(np.uint16))
    result = made(tmp_path, source, size=format_named("45 x 60 mm"))
    image = np.asarray(Image.open(result.files[2]).convert("RGB"))
    linear = (image / 255.0) ** 2.2
    srgb = np.where(linear > 0.0031308, 1.055 * linear ** (1 / 2.4) - 0.055, 12.92 * linear)
    lab = rgb2lab(srgb, illuminant="D65")
    look = MEASURED_PROCESS.look
    black = look.lab_of(MEASURED.d_max)
    edge, per_mm = film_in(image, result)
    middle = edge + round((HEAD + 40.0) * per_mm)
    left, right = (edge + round((SIDE + across) * per_mm) for across in (11.0, 34.0))
    assert lab[1, 1] == pytest.approx(look.paper_white, abs=1.0)
    assert lab[middle, left] == pytest.approx(black, abs=1.5)
    assert lab[middle, right] == pytest.approx(look.paper_white, abs=1.0)
    for corner in ((edge + 12, edge + 12), (-edge - 13, -edge - 13)):
        assert lab[corner] == pytest.approx(black, abs=1.5)  # clear film, to its edge


def film_in(image: np.ndarray, result) -> tuple[int, float]:
    """Return where the film begins in a proof, and the proof's pixels a millimetre of film."""
    width, height = result.record["film_mm"]
    tall, wide = image.shape[:2]
    per_mm = (tall - wide) / (height - width)  # the paper around it is as wide on all sides
    return round((wide - width * per_mm) / 2), per_mm


def test_the_proof_has_paper_white_margins_where_the_films_are_opaque(tmp_path):
    result = made(tmp_path, margins="opaque")
    image = np.asarray(Image.open(result.files[2]).convert("L"))
    edge, per_mm = film_in(image, result)
    paper = int(image[1, 1])
    assert abs(int(image[edge + 3, edge + 3]) - paper) <= 2
    foot = image[-edge - round((FOOT - 1) * per_mm) : -edge, edge:-edge]
    assert foot.min() < paper / 2 and np.median(foot) > paper - 3  # wedge, ruler and words on it


@pytest.mark.parametrize("contact", ["ink", "base"])
def test_the_proof_reads_right_whichever_side_touches(tmp_path, contact):
    source = plate()
    result = made(tmp_path, source, contact=contact)
    image = np.asarray(Image.open(result.files[2]).convert("L"))
    edge, per_mm = film_in(image, result)
    width, height = result.record["picture_mm"]
    top, left = (edge + round(side * per_mm) for side in (HEAD, SIDE))
    shown = image[top : top + round(height * per_mm), left : left + round(width * per_mm)]
    small = cv2.resize(shown, source.codes.shape[::-1], interpolation=cv2.INTER_AREA)
    assert likeness(small, source.codes) > 0.97
    assert likeness(small[:, ::-1], source.codes) < 0.8


@pytest.mark.parametrize("size", ["20 x 4900 mm", "1500 x 1500 mm"])
def test_the_proof_of_the_largest_film_stays_as_small(tmp_path, size):
    source = plate(shape=(20, 4900) if "4900" in size else (50, 60))
    order = NegativeOrder(ppi=20.0, size=format_named(size))
    seen = small_sheet(plan_sheet(source, MEASURED_PROCESS, order), source)
    assert max(seen.shape) == pytest.approx(LONG_SIDE, abs=1)


def peak_of_writing(folder: Path, rows: int) -> int:
    """Return the most memory that writing a sheet takes at a time, the plate's picture apart."""
    source = plate(shape=(rows, 300), ppi=100.0)
    order = NegativeOrder(ppi=200.0)
    planned = plan_sheet(source, MEASURED_PROCESS, order)
    tracemalloc.start()
    try:
        write_sheet(folder / f"{rows}.tif", planned, source, order)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_does_not_grow_with_the_sheet(tmp_path):
    """Four times the film, and four times the picture: bands are what is held."""
    small, large = (peak_of_writing(tmp_path, rows) for rows in (600, 2400))
    assert large < 1.25 * small
    assert large < (tmp_path / "2400.tif").stat().st_size / 2


def test_the_pdf_opens_without_repair(tmp_path):
    """In pypdf's strict mode every offset and length must be right."""
    reader = pypdf.PdfReader(made(tmp_path).files[1], strict=True)
    assert len(reader.pages) == 1
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    assert reader.metadata.title == "Plate 7-test-102x127mm"
