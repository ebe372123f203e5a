"""
Make the sample job: ``python -m samples.make_departure_display [FOLDER]``.

The controller board of an invented railway station's split-flap departure display, seen by an invented
hand-held camera: three good boards, three faulty ones and a short recording. The board's heat is solved by
finite elements, so the truth is known; it is written to ``truth.json``, which the analysis never reads.
Every run of this script gives the same files.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np

from samples.departure_board import departure_board, idle_watts, write_layout
from samples.simulator import (
    Background,
    BoardField,
    Pose,
    WarmThing,
    place_camera,
    render_frame,
    sample_sensor,
    solve_board,
    write_csv,
    write_tiff,
)
from thermscan.layout.board import Board

HERE = Path(__file__).parent / "departure_display"
# One seed a run, so that changing one run leaves the others' files as they are.
SEED = 20260502
NETD_K = 0.05
# The bench's camera: one sensor for all runs, whose shading is among the milder ones.
CAMERA = sample_sensor(np.random.default_rng([SEED, 640]), netd_k=NETD_K, shading_k=0.25)
MINUTES_ON = 20
FRAME_S = 1.5
INPUT_VOLTS = 12.0
STAGE = "all chips fitted, station clock running, flaps at rest"
LANDMARKS = ("U1", "U4", "U19", "U12", "U33", "U38")


@dataclass(frozen=True, slots=True)
class Story:
    """One run of the sample: the board, what is wrong with it, and how it was looked at."""

    name: str
    serial: str
    taken: str
    ambient_c: float
    tilt_deg: float
    azimuth_deg: float
    turn_deg: float
    note: str = ""
    given: str | None = None  # "corners", "landmarks"
    kind: str = "cK.tiff"
    frames: int = 1
    offset_k: float = 0.0
    load: float = 1.0
    shape: tuple[int, int] = (240, 320)
    extra_w: dict[str, float] = field(default_factory=dict)
    dead: tuple[str, ...] = ()
    told: str = "nothing is wrong"
    cup: bool = False


def _story(name: str, serial: str, taken: str, *, view: tuple[float, float, float], **facts: object) -> Story:
    """A run, seen from a tilt towards an azimuth with an in-plane turn, all in degrees."""
    tilt, azimuth, turn = view
    return Story(name, serial, taken, tilt_deg=tilt, azimuth_deg=azimuth, turn_deg=turn, **facts)  # type: ignore[arg-type]


STORIES = (
    _story(
        *("good-1", "0031", "2026-05-02T14:30:00Z"),
        view=(18, 40, 4),
        ambient_c=22.4,
        given="corners",
        offset_k=0.8,
    ),
    _story(
        *("good-2", "0044", "2026-05-02T16:05:00Z"),
        view=(27, 200, -8),
        ambient_c=23.1,
        given="landmarks",
        kind="csv",
        offset_k=-1.1,
        load=1.04,
    ),
    _story(
        *("good-3", "0052", "2026-05-03T09:20:00Z"),
        view=(22, 310, 6),
        ambient_c=20.6,
        kind="C.tiff",
        offset_k=1.4,
        load=0.97,
    ),
    _story(
        *("shorted-latch", "0067", "2026-05-04T10:15:00Z"),
        view=(24, 130, -5),
        ambient_c=22.0,
        note="runs, but platform 2 shows wrong letters",
        offset_k=0.5,
        extra_w={"U15": 0.27},
        cup=True,
        told="U15 draws 0.27 W more than it should: an output is shorted",
    ),
    _story(
        *("dead-ram", "0070", "2026-05-04T11:40:00Z"),
        view=(30, 260, 7),
        ambient_c=22.6,
        note="stops after the memory test",
        given="landmarks",
        kind="semicolon.csv",
        offset_k=-0.7,
        dead=("U10",),
        told="U10 draws nothing: it is dead or gets no supply",
    ),
    _story(
        *("warm-neighbour", "0073", "2026-05-04T13:55:00Z"),
        view=(20, 80, -3),
        ambient_c=23.4,
        note="works; smells warm",
        given="corners",
        frames=3,
        offset_k=1.0,
        extra_w={"Q1": 1.1},
        told="Q1 gives off 1.1 W more than it should; U6 and its neighbours are good and only receive heat",
    ),
    _story(
        *("recording", "0031", "2026-05-02T14:41:00Z"),
        view=(16, 20, 2),
        ambient_c=22.5,
        note="hand-held, 12 s",
        given="corners",
        kind="stack.tiff",
        frames=8,
        offset_k=0.8,
        shape=(180, 240),
    ),
    # The first board on later visits: the bench is warmer, the flaps turn more often, and one part wears.
    _story(
        *("visit-2027", "0031", "2027-05-08T10:20:00Z"),
        view=(21, 75, -6),
        ambient_c=24.8,
        given="corners",
        offset_k=-0.4,
        load=1.06,
        shape=(180, 240),
        extra_w={"U21": 0.05},
        told="U21 draws 0.05 W more than on the first visit; the board's load is 6 % higher",
    ),
    _story(
        *("visit-2028", "0031", "2028-05-06T15:05:00Z"),
        view=(17, 300, 5),
        ambient_c=19.5,
        given="corners",
        offset_k=1.2,
        load=0.95,
        shape=(180, 240),
        extra_w={"U21": 0.16},
        told="U21 draws 0.16 W more than on the first visit; the board's load is 5 % lower",
    ),
)


def main(folder: Path = HERE) -> None:
    """Write every file of the sample into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    board = departure_board()
    write_layout(folder)
    truths = {story.name: _make_run(folder, board, story) for story in STORIES}
    text = json.dumps({"schema": "thermscan-sample.truth/1", "runs": truths}, indent=1)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")


