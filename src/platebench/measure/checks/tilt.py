"""Is the camera square to the plate? Read from the plate's four corners."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platebench.measure.checks.verdict import Severity, Verdict

# Camera to plate over the frame's long side, where the focal length in pixels is unknown: a 24x36
# camera with a 60 mm lens at 1:4 is 60 (1 + 1/4) / 36 = 2.1, with a 100 mm lens 3.5.
TYPICAL_DISTANCE = 2.5
CAMERA_TILT = "camera tilt"  # topic of what is a property of the set-up, not of a plate
LEAST_PLATES = 3  # fewer cannot tell the camera from how they were cut
_SQUARE_UP = "square the camera to the light box with a spirit level or a mirror"
_TURN_NOTE_DEG = 1.0  # FADGI 2016, 4 star: no software de-skew, shoot to +-1 degree
_DEPTH_NOTE_DEG, _DEPTH_WARN_DEG = 1.0, 3.0  # 1 % out of square looks like 1.7 degrees


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """How camera and plate stand to each other.

    Attributes
    ----------
    turn_deg : float
        Turn of the plate in the frame, clockwise, -45 to 45: mean of its four sides.
    narrowing_vertical, narrowing_horizontal : float
        Lower side over upper side, right side over left side, minus 1. What is farther from the
        camera is smaller.
    depth_vertical_deg, depth_horizontal_deg : float
        Angle between sensor and plate that would explain it: positive where the lower (right)
        side of the plate is nearer to the camera. A plate cut out of square looks the same.
    """

    turn_deg: float
    narrowing_vertical: float
    narrowing_horizontal: float
    depth_vertical_deg: float
    depth_horizontal_deg: float


def tilt_from_corners(
    corners: NDArray[np.float64], shape: tuple[int, int], focal_px: float | None = None
) -> Tilt:
    """Return turn and depth tilt of the camera to the plate.

    Parameters
    ----------
    corners : ndarray of float64, shape (4, 2)
        Top left, top right, bottom right, bottom left, ``(row, column)``.
    shape : (int, int)
        Rows and columns of the frame.
    focal_px : float, optional
        Distance from lens to sensor in pixels. Default: 2.5 long sides of the frame, which is
        right within a factor of 1.5 for copying with normal to long lenses; so is the angle.

    Notes
    -----
    Pinhole camera at distance Z from the middle of a plate of height H, leaning by t: its sides
    lie at Z -+ (H/2) sin t, so their images are in the ratio r = (Z + H/2 sin t)/(Z - H/2 sin t)
    and sin t = (2 Z / H)(r - 1)/(r + 1). Z / H is ``focal_px`` over the image's height.
    """
    focal = focal_px or TYPICAL_DISTANCE * max(shape)
    tl, tr, br, bl = np.asarray(corners, np.float64)
    top, right, bottom, left = (
        float(np.linalg.norm(b - a)) for a, b in ((tl, tr), (tr, br), (bl, br), (tl, bl))
    )
    height = float(np.linalg.norm((bl + br) / 2 - (tl + tr) / 2))
    width = float(np.linalg.norm((tr + br) / 2 - (tl + bl) / 2))
    along = [math.degrees(math.atan2(d[0], d[1])) for d in (tr - tl, br - bl)]
    down = [math.degrees(math.atan2(-d[1], d[0])) for d in (bl - tl, br - tr)]
    return Tilt(
        turn_deg=float(np.mean(along + down)),
        narrowing_vertical=bottom / top - 1,
        narrowing_horizontal=right / left - 1,
        depth_vertical_deg=_lean(bottom / top, focal / height),
        depth_horizontal_deg=_lean(right / left, focal / width),
    )


def _lean(ratio: float, distance_over_height: float) -> float:
    sine = 2 * distance_over_height * (ratio - 1) / (ratio + 1)
    return math.degrees(math.asin(max(-1.0, min(1.0, sine))))


def judge_tilt(tilt: Tilt, *, camera: bool = True) -> list[Verdict]:
    """Return whether the camera should be squared up before the next plate.

    Parameters
    ----------
    camera : bool
        False for a scanner, which is always parallel to the plate: only the turn is judged.
    """
    verdicts = []
    turn = abs(tilt.turn_deg)
    if turn > _TURN_NOTE_DEG:
        text = f"the plate lies {turn:.1f} degrees askew in the frame"
        remedy = "straightening takes care of it; squarer loses fewer pixels"
        verdicts.append(Verdict(Severity.NOTE, "tilt", text, remedy))
    else:
        text = f"the plate lies straight within {max(0.1, turn):.1f} degrees"
        verdicts.append(Verdict(Severity.GOOD, "tilt", text))
    return [*verdicts, _judge_lean(tilt)] if camera else verdicts


def _judge_lean(tilt: Tilt) -> Verdict:
    """Say what one plate's sides tell of how the camera stands."""
    side, depth = _nearer(tilt.depth_vertical_deg, tilt.depth_horizontal_deg)
    if depth < _DEPTH_NOTE_DEG:
        text = f"camera and plate are parallel within {max(0.1, depth):.1f} degrees"
        return Verdict(Severity.GOOD, CAMERA_TILT, text)
    text = (
        f"the plate's {side} side seems nearer to the camera (about {depth:.1f} degrees), "
        "or the plate is not cut square"
    )
    return Verdict(_severity(depth), CAMERA_TILT, text, _SQUARE_UP)


