"""
How often, how well and how honestly a board is placed, on scenes: heights unknown, lenses that bend, covers.

    python tests/benchmarks/placing.py --views 500 --first 10000 --workers 2 --out new.jsonl
    python tests/benchmarks/placing.py --tables new.jsonl old.jsonl
    python tests/benchmarks/placing.py --views 200 --kinds covers --first 20000

Every view is another board. Every second view states the camera's field of view.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from inspect import signature
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from scipy.stats import beta  # noqa: E402

from tests.benchmarks.scenes import Scene, scene  # noqa: E402
from thermscan.coordinates import map_points  # noqa: E402
from thermscan.errors import ThermscanError  # noqa: E402
from thermscan.radiometry.camera import Lens  # noqa: E402
from thermscan.radiometry.lens import bend_points, straighten_image, straighten_points  # noqa: E402
from thermscan.radiometry.thermal_image import ThermalImage  # noqa: E402
from thermscan.regions.covering import find_cover  # noqa: E402
from thermscan.regions.measure import measure_parts  # noqa: E402
from thermscan.registration import Registration, register_board  # noqa: E402
from thermscan.registration.geometry.homography import part_uncertainty_mm  # noqa: E402
from thermscan.registration.geometry.parallax import pose_seen, top_corners_px  # noqa: E402

WRONG_PX = 1.5
COLS = (160, 320, 640)
KINDS = ("automatic", "corners", "foreign", "mirrored", "covers")
# A part is held to be measurable where its top is so many pixels wide, hardly hidden, and no metal.
WIDE_PX, HARDLY = 6.5, 0.03
HIDDEN = 0.2


class _Camera:
    """A camera that states its field of view and nothing else."""

    def __init__(self, fov_deg: float) -> None:
        self.fov_deg = (fov_deg, 0.75 * fov_deg)
        self.lens = None


def attempt(view: Scene, layout_of: Scene, *, fov: bool, measure: bool, **given: object) -> dict[str, object]:
    """One registration, scored."""
    camera = _Camera(view.fov_deg) if fov else None
    start = time.process_time()
    try:
        if "straighten" in signature(register_board).parameters:
            given["straighten"] = True
        found = register_board(view.image, layout_of.board, camera=camera, **given)  # type: ignore[arg-type]
    except ThermscanError as error:
        return {"seconds": time.process_time() - start, "said": str(error)}
    seconds = time.process_time() - start
    lens = getattr(found, "lens", None)
    off = _seen(found.px(_centres(view)), lens) - view.centres_px(top=False)
    error = float(np.sqrt((off**2).sum(axis=1).mean()))
    scored: dict[str, object] = {"seconds": seconds, "error_px": error, "said": "; ".join(found.remarks)}
    if layout_of is view:
        scored |= {"method": found.method, "error_mm": _error_mm(view, found), "corner_px": _corner_px(view, found)}
        u_px = part_uncertainty_mm(found, _centres(view)) * np.sqrt(np.abs(_scale(found, view)))
        scored["covered"] = float((np.abs(off) <= 2 * u_px[:, None]).mean())
        scored["stated_px"] = float(np.sqrt((u_px**2).mean()))
        scored |= _heights(view, found, fov=fov)
    if measure and error < WRONG_PX:
        scored |= _measured(view, found, lens, fov=fov)
    return scored


def _error_mm(view: Scene, found: Registration) -> float:
    """RMS over part centres, on the board."""
    true_px = view.centres_px(top=False)
    seen = map_points(found.mm_from_px, true_px if found.lens is None else straighten_points(true_px, found.lens))
    off = seen - _centres(view)
    return float(np.sqrt((off**2).sum(axis=1).mean()))


def _corner_px(view: Scene, found: Registration) -> float:
    """RMS over the corners of the layout's box."""
    off = _seen(found.corners_px, found.lens) - view.corners_px()
    return float(np.sqrt((off**2).sum(axis=1).mean()))


def _centres(view: Scene) -> np.ndarray:
    return np.array([[part.x_mm, part.y_mm] for part in view.board.parts])


