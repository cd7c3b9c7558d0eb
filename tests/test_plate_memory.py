"""A worker takes no more memory than it was given room for: workers are counted by it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from platebench.memory import PROGRAM_BYTES
from platebench.session.room import peak_of
from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_plate

from .processes import environment
from .session_files import put

ROWS, COLUMNS = 2600, 3900

# Highest resident memory of a fresh process, in bytes, before and after the work.
MEASURED = """
import re, sys
from dataclasses import replace
from pathlib import Path
from platebench.session.capture_look import look_at
from platebench.session.check_session import check_session
from platebench.session.convert_session import convert_and_record
from platebench.session.session_jobs import plate_jobs
from platebench.session.record import hash_files
from platebench.session.session_file import load_session
from platebench.session.session_light import prepare_light

def peak():
    # Not ru_maxrss, which a child inherits from the process that started it.
    status = Path("/proc/self/status").read_text()
    return int(re.search(r"VmHWM:\\s*(\\d+) kB", status)[1]) * 1024

folder, work = Path(sys.argv[1]), sys.argv[2]
idle = peak()
if work == "look":
    look_at(folder / "p.dng")
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
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, str(session), work],
        capture_output=True,
        encoding="utf-8",
        check=True,
        env=environment(),
    )
    idle, peak = map(int, done.stdout.split())
    pixels = ROWS * COLUMNS
    assert idle < PROGRAM_BYTES
    assert peak < peak_of(work, [session / "p.dng"]).bytes
    assert peak - idle > pixels  # it was measured at all
