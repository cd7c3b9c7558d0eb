"""Small sessions made by the simulator, for tests of whole sessions."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from platebench.core.image import SensorFrame
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    simulate_blank,
    simulate_dark,
    simulate_plate,
    write_dng,
)

CAMERA = CameraModel(shape=(300, 400))
BOX = LightBox()
NOON = datetime(2026, 3, 1, 12, 0, 0)
EXPOSURE_S = 1 / 16
PLATES: Mapping[str, PlateModel] = {
    "wide": PlateModel(rebate_mm=(3.0, 4.0, 2.0, 5.0)),
    "tall": PlateModel(size_mm=(120.0, 90.0), rebate_mm=(4.0, 2.0, 3.0, 2.0), dust=6),
    "dense": PlateModel(log_exposure=2.2),
}


def put(path: Path, frame: SensorFrame, *, at_s: float | None = 0.0) -> Path:
    """Write a frame as DNG, taken so many seconds after noon."""
    taken = None if at_s is None else NOON + timedelta(seconds=at_s)
    write_dng(path, replace(frame, info=replace(frame.info, taken=taken)))
    return path


def put_plate(path: Path, name: str, *, at_s: float = 0.0, exposure_s: float = EXPOSURE_S) -> Path:
    """Write a capture of one of ``PLATES``."""
    seed = 10 + sorted(PLATES).index(name)
    simulation = simulate_plate(PLATES[name], BOX, CAMERA, exposure_s=exposure_s, seed=seed)
    return put(path, simulation.frame, at_s=at_s)


def write_session(
    folder: Path, *, names: Sequence[str] = tuple(sorted(PLATES)), blank: bool = True
) -> Path:
    """Write plates, a blank and a dark frame, and a session.toml; return the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    put(folder / "blank.dng", simulate_blank(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=1))
    put(folder / "dark.dng", simulate_dark(CAMERA, exposure_s=EXPOSURE_S, seed=2), at_s=300)
    for n, name in enumerate(names, 1):
        put_plate(folder / f"{name}.dng", name, at_s=60.0 * n)
    light = '[light]\nblank = ["blank.dng"]\ndark = ["dark.dng"]\n' if blank else ""
    plates = "".join(f'[[plate]]\nid = "{name}"\ncaptures = ["{name}.dng"]\n' for name in names)
    (folder / "session.toml").write_text(
        f'title = "Test"\n{light}[every_plate]\nformat = "9x12 cm"\n{plates}', encoding="utf-8"
    )
    return folder


def tree(folder: Path, *, but: str = "") -> dict[str, str]:
    """Return the SHA-256 of every file below a folder, by name; ``but`` leaves out a part."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not (but and path.is_relative_to(folder / but))
    }
