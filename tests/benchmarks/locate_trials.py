"""
A switched source of 20 mW, and nothing switched, before ``thermscan locate``: ``--boards 12 --seed 900``.

With ``OPENBLAS_NUM_THREADS=1`` a board takes half of the processor time: threads wait for each other.

The board is a bare sheet solved by explicit finite differences in time (which the analysis does not use), with random
copper, loss, thickness, parts that lie on it without taking heat, place of the source and phase of the supply. The
camera: 9 Hz, NETD 50 mK, its offset drifts, the board warms, breath sways the picture and its warmth is reflected;
on every third board frames come unevenly. Every board is recorded twice: with the source, and with nothing switched.
Periods are 5 to 30 s. Half of the source's recordings state it; so does the other half of those with nothing switched
(so that a false source is looked for), while the rest of them must end with 'cannot tell'. ``--wrong`` also states a
wrong one (2 % off, or half or twice).
"""

import argparse
import json
import tempfile
from itertools import repeat
from pathlib import Path

import cv2
import numpy as np
import tifffile
from click.testing import CliRunner
from scipy.ndimage import gaussian_filter

from samples.simulator import HeatDisc
from samples.simulator.recording import switched
from samples.simulator.sheet import sheet_rises
from thermscan.cli.main import thermscan

RATE_HZ, NETD_K, WATTS = 9.0, 0.05, 0.020
SHAPE, FINE, AMBIENT_C = (240, 320), 3, 22.0
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
            "period_s": float(np.exp(rng.uniform(*np.log([5.0, 30.0])))),
            "from_s": -float(rng.uniform(0, 30)), "uneven": False,
            "facts": {"sheet_w_per_k": float(rng.uniform(0.008, 0.03)), "loss_w_per_m2k": float(rng.uniform(12, 25)),
                      "thickness_mm": thickness}}  # fmt: skip


def frame_times(job: dict, minutes: float, rng: np.random.Generator) -> np.ndarray:
    """When the frames are taken: evenly, or (every third board) with a jitter of 15 ms and one in fifty missing."""
    times = np.arange(0.0, 60 * minutes, 1 / RATE_HZ)
    if job["uneven"]:
        times = (times + rng.normal(0.0, 0.015, len(times)))[rng.random(len(times)) > 0.02]
    return times


