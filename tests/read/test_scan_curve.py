"""Tone curves of ICC profiles against LittleCMS, an independent library (through imagecodecs)."""

from __future__ import annotations

import imagecodecs
import numpy as np
import pytest
from icc_builder import (
    gamma_curve as icc_gamma,
)
from icc_builder import (
    grey_profile,
    parametric_curve,
    rgb_profile,
    table_curve,
    table_only_profile,
)
from numpy.typing import NDArray
from PIL import ImageCms

from platebench.read.scan_curve import (
    ProfileError,
    ScanCurves,
    curves_from_profile,
    gamma_curve,
    srgb_curve,
)

LINEAR_GREY = grey_profile(table_curve(()))
LINEAR_RGB = rgb_profile(*[table_curve(())] * 3)
CODES = np.arange(65536, dtype=np.uint16)

# LittleCMS interpolates tables in 16 bits: it may differ from us by one count there.
EXACT, ONE_COUNT = 2e-7, 1.01 / 65535
CURVES = {
    "identity": (table_curve(()), EXACT),
    "gamma 1.8": (icc_gamma(1.8), EXACT),
    "gamma 2.2": (icc_gamma(2.2), EXACT),
    "two points": (table_curve((0, 65535)), ONE_COUNT),
    "table": (table_curve([round(65535 * (i / 255) ** 1.8) for i in range(256)]), ONE_COUNT),
    "long table": (table_curve([round(65535 * (i / 4095) ** 2.4) for i in range(4096)]), ONE_COUNT),
    "para 0": (parametric_curve(0, 2.4), EXACT),
    "para 1": (parametric_curve(1, 2.0, 1.1, -0.1), EXACT),
    "para 2": (parametric_curve(2, 2.2, 0.9, 0.05, 0.02), EXACT),
    "para 3": (parametric_curve(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), EXACT),
    "para 4": (parametric_curve(4, 2.4, 0.93, 0.05, 0.07, 0.04, 0.01, 0.008), EXACT),
}


def light_by_littlecms(profile: bytes, channels: int) -> NDArray[np.float32]:
    """Linear light of every code, by LittleCMS: into a profile alike but for a straight curve."""
    space, linear = ("gray", LINEAR_GREY) if channels == 1 else ("rgb", LINEAR_RGB)
    codes = CODES[None, :] if channels == 1 else np.repeat(CODES[None, :, None], 3, axis=2)
    light = imagecodecs.cms_transform(
        codes, profile, linear, colorspace=space, outcolorspace=space, outdtype="float32"
    )
    return np.asarray(light)[0]


@pytest.mark.parametrize("name", CURVES)
def test_grey_curves_agree_with_littlecms(name: str) -> None:
    curve, tolerance = CURVES[name]
    ours = curves_from_profile(grey_profile(curve), 1)
    assert len(ours.curves) == 1
    reference = light_by_littlecms(grey_profile(curve), 1)
    assert np.max(np.abs(ours.curves[0] - reference)) <= tolerance
    assert reference[20000] != pytest.approx(reference[40000], abs=0.05)


def test_three_curves_agree_with_littlecms() -> None:
    names = ("gamma 1.8", "para 3", "table")
    profile = rgb_profile(*(CURVES[name][0] for name in names))
    ours = curves_from_profile(profile, 3)
    assert ours.common is None
    reference = light_by_littlecms(profile, 3)
    for channel, name in enumerate(names):
        apart = np.max(np.abs(ours.curves[channel] - reference[:, channel]))
        assert apart <= 2 * max(CURVES[name][1], ONE_COUNT)  # the matrix there and back


def test_lightness_connection_space_agrees_with_littlecms() -> None:
    """A grey profile whose curve gives L*, not luminance."""
    profile = grey_profile(icc_gamma(1.0), b"Lab ")
    ours = curves_from_profile(profile, 1).curves[0]
    assert np.max(np.abs(ours - light_by_littlecms(profile, 1))) <= 1e-6
    # CIE 15: L* = 50 is Y = ((50 + 16) / 116) ** 3 = 0.184187
    assert np.interp(0.5, CODES / 65535, ours) == pytest.approx(0.184187, abs=1e-6)


def test_srgb_against_the_profile_littlecms_makes() -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    ours = curves_from_profile(profile, 3).common
    assert ours is not None
    # Its parameters are rounded to s15Fixed16; IEC 61966-2-1 is not.
    assert np.max(np.abs(ours - srgb_curve())) < 3e-5


def test_srgb_points_of_the_standard() -> None:
    # IEC 61966-2-1: linear part below 0.04045, slope 1/12.92; ((c + 0.055) / 1.055) ** 2.4 above.
    curve = srgb_curve()
    assert curve[1] == pytest.approx(1 / 65535 / 12.92)
    assert curve[65535] == 1.0
    assert np.interp(0.5, CODES / 65535, curve) == pytest.approx(0.214041, abs=1e-6)


def test_gamma_is_a_power() -> None:
    curve = gamma_curve(2.2)
    assert np.interp(0.5, CODES / 65535, curve) == pytest.approx(0.5**2.2, abs=1e-7)


def test_grey_scan_with_an_rgb_profile_of_one_curve() -> None:
    found = curves_from_profile(rgb_profile(*[icc_gamma(1.8)] * 3), 1)
    assert found.common is not None
    assert np.max(np.abs(found.common - gamma_curve(round(1.8 * 256) / 256))) < 1e-12
    with pytest.raises(ProfileError, match="no one curve"):
        curves_from_profile(rgb_profile(icc_gamma(1.8), icc_gamma(2.2), icc_gamma(1.8)), 1)


@pytest.mark.parametrize(
    ("profile", "channels", "match"),
    [
        (b"", 1, "damaged"),
        (b"x" * 500, 1, "damaged"),
        (LINEAR_GREY, 3, "GRAY pictures"),
        (table_only_profile(), 3, "no tone curves"),
        (LINEAR_GREY[:132] + b"\xff" * 40, 1, "no tone curves"),
        (grey_profile(b"curv" + bytes(4) + b"\0\0\xff\xff"), 1, "damaged tone curve"),
        (grey_profile(b"para" + bytes(4) + b"\0\x09\0\0"), 1, "unknown type"),
        (grey_profile(b"xxxx" + bytes(20)), 1, "unknown type"),
        (grey_profile(table_curve((65535, 0))), 1, "does not rise"),
        (grey_profile(table_curve((0, 50000, 20000, 65535))), 1, "does not rise"),
        (grey_profile(parametric_curve(1, 900.0, 30000.0, 0.0)), 1, "does not rise"),
        (grey_profile(parametric_curve(2, 2.0, 0.0, 0.0, 0.0)), 1, "damaged"),
    ],
)
def test_profiles_that_cannot_be_undone(profile: bytes, channels: int, match: str) -> None:
    with pytest.raises(ProfileError, match=match):
        curves_from_profile(profile, channels)


def test_origin_names_the_profile() -> None:
    assert curves_from_profile(LINEAR_GREY, 1).origin == 'colour profile "Bench scanner"'


def test_curves_half_a_count_apart_are_one() -> None:
    near = gamma_curve(2.2)
    assert ScanCurves((near, near + 0.4 / 65535, near), "a").common is not None
    assert ScanCurves((near, near + 0.6 / 65535, near), "a").common is None
