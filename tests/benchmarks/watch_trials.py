"""
Alarms in the first minute of power: ``python -m tests.benchmarks.watch_trials --boards 100 --seed 4000``.

Every seed is a random board of its own, solved by finite elements in time, seen at a slant by a camera of 160 x 120
pixels, 9 Hz, NETD 50 mK, whose offset drifts and jumps at its shutter. Three specimens of it are powered: a good one
that is recorded to hold others against, another good one, and one with a part that draws twice its watts. Specimens
differ by 9 % (each part) and 5 % (the whole). Layout, corners and half of the parts' watts are given; power-on is not.
Each power-up is judged twice: by the layout alone, and against the recorded good one. Asked of is a part that rises 2 K
by itself within 20 s, so that twice its watts are 2 K more.
"""

import argparse
import json
import pickle
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import tifffile

from samples.simulator import Background, place_camera, sample_board, sample_powers, warm_up
from samples.simulator.recording import Shake, record
from samples.simulator.writing import write_layout
from thermscan.dynamics.alarms import Alarm, Expected, alarms_of, expected_of
from thermscan.dynamics.part_series import extract_series
from thermscan.dynamics.warmup_run import power_on_of
from thermscan.dynamics.watching import Look, Watch
from thermscan.errors import ThermscanError
from thermscan.frames.stream import StreamFrame
from thermscan.layout.reading import read_board
from thermscan.radiometry.camera import read_camera
from thermscan.runs.reading import read_run

SHAPE, RATE_HZ, NETD_K, AMBIENT_C = (120, 160), 9.0, 0.05, 22.0
POWER_ON_S, END_S = 4.0, 44.0
# A part whose doubled watts warm it by less than this more in 20 s is not asked of.
LEAST_MORE_K, WITHIN_S = 2.0, 20.0


def specimen(rng: np.random.Generator, watts: dict[str, float]) -> dict[str, float]:
    """What another board of the type draws."""
    whole = float(np.exp(rng.normal(0.0, 0.05)))
    return {ref: w * whole * float(np.exp(rng.normal(0.0, 0.09))) for ref, w in watts.items()}


def filmed(board, watts, pose, facts, rng: np.random.Generator) -> tuple[list[np.ndarray], dict[str, float]]:
    """Frames as a camera stores them, in hundredths of a kelvin; and what each part has risen after `WITHIN_S`."""
    solved = np.unique(np.concatenate([[0.0], np.geomspace(1.0, END_S, 14)]))
    fields = warm_up(board, watts, solved.tolist(), ambient_c=AMBIENT_C, step_s=0.5, **facts)
    shake = Shake(
        wander_px=0.03, sway_px=float(rng.uniform(0.0, 0.2)), offset_drift_k=float(rng.uniform(-0.3, 0.3)),
        offset_sway_k=0.03, shutter_step_k=0.1, shutter_s=float(rng.uniform(15.0, 40.0)),
    )  # fmt: skip
    background = Background(bench_c=AMBIENT_C + float(rng.uniform(-0.5, 1.0)), gradient_k=0.3)
    recording = record(
        board, fields, (solved + POWER_ON_S).tolist(), pose, netd_k=NETD_K, shake=shake, background=background,
        seed=int(rng.integers(1, 2**31)),
    )  # fmt: skip
    rises = {ref: float(np.interp(WITHIN_S, solved, [f.body_c[ref] for f in fields])) - AMBIENT_C for ref in watts}
    return [np.round((f + 273.15) * 100).astype(np.uint16) for f in recording.frames(times().tolist())], rises


def times() -> np.ndarray:
    return np.arange(0.0, END_S, 1 / RATE_HZ)


