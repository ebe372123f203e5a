"""Several looks at one board on one page: the right numbers under the right look, and only looks at one board."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.report.built_inspections import build_inspection
from thermscan.cli.main import thermscan
from thermscan.report.results import results_document
from thermscan.report.shown import Shown
from thermscan.report.stages_page import headings_of, stage_look, stages_page
from thermscan.resources import data_path
from thermscan.runs.run import Run


def test_each_looks_rise_stands_in_its_own_column_and_in_the_parts_details() -> None:
    inspections = [build_inspection(8, flagged=flagged, shape=(24, 32), baseline=False) for flagged in (0, 2)]
    documents = [results_document(each) for each in inspections]
    for document, stage in zip(documents, ("bare board", "<all> chips"), strict=True):
        document["run"]["stage"] = stage
    looks = [stage_look(f"{n}.toml", f"{n} %/report.html", document) for n, document in enumerate(documents)]
    page = stages_page(looks, inspections[0].board, Shown("de", "F"))
    details = json.loads(re.search(r'id="details">(.*?)</script>', page)[1])  # type: ignore[index]
    for index, part in enumerate(inspections[0].board.parts):
        facts = dict(details[f"p{index}"]["facts"])
        for document, stage in zip(documents, ("bare board", "<all> chips"), strict=True):
            rise = document["parts"][index]["rise_k"]
            said = facts[stage]
            expected = "nicht messbar" if rise is None else f"{rise * 1.8:+.1f}".replace(".", ",").replace("-", "−")
            assert said.startswith(expected), part.ref
    assert "<all>" not in page
    assert 'href="0%20%25/report.html"' in page


def test_looks_that_share_their_stage_are_told_apart_by_date_or_file() -> None:
    document = results_document(build_inspection(4, flagged=0, shape=(24, 32), baseline=False))
    dated = stage_look("a.toml", None, document)
    document["run"]["taken"] = None
    headings = headings_of([dated, stage_look("b.toml", None, document)], Shown())
    assert headings == ["all chips fitted, idle, 2026-05-02 14:30", "all chips fitted, idle, b.toml"]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    shutil.copytree(data_path("samples", "departure_display"), tmp_path / "job")
    return tmp_path / "job"


def test_runs_of_one_board_get_a_page_and_runs_of_two_boards_none(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    built = build_inspection(4, flagged=1, shape=(24, 32), baseline=False)

    def inspected(run: Run, **_: object) -> object:
        return replace(built, run=run, board=replace(built.board, path=None))

    monkeypatch.setattr("thermscan.many_runs.inspect_run", inspected)
    monkeypatch.setattr("thermscan.report.report.write_report", lambda *_, **__: ())
    same = ["inspect", str(job / "good-1.toml"), str(job / "visit-2027.toml"), "--out", str(job / "same")]
    CliRunner().invoke(thermscan, same, standalone_mode=False)
    assert (job / "same" / "stages.html").read_text(encoding="utf-8").count('class="view"') == 2
    other = ["inspect", str(job / "good-1.toml"), str(job / "good-2.toml"), "--out", str(job / "other")]
    result = CliRunner().invoke(thermscan, other, standalone_mode=False)
    assert result.exception is None
    assert not (job / "other" / "stages.html").exists()
