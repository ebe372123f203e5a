"""The baseline file: what is written is read, what is damaged is refused in one line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermscan.errors import InputError
from thermscan.judge.baseline import Baseline, BaselineRun
from thermscan.judge.baseline_file import SCHEMA, baseline_text, read_baseline, write_baseline

RUN = BaselineRun("2026-05-02T14:30:00+00:00", "7", "idle", 15.0, 22.4, 6.5, ("ab",), {"U1": 8.25}, {"U1": 0.1})
BASELINE = Baseline("board", "B", "00ff", (RUN,), np.array([[1.234, np.nan], [0.0, -2.0]]), 0.5, ("one run only",))


def test_what_is_written_is_read(tmp_path: Path):
    path = tmp_path / "good.json"
    write_baseline(BASELINE, path)
    again = read_baseline(path)
    assert (again.runs, again.remarks) == (BASELINE.runs, BASELINE.remarks)
    assert (again.board_name, again.board_revision, again.layout_digest) == ("board", "B", "00ff")
    np.testing.assert_array_equal(again.rise_raster_k, [[1.23, np.nan], [0.0, -2.0]])


def test_the_file_explains_itself_and_is_strict_json():
    document = json.loads(baseline_text(BASELINE), parse_constant=pytest.fail)
    assert document["schema"] == SCHEMA
    assert "kelvin above ambient" in document["about"]["rise_k"]
    assert document["rise_raster_k"][0][1] is None


@given(st.lists(st.lists(st.floats(-50, 500) | st.just(np.nan), min_size=3, max_size=3), min_size=1, max_size=4))
def test_rasters_come_back_to_a_hundredth_of_a_kelvin(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[float]]
):
    path = tmp_path_factory.mktemp("raster") / "b.json"
    write_baseline(Baseline("b", None, "0", (RUN,), np.array(rows), 1.0), path)
    np.testing.assert_allclose(read_baseline(path).rise_raster_k, rows, atol=0.00501)


def test_nothing_but_the_file_is_left_behind_and_what_was_there_is_kept(tmp_path: Path):
    path = tmp_path / "good.json"
    path.write_text("old")
    assert write_baseline(BASELINE, path) == tmp_path / "good.json.bak"
    assert write_baseline(BASELINE, path) is None
    assert sorted(item.name for item in tmp_path.iterdir()) == ["good.json", "good.json.bak"]
    assert read_baseline(path).board_name == "board"


def test_a_folder_that_is_not_there_is_said(tmp_path: Path):
    with pytest.raises(InputError, match="cannot be written"):
        write_baseline(BASELINE, tmp_path / "nowhere" / "good.json")


def _changed(change: Callable[[dict[str, Any]], object]) -> str:
    document = json.loads(baseline_text(BASELINE))
    change(document)
    return json.dumps(document)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "it is not JSON"),
        ("[1, 2]", "its schema is not"),
        ('{"schema": "thermscan.inspection/1"}', "its schema is not"),
        (baseline_text(BASELINE)[:-30], "it is not JSON"),
        (baseline_text(BASELINE).replace("8.25", "NaN"), "NaN is not a number"),
        (_changed(lambda d: d.pop("runs")), "runs: field required"),
        (_changed(lambda d: d.update(runs=[])), "runs: list should have at least 1"),
        (_changed(lambda d: d.update(surprise=1)), "surprise: extra inputs"),
        (_changed(lambda d: d.update(mm_per_px=-1.0)), "mm_per_px: input should be greater than or equal to 0.01"),
        (
            _changed(lambda d: d["runs"][0].update(rise_k={"U1": "8"})),
            "runs.0.rise_k.U1: input should be a valid number",
        ),
        (_changed(lambda d: d["runs"][0].update(u_k={"U2": 0.1})), "do not name the same parts"),
        (
            _changed(lambda d: d["runs"][0].update(u_k={"U1": -0.1})),
            "runs.0.u_k.U1: input should be greater than or equal to 0",
        ),
        (_changed(lambda d: d["rise_raster_k"].append([1.0])), "its rows are not of one length"),
        (_changed(lambda d: d.update(rise_raster_k=[[]])), "its rows are not of one length"),
    ],
)
def test_a_damaged_file_is_refused_in_one_line(tmp_path: Path, text: str, told: str):
    path = tmp_path / "bad.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_baseline(path)
    (line,) = caught.value.lines()
    assert line.startswith("bad.json: ")
    assert told in line
    assert "\n" not in line


def test_bytes_that_are_no_text_and_a_missing_file_are_refused(tmp_path: Path):
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="not text in UTF-8"):
        read_baseline(tmp_path / "b.json")
    with pytest.raises(InputError, match="cannot be read"):
        read_baseline(tmp_path / "none.json")
