"""A sheet to draw on: places are in points from the bottom left corner, whatever the figure's size."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.text import Text

from thermscan.frozen import dataclass
from thermscan.report.lettering import FONT_FAMILY, fitted_text, printable, wrapped_text
from thermscan.report.mark_shapes import marker_of
from thermscan.report.shown import Shown
from thermscan.report.verdicts import Mark

POINTS_AN_INCH = 72.0
INK = "#1A1A1A"
FAINT_INK = "#5A5A5A"
RULE = "#BBBBBB"

_ENGLISH = Shown()

# What a title and its caption take up at the top of a sheet.
TITLE_PT = 40.0

_STYLE: dict[Any, Any] = {
    "font.family": FONT_FAMILY,
    "font.size": 7.0,
    # A dollar sign in a ref or a note is a dollar sign, not the start of a formula.
    "text.parse_math": False,
    "text.color": INK,
    "axes.edgecolor": FAINT_INK,
    "axes.labelcolor": INK,
    "axes.labelsize": 7.0,
    "axes.linewidth": 0.6,
    "axes.unicode_minus": True,
    "xtick.labelsize": 6.5,
    "ytick.labelsize": 6.5,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "hatch.linewidth": 0.5,
    # Letters stay letters in the PDF, so that it can be searched.
    "pdf.fonttype": 42,
}


@contextmanager
def report_style() -> Iterator[None]:
    """The report's own settings, whatever the reader's matplotlibrc says; all are put back afterwards."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield


@dataclass(frozen=True, slots=True)
class Sheet:
    """
    A rectangle of a figure, measured in points.

    Attributes
    ----------
    figure : Figure
    left_pt, bottom_pt, width_pt, height_pt : float
        The rectangle; all methods measure from its bottom left corner.
    shown : Shown
        Language and units of what is drawn on it.
    """

    figure: Figure
    left_pt: float
    bottom_pt: float
    width_pt: float
    height_pt: float
    shown: Shown = _ENGLISH

    def part(self, left_pt: float, bottom_pt: float, width_pt: float, height_pt: float) -> Sheet:
        """A smaller rectangle within this one."""
        left, bottom = self.left_pt + left_pt, self.bottom_pt + bottom_pt
        return replace(self, left_pt=left, bottom_pt=bottom, width_pt=width_pt, height_pt=height_pt)

    def axes(self, left_pt: float, bottom_pt: float, width_pt: float, height_pt: float) -> Axes:
        """Axes whose frame is that rectangle; labels lie outside it."""
        x, y = self._fraction(left_pt, bottom_pt)
        width, height = self.figure.get_size_inches() * POINTS_AN_INCH
        return self.figure.add_axes((x, y, width_pt / width, height_pt / height))

    def text(self, x_pt: float, y_pt: float, text: str, **look: Any) -> Text:
        """One line of printable text; its left end on the baseline is at the point, unless ``look`` says otherwise."""
        x, y = self._fraction(x_pt, y_pt)
        return self.figure.text(x, y, printable(text), **{"va": "baseline", **look})

    def mark(self, x_pt: float, y_pt: float, mark: Mark, *, size_pt: float = 6.0) -> None:
        """A verdict's shape, centred on the point."""
        x, y = self._fraction(x_pt, y_pt)
        shape = Line2D(
            [x],
            [y],
            linestyle="none",
            marker=marker_of(mark),
            markersize=size_pt,
            markerfacecolor=mark.colour,
            markeredgecolor=INK,
            markeredgewidth=0.25,
        )
        self.figure.add_artist(shape)

    def block(self, left_pt: float, bottom_pt: float, width_pt: float, height_pt: float, *, colour: str) -> None:
        """A filled rectangle without an edge."""
        (x0, y0), (x1, y1) = (
            self._fraction(left_pt, bottom_pt),
            self._fraction(left_pt + width_pt, bottom_pt + height_pt),
        )
        self.figure.add_artist(Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=colour, edgecolor="none", zorder=0))

    def frame(self, left_pt: float, bottom_pt: float, width_pt: float, height_pt: float, *, dashed: bool) -> None:
        """A rectangle's outline."""
        (x0, y0), (x1, y1) = (
            self._fraction(left_pt, bottom_pt),
            self._fraction(left_pt + width_pt, bottom_pt + height_pt),
        )
        style = (0, (2.0, 1.5)) if dashed else "solid"
        look: dict[str, Any] = {"facecolor": "none", "edgecolor": INK, "linewidth": 0.7, "linestyle": style}
        self.figure.add_artist(Rectangle((x0, y0), x1 - x0, y1 - y0, **look))

    def rule(self, y_pt: float, *, colour: str = RULE, width_pt: float = 0.6) -> None:
        """A horizontal line over the whole width."""
        (left, y), (right, _) = self._fraction(0.0, y_pt), self._fraction(self.width_pt, y_pt)
        self.figure.add_artist(Line2D([left, right], [y, y], color=colour, linewidth=width_pt))

    def _fraction(self, x_pt: float, y_pt: float) -> tuple[float, float]:
        width, height = self.figure.get_size_inches() * POINTS_AN_INCH
        return (self.left_pt + x_pt) / width, (self.bottom_pt + y_pt) / height


def blank_sheet(width_pt: float, height_pt: float, shown: Shown = _ENGLISH) -> Sheet:
    """A new white figure of that size, with a sheet over all of it."""
    figure = Figure(figsize=(width_pt / POINTS_AN_INCH, height_pt / POINTS_AN_INCH))
    FigureCanvasAgg(figure)
    return Sheet(figure, 0.0, 0.0, width_pt, height_pt, shown)


def titled(sheet: Sheet, title: str, caption: str) -> Sheet:
    """Write a title and up to two lines of caption at the top; what remains below is handed back."""
    width = sheet.width_pt
    sheet.text(0.0, sheet.height_pt - 10.0, fitted_text(title, width, 11.0, bold=True), fontsize=11.0, weight="bold")
    first, *rest = wrapped_text(caption, width, 7.5)
    lines = [first, fitted_text(" ".join(rest), width, 7.5)] if rest else [first]
    for index, line in enumerate(lines):
        sheet.text(0.0, sheet.height_pt - 22.0 - 10.0 * index, line, fontsize=7.5, color=FAINT_INK)
    return sheet.part(0.0, 0.0, width, sheet.height_pt - TITLE_PT + 10.0 * (2 - len(lines)))
