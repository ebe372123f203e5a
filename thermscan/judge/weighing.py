"""All comparisons of a board weighed: each part's probability of being at fault, and what is to be said of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from enum import Enum, StrEnum

import numpy as np
from scipy.special import ndtr

from thermscan.frozen import dataclass
from thermscan.judge import thresholds
from thermscan.judge.comparison import Comparison
from thermscan.judge.deciding import decide
from thermscan.judge.finding import Finding, Level
from thermscan.judge.holds import HoldCode
from thermscan.judge.posterior import Posterior, Voice, put_together
from thermscan.regions.measurement import PartMeasurement

# Before anything is measured: a board on this bench has a part with a fault that shows as heat every second time, and
# it is one as well as another of those that are compared (a judgement: nobody has counted; `--explain` tells it).
FAULTS_A_BOARD = 0.5
# Where few are compared: just less than what a part is watched from (one in seven, by `deciding.LOSSES`), so that none
# is of which nothing was learned.
MOST_BEFORE = 0.14
# A stated limit is exceeded by few good parts, and by many whose fault is heat (judgement, no source).
OVER_LIMIT_GOOD = 0.01
OVER_LIMIT_FAULTY = 0.3
# Where it cannot be told which of the compared parts is wrong, no part is more likely at fault than not.
UNTOLD = 0.5
LIMIT_RULES = ("limit", "junction")
# Those that compare temperatures.
WARMED_RULES = ("peer", "baseline")
OWN_HALF = 0.5


class Meaning(StrEnum):
    """What stands out of a part that is watched or accused."""

    OWN = "own"
    RECEIVED = "received"


class Why(Enum):
    """Why a part is watched only."""

    HELD_BACK = "held back"
    SMALL = "too small to matter"
    UNSURE = "not sure enough"


@dataclass(frozen=True, slots=True)
class Weighed:
    """
    A comparison with its level.

    Attributes
    ----------
    level : str or None
        None: nothing to say by this comparison.
    meaning : Meaning
        Whether the part's own heat stands out, or only its temperature.
    loudness : float
        Logarithm (base 10) of how many times as likely a fault makes it than a good part.
    suspicion : float
        The part's probability of being at fault, all comparisons together.
    why : Why or None
        What keeps a watch from being an act.
    """

    comparison: Comparison
    level: Level | None
    meaning: Meaning
    loudness: float
    suspicion: float
    why: Why | None = None


@dataclass(frozen=True, slots=True)
class Suspect:
    """
    A part's probability of being at fault, what it is made of, and the level that follows.

    ``before`` is what it was before anything was measured.
    """

    suspicion: float
    level: Level | None
    posterior: Posterior | None
    before: float


def suspect_parts(
    measurements: Sequence[PartMeasurement], comparisons: Sequence[Comparison], limits: Sequence[Finding] = ()
) -> dict[str, Suspect]:
    """
    Each part's probability of being at fault, given all that was compared on the board.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
        All parts of the board.
    comparisons : sequence of Comparison
        Of all rules; received heat is taken out of them, so that a warmed part is not suspect for it.
    limits : sequence of Finding
        About stated limits: they tell how surely one is exceeded.

    Returns
    -------
    dict of ref to Suspect
        Only parts of which something could be compared.

    Notes
    -----
    Before, each part has the same share of `FAULTS_A_BOARD`: among many parts each is suspected later. A difference of
    which it cannot be told whose it is makes no part more suspect than `UNTOLD`.
    """
    over = {finding.ref: finding for finding in limits if finding.rule in LIMIT_RULES}
    by_ref: dict[str, list[Comparison]] = {}
    for comparison in comparisons:
        by_ref.setdefault(comparison.ref, []).append(comparison)
    judged = [m for m in measurements if m.measurable and (m.part.ref in by_ref or m.part.ref in over or _limited(m))]
    before = min(FAULTS_A_BOARD / max(len(judged), 1), MOST_BEFORE)
    found = {}
    for m in judged:
        log_odds = float(np.log(before / (1.0 - before)))
        if _limited(m) or m.part.ref in over:
            log_odds += _limit_log_ratio(over.get(m.part.ref))
        found[m.part.ref] = _suspect(by_ref.get(m.part.ref, []), log_odds, before=before)
    return found


def with_groups(comparisons: Sequence[Comparison]) -> tuple[Comparison, ...]:
    """
    The comparisons, those with peers told by how much the peers themselves stand out by other rules.

    A fault that a whole group shares shows at its others as well, where something else than peers is asked.

    Parameters
    ----------
    comparisons : sequence of Comparison
        Of all parts and rules of one board.

    Returns
    -------
    tuple of Comparison
        In the given order.
    """
    others: dict[str, list[Comparison]] = {}
    for each in comparisons:
        if each.rule != "peer":
            others.setdefault(each.ref, []).append(each)

    def told(each: Comparison) -> Comparison:
        asked = [other for ref in each.refs for other in others.get(ref, ())] if each.rule == "peer" else []
        if not asked:
            return each
        # Of a median of normal values; the mean square of all is that of each.
        u_k = float(np.sqrt(0.5 * np.pi * np.mean([other.good_sd_k**2 for other in asked]) / len(asked)))
        return replace(each, group_k=float(np.median([other.excess_k for other in asked])), u_group_k=u_k)

    return tuple(told(each) for each in comparisons)


def weigh(comparisons: Sequence[Comparison], suspects: Mapping[str, Suspect]) -> tuple[Weighed, ...]:
    """
    Levels of all comparisons, each part's by its one posterior.

    Parameters
    ----------
    comparisons : sequence of Comparison
        Of all parts and rules of one board.
    suspects : mapping of ref to Suspect

    Returns
    -------
    tuple of Weighed
        In the given order.
    """
    by_ref: dict[str, list[Comparison]] = {}
    for comparison in comparisons:
        by_ref.setdefault(comparison.ref, []).append(comparison)
    return tuple(_weighed(each, by_ref[each.ref], suspects[each.ref]) for each in comparisons)


def _suspect(comparisons: Sequence[Comparison], log_odds: float, *, before: float) -> Suspect:
    """The posterior of all comparisons; what cannot be told does not carry it beyond `UNTOLD`."""
    if not comparisons:
        return Suspect(_chance(log_odds), None, None, before)
    free = [each for each in comparisons if not _untold(each)]
    whole = put_together(comparisons)
    chance = _chance(log_odds + whole.log_ratio)
    if len(free) < len(comparisons):
        surely = _chance(log_odds + (put_together(free).log_ratio if free else 0.0))
        chance = chance if chance <= surely else max(surely, min(chance, UNTOLD))
    return Suspect(chance, decide(chance, whole.matters), whole, before)


def _untold(comparison: Comparison) -> bool:
    """Whether it cannot be told whose the difference is; that a group may be none is weighed in its likelihood."""
    held = comparison.at_most_watch
    return not _agrees(comparison) or (held is not None and held.code is not HoldCode.PROPOSED)


def _weighed(comparison: Comparison, about: Sequence[Comparison], suspect: Suspect) -> Weighed:
    """What one comparison says of a part whose level is known."""
    posterior = suspect.posterior
    loudness = _loudness(comparison, posterior)
    silent = Weighed(comparison, None, Meaning.OWN, loudness, suspect.suspicion)
    if posterior is None:
        return silent
    speaks = loudness > 0.0 and comparison.excess_k * posterior.fault_k > 0.0
    if suspect.level is not None and (speaks or comparison.rule == posterior.voices[0].comparison.rule):
        held = comparison.at_most_watch is not None or not _agrees(comparison)
        level: Level = "watch" if held else suspect.level
        why = None if level == "act" else Why.HELD_BACK if held else _why(suspect, posterior)
        return replace(silent, level=level, why=why)
    if suspect.level is None and _is_warmed(comparison, about):
        # Where half of it or more seems to be its own, to call it received would be a wrong 'normal'.
        mostly_own = comparison.excess_k >= max(OWN_HALF * comparison.temp_excess_k, thresholds.WATCH_LEAST_K)
        meaning = Meaning.OWN if mostly_own else Meaning.RECEIVED
        return replace(silent, level="watch", meaning=meaning, why=Why.UNSURE)
    return silent


def _why(suspect: Suspect, posterior: Posterior) -> Why:
    return Why.SMALL if suspect.suspicion * posterior.matters < suspect.suspicion / 2 else Why.UNSURE


def _loudness(comparison: Comparison, posterior: Posterior | None) -> float:
    voices: Sequence[Voice] = posterior.voices if posterior is not None else ()
    spoke = next((voice for voice in voices if voice.comparison.rule == comparison.rule), None)
    return spoke.loudness if spoke is not None else put_together([comparison]).voices[0].loudness


def _agrees(comparison: Comparison) -> bool:
    """Where a part's temperature says the opposite, received heat carries all of the evidence: not enough to act on."""
    return comparison.excess_k * comparison.temp_excess_k >= 0.0


