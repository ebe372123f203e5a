"""Faults put into simulated boards (finite elements, a camera at a slant) are told as they are."""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))

from judging_looks import Options
from judging_trial import Outcome, run_trial

OPTIONS = Options(shape=(150, 200), fault_k=(6.0,), good_runs=1, parts=15)
BOARDS = (0, 1)


@cache
def _outcomes() -> tuple[Outcome, ...]:
    return tuple(outcome for number in BOARDS for outcome in run_trial(number, OPTIONS))


@pytest.mark.parametrize("kind", ["hot", "dead", "warmed"])
def test_a_fault_of_several_kelvin_is_found_with_a_known_good_run(kind: str):
    chosen = [o for o in _outcomes() if o.kind == kind and o.with_baseline and o.measurable]
    assert chosen
    assert all(outcome.watched for outcome in chosen), [o.evidence for o in chosen if not o.watched]


def test_heat_where_no_part_is_is_found():
    assert all(outcome.watched for outcome in _outcomes() if outcome.kind == "unmapped")


def test_good_boards_and_warmed_neighbours_are_not_accused():
    assert [o.false_acts for o in _outcomes() if o.false_acts] == []
    assert not any(outcome.innocent_act for outcome in _outcomes())


def test_stated_uncertainties_of_power_cover_the_truth():
    z = np.array([value for outcome in _outcomes() for value in outcome.power_z])
    assert len(z) >= 4
    assert np.mean(np.abs(z) < 2) > 0.8
