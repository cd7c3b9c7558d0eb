"""One 60 MP plate, raw file to positive and preview, against the floor and a plain script.

    python bench/convert.py [--megapixels 60] [--runs 3] [--folder DIR]

Prints ratios measured in one run, since machines are noisy:

* to the floor: LibRaw open and unpack of the same file, plus writing the same two pictures;
* to the script a photographer would write: rawpy's AHD demosaic, numpy and scikit-image;
* peak memory of the process, as a multiple of the frame at 16 bits a photosite.

Every measurement runs in a process of its own, on one core, and times the second of two plates, as
a worker of a session is past its first; the best of the runs counts. Times are given by the clock
and in processor time, which says more where others use the machine too.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from one_core import figure, frame_shape, run_bench, run_step

EXPOSURE_S = 1 / 16
T = TypeVar("T")
KINDS = {"seconds": "clock", "cpu": "processor"}


def make_session(folder: Path, megapixels: float, *, compress: bool) -> None:
    """Write a plate and three blanks as DNG files."""
    from platebench.synthetic import (
        CameraModel,
        LightBox,
        PlateModel,
        simulate_blank,
        simulate_plate,
        write_dng,
    )

    camera = CameraModel(shape=frame_shape(megapixels), tilt_deg=0.7, fill=0.9)
    box = LightBox()
    plate = PlateModel(size_mm=(101.0, 126.2), dust=20, scratches=2, chips=2)
    frame = simulate_plate(plate, box, camera, exposure_s=EXPOSURE_S, seed=1).frame
    write_dng(folder / "plate.dng", frame, compress=compress)
    blank = simulate_blank(box, camera, exposure_s=EXPOSURE_S, seed=2)
    write_dng(folder / "blank.dng", blank, compress=compress)


def prepare(folder: Path) -> Any:
    """Return the job of the plate, the blank read beforehand as a session does."""
    import cv2

    from platebench.core.installed import profiles_folder
    from platebench.core.settings import PlateSettings
    from platebench.plate.job import PlateJob
    from platebench.plate.light import light_from_blanks
    from platebench.read.capture import read_capture
    from platebench.tone.profile_file import load_tone

    cv2.setNumThreads(1)
    output = folder / "converted"
    for name in ("positives", "previews"):
        (output / name).mkdir(parents=True, exist_ok=True)
    light = light_from_blanks([read_capture(folder / "blank.dng")])
    settings = PlateSettings(id="plate", captures=("plate.dng",), format="4x5 in")
    tone = load_tone("neutral", [profiles_folder() / "tone"])
    return PlateJob(folder=folder, output=output, settings=settings, light=light, tone=tone)


def timed(work: Callable[[], T]) -> tuple[T, dict[str, float]]:
    """Do it; return what came of it, and seconds by the clock and of the processor."""
    clock, processor = time.perf_counter(), time.process_time()
    done = work()
    took = time.perf_counter() - clock, time.process_time() - processor
    return done, {"seconds": took[0], "cpu": took[1]}


def step_ours(folder: Path) -> dict[str, float]:
    """Time the whole way of one plate."""
    from platebench.session.convert_plate import convert_plate

    job = prepare(folder)
    convert_plate(job)
    result, took = timed(lambda: convert_plate(job))
    if result.error is not None or not result.record["found"]:
        raise SystemExit(f"the plate was not converted: {result.error or result.record['flags']}")
    return took


def step_floor(folder: Path) -> dict[str, float]:
    """Time LibRaw's open and unpack, and writing what the conversion wrote."""
    return [_floor(folder) for _ in range(2)][-1]


def _floor(folder: Path) -> dict[str, float]:
    import numpy as np
    import rawpy
    import tifffile

    from platebench.write.preview import write_preview
    from platebench.write.tiff import write_picture

    pixels = tifffile.imread(folder / "converted" / "positives" / "plate.tif")
    target = folder / "floor.tif"

    def read_and_write() -> int:
        with rawpy.imread(str(folder / "plate.dng")) as raw:
            touched = int(np.asarray(raw.raw_image_visible)[::64, ::64].max())
        write_picture(target, pixels, ppi=1.0, description="", software="", taken=None, xmp=b"")
        write_preview(target.with_suffix(".jpg"), pixels)
        return touched

    touched, took = timed(read_and_write)
    if not touched:
        raise SystemExit("the raw file reads as black")
    return took


