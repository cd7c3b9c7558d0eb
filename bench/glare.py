"""Densities under glare that follows the scene: errors, and how often the stated ones hold them.

    python bench/glare.py [--sessions 4] [--seed 81] [--cards none|middle|aside|two] [--box-on]
                          [--hard tuned|held|all] [--cost]

Six true glares (constant; mean of the scene; Gaussian and mean; inverse square with a ghost; two
exponentials; wide with light from beyond the frame and a room lamp with a gradient), 0.3 to 0.7 %
of the light, with a large opaque card and a capture of the box off. Plates with fields of D 0.2 to
3.0 on bright light (also small, dense, and with a strip) and in a black mask go the tool's whole
way from raw files; squares of 8 x 8 photosites are read. `--cost` times what glare adds to a 60 MP
plate.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

from one_core import ONE_CORE, figure, frame_shape

os.environ.update(ONE_CORE)  # before NumPy is loaded

import numpy as np

from platebench.core.settings import PlateSettings
from platebench.measure.spot import Spot, open_probe, read_spots
from platebench.plate.glare_evidence import session_glare
from platebench.plate.job import PlateJob
from platebench.plate.light import Light, light_from_blanks
from platebench.synthetic import (
    HARD_LAWS,
    SIX_LAWS,
    CameraModel,
    LightBox,
    PlateModel,
    StepTablet,
    StrayLight,
    photograph,
    simulate_blank,
    simulate_box_off,
    simulate_card,
    true_corners,
    true_transmittance,
    write_dng,
)

CAMERA = CameraModel(shape=(608, 896))
EXPOSURE_S = 1 / 16
BANDS = ((0.0, 0.5), (0.5, 1.0), (1.0, 1.5), (1.5, 2.0), (2.0, 2.5), (2.5, 3.05))
KINDS = ("low", "high", "small", "strip", "mask")
LAWS = SIX_LAWS | HARD_LAWS
CARDS = {  # height, and how far to the left of the middle, shares of the frame's
    "none": (),
    "middle": ((0.75, 0.0),),
    "aside": ((0.75, 0.1),),
    "two": ((0.75, 0.1), (0.4, 0.0)),
}


@dataclass
class Readings:
    """True density, error, stated error, whether flagged, law and kind of plate of each square."""

    rows: list[tuple[float, float, float, float]] = field(default_factory=list)
    names: list[tuple[str, str]] = field(default_factory=list)
    bounds: list[tuple[float, float]] = field(default_factory=list)
    doubts: set[str] = field(default_factory=set)

    def of(self, low: float, high: float, name: str | None = None) -> np.ndarray:
        """Return the rows of a band of density, of a law or a kind of plate."""
        return np.array(
            [
                row
                for row, names in zip(self.rows, self.names, strict=True)
                if low < row[0] <= high and (name is None or name in names)
            ]
        ).reshape(-1, 4)


def drawn(law: StrayLight, rng: np.random.Generator) -> StrayLight:
    """Return a law as one lens has it: its strength and its reach."""
    total, reach = float(rng.uniform(0.003, 0.007)), float(rng.uniform(0.7, 1.4))
    return replace(law, total=total if law.total else 0.0, reach=reach)


def session_light(
    box: LightBox, seed: int, *, cards: str = "middle", box_off: bool = True
) -> Light:
    """Return the light of a session with its own captures of card and room."""
    blanks = [simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=seed + n) for n in range(2)]
    light = light_from_blanks(blanks)
    shown = [
        simulate_card(
            box, CAMERA, exposure_s=EXPOSURE_S, seed=seed + 20 + n, height=height, aside=aside
        )
        for n, (height, aside) in enumerate(CARDS[cards])
    ]
    long_s = 64 * EXPOSURE_S
    off = [simulate_box_off(box, CAMERA, exposure_s=long_s, seed=seed + 3)] if box_off else []
    if not (shown or off):
        return light
    return replace(light, glare=session_glare(light, None, cards=shown, boxes_off=off))


def read_plate(
    folder: Path, kind: str, law: str, box: LightBox, light: Light, seed: int, found: Readings
) -> None:
    """Take one plate of a session and read its fields."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    low = 1.0 if kind == "high" else 0.2
    fields = tuple(float(d) for d in rng.permutation(np.linspace(low, 3.0, 12)))
    target = StepTablet(
        densities=fields, grid=(3, 4), size_mm=(70.0, 100.0), surround=float(rng.uniform(0.1, 0.9))
    )
    plate = PlateModel(size_mm=(90.0, 120.0), target=target, grain_um=0.0)
    fill = {"small": 0.5, "mask": 0.85, "strip": 0.7}.get(kind, 0.8)
    camera = replace(CAMERA, fill=fill)
    box = replace(box, surround="dark" if kind == "mask" else "bright")
    truth = true_transmittance(plate, box, camera, seed=seed)
    if kind == "strip":
        right = true_corners(plate, camera)[:, 1].max()
        middle, wide = round(right + 0.45 * (camera.shape[1] - right)), 18
        truth[150:450, middle - wide : middle + wide] = 10 ** -float(rng.uniform(3.3, 5.0))
    shot = photograph(truth, box, camera, exposure_s=EXPOSURE_S, seed=seed + 7)
    write_dng(folder / "plate.dng", shot)
    job = PlateJob(
        folder=folder,
        output=folder,
        settings=PlateSettings(id="p", captures=("plate.dng",), format="9x12 cm", emulsion="light"),
        light=light,
    )
    probe = open_probe(job)
    of_glare = [doubt for doubt in probe.view.doubts if "glare" in doubt]
    found.doubts.update(probe.view.doubts)
    if probe.mm_per_px is None:
        return
    size = 8 * probe.mm_per_px
    reach = 0.3 * 70 / 3  # of a field, from its middle
    for (y, x), true in zip(target.centres_mm() + np.array([45.0, 60.0]), fields, strict=True):
        steps = (-reach, 0.0, reach)
        spots = [
            Spot(x=float(x + dx), y=float(y + dy), size=size, unit="mm")
            for dy in steps
            for dx in steps
        ]
        for reading in read_spots(probe, spots):
            if reading.at_least is not None:
                found.bounds.append((true, reading.at_least))
            if reading.density is not None and reading.sigma is not None:
                found.rows.append(
                    (true, reading.density - true, reading.sigma, float(bool(of_glare)))
                )
                found.names.append((law, kind))