def judge_session_tilt(tilts: Sequence[Tilt]) -> Verdict | None:
    """Say what the plates of a session tell together of how the camera stands.

    The camera leans alike for all of them; how a plate was cut is its own. So the median is the
    camera's, its error that of the plates' scatter, and what is beyond that is a plate's.

    Parameters
    ----------
    tilts : sequence of Tilt
        One a plate.

    Returns
    -------
    Verdict or None
        None for fewer than ``LEAST_PLATES``, of which each is judged alone.
    """
    if len(tilts) < LEAST_PLATES:
        return None
    leans = np.array([(t.depth_vertical_deg, t.depth_horizontal_deg) for t in tilts])
    middle = np.median(leans, axis=0)
    scatter = 1.4826 * np.median(np.abs(leans - middle), axis=0)
    # Standard error of a median of normal values: 1.25 that of their mean.
    error = 1.25 * scatter / math.sqrt(len(tilts))
    sure = np.abs(middle) > np.maximum(_DEPTH_NOTE_DEG, 2 * error)
    off = int(np.count_nonzero(np.abs(leans - middle).max(axis=1) > _DEPTH_NOTE_DEG))
    worst = float(np.abs(leans - middle).max())
    own = (
        f"; {off} of them {'is' if off == 1 else 'are'} cut out of square, as if by up to "
        f"{worst:.1f} degrees more"
        if off
        else ""
    )
    if sure.any():
        side, depth = _nearer(*np.where(sure, middle, 0.0))
        text = (
            f"{len(tilts)} plates agree: their {side} sides are nearer to the camera, by about "
            f"{depth:.1f} degrees (standard error {max(0.1, float(error.max())):.1f}){own}"
        )
        return Verdict(_severity(depth), CAMERA_TILT, text, _SQUARE_UP)
    text = (
        f"camera and light box are parallel within "
        f"{max(0.1, float((np.abs(middle) + 2 * error).max())):.1f} degrees, by {len(tilts)} plates"
    )
    return Verdict(Severity.GOOD if not off else Severity.NOTE, CAMERA_TILT, f"{text}{own}")


def _nearer(vertical_deg: float, horizontal_deg: float) -> tuple[str, float]:
    """Return which side of the plates is nearer to the camera, and by how many degrees."""
    if abs(vertical_deg) >= abs(horizontal_deg):
        return ("lower" if vertical_deg > 0 else "upper"), abs(float(vertical_deg))
    return ("right" if horizontal_deg > 0 else "left"), abs(float(horizontal_deg))


def _severity(depth_deg: float) -> Severity:
    return Severity.WARN if depth_deg > _DEPTH_WARN_DEG else Severity.NOTE
