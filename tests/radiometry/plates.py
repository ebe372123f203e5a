"""Views of a warmed plate with a grid, through a lens of known distortion."""

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from thermscan.radiometry.camera import Lens
from thermscan.radiometry.lens import straighten_points

PLATE_C, HOLE_C, ROOM_C = 45.0, 25.0, 24.0
FINE = 2  # rays a pixel, each way


def view_plate(rng, lens, shape, *, grid, pitch_mm, kind="holes", noise_k=0.05):
    """One view from a random tilt, with the whole plate in the frame."""
    turn = cv2.Rodrigues(np.array([*rng.uniform(-0.5, 0.5, 2), rng.uniform(-0.3, 0.3)]))[0]
    extent_mm = pitch_mm * (np.array(grid) + 1)
    distance_mm = 1.25 * max(extent_mm[0] * lens.fx_px / shape[1], extent_mm[1] * lens.fy_px / shape[0])
    middle = turn @ np.array([*(pitch_mm * (np.array(grid) - 1) / 2), 0.0])
    place = np.array([*rng.uniform(-0.04, 0.04, 2) * distance_mm, distance_mm]) - middle
    rows, cols = shape
    y, x = (np.indices((rows * FINE, cols * FINE)) + 0.5) / FINE - 0.5
    straight = straighten_points(np.column_stack([x.ravel(), y.ravel()]), lens)
    rays = np.column_stack([(straight - [lens.cx_px, lens.cy_px]) / [lens.fx_px, lens.fy_px], np.ones(len(straight))])
    on_plate = rays @ np.linalg.inv(np.column_stack([turn[:, :2], place])).T
    seen_c = _plate_c(on_plate[:, :2] / on_plate[:, 2:] / pitch_mm, grid, kind)
    frame_c = seen_c.reshape(rows, FINE, cols, FINE).mean(axis=(1, 3))
    return gaussian_filter(frame_c, 0.6) + rng.normal(0.0, noise_k, shape)


def _plate_c(cell, grid, kind):
    """Temperature at places given in pitches from the first hole's centre, or from the first inner corner."""
    inside = np.all((cell > -1) & (cell < np.array(grid)), axis=1)
    if kind == "squares":
        warm = np.floor(cell).sum(axis=1) % 2 == 0
        return np.where(inside, np.where(warm, PLATE_C, HOLE_C + 5), ROOM_C)
    nearest = np.round(cell)
    of_grid = np.all((nearest >= 0) & (nearest < np.array(grid)), axis=1)
    hole = of_grid & (np.linalg.norm(cell - nearest, axis=1) < 0.28)
    return np.where(inside, np.where(hole, HOLE_C, PLATE_C), ROOM_C)


def barrel_lens(shape, k1=-0.25, k2=0.05):
    """A 50-degree lens with its axis a little off the middle."""
    rows, cols = shape
    focal_px = cols / 2 / np.tan(np.deg2rad(25.0))
    return Lens(focal_px, focal_px, (cols - 1) / 2 + 1.0, (rows - 1) / 2 - 1.0, k1, k2)
