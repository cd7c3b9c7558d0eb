"""Developing by hand: the steps, what practice says of them, and a check against one's limits.

The times and temperatures are common practice among plate users, without a published source.
Limits of one's own beat them: a record is warned of where it lies outside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from platebench.camera_time import time_in_words
from platebench.exposing.reciprocity import PRACTICE

GELATINE_SOFTENS_C = 30.0  # common practice, no source: above it unhardened gelatine is at risk
HAZARDS = ("glass", "developer", "stop bath", "fixer", "reducer", "intensifier")
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
