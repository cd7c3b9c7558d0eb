"""The ink of print negatives: chosen by a chart, written into the profile, printed in it.

Printers are invented; what their inks hold back, and how much they lay down, the chart never sees.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
import tifffile

from platebench.core.errors import ChartError
from platebench.core.formats import format_named
from platebench.printing.calibrate_process import calibrate_process
from platebench.printing.chart_sheet import write_chart
from platebench.printing.full_sheet import piece_of, write_full_sheets
from platebench.printing.ink_chart import (
    LADDER,
    ChosenInk,
    InkChart,
    choose_process_ink,
    colour_of,
    draw_ink_chart,
    draw_ladder,
    ink_chart,
    load_ink_chart,
    write_ink_chart,
)
from platebench.printing.make_negative import NegativeOrder, NegativeSource, make_negative
from platebench.printing.negative_tone import print_density, table_from_positive
from platebench.printing.process import (
    NegativeInk,
    PrintResponse,
    coloured,
    grey_of,
    response_of,
)
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.step_chart import corrected_chart, load_chart, plain_chart
from platebench.synthetic.printing_process import ColourPrinter, PrintingProcess

from .printed_charts import PPI, Printing, print_chart, print_sheet
from .test_closed_loop import errors_of

YELLOW = PrintingProcess(printer=ColourPrinter(inks=(0.35, 0.5, 3.8, 1.9)))
PRINTERS = {
    "yellow blocks more than black": (YELLOW, "yellow"),
    "black alone blocks most": (
        PrintingProcess(
            printer=ColourPrinter(inks=(0.3, 0.4, 1.1, 3.4), black_from=0.0, replaced=1.0)
        ),
        "black",
    ),
    "magenta and yellow, weak black": (
        PrintingProcess(
            scale=1.0,
            exposure=1.5,
            printer=ColourPrinter(inks=(0.5, 1.7, 1.6, 0.9), black_from=0.5, replaced=0.4),
        ),
        "rose",  # full magenta takes 1 and with half of yellow 1.5; red takes more, for less
    ),
}


@pytest.fixture(autouse=True)
def no_plots(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platebench.printing.calibrate_process._write_plot", lambda *_: ())


def choose(
    folder: Path, process: PrintingProcess, seed: int = 5, chart: InkChart | None = None
) -> ChosenInk:
    assert isinstance(process.printer, ColourPrinter)
    full_black = float(process.printer.ink_laid([1, 1, 1]))
    chart = chart or InkChart(black_ink=max(1.0, full_black))
    sheet = draw_ink_chart(chart, PPI)
    scan = print_sheet(folder / "inks.tif", sheet, sheet.codes(), seed, Printing(process=process))
    folders = process_folders(None, folder)
    return choose_process_ink(scan, "salted-paper", folders, folder / "process", chart)


@pytest.mark.parametrize("name", PRINTERS)
def test_the_ink_that_takes_least_is_chosen_and_holds_the_scale(name: str, tmp_path: Path) -> None:
    process, expected = PRINTERS[name]
    done = choose(tmp_path, process)
    ink = done.process.ink
    assert ink is not None and ink.name == expected
    asked = 1 - np.asarray(ink.colour)
    assert float(process.print_density(asked)) < 0.02  # white, as far as anybody sees
    # And no more than that takes: a tenth less of it no longer holds.
    assert float(process.print_density(0.9 * asked)) > 0.015
    assert load_process("salted-paper", process_folders(None, tmp_path)).ink == ink
    if expected != "black":
        assert isinstance(process.printer, ColourPrinter)
        grey = np.linspace(0, 1, 1001)[:, None] * np.ones(3)
        holds = process.print_density(grey) < 0.02
        black = process.printer.ink_laid(grey[np.argmax(holds)] if holds.any() else np.ones(3))
        assert float(process.printer.ink_laid(asked)) <= 0.75 * float(black)


def test_two_charts_in_the_ink_bring_the_tones_home(tmp_path: Path) -> None:
    done = choose(tmp_path, YELLOW)
    name, folders = "salted-paper", process_folders(None, tmp_path)
    colour = done.process.colour
    for step in range(2):
        process = load_process(name, folders)
        chart = plain_chart(101, name, colour)
        if step:
            chart = corrected_chart(response_of(process), name, colour=colour)
        scan = print_chart(tmp_path / "steps.tif", chart, 60 + step, Printing(process=YELLOW))
        # A first chart in the profile's own ink is known by its number.
        calibrate_process(scan, name, folders, tmp_path / "process", chart=chart if step else None)
    process = load_process(name, folders)
    assert process.calibration is not None and len(process.calibration.prints) == 2
    asked = 1 - np.asarray(colour)
    found = errors_of(
        process.calibration.response,
        lambda ink: np.asarray(YELLOW.print_density(ink[:, None] * asked)),
    )
    assert found.lightness <= 1 and found.lightness_most <= 2


def test_a_chart_in_another_ink_is_refused_and_a_calibration_in_it_forgotten(
    tmp_path: Path,
) -> None:
    name, folders = "salted-paper", process_folders(None, tmp_path)
    plain = print_chart(tmp_path / "plain.tif", plain_chart(), 3)
    calibrate_process(plain, name, folders, tmp_path / "process")
    assert load_process(name, folders).calibration is not None
    choose(tmp_path, YELLOW)
    assert load_process(name, folders).calibration is None
    with pytest.raises(ChartError):
        calibrate_process(plain, name, folders, tmp_path / "process")


def test_a_scan_of_the_wrong_sheet_is_refused(tmp_path: Path) -> None:
    name, folders = "salted-paper", process_folders(None, tmp_path)
    choose(tmp_path, YELLOW)
    with pytest.raises(ChartError):  # read as a step chart, without its .json
        calibrate_process(tmp_path / "inks.tif", name, folders, tmp_path / "process")
    plain = print_chart(tmp_path / "plain.tif", plain_chart(), 3)
    with pytest.raises(ChartError):
        choose_process_ink(plain, name, folders, tmp_path / "process", InkChart())


def test_where_no_ink_holds_the_white_the_nearest_is_taken_with_a_note(tmp_path: Path) -> None:
    weak = PrintingProcess(printer=ColourPrinter(inks=(0.3, 0.3, 1.0, 0.3)))
    done = choose(tmp_path, weak)
    assert all(one.amount is None for one in done.readings)
    assert done.process.ink is not None and done.process.ink.black_taken is None
    lightest = min(min(one.density) for one in done.readings)
    assert min(done.readings[0].density) < lightest + 0.02
    assert len(done.notes) > 1  # beside the scan's gamma


def test_more_of_an_ink_that_prints_darker_again_is_not_used(tmp_path: Path) -> None:
    class Turning(ColourPrinter):
        """From 70 % yellow on its driver lays down less of it."""

        def separated(self, ink):  # type: ignore[no-untyped-def]
            laid = super().separated(ink)
            laid[..., 2] = np.where(laid[..., 2] > 0.7, 1.4 - laid[..., 2], laid[..., 2])
            return laid

    turning = Turning(inks=(0.35, 0.5, 3.8, 1.9))
    done = choose(tmp_path, replace(YELLOW, printer=turning))
    yellow = next(one for one in done.readings if one.name == "yellow")
    assert yellow.turned and (yellow.amount is None or yellow.amount <= 0.7)


def test_nothing_lies_on_the_chart_above_its_limit(tmp_path: Path) -> None:
    chart = ink_chart({"red": 0.8, "black": 0.5})
    files = write_ink_chart(tmp_path, chart, 100)
    assert load_ink_chart(files[2]) == chart
    codes = tifffile.imread(files[0])
    assert codes.dtype == np.uint16 and codes.shape[2] == 3
    blackest = codes.max(2).min()
    assert blackest >= round(65535 * 0.5)
    full_red = np.array(colour_of("red", 0.8)) * 65535
    assert (np.abs(codes - full_red).max(2) <= 1).any()
    assert load_ink_chart(write_chart(tmp_path, None, levels=51, ppi=100)[1][2]) is None


def test_the_ladder_has_every_rung() -> None:
    codes = draw_ladder(150).codes()
    for name in LADDER:
        for percent in (5, 50, 100):
            wanted = np.rint(65535 * np.asarray(colour_of(name, percent / 100)))
            assert (np.abs(codes.astype(float) - wanted).max(2) <= 1).any(), (name, percent)


def test_a_negative_in_an_ink_is_rgb_in_16_bits_and_reads_back_as_ink(tmp_path: Path) -> None:
    ink = NegativeInk(colour=(1.0, 0.55, 0.1), name="orange")
    process = replace(load_process("salted-paper", process_folders(None, None)), ink=ink)
    codes = np.tile(np.linspace(0, 65535, 300).astype(np.uint16), (200, 1))
    light = (np.arange(65536) / 65535) ** 2.2
    source = NegativeSource(
        plate_id="p",
        path=tmp_path / "p.tif",
        codes=codes,
        table=table_from_positive(light, response_of(process)),
        ppi=100,
    )
    order = NegativeOrder(ppi=100)
    grey = make_negative(source, replace(process, ink=None), order, tmp_path).files
    plain = tifffile.imread(grey[0])
    made = make_negative(source, process, order, tmp_path)
    pixels = tifffile.imread(made.files[0])
    assert pixels.dtype == np.uint16 and pixels.shape == (*plain.shape, 3)
    assert (pixels[..., 0] == 65535).all()  # no cyan in orange
    assert np.abs(grey_of(pixels, ink.colour).astype(int) - plain).max() <= 1
    image = pypdf.PdfReader(made.files[1]).pages[0]["/Resources"]["/XObject"]["/Sheet"]
    assert image["/ColorSpace"] == "/DeviceRGB" and image["/BitsPerComponent"] == 16
    stored = np.frombuffer(image.get_data(), ">u2").reshape(pixels.shape)
    np.testing.assert_array_equal(stored, pixels)
    assert made.record["ink_colour"] == list(ink.colour)
    film = format_named("A4") or format_named("210x297 mm")
    assert film is not None
    sheets = write_full_sheets(
        tmp_path,
        [piece_of("p", made.files[0])],
        film=film,
        ppi=100,
        margins="opaque",
        stem="s",
        colour=ink.colour,
    )
    laid = tifffile.imread(sheets[0].files[0])
    assert laid.shape[2] == 3
    np.testing.assert_allclose(laid[0, 0], np.array(ink.colour) * 65535, atol=1)


def test_the_last_tones_do_not_jump_to_full_ink() -> None:
    # A film that holds back far more than the paper's scale: the print is white from 0.7 ink on.
    ink = np.linspace(0, 1, 101)
    paper = PrintingProcess()
    printed = paper.density_at(paper.exposure - 4.0 * ink)
    response = PrintResponse(
        ink=tuple(ink.tolist()),
        density=tuple(np.minimum.accumulate(printed).tolist()),
        calibrated=True,
    )
    tones = np.linspace(60, 100, 401)
    inks = response.ink_for(print_density(tones, response))
    steps = np.diff(inks)
    assert (steps >= 0).all()
    assert inks[-1] < 0.8  # before: 1.0, of which 0.3 over the last half L*
    assert steps.max() < 0.02  # for a tenth of an L*
    np.testing.assert_allclose(
        response.density_of(inks), print_density(tones, response), atol=0.0031
    )


def test_colours_of_ink_are_monotone_and_come_back() -> None:
    codes = np.arange(65536, dtype=np.uint16)
    for colour in ((1.0, 1.0, 0.0), (0.3, 0.9, 0.5), (0.4, 0.4, 0.4)):
        pixels = coloured(codes, colour)
        assert (np.diff(pixels.astype(int), axis=0) >= 0).all()
        least = 1 - min(colour)
        assert np.abs(grey_of(pixels, colour).astype(int) - codes).max() <= 0.5 / least + 1


def test_a_profiles_ink_that_is_no_colour_is_refused(tmp_path: Path) -> None:
    from platebench.core.errors import SettingsError

    own = tmp_path / "process"
    own.mkdir()
    for colour in ("[1, 1]", "[1, 1, 1]", "[2, 0, 0]", '"yellow"'):
        (own / "salted-paper.toml").write_text(f"[ink]\ncolour = {colour}\n", encoding="utf-8")
        with pytest.raises(SettingsError):
            load_process("salted-paper", process_folders(None, tmp_path))


def test_a_step_chart_in_an_ink_keeps_its_colour(tmp_path: Path) -> None:
    ink = NegativeInk(colour=(1.0, 1.0, 0.25))
    process = replace(load_process("salted-paper", process_folders(None, None)), ink=ink)
    chart, files = write_chart(tmp_path, process, levels=51, ppi=100)
    assert load_chart(files[2]) == chart and chart.colour == ink.colour
    assert tifffile.imread(files[0])[..., 2].min() == round(65535 * 0.25)
    assert json.loads(files[2].read_text(encoding="utf-8"))["colour"] == [1.0, 1.0, 0.25]
