"""Somebody with only a flat-bed scanner: what scans count from, and what is said of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image
from scipy.ndimage import gaussian_filter

from platebench.session.check_file import CheckedCapture
from platebench.session.check_session import check_session
from platebench.session.drafting import draft_session
from platebench.session.measure_session import PlateReadings, measure_session_plate

BASE, DENSE = 0.10, 1.20  # D of a plate's rebate and of its picture, made here
SHAPE, TOP, LEFT = (420, 560), 60, 80
PLATE = (300, 400)  # pixels of the glass
REBATE = 24


def light_of_bed(*, surround: float, bare: float) -> np.ndarray:
    """Return the light of a bed with one plate on it, over the scanner's white."""
    light = np.full(SHAPE, surround * bare)
    rows, columns = slice(TOP, TOP + PLATE[0]), slice(LEFT, LEFT + PLATE[1])
    light[rows, columns] = 10**-BASE * bare
    inner = light[rows, columns][REBATE:-REBATE, REBATE:-REBATE]
    wave = (
        np.sin(np.arange(inner.shape[1]) / 25)[None]
        * np.cos(np.arange(inner.shape[0]) / 31)[:, None]
    )
    inner[...] = 10 ** -(DENSE + 0.3 * wave) * bare
    inner[:80, :80] = 10**-DENSE * bare
    return gaussian_filter(light, 0.8)  # the scanner's lens


def write_scan(
    folder: Path,
    light: np.ndarray,
    *,
    name: str = "scan.tif",
    gamma: float = 2.2,
    bits: int = 16,
    ppi: float | None = None,
) -> None:
    noise = np.random.default_rng(3).normal(0, 0.0005, light.shape)
    codes = np.clip(light + noise, 0, 1) ** (1 / gamma) * (2**bits - 1)
    pixels = np.rint(codes).astype(np.uint8 if bits == 8 else np.uint16)
    if name.endswith(".tif"):
        stated = {} if ppi is None else {"resolution": (ppi, ppi), "resolutionunit": "INCH"}
        tifffile.imwrite(folder / name, pixels, photometric="minisblack", metadata=None, **stated)
    else:
        Image.fromarray(pixels).save(folder / name, quality=95)


def session(
    folder: Path, *, plates: str = '[[plate]]\nid = "a"\ncaptures = ["scan.tif"]\n'
) -> None:
    (folder / "session.toml").write_text(plates, encoding="utf-8")


def read(folder: Path) -> PlateReadings:
    """Read the rebate and the even corner of the picture."""
    turned = PLATE[1] - 1  # the emulsion faced the scanner: the positive is turned left for right
    places = ((turned - 200.0, 12.0, "px"), (turned - REBATE - 40.0, REBATE + 40.0, "px"))
    return measure_session_plate(folder, "a", places=places, size=(14.0, "px"))


@pytest.mark.parametrize("bare", [0.97, 0.92])
def test_densities_count_from_the_bare_light_beside_the_plate(tmp_path: Path, bare: float) -> None:
    write_scan(tmp_path, light_of_bed(surround=1.0, bare=bare))
    session(tmp_path)
    done = read(tmp_path)
    # -log10(0.92) is 0.036 D: that much too dense by the scanner's white.
    assert [r.density for r in done.readings] == pytest.approx([BASE, DENSE], abs=0.004)
    assert any(f"{bare:.2f} of white" in note for note in done.notes)


def test_in_a_dark_mask_they_count_from_the_scanners_white(tmp_path: Path) -> None:
    write_scan(tmp_path, light_of_bed(surround=0.0003, bare=0.93))
    session(tmp_path)
    done = read(tmp_path)
    off = -np.log10(0.93)
    assert [r.density for r in done.readings] == pytest.approx([BASE + off, DENSE + off], abs=0.004)
    assert any("bare light" in note for note in done.notes)


def test_bare_light_that_clips_is_not_trusted(tmp_path: Path) -> None:
    """Automatic exposure for the plate: bare light would be 1.15 of white."""
    write_scan(tmp_path, light_of_bed(surround=1.0, bare=1.15))
    session(tmp_path)
    done = read(tmp_path)
    dense = done.readings[1]
    assert dense.density == pytest.approx(DENSE - np.log10(1.15), abs=0.004)
    assert any("clipped" in note for note in done.notes)


def test_what_is_white_in_a_scan_is_read_as_clipped(tmp_path: Path) -> None:
    """Base of D 0.10 at 1.3 times the light: 1.03 of white, no tone of its own any more."""
    write_scan(tmp_path, light_of_bed(surround=1.0, bare=1.3))
    corners = [[59.5, 79.5], [59.5, 479.5], [359.5, 479.5], [359.5, 79.5]]
    session(tmp_path, plates=f'[[plate]]\nid = "a"\ncaptures = ["scan.tif"]\ncorners = {corners}\n')
    rebate, dense = read(tmp_path).readings
    assert (rebate.density, rebate.reason) == (None, "clipped")
    assert dense.reason is None and dense.density is not None


