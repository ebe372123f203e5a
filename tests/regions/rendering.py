"""A small renderer of our own for the regions: bodies of one temperature, a blur, known places."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from thermscan.coordinates import map_points
from thermscan.layout.board import Board, Part, Surface
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.registration import Registration

BLACK = Surface("painted", 1.0, 0.001)
OVERSAMPLING = 6


def make_board(*parts: Part, width_mm: float = 100.0, height_mm: float = 80.0) -> Board:
    outline = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]], dtype=float)
    return Board("test", None, outline, 1.6, BLACK, parts)


def make_part(ref: str = "U1", **changes: object) -> Part:
    facts: dict[str, object] = {
        "length_mm": 20.0,
        "width_mm": 8.0,
        "x_mm": 50.0,
        "y_mm": 40.0,
        "rotation_deg": 0.0,
        "surface": BLACK,
    }
    return Part(ref=ref, **(facts | changes))  # type: ignore[arg-type]


def make_registration(board: Board, px_from_mm: np.ndarray, *, corner_u_px: float = 0.01) -> Registration:
    return Registration(
        method="corners",
        px_from_mm=px_from_mm,
        corners_px=map_points(px_from_mm, board.corners_mm),
        corner_covariance_px2=np.eye(8) * corner_u_px**2,
        residual_px=0.0,
        uncertainty_mm=0.01,
        view_angle_deg=0.0,
    )


def render(
    board: Board,
    px_from_mm: np.ndarray,
    temps_c: dict[str, float],
    *,
    shape: tuple[int, int] = (120, 160),
    board_c: float = 30.0,
    bench_c: float = 22.0,
    blur_px: float = 0.6,
    noise_k: float = 0.0,
    seed: int = 0,
) -> ThermalImage:
    """Draw on a fine grid, blur, average over each pixel's area, add noise."""
    rows, cols = np.indices((shape[0] * OVERSAMPLING, shape[1] * OVERSAMPLING))
    fine_px = (np.stack([cols, rows], axis=-1).reshape(-1, 2) + 0.5) / OVERSAMPLING - 0.5
    mm = map_points(np.linalg.inv(px_from_mm), fine_px)
    inside = (mm >= 0).all(axis=1) & (mm <= [board.width_mm, board.height_mm]).all(axis=1)
    fine_c = np.where(inside, board_c, bench_c)
    for part in board.parts:
        body = np.abs(part.body_from_board(mm)) / [part.length_mm / 2, part.width_mm / 2]
        inside_body = np.linalg.norm(body, axis=1) <= 1 if part.round_body else (body <= 1).all(axis=1)
        fine_c[inside_body] = temps_c[part.ref]
    fine = gaussian_filter(fine_c.reshape(rows.shape), blur_px * OVERSAMPLING)
    coarse = fine.reshape(shape[0], OVERSAMPLING, shape[1], OVERSAMPLING).mean(axis=(1, 3))
    noise = np.random.default_rng(seed).normal(0.0, noise_k, shape) if noise_k else 0.0
    return ThermalImage(coarse + noise, noise_k or 0.001, 1.0, (8.0, 14.0), blur_px)


def frontal(px_per_mm: float) -> np.ndarray:
    """A frontal view at so many pixels a millimetre."""
    return np.array([[px_per_mm, 0.0, 10.3], [0.0, px_per_mm, 8.7], [0.0, 0.0, 1.0]])
