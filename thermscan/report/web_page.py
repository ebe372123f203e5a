"""The report as one web page: everything in it, nothing fetched, and readable without its script."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Sequence, Set
from importlib.resources import files
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined, Template
from markupsafe import Markup

from thermscan.frozen import dataclass
from thermscan.inspection import Inspection
from thermscan.judge.finding import Finding, PartVerdict
from thermscan.report.first_page import first_page, head_facts, registration_text, told
from thermscan.report.gathering import Looked, findings_by_weight, verdicts_in_layout_order
from thermscan.report.plate_views import seen_from
from thermscan.report.results import software_versions
from thermscan.report.sentences import in_words_of
from thermscan.report.shown import COVERAGE, Shown, visible
from thermscan.report.told import caution_texts, provenance_blocks
from thermscan.report.verdicts import OVERALL_MARKS, TOLD_MARKS, told_as
from thermscan.report.web_panes import ROWS
from thermscan.report.web_views import View, views_of

_COLUMNS = ("ref", "kind", "group", "verdict", "mean", "uncertainty", "rise", "compared")
_NUMBERS = {"mean", "uncertainty", "rise"}
# Shapes that a page may use, each once.
MARKS = (*TOLD_MARKS.values(), *(mark for mark in OVERALL_MARKS.values() if mark.word != "watch"))
# A part's facts: the key of each one's name, and what is said.
Facts = list[tuple[str, str | None]]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the parts' table; ``sort`` is a number, an empty text where there is none, or None for words."""

    kind: str
    text: str
    sort: str | None = None
    mark: str | None = None


def report_page(inspection: Inspection, shown: Shown) -> str:
    """
    The whole report as HTML.

    Parameters
    ----------
    inspection : Inspection
    shown : Shown
        Language and units.

    Notes
    -----
    Texts from files are escaped by the template; what cannot be seen in them is written as code points. The page's
    own policy lets nothing be fetched and no other script run.
    """
    board = visible(" ".join(filter(None, [inspection.board.name, inspection.board.revision])))
    looks = [inspection, *([inspection.before_look] if inspection.before_look else [])]
    return filled_page(
        shown,
        inspection,
        title=shown.say("head.title", board=board),
        board=board,
        facts=head_facts(inspection, shown),
        first=first_page(inspection, shown),
        views=views_of(inspection, shown),
        in_key={told_as(each) for look in looks for each in look.judgement.parts},
        table_caption=shown.say("table.caption"),
        registration=registration_text(inspection, shown),
        remarks=inspection.remarks,
        provenance=[block.text for block in provenance_blocks(inspection, shown) if not block.keep],
        more_facts=lambda ref: _of_other_looks(ref, inspection, shown),
    )


def filled_page(
    shown: Shown,
    looked: Looked,
    *,
    views: Sequence[View],
    in_key: Set[str],
    remarks: Sequence[str],
    provenance: Sequence[str],
    more_facts: Callable[[str], Facts],
    **texts: Any,
) -> str:
    """The page's template with a look at a board in it, whether it had a layout or not."""
    style, script = page_source("page.css"), page_source("page.js")
    verdicts = verdicts_in_layout_order(looked)
    # A name may hold anything; what the page's script goes by are plain keys.
    keys = {each.measurement.part.ref: f"p{index}" for index, each in enumerate(verdicts)}
    units = {"mean": shown.temp_unit, "uncertainty": shown.diff_unit, "rise": shown.diff_unit}
    headings = [shown.say(f"table.{key}", unit=units.get(key, "")) for key in _COLUMNS]
    findings = findings_by_weight(looked.judgement.findings)
    return page_template("page.html").render(
        shown=shown,
        say=shown.say,
        version=software_versions()["thermscan"],
        style=Markup(style),
        script=Markup(script),
        style_hash=hash_of(style),
        script_hash=hash_of(script),
        overall=looked.judgement.overall,
        marks=MARKS,
        scales=[(name, view.stops) for name, view in _scales(views).items()],
        views=views,
        rows_from=ROWS,
        verdicts=[verdict for verdict in TOLD_MARKS if verdict in in_key],
        columns=[
            {"heading": heading, "kind": "number" if key in _NUMBERS else "words"}
            for key, heading in zip(_COLUMNS, headings, strict=True)
        ],
        rows=[_row(each, shown) | {"key": keys[each.measurement.part.ref]} for each in verdicts],
        keys=keys,
        findings=_findings(findings, shown),
        finding_columns=[
            shown.say("table.ref"),
            *(
                shown.say(f"detail.finding_{key}", unit=shown.diff_unit)
                for key in ("rule", "excess", "u", "score", "own", "received", "words")
            ),
        ],
        remarks=[in_words_of(remark, shown) for remark in remarks],
        provenance=[visible(line) for line in provenance],
        cautions=caution_texts(shown),
        details={
            keys[each.measurement.part.ref]: _details(each, findings, shown, more_facts(each.measurement.part.ref))
            for each in verdicts
        },
        **texts,
    )


