"""
What an uneven sensor does to differences between parts, against what the budgets say of it.

    python -m tests.benchmarks.sensor                   even scenes, many cameras: seconds
    python -m tests.benchmarks.sensor --boards 12       boards through `inspect_run`, with and without `camera shading`

The simulated sensors' law is none of the budget's: offsets with outliers and neighbours alike, bowls off the middle
with steep or flat walls and warm corners, sizes that vary three times either way from camera to camera.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np

from samples.simulator import (
    BoardField,
    Sensor,
    render_frame,
    sample_board,
    sample_pose,
    sample_powers,
    sample_sensor,
    solve_board,
    write_layout,
    write_tiff,
)
from thermscan.errors import InputError
from thermscan.inspection import Inspection, inspect_run
from thermscan.judge.comparison import difference_u_k
from thermscan.radiometry.camera import Camera, write_camera
from thermscan.radiometry.sensor import Footprint
from thermscan.radiometry.sensor_estimate import with_sensor
from thermscan.radiometry.shading_fit import fit_shading
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.runs.run import Run

SHAPES = ((120, 160), (240, 320), (480, 640))
ROOM_C = 23.0
MINUTES_BETWEEN = 3.0


def flat_frame(rng: np.random.Generator, sensor: Sensor, netd_k: float, shape: tuple[int, int], minute: float):
    """A card at room temperature."""
    return ROOM_C + sensor.unevenness_k(rng, shape, minute=minute) + rng.normal(0.0, netd_k, shape)


def footprints(rng: np.random.Generator, shape: tuple[int, int]) -> list[Footprint]:
    """Twelve bodies of 3 x 3 to a tenth of the frame, anywhere."""
    found = []
    for _ in range(12):
        height, width = (int(rng.integers(3, max(size // 10, 5))) for size in shape)
        top, left = (int(rng.integers(0, size - side)) for size, side in zip(shape, (height, width), strict=True))
        rows, cols = np.indices((height, width))
        found.append(Footprint((rows + top).ravel(), (cols + left).ravel()))
    return found


def even_scenes(cameras: int, first: int) -> None:
    """Differences between parts on even scenes, in units of what is stated for them."""
    tables: dict[str, list[tuple[float, float, float]]] = {"no correction": [], "after camera shading": []}
    refused = 0
    for seed in range(first, first + cameras):
        rng = np.random.default_rng(seed)
        shape, netd_k = SHAPES[seed % len(SHAPES)], float(rng.uniform(0.03, 0.08))
        sensor = sample_sensor(rng, netd_k=netd_k)
        parts = footprints(rng, shape)
        flat_c = flat_frame(rng, sensor, netd_k, shape, 0.0)
        seen_c = flat_frame(rng, sensor, netd_k, shape, MINUTES_BETWEEN)
        looks = [("no correction", seen_c, Camera("none"))]
        try:
            shading = fit_shading([flat_c])
        except InputError:
            refused += 1
        else:
            even_c, _ = shading.removed_from(seen_c, band_um=(8.0, 14.0))
            looks.append(("after camera shading", even_c, Camera("corrected", shading=shading)))
        for name, picture, camera in looks:
            image = with_sensor(ThermalImage(picture, netd_k, 1.15, (8.0, 14.0), 0.6), camera)
            assert image.sensor is not None
            white_k2 = np.array([netd_k**2 / len(part.rows) for part in parts])
            covariance = image.sensor.covariance_k2(parts, shape) + np.diag(white_k2)
            means = np.array([picture[part.rows, part.cols].mean() for part in parts])
            for i, j in combinations(range(len(parts)), 2):
                stated_k2 = covariance[i, i] + covariance[j, j] - 2 * covariance[i, j]
                tables[name].append((means[i] - means[j], stated_k2**0.5, (white_k2[i] + white_k2[j]) ** 0.5))
    print(f"{cameras} cameras, 66 differences between parts each; 'before': white noise alone was stated")
    print(f"{refused} of them so uneven that their flat frame was refused")
    _print_table(tables)


def _print_table(tables: dict[str, list[tuple[float, float, float]]]) -> None:
    print(f"{'':<24}{'error K rms':>12}{'stated K rms':>13}{'within u %':>11}{'within 2u %':>12}{'2u, before %':>13}")
    for name, rows in tables.items():
        error, stated, before = np.array(rows).T
        within = [100 * np.mean(np.abs(error) <= k * u) for k, u in ((1, stated), (2, stated), (2, before))]
        print(
            f"{name:<24}{np.sqrt(np.mean(error**2)):>12.3f}{np.sqrt(np.mean(stated**2)):>13.3f}"
            f"{within[0]:>11.1f}{within[1]:>12.1f}{within[2]:>13.1f}"
        )


def boards(count: int, first: int) -> None:
    """Random boards, each seen by a camera of its own, with and without its correction, through `inspect_run`."""
    tables: dict[str, list[tuple[float, float, float]]] = {"no correction": [], "after camera shading": []}
    verdicts: dict[str, list[str]] = {name: [] for name in tables}
    for seed in range(first, first + count):
        rng = np.random.default_rng([seed, 77])
        board = sample_board(rng, parts=40)
        field = solve_board(board, sample_powers(rng, board), ambient_c=ROOM_C, sheet_w_per_k=0.012)
        shape, netd_k = SHAPES[seed % len(SHAPES)], float(rng.uniform(0.03, 0.08))
        sensor = sample_sensor(rng, netd_k=netd_k)
        pose = sample_pose(rng, board, shape, 35.0)
        seen = render_frame(
            field, board, pose, rng=rng, netd_k=netd_k, sensor=sensor, minute=MINUTES_BETWEEN,
            emissivity_spread=1.0, offset_k=float(rng.uniform(-2, 2)), heights=True,
        )  # fmt: skip
        try:
            shading = fit_shading([flat_frame(rng, sensor, netd_k, shape, 0.0)])
        except InputError:
            print(f"seed {seed}: so uneven that its flat frame was refused; left out")
            continue
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            write_layout(folder, board)
            write_tiff(folder / "seen.tiff", [seen.apparent_c])
            write_camera(Camera("corrected", shading=shading), folder / "corrected.toml")
            corners = tuple((float(x), float(y)) for x, y in pose.px(board.corners_mm))
            run = Run((folder / "seen.tiff",), ROOM_C, ROOM_C, layout=folder / "board.toml", corners_px=corners)
            for name, camera in (("no correction", None), ("after camera shading", folder / "corrected.toml")):
                found = inspect_run(replace(run, camera=camera))
                tables[name] += _peer_differences(found, field)
                verdicts[name].append(found.judgement.overall)
    print(f"{count} boards (independent), parts of one group compared with each other")
    _print_table(tables)
    for name, overall in verdicts.items():
        print(f"{name:<24}" + ", ".join(f"{word} {overall.count(word)}" for word in sorted(set(overall))))


def _peer_differences(found: Inspection, field: BoardField) -> list[tuple[float, float, float]]:
    groups: dict[str, list] = {}
    for one in found.measurements:
        if one.measurable and one.part.group:
            groups.setdefault(one.part.group, []).append(one)
    rows = []
    for group in groups.values():
        for a, b in combinations(group, 2):
            error = (a.mean_c - b.mean_c) - (field.truth(a.part).mean_c - field.truth(b.part).mean_c)
            plain = [
                replace(one, budget=[line for line in one.budget if "sensor" not in line.source]) for one in (a, b)
            ]
            rows.append((error, difference_u_k(a, [b]), difference_u_k(plain[0], [plain[1]])))
    return rows


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1])
    parser.add_argument("--cameras", type=int, default=150)
    parser.add_argument("--boards", type=int, default=0)
    parser.add_argument("--first", type=int, default=7000)
    chosen = parser.parse_args()
    boards(chosen.boards, chosen.first) if chosen.boards else even_scenes(chosen.cameras, chosen.first)
