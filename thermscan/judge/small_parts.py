"""Parts too small to be measured that shine all the same: a shorted capacitor is seldom large."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from thermscan.heat.spots import WarmSpot
from thermscan.judge import thresholds
from thermscan.judge.allowed import gives_no_heat
from thermscan.judge.finding import Finding
from thermscan.judge.unmapped import SHOULDER, UnmappedResult, doubt_of, may_lean, nothing_leans, stands_out
from thermscan.judge.wording import hypotheses
from thermscan.layout.board import Board, Part
from thermscan.regions.measure import LEAST_EMISSIVITY
from thermscan.regions.measurement import PartMeasurement
from thermscan.regions.reasons import TOO_FEW_PIXELS

RULE = "small-part"


def unread_parts(measurements: Sequence[PartMeasurement]) -> tuple[Part, ...]:
    """Parts that fill too few pixels to be measured, and whose surface would show their temperature."""
    return tuple(
        m.part for m in measurements if m.reason == TOO_FEW_PIXELS and m.part.surface.emissivity >= LEAST_EMISSIVITY
    )


def judge_small_parts(
    spots: Sequence[WarmSpot],
    board: Board,
    *,
    ambient_c: float,
    new: bool,
    beside_k: Callable[[WarmSpot], float | None],
    leans: Callable[[WarmSpot], str | None] = nothing_leans,
) -> UnmappedResult:
    """
    What warm spots at parts that could not be measured say.

    Parameters
    ----------
    spots : sequence of WarmSpot
        Those with an ``unread_ref``.
    board : Board
    ambient_c : float
    new : bool
        Whether they are what is new since the known-good runs, rather than all that is warm.
    beside_k : callable
        See `thermscan.judge.unmapped.doubt_of`.
    leans : callable
        The part whose top may be what is seen there, or None.

    Returns
    -------
    UnmappedResult
        Without places: the heat is a mapped part's. Without known-good runs a resistor or a transistor may
        well be warm; that is a remark, and only a capacitor is accused.

    Notes
    -----
    Blur mixes a small part with the cooler board about it: the excess is the least that it can be.
    """
    findings, remarks = [], []
    for spot in spots:
        part = board.part(spot.unread_ref or "")
        doubt = doubt_of(spot, ambient_c=ambient_c, new=new, beside_k=beside_k(spot), may_mirror=False)
        if part is None or doubt is SHOULDER or not stands_out(spot):
            continue
        over = leans(spot)
        doubt = doubt or (may_lean(over) if over else None)
        large = spot.excess_k >= thresholds.UNMAPPED_ACT_K
        if not new and not gives_no_heat(part):
            if large:
                remarks.append(
                    f"{part.ref} is too small to be measured; its place is at least {spot.excess_k:.1f} K warmer than "
                    "what lies about it"
                )
            continue
        if doubt is not None and not large:
            continue
        than = "in the known-good runs" if new else "the parts around it explain"
        findings.append(
            Finding(
                ref=part.ref,
                rule=RULE,
                level="act" if large and doubt is None else "watch",
                direction="hot",
                excess_k=spot.excess_k,
                u_k=spot.excess_k / spot.deviations if spot.deviations > 0 else None,
                score=spot.deviations,
                text=(
                    f"{part.ref} is too small to be measured, but its place is at least {spot.excess_k:.1f} K warmer "
                    f"than {than}{f'; {doubt}' if doubt else ''}."
                ),
                hypotheses=hypotheses(part, hot=True, dead=False),
            )
        )
    return UnmappedResult((), tuple(findings), tuple(remarks))
