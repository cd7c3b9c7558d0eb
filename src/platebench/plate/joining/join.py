"""Captures of one plate that overlap, joined: flattened, glare off, laid over each other.

Every tile is flattened by the session's blank and has its glare taken off before anything is
compared. What crosses to the second half of a plate's way is a picture like that of one capture:
codes of transmittance in a file that has no name and goes with the process.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import JoinError
from platebench.core.files import write_error
from platebench.core.image import MONO_PATTERN, CaptureInfo
from platebench.core.rounding import rounded
from platebench.plate.bands import BandedImage, banded, bands
from platebench.plate.colours import separate_colours
from platebench.plate.densities import code_from_transmittance, transmittance_of_codes
from platebench.plate.exposures import Exposures, read_exposures
from platebench.plate.finding.overview import overview_of
from platebench.plate.glare import Glare, glare_step, measure_glare
from platebench.plate.job import PlateJob
from platebench.plate.joining.blend import CLIPPED, blend, cut_of_layout
from platebench.plate.joining.fit import (
    Layout,
    agreeing,
    fit_layout,
    misfits,
    parts_linked,
    rough_layout,
)
from platebench.plate.joining.pair import LONG_SIDE, Link, features_of, grey_codes, links_between
from platebench.plate.joining.refine import Overlap, compare_overlaps, log_gains
from platebench.plate.light import LEVEL_REFUSED, Light, LightSource
from platebench.plate.record import JoinRecord
from platebench.plate.stain import measure_stain
from platebench.plate.straighten import frame_corners

Codes = NDArray[np.uint16]
Doubles = NDArray[np.float64]

MISFIT_REFUSED = 1.5  # pixels, middle of the windows of two tiles
MISFIT_TOLD = 0.5
TRIMMED_REFUSED = 0.25  # of a tile: more is no scatter of places, but a tile that is missing
GAIN_TOLD = 0.02
_ROUGH, _NEAR = 0.05, 3.0  # share of the long side, then pixels of the features' picture
_MISSED = 0.5  # share of windows with plain detail that do not match
_LEAST = 3  # windows
_EXPOSURE_STEP = 0.3  # stops: less is no bracket
_CELLS = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joined:
    """Tiles as one picture.

    Attributes
    ----------
    exposures : Exposures
        The joined picture and the light its tiles were divided by.
    glare : Glare or None
        The mean of the tiles'.
    glare_off : bool
        Whether it was taken off every tile.
    record : JoinRecord
        What was measured.
    doubts : tuple of str
        What a person should look at.
    """

    exposures: Exposures
    glare: Glare | None
    glare_off: bool
    record: JoinRecord
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tile:
    """A capture, or the bracket of a place, as codes."""

    names: tuple[str, ...]
    path: Path
    info: CaptureInfo
    light: Light
    codes: Codes
    clipped: bool
    glare: Glare | None
    glare_off: bool
    notes: tuple[str, ...]


class Scratch:
    """Codes on disk in a file without a name: gone with the process, whatever ends it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder if folder.is_dir() else None
        self.file: IO[bytes] = self._open()

    def _open(self) -> IO[bytes]:
        try:
            return tempfile.TemporaryFile(dir=self.folder)
        except OSError:  # a folder that cannot be written into, where nothing is to be written
            return tempfile.TemporaryFile()

    def write(self, codes: Codes) -> None:
        """Add rows.

        Raises
        ------
        WriteError
            If the disk is full.
        """
        try:
            self.file.write(np.ascontiguousarray(codes).data)
        except OSError as error:
            raise write_error(self.folder or Path(tempfile.gettempdir()), error) from error

    def pages(self, shape: tuple[int, ...]) -> Codes:
        """Return what was written, read from the disk as it is used."""
        try:
            self.file.flush()
        except OSError as error:
            raise write_error(self.folder or Path(tempfile.gettempdir()), error) from error
        pages = np.memmap(self.file, np.uint16, "r", shape=shape)
        self.file.close()  # the pages hold it
        return pages


