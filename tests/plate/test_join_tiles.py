"""Tiles of one plate: joined, refused, and the truth of a simulator whose lens is not the fit's."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from platebench.core.errors import BracketError, JoinError
from platebench.core.settings import PlateSettings
from platebench.plate.joining.join import join_tiles, lay_out
from platebench.plate.light import light_from_blanks
from platebench.plate.look import PlateJob, look_at_plate
from platebench.session.convert_plate import measure_view
from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_blank
from platebench.synthetic.tiles import TileSet, TileStand, simulate_tiles

from ..session_files import put

SHAPE = (320, 440)
CAMERA = CameraModel(shape=SHAPE, fill=0.84)
BOX = LightBox()
EXPOSURE_S = 1 / 16
STAND = TileStand(shape=SHAPE, rows=2, columns=2)
# 1,200 ppi: a plate so small that a photosite is about 21 um of it, and grain shows.
PLATE = PlateModel(size_mm=(11.0, 15.0), rebate_mm=(0.5, 0.5, 0.5, 0.5), grain_um=1.0)


@cache
def captured(
    seed: int = 41, times: tuple[float, ...] = (1.0,), scene: str = "landscape"
) -> TileSet:
    plate = replace(PLATE, scene=scene)
    return simulate_tiles(plate, BOX, CAMERA, STAND, exposure_s=EXPOSURE_S, seed=seed, times=times)


def job_of(folder: Path, tiles: TileSet, names: dict[str, int], **settings) -> PlateJob:
    for name, n in names.items():
        put(folder / name, tiles.frames[n])
    blank = simulate_blank(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=3)
    wanted = PlateSettings(id="plate", captures=tuple(names), **{"join": "tiles"} | settings)
    return PlateJob(folder=folder, output=folder, settings=wanted, light=light_from_blanks([blank]))


FOUR = {f"t{n}.dng": n for n in range(4)}


def test_the_plate_is_found_whole_and_its_densities_are_those_of_the_truth(tmp_path: Path) -> None:
    tiles = captured()
    view = look_at_plate(job_of(tmp_path, tiles, FOUR))
    assert view.found.found
    assert not view.found.doubts
    assert view.joined is not None
    # The joined picture is the truth's but for a shift, a turn and its scale.
    middle = np.array([[(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2]])
    there = np.array([lens(middle)[0] for lens in tiles.plate_places]) @ [1, 1j]
    here = np.array(view.joined.record.places) @ [1, 1j]
    turn, shift = np.polyfit(here, there, 1)
    corners = turn * (view.found.corners @ [1j, 1]) + shift
    assert np.abs(corners - tiles.corners @ [1j, 1]).max() < 1.5  # the finder's share is most of it
    y, x = np.mgrid[30 : view.picture.shape[0] - 30 : 15, 30 : view.picture.shape[1] - 30 : 15]
    places = turn * (x + 1j * y) + shift
    seen, true = (
        -np.log10(cv2.blur(np.ascontiguousarray(picture), (15, 15)))
        for picture in (view.image.pixels / view.level, tiles.whole)
    )
    expected = true[np.rint(places.imag).astype(int), np.rint(places.real).astype(int)]
    calm = cv2.morphologyEx(true, cv2.MORPH_GRADIENT, np.ones((5, 5)))[
        np.rint(places.imag).astype(int), np.rint(places.real).astype(int)
    ]
    off = (seen[y, x] - expected)[calm < 0.02]  # rounded places tell nothing on slopes
    assert off.size > 100
    assert float(np.sqrt(np.mean(off**2))) < 0.01
    assert measure_view(view) is not None


def test_tiles_lie_on_each_other_to_a_third_of_a_pixel(tmp_path: Path) -> None:
    tiles = captured(seed=42)
    joined = join_tiles(job_of(tmp_path, tiles, FOUR))
    assert joined.record.worst_misfit_px < 0.3
    gains = tiles.gains / np.exp(np.log(tiles.gains).mean())
    assert np.abs(np.array(joined.record.gains) / gains - 1).max() < 0.003


@pytest.mark.parametrize("overlap", [0.27, 0.9])
def test_dust_on_the_box_goes_where_another_tile_sees_the_place(
    tmp_path: Path, overlap: float
) -> None:
    """At 0.9 two captures of a plate that was moved a little; the plate's own dust stays."""
    stand = TileStand(shape=SHAPE, rows=1, columns=2, overlap=overlap, dust=25)
    plate = replace(PLATE, dust=10)
    tiles = simulate_tiles(plate, BOX, CAMERA, stand, exposure_s=EXPOSURE_S, seed=46)
    job = job_of(tmp_path, tiles, {"t0.dng": 0, "t1.dng": 1})
    joined = join_tiles(job)
    assert joined.record.box_specks > 5
    density = -np.log10(joined.exposures.picture().whole().pixels)
    middle = np.array([[(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2]])
    there = np.array([lens(middle)[0] for lens in tiles.plate_places]) @ [1, 1j]
    turn, shift = np.polyfit(np.array(joined.record.places) @ [1, 1j], there, 1)
    truth = -np.log10(np.maximum(tiles.whole, 1e-4))
    over = []
    for tile, lens in enumerate(tiles.plate_places):
        for place in lens(tiles.dust) @ [1, 1j]:
            away = there[1 - tile] - place
            here = (place - shift) / turn
            x, y = round(here.real), round(here.imag)
            inside = 12 < y < density.shape[0] - 12 and 12 < x < density.shape[1] - 12
            seen = abs(away.real) < SHAPE[1] / 2 - 12 and abs(away.imag) < SHAPE[0] / 2 - 12
            if inside and seen:
                true = truth[round(place.imag) - 1 :, round(place.real) - 1 :][:3, :3].mean()
                over.append(density[y - 1 : y + 2, x - 1 : x + 2].mean() - true)
    # A speck takes 0.06 D or more of a mean of 3 x 3 pixels, half of it where two tiles are mixed.
    assert len(over) > 5 and np.median(np.abs(over)) < 0.015
    assert np.mean(np.array(over) > 0.05) < 0.15


@pytest.mark.big
def test_the_order_does_not_matter_and_a_second_run_is_the_same(tmp_path: Path) -> None:
    tiles = captured()
    pictures = []
    for names in (FOUR, FOUR, dict(sorted(FOUR.items(), key=lambda item: -item[1]))):
        joined = join_tiles(job_of(tmp_path, tiles, names))
        pictures.append(joined.exposures.picture().whole().pixels)
    assert np.array_equal(pictures[0], pictures[1])
    assert np.abs(np.subtract(pictures[2].shape, pictures[0].shape)).max() < 8


def test_a_tile_of_another_plate_is_refused_by_name(tmp_path: Path) -> None:
    tiles, other = captured(), captured(seed=77, scene="facade")
    mixed = replace(tiles, frames=(*tiles.frames, other.frames[0]))
    with pytest.raises(JoinError) as refused:
        join_tiles(job_of(tmp_path, mixed, FOUR | {"foreign.dng": 4}))
    assert refused.value.differs == "links"
    assert refused.value.names == ("foreign.dng",)


def test_a_missing_tile_is_refused(tmp_path: Path) -> None:
    three = {name: n for name, n in FOUR.items() if n != 1}
    with pytest.raises(JoinError) as refused:
        join_tiles(job_of(tmp_path, captured(), three))
    assert refused.value.differs == "gap"


def test_tiles_that_only_meet_at_a_corner_or_not_at_all_do_not_hang_together(
    tmp_path: Path,
) -> None:
    wide = simulate_tiles(
        PLATE,
        BOX,
        CAMERA,
        replace(STAND, overlap=0.01, scatter=0.0),
        exposure_s=EXPOSURE_S,
        seed=43,
    )
    with pytest.raises(JoinError) as refused:
        join_tiles(job_of(tmp_path, wide, FOUR))
    assert refused.value.differs == "links"


def test_without_a_blank_plate_is_not_taken_for_bare_light(tmp_path: Path) -> None:
    job = job_of(tmp_path, captured(), FOUR)
    with pytest.raises(JoinError) as refused:
        join_tiles(replace(job, light=None))
    assert refused.value.differs == "light"


def test_a_bracket_lies_at_each_tile(tmp_path: Path) -> None:
    tiles = captured(seed=44, times=(1.0, 0.25))
    names = {f"t{n}.dng": n for n in range(8)}
    joined = join_tiles(job_of(tmp_path, tiles, names))
    assert joined.record.tiles == tuple((f"t{n}.dng", f"t{n + 1}.dng") for n in range(0, 8, 2))


def test_unless_said_captures_are_a_bracket(tmp_path: Path) -> None:
    with pytest.raises(BracketError):
        look_at_plate(job_of(tmp_path, captured(), FOUR, join="bracket"))


def test_a_plate_turned_round_is_no_second_tile(tmp_path: Path) -> None:
    """Seen whole and upside down: only the rims of the glass are alike."""
    tiles = simulate_tiles(
        PLATE,
        BOX,
        CAMERA,
        replace(STAND, rows=1, columns=1),
        exposure_s=EXPOSURE_S,
        seed=45,
    )
    turned = replace(tiles.frames[0], counts=tiles.frames[0].counts[::-1, ::-1].copy())
    pair = replace(tiles, frames=(tiles.frames[0], turned))
    with pytest.raises(JoinError):
        join_tiles(job_of(tmp_path, pair, {"a.dng": 0, "b.dng": 1}))


def test_a_changed_plate_is_refused(tmp_path: Path) -> None:
    """The tile lies where it should, but a fourth of the picture it shares is another."""
    tiles = captured()
    codes = [join.codes for join in _codes(job_of(tmp_path, tiles, FOUR))]
    changed = [np.array(code) for code in codes]
    rng = np.random.default_rng(5)
    noise = rng.integers(8000, 30000, (40, 55)).astype(np.uint16)
    changed[1][:, :130] = np.kron(noise, np.ones((8, 8), np.uint16))[:, :130]
    with pytest.raises(JoinError):
        lay_out(changed, [Path(name) for name in FOUR])


def _codes(job: PlateJob):
    from platebench.plate.joining import join

    return join._read_tiles(job, coloured=False)
