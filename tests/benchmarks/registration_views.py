"""Views for the registration benchmark: random boards, poses, cameras and benches, with their truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from samples.simulator import (
    Background,
    BoardField,
    WarmThing,
    render_frame,
    sample_board,
    sample_pose,
    sample_powers,
    solve_board,
)
from thermscan.coordinates import map_points
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage

FloatArray = NDArray[np.float64]

SHAPES = {160: (120, 160), 320: (240, 320), 640: (480, 640)}
AMBIENT_C = 22.0
PIXEL_BLUR_PX = 0.29


@dataclass(frozen=True)
class BenchmarkView:
    """A frame and where the board really is."""

    seed: int
    image: ThermalImage
    board: Board
    px_from_mm: FloatArray
    tilt_deg: float
    cool: bool
    things: int

    def errors_px(self, px_from_mm: FloatArray) -> FloatArray:
        """Distance between true and found part centres, in pixels; shape (parts,)."""
        centres = part_centres(self.board)
        apart = map_points(px_from_mm, centres) - map_points(self.px_from_mm, centres)
        return np.hypot(apart[:, 0], apart[:, 1])


def part_centres(board: Board) -> FloatArray:
    """Body centres; shape (parts, 2)."""
    return np.array([[part.x_mm, part.y_mm] for part in board.parts])


@lru_cache(maxsize=4)
def solved_board(seed: int) -> tuple[Board, BoardField]:
    """A random board and its heat. Every second one is cool: its mean rise is scaled to below 5 K."""
    rng = np.random.default_rng([seed, 1])
    board = sample_board(rng)
    powers = sample_powers(rng, board)
    field = solve_board(board, powers, ambient_c=AMBIENT_C)
    share = rng.uniform(1.0, 4.5) / (float(np.nanmean(field.board_raster_c)) - AMBIENT_C)
    if seed % 2 and share < 1:
        field = solve_board(board, {ref: watts * share for ref, watts in powers.items()}, ambient_c=AMBIENT_C)
    return board, field


def benchmark_view(
    seed: int,
    *,
    cols: int,
    view: int = 0,
    max_tilt_deg: float = 55.0,
    heights: str = "flat",
    field: BoardField | None = None,
) -> BenchmarkView:
    """
    One view of the seed's board; ``view`` numbers independent poses, cameras and benches.

    ``heights`` is ``flat`` (drawn without heights, and the layout states none), ``stated`` (drawn as boxes of the
    heights that the layout states) or ``unstated`` (drawn so, but the layout does not say it).

    A third of the frames show one or two other warm things on the bench, a sixth a hand in front.
    """
    rng = np.random.default_rng([seed, cols, view])
    board, solved = solved_board(seed)
    field = field or solved
    shape = SHAPES[cols]
    pose = sample_pose(rng, board, shape, max_tilt_deg, turn_deg=None if seed % 3 == 0 else 25.0)
    things = _things(rng, shape)
    netd_k, blur_px = float(rng.uniform(0.03, 0.08)), float(rng.uniform(0.4, 0.8))
    rendered = render_frame(
        field,
        board,
        pose,
        rng=rng,
        netd_k=netd_k,
        offset_k=float(rng.uniform(-2, 2)),
        blur_px=blur_px,
        emissivity_spread=1.0,
        background=Background(
            bench_c=AMBIENT_C + float(rng.normal(0, 0.7)),
            gradient_k=float(rng.uniform(0, 1.0)),
            things=things,
            operator_c=30.0 if rng.random() < 0.2 else None,
        ),
        heights=heights != "flat",
    )
    blur = float(np.hypot(blur_px, PIXEL_BLUR_PX))
    if heights != "stated":
        board = replace(board, parts=tuple(replace(part, height_mm=None) for part in board.parts))
    image = ThermalImage(rendered.apparent_c, netd_k, 1.0, (8.0, 14.0), blur)
    return BenchmarkView(seed, image, board, pose.px_from_mm, pose.tilt_deg, bool(seed % 2), len(things))


def _things(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[WarmThing, ...]:
    rows, cols = shape
    things = []
    if rng.random() < 1 / 3:
        for _ in range(rng.integers(1, 3)):
            x, y = rng.uniform(0, cols), rng.choice([-0.02, 1.02]) * rows
            things.append(WarmThing(x, y, cols * rng.uniform(0.03, 0.1), rows * rng.uniform(0.03, 0.1), 35.0))
    if rng.random() < 1 / 6:
        x, y = rng.choice([0.0, cols]), rng.uniform(0, rows)
        things.append(WarmThing(x, y, cols * rng.uniform(0.1, 0.25), rows * rng.uniform(0.05, 0.12), 32.0, True))
    return tuple(things)
