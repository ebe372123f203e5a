"""A small board as the judge gets to see it: rises from the fin itself, so that they are quick and known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.heat.responses import fin_responses
from thermscan.frames.frame import Frame, FrameSource
from thermscan.heat.fin import fin_grid, footprints
from thermscan.judge.finding import Judgement
from thermscan.judge.judging import judge_run
from thermscan.layout.board import Board, Part, Surface
from thermscan.regions.measurement import BudgetLine, PartMeasurement, Rectified
from thermscan.regions.reasons import Reason
from thermscan.registration.registration import Registration
from thermscan.runs.run import Run, Supply

BLACK = Surface("plastic", 1.0, 0.02)
LOSS_W_PER_MM2K = 20e-6
BODY_K_MM2_PER_W = 7000.0
NOISE_K = 0.03


def _part(ref: str, body: tuple[float, float], at: tuple[float, float], **more: object) -> Part:
    return Part(ref, body[0], body[1], at[0], at[1], 0.0, BLACK, **more)


def small_board() -> Board:
    """Eight memories in two rows, four gates, a CPU, a regulator."""
    memories = [
        _part(f"U{i + 1}", (19.3, 6.35), (16 + 26 * (i % 4), 14 + 14 * (i // 4)), kind="memory", group="memory")
        for i in range(8)
    ]
    gates = [_part(f"U{i + 11}", (19.0, 6.35), (16 + 26 * i, 46), kind="gate", group="gate") for i in range(4)]
    singles = [
        _part("U20", (52.0, 13.8), (34, 66), kind="CPU"),
        _part("VR1", (15.0, 10.0), (94, 66), kind="regulator", max_c=90.0),
    ]
    outline = [[0, 0], [112, 0], [112, 80], [0, 80]]
    return Board("small", "A", outline, 1.6, BLACK, (*memories, *gates, *singles))


# Good parts of a group differ a little, always alike.
_SPREAD = np.random.default_rng(5).normal(0.0, 0.03, 14)


def usual_powers(load: float = 1.0) -> dict[str, float]:
    """Watts of a good board."""
    watts = [0.2] * 8 + [0.08] * 4 + [0.6, 0.5]
    return {part.ref: load * w * (1 + float(d)) for part, w, d in zip(small_board().parts, watts, _SPREAD, strict=True)}


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One look."""

    board: Board
    run: Run
    frames: tuple[Frame, ...]
    rectified: Rectified
    measurements: tuple[PartMeasurement, ...]
    registration: Registration

    def judge(self, **more: object) -> Judgement:
        """The judge's answer."""
        return judge_run(
            self.measurements,
            self.rectified,
            self.board,
            self.run,
            noise_k=NOISE_K,
            registration=self.registration,
            **more,
        )


def look_at(
    powers_w: Mapping[str, float],
    *,
    board: Board | None = None,
    offset_k: float = 0.0,
    unseen: Mapping[str, Reason] | None = None,
    spot: tuple[float, float, float] | None = None,
    seed: int = 1,
    supply: bool = False,
    name: str = "look",
    **run: object,
) -> Scene:
    """
    A look at a board with these watts.

    ``spot`` is x, y and watts of a source that the layout does not know; ``offset_k`` is the camera's.
    """
    board = board or small_board()
    rng = np.random.default_rng(seed)
    whole = board if spot is None else replace(board, parts=(*board.parts, _part("?", (3, 3), spot[:2])))
    watts = np.array([powers_w.get(part.ref, 0.0) for part in board.parts] + ([spot[2]] if spot else []))
    grid = fin_grid(whole, cell_mm=1.4)
    sources = footprints(whole, grid)
    rise_k = fin_responses(grid, sources, decay_mm=25.0) @ (watts / LOSS_W_PER_MM2K)
    raster = np.full(grid.inside.shape, np.nan)
    raster[grid.inside] = rise_k
    beneath = sources.T @ rise_k
    ambient_c = float(run.pop("ambient_c", 22.0))  # type: ignore[arg-type]
    measurements = []
    for i, part in enumerate(board.parts):
        area = part.length_mm * part.width_mm
        rise = float(beneath[i] + watts[i] * BODY_K_MM2_PER_W / area + rng.normal(0, 0.02) + offset_k)
        reason = (unseen or {}).get(part.ref)
        budget = (BudgetLine("camera", 1.2, "camera"), BudgetLine("noise", 0.02), BudgetLine("emissivity", 0.1))
        measurements.append(
            PartMeasurement(part, 60, None, None, None, None, reason=reason)
            if reason
            else PartMeasurement(part, 60, ambient_c + rise, ambient_c + rise, rise, 1.3, budget=budget)
        )
    mm_per_px = grid.dx_mm
    matrix = np.array([[1 / mm_per_px, 0, -0.5], [0, 1 / mm_per_px, -0.5], [0, 0, 1.0]])
    apparent = ambient_c + raster + offset_k + rng.normal(0, NOISE_K, raster.shape)
    path = Path(f"/{name}.tiff")
    rails = (Supply("+5 V", 5.0, float(watts.sum()) / 5.0),) if supply else ()
    return Scene(
        board=board,
        run=Run((path,), ambient_c, ambient_c, supply=rails, **run),  # type: ignore[arg-type]
        frames=(Frame(np.zeros((1, 1)), "C", "given", FrameSource(path, 0, name, "TIFF", "float32")),),
        rectified=Rectified(apparent, mm_per_px, grid.inside),
        measurements=tuple(measurements),
        registration=Registration("corners", matrix, np.zeros((4, 2)), 0.01 * np.eye(8), 0.1, 0.1, 10.0),
    )
