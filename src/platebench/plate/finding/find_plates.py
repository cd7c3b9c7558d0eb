"""Find every plate in a capture: on a bare light box, or in the openings of a mask.

What lies on the surround is parted into regions; around each a window is cut, the others painted
over with the surround, and :func:`find_plate` finds the one that is left. What the regions say
together is added to its doubts: plates that touch look like one, a cracked one like two.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.formats import FORMATS
from platebench.core.image import PlateImage
from platebench.plate.finding.find_plate import Doubles, FoundPlate, find_plate
from platebench.plate.finding.outline import OPAQUE, bare_beyond
from platebench.plate.finding.refine_corners import corners_of, sides_of_outline
from platebench.plate.finding.surround import (
    BLACK,
    FLOOR,
    FULL,
    Floats,
    Mask,
    Region,
    find_surround,
    reduce_picture,
    rim_of,
)

SEARCHED_SIDE = 1700  # pixels of the long side on which plates are parted
GLANCED_SIDE = 1050  # and on which it is seen whether there may be several
LEAST_SHARE = 0.004  # of the frame; the twentieth part of a full frame is ten times as much
MARGIN = 0.06  # of a window's long side, around a region
CLEAR = 3  # reduced pixels around other regions that are painted over with them
LEAST_OF_LARGEST = 0.04  # of the largest region's area; less is a label or a piece of card

BROKEN_OUTLINE = 0.93  # of its smallest rectangle; plates fill more, perspective and chips allowed
BAR_LEVELS = (0.03, 0.06, 0.12, 0.25)  # of the light, which a bar between openings stays below
BAR_KEEPS = 0.85  # of an area that the parts make up
CARD_OPEN = 0.2  # of a card with several openings, at least
SQUARE_ENOUGH = 4.0  # degrees, of a plate that counts as one beside others
AT_BORDER = 0.01  # of the frame's long side
UNSTEPPED = 0.72  # of each side of a plate on which its outline lies, at least
MULTIPLE_WITHIN = 0.025  # of the sides of another plate
JOINT_FULL = 0.93  # of the smallest rectangle around two pieces of one plate
JOINT_SIDES = 0.75  # of each side of that rectangle on which something lies
JOINT_STRAIGHT = 0.006  # of its long side
PIECES_APART = 0.012  # of the frame's long side
RECTANGLE_FULL, RECTANGLE_SQUARE = 0.98, 1.5  # of its smallest rectangle; degrees
SHAPE_WITHIN = 0.035  # of the ratio of the sides of a usual format
SEAM_ALL_ALONG = 0.85  # share of a line across the plate that is darker or brighter than beside it
SEAM_AT_ENDS = 0.6  # of its outermost fortieths, where a picture may have ended
SEAM_DEEP = 0.012  # log10 transmittance, median along it
SEAM_WIDE_PX = (3, 6)  # to either side
SEAM_ROWS = 160  # at which a plate is looked through, from one side to the other
SEAM_CLEAR = 0.1  # of the plate, at either end
STEP_SHARE = 0.25  # a step counts less than a line: pictures have many
SEAM_SHORTEST = 120  # pixels of a side; on smaller plates no seam is told from a picture
SEAM_SLANT = 12  # pixels that it may lean over its length

TOUCHING = "two plates may touch, or one is cracked"
PIECES = "may be one piece of a cracked plate, the other beside it"


@dataclass(frozen=True, slots=True, eq=False)
class _Parted:
    """The regions of a reduced picture, and the surround they lie on."""

    small: Floats
    block: int
    regions: list[Region]
    surface: Floats  # log10(transmittance + FLOOR)
    dark: bool


def may_be_several(image: PlateImage) -> bool:
    """Tell quickly whether a capture may show more than one plate; light may be unknown.

    True too where what looks like one plate has the outline or the seam of two that touch.
    """
    parted = _part(image, light_known=False, long_side=GLANCED_SIDE)
    if parted is None or _leaves_frame(parted.regions[0]):
        return False
    if len(parted.regions) > 1 or _is_stepped(parted.regions[0]):
        return True
    corners = corners_of(sides_of_outline(parted.regions[0].mask))
    return bool(np.isfinite(corners).all()) and _has_seam(parted, corners)


def find_plates(image: PlateImage, *, light_known: bool = True) -> tuple[FoundPlate, ...]:
    """Find all plates in a capture.

    Parameters
    ----------
    image : PlateImage
        Transmittance, (M, N) with the mosaic still interleaved or (M, N, 3). Light may be uneven.
    light_known : bool
        Whether 1.0 is the bare light box; as for :func:`find_plate`.

    Returns
    -------
    tuple of FoundPlate
        In reading order: by rows from the top, each from the left. Empty where nothing is seen.
    """
    parted = _part(image, light_known=light_known)
    if parted is None:
        return ()
    found = []
    if len(parted.regions) > 1:
        found = [_in_window(image, parted, k, light_known) for k in range(len(parted.regions))]
    sure = [
        r.fullness > BROKEN_OUTLINE and _is_whole(plate)
        for r, plate in zip(parted.regions, found, strict=False)
    ]
    if sum(sure) < 2:  # one plate, of which more than the outline shows
        parted = replace(parted, regions=parted.regions[:1])
        found = [find_plate(image, light_known=light_known)]
        if found[0].doubts:
            return tuple(found)
    doubts = _doubts_of(parted, found)
    plates = [
        replace(
            plate, doubts=(*more, *plate.doubts)[:3], confidence=0.0 if more else plate.confidence
        )
        for plate, more in zip(found, doubts, strict=True)
    ]
    return tuple(plates[k] for k in reading_order([plate.corners for plate in plates]))


def _is_whole(plate: FoundPlate) -> bool:
    return plate.found and plate.surround != "none" and plate.out_of_square_deg < SQUARE_ENOUGH


def reading_order(outlines: list[Doubles]) -> list[int]:
    """Return the order of outlines by rows from the top, each row from the left.

    Plates are in one row where more than half the height of the lower one lies beside another.

    Examples
    --------
    >>> square = np.array([[0.0, 0], [0, 4], [4, 4], [4, 0]])
    >>> reading_order([square + [1, 10], square + [9, 0], square])
    [2, 0, 1]
    """
    spans = [(float(c[:, 0].min()), float(c[:, 0].max()), float(c[:, 1].mean())) for c in outlines]
    left = sorted(range(len(outlines)), key=lambda k: spans[k][0] + spans[k][1])
    order: list[int] = []
    while left:
        top, bottom, _ = spans[left[0]]
        row = [
            k
            for k in left
            if min(bottom, spans[k][1]) - max(top, spans[k][0])
            > 0.5 * min(bottom - top, spans[k][1] - spans[k][0])
        ]
        order += sorted(row, key=lambda k: spans[k][2])
        left = [k for k in left if k not in row]
    return order


def _part(
    image: PlateImage, *, light_known: bool, long_side: int = SEARCHED_SIDE
) -> _Parted | None:
    period = int(np.lcm(*image.pattern.shape))
    small, block = reduce_picture(image.pixels, long_side, period=period)
    if min(small.shape) < 24:
        return None
    light = 1.0 if light_known else float(np.quantile(small, 0.99))
    surround = find_surround(small)
    regions = _regions(surround.objects)
    dark = surround.level < BLACK * light
    if dark:
        regions = [region for region in regions if not bare_beyond(small / light, region)]
        regions = [part for region in regions for part in _split(small / light, region)]
    elif len(regions) == 1:
        openings = _openings(small, surround.level, regions[0])
        if openings is not None:
            return replace(openings, block=block)
    if any(_leaves_frame(region) for region in regions):
        regions = regions[:1]  # parts of one plate, more likely, whose surround does not show
    if not regions:
        return None
    return _Parted(small, block, regions, surround.surface, dark)


def _leaves_frame(region: Region) -> bool:
    """Tell whether a region reaches the frame's border, or as good as that."""
    mask, rim = region.mask, max(1, round(AT_BORDER * max(region.mask.shape)))
    strips = (mask[:rim], mask[-rim:], mask[:, :rim].T, mask[:, -rim:].T)
    return max(float(strip.any(axis=0).mean()) for strip in strips) > 0.01


