"""Which unit a file's numbers are in: given, stated, or the only plausible one; never guessed in silence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.plausible import UnitOutcome, against_the_room, far_from_a_bench, impossible, unit_outcomes
from thermscan.frames.stored import MOST_STORED, StoredPages, as_numbers
from thermscan.frames.units import COUNTS, StatedUnit, known_unit, stated_units
from thermscan.frozen import dataclass
from thermscan.runs.run import UsualUnit

# Of a larger frame every so manyth row and column is looked at: percentiles are then known to a fraction of a percent.
MOST_SAMPLED = 20_000
# Pages of a recording looked at; the scene of a bench does not change between them by more than the windows allow.
SAMPLED_PAGES = 8


MOST_LISTED = 2
_LIKELIEST_CAUSES = (
    "most likely they are raw counts, which need a camera file (--camera), or the brightness of a picture, which holds "
    "no temperatures; else say which unit with --unit"
)


@dataclass(frozen=True, slots=True)
class SettledUnit:
    """A file's unit, where it came from (``given``, ``file`` or ``assumed``), and what to say about it."""

    unit: str
    source: str
    remarks: tuple[str, ...] = field(default=())


def settle_unit(stored: StoredPages, *, unit: str | None, ambient_c: float | None, where: str) -> SettledUnit:
    """
    The unit of a file's numbers.

    Parameters
    ----------
    stored : StoredPages
    unit : str or None
        What the user says; it outweighs the file. A `UsualUnit` gives way to what the file states.
    ambient_c : float or None
    where : str
        File named in messages.

    Returns
    -------
    SettledUnit

    Raises
    ------
    InputError
        No unit is given or stated and none or several are plausible; or the one given or stated cannot be right.
    """
    thin = _sample(stored.pages, most=MOST_SAMPLED)
    if thin is not None:
        # A refusal tells exact figures, and a sample may miss the only pixels that count.
        with suppress(InputError):
            return _settled(thin, stored, unit=unit, ambient_c=ambient_c, where=where)
    return _settled(_whole(stored.pages), stored, unit=unit, ambient_c=ambient_c, where=where)


def _settled(
    values: NDArray[np.float64], stored: StoredPages, *, unit: str | None, ambient_c: float | None, where: str
) -> SettledUnit:
    outcomes = unit_outcomes(values, ambient_c=ambient_c)
    if not outcomes:
        raise InputError("no pixel holds a number", where=where, fix="export the file again")
    stated = _stated(stored)
    if unit is not None and not (isinstance(unit, UsualUnit) and stated):
        settled = _given(known_unit(unit), stated)
    elif len(stated) > 1:
        claims = " and ".join(f"{claim.unit} ({claim.words})" for claim in stated)
        raise InputError(f"it states different units: {claims}; {_listed(outcomes)}", where=where, fix=_say_which("C"))
    elif stated:
        settled = SettledUnit(stated[0].unit, "file")
    else:
        return _assumed(outcomes, stored, where=where)
    _check_possible(settled, outcomes, stored, where=where)
    _check_room(settled, outcomes, ambient_c=ambient_c, where=where)
    return settled


def _picked(pages: Sequence[NDArray[Any]]) -> list[NDArray[Any]]:
    numbers = sorted({round(i) for i in np.linspace(0, len(pages) - 1, min(len(pages), SAMPLED_PAGES))})
    return [pages[number] for number in numbers]


def _whole(pages: Sequence[NDArray[Any]]) -> NDArray[np.float64]:
    return _within(np.concatenate([as_numbers(page).ravel() for page in _picked(pages)]))


