"""
How often a board is found in a photo, how well, and how often something else is taken for it.

    python -m tests.benchmarks.photo_corners

Pictures that come with scikit-image lie as boards on three grounds, seen at random by cameras of several lenses. The
brick ground is harsh on purpose: its joints are lines like a board's edges.
"""

from __future__ import annotations

import cv2
import numpy as np

from tests.layout.photo_scenes import SHAPE, board_for, bundled, corners_seen, scene
from thermscan.errors import CannotJudge
from thermscan.layout.photo_corners import find_corners

PICTURES = ("coffee", "chelsea", "page", "brick", "astronaut", "rocket", "gravel", "grass", "camera", "moon", "retina",
            "coins", "text", "hubble_deep_field")  # fmt: skip
# Farther off than this, in pixels of a photo of 880 x 660, is another thing than the board.
WRONG_PX = 5.0


def ground_of(kind: str, rng: np.random.Generator) -> np.ndarray:
    if kind == "brick":
        return cv2.resize(bundled("brick"), SHAPE[::-1]) * np.array([0.5, 0.8, 1.1])
    shade = rng.uniform(40, 240, 3) if kind == "coloured" else np.full(3, rng.uniform(180, 250))
    return np.broadcast_to(shade, (*SHAPE, 3))


def main() -> None:
    print("ground     views  found  refused  wrong  median error, px  largest error, px")
    for kind in ("coloured", "white", "brick"):
        errors, refused, views = [], 0, 0
        for seed, name in enumerate(PICTURES * 2):
            rng = np.random.default_rng([seed, len(kind)])
            face = bundled(name)
            board = board_for(face)
            corners = corners_seen(
                (board.width_mm, board.height_mm), tilt_deg=rng.uniform(0, 45), towards_deg=rng.uniform(0, 360),
                roll_deg=rng.uniform(-15, 15), fill=rng.uniform(0.45, 0.7), focal=rng.uniform(0.7, 2.5),
            )  # fmt: skip
            if corners.min() < 4 or np.any(corners > np.array(SHAPE[::-1]) - 5):
                continue
            views += 1
            view = scene(face, corners, ground=ground_of(kind, rng), seed=seed)
            try:
                errors.append(float(np.abs(find_corners(view.pixels, board).corners_px - corners).max()))
            except CannotJudge:
                refused += 1
        wrong = sum(error > WRONG_PX for error in errors)
        print(
            f"{kind:10} {views:5} {len(errors):6} {refused:8} {wrong:6} {np.median(errors):17.2f} {max(errors):18.2f}"
        )


if __name__ == "__main__":
    main()
