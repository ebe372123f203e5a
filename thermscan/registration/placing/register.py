"""Where is the board in the frame? The room's front door."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.coordinates import map_points
from thermscan.errors import CannotJudge
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.evidence import Evidence, prepare
from thermscan.registration.geometry.bend import lens_of_bend, unit_bend
from thermscan.registration.geometry.heights import HeightPrior, height_prior
from thermscan.registration.geometry.homography import (
    corner_jacobian,
    homography_from_corners,
    place_uncertainty_mm,
)
from thermscan.registration.geometry.pose import Pose, pose_from_homography, view_angle_deg
from thermscan.registration.geometry.rise import pose_with_focal
from thermscan.registration.placing.baseline_raster import BaselineRaster
from thermscan.registration.placing.baseline_refinement import combined, refine_to_baseline
from thermscan.registration.placing.baseline_search import find_by_baseline
from thermscan.registration.placing.corners import CLICK_PX, checked_corners, clicked
from thermscan.registration.placing.decision import AHEAD, GIVE_INSTEAD, decide
from thermscan.registration.placing.edges import LayoutEdges, layout_edges
from thermscan.registration.placing.given_places import Start, start_from_corners, start_from_landmarks
from thermscan.registration.placing.joint_fit import Known, Placed, Scene, joint_fit, scene_of, start_at
from thermscan.registration.placing.refined import Refined
from thermscan.registration.placing.search import Candidate, Search, candidates, start_search
from thermscan.registration.registration import PartHeight, Registration
from thermscan.runs.run import Landmark

if TYPE_CHECKING:
    from thermscan.radiometry.camera import Camera

FloatArray = NDArray[np.float64]

# A place lies within 2.45 standard uncertainties of one coordinate with 95 % (chi-square with two degrees of freedom:
# sqrt(-2 ln 0.05)); half of that is what is stated, so that twice the statement holds 95 % of the places.
PLACE_FACTOR = float(np.sqrt(-2.0 * np.log(0.05))) / 2.0
# No corner is claimed to be known better: rounded body edges, and a blur not quite the stated one, displace all
# edges of a kind together by so much (found on simulated views at 640 x 480, where noise leaves far less).
CORNER_FLOOR_PX = 0.005
# Right places leave up to 0.4 px, wrong ones more than this.
MOST_RESIDUAL_PX = 0.7
# A last fit that moves a place found with no help farther than this, in pixels of the search, went to the next row of
# bodies: half of them.
FARTHEST_PX = 8.0
# Two places whose last fits end this near each other are one.
ONE_PLACE_PX = 1.0
# A last fit that moved a corner farther than its first steps reach is begun afresh from where it ended.
AFRESH_PX = 3.0
# A bend is taken out where it shows by so many standard uncertainties and is more than this at the frame's corners;
# else the plane view nearest to it is given, and what that leaves is a doubt. (Two: half of all cameras without a lens
# file bend, so that the odds are even before.)
BENT_DEVIATIONS, LEAST_BEND_PX = 2.0, 0.5
# A stated height is said to be seen otherwise where they differ by so many standard uncertainties and so much of it.
OTHERWISE_DEVIATIONS, OTHERWISE_SHARE = 3.0, 0.35


@dataclass(frozen=True, slots=True, eq=False)
class _Job:
    """One frame and layout, prepared."""

    evidence: Evidence
    board: Board
    edges: LayoutEdges
    prior: HeightPrior

    @property
    def shape(self) -> tuple[int, int]:
        rows, cols = self.evidence.apparent.shape
        return rows, cols


def register_board(
    image: ThermalImage,
    board: Board,
    *,
    corners_px: ArrayLike | None = None,
    landmarks: Sequence[Landmark] = (),
    baseline_raster: BaselineRaster | None = None,
    camera: Camera | None = None,
    straighten: bool = False,
) -> Registration:
    """
    Where the board lies in the frame, and how well that is known.

    Parameters
    ----------
    image : ThermalImage
    board : Board
    corners_px : array_like of shape (4, 2), optional
        The board's corners as a person saw them: improved on the frame, not obeyed.
    landmarks : sequence of Landmark, optional
        Body centres as a person saw them; used where ``corners_px`` is not given.
    baseline_raster : BaselineRaster, optional
        What good boards looked like: more evidence, robust to temperatures that changed.
    camera : Camera, optional
        For its field of view.
    straighten : bool
        Whether the caller goes on with the frame straightened by the registration's ``lens``; else a bend of the lens
        that shows is a doubt of the place.

    Returns
    -------
    Registration

    Raises
    ------
    InputError
        Corners or landmarks that cannot be right.
    CannotJudge
        The board was not found with enough certainty; says what was seen and what to give.
    """
    fov_deg = camera.fov_deg[0] if camera is not None and camera.fov_deg is not None else None
    job = _Job(prepare(image, fov_deg=fov_deg), board, layout_edges(board), height_prior(board))
    bends = straighten and (camera is None or camera.lens is None)
    remarks: list[str] = []
    if corners_px is not None:
        method = "corners"
        clicks = checked_corners(corners_px, shape=image.shape)
        search = start_search(job.evidence, board, job.edges, job.prior)
        start = start_from_corners(search, clicks, u_px=CLICK_PX)
        found = _fitted(job, start, given=clicked(clicks, near_px=start.corners_px), bends=bends)
        remarks += start.remarks
    elif landmarks:
        method = "landmarks"
        search = start_search(job.evidence, board, job.edges, job.prior)
        start = start_from_landmarks(search, board, landmarks, image.shape)
        found = _fitted(job, start, given=None, bends=bends)
        remarks += start.remarks
    else:
        method = "outline"
        try:
            found = _found_alone(job, bends=bends)
        except CannotJudge:
            rescued = _by_baseline_alone(job, baseline_raster)
            if rescued is None:
                raise
            method, found = "baseline", rescued
            remarks.append("neither outline nor bodies show where the board lies: found by the baseline's picture")
    remarks += _height_remarks(found, board) + _bend_remarks(found)
    if baseline_raster is not None and method != "baseline":
        found, used = _with_baseline(job, baseline_raster, found)
        method = "baseline" if used and method == "outline" else method
    return _registration(job, found, method, remarks, bends=bends)


def _found_alone(job: _Job, *, bends: bool) -> Placed:
    """
    The place from the frame and the layout alone.

    Raises
    ------
    CannotJudge
        No board, more than one, another board, or an orientation that the frame does not settle.
    """
    if not job.board.parts:
        raise CannotJudge("the layout has no parts to settle the board's place by", fix="give corners_px")
    search = start_search(job.evidence, job.board, job.edges, job.prior)
    best, *beside = decide(candidates(search), search, job.evidence)
    found = _settled(job, search, best, bends=bends)
    for other in beside:
        _check_beside(job, search, found, _settled(job, search, other, bends=bends, refuse=False))
    return found


def _settled(job: _Job, search: Search, place: Candidate, *, bends: bool, refuse: bool = True) -> Placed:
    """
    The last fit of a place that was found with no help.

    Raises
    ------
    CannotJudge
        It does not lie there, unless ``refuse`` is False.
    """
    start = Start(search.small.to_frame(place.corners_px), True, np.eye(8))
    found = _fitted(job, start, given=None, bends=bends)
    moved = _apart_px(job, found.corners_px, start.corners_px) * search.small.scale
    if refuse and (not found.edges or moved > FARTHEST_PX or found.residual_px > MOST_RESIDUAL_PX):
        raise CannotJudge(
            "an outline was found, but the layout's edges do not lie on the frame's"
            + (f": they scatter by {found.residual_px:.1f} pixels" if found.edges else ""),
            fix=f"check that the layout is of this board and side; else {GIVE_INSTEAD}",
        )
    return found


def _check_beside(job: _Job, search: Search, found: Placed, other: Placed) -> None:
    """Refuse where two places beside each other stay apart in the last fit, and neither is clearly the likelier."""
    apart = _apart_px(job, found.corners_px, other.corners_px) * search.small.scale
    if not other.edges or apart < ONE_PLACE_PX:
        return
    odds = [search.weighed(search.small.from_frame(each.corners_px)).log_odds for each in (found, other)]
    if odds[0] - odds[1] < AHEAD:
        raise CannotJudge(
            f"the layout fits the frame in two ways almost alike ({apart:.0f} pixels apart)", fix=GIVE_INSTEAD
        )


def _apart_px(job: _Job, one_px: FloatArray, other_px: FloatArray) -> float:
    """Of the middle one of the parts, between two places of the board's corners."""
    centres = np.array([[part.x_mm, part.y_mm] for part in job.board.parts])
    seen = [map_points(homography_from_corners(job.board.corners_mm, each), centres) for each in (one_px, other_px)]
    return float(np.median(np.linalg.norm(seen[0] - seen[1], axis=1)))