def _scale(found: Registration, view: Scene) -> np.ndarray:
    """Square pixels a square millimetre at each part."""
    from thermscan.registration.geometry.homography import local_scale

    return np.linalg.det(local_scale(found.px_from_mm, _centres(view)))


def _seen(points_px: np.ndarray, lens: Lens | None) -> np.ndarray:
    return points_px if lens is None else bend_points(points_px, lens)


def _heights(view: Scene, found: Registration, *, fov: bool) -> dict[str, object]:
    """How far predicted tops lie from true ones, by part, and how far that is in stated uncertainties."""
    lens = getattr(found, "lens", None)
    pose = pose_seen(
        found,
        shape=view.image.shape,
        corners_mm=view.board.corners_mm,
        fov_deg=view.fov_deg if fov else None,
    )
    tops = np.array([_seen(top_corners_px(part, found, pose), lens).mean(axis=0) for part in view.board.parts])
    off = np.linalg.norm(tops - view.centres_px(top=True), axis=1)
    rise = np.linalg.norm(view.centres_px(top=True) - view.centres_px(top=False), axis=1)
    u = np.sqrt(2) * found.top_doubts_px if found.top_doubts_px.size else np.full(len(off), np.nan)
    return {
        "top_px": float(np.sqrt(np.mean(off**2))),
        "top_worst": float(off.max()),
        "top_median": float(np.median(off)),
        "rise_px": float(np.sqrt(np.mean(rise**2))),
        "top_covered": float(np.mean(off <= 2 * np.hypot(u, 0.15))),
    }


def _measured(view: Scene, found: Registration, lens: Lens | None, *, fov: bool) -> dict[str, object]:
    """What is measured of what can be; and hidden parts that are measured all the same."""
    image: ThermalImage = view.image if lens is None else straighten_image(view.image, lens)
    fov_deg = view.fov_deg if fov else None
    cover = find_cover(image, found, view.board, fov_deg=fov_deg)
    measured = measure_parts(
        image, found, view.board, ambient_c=22.0, reflected_c=22.0, fov_deg=fov_deg, covered=cover.pixels
    )
    got = np.array([each.measurable for each in measured])
    why = [each.reason.code if each.reason else "" for each in measured]
    size = np.array([_least_width(view, k) for k in range(len(got))])
    plastic = np.array([part.surface.name != "metal" for part in view.board.parts])
    able = plastic & (size >= WIDE_PX) & (view.covered < HARDLY) & (view.behind < HARDLY)
    hidden = (view.covered > HIDDEN) & plastic & (size >= WIDE_PX)
    behind = (view.behind > HIDDEN) & (view.covered <= HIDDEN) & plastic & (size >= WIDE_PX)
    named = np.array([code == "covered" for code in why])
    clear = view.covered < HARDLY
    return {
        "able": int(able.sum()),
        "able_measured": int((able & got).sum()),
        "place_uncertain": int((able & np.array([code == "place-uncertain" for code in why])).sum()),
        "called_hidden": int((able & np.array([code == "hidden" for code in why])).sum()),
        "hidden": int(hidden.sum()),
        "hidden_measured": int((hidden & got).sum()),
        "behind": int(behind.sum()),
        "behind_measured": int((behind & got).sum()),
        "clear": int(clear.sum()),
        "clear_called_covered": int((clear & named).sum()),
    }


def _least_width(view: Scene, k: int) -> float:
    corners = view.lens.px(view.truth.parts[k].corners_mm(), view.truth.parts[k].height_mm or 0.0)
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    area = abs(float(cv2.contourArea(corners.astype(np.float32))))
    return area / max(float(sides.max()), 1e-9)


