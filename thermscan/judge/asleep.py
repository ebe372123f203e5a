"""Whether a board shows any heat at all: where it shows none, it may not be powered, and nothing was compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import chdtrc

from thermscan.judge.comparison import own_u_k
from thermscan.judge.finding import Judgement, PartVerdict
from thermscan.judge.heat_seen import HeatSeen
from thermscan.regions.measurement import PartMeasurement

# A cold board's parts lie off its bare surface by as much as they do in one look of a thousand, or less.
NO_HEAT_CHANCE = 0.001
# No reading is surer than this against another of its frame.
LEAST_U_K = 0.05
REASON = "nothing on this board gives heat beyond what reading it is uncertain by: it may not be powered"
REMARK = (
    "no part stands out of the bare board by more than reading it is uncertain by: is the board powered and warm? "
    "Nothing was compared"
)


def shows_no_heat(measurements: Sequence[PartMeasurement], heat: HeatSeen) -> bool:
    """
    Whether no part stands out of the bare board, as far as parts can be read.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    heat : HeatSeen

    Notes
    -----
    The sum of the squares of all parts' rises over the bare board's, each over its own uncertainty, is chi-square where
    there is no heat (JCGM 100:2008 leaves the choice of the level to the user).
    """
    seen = [m for m in measurements if m.measurable and m.rise_k is not None]
    if not seen:
        return False
    rise_k = np.array([float(m.rise_k or 0.0) for m in seen])
    u_k = np.maximum([own_u_k(m) for m in seen], LEAST_U_K)
    bare_k = heat.rise_k[heat.bare()]
    bare_k = bare_k[np.isfinite(bare_k)]
    if not len(bare_k):
        return False
    return bool(chdtrc(len(seen), float(np.sum(((rise_k - np.median(bare_k)) / u_k) ** 2))) > NO_HEAT_CHANCE)


def not_compared(verdict: PartVerdict) -> PartVerdict:
    """Of a board that shows no heat, normal parts were compared with nothing."""
    if verdict.verdict != "normal":
        return verdict
    return replace(verdict, compared_by=(), reason=REASON)


def nothing_compared(judgement: Judgement, remark: str) -> Judgement:
    """A judgement of a board that turns out not to be powered, as ``remark`` says: undecided, but for its findings."""
    return replace(
        judgement,
        parts=tuple(not_compared(each) for each in judgement.parts),
        overall=judgement.overall if judgement.findings else "undecided",
        remarks=(*(each for each in judgement.remarks if each != REMARK), remark),
    )