def _row(verdict: PartVerdict, shown: Shown) -> dict[str, Any]:
    measured = verdict.measurement
    part = measured.part
    spread = None if measured.u_c is None else COVERAGE * measured.u_c
    numbers = (shown.temp_value(measured.mean_c), shown.diff_value(spread), shown.diff_value(measured.rise_k))
    cells = [
        Cell("words", visible(part.kind or "")),
        Cell("words", visible(part.group or "")),
        Cell("words", shown.say(f"word.{told_as(verdict)}"), mark=told_as(verdict)),
        *(Cell("number", shown.number(value), "" if value is None else f"{value:.4f}") for value in numbers),
        Cell("words", _compared(verdict, shown)),
    ]
    return {"name": visible(part.ref), "verdict": verdict.verdict, "cells": cells}


def _compared(verdict: PartVerdict, shown: Shown) -> str:
    if not verdict.measurement.measurable:
        return "\N{EN DASH}"
    named = [shown.say(f"rule.{rule}") if shown.has(f"rule.{rule}") else rule for rule in verdict.compared_by]
    return ", ".join(named) or shown.say("part.compared_nothing")


def _details(verdict: PartVerdict, findings: Sequence[Finding], shown: Shown, more: Facts) -> dict[str, Any]:
    measured = verdict.measurement
    part = measured.part
    facts: Facts = [("verdict", shown.say(f"word.{told_as(verdict)}"))]
    if measured.mean_c is not None:
        facts += [
            ("mean", f"{shown.temp(measured.mean_c)} {shown.spread(measured.u_c)}"),
            ("max", shown.temp(measured.max_c)),
            ("rise", shown.diff(measured.rise_k, signed=True)),
        ]
    if measured.reason is not None:
        code = measured.reason.code
        facts.append(("why", shown.say(f"reason.{code}") if shown.has(f"reason.{code}") else str(measured.reason)))
    own = [each for each in findings if each.ref == part.ref]
    facts += [("why", told(each, shown).sentence) for each in own]
    guesses = dict.fromkeys(in_words_of(guess, shown)[0] for each in own for guess in each.hypotheses)
    facts.append(("guesses", "; ".join(guesses).replace("?;", "?")))
    if not own and verdict.reason and measured.reason is None:
        facts.append(("why", in_words_of(verdict.reason, shown)[0]))
    facts += [
        *more,
        ("compared_by", _compared(verdict, shown)),
        ("kind", part.kind),
        ("group", part.group),
        ("package", part.package),
        ("surface", f"{part.surface.name}, {shown.number(part.surface.emissivity, 2)}"),
        ("pixels", str(measured.pixels)),
    ]
    told_facts = [(shown.say(f"part.{key}"), visible(value)) for key, value in facts if value]
    return {"name": visible(part.ref), "facts": told_facts}


def _of_other_looks(ref: str, inspection: Inspection, shown: Shown) -> Facts:
    """What the look before said of a part, and from where it was seen."""
    facts = _before_facts(ref, inspection, shown)
    views = len(seen_from(inspection))
    if views > 1:
        seen = [str(number + 1) for number in inspection.judgement[ref].measurement.seen_in]
        facts.append(("seen_from", shown.say("part.seen_in", views=", ".join(seen), n=views) if seen else None))
    return facts


def _before_facts(ref: str, inspection: Inspection, shown: Shown) -> Facts:
    """What the look before said of a part, and by how much its own heat changed."""
    if inspection.before is None or inspection.before_look is None:
        return []
    change = next((each for each in inspection.before.changes if each.ref == ref), None)
    was = inspection.before_look.judgement[ref].measurement if change else None
    if change is None or was is None:
        return []
    said = shown.say(f"word.{change.was}")
    told: Facts = [("before", said if was.rise_k is None else f"{said}, {shown.diff(was.rise_k, signed=True)}")]
    if change.change_k is not None:
        told.append(("change", f"{shown.diff(change.change_k, signed=True)} {shown.spread(change.u_k)}"))
    return told


def _findings(findings: Sequence[Finding], shown: Shown) -> list[dict[str, Any]]:
    rows = []
    for finding in findings:
        differences = (finding.excess_k, finding.u_k, finding.own_k, finding.received_k)
        excess, u, own, received = (shown.number(shown.diff_value(value), 2) for value in differences)
        cells = (finding.rule, excess, u, shown.number(finding.score), own, received)
        ref = visible(finding.ref) if finding.ref else "\N{EN DASH}"
        rows.append({"ref": ref, "cells": cells, "text": visible(finding.text)})
    return rows


def _scales(views: Any) -> dict[str, Any]:
    return {"difference" if view.of_difference else "thermal": view for view in views if view.scale}


def page_template(name: str) -> Template:
    """A template of the report's pages; texts are escaped by it, and a name that is not given is a fault."""
    environment = Environment(
        loader=FunctionLoader(page_source), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template(name)


def page_source(name: str) -> str:
    """A file of the report's pages."""
    return files("thermscan.report").joinpath("page", name).read_text(encoding="utf-8")


def hash_of(text: str) -> str:
    """As a content security policy (W3C, level 2) names an inline style or script."""
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}"
