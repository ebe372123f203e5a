"""
How well each part's own height is known, and how many parts are measured, by view angle and columns.

    python tests/benchmarks/heights.py --views 60 --first 50000 --out heights.jsonl
    python tests/benchmarks/heights.py --tables heights.jsonl

Scenes of `scenes.py`: sockets, sinks, cans and flat parts together, heights not stated, nothing over the board; every
view is another board, every second one states the camera's field of view. Only views placed within 1.5 px count.
Measurable: no metal, at least 6.5 px wide, hidden by other parts by less than 3 %. Beside heights stands where the top
is seen, in pixels, since a height that does not show does no harm.
"""

from __future__ import annotations

import json
import os
import sys
import warnings
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402

from tests.benchmarks.line_files import view_options, write_lines  # noqa: E402
from tests.benchmarks.placing import COLS, HARDLY, WIDE_PX, WRONG_PX, _Camera, _least_width, _seen  # noqa: E402
from tests.benchmarks.scenes import Scene, scene  # noqa: E402
from thermscan.errors import ThermscanError  # noqa: E402
from thermscan.radiometry.lens import straighten_image  # noqa: E402
from thermscan.regions.covering import find_cover  # noqa: E402
from thermscan.regions.measure import measure_parts  # noqa: E402
from thermscan.registration import Registration, register_board  # noqa: E402
from thermscan.registration.geometry.parallax import pose_seen, top_corners_px  # noqa: E402

TILTS = ((0, 15), (15, 30), (30, 45), (45, 55))
# A height that is off by so much is taken for another part's edge.
FAR_MM = 10.0


def run_view(seed: int) -> dict[str, object]:
    """One view, each part beside its truth."""
    cv2.setNumThreads(1)
    warnings.simplefilter("ignore")
    view = scene(seed, cols=COLS[seed % len(COLS)], covers=False)
    fov_deg = view.fov_deg if seed // len(COLS) % 2 == 0 else None
    about: dict[str, object] = {"seed": seed, "cols": view.image.shape[1], "tilt": view.tilt_deg}
    camera = _Camera(fov_deg) if fov_deg else None
    try:
        found = register_board(view.image, view.board, camera=camera, straighten=True)  # type: ignore[arg-type]
    except ThermscanError as error:
        return about | {"refused": str(error)[:100]}
    centres = np.array([[part.x_mm, part.y_mm] for part in view.board.parts])
    off = _seen(found.px(centres), found.lens) - view.centres_px(top=False)
    about["error_px"] = float(np.sqrt((off**2).sum(axis=1).mean()))
    if about["error_px"] > WRONG_PX:
        return about
    return about | {"parts": _parts(view, found, fov_deg)}


def _parts(view: Scene, found: Registration, fov_deg: float | None) -> list[dict[str, object]]:
    shape, board = view.image.shape, view.board
    pose = pose_seen(found, shape=shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
    tops = np.array([_seen(top_corners_px(part, found, pose), found.lens).mean(axis=0) for part in board.parts])
    off_px = np.linalg.norm(tops - view.centres_px(top=True), axis=1)
    image = straighten_image(view.image, found.lens) if found.lens is not None else view.image
    cover = find_cover(image, found, board, fov_deg=fov_deg)
    measured = measure_parts(
        image, found, board, ambient_c=22.0, reflected_c=22.0, fov_deg=fov_deg, covered=cover.pixels
    )
    parts: list[dict[str, object]] = []
    for k, (part, each) in enumerate(zip(board.parts, measured, strict=True)):
        known = found.heights[part.ref]
        able = part.surface.name != "metal" and _least_width(view, k) >= WIDE_PX and view.behind[k] < HARDLY
        parts.append({
            "mm": float(view.truth.heights_mm[k]), "said_mm": known.height_mm, "u_mm": known.u_mm, "seen": known.seen,
            "off_px": float(off_px[k]), "named": part.package is not None, "able": bool(able),
            "why": each.reason.code if each.reason else "",
        })  # fmt: skip
    return parts


def tables(path: Path) -> None:
    """Print what a run found."""
    rows = [json.loads(line) for line in path.read_text().splitlines()]
    placed = [row for row in rows if "parts" in row]
    refused = sum("refused" in row for row in rows)
    print(f"{len(rows)} views, each of another board: {len(placed)} placed, {len(rows) - len(placed) - refused} wrong, "
          f"{refused} refused")  # fmt: skip
    print(
        f"{'':26s} views parts  RMS mm  median mm  over {FAR_MM:.0f} mm  within 2u  top RMS px | measured of measurable"
    )
    for cols in COLS:
        for low, high in TILTS:
            chosen = [row for row in placed if row["cols"] == cols and low <= row["tilt"] < high]
            _row(f"{cols} columns, {low}-{high} deg", chosen)
        _row(f"{cols} columns", [row for row in placed if row["cols"] == cols])
    _row("package named", placed, named=True)
    _row("package not named", placed, named=False)
    _row("all", placed)


def _row(name: str, rows: list[dict], named: bool | None = None) -> None:
    parts = [part for row in rows for part in row["parts"] if named is None or part["named"] is named]
    if not parts:
        return
    off = np.array([part["said_mm"] - part["mm"] for part in parts])
    u = np.array([part["u_mm"] for part in parts])
    px = np.array([part["off_px"] for part in parts])
    able = [part for part in parts if part["able"]]
    why: dict[str, int] = {}
    for part in able:
        why[part["why"]] = why.get(part["why"], 0) + 1
    got = why.pop("", 0)
    rest = ", ".join(f"{code} {count}" for code, count in sorted(why.items(), key=lambda each: -each[1]))
    print(
        f"{name:26s} {len(rows):5d} {len(parts):5d} {np.sqrt(np.mean(off**2)):7.2f} {np.median(np.abs(off)):9.2f}"
        f" {100 * np.mean(np.abs(off) > FAR_MM):9.1f} % {100 * np.mean(np.abs(off) <= 2 * u):8.1f} %"
        f" {np.sqrt(np.mean(px**2)):10.2f}  | {100 * got / max(len(able), 1):5.1f} % of {len(able)} ({rest})"
    )


def main() -> None:
    """Run views, or print tables."""
    given = view_options(__doc__, views=24, out="/tmp/heights.jsonl").parse_args()
    if given.tables:
        tables(given.tables)
        return
    seeds = range(given.first, given.first + given.views)
    write_lines(given.out, run_view, seeds, workers=given.workers)
    tables(given.out)


if __name__ == "__main__":
    main()
