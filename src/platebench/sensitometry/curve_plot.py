"""Characteristic curves as drawings: density against log exposure, equal units on both axes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.optimize import isotonic_regression

from platebench.sensitometry.curve_report import short_figures
from platebench.sensitometry.family import DevelopmentLaw
from platebench.sensitometry.figures import CurveFigures
from platebench.sensitometry.plate_curve import PlateCurve
from platebench.sensitometry.plot_paper import (
    DASHES,
    INK,
    INKS,
    PAPER,
    PENCIL,
    QUIET,
    UNIT_IN,
    face,
    new_sheet,
    printable,
    rule,
    style_frame,
)
from platebench.sensitometry.relations import CONTRAST_RUN, STOP

GAMMA = "\N{GREEK SMALL LETTER GAMMA}"
_MARGIN_IN = (0.75, 0.35, 0.75, 0.65)  # left, right, bottom, top
_LEAST_HEIGHT = 2.2  # D on the paper at least
_HALO = 2.5
_LONGEST_LABEL, _LONGEST_TITLE = 32, 44
_HIGHEST_TRIANGLE = 1.3  # D
_APART = 0.085  # of labels, D
_FIGURES_WIDE, _FIGURES_HIGH = 1.45, 1.15  # of the block of figures, in log units and D


def draw_curve(plate: PlateCurve) -> Any:
    """Return the drawing of one plate, with its constructions and its figures.

    Base plus fog; the straight line taken down to base plus fog and to D = 0; the gamma triangle;
    the speed point m, the point n and the average gradient between them.
    """
    figures = plate.figures
    x, y = _extent([figures])
    y = (y[0], max(y[1], _room_for_figures(figures, x[0])))
    sheet, axes = _ruled(x, y, figures.readings.absolute)
    _draw_base_fog(axes, figures, x)
    _draw_straight_line(axes, figures, y)
    _draw_gamma_triangle(axes, figures)
    _draw_average_gradient(axes, figures)
    _draw_line(axes, figures, INK, "-")
    readings = figures.readings
    axes.plot(
        readings.log_h,
        readings.density,
        linestyle="none",
        marker="o",
        markersize=3.6,
        markerfacecolor=PAPER,
        markeredgecolor=INK,
        markeredgewidth=0.8,
        zorder=5,
    )
    if readings.sigma is not None:
        axes.errorbar(
            readings.log_h,
            readings.density,
            yerr=readings.sigma,
            fmt="none",
            ecolor=INK,
            elinewidth=0.6,
            zorder=4,
        )
    _write_figures(axes, plate)
    return sheet


def draw_family(plates: Sequence[PlateCurve]) -> Any:
    """Return the drawing of several plates on one paper, each named at its end."""
    x, y = _extent([plate.figures for plate in plates])
    room = 0.35 + 0.062 * max(len(_family_label(plate)) for plate in plates)
    sheet, axes = _ruled(x, y, plates[0].figures.readings.absolute, room_right_in=room)
    ends: list[tuple[float, float, str, str]] = []
    for number, plate in enumerate(plates):
        figures = plate.figures
        ink, dash = INKS[number % len(INKS)], DASHES[number // len(INKS) % len(DASHES)]
        _draw_line(axes, figures, ink, dash)
        if figures.speed_point is not None:
            m = figures.speed_point.value
            axes.plot(m, figures.reading.drawn.rule(m), "o", ms=4, color=ink, zorder=6)
        drawn = figures.reading.drawn
        ends.append((drawn.high, float(drawn.rule(drawn.high)), _family_label(plate), ink))
    _name_ends(axes, ends, x[1])
    said = "dots: speed points, 0.10 above base plus fog"
    _text(axes, x[1] - 0.05, 0.04, said, QUIET, size=8, ha="right", va="bottom")
    return sheet


def draw_time_gamma(law: DevelopmentLaw, wanted: Sequence[float] = ()) -> Any:
    """Return the drawing of gamma against time of development, with gamma infinity.

    Parameters
    ----------
    wanted : sequence of float
        Gammas whose times are to be shown; those that no time gives are left out.
    """
    reached = [(law.time_for(gamma), gamma) for gamma in wanted]
    shown = [(time, gamma) for time, gamma in reached if time is not None]
    longest = max(float(law.times.max()) * 1.6, *(1.1 * time for time, _ in shown), 0.0)
    top = max(law.gamma_infinity.value, float(law.gammas.max()))
    sheet = new_sheet(6.4, 4.2)
    axes = sheet.add_axes((0.11, 0.14, 0.85, 0.8))
    axes.set_xlim(0, longest)
    axes.set_ylim(0, top * 1.15)
    axes.set_facecolor(PAPER)
    axes.grid(color="#e2dccf", linewidth=0.5)
    axes.tick_params(length=0, pad=5)
    style_frame(axes)
    time = np.linspace(0, longest, 400)
    limit, rate = law.gamma_infinity.value, law.rate.value
    axes.plot(time, law.gamma_at(time), color=INK, linewidth=1.3)
    for at, gamma in shown:
        axes.plot([0, at, at], [gamma, gamma, 0], color=PENCIL, linewidth=0.8)
        _text(axes, at + 0.01 * longest, 0.02 * top, f"{at:.1f} min", PENCIL, va="bottom")
    axes.axhline(limit, color=PENCIL, linewidth=0.8, linestyle=(0, (6, 3)))
    axes.plot(
        law.times, law.gammas, "o", ms=5, mfc=PAPER, mec=INK, mew=0.9, zorder=5, clip_on=False
    )
    said = f"\N{GREEK SMALL LETTER GAMMA}\N{INFINITY} {limit:.2f}    k {rate:.3f} per minute"
    _text(axes, longest * 0.98, limit + 0.015 * top, said, PENCIL, ha="right", va="bottom")
    _label_axes(axes, "development, minutes", "gamma")
    return sheet


def _extent(several: Sequence[CurveFigures]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the range of log exposure and of density that the drawing shows."""
    lows = [float(f.readings.log_h[0]) for f in several]
    if len(several) == 1:  # the straight line is drawn down to its inertia
        lows.append(max(several[0].inertia_zero.value, lows[0] - 0.8))
    low = np.floor((min(lows) - 0.15) * 5) / 5
    high = np.ceil((max(f.readings.log_h[-1] for f in several) + 0.1) * 5) / 5
    top = max(f.d_max.value for f in several)
    return (float(low), float(high)), (
        0.0,
        float(max(_LEAST_HEIGHT, np.ceil((top + 0.25) * 5) / 5)),
    )


