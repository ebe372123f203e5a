"""
A switched source of 20 mW, and nothing switched, before ``thermscan locate``: ``--boards 12 --seed 900``.

The board is a bare sheet solved by explicit finite differences in time (which the analysis does not use), with random
copper, loss, thickness, parts that lie on it without taking heat, place of the source and phase of the supply. The
camera: 9 Hz, NETD 50 mK, its offset drifts, the board warms, breath sways the picture and its warmth is reflected.
Every board is recorded twice: with the source, and with nothing switched. Half of the source's recordings state no
period, and each is also located with a wrong one (2 % off, or half or twice); with nothing switched a period is stated,
so that a false source is looked for, and then none is, which must end with 'cannot tell'.
"""

import argparse
import json
import tempfile
from pathlib import Path

import cv2
import numpy as np
import tifffile
from click.testing import CliRunner
from scipy.ndimage import gaussian_filter, map_coordinates

from samples.simulator import HeatDisc
from samples.simulator.recording import switched
from samples.simulator.sheet import sheet_rises
from thermscan.cli.main import thermscan

RATE_HZ, NETD_K, WATTS = 9.0, 0.05, 0.020
SHAPE, FINE, AMBIENT_C = (180, 240), 3, 22.0
# A source counts as found within so many millimetres.
NEAR_MM = 1.5


def draw_job(rng: np.random.Generator, folder: Path) -> dict:
    """A board with parts in rows, where it lies in the picture, and where heat enters beside the parts."""
    width, height = float(rng.uniform(110, 160)), float(rng.uniform(80, 110))
    thickness = float(rng.choice([1.0, 1.6, 2.0]))
    scale = min((SHAPE[1] - 24) / width, (SHAPE[0] - 24) / height)
    left, top = rng.uniform(8, 14, 2)
    lines, parts = (
        [f'[board]\nname = "trial"\nwidth_mm = {width}\nheight_mm = {height}\nthickness_mm = {thickness}'],
        [],
    )
    for row in range(3):
        x = float(rng.uniform(6, 12))
        while x + 26 < width:
            length, across = float(rng.uniform(12, 24)), float(rng.uniform(7, 11))
            centre = (x + length / 2, height * (row + 0.5) / 3 + float(rng.uniform(-3, 3)))
            parts.append((*centre, length, across))
            lines.append(
                f'[[part]]\nref = "U{len(parts)}"\nbody_mm = [{length}, {across}]\nat_mm = [{centre[0]}, {centre[1]}]\n'
                "emissivity = 0.999\nheight_mm = 0.5"
            )
            x += length + float(rng.uniform(5, 12))
    (folder / "board.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    corners = [[left, top], [left + width * scale, top], [left + width * scale, top + height * scale],
               [left, top + height * scale]]  # fmt: skip
    while True:
        at = rng.uniform((8, 8), (width - 8, height - 8))
        if all(abs(at[0] - x) > a / 2 + 2 or abs(at[1] - y) > b / 2 + 2 for x, y, a, b in parts):
            break
    return {"size": (width, height), "scale": scale, "corners": corners, "parts": parts, "at": at,
            "period_s": float(rng.uniform(12, 30)), "from_s": -float(rng.uniform(0, 30)),
            "facts": {"sheet_w_per_k": float(rng.uniform(0.008, 0.03)), "loss_w_per_m2k": float(rng.uniform(12, 25)),
                      "thickness_mm": thickness}}  # fmt: skip


