"""Is the print what it should be: the scan of a finished print laid on its aim, and the difference.

What should have printed follows from the negative's own file and the process's response. Scan and
aim are matched by features of the picture, so the scan may lie any way round. The difference is
read in log exposure, through the process's own curve (density against log exposure), because there
a wrong time is one number, uneven light a slope, and a wrong grade a factor.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter

from platebench.core.errors import ChartError
from platebench.core.files import atomic_write, refuse_foreign
from platebench.core.plain_json import read_json
from platebench.printing.printing_time import FIRST_TINT, TOLERANCE
from platebench.printing.process import (
    FULL_CODE,
    Colour,
    PrintResponse,
    Process,
    grey_of,
    response_of,
)
from platebench.printing.read_sheet import read_print
from platebench.write.colour import lightness_of
from platebench.write.tiff import stored_pixels

Plane = NDArray[np.float64]
_LONG = 1500  # pixels of the longer side, while scan and aim are matched and compared
_FEATURES, _RATIO, _INLIERS = 6000, 0.8, 25
_DEEPEST = 2.6  # D; glossy silver paper reaches 2.2 (from memory)
_STRETCH = 1.1  # one way more than the other: no scanner does
_CELL = 8  # pixels a side of what is compared
_EVEN = 0.1  # D within a cell of the aim; more is an edge, which a small misfit spoils
_UNEVEN = 0.5  # beyond this it does not count at all
_NOISE = 0.05  # D a cell; its neighbours share most of it
# Exposure, slopes, contrast; D of paper white. White is hardly free: as much density everywhere
# looks so much like exposure that a free white takes a share of it.
_PRIORS = (1.0, 0.5, 0.5, 0.1, 0.004)
_UNKNOWN = 0.025  # stops: depth and calibration are no better known (of 40 simulated prints)
_BANDS, _TONE = 16, 0.005  # of tone; D by which the step chart may be off in each
_PAPER_NEAR, _AROUND = 0.03, 1.02  # D from the print's lightest places; of the print's sides
_MIDDLE = (0.12, 0.88)  # share of full black between which exposure shows
_LEAST = 40  # cells
_STOP = float(np.log10(2.0))
# What is worth acting on; common practice, no source.
_STOPS, _FALL, _GRADE, _BLACK, _LEFT = 0.1, 0.08, 0.07, 0.06, 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintNumbers:
    """How a print differs from what its negative should have given, in numbers.

    Attributes
    ----------
    stops : float
        Exposure over the standard printing time; above 0 is too much.
    stops_error : float
        One standard error.
    fall : float
        Share of the light lost from the brightest side of the film to the darkest.
    fall_error : float
        One standard error.
    darker_side : str
        Where less light fell: "left", "upper right", ...
    contrast : float
        Tones of the print stretched (above 1) or squeezed about the middle.
    black, black_aim : float
        Densest tone, and what it should have been, D above paper white.
    left_over : float
        RMS of what none of these explains, L*.
    """

    stops: float
    stops_error: float
    fall: float
    fall_error: float
    darker_side: str
    contrast: float
    black: float
    black_aim: float
    left_over: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PrintCheck:
    """A print beside its aim.

    Attributes
    ----------
    numbers : PrintNumbers
    tones : ndarray of float64, shape (n, 2)
        Aimed and printed density, medians over the tones, thinnest first.
    map : ndarray of float64, shape (M, N)
        Printed less aimed, L*, smoothed; NaN where the aim has no even place.
    advice : tuple of str
        What to change next; a sentence each, without its full stop.
    notes : tuple of str
        How the scan was read.
    """

    numbers: PrintNumbers
    tones: Plane
    map: Plane
    advice: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeFile:
    """A print negative as its files say.

    Attributes
    ----------
    tiff : Path
    process : str
        The process it was made for.
    mirrored : bool
    ppi : float
    colour : tuple of 3 float or None
        Of its ink; None for plain black.
    """

    tiff: Path
    process: str
    mirrored: bool
    ppi: float
    colour: Colour | None = None


def load_negative(path: Path) -> NegativeFile:
    """Return what is known of a print negative: its TIFF, PDF or record is named.

    Raises
    ------
    ChartError
        If it is none of print-negative's.
    """
    record, tiff = path.with_suffix(".json"), path.with_suffix(".tif")
    remedy = "name the .tif that print-negative wrote, its .json beside it"
    try:
        facts = read_json(record.read_text("utf-8"))
        red, green, blue = map(float, facts.get("ink_colour", (0, 0, 0)))
        return NegativeFile(
            tiff=tiff,
            process=str(facts["process"]),
            mirrored=bool(facts["mirrored"]),
            ppi=float(facts["ppi"]),
            colour=(red, green, blue) if "ink_colour" in facts else None,
        )
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise ChartError(path, "is no print negative with its record", remedy) from error


def check_print(
    scan: Path, negative: NegativeFile, process: Process, *, gamma: float = 2.2
) -> PrintCheck:
    """Compare a finished print with its aim.

    Parameters
    ----------
    scan : Path
        TIFF, PNG or JPEG of the print, any way round.
    negative : NegativeFile
        What it was printed through.
    process : Process
        With its calibration, as the negative was made.
    gamma : float
        Coding of scans without a profile.

    Raises
    ------
    CaptureError
        If the scan cannot be read.
    ChartError
        If it does not show the print of this negative, or the negative's file is gone, or of
        another ink than the process.
    """
    if negative.colour != process.colour:
        what = f'is in another ink than "{process.name}" has now'
        raise ChartError(negative.tiff, what, "make the negative again, and print that")
    response = response_of(process)
    aim = _aim(negative, response)
    read = read_print(scan, gamma)
    light = _small(read.light.astype(np.float64), _LONG)
    to_aim = _match(scan, light, aim)
    blur = max(0.0, 0.4 * (np.sqrt(abs(np.linalg.det(to_aim[:2, :2]))) ** -1 - 1))
    even = gaussian_filter(light, blur) if blur > 0 else light
    size = (aim.shape[1], aim.shape[0])
    laid = cv2.warpPerspective(even, to_aim, size, flags=cv2.INTER_LINEAR, borderValue=(np.nan,))
    white = _paper_white(np.asarray(laid, np.float64), aim)
    paper = _paper_around(light, to_aim, aim.shape, white)
    density = -np.log10(np.maximum(laid, 1e-5) / (paper or white))
    return _compared(density, aim, process, response, read.notes)


def check_to_json(found: PrintCheck) -> dict[str, Any]:
    """Return a check as JSON types."""
    return {
        **{
            name: round(value, 4) if isinstance(value, float) else value
            for name, value in asdict(found.numbers).items()
        },
        "tones": [[round(float(v), 4) for v in pair] for pair in found.tones],
        "advice": list(found.advice),
        "notes": list(found.notes),
    }


def _aim(negative: NegativeFile, response: PrintResponse) -> Plane:
    """Return the density that should have printed, as one looks at the print, reduced."""
    try:
        codes = grey_of(stored_pixels(negative.tiff), negative.colour)
    except (OSError, ValueError) as error:
        remedy = "make the negative again, by the same process and at the same size"
        raise ChartError(negative.tiff, "cannot be read", remedy) from error
    table = response.density_of(1 - np.arange(FULL_CODE + 1) / FULL_CODE)
    # Reduced as light: what a scanner's pixel sees of several tones is the mean of their light.
    factor = max(1, int(np.ceil(max(codes.shape) / (2 * _LONG))))
    rows, columns = (side // factor for side in codes.shape)
    bands = np.empty((rows, columns))
    for row in range(rows):
        part = 10.0 ** -table[codes[row * factor : (row + 1) * factor, : columns * factor]]
        bands[row] = part.reshape(factor, columns, factor).mean((0, 2))
    light = _small(bands, _LONG)
    return np.asarray(-np.log10(light[:, ::-1] if negative.mirrored else light))


def _small(light: Plane, longest: int) -> Plane:
    factor = longest / max(light.shape)
    if factor >= 1:
        return light
    size = (round(light.shape[1] * factor), round(light.shape[0] * factor))
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float64)


def _match(scan: Path, light: Plane, aim: Plane) -> NDArray[np.float64]:
    """Return the matrix from pixels of the scan to pixels of the aim."""
    wanted = _shown(10.0**-aim)
    matrix, count = _by_features(_shown(light), wanted)
    if matrix is None:
        turned, seen = _by_features(np.ascontiguousarray(_shown(light)[:, ::-1]), wanted)
        if turned is not None:
            what = "shows the print of this negative reversed"
            remedy = "turn the scan back if it was flipped; else the film lay the wrong way up"
            raise ChartError(scan, what, remedy)
        what = f"does not show the print of this negative ({max(count, seen)} places agree)"
        raise ChartError(scan, what, "scan the whole print, and name the negative it was made from")
    start = np.linalg.inv(matrix).astype(np.float32)  # from the aim to the scan, as ECC has it
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-6)
    try:
        inside = np.full(light.shape, 255, np.uint8)
        _, better = cv2.findTransformECC(
            wanted, _shown(light), start, cv2.MOTION_HOMOGRAPHY, stop, inside, 5
        )
    except cv2.error:
        better = start
    return np.asarray(np.linalg.inv(better.astype(np.float64)))


def _shown(light: Plane) -> NDArray[np.uint8]:
    """Return a picture of even steps to the eye, full range."""
    tone = np.cbrt(np.clip(light, 0, None))
    low, high = np.quantile(tone, [0.01, 0.99])
    return np.asarray(255 * np.clip((tone - low) / max(high - low, 1e-6), 0, 1), np.uint8)


def _by_features(
    scan: NDArray[np.uint8], aim: NDArray[np.uint8]
) -> tuple[NDArray[np.float64] | None, int]:
    library: Any = cv2  # whose stubs lack it
    finder = library.SIFT_create(nfeatures=_FEATURES, contrastThreshold=0.02)
    (at, what), (to, wanted) = (finder.detectAndCompute(one, None) for one in (scan, aim))
    if what is None or wanted is None or len(at) < _INLIERS or len(to) < _INLIERS:
        return None, 0
    pairs = cv2.BFMatcher().knnMatch(what, wanted, 2)
    good = [pair[0] for pair in pairs if len(pair) == 2 and _is_clear(pair)]
    if len(good) < _INLIERS:
        return None, len(good)
    points = [
        np.array([at[m.queryIdx].pt for m in good]),
        np.array([to[m.trainIdx].pt for m in good]),
    ]
    matrix, inside = cv2.findHomography(points[0], points[1], cv2.RANSAC, 4.0)
    count = 0 if inside is None else int(inside.sum())
    if matrix is None or count < _INLIERS:
        return None, count
    # Marks that are their own mirror image match in a flipped scan too, but by no scan's shape.
    stretch = np.linalg.svd(matrix[:2, :2], compute_uv=False)
    if np.linalg.det(matrix[:2, :2]) <= 0 or stretch[0] > _STRETCH * stretch[1]:
        return None, count
    return np.asarray(matrix), count


def _is_clear(pair: Any) -> bool:
    return bool(pair[0].distance < _RATIO * pair[1].distance)


def _paper_white(laid: Plane, aim: Plane) -> float:
    """Return the light of bare paper, by the lightest even places, which show least exposure."""
    aimed, spread = _cells(aim)
    printed, _ = _cells(-np.log10(np.maximum(laid, 1e-5)))
    even = (spread < _EVEN) & np.isfinite(printed)
    if even.sum() < _LEAST:
        return float(np.nanquantile(laid, 0.99))
    light = np.sort(aimed[even])
    lightest = even & (aimed <= max(light[_LEAST - 1], light[0] + 0.05))
    return float(10 ** -np.median(printed[lightest] - aimed[lightest]))


def _paper_around(
    light: Plane, to_aim: Plane, shape: tuple[int, ...], white: float
) -> float | None:
    """Return the light of the paper around the print; None where none shows.

    What lies around may be a lid, or coated paper that printed black: only what is nearly as light
    as the print's own lightest places is taken for its paper.
    """
    rows, columns = shape
    corners = np.array([(0, 0), (columns, 0), (columns, rows), (0, rows)], np.float64)
    wide = corners.mean(0) + _AROUND * (corners - corners.mean(0))
    outline = cv2.perspectiveTransform(wide[None], np.linalg.inv(to_aim))[0]
    outside = np.ones(light.shape, np.uint8)
    cv2.fillConvexPoly(outside, np.rint(outline).astype(np.int32), 0)
    place, _ = _cells(-np.log10(np.where(outside, 0.1, 1.0)))
    shown, spread = _cells(-np.log10(np.maximum(light, 1e-5) / white))
    paper = (place > 1 - 1e-9) & (np.abs(shown) < _PAPER_NEAR) & (spread < _EVEN)
    if paper.sum() < _LEAST:
        return None
    return white * 10 ** -float(np.median(shown[paper]))


def _compared(
    density: Plane, aim: Plane, process: Process, response: PrintResponse, notes: tuple[str, ...]
) -> PrintCheck:
    aimed, spread = _cells(aim)
    printed, _ = _cells(density)
    even = (spread < _UNEVEN) & np.isfinite(printed)
    d_max = response.d_max
    curve = _Curve(process, d_max)
    middle = even & (aimed > _MIDDLE[0] * d_max) & (aimed < _MIDDLE[1] * d_max)
    if middle.sum() < _LEAST:
        raise ChartError(
            "the negative",
            f"has {int(middle.sum())} even places of a middle tone",
            f"judge by a picture with {_LEAST} at least, or by the step chart",
        )
    rows, columns = np.indices(aimed.shape)
    place = np.stack(
        (rows / max(aimed.shape[0] - 1, 1) - 0.5, columns / max(aimed.shape[1] - 1, 1) - 0.5)
    )
    wanted = curve.exposure_of(aimed[middle])
    slope = curve.slope_at(wanted)
    weight = (slope / _NOISE) ** 2 / (1 + (spread[middle] / _EVEN) ** 2)
    tone = wanted - np.average(wanted, weights=weight)
    # Then what paper white taken wrongly does, as much density everywhere; last, how far the step
    # chart is off in each tone: one with many cells does not outvote the others.
    band = np.minimum((aimed[middle] / d_max * _BANDS).astype(int), _BANDS - 1)
    columns_of = np.column_stack(
        (
            *(np.ones_like(tone), *place[:, middle], tone, 1 / slope),
            np.eye(_BANDS)[band] / slope[:, None],
        )
    )
    deep = even & (spread < _EVEN) & (aimed > d_max - 0.05)
    depth, fit = 1.0, np.zeros(columns_of.shape[1])
    for _ in range(4):  # a weaker coating is no shorter exposure: depth by the blacks, in turn
        off = curve.exposure_of(printed[middle] / depth) - wanted
        inside = (printed[middle] / depth > 0.03 * d_max) & (printed[middle] / depth < 0.97 * d_max)
        fit, errors = _robust(columns_of[inside], off[inside], weight[inside])
        if deep.sum() >= _LEAST // 4:
            at = curve.exposure_of(aimed[deep]) + fit[0] + place[:, deep].T @ fit[1:3]
            depth = float(np.median(printed[deep] / curve.density_at(at)))
    black = depth * d_max
    if black > _DEEPEST:
        raise ChartError(
            "the scan",
            f"shows a black of {black:.2f} D, deeper than paper goes",
            "scan again without automatic levels; see that it is not inverted, and its gamma right",
        )
    fall_log = float(np.hypot(fit[1], fit[2]))
    fall = 1 - 10**-fall_log
    fall_error = float(np.hypot(errors[1], errors[2]) * np.log(10) * 10**-fall_log)
    left = lightness_of(10.0 ** -printed[middle]) - lightness_of(
        10.0 ** -(depth * curve.density_at(wanted + columns_of @ fit))
    )
    left_over = float(np.sqrt(np.mean(np.clip(left, *np.quantile(left, [0.02, 0.98])) ** 2)))
    numbers = PrintNumbers(
        stops=float(fit[0]) / _STOP,
        stops_error=float(np.hypot(errors[0] / _STOP, _UNKNOWN)),
        fall=fall,
        fall_error=fall_error,
        darker_side=_side(fit[1], fit[2]),
        contrast=1 + float(fit[3]),
        black=black,
        black_aim=d_max,
        left_over=left_over,
    )
    shown = lightness_of(10.0**-printed) - lightness_of(10.0**-aimed)
    return PrintCheck(
        numbers=numbers,
        tones=_tones(aimed[even], printed[even]),
        map=_smoothed(shown, even),
        advice=_advice(numbers, calibrated=response.calibrated),
        notes=notes,
    )


class _Curve:
    """A process's print density by log exposure from the first tint; black by the calibration."""

    def __init__(self, process: Process, d_max: float) -> None:
        curve, scale = process.print_curve, process.scales[0].typical
        share = np.linspace(0, 1, 4001)
        tone = np.maximum.accumulate(PchipInterpolator(curve.exposure, curve.tone)(share))
        density = FIRST_TINT + tone * (d_max - FIRST_TINT)
        # Beyond full black the print still gains what counted as full black all the same.
        self._exposure = np.concatenate((share * scale, [1.15 * scale]))
        self._density = np.concatenate((density, [d_max + TOLERANCE]))
        self._density += np.arange(self._density.size) * 1e-12  # rising, for the inverse

    def exposure_of(self, density: Plane) -> Plane:
        """Return log exposures."""
        return np.asarray(np.interp(density, self._density, self._exposure))

    def density_at(self, exposure: Plane) -> Plane:
        """Return densities."""
        return np.asarray(np.interp(exposure, self._exposure, self._density))

    def slope_at(self, exposure: Plane) -> Plane:
        """Return density per log exposure: how well a tone shows exposure."""
        step = 0.02
        rise = self.density_at(exposure + step) - self.density_at(exposure - step)
        return np.asarray(np.maximum(rise, 1e-4) / (2 * step))


