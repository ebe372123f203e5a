"""Frames of a warm board with the four targets on it, drawn with the simulator's heat, camera and band radiance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from samples.simulator import Background, Pose, place_camera, solve_board
from samples.simulator.planck import radiance_of, temperature_of
from samples.simulator.pose import carry
from samples.simulator.scene import seen_scene
from samples.simulator.solver import BoardField
from tests.registration.simple_views import MASK, METAL, PLASTIC
from thermscan.layout.board import Board, Part
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.targets.target_design import TARGETS

FOIL, CARD = 0.05, 0.93
# What a sheet of card keeps of the board's rise.
CARD_KEEPS = 0.9
SUBSAMPLES = 3


@dataclass(frozen=True)
class TargetView:
    """A rendered frame and where the board really is."""

    image: ThermalImage
    board: Board
    pose: Pose
    field: BoardField

    @property
    def corners_px(self) -> np.ndarray:
        return self.pose.px(self.board.corners_mm)


def warm_board(width_mm: float = 130.0, height_mm: float = 90.0, *, powers: float = 1.0) -> tuple[Board, BoardField]:
    """A board of two rows of chips and two shiny parts, which look as cold as foil; coarse, so that it is quick."""
    names = [f"U{number}" for number in range(1, 9)]
    columns, rows = width_mm * np.array([0.25, 0.41, 0.57, 0.73]), height_mm * np.array([0.35, 0.65])
    places = [(x, y) for y in rows for x in columns]
    parts = [Part(name, 20.0, 7.0, x, y, 90, PLASTIC) for name, (x, y) in zip(names, places, strict=True)]
    parts += [
        Part("X1", 11.0, 5.0, width_mm / 2, 8.0, 0, METAL),
        Part("X2", 9.0, 9.0, width_mm / 2 + 12.0, height_mm - 9.0, 0, METAL),
    ]
    outline = [[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]]
    board = Board("made", None, outline, 1.6, MASK, tuple(parts))
    powers_w = {name: powers * (0.25 + 0.1 * index) for index, name in enumerate(names)}
    return board, solve_board(board, powers_w, ambient_c=22.0, mesh_mm=5.0)


def view_of(
    field: BoardField,
    board: Board,
    pose: Pose,
    *,
    rng: np.random.Generator,
    laid: tuple[int, ...] = (0, 1, 2, 3),
    order: tuple[int, ...] = (0, 1, 2, 3),
    placing_mm: float = 0.0,
    netd_k: float = 0.05,
) -> TargetView:
    """`laid` says on which corners cards lie; `order` which card lies on each corner."""
    emissivity = {"": board.surface.emissivity} | {part.ref: part.surface.emissivity for part in board.parts}
    temp_c, emits, points_px = seen_scene(
        field,
        board,
        pose,
        emissivity=emissivity,
        background=Background(),
        rng=rng,
        subsamples=SUBSAMPLES,
        heights=False,
    )
    points_mm = carry(np.linalg.inv(pose.px_from_mm), points_px)
    for corner in laid:
        moved = points_mm - rng.normal(0.0, placing_mm, 2) if placing_mm else points_mm
        at, target = board.corners_mm[corner], TARGETS[corner]
        card = _inside(moved, target.card_mm(at))
        temp_c[card] = field.ambient_c + CARD_KEEPS * (field.board_c(points_mm[card]) - field.ambient_c)
        emits[card] = CARD
        middle = target.centre_mm(at)
        size = TARGETS[order[corner]].patch_mm
        foil = (np.abs(moved - middle) <= np.array(size) / 2).all(axis=1)
        emits[foil] = FOIL
    radiance = emits * radiance_of(temp_c) + (1 - emits) * radiance_of(field.ambient_c)
    rows, cols = pose.shape
    fine = gaussian_filter(radiance.reshape(rows * SUBSAMPLES, cols * SUBSAMPLES), 0.6 * SUBSAMPLES, mode="nearest")
    mean = fine.reshape(rows, SUBSAMPLES, cols, SUBSAMPLES).mean(axis=(1, 3))
    per_k = float(radiance_of(30.5) - radiance_of(29.5))
    apparent_c = temperature_of(mean + rng.normal(0.0, netd_k * per_k, mean.shape))
    image = ThermalImage(apparent_c, noise_k=netd_k, accuracy_k=2.0, band_um=(8.0, 14.0), blur_px=0.6)
    return TargetView(image, board, pose, field)


def random_pose(seed: int, board: Board, shape: tuple[int, int]) -> Pose:
    """Any turn in the picture, tilts to 50 degrees; the board fills the frame well, as the sheet asks."""
    rng = np.random.default_rng(seed)
    return place_camera(
        board,
        shape,
        tilt_deg=float(rng.uniform(0, 50)),
        azimuth_deg=float(rng.uniform(0, 360)),
        turn_deg=float(rng.uniform(-180, 180)),
        fill=float(rng.uniform(0.75, 0.92)),
        fov_deg=float(rng.uniform(25, 55)),
    )


def _inside(points_mm: np.ndarray, box_mm: np.ndarray) -> np.ndarray:
    return ((points_mm >= box_mm.min(axis=0)) & (points_mm <= box_mm.max(axis=0))).all(axis=1)
