"""
What tells a switched supply from breath: ``python -m tests.benchmarks.period_trials --boards 12 --seed 300``.

The recordings are those of ``locate_trials.py`` (explicit finite differences, drift, sway, breath), each with a
source of 20 mW and with none. For every swing that stands out the share of its power that heat at few places explains
is printed with its steadiness; then the least of the supplies' and the most of everything else's.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np

from tests.benchmarks import locate_trials
from thermscan.dynamics.blocks import read_blocks
from thermscan.dynamics.board_maps import board_grid
from thermscan.dynamics.driven import patterns_for
from thermscan.dynamics.part_series import followed, open_recording
from thermscan.dynamics.period import PeriodSearch, search_period
from thermscan.dynamics.reference import find_reference
from thermscan.layout.reading import read_board
from thermscan.radiometry.camera import read_camera
from thermscan.runs.reading import read_run


def searched(folder: Path, job: dict) -> PeriodSearch:
    """What swings in ``on.tiff``."""
    corners = [[round(float(v), 2) for v in corner] for corner in job["corners"]]
    (folder / "on.toml").write_text(
        f'layout = "board.toml"\nframes = ["on.tiff"]\nunit = "cK"\nambient_c = {locate_trials.AMBIENT_C}\n'
        f"rate_hz = {locate_trials.RATE_HZ}\ncorners_px = {corners}\n", encoding="utf-8",
    )  # fmt: skip
    run = read_run(folder / "on.toml", overrides={})
    board, camera = read_board(run.layout), read_camera(run.camera)
    stream = open_recording(run, camera)
    reference = find_reference(stream, run, board, camera)
    frames = followed(stream, reference, clock=stream.stream.clock)
    blocks = read_blocks(frames, np.asarray(reference.image.apparent_c), stream.stream.count)
    return search_period(blocks, patterns_for(blocks, board_grid(reference)))


def main() -> None:
    """Print one line a swing, then the shares' limits."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=12)
    parser.add_argument("--seed", type=int, default=300)
    parser.add_argument("--minutes", type=float, default=2.0)
    given = parser.parse_args()
    locate_trials.SHAPE = (120, 160)
    supplies, others, right, told_of_none = [], [], 0, 0
    for seed in range(given.seed, given.seed + given.boards):
        rng = np.random.default_rng(seed)
        with tempfile.TemporaryDirectory() as kept:
            folder = Path(kept)
            job = locate_trials.draw_job(rng, folder)
            for watts in (locate_trials.WATTS, 0.0):
                locate_trials.write_recording(folder / "on.tiff", job, watts, given.minutes, rng)
                search = searched(folder, job)
                drive = search.drive
                if watts:
                    right += drive is not None and abs(drive.period_s / job["period_s"] - 1) < 0.01
                else:
                    told_of_none += drive is not None
                print(f"seed {seed}, {watts} W, {job['period_s']:.2f} s: told {drive and round(drive.period_s, 2)} s")
                for each in (*((drive,) if drive else ()), *search.others):
                    times = job["period_s"] / each.period_s
                    of_supply = bool(watts) and abs(times - round(times)) < 0.02 * times
                    (supplies if of_supply and round(times) == 1 else [] if of_supply else others).append(each.share)
                    print(f"    {each.period_s:6.2f} s: share {each.share:.2f}, steady {each.steady:.2f}, score "
                          f"{each.score:.0f}{' (the supply)' if of_supply else ''}")  # fmt: skip
    print(
        f"{given.boards} boards: period right {right}; told where nothing is switched {told_of_none}; share of supplies"
        f" {min(supplies, default=np.nan):.2f} at least, of others {max(others, default=np.nan):.2f} at most"
    )


if __name__ == "__main__":
    main()
