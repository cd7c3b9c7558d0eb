"""What the options of ``platebench expose`` ask for, joined and checked against one another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from platebench.exposing.exposure import ExposureRequest, ev_from_reading
from platebench.exposing.reciprocity import (
    NoCorrection,
    PowerExcess,
    PracticeRule,
    Reciprocity,
    Schwarzschild,
)
from platebench.exposing.reciprocity_table import load_reciprocity_table


def request_from_options(said: Mapping[str, Any]) -> ExposureRequest:
    """Return the request.

    Raises
    ------
    click.UsageError
        If the options contradict one another or one is missing.
    SettingsError
        If the table cannot be used.
    """
    f_number = said["f_number"] or said["meter_f"]
    if f_number is None:
        raise click.UsageError("--f is missing: the aperture to be used")
    return ExposureRequest(
        ev100=_ev100(said),
        f_number=f_number,
        rating=said["rating"],
        light=said["light"],
        stops=said["stops"],
        extension_mm=said["extension"],
        focal_mm=said["focal"],
        reciprocity=_reciprocity(said),
    )


def _ev100(said: Mapping[str, Any]) -> float:
    reading = (said["meter_f"], said["meter_time"])
    if said["ev"] is not None:
        if reading != (None, None):
            raise click.UsageError("--ev and --meter-f with --meter-time say the same: give one")
        return float(said["ev"]) + ev_from_reading(1, 1, said["meter_iso"])
    if None in reading:
        raise click.UsageError("the reading is missing: --ev, or --meter-f and --meter-time")
    return ev_from_reading(*reading, said["meter_iso"])


def _reciprocity(said: Mapping[str, Any]) -> Reciprocity:
    given = {
        "--p": said["p"] is not None,
        "--added": said["added"] is not None,
        "--table": said["table"] is not None,
        "--no-reciprocity": said["no_reciprocity"],
    }
    chosen = [name for name, is_given in given.items() if is_given]
    if len(chosen) > 1:
        raise click.UsageError(f"{' and '.join(chosen)} exclude one another: give one")
    if said["plus_one"] and chosen != ["--p"]:
        raise click.UsageError("--plus-one is a form of --p: give --p, too")
    if said["p"] is not None:
        return Schwarzschild(p=said["p"], plus_one=said["plus_one"])
    if said["added"] is not None:
        return PowerExcess(a=said["added"])
    if said["table"] is not None:
        return load_reciprocity_table(said["table"])
    return NoCorrection() if said["no_reciprocity"] else PracticeRule()
