"""Tables of what the judge found, each share with its 95 % bounds."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from judging_looks import UNMAPPED_TIMES, WARMED_TIMES
from judging_trial import SIZED, Outcome
from scipy import stats

LABELS = {
    "hot": "hot",
    "warmed": "warming a neighbour",
    "unmapped": "heat where no part is",
    "dead": "dead, peers rise 5 K or more",
}
# What the part itself rises more, or the bare board, for each kelvin of the size that is asked for.
TIMES = {"hot": 1.0, "warmed": WARMED_TIMES, "unmapped": UNMAPPED_TIMES}
PEERS_RISE_K = 5.0
# Rises wanted of a hot fault: at least this many kelvin or watts must be found.
AIM_K, AIM_W = 3.0, 0.3
SUSPICION_EDGES = (0.0, 0.003, 0.01, 0.03, 0.1, 0.3, 0.6, 0.9, 0.99, 1.0)


def print_table(outcomes: Sequence[Outcome], *, with_baseline: bool) -> None:
    """Recall by kind and size, false alarms, and how good boards' scores spread."""
    if not outcomes:
        return
    print(f"\n{'with known-good runs' if with_baseline else 'peers alone (faults of parts with measurable peers)'}")
    print(f"  {'':30}{'size':>6}{'cases':>7}{'act':>28}{'act or watch':>28}")
    usable = [o for o in outcomes if o.kind == "unmapped" or (o.measurable and (with_baseline or o.grouped))]
    for kind in SIZED:
        for size in sorted({o.fault_k for o in usable if o.kind == kind}):
            _print_recall(
                LABELS[kind], f"{TIMES[kind] * size:g} K", [o for o in usable if o.kind == kind and o.fault_k == size]
            )
    large = [o for o in usable if o.kind == "hot" and (o.fault_k >= AIM_K or o.fault_w >= AIM_W)]
    _print_recall(f"hot by {AIM_K:g} K or {AIM_W:g} W or more", "", large)
    dead = [o for o in usable if o.kind == "dead" and o.grouped]
    _print_recall(LABELS["dead"], "", [o for o in dead if o.peers_rise_k >= PEERS_RISE_K])
    _print_recall("dead, peers rise less", "", [o for o in dead if o.peers_rise_k < PEERS_RISE_K])
    good = [o for o in outcomes if o.kind == "good"]
    faulty = [o for o in outcomes if o.kind != "good"]
    warmed = [o for o in outcomes if o.kind == "warmed"]
    for label, chosen, accused in (
        ("good boards with an 'act'", good, [bool(o.false_acts) for o in good]),
        ("good boards with a 'watch'", good, [bool(o.false_watches) for o in good]),
        ("faulty boards with a wrong 'act'", faulty, [bool(o.false_acts) for o in faulty]),
        ("warmed good part: wrong 'act'", warmed, [o.innocent_act for o in warmed]),
        ("warmed good part: mentioned", warmed, [o.innocent_watch for o in warmed]),
    ):
        print(f"  {label:36}{len(chosen):7}{share_text(accused):>28}")
    acts = np.mean([len(o.false_acts) for o in good])
    watches = np.mean([len(o.false_watches) for o in good])
    print(f"  false findings a good board: act {acts:.3f}, watch {watches:.3f}")
    scores = np.array([score for o in good for score in o.scores])
    if len(scores):
        far = ", ".join(f"beyond {z:g}: {np.mean(np.abs(scores) > z):.2%}" for z in (2, 3, 4))
        print(f"  {len(scores)} scores on good boards: spread {np.std(scores):.2f}, {far}")


def _print_recall(label: str, size: str, chosen: Sequence[Outcome]) -> None:
    if chosen:
        found, watched = share_text([o.found for o in chosen]), share_text([o.watched for o in chosen])
        print(f"  {label:30}{size:>6}{len(chosen):7}{found:>28}{watched:>28}")


def share_text(holds: Sequence[bool]) -> str:
    """
    A share with its 95 % bounds after Clopper and Pearson.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413.

    Examples
    --------
    >>> share_text([True] * 10)
    '100.0 % (69.2 to 100.0)'
    """
    n, k = len(holds), int(sum(holds))
    if n == 0:
        return "none"
    low = stats.beta.ppf(0.025, k, n - k + 1) if k else 0.0
    high = stats.beta.ppf(0.975, k + 1, n - k) if k < n else 1.0
    return f"{100 * k / n:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def print_suspicions(outcomes: Sequence[Outcome]) -> None:
    """How often parts were at fault whose stated probability of it lay within each band."""
    for with_baseline in (False, True):
        stated = [pair for o in outcomes if o.with_baseline == with_baseline for pair in o.suspicion]
        if not stated:
            continue
        chance, at_fault = (np.array(values) for values in zip(*stated, strict=True))
        print(f"\nsuspicion, {'with known-good runs' if with_baseline else 'peers alone'}")
        print(f"  {'stated':>16}{'parts':>8}{'mean stated':>14}{'at fault':>28}")
        for low, high in pairwise(SUSPICION_EDGES):
            here = (chance >= low) & ((chance < high) | (high == SUSPICION_EDGES[-1]))
            if here.any():
                told = f"{chance[here].mean():14.3f}{share_text(at_fault[here].tolist()):>28}"
                print(f"  {low:7.3f} to {high:5.3f}{here.sum():8}{told}")


def print_powers(outcomes: Sequence[Outcome]) -> None:
    """How well the parts' watts came out."""
    error = np.array([e for o in outcomes if not o.with_baseline for e in o.power_error])
    z = np.array([e for o in outcomes if not o.with_baseline for e in o.power_z])
    if len(error):
        print(
            f"\npowers of {len(error)} parts above 0.3 W: mean error {np.mean(np.abs(error)):.1%}, median "
            f"{np.median(np.abs(error)):.1%}; within 2 stated u: {np.mean(np.abs(z) < 2):.0%}"
        )


def print_cases(outcomes: Sequence[Outcome]) -> None:
    """Each fault that was missed and each part that was accused wrongly, with the evidence."""
    for o in outcomes:
        missed = o.kind != "good" and not o.found and (o.measurable or o.kind == "unmapped")
        if missed or o.false_acts or (o.kind == "good" and o.false_watches):
            what = "baseline" if o.with_baseline else "peers" if o.grouped else "peers, none of its own"
            watched = " watched" if missed and o.watched else ""
            told = f"{' MISSED' if missed else ''}{watched} false {o.false_acts} {o.false_watches}"
            print(f"board {o.number} {o.kind} {o.fault_k:g} K {o.fault_ref} {what}{told}")
            for line in o.evidence:
                print("     ", line)
