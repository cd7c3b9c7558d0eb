"""Counts to transmittance against frames whose truth is written down here."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import BlankFrameError, FrameMismatchError, NoLightReferenceError
from platebench.core.image import CaptureInfo, CaptureKind, SensorFrame
from platebench.plate.flatten import SiteCorrection, stain_step, transmittance_from_counts
from platebench.plate.light import (
    LightSource,
    dark_from_frames,
    light_from_blanks,
    light_of_scanner,
    uniformity,
)
from platebench.plate.light_estimate import light_from_surround

from ..refusals import refused

BAYER = np.array([[0, 1], [1, 2]], np.uint8)
GAINS = np.array([0.55, 1.0, 0.7])
SHAPE = (301, 450)
BLACK, WHITE = 512.0, 16383.0


def _info(name: str, **changes: object) -> CaptureInfo:
    base = CaptureInfo(
        path=Path(name), kind=CaptureKind.RAW, exposure_s=0.1, iso=100.0, f_number=8.0
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def _light() -> np.ndarray:
    y, x = np.meshgrid(np.linspace(-1, 1, SHAPE[0]), np.linspace(-1, 1, SHAPE[1]), indexing="ij")
    even = 14000 * (1 - 0.25 * (x * x + 0.5 * y * y) + 0.04 * x)
    colours = np.tile(BAYER, (SHAPE[0] // 2 + 1, SHAPE[1] // 2 + 1))[: SHAPE[0], : SHAPE[1]]
    return np.asarray(even * GAINS[colours])


def _frame(signal: np.ndarray, name: str, **info: object) -> SensorFrame:
    counts = np.clip(np.rint(signal + BLACK), 0, WHITE).astype(np.uint16)
    return SensorFrame(
        counts=counts,
        pattern=BAYER,
        black=np.full((2, 2), BLACK, np.float32),
        white=WHITE,
        info=_info(name, **info),
    )


def _plate() -> np.ndarray:
    """Transmittance with a ramp in each axis and a plate in the middle."""
    truth = np.ones(SHAPE)
    y, x = np.mgrid[0:201, 0:330]
    truth[50:251, 60:390] = 10 ** -(0.2 + 1.2 * x / 330 + 0.3 * y / 201)
    return truth


def test_transmittance_is_signal_over_light_at_every_site() -> None:
    light = light_from_blanks([_frame(_light(), "blank.dng")])
    image = transmittance_from_counts(_frame(_light() * _plate(), "plate.dng"), light)
    assert image.valid is None
    assert np.array_equal(image.pattern, BAYER)
    # Counts are rounded: half a count over the signal is all the error allowed beyond 0.1 %.
    error = np.abs(image.pixels - _plate())
    assert np.all(error <= 0.6 / _light() + 2e-3 * _plate())


def test_times_of_plate_and_blank_may_differ() -> None:
    light = light_from_blanks([_frame(_light(), "blank.dng")])
    plate = _frame(_light() * 0.25 * 2, "plate.dng", exposure_s=0.2)
    assert np.median(transmittance_from_counts(plate, light).pixels) == pytest.approx(
        0.25, rel=1e-3
    )


def test_dark_frames_replace_the_stated_black() -> None:
    offset = 40.0
    dark = dark_from_frames([_frame(np.full(SHAPE, offset), "dark.dng")])
    light = light_from_blanks([_frame(_light() + offset, "blank.dng")], dark)
    plate = _frame(_light() * 0.01 + offset, "plate.dng")
    with_dark = np.median(transmittance_from_counts(plate, light, dark).pixels)
    without = np.median(transmittance_from_counts(plate, light).pixels)
    assert with_dark == pytest.approx(0.01, rel=5e-3)
    assert without > 0.0125


def test_clipped_sites_are_marked_and_no_others() -> None:
    light = light_from_blanks([_frame(_light(), "blank.dng")])
    signal = _light() * 0.5
    signal[7, 11] = signal[203, 308] = 40000
    image = transmittance_from_counts(_frame(signal, "plate.dng"), light)
    assert image.valid is not None
    assert np.argwhere(~image.valid).tolist() == [[7, 11], [203, 308]]


def test_originals_are_not_changed() -> None:
    plate, blank = _frame(_light() * 0.4, "plate.dng"), _frame(_light(), "blank.dng")
    before = plate.counts.copy(), blank.counts.copy()
    transmittance_from_counts(plate, light_from_blanks([blank]))
    np.testing.assert_array_equal(plate.counts, before[0])
    np.testing.assert_array_equal(blank.counts, before[1])


def test_uniformity_of_known_cells() -> None:
    # By hand: mean 1, deviations (0.2, 0, 0, 0.2): sqrt(0.08 / 4); (1.2 - 0.8) / 1.2.
    even = uniformity(np.array([0.8, 1.0, 1.0, 1.2]))
    assert even.sd_over_mean == pytest.approx(0.02**0.5)
    assert even.range_over_max == pytest.approx(1 / 3)


def test_independent_blank_is_even_after_flattening() -> None:
    # FADGI 2023 (four star) and check-values section 9: s.d./mean below 1 % after correction.
    rng = np.random.default_rng(5)
    blanks = [_frame(rng.poisson(_light()), f"blank{i}.dng") for i in range(3)]
    light = light_from_blanks(blanks)
    assert light.before is not None and light.before.sd_over_mean > 0.05
    assert light.after is not None and light.after.sd_over_mean < 0.01
    independent = _frame(rng.poisson(_light()), "other.dng")
    flat = transmittance_from_counts(independent, light).pixels
    cells = flat[:300, :450].reshape(10, 30, 10, 45).mean(axis=(1, 3))
    assert uniformity(cells).sd_over_mean < 0.01


def test_light_estimated_from_the_surround() -> None:
    plate = _frame(_light() * _plate(), "plate.dng")
    corners = np.array([[50.0, 60], [50, 389], [250, 389], [250, 60]])
    light = light_from_surround(plate, corners)
    assert light.source is LightSource.ESTIMATED
    image = transmittance_from_counts(plate, light)
    inside = (slice(60, 240), slice(70, 380))
    # The fit is quadratic in log light, the truth quadratic in light: over this fall-off of a
    # third the two differ by a few per cent of it in the middle, where no bare light is seen.
    assert np.abs(np.log10(image.pixels[inside] / _plate()[inside])).max() < 0.015


def test_no_bare_light_around_the_plate() -> None:
    plate = _frame(_light() * 0.2, "plate.dng")
    corners = np.array([[-2.0, -2], [-2, 451], [302, 451], [302, -2]])
    with refused(NoLightReferenceError, plate=Path("plate.dng")):
        light_from_surround(plate, corners)


def test_scanner_white_is_transmittance_one() -> None:
    curve = np.linspace(0, 65535, 65536, dtype=np.float32)
    scan = SensorFrame(
        counts=np.full((40, 60), 6554, np.uint16),
        pattern=np.ones((1, 1), np.uint8),
        black=np.zeros((1, 1), np.float32),
        white=65535.0,
        info=CaptureInfo(path=Path("scan.tif"), kind=CaptureKind.SCAN),
        curve=curve,
    )
    image = transmittance_from_counts(scan, light_of_scanner(scan))
    assert image.pixels[3, 5] == pytest.approx(6554 / 65535, rel=1e-5)


def test_stain_correction_is_a_gain_and_a_power() -> None:
    light = light_from_blanks([_frame(_light(), "blank.dng")])
    correction = SiteCorrection(
        gains=np.full((4, 3, 3), 2.0, np.float32), exponents=np.array([1, 1, 1, 0.5], np.float32)
    )
    plate = _frame(_light() * 0.125, "plate.dng")
    pixels = transmittance_from_counts(
        plate, light, steps=[stain_step(correction, plate.pattern, plate.shape, 1)]
    ).pixels
    assert np.median(pixels[0::2, 0::2]) == pytest.approx(0.25, rel=2e-3)
    assert np.median(pixels[1::2, 1::2]) == pytest.approx(0.5, rel=2e-3)


@pytest.mark.parametrize(
    ("changes", "shown"),
    [({"iso": 200.0}, ("ISO", "100", "200")), ({"f_number": 11.0}, ("aperture", "8", "11"))],
)
def test_other_camera_settings_are_refused(
    changes: dict[str, float], shown: tuple[str, ...]
) -> None:
    light = light_from_blanks([_frame(_light(), "blank.dng")])
    with refused(FrameMismatchError, *shown, plate=Path("plate.dng")):
        transmittance_from_counts(_frame(_light(), "plate.dng", **changes), light)


def test_wrong_size_blank_is_refused() -> None:
    light = light_from_blanks([_frame(_light()[:-2], "blank.dng")])
    with refused(FrameMismatchError, "450 x 299", "450 x 301", plate=Path("plate.dng")):
        transmittance_from_counts(_frame(_light(), "plate.dng"), light)


@pytest.mark.parametrize(("factor", "remedy"), [(1.6, "shorten"), (0.01, "lengthen")])
def test_unusable_blanks_are_refused(factor: float, remedy: str) -> None:
    with refused(BlankFrameError, remedy, path=Path("blank.dng")):
        light_from_blanks([_frame(_light() * factor, "blank.dng")])


def test_dark_frame_with_light_is_refused() -> None:
    with refused(BlankFrameError, path=Path("dark.dng")):
        dark_from_frames([_frame(_light() * 0.3, "dark.dng")])
