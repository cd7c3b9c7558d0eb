"""Do stated errors of densities hold the truth? Captures with effects that no fit here knows.

    python bench/coverage.py [--sessions 6] [--seed 1] [--only CONDITION] [--into PAGE]

Each session is a blank and a plate of twelve even fields, D 0.3 to 2.9, by the simulator. Between
the two the lamp changes in level and across the frame, the lens's fall-off changes, the sensor is
not quite linear, and stray light follows the scene in one of six shapes. Printed is, by condition
and density: the mean and the root mean square of the true errors, the share of them within one and
within two stated standard errors, and how many "at least" values are false. `--into PAGE` puts the
table where a page has its marks; ``python -m bench coverage`` so writes docs/measurement.md.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image
from scipy.ndimage import gaussian_filter, zoom
from scipy.signal import fftconvolve

from platebench.core.image import SensorFrame
from platebench.core.settings import PlateSettings
from platebench.measure.spot import Spot, open_probe, read_spots
from platebench.plate.calibration import Calibration
from platebench.plate.glare_evidence import LitScene, session_glare, tablet_cells
from platebench.plate.glare_model import NOTHING, fit_captures
from platebench.plate.job import PlateJob
from platebench.plate.light import Light, light_from_blanks
from platebench.plate.smooth_field import grid_shape
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    StepTablet,
    true_corners,
    true_transmittance,
    write_dng,
)
from platebench.synthetic.camera import expose
from platebench.synthetic.light_box import light_field
from platebench.synthetic.targets import TABLET_21

CAMERA = CameraModel(shape=(420, 600), fill=0.72)
FIELDS = (0.3, 0.55, 0.8, 1.1, 1.4, 1.7, 1.9, 2.1, 2.3, 2.5, 2.7, 2.9)
BANDS = ((0.0, 1.0), (1.0, 1.5), (1.5, 2.0), (2.0, 2.5), (2.5, 3.0))
EXPOSURE_S = 1 / 16
SHAPES = ("constant", "scene mean", "gaussian", "inverse square", "two exponentials", "outside")
CONDITIONS = {
    "clean": "no effect at all, nothing opaque in the frame",
    "light": "lamp, fall-off and linearity; no glare; bare light around the plate",
    "light, mask": "the same under a black mask",
    "bright": "light and glare 0.3 to 0.6 %; bare light around, nothing opaque",
    "strip": "the same with an opaque strip beside the plate",
    "mask": "the same under a black mask",
    "no blank": "as bright, the light drawn from the bare light around the plate",
    "calibrated": "as bright, read through the calibration of a tablet in a frame of its own",
    "holder": "as mask, in a dark frame with bare light beyond it",
    "card": "as bright, with captures of a card off the middle and of the box off",
    "two cards": "the same, and a smaller card in the middle",
    "two cards, mask": "the same under a black mask",
    "X-Trans": "as two cards, by a filter pattern of six by six",
    "mono": "as two cards, by a sensor without filters",
    "scan, 16 bits": "glare and nothing else, in a scan without a blank, gamma 2.2",
    "scan, 8-bit JPEG": "the same as a JPEG of quality 95",
}
FILTERS = {"X-Trans": "XTRANS", "mono": "MONO"}
BOTH = ((0.375, 0.4), (0.2, 0.5))  # half of a card's height, and its middle, shares of the frame's
CARDS = {"card": BOTH[:1]} | dict.fromkeys(("two cards", "two cards, mask", *FILTERS), BOTH)
SCAN_PPI = 127.0
ENOUGH = 6  # sessions of a condition, one a shape, for the page
PAGE = Path(__file__).parents[1] / "docs" / "measurement.md"


@dataclass(frozen=True)
class Physics:
    """What happens between lamp and file in one session."""

    shape: str
    share: float  # of the bare light box, on average, that strays over the blank
    level: float
    slope: tuple[float, float]
    fall_off: float
    bend: float

    def light(self, truth: np.ndarray, bare: np.ndarray, *, later: bool) -> np.ndarray:
        """Return the light on the sensor; ``later``: after lamp and lens have changed."""
        y, x = np.meshgrid(*(np.linspace(-1, 1, n) for n in truth.shape), indexing="ij")
        if later:
            drift = 1 + self.slope[0] * y + self.slope[1] * x + self.fall_off * (x * x + y * y - 1)
            bare = bare * self.level * drift
        seen = truth * bare
        seen = seen + self.share * stray(seen, bare, self.shape)
        top = float(bare.max())
        return seen * (1 + self.bend * (1 - seen / top))


def stray(seen: np.ndarray, bare: np.ndarray, shape: str) -> np.ndarray:
    """Return stray light for a share of 1: about the bare light's mean over a blank."""
    if shape == "constant":
        return np.full(seen.shape, bare.mean())
    if shape == "scene mean":
        return np.full(seen.shape, seen.mean())
    small = zoom(seen, 0.25, order=1)
    long_side = max(small.shape)
    if shape == "outside":  # and half of the light from beyond the frame, whatever lies in it
        rim = small.copy()
        rim[4:-4, 4:-4] = 0
        spread = gaussian_filter(small, long_side / 5, mode="nearest") / 2
        spread += gaussian_filter(rim, long_side / 6) * 2 + bare.mean() * 0.1
    else:
        rows, columns = (np.arange(-n + 1, n) for n in small.shape)
        r = np.hypot(rows[:, None], columns[None]) / long_side
        kernel = {
            "gaussian": np.exp(-0.5 * (r / 0.12) ** 2) + 0.15,
            "inverse square": 1 / (r**2 + 0.03**2),
            "two exponentials": np.exp(-r / 0.03) * 8 + np.exp(-r / 0.3),
        }[shape]
        spread = fftconvolve(kernel, small, mode="valid")
        spread /= fftconvolve(kernel, np.ones(small.shape), mode="valid").mean()
    return zoom(spread, np.array(seen.shape) / spread.shape, order=1)


