"""The archive master of one plate: linear transmittance of the whole plate, edge and all.

Not inverted, not retouched, not resampled, not turned: the pixels are the camera's own photosites,
in the places they had, divided by the bare light. What the instrument added is taken off as in
every measurement (dark level, unevenness and level of the light, glare that was measured on the
plate's own capture or on a step tablet); what is a matter of judgement is not (tone, Callier factor
and what else a tablet's calibration puts right). The file says which is which.

What it says of itself (XMP, ImageDescription) is worded first.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.errors import NoDensitiesError
from platebench.core.formats import format_named
from platebench.core.progress import step
from platebench.core.version import __version__
from platebench.master.cut import (
    CODES_OF_LIGHT,
    FORMULA,
    GAMMA_FORMULA,
    NO_READING,
    Cut,
    cut_of,
    gamma_codes,
    master_codes,
)
from platebench.master.steps import Event, master_events
from platebench.plate.job import PlateJob
from platebench.plate.look import PlateView, look_at_plate
from platebench.plate_log.entry import LogEntry
from platebench.write.colour import (
    gray_gamma22_profile,
    gray_linear_profile,
    rgb_gamma22_profile,
    rgb_linear_profile,
)
from platebench.write.plate_record import capture_note
from platebench.write.preview import write_preview
from platebench.write.tiff import Compression, pixels_digest, write_picture
from platebench.write.xmp import HistoryStep, PictureNote, capture_facts, xmp_packet

# Verbs that the XMP specification suggests for stEvt:action; other steps are conversions.
_ACTIONS = {"capture": "created", "cut": "cropped"}


def described(view: PlateView, job: PlateJob, cut: Cut, *, grey: bool) -> str:
    """Return the master's description, for tag 270 and ``dc:description``; ASCII.

    A person with a TIFF reader and nothing else must be able to recover density from it.
    """
    whole = "whole capture" if cut.whole else "the whole plate with its edge"
    return " ".join(
        (
            f"Archive master of glass plate {job.plate_id}: {whole}, not inverted, not retouched,",
            "not resampled, no tone curve.",
            f"Optical density {FORMULA}{'' if grey else ' for red, green and blue each'}:",
            f"value / {CODES_OF_LIGHT} is transmittance, {CODES_OF_LIGHT} the bare light box.",
            f"0: no light measured. {NO_READING}: no reading (sensor clipped, or brighter than the",
            "light box).",
            _colour_said(view, grey),
            _calibration_said(view),
            _way_up(job),
        )
    )


def _colour_said(view: PlateView, grey: bool) -> str:
    if not grey:
        return "Channels are transmittance through the camera's own colour filters."
    if view.stain is not None and view.stain.found:
        return "The plate is stained: its values are transmittance as green light sees it."
    return "Values are transmittance of neutral silver, photosite by photosite."


def _calibration_said(view: PlateView) -> str:
    if view.calibration is None:
        return "Densities are as the camera saw them; no step tablet was at hand."
    return (
        "Densities are as the camera saw them; by a step tablet in the same light they are "
        f"{view.calibration.callier:.4f} times the diffuse ones (Callier factor)."
    )


def _way_up(job: PlateJob) -> str:
    turns = []
    if job.settings.emulsion == "camera":
        turns.append("turn it left for right")
    if job.settings.rotate:
        turns.append(f"turn it by {job.settings.rotate} degrees clockwise")
    side = "towards the camera" if job.settings.emulsion == "camera" else "away from the camera"
    then = f"to read it right, {', then '.join(turns)}" if turns else "it reads right as it is"
    return f"It lies as the camera saw it, emulsion {side}: {then}."


def master_note(
    view: PlateView,
    job: PlateJob,
    cut: Cut,
    events: tuple[Event, ...],
    *,
    grey: bool,
    digest: str,
    entry: LogEntry | None,
) -> PictureNote:
    """Return the fields of a master's XMP packet."""
    known = format_named(job.settings.format)
    return replace(
        capture_note(job, view, entry),
        description=described(view, job, cut, grey=grey),
        role="master",
        ppi=cut.ppi,
        plate_format=known.name if known else "",
        size="" if cut.scale is None else cut.scale.glass_said,
        formula=FORMULA,
        pixels_sha256=digest,
        sources=job.inputs,
        flags=view.doubts,
        settings={
            "emulsion": job.settings.emulsion,
            "rotate": str(job.settings.rotate),
            "light": str(view.light.source),
        },
        history=_history(events),
    )


def _history(events: tuple[Event, ...]) -> tuple[HistoryStep, ...]:
    """Return the steps up to the pixels; what is done to the finished file cannot stand in it."""
    return tuple(
        HistoryStep(
            action=_ACTIONS.get(event.step, "converted"),
            parameters=f"{event.step}: {event.detail}{_figures_said(event)}",
            agent=event.agent,
            when=event.when,
        )
        for event in events
        if event.type in ("capture", "modification")
    )


def _figures_said(event: Event) -> str:
    said = json.dumps(dict(event.figures), ensure_ascii=False)
    return f" {said}" if event.figures else ""


PREVIEW_SIDE = 1600  # pixels


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterResult:
    """A master that was written.

    Attributes
    ----------
    path : Path
        The TIFF.
    preview : Path
        The JPEG beside it: the plate as it lies on the light box.
    pixels_sha256 : str
        SHA-256 of the pixel values alone, see ``pixels.py``; no tag changes it.
    size : (int, int)
        Rows and columns.
    channels : int
        1 grey, 3 red, green and blue.
    events : tuple of Event
        What was done, in order.
    also : tuple of Path
        What was written beside it for other readers.
    """

    path: Path
    preview: Path
    pixels_sha256: str
    size: tuple[int, int]
    channels: int
    events: tuple[Event, ...]
    also: tuple[Path, ...] = ()