def run_view(seed: int, kinds: tuple[str, ...], heights: str, measure: bool) -> dict[str, object]:
    """All attempts at one view."""
    cv2.setNumThreads(1)
    cols = COLS[seed % len(COLS)]
    view = scene(seed, cols=cols, heights=heights, covers=True if kinds == ("covers",) else None)
    fov = seed // len(COLS) % 2 == 0
    result: dict[str, object] = {
        "seed": seed,
        "cols": cols,
        "tilt": view.tilt_deg,
        "cool": view.cool,
        "true_bend": view.lens.bend,
        "parts": len(view.board.parts),
        "anything_over": bool((view.covered > HIDDEN).any()),
        "box": len(view.board.outline_mm) == 4,
        "fov": fov,
        "floor": _floor(view),
    }
    rng = np.random.default_rng([seed, 5])
    clicks = view.corners_px() + rng.normal(0, 1.0, (4, 2))
    if "automatic" in kinds or "covers" in kinds:
        result["automatic"] = attempt(view, view, fov=fov, measure=measure)
    if "corners" in kinds:
        result["corners"] = attempt(view, view, fov=fov, measure=measure, corners_px=clicks)
    if "foreign" in kinds:
        result["foreign"] = attempt(view, scene(seed + 500000, cols=cols, heights=heights), fov=fov, measure=False)
    if "mirrored" in kinds:
        result["mirrored"] = attempt(view, _mirrored(view), fov=fov, measure=False, corners_px=clicks)
    return result


def _mirrored(view: Scene) -> Scene:
    """The layout as someone draws it who looks from the solder side."""
    from dataclasses import replace

    board = view.board
    parts = tuple(
        replace(part, x_mm=board.width_mm - part.x_mm, rotation_deg=-part.rotation_deg) for part in board.parts
    )
    flipped = board.outline_mm[::-1] * [-1, 1] + [board.width_mm, 0]
    return replace(view, truth=replace(view.truth, layout=replace(board, parts=parts, outline_mm=flipped)))


def _floor(view: Scene) -> float:
    """CPU of one perspective warp and one edge map of the frame, by OpenCV."""
    apparent = view.image.apparent_c
    low, high = np.percentile(apparent, [0.5, 99.5])
    eight = np.clip((apparent - low) / (high - low) * 255, 0, 255).astype(np.uint8)
    frame, best = apparent.astype(np.float32), np.inf
    for _ in range(5):
        start = time.process_time()
        cv2.warpPerspective(frame, np.eye(3), frame.shape[::-1])
        cv2.Canny(eight, 50, 150)
        best = min(best, time.process_time() - start)
    return float(best)


def tables(path: Path) -> None:
    """Print what a run found."""
    rows = [json.loads(line) for line in path.read_text().splitlines()]
    print(f"== {path.name}: {len(rows)} views, each of another board")
    print(f"{'':34s} views right% wrong refused  RMS px  cover%  u px  CPU ms /floor | tops px worst cov% | measured%")
    groups: dict[str, list[tuple[dict, dict]]] = defaultdict(list)
    for row in rows:
        for kind in KINDS[:2]:
            if kind in row:
                one = (row, row[kind])
                groups[f"{row['cols']} px, {kind}"].append(one)
                groups[f"all, {kind}"].append(one)
                tilt = "0-20" if row["tilt"] < 20 else "20-40" if row["tilt"] < 40 else "40-55"
                groups[f"tilt {tilt}, {kind}"].append(one)
                if kind == "automatic":
                    groups[f"{'bent' if row['true_bend'] else 'straight'} lens, {kind}"].append(one)
                    groups[f"{'box' if row['box'] else 'other outline'}, {kind}"].append(one)
                    groups[f"{'something over it' if row['anything_over'] else 'nothing over it'}, {kind}"].append(one)
                    groups[f"{'cool' if row['cool'] else 'warm'}, {kind}"].append(one)
    for name in sorted(groups, key=lambda each: (each.split(", ")[1], each)):
        _row(name, groups[name])
    for kind in ("foreign", "mirrored"):
        tried = [row[kind] for row in rows if kind in row]
        if tried:
            taken = [each for each in tried if "error_px" in each]
            said = sum("mirror" in str(each["said"]) for each in tried)
            seconds = np.median([each["seconds"] for each in tried])
            slow = np.percentile([each["seconds"] for each in tried], 95)
            print(
                f"{kind}: {len(tried)} tried, {len(taken)} not refused, {said} told as mirrored;"
                f" {1e3 * seconds:.0f} ms median, {1e3 * slow:.0f} ms 95 %"
            )


