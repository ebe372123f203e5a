"""Where is the board in the frame? The room's front door."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import CannotJudge
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.evidence import prepare
from thermscan.registration.geometry.bend import lens_of_bend
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.geometry.homography import (
    homography_from_corners,
    place_uncertainty_mm,
)
from thermscan.registration.geometry.pose import Pose, pose_from_homography, view_angle_deg
from thermscan.registration.geometry.rise import pose_with_focal
from thermscan.registration.placing.baseline_raster import BaselineRaster
from thermscan.registration.placing.corners import CLICK_PX, checked_corners
from thermscan.registration.placing.edges import layout_edges
from thermscan.registration.placing.found_alone import found_alone
from thermscan.registration.placing.given_places import (
    far_clicks,
    start_from_baseline,
    start_from_corners,
    start_from_landmarks,
)
from thermscan.registration.placing.joint_fit import Placed
from thermscan.registration.placing.last_fit import Job, fitted
from thermscan.registration.placing.search import start_search
from thermscan.registration.registration import PartHeight, Registration
from thermscan.runs.run import Landmark

if TYPE_CHECKING:
    from thermscan.radiometry.camera import Camera

FloatArray = NDArray[np.float64]

# A place lies within 2.45 standard uncertainties of one coordinate with 95 % (chi-square with two degrees of freedom:
# sqrt(-2 ln 0.05)); half of that is what is stated, so that twice the statement holds 95 % of the places.
PLACE_FACTOR = float(np.sqrt(-2.0 * np.log(0.05))) / 2.0
# A stated height is said to be seen otherwise where they differ by so many standard uncertainties and so much of it.
OTHERWISE_DEVIATIONS, OTHERWISE_SHARE = 3.0, 0.35


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
        What good boards looked like: asked where neither outline nor bodies show the place.
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
    job = Job(prepare(image, fov_deg=fov_deg), board, layout_edges(board), height_prior(board))
    bends = straighten and (camera is None or camera.lens is None)
    remarks: list[str] = []
    if corners_px is not None:
        method = "corners"
        clicks = checked_corners(corners_px, shape=image.shape)
        search = start_search(job.evidence, board, job.edges, job.prior)
        start = start_from_corners(search, clicks, u_px=CLICK_PX)
        found = fitted(job, start, clicks_px=clicks, bends=bends)
        remarks += start.remarks
        remarks += far_clicks(clicks, found.seen_corners_px(job.shape)) if start.trusted else []
    elif landmarks:
        method = "landmarks"
        search = start_search(job.evidence, board, job.edges, job.prior)
        start = start_from_landmarks(search, board, landmarks, image.shape)
        found = fitted(job, start, bends=bends)
        remarks += start.remarks
    else:
        method = "outline"
        try:
            found = found_alone(job, bends=bends)
        except CannotJudge:
            rescued = _by_baseline(job, baseline_raster, bends=bends)
            if rescued is None:
                raise
            method, found = "baseline", rescued
            remarks.append("neither outline nor bodies show where the board lies: found by the baseline's picture")
    remarks += _height_remarks(found, board) + _bend_remarks(found)
    return registration_of(job, found, method, remarks, bends=bends)


def registration_of(job: Job, found: Placed, method: str, remarks: Sequence[str], *, bends: bool) -> Registration:
    """A place as other rooms need it."""
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
    centres = _centres_mm(board)
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


def _by_baseline(job: Job, baseline: BaselineRaster | None, *, bends: bool) -> Placed | None:
    """Where the baseline's picture puts the corners, as if a person had clicked them; None where it does not."""
    if baseline is None:
        return None
    from thermscan.registration.placing.baseline_search import corners_by_baseline  # noqa: PLC0415

    corners = corners_by_baseline(job.evidence, baseline, corners_mm=job.board.corners_mm)
    if corners is None:
        return None
    spread = np.eye(8) * CLICK_PX**2 + _parallax_covariance_px2(job, corners)
    search = start_search(job.evidence, job.board, job.edges, job.prior)
    return fitted(job, start_from_baseline(search, corners, spread), bends=bends)


def _parallax_covariance_px2(job: Job, corners_px: FloatArray) -> FloatArray:
    """
    What the parallax of tops leaves open in a picture of the board that was taken from elsewhere; shape (8, 8).

    The tops' displacement as a doubt that all corners share, and half of it in each.
    """
    box, centres = job.board.corners_mm, _centres_mm(job.board)
    matrix = homography_from_corners(box, corners_px)
    pose = pose_from_homography(matrix, shape=job.shape, corners_mm=box, fov_deg=job.evidence.fov_deg)
    moved = np.linalg.norm(pose.px(centres, job.prior.mean_mm) - pose.px(centres), axis=1)
    variance = float(np.mean(moved**2)) if len(moved) else 0.0
    return variance * (np.kron(np.ones((4, 4)), np.eye(2)) + np.eye(8) / 4)


def _uncertainty_mm(found: Placed, board: Board) -> float:
    centres = _centres_mm(board)
    points = centres if len(centres) else board.corners_mm.mean(axis=0, keepdims=True)
    u = place_uncertainty_mm(found.px_from_mm, board.corners_mm, found.corner_covariance_px2, points)
    return PLACE_FACTOR * float(np.sqrt((u**2).mean()))


def _centres_mm(board: Board) -> FloatArray:
    return np.array([[part.x_mm, part.y_mm] for part in board.parts]).reshape(-1, 2)