def step_script(folder: Path) -> dict[str, float]:
    """Time the plain script: AHD demosaic, flat field, threshold, rotate, invert, save."""
    import numpy as np
    import rawpy
    from skimage import color, filters, io, measure, transform

    def linear(path: Path) -> Any:
        with rawpy.imread(str(path)) as raw:
            picture = raw.postprocess(
                demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD,
                gamma=(1, 1),
                no_auto_bright=True,
                use_camera_wb=True,
                output_bps=16,
            )
        return color.rgb2gray(picture)

    blank = filters.gaussian(linear(folder / "blank.dng"), 20)

    def script() -> None:
        flat = linear(folder / "plate.dng") / blank
        small = transform.resize(flat, (flat.shape[0] // 8, flat.shape[1] // 8), anti_aliasing=True)
        regions = measure.regionprops(measure.label(small < filters.threshold_otsu(small)))
        plate = max(regions, key=lambda region: region.area)
        turned = transform.rotate(flat, 0.7, order=3, preserve_range=True)
        top, left, bottom, right = (8 * edge for edge in plate.bbox)
        density = -np.log10(np.clip(turned[top:bottom, left:right], 1e-4, None))
        low, high = np.percentile(density, [1, 99])
        positive = np.clip((density - low) / (high - low), 0, 1) ** (1 / 2.2)
        io.imsave(folder / "script.tif", (positive * 65535).astype(np.uint16), check_contrast=False)
        thumb = transform.rescale(positive, 2000 / max(positive.shape), anti_aliasing=True)
        io.imsave(folder / "script.jpg", (thumb * 255).astype(np.uint8), check_contrast=False)

    return timed(script)[1]


def step_idle(_folder: Path) -> dict[str, float]:
    """Load what a worker loads, and do nothing."""
    return {}


STEPS = {"idle": step_idle, "ours": step_ours, "floor": step_floor, "script": step_script}


def compare(folder: Path, asked: argparse.Namespace, *, compress: bool) -> None:
    """Measure one kind of file and print the ratios."""
    megapixels, runs = asked.megapixels, asked.runs
    make_session(folder, megapixels, compress=compress)
    run_step(__file__, "ours", folder)  # leaves the pictures the floor writes
    idle = run_step(__file__, "idle", folder)["peak_bytes"]
    best: dict[str, dict[str, float]] = {"floor": {}, "ours": {}}
    peak = 0.0
    for _ in range(runs):
        for name, least in best.items():
            figures = run_step(__file__, name, folder)
            least |= {kind: min(least.get(kind, figures[kind]), figures[kind]) for kind in KINDS}
            peak = max(peak, figures["peak_bytes"]) if name == "ours" else peak
    frame = megapixels * 2e6
    file = "lossless-compressed DNG" if compress else "uncompressed DNG"
    print(f"{megapixels:g} MP {file}, one core, best of {runs}")
    for kind, what in KINDS.items():
        floor, ours = best["floor"][kind], best["ours"][kind]
        print(f"  {what}: floor {floor:.2f} s, ours {ours:.2f} s")
        aim = "<= 1.5" if compress else ""  # reading the other kind is nearly free
        figure(f"{file}: ratio to the floor, {what}", f"{ours / floor:.2f}", aim)
    figure(f"{file}: peak memory / 16-bit frame", f"{peak / frame:.2f}", "<= 4")
    figure(f"{file}: the same above idle", f"{(peak - idle) / frame:.2f}")
    if compress:  # the script reads either kind alike
        figures = run_step(__file__, "script", folder)
        seconds, memory = figures["seconds"], figures["peak_bytes"]
        print(f"  plain script {seconds:.1f} s, {memory / frame:.1f} x the frame")
        figure(
            "faster than the plain script", f"{seconds / best['ours']['seconds']:.1f} x", ">= 5 x"
        )


def main() -> None:
    """Measure both kinds of file."""
    run_bench(__doc__, STEPS, *(partial(compare, compress=kind) for kind in (True, False)))


if __name__ == "__main__":
    main()
