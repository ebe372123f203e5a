"""Marks on a picture of the board: every part outlined, what was found labelled, the rest named where it fits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from numpy.typing import NDArray

from thermscan.inspection import Inspection
from thermscan.judge.finding import PartVerdict, UnmappedHeat
from thermscan.report.canvas import FAINT_INK, INK, POINTS_AN_INCH
from thermscan.report.gathering import FLAGGED_VERDICTS, flagged_verdicts, main_finding_by_ref
from thermscan.report.labels import LabelField, Placed
from thermscan.report.lettering import fitted_text, signed, text_width_pt
from thermscan.report.verdicts import VERDICT_MARKS, Mark

Points = NDArray[np.float64]
# From board millimetres to the axes' own units; shape (n, 2) both.
ToAxes = Callable[[Points], Points]

# With more labels than these, each says less and is set smaller.
_FULL_LABELS, _SHORT_LABELS = 12, 40
_LABEL_REF_PT = 60.0
_INSIDE_SIZES_PT = (7.0, 6.0, 5.0, 4.2)
_NEXT_TO_SIZES_PT = (5.0, 4.2)

# Height of a line with its descenders, as a share of its size.
_LINE_HEIGHT = 1.2

# A ring around unmapped heat is never smaller, so that it can be seen.
_LEAST_RING_MM = 2.0

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


@dataclass(frozen=True, slots=True, eq=False)
class Flag:
    """What a label with a leader line says, and of what."""

    name: str
    outline: Points  # (n, 2), in the axes' own units
    text: str
    colour: str


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
        ring = to_axes(_ring_mm(heat))
        axes.plot(*ring.T, color="white", linewidth=2.2, scalex=False, scaley=False)
        axes.plot(*ring.T, color=INK, linewidth=1.0, linestyle=(0, (3.0, 1.5)), scalex=False, scaley=False)


def label_picture(
    axes: Axes, bodies: Sequence[Body], inspection: Inspection, to_axes: ToAxes, *, others: bool
) -> tuple[str, ...]:
    """
    Label what was found with leader lines and, where asked, name the other parts as far as there is room.

    Returns
    -------
    tuple of str
        What was found but had no room for its label at all.
    """
    count = len(flagged_verdicts(inspection)) + len(inspection.judgement.unmapped)
    size = 7.0 if count <= _FULL_LABELS else 6.0 if count <= _SHORT_LABELS else 5.0
    flags = [*_part_flags(bodies, inspection, count, size), *_unmapped_flags(inspection, to_axes)]
    flagged_refs = {flag.name for flag in flags}
    in_points = {body.ref: _points(axes, body.corners) for body in bodies}
    outlines = [_points(axes, flag.outline) for flag in flags]
    field = LabelField(
        _bounds(axes), [*in_points.values(), *outlines], range(len(in_points), len(in_points) + len(flags))
    )
    left_out = []
    for index, (flag, outline) in enumerate(zip(flags, outlines, strict=True)):
        width = text_width_pt(flag.text, size) + 3.0
        placed = field.beside(index, outline, width, size * _LINE_HEIGHT + 2.0)
        if placed is None:
            left_out.append(flag.name)
        else:
            _draw_flag(axes, placed, flag, size)
    if others:
        _name_others(axes, field, {ref: body for ref, body in in_points.items() if ref not in flagged_refs})
    return tuple(left_out)


def note_left_out(axes: Axes, names: tuple[str, ...]) -> None:
    """Say under the picture how many findings found no room for a label."""
    if names:
        axes.set_xlabel(f"{axes.get_xlabel()}   ({len(names)} findings unlabelled for want of room: see the ranking)")


def _part_flags(bodies: Sequence[Body], inspection: Inspection, count: int, size_pt: float) -> list[Flag]:
    by_ref = {body.ref: body for body in bodies}
    refs = [each.measurement.part.ref for each in flagged_verdicts(inspection)]
    shown = [by_ref[ref] for ref in refs if ref in by_ref]
    return [
        Flag(body.ref, body.corners, _part_text(body, inspection, count, size_pt), body.mark.colour) for body in shown
    ]


def _unmapped_flags(inspection: Inspection, to_axes: ToAxes) -> list[Flag]:
    return [
        Flag("", to_axes(_ring_mm(heat)[:-1]), f"no mapped part {heat.rise_k:+.1f} K rise", INK)
        for heat in inspection.judgement.unmapped
    ]


def _part_text(body: Body, inspection: Inspection, count: int, size_pt: float) -> str:
    ref = fitted_text(body.ref, _LABEL_REF_PT, size_pt)
    finding = main_finding_by_ref(inspection).get(body.ref)
    if count > _SHORT_LABELS:
        return ref
    # A part that was not measured can still be too hot by its least possible temperature.
    word = finding.direction if finding and body.verdict.verdict not in FLAGGED_VERDICTS else body.mark.word
    if count > _FULL_LABELS or finding is None or finding.excess_k is None:
        return f"{ref} {word}"
    return f"{ref} {word} {signed(finding.excess_k)} K"


def _name_others(axes: Axes, field: LabelField, bodies: dict[str, Points]) -> None:
    # The largest first: a small part's name goes beside it, on ground that no larger one needs.
    homeless = []
    for index, (ref, body) in enumerate(sorted(bodies.items(), key=lambda item: -_area(item[1]))):
        text = fitted_text(ref, _LABEL_REF_PT, _INSIDE_SIZES_PT[0])
        placed = field.inside(index, body, _extents(text, _INSIDE_SIZES_PT))
        if placed is None:
            homeless.append((index, text, body))
        else:
            _draw_name(axes, placed, text, _INSIDE_SIZES_PT[placed.size])
    for index, text, body in homeless:
        placed = field.next_to(index, body, _extents(text, _NEXT_TO_SIZES_PT))
        if placed is not None:
            _draw_name(axes, placed, text, _NEXT_TO_SIZES_PT[placed.size])


def _draw_marker(axes: Axes, body: Body) -> None:
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


def _draw_flag(axes: Axes, placed: Placed, flag: Flag, size_pt: float) -> None:
    x, y = _units(axes, (placed.x_pt, placed.y_pt))
    if placed.anchor_pt and placed.leader_end_pt:
        (x0, y0), (x1, y1) = _units(axes, placed.anchor_pt), _units(axes, placed.leader_end_pt)
        for colour, width in (("white", 2.0), (INK, 0.7)):
            axes.plot([x0, x1], [y0, y1], color=colour, linewidth=width, zorder=3, scalex=False, scaley=False)
    frame = {"boxstyle": "square,pad=0.2", "facecolor": "white", "edgecolor": flag.colour, "linewidth": 0.8}
    axes.text(x, y, flag.text, fontsize=size_pt, ha="center", va="center", zorder=5, bbox=frame)


def _draw_name(axes: Axes, placed: Placed, text: str, size_pt: float) -> None:
    x, y = _units(axes, (placed.x_pt, placed.y_pt))
    frame = {"boxstyle": "square,pad=0.08", "facecolor": "white", "edgecolor": "none", "alpha": 0.72}
    look: dict[str, Any] = {"ha": "center", "va": "center", "rotation": placed.rotation_deg, "zorder": 2.5}
    axes.text(x, y, text, fontsize=size_pt, bbox=frame, **look)


def _ring_mm(heat: UnmappedHeat) -> Points:
    radius = max(float(np.sqrt(heat.area_mm2 / np.pi)), _LEAST_RING_MM)
    turn = np.linspace(0.0, 2 * np.pi, 49)
    return np.column_stack([heat.x_mm + radius * np.cos(turn), heat.y_mm + radius * np.sin(turn)])


def _extents(text: str, sizes_pt: Sequence[float]) -> list[tuple[float, float]]:
    return [(text_width_pt(text, size) + 1.0, size * _LINE_HEIGHT) for size in sizes_pt]


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


def _area(corners: Points) -> float:
    x, y = corners.T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)