def _row(name: str, pairs: list[tuple[dict, dict]]) -> None:
    tried = [each for _, each in pairs]
    found = [each for each in tried if "error_px" in each]
    right = [each for each in found if each["error_px"] <= WRONG_PX]
    wrong = len(found) - len(right)
    bound = 100 * float(beta.ppf(0.95, wrong + 1, len(tried) - wrong)) if wrong < len(tried) else 100.0
    rms = np.sqrt(np.mean([each["error_px"] ** 2 for each in right])) if right else np.nan
    cover = 100 * np.mean([each["covered"] for each in right]) if right else np.nan
    stated = np.median([each["stated_px"] for each in right]) if right else np.nan
    ms = 1e3 * np.median([each["seconds"] for each in tried])
    floor = np.median([each["seconds"] / row["floor"] for row, each in pairs])
    tops = np.median([each["top_px"] for each in right]) if right else np.nan
    worst = np.median([each["top_worst"] for each in right]) if right else np.nan
    top_cover = 100 * np.mean([each["top_covered"] for each in right]) if right else np.nan
    print(
        f"{name:34s} {len(tried):5d} {100 * len(right) / len(tried):5.1f} {wrong:3d}(<{bound:4.1f}%)"
        f" {len(tried) - len(found):4d}  {rms:6.3f}  {cover:5.1f}  {stated:5.2f} {ms:6.0f} {floor:6.0f} |"
        f" {tops:5.2f} {worst:5.1f} {top_cover:5.1f} |",
        end="",
    )
    counted = [each for each in right if "able" in each]
    if counted:
        total = {key: sum(each[key] for each in counted) for key in counted[0] if isinstance(counted[0][key], int)}

        def share(a: str, b: str) -> str:
            return f"{100 * total[a] / max(total[b], 1):.1f}% of {total[b]}"

        print(
            f" {share('able_measured', 'able')}; place {total['place_uncertain']} hid {total['called_hidden']};"
            f" covered measured {share('hidden_measured', 'hidden')}; behind {share('behind_measured', 'behind')};"
            f" clear called covered {share('clear_called_covered', 'clear')}",
            end="",
        )
    print()


def main() -> None:
    """Run views, or print tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--views", type=int, default=60)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--kinds", choices=KINDS, nargs="+", default=["automatic"])
    parser.add_argument("--heights", choices=["unstated", "stated", "mixed"], default="unstated")
    parser.add_argument("--no-measure", action="store_true")
    parser.add_argument("--out", type=Path, default=Path("/tmp/placing.jsonl"))
    parser.add_argument("--tables", type=Path, nargs="+", help="print these results instead")
    given = parser.parse_args()
    if given.tables:
        for path in given.tables:
            tables(path)
        return
    seeds = range(given.first, given.first + given.views)
    run = partial(run_view, kinds=tuple(given.kinds), heights=given.heights, measure=not given.no_measure)
    with given.out.open("w", encoding="utf-8") as file, ProcessPoolExecutor(given.workers) as pool:
        for result in pool.map(run, seeds):
            file.write(json.dumps(result) + "\n")
            file.flush()
    tables(given.out)
    for line in given.out.read_text().splitlines():
        row = json.loads(line)
        for kind in KINDS:
            each = row.get(kind)
            if each and kind in KINDS[:2] and each.get("error_px", 99) > WRONG_PX:
                what = f"WRONG {each['error_px']:.1f} px" if "error_px" in each else "refused"
                where = f"{row['seed']} {row['cols']} tilt {row['tilt']:.0f} bend {row['true_bend']:.3f} {kind}"
                print(f"{where}: {what}; {each['said'][:160]}")


if __name__ == "__main__":
    main()
