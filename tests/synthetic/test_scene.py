"""Scenes: there for every name, at any size, without a download."""

from importlib.resources import files

import numpy as np
import pytest

from platebench.synthetic.scene import SCENES, make_scene, scene_near


@pytest.mark.big
@pytest.mark.parametrize("name", SCENES)
def test_scene_is_a_picture(name: str) -> None:
    picture = make_scene(name, (74, 101))
    assert picture.shape == (74, 101)
    assert picture.dtype == np.float32
    assert np.isfinite(picture).all()
    assert picture.min() > 0
    # At least 1.3 stops between shadows and lights, and no symmetry that would hide a flip.
    low, high = np.percentile(picture, [2, 99])
    assert high / low > 2**1.3
    assert abs(np.log(picture[:, :50].mean() / picture[:, 51:].mean())) > 0.002
    assert np.array_equal(picture, make_scene(name, (74, 101)))


@pytest.mark.parametrize("name", ["coffee.png", "chelsea.png", "moon.png"])
def test_library_pictures_come_with_the_library(name: str) -> None:
    assert files("skimage.data").joinpath(name).is_file()


def test_near_shapes_are_shared() -> None:
    assert scene_near("moon", (500, 610)) is scene_near("moon", (480, 640))
    assert scene_near("moon", (640, 480)).shape[0] == 640
    assert scene_near("moon", (100, 100)).shape == (640, 640)


def test_unknown_scene() -> None:
    with pytest.raises(ValueError, match="volcano"):
        make_scene("volcano", (10, 10))
