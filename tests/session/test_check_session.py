"""A session's check against its conversion: one figure for glare, each file read once."""

from __future__ import annotations

import weakref
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from platebench.core.image import SensorFrame
from platebench.core.settings import ScanSettings
from platebench.measure.checks import Severity
from platebench.plate.calibration import Calibration
from platebench.plate.set_up import set_up_of
from platebench.read.capture import read_capture
from platebench.session import check_session as checking
from platebench.session import jobs as session_light
from platebench.session.check_session import check_session
from platebench.session.convert_session import convert_session
from platebench.session.jobs import blank_digests
from platebench.session.settings_file import load_session
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    simulate_blank,
    simulate_box_off,
    simulate_card,
    simulate_dark,
    simulate_plate,
)

from ..session_files import EXPOSURE_S, put

CAMERA = CameraModel(shape=(400, 560))
PLATE = PlateModel(log_exposure=2.2)
GLARE = 0.006


def write(
    folder: Path, plates: dict[str, tuple[LightBox, tuple[float, ...]]], glare: float = 0.0
) -> Path:
    """Write a session: of each plate the light box and the times of its exposures."""
    text = '[light]\nblank = ["b0.dng", "b1.dng", "b2.dng"]\n'
    text += 'dark = ["d0.dng", "d1.dng", "d2.dng"]\n'
    if glare:
        text += 'card = ["card.dng"]\nbox_off = ["off.dng"]\n'
        box, long_s = LightBox(glare=glare), 64 * EXPOSURE_S
        put(folder / "card.dng", simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=8))
        put(folder / "off.dng", simulate_box_off(box, CAMERA, exposure_s=long_s, seed=9))
    for n in range(3):
        blank = simulate_blank(LightBox(), CAMERA, exposure_s=EXPOSURE_S, seed=n)
        put(folder / f"b{n}.dng", blank)
        put(folder / f"d{n}.dng", simulate_dark(CAMERA, exposure_s=EXPOSURE_S, seed=10 + n))
    for name, (box, times) in plates.items():
        files = [f"{name}{n}.dng" for n in range(len(times))]
        for n, (file, time_s) in enumerate(zip(files, times, strict=True)):
            shot = simulate_plate(PLATE, box, CAMERA, exposure_s=time_s, seed=20 + n)
            put(folder / file, shot.frame)
        text += f'[[plate]]\nid = "{name}"\ncaptures = {files}\n'.replace("'", '"')
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


def test_check_and_convert_state_one_glare(tmp_path: Path) -> None:
    masked = LightBox(surround="dark", glare=GLARE)
    write(
        tmp_path,
        {"masked": (masked, (EXPOSURE_S,)), "bare": (LightBox(glare=GLARE), (EXPOSURE_S,))},
        GLARE,
    )
    info = read_capture(tmp_path / "bare0.dng").info
    set_up = set_up_of(info, blank_digests(tmp_path, load_session(tmp_path)))
    known = Calibration(callier=1.1, callier_sigma=0.003, set_up=set_up)
    known.save(tmp_path / "calibration.json")
    checks = {c.plate_id: c.check for c in check_session(tmp_path, workers=1) if c.plate_id}
    records = {r.plate_id: r.record for r in convert_session(tmp_path, workers=1).results}
    for plate in ("masked", "bare"):
        check = checks[plate]
        assert check is not None and check.figures.glare is not None
        assert round(check.figures.glare.share, 5) == records[plate].glare.share
        assert any(
            f"glare is {100 * check.figures.glare.share:.2f} %" in v.text for v in check.verdicts
        )
        [verdict] = [v for v in check.verdicts if v.topic == "calibration"]
        assert verdict.severity is Severity.GOOD
    # The simulator's own glare, the card's light (D 3.5) taken off.
    assert records["masked"].glare.share == pytest.approx(GLARE, rel=0.05)
    assert records["masked"].glare.source == "card and black mask"
    assert records["bare"].glare.share == pytest.approx(GLARE, rel=0.05)
    assert records["bare"].glare.source == "card"


def test_check_warns_of_a_calibration_made_with_another_set_up(tmp_path: Path) -> None:
    write(tmp_path, {"bare": (LightBox(), (EXPOSURE_S,))})
    info = read_capture(tmp_path / "bare0.dng").info
    known = Calibration(callier=1.1, callier_sigma=0, set_up=set_up_of(info, ()))
    known.save(tmp_path / "calibration.json")
    [checked] = [c for c in check_session(tmp_path, workers=1) if c.plate_id]
    assert checked.check is not None
    [verdict] = [v for v in checked.check.verdicts if v.topic == "calibration"]
    assert verdict.severity is Severity.WARN
    assert "calibration" in verdict.text
    assert "calibrate again" in verdict.remedy


