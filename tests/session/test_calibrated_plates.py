"""A calibration, glare and stain on their way through convert and measure, against the truth.

The camera sees Q times the diffuse density, with glare on top (`tablet_scenes`); the simulator
knows both, so what a densitometer would read of each patch is known.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from platebench.core.installed import profiles_folder
from platebench.core.settings import PlateSettings
from platebench.measure.density_errors import errors_of_view
from platebench.measure.spot import Spot, SpotReading, open_probe, read_spots
from platebench.plate.calibration import Calibration
from platebench.plate.densities import code_from_transmittance
from platebench.plate.job import PlateJob, PrintingEnds
from platebench.plate.look import look_at_plate
from platebench.plate.set_up import set_up_of
from platebench.read.capture import read_capture
from platebench.session.convert_plate import convert_plate, measure_view, tone_codes
from platebench.session.convert_session import convert_session
from platebench.session.jobs import blank_digests
from platebench.session.settings_file import load_session
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    StepTablet,
    StrayLight,
    simulate_blank,
    simulate_box_off,
    simulate_card,
    simulate_plate,
    write_dng,
)
from platebench.tone.profile_file import load_tone

from ..session_files import put
from ..tablet_scenes import EXPOSURE_S, light, light_and_glare

# A pixel of a small frame stands for the fifty photosites that a real one averages there.
CAMERA = CameraModel(shape=(560, 800), full_well_e=50 * 48000.0, bits=16)
CALLIER = 1.1
BASE_FOG = 0.12
DENSITIES = (0.30, 0.60, 0.90, 1.20, 1.50, 1.80, 2.10, 2.40, 0.45, 0.75, 1.05, 1.35)
GRID, AREA_MM = (3, 4), (70.0, 100.0)
CORNER_MM = np.array([45.0, 60.0])  # half the plate: from its middle to its corner


def patches(callier: float = 1.0) -> StepTablet:
    """Return patches as a camera with this Callier factor sees them."""
    seen = tuple(callier * d for d in DENSITIES)
    return StepTablet(densities=seen, grid=GRID, size_mm=AREA_MM, surround=callier * BASE_FOG)


def plate(callier: float = 1.0, **changes: object) -> PlateModel:
    model = PlateModel(size_mm=(90.0, 120.0), target=patches(callier), grain_um=0.0)
    return replace(model, **changes)  # type: ignore[arg-type]


def calibration(callier: float = 1.0, **changes: object) -> Calibration:
    """Return one that is known, with errors of the size that a good tablet leaves."""
    known = Calibration(
        callier=callier,
        callier_sigma=0.002,
        nodes=(0.0, 3.0),
        residual_sigmas=(0.0, 0.004),
    )
    return replace(known, **changes)  # type: ignore[arg-type]


def job(
    folder: Path,
    model: PlateModel,
    box: LightBox,
    known: Calibration | None,
    *,
    drifted: float = 1.0,
    **settings: object,
) -> PlateJob:
    lamp = replace(box, brightness=box.brightness * drifted)
    frame = simulate_plate(model, lamp, CAMERA, exposure_s=EXPOSURE_S, seed=5).frame
    write_dng(folder / "plate.dng", frame)
    for name in ("positives", "previews"):
        (folder / "converted" / name).mkdir(parents=True, exist_ok=True)
    chosen = PlateSettings(id="plate", captures=("plate.dng",), format="9x12 cm", emulsion="light")
    return PlateJob(
        folder=folder,
        output=folder / "converted",
        settings=replace(chosen, **settings),  # type: ignore[arg-type]
        light=(light_and_glare if box.glare or box.stray else light)(
            replace(box, surround="bright"), CAMERA
        ),
        calibration=known,
        tone=load_tone("neutral", [profiles_folder() / "tone"]),
    )


def positive_codes(work: PlateJob) -> list[float]:
    """Convert a plate and return the median code of each patch of its positive."""
    with Image.open(convert_plate(work).written[0]) as picture:
        pixels = np.asarray(picture)
    scale = pixels.shape[1] / 120.0
    places = ((patches().centres_mm() + CORNER_MM) * scale).astype(int)
    return [float(np.median(pixels[y - 15 : y + 15, x - 15 : x + 15])) for y, x in places]


def spots(work: PlateJob) -> list[SpotReading]:
    """Read the middle of each patch."""
    places = patches().centres_mm() + CORNER_MM
    return read_spots(
        open_probe(work), [Spot(x=float(x), y=float(y), size=8.0, unit="mm") for y, x in places]
    )


# A stain of the silver (0 in red, 2 % in green, 15 % in blue) above glass of D 0.04.
STAIN = (0.0, 0.02, 0.15)
BLUE_SHARE = 1.15 / 1.02 - 1  # extra blue density per unit of green density, by arithmetic


@pytest.mark.parametrize("surround", ["bright", "dark"])
def test_stain_is_measured_on_light_without_glare(tmp_path: Path, surround: str) -> None:
    """Glare hides stain: it adds the same light to green and to the darker blue."""
    box = LightBox(glare=0.01, surround=surround)  # type: ignore[arg-type]
    work = job(tmp_path, plate(stain=STAIN), box, calibration())
    view = look_at_plate(work)
    assert view.stain is not None and view.stain.found
    assert view.stain.blue_share == pytest.approx(BLUE_SHARE, abs=0.006)
    # Stain off, every kind of site sees the silver as green does.
    at = patches().centres_mm() + CORNER_MM
    scale = (view.found.corners[1, 1] - view.found.corners[0, 1]) / 120.0
    for (y, x), density in zip(at, DENSITIES, strict=True):
        row, column = (np.array([y, x]) * scale + view.found.corners[0]).astype(int) // 2 * 2
        part = view.image.pixels[row - 20 : row + 20, column - 20 : column + 20] / view.level
        green = 0.04 + (density - 0.04) * 1.02
        for kind in (part[::2, ::2], part[::2, 1::2], part[1::2, ::2], part[1::2, 1::2]):
            assert -np.log10(kind.mean()) == pytest.approx(green, abs=0.02), density


def as_seen(density: float, colour: int) -> float:
    """Return the density of stained silver over glass in one colour."""
    return 0.04 + (density - 0.04) * (1 + STAIN[colour])


@pytest.mark.parametrize("colour", ["mosaic", "demosaiced"])
def test_densities_of_a_stained_plate_are_those_of_green(tmp_path: Path, colour: str) -> None:
    work = job(tmp_path, plate(stain=STAIN), LightBox(), None, colour=colour)
    densities = measure_view(look_at_plate(work))
    thin, dense = as_seen(BASE_FOG, 1), as_seen(2.40, 1)
    assert densities.base_fog == pytest.approx(thin, abs=0.01)
    assert densities.d_min == pytest.approx(thin, abs=0.01)
    assert densities.d_max == pytest.approx(dense, abs=0.02)
    blue = as_seen(2.40, 2) - as_seen(BASE_FOG, 2)
    assert densities.blue_range == pytest.approx(blue, abs=0.03)
    # And so are the spot readings.
    for reading, density in zip(spots(work), DENSITIES, strict=True):
        assert reading.density == pytest.approx(as_seen(density, 1), abs=0.015)
        assert reading.printing == pytest.approx(as_seen(density, 2), abs=0.02)


@pytest.mark.parametrize("colour", ["mosaic", "demosaiced"])
def test_a_stained_plate_is_toned_by_green(tmp_path: Path, colour: str) -> None:
    """A stained plate prints as a neutral one does that has the densities green sees."""
    stained = job(tmp_path, plate(stain=STAIN), LightBox(), None, colour=colour)
    ends = PrintingEnds(base_fog=0.1, d_max=2.5)
    codes = positive_codes(replace(stained, ends=ends))
    table = tone_codes(stained, ends, level=1.0)
    for seen, density in zip(codes, DENSITIES, strict=True):
        through = np.array([[10 ** -as_seen(density, 1)]], np.float32)
        wanted = table[int(code_from_transmittance(through)[0, 0])]
        assert seen == pytest.approx(wanted, abs=0.006 * 65535), density


# Glare that the session's own captures tell; that the plate's mask shows as well; glare of the box
# under a lamp that lost 7 % since the blank; stain on top.
CASES = {
    "session's glare": ("bright", 1.0, (0.0, 0.0, 0.0)),
    "mask": ("dark", 1.0, (0.0, 0.0, 0.0)),
    "drifted lamp": ("bright", 0.93, (0.0, 0.0, 0.0)),
    "stain": ("bright", 0.93, STAIN),
}


def calibrated_case(folder: Path, name: str) -> tuple[PlateJob, list[float]]:
    """Return a plate seen with Callier factor and 1 % of glare, and its true densities."""
    surround, drifted, stain = CASES[name]
    box = LightBox(glare=0.01, surround=surround)  # type: ignore[arg-type]
    if drifted != 1:
        box = replace(box, glare=0.0, stray=StrayLight(law="scene mean", total=0.006))
    model = plate(CALLIER, stain=stain)
    work = job(folder, model, box, calibration(CALLIER), drifted=drifted)
    green = 1 + stain[1]
    truth = [(0.04 + (CALLIER * d - 0.04) * green) / CALLIER for d in (*DENSITIES, BASE_FOG)]
    return replace(work, ends=PrintingEnds(base_fog=0.08, d_max=2.6)), truth


@pytest.mark.parametrize("name", CASES)
def test_densities_through_a_calibration_are_true(tmp_path: Path, name: str) -> None:
    work, truth = calibrated_case(tmp_path, name)
    view = look_at_plate(work)
    assert view.calibration is not None
    assert view.glare is not None
    if name in ("session's glare", "mask"):
        assert view.glare.share == pytest.approx(0.01, abs=4e-4)
    densities = measure_view(view)
    assert densities.base_fog == pytest.approx(truth[-1], abs=0.01)
    # The aim of the job: 0.02 D to D 2.5, with glare present and measured.
    assert densities.d_max == pytest.approx(max(truth), abs=0.02)
    record = convert_plate(work).record
    assert record.base_fog == pytest.approx(densities.base_fog, abs=5e-4)
    assert record.glare.source == ("card and black mask" if name == "mask" else "card")


@pytest.mark.big
@pytest.mark.parametrize("name", CASES)
def test_convert_and_measure_agree_within_their_errors(tmp_path: Path, name: str) -> None:
    work, truth = calibrated_case(tmp_path, name)
    ends = work.ends
    assert ends is not None
    readings = spots(work)
    # What the positive shows, back through the tone profile alone.
    scale = np.linspace(0.05, 2.8, 5501)
    toned = tone_codes(work, ends, 1.0)[code_from_transmittance(10 ** -scale.astype(np.float32))]
    shown = np.interp(positive_codes(work), toned.astype(float), scale)
    for reading, printed, true in zip(readings, shown, truth[:-1], strict=True):
        assert reading.density is not None and reading.sigma is not None
        assert reading.density == pytest.approx(true, abs=max(3 * reading.sigma, 0.01))
        assert printed == pytest.approx(true, abs=max(3 * reading.sigma, 0.01))
        assert abs(printed - reading.density) < 2 * np.sqrt(2) * reading.sigma + 0.002
    # Base plus fog, of the rebate in one and of a spot on it in the other.
    [fog] = read_spots(open_probe(work), [Spot(x=60.0, y=5.0, size=4.0, unit="mm")])
    record = convert_plate(work).record
    assert fog.density is not None and fog.sigma is not None
    assert record.base_fog == pytest.approx(fog.density, abs=2 * np.sqrt(2) * fog.sigma + 0.002)


def test_a_mask_without_glare_is_left_as_it_is(tmp_path: Path) -> None:
    """What a card of D 3.5 lets through is no glare, or may be: it is in the error."""
    box = LightBox(surround="dark", card_density=3.5)
    view = look_at_plate(job(tmp_path, plate(CALLIER), box, calibration(CALLIER)))
    assert view.glare is not None and not view.glare_off
    assert measure_view(view).d_max == pytest.approx(2.40, abs=0.02)
    # What may be there after all counts in the error: all that the mask shows. At D 2.4 and Q 1.1,
    # T is 0.0023; the card passes 0.0003.
    left_on = errors_of_view(view).glare.left_on
    assert left_on >= np.hypot(view.glare.share, view.glare.sigma)
    assert 0.8 * 10**-3.5 < left_on < 1.2 * 10**-3.5
    # A card of the session tells what the mask passes from glare.
    carded = replace(view, glare=replace(view.glare, sources=("card", "black mask")))
    known = np.hypot(view.glare.share, view.glare.sigma)
    assert errors_of_view(carded).glare.left_on == pytest.approx(known)
    assert known < 0.8 * left_on


def test_tones_through_a_calibration_are_those_of_diffuse_density(tmp_path: Path) -> None:
    work = job(tmp_path, plate(), LightBox(), None)
    ends = PrintingEnds(base_fog=0.1, d_max=2.2)
    true = np.linspace(0.1, 2.2, 43)
    plain = tone_codes(work, ends, 1.0)[code_from_transmittance(10 ** -true.astype(np.float32))]
    # The camera sees Q times the density under a lamp that gives 90 % (check-values, section 3:
    # the Callier factor is the ratio of the two).
    seen = (0.9 * 10 ** (-1.3 * true)).astype(np.float32)
    through = tone_codes(work, ends, 0.9, calibration(1.3))[code_from_transmittance(seen)]
    assert through.astype(float) == pytest.approx(plain.astype(float), abs=0.002 * 65535)
    assert np.all(np.diff(through.astype(int)) > 0)


def test_plates_printed_alike_share_calibrated_ends(tmp_path: Path) -> None:
    box = LightBox(glare=0.01)
    thin, dense = plate(CALLIER), plate(CALLIER, target=replace(patches(CALLIER), surround=0.22))
    text = [
        '[light]\nblank = ["blank.dng"]\ncard = ["card.dng"]\nbox_off = ["off.dng"]\n'
        '[every_plate]\nprinting = "shared"\n'
    ]
    put(tmp_path / "blank.dng", simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=1))
    put(tmp_path / "card.dng", simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=2))
    put(tmp_path / "off.dng", simulate_box_off(box, CAMERA, exposure_s=64 * EXPOSURE_S, seed=3))
    for name, model in (("thin", thin), ("dense", dense)):
        frame = simulate_plate(model, box, CAMERA, exposure_s=EXPOSURE_S, seed=5).frame
        put(tmp_path / f"{name}.dng", frame)
        text.append(f'[[plate]]\nid = "{name}"\ncaptures = ["{name}.dng"]\nemulsion = "light"\n')
    (tmp_path / "session.toml").write_text("".join(text), encoding="utf-8")
    known = calibration(CALLIER)
    settings = load_session(tmp_path)
    frame_info = read_capture(tmp_path / "thin.dng").info
    set_up = set_up_of(frame_info, blank_digests(tmp_path, settings))
    replace(known, set_up=set_up).save(tmp_path / "calibration.json")
    results = convert_session(tmp_path, workers=1).results
    for result in results:
        assert result.error is None and result.record.flags == ()
        printed = result.record.printed
        assert printed.black_at == pytest.approx(BASE_FOG, abs=0.01)
        assert printed.white_at == pytest.approx(2.40, abs=0.02)
    assert results[1].record.base_fog == pytest.approx(0.22 / CALLIER, abs=0.01)