def write_recording(
    path: Path, job: dict, watts: float, minutes: float, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """The recording with its times beside it, and what plain differences between on and off show."""
    times = frame_times(job, minutes, rng)
    table = "".join(f"{number},{time_s:.4f}\n" for number, time_s in enumerate(times))
    path.with_suffix(".csv").write_text("frame,time_s\n" + table, encoding="utf-8")
    rows, cols = (np.indices((SHAPE[0] * FINE, SHAPE[1] * FINE)) + 0.5) / FINE - 0.5
    x_mm, y_mm = ((grid - edge) / job["scale"] for grid, edge in zip((cols, rows), job["corners"][0], strict=True))
    inside = (x_mm >= 0) & (x_mm <= job["size"][0]) & (y_mm >= 0) & (y_mm <= job["size"][1])
    parts = np.zeros(inside.shape)
    for x, y, length, across in job["parts"]:
        parts[(abs(x_mm - x) <= length / 2) & (abs(y_mm - y) <= across / 2)] = rng.uniform(3.0, 12.0)

    def seen(fine: np.ndarray) -> np.ndarray:
        blurred = gaussian_filter(fine, 0.6 * FINE).reshape(SHAPE[0], FINE, SHAPE[1], FINE).mean(axis=(1, 3))
        return blurred.astype(np.float32)

    base, warm, bare = (
        seen(AMBIENT_C + inside * 1.0 + parts),
        seen(parts / 8 + 0.4 * inside),
        seen(inside * (parts == 0)),
    )
    # Pixels' middles among the sheet's cells of a millimetre.
    at_x, at_y = ((grid[FINE // 2 :: FINE, FINE // 2 :: FINE] - 0.5).astype(np.float32) for grid in (x_mm, y_mm))
    reflected = gaussian_filter(rng.normal(0, 1, SHAPE), 50)
    reflected = (reflected / abs(reflected).max()).astype(np.float32)
    breath_s, sway_px, span = float(rng.uniform(3, 5)), rng.uniform(0.05, 0.2, 2), times[-1]
    tau_s, bend, turn = float(rng.uniform(100, 400)), rng.uniform(-0.3, 0.3, 2), rng.uniform(0, 6.28)
    walk = np.cumsum(rng.normal(0, 0.05 / np.sqrt(RATE_HZ), len(times)))
    level = switched(job["period_s"], from_s=job["from_s"])
    nothing = np.zeros([round(side) for side in reversed(job["size"])])
    source = [HeatDisc(*job["at"], 1.0, watts)]
    solved = sheet_rises(job["size"], source, times, level=level, **job["facts"]) if watts else repeat(nothing)
    half_sums, all_sums, counts = np.zeros((2, *SHAPE)), np.zeros((2, *SHAPE)), np.zeros((2, 2))
    single: dict[int, np.ndarray] = {}
    with tifffile.TiffWriter(path) as writer:
        for index, (time_s, rise) in enumerate(zip(times, solved, strict=False)):
            rise_k = cv2.remap(rise.astype(np.float32), at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            frame = base + rise_k * bare + warm * np.float32(1 - np.exp(-time_s / tau_s))
            # Breath is not even: its phase wanders.
            breath = np.sin(2 * np.pi * time_s / breath_s + turn + 0.8 * np.sin(time_s / 9.0))
            move = np.array([[1.0, 0.0, sway_px[0] * breath], [0.0, 1.0, sway_px[1] * breath]])
            frame = cv2.warpAffine(frame, move, SHAPE[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
            share = time_s / span
            frame += np.float32(0.05 * breath) * reflected
            frame += np.float32(bend[0] * share + bend[1] * share**2 + walk[index])
            frame += np.float32(NETD_K) * rng.standard_normal(SHAPE, dtype=np.float32)
            writer.write(np.round((frame + 273.15) * 100).astype(np.uint16), contiguous=True)
            on = int(level(time_s))
            all_sums[on] += frame
            counts[1, on] += 1
            if time_s < job["period_s"]:
                half_sums[on] += frame
                counts[0, on] += 1
            # The last frame of the first half of each kind, when the most has happened.
            if time_s < job["period_s"] or on not in single:
                single[on] = frame
    half, whole = ((sums / count[:, None, None]) for sums, count in zip((half_sums, all_sums), counts, strict=True))
    return {"one frame each": single[1] - single[0], "one period": half[1] - half[0], "all": whole[1] - whole[0]}


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
        f'layout = "board.toml"\nframes = ["{name}.tiff"]\nunit = "cK"\nambient_c = {AMBIENT_C}\ntimes = "{name}.csv"\n'
        f"corners_px = {corners}\n{period}", encoding="utf-8",
    )  # fmt: skip
    result = CliRunner().invoke(thermscan, ["locate", str(folder / f"{name}.toml"), "--json"], standalone_mode=False)
    return json.loads(result.stdout) if result.exception is None else {"sources": [], "fault": str(result.exception)}


def off_mm(job: dict, source: dict) -> float:
    """How far a source that was told is from the true one."""
    return float(np.hypot(source["x_mm"] - job["at"][0], source["y_mm"] - job["at"][1]))


def trial(seed: int, minutes: float, *, wrong: bool, quietly: bool) -> dict:
    """One board: what was told with the source, and (``quietly``) with nothing switched."""
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory(prefix="locate-trial") as kept:
        folder = Path(kept)
        job = draw_job(rng, folder)
        job["uneven"] = seed % 3 == 2
        true_s = job["period_s"]
        # Half of the boards state the period; with nothing switched the other half does.
        states = seed % 2 == 0
        plain = write_recording(folder / "rec.tiff", job, WATTS, minutes, rng)
        told = located(folder, "rec", job, stated_s=true_s if states else None)
        factor = (1.02, 2.0, 0.98, 0.5)[seed % 4]
        other = located(folder, "rec", job, stated_s=true_s * factor) if wrong else None
        quiet = None
        if quietly:
            write_recording(folder / "rec.tiff", job, 0.0, minutes, rng)
            quiet = located(folder, "rec", job, stated_s=None if states else true_s)
    apart = [off_mm(job, each) for each in told["sources"]]
    best = int(np.argmin(apart)) if apart else -1
    near = bool(apart) and apart[best] < NEAR_MM
    source = told["sources"][best] if near else None
    return {
        "seed": seed, "period_s": true_s, "stated": states, "uneven": job["uneven"], "told_s": told.get("period_s"),
        "fault": told.get("fault"), "apart_mm": min(apart, default=None), "near": near,
        "others": len(apart) - near, "watts": source and source["watts"] / WATTS - 1,
        "place_held": source and apart[best] < 2 * source["u_mm"],
        "watts_held": source and abs(source["watts"] - WATTS) < 1.96 * source["watts_u"],
        "plain_mm": {
            name: float(np.hypot(*(np.array(plain_place_mm(each, job)) - job["at"]))) for name, each in plain.items()
        },
        "quiet": quiet and [(each["x_mm"], each["y_mm"], each["watts"], each["score"]) for each in quiet["sources"]],
        "quiet_fault": quiet and quiet.get("fault"),
        "wrong": other and {
            "factor": factor, "fault": other.get("fault"), "told_s": other.get("period_s"),
            "said": any("is not the one" in remark for remark in other.get("remarks", [])),
            "apart_mm": min((off_mm(job, each) for each in other["sources"]), default=None),
        },
    }  # fmt: skip


def plain_only(seeds: range) -> None:
    """Where plain differences of the first period lie, board by board, without thermscan."""
    apart: dict[str, list[float]] = {"one frame each": [], "one period": []}
    for seed in seeds:
        rng = np.random.default_rng(seed)
        with tempfile.TemporaryDirectory(prefix="locate-trial") as kept:
            job = draw_job(rng, Path(kept))
            job["uneven"] = seed % 3 == 2
            plain = write_recording(Path(kept) / "rec.tiff", job, WATTS, job["period_s"] / 60, rng)
        for name, told in apart.items():
            told.append(float(np.hypot(*(np.array(plain_place_mm(plain[name], job)) - job["at"]))))
    for name, told in apart.items():
        near = sum(each < NEAR_MM for each in told)
        print(
            f"plain difference, {name}: within {NEAR_MM} mm in {near} of {len(told)}, median {np.median(told):.1f} mm"
        )


def main() -> None:
    """One line a board as JSON, kept in ``--kept`` if that is named; then what they come to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=12)
    parser.add_argument("--seed", type=int, default=900)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--size", default="320x240", help="columns x rows")
    parser.add_argument("--wrong", action="store_true", help="state a wrong period, too")
    parser.add_argument("--plain", action="store_true", help="only plain differences of the first period")
    parser.add_argument("--quiet", type=int, help="so many boards (all) are recorded with nothing switched, too")
    parser.add_argument("--kept", type=Path, help="lines of boards done are read from here and added")
    given = parser.parse_args()
    global SHAPE  # noqa: PLW0603 - one setting for the whole script
    SHAPE = tuple(int(side) for side in reversed(given.size.split("x")))
    cv2.setNumThreads(1)
    if given.plain:
        plain_only(range(given.seed, given.seed + given.boards))
        return
    done: dict[int, dict] = {}
    if given.kept and given.kept.exists():
        done = {each["seed"]: each for each in map(json.loads, given.kept.read_text("utf-8").splitlines())}
    for seed in range(given.seed, given.seed + given.boards):
        if seed in done:
            continue
        done[seed] = trial(
            seed, given.minutes, wrong=given.wrong, quietly=given.quiet is None or seed < given.seed + given.quiet
        )
        line = json.dumps(done[seed], default=float)
        print(line, flush=True)
        if given.kept:
            with given.kept.open("a", encoding="utf-8") as file:
                file.write(line + "\n")
    summed_up([done[seed] for seed in sorted(done)])


def summed_up(boards: list[dict]) -> None:
    """Counts over the boards, each with how many it is of."""
    for name, some in (
        ("all", boards), ("stated", [b for b in boards if b["stated"]]),
        ("not stated", [b for b in boards if not b["stated"]]),
        ("period under 12 s", [b for b in boards if b["period_s"] < 12]),
        ("not stated, under 12 s", [b for b in boards if b["period_s"] < 12 and not b["stated"]]),
    ):  # fmt: skip
        near, refused = sum(b["near"] for b in some), sum(b["fault"] is not None for b in some)
        missed = sum(not b["near"] and b["fault"] is None for b in some)
        print(f"{name}: found within {NEAR_MM} mm {near} of {len(some)}, not told (refused) {refused}, missed {missed}")
    off = np.array([b["watts"] for b in boards if b["near"]])
    print(f"others beside the source: {sum(b['others'] > 0 for b in boards)} recordings of {len(boards)}")
    quiet = [b for b in boards if b["quiet"] is not None]
    for name, some in (
        ("stated", [b for b in quiet if not b["stated"]]), ("not stated", [b for b in quiet if b["stated"]])
    ):  # fmt: skip
        false, refused = sum(bool(b["quiet"]) for b in some), sum(b["quiet_fault"] is not None for b in some)
        print(f"nothing switched, period {name}: a false source in {false} of {len(some)} (cannot tell: {refused})")
    for name in boards[0]["plain_mm"]:
        plain = sum(b["plain_mm"][name] < NEAR_MM for b in boards)
        print(f"plain difference, {name}: within {NEAR_MM} mm in {plain} of {len(boards)}")
    if len(off):
        held = [sum(b[name] for b in boards if b["near"]) for name in ("place_held", "watts_held")]
        print(
            f"watts: {np.sqrt(np.mean(off**2)):.0%} rms, bias {np.mean(off):+.0%}, within 25 %: "
            f"{(abs(off) < 0.25).sum()} of {len(off)}; truth within 2 u_mm {held[0]}, within 1.96 u of the watts "
            f"{held[1]}"
        )
    wrong = [b["wrong"] for b in boards if b["wrong"]]
    if wrong:
        print(f"a wrong period stated: {sum(w['said'] for w in wrong)} of {len(wrong)} warned of, "
              f"{sum(w['fault'] is not None for w in wrong)} refused")  # fmt: skip


if __name__ == "__main__":
    main()