def _sample(pages: Sequence[NDArray[Any]], *, most: int) -> NDArray[np.float64] | None:
    """Pixels from all over large pages; None where the pages are small enough to be looked at whole."""
    picked = _picked(pages)
    step = math.isqrt(sum(page.size for page in picked) // most)
    if step < 2:
        return None
    return _within(np.concatenate([as_numbers(page[::step, ::step]).ravel() for page in picked]))


def _within(values: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(invalid="ignore"):
        beyond = np.abs(values) > MOST_STORED
    return np.where(beyond, np.nan, values) if beyond.any() else values


def _stated(stored: StoredPages) -> tuple[StatedUnit, ...]:
    if stored.cell_unit is not None:
        return (StatedUnit(stored.cell_unit, "written behind the numbers"),)
    return stated_units(stored.texts)


def _given(unit: str, stated: Sequence[StatedUnit]) -> SettledUnit:
    others = [claim for claim in stated if claim.unit != unit]
    remarks = tuple(
        f'read in {unit} as given, though the file states {claim.unit} ("{claim.words}")' for claim in others
    )
    return SettledUnit(unit, "given", remarks)


def _assumed(outcomes: Sequence[UnitOutcome], stored: StoredPages, *, where: str) -> SettledUnit:
    plausible = [outcome.unit for outcome in outcomes if outcome.plausible]
    if len(plausible) == 1:
        unit = plausible[0]
        remark = (
            f"the file states no unit: {unit} was assumed, the only one plausible for a bench "
            f'(fix it with --unit {unit}, or unit = "{unit}" in the run file)'
        )
        return SettledUnit(unit, "assumed", (remark,))
    if stored.looks_like_colour and not plausible:
        raise _colour(where)
    verdict = f"{' and '.join(plausible)} are each plausible" if plausible else "none is plausible"
    raise InputError(
        f"its unit is not stated, and {verdict} for a bench; {_listed(outcomes)}",
        where=where,
        fix=_say_which(plausible[0]) if plausible else _LIKELIEST_CAUSES,
    )


def _check_possible(settled: SettledUnit, outcomes: Sequence[UnitOutcome], stored: StoredPages, *, where: str) -> None:
    """A unit that puts the whole scene far outside a bench is a mistake, not a finding."""
    if settled.unit == COUNTS:
        return
    outcome = next(outcome for outcome in outcomes if outcome.unit == settled.unit)
    if outcome.valid_fraction == 0.0:
        what = f"no pixel holds a temperature: all are below absolute zero in {settled.unit}"
        raise InputError(what, where=where, fix="export the file again, or check the unit")
    if not impossible(outcome):
        return
    if stored.looks_like_colour:
        raise _colour(where)
    better = [other.unit for other in outcomes if other.plausible]
    who = "given" if settled.source == "given" else "stated in the file"
    raise InputError(
        f"{settled.unit}, the unit {who}, cannot be right; {_listed(outcomes)}",
        where=where,
        fix=_say_which(better[0] if better else "cK"),
    )


def _check_room(settled: SettledUnit, outcomes: Sequence[UnitOutcome], *, ambient_c: float | None, where: str) -> None:
    """A unit and an ambient that no bench brings together: one of them is wrong."""
    if settled.unit == COUNTS or ambient_c is None:
        return
    outcome = next(outcome for outcome in outcomes if outcome.unit == settled.unit)
    what = against_the_room(outcome.low_c, ambient_c=ambient_c)
    if what is None:
        return
    better = [other.unit for other in outcomes if other.plausible]
    other = f"the unit, which {' or '.join(better)} would suit better, or " if better else "the unit, or "
    raise InputError(
        f"in {settled.unit} {what}, which no bench does; {_listed(outcomes)}",
        where=where,
        fix=f"look at {other}at ambient_c (degrees Celsius; {_say_which(better[0] if better else settled.unit)})",
    )


def _listed(outcomes: Sequence[UnitOutcome]) -> str:
    """What the two units come to that are nearest to a bench; six figures of six units help nobody."""
    likeliest = sorted(outcomes, key=lambda outcome: (not outcome.plausible, far_from_a_bench(outcome)))[:MOST_LISTED]
    return "coldest / median / hottest would be " + " or ".join(str(outcome) for outcome in likeliest)


def _say_which(example: str) -> str:
    return f'say which with --unit, such as --unit {example}, or unit = "{example}" in the run file'


def _colour(where: str) -> InputError:
    return InputError(
        "this is a colour picture rather than a radiometric frame",
        where=where,
        fix="export the temperature of each pixel as a single-channel TIFF or as CSV",
    )