def _regions(objects: Mask) -> list[Region]:
    """Return the things that are large enough, largest first, thin bridges between them cut."""
    brush = np.ones((5, 5), np.uint8)
    opened = np.asarray(cv2.morphologyEx(objects, cv2.MORPH_OPEN, brush), np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    areas = stats[:, cv2.CC_STAT_AREA]
    largest = max((int(areas[k]) for k in range(1, count)), default=0)
    least = max(LEAST_SHARE * objects.size, LEAST_OF_LARGEST * largest)
    regions = []
    for k in sorted(range(1, count), key=lambda k: -areas[k]):
        if areas[k] < least:
            break
        mask = (labels == k).astype(np.uint8)
        points = _contour(mask)
        (_, size, _) = cv2.minAreaRect(points)
        regions.append(Region(mask, int(areas[k]), float(areas[k]) / max(size[0] * size[1], 1.0)))
    return regions


def _split(small: Floats, region: Region) -> list[Region]:
    """Part openings that blur and glare join across a narrow bar of the mask."""
    for level in BAR_LEVELS:
        lit = ((small > level) & (region.mask > 0)).astype(np.uint8)
        contours, _ = cv2.findContours(lit, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        filled = np.zeros_like(lit)
        cv2.drawContours(filled, contours, -1, 1, thickness=cv2.FILLED)
        parts = _regions(filled)
        whole = sum(part.area for part in parts) > BAR_KEEPS * region.area
        if len(parts) > 1 and whole and min(part.fullness for part in parts) > BROKEN_OUTLINE:
            return parts
    return [region]


def _openings(small: Floats, light: float, region: Region) -> _Parted | None:
    """Return what lies in the openings of a card that ends within the frame; None if it is none."""
    within = np.asarray(cv2.erode(region.mask, np.ones((9, 9), np.uint8)), np.uint8)
    rim = small[rim_of(within, 1)]
    if not len(rim) or float(np.mean(rim < OPAQUE * light)) < 0.8:
        return None
    surround = find_surround(small, within)
    inside = _regions(surround.objects)
    plates = len(inside) > 1 and min(one.fullness for one in inside) > FULL
    if not plates or sum(one.area for one in inside) < CARD_OPEN * region.area:
        return None  # a dense plate and what its picture shows
    return _Parted(small, 1, inside, surround.surface, True)


def _in_window(image: PlateImage, parted: _Parted, k: int, light_known: bool) -> FoundPlate:
    """Find one of the plates, in a window in which the others are painted over."""
    mask, block = parted.regions[k].mask, parted.block
    rows, columns = np.nonzero(mask.any(axis=1))[0], np.nonzero(mask.any(axis=0))[0]
    margin = max(8, round(MARGIN * max(np.ptp(rows), np.ptp(columns))))
    top, left = max(int(rows[0]) - margin, 0), max(int(columns[0]) - margin, 0)
    bottom = min(int(rows[-1]) + 1 + margin, mask.shape[0])
    right = min(int(columns[-1]) + 1 + margin, mask.shape[1])
    at = slice(top * block, bottom * block), slice(left * block, right * block)
    cut = np.array(image.pixels[at], np.float32)
    others = _others(parted, k)[top:bottom, left:right]
    if others.any():
        light = 10.0 ** parted.surface[top:bottom, left:right] - FLOOR
        if parted.dark:  # the surface follows the border; in a mask it may run away from it
            light = np.full(others.shape, _level(parted, others.shape, (top, left)), np.float32)
        painted = cv2.resize(light.astype(np.float32), cut.shape[1::-1])
        share = cv2.resize(others, cut.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        if cut.ndim == 3:
            painted, share = painted[..., None], share[..., None]
        cut += share * (painted - cut)
    window = PlateImage(
        pixels=cut,
        valid=None if image.valid is None else image.valid[at],
        pattern=image.pattern,
    )
    found = find_plate(window, light_known=light_known)
    return replace(found, corners=found.corners + np.array([at[0].start, at[1].start]))


def _level(parted: _Parted, shape: tuple[int, ...], start: tuple[int, int]) -> float:
    """Return the median of the mask within a window."""
    top, left = start
    at = slice(top, top + shape[0]), slice(left, left + shape[1])
    part, free = parted.small[at], np.ones(shape, bool)
    for region in parted.regions:
        cut = region.mask[at]
        free &= cv2.dilate(cut, np.ones((2 * CLEAR + 3,) * 2, np.uint8)) == 0
    return float(np.median(part[free])) if free.any() else 0.0


def _others(parted: _Parted, k: int) -> Floats:
    """Return how far each place belongs to other regions: 0 half way to this one, 1 near them.

    In between it rises evenly: an edge of what is painted would be taken for one of glass.
    """
    rest = np.zeros_like(parted.small, np.uint8)
    for other, region in enumerate(parted.regions):
        if other != k:
            rest |= region.mask
    to_rest = cv2.distanceTransform(1 - rest, cv2.DIST_L2, 5)
    to_own = cv2.distanceTransform(1 - parted.regions[k].mask, cv2.DIST_L2, 5)
    way = np.maximum(to_own + to_rest - 2 * CLEAR, 1)
    return np.asarray(np.clip((to_own - to_rest) / way, 0, 1), np.float32)


def _doubts_of(parted: _Parted, found: list[FoundPlate]) -> list[list[str]]:
    """Return, for each region, what speaks against its being one whole plate."""
    doubts: list[list[str]] = [[] for _ in found]
    if _leaves_frame(parted.regions[0]):
        return doubts  # which is a doubt of its own
    for k, region in enumerate(parted.regions):
        others = [plate for plate in found if plate is not found[k]]
        corners = (found[k].corners + 0.5) / parted.block - 0.5
        seam = found[k].found and _has_seam(parted, corners)
        broken = len(found) > 1 and region.fullness < BROKEN_OUTLINE
        if broken or seam or _is_stepped(region) or _is_multiple(found[k], others):
            doubts[k].append(TOUCHING)
    for first, second in combinations(range(len(found)), 2):
        if _are_pieces(parted, found, first, second):
            doubts[first].append(PIECES)
            doubts[second].append(PIECES)
    return doubts


def _is_stepped(region: Region) -> bool:
    """Tell whether a side of an outline runs on two lines, as of two plates set off.

    A broken corner or a chip takes less of a side.
    """
    corners = corners_of(sides_of_outline(region.mask))
    if not np.isfinite(corners).all():
        return True
    points = _contour(region.mask)[:, 0]
    return min(_covered(points, corners[:, ::-1])) < UNSTEPPED


def _is_multiple(plate: FoundPlate, others: list[FoundPlate]) -> bool:
    """Tell whether an outline is that of two or three plates like another one in the capture."""
    short, long = _sides(plate.corners)
    for other in others:
        sides = _sides(other.corners)
        for count in (2, 3):
            part = np.sort([short, long / count])
            if (np.abs(part / sides - 1) < MULTIPLE_WITHIN).all():
                return True
    return False


def _are_pieces(parted: _Parted, found: list[FoundPlate], first: int, second: int) -> bool:
    """Tell whether two regions may be one broken plate: close, and a full rectangle together."""
    one, other = parted.regions[first], parted.regions[second]
    near = cv2.distanceTransform(1 - one.mask, cv2.DIST_L2, 5)[other.mask > 0].min()
    if near > PIECES_APART * max(parted.small.shape):
        return False
    points = np.vstack([_contour(one.mask), _contour(other.mask)])
    around = cv2.minAreaRect(points)
    size = np.array(around[1])
    if one.area + other.area < JOINT_FULL * float(np.prod(size)):
        return False
    if min(_covered(points[:, 0], np.asarray(cv2.boxPoints(around), np.float64))) < JOINT_SIDES:
        return False
    # Two whole plates may lie side by side as neatly; a crack leaves no rectangles.
    return not all(_is_rectangle(parted.regions[k], found[k]) for k in (first, second))


def _is_rectangle(region: Region, plate: FoundPlate) -> bool:
    return region.fullness > RECTANGLE_FULL and plate.out_of_square_deg < RECTANGLE_SQUARE


def _covered(points: NDArray[np.int32], corners: NDArray[np.floating]) -> list[float]:
    """Return the share of each side of a rectangle on which points lie."""
    shares = []
    lengths = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    for start, end, length in zip(corners, np.roll(corners, -1, axis=0), lengths, strict=True):
        along = (end - start) / max(length, 1.0)
        away = points - start
        near = np.abs(away @ np.array([-along[1], along[0]])) < JOINT_STRAIGHT * lengths.max() + 1.5
        places = np.clip((away[near] @ along) / max(length, 1.0) * 50, 0, 49).astype(int)
        shares.append(len(np.unique(places)) / 50)
    return shares


def _contour(mask: Mask) -> NDArray[np.int32]:
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.vstack(contours).astype(np.int32)


def _sides(corners: Doubles) -> Doubles:
    """Return short and long side of four corners, pixels."""
    ahead = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    return np.sort([(ahead[0] + ahead[2]) / 2, (ahead[1] + ahead[3]) / 2])


def _has_seam(parted: _Parted, corners: Doubles) -> bool:
    """Tell whether a thin line runs straight across the plate, from one side to the other.

    The rims of touching plates bend the light away, and so does a crack; gaps between pictures
    are wider, and no line of a picture runs through both rebates.
    """
    if _sides(corners)[0] < SEAM_SHORTEST:
        return False
    log_t = np.log10(np.maximum(parted.small, 0) + np.float32(FLOOR))
    for turned in (False, True):
        around = np.roll(corners, -1, axis=0) if turned else corners
        wide = float(np.hypot(*(around[1] - around[0])))
        tall = float(np.hypot(*(around[3] - around[0])))
        shape = min(round(tall), SEAM_ROWS), round(wide)
        places = np.linspace(0, 1, shape[1])
        halves = (_like_a_format(part * wide, tall) for part in (places, 1 - places))
        likely = np.logical_and(*halves)
        if len(parted.regions) > 1 and not _like_a_format(np.array([wide]), tall)[0]:
            likely[:] = True
        likely &= (places > SEAM_CLEAR) & (places < 1 - SEAM_CLEAR)  # a rim is no seam
        if likely.any() and _line_down(_straight(log_t, around, shape), likely):
            return True
    return False


def _like_a_format(wide: Doubles, tall: float) -> NDArray[np.bool_]:
    """Tell which widths make a plate of a usual shape, given its height."""
    ratios = np.maximum(wide, tall) / np.maximum(np.minimum(wide, tall), 1e-6)
    usual = np.array([known.long_mm / known.short_mm for known in FORMATS])
    near = np.abs(ratios[:, None] / usual - 1) < SHAPE_WITHIN
    return np.asarray(near.any(axis=1), bool)


def _straight(log_t: Floats, corners: Doubles, shape: tuple[int, int]) -> Floats:
    rows, columns = shape
    target = np.array(
        [[0, 0], [columns - 1, 0], [columns - 1, rows - 1], [0, rows - 1]], np.float32
    )
    source = np.asarray(corners[:, ::-1], np.float32)
    across = cv2.getPerspectiveTransform(source, target)
    return np.asarray(cv2.warpPerspective(log_t, across, (columns, rows)), np.float32)


def _line_down(straight: Floats, likely: NDArray[np.bool_]) -> bool:
    """Tell whether a line runs from top to bottom of a straightened plate, in likely columns."""
    signed = (straight, -straight)
    lines = [_unlike_beside(picture, apart) for picture in signed for apart in SEAM_WIDE_PX]
    lines += [_step(picture) for picture in signed]
    return any(_runs_down(line, likely) for line in lines)


def _unlike_beside(straight: Floats, apart: int) -> Floats:
    """Return how much darker each place is than both to its left and to its right."""
    padded = np.pad(straight, ((0, 0), (apart, apart)), mode="edge")
    beside = np.minimum(padded[:, : -2 * apart], padded[:, 2 * apart :])
    return np.asarray(beside - straight, np.float32)


def _step(straight: Floats) -> Floats:
    """Return how much brighter it is to the right of each place than to its left."""
    apart = SEAM_WIDE_PX[0]
    padded = np.pad(straight, ((0, 0), (apart, apart)), mode="edge")
    return np.asarray(STEP_SHARE * (padded[:, 2 * apart :] - padded[:, : -2 * apart]), np.float32)


def _runs_down(darker: Floats, likely: NDArray[np.bool_]) -> bool:
    rows, columns = darker.shape
    end = max(3, rows // 40)
    for lean in range(-SEAM_SLANT, SEAM_SLANT + 1):
        shift = np.array([[1, lean / rows, -lean / 2], [0, 1, 0]], np.float32)
        sheared = cv2.warpAffine(darker, shift, (columns, rows), borderMode=cv2.BORDER_REPLICATE)
        best = cv2.dilate(sheared, np.ones((1, 3), np.uint8))[2:-2]  # a pixel's freedom
        marked = best > SEAM_DEEP / 2
        line = likely & (np.mean(marked, axis=0) > SEAM_ALL_ALONG)
        line &= np.minimum(marked[:end].mean(axis=0), marked[-end:].mean(axis=0)) > SEAM_AT_ENDS
        if line.any() and (np.median(best[:, line], axis=0) > SEAM_DEEP).any():
            return True
    return False
