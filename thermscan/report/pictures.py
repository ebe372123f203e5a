"""What the board pictures share: a fitted frame, a colour bar, outlined parts and their labels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import Colormap
from numpy.typing import NDArray

from thermscan.inspection import Inspection
from thermscan.judge.finding import PartVerdict
from thermscan.report.canvas import INK, POINTS_AN_INCH, Sheet
from thermscan.report.gathering import flagged_verdicts, main_finding_by_ref, verdicts_in_layout_order
from thermscan.report.labels import LabelField, Placed
from thermscan.report.lettering import fitted_text, text_width_pt
from thermscan.report.verdicts import VERDICT_MARKS, Mark

# matplotlib's own; even in lightness, so that it reads in grey and for colour-blind readers.
THERMAL_MAP = "cividis"
# Under the picture, so that it shows where a pixel has no reading.
NO_READING_COLOUR = "#D8D8D8"

# Room beside a picture for its scales, in points.
_LEFT_PT, _BOTTOM_PT, _TOP_PT, _BAR_PT = 30.0, 26.0, 4.0, 52.0

# What the line that explains the shapes takes up.
KEY_PT = 14.0

# Labels shrink as they become many; with more than these the label says less.
_FULL_LABELS, _SHORT_LABELS = 12, 40
_LABEL_REF_PT = 60.0
_INSIDE_SIZES_PT = (7.0, 6.0, 5.0, 4.2)
_NEXT_TO_SIZES_PT = (5.0, 4.2)
# Height of capitals and descenders of a line, as a share of its size.
_LINE_HEIGHT = 1.2


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A part's outline as one picture shows it."""

    verdict: PartVerdict
    corners: NDArray[np.float64]  # (4, 2), in the axes' own units

    @property
    def ref(self) -> str:
        """The part's name."""
        return self.verdict.measurement.part.ref

    @property
    def mark(self) -> Mark:
        """How its verdict looks."""
        return VERDICT_MARKS[self.verdict.verdict]


def picture_axes(sheet: Sheet, width: float, height: float, *, bar: bool = True) -> tuple[Axes, Axes | None]:
    """Axes of the largest size that keeps the picture's proportions, and axes for its colour bar."""
    room_x = sheet.width_pt - _LEFT_PT - (_BAR_PT if bar else 4.0)
    room_y = sheet.height_pt - _BOTTOM_PT - _TOP_PT
    scale = min(room_x / width, room_y / height)
    shown_x, shown_y = width * scale, height * scale
    bottom = sheet.height_pt - _TOP_PT - shown_y
    left = _LEFT_PT + (room_x - shown_x) / 2
    axes = sheet.axes(left, bottom, shown_x, shown_y)
    bar_height = min(shown_y, 260.0)
    beside = sheet.axes(left + shown_x + 8.0, bottom + shown_y - bar_height, 9.0, bar_height) if bar else None
    return axes, beside


def picture_height_pt(width_pt: float, width: float, height: float, *, bar: bool = True) -> float:
    """Height of a sheet on which a picture of these proportions fills the width."""
    room_x = width_pt - _LEFT_PT - (_BAR_PT if bar else 4.0)
    return room_x * height / width + _BOTTOM_PT + _TOP_PT


def thermal_map(name: str = THERMAL_MAP) -> Colormap:
    """A colour map that leaves pixels without a reading clear, so that the ground below shows."""
    return mpl.colormaps[name].with_extremes(bad=(0.0, 0.0, 0.0, 0.0))


def colour_range(values: NDArray[np.float64]) -> tuple[float, float]:
    """
    Ends of the colour scale: all but the most extreme pixels, which the bar's arrows stand for.

    Examples
    --------
    >>> colour_range(np.array([20.0, 30.0, np.nan]))
    (20.0, 30.0)
    >>> colour_range(np.array([np.nan]))
    (0.0, 1.0)
    """
    finite = values[np.isfinite(values)]
    if not finite.size:
        return 0.0, 1.0
    low, high = (float(end) for end in np.percentile(finite, [0.1, 99.95], method="nearest"))
    return (low, high) if high - low > 0.1 else (low - 0.5, high + 0.5)


