"""
Boards in several views, drawn and kept as files, as a user has them; the truth lies in a file of its own.

Each board is another type (judging_world.py: sockets, sinks and cans of which the layout states no height), seen by
one camera with a real sensor's faults (judging_camera.py) whose axis does not meet the frame's middle, from 20 to 45
degrees, from sides 60 degrees apart or more, turned by any angle, its offset and what is reflected moving a little
from view to view. With ``mirror`` every part that is measured has emissivity 0.85, as the layout says, the board runs
at anything from a tenth of its load on, and a face of 34 °C, or the shade of a lamp of 60 to 80 °C, is mirrored at
another place in each view; the same views without it are kept beside them.

What a reflection can do: at emissivity 0.85 a face changes a part by 0.15 / 0.85 of the radiance between 34 °C and what
was held to be reflected, which is 3.0, 2.2 and 1.1 K on a cool part at 18, 22 and 28 °C, and less on a warm one; only
where the face fills all that the part mirrors. A lamp's shade of 70 °C makes it 8.7 to 11.3 K.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from judging_camera import SHAPES, Camera, bend_picture, bent, draw_camera, sense
from judging_draw import write_layouts
from judging_world import BoardType, draw_duty, draw_type, draw_unit
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from samples.simulator import IDEAL, Background, BoardField, Pose, place_camera, render_frame, write_tiff
from samples.simulator.boards import SURFACES
from samples.simulator.shapes import inside_body, inside_polygon, polygon_area
from thermscan.layout.board import Board, Part

Array = NDArray[np.float64]

TILT_DEG, LEAST_APART_DEG = (20.0, 45.0), 60.0
DRIFT_K, REFLECTED_K = 0.2, 1.0
# How far the lens's axis lies off the middle, as a share of the frame's width.
AXIS_OFF = 0.015
FACE_C, MIRROR_EMISSIVITY, COOL_LOAD = 34.0, 0.85, 0.1
# What a face covers of the frame, as the standard deviation of its soft spot: a tenth of the board to a third.
FACE_SPREAD = (0.07, 0.2)
# The shade of a lamp: after an hour some tens of kelvin above the room (from memory), and smaller than a face.
LAMP_C, LAMP_SPREAD = (60.0, 80.0), (0.04, 0.1)
PARTS = (12, 36)


def draw_scene(seed: int, number: int, folder: Path, *, cols: int, views: int = 3, mirror: str = "") -> None:
    """
    One board in several views; ``mirror``: "face", "lamp" or nothing.

    The truth is written last, so that its file says that all is there.
    """
    if (folder / "truth.json").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, number])
    kind = draw_type(rng, parts=int(rng.integers(*PARTS)))
    load = 1.0
    if mirror:
        kind = replace(kind, told=_shiny(kind.told), true=_shiny(kind.true))
        kind.emissivity.update({part.ref: MIRROR_EMISSIVITY for part in kind.true.parts if part.ref[0] == "U"})
        load = float(np.exp(rng.uniform(np.log(COOL_LOAD), 0.0)))
    watts = {ref: w * load for ref, w in draw_duty(rng, kind, draw_unit(rng, kind), 1.0).items()}
    field = kind.solve(watts, kind.ambient_c)
    write_layouts(rng, folder, kind)
    camera = draw_camera(rng, next(shape for shape in SHAPES if shape[1] == cols))
    poses = poses_around(rng, kind.true, camera.shape, views)
    for view, pose in enumerate(poses):
        _take(rng, folder, view, kind, field, pose=pose, camera=camera, mirror=mirror)
    visible = [_visible(kind.true, pose, camera) for pose in poses]
    parts = {
        part.ref: {
            "mean_c": field.truth(part).mean_c,
            "height_mm": part.height_mm,
            "metal": part.surface.name == "metal",
            "seen": [dict(zip(("width_px", "share"), each[k], strict=True)) for each in visible],
        }
        for k, part in enumerate(kind.true.parts)
    }
    truth = {"seed": seed, "board": number, "cols": cols, "views": views, "mirror": mirror or False, "load": load}
    truth |= {
        "fov_deg": poses[0].fov_deg,
        "ambient_c": kind.ambient_c,
        "offset_k": camera.offset_k,
        "facts": kind.facts,
        "parts": parts,
    }
    (folder / "truth.json").write_text(json.dumps(truth))


def _shiny(board: Board) -> Board:
    """Every part that is measured has a surface of emissivity 0.85."""
    surface = replace(SURFACES["anodised"], emissivity=MIRROR_EMISSIVITY)
    return replace(board, parts=tuple(replace(p, surface=surface) if p.ref[0] == "U" else p for p in board.parts))


def poses_around(rng: np.random.Generator, board: Board, shape: tuple[int, int], views: int) -> list[Pose]:
    """From sides that differ, by so much at least as many views leave room for."""
    apart_deg = min(LEAST_APART_DEG, 0.6 * 360 / views)
    azimuths: list[float] = []
    while len(azimuths) < views:
        azimuth = float(rng.uniform(0, 360))
        if all(abs((azimuth - other + 180) % 360 - 180) >= apart_deg for other in azimuths):
            azimuths.append(azimuth)
    fov_deg = float(rng.uniform(30, 50))
    axis = np.eye(3)
    axis[:2, 2] = rng.normal(0.0, AXIS_OFF * shape[1], 2)
    poses = [
        place_camera(
            board,
            shape,
            tilt_deg=float(rng.uniform(*TILT_DEG)),
            azimuth_deg=azimuth,
            turn_deg=float(rng.uniform(0, 360)),
            fill=float(rng.uniform(0.65, 0.9)),
            fov_deg=fov_deg,
        )
        for azimuth in azimuths
    ]
    return [replace(pose, intrinsic=axis @ pose.intrinsic) for pose in poses]


def _take(
    rng: np.random.Generator,
    folder: Path,
    view: int,
    kind: BoardType,
    field: BoardField,
    *,
    pose: Pose,
    camera: Camera,
    mirror: str,
) -> None:
    reflected_c = field.ambient_c + float(rng.normal(0.0, REFLECTED_K))
    drifted = replace(camera, offset_k=camera.offset_k + float(rng.normal(0, DRIFT_K)))
    face = Background(
        operator_c=float(rng.uniform(*LAMP_C)) if mirror == "lamp" else FACE_C,
        operator_at=(float(rng.uniform(0.25, 0.75)), float(rng.uniform(0.25, 0.75))),
        operator_spread=float(rng.uniform(*(LAMP_SPREAD if mirror == "lamp" else FACE_SPREAD))),
    )
    state = rng.bit_generator.state
    for name, background in [("view", face), ("plain", Background())] if mirror else [("view", Background())]:
        rng.bit_generator.state = state
        seen = render_frame(
            field,
            kind.true,
            pose,
            rng=rng,
            netd_k=0.0,
            sensor=IDEAL,
            blur_px=camera.blur_px,
            reflected_c=reflected_c,
            emissivity=kind.emissivity,
            background=background,
            heights=True,
        )
        noisy = sense(rng, bend_picture(seen.apparent_c, drifted), drifted)
        write_tiff(folder / f"{name}-{view}.tiff", [noisy], unit="cK")


def _visible(board: Board, pose: Pose, camera: Camera) -> list[tuple[float, float]]:
    """Of each part's top: its least width in pixels, and the share of it that nothing hides and the frame holds."""
    rows, cols = pose.shape
    y, x = np.indices(pose.shape, dtype=float)
    points = np.column_stack([x.ravel(), y.ravel()])
    shown = np.full(len(points), -1)
    camera_mm = -pose.rotation.T @ pose.position_mm
    order = sorted(
        range(len(board.parts)),
        key=lambda k: -np.hypot(board.parts[k].x_mm - camera_mm[0], board.parts[k].y_mm - camera_mm[1]),
    )
    tops = [_on_top(part, pose, points) for part in board.parts]
    for k in order:
        part = board.parts[k]
        both = np.vstack([pose.px(part.corners_mm()), pose.px(part.corners_mm(), height_mm=part.height_mm or 0.0)])
        shown[inside_polygon(points, both[ConvexHull(both).vertices])] = -2
        shown[tops[k]] = k
    told = []
    for k, part in enumerate(board.parts):
        corners = pose.px(part.corners_mm(), height_mm=part.height_mm or 0.0)
        sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
        area = abs(polygon_area(corners))
        whole = area * (np.pi / 4 if part.round_body else 1.0)
        inside = bent(corners, camera)
        within = bool(np.all((inside > 1) & (inside < [cols - 2, rows - 2])))
        share = float((shown == k).sum() / max(whole, 1.0)) if within else 0.0
        told.append((float(area / sides.max()), min(share, 1.0)))
    return told


def _on_top(part: Part, pose: Pose, points_px: Array) -> NDArray[np.bool_]:
    plane = np.linalg.inv(pose.plane(part.height_mm or 0.0))
    mapped = np.column_stack([points_px, np.ones(len(points_px))]) @ plane.T
    result: NDArray[np.bool_] = inside_body(part, mapped[:, :2] / mapped[:, 2:])
    return result