def test_two_plates_in_one_scan(tmp_path: Path) -> None:
    light = light_of_bed(surround=1.0, bare=0.95)
    light = np.hstack([light, light])
    write_scan(tmp_path, light)
    found = draft_session(tmp_path).settings.plates
    assert [plate.captures for plate in found] == [("scan.tif",)] * 2
    session(tmp_path, plates='[[plate]]\nid = "both"\ncaptures = ["scan.tif"]\n')
    told = " ".join(line for c in check_session(tmp_path) for line in _said(c))
    assert "one plate" in told and "list it twice" in told
    pages = [
        f'[[plate]]\nid = "{name}"\ncaptures = ["scan.tif"]\ncorners = '
        f"{[[59.5, at + 79.5], [59.5, at + 479.5], [359.5, at + 479.5], [359.5, at + 79.5]]}\n"
        for name, at in (("a", 0), ("b", SHAPE[1]))
    ]
    session(tmp_path, plates="".join(pages))
    done = read(tmp_path)
    other = measure_session_plate(
        tmp_path, "b", places=[(PLATE[1] - 1 - 200.0, 12.0, "px")], size=(14.0, "px")
    )
    assert other.readings[0].density == pytest.approx(done.readings[0].density, abs=0.002)


def _said(check: CheckedCapture) -> list[str]:
    assert check.check is not None
    return [f"{v.text} {v.remedy}" for v in check.check.verdicts]


def test_an_assumed_gamma_is_said(tmp_path: Path) -> None:
    write_scan(tmp_path, light_of_bed(surround=1.0, bare=0.93), bits=8)
    draft = draft_session(tmp_path)
    assert "profile" in draft.remarks["scan.tif"]
    session(tmp_path)
    said = " ".join(line for c in check_session(tmp_path) for line in _said(c))
    assert "gamma 2.2" in said
    for camera in ("photosite", "lens cap", "the camera"):
        assert camera not in said
    assert any("gamma 2.2" in note for note in read(tmp_path).notes)


def test_a_jpeg_says_that_its_errors_are_bounds(tmp_path: Path) -> None:
    write_scan(tmp_path, light_of_bed(surround=1.0, bare=0.93), name="scan.jpg", bits=8)
    session(tmp_path, plates='[[plate]]\nid = "a"\ncaptures = ["scan.jpg"]\n')
    done = read(tmp_path)
    assert any("JPEG" in note and "upper bounds" in note for note in done.notes)
    for reading, truth in zip(done.readings, (BASE, DENSE), strict=True):
        assert reading.density is not None and reading.sigma is not None
        assert abs(reading.density - truth) < 3 * reading.sigma


@pytest.mark.parametrize(
    ("ppi", "named"),
    # 400 x 300 pixels, arithmetic: 400 / 84.67 in = 120 mm, 300 / 84.67 in = 90 mm.
    [(84.67, 'format = "9x12 cm"'), (100.0, 'format = "76 x 102 mm"')],
)
def test_the_scans_resolution_suggests_the_plates_size(
    tmp_path: Path, ppi: float, named: str
) -> None:
    write_scan(tmp_path, light_of_bed(surround=1.0, bare=0.93), ppi=ppi)
    session(tmp_path)
    said = " ".join(line for c in check_session(tmp_path) for line in _said(c))
    assert named in said
    session(tmp_path, plates='[[plate]]\nid = "a"\nformat = "9x12 cm"\ncaptures = ["scan.tif"]\n')
    said = " ".join(line for c in check_session(tmp_path) for line in _said(c))
    assert "set format" not in said


def test_a_step_is_known_no_better_than_it_is_even(tmp_path: Path) -> None:
    """Grain is part of what a square holds, and an error of a step that should be even."""
    rng = np.random.default_rng(6)
    steps = np.repeat(np.linspace(0.2, 1.9, 12), 40)
    light = np.full((260, 640), 10**-BASE)
    light[60:160, 80:560] = 10 ** -steps[None]
    grain = gaussian_filter(rng.normal(0, 1, light.shape), 1.0)
    light *= 10 ** -(0.04 * grain / grain.std())
    bed = np.full((380, 760), 0.93)
    bed[60:320, 60:700] *= gaussian_filter(light, 0.8)
    write_scan(tmp_path, bed)
    session(tmp_path)
    wedge = measure_session_plate(tmp_path, "a", wedge=True)
    for reading in wedge.readings:
        assert reading.spread is not None and reading.photon_sigma is not None
        assert reading.photon_sigma > 0.0005  # grain of 0.04 D over some thousand pixels
    middle = sorted(r.density for r in wedge.readings if r.density is not None)[1:-1]
    assert np.diff(middle) == pytest.approx(np.diff(np.linspace(0.2, 1.9, 12))[0], abs=0.02)
