"""The uncertainty budget of flagged parts, as a table."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermscan.inspection import Inspection
from thermscan.judge.finding import PartVerdict
from thermscan.regions.measurement import PartMeasurement
from thermscan.report.canvas import RULE, TITLE_PT, Sheet, titled
from thermscan.report.gathering import flagged_verdicts
from thermscan.report.lettering import fitted_text, wrapped_text

_ROW_PT = 14.0
_REF_PT = 70.0
_TOTAL_PT = 52.0
_HEADING_LINES = 4
_HEADING_SIZE_PT = 6.5
_HEADING_PT = 10.0 + 8.0 * _HEADING_LINES


def budget_pages(inspection: Inspection, height_pt: float) -> list[list[PartVerdict]]:
    """Flagged parts that have a budget, as many a page as a sheet of that height can hold."""
    flagged = [each for each in flagged_verdicts(inspection) if each.measurement.budget]
    room = max(int((height_pt - TITLE_PT - _HEADING_PT) / _ROW_PT), 1)
    return [flagged[first : first + room] for first in range(0, len(flagged), room)]


def budget_height_pt(parts: Sequence[PartVerdict]) -> float:
    """Height of a sheet that just holds these parts."""
    return TITLE_PT + _HEADING_PT + _ROW_PT * len(parts) + 4.0


def draw_budget(sheet: Sheet, parts: Sequence[PartVerdict]) -> None:
    """A row a part, a column a source; the darker a cell, the larger its share of the whole."""
    room = titled(
        sheet,
        sheet.shown.say("plate.budget"),
        sheet.shown.say("plate.budget_caption"),
    )
    sources = _sources(parts)
    width = (room.width_pt - _REF_PT - _TOTAL_PT) / max(len(sources), 1)
    top = room.height_pt - _HEADING_PT
    for column, (source, shared) in enumerate(sources):
        x = _REF_PT + (column + 0.5) * width
        _draw_heading(room, x, top, f"{source}{' *' if shared else ''}", width)
    _draw_heading(room, room.width_pt - _TOTAL_PT / 2, top, room.shown.say("plate.budget_all"), _TOTAL_PT)
    room.rule(top)
    for index, each in enumerate(parts):
        row = room.part(0.0, top - (index + 1) * _ROW_PT, room.width_pt, _ROW_PT)
        _draw_row(row, each.measurement, sources, width)


def _sources(parts: Sequence[PartVerdict]) -> list[tuple[str, bool]]:
    """Sources in the order in which they first appear, each with whether parts share it."""
    found: dict[str, bool] = {}
    for each in parts:
        for line in each.measurement.budget:
            found[line.source] = found.get(line.source, False) or line.shared is not None
    return list(found.items())


def _draw_heading(sheet: Sheet, x_pt: float, top_pt: float, text: str, width_pt: float) -> None:
    room = width_pt - 2.0
    lines = wrapped_text(text, room, _HEADING_SIZE_PT)
    if len(lines) > _HEADING_LINES:
        rest = " ".join(lines[_HEADING_LINES - 1 :])
        lines = [*lines[: _HEADING_LINES - 1], fitted_text(rest, room, _HEADING_SIZE_PT)]
    for index, line in enumerate(reversed(lines)):
        sheet.text(x_pt, top_pt + 4.0 + 8.0 * index, line, fontsize=_HEADING_SIZE_PT, ha="center")


def _draw_row(sheet: Sheet, measurement: PartMeasurement, sources: Sequence[tuple[str, bool]], width_pt: float) -> None:
    sheet.text(0.0, 4.0, fitted_text(measurement.part.ref, _REF_PT - 4.0, 7.0, bold=True), fontsize=7.0, weight="bold")
    variance = {name: 0.0 for name, _ in sources}
    for line in measurement.budget:
        variance[line.source] += line.u_k**2
    whole = sum(variance.values())
    for column, (name, _) in enumerate(sources):
        left = _REF_PT + column * width_pt
        share = variance[name] / whole if whole > 0 else 0.0
        # From white to a grey on which black letters still read well.
        sheet.block(left + 1.0, 1.0, width_pt - 2.0, sheet.height_pt - 2.0, colour=str(1.0 - 0.4 * share))
        sheet.text(left + width_pt / 2, 4.0, f"{np.sqrt(variance[name]):.2f}", fontsize=7.0, ha="center")
    total = "" if measurement.u_c is None else f"{measurement.u_c:.2f}"
    sheet.text(sheet.width_pt - _TOTAL_PT / 2, 4.0, total, fontsize=7.0, ha="center", weight="bold")
    sheet.rule(0.0, colour=RULE, width_pt=0.3)