def draw(rng: np.random.Generator, number: int, *, light: bool, glare: bool) -> Physics:
    """Return the physics of a session."""
    on = float(light)
    return Physics(
        shape=SHAPES[number % len(SHAPES)],
        share=float(rng.uniform(0.003, 0.006)) if glare else 0.0,
        level=1 + on * float(rng.normal(0, 0.01)),
        slope=(on * float(rng.normal(0, 0.005)), on * float(rng.normal(0, 0.005))),
        fall_off=on * float(rng.normal(0, 0.004)),
        bend=on * float(rng.normal(0, 0.004)),
    )


@dataclass
class Found:
    """True density, error, stated error; and "at least" values."""

    readings: list[tuple[float, float, float]] = field(default_factory=list)
    bounds: list[tuple[float, float]] = field(default_factory=list)
    doubted: int = 0  # plates whose sides are in doubt, so that places in millimetres are refused


def session(
    folder: Path, condition: str, number: int, rng: np.random.Generator, found: Found
) -> None:
    """Take one session and read its plate."""
    mask, holder = condition.endswith("mask"), condition == "holder"
    scan = condition.startswith("scan")
    physics = draw(
        rng,
        number,
        light=condition != "clean" and not scan,
        glare=condition not in ("clean", "light", "light, mask"),
    )
    fields = tuple(float(d) for d in rng.permutation(FIELDS))
    plate = PlateModel(
        size_mm=(90.0, 120.0),
        target=StepTablet(
            densities=fields,
            grid=(3, 4),
            size_mm=(70.0, 100.0),
            surround=float(rng.uniform(0.15, 1.2)),
        ),
        grain_um=0.0,
    )
    seed = int(rng.integers(1 << 30))
    fill = 0.88 if mask else float(rng.uniform(0.6, 0.85))
    cfa = "MONO" if scan else FILTERS.get(condition, CAMERA.cfa)
    camera = CameraModel(shape=CAMERA.shape, fill=fill, cfa=cfa)
    box = LightBox(
        surround="dark" if mask else "holder" if holder else "bright",
        gap_mm=1.0 if mask or holder else 0.0,
        light_seed=seed,
        card_density=float(rng.uniform(3.3, 4.5)),
    )
    truth = np.asarray(true_transmittance(plate, box, camera, seed=seed), np.float64)
    corners = true_corners(plate, camera)
    if condition == "strip":
        edge = int(corners[:, 1].max())
        rows, columns = truth.shape
        right = edge + (columns - edge) * 3 // 4
        truth[rows // 4 : 3 * rows // 4, (edge + right) // 2 : right] = 10**-3.5
    bare = np.asarray(light_field(box, camera.shape, slice(0, camera.shape[0])), np.float64)
    light = None
    if scan:
        name = "plate.jpg" if "JPEG" in condition else "plate.tif"
        _scanned(physics.light(truth, np.ones_like(truth), later=False), folder / name, seed)
    else:
        name = "plate.dng"
        shot = _taken(physics.light(truth, bare, later=True), box, camera, seed + 2)
        write_dng(folder / name, shot)
        if condition != "no blank":
            light = _light(physics, bare, box, camera, seed + 1, CARDS.get(condition, ()))
    job = PlateJob(
        folder=folder,
        output=folder,
        settings=PlateSettings(id="p", captures=(name,), format="9x12 cm", emulsion="light"),
        light=light,
        calibration=_tablet(physics, bare, rng) if condition == "calibrated" else None,
    )
    probe = open_probe(job)
    if probe.mm_per_px is None:
        found.doubted += 1
        return
    places = [(x + 60.0, y + 45.0) for y, x in plate.target.centres_mm()]  # type: ignore[union-attr]
    spots = [Spot(x=x, y=y, size=8.0, unit="mm") for x, y in places]
    for reading, true in zip(read_spots(probe, spots), fields, strict=True):
        if reading.density is not None and reading.sigma is not None:
            found.readings.append((true, reading.density - true, reading.sigma))
        if reading.at_least is not None:
            found.bounds.append((true, reading.at_least))


def _light(
    physics: Physics,
    bare: np.ndarray,
    box: LightBox,
    camera: CameraModel,
    seed: int,
    cards: tuple[tuple[float, float], ...],
) -> Light:
    """Return the light of a blank; and of card and box off, where they were captured."""
    blank = _taken(physics.light(np.ones_like(bare), bare, later=False), box, camera, seed)
    light = light_from_blanks([blank])
    if not cards:
        return light
    rows, columns = bare.shape
    shown = []
    for height, place in cards:
        card, half, middle = np.ones_like(bare), round(height * rows), round(place * columns)
        card[rows // 2 - half : rows // 2 + half, middle - half : middle + half] = 1e-6
        seen = physics.light(card, bare, later=False)
        shown.append(_taken(seen, box, camera, seed + 10 + 2 * len(shown)))
    off = expose(
        np.zeros(bare.shape, np.float32), camera, exposure_s=64 * EXPOSURE_S, seed=seed + 11
    )
    return replace(light, glare=session_glare(light, None, cards=shown, boxes_off=[off]))


def _scanned(light: np.ndarray, path: Path, seed: int) -> None:
    """Write a scan of linear light: noise of half a code of 12 bits before coding, gamma 2.2."""
    noise = np.random.default_rng(seed + 3).normal(0, 0.5 / 4095, light.shape)
    code = np.clip(0.98 * light + noise, 0, 1) ** (1 / 2.2)
    if path.suffix == ".jpg":
        picture = Image.fromarray(np.rint(code * 255).astype(np.uint8))
        picture.save(path, quality=95, dpi=(SCAN_PPI, SCAN_PPI))
    else:
        codes = np.rint(code * 65535).astype(np.uint16)
        tifffile.imwrite(path, codes, photometric="minisblack", resolution=(SCAN_PPI, SCAN_PPI))


def _taken(light: np.ndarray, box: LightBox, camera: CameraModel, seed: int) -> SensorFrame:
    scaled = np.asarray(light * box.brightness * EXPOSURE_S, np.float32)
    return expose(scaled, camera, exposure_s=EXPOSURE_S, seed=seed)


def _tablet(physics: Physics, bare: np.ndarray, rng: np.random.Generator) -> Calibration:
    """Return what a tablet of 21 steps, alone in a frame, makes known."""
    truth = np.ones(bare.shape)
    rows, columns = bare.shape
    half = rows * float(rng.uniform(0.05, 0.2))
    inside = slice(round(rows / 2 - half), round(rows / 2 + half))
    edges = np.linspace(columns / 8, 7 * columns / 8, 22).round().astype(int)
    known = np.array(TABLET_21)
    for density, left, right in zip(known, edges[:-1], edges[1:], strict=True):
        truth[inside, left:right] = 10**-density
    blank = bare + physics.share * stray(bare, bare, physics.shape)
    seen = truth * bare
    seen = seen + physics.share * stray(seen, bare, physics.shape)
    places = np.stack([np.full(21, rows / 2), (edges[:-1] + edges[1:]) / 2], axis=1)
    at = tuple(places.astype(int).T)
    light = seen[at] / blank[at]
    size = np.array(grid_shape(bare.shape)) / bare.shape
    box, cells = (zoom(plane / blank.mean(), size, order=1) for plane in (blank, seen))
    scene = LitScene(
        cells=cells[None],
        bare=box[None],
        room=0 * box[None],
        shape=(rows, columns),
        known=NOTHING,
        proven=False,
    )
    sure = np.full(21, 0.01)
    steps = tablet_cells(scene, places, light, 0.002 * light, known, sure, (1.0, 0.03))
    return Calibration(callier=1.0, callier_sigma=0.002, glare=fit_captures([steps]))


def table(condition: str, found: Found) -> list[str]:
    """Return lines: band, bias, rms, within 1 and 2 stated errors, number."""
    lines = []
    false = sum(bound > true for true, bound in found.bounds)
    values = np.array(found.readings).reshape(-1, 3)
    for low, high in BANDS:
        _, error, sigma = values[(values[:, 0] >= low) & (values[:, 0] < high)].T
        if error.size == 0:
            continue
        pull = np.abs(error / sigma)
        lines.append(
            f"| {condition} | {low:.1f}-{high:.1f} | {error.mean():+.4f} "
            f"| {np.sqrt(np.mean(error**2)):.4f} | {np.median(sigma):.4f} "
            f"| {100 * np.mean(pull <= 1):.0f} | {100 * np.mean(pull <= 2):.0f} | {error.size} |"
        )
    if found.doubted:
        lines.append(f"|  | sides in doubt | {found.doubted} plates not read | | | | | |")
    if found.bounds:
        lines.append(f"|  | at least | {false} of {len(found.bounds)} false | | | | | |")
    return lines


def put_into(page: Path, lines: list[str], asked: str) -> None:
    """Write a table between the page's marks."""
    text = page.read_text(encoding="utf-8")
    before, rest = text.split("<!-- coverage -->", 1)
    after = rest.split("<!-- end of coverage -->", 1)[1]
    told = [f"- {name}: {what}" for name, what in CONDITIONS.items()]
    parts = ["<!-- coverage -->", f"`{asked}`:", "", *told, "", *lines, "<!-- end of coverage -->"]
    page.write_text(before + "\n".join(parts) + after, encoding="utf-8")


def main() -> None:
    from one_core import KEPT_IN, figure  # here, since tests import this file from elsewhere

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=tuple(CONDITIONS))
    parser.add_argument("--into", type=Path)
    asked = parser.parse_args()
    lines = ["| condition | D | bias | rms | stated, median | within 1, % | within 2, % | n |"]
    lines.append("| --- | --- | --- | --- | --- | --- | --- | --- |")
    print("\n".join(lines))
    for place, condition in enumerate(CONDITIONS):
        if asked.only in (None, condition):
            rng = np.random.default_rng([asked.seed, place])
            found = Found()
            with tempfile.TemporaryDirectory() as folder:
                for number in range(asked.sessions):
                    session(Path(folder), condition, number, rng, found)
            lines += table(condition, found)
            print("\n".join(table(condition, found)), flush=True)
            _, error, sigma = np.array(found.readings).reshape(-1, 3).T
            pull = np.abs(error / sigma)
            shares = "; ".join(f"{np.mean(pull <= limit):.0%}" for limit in (1, 2))
            figure(f"{condition}: within one stated error; within two", shares, ">= 68; 95 %")
            false = sum(bound > true for true, bound in found.bounds)
            figure(f"{condition}: false bounds", f"{false} of {len(found.bounds)}", "<= 2.5 %")

    by_all = KEPT_IN in os.environ and asked.sessions >= ENOUGH and asked.only is None
    into = asked.into or (PAGE if by_all else None)
    if into is not None:
        command = f"python bench/coverage.py --sessions {asked.sessions} --seed {asked.seed}"
        put_into(into, lines, command)


if __name__ == "__main__":
    main()
