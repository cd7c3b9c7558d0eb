"""Tiles of a plate: how far they miss each other, and what is left of dust on the box.

Simulated sets, see ``platebench.synthetic.tiles``: a lens that the fit does not know, small frames.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platebench.core.settings import PlateSettings
from platebench.plate.job import PlateJob
from platebench.plate.joining.join import Joined, join_tiles
from platebench.plate.light import light_from_blanks
from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_blank, write_dng
from platebench.synthetic.tiles import TileSet, TileStand, simulate_tiles

SCENES = ("landscape", "shore", "facade", "fern", "still life")
EXPOSURE_S = 1 / 16
LEFT = 0.05  # D by which a speck still stands out, mean of 3 x 3 pixels
RIM = 12  # pixels of a tile's rim that count for nothing here
Doubles = NDArray[np.float64]


def joined(seed: int, stand: TileStand) -> tuple[TileSet, Joined]:
    """Return a simulated set of tiles and what was made of it."""
    box, camera = LightBox(), CameraModel(shape=stand.shape, fill=0.84)
    plate = PlateModel(
        size_mm=(11.0, 15.0),
        rebate_mm=(0.5, 0.5, 0.5, 0.5),
        grain_um=1.0,
        dust=20,
        scene=SCENES[seed % len(SCENES)],
    )
    tiles = simulate_tiles(plate, box, camera, stand, exposure_s=EXPOSURE_S, seed=seed)
    blank = simulate_blank(box, camera, exposure_s=EXPOSURE_S, seed=seed + 5000)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        captures = tuple(f"{n}.dng" for n in range(len(tiles.frames)))
        for capture, frame in zip(captures, tiles.frames, strict=True):
            write_dng(folder / capture, frame)
        settings = PlateSettings(id="plate", captures=captures, join="tiles")
        light = light_from_blanks([blank])
        job = PlateJob(folder=folder, output=folder, settings=settings, light=light)
        made = join_tiles(job)
        return tiles, made


def specks_left(tiles: TileSet, made: Joined, stand: TileStand) -> tuple[Doubles, int]:
    """Return by how much (D) dust stands out where another tile sees its place; and how many do.

    At the true places, against the simulator's own plate.
    """
    density = -np.log10(np.maximum(made.exposures.picture().whole().pixels, 1e-4))
    truth = -np.log10(np.maximum(tiles.whole, 1e-4))
    middle = np.array([[(stand.shape[1] - 1) / 2, (stand.shape[0] - 1) / 2]])
    middles = np.array([lens(middle)[0] for lens in tiles.plate_places]) @ [1, 1j]
    turn, shift = np.polyfit(np.array(made.record.places) @ [1, 1j], middles, 1)
    over = []
    for tile, lens in enumerate(tiles.plate_places):
        for place in lens(tiles.dust) @ [1, 1j]:
            away = np.delete(middles, tile) - place
            near = np.abs(away.real) < stand.shape[1] / 2 - RIM
            if not (near & (np.abs(away.imag) < stand.shape[0] / 2 - RIM)).any():
                continue
            here = (place - shift) / turn
            x, y = round(here.real), round(here.imag)
            if min(x, y) < RIM or y >= density.shape[0] - RIM or x >= density.shape[1] - RIM:
                continue
            there = truth[round(place.imag) - 1 :, round(place.real) - 1 :][:3, :3]
            over.append(float(density[y - 1 : y + 2, x - 1 : x + 2].mean() - there.mean()))
    return np.array(over), int(np.sum(np.array(over) > LEFT))


def main() -> None:
    """Read the command line and print a line a kind of set."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sets", type=int, default=4)
    parser.add_argument("--first", type=int, default=200)
    asked = parser.parse_args()
    shape = (320, 440)
    kinds = {
        "2 x 3 tiles, clean box": TileStand(shape=shape),
        "2 x 3 tiles, 30 specks": TileStand(shape=shape, dust=30),
        "twice, a tenth of the frame apart": TileStand(
            shape=shape, rows=1, columns=2, overlap=0.9, dust=30
        ),
    }
    for name, stand in kinds.items():
        misfits, told, seen, left, median = [], 0, 0, 0, []
        for seed in range(asked.first, asked.first + asked.sets):
            tiles, made = joined(seed, stand)
            over, standing = specks_left(tiles, made, stand)
            misfits.append(made.record.worst_misfit_px)
            told, seen, left = told + made.record.box_specks, seen + over.size, left + standing
            median += list(over)
        print(
            f"  {name}: {asked.sets} sets, worst misfit {max(misfits):.2f} px, specks told {told},"
            f" seen twice {seen}, left over {LEFT} D {left},"
            f" median {np.median(median) if median else 0:.3f} D",
            flush=True,
        )


if __name__ == "__main__":
    main()
