"""What measuring photosite by photosite gains over demosaicing first, in figures.

One slanted edge, one grainy plate, written as real raw files; transmittance once from the mosaic
(the package's own way) and once from each demosaic that LibRaw has. Every demosaic gets its best
chance: true white balance, linear output, camera colours, no noise reduction, no scaling to the
frame's maximum; and its green and its luminance are both measured, the better one counts.

The blur: a lens at f/8 and 1:4, so f/10 at the sensor, makes an Airy disk whose best Gaussian has
standard deviation 0.42 lambda N = 0.42 x 0.55 x 10 = 2.3 um (Zhang, Zerubia & Olivo-Marin, Appl.
Opt. 46, 2007; from memory), 0.5 px at the 4.4 um pitch of a 24 x 36 mm sensor with 45 megapixels.
0.35 px stands for a lens opened by a stop, 0.7 px for one closed by a stop.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
import rawpy
from numpy.polynomial.hermite_e import hermegauss

from platebench.measure.checks.sfr import slanted_edge_sfr
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import light_from_blanks
from platebench.read.capture import read_capture
from platebench.synthetic import (
    CameraModel,
    LightBox,
    PlateModel,
    simulate_blank,
    simulate_plate,
    write_dng,
)
from platebench.synthetic.shapes import half_plane_coverage

pytestmark = pytest.mark.big

GAINS = (0.55, 1.0, 0.7)
BOX = LightBox(uneven=0.05, vignette=0.1)
EXPOSURE_S = 1 / 15
DEMOSAICS = [algorithm for algorithm in rawpy.DemosaicAlgorithm if algorithm.isSupported]


@dataclass(frozen=True)
class BlurredEdge:
    """A 4:1 edge through square pixels and a Gaussian lens, exact: density for `PlateModel`."""

    angle_deg: float
    blur_px: float

    def __call__(self, y, x, pitch_mm):
        angle = np.deg2rad(self.angle_deg)
        normal = (float(np.sin(angle)), float(np.cos(angle)))
        away = (y.astype(np.float64) * normal[0] + x * normal[1]) / pitch_mm
        # A Gaussian blur of a straight edge is a mean over shifts across it: Gauss-Hermite.
        nodes, weights = hermegauss(15)
        share = sum(
            w * half_plane_coverage(away + self.blur_px * t, normal)
            for t, w in zip(nodes, weights / weights.sum(), strict=True)
        )
        through = 10**-0.10 + share * (10**-0.70206 - 10**-0.10)
        return np.asarray(-np.log10(through), np.float32)


def photograph(folder, plate, camera):
    """Return the capture read back, its raw file, the truth and the mosaic's transmittance."""
    shot = simulate_plate(plate, BOX, camera, exposure_s=EXPOSURE_S, seed=5)
    write_dng(folder / "plate.dng", shot.frame)
    blanks = []
    for i in range(4):
        blank = simulate_blank(BOX, camera, exposure_s=EXPOSURE_S, seed=100 + i)
        write_dng(folder / f"blank{i}.dng", blank)
        blanks.append(read_capture(folder / f"blank{i}.dng"))
    frame = read_capture(folder / "plate.dng")
    mosaic = transmittance_from_counts(frame, light_from_blanks(blanks)).pixels
    return folder / "plate.dng", shot.transmittance, mosaic


def demosaiced(path, algorithm):
    """Return green and luminance of one of LibRaw's demosaics, linear, up to a factor."""
    with rawpy.imread(str(path)) as raw:
        rgb = raw.postprocess(
            demosaic_algorithm=algorithm,
            user_wb=[1 / GAINS[0], 1 / GAINS[1], 1 / GAINS[2], 1 / GAINS[1]],
            gamma=(1, 1),
            no_auto_bright=True,
            output_bps=16,
            output_color=rawpy.ColorSpace.raw,
            fbdd_noise_reduction=rawpy.FBDDNoiseReductionMode.Off,
            user_flip=0,
        ).astype(np.float64)
    return {"green": rgb[..., 1], "luminance": (rgb[..., 0] + 2 * rgb[..., 1] + rgb[..., 2]) / 4}


def edge_ratios(folder, blur_px, angle_deg):
    """Return SFR50 of the mosaic, and its ratio to each demosaic's better picture."""
    camera = CameraModel(shape=(400, 480), blur_px=0.0, fill=0.9, colour_gains=GAINS)
    plate = PlateModel(target=BlurredEdge(angle_deg, blur_px), grain_um=0.0)
    path, _, mosaic = photograph(folder, plate, camera)
    region = np.s_[130:270, 190:290] if abs(angle_deg) < 45 else np.s_[150:250, 170:310]
    own = slanted_edge_sfr(mosaic[region]).sfr50
    ratios = {}
    for algorithm in DEMOSAICS:
        pictures = demosaiced(path, algorithm).values()
        ratios[algorithm.name] = own / max(slanted_edge_sfr(p[region]).sfr50 for p in pictures)
    return own, ratios


