"""Groups whose members all give no heat while the rest of the board works: no peer can tell, since all are alike."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermscan.heat.split import HeatSplit
from thermscan.judge import thresholds
from thermscan.judge.allowed import gives_no_heat
from thermscan.judge.finding import Finding
from thermscan.judge.peers import peer_groups
from thermscan.regions.measurement import PartMeasurement

RULE = "group"


def judge_silent_groups(measurements: Sequence[PartMeasurement], split: HeatSplit | None) -> tuple[Finding, ...]:
    """
    A watch for each group of which no member gives heat, on a board that is at work.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    split : HeatSplit or None
        None: own heat is not known, and nothing is said.

    Returns
    -------
    tuple of Finding
        With ``ref`` None: it is about the group. Groups of parts that give no heat by their kind are left out.

    Notes
    -----
    The whole board's constant is known to about a kelvin only; the group's own heat is held against it.
    """
    own = {}
    for m in measurements:
        heat = split.of(m.part.ref) if split is not None else None
        if m.measurable and heat is not None and heat.own_k is not None and not gives_no_heat(m.part):
            own[m.part.ref] = heat.own_k
    if split is None or not own:
        return ()
    findings = []
    for group in peer_groups([m.part for m in measurements]):
        members = [own[ref] for ref in group.refs if ref in own]
        others = [value for ref, value in own.items() if ref not in group.refs]
        if len(members) < 2 or len(members) < 0.5 * len(group.refs) or not others:
            continue
        # Half of the others may be as cool by nature: the upper quarter tells whether the board is at work.
        usual_k = float(np.quantile(others, 0.75))
        mean_k = float(np.mean(members))
        silent = max(members) <= max(thresholds.SILENT_SHARE * usual_k, thresholds.DEAD_LEAST_K)
        if usual_k >= thresholds.AT_WORK_K and silent:
            findings.append(_finding(group.name, group.refs, mean_k=mean_k, usual_k=usual_k, u_k=split.u_constant_k))
    return tuple(findings)


def _finding(name: str, refs: Sequence[str], *, mean_k: float, usual_k: float, u_k: float) -> Finding:
    return Finding(
        ref=None,
        rule=RULE,
        level="watch",
        direction="cold",
        excess_k=mean_k - usual_k,
        u_k=u_k,
        score=(mean_k - usual_k) / u_k if u_k > 0 else None,
        text=(
            f"All of group {name} ({', '.join(refs)}) give hardly any heat of their own, while other parts of the "
            f"board rise {usual_k:.1f} K by theirs. Only to be watched, since with nothing else to hold them against "
            "it cannot be told whether they should be at work."
        ),
        hypotheses=(
            "is their supply there, and are they selected at this stage?",
            "state their watts or family in the layout, and judge again",
        ),
    )