def _fitted(job: _Job, start: Start, *, given: Known | None, bends: bool) -> Placed:
    """The last fit; where the frame shows too little the place as it was given, with heights as they usually are."""
    scene = scene_of(job.evidence, job.edges, job.prior, job.board.corners_mm)
    begin = start_at(scene, start.corners_px)
    found = joint_fit(scene, begin, given=given) if start.trusted else None
    if found is not None and np.abs(found.corners_px - begin.corners_px).max() > AFRESH_PX:
        found = joint_fit(scene, start_at(scene, found.corners_px), given=given) or found
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


def _registration(job: _Job, found: Placed, method: str, remarks: list[str], *, bends: bool) -> Registration:
    board, shape = job.board, job.shape
    pose = pose_with_focal(
        found.px_from_mm,
        shape=shape,
        corners_mm=board.corners_mm,
        fov_deg=job.evidence.fov_deg,
        factor=found.focal_factor,
    )
    flat_pose = pose_from_homography(
        found.px_from_mm, shape=shape, corners_mm=board.corners_mm, fov_deg=job.evidence.fov_deg
    )
    heights = {
        part.ref: PartHeight(float(height), float(u), bool(u < 0.8 * before))
        for part, height, u, before in zip(
            board.parts, found.heights_mm, found.u_heights_mm, job.prior.u_mm, strict=True
        )
    }
    return Registration(
        method,
        found.px_from_mm,
        found.corners_px,
        found.corner_covariance_px2,
        found.residual_px,
        _uncertainty_mm(found, board),
        view_angle_deg(flat_pose, board.corners_mm),
        tuple(remarks),
        focal_scale=found.focal_factor,
        heights=heights,
        top_doubts_px=_per_mm_px(found, board, pose) * found.u_heights_mm / np.sqrt(2.0),
        lens=lens_of_bend(found.bend_px, pose.focal_px, shape) if bends and found.bend_px else None,
    )


