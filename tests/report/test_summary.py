"""The few lines that the terminal shows."""

from __future__ import annotations

from dataclasses import replace

from tests.report.built_inspections import build_inspection, with_part_texts
from thermscan.report.summary import summary_lines


def test_the_verdict_comes_first_and_a_caution_last() -> None:
    lines = summary_lines(build_inspection(60))
    assert lines[0].startswith("Overall: act.")
    assert lines[-1].startswith("Caution:")


def test_every_finding_is_told_in_its_own_words() -> None:
    inspection = build_inspection(60)
    text = "\n".join(summary_lines(inspection))
    assert all(finding.text in text for finding in inspection.judgement.findings)


def test_a_guess_that_two_rules_make_of_one_part_is_told_once() -> None:
    inspection = build_inspection(60)
    first = inspection.judgement.findings[0]
    twice = replace(inspection.judgement, findings=(first, replace(first, rule="baseline")))
    lines = summary_lines(replace(inspection, judgement=twice))
    guesses = [line for line in lines if "possible:" in line]
    assert first.hypotheses
    assert len(guesses) == len(first.hypotheses)


def test_findings_to_act_on_come_before_those_to_watch() -> None:
    levels = [line.split(",")[0].strip() for line in summary_lines(build_inspection(60)) if ", hot: " in line]
    assert levels == sorted(levels)


def test_parts_that_were_not_measured_are_counted_with_reason_and_remedy() -> None:
    inspection = build_inspection(60)
    metal = sum(part.surface.name == "metal" for part in inspection.board.parts)
    told = [line for line in summary_lines(inspection) if "mostly a reflection" in line]
    assert len(told) == 1
    assert told[0].strip().startswith(f"Not measurable, {metal}: ")
    assert "tape" in told[0]


def test_a_quiet_board_is_never_called_safe() -> None:
    text = "\n".join(summary_lines(build_inspection(20, flagged=0))).lower()
    assert "clear" in text
    assert " safe" not in text.replace("safety", "")


def test_no_control_character_reaches_the_terminal() -> None:
    lines = summary_lines(with_part_texts(build_inspection(20), "a\x1b[31m\nb\u202ec\r"))
    assert all(line.isprintable() for line in lines)
