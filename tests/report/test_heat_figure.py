"""The pictures of where heat enters: each source's number can be read on either ground."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
from matplotlib.figure import Figure

from tests.report.built_inspections import build_inspection
from thermscan.dynamics.locate_run import Located
from thermscan.report.canvas import report_style
from thermscan.report.heat_figure import heat_figure


def built() -> Figure:
    board = build_inspection(8).board
    shape = (int(board.height_mm), int(board.width_mm))
    amplitude = np.full(shape, 0.01 + 0.0j)
    amplitude[10, 12] = 0.4
    sources = (
        SimpleNamespace(x_mm=12.0, y_mm=10.0, ref="C4"),
        SimpleNamespace(x_mm=board.width_mm - 20.0, y_mm=30.0, ref=None),
    )
    grid = SimpleNamespace(shape=shape, cell_mm=1.0, laid_out=lambda values: values)
    located = SimpleNamespace(
        method="lock-in", board=board, grid=grid, amplitude=amplitude, noise_k=0.01, sources=sources,
        least_watts=0.002, period_s=20.0, cycles=6.0,
    )  # fmt: skip
    with report_style():
        return heat_figure(cast("Located", located))


def test_sources_are_told_by_number_and_part_with_a_rim_that_stands_out_from_any_ground() -> None:
    maps = [axes for axes in built().axes if axes.texts]
    assert len(maps) == 2
    for axes in maps:
        assert [text.get_text() for text in axes.texts] == ["1 C4", "2"]
        assert all(text.get_path_effects() for text in axes.texts)