def _make_run(folder: Path, board: Board, story: Story) -> dict[str, object]:
    rng = np.random.default_rng([SEED, *story.name.encode()])
    watts = _watts_of(story)
    thermal = _solve(board, watts, story.ambient_c)
    poses = _hand_held(rng, board, story)
    frames_c = [_look(board, thermal, pose, story, rng, minute=_clock(story, k)) for k, pose in enumerate(poses)]
    paths = _write_frames(folder, story, frames_c)
    _write_run_file(folder, board, story, paths=paths, pose=poses[0], total_w=sum(watts.values()), rng=rng)
    good = _solve(board, _watts_of(story, faults=False), story.ambient_c)
    return {
        "told": story.told,
        "faults": sorted([*story.extra_w, *story.dead]),
        "camera_offset_k": story.offset_k,
        "watts": {ref: round(value, 4) for ref, value in watts.items()},
        "px_from_mm": [np.round(pose.px_from_mm, 9).tolist() for pose in poses],
        "mean_c": {part.ref: round(thermal.truth(part).mean_c, 3) for part in board.parts},
        "max_c": {part.ref: round(thermal.truth(part).max_c, 3) for part in board.parts},
        "added_by_the_fault_k": {
            part.ref: round(thermal.body_c[part.ref] - good.body_c[part.ref], 3) for part in board.parts
        },
    }


def _solve(board: Board, watts: dict[str, float], ambient_c: float) -> BoardField:
    return solve_board(board, watts, ambient_c=ambient_c, sheet_w_per_k=0.016, loss_w_per_m2k=None)


def _watts_of(story: Story, *, faults: bool = True) -> dict[str, float]:
    """Each board has its own natural spread of 3 %, which stays with its serial number."""
    spread = np.random.default_rng([SEED, int(story.serial)])
    watts = {ref: value * story.load * (1 + 0.03 * spread.normal()) for ref, value in idle_watts().items()}
    if faults:
        watts |= {ref: watts[ref] + more for ref, more in story.extra_w.items()}
        watts |= dict.fromkeys(story.dead, 0.0)
    return watts


def _hand_held(rng: np.random.Generator, board: Board, story: Story) -> list[Pose]:
    """One pose a frame: the hand drifts by a pixel or so between frames."""
    drift = np.cumsum(rng.normal(0.0, [[0.3, 0.3, 0.2, 0.012, 0.012]], (story.frames, 5)), axis=0)
    return [
        place_camera(
            board,
            story.shape,
            tilt_deg=story.tilt_deg + step[0],
            azimuth_deg=story.azimuth_deg + step[1],
            turn_deg=story.turn_deg + step[2],
            fill=0.84,
            fov_deg=42.0,
            shift=(0.5 + step[3], 0.5 + step[4]),
        )
        for step in drift
    ]


def _clock(story: Story, frame: int) -> float:
    """Minutes since the first run was taken; frames follow every 1.5 s."""
    since = datetime.fromisoformat(story.taken) - datetime.fromisoformat(STORIES[0].taken)
    return since.total_seconds() / 60.0 + frame * FRAME_S / 60.0


