"""Findings in plain sentences, and what the trade would check next."""

from __future__ import annotations

import re

from thermscan.heat.split import HeatSplit, PartHeat
from thermscan.judge import thresholds
from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Finding
from thermscan.judge.holds import OPPOSED
from thermscan.judge.unmapped import plain_name
from thermscan.judge.weighing import Meaning, Weighed, Why
from thermscan.layout.board import Part

# Below this nothing is said of received heat.
RECEIVED_WORTH_SAYING_K = 1.0
# From here on the parts of a rise do not seem to add up without the camera's offset.
CONSTANT_WORTH_SAYING_K = 0.5
# Expanded uncertainty in sentences: two standard uncertainties, about 95 %.
COVERAGE = 2.0


def finding_of(weighed: Weighed, part: Part, split: HeatSplit | None) -> Finding:
    """
    The finding about one comparison; it must have a level.

    Parameters
    ----------
    weighed : Weighed
    part : Part
    split : HeatSplit or None
        Of this run.
    """
    comparison = weighed.comparison
    heat = split.of(part.ref) if split is not None else None
    received = weighed.meaning is Meaning.RECEIVED
    excess = comparison.temp_excess_k if received else comparison.excess_k
    source = heat.sources[0] if heat is not None and heat.sources else None
    return Finding(
        ref=part.ref,
        rule=comparison.rule,
        level=weighed.level or "watch",
        direction="hot" if excess > 0 else "cold",
        excess_k=excess,
        u_k=comparison.u_k,
        score=comparison.score,
        text=_received_text(comparison, heat) if received else _own_text(weighed, heat, split),
        own_k=heat.own_k if heat is not None else None,
        received_k=heat.received_k if heat is not None else None,
        source_ref=source.ref if source is not None and plain_name(source.ref) == source.ref else None,
        hypotheses=_warmed_hypotheses(source.ref if source else None)
        if received
        else hypotheses(part, hot=excess > 0, dead=comparison.looks_dead),
    )


def hypotheses(part: Part, *, hot: bool, dead: bool) -> tuple[str, ...]:  # noqa: PLR0911 - one return a kind of part
    """
    What could be behind it, as possibilities.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> part = Part("C3", 10, 10, 5, 5, 0, Surface("painted", 0.93, 0.02), kind="electrolytic")
    >>> hypotheses(part, hot=True, dead=False)[0]
    'leaking or reversed capacitor? check its polarity and its ripple'
    """
    letters = re.match(r"[A-Za-z]*", part.ref)
    prefix = letters.group(0).upper() if letters else ""
    kind = (part.kind or "").lower()
    if hot:
        if prefix == "C":
            return ("leaking or reversed capacitor? check its polarity and its ripple",)
        if prefix in {"VR", "Q"} or "regulator" in kind:
            return ("overloaded? measure the current of what it feeds", "heatsink loose, or input voltage too high?")
        if prefix in {"R", "RN"}:
            return ("more current than meant? look for a short in what it feeds",)
        if prefix == "D":
            return ("leaking, reversed or overloaded diode?",)
        return (
            "two outputs driving one line, or an output shorted? look at the signals before replacing it",
            f"shorted bypass capacitor near {part.ref}?",
            "the part itself damaged, or put in the wrong way round?",
        )
    if dead:
        return (
            "not working? check its supply, clock and reset before replacing it",
            "socket contact, or a broken track or lead?",
            "not driven at this stage?",
        )
    return (
        "working less than its like? check its signals and what drives it",
        "poor supply or socket contact?",
        "another make of the part, which draws less?",
    )


def chance_text(chance: float) -> str:
    """
    A probability in words, no smaller than what a model of this sort can support.

    Examples
    --------
    >>> chance_text(0.0312), chance_text(2.6e-36)
    ('0.031', 'below one in a million')
    """
    return f"{chance:.2g}" if chance >= thresholds.LEAST_CHANCE else "below one in a million"


def _own_text(weighed: Weighed, heat: PartHeat | None, split: HeatSplit | None) -> str:
    c = weighed.comparison
    word = "warmer" if c.excess_k > 0 else "cooler"
    reach = COVERAGE * c.u_k
    rise = c.expected_k + c.temp_excess_k
    usual = f"they rise {c.expected_k:.1f} K" if c.rule == "peer" else f"{c.expected_k:.1f} K is usual at this load"
    text = (
        f"{c.ref} is {abs(c.excess_k):.1f} K (± {reach:.1f} K) {word} by its own heat than {c.against}: "
        f"it rises {rise:.1f} K where {usual}"
    )
    text += _split_clause(heat, split.constant_k if split is not None else 0.0) + "."
    if c.looks_dead:
        text += " It gives hardly any heat of its own."
    return text + why_watched(weighed)


def why_watched(weighed: Weighed) -> str:
    """Why it is not to be acted on, as a sentence to follow; empty where it is."""
    c = weighed.comparison
    if weighed.level != "watch":
        return ""
    if weighed.why is Why.HELD_BACK:
        return f" Only to be watched, since {c.at_most_watch or OPPOSED}."
    if weighed.why is Why.SMALL:
        return " That is too little to act on."
    return f" That makes it {weighed.suspicion:.0%} likely to be at fault, all in all: not sure enough to act on."


def _received_text(comparison: Comparison, heat: PartHeat | None) -> str:
    rise = comparison.expected_k + comparison.temp_excess_k
    text = f"{comparison.ref} is {comparison.temp_excess_k:.1f} K warmer than {comparison.against}, "
    text += "but its own heat does not stand out"
    if heat is None or heat.received_k < RECEIVED_WORTH_SAYING_K:
        return text + "."
    if heat.sources and heat.sources[0].kelvin >= RECEIVED_WORTH_SAYING_K:
        first = heat.sources[0]
        return text + f": {plain_name(first.ref)} gives {first.kelvin:.0f} K of its {rise:.0f} K."
    return text + f": its neighbours together give {heat.received_k:.0f} K of its {rise:.0f} K."


def _split_clause(heat: PartHeat | None, constant_k: float) -> str:
    if heat is None or heat.own_k is None or heat.received_k < RECEIVED_WORTH_SAYING_K:
        return ""
    clause = f"; of its rise {max(heat.own_k, 0.0):.1f} K is its own heat and {heat.received_k:.1f} K received"
    if heat.sources and heat.sources[0].kelvin >= RECEIVED_WORTH_SAYING_K:
        clause += f", {heat.sources[0].kelvin:.1f} K of that from {plain_name(heat.sources[0].ref)}"
    if abs(constant_k) >= CONSTANT_WORTH_SAYING_K:
        # Not the shift against known-good runs: what this look's heat leaves unexplained, camera and ambient included.
        clause += f", and {constant_k:.1f} K lie alike on all of the board"
    return clause


def _warmed_hypotheses(source: str | None) -> tuple[str, ...]:
    name = plain_name(source) if source else "its neighbours"
    return (f"warmed by {name}: judge that first, and look at this part again when it is cooler",)
