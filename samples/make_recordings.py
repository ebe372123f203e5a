"""
Make the sample's recordings: ``python -m samples.make_recordings [FOLDER]``.

The departure display's board after power-on: a good one, one with an overloaded motor driver, and one with a shorted
bypass capacitor whose rail a small supply feeds on and off. The heat is solved by finite elements in time; the truth is
written to ``recordings-truth.json``, which the analysis never reads. Every run of this script gives the same files.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from samples.departure_board import departure_board, idle_watts
from samples.simulator import Background, BoardField, HeatDisc, place_camera, warm_up, write_tiff
from samples.simulator.recording import Shake, record, switched
from thermscan.layout.board import Board

HERE = Path(__file__).parent / "departure_display"
SHAPE = (120, 160)
AMBIENT_C = 22.4
POWER_ON_S = 8.0
PERIOD_S, SHORT_W = 20.0, 0.08
OVERLOADED, OVERLOAD = "U22", 2.5
SHORTED = "C4"


def main(folder: Path = HERE) -> None:
    """Write three recordings, their run files and the truth."""
    folder.mkdir(parents=True, exist_ok=True)
    board = departure_board()
    truth = {
        "good-power-up": _power_up(folder, board, "good-power-up", idle_watts(), serial="0031", seed=11),
        "power-up": _power_up(
            folder, board, "power-up", idle_watts() | {OVERLOADED: OVERLOAD * idle_watts()[OVERLOADED]},
            serial="0078", seed=12,
        ),
        "shorted-capacitor": _short(folder, board),
    }  # fmt: skip
    text = json.dumps({"schema": "thermscan-sample.recordings/1", "recordings": truth}, indent=1)
    (folder / "recordings-truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")


def _power_up(
    folder: Path, board: Board, name: str, watts: dict[str, float], *, serial: str, seed: int
) -> dict[str, object]:
    times = np.concatenate([np.arange(0.0, 12.0, 4.0), np.arange(12.0, 300.0, 8.5)])
    solved = np.unique(np.concatenate([[0.0], np.geomspace(2.0, 300.0, 24).round()]))
    fields = warm_up(board, watts, solved.tolist(), ambient_c=AMBIENT_C, step_s=1.0)
    note = "from power-on, on a stand"
    lines = [f"power_on_s = {POWER_ON_S}"] if name == "good-power-up" else []
    _write(
        folder,
        board,
        name,
        fields,
        solved + POWER_ON_S,
        times_s=times,
        lines=lines,
        note=note,
        serial=serial,
        seed=seed,
    )
    return {
        "power_on_s": POWER_ON_S,
        "watts": {ref: round(value, 4) for ref, value in watts.items()},
        "end_c": {part.ref: round(fields[-1].body_c[part.ref], 3) for part in board.parts},
    }


def _short(folder: Path, board: Board) -> dict[str, object]:
    part = board.part(SHORTED)
    assert part is not None
    disc = HeatDisc(part.x_mm, part.y_mm, 1.5, SHORT_W)
    on: Callable[[float], float] = switched(PERIOD_S)
    solved = np.arange(0.0, 141.0, 1.0)
    fields = warm_up(
        board, {}, solved.tolist(), ambient_c=AMBIENT_C, step_s=0.5, extra_heat=[disc], level=on, mesh_mm=2.0
    )
    # Not on the period's grid: the camera's program saves when it can.
    times = np.sort(np.arange(0.0, 140.0, 2.6) + np.random.default_rng(5).uniform(-0.2, 0.2, 54)).clip(0.0)
    note = "rail fed with 0.2 V, limited to 0.5 A, 10 s on and 10 s off"
    _write(
        folder, board, "shorted-capacitor", fields, solved, times_s=times, lines=[], note=note, serial="0081", seed=13
    )
    return {"ref": SHORTED, "x_mm": part.x_mm, "y_mm": part.y_mm, "watts": SHORT_W, "period_s": PERIOD_S}


def _write(
    folder: Path, board: Board, name: str, fields: Sequence[BoardField], solved_s: np.ndarray, *,
    times_s: np.ndarray, lines: Sequence[str], note: str, serial: str, seed: int,
) -> None:  # fmt: skip
    pose = place_camera(
        board, SHAPE, tilt_deg=12, azimuth_deg=20 * seed, turn_deg=3, fill=0.86, fov_deg=42.0, shift=(0.5, 0.5)
    )
    recording = record(
        board, fields, solved_s.tolist(), pose, netd_k=0.04, seed=seed,
        background=Background(bench_c=AMBIENT_C + 0.9, gradient_k=0.3),
        shake=Shake(offset_drift_k=0.4, offset_sway_k=0.03),
    )  # fmt: skip
    frames = list(recording.frames(times_s.tolist()))
    write_tiff(folder / f"{name}.tiff", frames, unit="dK", times_s=times_s.tolist())
    corners = (np.round(pose.px(board.corners_mm) * 2) / 2).tolist()
    text = [
        'layout = "board.toml"', f'frames = ["{name}.tiff"]', f"ambient_c = {AMBIENT_C}", f'board_serial = "{serial}"',
        'operator = "bench 2"', f'note = "{note}"', *lines, f"corners_px = {corners}",
    ]  # fmt: skip
    (folder / f"{name}.toml").write_text("\n".join(text) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(*(Path(argument) for argument in sys.argv[1:2]))
