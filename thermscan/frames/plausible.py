"""Which units would make a frame's values plausible for a warm board on a bench."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frames.units import TEMPERATURE_UNITS, celsius
from thermscan.frozen import dataclass
from thermscan.scales import ZERO_C_ABS_K

# The coolest twentieth of the view: fewer pixels may be dead, or mirror something cold.
LOW_PERCENT, HIGH_PERCENT = 5.0, 95.0
_PERCENTS = (0.0, LOW_PERCENT, 50.0, HIGH_PERCENT, 100.0)
# Work rooms lie between an unheated garage (5 °C) and a hot attic. A board that fills the view may run warmer than
# the room everywhere, but not above 70 °C at its coolest: plastics and electrolytics of the period are rated to it.
LOW_MIN_C, LOW_MAX_C = 5.0, 70.0
# Nothing on a bench is much colder than the room: a camera's offset (2 K), an ambient thermometer elsewhere in
# the room (2 K) and metal that mirrors a cold window (the coolest twentieth, a few kelvin) together.
BELOW_AMBIENT_K = 8.0
# Where the ambient is known, a view whose coolest twentieth lies this far below it cannot be: a poor camera's offset
# (4 K), a thermometer elsewhere (2 K) and a window mirrored in metal (6 K) together.
IMPOSSIBLY_BELOW_K = 12.0
# Solder melts at 183 °C; a twentieth of the view above 250 °C is no board under inspection.
HIGH_MAX_C = 250.0
# Boards burn in the middle of their parts, not over a twentieth of the view: its bulk spans the room to a hot heat
# sink. The brightness of a picture in whole bytes, which would pass for °C otherwise, commonly spans more.
BULK_SPAN_K = 120.0
# With fewer than half the pixels above absolute zero a unit explains nothing.
MIN_VALID_FRACTION = 0.5
# What radiometry/ can answer for; a median beyond it is a wrong unit, whoever named it.
MEDIAN_MIN_C, MEDIAN_MAX_C = -60.0, 600.0


@dataclass(frozen=True, slots=True)
class UnitOutcome:
    """What one unit would make of a frame."""

    unit: str
    coldest_c: float
    low_c: float
    median_c: float
    high_c: float
    hottest_c: float
    valid_fraction: float
    plausible: bool

    def __str__(self) -> str:
        return f"{self.unit} {_short(self.coldest_c)} / {_short(self.median_c)} / {_short(self.hottest_c)} °C"


def unit_outcomes(values: ArrayLike, *, ambient_c: float | None = None) -> tuple[UnitOutcome, ...]:
    """
    What each unit would make of a frame, and whether that is plausible for a bench.

    The windows are wide on purpose: the true unit should always be among the plausible ones, so that a single one
    left is a safe reading, and two left are a reason to ask.

    Parameters
    ----------
    values : array_like
        As stored; NaN does not count, nor does what a unit puts at or below absolute zero.
    ambient_c : float, optional
        Room temperature, where the user says it.

    Returns
    -------
    tuple of UnitOutcome
        One a unit; empty where no value is finite.

    Examples
    --------
    >>> [o.unit for o in unit_outcomes([29515, 29900, 31000]) if o.plausible]
    ['cK']
    >>> [o.unit for o in unit_outcomes([45.0, 50.0, 65.0]) if o.plausible]
    ['C', 'F']
    >>> [o.unit for o in unit_outcomes([45.0, 50.0, 65.0], ambient_c=22.0) if o.plausible]
    ['C']
    """
    finite = np.asarray(values, dtype=np.float64).ravel()
    finite = finite[np.isfinite(finite)]
    if finite.size == 0:
        return ()
    # Each unit is a rising straight line over the numbers, and so over their percentiles: these are taken once.
    spread = np.percentile(finite, _PERCENTS)
    return tuple(_outcome(finite, spread, unit, ambient_c=ambient_c) for unit in TEMPERATURE_UNITS)


def _outcome(
    finite: NDArray[np.float64], spread: NDArray[np.float64], unit: str, *, ambient_c: float | None
) -> UnitOutcome:
    shown_c, fraction = celsius(spread, unit), 1.0
    if shown_c[0] <= -ZERO_C_ABS_K:
        # Some numbers are no temperatures in this unit; the percentiles are those of the others.
        temp_c = celsius(finite, unit)
        valid = temp_c[temp_c > -ZERO_C_ABS_K]
        fraction = valid.size / temp_c.size
        shown_c = np.percentile(valid if valid.size else temp_c, _PERCENTS)
    coldest, low, median, high, hottest = (float(value) for value in shown_c)
    low_min_c = LOW_MIN_C if ambient_c is None else min(ambient_c - BELOW_AMBIENT_K, LOW_MAX_C)
    plausible = (
        fraction >= MIN_VALID_FRACTION
        and low_min_c <= low <= LOW_MAX_C
        and high <= HIGH_MAX_C
        and high - low <= BULK_SPAN_K
    )
    return UnitOutcome(unit, coldest, low, median, high, hottest, fraction, plausible)


def far_from_a_bench(outcome: UnitOutcome) -> float:
    """How many kelvin a unit's result lies outside the window of a bench; for telling the likelier of wrong units."""
    below, above = LOW_MIN_C - outcome.low_c, max(outcome.low_c - LOW_MAX_C, outcome.high_c - HIGH_MAX_C)
    return max(below, above, 0.0)


def impossible(outcome: UnitOutcome) -> bool:
    """True where a unit's result is out of question for any bench, not only unusual."""
    return not MEDIAN_MIN_C <= outcome.median_c <= MEDIAN_MAX_C


def against_the_room(low_c: float, *, ambient_c: float) -> str | None:
    """
    Why a view and an ambient temperature cannot both be right, or None.

    Parameters
    ----------
    low_c : float
        What the coolest twentieth of the view is below.
    ambient_c : float

    Examples
    --------
    >>> against_the_room(21.8, ambient_c=22.4) is None
    True
    >>> against_the_room(22.0, ambient_c=42.0)
    'its coolest twentieth reads 22.0 °C or less, 20.0 K below the ambient of 42 °C'
    >>> against_the_room(296.0, ambient_c=22.0)
    'nearly all of it reads 296.0 °C or more, at an ambient of 22 °C'
    """
    if low_c > LOW_MAX_C:
        return f"nearly all of it reads {_short(low_c)} °C or more, at an ambient of {ambient_c:g} °C"
    below_k = ambient_c - low_c
    if below_k > IMPOSSIBLY_BELOW_K:
        return (
            f"its coolest twentieth reads {_short(low_c)} °C or less, {below_k:.1f} K below the ambient of "
            f"{ambient_c:g} °C"
        )
    return None


def check_room(apparent_c: ArrayLike, *, ambient_c: float, where: str | None, look_at: str) -> None:
    """
    Refuse a view that no bench at that ambient can show.

    Parameters
    ----------
    apparent_c : array_like
        NaN does not count.
    ambient_c : float
    where, look_at : str
        For the message: the file, and the values that may be wrong.

    Raises
    ------
    InputError
        With what is impossible, and which values to look at.
    """
    finite = np.asarray(apparent_c, dtype=np.float64)
    finite = finite[np.isfinite(finite)]
    if finite.size and (what := against_the_room(float(np.percentile(finite, LOW_PERCENT)), ambient_c=ambient_c)):
        raise InputError(f"{what}, which no bench does", where=where, fix=f"look at {look_at}")


def _short(value_c: float) -> str:
    return f"{value_c:.1f}" if abs(value_c) < 1e5 else f"{value_c:.2g}"
