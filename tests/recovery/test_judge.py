"""A part run hot on a simulated board is told, and no other, through files without corners and heights."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))

from judging_draw import draw_board
from judging_lines import PLACE_WRONG_PX, acted, false_acts, part_of, z_of
from judging_looks import judge_board
from judging_seen import FromFiles

# A small board before a coarse camera; its looks 0 and 1 are good and hot (tests/benchmarks/judging_draw.py).
SEED, BOARD, PARTS = 3, 0, 12


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    folder: Path = tmp_path_factory.mktemp("board")
    draw_board(SEED, BOARD, folder, parts=PARTS)
    # Of the three good runs those are learned from whose board is found.
    truth = json.loads((folder / "truth.json").read_text())
    truth["looks"] = truth["looks"][:2]
    return judge_board(FromFiles(folder), truth, ["peers", "baseline"])


def test_the_board_is_found_without_corners_and_heights(lines: list[dict[str, Any]]):
    assert len(lines) == 4
    assert all(line["said"]["refused"] is None for line in lines)
    assert max(line["said"]["off_px"] for line in lines) < PLACE_WRONG_PX


def test_a_part_far_beyond_what_good_units_differ_by_is_an_act_by_peers_and_by_a_good_run(lines: list[dict[str, Any]]):
    hot = [line for line in lines if line["kind"] == "hot"]
    assert {line["way"] for line in hot} == {"peers", "baseline"}
    assert all(z_of(line) > 10 and line["fault"]["own_rise_k"] > 3 for line in hot)
    assert all(acted(line) for line in hot)
    assert all(part_of(line, line["fault"]["ref"])[6] == "hot" for line in hot)


def test_no_good_part_is_an_act(lines: list[dict[str, Any]]):
    assert [false_acts(line) for line in lines] == [[], [], [], []]


def test_temperatures_lie_within_three_stated_uncertainties(lines: list[dict[str, Any]]):
    measured = [part for line in lines for part in line["said"]["parts"] if part[2] is not None]
    assert len(measured) > 30
    # One part in 370 may lie further by chance; the simulator's truth is the mean over the top's inner 80 %.
    far = [part for part in measured if abs(part[2] - part[1]) > 3 * part[3]]
    assert len(far) <= 1
