"""Noise model and density floor against the simulator's known gain and read noise."""

import math

import numpy as np
import pytest

from platebench.measure.checks.noise import deepest_density, noise_from_frames, noise_from_plate
from platebench.plate.noise_model import NoiseModel
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    simulate_blank,
    simulate_dark,
    simulate_plate,
    tablet_plate,
)

BOX = LightBox(uneven=0.2, vignette=0.2)


def camera(**changes):
    return CameraModel(**({"shape": (400, 540), "read_noise_e": 5.0} | changes))


def blanks(cam, count):
    return [simulate_blank(BOX, cam, exposure_s=1 / 15, seed=40 + i) for i in range(count)]


def darks(cam, count):
    return [simulate_dark(cam, exposure_s=1 / 15, seed=60 + i) for i in range(count)]


@pytest.mark.parametrize("cfa", ["RGGB", "XTRANS", "MONO"])
@pytest.mark.parametrize("count", [1, 2])
def test_gain_and_read_noise_of_the_simulator(cfa, count):
    cam = camera(cfa=cfa)
    noise = noise_from_frames(blanks(cam, count), darks(cam, count))
    # Poisson electrons times g counts each: variance g * mean. Normal read noise of r electrons,
    # then rounding to whole counts: (r g)^2 + 1/12.
    gain = cam.counts_per_e
    assert noise.gain == pytest.approx(gain, rel=0.05)
    assert math.sqrt(noise.read_variance) == pytest.approx(
        math.sqrt((5.0 * gain) ** 2 + 1 / 12), rel=0.05
    )
    assert noise.read_known
    assert not noise.upper_bound


def test_a_pair_leaves_fixed_pattern_out_and_a_single_frame_keeps_it():
    cam = camera(fixed_pattern_e=8.0)
    gain = cam.counts_per_e
    pair = noise_from_frames(blanks(cam, 2), darks(cam, 2))
    single = noise_from_frames(blanks(cam, 1), darks(cam, 1))
    assert math.sqrt(pair.read_variance) / gain == pytest.approx(5.0, rel=0.06)
    assert math.sqrt(single.read_variance) / gain == pytest.approx(math.hypot(5, 8), rel=0.06)


def test_without_a_dark_frame_the_read_noise_stays_unknown():
    assert not noise_from_frames(blanks(camera(), 1)).read_known


def test_dust_on_the_blank_does_not_matter():
    cam = camera()
    clean = blanks(cam, 1)[0]
    counts = clean.counts.copy()
    counts[50:60, 80:90] //= 2
    counts[200:230, 300:320] //= 3
    dusty = type(clean)(
        counts=counts, pattern=clean.pattern, black=clean.black, white=clean.white, info=clean.info
    )
    assert noise_from_frames([dusty], darks(cam, 1)).gain == pytest.approx(
        cam.counts_per_e, rel=0.05
    )


def test_clipped_and_tiny_frames_give_nothing():
    cam = camera()
    clipped = simulate_blank(
        LightBox(uneven=0, vignette=0, brightness=90), cam, exposure_s=1, seed=1
    )
    assert noise_from_plate(clipped) is None
    tiny = camera(shape=(20, 28))
    assert noise_from_frames(blanks(tiny, 1)) is None


def test_rounding_is_the_least_noise():
    """12 bits with little read noise: dark counts hardly leave the black level."""
    cam = camera(bits=12, read_noise_e=1.0)
    noise = noise_from_frames(blanks(cam, 2), darks(cam, 2))
    assert noise.read_variance >= 1 / 12


@pytest.mark.parametrize("surround", ["bright", "dark"])
def test_a_plate_alone_bounds_the_noise(surround):
    """Never much below the truth at any level, close to it where bare light or no grain shows."""
    cam = camera(shape=(700, 900))
    box = LightBox(uneven=0.2, vignette=0.2, surround=surround)
    light = np.geomspace(20.0, 12000.0, 20)
    truth = cam.counts_per_e * light + (5.0 * cam.counts_per_e) ** 2 + 1 / 12
    for plate in (tablet_plate(), PlateModel(grain_um=4.0, size_mm=(30.0, 40.0))):
        frame = simulate_plate(plate, box, cam, exposure_s=1 / 15, seed=3).frame
        noise = noise_from_plate(frame)
        assert noise.upper_bound
        assert (noise.variance(light) > 0.8 * truth).all() or not noise.read_known
        assert noise.gain > 0.8 * cam.counts_per_e
        if surround == "bright" or plate.target is not None:
            assert noise.gain == pytest.approx(cam.counts_per_e, rel=0.2)


def test_light_at_snr_solves_the_definition():
    noise = NoiseModel(gain=0.33, read_variance=4.0, source="by hand")
    for snr in (1.0, 10.0, 50.0):
        light = noise.light_at_snr(snr)
        assert light / math.sqrt(0.33 * light + 4.0) == pytest.approx(snr)
    # The mean of n has sqrt(n) times the signal to noise.
    assert noise.light_at_snr(10, photosites=100) == pytest.approx(noise.light_at_snr(1))


def test_read_noise_alone():
    # Without shot noise SNR 1 is where the light equals the read noise: D = log10(10000 / 2).
    noise = NoiseModel(gain=0.0, read_variance=4.0, source="by hand")
    assert deepest_density(noise, 10_000.0, snr=1) == pytest.approx(math.log10(5000))


def test_patches_at_the_floor_scatter_as_foretold():
    """Expose an even plate of just the density named for SNR 10, and measure its SNR."""
    cam = camera(cfa="MONO")
    even = LightBox(uneven=0, vignette=0)
    flats = [simulate_blank(even, cam, exposure_s=1 / 15, seed=i) for i in range(2)]
    noise = noise_from_frames(flats, darks(cam, 2))
    bare = float(flats[0].counts.mean()) - cam.black_level
    density = deepest_density(noise, bare, snr=10)
    dim = LightBox(uneven=0, vignette=0, brightness=even.brightness * 10**-density)
    light = simulate_blank(dim, cam, exposure_s=1 / 15, seed=9).counts - cam.black_level
    assert light.mean() / light.std() == pytest.approx(10.0, rel=0.05)
    # Density noise is 0.4343 / SNR (derivative of -log10), 0.043 at SNR 10.
    assert np.std(-np.log10(light / bare)) == pytest.approx(0.0434, rel=0.08)
