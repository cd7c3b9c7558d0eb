"""The batch book as drawings: an individuals chart a figure, and the map of an even plate."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platebench.sensitometry.batch_book import FEW, Charted
from platebench.sensitometry.plot_paper import (
    INK,
    PAPER,
    PENCIL,
    QUIET,
    RULE_STRONG,
    face,
    new_sheet,
    printable,
    style_frame,
)

_WIDE_IN, _HIGH_IN = 8.0, 1.75
_NAMES = 24  # on the axis at most


def draw_chart(charted: Sequence[Charted]) -> Any:
    """Return a strip a figure, one below the other, batches from left to right.

    Points only under 8 batches; dashed limits, "provisional", to 19; firm ones from 20 on.
    """
    sheet = new_sheet(_WIDE_IN, _HIGH_IN * len(charted) + 0.6)
    for n, one in enumerate(charted):
        axes = sheet.add_subplot(len(charted), 1, n + 1)
        _strip(axes, one)
    low = 0.3 / (len(charted) + 0.6)
    sheet.subplots_adjust(left=0.1, right=0.86, top=0.95, bottom=low, hspace=0.75)
    return sheet


def _strip(axes: Any, one: Charted) -> None:
    x = np.arange(len(one.values))
    axes.set_facecolor(PAPER)
    axes.plot(x, one.values, color=QUIET, linewidth=0.7, zorder=2)
    inside = [n for n, name in enumerate(one.names) if name not in one.outside]
    out = [n for n, name in enumerate(one.names) if name in one.outside]
    values = np.asarray(one.values)
    axes.plot(inside, values[inside], "o", color=INK, markersize=4, zorder=3)
    axes.plot(out, values[out], "o", color=PENCIL, markersize=6, zorder=4)
    for n in out:
        axes.annotate(printable(one.names[n]), (n, values[n]), (4, 4), textcoords="offset points",
                      fontproperties=face(8), color=PENCIL)  # fmt: skip
    note = f"under {FEW} batches: no limits" if one.limits is None else one.state
    if one.limits is not None:
        style = "-" if one.state == "firm" else (0, (5, 3))
        for level in (one.limits.low, one.limits.high):
            axes.axhline(level, color=INK, linewidth=0.8, linestyle=style, zorder=1)
        axes.axhline(one.limits.centre, color=RULE_STRONG, linewidth=0.8, zorder=1)
        for level, name in ((one.limits.high, "upper"), (one.limits.low, "lower")):
            axes.annotate(f"{name} {_shown(one, level)}", (1.01, level), va="center",
                          xycoords=("axes fraction", "data"), fontproperties=face(7.5))  # fmt: skip
    title = "log10 of speed" if one.figure == "speed" else one.figure
    axes.set_title(f"{title}: {note}", loc="left", fontproperties=face(9.5), color=INK)
    axes.set_xlim(-0.6, max(len(x) - 0.4, 1.0))
    every = max(1, -(-len(x) // _NAMES))
    axes.set_xticks(x[::every], [printable(name)[:8] for name in one.names[::every]])
    axes.margins(y=0.2)
    axes.tick_params(length=0)
    style_frame(axes)


def _shown(one: Charted, level: float) -> str:
    if one.figure == "speed":
        return f"{level:.2f} ({10**level:.2g})"
    return f"{level:.3f}"


def draw_map(cells: NDArray[np.float64], title: str, cell_mm: float) -> Any:
    """Return the map of an evenly exposed plate: each cell with its density.

    Parameters
    ----------
    cells : ndarray of float64, shape (rows, columns)
        Densities D, as the positive lies.
    title : str
    cell_mm : float
        Side of a cell.
    """
    rows, columns = cells.shape
    sheet = new_sheet(max(0.42 * columns + 1.2, 4.0), 0.42 * rows + 1.3)
    axes = sheet.add_subplot(1, 1, 1)
    middle = float(np.nanmedian(cells))
    reach = max(float(np.nanmax(np.abs(cells - middle))), 0.02)
    axes.imshow(cells, cmap="gray_r", vmin=middle - reach, vmax=middle + 4 * reach)
    for row in range(rows):
        for column in range(columns):
            away = cells[row, column] - middle
            if np.isfinite(away):
                axes.text(
                    column,
                    row,
                    f"{100 * away:+z.0f}",
                    ha="center",
                    va="center",
                    fontproperties=face(7),
                    color=INK,
                )
    axes.set_title(
        f"{printable(title)}\nhundredths of D from {middle:.2f}; cells of {cell_mm:g} mm",
        loc="left", fontproperties=face(9), color=INK,
    )  # fmt: skip
    axes.set_xticks([])
    axes.set_yticks([])
    return sheet
