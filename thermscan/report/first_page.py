"""The first page in plain words: what was looked at, what was found, what to do, and what this cannot tell."""

from __future__ import annotations

from collections import defaultdict

from thermscan.frozen import dataclass
from thermscan.inspection import Inspection
from thermscan.judge.before_after import Outcome
from thermscan.judge.finding import Finding
from thermscan.registration import Registration
from thermscan.report.gathering import findings_by_weight, main_finding_by_ref
from thermscan.report.sentences import in_words_of
from thermscan.report.shown import Shown, listed, visible
from thermscan.views.seen import SeenView

# More would push what was not compared off the first page; all of them stand further on.
_MOST_FINDINGS = 12
# Guesses at causes, of the most pressing parts: the page's table has those of all.
_MOST_GUESSED = 3
# A shift and a scale of the whole board below these are not worth a sentence: they are within what looks differ by.
_SAME_SCALE, _SAME_SHIFT_K = 0.02, 0.1


@dataclass(frozen=True, slots=True)
class Told:
    """A finding as the first page tells it."""

    finding: Finding
    sentence: str


@dataclass(frozen=True, slots=True)
class FirstPage:
    """Five answers, each a few sentences."""

    looked: tuple[str, ...]
    found: tuple[Told, ...]
    more: str | None
    changed: tuple[str, ...]
    do: tuple[str, ...]
    cannot: tuple[str, ...]
    not_compared: str


def first_page(inspection: Inspection, shown: Shown) -> FirstPage:
    """
    What a person who owns the board wants to know, without a term of statistics.

    Examples
    --------
    >>> from tests.report.built_inspections import build_inspection
    >>> page = first_page(build_inspection(6, flagged=1, shape=(24, 32), baseline=False), Shown())
    >>> page.looked[1], page.not_compared[:35]
    ('4 thermal frames of one view, averaged.', 'Every part that was measured was co')
    """
    findings = findings_by_weight(inspection.judgement.findings)
    return FirstPage(
        looked=_looked(inspection, shown),
        found=tuple(told(finding, shown) for finding in findings[:_MOST_FINDINGS]),
        more=shown.say("first.more", n=more) if (more := len(findings) - _MOST_FINDINGS) > 0 else None,
        changed=_changed(inspection, shown),
        do=_to_do(inspection, shown),
        cannot=_cannot(inspection, shown),
        not_compared=_not_compared(inspection, shown),
    )


def told(finding: Finding, shown: Shown) -> Told:
    """A finding in one sentence: the judge's own in English and degrees Celsius, else one made from its figures."""
    if shown.language == "en" and shown.units == "C":
        return Told(finding, visible(finding.text))
    ref = visible(finding.ref) if finding.ref else shown.say("finding.a_place")
    if finding.excess_k is None:
        direction = shown.say(f"word.{finding.direction}")
        return Told(finding, shown.say("finding.unnumbered", ref=ref, direction=direction))
    key = f"finding.{finding.rule}" if shown.has(f"finding.{finding.rule}") else "finding.other"
    sentence = shown.say(
        key,
        ref=ref,
        amount=shown.diff(abs(finding.excess_k)),
        warmer=shown.say("finding.warmer" if finding.excess_k > 0 else "finding.cooler"),
        range=shown.spread(finding.u_k) or shown.say("finding.no_range"),
    )
    return Told(finding, sentence)


def head_facts(inspection: Inspection, shown: Shown) -> list[str]:
    """What stands below the board's name."""
    run = inspection.run
    return [
        *([shown.say("head.serial", value=visible(run.board_serial))] if run.board_serial else []),
        *([visible(run.stage)] if run.stage else []),
        *([shown.say("head.taken", value=shown.say("number.date", value=run.taken))] if run.taken else []),
        shown.say("head.room", value=shown.temp(run.ambient_c)),
    ]


def registration_text(inspection: Inspection, shown: Shown) -> str:
    """How the board was found in the frame, in one sentence."""
    return placed_text(inspection.registration, shown)


def placed_text(found: Registration, shown: Shown) -> str:
    """A place in one sentence."""
    method = f"detail.method_{found.method}"
    return shown.say(
        "detail.registration_line",
        method=shown.say(method) if shown.has(method) else visible(found.method),
        residual=shown.number(found.residual_px, 2),
        place=shown.number(found.uncertainty_mm, 2),
        angle=shown.number(found.view_angle_deg, 0),
    )


def board_level(inspection: Inspection, shown: Shown) -> str | None:
    """How the whole board differs from the known-good runs, in the one statement that the report makes of it."""
    evidence = inspection.judgement.evidence
    level = evidence.board_wide if evidence else None
    if level is None:
        return None
    if abs(level.scale - 1.0) < _SAME_SCALE and abs(level.shift_k) < _SAME_SHIFT_K:
        return shown.say("first.board_level_same")
    shift = shown.diff(level.shift_k, signed=True)
    return shown.say("first.board_level", scale=shown.number(level.scale, 2), shift=shift)


