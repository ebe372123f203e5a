"""Amplitude and phase on the board, with the places where heat enters."""

from __future__ import annotations

import numpy as np
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from thermscan.dynamics.locate_run import Located
from thermscan.report.canvas import FAINT_INK, INK, blank_sheet, titled

_WIDTH_PT = 520.0
# Phase is shown where the amplitude stands this far above its noise: elsewhere it is chance.
_SHOWN_ABOVE_NOISE = 4.0


def heat_figure(located: Located) -> Figure:
    """The amplitude from straight above, and its phase where there is any; sources as crosses with number and part."""
    both = located.method == "lock-in"
    board = located.board
    width = (_WIDTH_PT - 60.0) / (2 if both else 1) - 50.0
    tall = width * board.height_mm / board.width_mm
    sheet = blank_sheet(_WIDTH_PT, tall + 96.0)
    inner = titled(sheet.part(14, 8, _WIDTH_PT - 28, tall + 78.0), "Where the heat enters", _caption(located))
    laid = located.grid.laid_out(located.amplitude)
    size = np.abs(laid)
    axes = inner.axes(30.0, 30.0, width, tall)
    top = float(np.nanpercentile(size, 99.8)) if np.isfinite(size).any() else 1.0
    shown = size if both else laid.real
    _draw(axes, located, shown, "inferno", (0.0, max(top, 3 * located.noise_k)))
    axes.set_title("amplitude of the fundamental, K" if both else "on minus off, K", fontsize=7.0, loc="left")
    if both:
        reference = complex(laid.flat[int(np.nanargmax(size))]) if np.isfinite(size).any() else 1.0
        phase = np.degrees(np.angle(laid / reference))
        phase[size < _SHOWN_ABOVE_NOISE * located.noise_k] = np.nan
        right = inner.axes(30.0 + width + 70.0, 30.0, width, tall)
        _draw(right, located, phase, "twilight", (-180.0, 180.0))
        right.set_title("phase against the strongest place, degrees", fontsize=7.0, loc="left")
    figure: Figure = sheet.figure
    return figure


def _caption(located: Located) -> str:
    count = len(located.sources)
    what = f"{count} source{'' if count == 1 else 's'}" if count else "no source found"
    least = f"heat of {1000 * located.least_watts:.2g} mW on bare board would just have shown"
    if located.method == "lock-in":
        return f"{what}; supply switched every {located.period_s:.4g} s, {located.cycles:.1f} cycles; {least}."
    return f"{what}; difference between power on and off; {least}."


def _draw(axes: Axes, located: Located, values: np.ndarray, colours: str, limits: tuple[float, float]) -> None:
    board = located.board
    extent = (0.0, located.grid.shape[1] * located.grid.cell_mm, located.grid.shape[0] * located.grid.cell_mm, 0.0)
    axes.set_facecolor("#DDDDDD")
    image = axes.imshow(values, cmap=colours, vmin=limits[0], vmax=limits[1], extent=extent, interpolation="nearest")
    axes.figure.colorbar(image, ax=axes, fraction=0.04, pad=0.02)
    for part in board.parts:
        axes.add_patch(Polygon(part.corners_mm(), closed=True, fill=False, edgecolor=FAINT_INK, linewidth=0.4))
    for number, each in enumerate(located.sources, start=1):
        axes.plot([each.x_mm], [each.y_mm], "+", color="white", markersize=9, markeredgewidth=2.4)
        axes.plot([each.x_mm], [each.y_mm], "+", color=INK, markersize=8, markeredgewidth=1.0)
        told = f"{number} {each.ref}" if each.ref else str(number)
        axes.annotate(
            told, (each.x_mm, each.y_mm), xytext=(4, 4), textcoords="offset points", fontsize=7, weight="bold",
            color=INK, path_effects=[patheffects.withStroke(linewidth=1.8, foreground="white")],
        )  # fmt: skip
    axes.set_xlim(0, board.width_mm)
    axes.set_ylim(board.height_mm, 0)
    axes.set_xlabel("mm")