def _room_for_figures(figures: CurveFigures, left: float) -> float:
    """Return how high the paper must be for the figures to stand clear of the curve."""
    drawn = figures.reading.drawn
    edge = np.clip(left + _FIGURES_WIDE, drawn.low, drawn.high)
    return float(np.ceil((float(drawn.rule(edge)) + _FIGURES_HIGH) * 5) / 5)


def _family_label(plate: PlateCurve) -> str:
    return f"{_short(plate.name)}  {GAMMA} {plate.figures.gamma.value:.2f}"


def _ruled(
    x: tuple[float, float], y: tuple[float, float], absolute: bool, *, room_right_in: float = 0.0
) -> tuple[Any, Any]:
    """Return a sheet and its axes, a log unit as long as a unit of density."""
    left, right, bottom, top = _MARGIN_IN
    right += room_right_in
    width, height = (x[1] - x[0]) * UNIT_IN, (y[1] - y[0]) * UNIT_IN
    whole = (left + width + right, bottom + height + top)
    sheet = new_sheet(*whole)
    axes = sheet.add_axes((left / whole[0], bottom / whole[1], width / whole[0], height / whole[1]))
    rule(axes, x=x, y=y)
    unit = "lux seconds" if absolute else "relative; the bare tablet's exposure is 0"
    _label_axes(axes, f"log H  ({unit})", "density D")
    _stops_above(axes, x)
    return sheet, axes


