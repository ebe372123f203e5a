"""All that an inspection knows of one part, and the inspection as a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from typing import Any

from thermscan.frozen import dataclass
from thermscan.judge.finding import Finding, Judgement, PartVerdict
from thermscan.layout.board import Part
from thermscan.regions.measurement import PartMeasurement


@dataclass(frozen=True, slots=True, repr=False)
class InspectedPart:
    """
    One part: what the layout says, what was measured, and what the judge says.

    Attributes
    ----------
    part : Part
    measurement : PartMeasurement
    verdict : PartVerdict
    findings : tuple of Finding
    """

    part: Part
    measurement: PartMeasurement
    verdict: PartVerdict
    findings: tuple[Finding, ...] = field(default=())

    def __repr__(self) -> str:
        if self.measurement.mean_c is None:
            return f"<{self.part.ref}: not measurable>"
        return f"<{self.part.ref}: {self.measurement.mean_c:.1f} °C, {self.verdict.verdict}>"


def inspected_part(ref: str, judgement: Judgement) -> InspectedPart:
    """
    One part of a judgement by its ref.

    Raises
    ------
    KeyError
        There is no such part; with the nearest one.
    """
    verdict = judgement[ref]
    findings = tuple(finding for finding in judgement.findings if finding.ref == ref)
    return InspectedPart(verdict.measurement.part, verdict.measurement, verdict, findings)


def part_columns(verdicts: Sequence[PartVerdict]) -> dict[str, list[Any]]:
    """
    One row a part, as columns that pandas and polars take as they are.

    Returns
    -------
    dict of list
        Keys as in results.json; None where a number could not be had.
    """
    rows = [
        {
            "ref": (part := each.measurement.part).ref,
            "kind": part.kind,
            "group": part.group,
            "package": part.package,
            "surface": part.surface.name,
            "emissivity": part.surface.emissivity,
            "pixels": each.measurement.pixels,
            "mean_c": each.measurement.mean_c,
            "max_c": each.measurement.max_c,
            "rise_k": each.measurement.rise_k,
            "u_c": each.measurement.u_c,
            "measurable": each.measurement.measurable,
            "reason": each.measurement.reason.sentence if each.measurement.reason else None,
            "verdict": each.verdict,
            "suspicion": each.suspicion,
        }
        for each in verdicts
    ]
    names = list(rows[0]) if rows else ["ref"]
    return {name: [row[name] for row in rows] for name in names}