def write_recording(path: Path, job: dict, watts: float, minutes: float, rng: np.random.Generator) -> np.ndarray:
    """The recording, and what a plain difference of its first on and off halves shows."""
    times = np.arange(0.0, 60 * minutes, 1 / RATE_HZ)
    rows, cols = (np.indices((SHAPE[0] * FINE, SHAPE[1] * FINE)) + 0.5) / FINE - 0.5
    x_mm, y_mm = ((grid - edge) / job["scale"] for grid, edge in zip((cols, rows), job["corners"][0], strict=True))
    inside = (x_mm >= 0) & (x_mm <= job["size"][0]) & (y_mm >= 0) & (y_mm <= job["size"][1])
    parts = np.zeros(inside.shape)
    for x, y, length, across in job["parts"]:
        parts[(abs(x_mm - x) <= length / 2) & (abs(y_mm - y) <= across / 2)] = rng.uniform(3.0, 12.0)

    def seen(fine: np.ndarray) -> np.ndarray:
        return gaussian_filter(fine, 0.6 * FINE).reshape(SHAPE[0], FINE, SHAPE[1], FINE).mean(axis=(1, 3))

    base, warm, bare = (
        seen(AMBIENT_C + inside * 1.0 + parts),
        seen(parts / 8 + 0.4 * inside),
        seen(inside * (parts == 0)),
    )
    at = np.array([y_mm, x_mm])[:, FINE // 2 :: FINE, FINE // 2 :: FINE] - 0.5
    reflected = gaussian_filter(rng.normal(0, 1, SHAPE), 50)
    reflected /= abs(reflected).max()
    breath_s, sway_px, span = float(rng.uniform(3, 5)), rng.uniform(0.05, 0.2, 2), times[-1]
    tau_s, bend, turn = float(rng.uniform(100, 400)), rng.uniform(-0.3, 0.3, 2), rng.uniform(0, 6.28)
    walk = np.cumsum(rng.normal(0, 0.05 / np.sqrt(RATE_HZ), len(times)))
    level = switched(job["period_s"], from_s=job["from_s"])
    solved = sheet_rises(job["size"], [HeatDisc(*job["at"], 1.0, watts)], times, level=level, **job["facts"])
    on_off, counted = np.zeros((2, *SHAPE)), [0, 0]
    with tifffile.TiffWriter(path) as writer:
        for index, (time_s, rise) in enumerate(zip(times, solved, strict=True)):
            frame = base + map_coordinates(rise, at, order=1, mode="nearest") * bare
            frame = frame + warm * (1 - np.exp(-time_s / tau_s))
            # Breath is not even: its phase wanders.
            breath = np.sin(2 * np.pi * time_s / breath_s + turn + 0.8 * np.sin(time_s / 9.0))
            move = np.array([[1.0, 0.0, sway_px[0] * breath], [0.0, 1.0, sway_px[1] * breath]])
            frame = cv2.warpAffine(frame.astype(np.float32), move, SHAPE[::-1], flags=cv2.INTER_CUBIC,
                                   borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
            share = time_s / span
            frame = frame + 0.05 * breath * reflected + bend[0] * share + bend[1] * share**2 + walk[index]
            frame = frame + rng.normal(0, NETD_K, SHAPE)
            writer.write(np.round((frame + 273.15) * 100).astype(np.uint16), contiguous=True)
            if time_s < job["period_s"]:
                half = 0 if level(time_s) else 1
                on_off[half] += frame
                counted[half] += 1
    return on_off[0] / counted[0] - on_off[1] / counted[1]


def plain_place_mm(difference: np.ndarray, job: dict) -> tuple[float, float]:
    """Where a person would look: the warmest place of the plain difference on the board, a little smoothed."""
    smooth = gaussian_filter(difference, 1.5)
    (left, top), _, (right, bottom), _ = job["corners"]
    inner = smooth[int(top) + 4 : int(bottom) - 3, int(left) + 4 : int(right) - 3]
    row, col = np.unravel_index(int(np.argmax(inner)), inner.shape)
    return (col + int(left) + 4 - left) / job["scale"], (row + int(top) + 4 - top) / job["scale"]


def located(folder: Path, name: str, job: dict, *, stated_s: float | None) -> dict:
    """What the command says."""
    period = f"drive_period_s = {stated_s}\n" if stated_s is not None else ""
    corners = [[round(float(v), 2) for v in corner] for corner in job["corners"]]
    (folder / f"{name}.toml").write_text(
        f'layout = "board.toml"\nframes = ["{name}.tiff"]\nunit = "cK"\nambient_c = {AMBIENT_C}\nrate_hz = {RATE_HZ}\n'
        f"corners_px = {corners}\n{period}", encoding="utf-8",
    )  # fmt: skip
    result = CliRunner().invoke(thermscan, ["locate", str(folder / f"{name}.toml"), "--json"], standalone_mode=False)
    return json.loads(result.stdout) if result.exception is None else {"sources": [], "fault": str(result.exception)}


def main() -> None:
    """Print one line a board, then what they come to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=12)
    parser.add_argument("--seed", type=int, default=900)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--size", default="240x180", help="columns x rows")
    given = parser.parse_args()
    errors, watts, inside, plain, false, more = [], [], [], [], [], []
    warned, named, refused, periods, unstated = [], [], [], [], []
    global SHAPE  # noqa: PLW0603 - one setting for the whole script
    SHAPE = tuple(int(side) for side in reversed(given.size.split("x")))
    for seed in range(given.seed, given.seed + given.boards):
        rng = np.random.default_rng(seed)
        with tempfile.TemporaryDirectory() as kept:
            folder = Path(kept)
            job = draw_job(rng, folder)
            difference = write_recording(folder / "on.tiff", job, WATTS, given.minutes, rng)
            true_s = job["period_s"]
            told = located(folder, "on", job, stated_s=true_s if seed % 2 == 0 else None)
            wrong_s = true_s * (1.02, 2.0, 0.98, 0.5)[seed % 4]
            other = located(folder, "on", job, stated_s=wrong_s)
            write_recording(folder / "none.tiff", job, 0.0, given.minutes, rng)
            quiet = located(folder, "none", job, stated_s=true_s)
            unsaid = located(folder, "none", job, stated_s=None)
        refused.append("fault" in other)
        warned.append(any("is not the one" in remark for remark in other.get("remarks", [])))
        named.append(abs((other.get("period_s") or 0.0) / true_s - 1) < 0.005)
        periods.append(abs((told.get("period_s") or 0.0) / true_s - 1) < 0.005)
        unstated.append(len(unsaid["sources"]))
        apart = [float(np.hypot(*(np.array([s["x_mm"], s["y_mm"]]) - job["at"]))) for s in told["sources"]]
        best = int(np.argmin(apart)) if apart else -1
        errors.append(apart[best] if apart else np.inf)
        plain.append(float(np.hypot(*(np.array(plain_place_mm(difference, job)) - job["at"]))))
        false.append(len(quiet["sources"]))
        more.append(len(apart) - (errors[-1] < NEAR_MM))
        if errors[-1] < NEAR_MM:
            source = told["sources"][best]
            watts.append(source["watts"] / WATTS - 1)
            inside.append((errors[-1] < 2.45 * source["u_mm"], abs(source["watts"] - WATTS) < 1.96 * source["watts_u"]))
        period = told.get("period_s")
        print(
            f"seed {seed}: period {job['period_s']:.2f} s, told {period and round(period, 2)}; "
            f"off by {errors[-1]:.2f} mm, "
            f"watts {watts[-1] if errors[-1] < NEAR_MM else np.nan:+.0%}, others {more[-1]}; "
            f"plain difference off by {plain[-1]:.1f} mm; nothing switched: {false[-1]} sources "
            f"{[(s['ref'], round(1000 * s['watts'], 1), round(s['score'], 1)) for s in quiet['sources']]}"
            f"{told.get('fault', '')}{quiet.get('fault', '')}; none stated: {unstated[-1]} sources; stated "
            f"{wrong_s / true_s:.2f} of it: {'warned' if warned[-1] else 'refused' if refused[-1] else 'no word'}, "
            f"{'right' if named[-1] else 'wrong'} period",
            flush=True,
        )
    near, count = np.array(errors) < NEAR_MM, given.boards
    print(f"found within {NEAR_MM} mm: {near.sum()} of {count} boards; plain: {(np.array(plain) < NEAR_MM).sum()}")
    print(
        f"period right within 0.5 %: {sum(periods)}; a wrong one warned of: {sum(warned)}, and the right one named: "
        f"{sum(named)}, refused as too few cycles: {sum(refused)}; sources where nothing is switched and no period "
        f"stated: {np.count_nonzero(unstated)}"
    )
    print(f"recordings with others beside it: {np.count_nonzero(more)}; false, unswitched: {np.count_nonzero(false)}")
    if watts:
        off = np.abs(watts)
        print(
            f"watts: {np.sqrt(np.mean(off**2)):.0%} rms, bias {np.mean(watts):+.0%}, "
            f"within 25 %: {(off < 0.25).sum()} of {len(off)}"
        )
        # 95 % of a Rayleigh distribution lie within 2.45 of its sigma, if u_mm is one axis'.
        print(f"place within 2.45 u_mm: {sum(a for a, _ in inside)}, watts within 1.96 u: {sum(b for _, b in inside)}")


if __name__ == "__main__":
    main()
