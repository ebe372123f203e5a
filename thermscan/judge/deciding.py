"""What to do about a part, by what each mistake costs."""

from __future__ import annotations

from thermscan.judge.finding import Level

# What each answer costs where the part is good, where a fault is too small to matter, and where one matters; the unit
# is a second look at a part, a minute's work. A chip that is replaced needlessly costs an evening, and the risk to
# board and spare; one at fault that is called normal costs as much: it goes on to the next stage, where most faults
# show before they burn anything and some do not. One that is watched is looked at again, and passed over all the same
# four times of ten. A fault that is too small to matter may be the beginning of one that does: taken for one of five.
# A judgement, not measured: so something is to be acted on from a probability of 0.69, and watched from one of 0.14, or
# of a half where it is small.
LOSSES: dict[Level | None, tuple[float, float, float]] = {
    None: (0.0, 2.0, 10.0),
    "watch": (1.0, 1.0, 4.0),
    "act": (10.0, 10.0, 0.0),
}


def decide(at_fault: float, matters: float) -> Level | None:
    """
    The answer that is expected to cost least.

    Parameters
    ----------
    at_fault : float
        Probability of a fault.
    matters : float
        Probability that it is large enough to matter, if there is one.

    References
    ----------
    .. [1] J. O. Berger, Statistical Decision Theory and Bayesian Analysis, 2nd ed. 1985, section 1.3 (Bayes actions).

    Examples
    --------
    >>> [decide(chance, 1.0) for chance in (0.1, 0.2, 0.6, 0.8)], [decide(chance, 0.0) for chance in (0.4, 0.99)]
    ([None, 'watch', 'watch', 'act'], [None, 'watch'])
    """
    states = (1.0 - at_fault, at_fault * (1.0 - matters), at_fault * matters)

    def expected(level: Level | None) -> float:
        return sum(cost * chance for cost, chance in zip(LOSSES[level], states, strict=True))

    return min(LOSSES, key=expected)