Also = Literal["gamma", "channels"]
ALSO: tuple[Also, ...] = get_args(Also)
CHANNELS = ("red", "green", "blue")


def also_files(target: Path, also: Collection[Also], *, channels: int) -> tuple[Path, ...]:
    """Return what is written beside a master for other readers, in folders of their own.

    Parameters
    ----------
    target : Path
        The master.
    also : collection of {"gamma", "channels"}
        In a 2.2 power law; red, green and blue as pictures of their own.
    channels : {1, 3}
        Of the master; a grey one has none to take apart.
    """
    paths = [target.parent / "gamma" / target.name] if "gamma" in also else []
    if "channels" in also and channels == 3:
        folder = target.parent / "channels"
        paths += [folder / f"{target.stem}-{colour}{target.suffix}" for colour in CHANNELS]
    return tuple(paths)


def master_plate(
    job: PlateJob,
    target: Path,
    *,
    colour: bool = False,
    entry: LogEntry | None = None,
    compression: Compression = "none",
    also: Collection[Also] = (),
) -> MasterResult:
    """Write the archive master of one plate, and a preview beside it.

    Parameters
    ----------
    job : PlateJob
        The plate; its tone, printing and calibration are not used.
    target : Path
        Name of the TIFF. The preview has the same name and ends with ``.jpg``.
    colour : bool
        True: 48-bit, transmittance by red, green and blue light; plates whose settings say
        ``colour = "demosaiced"`` are always written so. A capture without colour stays grey.
    entry : LogEntry or None
        What the plate log says of the plate, in place of ``job.entry``.
    compression : {"none", "zstd", "deflate"}
        Archives prefer none.
    also : collection of {"gamma", "channels"}
        The same pixels for other readers; see :func:`also_files`.

    Raises
    ------
    PlateError
        If the plate cannot be read or the master not written; nothing is left half written.
    """
    colour = colour or job.settings.colour == "demosaiced"
    wanted = replace(job.settings, colour="demosaiced" if colour else "mosaic")
    # Stain is brought to green here, and only inside the plate: see ``master_codes``.
    with step("reading and finding"):
        view = look_at_plate(replace(job, settings=wanted), neutralise=False)
    if view.info.shows_positive:
        raise NoDensitiesError.of_positive(view.info.path)
    with step("coding"):
        cut = cut_of(view, job)
        codes = master_codes(view, cut, colour=colour)
        digest = pixels_digest(codes)
    events = master_events(view, job, cut, codes, digest)
    grey = codes.ndim == 2
    note = master_note(view, job, cut, events, grey=grey, digest=digest, entry=entry or job.entry)
    beside = also_files(target, also, channels=1 if grey else 3)
    with step("writing"):
        save = partial(
            write_picture,
            ppi=cut.ppi,
            name=job.plate_id,
            camera=view.info.camera or "",
            software=f"platebench {__version__}",
            taken=view.info.taken,
            exif=capture_facts(note),
            compression=compression,
        )
        linear = gray_linear_profile() if grey else rgb_linear_profile()
        save(target, codes, description=note.description, xmp=xmp_packet(note), profile=linear)
        preview = target.with_suffix(".jpg")
        _write_preview(preview, codes, cut.ppi)
        for path in beside:
            path.parent.mkdir(exist_ok=True)
            pixels, said, formula, profile = _for_reader(path, codes, note)
            own = replace(
                note, description=said, formula=formula, pixels_sha256=pixels_digest(pixels)
            )
            save(path, pixels, description=said, xmp=xmp_packet(own), profile=profile)
    return MasterResult(
        path=target,
        preview=preview,
        pixels_sha256=digest,
        size=(codes.shape[0], codes.shape[1]),
        channels=1 if grey else 3,
        events=events,
        also=beside,
    )


def _for_reader(
    path: Path, codes: NDArray[np.uint16], note: PictureNote
) -> tuple[NDArray[np.uint16], str, str, bytes]:
    """Return pixels, description, formula and profile of a file beside a master."""
    colour = path.stem.rpartition("-")[2]
    if path.parent.name == "channels":
        said = f"Transmittance by {colour} light alone. {note.description}"
        channel = np.ascontiguousarray(codes[..., CHANNELS.index(colour)])
        return channel, said, FORMULA, gray_linear_profile()
    said = (
        f"Made from the archive master {path.name}, for display: its transmittance in a 2.2 power "
        f"law, {GAMMA_FORMULA}, the bare light box at {NO_READING}; brighter light and what was "
        "not read are there, too. The archive master has linear numbers."
    )
    profile = gray_gamma22_profile() if codes.ndim == 2 else rgb_gamma22_profile()
    return gamma_codes(codes), said, GAMMA_FORMULA, profile


def _write_preview(path: Path, codes: NDArray[np.uint16], ppi: float | None) -> None:
    """Write the plate as it lies on the light box: gray gamma 2.2, the bare light white.

    Means are taken of light, then coded; of a master in colours its green is shown.
    """
    rows, columns = codes.shape[:2]
    share = min(1.0, PREVIEW_SIDE / max(rows, columns))
    size = (max(1, round(columns * share)), max(1, round(rows * share)))
    small = cv2.resize(codes, size, interpolation=cv2.INTER_AREA)
    grey = small if small.ndim == 2 else small[..., 1]
    write_preview(
        path,
        gamma_codes(np.asarray(grey, np.uint16)),
        long_side=PREVIEW_SIDE,
        ppi=None if ppi is None else ppi * share,
    )