def _is_warmed(comparison: Comparison, about: Sequence[Comparison]) -> bool:
    """Whether a part stands out by its temperature alone, and is not known to do so."""
    if comparison.rule not in WARMED_RULES:
        return False
    known = next((each for each in about if each.rule == "baseline" and each.at_most_watch is None), comparison)
    if known is not comparison and not _stands_out(known):
        return False
    return _stands_out(comparison)


def _stands_out(comparison: Comparison) -> bool:
    if comparison.rule == "baseline":
        least_k = thresholds.WARMED_LEAST_NEW_K
    else:
        share_k = thresholds.WARMED_LEAST_SHARE * abs(comparison.expected_k - comparison.shared_k)
        least_k = max(thresholds.WARMED_LEAST_K, share_k)
    return comparison.temp_excess_k >= least_k and comparison.temp_p_value <= thresholds.WARMED_CHANCE


def _limited(measurement: PartMeasurement) -> bool:
    return measurement.part.max_c is not None


def _limit_log_ratio(finding: Finding | None) -> float:
    """No finding: the part is surely below its limit."""
    over = 0.0 if finding is None or finding.score is None else float(ndtr(finding.score))
    faulty = over * OVER_LIMIT_FAULTY + (1.0 - over) * (1.0 - OVER_LIMIT_FAULTY)
    good = over * OVER_LIMIT_GOOD + (1.0 - over) * (1.0 - OVER_LIMIT_GOOD)
    return float(np.log(faulty / good))


def _chance(log_odds: float) -> float:
    """A probability, no surer than a model of this sort can be."""
    chance = 1.0 / (1.0 + float(np.exp(-np.clip(log_odds, -50.0, 50.0))))
    return min(max(chance, thresholds.LEAST_CHANCE), 1.0 - thresholds.LEAST_CHANCE)
