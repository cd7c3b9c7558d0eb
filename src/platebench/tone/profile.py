"""Density to positive: print the negative on a paper and look at the print.

Where the plate is thin, much light reaches the paper and blackens it: base plus fog prints near
black, the densest tone near white. The paper's exposure is ``log E = k - D``; its curve
(``paper_tone.py``) gives the density of the print, and the print's reflectance R the code value
``R ** (1 / 2.2)`` in gray gamma 2.2.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platebench.tone.paper import Floats, PaperCurve, paper_of_range, range_points

DISPLAY_GAMMA = 2.2
Lab = tuple[float, float, float]
STOP = float(np.log10(2.0))  # one stop in log exposure
DENSEST_T = 1e-9  # light below this counts as none


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneProfile:
    """How a plate is printed. Read from a TOML file by ``load_tone``.

    Attributes
    ----------
    name : str
        The file's name without ``.toml``.
    description : str
        One line for people.
    paper : PaperCurve
        Shape of the paper's curve. Its scale of exposure is set by ``grade``.
    grade : float or None
        ISO range R of the paper, the same for every plate. None: each plate gets the grade
        that fits it.
    hardest : float
        The shortest density range (D) a grade is made for. A plate with less prints flat.
    exposed_for : {"shadows", "middle", "highlights"}
        What sets the printing exposure where ``grade`` is fixed: base plus fog just reaches the
        paper's black, the densest tone just keeps a tint, or the two are centred.
    shown : {"full", "paper"}
        "full": the paper's white and black are shown as white and black. "paper": the print's
        reflectance as it is, on a scale where 1 reflects all light.
    shadow_aim, highlight_aim : float
        Codes (0 to 255) of base plus fog and of the densest tone, for ``grade`` None and
        ``shown`` "full".
    """

    name: str
    description: str = ""
    paper: PaperCurve
    grade: float | None = None
    hardest: float = 0.2
    exposed_for: Literal["shadows", "middle", "highlights"] = "middle"
    shown: Literal["full", "paper"] = "full"
    shadow_aim: float = 10.0
    highlight_aim: float = 245.0
    hue: tuple[Lab, Lab] | None = None


def display_table(
    transmittances: Floats,
    profile: ToneProfile,
    *,
    base_fog: float,
    d_max: float,
    print_stops: float = 0.0,
    contrast: float = 1.0,
) -> NDArray[np.uint16]:
    """Return the positive's 16-bit value for each of a list of transmittances.

    Parameters
    ----------
    transmittances : ndarray of float64, shape (n,)
        Linear transmittance. Zero, below and not-a-number count as no light at all.
    profile : ToneProfile
        How the plate is printed.
    base_fog, d_max : float
        Density of the unexposed plate and of its densest useful tone, D; ``d_max`` not below.
    print_stops : float
        Extra printing exposure in stops; positive prints darker.
    contrast : float
        Slope of the paper over its own: 1.2 is a fifth steeper about the middle of the range.

    Returns
    -------
    ndarray of uint16, shape (n,)
        Gray gamma 2.2 code value, 0 to 65535; never rises where transmittance rises.

    Raises
    ------
    ValueError
        If ``base_fog`` and ``d_max`` are not finite or the wrong way round.
    """
    paper, exposure = printing_paper(
        profile, base_fog=base_fog, d_max=d_max, print_stops=print_stops, contrast=contrast
    )
    turn = _printer(profile, paper, exposure)
    light = np.nan_to_num(transmittances, nan=0.0, posinf=None, neginf=0.0)
    codes = turn(-np.log10(np.maximum(light, DENSEST_T)))
    return np.rint(codes * 65535.0).astype(np.uint16)


def kept_tones(light: Floats) -> NDArray[np.uint16]:
    """Return the 16-bit value of each light of a picture that is a positive already, as it is.

    Parameters
    ----------
    light : ndarray of float64, shape (n,)
        Linear light, 1 = white.

    Returns
    -------
    ndarray of uint16, shape (n,)
        Gray gamma 2.2 code value: a scan coded so keeps its codes.

    Examples
    --------
    >>> (kept_tones(np.array([0.0, (121 / 255) ** 2.2, 1.0])) / 257).round(1).tolist()
    [0.0, 121.0, 255.0]
    """
    codes = np.clip(light, 0.0, 1.0) ** (1 / DISPLAY_GAMMA)
    return np.rint(codes * 65535.0).astype(np.uint16)


def fitted_print(
    profile: ToneProfile, *, base_fog: float, d_max: float
) -> tuple[PaperCurve, float]:
    """Return the paper in the grade used for a plate, and its printing exposure ``k``.

    Returns
    -------
    paper : PaperCurve
    printing_exposure : float
        Log exposure without a negative: the paper receives ``log E = k - D``.
    """
    if not (np.isfinite(base_fog) and np.isfinite(d_max) and d_max >= base_fog):
        raise ValueError(f"need base_fog <= d_max, got {base_fog} and {d_max}")
    if profile.grade is None:
        tint, black = _aim_points(profile, profile.paper)
        paper = profile.paper.scaled(max(d_max - base_fog, profile.hardest) / (black - tint))
        return paper, base_fog + _aim_points(profile, paper)[1]
    paper = paper_of_range(profile.paper, profile.grade / 100)
    tint, black = range_points(paper)
    for_shadows, for_highlights = base_fog + black, d_max + tint
    exposures = {
        "shadows": for_shadows,
        "middle": (for_shadows + for_highlights) / 2,
        "highlights": for_highlights,
    }
    return paper, exposures[profile.exposed_for]


def printing_paper(
    profile: ToneProfile,
    *,
    base_fog: float,
    d_max: float,
    print_stops: float = 0.0,
    contrast: float = 1.0,
) -> tuple[PaperCurve, float]:
    """Return the paper a plate is printed on, and its printing exposure, all wishes heeded.

    Returns
    -------
    paper : PaperCurve
    printing_exposure : float
        Log exposure without a negative: the paper receives ``log E = k - D``.
    """
    paper, exposure = fitted_print(profile, base_fog=base_fog, d_max=d_max)
    middle = (base_fog + d_max) / 2  # keeps its tone; paper of another grade is stretched about it
    paper, exposure = paper.scaled(1 / contrast), middle + (exposure - middle) / contrast
    return paper, exposure + STOP * print_stops


def _printer(
    profile: ToneProfile, paper: PaperCurve, exposure: float
) -> Callable[[Floats], Floats]:
    """Return the function from negative density to code value."""

    def turn(density: Floats) -> Floats:
        reflectance = 10.0 ** -paper.density(exposure - density)
        if profile.shown == "full":
            white, black = 10.0**-paper.white, 10.0**-paper.black
            reflectance = np.clip((reflectance - black) / (white - black), 0.0, 1.0)
        return np.asarray(reflectance ** (1 / DISPLAY_GAMMA))

    return turn


def _aim_points(profile: ToneProfile, paper: PaperCurve) -> tuple[float, float]:
    """Return the log exposures of the densest tone and of base plus fog, for a fitted grade."""
    if profile.shown == "paper":
        return range_points(paper)
    white, black = 10.0**-paper.white, 10.0**-paper.black
    points = []
    for aim in (profile.highlight_aim, profile.shadow_aim):
        reflectance = black + (white - black) * (aim / 255) ** DISPLAY_GAMMA
        points.append(paper.log_exposure(float(-np.log10(reflectance))))
    return points[0], points[1]