def draw_bar(beside: Axes, picture: ScalarMappable, values: NDArray[np.float64], label: str) -> None:
    """The colour bar, with an arrow at each end that some pixels lie beyond."""
    low, high = picture.get_clim()
    beyond_low, beyond_high = bool(np.nanmin(values) < low), bool(np.nanmax(values) > high)
    extend = {(False, False): "neither", (True, False): "min", (False, True): "max", (True, True): "both"}
    bar = beside.figure.colorbar(picture, cax=beside, extend=extend[beyond_low, beyond_high])
    bar.set_label(label)


def draw_bodies(axes: Axes, bodies: Sequence[Body], *, markers: bool = True) -> None:
    """Outline every part; flagged ones in their colour with their shape, those not measured dashed."""
    quiet = [body.corners for body in bodies if body.verdict.verdict == "normal"]
    unmeasured = [body.corners for body in bodies if body.verdict.verdict == "not-measurable"]
    for corners, style in ((quiet, "solid"), (unmeasured, (0, (2.0, 1.5)))):
        axes.add_collection(_outlines(corners, "black", 1.4, "solid", alpha=0.45), autolim=False)
        axes.add_collection(_outlines(corners, "white", 0.6, style), autolim=False)
    for body in bodies:
        if body.verdict.verdict not in ("hot", "cold", "watch"):
            continue
        axes.add_collection(_outlines([body.corners], "white", 2.6, "solid"), autolim=False)
        axes.add_collection(_outlines([body.corners], body.mark.colour, 1.4, "solid"), autolim=False)
        if markers:
            draw_marker(axes, body)


def draw_marker(axes: Axes, body: Body) -> None:
    """The verdict's shape in the middle of the part."""
    x, y = body.corners.mean(axis=0)
    axes.plot(
        [x],
        [y],
        linestyle="none",
        marker=body.mark.marker,
        markersize=4.5,
        markerfacecolor=body.mark.colour,
        markeredgecolor="white",
        markeredgewidth=0.6,
        zorder=4,
        scalex=False,
        scaley=False,
    )


def label_bodies(axes: Axes, bodies: Sequence[Body], inspection: Inspection, *, others: bool) -> tuple[str, ...]:
    """
    Label the flagged parts with leader lines and, where asked, the others as far as there is room.

    Returns
    -------
    tuple of str
        Flagged parts for whose label there was no room at all.
    """
    flagged = [each.measurement.part.ref for each in flagged_verdicts(inspection)]
    index_of = {body.ref: index for index, body in enumerate(bodies)}
    in_points = [_points(axes, body.corners) for body in bodies]
    shown = [index_of[ref] for ref in flagged if ref in index_of]
    field = LabelField(_bounds(axes), in_points, shown)
    size = 7.0 if len(shown) <= _FULL_LABELS else 6.0 if len(shown) <= _SHORT_LABELS else 5.0
    left_out = []
    for index in shown:
        text = _flag_text(bodies[index], inspection, len(shown), size)
        width = text_width_pt(text, size) + 3.0
        placed = field.beside(index, in_points[index], width, size * _LINE_HEIGHT + 2.0)
        if placed is None:
            left_out.append(bodies[index].ref)
        else:
            _draw_flag(axes, placed, text, size, bodies[index].mark)
    if others:
        _label_quiet(axes, field, bodies, in_points, set(shown))
    return tuple(left_out)


def draw_key(sheet: Sheet, inspection: Inspection) -> Sheet:
    """One line that explains the shapes in use; what remains above it is handed back."""
    used = {each.verdict for each in verdicts_in_layout_order(inspection)}
    x = 0.0
    for verdict, mark in VERDICT_MARKS.items():
        if verdict not in used:
            continue
        outline = {"normal": "plain outline", "not-measurable": "dashed outline"}.get(verdict, mark.shape)
        text = f"{mark.word}: {outline}"
        sheet.mark(x + 4.0, 5.0, mark, size_pt=5.5)
        sheet.text(x + 11.0, 2.5, text, fontsize=7.0)
        x += 22.0 + text_width_pt(text, 7.0)
    return sheet.part(0.0, KEY_PT, sheet.width_pt, sheet.height_pt - KEY_PT)


