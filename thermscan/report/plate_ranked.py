"""Parts ranked within their peer groups, with error bars."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from thermscan.frozen import dataclass
from thermscan.inspection import Inspection
from thermscan.judge.comparison import own_u_k
from thermscan.judge.finding import Finding, PartVerdict
from thermscan.judge.peers import peer_groups
from thermscan.report.canvas import FAINT_INK, INK, RULE, TITLE_PT, Sheet, titled
from thermscan.report.gathering import FLAGGED_VERDICTS, main_finding_by_ref, verdicts_in_layout_order
from thermscan.report.lettering import fitted_text, text_width_pt
from thermscan.report.mark_shapes import marker_of
from thermscan.report.pictures import KEY_PT, mark_look, shown_ticks
from thermscan.report.shown import Shown
from thermscan.report.verdicts import TOLD_MARKS, Mark, told_as

_ROW_PT = 11.0
_COLUMNS = 2
_GUTTER_PT = 18.0
_REF_PT, _VALUE_PT, _SCALE_PT = 46.0, 66.0, 26.0

# So few are not worth a second column.
_FEW_ROWS = 12

# All shapes together just fit the width at this size.
_KEY_SIZE_PT = 6.5
_THIN: dict[str, Any] = {"markeredgewidth": 0.6, "linestyle": "none", "zorder": 2.2}

# What the known-good runs showed.
_KNOWN_GOOD = Mark("known-good", "", "square", "#FFFFFF")

_CONTINUED = ", continued"

# Two ends of a line, in the axes' own units.
Segment = list[tuple[float, float]]

# Error bars span this many standard uncertainties: about 95 %.
_COVERAGE = 2.0


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the ranking: a part, or the name of the group that follows."""

    heading: str | None = None
    verdict: PartVerdict | None = None
    peer_median_k: float | None = None
    known_good_k: float | None = None


def ranked_rows(inspection: Inspection) -> list[Row]:
    """Groups with a flagged part first, then the warmest; within a group the warmest part first."""
    names = _group_names(inspection)
    groups: dict[str, list[PartVerdict]] = defaultdict(list)
    for each in verdicts_in_layout_order(inspection):
        if each.measurement.rise_k is not None:
            groups[names.get(each.measurement.part.ref, "")].append(each)
    known_good = _known_good_k(inspection)
    rows: list[Row] = []
    for name in sorted(groups, key=lambda name: _group_weight(name, groups[name])):
        members = sorted(groups[name], key=lambda each: -(each.measurement.rise_k or 0.0))
        rises = [each.measurement.rise_k for each in members if each.measurement.rise_k is not None]
        median = float(np.median(rises)) if name and len(rises) > 1 else None
        rows.append(Row(heading=f"{name} ({len(members)})" if name else "parts without peers"))
        rows.extend(
            Row(verdict=each, peer_median_k=median, known_good_k=known_good.get(each.measurement.part.ref))
            for each in members
        )
    return rows


def _known_good_k(inspection: Inspection) -> dict[str, float]:
    """Each part's mean rise over the known-good runs that measured it."""
    rises: dict[str, list[float]] = defaultdict(list)
    for run in inspection.baseline.runs if inspection.baseline else ():
        for ref, rise in run.rise_k.items():
            rises[ref].append(rise)
    return {ref: float(np.mean(seen)) for ref, seen in rises.items()}


def _group_names(inspection: Inspection) -> dict[str, str]:
    """The peer group of each part that has one, as the judge forms them."""
    parts = inspection.board.parts
    names = {part.ref: part.group for part in parts if part.group}
    for group in peer_groups(parts):
        for ref in group.refs:
            names[ref] = f"alike: {group.name}" if group.proposed else group.name
    return names