@pytest.mark.parametrize("glare", ["removed", "kept"])
def test_glare_that_is_kept_is_still_told(tmp_path: Path, glare: str) -> None:
    write(tmp_path, {"masked": (LightBox(surround="dark", glare=GLARE), (EXPOSURE_S,))}, GLARE)
    path = tmp_path / "session.toml"
    path.write_text(path.read_text(encoding="utf-8") + f'glare = "{glare}"\n', encoding="utf-8")
    [checked] = [c for c in check_session(tmp_path, workers=1) if c.plate_id]
    assert checked.check is not None and checked.check.figures.glare is not None
    assert checked.check.figures.glare.share == pytest.approx(GLARE, rel=0.05)
    [result] = convert_session(tmp_path, workers=1).results
    assert result.record.glare.taken_off == (glare == "removed")


def test_check_reads_every_file_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bracket = (EXPOSURE_S / 4, EXPOSURE_S, 4 * EXPOSURE_S)
    write(tmp_path, {"one": (LightBox(), (EXPOSURE_S,)), "three": (LightBox(), bracket)})
    reads: Counter[str] = Counter()

    def counted(path: Path, scan: ScanSettings) -> SensorFrame:
        reads[path.name] += 1
        return read_capture(path, scan)

    for module in (checking, session_light):
        monkeypatch.setattr(module, "read_capture", counted)
    monkeypatch.setattr("platebench.plate.exposures.read_capture", counted)
    checked = check_session(tmp_path, workers=1)
    assert len(checked) == 10 and not any(c.error for c in checked)
    assert reads == dict.fromkeys((c.name for c in checked), 1)


def test_however_many_blanks_few_are_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path, {"one": (LightBox(), (EXPOSURE_S,))})
    names = [f"x{n}.dng" for n in range(5)]
    for n, name in enumerate(names):
        put(tmp_path / name, simulate_blank(LightBox(), CAMERA, exposure_s=EXPOSURE_S, seed=50 + n))
    path = tmp_path / "session.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace('"b2.dng"', ", ".join(f'"{n}"' for n in names)),
        encoding="utf-8",
    )
    alive: set[int] = set()
    most = 0

    def watched(path: Path, scan: ScanSettings) -> SensorFrame:
        nonlocal most
        frame = read_capture(path, scan)
        alive.add(id(frame.counts))
        weakref.finalize(frame.counts, alive.discard, id(frame.counts))
        most = max(most, len(alive))
        return frame

    for module in (checking, session_light):
        monkeypatch.setattr(module, "read_capture", watched)
    checked = check_session(tmp_path, workers=1)
    assert sum(c.role == "blank" for c in checked) == 7
    # Two blanks, two darks, the one at hand and the one just let go; of the plate, its own.
    assert most <= 6 and len(alive) == 0


def test_a_plate_that_leaves_the_frame_is_told_while_it_can_be_moved(tmp_path: Path) -> None:
    write(tmp_path, {"bare": (LightBox(), (EXPOSURE_S,))})
    aside = replace(CAMERA, offset=(-0.25, 0.0))
    shot = simulate_plate(PLATE, LightBox(), aside, exposure_s=EXPOSURE_S, seed=20)
    put(tmp_path / "bare0.dng", shot.frame)
    [checked] = [c for c in check_session(tmp_path, workers=1) if c.plate_id]
    assert checked.check is not None and checked.check.severity is Severity.WARN
    [verdict] = [v for v in checked.check.verdicts if v.topic == "plate"]
    assert "leaves the frame" in verdict.text and "move the plate" in verdict.remedy


def test_a_leaning_camera_is_said_once(tmp_path: Path) -> None:
    """Three plates by one camera that leans enough to narrow a side by 2 %."""
    leaning = replace(CAMERA, perspective=(0.02, 0.0))
    text = '[light]\nblank = ["b.dng"]\n'
    put(tmp_path / "b.dng", simulate_blank(LightBox(), leaning, exposure_s=EXPOSURE_S, seed=1))
    for n in range(3):
        shot = simulate_plate(PLATE, LightBox(), leaning, exposure_s=EXPOSURE_S, seed=20 + n)
        put(tmp_path / f"p{n}.dng", shot.frame)
        text += f'[[plate]]\nid = "p{n}"\ncaptures = ["p{n}.dng"]\n'
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    said = [
        (entry.plate_id, verdict)
        for entry in check_session(tmp_path, workers=1)
        for verdict in entry.check.verdicts
        if verdict.topic == "camera tilt"
    ]
    [(plate, verdict)] = said
    assert plate == "p0" and verdict.severity is not Severity.GOOD
    assert verdict.remedy and "3 plates" in verdict.text


def test_a_blank_frame_is_compared_with_an_earlier_one(tmp_path: Path) -> None:
    dimmer = LightBox(brightness=0.9 * LightBox().brightness)
    for n, box in enumerate((LightBox(), dimmer)):
        blank = simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=n)
        put(tmp_path / f"b{n}.dng", blank, at_s=60.0 * n)
    (tmp_path / "session.toml").write_text(
        '[light]\nblank = ["b0.dng", "b1.dng"]\n', encoding="utf-8"
    )
    first, second = check_session(tmp_path, workers=1)
    assert "blank match" not in {v.topic for v in first.check.verdicts}
    [match] = [v for v in second.check.verdicts if v.topic == "blank match"]
    assert match.severity is Severity.WARN and "10.0 %" in match.text
