"""What a calibration was made with, and whether a capture was made with the same.

Glare belongs to lens, light box and mask; the Callier factor to light and aperture; what is left
over, to the camera. A calibration holds for captures made as its tablet was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from platebench.core.image import CaptureInfo, CaptureKind

_SAME = 0.01  # relative: apertures and ISO are steps of an eighth or more
_KINDS = {CaptureKind.RAW: "a camera raw", CaptureKind.SCAN: "a scan"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUp:
    """What a capture was made with; None where the file does not say.

    Attributes
    ----------
    kind : CaptureKind
        Camera raw or scan.
    camera : str or None
        Its name in the file.
    iso, f_number : float or None
    blanks : tuple of str
        SHA-256 of the session's blank frames, sorted; empty where there are none.
    """

    kind: CaptureKind
    camera: str | None = None
    iso: float | None = None
    f_number: float | None = None
    blanks: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "kind": str(self.kind),
            "camera": self.camera,
            "iso": self.iso,
            "f_number": self.f_number,
            "blanks": list(self.blanks),
        }


@dataclass(frozen=True, slots=True)
class Fit:
    """How a calibration's set-up goes with that of a capture.

    Attributes
    ----------
    applies : bool
        False where it must not be used.
    doubts : tuple of str
        What differs, in plain words.
    """

    applies: bool
    doubts: tuple[str, ...]


def set_up_of(info: CaptureInfo, blanks: tuple[str, ...]) -> SetUp:
    """Return what a capture was made with."""
    return SetUp(
        kind=info.kind,
        camera=info.camera,
        iso=info.iso,
        f_number=info.f_number,
        blanks=tuple(sorted(blanks)),
    )


def set_up_from_json(document: dict[str, Any]) -> SetUp:
    """Return a set-up that was written.

    Raises
    ------
    KeyError, TypeError, ValueError
        If it is none.
    """
    texts = {"camera": document["camera"], "blanks": "".join(document["blanks"])}
    numbers = {name: document[name] for name in ("iso", "f_number")}
    if not all(isinstance(text, str | None) for text in texts.values()):
        raise ValueError("camera or blanks")
    return SetUp(
        kind=CaptureKind(document["kind"]),
        camera=texts["camera"],
        blanks=tuple(document["blanks"]),
        **{name: None if number is None else float(number) for name, number in numbers.items()},
    )


def compare_set_ups(calibration: SetUp, capture: SetUp) -> Fit:
    """Compare what a calibration and a capture were made with.

    A scan is not read through a camera's calibration, nor one camera's captures through another's.
    Another aperture, ISO or blank frame is said: whether it matters, the person knows.

    Examples
    --------
    >>> at_f8 = SetUp(kind=CaptureKind.RAW, camera="A", iso=100, f_number=8)
    >>> at_f4 = SetUp(kind=CaptureKind.RAW, camera="A", iso=100, f_number=4)
    >>> compare_set_ups(at_f8, at_f4).applies
    True
    >>> compare_set_ups(at_f8, at_f4).doubts
    ('calibrated at f/8, captured at f/4: glare and Callier factor may differ',)
    """
    if calibration.kind is not capture.kind:
        made, given = _KINDS[calibration.kind], _KINDS[capture.kind]
        return Fit(False, (f"calibration not applied: it was made on {made}, this is {given}",))
    if calibration.camera != capture.camera:
        made, given = (one.camera or "an unnamed camera" for one in (calibration, capture))
        return Fit(False, (f"calibration not applied: made with {made}, captured with {given}",))
    doubts = []
    if _differ(calibration.f_number, capture.f_number):
        made, given = (_named("f/", one.f_number) for one in (calibration, capture))
        doubts.append(
            f"calibrated at {made}, captured at {given}: glare and Callier factor may differ"
        )
    if _differ(calibration.iso, capture.iso):
        made, given = (_named("ISO ", one.iso) for one in (calibration, capture))
        doubts.append(f"calibrated at {made}, captured at {given}")
    if calibration.blanks != capture.blanks:
        doubts.append(
            "the blank frames are not those of the calibration: if light, lens or mask have "
            "changed too, calibrate again"
        )
    return Fit(True, tuple(doubts))


def _differ(one: float | None, other: float | None) -> bool:
    if not one or not other:
        return bool(one) != bool(other)
    return abs(one / other - 1) > _SAME


def _named(unit: str, value: float | None) -> str:
    return f"{unit}{value:g}" if value else f"an unknown {unit.strip('/ ')}"
