"""How a board's parts did from visit to visit: rises brought to one ambient and load, and which of them changed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thermscan.archive.change_test import Change, Level, find_changes
from thermscan.archive.history import Look
from thermscan.archive.shared_level import fit_shared_level
from thermscan.frozen import dataclass
from thermscan.judge import thresholds

SCHEMA = "thermscan.trend/1"
# The thermometer beside the board, k = 1; half of the least that the judge calls an ambient in doubt, at 2 sigma.
AMBIENT_U_K = 0.5
Array = NDArray[np.float64]
Series = tuple[str | None, str | None]


class Point(NamedTuple):
    """
    One part on one visit; there may be a hundred thousand.

    Attributes
    ----------
    rise_k : float
        Above ambient, brought to the load and the level of the other visits to this board at this stage.
    u_k : float
        Standard uncertainty of that as a comparison between those visits.
    """

    look: Look
    rise_k: float
    u_k: float


@dataclass(frozen=True, slots=True)
class PartChange:
    """A part that is not what it was; ``before`` and ``after`` are the looks on both sides of the change."""

    before: Look
    after: Look
    change_k: float
    u_k: float
    level: Level
    chance: float

    @property
    def ref(self) -> str:
        """The part."""
        return self.after.ref

    @property
    def text(self) -> str:
        """One plain sentence."""
        side = "hotter" if self.change_k > 0 else "colder"
        of = f" of serial {self.after.serial}" if self.after.serial else ""
        since, until = ((look.taken or look.bag)[:10] for look in (self.after, self.before))
        amount = f"{abs(self.change_k):.1f} K {side} (standard uncertainty {self.u_k:.1f} K)"
        return f"{self.ref}{of} is {amount} since {since} than until {until}, at the same ambient and load."


@dataclass(frozen=True, slots=True)
class Trend:
    """A board's points in time order, what changed, and what limits both."""

    board: str
    points: tuple[Point, ...]
    changes: tuple[PartChange, ...]
    remarks: tuple[str, ...] = field(default=())


def trend_of(board: str, looks: Sequence[Look], *, ref: str | None = None) -> Trend:
    """
    A board's history.

    Visits to one specimen at one stage make a series. Within it every visit's rises are brought to the series' median
    load (rise in proportion to the supply's watts, where all visits state them), then to the series' level by one shift
    and one scale, fitted blind to the few parts that differ: a wrong ambient or another draught moves all parts alike.

    Parameters
    ----------
    board : str
    looks : sequence of Look
        Of all parts, in time order: what is shared is told from all of them.
    ref : str, optional
        Give points and changes of this part alone; its chance is still that of one among all.
    """
    table = _Table(looks)
    remarks: dict[str, None] = {}
    load = _load_factors(table, remarks)[:, None]
    measured, whole_u_k, visit_u_k = (array * load for array in (table.rise_k, table.u_k, table.visit_u_k))
    level_k = _levels(table, measured)
    # What the same board looked at again differs by: draught, supply and the part's own duty.
    repeat_k = np.hypot(thresholds.REPEAT_FLOOR_K, thresholds.REPEAT_SHARE * np.abs(level_k))
    spread_k = np.hypot(visit_u_k, repeat_k)
    alone_k = np.hypot(np.hypot(whole_u_k, AMBIENT_U_K), repeat_k)
    several = np.array([len(table.rows[table.series[row]]) > 1 for row in range(len(measured))], dtype=bool)
    rise_k, u_k = measured, alone_k
    # The second pass holds the visits against a level from which their own shifts are gone.
    for _ in range(2):
        fit = fit_shared_level(measured, level_k, spread_k)
        told = (several & np.isfinite(fit.scale))[:, None]
        shift, scale = np.nan_to_num(fit.shift_k)[:, None], np.where(told[:, 0], fit.scale, 1.0)[:, None]
        rise_k = np.where(told, (measured - shift) / scale, measured)
        u_k = np.where(told, np.hypot(spread_k, fit.u_level_k(level_k)) / np.abs(scale), alone_k)
        level_k = _levels(table, rise_k)
    changes = [change for series in table.rows for change in _changes(table, series, rise_k, u_k)]
    _remark_on_series(table, remarks)
    columns = range(len(table.refs)) if ref is None else [table.refs.index(ref)]
    points = [
        Point(table.looks[row, col], float(rise_k[row, col]), float(u_k[row, col]))
        for row in range(len(measured))
        for col in columns
        if (row, col) in table.looks
    ]
    changes = [change for change in changes if ref is None or change.ref == ref]
    changes.sort(key=lambda change: (change.level != "act", change.chance, -abs(change.change_k)))
    return Trend(board, tuple(points), tuple(changes), tuple(remarks))