def run(
    sessions: int,
    seed: int,
    *,
    laws: dict[str, StrayLight] = SIX_LAWS,
    kinds: tuple[str, ...] = KINDS,
    cards: str = "middle",
    box_off: bool = True,
) -> Readings:
    """Take sessions of every law and read their plates."""
    found = Readings()
    with tempfile.TemporaryDirectory() as folder:
        for name, law in laws.items():
            for number in range(sessions):
                own = 1000 * seed + 10 * number
                rng = np.random.default_rng([seed, number])
                box = LightBox(stray=drawn(law, rng), light_seed=own)
                light = session_light(box, own, cards=cards, box_off=box_off)
                for kind in kinds:
                    read_plate(Path(folder), kind, name, box, light, own + 5, found)
    return found


def held(rows: np.ndarray) -> str:
    """Return the shares within one and two stated errors, and the worst."""
    pull = np.abs(rows[:, 1] / rows[:, 2])
    one, two = (100 * float(np.mean(pull <= sigmas)) for sigmas in (1, 2))
    return f"{one:.0f}, {two:.0f} %, {pull.max():.1f}"


def table(found: Readings) -> list[str]:
    """Return lines: by law or kind and density, rms, bias, shares within 1 and 2 sigma, worst."""
    head = " | ".join(f"{low:g}-{min(high, 3):g}" for low, high in BANDS)
    lines = [f"| rms, bias; 1 s, 2 s, worst | {head} | D 1.5-3 | flagged; others within 2 s |"]
    lines.append("| --- |" + " --- |" * 8)
    for name in (None, *LAWS, *KINDS):
        cells = []
        for low, high in BANDS:
            rows = found.of(low, high, name)
            error = rows[:, 1]
            cells.append(
                f"{np.sqrt(np.mean(error**2)):.4f} {error.mean():+.4f}; {held(rows)}"
                if error.size
                else "-"
            )
        dense = found.of(1.5, 3.05, name)
        if dense.size:
            flagged = dense[:, 3] > 0
            cells.append(f"{held(dense)} | {100 * flagged.mean():.0f} %")
            if not flagged.all():
                pull = np.abs(dense[~flagged, 1] / dense[~flagged, 2])
                cells[-1] += f", {100 * np.mean(pull <= 2):.0f} %"
            lines.append(f"| {name or 'all'} | " + " | ".join(cells) + " |")
    false = sum(bound > true for true, bound in found.bounds)
    lines.append(f"'at least' higher than the truth: {false} of {len(found.bounds)}")
    return lines


