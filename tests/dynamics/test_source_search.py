"""Heat at a place, told from a map of its amplitude whose truth is known."""

from types import SimpleNamespace

import numpy as np
import pytest

from thermscan.dynamics.board_maps import BoardGrid, smooth_patterns
from thermscan.dynamics.fin_kernel import SHEETS_W_PER_K, fin_kernel
from thermscan.dynamics.source_search import find_sources
from thermscan.errors import CannotJudge

SHAPE, HEAT_W, NOISE_K = (60, 90), 0.005, 0.002


def test_a_source_keeps_its_watts_on_a_good_conductor_under_a_drift_that_all_pixels_share():
    """5 mW of amplitude on a sheet of 0.032 W/K; the camera drifts by ten times a pixel's noise."""
    rng = np.random.default_rng(4)
    board = SimpleNamespace(width_mm=float(SHAPE[1]), height_mm=float(SHAPE[0]))
    grid = BoardGrid(SimpleNamespace(board=board), 1.0, np.ones(SHAPE, bool), np.ones(SHAPE), 1.0)
    facts = {"omega_per_s": 0.75, "thickness_mm": 1.6, "spread_mm": 0.8}
    centres = grid.centres_mm()
    apart = np.hypot(centres[..., 0] - 52.3, centres[..., 1] - 31.8)
    true = HEAT_W * fin_kernel(sheet_w_per_k=0.032, **facts).at(apart)
    drift, *beside_drifts = rng.normal(0.0, 0.02, (4, 2)) @ [1, 1j]
    noise = rng.normal(0.0, NOISE_K / np.sqrt(2), (4, *SHAPE, 2)) @ [1, 1j]
    beside = [each + level for each, level in zip(noise[1:], beside_drifts, strict=True)]
    kernels = [fin_kernel(sheet_w_per_k=sheet, **facts) for sheet in SHEETS_W_PER_K]
    found = find_sources(grid, true + noise[0] + drift, beside, kernels, smooth=smooth_patterns(grid))
    (source,) = found.sources
    assert np.hypot(source.x_mm - 52.3, source.y_mm - 31.8) < 0.2
    # The nearest of the conductances that are tried leaves a tenth.
    assert abs(abs(source.heat_w) / HEAT_W - 1) < 0.12
    # A matched filter's reach: the score at the threshold is that of NOISE_K over all the cells that the heat warms.
    usual = kernels[len(kernels) // 2].at(apart)
    assert found.least_w < 1.5 * found.threshold * NOISE_K / np.sqrt((np.abs(usual) ** 2).sum())


def test_a_drift_however_large_leaves_what_is_told_of_a_source_as_it_is():
    """What all pixels share is fitted, not believed to be heat of the fin: it must not add to the fin's doubt."""
    rng = np.random.default_rng(8)
    board = SimpleNamespace(width_mm=float(SHAPE[1]), height_mm=float(SHAPE[0]))
    grid = BoardGrid(SimpleNamespace(board=board), 1.0, np.ones(SHAPE, bool), np.ones(SHAPE), 1.0)
    facts = {"omega_per_s": 0.75, "thickness_mm": 1.6, "spread_mm": 0.8}
    centres = grid.centres_mm()
    kernels = [fin_kernel(sheet_w_per_k=sheet, **facts) for sheet in SHEETS_W_PER_K]
    true = 0.0015 * fin_kernel(sheet_w_per_k=0.032, **facts).at(
        np.hypot(centres[..., 0] - 52.3, centres[..., 1] - 31.8)
    )
    noise = rng.normal(0.0, NOISE_K / np.sqrt(2), (4, *SHAPE, 2)) @ [1, 1j]
    still, drifted = (
        find_sources(grid, true + noise[0] + level, list(noise[1:]), kernels, smooth=smooth_patterns(grid)).sources
        for level in (0.0, 50 * NOISE_K)
    )
    assert len(still) == len(drifted) == 1
    (one,), (other,) = still, drifted
    assert np.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) < one.u_mm
    assert abs(abs(one.heat_w) - abs(other.heat_w)) < one.u_heat_w
    assert other.score == pytest.approx(one.score, rel=0.1)


@pytest.mark.parametrize("cells", [1, 6, 69])
def test_too_little_bare_board_to_tell_heat_from_drift_is_refused(cells):
    """Six smooth patterns explain all that six cells show: nothing is left that tells the noise."""
    rng = np.random.default_rng(5)
    bare = np.zeros(SHAPE, bool)
    bare.ravel()[rng.choice(bare.size, cells, replace=False)] = True
    board = SimpleNamespace(width_mm=float(SHAPE[1]), height_mm=float(SHAPE[0]))
    grid = BoardGrid(SimpleNamespace(board=board), 1.0, bare, np.ones(SHAPE), 1.0)
    kernels = [fin_kernel(sheet_w_per_k=0.016, omega_per_s=0.75, thickness_mm=1.6, spread_mm=0.8)]
    noise = rng.normal(0.0, NOISE_K, (4, *SHAPE, 2)) @ [1, 1j]
    with pytest.raises(CannotJudge, match=f"only {cells} places of about 1.0 mm show bare board, and 70 are needed"):
        find_sources(grid, noise[0], list(noise[1:]), kernels, smooth=smooth_patterns(grid))
