"""What the report's rooms all need from an inspection: the same order, the same selection everywhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, TypeAlias

from thermscan.inspection import Inspection
from thermscan.judge.finding import Finding, PartVerdict

FLAGGED_VERDICTS = ("hot", "cold", "watch")
if TYPE_CHECKING:
    # What finds regions needs half a second of libraries that a look with a layout does without.
    from thermscan.no_layout import RegionsFound

# A look at a board, with a layout or without one.
Looked: TypeAlias = "Inspection | RegionsFound"


def verdicts_in_layout_order(inspection: Looked) -> tuple[PartVerdict, ...]:
    """The verdicts, sorted like the layout; a part that the layout does not have comes last."""
    if not isinstance(inspection, Inspection):
        return inspection.judgement.parts
    place = {part.ref: index for index, part in enumerate(inspection.board.parts)}
    return tuple(sorted(inspection.judgement.parts, key=lambda each: place.get(each.measurement.part.ref, len(place))))


def findings_by_weight(
    findings: Sequence[Finding], suspicion: Mapping[str, float] | None = None
) -> tuple[Finding, ...]:
    """
    Findings with the most pressing first: to act on before to watch, then by suspicion where known, then by score.

    Examples
    --------
    >>> small = Finding("U1", "peer", "watch", "hot", 1.0, 0.5, 2.0, "U1 is warm.")
    >>> large = Finding("U2", "peer", "act", "hot", 9.0, 0.5, 18.0, "U2 is hot.")
    >>> [finding.ref for finding in findings_by_weight([small, large])]
    ['U2', 'U1']
    """

    def weight(finding: Finding) -> tuple[bool, float, float]:
        # Heat where no part is has no suspicion of its own: what stands out so far is as good as sure.
        suspect = (suspicion or {}).get(finding.ref, 0.0) if finding.ref is not None else 1.0
        return finding.level != "act", -round(suspect, 3), -abs(finding.score or 0.0)

    return tuple(sorted(findings, key=weight))


def main_finding_by_ref(inspection: Looked) -> dict[str, Finding]:
    """The most pressing finding of each part that has one."""
    found: dict[str, Finding] = {}
    for finding in findings_by_weight(inspection.judgement.findings):
        if finding.ref is not None:
            found.setdefault(finding.ref, finding)
    return found


def flagged_verdicts(inspection: Looked) -> tuple[PartVerdict, ...]:
    """
    Parts that the reader must see, the most pressing first.

    Those with a verdict of hot, cold or watch, and those that a finding names.
    """
    findings = main_finding_by_ref(inspection)
    order = {ref: index for index, ref in enumerate(findings)}
    flagged = [
        each
        for each in verdicts_in_layout_order(inspection)
        if each.verdict in FLAGGED_VERDICTS or each.measurement.part.ref in findings
    ]
    return tuple(sorted(flagged, key=lambda each: order.get(each.measurement.part.ref, len(order))))
