"""A worker takes no more memory than it was given room for: workers are counted by it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from platebench.core.memory import PROGRAM_BYTES
from platebench.read.declared_size import declared_size
from platebench.session.room import peak_of
from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_plate

from ..processes import environment
from ..session_files import put

ROWS, COLUMNS = 2600, 3900
SCAN_ROWS = 2 * ROWS  # large beside what the libraries load as they are first used, about 25 MB

# Highest resident memory of a fresh process, in bytes, before and after the work.
MEASURED = """
import re, sys
from dataclasses import replace
from pathlib import Path
from platebench.session.capture_look import look_at
from platebench.session.check_session import check_session
from platebench.session.convert_session import convert_and_record
from platebench.session.jobs import plate_jobs
from platebench.session.record import hash_files
from platebench.session.settings_file import load_session
from platebench.session.jobs import prepare_light

def peak():
    # Not ru_maxrss, which a child inherits from the process that started it.
    status = Path("/proc/self/status").read_text()
    return int(re.search(r"VmHWM:\\s*(\\d+) kB", status)[1]) * 1024

folder, work = Path(sys.argv[1]), sys.argv[2]
idle = peak()
if work == "look":
    look_at(folder if folder.is_file() else folder / "p.dng")
elif work == "check":
    check_session(folder, workers=1)
else:
    settings = load_session(folder)
    plate = replace(settings.plates[0], colour=work)
    settings = replace(settings, plates=(plate,), blank=())
    for name in ("positives", "previews", "plates"):
        (folder / name).mkdir(exist_ok=True)
    digests = hash_files([folder / "p.dng"])
    convert_and_record(plate_jobs(folder, folder, settings, digests)[0])
print(idle, peak())
"""


def _measured(path: Path, work: str) -> tuple[int, int]:
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, str(path), work],
        capture_output=True,
        encoding="utf-8",
        check=True,
        env=environment(),
    )
    idle, peak = map(int, done.stdout.split())
    return idle, peak


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("large")
    camera = CameraModel(shape=(ROWS, COLUMNS))
    simulation = simulate_plate(
        PlateModel(stain=(0.0, 0.05, 0.1)), LightBox(), camera, exposure_s=1 / 16, seed=1
    )
    put(folder / "p.dng", simulation.frame)
    (folder / "session.toml").write_text(
        '[[plate]]\nid = "p"\ncaptures = ["p.dng"]\n', encoding="utf-8"
    )
    return folder


@pytest.mark.big
@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
@pytest.mark.parametrize("work", ["look", "check", "mosaic", "demosaiced"])
def test_peak_memory_is_within_what_workers_are_counted_by(session: Path, work: str) -> None:
    idle, peak = _measured(session, work)
    pixels = ROWS * COLUMNS
    assert idle < PROGRAM_BYTES
    assert peak < peak_of(work, [session / "p.dng"]).bytes
    assert peak - idle > pixels  # it was measured at all


def _write_scan(path: Path, kind: str) -> None:
    rng = np.random.default_rng(77)
    grey = np.clip(rng.normal(30_000, 900, (SCAN_ROWS, COLUMNS)), 0, 65535).astype(np.uint16)
    rgb = np.dstack([grey, grey // 2, grey])
    if kind.endswith("jpg"):
        shown = (rgb if "colour" in kind else grey) >> 8
        Image.fromarray(shown.astype(np.uint8)).save(
            path, "jpeg", progressive="progressive" in kind
        )
    elif kind.endswith("png"):
        path.write_bytes(imagecodecs.png_encode(rgb if "colour" in kind else grey))
    else:
        options: dict[str, Any] = {
            "plain tif": {},
            "one strip tif": {"compression": "zlib", "predictor": 2, "rowsperstrip": SCAN_ROWS},
            "turned tif": {"extratags": [(274, 3, 1, 6, True)]},
            "jpeg tif": {"compression": "jpeg", "rowsperstrip": SCAN_ROWS},
        }[kind]
        shown = (grey >> 8).astype(np.uint8) if kind == "jpeg tif" else grey
        tifffile.imwrite(path, shown, photometric="minisblack", metadata=None, **options)


@pytest.mark.big
@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
@pytest.mark.parametrize(
    "kind",
    [
        *("plain tif", "one strip tif", "turned tif", "jpeg tif", "png", "colour png"),
        *("jpg", "colour jpg", "progressive colour jpg"),
    ],
)
def test_reading_a_scan_takes_no_more_than_its_header_was_taken_for(
    tmp_path: Path, kind: str
) -> None:
    path = tmp_path / "scan"
    _write_scan(path, kind)
    idle, peak = _measured(path, "look")
    planned = declared_size(path).reading_bytes
    assert 0.4 * planned < peak - idle < 1.1 * planned + 40e6  # the libraries' own