def join_tiles(job: PlateJob) -> Joined:
    """Join the captures of a plate that overlap.

    Parameters
    ----------
    job : PlateJob
        The plate; its captures in any order, a bracket at a place or not.

    Raises
    ------
    CaptureError, CalibrationError
        As :func:`platebench.plate.exposures.read_exposures`.
    JoinError
        If they do not make one whole picture: one is of another plate, one is missing, the links
        between them break, or there is no blank frame.
    WriteError
        If there is no room on the disk for what is put down on the way.
    """
    tiles = _read_tiles(job, coloured=job.settings.colour != "mosaic")
    layout, overlaps = lay_out([tile.codes for tile in tiles], [tile.path for tile in tiles])
    logs = log_gains(len(tiles), overlaps)
    _check_gains(logs, tiles)
    worst, middle = _check_misfit(layout, overlaps, tiles)
    cut = cut_of_layout(layout)
    if cut.hole > 0 or cut.trimmed > TRIMMED_REFUSED:
        share = max(cut.hole, cut.trimmed)
        raise JoinError(
            tiles[0].path, f"leave a gap of {share:.0%} of a tile in the plate",
            "take the missing tile too, and list it", "gap",
        )  # fmt: skip
    gains = np.exp(logs)
    scratch = Scratch(job.output)
    more = tiles[0].codes.shape[2:]
    specks = blend(
        layout,
        gains,
        [tile.codes for tile in tiles],
        [tile.clipped for tile in tiles],
        cut,
        scratch.write,
    )
    picture = picture_of_codes(scratch.pages((*cut.shape, *more)))
    record = JoinRecord(
        tiles=tuple(tile.names for tile in tiles),
        places=tuple(
            (rounded(float(x) - cut.left, 2), rounded(float(y) - cut.top, 2))
            for x, y in layout.own[:, :2]
        ),
        turned_deg=tuple(rounded(math.degrees(turn), 4) for turn in layout.own[:, 2]),
        gains=tuple(rounded(float(gain), 5) for gain in gains),
        overlaps=len(overlaps),
        misfit_px=rounded(middle, 3),
        worst_misfit_px=rounded(worst, 3),
        box_specks=specks,
    )
    glares = [tile.glare for tile in tiles if tile.glare is not None]
    far = float(np.abs(gains - 1).max())
    notes = [
        f"{len(tiles)} tiles joined: {middle:.2f} pixels apart where they overlap, at most "
        f"{worst:.2f}"
    ]
    if far > GAIN_TOLD:
        notes.append(f"light of the tiles differs by up to {far:.0%}; taken into account")
    if specks:
        count = f"{specks} specks" if specks > 1 else "1 speck"
        notes.append(f"dust on the box, {count}: left out, since another tile sees the place")
    doubts = []
    if worst > MISFIT_TOLD:
        doubts.append(f"tiles lie {worst:.1f} pixels apart at worst: detail is doubled there")
    taken = [tile.glare_off for tile in tiles]
    if any(taken) and not all(taken):
        doubts.append("glare shows in some tiles only and was taken off those")
    return Joined(
        exposures=Exposures(
            info=tiles[0].info,
            light=tiles[0].light,
            picture=lambda: picture,
            plan=None,
            notes=(*dict.fromkeys(note for tile in tiles for note in tile.notes), *notes),
        ),
        glare=_mean_glare(glares) if len(glares) == len(tiles) else None,
        glare_off=any(taken),
        record=record,
        doubts=tuple(doubts),
    )


def _read_tiles(job: PlateJob, *, coloured: bool) -> list[_Tile]:
    """Read captures one by one; those of one place are merged."""
    alone = [_read_tile(job, (name,), coloured=coloured) for name in job.settings.captures]
    if None in alone:  # stain shows: its colours are kept through the join
        return _read_tiles(job, coloured=True)
    tiles = [tile for tile in alone if tile is not None]
    for tile in tiles[1:]:
        if tile.codes.shape != tiles[0].codes.shape or tile.info.kind is not tiles[0].info.kind:
            sizes = [f"{t.codes.shape[1]} x {t.codes.shape[0]}" for t in (tiles[0], tile)]
            raise JoinError(
                tile.path, f"is {sizes[1]} pixels and the first {sizes[0]}",
                "take all tiles with the same camera and crop", "size",
            )  # fmt: skip
    groups = _places(tiles)
    if len(groups) == len(tiles):
        return tiles
    joined = []
    for group in groups:
        names = tuple(name for n in group for name in tiles[n].names)
        merged = tiles[group[0]] if len(group) == 1 else _read_tile(job, names, coloured=coloured)
        if merged is None:
            return _read_tiles(job, coloured=True)
        joined.append(merged)
    return joined


