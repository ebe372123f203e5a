"""results.csv as a spreadsheet reads it."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest

from tests.report.built_inspections import build_inspection
from thermscan.inspection import Inspection
from thermscan.report.results import results_document
from thermscan.report.tables import COLUMNS, parts_csv


def rows_of(inspection: Inspection) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(parts_csv(results_document(inspection)), newline="")))


def with_ref(inspection: Inspection, ref: str) -> Inspection:
    """The first part under another name."""
    first, *others = inspection.judgement.parts
    part = replace(first.measurement.part, ref=ref)
    renamed = replace(first, measurement=replace(first.measurement, part=part))
    board = replace(inspection.board, parts=(part, *inspection.board.parts[1:]))
    return replace(inspection, board=board, judgement=replace(inspection.judgement, parts=(renamed, *others)))


def test_there_is_one_row_a_part_in_the_layouts_order() -> None:
    inspection = build_inspection(60)
    assert [row["ref"] for row in rows_of(inspection)] == [part.ref for part in inspection.board.parts]


def test_numbers_agree_with_the_document_to_a_ten_thousandth() -> None:
    inspection = build_inspection(60)
    for row, part in zip(rows_of(inspection), results_document(inspection)["parts"], strict=True):
        for key in ("mean_c", "max_c", "rise_k", "u_c"):
            if part[key] is None:
                assert row[key] == ""
            else:
                assert float(row[key]) == pytest.approx(part[key], abs=5.1e-5)


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_a_ref_that_looks_like_a_formula_is_neutralised(start: str) -> None:
    row = rows_of(with_ref(build_inspection(4), f"{start}HYPERLINK(1)"))[0]
    assert row["ref"] == f"'{start}HYPERLINK(1)"


def test_a_blank_before_a_formula_does_not_hide_it() -> None:
    assert rows_of(with_ref(build_inspection(4), "\t =1+1"))[0]["ref"] == "'=1+1"


def test_a_negative_number_stays_a_number() -> None:
    text = parts_csv({"parts": [{"ref": "U1", "rise_k": -2.5}]})
    assert text.splitlines()[1] == "U1,,,,,,,,,-2.5,,,,"


def test_a_line_feed_or_a_comma_in_a_text_breaks_no_row() -> None:
    text = parts_csv({"parts": [{"ref": 'U1\n"a", b', "kind": "x\r\ny"}]})
    assert len(text.splitlines()) == 2
    assert next(csv.DictReader(io.StringIO(text)))["ref"] == 'U1 "a", b'


def test_headings_are_the_keys_of_results_json_with_their_units() -> None:
    assert set(COLUMNS) <= results_document(build_inspection(4))["parts"][0].keys()
