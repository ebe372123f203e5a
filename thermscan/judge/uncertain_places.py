"""Places that are not known are not accused: what may be hidden is watched, and what cannot be placed is named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from thermscan.coordinates import sample_bilinear
from thermscan.heat.heights import SEEN_WRONGLY
from thermscan.judge import thresholds
from thermscan.judge.baseline import Baseline
from thermscan.judge.comparison import Comparison, own_u_k
from thermscan.judge.finding import Finding
from thermscan.judge.holds import Hold, HoldCode
from thermscan.judge.peers import FEWEST_PEERS, peer_groups
from thermscan.layout.board import Part
from thermscan.regions.leaning import Leaning
from thermscan.regions.measurement import PartMeasurement
from thermscan.regions.reasons import PLACE_UNCERTAIN

# What may hide a part must be able to make this share of its excess: less leaves most of it to the part itself.
EXPLAINS_SHARE = 0.5
# Of the smaller of two bodies: so much of it in common, and one is read where the other lies.
READ_THERE_SHARE = 0.5
# A part that cannot be placed may be seen so far from where it is looked for: a high body at 45 degrees.
LOOKED_FOR_MM = 12.0
# A body read beside its top, since its height is not known, blends with the cooler board by so much of its rise.
BLENDS_SHARE = 0.2
RULE = "unplaced"


def hold_hidden(
    comparisons: Sequence[Comparison],
    measurements: Sequence[PartMeasurement],
    leaning: Leaning | None,
    *,
    ambient_c: float,
) -> list[Comparison]:
    """
    The comparisons, those held back whose excess another body's top may make.

    Parameters
    ----------
    comparisons : sequence of Comparison
    measurements : sequence of PartMeasurement
        Of all parts.
    leaning : Leaning or None
        None: nothing may be hidden.
    ambient_c : float
    """
    if leaning is None:
        return list(comparisons)
    by_ref = {m.part.ref: m for m in measurements}
    mistaken = _mistaken_for(measurements, leaning)
    heights = leaning.registration.heights
    groups = [set(group.refs) for group in peer_groups([m.part for m in measurements])]
    held = []
    for each in comparisons:
        hold = each.at_most_watch
        if hold is None and each.ref in leaning.hidden_by:
            usual_c = ambient_c + each.expected_k
            hiding = hidden_by(by_ref[each.ref], by_ref, leaning, usual_c=usual_c, excess_k=each.temp_excess_k)
            hold = may_be_hidden(hiding) if hiding else None
        # The bench is as warm as the air, and must make all of the excess within the reading's doubt.
        bench_k = leaning.beyond.get(each.ref, 0.0) * each.expected_k
        if hold is None and bench_k > 0.0 and -each.temp_excess_k <= bench_k + 2.0 * each.u_k and each.excess_k < 0:
            hold = MAY_BE_BENCH
        harmless, sink_k = each.harmless, each.sink_k
        if (other := mistaken.get(each.ref)) is not None:
            seen = (known := heights.get(each.ref)) is not None and known.seen
            if not seen:
                hold = hold or may_be_another(other)
            elif not any({each.ref, other} <= group for group in groups):
                # A good part of another type may well read so; one of its own type would as little as it would itself.
                harmless, sink_k = max((harmless, sink_k), (SEEN_WRONGLY, 0.0))
        held.append(replace(each, at_most_watch=hold, harmless=harmless, sink_k=sink_k))
    return held


def _mistaken_for(measurements: Sequence[PartMeasurement], leaning: Leaning) -> dict[str, str]:
    """
    Parts that are read where another one lies that was not read itself; and that other one.

    Where such a part's height is wrong it is that other one that is seen there: a height that the view does not show
    may well be, one that it is said to show seldom is.
    """
    unseen = {m.part.ref for m in measurements if not m.measurable}
    return {
        ref: other.ref
        for ref, others in leaning.read_over.items()
        for other in reversed(others)
        if other.ref in unseen and other.share >= READ_THERE_SHARE
    }


MAY_BE_BENCH = Hold(
    HoldCode.MAY_BE_BENCH, "its height is not known for sure, and if it stands lower the bench beside the board is read"
)


def may_be_another(ref: str) -> Hold:
    """The reason that what is read of this part may be another one's."""
    sentence = f"its height is not known, and where its top is looked for {ref} may be seen: it may be either of them"
    return Hold(HoldCode.MAY_BE_ANOTHER, sentence)


def may_be_hidden(ref: str) -> Hold:
    """The reason that a taller part may hide this one."""
    return Hold(HoldCode.MAY_BE_HIDDEN, f"{ref}, whose height is not known for sure, may hide it in this view")