def ranked_pages(inspection: Inspection, height_pt: float) -> list[list[list[Row]]]:
    """
    The rows, cut into pages of columns that a sheet of that height can hold.

    A heading keeps its first part, a group cut in two gets its heading again, and the columns of the
    last page are of like length.
    """
    room = max(int((height_pt - TITLE_PT - KEY_PT - _SCALE_PT) / _ROW_PT), 3)
    rows = ranked_rows(inspection)
    pages: list[list[list[Row]]] = []
    while rows:
        # Two more than half, for headings that are repeated or moved on.
        even = min(room, max(len(rows) // _COLUMNS + 2, _FEW_ROWS))
        columns = []
        for _ in range(_COLUMNS):
            column, rows = _cut(rows, even)
            columns.append(column)
        pages.append([column for column in columns if column])
    return pages


def _cut(rows: list[Row], room: int) -> tuple[list[Row], list[Row]]:
    """As many rows as there is room for, and what is left, which begins with a heading."""
    if len(rows) <= room:
        return rows, []
    end = room - 1 if rows[room - 1].heading is not None else room
    taken, left = rows[:end], rows[end:]
    if left[0].heading is None:
        heading = next(each.heading for each in reversed(taken) if each.heading)
        left = [Row(heading=heading if heading.endswith(_CONTINUED) else heading + _CONTINUED), *left]
    return taken, left


def draw_ranked(sheet: Sheet, inspection: Inspection, columns: Sequence[Sequence[Row]]) -> None:
    """One page of the ranking."""
    room = titled(
        sheet,
        sheet.shown.say("plate.ranked"),
        sheet.shown.say("plate.ranked_caption"),
    )
    room = _draw_key(room, columns)
    findings = main_finding_by_ref(inspection)
    limits = _limits(ranked_rows(inspection))
    width = (room.width_pt - _GUTTER_PT * (_COLUMNS - 1)) / _COLUMNS
    for index, rows in enumerate(columns):
        height = len(rows) * _ROW_PT
        column = room.part(index * (width + _GUTTER_PT), room.height_pt - height - _SCALE_PT, width, height + _SCALE_PT)
        _draw_column(column, rows, findings, limits)


def ranked_height_pt(columns: Sequence[Sequence[Row]]) -> float:
    """Height of a sheet that just holds these columns."""
    return TITLE_PT + KEY_PT + _SCALE_PT + _ROW_PT * max(len(rows) for rows in columns)


def _group_weight(name: str, members: Sequence[PartVerdict]) -> tuple[bool, bool, float]:
    flagged = any(each.verdict in FLAGGED_VERDICTS for each in members)
    warmest = max(each.measurement.rise_k or 0.0 for each in members)
    return not flagged, not name, -warmest


def _limits(rows: Sequence[Row]) -> tuple[float, float]:
    low, high = 0.0, 1.0
    for row in rows:
        if row.verdict is None or row.verdict.measurement.rise_k is None:
            continue
        spread = _COVERAGE * (row.verdict.measurement.u_c or 0.0)
        rise = row.verdict.measurement.rise_k
        usual = rise if row.known_good_k is None else row.known_good_k
        low, high = min(low, rise - spread, usual), max(high, rise + spread, usual)
    margin = 0.04 * (high - low)
    return low - margin, high + margin


def _draw_column(sheet: Sheet, rows: Sequence[Row], findings: dict[str, Finding], limits: tuple[float, float]) -> None:
    axes = sheet.axes(_REF_PT, _SCALE_PT, sheet.width_pt - _REF_PT - _VALUE_PT, sheet.height_pt - _SCALE_PT)
    axes.set(xlim=limits, ylim=(len(rows) - 0.5, -0.5), yticks=[])
    axes.set_xlabel(sheet.shown.say("plate.ranked_axis", unit=sheet.shown.diff_unit))
    ticks = shown_ticks(*limits, sheet.shown, difference=True)
    axes.set_xticks([value for value, _ in ticks], labels=[text.removesuffix(".0") for _, text in ticks])
    axes.spines[["left", "top", "right"]].set_visible(False)
    axes.grid(axis="x", color=RULE, linewidth=0.4)
    axes.set_axisbelow(True)
    for index, row in enumerate(rows):
        y_pt = sheet.height_pt - (index + 0.5) * _ROW_PT
        if row.verdict is None:
            text = fitted_text(row.heading or "", sheet.width_pt, 7.0, bold=True)
            axes.axhspan(index - 0.5, index + 0.5, color="white", zorder=1.5)
            sheet.text(0.0, y_pt, text, fontsize=7.0, weight="bold", va="center_baseline")
            continue
        part = row.verdict.measurement.part
        flagged = row.verdict.verdict in FLAGGED_VERDICTS
        look = {"fontsize": 6.5, "va": "center_baseline", "weight": "bold" if flagged else "normal"}
        sheet.text(0.0, y_pt, fitted_text(part.ref, _REF_PT - 4.0, 6.5, bold=flagged), **look)
        sheet.text(sheet.width_pt - _VALUE_PT + 4.0, y_pt, _value_text(row.verdict, sheet.shown, flagged), **look)
    _draw_rows(axes, rows, findings)


def _draw_rows(axes: Axes, rows: Sequence[Row], findings: dict[str, Finding]) -> None:
    """Bars, error bars and shapes; one artist for each kind, since a thousand of them cost seconds."""
    drawn = [(index, row, row.verdict) for index, row in enumerate(rows) if row.verdict is not None]
    bars, medians, usual = [], [], []
    spreads: dict[float, list[Segment]] = {0.7: [], 2.4: []}
    shapes: dict[str, list[tuple[float, int]]] = defaultdict(list)
    for index, row, verdict in drawn:
        rise = verdict.measurement.rise_k
        if rise is None:
            continue
        if row.peer_median_k is not None:
            medians.append([(row.peer_median_k, index - 0.5), (row.peer_median_k, index + 0.5)])
        finding = findings.get(verdict.measurement.part.ref)
        if finding is not None and finding.own_k is not None and finding.received_k is not None:
            bars.append((index, finding.own_k, finding.received_k))
        if row.known_good_k is not None:
            usual.append((row.known_good_k, index))
        own = own_u_k(verdict.measurement) if verdict.measurement.budget else None
        for spread, width in ((verdict.measurement.u_c, 0.7), (own, 2.4)):
            if spread is not None:
                reach = _COVERAGE * spread
                spreads[width].append([(rise - reach, index), (rise + reach, index)])
        shapes[told_as(verdict)].append((rise, index))
    _draw_segments(axes, medians, FAINT_INK, 1.0)
    if bars:
        places, owns, received = (list(column) for column in zip(*bars, strict=True))
        axes.barh(places, owns, height=0.5, color="#CFCFCF", edgecolor=FAINT_INK, linewidth=0.4)
        look: dict[str, Any] = {"height": 0.5, "facecolor": "white", "edgecolor": FAINT_INK, "linewidth": 0.4}
        axes.barh(places, received, left=owns, hatch="////", **look)
    if usual:
        axes.plot(*zip(*usual, strict=True), marker="s", markersize=4.5, color="white", markeredgecolor=INK, **_THIN)
    for width, segments in spreads.items():
        _draw_segments(axes, segments, INK, width)
    for name, points in shapes.items():
        mark = TOLD_MARKS[name]
        axes.plot(
            *zip(*points, strict=True),
            linestyle="none",
            marker=marker_of(mark),
            markersize=3.6 if name == "normal" else 5.5,
            markerfacecolor=mark.colour,
            markeredgecolor=INK,
            markeredgewidth=0.5,
            zorder=3,
        )


def _draw_segments(axes: Axes, segments: Sequence[Segment], colour: str, width: float) -> None:
    # Above the grid and the bars, as lines are.
    axes.add_collection(
        LineCollection(segments, colors=colour, linewidths=width, capstyle="butt", zorder=2.0), autolim=False
    )


def _value_text(verdict: PartVerdict, shown: Shown, bold: bool) -> str:
    measured = verdict.measurement
    spread = f" ± {shown.number(shown.diff_value(measured.u_c))}" if measured.u_c is not None else ""
    word = "" if verdict.verdict == "normal" else f" {shown.say(f'word.{verdict.verdict}')}"
    rise = measured.rise_k or 0.0
    text = f"{'+' if rise > 0 else ''}{shown.number(shown.diff_value(rise))}{spread} {shown.diff_unit}{word}"
    return fitted_text(text, _VALUE_PT + _GUTTER_PT / 2, 6.5, bold=bold)


def _draw_key(sheet: Sheet, columns: Sequence[Sequence[Row]]) -> Sheet:
    used = {told_as(row.verdict) for rows in columns for row in rows if row.verdict is not None}
    marks = [mark for verdict, mark in TOLD_MARKS.items() if verdict in used]
    if any(row.known_good_k is not None for rows in columns for row in rows):
        marks.append(_KNOWN_GOOD)
    x, shown = 0.0, sheet.shown
    for mark in marks:
        told = f"{shown.say(f'word.{mark.word}')}: {mark_look(mark, shown)}" if mark is not _KNOWN_GOOD else ""
        text = told or shown.say("plate.known_good")
        sheet.mark(x + 4.0, 5.0, mark, size_pt=5.5)
        sheet.text(x + 11.0, 2.5, text, fontsize=_KEY_SIZE_PT)
        x += 20.0 + text_width_pt(text, _KEY_SIZE_PT)
    return sheet.part(0.0, KEY_PT, sheet.width_pt, sheet.height_pt - KEY_PT)
