"""What each rule's yardstick is made of: the factors that a slip would leave out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.judge.scenes import look_at, small_board, usual_powers
from thermscan.judge import peers
from thermscan.judge.baseline_rule import compare_baseline
from thermscan.judge.board_wide import BoardWide
from thermscan.judge.expected import Expected
from thermscan.judge.limits import check_limits
from thermscan.judge.spread import robust_spread
from thermscan.layout.board import Board, Part, Surface
from thermscan.regions.measurement import BudgetLine, PartMeasurement

PLASTIC = Surface("plastic", 0.93, 0.02)
OUTLINE = [[0, 0], [400, 0], [400, 100], [0, 100]]


def _part(ref: str, x_mm: float = 10.0, **more: object) -> Part:
    return Part(ref, 20.0, 7.0, x_mm, 50.0, 0.0, PLASTIC, **more)  # type: ignore[arg-type]


def _measured(part: Part, rise_k: float, max_rise_k: float | None = None) -> PartMeasurement:
    budget = (BudgetLine("camera", 1.0, "camera"), BudgetLine("noise", 0.1))
    top = 22.0 + (rise_k if max_rise_k is None else max_rise_k)
    return PartMeasurement(part, 60, 22.0 + rise_k, top, rise_k, 1.0, budget=budget)


def test_a_limit_holds_for_the_hottest_place_not_for_the_mean():
    part = _part("U1", max_c=60.0)
    (finding,) = check_limits([_measured(part, 30.0, 45.0)])
    assert (finding.level, finding.excess_k) == ("act", pytest.approx(7.0))
    assert check_limits([_measured(part, 30.0, 32.0)]) == ()


@pytest.mark.parametrize("count", [3, 9])
def test_one_further_part_differs_from_the_mean_of_n_peers_by_root_one_plus_one_over_n(
    count: int, monkeypatch: pytest.MonkeyPatch
):
    # Hahn and Meeker, Statistical Intervals (1991), section 4.7: with a natural spread of 1 only the factor is left.
    monkeypatch.setattr(peers, "_spread", lambda *_: (1.0, 30.0))
    parts = [_part(f"U{i}", 0.0, group="g") for i in range(count)]
    board = Board("b", None, OUTLINE, 1.6, PLASTIC, tuple(parts))
    found = peers.compare_peers([_measured(part, 10.0) for part in parts], board, None)
    assert [comparison.spread_k for comparison in found] == pytest.approx([np.sqrt(1 + 1 / (count - 1))] * count)


def test_one_look_differs_from_the_mean_of_n_good_looks_by_root_one_plus_one_over_n():
    parts = [_part(f"U{i}") for i in range(3)]
    # Three parts hardly move the expectation: differences of one standard deviation leave it where it is.
    measured = tuple(_measured(part, 10.0 + way) for part, way in zip(parts, (1.0, -1.0, 1.0), strict=True))
    level = BoardWide(0.0, 1.0, 0.0, 0.0, 3)
    spread_k = {}
    for runs in (1, 10_000):
        usual_k, counts, untold = np.full(3, 10.0), np.full(3, runs), np.full(3, np.nan)
        known = Expected(("U0", "U1", "U2"), usual_k, np.ones(3), counts, 100.0, untold, steady_k=0.0)
        found = compare_baseline(measured, known, np.arange(3), level, split=None, change=None, not_comparable=None)
        spread_k[runs] = found[0].spread_k
    assert spread_k[1] / spread_k[10_000] == pytest.approx(np.sqrt(2.0), rel=0.1)


@pytest.mark.parametrize("n", [3, 4, 5, 9])
def test_the_median_deviation_of_few_normal_values_is_right_on_average(n: int):
    # Croux and Rousseeuw (1992): that is what their small-sample factors are for. 4000 draws tell the mean to 1 %.
    rng = np.random.default_rng(n)
    mean = np.mean([robust_spread(rng.normal(size=n)) for _ in range(4000)])
    assert mean == pytest.approx(1.0, abs=0.04)


def test_a_part_in_the_corner_is_not_accused_of_having_fewer_ways_out():
    parts = list(small_board().parts)
    corner = replace(parts[0], x_mm=9.8, y_mm=3.3)
    board = replace(small_board(), parts=(corner, *parts[1:]))
    scene = look_at(usual_powers(), board=board)
    evidence = scene.judge().evidence
    assert evidence is not None
    heat = {part.ref: part for part in evidence.split.parts}
    plain = heat["U1"].own_k - np.mean([heat[f"U{i}"].own_k for i in range(2, 9)])
    (found,) = [w.comparison for w in evidence.weighed if w.comparison.ref == "U1"]
    # A corner reflects the heat twice: the same watts make a few kelvin more there, most of which is told.
    assert plain > 2.0
    assert abs(found.excess_k) < 0.5 * plain