def _label_quiet(
    axes: Axes,
    field: LabelField,
    bodies: Sequence[Body],
    in_points: Sequence[NDArray[np.float64]],
    shown: set[int],
) -> None:
    # The largest first: a small part's label goes beside it, on ground that no larger one needs.
    order = sorted(set(range(len(bodies))) - shown, key=lambda index: -_area(in_points[index]))
    homeless = []
    for index in order:
        text = fitted_text(bodies[index].ref, _LABEL_REF_PT, _INSIDE_SIZES_PT[0])
        placed = field.inside(index, in_points[index], _extents(text, _INSIDE_SIZES_PT))
        if placed is None:
            homeless.append((index, text))
        else:
            _draw_name(axes, placed, text, _INSIDE_SIZES_PT[placed.size])
    for index, text in homeless:
        placed = field.next_to(index, in_points[index], _extents(text, _NEXT_TO_SIZES_PT))
        if placed is not None:
            _draw_name(axes, placed, text, _NEXT_TO_SIZES_PT[placed.size])


def _flag_text(body: Body, inspection: Inspection, count: int, size_pt: float) -> str:
    ref = fitted_text(body.ref, _LABEL_REF_PT, size_pt)
    finding = main_finding_by_ref(inspection).get(body.ref)
    word = body.mark.word if body.verdict.verdict != "not-measurable" or finding is None else finding.direction
    if count > _SHORT_LABELS:
        return ref
    if count > _FULL_LABELS or finding is None or finding.excess_k is None:
        return f"{ref} {word}"
    return f"{ref} {word} {finding.excess_k:+.1f} K".replace("-", "\N{MINUS SIGN}")


def _draw_flag(axes: Axes, placed: Placed, text: str, size_pt: float, mark: Mark) -> None:
    x, y = _units(axes, (placed.x_pt, placed.y_pt))
    if placed.anchor_pt and placed.leader_end_pt:
        (x0, y0), (x1, y1) = _units(axes, placed.anchor_pt), _units(axes, placed.leader_end_pt)
        for colour, width in (("white", 2.0), (INK, 0.7)):
            axes.plot([x0, x1], [y0, y1], color=colour, linewidth=width, zorder=3, scalex=False, scaley=False)
    frame = {"boxstyle": "square,pad=0.2", "facecolor": "white", "edgecolor": mark.colour, "linewidth": 0.8}
    axes.text(x, y, text, fontsize=size_pt, ha="center", va="center", zorder=5, bbox=frame)


def _draw_name(axes: Axes, placed: Placed, text: str, size_pt: float) -> None:
    x, y = _units(axes, (placed.x_pt, placed.y_pt))
    frame = {"boxstyle": "square,pad=0.08", "facecolor": "white", "edgecolor": "none", "alpha": 0.72}
    axes.text(
        x, y, text, fontsize=size_pt, ha="center", va="center", rotation=placed.rotation_deg, zorder=2.5, bbox=frame
    )


def _extents(text: str, sizes_pt: Sequence[float]) -> list[tuple[float, float]]:
    return [(text_width_pt(text, size) + 1.0, size * _LINE_HEIGHT) for size in sizes_pt]


def _outlines(
    corners: Sequence[NDArray[np.float64]], colour: str, width: float, style: object, alpha: float = 1.0
) -> PolyCollection:
    return PolyCollection(
        list(corners), facecolors="none", edgecolors=colour, linewidths=width, linestyles=[style], alpha=alpha
    )


def _points(axes: Axes, corners: NDArray[np.float64]) -> NDArray[np.float64]:
    shown: NDArray[np.float64] = axes.transData.transform(corners) * (POINTS_AN_INCH / axes.figure.dpi)
    return shown


def _units(axes: Axes, point_pt: tuple[float, float]) -> tuple[float, float]:
    x, y = axes.transData.inverted().transform(np.asarray(point_pt) * (axes.figure.dpi / POINTS_AN_INCH))
    return float(x), float(y)


def _bounds(axes: Axes) -> NDArray[np.float64]:
    frame = axes.get_window_extent()
    bounds = np.array([frame.x0, frame.y0, frame.x1, frame.y1]) * (POINTS_AN_INCH / axes.figure.dpi)
    return bounds + [1.0, 1.0, -1.0, -1.0]


def _area(corners: NDArray[np.float64]) -> float:
    x, y = corners.T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)
