"""Like-sized neighbours compared: all that can be judged where no layout says what a part is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Finding, Judgement, Overall, PartVerdict
from thermscan.judge.peers import compare_peers
from thermscan.judge.weighing import Weighed, weigh
from thermscan.layout.board import Board
from thermscan.regions.measurement import PartMeasurement

ALIKE_IN_SIZE = "they are alike in size only: what they are, and whether they work alike, is not known"
ALONE = "it has no like-sized neighbours that could be measured, so there is nothing to compare it with"
# Expanded uncertainty in sentences: two standard uncertainties, about 95 %.
COVERAGE = 2.0


def judge_like_sized(measurements: Sequence[PartMeasurement], board: Board) -> Judgement:
    """
    Every region against its like-sized neighbours, its part's ``group``.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    board : Board
        With the same parts.

    Returns
    -------
    Judgement
        At most a watch: that two parts are alike in size does not make them alike in duty. Undecided where
        nothing could be compared.
    """
    comparisons = [replace(c, at_most_watch=ALIKE_IN_SIZE) for c in compare_peers(measurements, board, None)]
    findings = tuple(_finding(weighed) for weighed in weigh(comparisons) if weighed.level is not None)
    ordered = tuple(sorted(findings, key=lambda finding: -abs(finding.excess_k or 0.0)))
    compared = {comparison.ref for comparison in comparisons}
    overall: Overall = "watch" if ordered else "clear" if compared else "undecided"
    named = {finding.ref for finding in ordered}
    return Judgement(
        parts=tuple(_verdict(m, watched=m.part.ref in named, compared=m.part.ref in compared) for m in measurements),
        findings=ordered,
        unmapped=(),
        overall=overall,
    )


def _finding(weighed: Weighed) -> Finding:
    c: Comparison = weighed.comparison
    word = "warmer" if c.temp_excess_k > 0 else "cooler"
    rise_k = c.expected_k + c.temp_excess_k
    text = (
        f"{c.ref} is {abs(c.temp_excess_k):.1f} K (± {COVERAGE * c.u_k:.1f} K) {word} than {c.count} like-sized "
        f"neighbours: it rises {rise_k:.1f} K, they rise {c.expected_k:.1f} K. "
        f"Only to be watched, since {ALIKE_IN_SIZE}."
    )
    return Finding(
        ref=c.ref,
        rule="peer",
        level="watch",
        direction="hot" if c.temp_excess_k > 0 else "cold",
        excess_k=c.temp_excess_k,
        u_k=c.u_k,
        score=c.score,
        text=text,
    )


def _verdict(measurement: PartMeasurement, *, watched: bool, compared: bool) -> PartVerdict:
    if measurement.reason is not None:
        return PartVerdict(measurement, "not-measurable", reason=str(measurement.reason))
    rules = ("peer",) if compared else ()
    return PartVerdict(measurement, "watch" if watched else "normal", rules, None if compared else ALONE)
