"""From a plate of a session to its print: calibrated by a simulated print, made by the commands.

The film is what ``print-negative`` writes; the print is what the simulator's noise-free process
makes of it, laid as the margin says. What the print should look like is worked out here: CIE L* of
the positive (CIE 15, by scikit-image), straight from the process's black to its paper white. The
limits are those the work was asked for: 0.03 D RMS, 2 L* RMS, 4 L* at most.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from numpy.typing import NDArray
from skimage.color import rgb2lab

from platebench.cli import main
from platebench.printing.step_chart import plain_chart

from ..session_files import write_session
from .printed_charts import PROCESSES, Printing, print_chart

PPI = 150.0
PER_MM = PPI / 25.4
PROCESS = PROCESSES["long scale, dots that spread"]
Floats = NDArray[np.float64]


def command(*args: str | Path) -> str:
    result = CliRunner().invoke(main, [str(arg) for arg in args])
    assert result.exit_code == 0, result.output
    return result.stdout


def lightness(reflectance: Floats) -> Floats:
    """CIE L* of reflectance relative to the paper."""
    coded = np.where(
        reflectance > 0.0031308, 1.055 * reflectance ** (1 / 2.4) - 0.055, 12.92 * reflectance
    )
    lab = rgb2lab(np.repeat(coded.reshape(1, -1, 1), 3, axis=2))
    return np.asarray(lab[..., 0].reshape(reflectance.shape))


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A converted session whose salted paper was calibrated by a print of the step chart."""
    folder = write_session(tmp_path_factory.mktemp("loop") / "shelf", names=("tall",))
    command("convert", folder, "--jobs", "1")
    chart = plain_chart()
    scan = print_chart(folder.parent / "print.tif", chart, 11, Printing(process=PROCESS))
    with pytest.MonkeyPatch.context() as patch:  # plots take longer than all the rest
        patch.setattr("platebench.printing.calibrate_process._write_plot", lambda *_: ())
        command("calibrate-process", scan, "--process", "salted-paper", "--session", folder)
    return folder


def printed_picture(
    session: Path, contact: str, name: str = "tall", process: str = "salted-paper"
) -> tuple[dict[str, Any], Floats]:
    """The print of a plate, seen from its sensitised side, cut to the picture."""
    words = ("print-negative", session, name, "--process", process, "--contact", contact)
    [made] = json.loads(command(*words, "--ppi", f"{PPI:g}", "--json"))["plates"]
    film = tifffile.imread(made["files"][0])
    from_the_lamp = film[:, ::-1] if contact == "ink" else film
    top = left = round(6 * PER_MM)
    width, height = made["picture_px"]
    picture = from_the_lamp[top : top + height, left : left + width]
    return made, PROCESS.print_density(1 - picture / 65535.0)


def small(picture: Floats) -> Floats:
    """Means of about 2 x 2 mm, away from the edges: tones, not grain."""
    reduced = cv2.resize(picture, (40, 54), interpolation=cv2.INTER_AREA)
    return np.asarray(reduced[3:-3, 3:-3])


def even(picture: Floats) -> NDArray[np.bool_]:
    """Where a mean is a tone: codes there spread by less than 2 % of the scale."""
    spread = np.sqrt(np.maximum(small(picture**2) - small(picture) ** 2, 0))
    return np.asarray(spread < 0.02 * 65535)


def errors(session: Path, contact: str, process: str) -> tuple[float, float, float]:
    """Of the print against what it should look like: D RMS, L* RMS, L* at most."""
    made, printed = printed_picture(session, contact, process=process)
    codes = tifffile.imread(session / "converted" / "positives" / "tall.tif").astype(np.float64)
    tones = even(codes)
    positive = lightness((small(codes)[tones] / 65535) ** 2.2)
    black, white = (
        float(lightness(np.array([10 ** -made[end]]))[0]) for end in ("print_d_max", "print_d_min")
    )
    wanted = black + (white - black) * positive / 100
    assert tones.sum() > 200 and np.ptp(wanted) > 40
    luminance = np.where(wanted > 8, ((wanted + 16) / 116) ** 3, wanted / 903.3)  # CIE 15
    density = small(printed)[tones]
    off, off_lightness = density + np.log10(luminance), lightness(10**-density) - wanted
    return (
        float(np.sqrt(np.mean(off**2))),
        float(np.sqrt(np.mean(off_lightness**2))),
        float(np.abs(off_lightness).max()),
    )


@pytest.mark.parametrize("contact", ["ink", "base"])
def test_the_print_has_the_positives_tones(session: Path, contact: str) -> None:
    density, mean, most = errors(session, contact, "salted-paper")
    assert density <= 0.03 and mean <= 2.0 and most <= 4.0


def test_without_the_calibration_it_has_not(session: Path) -> None:
    """The test above could pass on nothing."""
    density, mean, _ = errors(session, "ink", "kallitype")
    assert density > 0.1 and mean > 4


@pytest.mark.parametrize("emulsion", ["camera", "light"])
def test_whichever_side_faced_the_camera_the_print_reads_right(
    session: Path, tmp_path: Path, emulsion: str
) -> None:
    """A negative reads right through its glass, and reversed from its emulsion.

    So the print lies as the capture does where the emulsion faced the light, and is turned over
    where it faced the camera. A positive named as a file is printed as it lies.
    """
    folder = Path(shutil.copytree(session, tmp_path / "shelf"))
    settings = (folder / "session.toml").read_text(encoding="utf-8")
    settings = settings.replace("[every_plate]", f'[every_plate]\nemulsion = "{emulsion}"')
    (folder / "session.toml").write_text(settings, encoding="utf-8")
    command("convert", folder, "--jobs", "1")
    record = json.loads(
        (folder / "converted" / "plates" / "tall.json").read_text(encoding="utf-8")
    )["result"]
    rows, columns = np.array(record["corners"]).T
    capture = tifffile.imread(folder / "tall.dng").astype(np.float64)
    inside = capture[
        round(rows.min()) : round(rows.max()), round(columns.min()) : round(columns.max())
    ]
    if emulsion == "camera":
        inside = inside[:, ::-1]
    seen = small(inside)  # light through the negative
    for name in ("tall", str(folder / "converted" / "positives" / "tall.tif")):
        for contact in ("ink", "base"):
            made, printed = printed_picture(folder, contact, name)
            assert made["mirrored"] is (contact == "ink")
            likeness = [
                float(np.corrcoef(small(turned).ravel(), seen.ravel())[0, 1])
                for turned in (printed, printed[:, ::-1], printed[::-1], printed[::-1, ::-1])
            ]
            assert likeness[0] > 0.85 and likeness[0] > max(likeness[1:]) + 0.2, likeness
