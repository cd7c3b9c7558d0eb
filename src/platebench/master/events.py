"""What was done to make a file, step by step, in the manner of PREMIS events.

Types are terms of the PREMIS event type vocabulary (from memory; version 3 of the PREMIS data
dictionary): capture, modification, creation, message digest calculation, validation. No clock is
read: an event has a time only where the capture states one, or the caller passes one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

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
