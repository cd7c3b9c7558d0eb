"""Several exposures of one framing to one transmittance: each site by inverse variance.

For exposures ``x_i`` of relative time ``r_i``, black off, the least noisy unbiased mixture is
``X = sum w_i (x_i / r_i) / sum w_i`` with ``w_i = r_i^2 / (a r_i X + b)``, noise ``a`` and ``b``
measured (M. Granados et al., "Optimal HDR reconstruction with linear digital cameras", CVPR 2010;
from memory). Two things keep it unbiased:

* the X in the weights is the mean of all exposures over a few dozen neighbours, not the site's own
  value: a site that happens to read low would otherwise count more. Weights change slowly with X
  (from r^2 where read noise rules to r where shot noise does), so a neighbourhood is good enough;
* whether an exposure may clip at a site is decided by the same mean, wider still. Decided by a
  count that goes into the mixture, the low ones (or high ones) would be picked. A count at clipping
  is never used.

Memory: the counts of all exposures (two bytes a site each) and the result (four); bands in between.
Reading the files twice would save nothing below four exposures, and cost as much as the merge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import BracketError
from platebench.core.image import PlateImage, SensorFrame
from platebench.plate.bracket.plan import BracketPlan, plan_bracket
from platebench.plate.flatten import check_light_fits, rows_of_sites, zero_rows
from platebench.plate.light import Dark, Light, exposure_ratio, linear_means, zero_level
from platebench.plate.smooth_field import RowField, row_field, site_classes

Floats = NDArray[np.float32]
_BAND_ROWS = 48  # whole blocks
_BLOCK = 4  # sites along a block over which light is averaged for the weights; 6 for 6 x 6 filters
_GUARD = 4.0  # standard deviations below clipping
_NEAR = 0.8  # of full scale: a count below it is far from clipping, whatever is around it
_TRUSTED = 0.5  # of full scale: blocks whose mean is below it hold hardly a clipped site
_NEUTRAL = 0.01  # D: colours that differ by more are stained
_COLOUR_SEEN = (0.005, 0.5)  # of full scale, where colours are compared
_DENSITIES, _LEAST_CELLS = 4, 8  # groups of cells, thinnest to densest, and cells in each


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MergedBracket:
    """A bracket as one picture.

    Attributes
    ----------
    image : PlateImage
        Transmittance, the filter pattern still interleaved. ``valid`` is False where even the
        shortest exposure clips; the value there is the least it can be.
    plan : BracketPlan
        What was measured on the way.
    """

    image: PlateImage
    plan: BracketPlan


def merge_bracket(
    frames: Sequence[SensorFrame],
    light: Light,
    dark: Dark | None = None,
    *,
    plan: BracketPlan | None = None,
) -> MergedBracket:
    """Merge exposures of one framing in linear raw.

    Parameters
    ----------
    frames : sequence of SensorFrame
        Camera raws in any order; one is merely flattened. A sequence that reads from disk is read
        once.
    light : Light
        The bare light.
    dark : Dark, optional
        Replaces the files' own black level. Taken to be the same for all times.
    plan : BracketPlan, optional
        Of the same frames, measured before.

    Raises
    ------
    BracketError
        If the frames are no bracket of one framing, or the plate moved and cannot be put right.
    FrameMismatchError
        If light or dark do not belong to them.
    """
    loaded = list(frames)
    if plan is None:
        plan = plan_bracket(loaded, light)
    ordered = [loaded[k] for k in plan.order]
    reference = ordered[plan.reference]
    check_light_fits(reference, light)
    scale = exposure_ratio(light.info, reference.info)
    gains = row_field(
        (scale / light.fields).astype(np.float32),
        site_classes(reference.pattern),
        reference.shape,
        channels=1,
    )
    del loaded, reference
    for k, shift in enumerate(plan.shifts):
        if shift != (0, 0):
            _check_can_shift(ordered[k], ordered[plan.target], shift, light, dark)
            ordered[k] = shifted_frame(ordered[k], shift, gains, dark)
    merger = _Merger(ordered, plan, light, dark)
    shape, pattern = ordered[0].shape, ordered[0].pattern
    pixels = np.empty(shape, np.float32)
    valid: NDArray[np.bool_] | None = None
    for start in range(0, shape[0], _BAND_ROWS):
        stop = min(start + _BAND_ROWS, shape[0])
        band = pixels[start:stop]
        lost = merger.merge(start, stop, band)
        cv2.multiply(band, gains.rows(start, stop), dst=band)
        if lost is not None:
            valid = np.ones(shape, bool) if valid is None else valid
            valid[start:stop] = ~lost
    image = PlateImage(pixels=pixels, valid=valid, pattern=pattern)
    return MergedBracket(image=image, plan=plan)


class _Merger:
    """Merges band after band, in counts of the reference exposure."""

    def __init__(
        self, ordered: Sequence[SensorFrame], plan: BracketPlan, light: Light, dark: Dark | None
    ) -> None:
        self.counts = [frame.counts for frame in ordered]
        self.tops = [frame.full_scale for frame in ordered]
        self.zeros = [zero_rows(frame, dark) for frame in ordered]
        self.blacks = [float(zero.mean()) for zero in self.zeros]
        self.ratios = plan.ratios
        self.gain, self.read = plan.noise.gain, max(plan.noise.read_variance, 1e-6)
        self.block = max(_BLOCK, *ordered[0].pattern.shape)
        self.white = [_first_count_from(frame.white) for frame in ordered]
        self.near = [
            _first_count_from(black + _NEAR * top)
            for black, top in zip(self.blacks, self.tops, strict=True)
        ]
        colours = rows_of_sites(_site_brightness(light), ordered[0].shape[1])
        self.limits = [np.float32(self._guard(k)) / colours for k in range(len(ordered))]
        size = (_BAND_ROWS, ordered[0].shape[1])
        self.light, self.spread, self.shares = (np.empty(size, np.float32) for _ in range(3))

    def _guard(self, k: int) -> float:
        """Return the light, in the reference exposure, from which an exposure may clip."""
        top, sites = self.tops[k], self.block**2
        shorter = self.ratios[min(k + 1, len(self.ratios) - 1)] / self.ratios[k]
        own = self.gain * top + self.read
        forecast = (self.gain * top * shorter + self.read) / shorter**2 / sites
        return (top - _GUARD * math.sqrt(own + forecast)) / self.ratios[k]

    def merge(self, start: int, stop: int, out: Floats) -> NDArray[np.bool_] | None:
        """Write a band of light to ``out``; return where every exposure clips, None if nowhere."""
        parts = [counts[start:stop] for counts in self.counts]
        light = self._block_light(parts)
        usable = self._usable(parts, light, start)
        weights = [
            np.float32(r) / (np.float32(self.gain * r) * light + np.float32(self.read))
            for r in self.ratios
        ]
        whole = all(mask is None for mask in usable)
        if whole:
            total = sum(w * np.float32(r) for w, r in zip(weights, self.ratios, strict=True))
            weights = [w / total for w in weights]
        shares = self.shares[: stop - start]
        for k, part in enumerate(parts):
            weight = _spread(weights[k], self.spread[: stop - start])
            mask = usable[k]
            if mask is not None:
                weight = np.asarray(cv2.copyTo(weight, mask), np.float32)
            if k == 0:
                cv2.multiply(self._light(k, part, start), weight, dst=out)
                np.multiply(weight, np.float32(self.ratios[k]), out=shares)
                continue
            cv2.accumulateProduct(self._light(k, part, start), weight, out)
            if not whole:
                cv2.scaleAdd(weight, self.ratios[k], shares, dst=shares)
        if whole:
            return None
        if usable[-1] is None:
            cv2.divide(out, shares, dst=out)
            return None
        lost = shares == 0
        np.divide(out, shares, out=out, where=~lost)
        out[lost] = self._light(len(parts) - 1, parts[-1], start)[lost] / self.ratios[-1]
        return lost if lost.any() else None

    def _block_light(self, parts: Sequence[NDArray[np.uint16]]) -> Floats:
        """Return the mean light of all exposures that do not clip there, block by block."""
        means = [
            _block_means(part, self.block) - np.float32(black)
            for part, black in zip(parts, self.blacks, strict=True)
        ]
        light, time = np.zeros_like(means[0]), np.zeros_like(means[0])
        last = len(parts) - 1
        for k, mean in enumerate(means):
            use = mean < _TRUSTED * self.tops[k] if k < last else np.ones(mean.shape, bool)
            light += np.where(use, mean, 0)
            time += np.where(use, np.float32(self.ratios[k]), 0)
        return np.maximum(light / time, 0)

    def _usable(
        self, parts: Sequence[NDArray[np.uint16]], light: Floats, start: int
    ) -> list[NDArray[np.uint8] | None]:
        """Return 1 where each exposure may be used, else 0; None where it may everywhere."""
        masks: list[NDArray[np.uint8] | None] = []
        forecast: Floats | None = None
        for k, part in enumerate(parts):
            brightest = int(part.max())
            below: NDArray[np.bool_] | None = None
            if k < len(parts) - 1 and brightest >= self.near[k]:
                if forecast is None:
                    forecast = _spread(_blurred(light), self.spread[: len(part)])
                below = part < self.near[k]
                limit = self.limits[k]
                p = len(limit)
                for row in range(min(p, len(part))):
                    below[row::p] |= forecast[row::p] < limit[(start + row) % p]
            if brightest >= self.white[k]:
                unclipped = part < self.white[k]
                below = unclipped if below is None else below & unclipped
            masks.append(None if below is None else below.view(np.uint8))
        return masks

    def _light(self, k: int, part: NDArray[np.uint16], start: int) -> Floats:
        """Return counts with the dark level off."""
        light, zero = self.light[: len(part)], self.zeros[k]
        p = len(zero)
        for row in range(min(p, len(part))):
            np.subtract(part[row::p], zero[(start + row) % p], out=light[row::p], dtype=np.float32)
        return light


def _site_brightness(light: Light) -> Floats:
    """Return the bare light by site of the pattern, over its mean; shape (p, q)."""
    sites = light.fields.mean(axis=(1, 2))[site_classes(light.pattern)]
    return np.asarray(sites / sites.mean(), np.float32)


def _first_count_from(level: float) -> np.uint16:
    """Return the least count at or above a level; comparing in uint16 is several times faster."""
    return np.uint16(min(math.ceil(level), 65535))


def _block_means(part: NDArray[np.uint16], block: int) -> Floats:
    """Return means over blocks; at the frame's end blocks may be larger."""
    rows, columns = (max(1, length // block) for length in part.shape)
    cut = part[: rows * block, : columns * block]
    means = cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(means, np.float32).reshape(rows, columns)


def _blurred(blocks: Floats) -> Floats:
    return np.asarray(cv2.blur(blocks, (3, 3)), np.float32)


def _spread(blocks: Floats, out: Floats) -> Floats:
    """Write block values to every site of ``out``, straight lines in between, and return it."""
    cv2.resize(blocks, out.shape[::-1], dst=out, interpolation=cv2.INTER_LINEAR)
    return out


def shifted_frame(
    frame: SensorFrame, shift: tuple[int, int], gains: RowField, dark: Dark | None = None
) -> SensorFrame:
    """Return a capture moved by whole sites, as if its own colours had been in place.

    Light over bare light has no colour on a neutral plate: it is moved, and given the bare light of
    the site it comes to. Along the frame's border the outermost sites are repeated.

    Parameters
    ----------
    frame : SensorFrame
        The capture.
    shift : (int, int)
        Rows and columns: what lies at ``(r, c) + shift`` comes to ``(r, c)``.
    gains : RowField
        Inverse of the bare light at every site, in any unit.
    dark : Dark, optional
        Replaces the file's own black level.
    """
    height, width = frame.shape
    zero = zero_rows(frame, dark)
    counts = np.empty(frame.shape, np.uint16)
    columns = np.clip(np.arange(width) + shift[1], 0, width - 1)
    for start in range(0, height, _BAND_ROWS):
        stop = min(start + _BAND_ROWS, height)
        rows = np.clip(np.arange(start, stop) + shift[0], 0, height - 1)
        first, last = int(rows[0]), int(rows[-1]) + 1
        source = frame.counts[first:last]
        light = source - zero[np.arange(first, last) % len(zero)]
        light *= gains.rows(first, last)
        light[source >= frame.white] = np.inf
        moved = np.take(light[rows - first], columns, axis=1)
        moved /= gains.rows(start, stop)
        moved += zero[np.arange(start, stop) % len(zero)]
        counts[start:stop] = np.rint(np.clip(moved, 0, 65535))
    return replace(frame, counts=counts)


def _check_can_shift(
    frame: SensorFrame, target: SensorFrame, shift: tuple[int, int], light: Light, dark: Dark | None
) -> None:
    """Refuse to move a stained plate's mosaic onto other colours."""
    p, q = frame.pattern.shape
    if shift[0] % p == 0 and shift[1] % q == 0:
        return
    means = linear_means(frame) - zero_level(frame, dark)[:, None, None]
    low, high = (share * frame.full_scale for share in _COLOUR_SEEN)
    seen = ((means > low) & (means < high)).all(axis=0)
    bare = np.log10(np.maximum(means, 1e-3) / light.fields)[:, seen].astype(np.float64)
    by_density = bare[:, np.argsort(bare.mean(axis=0))]
    groups = np.array_split(by_density - by_density.mean(axis=0), _DENSITIES, axis=1)
    if len(groups[-1].T) < _LEAST_CELLS:
        return
    if max(float(np.abs(np.median(group, axis=1)).max()) for group in groups) > _NEUTRAL:
        raise BracketError(
            target.info.path, frame.info.path,
            f"the plate moved by {shift[0]} rows and {shift[1]} columns, and its stain would mix",
            "take the bracket again without touching camera, lamp or plate",
            "place of a stained plate",
        )  # fmt: skip
