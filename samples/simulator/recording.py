"""
A recording of a board whose heat changes with time: frames made as they are asked for, whatever the length.

The temperatures come from the finite elements at many times. What changes is a sum of a few pictures (principal
components), each rendered once; a frame is their weighted sum, moved as a hand moves, with drift and noise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from samples.simulator.camera import render_frame
from samples.simulator.pose import Pose
from samples.simulator.scene import Background
from samples.simulator.sensor import IDEAL, Sensor
from samples.simulator.shapes import Array
from samples.simulator.solver import BoardField
from thermscan.layout.board import Board

# Pictures kept: they hold the change to this share of its variance.
MOST_PICTURES, LEFT_OUT = 14, 1e-9


@dataclass(frozen=True, slots=True)
class Shake:
    """How camera and hand behave: slow wander, the breath's sway, offset drift, shutter steps."""

    wander_px: float = 0.0  # per square root of a second
    sway_px: float = 0.0
    sway_s: float = 4.1
    offset_drift_k: float = 0.0  # over the whole recording, bent
    offset_sway_k: float = 0.0
    shutter_step_k: float = 0.0
    shutter_s: float = 45.0


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedRecording:
    """
    Frames of a board in time.

    Attributes
    ----------
    pictures : ndarray of shape (k, rows, cols)
        The first is the scene at rest, the others what one unit of each component adds, in apparent kelvin.
    weights : ndarray of shape (times, k - 1)
    """

    pictures: Array
    weights: Array
    solved_s: Array
    netd_k: float
    shake: Shake = field(default_factory=Shake)
    seed: int = 1
    sensor: Sensor | None = None

    def frames(self, times_s: Sequence[float]) -> Iterator[Array]:
        """A frame at each time, in degrees Celsius, as float32."""
        rng = np.random.default_rng([self.seed, 7])
        times = np.asarray(times_s, dtype=np.float64)
        steps = np.sqrt(np.diff(times, prepend=times[0]))
        wander = np.cumsum(rng.normal(0.0, 1.0, (len(times), 2)) * steps[:, None], axis=0) * self.shake.wander_px
        phases = rng.uniform(0, 2 * np.pi, 4)
        span = max(float(np.ptp(times)), 1e-9)
        flat = self.pictures.astype(np.float32)
        for index, time_s in enumerate(times):
            at = [np.interp(time_s, self.solved_s, column) for column in self.weights.T]
            frame = flat[0] + np.tensordot(np.array(at, np.float32), flat[1:], axes=1)
            breath = np.sin(2 * np.pi * time_s / self.shake.sway_s + phases[:2]) * self.shake.sway_px
            dx, dy = wander[index] + breath
            if abs(dx) + abs(dy) > 1e-6:
                move = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
                frame = cv2.warpAffine(
                    frame, move, frame.shape[::-1], flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE
                )
            share = (time_s - times[0]) / span
            offset = self.shake.offset_drift_k * (share + 0.3 * np.sin(2 * np.pi * 0.7 * share + phases[2]))
            offset += self.shake.offset_sway_k * np.sin(2 * np.pi * time_s / 17.3 + phases[3])
            offset += self.shake.shutter_step_k * (-1) ** int(time_s / self.shake.shutter_s)
            if self.sensor is not None:
                uneven = self.sensor.unevenness_k(rng, frame.shape, minute=time_s / 60.0)
                frame = frame + uneven.astype(np.float32)
            yield frame + np.float32(offset) + rng.normal(0.0, self.netd_k, frame.shape).astype(np.float32)


def record(
    board: Board,
    fields: Sequence[BoardField],
    solved_s: Sequence[float],
    pose: Pose,
    *,
    netd_k: float = 0.05,
    shake: Shake | None = None,
    background: Background | None = None,
    emissivity: dict[str, float] | None = None,
    heights: bool = False,
    sensor: Sensor | None = None,
    seed: int = 1,
) -> SimulatedRecording:
    """A recording of solved temperatures, seen from one pose."""
    refs = [part.ref for part in board.parts]
    ambient_c = fields[0].ambient_c
    states = np.array([_state(each, refs) for each in fields])
    rest = states[-1]
    # By the times' own products, which are few: the states are long.
    apart = states - rest
    squares, vectors = np.linalg.eigh(apart @ apart.T)
    order = np.argsort(squares)[::-1]
    sizes, vectors = np.sqrt(np.maximum(squares[order], 0.0)), vectors[:, order]
    components = (vectors.T @ apart) / np.maximum(sizes, 1e-12)[:, None]
    told = np.cumsum(sizes[::-1] ** 2)[::-1] > LEFT_OUT * max(float((sizes**2).sum()), 1e-30)
    count = int(min(told.sum(), MOST_PICTURES))

    def seen(state: Array) -> Array:
        rng = np.random.default_rng([seed, 3])
        rendered = render_frame(
            _field(board, state, fields[0], refs), board, pose, rng=rng, netd_k=0.0, sensor=IDEAL,
            background=background, emissivity=emissivity, reflected_c=ambient_c, heights=heights,
        )  # fmt: skip
        return rendered.apparent_c

    base = seen(rest)
    pictures, weights = [base], []
    for number in range(count):
        # A unit of a component is what it changes at most: about as much as the recording shows of it.
        unit = float(np.abs(vectors[:, number] * sizes[number]).max())
        pictures.append((seen(rest + components[number] * unit) - base) / unit)
        weights.append(vectors[:, number] * sizes[number])
    return SimulatedRecording(
        np.array(pictures), np.array(weights).T.reshape(len(fields), count), np.asarray(solved_s, float),
        netd_k, shake or Shake(), seed, sensor,
    )  # fmt: skip


def _state(field_: BoardField, refs: Sequence[str]) -> Array:
    bodies = [field_.body_c[ref] for ref in refs]
    under = [field_.under_c[ref] for ref in refs]
    return np.concatenate([field_.board_raster_c.ravel(), bodies, under])


def _field(board: Board, state: Array, like: BoardField, refs: Sequence[str]) -> BoardField:
    cells, parts = like.board_raster_c.size, len(refs)
    return BoardField(
        board=board,
        ambient_c=like.ambient_c,
        powers_w=like.powers_w,
        board_raster_c=state[:cells].reshape(like.board_raster_c.shape),
        body_c=dict(zip(refs, state[cells : cells + parts].tolist(), strict=True)),
        under_c=dict(zip(refs, state[cells + parts :].tolist(), strict=True)),
        lost_w=0.0,
    )


def switched(period_s: float, *, from_s: float = 0.0) -> Callable[[float], float]:
    """A supply that is on for the first half of each period, from a time on."""
    return lambda time_s: float(time_s >= from_s and ((time_s - from_s) % period_s) < period_s / 2)