def watched(run, board, camera, expected: Expected, counts: list[np.ndarray]) -> tuple[list[Look], dict[str, list]]:
    """
    Every alarm with and without the good board's power-up, of one pass over the frames.

    Each is when after the true power-on, level, rule, part and text; one 'lost' where no board was found.
    """
    watch, looks, told = Watch(run, board, camera, expected), [], {"alone": [], "good": []}
    for number, (time_s, page) in enumerate(zip(times(), counts, strict=True)):
        frame = StreamFrame((page.astype(np.float32) / 100 - 273.15), float(time_s), number, Path("f"), number)
        look = watch.look(frame)
        looks.append(replace(look, frame=replace(frame, values=np.zeros((0, 0), np.float32))))
        for way, alarms in (("good", look.alarms), ("alone", alarms_alone(board, look))):
            told[way] += [(time_s - POWER_ON_S, a.level, a.rule, a.ref, a.text) for a in alarms]
    if not watch.placed:
        told = {way: [(np.nan, "lost", "", "", watch.why_not_placed or "")] for way in told}
    return looks, told


def alarms_alone(board, look: Look) -> tuple[Alarm, ...]:
    """What the same look tells where no good power-up was recorded."""
    if look.since_s is None or not len(look.refs):
        return ()
    return alarms_of(
        [board.part(ref) for ref in look.refs], look.temp_c, look.rise_k, look.slope_k_per_s, since_s=look.since_s,
        u_rise_k=look.u_rise_k, u_slope=look.u_slope, expected=Expected(),
    )  # fmt: skip


