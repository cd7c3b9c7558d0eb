"""The plates' true sizes before they are converted: the session's scale, and formats to propose.

One plate with a caliper size gives the scale of all that were captured at the same height with the
same lens, zoom and focus. That they were is the person's word; camera, focal length and size of
the frame are compared by what the files say.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from platebench.core.errors import BadSettingError, PlateError
from platebench.core.formats import MM_PER_INCH
from platebench.core.image import CaptureInfo, CaptureKind
from platebench.core.progress import Progress
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.plate.job import PlateJob
from platebench.plate.likely_format import likely_format
from platebench.plate.look import look_at_plate
from platebench.plate.plate_scale import APART, GLASS, scale_of, weighted_mean
from platebench.session.edit_file import edit_plates
from platebench.session.jobs import peak_of_job
from platebench.session.look_over import look_over
from platebench.session.settings_file import FILE_NAME, SIDE_MM_RANGE

SCAN_ERROR = 0.005  # of the resolution that a scan states; no source


@dataclass(frozen=True, slots=True)
class _Seen:
    """Where a plate lies in its capture, and what the capture says of its camera."""

    corners: tuple[tuple[float, float], ...]
    doubts: tuple[str, ...]
    info: CaptureInfo
    frame: tuple[int, int]
    camera: tuple[str | None, float | None, tuple[int, int] | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposals:
    """What was measured of a session's plates.

    Attributes
    ----------
    changes : dict of str to dict
        Settings to change, by plate id: caliper sizes, scale, formats that are sure.
    said : dict of str to str
        Size and formats of each plate, or why there are none, in words.
    notes : tuple of str
        What a person should know of the whole.
    """

    changes: dict[str, dict[str, Any]] = field(default_factory=dict)
    said: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def propose_formats(
    folder: Path,
    settings: SessionSettings,
    *,
    calipers: Mapping[str, float] | None = None,
    fixed_height: bool = False,
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> Proposals:
    """Measure a session's plates, and say what formats they may have.

    Only plates without a format get one proposed, and only where it is sure.

    Parameters
    ----------
    folder : Path
        The session folder.
    settings : SessionSettings
    calipers : mapping of str to float, optional
        Long sides by caliper, mm, by id of the plate or name of its capture.
    fixed_height : bool
        A person's word that all captures were taken from one height with one lens, zoom and focus.
    workers, memory, progress
        As elsewhere.

    Raises
    ------
    BadSettingError
        If a caliper size is of no plate, of several, or no size of one.
    PlateError
        If the light frames cannot be used.
    """
    named = _by_plate(settings, calipers or {}, folder / FILE_NAME)
    plates = [
        replace(plate, long_mm=named.get(plate.id, plate.long_mm))
        for plate in settings.plates
        if not plate.skip
    ]
    seen = _look(folder, replace(settings, plates=tuple(plates)), workers, memory, progress)
    scale, cameras, notes = _session_scale(plates, seen) if fixed_height else ((), set(), ())
    changes: dict[str, dict[str, Any]] = {}
    said: dict[str, str] = {}
    for plate in plates:
        known = seen[plate.id]
        change: dict[str, Any] = {}
        if plate.id in named:
            change["long_mm"] = plate.long_mm
        if isinstance(known, PlateError):
            said[plate.id] = str(known)
        elif known.doubts:
            said[plate.id] = f"not measured: {known.doubts[0]}"
        else:
            if scale and known.camera in cameras:
                change |= {"scale": scale[0], "scale_from": scale[1]}
            elif not plate.scale and (stated := _of_scan(known.info)):
                change |= stated
            measured = scale_of(known.corners, replace(plate, **change), known.frame)
            likely = None if measured is None else likely_format(measured)
            if likely is None:
                other = " of another camera, focal length or frame" if scale else ""
                said[plate.id] = f"no scale is known{other}"
            else:
                said[plate.id] = likely.said
                if likely.proposed and not plate.format:
                    change["format"] = likely.proposed
        if change:
            changes[plate.id] = change
    return Proposals(changes=changes, said=said, notes=notes)


def with_proposals(settings: SessionSettings, proposals: Proposals) -> SessionSettings:
    """Return a session's settings with what was proposed."""
    plates = (replace(one, **proposals.changes.get(one.id, {})) for one in settings.plates)
    return replace(settings, plates=tuple(plates))


def edited_with(folder: Path, proposals: Proposals) -> Proposals:
    """Write proposals into the session's own file, and return them.

    A scale that all plates share goes under ``[every_plate]``.

    Raises
    ------
    SettingsFileError, BadSettingError, BadSettingsError, WriteError
        If the file cannot be written.
    """
    changes = {name: dict(change) for name, change in proposals.changes.items()}
    scales = [(change.get("scale"), change.get("scale_from")) for change in changes.values()]
    shared = scales[0] if scales and len(scales) == len(proposals.said) else (None, None)
    every = {}
    if shared[0] and all(scale == shared for scale in scales):
        every = {"scale": list(shared[0]), "scale_from": shared[1]}
        for change in changes.values():
            del change["scale"], change["scale_from"]
    for change in changes.values():
        if "scale" in change:
            change["scale"] = list(change["scale"])
    edit_plates(folder, changes, every=every)
    return proposals