def cost(megapixels: float = 60.0) -> None:
    """Print what glare adds to the way of a plate, one core."""
    import cv2

    from platebench.plate.finding.overview import overview_of
    from platebench.plate.flatten import flatten
    from platebench.plate.glare import glare_step, measure_glare

    cv2.setNumThreads(1)
    camera = CameraModel(shape=frame_shape(megapixels), fill=0.8)
    box = LightBox(stray=SIX_LAWS["gaussian"])
    blank = simulate_blank(box, camera, exposure_s=EXPOSURE_S, seed=1)
    light = light_from_blanks([blank])
    card = simulate_card(box, camera, exposure_s=EXPOSURE_S, seed=2)
    start = time.process_time()
    light = replace(light, glare=session_glare(light, None, cards=[card]))
    print(f"session, once: {time.process_time() - start:.3f} s")
    plate = PlateModel(size_mm=(90.0, 120.0))
    corners = true_corners(plate, camera)
    for surround in ("bright", "dark"):
        truth = true_transmittance(
            plate,
            replace(box, surround=surround),
            camera,
            seed=3,  # type: ignore[arg-type]
        )
        shot = photograph(truth, box, camera, exposure_s=EXPOSURE_S, seed=4)
        picture = flatten(shot, light)
        seen = overview_of(picture)
        spent = []
        for _ in range(3):
            start = time.process_time()
            glare = measure_glare(seen, light, corners=corners, surround=surround)
            spent.append(time.process_time() - start)
        assert glare is not None
        clear = picture.then(glare_step(glare.off, picture.pattern, picture.shape))
        passes = []
        for one in (picture, clear, picture, clear):
            start = time.process_time()
            overview_of(one)
            passes.append(time.process_time() - start)
        print(
            f"{surround}: measured in {min(spent):.3f} s; a pass over the picture takes "
            f"{min(passes[::2]):.3f} s, with glare taken off {min(passes[1::2]):.3f} s"
        )


def chosen(hard: str | None) -> dict[str, StrayLight]:
    """Return the six laws, or those that no sum of round bells is: tuned on, held back, or all."""
    names = list(HARD_LAWS)
    names = {"tuned": names[:3], "held": names[3:], "all": names}.get(hard or "", list(SIX_LAWS))
    return {name: LAWS[name] for name in names}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=4)
    parser.add_argument("--seed", type=int, default=81)
    parser.add_argument("--cards", choices=tuple(CARDS), default="two")
    parser.add_argument("--box-on", action="store_true", help="no capture with the box off")
    parser.add_argument("--hard", choices=("tuned", "held", "all"))
    parser.add_argument("--cost", action="store_true")
    asked = parser.parse_args()
    if asked.cost:
        cost()
        return
    start = time.process_time()
    found = run(
        asked.sessions,
        asked.seed,
        laws=chosen(asked.hard),
        cards=asked.cards,
        box_off=not asked.box_on,
    )
    print("\n".join(table(found)))
    aims = ("0.001", "", "", "0.005", "0.02", "0.04; 0.07 with light from outside")
    for (low, high), aim in zip(BANDS, aims, strict=True):
        errors = [found.of(low, high, name)[:, 1] for name in (None, *chosen(asked.hard))]
        mean, *by_law = (f"{np.sqrt(np.mean(error**2)):.4f}" for error in errors)
        name = f"error of density, rms, D {low:g} to {min(high, 3):g}: all laws; the worst"
        figure(name, f"{mean}; {max(by_law)}", aim)
    for low, high in (*BANDS[3:], (1.5, 3.05)):
        name = f"D {low:g} to {min(high, 3):g}: within one stated error, within two, worst"
        figure(name, held(found.of(low, high, None)), "60 to 90 %, >= 93 %, < 5")
    for doubt in sorted(found.doubts):
        print(f"doubt: {doubt}")
    print(f"{time.process_time() - start:.0f} s")


if __name__ == "__main__":
    main()
