"""The inspection in a few plain lines, for the terminal."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from thermscan.inspection import Inspection
from thermscan.judge.before_after import change_lines
from thermscan.report.cautions import CAUTION_LINE
from thermscan.report.gathering import findings_by_weight
from thermscan.report.verdicts import OVERALL_SENTENCES

# More refs than this on one line help nobody; the table has them all.
_MOST_REFS = 12

# A part less probably at fault than this is not worth a name among the suspects.
_LEAST_SUSPICION = 0.1

_FOUND_BY = {
    "corners": "the corners given",
    "landmarks": "the landmarks given",
    "outline": "its outline",
    "baseline": "its likeness to the baseline",
}


def summary_lines(inspection: Inspection) -> list[str]:
    """
    Overall verdict, findings, what could not be measured, registration, remarks and a caution.

    Returns
    -------
    list of str
        Plain text; each item is one line without control characters.
    """
    judgement = inspection.judgement
    lines = [f"Overall: {judgement.overall}. {OVERALL_SENTENCES[judgement.overall]}"]
    suspicion = {each.measurement.part.ref: each.suspicion for each in judgement.parts if each.suspicion is not None}
    guessed: set[tuple[str | None, str]] = set()
    for finding in findings_by_weight(judgement.findings, suspicion):
        lines.append(f"  {finding.level}, {finding.direction}: {finding.text}")
        # Two rules that accuse one part guess alike: each guess is told once.
        guesses = [guess for guess in finding.hypotheses if (finding.ref, guess) not in guessed]
        lines.extend(f"    possible: {guess}" for guess in guesses)
        guessed |= {(finding.ref, guess) for guess in guesses}
    if inspection.before is not None:
        lines.extend(change_lines(inspection.before))
    lines.extend(_suspect_lines(suspicion))
    measured = sum(each.measurement.measurable for each in judgement.parts)
    lines.append(f"Measured {measured} of {len(judgement.parts)} parts.")
    lines.extend(not_compared_lines(judgement.not_compared))
    lines.extend(f"  {line}" for line in not_measured_lines(inspection))
    lines.append(registration_line(inspection))
    lines.extend(f"Remark: {remark}" for remark in inspection.remarks)
    lines.append(CAUTION_LINE)
    return [_one_line(line) for line in lines]


def _suspect_lines(suspicion: dict[str, float]) -> list[str]:
    """The parts most probably at fault, in order; none where no part is suspect."""
    suspect = sorted(((chance, ref) for ref, chance in suspicion.items() if chance >= _LEAST_SUSPICION), reverse=True)
    if not suspect:
        return []
    named = listed([f"{ref} {min(chance, 0.99):.0%}" for chance, ref in suspect])
    return [f"Chance of a fault, all rules together: {named}."]


def not_compared_lines(refs: Sequence[str]) -> list[str]:
    """The parts that nothing was compared with, all by name; none where there are none."""
    if not refs:
        return []
    told = listed(refs, most=len(refs))
    return [f"Measured, but compared with nothing, {len(refs)}: {told}. Whether they run as they should is not told."]


def not_measured_lines(inspection: Inspection, *, most_refs: int = _MOST_REFS) -> list[str]:
    """One line for each reason for which parts were not measured: the parts, the reason and the remedy."""
    refs_by_reason: dict[str, list[str]] = defaultdict(list)
    for each in inspection.judgement.parts:
        if each.measurement.reason is not None:
            refs_by_reason[str(each.measurement.reason)].append(each.measurement.part.ref)
    return [
        f"Not measurable, {len(refs)}: {listed(refs, most=most_refs)}: {reason}."
        for reason, refs in refs_by_reason.items()
    ]


def registration_line(inspection: Inspection) -> str:
    """How the board was found in the frame, in one sentence."""
    found = inspection.registration
    return (
        f"Board placed by {_FOUND_BY.get(found.method, found.method)}: residual {found.residual_px:.2f} px, "
        f"parts placed within {found.uncertainty_mm:.2f} mm (k = 1), "
        f"seen {found.view_angle_deg:.0f} degrees from the normal."
    )


def listed(refs: Iterable[str], *, most: int = _MOST_REFS) -> str:
    """
    Refs in a row, the tail counted where there are many.

    Examples
    --------
    >>> listed(["U1", "U2", "U3"], most=2)
    'U1, U2 and 1 more'
    """
    names = list(refs)
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def _one_line(text: str) -> str:
    # Control characters in a ref or a note could drive the terminal.
    indent = len(text) - len(text.lstrip(" "))
    shown = "".join(letter if letter.isprintable() else " " for letter in text)
    return " " * indent + " ".join(shown.split())
