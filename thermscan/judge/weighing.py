"""All comparisons of a board weighed together: what is a finding, and of which level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from thermscan.judge import thresholds
from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Level
from thermscan.judge.multiplicity import adjusted_p_values


@dataclass(frozen=True, slots=True)
class Weighed:
    """
    A comparison with its level.

    Attributes
    ----------
    level : str or None
        None: nothing to say.
    meaning : str
        ``own``: the part's own heat stands out; ``received``: only its temperature does.
    chance : float
        False discovery rate at which this would just be called.
    """

    comparison: Comparison
    level: Level | None
    meaning: Literal["own", "received"]
    chance: float


def weigh(comparisons: Sequence[Comparison]) -> tuple[Weighed, ...]:
    """
    Levels of all comparisons, with the false discoveries controlled over the board.

    Parameters
    ----------
    comparisons : sequence of Comparison
        Of all parts and rules of one board.

    Returns
    -------
    tuple of Weighed
        In the given order.
    """
    chances = adjusted_p_values([comparison.p_value for comparison in comparisons])
    temp_chances = adjusted_p_values([comparison.temp_p_value for comparison in comparisons])
    weighed = []
    for comparison, chance, temp_chance in zip(comparisons, chances, temp_chances, strict=True):
        size, expected = abs(comparison.excess_k), abs(comparison.own_expected_k)
        large = size >= max(thresholds.ACT_LEAST_K, thresholds.ACT_LEAST_SHARE * expected)
        large = large or comparison.looks_dead
        notable = size >= max(thresholds.WATCH_LEAST_K, thresholds.WATCH_LEAST_SHARE * expected)
        notable = notable or comparison.looks_dead
        warm = comparison.temp_excess_k >= max(
            thresholds.WARMED_LEAST_K, thresholds.WATCH_LEAST_SHARE * abs(comparison.expected_k)
        )
        level: Level | None = None
        meaning: Literal["own", "received"] = "own"
        if chance <= thresholds.ACT_FALSE_RATE and large and comparison.at_most_watch is None:
            level = "act"
        elif chance <= thresholds.WATCH_FALSE_RATE and notable:
            level = "watch"
        elif warm and temp_chance <= thresholds.ACT_FALSE_RATE:
            level, meaning = "watch", "received"
        weighed.append(Weighed(comparison, level, meaning, float(chance)))
    return tuple(weighed)
