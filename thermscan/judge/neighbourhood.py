"""One line for what a culprit warms: eight warmed neighbours are one finding, not eight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from thermscan.frozen import dataclass
from thermscan.judge.finding import Finding
from thermscan.judge.weighing import Meaning, Weighed

# More names than this on one line help nobody.
MOST_NAMES = 8


@dataclass(frozen=True, slots=True)
class Neighbourhoods:
    """The findings that are left, and the parts told in another one's: by ref, who warms them."""

    findings: tuple[Finding, ...]
    told_with: dict[str, str]


def gather_neighbours(told: Sequence[tuple[Weighed, Finding]]) -> Neighbourhoods:
    """
    Findings of parts that are only warmed, those of one source gathered in that of the warmest.

    Parameters
    ----------
    told : sequence of (Weighed, Finding)
        All findings of peers, known-good runs and watts.

    Returns
    -------
    Neighbourhoods
        Findings about own heat, and those whose source is not one part, stay as they are.
    """
    accused = {finding.ref for weighed, finding in told if weighed.meaning is Meaning.OWN}
    by_source: dict[str, list[Finding]] = {}
    for weighed, finding in told:
        if weighed.meaning is Meaning.RECEIVED and finding.source_ref is not None and finding.ref not in accused:
            by_source.setdefault(finding.source_ref, []).append(finding)
    left = [finding for _, finding in told]
    told_with: dict[str, str] = {}
    for source, about in by_source.items():
        first = max(about, key=lambda finding: finding.excess_k or 0.0)
        others = list(dict.fromkeys(f.ref for f in about if f.ref is not None and f.ref != first.ref))
        if not others:
            continue
        told_with |= dict.fromkeys(others, source)
        more = f" and {len(others) - MOST_NAMES} more" if len(others) > MOST_NAMES else ""
        text = f"{first.text} It warms {', '.join(others[:MOST_NAMES])}{more} as well."
        left = [f for f in left if f not in about or f.ref == first.ref]
        left = [replace(f, text=text) if f is first else f for f in left]
    return Neighbourhoods(tuple(left), told_with)
