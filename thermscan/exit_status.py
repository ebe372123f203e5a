"""What a command ends with, in one place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

CLEAR, FINDING, BAD_INPUT, COULD_NOT_JUDGE = 0, 1, 2, 3
INTERNAL_FAULT, INTERRUPTED, CLOSED_PIPE = 3, 130, 141

# By the overall verdict of a look, a warm-up or a search for heat.
OF_OVERALL: Mapping[str, int] = {"clear": CLEAR, "watch": CLEAR, "act": FINDING, "undecided": COULD_NOT_JUDGE}

# What each means, as ``thermscan --help`` tells it.
MEANINGS: Mapping[int, str] = {
    CLEAR: "nothing to act on",
    FINDING: "a finding to act on",
    BAD_INPUT: "bad input or usage, told in one line each",
    COULD_NOT_JUDGE: "could not judge, or an internal fault",
    INTERRUPTED: "interrupted",
    CLOSED_PIPE: "the reader of the output went away",
}

# Of several runs, the one that must not be missed.
WORST_FIRST = (BAD_INPUT, COULD_NOT_JUDGE, FINDING, CLEAR)


def worst_status(statuses: Sequence[int]) -> int:
    """
    The one exit status of several runs.

    Examples
    --------
    >>> worst_status([0, 1, 3]), worst_status([1, 2, 3]), worst_status([])
    (3, 2, 0)
    """
    return next((status for status in WORST_FIRST if status in statuses), CLEAR)
