"""The report as one web page: everything in it, nothing fetched, and readable without its script."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from thermscan.inspection import Inspection
from thermscan.judge.finding import PartVerdict
from thermscan.report.first_page import first_page, head_facts, registration_text, told
from thermscan.report.gathering import findings_by_weight, verdicts_in_layout_order
from thermscan.report.results import software_versions
from thermscan.report.shown import COVERAGE, Shown, visible
from thermscan.report.told import caution_texts, provenance_blocks
from thermscan.report.verdicts import OVERALL_MARKS, VERDICT_MARKS
from thermscan.report.web_views import views_of

_COLUMNS = ("ref", "kind", "group", "verdict", "mean", "uncertainty", "rise", "compared")
_NUMBERS = {"mean", "uncertainty", "rise"}


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
    style, script = _source("page.css"), _source("page.js")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(_source("page.html"))
    board, judgement = inspection.board, inspection.judgement
    views = views_of(inspection, shown)
    verdicts = verdicts_in_layout_order(inspection)
    # A name may hold anything; what the page's script goes by are plain keys.
    keys = {each.measurement.part.ref: f"p{index}" for index, each in enumerate(verdicts)}
    units = {"mean": shown.temp_unit, "uncertainty": shown.diff_unit, "rise": shown.diff_unit}
    headings = [shown.say(f"table.{key}", unit=units.get(key, "")) for key in _COLUMNS]
    return template.render(
        shown=shown,
        say=shown.say,
        version=software_versions()["thermscan"],
        style=Markup(style),
        script=Markup(script),
        style_hash=_hash(style),
        script_hash=_hash(script),
        board=visible(" ".join(filter(None, [board.name, board.revision]))),
        facts=head_facts(inspection, shown),
        overall=judgement.overall,
        marks=[*VERDICT_MARKS.values(), *(m for m in OVERALL_MARKS.values() if m.word != "watch")],
        scales=[(name, view.stops) for name, view in _scales(views).items()],
        first=first_page(inspection, shown),
        views=views,
        verdicts=[verdict for verdict in VERDICT_MARKS if any(each.verdict == verdict for each in verdicts)],
        columns=[
            {"heading": heading, "kind": "number" if key in _NUMBERS else "words"}
            for key, heading in zip(_COLUMNS, headings, strict=True)
        ],
        rows=[_row(each, shown) | {"key": keys[each.measurement.part.ref]} for each in verdicts],
        keys=keys,
        findings=_findings(inspection, shown),
        finding_columns=[
            shown.say("table.ref"),
            *(
                shown.say(f"detail.finding_{key}", unit=shown.diff_unit)
                for key in ("rule", "excess", "u", "score", "own", "received", "words")
            ),
        ],
        registration=registration_text(inspection, shown),
        remarks=[visible(remark) for remark in inspection.remarks],
        provenance=[visible(block.text) for block in provenance_blocks(inspection) if not block.keep],
        cautions=caution_texts(shown),
        details={keys[each.measurement.part.ref]: _details(each, inspection, shown) for each in verdicts},
    )


def _row(verdict: PartVerdict, shown: Shown) -> dict[str, Any]:
    measured = verdict.measurement
    part = measured.part
    spread = None if measured.u_c is None else COVERAGE * measured.u_c
    numbers = (shown.temp_value(measured.mean_c), shown.diff_value(spread), shown.diff_value(measured.rise_k))
    cells = [
        Cell("words", visible(part.kind or "")),
        Cell("words", visible(part.group or "")),
        Cell("words", shown.say(f"word.{verdict.verdict}"), mark=verdict.verdict),
        *(Cell("number", shown.number(value), "" if value is None else f"{value:.4f}") for value in numbers),
        Cell("words", _compared(verdict, shown)),
    ]
    return {"name": visible(part.ref), "verdict": verdict.verdict, "cells": cells}


def _compared(verdict: PartVerdict, shown: Shown) -> str:
    if not verdict.measurement.measurable:
        return "\N{EN DASH}"
    named = [shown.say(f"rule.{rule}") if shown.has(f"rule.{rule}") else rule for rule in verdict.compared_by]
    return ", ".join(named) or shown.say("part.compared_nothing")


def _details(verdict: PartVerdict, inspection: Inspection, shown: Shown) -> dict[str, Any]:
    measured = verdict.measurement
    part = measured.part
    facts: list[tuple[str, str | None]] = [("verdict", shown.say(f"word.{verdict.verdict}"))]
    if measured.mean_c is not None:
        facts += [
            ("mean", f"{shown.temp(measured.mean_c)} {shown.spread(measured.u_c)}"),
            ("max", shown.temp(measured.max_c)),
            ("rise", shown.diff(measured.rise_k, signed=True)),
        ]
    if measured.reason is not None:
        code = measured.reason.code
        facts.append(("why", shown.say(f"reason.{code}") if shown.has(f"reason.{code}") else str(measured.reason)))
    findings = [each for each in findings_by_weight(inspection.judgement.findings) if each.ref == part.ref]
    facts += [("why", told(each, shown).sentence) for each in findings]
    if not findings and verdict.reason and shown.language == "en":
        facts.append(("why", verdict.reason))
    facts += [
        ("compared_by", _compared(verdict, shown)),
        ("kind", part.kind),
        ("group", part.group),
        ("package", part.package),
        ("surface", f"{part.surface.name}, {shown.number(part.surface.emissivity, 2)}"),
        ("pixels", str(measured.pixels)),
    ]
    told_facts = [(shown.say(f"part.{key}"), visible(value)) for key, value in facts if value]
    return {"name": visible(part.ref), "facts": told_facts}


def _findings(inspection: Inspection, shown: Shown) -> list[dict[str, Any]]:
    rows = []
    for finding in findings_by_weight(inspection.judgement.findings):
        differences = (finding.excess_k, finding.u_k, finding.own_k, finding.received_k)
        excess, u, own, received = (shown.number(shown.diff_value(value), 2) for value in differences)
        cells = (finding.rule, excess, u, shown.number(finding.score), own, received)
        ref = visible(finding.ref) if finding.ref else "\N{EN DASH}"
        rows.append({"ref": ref, "cells": cells, "text": visible(finding.text)})
    return rows


def _scales(views: Any) -> dict[str, Any]:
    return {"difference" if view.key == "difference" else "thermal": view for view in views if view.scale}


def _source(name: str) -> str:
    return files("thermscan.report").joinpath("page", name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """As a content security policy (W3C, level 2) names an inline style or script."""
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}"
