"""Pictures to share, against other libraries' colour and the simulator's known frame."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms
from skimage.color import rgb2lab, rgb2xyz

from platebench.write.colour import lightness_of, linear_rgb_of_lab, srgb_coded
from platebench.write.share_picture import (
    Hue,
    coloured,
    picture_area,
    plate_area,
    reduced_light,
    srgb_profile,
    with_caption,
    write_share,
)

LUMINANCE = (np.arange(65536) / 65535) ** 2.2


def test_srgb_is_what_another_library_says() -> None:
    """scikit-image's rgb2xyz undoes the transfer function of IEC 61966-2-1."""
    linear = np.linspace(0, 1, 60)
    grey = np.repeat(srgb_coded(linear)[None, :, None], 3, axis=2)
    assert rgb2xyz(grey)[0, :, 1] == pytest.approx(linear, abs=2e-6)


def test_lab_to_screen_is_what_another_library_says() -> None:
    """Little CMS by way of Pillow, from 8-bit Lab: a step of L is 0.4, of a and b 1."""
    lab8 = np.array([[[240, 0, 5], [128, 6, 12], [60, 4, 8], [30, 250, 3]]], np.uint8)
    transform = ImageCms.buildTransform(
        ImageCms.createProfile("LAB", 5000), ImageCms.createProfile("sRGB"), "LAB", "RGB", 1
    )
    expected = np.asarray(ImageCms.applyTransform(Image.fromarray(lab8, "LAB"), transform))[0]
    lab = lab8[0].astype(np.float64)
    lab[:, 0] *= 100 / 255
    lab[:, 1:] = np.where(lab[:, 1:] > 127, lab[:, 1:] - 256, lab[:, 1:])
    ours = np.rint(255 * srgb_coded(linear_rgb_of_lab(lab)))
    assert np.abs(ours - expected).max() <= 2


def test_a_neutral_picture_keeps_its_light() -> None:
    light = np.linspace(0, 1, 256, dtype=np.float32)[None]
    shown = coloured(light, None)
    assert (shown[..., 0] == shown[..., 1]).all() and (shown[..., 1] == shown[..., 2]).all()
    assert rgb2xyz(shown)[0, :, 1] == pytest.approx(light[0], abs=0.005)


def test_a_hue_has_the_measured_ends_and_even_steps_of_lightness() -> None:
    """The Lab of the ends, read back by scikit-image from the 8-bit picture."""
    hue = Hue(paper=(93.0, 0.8, 7.5), image=(17.0, 2.2, 3.8))
    light = np.linspace(0, 1, 50, dtype=np.float32)[None]
    shown = coloured(light, hue)
    lab = rgb2lab(shown)[0]
    wanted = 17 + (93 - 17) * lightness_of(light[0]) / 100
    assert lab[:, 0] == pytest.approx(wanted, abs=0.6)
    assert np.abs(lab[-1] - hue.paper).max() < 1.5 and np.abs(lab[0] - hue.image).max() < 1.5
    assert (np.diff(lab[:, 0]) > 0).all()


@pytest.mark.parametrize("long_side", [50, 333, 5000])
def test_light_is_averaged_not_codes(long_side: int) -> None:
    """A chequer of black and white is half the light, whatever the codes' mean would say."""
    codes = np.zeros((600, 900), np.uint16)
    codes[::2, ::2] = codes[1::2, 1::2] = 65535
    small = reduced_light(codes, LUMINANCE, long_side)
    assert max(small.shape) == min(long_side, 900)
    assert small.mean() == pytest.approx(0.5, abs=0.01)


def test_the_rebate_is_cut_and_a_dark_picture_is_kept() -> None:
    rng = np.random.default_rng(5)
    light = np.full((400, 600), 0.004, np.float32)
    light[20:370, 30:565] = rng.uniform(0.0, 1.0, (350, 535))
    top, left, bottom, right = picture_area(light)
    assert 20 <= top <= 24 and 30 <= left <= 35 and 365 <= bottom <= 370 and 559 <= right <= 565
    night = np.full((400, 600), 0.004, np.float32)
    night[150:250, 200:400] = 0.8
    top, left, bottom, right = picture_area(night)
    assert top <= 6 and left <= 9 and bottom >= 394 and right >= 591


def test_a_plate_that_was_not_cut_out_keeps_all_of_itself_and_little_around_it() -> None:
    yy, xx = np.mgrid[:600, :1000]
    light = np.full((600, 1000), 0.003, np.float32)
    askew = (xx + 0.06 * yy > 400) & (xx + 0.06 * yy < 800) & (yy - 0.06 * xx > 130)
    light[askew] = 0.5
    light[40:42, 60:62] = 0.9  # a speck of dust on the light box
    rows, columns = np.nonzero(askew)
    top, left, bottom, right = plate_area(light)
    for start, edge in ((top, rows.min()), (left, columns.min())):
        assert edge - 22 <= start < edge
    assert bottom == 600  # it leaves the frame there
    assert columns.max() < right <= columns.max() + 22
    nothing = np.full((60, 100), 0.003, np.float32)
    assert plate_area(nothing) == (0, 0, 60, 100)


@pytest.mark.parametrize(("kind", "suffix"), [("jpeg", ".jpg"), ("png", ".png"), ("webp", ".webp")])
def test_files_are_srgb_and_the_same_bytes_again(tmp_path: Path, kind: str, suffix: str) -> None:
    picture = coloured(np.tile(np.linspace(0, 1, 90, dtype=np.float32), (60, 1)), None)
    paths = [tmp_path / f"{n}{suffix}" for n in "ab"]
    for path in paths:
        write_share(path, picture, kind=kind, xmp=b"<x/>")
    assert paths[0].read_bytes() == paths[1].read_bytes()
    with Image.open(paths[0]) as read:
        assert read.mode == "RGB" and read.size == (90, 60)
        profile = ImageCms.ImageCmsProfile(__import__("io").BytesIO(read.info["icc_profile"]))
        assert "sRGB" in ImageCms.getProfileDescription(profile)
        assert np.abs(np.asarray(read).astype(int) - picture).mean() < 2
    assert srgb_profile() == srgb_profile()


def test_a_caption_stands_below_the_picture_and_fits() -> None:
    picture = np.full((300, 400, 3), 90, np.uint8)
    sheet = with_caption(picture, ["A very long title " * 20, "second line"])
    assert sheet.shape[0] > 300 + 40 and sheet.shape[1] > 400
    below = sheet[-70:].min(axis=(0, 2))
    dark = np.flatnonzero(below < 120)
    assert dark.size and dark.max() < sheet.shape[1] - 10
    assert with_caption(picture, []) is picture
