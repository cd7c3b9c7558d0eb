"""A plate of a session planned, its papers for the darkroom, and what came of the plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from platebench.core.camera_time import time_in_words
from platebench.core.errors import SessionFolderError
from platebench.core.files import atomic_write, make_folder
from platebench.core.plain_json import read_json
from platebench.core.rounding import rounded
from platebench.exposing.plan_plate import PlatePlan, inspection_in_words, plan_to_json
from platebench.exposing.processing import DEVELOPING, cautions
from platebench.plate.densities import BIN_EDGES
from platebench.plate.job import RECORDS
from platebench.sensitometry.relations import STOP
from platebench.session.plates_made import entry_of, read_plate_record
from platebench.session.record import json_for_people
from platebench.session.session_report import OUTPUT_NAME
from platebench.write.darkroom_sheet import DarkroomPaper, write_darkroom_paper

FOLDER = "plans"
_SHORT = (
    "Cautions first: read the sheet. Gloves and goggles, tongs, fresh air; glass cuts. Safety data "
    "sheets and local rules before all."
)
_BOXES = ("exposure given", "hour", "developed for", "bath °C", "fixed", "washed")
_ALIKE = 0.12  # D; a range that comes so near was met
_TIME_SHARE = 0.05


def darkroom_paper(
    plate_id: str, plan: PlatePlan, exposure: str, pair: tuple[str, str]
) -> DarkroomPaper:
    """Return what stands on sheet and card.

    Parameters
    ----------
    exposure : str
        The one to give; "" where the plates made so far are too few, and the pair is needed.
    pair : (str, str)
        Two exposures, two stops apart.
    """
    shown = (("expose", exposure),) if exposure else ()
    named = "or a pair, two stops apart" if exposure else "expose two plates, two stops apart"
    span = " to ".join(_time(seconds) for seconds in (plan.shortest_s, plan.longest_s))
    aims = " / ".join(f"{density:.2f}" for density in (plan.thin, plan.middle, plan.dense))
    wanted = plan.wanted
    return DarkroomPaper(
        title=f"Plate {plate_id}",
        cautions=cautions(DEVELOPING),
        short_caution=_SHORT,
        lines=(
            *shown,
            (named, "; ".join(pair)),
            (f"develop at {wanted.bath_c:g} °C", f"{_time(plan.seconds)}  ({span})"),
            ("by inspection", inspection_in_words(plan).partition(" (")[0]),
            (
                "aim: thin, middle, dense",
                f"{aims} D",
            ),
            ("for", f"{wanted.process}, range {wanted.scale:.2f}, batch {plan.batch or '?'}"),
        ),
        remarks=(
            f"Gamma {plan.gamma:.2f} of {plan.gamma_infinity:.2f} at most; base plus fog "
            f"{plan.base_fog:.2f} D (measured, your curves). The range that comes: "
            f"{wanted.scale:.2f} +-{plan.range_sigma:.2f} D.",
            f"One stop more: range {plan.stop_more:+z.2f}, thinnest {plan.stop_more_thin:+z.2f} D. "
            f"One degree warmer: range {plan.degree_warmer:+z.2f} D.",
            *(f"{note[0].upper()}{note[1:]}." for note in plan.notes),
        ),
        boxes=_BOXES,
    )


def _time(seconds: float) -> str:
    return time_in_words(max(round(seconds / 5) * 5, 5))


def write_plan(
    session: Path,
    plate_id: str,
    plan: PlatePlan,
    exposure: str,
    pair: tuple[str, str],
    more: Mapping[str, Any],
) -> tuple[Path, Path, Path]:
    """Write the sheet, the card, and the plan itself into the session's ``plans`` folder.

    Returns
    -------
    tuple of Path
        Sheet, card, plan.

    Raises
    ------
    WriteError
        If one cannot be written.
    """
    folder = session / FOLDER
    make_folder(folder)
    sheet, card = folder / f"{plate_id}-sheet.pdf", folder / f"{plate_id}-card.pdf"
    write_darkroom_paper(darkroom_paper(plate_id, plan, exposure, pair), sheet, card)
    target = folder / f"{plate_id}.json"
    document = {"schema": 1, "plate": plate_id, "plan": plan_to_json(plan), **more}
    with atomic_write(target) as stream:
        stream.write(json_for_people(document))
    return sheet, card, target


@dataclass(frozen=True, slots=True, kw_only=True)
class _Planned:
    process: str
    aim_range: float
    subject_range: float
    gamma: float
    thin: float
    middle: float
    dense: float
    base_fog: float
    develop_s: float
    bath_c: float
    range_sigma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """What came of a plan.

    Attributes
    ----------
    rows : tuple of (str, float, float)
        What, planned, and as it came, D; seconds and degrees in the last two where noted.
    lessons : tuple of str
    """

    rows: tuple[tuple[str, float, float], ...]
    lessons: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON types."""
        return {
            "planned_and_came": {
                name: [rounded(one, 3), rounded(other, 3)] for name, one, other in self.rows
            },
            "lessons": list(self.lessons),
        }


