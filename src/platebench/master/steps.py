"""What was done to make an archive master, as events, from the capture to the pixels' digest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from platebench.core.rounding import rounded
from platebench.core.version import __version__
from platebench.master.cut import CODES_OF_LIGHT, FORMULA, NO_READING, Cut
from platebench.plate.job import PlateJob
from platebench.plate.light import LightSource
from platebench.plate.look import PlateView

EventType = Literal[
    "capture", "modification", "creation", "message digest calculation", "validation"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One step.

    Attributes
    ----------
    type : str
        Term of PREMIS.
    step : str
        What it is called here, one or two words: "flatten", "cut".
    detail : str
        What was done, as a sentence.
    outcome : {"success", "warning"}
        ``warning`` where a person should look.
    figures : mapping
        Parameters and measurements; JSON types only.
    when : str
        ISO 8601; "" where it is not known without a clock.
    agent : str
        Program and version, or the camera.
    objects : tuple of str
        Files it is about, relative to the session folder.
    """

    type: EventType
    step: str
    detail: str
    outcome: Literal["success", "warning"] = "success"
    figures: Mapping[str, Any] = field(default_factory=dict)
    when: str = ""
    agent: str = ""
    objects: tuple[str, ...] = ()

    def to_json(self, number: int) -> dict[str, Any]:
        """Return the event under the names of PREMIS' semantic units.

        Parameters
        ----------
        number : int
            Its place among the events of a file, from 1; its identifier.
        """
        shown: dict[str, Any] = {
            "eventIdentifier": {
                "eventIdentifierType": "local",
                "eventIdentifierValue": f"{number:02d}-{self.step.replace(' ', '-')}",
            },
            "eventType": self.type,
        }
        if self.when:
            shown["eventDateTime"] = self.when
        shown["eventDetailInformation"] = {"eventDetail": self.detail}
        outcome: dict[str, Any] = {"eventOutcome": self.outcome}
        if self.figures:
            outcome["eventOutcomeDetail"] = {"eventOutcomeDetailExtension": dict(self.figures)}
        shown["eventOutcomeInformation"] = outcome
        if self.agent:
            shown["linkingAgentIdentifier"] = {
                "linkingAgentIdentifierType": "name and version",
                "linkingAgentIdentifierValue": self.agent,
            }
        if self.objects:
            shown["linkingObjectIdentifier"] = [
                {
                    "linkingObjectIdentifierType": "file name",
                    "linkingObjectIdentifierValue": name,
                }
                for name in self.objects
            ]
        return shown


def events_to_json(events: tuple[Event, ...]) -> list[dict[str, Any]]:
    """Return events as JSON types, numbered in their order."""
    return [event.to_json(number) for number, event in enumerate(events, 1)]


AGENT = f"platebench {__version__}"

_LIGHT = {
    LightSource.BLANK: "dark level taken off; divided by the bare light box at each place",
    LightSource.ESTIMATED: "divided by the light estimated from what shows around the plate",
    LightSource.SCANNER: "coding of the scan undone; divided by the scanner's white",
}

_LEVEL = {
    False: "divided by the change of the bare light since the blank, seen around the plate",
    True: "divided by the bare light seen around the plate, over the scanner's white",
}


def master_events(
    view: PlateView, job: PlateJob, cut: Cut, codes: NDArray[np.uint16], digest: str
) -> tuple[Event, ...]:
    """Return the events of a master, in order.

    Parameters
    ----------
    view : PlateView
        The plate as it was seen.
    job : PlateJob
        Names the files.
    cut : Cut
        What of the capture was kept.
    codes : ndarray of uint16, shape (M, N) or (M, N, 3)
        The pixels.
    digest : str
        Their SHA-256.
    """
    info, settings = view.info, job.settings
    shown = {
        "exposure_s": None if info.exposure_s is None else float(f"{info.exposure_s:.6g}"),
        "f_number": info.f_number,
        "iso": info.iso,
        "focal_length_mm": info.focal_length_mm,
    }
    events = [
        Event(
            type="capture",
            step="capture",
            detail="the plate was photographed or scanned",
            figures={key: value for key, value in shown.items() if value is not None},
            when=info.taken.isoformat(timespec="seconds") if info.taken else "",
            agent=info.camera or "",
            objects=settings.captures,
        ),
        *_light_events(view, job),
        *_colour_events(view, grey=codes.ndim == 2),
        _cut_event(view, cut),
        Event(
            type="modification",
            step="code",
            detail=f"transmittance as 16-bit codes, {FORMULA}; {NO_READING}: no reading",
            figures={
                "code_of_bare_light": CODES_OF_LIGHT,
                "share_without_reading": rounded(float(np.mean(codes == NO_READING)), 6),
                "share_of_zeros": rounded(float(np.mean(codes == 0)), 6),
            },
            agent=AGENT,
        ),
        Event(
            type="message digest calculation",
            step="digest",
            detail="SHA-256 of the pixel values, row by row, red, green, blue, low byte first",
            figures={"sha256": digest},
            agent=AGENT,
        ),
        Event(
            type="validation",
            step="read back",
            detail="the file was read again and its pixels compared before it got its name",
            agent=AGENT,
        ),
    ]
    return tuple(events)