def _cells(plane: Plane) -> tuple[Plane, Plane]:
    """Return density by mean light, and how much it spreads, of cells; shape (m, n) each."""
    rows, columns = (side // _CELL for side in plane.shape)
    cut = plane[: rows * _CELL, : columns * _CELL].reshape(rows, _CELL, columns, _CELL)
    light = (10.0**-cut).mean((1, 3))
    return np.asarray(-np.log10(np.maximum(light, 1e-6))), np.asarray(np.ptp(cut, axis=(1, 3)))


def _robust(columns: Plane, off: Plane, weight: Plane) -> tuple[Plane, Plane]:
    """Fit with weights, weak priors, and less trust in outliers (Huber); return fit and errors."""
    prior = np.diag(1 / np.array((*_PRIORS, *(_TONE,) * _BANDS)) ** 2)
    kept = weight
    for _ in range(8):
        normal = (columns * kept[:, None]).T @ columns + prior
        fit = np.linalg.solve(normal, (columns * kept[:, None]).T @ off)
        off_by = np.abs(off - columns @ fit) * np.sqrt(weight)
        scale = 1.4826 * np.median(off_by) + 1e-6
        kept = weight * np.minimum(1, 1.5 * scale / np.maximum(off_by, 1e-9))
    return np.asarray(fit), np.asarray(np.sqrt(np.diag(np.linalg.inv(normal))))


def _side(down: float, across: float) -> str:
    """Return where less light fell."""
    strong = max(abs(down), abs(across))
    names = []
    if abs(down) > 0.4 * strong:
        names.append("lower" if down < 0 else "upper")
    if abs(across) > 0.4 * strong:
        names.append("right" if across < 0 else "left")
    return " ".join(names)


def _tones(aimed: Plane, printed: Plane) -> Plane:
    """Return medians of the printed density over twenty bands of the aim."""
    edges = np.linspace(aimed.min(), aimed.max() + 1e-9, 21)
    band = np.digitize(aimed, edges)
    return np.array(
        [
            (np.median(aimed[band == n]), np.median(printed[band == n]))
            for n in range(1, 21)
            if (band == n).sum() >= 3
        ]
    )


def _smoothed(shown: Plane, even: NDArray[np.bool_]) -> Plane:
    weight = gaussian_filter(even.astype(np.float64), 3.0)
    mean = gaussian_filter(np.where(even, shown, 0.0), 3.0) / np.maximum(weight, 1e-6)
    return np.where(weight > 0.05, mean, np.nan)


def _advice(found: PrintNumbers, *, calibrated: bool) -> tuple[str, ...]:
    if not calibrated:
        return (
            "the process is not calibrated, so nothing says what the print should be: print a step "
            "chart and calibrate first",
        )
    said = []
    if abs(found.stops) > max(_STOPS, 2 * found.stops_error):
        way = "less" if found.stops > 0 else "more"
        times = 2**-found.stops
        said.append(f"expose {abs(found.stops):.2f} stop {way}: {times:.2f} times the time")
    if found.fall > max(_FALL, 2 * found.fall_error):
        said.append(
            f"the {found.darker_side} of the sheet got up to {found.fall:.0%} less light: move or "
            "raise the lamp, or coat more evenly"
        )
    if abs(found.contrast - 1) > _GRADE:
        way = "harder" if found.contrast > 1 else "softer"
        said.append(
            f"the print is {abs(found.contrast - 1):.0%} {way} than its process was: look at "
            "coating, humidity and bath; if they are to stay so, print a new step chart"
        )
    if abs(found.black - found.black_aim) > _BLACK:
        way = "deeper" if found.black > found.black_aim else "weaker"
        said.append(
            f"its black is {abs(found.black - found.black_aim):.2f} D {way} than the process had: "
            "another coat or paper; if that is to stay, print a new step chart"
        )
    if found.left_over > _LEFT:
        said.append(
            f"tones are still {found.left_over:.1f} L* off where none of this explains it: print "
            "a new step chart"
        )
    return tuple(said) or ("the print is what it should be",)


def draw_check(found: PrintCheck) -> Any:
    """Return the drawing of a check: tones beside their aim, and the map over the sheet."""
    from platebench.sensitometry.plot_paper import (
        INK,
        PENCIL,
        QUIET,
        face,
        new_sheet,
        style_frame,
    )

    sheet = new_sheet(9.0, 4.4)
    tones, field = (
        sheet.add_axes((0.075, 0.15, 0.4, 0.75)),
        sheet.add_axes((0.55, 0.15, 0.36, 0.75)),
    )
    top = float(max(found.tones.max(), found.numbers.black_aim)) + 0.1
    tones.plot([0, top], [0, top], color=QUIET, linewidth=0.9, linestyle=(0, (5, 3)))
    tones.plot(*found.tones.T, color=PENCIL, linewidth=1.4, marker="o", ms=3.5)
    tones.set_xlim(0, top)
    tones.set_ylim(0, top)
    tones.set_xlabel("density aimed at", fontproperties=face(10), color=INK)
    tones.set_ylabel("density printed", fontproperties=face(10), color=INK)
    style_frame(tones)
    most = max(4.0, float(np.nanquantile(np.abs(found.map), 0.98)))
    drawn = field.imshow(found.map, cmap="PuOr", vmin=-most, vmax=most, interpolation="nearest")
    field.set_xticks([])
    field.set_yticks([])
    field.set_title(
        "lighter (+) or darker (\N{MINUS SIGN}) than aimed, L*", fontproperties=face(10)
    )
    bar = sheet.colorbar(drawn, cax=sheet.add_axes((0.925, 0.15, 0.015, 0.75)))
    for label in (*bar.ax.get_yticklabels(), *tones.get_xticklabels(), *tones.get_yticklabels()):
        label.set_fontproperties(face(9))
    return sheet


def write_check(path: Path, found: PrintCheck) -> None:
    """Write the drawing of a check as PNG.

    Raises
    ------
    WriteError
        If it cannot be written, or a file of that name is not from here.
    """
    from platebench.sensitometry.plot_paper import png_of

    refuse_foreign([path], "chart")
    with atomic_write(path) as stream:
        stream.write(png_of(draw_check(found)))
