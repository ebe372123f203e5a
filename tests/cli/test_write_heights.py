"""`inspect --write-heights`: a table to check and copy, and nothing of the user's replaced."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest

from tests.report.built_inspections import build_inspection
from thermscan.cli.main import main
from thermscan.registration.registration import PartHeight
from thermscan.report.tables import heights_csv


def test_a_layout_is_not_replaced_by_heights(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    board = tmp_path / "board.toml"
    board.write_text('[board]\nname = "b"\nwidth_mm = 40.0\nheight_mm = 30.0\n')
    frame = tmp_path / "frame.csv"
    frame.write_text("22.0,22.1\n22.2,22.0\n")
    given = ["inspect", str(frame), "--layout", str(board), "--ambient", "22", "--write-heights", str(board)]
    assert main(given) == 2
    assert "not replaced" in capsys.readouterr().err
    assert board.read_text().startswith("[board]")


def test_only_heights_that_the_views_told_are_suggested() -> None:
    inspection = build_inspection()
    seen, known = (part.ref for part in inspection.board.parts[:2])
    heights = {seen: PartHeight(7.31, 0.42, seen=True), known: PartHeight(4.0, 0.3)}
    inspection = replace(inspection, registration=replace(inspection.registration, heights=heights))
    (row,) = csv.DictReader(heights_csv(inspection).splitlines())
    assert (row["ref"], row["height_mm"], row["u_mm"]) == (seen, "7.31", "0.42")
