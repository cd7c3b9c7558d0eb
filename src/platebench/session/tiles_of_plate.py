"""Which captures are tiles of one plate: for the draft of a session.

Only captures whose plate runs out of the frame are looked at again, neighbours in time together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import TypeAlias

import numpy as np

from platebench.core.errors import PlateError
from platebench.core.progress import Progress
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.plate.colours import one_channel
from platebench.plate.densities import code_from_transmittance
from platebench.plate.exposures import read_exposures
from platebench.plate.finding.overview import overview_of
from platebench.plate.job import PlateJob
from platebench.plate.joining.fit import parts_linked
from platebench.plate.joining.pair import LONG_SIDE, Features, Link, features_of, links_between
from platebench.session.capture_look import CaptureLook, light_over
from platebench.session.look_over import look_over
from platebench.session.room import peak_of

BARE = 0.85  # of the blank's light: what is darker is plate
OPAQUE = 0.003  # of it: what is darker is a mask
COVERED = 0.6  # of a side of the frame, by a plate that runs out of it there
LEAST_SHIFT, MOST_SHIFT = 0.08, 0.94  # of the frame, by which tiles lie apart

Tile: TypeAlias = Callable[[Sequence[PlateSettings], SessionSettings], "list[list[int]]"]
"""From drafted plates to groups of them that are tiles of one plate each."""


def runs_out(look: CaptureLook, blank: CaptureLook) -> bool:
    """Tell whether a plate covers most of a side of the frame, and no mask does."""
    over = light_over(look, blank)
    if over is None:
        return False
    sides = over[:2], over[-2:], over[:, :2].T, over[:, -2:].T
    plate = [((side > OPAQUE) & (side < BARE)).all(axis=0) for side in sides]
    return any(float(np.mean(covered)) > COVERED for covered in plate)


def with_tiles(
    framings: Sequence[PlateSettings],
    groups: Sequence[Sequence[CaptureLook]],
    blank: CaptureLook | None,
    settings: SessionSettings,
    tile: Tile,
) -> list[PlateSettings]:
    """Return drafted plates, those that are tiles of one plate put together in its first's place.

    Parameters
    ----------
    framings : sequence of PlateSettings
        One a framing, in the order of capture.
    groups : sequence of sequences of CaptureLook
        The looks of each.
    blank : CaptureLook or None
        The bare light; without it nothing tells plate from light.
    """
    plates = list(framings)
    if blank is None:
        return plates
    open_ = [any(runs_out(look, blank) for look in group) for group in groups]
    for whole, run in groupby(range(len(framings)), key=lambda n: (open_[n], groups[n][0].shape)):
        places = list(run)
        if not whole[0] or len(places) < 2:
            continue
        for group in tile([framings[n] for n in places], settings):
            first, *others = sorted(places[n] for n in group)
            captures = [name for n in (first, *others) for name in framings[n].captures]
            plates[first] = replace(plates[first], captures=tuple(captures), join="tiles")
            for n in others:
                plates[n] = replace(plates[n], captures=())
    return [plate for plate in plates if plate.captures]


def link_tiles(
    plates: Sequence[PlateSettings],
    settings: SessionSettings,
    *,
    folder: Path,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> list[list[int]]:
    """Return which of some drafted plates overlap, each group in order, at least two in each.

    What cannot be read overlaps nothing: `check` and `convert` give the reason.
    """
    try:
        outcomes = look_over(
            features_in,
            folder,
            plates,
            settings,
            what="tiles",
            peak=lambda job: peak_of("look", job.captures),
            workers=workers,
            memory=memory,
            progress=progress,
        )
    except PlateError:
        return []
    known = [(n, found) for n, found in enumerate(outcomes) if isinstance(found, Features)]
    links = [link for link in links_between([found for _, found in known]) if _apart(link, known)]
    parts = parts_linked(len(known), links)
    return sorted(sorted(known[n][0] for n in part) for part in parts if len(part) > 1)


def features_in(job: PlateJob) -> Features:
    """Return what a capture, or the bracket of one framing, can be known again by.

    Raises
    ------
    PlateError
        If it cannot be read.
    """
    seen = overview_of(read_exposures(job).picture(), LONG_SIDE)
    return features_of(code_from_transmittance(one_channel(seen.pixels, by_green=True)))


def linking(folder: Path, **how: int | Progress | None) -> Tile:
    """Return what links the captures of a folder; ``how`` as for :func:`link_tiles`."""
    return partial(link_tiles, folder=folder, **how)  # type: ignore[arg-type]


def _apart(link: Link, known: Sequence[tuple[int, Features]]) -> bool:
    """Tell whether a plate was moved between two captures: else it is one framing, or two plates.

    Two plates of one scene show the same at the same place.
    """
    shift = np.abs(np.median(link.there - link.here, axis=0))
    rows, columns = known[link.one][1].shape
    return bool(LEAST_SHIFT < (shift / (columns, rows)).max() < MOST_SHIFT)


def tiles_said(plates: Sequence[PlateSettings]) -> Iterator[str]:
    """Yield what a person should know of plates drafted as tiles."""
    for plate in plates:
        if plate.join == "tiles":
            yield (
                f"{plate.id}: {len(plate.captures)} captures overlap and are joined as tiles; if "
                "they are not of one plate, part them in session.toml"
            )
