"""The exposure scale from a chart whose film was measured in the light that prints."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import ReadingsError
from platebench.printing.calibrate_process import calibrate_process
from platebench.printing.printing_time import scale_through_film
from platebench.printing.process import PrintResponse, Status
from platebench.printing.process_file import load_process, process_folders
from platebench.printing.step_chart import plain_chart
from platebench.synthetic.printing_process import PrintFaults

from .printed_charts import PROCESSES, Printing, print_chart


def table(path: Path, ink: list[float], density: list[float]) -> Path:
    rows = "\n".join(f"{i},{d:.4f}" for i, d in zip(ink, density, strict=True))
    path.write_text(f"ink,density\n{rows}\n", encoding="utf-8")
    return path


def test_the_scale_is_that_of_the_process_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platebench.printing.calibrate_process._write_plot", lambda *_: ())
    process = PROCESSES["hard paper"]
    ink = np.linspace(0, 1, 21)
    film = table(tmp_path / "film.csv", ink.tolist(), process.printer.film_density(ink).tolist())
    even = replace(PrintFaults(), exposure_drift=0, depth_drift=0)
    how = Printing(process=process, faults=even)
    scan = print_chart(tmp_path / "print.tif", plain_chart(), 6, how)
    folders = process_folders(None, tmp_path)
    calibrate_process(scan, "carbon", folders, tmp_path / "process", film=film)
    (scale,) = load_process("carbon", folders).scales
    assert scale.status[1] is Status.TESTED
    # By the simulator's own curve: from 0.04 above white to 0.03 below what clear film prints.
    log_h = np.linspace(-3, 3, 60_001)
    curve = process.density_at(log_h)
    black = float(process.print_density(0.0)) - 0.03
    truth = log_h[np.argmax(curve >= black)] - log_h[np.argmax(curve >= 0.04)]
    assert scale.typical == pytest.approx(truth, abs=0.1)


def test_ink_that_never_shows_the_first_tint_gives_no_scale(tmp_path: Path) -> None:
    film = table(tmp_path / "f.csv", [0, 0.25, 0.5, 0.75, 1], [0, 0.4, 0.8, 1.2, 1.6])
    grey = PrintResponse(ink=(0, 1), density=(1.4, 0.2))
    assert scale_through_film(film, grey) is None
    # A straight response: 0.03 below black at 0.0214 of the ink, 0.04 above white at 0.9714.
    straight = scale_through_film(film, PrintResponse(ink=(0, 1), density=(1.4, 0.0)))
    assert straight is not None
    assert straight.typical == pytest.approx(1.6 * (1 - 0.07 / 1.4), abs=1e-3)


@pytest.mark.parametrize(
    "text",
    ["", "ink\n0\n", "ink,density\n0,x\n", "ink,density\n0,0\n1,2\n",
     "ink,density\n0,0\n0.2,1\n0.4,0.5\n0.6,1\n1,2\n",
     "ink,density\n0,0\n.2,1\n.3,1\n.4,1\n.9,2\n"],
)  # fmt: skip
def test_other_tables_are_refused(text: str, tmp_path: Path) -> None:
    (tmp_path / "f.csv").write_text(text, encoding="utf-8")
    with pytest.raises(ReadingsError, match="ink,density"):
        scale_through_film(tmp_path / "f.csv", PrintResponse(ink=(0, 1), density=(1.4, 0.0)))
