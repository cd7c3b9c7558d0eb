"""The paper that curves are drawn on: type, inks, ruled grid, and files with the same bytes.

Drawn with matplotlib's object interface, without its global state.
"""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

INK = "#26221d"
PENCIL = "#d43d2b"
QUIET = "#8a8378"
RULE = "#ece7de"
RULE_STRONG = "#d3ccbf"
PAPER = "#fffefb"
INKS = ("#26221d", "#1f5673", "#8c3b2e", "#5d6b2f", "#7a4a86", "#a8741a")
DASHES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (7, 2, 1.5, 2)))

UNIT_IN = 1.75  # inches a log unit, on both axes
_PNG_DPI = 200
_FONTS = Path(__file__).parents[1] / "write" / "fonts"
_SALT = "platebench"  # names the parts of an SVG alike every time


@lru_cache
def face(size: float, *, light: bool = False) -> Any:
    """Return the type used on plots, at a size in points."""
    from matplotlib.font_manager import FontProperties

    name = "SourceSerifPro-Light.ttf" if light else "SourceSerifPro-Regular.ttf"
    return FontProperties(fname=str(_FONTS / name), size=size)


def printable(text: str) -> str:
    """Return text with a question mark in place of each letter that the face lacks."""
    known = _letters()
    return "".join(letter if ord(letter) in known else "?" for letter in text)


@lru_cache
def _letters() -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(_FONTS / "SourceSerifPro-Regular.ttf")).get_charmap())


def new_sheet(width_in: float, height_in: float) -> Any:
    """Return an empty figure."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def rule(axes: Any, *, x: tuple[float, float], y: tuple[float, float]) -> None:
    """Rule a grid every tenth, stronger every half, figures every half."""
    axes.set_xlim(*x)
    axes.set_ylim(*y)
    axes.set_facecolor(PAPER)
    axes.set_axisbelow(True)
    for axis, (low, high) in ((axes.xaxis, x), (axes.yaxis, y)):
        axis.set_ticks(steps_between(low, high, 0.5))
        axis.set_ticks(steps_between(low, high, 0.1), minor=True)
        axis.grid(which="minor", color=RULE, linewidth=0.45)
        axis.grid(which="major", color=RULE_STRONG, linewidth=0.6)
        axis.set_tick_params(which="both", length=0)
        axis.set_tick_params(which="major", pad=5)
        axis.set_major_formatter(_plain_number)
    style_frame(axes)


def style_frame(axes: Any) -> None:
    """Set type of the figures and the two lines of the frame."""
    for label in (*axes.get_xticklabels(), *axes.get_yticklabels()):
        label.set_fontproperties(face(8.5, light=True))
        label.set_color(INK)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set(color=INK, linewidth=0.7)


def steps_between(low: float, high: float, step: float) -> Any:
    """Return the multiples of ``step`` from ``low`` to ``high``."""
    return np.arange(np.ceil(low / step - 1e-6), np.floor(high / step + 1e-6) + 1) * step


def svg_of(figure: Any) -> bytes:
    """Return the figure as SVG, letters as outlines; the same bytes every time."""
    import matplotlib

    stream = io.BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": _SALT, "svg.fonttype": "path"}):
        figure.savefig(
            stream,
            format="svg",
            facecolor=PAPER,
            metadata={"Date": None, "Creator": "platebench"},
        )
    return stream.getvalue()


def png_of(figure: Any) -> bytes:
    """Return the figure as PNG; the same bytes every time."""
    stream = io.BytesIO()
    figure.savefig(
        stream, format="png", dpi=_PNG_DPI, facecolor=PAPER, metadata={"Software": "platebench"}
    )
    return stream.getvalue()


def _plain_number(value: float, _: object) -> str:
    return f"{value:z.1f}".replace("-", "\N{MINUS SIGN}")