def _light_events(view: PlateView, job: PlateJob) -> Iterator[Event]:
    light, captures = view.light, job.settings.captures
    if view.plan is not None:
        yield Event(
            type="modification",
            step="merge",
            detail="exposures of one framing merged by inverse variance",
            figures={
                "ratios": [rounded(ratio, 5) for ratio in view.plan.ratios],
                "moved": [[int(v) for v in shift] for shift in view.plan.shifts],
            },
            agent=AGENT,
            objects=captures,
        )
    if view.joined is not None:
        record = view.joined.record
        yield Event(
            type="modification",
            step="join",
            detail="overlapping captures joined by features, one fit and windows; resampled once",
            figures={
                "tiles": [list(names) for names in record.tiles],
                "gains": list(record.gains),
                "misfit_px": record.misfit_px,
                "worst_misfit_px": record.worst_misfit_px,
            },
            agent=AGENT,
            objects=captures,
        )
    estimated = light.source is LightSource.ESTIMATED
    yield Event(
        type="modification",
        step="flatten",
        detail=_LIGHT[light.source],
        outcome="warning" if estimated else "success",
        figures={"light": str(light.source)},
        agent=AGENT,
        objects=tuple(name for name, _ in job.inputs if name not in captures),
    )
    if view.drift is not None:
        yield Event(
            type="modification",
            step="drift",
            detail="divided by the drift of the light across the frame since the blank: a plane in "
            "its logarithm, seen around the plate; left to right, top to bottom",
            figures={
                "across": rounded(view.drift.across, 6),
                "down": rounded(view.drift.down, 6),
                "sigma": rounded(view.drift.sigma, 6),
            },
            agent=AGENT,
        )
    if view.level != 1.0:
        yield Event(
            type="modification",
            step="level",
            detail=_LEVEL[light.source is LightSource.SCANNER],
            figures={"level": rounded(view.level, 6)},
            agent=AGENT,
        )
    if view.glare is not None and view.glare_off:
        yield Event(
            type="modification",
            step="glare",
            detail="stray light taken off, computed from the picture; share: of the bare light",
            figures={
                "source": view.glare.source,
                "share": rounded(view.glare.share, 6),
                "sigma": rounded(view.glare.sigma, 6),
            },
            agent=AGENT,
        )


def _colour_events(view: PlateView, *, grey: bool) -> Iterator[Event]:
    mosaic = view.light.channels == 1 and view.light.pattern.size > 1
    if mosaic and not grey:
        yield Event(
            type="modification",
            step="separate colours",
            detail="red, green and blue made from the filter mosaic: two of three are interpolated",
            agent=AGENT,
        )
    stain = view.stain
    if stain is not None and stain.found:
        kept = "the plate is stained; the stain was left as it is, in the three channels"
        brought = (
            "the plate is stained; inside its outline, red and blue were brought to what green "
            "light sees, so that one grey value means one density"
        )
        yield Event(
            type="modification",
            step="stain",
            detail=brought if grey else kept,
            outcome="warning" if grey else "success",
            figures={
                "red_d": rounded(stain.red, 4),
                "blue_d": rounded(stain.blue, 4),
                "red_share": rounded(stain.red_share, 5),
                "blue_share": rounded(stain.blue_share, 5),
            },
            agent=AGENT,
        )
    if grey and view.picture.channels == 3:
        yield Event(
            type="modification",
            step="one channel",
            detail="mean of the scan's red, green and blue: silver is neutral",
            agent=AGENT,
        )


def _cut_event(view: PlateView, cut: Cut) -> Event:
    corners = None
    if cut.corners is not None:
        corners = [[rounded(v, 2) for v in corner] for corner in cut.corners]
    what = "the whole capture was kept" if cut.whole else "cut around the plate with a margin"
    return Event(
        type="modification",
        step="cut",
        detail=f"{what}; not resampled, not turned",
        outcome="success" if corners else "warning",
        figures={
            "rows": [cut.top, cut.bottom],
            "columns": [cut.left, cut.right],
            "corners": corners,
            "corners_by_hand": view.by_hand,
            "size": None if cut.scale is None else cut.scale.glass_said,
            "doubts": list(view.found.doubts),
        },
        agent=AGENT,
    )
