"""Prints of the step chart to one response: pooled, their drift taken off, smooth and monotone.

The fit and its residuals are drawn for the eye too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platebench.printing.even_out import FallingFit, Vector, fit_falling, warped
from platebench.printing.process import ChartPrint, PrintResponse, Process
from platebench.sensitometry.plot_paper import (
    INK,
    INKS,
    PAPER,
    PENCIL,
    QUIET,
    RULE,
    RULE_STRONG,
    face,
    new_sheet,
    printable,
    steps_between,
    style_frame,
)

_WIDE, _HIGH = 6.6, 6.0  # inches
_CORNER = 0.6  # ink from which figures may stand above the curve
_LEAST_LEFT = 0.03  # D shown above and below the line of what is left


def draw_response(process: Process, fit: PooledFit) -> Any:
    """Return the drawing of a calibration."""
    found = process.calibration
    assert found is not None  # only calibrated processes are drawn
    sheet = new_sheet(_WIDE, _HIGH)
    above = sheet.add_axes((0.105, 0.335, 0.86, 0.60))
    below = sheet.add_axes((0.105, 0.085, 0.86, 0.185))
    response = found.response
    top = np.ceil((max(max(p.density) for p in found.prints) + 0.08) * 5) / 5
    _rule(above, top=float(top), low=0.0, every=0.5)
    ink = np.linspace(0, 1, 1001)
    above.plot(ink, response.density_of(ink), color=INK, linewidth=1.4, zorder=4)
    above.plot([0, 0.35], [response.d_max] * 2, color=QUIET, linewidth=0.8, linestyle=(0, (5, 3)))
    furthest = _LEAST_LEFT
    for number, one in enumerate(found.prints):
        color = PENCIL if number == len(found.prints) - 1 else INKS[1 + number % (len(INKS) - 1)]
        left = np.asarray(one.density) - response.density_of(one.ink)
        furthest = max(furthest, float(np.abs(left).max()) * 1.1)
        style = {"linestyle": "none", "marker": "o", "ms": 3.0, "mfc": PAPER, "mew": 0.7}
        above.plot(one.ink, one.density, color=color, mec=color, zorder=5, **style)
        below.plot(one.ink, left, color=color, mec=color, zorder=5, **style)
        below.vlines(
            one.ink, left - np.asarray(one.error), left + np.asarray(one.error), color=color,
            linewidth=0.5,
        )  # fmt: skip
    _rule(below, top=furthest, low=-furthest, every=0.05 if furthest > 0.06 else 0.02)
    below.axhline(0, color=INK, linewidth=0.7)
    _label(above, "", "density above paper white")
    _label(below, "ink, share of full", "reading less curve")
    _write_figures(above, process, fit)
    return sheet


def _rule(axes: Any, *, top: float, low: float, every: float) -> None:
    axes.set_xlim(0, 1)
    axes.set_ylim(low, top)
    axes.set_facecolor(PAPER)
    axes.set_axisbelow(True)
    axes.set_xticks(steps_between(0, 1, 0.1))
    axes.set_yticks(steps_between(low, top, every))
    axes.set_yticks(steps_between(low, top, every / 5), minor=True)
    axes.grid(which="minor", color=RULE, linewidth=0.45)
    axes.grid(which="major", color=RULE_STRONG, linewidth=0.6)
    axes.tick_params(which="both", length=0, pad=5)
    digits = 2 if every < 0.1 else 1
    axes.yaxis.set_major_formatter(
        lambda value, _: f"{value:z.{digits}f}".replace("-", "\N{MINUS SIGN}")
    )
    style_frame(axes)


def _label(axes: Any, along: str, up: str) -> None:
    axes.set_xlabel(along, fontproperties=face(9.5), color=INK, labelpad=6)
    axes.set_ylabel(up, fontproperties=face(9.5), color=INK, labelpad=7)


def _write_figures(axes: Any, process: Process, fit: PooledFit) -> None:
    """Write name and figures in the corner that the curve leaves free."""
    from matplotlib.patheffects import withStroke

    found = process.calibration
    assert found is not None
    response = found.response
    hollow = float(response.density_of(_CORNER)) < response.d_max * 0.42
    figures = [
        ("Dmax", f"{found.response.d_max:.2f} above paper white"),
        ("full ink", f"{found.response.d_min:z.2f} above paper white"),
        ("left over", f"{found.residual:.3f} D RMS"),
        ("noise", f"{found.noise:.3f} D a patch"),
        ("evenness", f"{found.evenness:.2f} D over the sheet"),
        ("prints", f"{len(found.prints)}, the last in red"),
    ]
    if len(found.prints) > 1:
        figures.append(("drift", f"{np.ptp(fit.tone_drift):.3f} D at half black"))
    title = printable(process.title).replace("$", r"\$")
    place: dict[str, Any] = {"transform": axes.transAxes, "color": INK, "va": "top", "zorder": 8}
    place["path_effects"] = [withStroke(linewidth=2.5, foreground=PAPER)]
    left, top = (_CORNER, 0.93) if hollow else (0.03, 0.075 + 0.052 * (len(figures) + 0.4))
    axes.text(left, top + 0.02, title[:44], fontproperties=face(11.5), **place)
    for line, (name, said) in enumerate(figures):
        down = top - 0.055 - 0.052 * line
        axes.text(left, down, name, fontproperties=face(8.5), **place)
        axes.text(left + 0.12, down, said, fontproperties=face(8.5), **place)


_ROUNDS = 4
_POINTS = 101


@dataclass(frozen=True, slots=True, eq=False)
class PooledFit:
    """The response and how well the prints follow it.

    Attributes
    ----------
    response : PrintResponse
    residual : float
        RMS distance of the levels from the curve, drift between prints off, D.
    depth_drift : tuple of float
        How much deeper each print is at full black than their mean, D.
    tone_drift : tuple of float
        How much darker each is at half of it, D; exposures differ.
    """

    response: PrintResponse
    residual: float
    depth_drift: tuple[float, ...]
    tone_drift: tuple[float, ...]


def fit_response(prints: Sequence[ChartPrint]) -> PooledFit:
    """Fit one smooth monotone curve through all prints of a process.

    Prints differ in depth (humidity, chemistry) and exposure. Each has an amount of either, the
    amounts adding up to nothing: the curve is that of the mean print.
    """
    ink = np.concatenate([p.ink for p in prints])
    read = np.concatenate([p.density for p in prints])
    weights = np.concatenate([p.error for p in prints]) ** -2.0
    number = np.repeat(np.arange(len(prints)), [len(p.ink) for p in prints])
    place, share = ink, np.clip(read / max(float(read.max()), 0.1), 0, 1)
    for _ in range(_ROUNDS):
        drift = _drift(number, share, len(prints))
        fit = fit_falling(place, read, weights, drift, ridge=1e-4)
        inks, drawn = _drawn(fit, ink, place)
        before, place = place, warped(ink, inks, drawn)
        share = np.clip(np.interp(ink, inks, drawn) / max(float(drawn[0]), 0.1), 0, 1)
    left = read - fit(before) - drift @ fit.extra
    amounts = fit.extra.reshape(2, len(prints) - 1)
    whole = np.column_stack((amounts, -amounts.sum(1)))
    return PooledFit(
        response=_response(fit, ink, before),
        residual=float(np.sqrt(np.mean(left**2))),
        depth_drift=tuple(float(a) for a in whole[0]),
        tone_drift=tuple(float(a / 2 + b) for a, b in whole.T),
    )


def _drift(number: NDArray[np.int64], share: Vector, prints: int) -> NDArray[np.float64]:
    """Return the columns of depth and exposure; the last print's amounts are minus the others'."""
    which = np.eye(prints)[number]
    apart = which[:, :-1] - which[:, -1:]
    bell = 4 * share * (1 - share)
    return np.hstack((apart * share[:, None], apart * bell[:, None]))


def _drawn(fit: FallingFit, ink: Vector, place: Vector) -> tuple[Vector, Vector]:
    """Return the curve at each ink that was printed."""
    inks, first = np.unique(ink, return_index=True)
    return inks, fit(place[first])


def _response(fit: FallingFit, ink: Vector, place: Vector) -> PrintResponse:
    """Return the curve at points that lie evenly on the scale it was smoothed on."""
    inks, first = np.unique(ink, return_index=True)
    at = np.linspace(0, 1, _POINTS)
    points = np.interp(at, place[first], inks)
    density = np.minimum.accumulate(np.maximum(fit(at), 0.0))
    return PrintResponse(
        ink=tuple(round(float(p), 6) for p in points),
        density=tuple(round(float(d), 5) for d in density),
        calibrated=True,
    )