def what_came(session: Path, plate_id: str) -> Came:
    """Compare a converted plate with its plan.

    Raises
    ------
    SessionFolderError
        If there is no plan, or the plate was not converted.
    """
    path = session / FOLDER / f"{plate_id}.json"
    try:
        document = read_json(path.read_bytes())
        planned = msgspec.convert(document["plan"], _Planned)
    except FileNotFoundError as error:
        raise SessionFolderError(path, "is missing", "plan the plate first") from error
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise SessionFolderError(path, "is no plan of a plate", "plan the plate anew") from error
    record_path = session / OUTPUT_NAME / RECORDS / f"{plate_id}.json"
    if not record_path.is_file():
        what = f'has no record of a plate "{plate_id}"'
        raise SessionFolderError(session / OUTPUT_NAME, what, "convert the session first")
    densities = read_plate_record(record_path).densities
    if densities is None:
        what = "holds no densities of the plate"
        raise SessionFolderError(record_path, what, "see the report for the reason")
    below = np.concatenate([[0.0], np.cumsum(densities.histogram)])
    middle = float(np.interp(0.5 * below[-1], below, BIN_EDGES))
    came_range = densities.density_range
    if densities.blue_range is not None:
        came_range = densities.blue_range
    rows = [
        ("range", planned.aim_range, came_range),
        ("thin", planned.thin, densities.d_min),
        ("middle", planned.middle, middle),
        ("dense", planned.dense, densities.d_max),
        ("base plus fog", planned.base_fog, densities.base_fog),
    ]
    entry = entry_of(session, plate_id)
    if entry is not None and entry.develop_s is not None:
        rows.append(("developed for, s", planned.develop_s, entry.develop_s))
    if entry is not None and entry.temperature_c is not None:
        rows.append(("bath, °C", planned.bath_c, entry.temperature_c))
    at_least = densities.d_max_at_least is not None
    return Came(rows=tuple(rows), lessons=_lessons(planned, dict((r[0], r[1:]) for r in rows),
                at_least=at_least))  # fmt: skip


def _lessons(
    planned: _Planned, rows: Mapping[str, tuple[float, float]], *, at_least: bool
) -> tuple[str, ...]:
    lessons = []
    aim, came = rows["range"]
    done = rows.get("developed for, s")
    in_time = done is None or abs(done[1] / done[0] - 1) <= _TIME_SHARE
    if at_least:
        lessons.append("the densest tone is a lower limit: so is the range")
    if abs(came - aim) <= _ALIKE:
        lessons.append("the range came as planned")
    else:
        way = "longer" if came > aim else "shorter"
        said = f"the range came {abs(came - aim):.2f} D {way} than planned"
        if done is not None and not in_time:
            said += f"; it was developed for {time_in_words(done[1])}, not {_time(done[0])}"
        elif done is None:
            said += "; note how long it was developed, else time and subject cannot be told apart"
        elif abs(came - aim) <= 2 * planned.range_sigma:
            said += ", within what subject, plate and bath commonly differ by: change nothing yet"
        else:
            subject = planned.subject_range * came / max(aim, 0.1)
            said += (
                f": the subject was about {subject:.2f} log units, or the batch's gamma has "
                "moved: own-speed learns the subject, a new test plate tells of the batch"
            )
        lessons.append(said)
    middle = rows["middle"]
    stops = ((middle[1] - rows["base plus fog"][1]) - (middle[0] - planned.base_fog)) / (
        planned.gamma * STOP
    )
    if not in_time or done is None:
        lessons.append(
            "the plate was developed for another time than planned, or none is noted, so its tones "
            "do not show the exposure: own-speed reads it through the batch's curve"
        )
    elif abs(stops) > 0.5:
        lessons.append(
            f"the middle tone came about {abs(stops):.1f} stops "
            f"{'over' if stops > 0 else 'under'}exposed: run own-speed again, it takes that in"
        )
    else:
        lessons.append("the exposure was right within half a stop")
    fog = rows["base plus fog"]
    if fog[1] - fog[0] > 0.1:
        lessons.append(
            f"base plus fog is {fog[1] - fog[0]:.2f} D above the batch's: look at safelight, age "
            "and developer"
        )
    return tuple(lessons)
