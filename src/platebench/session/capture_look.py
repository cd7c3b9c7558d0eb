"""A quick look at a capture: bare light box, no light at all, or something on the light box.

A look is a small picture (cell means) and what the file says of itself: kilobytes, so a whole
session of looks fits in memory and two of them can be compared.

How many bits the 16-bit scans of a session have is told by all looks together: a dark scan of 16
bits and a bright one of 12 in 16 are alike by themselves, but the brightest file, mostly the bare
light, uses all there is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.image import MONO_PATTERN, CaptureInfo, CaptureKind, PlateImage, SensorFrame
from platebench.core.settings import ScanBits, ScanSettings
from platebench.plate.finding.find_plates import GLANCED_SIDE, may_be_several
from platebench.plate.finding.surround import reduce_picture
from platebench.plate.glare_evidence import is_smooth
from platebench.plate.light import black_by_kind, linear_means
from platebench.plate.shown_tones import Polarity, shown_tones
from platebench.plate.smooth_field import area_means
from platebench.read.capture import read_capture
from platebench.read.scan_header import FULL_BITS

# Shares of full scale.
DARK_BELOW = 0.004  # nothing in a dark frame is brighter (8 stops under clipping)
BLANK_ABOVE = 0.02  # a blank frame darker than this could not be used anyway

BLOWN_OUT = 0.9  # share of clipped sites beyond which nothing can be told

BLANK_TYPICAL = 0.015  # most cells of a blank stay this close to a smooth surface, relative
BLANK_FAR = 0.05  # and only dust is farther from it than this
DUST_SHARE = 0.02  # share of cells that dust may touch
SURFACE_ORDER = 4  # of the polynomial in the logarithm: uneven lamps and the lens's fall-off

# Shares of the blank's light, at the same exposure.
CARD_DARKEST = 0.015  # what strays onto an opaque card; a plate of D 1.8 and less passes more
UNLIT_BELOW = 0.03  # nothing is brighter with the box off, or with a card over all of it
BARE_WITHIN = 0.1  # of 1: the bare box around a card
CARD_LEAST = 0.1  # share of the frame that a card covers
CARD_FULL = 0.9  # share of the smallest rectangle around it
BARE_SHARE = 0.97  # of what lies around it: there is nothing else in the frame
BARE_RIM = 0.9  # of what lies right beside it
LIT = 3e-4  # of full scale: more is light, not an error of the black level
LONG_TIMES = 8.0  # the blank's exposure
NO_DARK_FRAME = 32.0  # times it: as long, nobody captures the lens cap

SAME_WITHIN = 0.1  # cells of one framing differ by less, once exposure is taken out, relative
MOVED_SHARE = 0.1  # share of cells that may differ more (edges, noise)
COMMON_SHARE = 0.05  # share of cells that must be measurable in both
NOISY_BELOW = 0.002  # cells darker than this are not compared
EXPOSURE_STEP = 0.3  # stops; smaller differences are not a bracket


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureLook:
    """What a quick look at a capture shows.

    Attributes
    ----------
    name : str
        File name in the session folder.
    info : CaptureInfo
        What the file says of itself.
    shape : (int, int)
        Rows and columns of the capture.
    light : ndarray of float32, shape (rows, columns)
        Mean light of each cell over all colours, dark level off; 1.0 is full scale.
    brightest : ndarray of float32, same shape
        The same for the brightest colour.
    clipped : ndarray of float32, same shape
        Share of each cell's sites that are clipped.
    even : bool
        Bright and smooth but for dust: the bare light box.
    looks : {"negative", "positive"} or None
        What a scan seems to show; None where that cannot be told, and of a raw.
    several : bool
        Whether it may show more than one plate; a closer look decides.
    """

    name: str
    info: CaptureInfo
    shape: tuple[int, int]
    light: NDArray[np.float32]
    brightest: NDArray[np.float32]
    clipped: NDArray[np.float32]
    even: bool = False
    looks: Polarity | None = None
    several: bool = False

    @property
    def clipped_share(self) -> float:
        """Share of sites that are clipped."""
        return float(self.clipped.mean(dtype=np.float64))


def look_at(path: Path, scan: ScanSettings = ScanSettings()) -> CaptureLook:  # noqa: B008
    """Read a capture and return a small picture of it.

    Raises
    ------
    CaptureError
        If it cannot be read.
    """
    frame = read_capture(path, scan)
    cells = linear_means(frame) - black_by_kind(frame)[:, None, None]
    cells /= np.float32(frame.full_scale)
    light = cells.mean(axis=0, dtype=np.float64).astype(np.float32)
    return CaptureLook(
        name=path.name,
        info=frame.info,
        shape=frame.shape,
        light=light,
        even=is_even(light),
        brightest=cells.max(axis=0),
        clipped=_clipped_cells(frame, (cells.shape[1], cells.shape[2])),
        looks=shown_tones(frame) if frame.info.kind is CaptureKind.SCAN else None,
        several=_may_show_several(frame),
    )


def _may_show_several(frame: SensorFrame) -> bool:
    period = int(np.lcm(*frame.pattern.shape))
    small, _ = reduce_picture(frame.counts, GLANCED_SIDE, period=period)
    small = np.maximum(small - np.float32(frame.black.mean()), 0)
    small /= np.float32(max(float(np.quantile(small, 0.99)), 1.0))
    return may_be_several(PlateImage(pixels=small, pattern=MONO_PATTERN))


def is_dark(look: CaptureLook) -> bool:
    """Tell whether a capture holds no light: a dark frame."""
    return float(np.quantile(look.brightest, 0.998)) < DARK_BELOW


def is_blown_out(look: CaptureLook) -> bool:
    """Tell whether a capture is clipped nearly all over: of no use, whatever it shows."""
    return look.clipped_share > BLOWN_OUT


def is_even(light: NDArray[np.float32]) -> bool:
    """Tell whether cells of light show the bare light box: bright and smooth but for dust.

    The logarithm of light is fitted by a smooth surface, specks left out; a plate, its edges or
    a card around it leave far more than dust beside that surface.
    """
    if float(np.median(light)) < BLANK_ABOVE or float(light.min()) <= 0:
        return False
    off = np.abs(_off_smooth(np.log(light.astype(np.float64))))
    return bool(np.median(off) < BLANK_TYPICAL and np.mean(off > BLANK_FAR) < DUST_SHARE)


def light_over(look: CaptureLook, blank: CaptureLook) -> NDArray[np.float64] | None:
    """Return a capture's light over the blank's at the same exposure, cell by cell.

    None where the two cannot be compared.
    """
    longer = exposure_over(look, blank)
    if longer is None or look.light.shape != blank.light.shape:
        return None
    return np.asarray(look.light / np.maximum(blank.light, 1e-6) / longer, np.float64)


def exposure_over(look: CaptureLook, blank: CaptureLook) -> float | None:
    """Return time and ISO of a capture over the blank's; None where the files are silent."""
    times = look.info.exposure_s, blank.info.exposure_s
    if not times[0] or not times[1] or look.info.kind is not blank.info.kind:
        return None
    return times[0] / times[1] * (look.info.iso or 100.0) / (blank.info.iso or 100.0)