def _by_plate(
    settings: SessionSettings, calipers: Mapping[str, float], path: Path
) -> dict[str, float]:
    """Return caliper sizes by id of their plate."""
    found = {}
    for name, mm in calipers.items():
        ids = [one.id for one in settings.plates if name == one.id]
        ids = ids or [one.id for one in settings.plates if name in one.captures]
        if len(ids) != 1:
            what = "is of no plate here" if not ids else f"is of several: {', '.join(ids)}"
            known = ", ".join(one.id for one in settings.plates[:12])
            raise BadSettingError(path, f"caliper size of {name}", what, f"name one of: {known}")
        low, high = SIDE_MM_RANGE
        if not low <= mm <= high:
            remedy = f"measure the long side; {low:g} to {high:g} mm"
            raise BadSettingError(path, f"caliper size of {name}", f"is {mm:g} mm", remedy)
        found[ids[0]] = mm
    return found


def _look(
    folder: Path,
    settings: SessionSettings,
    workers: int | None,
    memory: int | None,
    progress: Progress | None,
) -> dict[str, _Seen | PlateError]:
    outcomes = look_over(
        _seen,
        folder,
        settings.plates,
        settings,
        what="plates",
        peak=peak_of_job,
        workers=workers,
        memory=memory,
        progress=progress,
    )
    return {plate.id: found for plate, found in zip(settings.plates, outcomes, strict=True)}


def _seen(job: PlateJob) -> _Seen:
    view = look_at_plate(job)
    info, found = view.info, view.found
    # A picture joined of tiles has a size of its own.
    shape = None if view.joined is not None else view.picture.shape
    return _Seen(
        corners=tuple((float(row), float(column)) for row, column in found.corners),
        doubts=found.doubts,
        info=info,
        frame=view.picture.shape,
        camera=(info.camera, info.focal_length_mm, shape),
    )


def _session_scale(
    plates: Sequence[PlateSettings], seen: Mapping[str, _Seen | PlateError]
) -> tuple[tuple[Any, ...], set[Any], tuple[str, ...]]:
    """Return the scale with its words, the cameras it holds for, and notes.

    Nothing where no plate was measured, or where those that were contradict each other.
    """
    measured = []
    for plate in plates:
        known = seen[plate.id]
        if (plate.long_mm or plate.short_mm) and isinstance(known, _Seen) and not known.doubts:
            scale = scale_of(known.corners, plate, known.frame)
            assert scale is not None and scale.error is not None  # it has a caliper size
            measured.append((plate.id, scale.pixels_per_mm, math.hypot(scale.error, GLASS), known))
    if not measured:
        return (), set(), ("no plate with a caliper size was found, so there is no scale",)
    mean, error, discord = weighted_mean([(value, share) for _, value, share, _ in measured])
    names = " and ".join(name for name, *_ in measured)
    cameras = {known.camera for *_, known in measured}
    if discord > APART or len({camera[:2] for camera in cameras}) > 1:
        worst = max(abs(value / mean - 1) for _, value, *_ in measured)
        why = (
            f"the caliper sizes of {names} give scales up to {worst:.1%} off their mean"
            if discord > APART
            else f"{names} were captured by another camera or focal length"
        )
        return (), set(), (f"{why}: no common height, so there is no scale of the session",)
    frames = {known.frame for *_, known in measured if known.camera[2] is not None}
    pair: tuple[float, ...] = (round(mean, 4), round(mean * error, 4))
    if len(frames) == 1:
        pair += frames.pop()
    note = f"{pair[0]:.3f} ± {pair[1]:.3f} pixels per mm, by the caliper size of {names}"
    said = f"the scale of {names}; camera height fixed, by a person's word"
    # Joined tiles have no frame of their own to compare.
    return (pair, said), cameras | {(*camera[:2], None) for camera in cameras}, (note,)


def _of_scan(info: CaptureInfo) -> dict[str, Any]:
    """Return the scale that a scan states; a camera's picture states one that means nothing."""
    camera = info.exposure_s is not None or info.f_number is not None
    if info.kind is not CaptureKind.SCAN or camera or not info.ppi:
        return {}
    per_mm = info.ppi / MM_PER_INCH
    pair = (round(per_mm, 4), round(per_mm * SCAN_ERROR, 4))
    return {"scale": pair, "scale_from": f"the {info.ppi:g} ppi that the scan states"}