def hidden_by(
    member: PartMeasurement,
    by_ref: Mapping[str, PartMeasurement],
    leaning: Leaning,
    *,
    usual_c: float,
    excess_k: float,
) -> str | None:
    """
    The part whose top may make another one's excess by hiding a share of it, or None.

    Parameters
    ----------
    member : PartMeasurement
        Whose excess it is.
    by_ref : mapping of ref to PartMeasurement
    leaning : Leaning
    usual_c : float
        What the member should read.
    excess_k : float
    """
    for other in leaning.hidden_by.get(member.part.ref, ()):
        seen_c = _shows_c(by_ref[other.ref], cold=excess_k < 0)
        # A part that was not read may show anything.
        makes_k = np.inf if seen_c is None else other.share * (seen_c - usual_c) * np.sign(excess_k)
        if makes_k >= EXPLAINS_SHARE * abs(excess_k):
            return other.ref
    return None


def leaning_over(
    leaning: Leaning | None,
    measurements: Sequence[PartMeasurement],
    *,
    at_mm: tuple[float, float],
    peak_c: float,
    besides: str | None = None,
) -> str | None:
    """
    The part whose warm top may be what is seen at a place, or None.

    Parameters
    ----------
    leaning : Leaning or None
    measurements : sequence of PartMeasurement
    at_mm : tuple of float
    peak_c : float
        What is seen there; only a body that is as warm can be it.
    besides : str, optional
        A part that is not meant.
    """
    if leaning is None:
        return None
    by_ref = {m.part.ref: m for m in measurements}
    for ref in leaning.over(*at_mm):
        m = by_ref.get(ref)
        seen_c = _shows_c(m) if m is not None else None
        if m is None or ref == besides:
            continue
        if seen_c is None or seen_c + max(2.0 * own_u_k(m), BLENDS_SHARE * (m.rise_k or 0.0)) >= peak_c:
            return ref
    return None


def name_unplaced(
    measurements: Sequence[PartMeasurement],
    *,
    baseline: Baseline | None,
    ambient_c: float,
) -> tuple[Finding, ...]:
    """
    A watch for each part that cannot be placed and shows far more heat than its like or its known-good runs.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    baseline : Baseline or None
    ambient_c : float
    """
    peers = {ref: group for group in peer_groups([m.part for m in measurements]) for ref in group.refs}
    rises = {m.part.ref: m.rise_k for m in measurements if m.measurable and m.rise_k is not None}
    findings = []
    for m in measurements:
        if m.reason is not PLACE_UNCERTAIN or m.apparent_mean_c is None:
            continue
        rise_k = m.apparent_mean_c - ambient_c
        group = peers.get(m.part.ref)
        alike = [rises[ref] for ref in group.refs if ref in rises] if group is not None else []
        told: list[tuple[float, str]] = []
        if baseline is not None and (usual := _usual_k(m.part, baseline)) is not None:
            told.append((rise_k - usual, "in the good runs"))
        elif len(alike) >= FEWEST_PEERS - 1:
            told.append((rise_k - max(alike), f"its warmest peer of the group {group.name if group else ''}"))
        # A wrong place mixes in what lies about it, which is seldom as far off as this.
        least = max(thresholds.UNPLACED_LEAST_K, thresholds.UNPLACED_LEAST_SHARE * rise_k)
        findings += [_unplaced(m.part.ref, excess, than) for excess, than in told if excess >= least]
    return tuple(findings)


def _unplaced(ref: str, excess_k: float, than: str) -> Finding:
    return Finding(
        ref=ref,
        rule=RULE,
        level="watch",
        direction="hot",
        excess_k=excess_k,
        u_k=None,
        score=None,
        text=(
            f"{ref}, not measurable: something there is {excess_k:.0f} K hotter than {than}. Only to be watched, since "
            "its place in this view is too uncertain to say what it is."
        ),
        hypotheses=(f"take the frame from nearer the normal, or state height_mm of {ref}, and judge again",),
    )


def _usual_k(part: Part, baseline: Baseline) -> float | None:
    """The most that the good runs show at a part: by itself, or anywhere that it may have been seen."""
    known = [run.rise_k[part.ref] for run in baseline.runs if part.ref in run.rise_k]
    if known:
        return max(known)
    reach = LOOKED_FOR_MM + 0.5 * max(part.length_mm, part.width_mm)
    steps = np.arange(-reach, reach + 0.5, 0.5)
    x, y = np.meshgrid(part.x_mm + steps, part.y_mm + steps)
    points = np.column_stack([x.ravel(), y.ravel()]) / baseline.mm_per_px - 0.5
    seen = sample_bilinear(baseline.rise_raster_k, points)
    return float(np.nanmax(seen)) if np.isfinite(seen).any() else None


def _shows_c(m: PartMeasurement, *, cold: bool = False) -> float | None:
    """What a part's top shows: its warmest place, or what it is on the whole where cold is asked for."""
    if m.max_c is not None:
        return m.mean_c if cold else m.max_c
    return m.apparent_mean_c if m.reason is not PLACE_UNCERTAIN else None
