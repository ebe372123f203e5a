"""Like-sized neighbours compared: all that can be judged where no layout says what a part is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Finding, Judgement, Overall, PartVerdict
from thermscan.judge.holds import ALIKE_IN_SIZE
from thermscan.judge.peers import compare_peers
from thermscan.judge.weighing import Weighed, suspect_parts, weigh
from thermscan.layout.board import Board, Part
from thermscan.regions.measurement import PartMeasurement

ALONE = "it has no like-sized neighbours that could be measured, so there is nothing to compare it with"
# Where more of a group than this stands out, it is of more than one sort, and nobody in it is accused.
MOST_ODD = 0.25
MIXED = "its members fall into several temperatures, as several sorts of parts do, so they were not compared"
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
    groups = {part.ref: part.group or "" for part in board.parts}
    alike = [replace(c, at_most_watch=ALIKE_IN_SIZE) for c in compare_peers(measurements, board, None)]
    weighed = weigh(alike, suspect_parts(measurements, alike))
    odd = Counter(groups[w.comparison.ref] for w in weighed if w.level is not None)
    members = Counter(groups[w.comparison.ref] for w in weighed)
    mixed = {group for group, count in odd.items() if count > max(1.0, MOST_ODD * members[group])}
    telling = [w for w in weighed if groups[w.comparison.ref] not in mixed]
    findings = [_finding(w) for w in telling if w.level is not None]
    ordered = tuple(sorted(findings, key=lambda finding: -abs(finding.excess_k or 0.0)))
    compared = {w.comparison.ref for w in telling}
    overall: Overall = "watch" if ordered else "clear" if compared else "undecided"
    named = {finding.ref for finding in ordered}
    return Judgement(
        parts=tuple(
            _verdict(m, watched=m.part.ref in named, why=_why_alone(m.part, compared, mixed)) for m in measurements
        ),
        findings=ordered,
        unmapped=(),
        overall=overall,
        remarks=tuple(f"like-sized group {group}: {MIXED}" for group in sorted(mixed)),
    )


def _why_alone(part: Part, compared: set[str], mixed: set[str]) -> str | None:
    if part.ref in compared:
        return None
    return MIXED if part.group in mixed else ALONE


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


def _verdict(measurement: PartMeasurement, *, watched: bool, why: str | None) -> PartVerdict:
    if measurement.reason is not None:
        return PartVerdict(measurement, "not-measurable", reason=str(measurement.reason))
    return PartVerdict(measurement, "watch" if watched else "normal", () if why else ("peer",), why)
