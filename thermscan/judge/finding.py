"""Findings and verdicts: the judge's answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from typing import TYPE_CHECKING, Literal

from thermscan.errors import nearest_name
from thermscan.frozen import dataclass
from thermscan.regions.measurement import PartMeasurement

if TYPE_CHECKING:
    from thermscan.judge.judging import Evidence
    from thermscan.judge.watts_seen import WattsSeen

Level = Literal["watch", "act"]
Direction = Literal["hot", "cold"]
Verdict = Literal["normal", "watch", "hot", "cold", "not-measurable"]
Overall = Literal["clear", "watch", "act", "undecided"]


@dataclass(frozen=True, slots=True)
class Finding:
    """
    One judgement with its evidence.

    Attributes
    ----------
    rule : str
        ``peer``, ``baseline``, ``limit``, ``unmapped``, ``board`` …
    excess_k : float or None
        By how much, signed: positive is hotter.
    u_k : float or None
        Standard uncertainty of the comparison, in which what both sides share cancels.
    score : float or None
        excess_k / u_k, or the rule's own standardised measure.
    own_k, received_k : float or None
        The rise split into the part's own heat and what neighbours give.
    source_ref : str or None
        The neighbour that gives most of the received heat.
    hypotheses : tuple of str
        What the trade would check next; worded as possibilities.
    """

    ref: str | None
    rule: str
    level: Level
    direction: Direction
    excess_k: float | None
    u_k: float | None
    score: float | None
    text: str
    own_k: float | None = None
    received_k: float | None = None
    source_ref: str | None = None
    hypotheses: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class UnmappedHeat:
    """Heat where the layout has no part."""

    x_mm: float
    y_mm: float
    peak_c: float
    rise_k: float
    area_mm2: float
    nearest_ref: str | None
    distance_mm: float | None


@dataclass(frozen=True, slots=True, repr=False)
class PartVerdict:
    """
    The verdict on one part, and which rules could be applied to it.

    ``suspicion`` is its probability of being at fault (`thermscan.judge.suspicion`), None where nothing was compared.
    ``watts`` is what it draws by its heat and what it may draw; None where that is not known.
    """

    measurement: PartMeasurement
    verdict: Verdict
    compared_by: tuple[str, ...] = field(default=())
    reason: str | None = None
    suspicion: float | None = None
    watts: WattsSeen | None = None

    def __repr__(self) -> str:
        return f"<{self.measurement.part.ref}: {self.verdict}>"


@dataclass(frozen=True, slots=True, repr=False)
class Judgement:
    """The judge's answer about one run, part by part by ref; ``evidence`` is what it rests on, for explaining it."""

    parts: tuple[PartVerdict, ...]
    findings: tuple[Finding, ...]
    unmapped: tuple[UnmappedHeat, ...]
    overall: Overall
    remarks: tuple[str, ...] = field(default=())
    evidence: Evidence | None = field(default=None, compare=False, repr=False)

    @property
    def not_compared(self) -> tuple[str, ...]:
        """Parts that were measured, but that no rule had anything to hold against."""
        return tuple(
            each.measurement.part.ref for each in self.parts if each.measurement.measurable and not each.compared_by
        )

    def __getitem__(self, ref: str) -> PartVerdict:
        """The verdict on one part; a ref that no part has is a KeyError that names the nearest one."""
        found = next((each for each in self.parts if each.measurement.part.ref == ref), None)
        if found is None:
            raise no_such_part(ref, [each.measurement.part.ref for each in self.parts])
        return found

    def __repr__(self) -> str:
        acts = sum(finding.level == "act" for finding in self.findings)
        return f"<judgement: {self.overall}, {len(self.parts)} parts, {len(self.findings)} findings, {acts} to act on>"


def no_such_part(ref: str, refs: Sequence[str]) -> KeyError:
    """
    The error for a ref that no part has.

    Examples
    --------
    >>> no_such_part("U77", ["U7", "R1"])
    KeyError('no part U77; did you mean U7?')
    """
    near = nearest_name(ref, refs)
    return KeyError(f"no part {ref}" + (f"; did you mean {near}?" if near else ""))
