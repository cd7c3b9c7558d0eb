"""Our colour profiles through LittleCMS, which did not write them."""

from io import BytesIO

import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageCms

from platebench.write.colour import (
    gray_gamma22_profile,
    gray_linear_profile,
    rgb_gamma22_profile,
    rgb_linear_profile,
)


def parsed(data):
    return ImageCms.ImageCmsProfile(BytesIO(data)).profile


def luminance(codes, profile, space):
    """Return Y (white 1) of codes, by LittleCMS in 32-bit floats, without adaptation."""
    xyz = imagecodecs.cms_profile("xyz")
    return imagecodecs.cms_transform(
        codes, profile, xyz, colorspace=space, outcolorspace="xyz", outdtype="float32"
    )


@pytest.mark.parametrize(
    ("data", "space"), [(gray_gamma22_profile(), "GRAY"), (rgb_gamma22_profile(), "RGB ")]
)
def test_header_is_what_icc_1_2001_asks(data, space):
    profile = parsed(data)
    assert profile.version == pytest.approx(2.4)
    assert profile.xcolor_space == space
    assert profile.connection_space == "XYZ "
    assert profile.device_class == "mntr"
    assert profile.copyright == "No copyright"
    assert "gamma 2.2" in profile.profile_description
    assert profile.media_white_point[0] == pytest.approx((0.9642, 1.0, 0.8249), abs=1e-4)
    assert int.from_bytes(data[:4], "big") == len(data)
    assert data[36:40] == b"acsp"
    assert data[68:80] == bytes.fromhex("0000f6d6000100000000d32d")  # D50, ICC.1 section 6.1.13
    assert len(data) % 4 == 0


@pytest.mark.parametrize(
    "data",
    [gray_gamma22_profile(), rgb_gamma22_profile(), gray_linear_profile(), rgb_linear_profile()],
)
def test_tag_table_points_at_aligned_data_inside_the_file(data):
    count = int.from_bytes(data[128:132], "big")
    names = set()
    for entry in range(count):
        at = 132 + 12 * entry
        offset, size = (int.from_bytes(data[at + i : at + i + 4], "big") for i in (4, 8))
        names.add(data[at : at + 4])
        assert offset % 4 == 0
        assert 132 + 12 * count <= offset <= offset + size <= len(data)
    assert len(names) == count
    assert {b"desc", b"cprt", b"wtpt"} < names  # required of every profile
    assert {b"kTRC"} < names or {b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"} < names


def test_grey_is_a_power_law_of_2_2():
    codes = np.arange(0, 65536, 257, dtype=np.uint16)[None, :, None]
    y = luminance(np.ascontiguousarray(codes[..., 0]), gray_gamma22_profile(), "gray")[..., 1]
    ideal = (codes[0, :, 0] / 65535) ** 2.2
    # The exponent is stored in 8 bits after the point: 563/256, so Y is off by at most 0.0002.
    np.testing.assert_allclose(np.ravel(y), ideal, atol=3e-4)
    np.testing.assert_allclose(np.ravel(y), (codes[0, :, 0] / 65535) ** (563 / 256), atol=3e-5)


def test_grey_is_neutral_in_lab():
    grey = Image.fromarray(np.array([[0, 64, 118, 200, 255]], np.uint8))
    lab = ImageCms.createProfile("LAB")
    turned = ImageCms.profileToProfile(
        grey, ImageCms.ImageCmsProfile(BytesIO(gray_gamma22_profile())), lab, outputMode="LAB"
    )
    values = np.asarray(turned).astype(int)[0]
    y = (np.array([0, 64, 118, 200, 255]) / 255) ** 2.2
    # CIE 1976: L* = 116 Y^(1/3) - 16 above (6/29)^3, else Y (29/3)^3; 8-bit Lab holds 2.55 L*.
    lightness = np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)
    np.testing.assert_allclose(values[:, 0], 2.55 * lightness, atol=1.0)
    signed = (values[:, 1:] + 128) % 256 - 128
    assert np.abs(signed).max() <= 1


def test_colour_white_grey_and_primaries():
    srgb = parsed(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    ours = parsed(rgb_gamma22_profile())
    for name in ("red_colorant", "green_colorant", "blue_colorant"):
        # LittleCMS computes them from the primaries of ITU-R BT.709 and D65.
        np.testing.assert_allclose(getattr(ours, name)[0], getattr(srgb, name)[0], atol=3e-4)
    codes = np.array([[[65535] * 3, [32768] * 3, [0] * 3]], np.uint16)
    xyz = luminance(codes, rgb_gamma22_profile(), "rgb")[0]
    np.testing.assert_allclose(xyz[0], [0.9642, 1.0, 0.8249], atol=2e-4)
    assert xyz[1, 1] == pytest.approx(0.5**2.2, abs=3e-4)
    np.testing.assert_allclose(xyz[2], 0, atol=1e-5)


def test_masters_are_linear_to_others():
    codes = np.array([[0, 60, 6000, 30000, 60000, 65535]], np.uint16)
    y = luminance(codes, gray_linear_profile(), "gray")[..., 1]
    np.testing.assert_allclose(np.ravel(y), codes[0] / 65535, atol=3e-6)
    three = np.repeat(codes[..., None], 3, axis=-1)
    xyz = luminance(np.ascontiguousarray(three), rgb_linear_profile(), "rgb")[0]
    np.testing.assert_allclose(xyz[:, 1], codes[0] / 65535, atol=2e-4)
    white = np.array([0.9642, 1.0, 0.8249])  # neutral silver stays neutral: D50 at any lightness
    np.testing.assert_allclose(xyz, xyz[:, 1:2] * white, atol=3e-4)
