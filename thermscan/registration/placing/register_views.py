"""Where the board lies in several views of it, all fitted together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from thermscan.layout.board import Board
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.evidence import prepare
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.placing.edges import layout_edges
from thermscan.registration.placing.joint_fit import scene_of
from thermscan.registration.placing.last_fit import CORNER_FLOOR_PX, Job
from thermscan.registration.placing.register import registration_of
from thermscan.registration.placing.several_views import fit_together
from thermscan.registration.registration import Registration


def register_views(
    images: Sequence[ThermalImage], found: Sequence[Registration], board: Board, *, camera: Camera | None = None
) -> tuple[Registration, ...]:
    """
    The places of several views again, with one set of heights and one focal length.

    Parameters
    ----------
    images : sequence of ThermalImage
        Two or more, straightened where their registration has a lens.
    found : sequence of Registration
        Of each by itself. A place that corners, landmarks or a baseline gave stays as it is.
    board : Board
    camera : Camera, optional
        For its field of view.

    Returns
    -------
    tuple of Registration
        In the given order; the same for the views in any order.
    """
    fov_deg = camera.fov_deg[0] if camera is not None and camera.fov_deg is not None else None
    edges, prior = layout_edges(board), height_prior(board)
    # Sums in another order differ in their last digits.
    order = sorted(range(len(found)), key=lambda k: tuple(found[k].corners_px.ravel()))
    evidence = [prepare(images[k], fov_deg=fov_deg) for k in order]
    placed = fit_together(
        [scene_of(each, edges, prior, board.corners_mm) for each in evidence],
        [found[k].corners_px for k in order],
        kept=[found[k].method != "outline" for k in order],
    )
    told: dict[int, Registration] = {}
    for k, each, place in zip(order, evidence, placed, strict=True):
        before = found[k]
        again = registration_of(Job(each, board, edges, prior), place, before.method, before.remarks, bends=False)
        own = before if place.edges == 0 else again
        floor = np.eye(8) * CORNER_FLOOR_PX**2 if place.edges else 0.0
        told[k] = replace(
            own,
            corner_covariance_px2=own.corner_covariance_px2 + floor,
            heights=again.heights,
            top_doubts_px=again.top_doubts_px,
            focal_scale=again.focal_scale,
            lens=before.lens,
        )
    return tuple(told[k] for k in range(len(found)))
