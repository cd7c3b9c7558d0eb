"""Glare that follows the scene: shares, symmetry and distance, by arithmetic."""

from dataclasses import replace

import numpy as np
import pytest

from platebench.synthetic import (
    HARD_LAWS,
    SIX_LAWS,
    CameraModel,
    LightBox,
    StrayLight,
    photograph,
    simulate_blank,
    simulate_box_off,
    simulate_card,
)
from platebench.synthetic.stray_light import stray_light

SHAPE = (90, 140)
BARE = np.ones(SHAPE, np.float32)


LAWS = SIX_LAWS | HARD_LAWS


@pytest.mark.parametrize("name", LAWS)
def test_glare_of_the_bare_box_has_the_total_that_was_asked_for(name: str) -> None:
    stray = replace(LAWS[name], total=0.006, room=0.0, window=0.0, place=(0.0, 0.0, 0.0))
    assert stray_light(BARE, BARE, stray).mean() == pytest.approx(0.006, rel=2e-3)


@pytest.mark.parametrize("name", [name for name in LAWS if name != "constant"])
def test_glare_is_linear_in_the_light(name: str) -> None:
    stray = replace(LAWS[name], room=0.0, window=0.0)
    rng = np.random.default_rng(1)
    one, other = rng.uniform(0, 1, (2, *SHAPE)).astype(np.float32)
    both = stray_light(one + other, BARE, stray)
    apart = stray_light(one, BARE, stray) + stray_light(other, BARE, stray)
    np.testing.assert_allclose(both, apart, rtol=1e-4)


def test_wings_fall_with_the_square_of_the_distance() -> None:
    stray = StrayLight(law="inverse square", total=0.005, beyond=0.0)
    point = np.zeros((320, 320), np.float32)
    point[160, 160] = 1
    wing = stray_light(point, np.ones_like(point), stray)[161]
    # 1 / (r^2 + r0^2) at 0.1 and 0.2 of the side, r0 = 0.02
    assert wing[161 + 32] / wing[161 + 64] == pytest.approx(0.0404 / 0.0104, rel=0.03)


def test_a_ghost_lies_opposite() -> None:
    stray = StrayLight(law="gaussian", reach=0.05, ghost=0.5, total=0.01)
    scene = np.zeros(SHAPE, np.float32)
    scene[20:26, 20:26] = 1
    spread = stray_light(scene, BARE, stray)
    assert spread[90 - 23, 140 - 23] > 2 * spread[23, 140 - 23]
    assert spread[90 - 23, 140 - 23] > 2 * spread[90 - 23, 23]


def test_a_decentred_lens_throws_light_to_one_side() -> None:
    stray = StrayLight(law="moffat", offset=(0.0, 0.1), total=0.01)
    scene = np.zeros(SHAPE, np.float32)
    scene[40:50, 65:75] = 1
    spread = stray_light(scene, BARE, stray)
    assert abs(np.unravel_index(spread.argmax(), SHAPE)[1] - (70 + 14)) <= 1
    assert spread[45, 69 + 14] > 2 * spread[45, 69 - 14]


def test_a_window_lights_all_scenes_alike_and_goes_out_with_the_box() -> None:
    stray = StrayLight(law="scene mean", total=0.0, window=0.002, window_slope=(0.0, 0.5))
    half = BARE.copy()
    half[:, :70] = 0.1
    for scene in (BARE, half):
        spread = stray_light(scene, BARE, stray)
        assert spread[:, 0].mean() == pytest.approx(0.001, rel=0.02)
        assert spread[:, -1].mean() == pytest.approx(0.003, rel=0.02)
    assert not stray_light(0 * BARE, BARE, stray).any()


def test_a_lens_shades_its_own_flare() -> None:
    stray = StrayLight(law="scene mean", total=0.01)
    shaded = replace(stray, law="gaussian", place=(0.0, -0.3, -0.4))
    even = replace(shaded, place=(0.0, 0.0, 0.0))
    ratio = stray_light(BARE, BARE, shaded) / stray_light(BARE, BARE, even)
    left, middle, right = (float(ratio[45, column]) for column in (0, 70, -1))
    assert left / middle == pytest.approx(1 + 0.3 - 0.2, rel=0.02)
    assert right / middle == pytest.approx(1 - 0.3 - 0.2, rel=0.04)


def test_light_from_beyond_the_frame_reaches_its_border_first() -> None:
    seen = {}
    for beyond in (0.0, 0.5):
        stray = replace(SIX_LAWS["outside"], beyond=beyond, room=0.0)
        spread = stray_light(BARE, BARE, stray)
        seen[beyond] = spread[45, 2] / spread[45, 70]
    assert seen[0.5] > seen[0.0] + 0.1


def test_captures_that_tell_the_glare() -> None:
    camera = CameraModel(shape=SHAPE, shot_noise=False, read_noise_e=0.0)
    box = LightBox(uneven=0, vignette=0, stray=SIX_LAWS["outside"])
    blank = simulate_blank(box, camera, exposure_s=1 / 16, seed=1)
    off = simulate_box_off(box, camera, exposure_s=4, seed=1)
    full = (blank.counts.astype(float) - camera.black_level).mean()
    room = (off.counts.astype(float) - camera.black_level).mean() / 64
    assert room / full == pytest.approx(0.0008 / 1.0058, rel=0.05)  # room over bare, glare, room
    sides = (slice(9), slice(-9, None))
    left, right = (off.counts[:, part].mean() - camera.black_level for part in sides)
    assert left > 1.5 * right  # the lamp stands on the left
    card = simulate_card(box, camera, exposure_s=1 / 16, seed=1)
    share = (card.counts[40:50, 60:80].mean() - camera.black_level) / (
        blank.counts[40:50, 60:80].mean() - camera.black_level
    )
    assert 0.001 < share < 0.006
    cover = simulate_card(box, camera, exposure_s=1 / 16, seed=1, height=None)
    assert cover.counts.mean() < card.counts.mean()


def test_no_stray_light_changes_nothing() -> None:
    camera = CameraModel(shape=SHAPE)
    bare = np.full(SHAPE, 0.5, np.float32)
    one = photograph(bare, LightBox(), camera, exposure_s=1 / 16, seed=3)
    other = photograph(
        bare, LightBox(stray=StrayLight(total=0.0)), camera, exposure_s=1 / 16, seed=3
    )
    assert np.array_equal(one.counts, other.counts)
