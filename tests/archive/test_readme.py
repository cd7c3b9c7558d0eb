"""README.txt of a package is enough: a script written from it remakes its positives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from platebench.archive.pack_session import PackOptions, pack_session
from platebench.archive.package_tree import hash_path
from platebench.plate.calibration import Calibration
from platebench.plate.set_up import set_up_of
from platebench.read.capture import read_capture
from platebench.session.convert_session import convert_session
from platebench.synthetic import LightBox, PlateModel, simulate_blank, simulate_plate

from ..session_files import CAMERA, EXPOSURE_S, put
from .conftest import NOW
from .remake_by_readme import positive, read

MODEL = PlateModel(dust=4, log_exposure=2.0)


def packed(folder: Path, settings: str) -> Path:
    (folder / "session.toml").write_text(settings, encoding="utf-8")
    convert_session(folder, workers=1)
    options = PackOptions(captures=True, masters=False)
    return pack_session(folder, now=NOW, options=options, workers=1)[0].package


def session_of_raws(folder: Path) -> Path:
    """A blank frame; the emulsion faced the camera in one, the light in the other, turned."""
    put(folder / "blank.dng", simulate_blank(LightBox(), CAMERA, exposure_s=EXPOSURE_S, seed=901))
    for n, name in enumerate(("a", "b", "tilted")):
        camera = replace(CAMERA, tilt_deg=1.5) if name == "tilted" else CAMERA
        shot = simulate_plate(MODEL, LightBox(), camera, exposure_s=EXPOSURE_S, seed=902 + n)
        put(folder / f"{name}.dng", shot.frame, at_s=60.0 * n)
    return packed(
        folder,
        '[light]\nblank = ["blank.dng"]\n[every_plate]\nformat = "9x12 cm"\n'
        '[[plate]]\nid = "a"\ncaptures = ["a.dng"]\nprint_stops = 0.4\n'
        '[[plate.pictures]]\nid = "left"\nbox = [0.1, 0.1, 0.4, 0.6]\nprint_contrast = 1.2\n'
        '[[plate]]\nid = "b"\ncaptures = ["b.dng"]\nemulsion = "light"\nrotate = 90\n'
        'picture = "box"\npicture_box_mm = [10, 15, 70, 60]\ncrop_positives = true\n'
        '[[plate]]\nid = "tilted"\ncaptures = ["tilted.dng"]\nrotate = 270\n',
    )


def session_of_scans(folder: Path) -> Path:
    """8 bits of gamma 2.2 in grey and 16 in three colours, on the scanner's own white."""
    shot = simulate_plate(MODEL, LightBox(), CAMERA, exposure_s=EXPOSURE_S, seed=911)
    code = np.clip(shot.transmittance, 0, 1) ** (1 / 2.2)
    grey = np.rint(255 * code).astype(np.uint8)
    tifffile.imwrite(folder / "grey.tif", grey, photometric="minisblack", metadata=None)
    colours = np.rint(65535 * np.stack([code, code, code**1.01], -1)).astype(np.uint16)
    tifffile.imwrite(folder / "rgb.tif", colours, photometric="rgb", metadata=None)
    return packed(
        folder,
        '[every_plate]\nformat = "9x12 cm"\n[[plate]]\nid = "grey"\ncaptures = ["grey.tif"]\n'
        '[[plate]]\nid = "rgb"\ncaptures = ["rgb.tif"]\nrotate = 270\n'
        '[[plate]]\nid = "green"\ncaptures = ["rgb.tif"]\ncolour = "demosaiced"\n',
    )


def session_with_glare(folder: Path) -> Path:
    """A mask of black card, glare, a stain, a step tablet's calibration and a lamp that drifts."""
    box = LightBox(glare=0.01)
    lamp = replace(box, brightness=0.95 * box.brightness)
    put(folder / "blank.dng", simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=921))
    stained = replace(MODEL, stain=(0.0, 0.02, 0.15))
    for n, (name, surround) in enumerate((("masked", "dark"), ("bare", "bright"))):
        around = replace(lamp, surround=surround)
        shot = simulate_plate(stained, around, CAMERA, exposure_s=EXPOSURE_S, seed=922 + n)
        put(folder / f"{name}.dng", shot.frame, at_s=60.0 * n)
    blank = hash_path(folder / "blank.dng").sha256
    Calibration(
        callier=1.2,
        callier_sigma=0.01,
        nodes=(0.0, 1.1, 1.9, 3.0),
        residuals=(0.0, 0.02, -0.01, 0.03),
        residual_sigmas=(0.0, 0.0, 0.0, 0.0),
        set_up=set_up_of(read_capture(folder / "bare.dng").info, (blank,)),
    ).save(folder / "calibration.json")
    return packed(
        folder,
        '[light]\nblank = ["blank.dng"]\n[every_plate]\nformat = "9x12 cm"\n'
        '[[plate]]\nid = "masked"\ncaptures = ["masked.dng"]\n'
        '[[plate]]\nid = "bare"\ncaptures = ["bare.dng"]\nrotate = 180\n',
    )


@pytest.mark.parametrize(
    ("make", "done"),
    [
        (session_of_raws, {"gain": 3}),
        (session_of_scans, {"curve": 3}),
        (session_with_glare, {"glare": 1, "stain": 1}),
    ],
)
def test_positives_are_made_again_by_the_readme_alone(
    make: Callable[[Path], Path], done: dict[str, int], tmp_path: Path
) -> None:
    """Within a step of 16 bits. Where a plate was resampled, one or two codes in a hundred round
    the other way, as the text says; the tone is then within what one code is worth.
    """
    package = make(tmp_path)
    plates = sorted(path.stem for path in (package / "data" / "workings").iterdir())
    for plate in plates:
        (path,) = package.glob(f"data/p*/{plate}.tif")  # positives, or pictures on a plate
        there = tifffile.imread(path).astype(int)
        made = positive(package, plate).astype(int)
        assert made.shape == there.shape and np.ptp(there) > 30_000
        beyond = np.abs(made - there) > 1
        if read(package, plate)["cut"]["nearest"]:
            assert not beyond.any(), plate
            continue
        assert beyond.mean() < 0.02, plate
        around = [positive(package, plate, off=by).astype(int) for by in (-1, 1)]
        assert (there >= np.minimum(*around) - 1).all() and (there <= np.maximum(*around) + 1).all()
    assert len(plates) == len([*package.glob("data/p*/*.tif")])
    said = [read(package, plate)["flatten"] for plate in plates]
    for key, least in done.items():  # the session does show what it is there for
        assert sum(one[key] is not None for one in said) >= least, key
