"""Captures that tell the glare: recognised by their pixels, listed, used from start to record."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.image import SensorFrame
from platebench.core.settings import SessionSettings
from platebench.measure.checks.verdict import Severity
from platebench.session.check_session import check_session
from platebench.session.convert_session import convert_session
from platebench.session.draft_file import write_draft
from platebench.session.drafting import draft_session
from platebench.session.settings_file import load_session
from platebench.synthetic import (
    SIX_LAWS,
    CameraModel,
    LightBox,
    PlateModel,
    StepTablet,
    photograph,
    simulate_blank,
    simulate_box_off,
    simulate_card,
    simulate_dark,
    simulate_plate,
)

from ..session_files import put

CAMERA = CameraModel(shape=(304, 448))
EXPOSURE_S = 1 / 16
LONG_S = 64 * EXPOSURE_S


def drafted(folder: Path, frames: dict[str, SensorFrame]) -> SessionSettings:
    """Return what start makes of captures."""
    folder.mkdir(exist_ok=True)
    for name, frame in frames.items():
        put(folder / f"{name}.dng", frame)
    return draft_session(folder, workers=1).settings


def plates(settings: SessionSettings) -> list[str]:
    return [name.removesuffix(".dng") for plate in settings.plates for name in plate.captures]


@pytest.mark.parametrize("law", SIX_LAWS)
def test_start_tells_card_and_box_off_from_plates_and_darks(tmp_path: Path, law: str) -> None:
    box = LightBox(stray=replace(SIX_LAWS[law], total=0.006), uneven=0.2, vignette=0.3)
    small = StepTablet(densities=(0.3, 2.6), grid=(1, 2), size_mm=(60.0, 90.0))
    found = drafted(
        tmp_path,
        {
            "blank": simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=1),
            "dark": simulate_dark(CAMERA, exposure_s=EXPOSURE_S, seed=2),
            "long-dark": simulate_dark(CAMERA, exposure_s=8 * EXPOSURE_S, seed=3),
            "card": simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=4),
            "card-aside": simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=8, aside=0.1),
            "card-small": simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=9, height=0.4),
            "off": simulate_box_off(box, CAMERA, exposure_s=LONG_S, seed=5),
            "plate": simulate_plate(PlateModel(), box, CAMERA, exposure_s=EXPOSURE_S, seed=6).frame,
            "tablet": simulate_plate(
                PlateModel(target=small), box, CAMERA, exposure_s=EXPOSURE_S, seed=7
            ).frame,
        },
    )
    assert found.blank == ("blank.dng",) and found.dark == ("dark.dng", "long-dark.dng")
    assert found.card == ("card-aside.dng", "card-small.dng", "card.dng")
    assert found.box_off == ("off.dng",)
    assert found.card_over == () and plates(found) == ["plate", "tablet"]


def test_a_card_over_the_box_is_no_dark_frame(tmp_path: Path) -> None:
    """A single black card passes 0.001 of the light: a dark level made of it would be wrong."""
    box = LightBox(stray=replace(SIX_LAWS["outside"], room=0.0005))
    over = simulate_card(box, CAMERA, exposure_s=LONG_S, seed=4, height=None, density=3.0)
    short = simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=8, height=None, density=3.0)
    found = drafted(
        tmp_path,
        {
            "blank": simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=1),
            "dark": simulate_dark(CAMERA, exposure_s=EXPOSURE_S, seed=2),
            "off": simulate_box_off(box, CAMERA, exposure_s=LONG_S, seed=5),
            "over": over,
            "over-short": short,
        },
    )
    assert sorted(found.card_over) == ["over-short.dng", "over.dng"]
    assert found.box_off == ("off.dng",)
    assert found.dark == ("dark.dng",) and not found.plates


def test_plates_are_never_taken_for_a_card(tmp_path: Path) -> None:
    """Dense ones, several in one frame, one in a mask, one with a dense sky."""
    box = LightBox(glare=0.001)
    rng = np.random.default_rng(5)

    def shot(truth: np.ndarray, seed: int) -> SensorFrame:
        return photograph(truth.astype(np.float32), box, CAMERA, exposure_s=EXPOSURE_S, seed=seed)

    bare = np.ones(CAMERA.shape)
    two = bare.copy()
    two[60:240, 30:200] = two[60:240, 240:420] = 10**-2.6
    grey = bare.copy()
    grey[40:264, 80:370] = 10**-1.6
    picture = bare.copy()
    detail = rng.normal(2.3, 0.12, (28, 36))
    picture[40:264, 80:368] = 10.0 ** -np.kron(detail, np.ones((8, 8)))
    rebate = bare.copy()
    rebate[40:264, 80:370] = 10**-0.15
    rebate[55:250, 95:355] = 10**-2.8
    corner = bare.copy()
    corner[:200, :260] = 10**-2.8
    corner[200:, 300:] = 10**-0.5
    scenes = {"two": two, "grey": grey, "picture": picture, "rebate": rebate, "corner": corner}
    frames = {name: shot(truth, 10 + n) for n, (name, truth) in enumerate(scenes.items())}
    masked = replace(box, surround="dark")
    frames["mask"] = simulate_plate(
        PlateModel(), masked, CAMERA, exposure_s=EXPOSURE_S, seed=30
    ).frame
    frames["blank"] = simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=1)
    found = drafted(tmp_path, frames)
    assert found.card == found.box_off == found.card_over == ()
    assert set(plates(found)) == {"corner", "grey", "mask", "picture", "rebate", "two"}


def test_from_start_to_record(tmp_path: Path) -> None:
    """D 2.4 under glare of the scene: as captured, and with the captures that tell it listed."""
    box = LightBox(stray=replace(SIX_LAWS["exponentials"], total=0.006))
    target = StepTablet(densities=(0.3, 1.2, 2.4), grid=(1, 3), size_mm=(60.0, 90.0), surround=0.1)
    plate = PlateModel(target=target, grain_um=0.0)
    shot = simulate_plate(plate, box, CAMERA, exposure_s=EXPOSURE_S, seed=6).frame
    frames = {
        "blank": simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=1),
        "card": simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=4, aside=0.1),
        "small": simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=7, height=0.4),
        "off": simulate_box_off(box, CAMERA, exposure_s=LONG_S, seed=5),
        "plate": shot,
    }
    folder = tmp_path / "session"
    drafted(folder, frames)
    write_draft(folder, draft_session(folder, workers=1))
    settings = load_session(folder)
    assert settings.card == ("card.dng", "small.dng") and settings.box_off == ("off.dng",)
    checks = {entry.name: entry for entry in check_session(folder, workers=1)}
    assert checks["card.dng"].check is not None
    assert checks["card.dng"].check.severity is Severity.GOOD
    [result] = convert_session(folder, workers=1).results
    record = result.record
    assert record.glare.source == "card" and record.glare.taken_off
    assert record.d_max == pytest.approx(2.4, abs=0.1)  # noise of single sites lifts it
    kept = json.loads((folder / "converted/plates/plate-001.json").read_text(encoding="utf-8"))
    assert set(kept["inputs"]) == {f"{name}.dng" for name in frames}
    # Without them nothing is guessed, and the record says how much there may be.
    path = folder / "session.toml"
    text = path.read_text(encoding="utf-8")
    for name in ("card", "small", "off"):
        text = text.replace(f'"{name}.dng",', "")
    path.write_text(text, encoding="utf-8")
    [plain] = convert_session(folder, workers=1).results
    assert plain.record.glare is None and plain.record.d_max < record.d_max - 0.1
    assert 0.002 < plain.record.glare_at_most < 0.012


def test_a_card_that_is_none_is_told_by_check_and_stops_conversion(tmp_path: Path) -> None:
    box = LightBox()
    frames = {
        "blank": simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=1),
        "plate": simulate_plate(PlateModel(), box, CAMERA, exposure_s=EXPOSURE_S, seed=6).frame,
        "other": simulate_plate(PlateModel(), box, CAMERA, exposure_s=EXPOSURE_S, seed=7).frame,
    }
    drafted(tmp_path, frames)
    (tmp_path / "session.toml").write_text(
        '[light]\nblank = ["blank.dng"]\ncard = ["other.dng"]\n'
        '[[plate]]\nid = "p"\ncaptures = ["plate.dng"]\n',
        encoding="utf-8",
    )
    entries = {entry.name: entry for entry in check_session(tmp_path, workers=1)}
    assert entries["other.dng"].error is not None
    assert entries["plate.dng"].check is not None