def _read_tile(job: PlateJob, names: tuple[str, ...], *, coloured: bool) -> _Tile | None:
    """Return a tile as codes; None where it has stain that grey would smear."""
    settings = replace(job.settings, captures=names)
    own = replace(job, settings=settings)
    if job.light is None and not _is_scan(own):
        raise JoinError(
            own.captures[0], "has no blank frame, and plate would be taken for bare light",
            "take a blank frame of the bare box and list it under [light] blank", "light",
        )  # fmt: skip
    exposures = read_exposures(own)
    if exposures.info.shows_positive:
        raise JoinError(
            own.captures[0], "shows a positive, whose tones a program has set tile by tile",
            "scan the tiles as negatives, without automatic tones", "positive",
        )  # fmt: skip
    light, picture = exposures.light, exposures.picture()
    seen = overview_of(picture)
    glare = measure_glare(
        seen,
        light,
        corners=None,
        surround="none",
        card_density=settings.card_density,
        tablet=None,
    ) if light.source is LightSource.BLANK else None  # fmt: skip
    off = glare is not None and glare.shows and settings.glare != "kept"
    if glare is not None and off:
        step = glare_step(glare.off, picture.pattern, picture.shape, channels=light.channels)
        picture = picture.then(step)
    if not coloured and picture.channels == 1 and picture.pattern.size > 1:
        stain = measure_stain(overview_of(picture), frame_corners(picture.shape))
        if stain is not None and stain.found:
            return None
    if coloured and picture.channels == 1:
        picture = banded(separate_colours(picture.whole()))
    scratch, clipped = Scratch(job.output), False
    for start, stop in bands(picture.shape[0], 256):
        band = picture.rows(start, stop)
        codes = code_from_transmittance(band.pixels.reshape(stop - start, -1))
        codes = np.minimum(codes, CLIPPED - 1).reshape(band.pixels.shape)
        if band.valid is not None:
            codes[~band.valid] = CLIPPED
            clipped = clipped or not bool(band.valid.all())
        scratch.write(codes)
    shape = picture.shape if picture.channels == 1 else (*picture.shape, picture.channels)
    return _Tile(
        names=names,
        path=own.captures[0],
        info=exposures.info,
        light=light,
        codes=scratch.pages(shape),
        clipped=clipped,
        glare=glare,
        glare_off=off,
        notes=exposures.notes,
    )


def _is_scan(job: PlateJob) -> bool:
    return job.captures[0].suffix.lower() in (".tif", ".tiff", ".png", ".jpg", ".jpeg")


def picture_of_codes(codes: Codes) -> BandedImage:
    """Return codes as a picture of transmittance; ``CLIPPED`` is a place without a reading."""
    table = transmittance_of_codes().astype(np.float32)

    def make(start: int, stop: int) -> tuple[NDArray[np.float32], NDArray[np.bool_] | None]:
        band = codes[start:stop]
        lost = (band if band.ndim == 2 else band.max(axis=2)) == CLIPPED
        light = table[band].reshape(stop - start, -1)
        return light, ~lost if lost.any() else None

    return BandedImage(
        shape=(codes.shape[0], codes.shape[1]),
        channels=1 if codes.ndim == 2 else codes.shape[2],
        pattern=MONO_PATTERN,
        make=make,
    )


def _places(tiles: Sequence[_Tile]) -> list[list[int]]:
    """Return which tiles are exposures of one framing: a bracket at its place."""
    cells = [_cells(tile.codes) for tile in tiles]
    pairs = [
        Link(one=one, other=other, here=_NONE, there=_NONE, weight=_NONE[:, 0], support=0)
        for one in range(len(tiles))
        for other in range(one + 1, len(tiles))
        if _exposed_otherwise(tiles[one].info, tiles[other].info)
        and _one_framing(cells[one], cells[other])
    ]
    return sorted(parts_linked(len(tiles), pairs))


_NONE = np.empty((0, 2))


def _exposed_otherwise(one: CaptureInfo, other: CaptureInfo) -> bool:
    times = one.exposure_s, other.exposure_s
    if not times[0] or not times[1]:
        return False
    return abs(math.log2(times[0] / times[1])) > _EXPOSURE_STEP


