"""Before and after a repair: what changed beyond what two looks at one board differ by, and what did not."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import Protocol

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.judge import thresholds
from thermscan.judge.against_baseline import against_baseline
from thermscan.judge.baseline import Baseline
from thermscan.judge.baseline_rule import check_same_board
from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Finding, Judgement, Verdict
from thermscan.judge.learning import Inspected, learn_baseline
from thermscan.judge.multiplicity import ACT_CHANCE, ACT_FALSE_RATE, adjusted_p_values
from thermscan.layout.digest import layout_digest

FLAGGED = ("hot", "cold", "watch")


class Outcome(StrEnum):
    """What became of a part."""

    BETTER = "better"
    WORSE = "worse"
    CHANGED = "changed"
    NOT_BETTER = "not better"
    SAME = "same"
    NOT_TOLD = "not told"


@dataclass(frozen=True, slots=True)
class Change:
    """
    One part before and after.

    Attributes
    ----------
    change_k : float or None
        Of its own heat, after the board-wide difference and what its neighbours' changes give it; None where it was
        not measured in both looks.
    u_k : float or None
        How far two looks at one good board differ (k = 1).
    was, now : str
        The verdicts.
    """

    ref: str
    change_k: float | None
    u_k: float | None
    score: float | None
    was: Verdict
    now: Verdict
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """All changes, what is to be said of them, and how the whole board changed."""

    changes: tuple[Change, ...]
    scale: float | None
    shift_k: float | None
    remarks: tuple[str, ...] = ()


class Judged(Inspected, Protocol):
    """What is read of an inspection."""

    @property
    def judgement(self) -> Judgement: ...


def compare_before(after: Judged, before: Judged) -> BeforeAfter:
    """
    What a repair changed.

    Parameters
    ----------
    after, before : Inspection
        Of one layout.

    Returns
    -------
    BeforeAfter
        Parts in the order of the layout.

    Raises
    ------
    InputError
        The two are of different boards or layouts, or of the same frames.

    Notes
    -----
    The look before stands where known-good runs stand else, but of this very specimen: shift and scale of all rises are
    fitted blind to the few parts that changed, and what changed parts give their neighbours is taken out.
    """
    known = _as_baseline(before, after)
    evidence = after.judgement.evidence
    if evidence is None or evidence.heat is None:
        raise InputError("nothing was judged", where="--before")
    result = against_baseline(after.measurements, after.run, known, heat=evidence.heat, same_specimen=True)
    was = {each.measurement.part.ref: each.verdict for each in before.judgement.parts}
    now = {each.measurement.part.ref: each.verdict for each in after.judgement.parts}
    said = {ref: _directions(before.judgement.findings, ref) for ref in now}
    compared = {c.ref: c for c in result.comparisons} if result is not None else {}
    chances = adjusted_p_values([c.p_value for c in compared.values()])
    changed = {ref for ref, chance in zip(compared, chances, strict=True) if _changed(compared[ref], float(chance))}
    changes = tuple(
        _change(ref, compared.get(ref), ref in changed, was=was[ref], now=now[ref], said=said[ref]) for ref in now
    )
    wide = result.board_wide if result is not None else None
    return BeforeAfter(
        changes,
        wide.scale if wide else None,
        wide.shift_k if wide else None,
        () if result is not None else ("too few parts were measured in both looks to compare them",),
    )


def _as_baseline(before: Judged, after: Judged) -> Baseline:
    known = learn_baseline([before])
    check_same_board(known, after.board, digest=layout_digest(after.board))
    if {frame.source.sha256 for frame in after.frames} & set(known.runs[0].frame_sha256):
        raise InputError(
            "these are the frames of the run itself", where="--before", fix="name the look before the repair"
        )
    return known


def _changed(comparison: Comparison, chance: float) -> bool:
    large = abs(comparison.excess_k) >= thresholds.WATCH_LEAST_K or comparison.looks_dead
    return large and chance <= ACT_FALSE_RATE and comparison.p_value <= ACT_CHANCE


def _directions(findings: Sequence[Finding], ref: str) -> set[str]:
    return {finding.direction for finding in findings if finding.ref == ref}


def _change(
    ref: str, comparison: Comparison | None, changed: bool, *, was: Verdict, now: Verdict, said: set[str]
) -> Change:
    if comparison is None:
        return Change(ref, None, None, None, was, now, Outcome.NOT_TOLD)
    flagged_before, flagged_now = was in FLAGGED, now in FLAGGED
    way = "cold" if comparison.excess_k > 0 else "hot"
    if changed and flagged_before:
        # Towards what was wanted, and no further: a hot part that is cooler, a cold one that is warmer.
        outcome = Outcome.BETTER if way in said or (not said and not flagged_now) else Outcome.WORSE
    elif changed:
        outcome = Outcome.WORSE if flagged_now else Outcome.CHANGED
    elif flagged_before and flagged_now:
        outcome = Outcome.NOT_BETTER
    elif flagged_before:
        outcome = Outcome.BETTER if not flagged_now else Outcome.NOT_BETTER
    else:
        outcome = Outcome.SAME
    return Change(
        ref,
        comparison.excess_k,
        comparison.good_sd_k,
        comparison.score,
        was,
        now,
        outcome,
    )


def change_lines(before_after: BeforeAfter) -> list[str]:
    """
    What changed in plain lines, the greatest change first.

    Examples
    --------
    >>> one = Change("U7", -9.2, 0.4, -23.0, "hot", "normal", Outcome.BETTER)
    >>> change_lines(BeforeAfter((one,), 1.0, 0.2))[1]
    '  U7 is better: 9.2 K cooler by its own heat (± 0.8 K between two looks at one board), hot before, normal now'
    """
    told = [each for each in before_after.changes if each.outcome not in (Outcome.SAME, Outcome.NOT_TOLD)]
    lines = [f"Against the look before: {_counted(before_after)}."]
    if before_after.scale is not None and before_after.shift_k is not None:
        lines[0] += (
            f" All rises are {before_after.scale:.2f} times as large and shifted by"
            # Plus nothing, so that a shift that rounds to nothing bears no minus.
            f" {round(before_after.shift_k, 1) + 0.0:+.1f} K."
        )
    for each in sorted(told, key=lambda change: -abs(change.change_k or 0.0)):
        change_k, u_k = each.change_k or 0.0, each.u_k or 0.0
        way = "warmer" if change_k > 0 else "cooler"
        lines.append(
            f"  {each.ref} is {each.outcome}: {abs(change_k):.1f} K {way} by its own heat (± {2 * u_k:.1f} K between "
            f"two looks at one board), {each.was} before, {each.now} now"
        )
    return [*lines, *before_after.remarks]


def _counted(before_after: BeforeAfter) -> str:
    outcomes = [each.outcome for each in before_after.changes]
    told = [f"{outcomes.count(outcome)} {outcome.value}" for outcome in Outcome if outcome in outcomes]
    return ", ".join(told) or "no parts"