def _looked(inspection: Inspection, shown: Shown) -> tuple[str, ...]:
    run, board = inspection.run, inspection.board
    measured = sum(each.measurement.measurable for each in inspection.judgement.parts)
    name = visible(" ".join(filter(None, [board.name, board.revision])))
    minutes = ""
    if run.minutes_on is not None:
        on = shown.say("number.minutes", value=shown.number(run.minutes_on, 0))
        minutes = shown.say("first.looked_minutes", minutes=on)
    runs = len(inspection.baseline.runs) if inspection.baseline else 0
    sentences = [
        shown.say("first.looked_board", board=name, parts=len(board.parts), measured=measured),
        _frames(inspection, shown),
        shown.say("first.looked_stage", stage=visible(run.stage)) if run.stage else "",
        shown.say("first.looked_when", room=shown.temp(run.ambient_c), minutes=minutes),
    ]
    if run.supply:
        watts = shown.number(sum(each.watts for each in run.supply), 2)
        sentences.append(shown.say("first.looked_supply", watts=watts))
    if not runs:
        sentences.append(shown.say("first.looked_no_baseline"))
    else:
        one = runs == 1
        sentences.append(shown.say(f"first.looked_baseline_{'one' if one else 'many'}", **({} if one else {"n": runs})))
    return tuple(filter(None, [*sentences, board_level(inspection, shown)]))


def _frames(inspection: Inspection, shown: Shown) -> str:
    """How many frames, from how many sides."""
    views = sum(isinstance(view, SeenView) for view in inspection.views)
    if views > 1:
        return shown.say("first.looked_frames_views", n=len(inspection.frames), views=views)
    frames = inspection.image.frames
    return shown.say("first.looked_frames_one") if frames == 1 else shown.say("first.looked_frames_many", n=frames)


def _changed(inspection: Inspection, shown: Shown) -> tuple[str, ...]:
    """What became of each part since the look before, the greatest change first; empty without such a look."""
    if inspection.before is None:
        return ()
    changes = inspection.before.changes
    counts = [(outcome, sum(each.outcome is outcome for each in changes)) for outcome in Outcome]
    counted = ", ".join(f"{count} {shown.say(f'change.{_key(outcome)}')}" for outcome, count in counts if count)
    sentences = [shown.say("change.all", counted=counted)]
    said = [each for each in changes if each.outcome not in {Outcome.SAME, Outcome.NOT_TOLD}]
    for each in sorted(said, key=lambda change: -abs(change.change_k or 0.0))[:_MOST_FINDINGS]:
        change_k = each.change_k or 0.0
        way = shown.say("finding.warmer" if change_k > 0 else "finding.cooler")
        sentences.append(
            shown.say(
                "change.one",
                ref=visible(each.ref),
                outcome=shown.say(f"change.{_key(each.outcome)}"),
                amount=f"{shown.diff(abs(change_k))} {way}",
                range=shown.spread(each.u_k) or shown.say("finding.no_range"),
                was=shown.say(f"word.{each.was}"),
                now=shown.say(f"word.{each.now}"),
            )
        )
    return tuple(sentences)


def _key(outcome: Outcome) -> str:
    return outcome.value.replace(" ", "_")


def _to_do(inspection: Inspection, shown: Shown) -> tuple[str, ...]:
    overall = inspection.judgement.overall
    main = main_finding_by_ref(inspection)
    sentences = []
    if overall in {"act", "watch"}:
        refs = [ref for ref, finding in main.items() if finding.level == overall]
        key = f"first.do_{overall}"
        sentences.append(shown.say(key, refs=listed(refs)) if refs else shown.say(f"{key}_board"))
        possible = [(ref, main[ref].hypotheses) for ref in refs[:_MOST_GUESSED] if main[ref].hypotheses]
        for ref, guesses in possible:
            what = "; ".join(in_words_of(guess, shown)[0] for guess in guesses).replace("?;", "?")
            sentences.append(shown.say("first.do_possible", ref=visible(ref), what=what))
    else:
        sentences.append(shown.say(f"first.do_{overall}"))
    sentences += [
        shown.say("first.do_reasons", remedy=shown.say(f"remedy.{code}"), refs=listed(refs, most=12))
        for code, refs in _refs_by_reason(inspection).items()
        if shown.has(f"remedy.{code}")
    ]
    return tuple(sentences)


def _cannot(inspection: Inspection, shown: Shown) -> tuple[str, ...]:
    unmeasured = [
        shown.say(
            "first.cannot_measure",
            refs=listed(refs),
            reason=shown.say(f"reason.{code}") if shown.has(f"reason.{code}") else visible(code),
        )
        for code, refs in _refs_by_reason(inspection).items()
    ]
    return (shown.say("first.cannot_surface"), shown.say("first.cannot_now"), *unmeasured)


def _refs_by_reason(inspection: Inspection) -> dict[str, list[str]]:
    found: dict[str, list[str]] = defaultdict(list)
    for each in inspection.judgement.parts:
        if each.measurement.reason is not None:
            found[each.measurement.reason.code].append(each.measurement.part.ref)
    return dict(found)


def _not_compared(inspection: Inspection, shown: Shown) -> str:
    refs = inspection.judgement.not_compared
    if not refs:
        return shown.say("first.not_compared_none")
    return shown.say("first.not_compared_refs", refs=listed(refs, most=len(refs)))
