"""All comparisons of a board weighed together: what is a finding, and of which level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, StrEnum

from thermscan.judge import thresholds
from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Level
from thermscan.judge.holds import SAME_BEFORE
from thermscan.judge.multiplicity import adjusted_p_values

OWN_HALF = 0.5


class Meaning(StrEnum):
    """What stands out of a part that is watched or accused."""

    OWN = "own"
    RECEIVED = "received"


class Why(Enum):
    """Why a comparison is watched only."""

    HELD_BACK = "held back"
    SMALL = "too small to matter"
    COMMON = "good parts differ by as much"
    MANY = "one of many"
    OPPOSED = "its temperature says the opposite"


@dataclass(frozen=True, slots=True)
class Weighed:
    """
    A comparison with its level.

    Attributes
    ----------
    level : str or None
        None: nothing to say.
    meaning : Meaning
        Whether the part's own heat stands out, or only its temperature.
    chance : float
        False discovery rate at which this would just be called.
    why : Why or None
        What keeps a watch from being an act.
    tests : int
        Comparisons on the board.
    """

    comparison: Comparison
    level: Level | None
    meaning: Meaning
    chance: float
    why: Why | None = None
    tests: int = 1


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
    comparisons = [_held_back(comparison, comparisons) for comparison in comparisons]
    chances = adjusted_p_values([comparison.p_value for comparison in comparisons])
    temp_chances = adjusted_p_values([comparison.temp_p_value for comparison in comparisons])
    weighed = []
    for comparison, chance, temp_chance in zip(comparisons, chances, temp_chances, strict=True):
        size, expected = abs(comparison.excess_k), abs(comparison.own_expected_k)
        large = size >= max(thresholds.ACT_LEAST_K, thresholds.ACT_LEAST_SHARE * expected)
        large = large or comparison.looks_dead
        notable = size >= max(thresholds.WATCH_LEAST_K, thresholds.WATCH_LEAST_SHARE * expected)
        notable = notable or comparison.looks_dead
        warm = comparison.at_most_watch != SAME_BEFORE and comparison.temp_excess_k >= _warmed_least_k(comparison)
        level: Level | None = None
        meaning = Meaning.OWN
        rare = chance <= thresholds.ACT_FALSE_RATE and comparison.p_value <= thresholds.ACT_CHANCE
        unusual = chance <= thresholds.WATCH_FALSE_RATE and comparison.p_value <= thresholds.WATCH_CHANCE
        # Where its temperature says the opposite, received heat carries all of the evidence: not enough to act on.
        agrees = comparison.excess_k * comparison.temp_excess_k > 0
        if rare and large and agrees and comparison.at_most_watch is None:
            level = "act"
        elif unusual and notable and comparison.at_most_watch != SAME_BEFORE:
            level = "watch"
        elif warm and temp_chance <= thresholds.WATCH_FALSE_RATE and comparison.temp_p_value <= thresholds.WATCH_CHANCE:
            # Where half of it or more seems to be its own, to call it received would be a wrong 'normal'.
            mostly_own = notable and comparison.excess_k >= OWN_HALF * comparison.temp_excess_k
            level, meaning = "watch", Meaning.OWN if mostly_own else Meaning.RECEIVED
        why = None if level != "watch" else _why(comparison, large=large, agrees=agrees)
        weighed.append(Weighed(comparison, level, meaning, float(chance), why, len(comparisons)))
    return tuple(weighed)


def _why(comparison: Comparison, *, large: bool, agrees: bool) -> Why:
    """The first reason that keeps a watch from being an act."""
    if comparison.at_most_watch is not None:
        return Why.HELD_BACK
    if not agrees:
        return Why.OPPOSED
    if not large:
        return Why.SMALL
    # By itself it would be sure enough: it is their number that makes one such difference no surprise.
    return Why.MANY if comparison.p_value <= thresholds.ACT_CHANCE else Why.COMMON


def known_before(weighed: Weighed) -> bool:
    """Whether the known-good runs show the same difference from the peers."""
    return weighed.comparison.at_most_watch == SAME_BEFORE


def _warmed_least_k(comparison: Comparison) -> float:
    """From which excess on a part that is warm by its neighbours is mentioned."""
    if comparison.rule == "baseline":
        return thresholds.WARMED_LEAST_NEW_K
    return max(
        thresholds.WARMED_LEAST_K, thresholds.WARMED_LEAST_SHARE * abs(comparison.expected_k - comparison.shared_k)
    )


def _held_back(comparison: Comparison, others: Sequence[Comparison]) -> Comparison:
    """A peer's difference that the known-good runs of the part show as well is held back."""
    if comparison.rule != "peer":
        return comparison
    before = next((o for o in others if o.rule == "baseline" and o.ref == comparison.ref), None)
    if before is None or before.at_most_watch is not None:
        return comparison
    limit = thresholds.SAME_BEFORE_SHARE * abs(comparison.excess_k)
    # Signed: a part that has changed towards its peers' other side is not as it was.
    new = before.excess_k if comparison.excess_k > 0 else -before.excess_k
    return comparison if new > limit else replace(comparison, at_most_watch=SAME_BEFORE)
