"""From what the camera reads to diffuse density: Callier factor off, residual off.

The camera sees part of the scattered light only, ``D_camera = Q D_diffuse``; what is left, small
and smooth, is a residual in density. Glare is no part of it: it depends on what lies in the frame,
and comes off each capture before (:mod:`platebench.plate.glare_model`). What the tablet says of it
is kept here as evidence.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, fields
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from platebench.core.errors import TabletError
from platebench.core.files import atomic_write, read_at_most
from platebench.core.plain_json import read_json
from platebench.core.rounding import to_digits
from platebench.plate.glare_model import UNKNOWNS, Evidence
from platebench.plate.set_up import SetUp, set_up_from_json

Doubles = NDArray[np.float64]

SCHEMA = 5
FILE_NAME = "calibration.json"
LEAST_LIGHT = 1e-5  # transmittance: the floor that keeps density finite
_LN10 = float(np.log(10))
_LARGEST_FILE = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibratedStep:
    """One step of the tablet in the fit.

    Attributes
    ----------
    step : int
        Its number, the thinnest of the tablet is 1.
    known, known_sigma : float
        Diffuse density of the tablet, D.
    measured, measured_sigma : float
        As the camera reads it, glare and all, D.
    calibrated : float
        The reading through the calibration, D.
    residual : float
        ``calibrated - known``, D.
    """

    step: int
    known: float
    known_sigma: float
    measured: float
    measured_sigma: float
    calibrated: float
    residual: float


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """A density calibration.

    Attributes
    ----------
    callier, callier_sigma : float
        ``D_camera / D_diffuse``.
    nodes, residuals, residual_sigmas : tuple of float
        Density after the Callier factor; what is added there, and how well that is known. A natural
        cubic spline between; constant beyond.
    common_offset, common_share : float
        Uncertainty that all steps of the tablet share: D, and share of the density.
    tablet : str
        The tablet's name.
    calibrated_tablet : bool
        Whether its own steps were known.
    capture : str
        The capture it was read from.
    set_up : SetUp or None
        What that was made with; None only before it is kept.
    glare : Evidence or None
        What the steps say of the session's glare.
    glare_share, glare_sigma : float
        Glare that was taken off the tablet, mean over its steps, of the bare light; its error.
    steps : tuple of CalibratedStep
        The readings.
    notes : tuple of str
        What a person should know.
    """

    callier: float
    callier_sigma: float
    nodes: tuple[float, ...] = (0.0, 3.0)
    residuals: tuple[float, ...] = (0.0, 0.0)
    residual_sigmas: tuple[float, ...] = (0.0, 0.0)
    common_offset: float = 0.0
    common_share: float = 0.0
    tablet: str = ""
    calibrated_tablet: bool = False
    capture: str = ""
    set_up: SetUp | None = None
    glare: Evidence | None = None
    glare_share: float = 0.0
    glare_sigma: float = 0.0
    steps: tuple[CalibratedStep, ...] = field(default=())
    notes: tuple[str, ...] = ()

    @cached_property
    def _spline(self) -> Callable[[Doubles], Doubles]:
        from scipy.interpolate import CubicSpline  # only where there is a calibration

        spline: Callable[[Doubles], Doubles] = CubicSpline(
            self.nodes, self.residuals, bc_type="natural"
        )
        return spline

    @property
    def densest(self) -> float:
        """Densest step of the fit, D; beyond it the calibration is extended."""
        return max((step.known for step in self.steps), default=self.nodes[-1])

    def diffuse_density(self, transmittance: ArrayLike) -> Doubles:
        """Return diffuse density (D) of measured transmittance, glare off.

        Examples
        --------
        >>> calibration = Calibration(callier=1.3, callier_sigma=0)
        >>> round(float(calibration.diffuse_density(10**-1.3)), 6)
        1.0
        """
        through = np.asarray(transmittance, np.float64)
        plain = -np.log10(np.maximum(through, LEAST_LIGHT)) / self.callier
        inside = np.clip(plain, self.nodes[0], self.nodes[-1])
        return np.asarray(plain + self._spline(inside), np.float64)

    def true_transmittance(self, transmittance: ArrayLike) -> NDArray[np.floating]:
        """Return diffuse transmittance of measured transmittance, both over the bare light.

        Pointwise and rising; shape and floating type are kept. The bare light, 1, stays 1.
        """
        measured = np.asarray(transmittance)
        kind = measured.dtype if measured.dtype.kind == "f" else np.dtype(np.float64)
        return np.asarray(10.0 ** -self.diffuse_density(measured), kind)

    def measured_transmittance(self, density: ArrayLike) -> Doubles:
        """Return what the camera reads of a diffuse density, residual left out."""
        return np.asarray(10.0 ** (-self.callier * np.asarray(density, np.float64)))

    def gain(self, density: ArrayLike) -> Doubles:
        """Return how much an error in measured T changes a diffuse density, D per unit T."""
        through = np.maximum(10.0 ** (-self.callier * np.asarray(density, np.float64)), LEAST_LIGHT)
        return np.asarray(1 / (through * _LN10 * self.callier), np.float64)

    def density_sigma(self, density: ArrayLike) -> Doubles:
        """Return the standard uncertainty (D) that the calibration gives a diffuse density."""
        d = np.asarray(density, np.float64)
        variance = (
            (d / self.callier * self.callier_sigma) ** 2
            + np.interp(d, self.nodes, self.residual_sigmas) ** 2
            + self.common_offset**2 * np.minimum(np.abs(d) / 0.1, 1.0) ** 2
            + (self.common_share * d) ** 2
        )
        return np.asarray(np.sqrt(np.maximum(variance, 0)), np.float64)

    def to_json(self) -> dict[str, Any]:
        """Return plain values, rounded far below what can be measured."""
        document: dict[str, Any] = {"schema": SCHEMA}
        for item in fields(self):
            document[item.name] = _as_json(getattr(self, item.name))
        document["set_up"] = None if self.set_up is None else self.set_up.to_json()
        document["glare"] = None
        if self.glare is not None:
            document["glare"] = {
                "precision": [[_as_json(v) for v in row] for row in self.glare.precision.tolist()],
                "pull": [_as_json(v) for v in self.glare.pull.tolist()],
                "misfit": _as_json(self.glare.misfit),
                "widened": _as_json(self.glare.dark),
            }
        document["steps"] = [
            {key: _as_json(value) for key, value in asdict(step).items()} for step in self.steps
        ]
        return document

    def save(self, path: Path) -> None:
        """Write it as JSON: the same calibration gives the same bytes.

        Raises
        ------
        WriteError
            If it cannot be written.
        """
        text = json.dumps(self.to_json(), indent=2, ensure_ascii=True, allow_nan=False)
        with atomic_write(path) as stream:
            stream.write(text.encode() + b"\n")


def load_calibration(path: Path) -> Calibration:
    """Read a calibration that was saved.

    Raises
    ------
    TabletError
        If there is none, it is not one, or it is an older one that does not say for what it holds.
    """
    remedy = ("calibrate again", "calibrate")
    try:
        content = read_at_most(path, _LARGEST_FILE)
        if content is None:
            raise TabletError(path, "is too large for a calibration", *remedy)
        document = read_json(content)
    except FileNotFoundError:
        raise TabletError(path, "is not there", *remedy) from None
    except (OSError, ValueError):
        raise TabletError(path, "cannot be read as a calibration", *remedy) from None
    if isinstance(document, dict) and document.get("schema") in (1, 2):
        what = "took glare for the same in every capture, which it is not"
        raise TabletError(path, what, *remedy)
    return calibration_from_json(document, path)


def calibration_from_json(document: Any, path: Path) -> Calibration:
    """Return the calibration that ``Calibration.to_json`` spelled out.

    Raises
    ------
    TabletError
        If it is none; ``path`` is named.
    """
    try:
        return _from_json(document)
    except (KeyError, TypeError, ValueError, OverflowError):
        what = "is not a calibration of this version"
        raise TabletError(path, what, "calibrate again", "calibrate") from None


def _from_json(document: dict[str, Any]) -> Calibration:
    if not isinstance(document, dict):
        raise ValueError("no table")
    document = dict(document)
    if document.pop("schema") != SCHEMA:
        raise ValueError("schema")
    set_up = set_up_from_json(document.pop("set_up"))
    steps = tuple(CalibratedStep(**step) for step in document.pop("steps"))
    glare = _evidence_from_json(document.pop("glare"))
    values: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in document.items()
    }
    calibration = Calibration(steps=steps, set_up=set_up, glare=glare, **values)
    numbers = np.array(
        [
            *(calibration.glare_share, calibration.glare_sigma),
            *(calibration.callier, calibration.callier_sigma),
            *(calibration.common_offset, calibration.common_share),
            *(*calibration.nodes, *calibration.residuals, *calibration.residual_sigmas),
        ],
        np.float64,
    )
    sane = 0.3 < calibration.callier < 3
    if not np.isfinite(numbers).all() or not sane:
        raise ValueError("numbers")
    if len(calibration.nodes) != len(calibration.residual_sigmas):
        raise ValueError("nodes")
    calibration.diffuse_density(0.5)  # nodes that do not rise are refused here
    return calibration


def _evidence_from_json(document: dict[str, Any] | None) -> Evidence | None:
    """Return what a tablet said of the glare; ValueError where it is no evidence."""
    if document is None:
        return None
    precision = np.array(document["precision"], np.float64)
    pull = np.array(document["pull"], np.float64)
    misfit, widened = float(document["misfit"]), float(document["widened"])
    if precision.shape != (UNKNOWNS, UNKNOWNS) or pull.shape != (UNKNOWNS,):
        raise ValueError("unknowns")
    if not (np.isfinite(precision).all() and np.isfinite(pull).all()):
        raise ValueError("numbers")
    if not (0 <= misfit < 100 and 1 <= widened < 1e3):
        raise ValueError("numbers")
    if float(np.linalg.eigvalsh(precision).min()) < -1e-6 * float(np.abs(precision).max()):
        raise ValueError("precision")
    precision = (precision + precision.T) / 2
    return Evidence(precision=precision, pull=pull, misfit=misfit, dark=widened)


def _as_json(value: Any) -> Any:
    if isinstance(value, float):
        return to_digits(value, 9)
    if isinstance(value, tuple):
        return [_as_json(item) for item in value]
    return value
