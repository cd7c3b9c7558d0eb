"""What a check of one capture returns: the numbers and what they mean."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, Literal

import numpy as np

from platebench.measure.checks.dust import MovedDust
from platebench.measure.checks.edge_focus import EdgeFocus
from platebench.measure.checks.exposure_check import Clipping, Headroom
from platebench.measure.checks.glare_check import GlareFigures
from platebench.measure.checks.grain_focus import GrainFocus
from platebench.measure.checks.light_check import BlankMatch
from platebench.measure.checks.reach import Reach
from platebench.measure.checks.tilt import CAMERA_TILT, Tilt
from platebench.measure.checks.verdict import Severity, Verdict, worst
from platebench.plate.light import Uniformity
from platebench.plate.noise_model import NoiseModel

Role = Literal["plate", "blank", "dark", "card", "box_off", "card_over"]
GLARE_ROLES: tuple[Role, ...] = ("card", "box_off", "card_over")


@dataclass(frozen=True, slots=True, kw_only=True)
class Depth:
    """The deepest densities a capture can measure, by noise alone (D).

    Attributes
    ----------
    colour : str
        Of the photosites the figures are for: green, or grey.
    snr1, snr10 : float
        Where one photosite's signal is 1 and 10 times its noise. The mean of 10 x 10 photosites
        has ten times the signal to noise of one, so it still has 10 at the density ``snr1``.
    """

    colour: str
    snr1: float
    snr10: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureFigures:
    """What was measured on a capture; None where it could not be.

    ``glare`` is that of the conversion; ``glare_bound``, a share of the bare light box, is the most
    it can be where nothing opaque shows. ``reach`` counts all that can be off.
    """

    clipping: Clipping
    headroom: Headroom | None = None
    uniformity: Uniformity | None = None
    match: BlankMatch | None = None
    dust: MovedDust | None = None
    noise: NoiseModel | None = None
    depth: Depth | None = None
    glare: GlareFigures | None = None
    glare_bound: float | None = None
    reach: Reach | None = None
    grain: GrainFocus | None = None
    edges: tuple[EdgeFocus, ...] = ()
    tilt: Tilt | None = None
    dark_level: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureCheck:
    """Figures and verdicts of one capture.

    Attributes
    ----------
    name : str
        File name.
    role : {"plate", "blank", "dark", "card", "box_off", "card_over"}
        What the capture is for.
    figures : CaptureFigures
        The numbers.
    verdicts : tuple of Verdict
        What they mean; every topic looked at has at least one.
    """

    name: str
    role: Role
    figures: CaptureFigures
    verdicts: tuple[Verdict, ...]

    @property
    def severity(self) -> Severity:
        """The gravest of the verdicts."""
        return worst(self.verdicts)

    @property
    def leans(self) -> bool:
        """Whether the plate's sides were taken for a sign of how the camera stands."""
        return any(verdict.topic == CAMERA_TILT for verdict in self.verdicts)

    def without_lean(self) -> CaptureCheck:
        """Return this check with nothing said of how the camera stands."""
        kept = tuple(verdict for verdict in self.verdicts if verdict.topic != CAMERA_TILT)
        return replace(self, verdicts=kept)

    def as_json(self) -> dict[str, Any]:
        """Return plain numbers, strings, lists and dicts; nan and infinity become None."""
        plain = _plain(
            {
                "capture": self.name,
                "role": self.role,
                "severity": self.severity,
                "verdicts": self.verdicts,
                "figures": self.figures,
            }
        )
        assert isinstance(plain, dict)
        return plain


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, (float, np.floating)):
        return float(f"{float(value):.5g}") + 0.0 if math.isfinite(value) else None
    if isinstance(value, str):
        return str(value)
    return value
