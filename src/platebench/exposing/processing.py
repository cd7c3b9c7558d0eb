"""Developing by hand: the steps, what practice says of them, and a check against one's limits.

The times and temperatures are common practice among plate users, without a published source.
Limits of one's own beat them: a record is warned of where it lies outside.

Each step has its checklist and cautions; limits come from practice or from a TOML file of one's
own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from textwrap import wrap

from platebench.core.camera_time import time_in_words
from platebench.core.cautions import FIRST, cautions_for
from platebench.core.checked_table import CheckedTable, read_toml
from platebench.core.errors import SettingsFileError
from platebench.core.plate_names import as_text
from platebench.exposing.reciprocity import PRACTICE

GELATINE_SOFTENS_C = 30.0  # common practice, no source: above it unhardened gelatine is at risk
DEVELOPING = ("glass", "developer", "stop bath", "fixer")
HAZARDS = (*DEVELOPING, "reducer", "intensifier")
SAFELIGHT = (
    "Red light is safe for plates that see blue only, and for orthochromatic ones; panchromatic "
    "plates need full darkness."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a step is held to; None where it is not.

    Attributes
    ----------
    shortest_s, longest_s : float or None
        Time, s.
    coolest_c, warmest_c : float or None
        Temperature of the bath, degrees Celsius.
    mark : str
        Where the limits come from.
    """

    shortest_s: float | None = None
    longest_s: float | None = None
    coolest_c: float | None = None
    warmest_c: float | None = None
    mark: str = PRACTICE


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of developing a plate by hand.

    Attributes
    ----------
    name : str
        One word, as the log and the settings have it.
    time_s : float
        Time to aim at, s.
    at_least : bool
        True where the time is the shortest that will do.
    temperature_c : float or None
        Degrees Celsius; None where it does not matter.
    how : str
        What to do.
    limits : Limits
        What a record is held to.
    mark : str
        Where time and temperature come from.
    """

    name: str
    time_s: float
    at_least: bool = False
    temperature_c: float | None = 20.0
    how: str = ""
    limits: Limits = Limits()
    mark: str = PRACTICE

    def aim(self) -> str:
        """Say time and temperature to aim at.

        Examples
        --------
        >>> Step(name="wash", time_s=600, at_least=True).aim()
        'at least 10 min at about 20 °C'
        """
        time = f"{'at least ' if self.at_least else ''}{time_in_words(self.time_s)}"
        return time if self.temperature_c is None else f"{time} at about {self.temperature_c:g} °C"


STEPS: tuple[Step, ...] = (
    Step(
        name="develop",
        time_s=300,
        how="by inspection under red light; agitate the first 30 s, then 5 s in each 30 s",
    ),
    Step(name="rinse", time_s=60, how="in plain water"),
    Step(name="fix", time_s=300, how="or until the plate is clear"),
    Step(
        name="wash",
        time_s=600,
        at_least=True,
        how="in running or changed water",
        limits=Limits(shortest_s=600),
    ),
    Step(
        name="dry",
        time_s=12 * 3600,
        at_least=True,
        temperature_c=None,
        how="upright, away from dust and warm air",
        limits=Limits(shortest_s=12 * 3600),
    ),
)
STEP_NAMES = tuple(step.name for step in STEPS)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDone:
    """A step as it was done.

    Attributes
    ----------
    name : str
        One of ``STEP_NAMES``.
    time_s : float
        How long it took, s.
    temperature_c : float or None
        Of the bath; None if not noted.
    """

    name: str
    time_s: float
    temperature_c: float | None = None


def check_step(done: StepDone, steps: Sequence[Step] = STEPS) -> tuple[str, ...]:
    """Return a warning for each limit a step lies outside of.

    Parameters
    ----------
    done : StepDone
        As noted.
    steps : sequence of Step
        With the limits to hold it to.

    Raises
    ------
    KeyError
        If there is no such step.

    Examples
    --------
    >>> check_step(StepDone(name="wash", time_s=300))
    ('wash: 5 min is shorter than 10 min (common practice, no published source)',)
    """
    by_name: Mapping[str, Step] = {step.name: step for step in steps}
    limits = by_name[done.name].limits
    warnings = []
    if limits.shortest_s is not None and done.time_s < limits.shortest_s:
        warnings.append(f"{_time(done.time_s)} is shorter than {_time(limits.shortest_s)}")
    if limits.longest_s is not None and done.time_s > limits.longest_s:
        warnings.append(f"{_time(done.time_s)} is longer than {_time(limits.longest_s)}")
    if done.temperature_c is None:
        if limits.coolest_c is not None or limits.warmest_c is not None:
            warnings.append("no temperature was noted, and there is a limit to it")
    elif limits.coolest_c is not None and done.temperature_c < limits.coolest_c:
        warnings.append(f"{done.temperature_c:g} °C is cooler than {limits.coolest_c:g} °C")
    elif limits.warmest_c is not None and done.temperature_c > limits.warmest_c:
        warnings.append(f"{done.temperature_c:g} °C is warmer than {limits.warmest_c:g} °C")
    said = [f"{done.name}: {warning} ({limits.mark})" for warning in warnings]
    warm = done.temperature_c is not None and done.temperature_c > GELATINE_SOFTENS_C
    if warm and limits.warmest_c is None:
        said.append(f"{done.name}: {done.temperature_c:g} °C; warm gelatine softens and lifts")
    return tuple(said)


def _time(seconds: float) -> str:
    return time_in_words(seconds)


_WIDTH = 72
_IN = " " * 13


def checklist(steps: Sequence[Step] = STEPS, *, plate_id: str = "") -> str:
    """Return a checklist of developing, 72 columns wide.

    Parameters
    ----------
    steps : sequence of Step
        With the user's own values, where there are any.
    plate_id : str
        Name of the plate; a line to write on if empty.
    """
    lines = [
        "DEVELOPING",
        "",
        f"Plate {plate_id or '_' * 24}    Date {'_' * 16}",
        f"Developer {'_' * 20}    Dilution {'_' * 12}",
        "",
        "Before you begin",
        "",
        *(line for text in cautions() for line in _item(text)),
        "",
        "Steps",
        "",
    ]
    for step in steps:
        lines += [*_step(step), ""]
    return "\n".join(lines)


def cautions(hazards: Sequence[str] = HAZARDS) -> tuple[str, ...]:
    """Return the cautions of developing, a paragraph each; ``DEVELOPING`` without after-baths."""
    return (FIRST, SAFELIGHT, *(" ".join(c.lines()) for c in cautions_for(hazards)))


def _item(text: str) -> list[str]:
    return wrap(
        text, _WIDTH, initial_indent="[ ] ", subsequent_indent="    ", break_on_hyphens=False
    )


def _step(step: Step) -> list[str]:
    head = f"{step.name.upper():<9}{step.aim()}"
    heat = "" if step.temperature_c is None else f"    at {'_' * 6} °C"
    return [
        f"[ ] {head}",
        *wrap(f"{step.how} ({step.mark})", _WIDTH, initial_indent=_IN, subsequent_indent=_IN),
        f"{_IN}done: {'_' * 12}{heat}",
    ]


LIMITS_FILE = "developing.toml"
_LONGEST_S = 30 * 86400.0
_COLDEST_C, _HOTTEST_C = -5.0, 60.0
_OWN = "your own"


def load_limits(path: Path) -> tuple[Step, ...]:
    """Read the steps of developing with the user's own values in place of practice.

    Each table, ``[develop]`` and so on, may hold ``time_s``, ``temperature_c``, ``how``,
    ``shortest_s``, ``longest_s``, ``coolest_c`` and ``warmest_c``. A step with a limit of one's
    own is held to the file's limits only.

    Raises
    ------
    SettingsFileError
        If the file is missing or cannot be read as TOML.
    BadSettingError, BadSettingsError
        If it has an unknown key or says nonsense.
    """
    if not path.exists():
        raise SettingsFileError(
            path, "is missing", "check the name, or leave your limits out", "limits"
        )
    top = CheckedTable(path, "", read_toml(path), [])
    top.check_keys(STEP_NAMES)
    steps = tuple(_own_step(step, top.table(step.name)) for step in STEPS)
    top.finish()
    return steps


def _own_step(step: Step, table: CheckedTable) -> Step:
    limit_keys = tuple(key for key in Limits.__slots__ if key != "mark")
    table.check_keys(("time_s", "temperature_c", "how", *limit_keys))
    own = {key: _quantity(table, key) for key in limit_keys if key in table}
    for low, high in (("shortest_s", "longest_s"), ("coolest_c", "warmest_c")):
        if low in own and high in own and own[low] > own[high]:
            table.problem(high, f"is {own[high]:g}, below {low}", "set the lower limit lower")
    said = {key: _quantity(table, key) for key in ("time_s", "temperature_c") if key in table}
    mark = f"{_OWN} limit in {as_text(table.path.name)}"
    return replace(
        step,
        time_s=said.get("time_s", step.time_s),
        at_least=step.at_least and "time_s" not in said,
        temperature_c=said.get("temperature_c", step.temperature_c),
        how=table.text("how", step.how),
        limits=Limits(**own, mark=mark) if own else step.limits,
        mark=_OWN if said else step.mark,
    )


def _quantity(table: CheckedTable, key: str) -> float:
    if key.endswith("_s"):
        return table.number(key, 1.0, _LONGEST_S, 1.0)
    return table.number(key, _COLDEST_C, _HOTTEST_C, _COLDEST_C)


def steps_from(paths: Sequence[Path]) -> tuple[Step, ...]:
    """Return the steps of the first file that exists, else those of common practice."""
    return next((load_limits(path) for path in paths if path.is_file()), STEPS)
