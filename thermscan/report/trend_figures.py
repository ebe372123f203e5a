"""Pictures of a board's history: a part's rise over the visits, and the boards of one type side by side."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np
from matplotlib import dates
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.image import imread

from thermscan.frozen import dataclass
from thermscan.report.canvas import FAINT_INK, INK, POINTS_AN_INCH, RULE, report_style
from thermscan.report.lettering import printable, wrapped_text
from thermscan.report.mark_shapes import marker_of
from thermscan.report.verdicts import VERDICT_MARKS, Mark

_DPI = 160
_SIZE_IN = (6.4, 3.6)
# Line styles tell series apart without colour; the verdict's mark tells what was said on each visit.
_STYLES = ("solid", (0, (4, 1.5)), (0, (1, 1)), (0, (4, 1, 1, 1)))
_GREYS = ("#1A1A1A", "#5A5A5A", "#8A8A8A")
# A record may come from another version, with a verdict that this one does not know.
_MARKS: dict[str, Mark] = {str(verdict): mark for verdict, mark in VERDICT_MARKS.items()}
# More than these in one picture are no longer told apart.
MOST_SERIES = 12
MOST_BOARDS = 12
# A picture of a board is at most this large; a larger one is not of our making.
_LARGEST_PICTURE_BYTES = 20_000_000


@dataclass(frozen=True, slots=True)
class Visit:
    """One point of a line: seconds since 1970, rise, its standard uncertainty and the verdict of the day."""

    moment: float
    rise_k: float
    u_k: float
    verdict: str


@dataclass(frozen=True, slots=True)
class BoardPicture:
    """One board's picture with what stands below it."""

    caption: str
    png: bytes | None


def trend_figure(title: str, lines: Sequence[tuple[str, Sequence[Visit]]], note: str = "") -> Figure:
    """
    A part's rise over the visits, one line a series, with 95 % intervals.

    Parameters
    ----------
    title : str
    lines : sequence of (name, visits)
        In time order; the first ``MOST_SERIES`` are drawn.
    note : str
        One sentence below the title.
    """
    with report_style():
        figure = Figure(figsize=_SIZE_IN, layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.subplots()
        for number, (name, visits) in enumerate(lines[:MOST_SERIES]):
            _draw_line(axes, number, name, visits)
        axes.set_ylabel("rise above ambient, K, at the same load (bars: 95 %)")
        axes.grid(visible=True, color=RULE, linewidth=0.4)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        axes.margins(x=0.08, y=0.15)
        locator = dates.AutoDateLocator(minticks=3, maxticks=7)
        axes.xaxis.set_major_locator(locator)
        axes.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator))
        lines_of_note = wrapped_text(note, _SIZE_IN[0] * POINTS_AN_INCH * 0.85, 7.5)
        axes.set_title("\n".join(lines_of_note[:3]), loc="left", fontsize=7.5, color=FAINT_INK)
        figure.suptitle(printable(title, most=90), x=0.01, ha="left", fontsize=10, color=INK)
        handles, labels = axes.get_legend_handles_labels()
        if len(labels) > 1:
            figure.legend(handles, labels, loc="outside lower left", ncols=3, frameon=False, fontsize=7)
    return figure


def _draw_line(axes: Axes, number: int, name: str, visits: Sequence[Visit]) -> None:
    when = [dates.date2num(datetime.fromtimestamp(visit.moment, UTC)) for visit in visits]
    rises = [visit.rise_k for visit in visits]
    grey, style = _GREYS[number % len(_GREYS)], _STYLES[number % len(_STYLES)]
    axes.plot(when, rises, color=grey, linewidth=1.0, linestyle=style, label=printable(name, most=40), zorder=2)
    axes.errorbar(when, rises, yerr=[2.0 * visit.u_k for visit in visits], fmt="none", ecolor=grey, capsize=2.0)
    for x, visit in zip(when, visits, strict=True):
        mark = _MARKS.get(visit.verdict, VERDICT_MARKS["not-measurable"])
        axes.plot([x], [visit.rise_k], marker="s", markersize=11, color="white", zorder=3)
        axes.plot(
            [x], [visit.rise_k], marker=marker_of(mark), markersize=12, color=mark.colour, markeredgewidth=0, zorder=4
        )


def boards_figure(title: str, boards: Sequence[BoardPicture]) -> Figure:
    """The boards of one type side by side, each with its caption; the first ``MOST_BOARDS`` are drawn."""
    shown = list(boards[:MOST_BOARDS])
    columns = min(3, max(1, len(shown)))
    rows = -(-len(shown) // columns)
    with report_style():
        figure = Figure(figsize=(3.4 * columns, 2.9 * rows + 0.4), layout="constrained")
        FigureCanvasAgg(figure)
        grid = figure.subplots(rows, columns, squeeze=False)
        for axes in grid.flat:
            axes.set_axis_off()
        for axes, board in zip(grid.flat, shown, strict=False):
            _draw_board(axes, board)
        figure.suptitle(printable(title, most=90), x=0.01, ha="left", fontsize=10, color=INK)
    return figure


def _draw_board(axes: Axes, board: BoardPicture) -> None:
    picture = _pixels(board.png)
    if picture is None:
        axes.text(0.5, 0.5, "this record holds no picture", ha="center", va="center", color=FAINT_INK, fontsize=8)
        axes.set_xlim(0, 1)
        axes.set_ylim(0, 1)
    else:
        axes.imshow(picture, interpolation="antialiased")
    axes.set_title(printable(board.caption, most=70), fontsize=7.5, loc="left")


def _pixels(png: bytes | None) -> np.ndarray | None:
    if png is None or len(png) > _LARGEST_PICTURE_BYTES:
        return None
    try:
        picture: np.ndarray = imread(io.BytesIO(png), format="png")
    except (OSError, ValueError, SyntaxError):
        return None
    return picture


def png_of(figure: Figure) -> bytes:
    """A figure as PNG whose bytes hang on it alone."""
    stream = io.BytesIO()
    with report_style():
        figure.savefig(stream, format="png", dpi=_DPI, metadata={"Software": "thermscan"})
    return stream.getvalue()
