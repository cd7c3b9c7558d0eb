"""Glare together with what else a plate may have: coloured stain, brackets, masks that pass light.

Whatever is read holds within its stated error, or is marked: a bound, or a doubt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from platebench.core.settings import PlateSettings
from platebench.measure.spot import Spot, SpotReading, open_probe, read_spots
from platebench.plate.glare_evidence import session_glare
from platebench.plate.job import PlateJob
from platebench.plate.light import Light, light_from_blanks
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
    true_transmittance,
    write_dng,
)

CAMERA = CameraModel(shape=(416, 624), fill=0.75)
EXPOSURE_S = 1 / 16
FIELDS = (0.3, 0.8, 1.3, 1.8, 2.1, 2.4)
TARGET = StepTablet(densities=FIELDS, grid=(2, 3), size_mm=(70.0, 100.0), surround=0.2)
BOX = LightBox(stray=replace(SIX_LAWS["exponentials"], total=0.005))
PYRO = (0.0, 0.05, 0.5)  # stain of a pyro developer: mostly in blue, a share of the silver


@cache
def lit(*, known: bool, box: LightBox = BOX) -> Light:
    light = light_from_blanks(
        [simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=n) for n in (1, 2)]
    )
    if not known:
        return light
    card = simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=3, aside=0.1)
    off = simulate_box_off(box, CAMERA, exposure_s=64 * EXPOSURE_S, seed=4)
    return replace(light, glare=session_glare(light, None, cards=[card], boxes_off=[off]))


def readings(
    folder: Path,
    plate: PlateModel,
    *,
    known: bool = True,
    times: Sequence[float] = (EXPOSURE_S,),
    box: LightBox = BOX,
    **settings: str,
) -> tuple[list[SpotReading], tuple[str, ...]]:
    """Return readings of the fields of a plate, and what is in doubt."""
    truth = true_transmittance(plate, box, CAMERA, seed=6)
    names = tuple(f"{n}.dng" for n in range(len(times)))
    for n, (name, exposure_s) in enumerate(zip(names, times, strict=True)):
        shot = photograph(truth, box, CAMERA, exposure_s=exposure_s, seed=10 + n)
        write_dng(folder / name, shot)
    plain = replace(box, surround="bright")
    job = PlateJob(
        folder=folder,
        output=folder,
        settings=PlateSettings(
            id="p", captures=names, format="9x12 cm", emulsion="light", **settings
        ),
        light=lit(known=known, box=plain),
    )
    probe = open_probe(job)
    spots = [
        Spot(x=float(x + 60), y=float(y + 45), size=10.0, unit="mm") for y, x in TARGET.centres_mm()
    ]
    return read_spots(probe, spots), probe.view.doubts


def holds(found: list[SpotReading], true: Sequence[float], sigmas: float = 2.5) -> None:
    """Assert that densities are right within their errors, and bounds not above the truth."""
    for reading, density in zip(found, true, strict=True):
        assert reading.density is not None or reading.at_least is not None
        if reading.density is not None:
            assert reading.sigma is not None
            assert abs(reading.density - density) < sigmas * reading.sigma, (density, reading)
        if reading.at_least is not None:
            assert reading.at_least <= density


def plate_of(stain: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> PlateModel:
    return PlateModel(size_mm=(90.0, 120.0), target=TARGET, grain_um=0.0, stain=stain)


# A stained plate's densities are those that green light sees.
GREEN = tuple(density * (1 + PYRO[1]) for density in FIELDS)


@pytest.mark.parametrize("known", [True, False])
def test_coloured_stain_over_d_2_under_glare(tmp_path: Path, known: bool) -> None:
    """Glare reads a stain off where it is densest: blue of D 3.6 is read as 2.3 beside green."""
    found, doubts = readings(tmp_path, plate_of(PYRO), known=known)
    holds(found, GREEN)
    assert doubts == () if known else all("colours" in doubt for doubt in doubts)
    if known:
        dense = found[-1]
        assert dense.density == pytest.approx(GREEN[-1], abs=0.06)


def test_a_bracket_under_glare(tmp_path: Path) -> None:
    """Long exposures lift dense parts out of noise, not out of glare: that comes off them alike."""
    times = (EXPOSURE_S, 4 * EXPOSURE_S, 16 * EXPOSURE_S)
    found, _ = readings(tmp_path, plate_of(), times=times)
    holds(found, FIELDS)
    assert found[-1].density == pytest.approx(FIELDS[-1], abs=0.03)
    one, _ = readings(tmp_path, plate_of())
    assert found[-1].photon_sigma is not None and one[-1].photon_sigma is not None
    assert found[-1].photon_sigma < 0.5 * one[-1].photon_sigma
    unknown, _ = readings(tmp_path, plate_of(), times=times, known=False)
    holds(unknown, FIELDS)
    # Without card and box off nothing is taken off: it reads too thin, and its error says so.
    assert unknown[-1].density is not None and unknown[-1].density < FIELDS[-1] - 0.1


def test_a_stained_bracket_in_a_mask_under_glare(tmp_path: Path) -> None:
    masked = replace(BOX, surround="dark")
    times = (EXPOSURE_S, 8 * EXPOSURE_S)
    found, _ = readings(tmp_path, plate_of(PYRO), times=times, box=masked)
    holds(found, GREEN)
    assert found[-1].density == pytest.approx(GREEN[-1], abs=0.05)


@pytest.mark.parametrize("passes", [2.3, 2.7, 3.5])
def test_a_mask_alone_is_not_taken_for_opaque(tmp_path: Path, passes: float) -> None:
    """Thin black paper of D 2.3, no glare at all: without a card its light may be glare or not."""
    box = LightBox(surround="dark", card_density=passes, gap_mm=1.0)
    found, _ = readings(tmp_path, plate_of(), known=False, box=box)
    holds(found, FIELDS)
