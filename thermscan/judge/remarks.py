"""What a reader should know of a run beside its findings; why a part could not be judged."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermscan.heat.split import HeatSplit
from thermscan.judge import thresholds
from thermscan.judge.allowed import gives_no_heat
from thermscan.judge.baseline import Baseline
from thermscan.judge.baseline_rule import BaselineResult
from thermscan.judge.comparison import Comparison
from thermscan.judge.expected import FEWEST_IN_COMMON
from thermscan.judge.handling import capacitor_remarks, touch_remarks
from thermscan.judge.peers import FEWEST_PEERS, peer_groups
from thermscan.layout.board import Board
from thermscan.regions.measurement import PartMeasurement

# Among some fifty parts one that misses all of its heat is at fault as likely as not from so many deviations on.
DEAD_TOLD_DEVIATIONS = 4.0
# More names than this on one line help nobody.
MOST_NAMES = 12


def why_alone(measurement: PartMeasurement, board: Board) -> str:
    """Why no rule could be applied to a part that was measured."""
    part = measurement.part
    named = next((group for group in peer_groups(board.parts) if part.ref in group.refs), None)
    if named is not None:
        why = f"fewer than {FEWEST_PEERS} parts of its group {named.name} could be measured"
    elif part.group:
        why = f"its group {part.group} has fewer than {FEWEST_PEERS} parts"
    else:
        why = "it has no group"
    return f"nothing to compare it with: {why}, no limit is stated and no known-good run shows it"


def blind_remarks(measurements: Sequence[PartMeasurement], comparisons: Sequence[Comparison]) -> tuple[str, ...]:
    """
    Parts that would look the same if they were dead: what such a part gives is lost in what good ones differ by.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    comparisons : sequence of Comparison
        Of all rules.
    """
    told: dict[str, bool] = {}
    for each in (c for c in comparisons if c.at_most_watch is None):
        seen = each.own_expected_k >= max(thresholds.DEAD_LEAST_K, DEAD_TOLD_DEVIATIONS * each.good_sd_k)
        told[each.ref] = told.get(each.ref, False) or seen
    blind = [m.part.ref for m in measurements if not told.get(m.part.ref, True) and not gives_no_heat(m.part)]
    if not blind:
        return ()
    more = f" and {len(blind) - MOST_NAMES} more" if len(blind) > MOST_NAMES else ""
    named = ", ".join(blind[:MOST_NAMES])
    return (f"give so little heat of their own that a dead one would hardly be told: {named}{more}",)


def run_remarks(
    measurements: Sequence[PartMeasurement],
    split: HeatSplit | None,
    *,
    baseline: Baseline | None,
    against: BaselineResult | None,
    spots: Sequence[str],
) -> tuple[str, ...]:
    """
    What a reader should know beside the findings.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    split : HeatSplit or None
    baseline, against
        The known-good runs and what the comparison with them said; None without.
    spots : sequence of str
        Remarks on warm spots of the bare board.
    """
    remarks = [*_board_remarks(split)]
    if split is None:
        remarks.append(
            "too little bare board is seen to tell a part's own heat from its neighbours': "
            "temperatures alone were compared"
        )
    elif split.loss_w_per_m2k is not None and split.supply_w is not None:
        remarks.append(
            f"energy balance: the parts' heat was scaled so that it makes the supply's {split.supply_w:.2f} W; "
            f"the board then loses {split.loss_w_per_m2k:.0f} W/(m² K) over both faces"
        )
    if baseline is not None and against is None:
        remarks.append(f"the baseline has fewer than {FEWEST_IN_COMMON} measurable parts in common with this run")
    if against is not None:
        remarks += against.remarks
    return (*remarks, *spots, *touch_remarks(measurements), *capacitor_remarks(measurements))


def _board_remarks(split: HeatSplit | None) -> list[str]:
    """What makes one doubt the run as a whole."""
    remarks = []
    if split is not None:
        doubt = 2 * float(np.hypot(split.u_constant_k, thresholds.AMBIENT_DOUBT_K))
        if abs(split.constant_k) > doubt:
            remarks.append(
                f"the whole board reads {split.constant_k:+.1f} K beyond what its parts' heat explains: "
                "check ambient_c, reflected_c and the camera"
            )
    return remarks
