"""A wrong gamma of a scan is noticed by a patch that is known, and bounded where none is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from platebench.core.errors import ChartError
from platebench.printing.calibrate_process import calibrate_process
from platebench.printing.exposure_strip import read_strip
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.read_chart import read_chart
from platebench.printing.scan_gamma import DEEPEST, KnownPatch, against_known, gamma_notes
from platebench.printing.step_chart import patch_name, plain_chart
from platebench.synthetic.printing_process import PrintFaults, PrintingProcess, ScanModel
from platebench.write.colour import gray_gamma22_profile

from .printed_charts import Printing, print_chart, print_strip, refused

FOLDERS = process_folders(None, None)
PROCESS = PrintingProcess()
BLACK = float(PROCESS.print_density([0.0])[0])  # the simulator's own
EVEN = replace(PrintFaults(), specks=0, exposure_drift=0, depth_drift=0)


@pytest.fixture(scope="module")
def prints(tmp_path_factory: pytest.TempPathFactory) -> dict[float, Path]:
    """One print, scanned by each of three gammas; the files do not say which."""
    folder = tmp_path_factory.mktemp("scans")
    return {
        gamma: print_chart(
            folder / f"{gamma}.tif",
            plain_chart(51),
            5,
            Printing(process=PROCESS, faults=EVEN, scan=ScanModel(gamma=gamma)),
        )
        for gamma in (1.0, 1.8, 2.2)
    }


def as_measured(scan: Path, gamma: float) -> list[KnownPatch]:
    """Patches of middle tones as a densitometer sees them: by the scan's own gamma."""
    patches = read_chart(scan, gamma=gamma).patches
    places = np.argwhere((patches > 0.5) & (patches < 1.2))[::40]
    return [KnownPatch(name=patch_name(r, c), density=float(patches[r, c])) for r, c in places]


@pytest.mark.big
@pytest.mark.parametrize("coded", [1.0, 1.8, 2.2])
@pytest.mark.parametrize("read", [1.0, 1.8, 2.2])
def test_a_known_patch_refuses_every_wrong_gamma_and_no_right_one(
    coded: float, read: float, prints: dict[float, Path]
) -> None:
    patch, *_ = as_measured(prints[coded], coded)
    assert patch.tells()
    if coded == read:
        read_chart(prints[coded], gamma=read, known=patch)
        return
    said = refused(lambda: read_chart(prints[coded], gamma=read, known=patch))
    fits = float(said.partition("; gamma ")[2].split()[0])
    assert fits == pytest.approx(coded, abs=0.01)


def test_a_deep_black_cannot_tell_the_usual_gammas_apart_and_says_so(tmp_path: Path) -> None:
    # By hand, 1 % of flare: -log10((10 ** -2.05 + 0.01) / 1.01) = 1.73; 2.05 * 1.8 / 2.2 = 1.68.
    deep = KnownPatch(name="A1", density=2.05)
    assert deep.agrees(1.73) and not deep.tells()
    (said,) = against_known(tmp_path / "a.tif", 1.9, 2.2, deep)
    assert "tell" in said


def test_a_wrong_gamma_multiplies_all_densities_alike(prints: dict[float, Path]) -> None:
    """Why nothing within a print can show it: (L ** k) ** (1 / k), by definition of density."""
    right, wrong = (read_chart(prints[1.8], gamma=gamma) for gamma in (1.8, 2.2))
    times = np.array(wrong.printed.density) / np.maximum(right.printed.density, 1e-9)
    dark = np.array(right.printed.density) > 0.2
    assert times[dark] == pytest.approx(2.2 / 1.8, abs=0.02)


def test_without_a_known_patch_gross_errors_are_doubted_and_the_cost_is_said(
    prints: dict[float, Path],
) -> None:
    citrate = load_process("cyanotype-citrate", FOLDERS)  # prints about 1.3 D
    for coded, read, doubts in ((1.0, 2.2, 1), (2.2, 1.0, 1), (2.2, 2.2, 0)):
        black = read_chart(prints[coded], gamma=read).printed.density[0]
        notes = gamma_notes(black, read, process=citrate)
        assert len(notes) == 1 + doubts  # the cost of what was assumed is always said
    said = " ".join(read_chart(prints[2.2], gamma=2.2).notes)
    assert f"{BLACK * 1.8 / 2.2:.1f}" in said  # what it would be by the other usual gamma


def test_deeper_than_paper_goes_is_doubted_whatever_the_process() -> None:
    assert len(gamma_notes(DEEPEST + 0.1, None)) == 1
    assert gamma_notes(DEEPEST - 0.1, None) == ()


def test_a_file_that_says_how_it_is_coded_is_held_to_a_known_patch_too(tmp_path: Path) -> None:
    path, known = tmp_path / "a.tif", KnownPatch(name="C7", density=0.7)
    said = refused(lambda: against_known(path, 0.95, 2.2, known))
    assert "gamma 1.62" in said  # 2.2 * 0.70 / 0.95
    with pytest.raises(ChartError) as caught:
        against_known(path, 0.95, None, known)
    assert "gamma" not in str(caught.value)
    assert against_known(path, 0.71, None, known) == ()


def test_a_strip_says_what_was_assumed_and_is_held_to_a_known_step(tmp_path: Path) -> None:
    path = print_strip(tmp_path / "strip.tif", -1.0, PrintingProcess(shoulder=8), steps=21, seed=5)
    found = read_strip(path, 8.0)
    assert any("gamma 2.2" in note for note in found.notes)
    step = next(n for n, density in enumerate(found.density, 1) if density > 0.5)
    density = found.density[step - 1]
    read_strip(path, 8.0, known=KnownPatch(name=str(step), density=density))
    wrong = KnownPatch(name=str(step), density=density * 1.8 / 2.2)
    refused(lambda: read_strip(path, 8.0, known=wrong))
    refused(lambda: read_strip(path, 8.0, known=KnownPatch(name="22", density=0.7)))


def test_patches_that_are_not_there(prints: dict[float, Path]) -> None:
    refused(lambda: read_chart(prints[2.2], known=KnownPatch(name="Z99", density=0.7)))


def test_a_second_print_read_with_another_gamma_than_the_first_is_said_to_be(
    tmp_path: Path, prints: dict[float, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platebench.printing.calibrate_process._write_plot", lambda *_: ())
    folders = process_folders(None, tmp_path)
    into = tmp_path / "process"
    calibrate_process(prints[1.8], "albumen", folders, into, gamma=1.8)
    wrong = calibrate_process(prints[2.2], "albumen", folders, into, gamma=1.8)
    assert any("another gamma" in note for note in wrong.notes)
    alike = print_chart(
        tmp_path / "again.tif", plain_chart(51), 6, Printing(process=PROCESS, faults=EVEN)
    )
    calibrate_process(prints[2.2], "gum", folders, into, gamma=2.2)
    right = calibrate_process(alike, "gum", folders, into, gamma=2.2)
    assert not any("another gamma" in note for note in right.notes)


def test_an_embedded_coding_is_not_called_assumed(
    tmp_path: Path, prints: dict[float, Path]
) -> None:
    codes = tifffile.imread(prints[2.2])
    path = tmp_path / "profiled.tif"
    tifffile.imwrite(path, codes, iccprofile=gray_gamma22_profile())
    assert not any("assumed" in note for note in read_chart(path, gamma=1.0).notes)
