"""The last fit of a place, with the lens's bend taken out where it shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.bend import unit_bend
from thermscan.registration.geometry.heights import HeightPrior
from thermscan.registration.geometry.homography import corner_jacobian, homography_from_corners
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.given_places import Start
from thermscan.registration.placing.joint_fit import FAR, Placed, Scene, Steps, joint_fit, scene_of, start_at

FloatArray = NDArray[np.float64]

# No corner is claimed to be known better: rounded body edges, halos, and a blur not quite the stated one displace edges
# together by so much (left on 180 simulated views of two makers, where noise leaves far less; edges are placed to 0.02
# to 0.05 pixels in practice: T. Luhmann et al., Close-Range Photogrammetry and 3D Imaging, from memory).
CORNER_FLOOR_PX = 0.03
# A last fit that moved a corner farther than its first steps reach is begun afresh from where it ended.
AFRESH_PX = 3.0
# A bend is taken out where it shows by so many standard uncertainties and is more than this at the frame's corners;
# else the plane view nearest to it is given, and what that leaves is a doubt. (Two: half of all cameras without a lens
# file bend, so that the odds are even before.)
BENT_DEVIATIONS, LEAST_BEND_PX = 2.0, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """One frame and layout, prepared."""

    evidence: Evidence
    board: Board
    edges: LayoutEdges
    prior: HeightPrior

    @property
    def shape(self) -> tuple[int, int]:
        rows, cols = self.evidence.apparent.shape
        return rows, cols


def fitted(job: Job, start: Start, *, clicks_px: FloatArray | None = None, bends: bool, steps: Steps = FAR) -> Placed:
    """The last fit; where the frame shows too little the place as it was given, with heights as they usually are."""
    scene = scene_of(job.evidence, job.edges, job.prior, job.board.corners_mm)
    begin = start_at(scene, start.corners_px)
    found = joint_fit(scene, begin, clicks_px=clicks_px, steps=steps) if start.trusted else None
    if found is not None and np.abs(found.corners_px - begin.corners_px).max() > AFRESH_PX:
        found = joint_fit(scene, start_at(scene, found.corners_px), clicks_px=clicks_px, steps=steps) or found
    if found is None:
        return replace(
            begin, corner_covariance_px2=start.covariance_px2, residual_px=float(np.sqrt(start.covariance_px2[0, 0]))
        )
    if not bends or not _bend_shows(found):
        found = _as_pinhole(scene, found)
    floor = np.eye(8) * CORNER_FLOOR_PX**2
    return replace(found, corner_covariance_px2=found.corner_covariance_px2 + floor)


def _bend_shows(found: Placed) -> bool:
    return abs(found.bend_px) >= max(LEAST_BEND_PX, BENT_DEVIATIONS * found.u_bend_px)


def _as_pinhole(scene: Scene, found: Placed) -> Placed:
    """The plane view that is nearest to the bent one over the parts, with what it leaves as a doubt."""
    points = (scene.edges.starts_mm + scene.edges.ends_mm) / 2
    flat = map_points(found.px_from_mm, points)
    bend = unit_bend(flat, scene.shape).reshape(-1)
    design = corner_jacobian(found.px_from_mm, scene.corners_mm, points).reshape(-1, 8)
    step = np.linalg.lstsq(design, bend, rcond=None)[0]
    corners = found.corners_px + found.bend_px * step.reshape(4, 2)
    left = float(np.sqrt(np.mean((bend - design @ step) ** 2)))
    size = float(np.hypot(found.bend_px, found.u_bend_px))
    # Twice: in the middle, which four corners share, half of it is left.
    doubt = (2 * size * left) ** 2 * np.eye(8)
    return replace(
        found,
        corners_px=corners,
        px_from_mm=homography_from_corners(scene.corners_mm, corners),
        corner_covariance_px2=found.corner_covariance_px2 + doubt,
        bend_px=0.0,
        u_bend_px=size,
        left_bend_px=found.bend_px if _bend_shows(found) else 0.0,
    )
