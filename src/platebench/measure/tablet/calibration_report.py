"""A calibration as a table for reading and a plot for looking."""

from __future__ import annotations

from typing import Any

import numpy as np

from platebench.measure.tablet.known_tablet import tablet_in_words
from platebench.plate.calibration import Calibration
from platebench.sensitometry.plot_paper import (
    INK,
    PAPER,
    PENCIL,
    QUIET,
    RULE,
    RULE_STRONG,
    face,
    new_sheet,
    png_of,
    printable,
    style_frame,
    svg_of,
)

_SIZE_IN = (6.4, 7.4)


def calibration_table(calibration: Calibration) -> str:
    """Return the calibration and its steps as text, a line a step."""
    lines = [
        f"Measured on {tablet_in_words(calibration.tablet)}, in {calibration.capture}.",
        f"glare           {100 * calibration.glare_share:.3f} +- "
        f"{100 * calibration.glare_sigma:.3f} % of the bare light, on the tablet",
        f"Callier factor  {calibration.callier:.3f} +- {calibration.callier_sigma:.3f}",
        "",
        "known: the tablet's density; read: as the camera sees it, glare off; calibrated: with the "
        "Callier factor off.",
        "step   known   +-     read   +-      calibrated  residual",
    ]
    for step in calibration.steps:
        lines.append(
            f"{step.step:4d}  {step.known:z6.3f}  {step.known_sigma:z.3f}  {step.measured:z6.3f}"
            f"  {step.measured_sigma:z.4f}  {step.calibrated:z9.3f}  {step.residual:+z9.3f}"
        )
    lines += [
        "",
        "Uncertainty of a density through this calibration: "
        + ", ".join(f"D {d:g}: {float(calibration.density_sigma(d)):.3f}" for d in (0.5, 1, 2, 3)),
    ]
    lines += [f"Note: {note}." for note in calibration.notes]
    return "\n".join(lines) + "\n"


def calibration_plot(calibration: Calibration) -> tuple[bytes, bytes]:
    """Return the plot as PNG and as SVG.

    Above, what the camera read of each step, against its density, with the fitted curve. Below,
    what is left after calibration, with the uncertainty of the tablet and of the reading.
    """
    figure = _drawn(calibration)
    return png_of(figure), svg_of(figure)


def _drawn(calibration: Calibration) -> Any:
    known = np.array([step.known for step in calibration.steps])
    read = np.array([step.measured for step in calibration.steps])
    top = max(0.5, np.ceil(2 * max(known.max(), read.max()) + 0.1) / 2)
    figure = new_sheet(*_SIZE_IN)
    curve = figure.add_axes((0.115, 0.385, 0.845, 0.50))
    rest = figure.add_axes((0.115, 0.085, 0.845, 0.22))
    _draw_curve(curve, calibration, known, read, float(top))
    _draw_rest(rest, calibration, known, float(top))
    for axes in (curve, rest):
        style_frame(axes)
        axes.set_facecolor(PAPER)
        axes.yaxis.set_label_coords(-0.085, 0.5)
    figure.text(0.115, 0.955, "Density calibration", fontproperties=face(15), color=INK)
    small = {"fontproperties": face(9.5, light=True), "color": INK}
    figure.text(0.115, 0.927, printable(f"by {tablet_in_words(calibration.tablet)}"), **small)
    figure.text(0.115, 0.903, printable(_summary(calibration)), **small)
    return figure


def _summary(calibration: Calibration) -> str:
    return (
        f"glare {calibration.glare_share:.4f} \N{PLUS-MINUS SIGN} {calibration.glare_sigma:.4f} "
        f"of the bare light, Callier factor {calibration.callier:.3f} "
        f"\N{PLUS-MINUS SIGN} {calibration.callier_sigma:.3f}"
    )


def _draw_curve(axes: Any, calibration: Calibration, known: Any, read: Any, top: float) -> None:
    along = np.linspace(0, top, 300)
    _ruled(axes, (0, top), (0, top), 0.5)
    axes.plot(along, along, color=RULE_STRONG, linewidth=1.0)
    fitted = -np.log10(calibration.measured_transmittance(along))
    axes.plot(along, fitted, color=INK, linewidth=0.9)
    axes.plot(known, read, linestyle="none", marker="o", markersize=3.6, color=PENCIL, mew=0)
    small = {"fontproperties": face(8.5, light=True), "color": QUIET}
    axes.text(0.93 * top, 0.955 * top, "as the tablet is", ha="right", **small)
    axes.text(top, float(fitted[-1]) + 0.04, "as the camera sees it", ha="right", **small)
    axes.set_ylabel("density read", fontproperties=face(9.5), color=INK, labelpad=6)
    axes.set_xlabel("density of the step", fontproperties=face(9.5), color=INK, labelpad=4)


def _draw_rest(axes: Any, calibration: Calibration, known: Any, top: float) -> None:
    residual = np.array([step.residual for step in calibration.steps])
    tablet = np.array([step.known_sigma for step in calibration.steps])
    gain = calibration.gain(known)
    light = calibration.measured_transmittance(known) * np.log(10)
    noise = gain * light * np.array([step.measured_sigma for step in calibration.steps])
    reach = float(max(0.05, np.ceil(40 * np.max(np.abs(residual) + noise)) / 40))
    reach = max(reach, float(np.ceil(40 * np.max(tablet)) / 40))
    _ruled(axes, (0, top), (-reach, reach), 0.5)
    axes.fill_between(known, -tablet, tablet, color=RULE, linewidth=0)
    axes.axhline(0, color=QUIET, linewidth=0.7)
    axes.errorbar(
        known, residual, yerr=noise, linestyle="none", marker="o", markersize=3.6, mew=0,
        color=PENCIL, ecolor=PENCIL, elinewidth=0.8,
    )  # fmt: skip
    axes.text(
        0.01 * top, 0.86 * reach, "band: uncertainty of the tablet; bars: of the reading",
        fontproperties=face(8.5, light=True), color=QUIET, va="center",
    )  # fmt: skip
    axes.set_ylabel("calibrated minus known", fontproperties=face(9.5), color=INK, labelpad=6)
    axes.set_xlabel("density of the step", fontproperties=face(9.5), color=INK, labelpad=4)


def _ruled(axes: Any, x: tuple[float, float], y: tuple[float, float], step: float) -> None:
    axes.set_xlim(*x)
    axes.set_ylim(*y)
    axes.set_axisbelow(True)
    axes.xaxis.set_ticks(np.arange(x[0], x[1] + 1e-9, step))
    if y[0] == x[0]:
        axes.yaxis.set_ticks(np.arange(y[0], y[1] + 1e-9, step))
    else:
        axes.yaxis.set_ticks(np.linspace(y[0], y[1], 5))
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:z.1f}")
    digits = 1 if y[0] == x[0] else 3
    axes.yaxis.set_major_formatter(
        lambda value, _: f"{value:z.{digits}f}".replace("-", "\N{MINUS SIGN}")
    )
    axes.grid(color=RULE, linewidth=0.6)
    axes.tick_params(length=0, pad=5)
