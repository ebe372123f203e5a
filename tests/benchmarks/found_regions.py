"""
How many of a board's warm parts are found with no layout, and how much of what is found is a part.

    python tests/benchmarks/found_regions.py --boards 30

Boards, heat and camera come from samples/simulator; frames go through files, as a user's do. A part counts as found
where a region covers it with an intersection over union above one half. Parts of bare metal are never to be found.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from scipy.spatial import ConvexHull
from skimage.draw import polygon2mask

from samples.simulator import render_frame, sample_board, sample_pose, sample_powers, solve_board, write_tiff
from thermscan.inspection import view_of
from thermscan.regions.found_bodies import find_bodies
from thermscan.runs.run import Run

LEAST_RISE_K = 3.0
# A part that is clear to see: it differs from the board around it, and is not narrower than the optics resolve.
CLEAR_STEP_K = 0.5
CLEAR_SIDE_PX = 4.0
LEAST_OVERLAP = 0.5
METAL_BELOW = 0.5


def main() -> int:
    """Run the trials and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=30)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--rows", type=int, default=240)
    parser.add_argument("--max-tilt", type=float, default=50.0)
    given = parser.parse_args()
    total: Counter[str] = Counter()
    for number in range(given.boards):
        counts = trial(np.random.default_rng([given.seed, number]), rows=given.rows, max_tilt_deg=given.max_tilt)
        total += counts
        print(f"board {number}: {dict(counts)}", file=sys.stderr)
    print(
        f"{given.boards} boards at {given.rows * 4 // 3} x {given.rows} pixels, tilted up to {given.max_tilt:g} degrees"
    )
    warm = f"parts that rise more than {LEAST_RISE_K:g} K"
    print(f"{warm}: {total['warm']}, found {total['warm found'] / total['warm']:.1%}")
    clear = f"of them {CLEAR_STEP_K:g} K off the board and {CLEAR_SIDE_PX:g} px wide"
    print(f"{clear}: {total['clear']}, found {total['clear found'] / total['clear']:.1%}")
    print(f"regions: {total['regions']}, of which a part {1 - total['no part'] / total['regions']:.2%}")
    print(f"numbered though bare metal: {total['metal numbered']} of {total['metal']}")
    return 0


def trial(rng: np.random.Generator, *, rows: int, max_tilt_deg: float) -> Counter[str]:
    """One board: what was there, and what was found."""
    board = sample_board(rng)
    ambient_c = float(rng.uniform(18.0, 28.0))
    field = solve_board(
        board, sample_powers(rng, board), ambient_c=ambient_c, sheet_w_per_k=float(rng.uniform(8e-3, 3e-2))
    )
    shape = (rows, rows * 4 // 3)
    pose = sample_pose(rng, board, shape, max_tilt_deg)
    heights = bool(rng.random() < 0.5)
    view = render_frame(
        field, board, pose, rng=rng, netd_k=float(rng.uniform(0.03, 0.08)), offset_k=float(rng.uniform(-2.0, 2.0)),
        blur_px=float(rng.uniform(0.4, 0.8)), reflected_c=ambient_c + float(rng.normal()), emissivity_spread=1.0,
        heights=heights,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "frame.tiff")
        write_tiff(path, [view.apparent_c])
        image = view_of(Run((path,), ambient_c, ambient_c), progress=str).image
    found = find_bodies(image, reflected_c=ambient_c)
    bodies = [_seen(pose, part, heights, shape) for part in board.parts]
    matched, stray = set(), Counter()
    for region in found.bodies:
        overlaps = [(mask & region.mask).sum() / (mask | region.mask).sum() for mask in bodies]
        best = int(np.argmax(overlaps))
        metal = view.emissivity[board.parts[best].ref] < METAL_BELOW
        if overlaps[best] <= LEAST_OVERLAP:
            stray["no part"] += 1
        elif metal:
            stray["metal numbered"] += 1
        else:
            matched.add(best)
    matt = [i for i, part in enumerate(board.parts) if view.emissivity[part.ref] > METAL_BELOW]
    rise_k = {i: view.truth[board.parts[i].ref].mean_c - ambient_c for i in matt}
    step_k = {i: view.truth[board.parts[i].ref].mean_c - field.under_c[board.parts[i].ref] for i in matt}
    warm = {i for i in matt if rise_k[i] > LEAST_RISE_K}
    clear = {i for i in warm if abs(step_k[i]) > CLEAR_STEP_K and _narrow_px(pose, board.parts[i]) >= CLEAR_SIDE_PX}
    return stray + Counter(
        {
            "warm": len(warm),
            "warm found": len(warm & matched),
            "clear": len(clear),
            "clear found": len(clear & matched),
            "regions": len(found.bodies),
            "metal": len(board.parts) - len(matt),
        }
    )


def _seen(pose, part, heights: bool, shape: tuple[int, int]) -> np.ndarray:
    corners = pose.px(part.corners_mm())
    if heights:
        corners = np.vstack([corners, pose.px(part.corners_mm(), height_mm=part.height_mm or 3.5)])
        corners = corners[ConvexHull(corners).vertices]
    return polygon2mask(shape, corners[:, ::-1])


def _narrow_px(pose, part) -> float:
    corners = pose.px(part.corners_mm())
    return float(min(np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[2] - corners[1])))


if __name__ == "__main__":
    sys.exit(main())