def shows_card(look: CaptureLook, blank: CaptureLook) -> bool:
    """Tell whether a capture shows a large opaque card on the bare box, and nothing else.

    It lies in the middle, is a whole rectangle, darker than plates are, and has no detail. Several
    plates leave several dark places; a dense plate passes more light, or shows its picture.
    """
    over = light_over(look, blank)
    if over is None or look.clipped_share > 0.001:
        return False
    dark = (over < 0.5).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    rows, columns = dark.shape
    place = int(labels[rows // 2, columns // 2])
    if count < 2 or place == 0:
        return False
    area = int(stats[place, cv2.CC_STAT_AREA])
    card = (labels == place).astype(np.uint8)
    points = np.argwhere(card)[:, ::-1].astype(np.int32)
    height, width = cv2.minAreaRect(points)[1]
    if area < CARD_LEAST * dark.size or area < CARD_FULL * height * width:
        return False
    kernel = np.ones((5, 5), np.uint8)
    around = over[cv2.dilate(card, kernel) == 0]
    inner = cv2.erode(card, kernel, borderValue=1) > 0
    if around.size == 0 or not inner.any():
        return False
    if float(np.mean(np.abs(around - 1) < BARE_WITHIN)) < BARE_SHARE:
        return False
    rim = cv2.dilate(card, np.ones((7, 7), np.uint8)) > cv2.dilate(card, np.ones((3, 3), np.uint8))
    if float(np.mean(np.abs(over[rim] - 1) < BARE_WITHIN)) < BARE_RIM:
        return False  # a plate's rebate
    if float(np.quantile(over[inner], 0.9)) > CARD_DARKEST:
        return False
    return is_smooth(over, inner)


def is_unlit(look: CaptureLook, blank: CaptureLook, darkest: float) -> bool:
    """Tell whether a capture shows no light box, but was not taken with the lens cap on.

    Parameters
    ----------
    darkest : float
        Mean light of the darkest capture of the session: what the black level may be off by.
    """
    over, longer = light_over(look, blank), exposure_over(look, blank)
    if over is None or longer is None or float(np.quantile(over, 0.995)) > UNLIT_BELOW:
        return False
    lit = float(look.light.mean(dtype=np.float64)) > max(darkest, 0.0) + LIT
    return longer > NO_DARK_FRAME or lit


def light_rate(look: CaptureLook) -> float | None:
    """Return light a second at ISO 100, to compare brightness; None where the file is silent."""
    info = look.info
    if not info.exposure_s:
        return None
    return float(np.median(look.light)) / info.exposure_s / ((info.iso or 100.0) / 100.0)


def stops_between(first: CaptureLook, second: CaptureLook) -> float | None:
    """Return how many stops more light ``second`` has; None if the framing is another.

    The two are compared where both are measurable: neither clipped nor nearly black.
    """
    if first.shape != second.shape:
        return None
    usable = np.ones(first.light.shape, bool)
    for look in (first, second):
        usable &= (look.clipped == 0) & (look.light > NOISY_BELOW)
    if float(np.mean(usable)) < COMMON_SHARE:
        return None
    a, b = (np.log(look.light[usable].astype(np.float64)) for look in (first, second))
    shift = float(np.median(b - a))
    if float(np.mean(np.abs(b - a - shift) > SAME_WITHIN)) > MOVED_SHARE:
        return None
    return shift / float(np.log(2.0))


def _clipped_cells(frame: SensorFrame, grid: tuple[int, int]) -> NDArray[np.float32]:
    def clipped(rows: slice) -> NDArray[np.float32]:
        sites = frame.counts[rows] >= frame.white
        return np.asarray(sites.any(axis=2) if sites.ndim == 3 else sites, np.float32)

    shares = area_means(clipped, frame.shape, grid)
    return np.asarray(np.rint(shares * 255) / 255, np.float32)  # a speck is nothing


def _off_smooth(log_light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what a smooth surface leaves over, the surface fitted without outliers."""
    down, across = (
        np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, n), SURFACE_ORDER)
        for n in log_light.shape
    )
    values = cv2.medianBlur(log_light.astype(np.float32), 3).astype(np.float64)
    keep = np.ones(values.shape)
    fitted = np.zeros(values.shape)
    for _ in range(3):
        # Sums in numpy's own loops: a library of linear algebra would take every core for a few
        # milliseconds' work, and wait for them where others use the machine too.
        moments = np.einsum("rc,cj,cl->rjl", keep, across, across)
        normal = np.einsum("ri,rk,rjl->ijkl", down, down, moments)
        right = np.einsum("rj,ri->ij", np.einsum("rc,cj->rj", keep * values, across), down)
        weights = np.linalg.solve(normal.reshape(right.size, -1), right.ravel())
        part = np.einsum("ri,ij->rj", down, weights.reshape(right.shape))
        fitted = np.einsum("rj,cj->rc", part, across)
        off = np.abs(values - fitted)
        keep = (off <= 4 * max(float(np.median(off)), 1e-4)).astype(np.float64)
    return np.asarray(log_light - fitted, np.float64)


def session_bits(looks: Sequence[CaptureLook]) -> ScanBits:
    """Return the bits that hold every value of a session's 16-bit scans; 0 where none is in doubt.

    Returns
    -------
    {0, 8, 10, 12, 14, 16}
        16 where one file needs all of them and others do not.
    """
    found = [look.info.least_bits for look in looks if look.info.least_bits is not None]
    return max(found) if found and min(found) < FULL_BITS else 0


def looked_at_with_bits(
    looks: Sequence[CaptureLook],
    bits: ScanBits,
    look_again: Callable[[list[CaptureLook]], list[CaptureLook]],
) -> list[CaptureLook]:
    """Return the looks, those of scans in doubt taken again if ``bits`` are fewer than 16."""
    if not 0 < bits < FULL_BITS:
        return list(looks)
    doubtful = [look for look in looks if look.info.least_bits is not None]
    again = {look.name: look for look in look_again(doubtful)}
    return [again.get(look.name, look) for look in looks]