def _look(
    board: Board, thermal: BoardField, pose: Pose, story: Story, rng: np.random.Generator, *, minute: float
) -> np.ndarray:
    rows, cols = story.shape
    cup = WarmThing(0.96 * cols, 0.08 * rows, 0.06 * cols, 0.07 * cols, 34.0)
    background = Background(gradient_k=0.6, things=(cup,) if story.cup else ())
    # A board's own emissivities stay with it, too.
    emissivity = _emissivity_of(board, story.serial)
    rendered = render_frame(
        thermal,
        board,
        pose,
        rng=rng,
        netd_k=NETD_K,
        offset_k=story.offset_k,
        emissivity=emissivity,
        reflected_c=story.ambient_c,
        sensor=CAMERA,
        minute=minute,
        background=background,
    )
    return rendered.apparent_c


def _emissivity_of(board: Board, serial: str) -> dict[str, float]:
    rng = np.random.default_rng([SEED, int(serial), 1])
    drawn = {"": board.surface.emissivity}
    for part in board.parts:
        drawn[part.ref] = float(np.clip(part.surface.emissivity + 0.005 * rng.normal(), 0.02, 0.99))
    return drawn


def _write_frames(folder: Path, story: Story, frames_c: Sequence[np.ndarray]) -> list[str]:
    names = [f"{story.name}.tiff"]
    if story.kind == "csv":
        names = [f"{story.name}.csv"]
        head = ["hand-held camera, temperatures in deg C"]
        write_csv(folder / names[0], frames_c[0], header=head)
    elif story.kind == "semicolon.csv":
        names = [f"{story.name}.csv"]
        head = ["Temperatures [°C]", f"Taken;{story.taken}", ""]
        write_csv(folder / names[0], frames_c[0], separator=";", decimal=",", header=head, indices=True)
    elif story.kind == "stack.tiff":
        times_s = np.arange(len(frames_c)) * FRAME_S
        write_tiff(folder / names[0], frames_c, unit="cK", times_s=times_s.tolist())
    else:
        unit = story.kind.split(".")[0]
        names = [f"{story.name}.tiff"] if len(frames_c) == 1 else _numbered(story.name, len(frames_c))
        for name, frame_c in zip(names, frames_c, strict=True):
            write_tiff(folder / name, [frame_c], unit=unit)
    return names


def _numbered(name: str, count: int) -> list[str]:
    return [f"{name}-{number}.tiff" for number in range(1, count + 1)]


def _write_run_file(
    folder: Path,
    board: Board,
    story: Story,
    *,
    paths: Sequence[str],
    pose: Pose,
    total_w: float,
    rng: np.random.Generator,
) -> None:
    lines = [
        'layout = "board.toml"',
        f"frames = {json.dumps(list(paths))}",
        f"ambient_c = {story.ambient_c}",
        f'stage = "{STAGE}"',
        f"minutes_on = {MINUTES_ON}",
        f'board_serial = "{story.serial}"',
        'operator = "bench 2"',
        *([f'note = "{story.note}"'] if story.note else []),
        f"taken = {story.taken}",
        f'supply = [{{ rail = "input", volts = {INPUT_VOLTS}, amps = {total_w / INPUT_VOLTS:.3f} }}]',
    ]
    if story.given == "corners":
        clicked = _click(rng, pose.px(board.corners_mm))
        lines.append(f"corners_px = {clicked}")
    if story.given == "landmarks":
        parts = [part for part in board.parts if part.ref in LANDMARKS]
        clicked = _click(rng, pose.px(np.array([[part.x_mm, part.y_mm] for part in parts])))
        marks = [f'    {{ ref = "{part.ref}", px = {px} }},' for part, px in zip(parts, clicked, strict=True)]
        lines += ["landmarks = [", *marks, "]"]
    (folder / f"{story.name}.toml").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _click(rng: np.random.Generator, points_px: np.ndarray) -> list[list[float]]:
    """Where a person clicks who aims at these points: a third of a pixel off, read to half a pixel."""
    rounded: list[list[float]] = (np.round((points_px + rng.normal(0.0, 0.3, points_px.shape)) * 2) / 2).tolist()
    return rounded


if __name__ == "__main__":
    main(*(Path(argument) for argument in sys.argv[1:2]))
