"""Warm-up curves as small multiples: one panel a peer group, odd parts strong, fit and interval of where they end."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from thermscan.dynamics.warmup import thinned
from thermscan.dynamics.warmup_run import PartWarmUp, WarmUp
from thermscan.report.canvas import FAINT_INK, INK, blank_sheet, titled
from thermscan.report.lettering import fitted_text
from thermscan.report.summary import listed
from thermscan.report.verdicts import VERDICT_MARKS

_WIDTH_PT, _PANEL_PT, _GAP_PT, _LEFT_PT = 520.0, 92.0, 30.0, 26.0
_COLUMNS, _MOST_ROWS = 3, 6
_ALONE = "parts without peers"


def warm_up_figure(warm_up: WarmUp) -> Figure:
    """
    All curves of a recording.

    Panels share their axes. A normal part is a thin grey line; one that was found odd is drawn strong in its verdict's
    colour with its name, and with a bar at the right for where it will end (95 %).
    """
    groups = _groups(warm_up.parts)
    rows = int(np.ceil(len(groups) / _COLUMNS))
    height = 56.0 + rows * (_PANEL_PT + _GAP_PT)
    sheet = blank_sheet(_WIDTH_PT, height)
    inner = titled(sheet.part(14, 8, _WIDTH_PT - 28, height - 18), "Warm-up", _caption(warm_up))
    low, high = _limits(warm_up)
    width = (inner.width_pt - _LEFT_PT - (_COLUMNS - 1) * 22.0) / _COLUMNS
    for number, (name, parts) in enumerate(groups):
        row, column = divmod(number, _COLUMNS)
        left = _LEFT_PT + column * (width + 22.0)
        axes = inner.axes(left, inner.height_pt - (row + 1) * (_PANEL_PT + _GAP_PT) + 22.0, width, _PANEL_PT)
        _draw_panel(axes, warm_up, parts)
        axes.set_ylim(low, high)
        named = f"{name}: {listed([part.measurement.part.ref for part in parts], most=4)}"
        top = inner.height_pt - row * (_PANEL_PT + _GAP_PT) - 4.0
        inner.text(left, top, fitted_text(named, width + 12.0, 6.5), fontsize=6.5, color=INK)
        if column == 0:
            axes.set_ylabel("°C")
        if number + _COLUMNS >= len(groups):
            axes.set_xlabel("seconds after power-on" if warm_up.power_on.time_s is not None else "seconds")
    figure: Figure = sheet.figure
    return figure


def _groups(parts: Sequence[PartWarmUp]) -> list[tuple[str, list[PartWarmUp]]]:
    """Peer groups with an odd part first, then the others by size; parts alone share a panel, large ones are split."""
    by_group: dict[str, list[PartWarmUp]] = defaultdict(list)
    for part in parts:
        if part.curve is not None:
            by_group[part.measurement.part.group or _ALONE].append(part)
    odd = {name: sum(part.verdict not in ("normal",) for part in members) for name, members in by_group.items()}
    names = sorted(by_group, key=lambda name: (name == _ALONE, -odd[name], -len(by_group[name]), name))
    return [(name, by_group[name]) for name in names][: _COLUMNS * _MOST_ROWS]


def _caption(warm_up: WarmUp) -> str:
    wait = warm_up.minutes_to_steady
    if warm_up.steady:
        state = "the board is steady (every part within 0.5 K of its end)"
    elif wait is None:
        state = "whether the board is steady cannot be told"
    else:
        state = f"the board needs about {max(wait, 0.1):.0f} more minutes to be steady"
    power = {"given": "power-on as given", "found": "power-on as the curves show it", "not seen": "power-on not seen"}
    good = "; dashed: the good board, at equal times" if warm_up.good is not None else ""
    return f"{state}; {power[warm_up.power_on.source]}; bar at the right: 95 % interval of where a part will end{good}."


def _limits(warm_up: WarmUp) -> tuple[float, float]:
    curves = [part.curve for part in warm_up.parts if part.curve is not None]
    low = min(min(curve.start_c, curve.end_c) for curve in curves)
    # Bars that say where parts will end are shown whole, unless one says so little that it would flatten all curves.
    reach = 0.6 * (max(curve.end_c for curve in curves) - low)
    high = max(max(curve.end_c, min(curve.steady_interval_c[1], curve.end_c + reach)) for curve in curves)
    room = max(0.06 * (high - low), 0.5)
    return low - room, high + room


def _draw_panel(axes: Axes, warm_up: WarmUp, parts: Sequence[PartWarmUp]) -> None:
    series = warm_up.series
    began = warm_up.power_on.time_s if warm_up.power_on.time_s is not None else float(series.times_s[0])
    since, y, _ = thinned(series.times_s - began, series.mean_c)
    last = float(since[-1])
    column = {ref: number for number, ref in enumerate(series.refs)}
    fine = np.linspace(0.0, last, 200)
    for part in sorted(parts, key=lambda each: each.verdict != "normal"):
        ref, curve = part.measurement.part.ref, part.curve
        if curve is None or ref not in column:
            continue
        odd = part.verdict != "normal"
        mark = VERDICT_MARKS[part.verdict]
        colour = mark.colour if odd else FAINT_INK
        axes.plot(since, y[:, column[ref]], color=colour, lw=1.4 if odd else 0.5, alpha=1.0 if odd else 0.55)
        if odd and curve.exponentials is not None:
            axes.plot(fine, curve.exponentials.curve_c(fine), color=INK, lw=0.6, ls=":")
        low, high = curve.steady_interval_c
        axes.plot(
            [last * 1.05] * 2, [low, high], color=colour, lw=2.0 if odd else 0.7, solid_capstyle="butt", clip_on=True
        )
        if odd:
            axes.annotate(ref, (last * 1.07, curve.steady_c), fontsize=6.5, color=INK, va="center")
    _draw_good(axes, warm_up, [part for part in parts if part.verdict != "normal"])
    axes.set_xlim(float(since[0]), last * 1.18)
    axes.spines[["top", "right"]].set_visible(False)


def _draw_good(axes: Axes, warm_up: WarmUp, odd: Sequence[PartWarmUp]) -> None:
    """The good board's curve of odd parts, from the same start."""
    good, power_on = warm_up.good, warm_up.good_power_on
    if good is None or power_on is None:
        return
    began = float(good.times_s[0]) if power_on.time_s is None else power_on.time_s
    since, y, _ = thinned(good.times_s - began, good.mean_c)
    column = {ref: number for number, ref in enumerate(good.refs)}
    for part in odd:
        ref = part.measurement.part.ref
        if ref in column and part.curve is not None:
            seen = y[:, column[ref]]
            axes.plot(since, seen - seen[since <= max(since[0], 0.0)].mean() + part.curve.start_c,
                      color=VERDICT_MARKS[part.verdict].colour, lw=0.8, ls="--")  # fmt: skip