def _per_mm_px(found: Placed, board: Board, pose: Pose) -> FloatArray:
    """How far a millimetre of height moves each part's top in the frame; shape (parts,)."""
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts]).reshape(-1, 2)
    height = np.maximum(found.heights_mm, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        moved = np.linalg.norm(pose.px(centres, height) - pose.px(centres), axis=1) / height
    result: FloatArray = np.nan_to_num(moved, posinf=0.0)
    return result


def _height_remarks(found: Placed, board: Board) -> list[str]:
    """Stated heights that the frame shows otherwise."""
    if not found.edges:
        return []
    said = [
        f"{part.ref} ({height:.0f} instead of {part.height_mm:g} mm)"
        for part, height, u in zip(board.parts, found.heights_mm, found.u_heights_mm, strict=True)
        if part.height_mm is not None
        and abs(height - part.height_mm) > max(OTHERWISE_DEVIATIONS * u, OTHERWISE_SHARE * part.height_mm, 1.0)
    ]
    return [f"seen at another height than the layout states: {', '.join(said)}"] if said else []


def _bend_remarks(found: Placed) -> list[str]:
    if found.left_bend_px:
        return [
            f"the lens seems to bend the view by {abs(found.left_bend_px):.1f} pixels at the frame's corners, which the"
            " stated uncertainty covers; a camera file with its lens does better (thermscan camera lens)"
        ]
    if found.bend_px:
        return [
            f"the lens bends the view by {abs(found.bend_px):.1f} pixels at the frame's corners, which was fitted and"
            " taken out; a camera file with its lens does better (thermscan camera lens)"
        ]
    return []


def _with_baseline(job: _Job, baseline: BaselineRaster, found: Placed) -> tuple[Placed, bool]:
    """The registration improved on the baseline's picture, where the frame shows it."""
    box = job.board.corners_mm
    other = refine_to_baseline(job.evidence, baseline, corners_mm=box, corners_px=found.corners_px)
    if other is None or found.bend_px:
        return found, False
    # The raster shows the tops where they were seen from the baseline's own views.
    spread = other.corner_covariance_px2 + _parallax_covariance_px2(job, found)
    here = Refined(found.corners_px, found.px_from_mm, found.corner_covariance_px2, found.residual_px)
    both = combined(here, replace(other, corner_covariance_px2=spread), box)
    return (
        replace(
            found,
            corners_px=both.corners_px,
            px_from_mm=both.px_from_mm,
            corner_covariance_px2=both.corner_covariance_px2,
            residual_px=both.residual_px,
        ),
        True,
    )


def _by_baseline_alone(job: _Job, baseline: BaselineRaster | None) -> Placed | None:
    box = job.board.corners_mm
    found = None if baseline is None else find_by_baseline(job.evidence, baseline, corners_mm=box)
    if found is None:
        return None
    place = Placed(
        found.corners_px, found.px_from_mm, found.corner_covariance_px2, found.residual_px,
        job.prior.mean_mm, job.prior.u_mm, np.zeros(len(job.edges.part), bool),
    )  # fmt: skip
    spread = found.corner_covariance_px2 + _parallax_covariance_px2(job, place)
    return replace(place, corner_covariance_px2=spread + np.eye(8) * CORNER_FLOOR_PX**2)


def _parallax_covariance_px2(job: _Job, found: Placed) -> FloatArray:
    """
    What the parallax of tops leaves open in a picture of the board that was taken from elsewhere; shape (8, 8).

    The tops' displacement as a doubt that all corners share, and half of it in each.
    """
    pose = pose_with_focal(
        found.px_from_mm,
        shape=job.shape,
        corners_mm=job.board.corners_mm,
        fov_deg=job.evidence.fov_deg,
        factor=found.focal_factor,
    )
    moved = _per_mm_px(found, job.board, pose) * found.heights_mm
    variance = float(np.mean(moved**2)) if len(moved) else 0.0
    return variance * (np.kron(np.ones((4, 4)), np.eye(2)) + np.eye(8) / 4)


def _uncertainty_mm(found: Placed, board: Board) -> float:
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts]).reshape(-1, 2)
    points = centres if len(centres) else board.corners_mm.mean(axis=0, keepdims=True)
    u = place_uncertainty_mm(found.px_from_mm, board.corners_mm, found.corner_covariance_px2, points)
    return PLACE_FACTOR * float(np.sqrt((u**2).mean()))
