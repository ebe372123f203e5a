"""How probable it is that a part is at fault: the rules' evidence put together, part by part."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr

from thermscan.judge import thresholds
from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Finding
from thermscan.judge.wording import LEAST_CHANCE
from thermscan.regions.measurement import PartMeasurement

# Before anything is measured: a board on this bench has a part with a fault that shows as heat every second time.
FAULTS_A_BOARD = 0.5
MOST_BEFORE = 0.2
# How far a fault moves a part's own heat, either way: some kelvin, or a good share of what it gives.
FAULT_SPREAD_K = 5.0
FAULT_SPREAD_SHARE = 0.5
# Good parts may differ a little beyond their stated spread: the least that matters is eight of these away. With
# twice as much, parts called at fault with a probability of 0.05 to 0.3 were so in more than half of the cases.
INDIFFERENT = 0.125
# A stated limit is exceeded by few good parts, and by many whose fault is heat (judgement, no source).
OVER_LIMIT_GOOD = 0.01
OVER_LIMIT_FAULTY = 0.3
# Where it cannot be told which of the compared parts is wrong, no part is more likely at fault than not.
UNTOLD = 0.5
LIMIT_RULES = ("limit", "junction")
WATTS_RULE = "expected"


def suspicions(
    measurements: Sequence[PartMeasurement], comparisons: Sequence[Comparison], findings: Sequence[Finding]
) -> dict[str, float | None]:
    """
    Each part's probability of being at fault, given all that was compared on the board.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
        All parts of the board.
    comparisons : sequence of Comparison
        Of all rules; received heat is taken out of them, so that a warmed part is not suspect for it.
    findings : sequence of Finding
        Those about limits tell how surely one is exceeded; the others are not looked at.

    Returns
    -------
    dict of ref to float or None
        0 to 1; None where nothing could be compared.

    Notes
    -----
    Bayes' rule in the two-groups model: a part is good, and its excess is Student's t about 0 with the
    comparison's uncertainty and the natural spread; or it is at fault, and the excess is spread by
    `FAULT_SPREAD_K` or `FAULT_SPREAD_SHARE` of its heat besides. Before, each part has the same share of
    `FAULTS_A_BOARD`. Peers and known-good runs judge one reading of the part and are not independent:
    the mean of their logarithms counts, which is right where they repeat each other and careful where
    they do not. A peer's difference that the known-good runs show as well does not count. A limit that
    is exceeded weighs by itself, as probable as that is.

    A probability is no level: `thermscan.judge.weighing` holds the rates of false accusations.

    References
    ----------
    .. [1] J. O. Berger and T. Sellke, Testing a point null hypothesis, J. Am. Stat. Assoc. 82 (1987) 112-122.
    .. [2] B. Efron, Large-Scale Inference, Cambridge 2010, section 2.3 (two groups, local false discovery rate).
    """
    limits = {finding.ref: finding for finding in findings if finding.rule in LIMIT_RULES}
    by_ref: dict[str, list[Comparison]] = {}
    for comparison in comparisons:
        by_ref.setdefault(comparison.ref, []).append(comparison)
    judged = [
        m
        for m in measurements
        if m.measurable and (m.part.ref in by_ref or m.part.ref in limits or m.part.max_c is not None)
    ]
    before = min(FAULTS_A_BOARD / max(len(judged), 1), MOST_BEFORE)
    found: dict[str, float | None] = {m.part.ref: None for m in measurements}
    for m in judged:
        about = by_ref.get(m.part.ref, [])
        log_odds = float(np.log(before / (1.0 - before)))
        if alike := [each for each in about if each.rule != WATTS_RULE]:
            log_odds += float(np.mean([log_ratio(comparison) for comparison in alike]))
        # What a data sheet allows is another witness than its like; so wide a band speaks for no part.
        log_odds += sum(max(log_ratio(each), 0.0) for each in about if each.rule == WATTS_RULE)
        if m.part.max_c is not None or m.part.ref in limits:
            log_odds += _limit_log_ratio(limits.get(m.part.ref))
        chance = 1.0 / (1.0 + float(np.exp(-np.clip(log_odds, -50.0, 50.0))))
        held_back = bool(about) and all(comparison.at_most_watch is not None for comparison in about)
        chance = min(max(chance, LEAST_CHANCE), 1.0 - LEAST_CHANCE)
        found[m.part.ref] = min(chance, UNTOLD) if held_back and m.part.ref not in limits else chance
    return found


def log_ratio(comparison: Comparison) -> float:
    """
    Logarithm of how much more probable an excess is for a faulty part than for a good one.

    Examples
    --------
    >>> def one(excess_k):
    ...     return Comparison("U1", "peer", excess_k, 0.4, 0.4, 30.0, excess_k, 12.0, 8.0, 7, "7 peers")
    >>> [round(log_ratio(one(excess_k)), 1) for excess_k in (0.0, 2.0, 4.0)]
    [-2.3, 2.6, 14.3]
    """
    own_k = abs(comparison.own_expected_k)
    matters_k = max(thresholds.ACT_LEAST_K, thresholds.ACT_LEAST_SHARE * own_k)
    good_k = float(np.hypot(comparison.good_sd_k, INDIFFERENT * matters_k))
    fault_k = float(np.hypot(FAULT_SPREAD_K, FAULT_SPREAD_SHARE * own_k))
    return spread_log_ratio(comparison.excess_k, good_k, fault_k, degrees=comparison.effective_degrees)


def spread_log_ratio(excess: float, sd: float, wider_by: float, *, degrees: float) -> float:
    """
    Logarithm of the Bayes factor for a spread of ``hypot(sd, wider_by)`` against one of ``sd``, both about 0.

    Examples
    --------
    >>> round(spread_log_ratio(0.0, 1.0, 3 ** 0.5, degrees=1e9), 4)
    -0.6931
    """
    wide = float(np.hypot(sd, wider_by))

    def log_density(spread: float) -> float:
        """Of Student's t, but for what depends on the degrees alone: the ratio holds that twice."""
        return float(-(degrees + 1) / 2 * np.log1p((excess / spread) ** 2 / degrees) - np.log(spread))

    return log_density(wide) - log_density(sd)


def _limit_log_ratio(finding: Finding | None) -> float:
    """No finding: the part is surely below its limit."""
    over = 0.0 if finding is None or finding.score is None else float(ndtr(finding.score))
    faulty = over * OVER_LIMIT_FAULTY + (1.0 - over) * (1.0 - OVER_LIMIT_FAULTY)
    good = over * OVER_LIMIT_GOOD + (1.0 - over) * (1.0 - OVER_LIMIT_GOOD)
    return float(np.log(faulty / good))
