"""What a reader is told of a part that was measured, but that nothing was held against."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.report.built_inspections import build_inspection, with_look_before
from thermscan.inspection import Inspection
from thermscan.report.canvas import blank_sheet, report_style
from thermscan.report.pictures import draw_map_key
from thermscan.report.plate_before import draw_before_after, draw_change, looks_of
from thermscan.report.shown import Shown
from thermscan.report.web_page import report_page


@pytest.fixture(scope="module")
def alone() -> Inspection:
    """A quiet board on which nothing was compared."""
    inspection = build_inspection(8, flagged=0)
    parts = tuple(replace(each, compared_by=()) for each in inspection.judgement.parts)
    return replace(inspection, judgement=replace(inspection.judgement, parts=parts))


def key_of(*looks: Inspection) -> str:
    with report_style():
        sheet = blank_sheet(500.0, 100.0)
        draw_map_key(sheet, *looks)
        return " / ".join(text.get_text() for text in sheet.figure.texts)


def test_such_a_part_is_not_called_normal_on_the_page(alone: Inspection) -> None:
    page = report_page(alone, Shown())
    assert page.count("<bdi>not compared</bdi>") == sum(each.measurement.measurable for each in alone.judgement.parts)
    assert "<bdi>normal</bdi>" not in page


def test_such_a_part_is_not_called_normal_in_the_pictures(alone: Inspection) -> None:
    assert "not compared: plain outline" in key_of(alone)
    assert "normal" not in key_of(alone)
    assert "normal, not compared: plain outline" in key_of(alone, build_inspection(8, flagged=0))


def test_the_key_of_two_looks_explains_the_marks_of_both() -> None:
    after = with_look_before(build_inspection(20, flagged=0))
    looks = looks_of(after)
    assert looks is not None
    assert "hot: " not in key_of(after)
    with report_style():
        sheet = blank_sheet(500.0, 800.0)
        draw_before_after(sheet, looks)
    assert any(text.get_text().startswith("hot: ") for text in sheet.figure.texts)


def test_what_a_repair_made_better_is_named_on_the_map_of_the_change() -> None:
    after = with_look_before(build_inspection(20, flagged=0))
    looks = looks_of(after)
    assert looks is not None
    assert after.before is not None
    with report_style():
        sheet = blank_sheet(500.0, 400.0)
        draw_change(sheet, looks)
    names = {text.get_text() for axes in sheet.figure.axes for text in axes.texts}
    # The first is better, the second worse, the third no better, the rest the same.
    assert names == {each.ref for each in after.before.changes[:2]}