@pytest.mark.parametrize("blur_px", [0.35, 0.5, 0.7])
@pytest.mark.parametrize("angle_deg", [5.0, 95.0])  # near upright, near level
def test_mosaic_keeps_all_that_the_lens_gives(tmp_path, blur_px, angle_deg):
    own, ratios = edge_ratios(tmp_path, blur_px, angle_deg)
    # Lens times square pixel, closed form: exp(-2 pi^2 s^2 f^2) sinc(f) = 1/2.
    f = np.linspace(0, 1, 100_001)
    given = np.exp(-2 * np.pi**2 * blur_px**2 * f**2) * np.sinc(f)
    assert own == pytest.approx(f[np.argmax(given < 0.5)], rel=0.03)
    # Bilinear interpolation blurs; a demosaic that directs itself along edges loses nothing on
    # a lone straight edge (and one sharpens it by a few per cent).
    assert ratios["LINEAR"] >= 1.15
    assert min(ratios.values()) > 0.93


@pytest.mark.xfail(
    strict=True,
    reason="on a lone slanted edge of neutral silver the demosaics that follow edges keep up: the "
    "ratio is 0.98 to 1.00 to them, and 0.94 to 0.97 to the green of VNG, which sharpens (blur 0 "
    "to 0.7 px, slant 5, 15 and 40 degrees); only bilinear falls behind, 1.2 to 1.4",
)
def test_mosaic_resolves_1_15_times_the_best_demosaic(tmp_path):
    _, ratios = edge_ratios(tmp_path, 0.5, 5.0)
    assert min(ratios.values()) >= 1.15


N = 64


def ring(low, high):
    """Return which parts of a spectrum lie between two spatial frequencies, cycles/px."""
    f = np.hypot(np.fft.fftfreq(N)[:, None], np.fft.fftfreq(N)[None, :])
    return (f >= low) & (f < high)


def spectra(picture, truth):
    """Yield the spectra of picture and truth in overlapping windows."""
    window = np.outer(np.hanning(N), np.hanning(N))
    for i in range(0, truth.shape[0] - N + 1, N // 2):
        for j in range(0, truth.shape[1] - N + 1, N // 2):
            parts = (values[i : i + N, j : j + N] for values in (picture, truth))
            yield tuple(np.fft.fft2((part - part.mean()) * window) for part in parts)


def band_error(picture, truth, low=0.25, high=0.45):
    """Return error power over signal power in a band of spatial frequency, cycles/px."""
    band = ring(low, high)
    wrong = right = 0.0
    for found, true in spectra(picture, truth):
        right += (np.abs(true[band]) ** 2).sum()
        wrong += (np.abs(found[band] - true[band]) ** 2).sum()
    return wrong / right


def texture_sfr50(picture, truth, blur_px):
    """Return where the response to texture falls to a half, cycles/px.

    What of the known texture is found again in place, the cross-spectrum over the truth's own
    spectrum, times what lens and pixel had passed (Kirk, Herzer, Artmann & Kunz, *Description of
    texture loss using the dead leaves target*, Electronic Imaging 2014; from memory).
    """
    edges = np.arange(0.03, 0.5, 0.03)
    rings = [ring(low, high) for low, high in pairwise(edges)]
    both, own = np.zeros(len(rings)), np.zeros(len(rings))
    for found, true in spectra(picture, truth):
        both += [(found[part] * true[part].conj()).real.sum() for part in rings]
        own += [(np.abs(true[part]) ** 2).sum() for part in rings]
    f = (edges[1:] + edges[:-1]) / 2
    response = both / own * np.exp(-2 * np.pi**2 * blur_px**2 * f**2) * np.sinc(f)
    response /= response[0]
    return float(np.interp(-0.5, -response, f))


def photograph_a_landscape(folder, blur_px):
    """Return true transmittance, that from the mosaic, and from every demosaic by name."""
    camera = CameraModel(shape=(800, 1000), blur_px=blur_px, fill=1.6, colour_gains=GAINS)
    plate = PlateModel(size_mm=(20.0, 26.0), rebate_mm=(0.5,) * 4, scene="landscape")
    path, truth, mosaic = photograph(folder, plate, camera)
    region = np.s_[100:700, 100:900]
    true = truth[region].astype(np.float64)
    others = {
        f"{algorithm.name} {name}": picture[region] * (true.mean() / picture[region].mean())
        for algorithm in DEMOSAICS
        for name, picture in demosaiced(path, algorithm).items()
    }
    return true, mosaic[region].astype(np.float64), others


@pytest.mark.xfail(
    strict=True,
    reason="grain and picture, found again in place: the ratio to the best demosaic is 1.06 at a "
    "blur of 0.35 px and 0.99 at 0.5 px, for what is left to resolve there is the lens's",
)
def test_mosaic_resolves_texture_1_15_times_finer(tmp_path):
    true, mosaic, others = photograph_a_landscape(tmp_path, 0.35)
    best = max(texture_sfr50(picture, true, 0.35) for picture in others.values())
    assert texture_sfr50(mosaic, true, 0.35) >= 1.15 * best


@pytest.mark.parametrize("blur_px", [0.35, 0.5])
def test_fine_detail_is_truer_from_the_mosaic(tmp_path, blur_px):
    """Grain and picture near the limit: error against the simulator's truth, noise included.

    A demosaic invents what it has not measured: its fine detail is as strong as the truth's, and
    wrong. That is what a slanted edge does not show. Measured: error power over signal power
    0.004 against 0.050 of the best demosaic at blur 0.35 px, 0.007 against 0.043 at 0.5 px.
    """
    true, mosaic, others = photograph_a_landscape(tmp_path, blur_px)
    own = band_error(mosaic, true)
    assert min(band_error(picture, true) for picture in others.values()) >= 2.0 * own