class _Table:
    """Visits (rows, in time order) by parts (columns); NaN where a part was not measured."""

    def __init__(self, looks: Sequence[Look]) -> None:
        row = {bag: number for number, bag in enumerate(dict.fromkeys(look.bag for look in looks))}
        self.refs = tuple(dict.fromkeys(look.ref for look in looks))
        col = {ref: number for number, ref in enumerate(self.refs)}
        self.looks = {(row[look.bag], col[look.ref]): look for look in looks}
        first = {row[look.bag]: look for look in reversed(looks)}
        self.visits = [first[number] for number in range(len(row))]
        self.series: list[Series] = [(visit.serial, visit.stage) for visit in self.visits]
        self.rows: dict[Series, list[int]] = {}
        for number, series in enumerate(self.series):
            self.rows.setdefault(series, []).append(number)
        self.rise_k, self.u_k, self.visit_u_k = (np.full((len(row), len(col)), np.nan) for _ in range(3))
        for place, look in self.looks.items():
            self.rise_k[place], self.u_k[place], self.visit_u_k[place] = look.rise_k, look.u_k, look.visit_u_k


def _load_factors(table: _Table, remarks: dict[str, None]) -> Array:
    """What each visit's rises are multiplied with to be those at its series' median load."""
    factors = np.ones(len(table.visits))
    for series, rows in table.rows.items():
        watts = [table.visits[row].watts for row in rows]
        known = [each for each in watts if each is not None]
        if len(known) == len(watts):
            factors[rows] = float(np.median(known)) / np.array(known)
        elif len(rows) > 1:
            told = "the supply is not stated on every visit, so that its watts are not used"
            remarks[f"{_name(series)}: {told}"] = None
    return factors


def _levels(table: _Table, rise_k: Array) -> Array:
    """Each series' median over its visits, part by part, in every row of the series."""
    level = np.empty_like(rise_k)
    for rows in table.rows.values():
        level[rows] = _median(rise_k[rows])
    return level


def _median(rise_k: Array) -> Array:
    """Median over the visits, part by part; NaN for none."""
    ordered = np.sort(rise_k, axis=0)  # NaN sorts last
    count = np.count_nonzero(np.isfinite(rise_k), axis=0)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, len(ordered) - 1)
    columns = np.arange(rise_k.shape[1])
    middle: Array = (ordered[low, columns] + ordered[high, columns]) / 2
    return middle


def _changes(table: _Table, series: Series, rise_k: Array, u_k: Array) -> list[PartChange]:
    # A visit without a time has no place in the order.
    rows = [row for row in table.rows[series] if table.visits[row].moment is not None]
    if len(rows) < 2:
        return []

    def look(row: int, change: Change) -> Look:
        return table.looks[rows[row], change.part]

    return [
        PartChange(look(each.before, each), look(each.after, each), each.change_k, each.u_k, each.level, each.chance)
        for each in find_changes(rise_k[rows], u_k[rows])
    ]


def _remark_on_series(table: _Table, remarks: dict[str, None]) -> None:
    single = [_name(series) for series, rows in table.rows.items() if len(rows) < 2]
    if single:
        more = f" and {len(single) - 3} more" if len(single) > 3 else ""
        remarks[f"one visit only, so that no change can be told: {'; '.join(single[:3])}{more}"] = None
    for series, rows in table.rows.items():
        visits = [table.visits[row] for row in rows]
        if len(visits) < 2:
            continue
        if series[0] is None:
            remarks[f"{_name(series)}: taken for one board, since no visit states a serial"] = None
        undated = sum(visit.moment is None for visit in visits)
        if undated:
            told = f"{undated} visit(s) state no time (taken) and were left out of the test for changes"
            remarks[f"{_name(series)}: {told}"] = None
        minutes = [visit.minutes_on for visit in visits if visit.minutes_on is not None]
        shares = [1.0 - math.exp(-each / thresholds.WARM_UP_MINUTES) for each in minutes]
        if shares and max(shares) - min(shares) > thresholds.WARM_UP_LEAST_SHARE:
            told = f"the visits were {min(minutes):g} to {max(minutes):g} minutes after power-on"
            remarks[f"{_name(series)}: {told}; parts that warm at different speeds differ by that alone"] = None


def _name(series: Series) -> str:
    serial, stage = series
    return f"{f'serial {serial}' if serial else 'no serial'}, {f'stage {stage}' if stage else 'no stage'}"


def trend_document(trend: Trend) -> dict[str, Any]:
    """What ``record trend --json`` prints."""
    return {
        "schema": SCHEMA,
        "board": trend.board,
        "points": [
            {
                "bag": point.look.bag,
                "serial": point.look.serial,
                "taken": point.look.taken,
                "ref": point.look.ref,
                "rise_k": point.rise_k,
                "u_k": point.u_k,
                "verdict": point.look.verdict,
                "stage": point.look.stage,
                "measured_rise_k": point.look.rise_k,
            }
            for point in trend.points
        ],
        "changes": [
            {
                "ref": change.ref,
                "from": change.before.bag,
                "to": change.after.bag,
                "change_k": change.change_k,
                "u_k": change.u_k,
                "level": change.level,
                "serial": change.after.serial,
                "stage": change.after.stage,
                "chance": change.chance,
                "text": change.text,
            }
            for change in trend.changes
        ],
        "remarks": list(trend.remarks),
    }
