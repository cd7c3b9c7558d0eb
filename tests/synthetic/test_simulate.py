"""Whole captures: exact truth, one stream an effect, surrounds, mirror and turn."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from platebench.synthetic import (
    CameraModel,
    EmulsionCurve,
    LightBox,
    PlateModel,
    photograph,
    simulate_blank,
    simulate_plate,
    true_corners,
    true_transmittance,
)
from platebench.synthetic import simulate as simulate_module
from platebench.synthetic.camera import cfa_pattern, expose
from platebench.synthetic.defects import draw_defects
from platebench.synthetic.light_box import with_glare
from platebench.synthetic.streams import EFFECTS, effect_streams

SHAPE = (150, 210)
CAMERA = CameraModel(shape=SHAPE, tilt_deg=2.5, perspective=(0.01, -0.02), offset=(0.01, -0.02))
WORN = PlateModel(
    scene="moon", chips=4, flakes=2, scratches=3, pinholes=9, dust=30, coating=0.1, edge_mm=0.8,
    out_of_square_deg=0.7,
)  # fmt: skip
CLEAN = PlateModel(scene=None, grain_um=0.0)


def ramp(shape: tuple[int, int]) -> np.ndarray:
    rows, cols = np.linspace(0.1, 1.0, shape[0]), np.linspace(1.0, 3.0, shape[1])
    return (rows[:, None] * cols).astype(np.float32)


def area(corners: np.ndarray) -> float:
    y, x = corners.T
    return 0.5 * abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))))


@pytest.mark.parametrize("finer", [1, 3])
def test_corners_and_edges_agree_to_a_fraction_of_a_site(finer: int) -> None:
    # Light lost by an even plate is its area times the loss, whatever the grid: the shoelace
    # formula (Gauss) on the corners gives the area independently of the painting.
    camera = replace(CAMERA, blur_px=0, finer=finer)
    plate = replace(CLEAN, out_of_square_deg=0.9)
    truth = true_transmittance(plate, LightBox(), camera, seed=1)
    lost = (1 - truth.astype(np.float64)).sum() / (1 - 10**-plate.curve.base_fog)
    expected = area(true_corners(plate, camera))
    # A side shifted by 0.01 of a site would change the area by its length, over 100, times 0.01.
    assert lost == pytest.approx(expected, abs=0.5)


def test_where_the_plate_ends_along_one_row() -> None:
    camera = replace(CAMERA, blur_px=0, perspective=(0.0, 0.0))
    truth = true_transmittance(CLEAN, LightBox(), camera, seed=1)
    corners = true_corners(CLEAN, camera)
    share = (1 - truth[75].astype(np.float64)) / (1 - 10**-CLEAN.curve.base_fog)

    def crossing(a: np.ndarray, b: np.ndarray) -> float:
        return float(a[1] + (75 - a[0]) / (b[0] - a[0]) * (b[1] - a[1]))

    left, right = crossing(corners[0], corners[3]), crossing(corners[1], corners[2])
    # Sites are squares about whole numbers, so covered sites left of the middle end at -0.5.
    assert 105 - share[:105].sum() == pytest.approx(left + 0.5, abs=2e-3)
    assert 105 + share[105:].sum() == pytest.approx(right + 0.5, abs=2e-3)


def test_same_seed_same_capture_other_seed_other() -> None:
    first, again, other = (
        simulate_plate(WORN, LightBox(), CAMERA, exposure_s=0.06, seed=s) for s in (5, 5, 6)
    )
    assert np.array_equal(first.frame.counts, again.frame.counts)
    assert np.array_equal(first.transmittance, again.transmittance)
    assert not np.array_equal(first.transmittance, other.transmittance)


def test_bands_do_not_show(monkeypatch: pytest.MonkeyPatch) -> None:
    plate = replace(WORN, stain=(0.0, 0.05, 0.2))
    camera = replace(CAMERA, cfa="XTRANS", blur_px=1.1)
    whole = simulate_plate(plate, LightBox(), camera, exposure_s=0.06, seed=2)
    monkeypatch.setattr(simulate_module, "_BAND_ROWS", 37)
    banded = simulate_plate(plate, LightBox(), camera, exposure_s=0.06, seed=2)
    assert np.array_equal(whole.transmittance, banded.transmittance)
    assert np.array_equal(whole.frame.counts, banded.frame.counts)


@pytest.mark.parametrize("gone", ["chips", "flakes", "scratches", "pinholes", "dust"])
def test_defects_do_not_share_streams(gone: str) -> None:
    everything = draw_defects(WORN, effect_streams(8))
    without = draw_defects(replace(WORN, **{gone: 0}), effect_streams(8))
    for kind in ("chips", "flakes", "scratches", "pinholes", "dust"):
        kept = getattr(without, kind)
        assert kept == (() if kind == gone else getattr(everything, kind))
        assert getattr(everything, kind)


@pytest.mark.parametrize("name", ["chips", "flakes", "scratches", "pinholes", "dust"])
def test_switching_one_defect_off_changes_its_own_places_only(name: str) -> None:
    camera = replace(CAMERA, blur_px=0)

    def truth(plate: PlateModel) -> np.ndarray:
        return true_transmittance(plate, LightBox(), camera, seed=4)

    outline = replace(CLEAN, edge_mm=WORN.edge_mm, out_of_square_deg=WORN.out_of_square_deg)
    alone = truth(replace(outline, **{name: getattr(WORN, name)}))
    its_places = alone != truth(outline)
    changed = truth(WORN) != truth(replace(WORN, **{name: 0}))
    assert changed.any()
    assert not (changed & ~its_places).any()


@pytest.mark.parametrize(("name", "value"), [("grain_um", 25.0), ("coating", 0.2)])
def test_grain_and_coating_keep_their_pattern(name: str, value: float) -> None:
    def density(plate: PlateModel) -> np.ndarray:
        truth = true_transmittance(plate, LightBox(), replace(CAMERA, blur_px=0), seed=4)
        return -np.log10(truth[30:120, 40:160])

    worn, even = replace(WORN, grain_um=0.0, coating=0.0), replace(CLEAN, scene=None)
    on_worn = density(replace(worn, **{name: value})) - density(worn)
    on_even = density(replace(even, **{name: value})) - density(even)
    # Strength goes with the local density, so the patterns agree in sign wherever there is any.
    silver = density(worn) > 0.3
    assert (np.sign(on_worn) == np.sign(on_even))[silver].mean() > 0.97


def test_shot_and_read_noise_do_not_share_streams() -> None:
    light = np.full(SHAPE, 0.3, np.float32)
    camera = CameraModel(shape=SHAPE, cfa="MONO", bits=16, read_noise_e=30.0)

    def counts(**change: object) -> np.ndarray:
        changed = replace(camera, **change)
        return expose(light, changed, exposure_s=1, seed=9).counts.astype(np.int64)

    read_alone = counts(shot_noise=False) - counts(shot_noise=False, read_noise_e=0.0)
    read_on_shot = counts() - counts(read_noise_e=0.0)
    assert read_alone.std() > 20
    assert abs(read_alone - read_on_shot).max() <= 2  # both differences of rounded numbers


def test_stream_names_are_independent() -> None:
    draws = {name: rng.random(4).tolist() for name, rng in effect_streams(0).items()}
    assert len({tuple(d) for d in draws.values()}) == len(EFFECTS)


@pytest.mark.parametrize("glare", [0.0, 0.01])
def test_counts_are_truth_times_blank(glare: float) -> None:
    box = LightBox(glare=glare, uneven=0.2, vignette=0.3)
    camera = replace(CAMERA, shot_noise=False, read_noise_e=0, bits=16)
    plate = simulate_plate(WORN, box, camera, exposure_s=0.06, seed=3)
    blank = simulate_blank(box, camera, exposure_s=0.06, seed=4)
    black = camera.black_level  # half a count in about 10000, twice
    seen = (plate.frame.counts - black) / (blank.counts - black)
    assert seen == pytest.approx(with_glare(plate.transmittance, glare), abs=8e-5)


def test_bracket_of_one_plate_is_linear_in_time() -> None:
    truth = true_transmittance(WORN, LightBox(), CAMERA, seed=1)
    camera = replace(CAMERA, shot_noise=False, read_noise_e=0)
    short, long = (
        photograph(truth, LightBox(), camera, exposure_s=t, seed=1).counts - 512.0
        for t in (0.015, 0.06)
    )
    assert long == pytest.approx(4 * short, abs=3)
    assert np.array_equal(
        photograph(truth, LightBox(), CAMERA, exposure_s=0.06, seed=1).counts,
        simulate_plate(WORN, LightBox(), CAMERA, exposure_s=0.06, seed=1).frame.counts,
    )


@pytest.mark.parametrize(
    ("box", "near", "far"),
    [
        (LightBox(surround="bright"), 1.0, 1.0),
        (LightBox(surround="dark", card_density=2.0), 0.01, 0.01),
        (LightBox(surround="dark", card_density=2.0, gap_mm=3.0), 1.0, 0.01),
        (LightBox(surround="holder", card_density=2.0, holder_mm=6.0), 0.01, 1.0),
    ],
)
def test_surrounds(box: LightBox, near: float, far: float) -> None:
    camera = CameraModel(shape=SHAPE, fill=0.6, blur_px=0)
    truth = true_transmittance(CLEAN, box, camera, seed=1)
    left = true_corners(CLEAN, camera)[0, 1]  # 90 mm fill 0.6 x 150 sites: one site a millimetre
    assert truth[75, int(left) - 1] == pytest.approx(near)
    assert truth[75, 3] == pytest.approx(far)


def test_stain_is_density_in_proportion_to_the_silver() -> None:
    stain, veil = (0.0, 0.1, 0.3), (0.0, 0.02, 0.05)
    camera = CameraModel(shape=SHAPE, cfa="GBRG", blur_px=0)
    even = np.full((9, 11), 0.5, np.float32)
    plate = PlateModel(scene=even, grain_um=0, rebate_mm=(0, 0, 0, 0))
    neutral = true_transmittance(plate, LightBox(), camera, seed=1)[60:90, 80:120]
    stained = true_transmittance(replace(plate, stain=stain, veil=veil), LightBox(), camera, seed=1)
    silver = -np.log10(neutral[0, 0]) - plate.glass_density
    pattern = np.tile(cfa_pattern("GBRG"), (15, 20))
    for colour in range(3):
        density = -np.log10(stained[60:90, 80:120][pattern == colour])
        expected = plate.glass_density + silver * (1 + stain[colour]) + veil[colour]
        assert density == pytest.approx(expected, abs=2e-5)


def test_a_grey_veil_counts_and_one_channel_sees_the_green() -> None:
    plate = PlateModel(scene=None, grain_um=0.0)
    camera = CameraModel(shape=SHAPE, blur_px=0, cfa="MONO")

    def density(**change: object) -> float:
        truth = true_transmittance(replace(plate, **change), LightBox(), camera, seed=1)
        return float(-np.log10(truth[75, 105]))

    assert density(veil=(0.2, 0.2, 0.2)) == pytest.approx(density() + 0.2, abs=1e-5)
    assert density(veil=(0.0, 0.1, 0.4)) == pytest.approx(density() + 0.1, abs=1e-5)


def test_picture_lies_as_asked() -> None:
    camera = CameraModel(shape=(120, 160), blur_px=0)
    plate = PlateModel(scene=ramp((90, 120)), grain_um=0, rebate_mm=(0, 0, 0, 0))

    def seen(**change: object) -> dict[str, float]:
        truth = true_transmittance(replace(plate, **change), LightBox(), camera, seed=1)
        picture = truth[15:105, 20:140]
        return {
            "upper left": float(picture[0, 0]),
            "upper right": float(picture[0, -1]),
            "lower right": float(picture[-1, -1]),
            "lower left": float(picture[-1, 0]),
        }

    def clearest_and_densest(**change: object) -> tuple[str, str]:
        corners = seen(**change)
        by_light = sorted(corners, key=lambda place: corners[place])
        return by_light[-1], by_light[0]

    # The ramp is darkest upper left (clear negative) and lightest lower right (dense). Through
    # the glass a negative reads right; from the emulsion it is reversed left to right.
    assert clearest_and_densest(glass_side_up=True) == ("upper left", "lower right")
    assert clearest_and_densest() == ("upper right", "lower left")
    assert clearest_and_densest(glass_side_up=True, turned=90) == ("upper right", "lower left")
    assert clearest_and_densest(glass_side_up=True, turned=180) == ("lower right", "upper left")
    assert clearest_and_densest(glass_side_up=True, turned=270) == ("lower left", "upper right")
    assert clearest_and_densest(turned=90) == ("upper left", "lower right")


def test_rebate_lies_where_it_was_asked_for() -> None:
    camera = CameraModel(shape=(120, 160), blur_px=0)  # a site is 0.94 mm
    lit = np.full((5, 7), 1.0, np.float32)
    fog = EmulsionCurve().base_fog
    for rebate, place in (
        ((6.0, 0, 0, 0), (15, 80)),
        ((0, 6.0, 0, 0), (60, 140)),
        ((0, 0, 6.0, 0), (104, 80)),
        ((0, 0, 0, 6.0), (60, 19)),
    ):
        plate = PlateModel(scene=lit, grain_um=0, rebate_mm=rebate)
        density = -np.log10(true_transmittance(plate, LightBox(), camera, seed=1))
        assert density[place] == pytest.approx(fog, abs=0.01)
        assert density[60, 80] > 1
        across = (119 - place[0], 159 - place[1])
        assert density[across] > 0.5


def test_without_a_rebate_the_picture_runs_to_the_glass_edge() -> None:
    """No clear line or wedge along a rim that no holder covered, out of square or not."""
    lit = np.full((5, 7), 1.0, np.float32)
    plate = PlateModel(scene=lit, grain_um=0, rebate_mm=(0, 0, 0, 0), out_of_square_deg=1.0)
    camera = CameraModel(shape=(120, 160), blur_px=0, tilt_deg=2.0)
    density = -np.log10(true_transmittance(plate, LightBox(), camera, seed=1))
    opaque = (density > 0.5 * density[60, 80]).astype(np.uint8)
    whole = cv2.erode(opaque, np.ones((3, 3), np.uint8)) > 0  # without sites the edge runs through
    assert whole.sum() > 9000  # 96 x 128 sites, less the rim
    assert density[whole] == pytest.approx(density[60, 80], abs=0.01)
    bare = density < 0.01
    assert (bare | (cv2.dilate(opaque, np.ones((3, 3), np.uint8)) > 0)).all()


def test_grain_follows_selwyns_law() -> None:
    # Selwyn (1935): s.d. of density times the root of the aperture's area is constant; here
    # grain_um times the root of density over glass, for a square of one photosite.
    plate = PlateModel(
        scene=np.full((5, 7), 0.8, np.float32), grain_um=30.0, rebate_mm=(0, 0, 0, 0)
    )
    camera = CameraModel(shape=(300, 400), blur_px=0)
    sharp = -np.log10(true_transmittance(plate, LightBox(), camera, seed=1)[60:240, 80:320])
    mean = float(sharp.mean())
    pitch_um = 90.0 / (0.8 * 300) * 1000
    expected = 30.0 * np.sqrt(mean - plate.glass_density) / pitch_um
    assert sharp.std() == pytest.approx(expected, rel=0.03)


def test_frame_says_how_it_was_taken() -> None:
    frame = simulate_blank(LightBox(), CAMERA, exposure_s=0.125, seed=1)
    assert frame.info.exposure_s == 0.125
    assert frame.info.f_number == 8.0
    assert frame.info.iso == 100.0
    assert frame.info.camera == "Halvorn C6"


@pytest.mark.big
def test_sixty_megapixels_in_bounds() -> None:
    import resource
    import time

    start = time.perf_counter()
    camera = CameraModel(shape=(6336, 9504), tilt_deg=1.0)
    shot = simulate_plate(WORN, LightBox(), camera, exposure_s=1 / 15, seed=1)
    assert shot.frame.counts.shape == (6336, 9504)
    assert time.perf_counter() - start < 60
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 4e6  # kB
