"""What an archive master says of itself: the one formula, and how the plate lies in it."""

from __future__ import annotations

import json
from dataclasses import replace

from platebench.formats import format_named
from platebench.look import PlateView
from platebench.master.cut import Cut
from platebench.master.events import Event
from platebench.outputs.xmp import HistoryStep, PictureNote
from platebench.plate_job import PlateJob
from platebench.plate_log.entry import LogEntry
from platebench.plate_record import capture_note
from platebench.stages.linear_code import CODES_OF_LIGHT, FORMULA, NO_READING

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