def trial(seed: int, folder: Path, kept: Path | None) -> dict:
    """One board."""
    rng = np.random.default_rng(seed)
    board = sample_board(rng, parts=int(rng.integers(18, 40)))
    watts = sample_powers(rng, board)
    facts = {"sheet_w_per_k": float(rng.uniform(0.006, 0.03)), "loss_w_per_m2k": float(rng.uniform(14.0, 25.0)),
             "mesh_mm": 2.5}  # fmt: skip
    pose = place_camera(board, SHAPE, tilt_deg=float(rng.uniform(0, 20)), azimuth_deg=float(rng.uniform(0, 360)),
                        turn_deg=3.0, fill=0.86, fov_deg=40.0)  # fmt: skip
    layout = write_layout(folder, board)
    table = (folder / "parts.csv").read_text(encoding="utf-8").splitlines()
    rows = [table[0] + ",watts_typical,watts_most"]
    for row in table[1:]:
        typical = watts[row.split(",")[0]]
        stated = rng.random() < 0.5 and typical > 0.02
        rows.append(row + (f",{typical:.3f},{1.5 * typical:.3f}" if stated else ",,"))
    (folder / "parts.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    good_counts, solved = filmed(board, specimen(rng, watts), pose, facts, rng)
    with tifffile.TiffWriter(folder / "good.tiff") as writer:
        for page in good_counts:
            writer.write(page, contiguous=True)
    corners = pose.px(np.asarray(board.corners_mm)).round(1).tolist()
    for name, lines in (("good", f"power_on_s = {POWER_ON_S}\n"), ("to-come", "")):
        (folder / f"{name}.toml").write_text(
            f'layout = "{layout.name}"\nframes = ["good.tiff"]\nunit = "cK"\nambient_c = {AMBIENT_C}\n'
            f"rate_hz = {RATE_HZ}\ncorners_px = {corners}\n{lines}", encoding="utf-8",
        )  # fmt: skip
    good, run = (read_run(folder / f"{name}.toml", overrides={}) for name in ("good", "to-come"))
    read, camera = read_board(layout), read_camera(None)
    series = extract_series(good, read, camera)
    expected = expected_of(series, power_on_of(series))
    looks, told = watched(run, read, camera, expected, filmed(board, specimen(rng, watts), pose, facts, rng)[0])
    seen = {"good": looks}
    # What doubling its watts adds within the time is about what the part rises by itself in it.
    able = [ref for ref in series.refs if watts[ref] > 0.1 and solved[ref] > LEAST_MORE_K]
    ref, hot_told = None, {}
    if able:
        ref = str(rng.choice(able))
        hot = specimen(rng, watts)
        hot[ref] *= 2
        seen["hot"], hot_told = watched(run, read, camera, expected, filmed(board, hot, pose, facts, rng)[0])
    if kept is not None:
        kept.mkdir(parents=True, exist_ok=True)
        with (kept / f"{seed}.pickle").open("wb") as file:
            pickle.dump({"looks": seen, "expected": expected, "board": read, "ref": ref}, file)
    group = read.part(ref).group if ref else None
    return {
        "seed": seed, "parts": len(series.refs), "ref": ref, "rise_k": solved[ref] if ref else None,
        "peers": group is not None and sum(part.group == group for part in read.parts) > 2,
        "watts": ref is not None and read.part(ref).watts is not None,
        "good": {way: _first(alarms, None) for way, alarms in told.items()},
        "hot": {way: _first(alarms, ref) for way, alarms in hot_told.items()},
    }  # fmt: skip


def _first(alarms: list[tuple], ref: str | None) -> dict:
    """When the part was told first, and the first of all others."""
    acts, watches = ([each for each in alarms if each[1] == level] for level in ("act", "watch"))
    return {
        "lost": any(each[1] == "lost" for each in alarms),
        "told_s": min((t for t, _, _, about, _ in acts if about == ref), default=None),
        "act": next(([t, rule, text] for t, _, rule, about, text in acts if about != ref), None),
        "watch": next(([t, rule, text] for t, _, rule, about, text in watches if about != ref), None),
    }


def main() -> None:
    """One line a board as JSON, kept in ``--kept`` if that is named; then the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=100)
    parser.add_argument("--seed", type=int, default=4000)
    parser.add_argument("--kept", type=Path, help="a folder: boards done are read from it and added")
    given = parser.parse_args()
    lines = given.kept / "boards.jsonl" if given.kept else None
    done: dict[int, dict] = {}
    if lines is not None and lines.exists():
        done = {each["seed"]: each for each in map(json.loads, lines.read_text("utf-8").splitlines())}
    for seed in range(given.seed, given.seed + given.boards):
        if seed in done:
            continue
        with tempfile.TemporaryDirectory(prefix="watch-trial") as folder:
            try:
                done[seed] = trial(seed, Path(folder), given.kept)
            except ThermscanError as error:  # a board that cannot be placed is told, and not counted
                done[seed] = {"seed": seed, "left_out": f"{type(error).__name__}: {error}"}
        line = json.dumps(done[seed], default=float)
        print(line, flush=True)
        if lines is not None:
            lines.parent.mkdir(parents=True, exist_ok=True)
            with lines.open("a", encoding="utf-8") as file:
                file.write(line + "\n")
    summed_up([done[seed] for seed in sorted(done)])


def summed_up(boards: list[dict]) -> None:
    """Counts over the boards."""
    told = [each for each in boards if "left_out" not in each]
    print(f"{len(told)} boards; {len(boards) - len(told)} left out (the good power-up could not be read)")
    for way in ("alone", "good"):
        acts, watches, lost = (sum(bool(b["good"][way][kind]) for b in told) for kind in ("act", "watch", "lost"))
        print(f"{way}: {len(told)} good power-ups: false act {acts}, false watch {watches}, not placed {lost}")
        hot = [b for b in told if b["ref"] and not b["hot"][way]["lost"]]
        others = sum(bool(b["hot"][way]["act"]) for b in hot)
        asked = [b for b in hot if way == "good" or b["peers"] or b["watts"]]
        if not asked:
            continue
        for name, some in (("all", asked), ("with peers", [b for b in asked if b["peers"]])):
            late = np.array([np.inf if b["hot"][way]["told_s"] is None else b["hot"][way]["told_s"] for b in some])
            if not len(late):
                continue
            print(
                f"{way}, {name}: a part at twice its watts told within {WITHIN_S:.0f} s {(late <= WITHIN_S).sum()} of "
                f"{len(late)}, later {(np.isfinite(late) & (late > WITHIN_S)).sum()}, never {np.isinf(late).sum()}, "
                f"median {np.median(late):.0f} s; another accused beside it on {others} of {len(hot)} boards"
            )


if __name__ == "__main__":
    main()