def _stops_above(axes: Any, x: tuple[float, float]) -> None:
    """Mark stops along the upper edge."""
    y = axes.get_ylim()[1]
    for stop in range(int((x[1] - x[0]) / STOP) + 1):
        at = x[0] + stop * STOP
        long = 0.035 if stop % 5 == 0 else 0.02
        axes.plot([at, at], [y, y + long], color=INK, linewidth=0.6, clip_on=False)
        if stop % 5 == 0:
            said = f"{stop}" if stop else "0 stops"
            axes.text(
                at, y + 0.05, said, ha="center" if stop else "left", va="bottom", color=INK,
                fontproperties=face(7.5, light=True),
            )  # fmt: skip
    axes.plot(x, [y, y], color=INK, linewidth=0.5, clip_on=False)


def _label_axes(axes: Any, below: str, beside: str) -> None:
    axes.set_xlabel(below, fontproperties=face(9.5), color=INK, labelpad=7)
    axes.set_ylabel(beside, fontproperties=face(9.5), color=INK, labelpad=7)


def _draw_line(axes: Any, figures: CurveFigures, ink: str, dash: Any) -> None:
    drawn = figures.reading.drawn
    x = np.linspace(drawn.low, drawn.high, 600)
    axes.plot(x, drawn.rule(x), color=ink, linewidth=1.5, linestyle=dash, zorder=3)


def _draw_base_fog(axes: Any, figures: CurveFigures, x: tuple[float, float]) -> None:
    fog = figures.base_fog.value
    axes.plot(x, [fog, fog], color=QUIET, linewidth=0.8, linestyle=(0, (5, 3)), zorder=2)
    most = "at most " if figures.basis.fog_source == "thinnest step" else ""
    said = f"base plus fog {most}{fog:z.2f}"
    _text(axes, x[1] - 0.03, fog + 0.015, said, QUIET, ha="right", va="bottom")


def _draw_straight_line(axes: Any, figures: CurveFigures, y: tuple[float, float]) -> None:
    line = figures.reading.line
    x = axes.get_xlim()
    start = max(line.log_h_at(0.0), x[0])
    end = min(
        line.log_h_at(y[1]), x[1], line.log_h + 1.1 * (figures.readings.log_h[-1] - line.log_h)
    )
    ends = np.array([start, end])
    axes.plot(ends, line.density_at(ends), color=PENCIL, linewidth=0.8, zorder=2)
    fog = figures.base_fog.value
    zero, inertia = figures.inertia_zero.value, figures.inertia_fog.value
    for at, height in ((inertia, fog), (zero, 0.0)):
        if x[0] <= at <= x[1]:
            axes.plot(at, height, marker="|", ms=9, mew=1.0, color=PENCIL, zorder=6, clip_on=False)
    if x[0] <= inertia <= x[1]:
        _text(axes, inertia + 0.03, fog - 0.015, "i", PENCIL, va="top")
    if x[0] <= zero <= x[1]:
        _text(axes, zero - 0.03, 0.015, "i₀", PENCIL, ha="right", va="bottom")


def _draw_gamma_triangle(axes: Any, figures: CurveFigures) -> None:
    line, gamma = figures.reading.line, figures.gamma.value
    run = _triangle_run(figures)
    left = max(line.log_h - run / 2, figures.inertia_fog.value)
    foot = float(line.density_at(np.array([left]))[0])
    right = left + run
    axes.fill([left, right, right], [foot, foot, foot + gamma * run], color=PENCIL, alpha=0.06)
    axes.plot([left, right, right], [foot, foot, foot + gamma * run], color=PENCIL, linewidth=0.8)
    _text(axes, (left + right) / 2, foot - 0.02, f"{run:.1f}", PENCIL, ha="center", va="top")
    said = f"{GAMMA} = {gamma:.2f}"
    said = said if run == 1.0 else f"{gamma * run:.2f}   {said}"
    _text(axes, right + 0.03, foot + gamma * run / 2, said, PENCIL, va="center")


