"""The user's own times, temperatures and limits of developing, as a TOML file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from platebench.errors import SettingsFileError
from platebench.exposing.processing import STEP_NAMES, STEPS, Limits, Step
from platebench.files.checked_table import CheckedTable, read_toml
from platebench.plate_names import as_text

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
        raise SettingsFileError(path, "is missing", "check the name, or leave --limits out")
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