def _cells(codes: Codes) -> Doubles:
    """Return mean density, roughly, of the cells of a tile; not-a-number where sites clip."""
    factor = max(1, max(codes.shape[:2]) // _CELLS)
    rows, columns = codes.shape[0] // factor, codes.shape[1] // factor
    grey = grey_codes(codes)[: rows * factor, : columns * factor]
    means = cv2.resize(
        np.ascontiguousarray(grey), (columns, rows), interpolation=cv2.INTER_AREA
    ).astype(np.float64)
    bright = grey.reshape(rows, factor, columns, factor).max(axis=(1, 3)) == CLIPPED
    return np.where(bright | (means < 1), np.nan, 2 * np.log(np.maximum(means, 1)))


def _one_framing(one: Doubles, other: Doubles) -> bool:
    off = (one - other)[np.isfinite(one) & np.isfinite(other)]
    if off.size < 0.05 * one.size:
        return False
    return float(np.mean(np.abs(off - np.median(off)) > 0.1)) < 0.1


def lay_out(tiles: Sequence[Codes], paths: Sequence[Path]) -> tuple[Layout, list[Overlap]]:
    """Return where tiles lie, and what their overlaps show.

    Raises
    ------
    JoinError
        If they do not hang together.
    """
    if len(tiles) < 2:
        raise JoinError(
            paths[0], "is a single tile", "list all captures of the plate", "tiles"
        )  # fmt: skip
    shapes = [(tile.shape[0], tile.shape[1]) for tile in tiles]
    for long_side in (LONG_SIDE, 2 * LONG_SIDE):
        features = [features_of(tile, long_side=long_side) for tile in tiles]
        links = links_between(features)
        if len(parts_linked(len(tiles), links)) == 1 or max(shapes[0]) <= LONG_SIDE:
            break
    factor = features[0].factor
    _check_parts(len(tiles), links, paths)
    layout = rough_layout(shapes, links)
    kept = agreeing(layout, links, _ROUGH * max(shapes[0]))
    for _ in range(2):
        _check_parts(len(tiles), kept, paths)
        layout = fit_layout(layout, kept, sigma=0.5 * factor)
        kept = agreeing(layout, links, _NEAR * factor)
    _check_parts(len(tiles), kept, paths)
    overlaps: list[Overlap] = []
    for _ in range(2):
        overlaps = compare_overlaps(layout, tiles)
        alike = [o for o in overlaps if len(o.light) >= _LEAST and not _contradicts(o)]
        wrong = next((o for o in overlaps if _contradicts(o)), None)
        if wrong is not None:
            raise JoinError(
                paths[wrong.link.other],
                f"does not show what {paths[wrong.link.one].name} shows where they overlap",
                "list tiles of one plate only, and take them again if the plate was changed "
                "between them", "picture",
            )  # fmt: skip
        _check_parts(len(tiles), [o.link for o in alike], paths)
        overlaps = alike
        layout = fit_layout(layout, [o.link for o in overlaps], sigma=0.05)
    return layout, overlaps


def _contradicts(overlap: Overlap) -> bool:
    return overlap.clear > _LEAST and overlap.missed > _MISSED * overlap.clear


def _check_parts(count: int, links: Sequence[Link], paths: Sequence[Path]) -> None:
    """Refuse tiles that do not hang together, by name."""
    parts = parts_linked(count, links)
    if len(parts) == 1:
        return
    names = sorted(paths[n].name for part in parts[1:] for n in part)
    path = next(path for path in paths if path.name == names[0])
    raise JoinError(
        path,
        f"shows no part of the plate that the other tiles show ({len(names)} of {count} do not)",
        "list tiles of one plate that overlap by 8 to 60 %, and take again what is missing",
        "links", names=tuple(names),
    )  # fmt: skip


def _check_gains(logs: Doubles, tiles: Sequence[_Tile]) -> None:
    worst = int(np.argmax(np.abs(logs)))
    if abs(logs[worst]) > LEVEL_REFUSED * math.log(2):
        raise JoinError(
            tiles[worst].path,
            f"has {math.exp(logs[worst]):.2f} times the light of the others",
            "take all tiles with the same lamp and aperture", "light of tiles",
        )  # fmt: skip


def _check_misfit(
    layout: Layout, overlaps: Sequence[Overlap], tiles: Sequence[_Tile]
) -> tuple[float, float]:
    """Return the worst and the middle misfit of two tiles; refuse what would be doubled."""
    links = [overlap.link for overlap in overlaps]
    far = [float(np.median(off)) for off in misfits(layout, links)]
    worst = int(np.argmax(far))
    if far[worst] > MISFIT_REFUSED:
        raise JoinError(
            tiles[links[worst].other].path,
            f"lies {far[worst]:.1f} pixels off {tiles[links[worst].one].path.name}",
            "take the tiles again at one height, the plate flat on the box", "place",
        )  # fmt: skip
    return far[worst], float(np.median(far))


def _mean_glare(glares: Sequence[Glare]) -> Glare | None:
    """Return the mean of the tiles' glare; its error is one figure for the whole plate."""
    if not glares:
        return None
    error = np.mean([glare.error.mean(axis=(1, 2)) for glare in glares], axis=0)
    doubts = dict.fromkeys(doubt for glare in glares for doubt in glare.doubts)
    return replace(
        glares[0],
        share=float(np.mean([glare.share for glare in glares])),
        sigma=float(np.mean([glare.sigma for glare in glares])),
        error=error[:, None, None],
        doubts=tuple(doubts),
    )