def _triangle_run(figures: CurveFigures) -> float:
    """Return how long the gamma triangle's foot is: a round number that fits along the line."""
    line, gamma = figures.reading.line, figures.gamma.value
    room = 2 * min(line.log_h - figures.inertia_fog.value, figures.readings.log_h[-1] - line.log_h)
    runs = [run for run in (1.0, 0.5, 0.2) if run <= room and run * gamma <= _HIGHEST_TRIANGLE]
    return runs[0] if runs else 0.1


def _draw_average_gradient(axes: Any, figures: CurveFigures) -> None:
    if figures.speed_point is None:
        return
    m = figures.speed_point.value
    drawn = figures.reading.drawn
    low = float(drawn.rule(m))
    axes.plot([m, m], [0, low], color=INK, linewidth=0.6, linestyle=(0, (1.5, 2)), zorder=2)
    _point(axes, m, low, "m")
    high = drawn.density_at(m + CONTRAST_RUN)
    if high is None:
        return
    axes.plot(
        [m, m + CONTRAST_RUN],
        [low, high],
        color=INK,
        linewidth=0.8,
        linestyle=(0, (7, 3)),
        zorder=4,
    )
    _point(axes, m + CONTRAST_RUN, high, "n")
    said = f"Ḡ = {(high - low) / CONTRAST_RUN:.2f}"
    middle = (m + CONTRAST_RUN * 0.42, low + (high - low) * 0.42)
    _text(axes, middle[0] - 0.06, middle[1] + 0.05, said, INK, ha="right", va="bottom")


def _point(axes: Any, x: float, y: float, name: str) -> None:
    axes.plot(x, y, "o", ms=5.5, color=INK, zorder=7)
    _text(axes, x - 0.03, y + 0.03, name, INK, size=10.5, ha="right", va="bottom")


def _write_figures(axes: Any, plate: PlateCurve) -> None:
    """Write name and figures into the empty corner, top left."""
    x, y = axes.get_xlim()[0] + 0.12, axes.get_ylim()[1] - 0.12
    _text(axes, x, y, _short(plate.name, _LONGEST_TITLE), INK, size=11.5, va="top")
    for line, (name, value) in enumerate(short_figures(plate)):
        down = y - 0.20 - 0.105 * line
        _text(axes, x, down, name, INK, va="top")
        _text(axes, x + 0.80, down, value, INK, va="top")


def _name_ends(axes: Any, ends: list[tuple[float, float, str, str]], right: float) -> None:
    """Write each curve's name at its end, moved apart where they would touch."""
    ends = sorted(ends, key=lambda end: (end[1], -end[0]))
    steps = _APART * np.arange(len(ends))
    # Least moved apart: isotonic regression of what is left when the steps are taken off.
    places = isotonic_regression(np.array([end[1] for end in ends]) - steps).x + steps
    places += max(0.0, 0.03 - float(places[0]))
    for (x, y, label, ink), at in zip(ends, places, strict=True):
        axes.plot([x, right + 0.03], [y, at], color=ink, linewidth=0.5, clip_on=False)
        axes.text(
            right + 0.05, at, label, color=ink, va="center", clip_on=False,
            fontproperties=face(8.5),
        )  # fmt: skip


def _text(
    axes: Any, x: float, y: float, said: str, color: str, *, size: float = 8.5, **place: Any
) -> None:
    """Write on the paper, with a halo that keeps the grid out of the letters."""
    from matplotlib.patheffects import withStroke

    axes.text(
        x, y, said, color=color, fontproperties=face(size), zorder=8,
        path_effects=[withStroke(linewidth=_HALO, foreground=PAPER)], **place,
    )  # fmt: skip


def _short(name: str, longest: int = _LONGEST_LABEL) -> str:
    """Return a label that fits; a dollar sign would begin a formula."""
    name = printable(name)
    name = name if len(name) <= longest else name[: longest - 1] + "…"
    return name.replace("$", r"\$")
