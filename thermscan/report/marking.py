"""Marks on a picture of the board: every part outlined, what was found labelled, the rest named where it fits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.inspection import Inspection
from thermscan.judge.finding import PartVerdict
from thermscan.report.canvas import FAINT_INK, INK, POINTS_AN_INCH
from thermscan.report.gathering import FLAGGED_VERDICTS
from thermscan.report.labelling import Label, place_labels, place_names, ring_mm
from thermscan.report.mark_shapes import marker_of
from thermscan.report.shown import Shown
from thermscan.report.verdicts import VERDICT_MARKS, Mark

Points = NDArray[np.float64]
# From board millimetres to the axes' own units; shape (n, 2) both.
ToAxes = Callable[[Points], Points]

_DASHES = (0, (2.0, 1.5))


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A part's outline as one picture shows it."""

    verdict: PartVerdict
    corners: Points  # (4, 2), in the axes' own units

    @property
    def ref(self) -> str:
        """The part's name."""
        return self.verdict.measurement.part.ref

    @property
    def mark(self) -> Mark:
        """How its verdict looks."""
        return VERDICT_MARKS[self.verdict.verdict]


def draw_bodies(axes: Axes, bodies: Sequence[Body], *, markers: bool = True, on_white: bool = False) -> None:
    """Outline every part; flagged ones in their colour with their shape, those not measured dashed."""
    quiet = [body.corners for body in bodies if body.verdict.verdict == "normal"]
    unmeasured = [body.corners for body in bodies if body.verdict.verdict == "not-measurable"]
    for corners, style in ((quiet, "solid"), (unmeasured, _DASHES)):
        if not on_white:
            axes.add_collection(_outlines(corners, "black", 1.4, alpha=0.45), autolim=False)
        axes.add_collection(_outlines(corners, FAINT_INK if on_white else "white", 0.6, style), autolim=False)
    for body in bodies:
        if body.verdict.verdict not in FLAGGED_VERDICTS:
            continue
        axes.add_collection(_outlines([body.corners], "white", 2.6), autolim=False)
        axes.add_collection(_outlines([body.corners], body.mark.colour, 1.4), autolim=False)
        if markers:
            _draw_marker(axes, body)


def draw_unmapped(axes: Axes, inspection: Inspection, to_axes: ToAxes) -> None:
    """A dashed ring around heat where the layout has no part, as large as that heat."""
    for heat in inspection.judgement.unmapped:
        ring = to_axes(ring_mm(heat))
        axes.plot(*ring.T, color="white", linewidth=2.2, scalex=False, scaley=False)
        axes.plot(*ring.T, color=INK, linewidth=1.0, linestyle=(0, (3.0, 1.5)), scalex=False, scaley=False)


def label_picture(
    axes: Axes,
    bodies: Sequence[Body],
    inspection: Inspection,
    to_axes: ToAxes,
    *,
    others: bool,
    shown: Shown | None = None,
) -> tuple[str, ...]:
    """
    Label what was found with leader lines and, where asked, name the other parts as far as there is room.

    Returns
    -------
    tuple of str
        What was found but had no room for its label at all.
    """
    found = place_labels(
        inspection,
        {body.ref: _points(axes, body.corners) for body in bodies},
        [_points(axes, to_axes(ring_mm(heat)[:-1])) for heat in inspection.judgement.unmapped],
        _bounds(axes),
        others=others,
        shown=shown or Shown(),
        ink=INK,
    )
    for label in found.labels:
        if label.colour:
            _draw_flag(axes, label)
        else:
            _draw_name(axes, label)
    return found.left_out


def name_picture(axes: Axes, bodies: Sequence[Body]) -> None:
    """Name every part, as far as there is room."""
    for label in place_names({body.ref: _points(axes, body.corners) for body in bodies}, _bounds(axes)):
        _draw_name(axes, label)


def note_left_out(axes: Axes, names: tuple[str, ...], shown: Shown) -> None:
    """Say under the picture how many findings found no room for a label."""
    if names:
        axes.set_xlabel(f"{axes.get_xlabel()}   {shown.say('plate.left_out', n=len(names))}")


def _draw_marker(axes: Axes, body: Body) -> None:
    x, y = body.corners.mean(axis=0)
    axes.plot(
        [x],
        [y],
        linestyle="none",
        marker=marker_of(body.mark),
        markersize=6.5,
        markerfacecolor=body.mark.colour,
        markeredgecolor="white",
        markeredgewidth=0.3,
        zorder=4,
        scalex=False,
        scaley=False,
    )


def _draw_flag(axes: Axes, label: Label) -> None:
    placed = label.placed
    x, y = _units(axes, (placed.x_pt, placed.y_pt))
    if placed.anchor_pt and placed.leader_end_pt:
        (x0, y0), (x1, y1) = _units(axes, placed.anchor_pt), _units(axes, placed.leader_end_pt)
        for colour, width in (("white", 2.0), (INK, 0.7)):
            axes.plot([x0, x1], [y0, y1], color=colour, linewidth=width, zorder=3, scalex=False, scaley=False)
    frame = {"boxstyle": "square,pad=0.2", "facecolor": "white", "edgecolor": label.colour, "linewidth": 0.8}
    axes.text(x, y, label.text, fontsize=label.size_pt, ha="center", va="center", zorder=5, bbox=frame)


def _draw_name(axes: Axes, label: Label) -> None:
    placed = label.placed
    x, y = _units(axes, (placed.x_pt, placed.y_pt))
    frame = {"boxstyle": "square,pad=0.08", "facecolor": "white", "edgecolor": "none", "alpha": 0.72}
    look: dict[str, Any] = {"ha": "center", "va": "center", "rotation": placed.rotation_deg, "zorder": 2.5}
    axes.text(x, y, label.text, fontsize=label.size_pt, bbox=frame, **look)


def _outlines(
    corners: Sequence[Points], colour: str, width: float, style: object = "solid", *, alpha: float = 1.0
) -> PolyCollection:
    return PolyCollection(
        list(corners), facecolors="none", edgecolors=colour, linewidths=width, linestyles=[style], alpha=alpha
    )


def _points(axes: Axes, corners: Points) -> Points:
    shown: Points = axes.transData.transform(corners) * (POINTS_AN_INCH / axes.figure.dpi)
    return shown


def _units(axes: Axes, point_pt: tuple[float, float]) -> tuple[float, float]:
    x, y = axes.transData.inverted().transform(np.asarray(point_pt) * (axes.figure.dpi / POINTS_AN_INCH))
    return float(x), float(y)


def _bounds(axes: Axes) -> list[float]:
    frame = axes.get_window_extent()
    x0, y0, x1, y1 = (end * POINTS_AN_INCH / axes.figure.dpi for end in (frame.x0, frame.y0, frame.x1, frame.y1))
    return [x0 + 1.0, y0 + 1.0, x1 - 1.0, y1 - 1.0]
