"""Where is the board in the frame? The room's front door."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.coordinates import map_points
from thermscan.errors import CannotJudge, InputError
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.evidence import Evidence, prepare
from thermscan.registration.geometry.homography import homography_from_corners, place_uncertainty_mm
from thermscan.registration.geometry.pose import pose_from_homography, view_angle_deg
from thermscan.registration.placing.baseline_raster import BaselineRaster
from thermscan.registration.placing.baseline_refinement import combined, refine_to_baseline
from thermscan.registration.placing.baseline_search import find_by_baseline
from thermscan.registration.placing.corners import CLICK_PX, checked_corners, clicked
from thermscan.registration.placing.edges import LayoutEdges, layout_edges
from thermscan.registration.placing.improvement import improve
from thermscan.registration.placing.landmarks import at_their_feet, fit_landmarks
from thermscan.registration.placing.orders import order_shown
from thermscan.registration.placing.outline import check_residual, find_board, lost_detail
from thermscan.registration.placing.refinement import Refined
from thermscan.registration.placing.tall_parts import common_seen, height_remarks, parallax_covariance_px2, with_heights
from thermscan.registration.placing.tops import top_doubts_px
from thermscan.registration.registration import CORNER_NAMES, Registration
from thermscan.runs.run import Landmark

if TYPE_CHECKING:
    from thermscan.radiometry.camera import Camera

FloatArray = NDArray[np.float64]

# A place lies within 2.45 standard uncertainties of one coordinate with 95 % (chi-square with two degrees of freedom:
# sqrt(-2 ln 0.05)); half of that is what is stated, so that twice the statement holds 95 % of the places.
PLACE_FACTOR = float(np.sqrt(-2.0 * np.log(0.05))) / 2.0
# A click that the frame's evidence moves by more than this is named as wrong.
WRONG_CLICK_PX = 5.0
# No corner is claimed to be known better: rounded body edges, and a blur not quite the stated one, displace all
# edges of a kind together by so much (found on simulated views at 640 x 480, where noise leaves far less).
CORNER_FLOOR_PX = 0.005


def register_board(
    image: ThermalImage,
    board: Board,
    *,
    corners_px: ArrayLike | None = None,
    landmarks: Sequence[Landmark] = (),
    baseline_raster: BaselineRaster | None = None,
    camera: Camera | None = None,
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
    evidence, edges = prepare(image, fov_deg=fov_deg), layout_edges(board)
    remarks: list[str] = []
    given = None
    if corners_px is not None:
        method = "corners"
        clicks = checked_corners(corners_px, shape=image.shape)
        found = _from_corners(evidence, board, edges, clicks, remarks)
        given = clicked(clicks, near_px=found.corners_px)
    elif landmarks:
        method = "landmarks"
        found = _from_landmarks(evidence, board, edges, landmarks, remarks)
    else:
        method = "outline"
        try:
            found = find_board(evidence, board, edges)
        except CannotJudge:
            rescued = _by_baseline_alone(evidence, baseline_raster, board, edges)
            if rescued is None:
                raise
            method, found = "baseline", rescued
            remarks.append("neither outline nor bodies show where the board lies: found by the baseline's picture")
    if found.edges:
        fitted = with_heights(evidence, board, edges, found, given=given)
        if method == "outline":
            found = found if lost_detail(evidence, board, found, fitted) else fitted
            check_residual(found)
        else:
            found = fitted
        remarks += height_remarks(found, edges)
        if found.bend_px:
            remarks.append(
                f"the lens seems to bend the view by {abs(found.bend_px):.1f} pixels at the frame's corners, which the"
                " stated uncertainty covers; a camera file with its lens does better (thermscan camera lens)"
            )
        found = replace(found, corner_covariance_px2=found.corner_covariance_px2 + np.eye(8) * CORNER_FLOOR_PX**2)
    if baseline_raster is not None and method != "baseline":
        found, used = _with_baseline(evidence, baseline_raster, board, edges, found)
        method = "baseline" if used and method == "outline" else method
    pose = pose_from_homography(found.px_from_mm, shape=image.shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
    return Registration(
        method,
        found.px_from_mm,
        found.corners_px,
        found.corner_covariance_px2,
        found.residual_px,
        _uncertainty_mm(found, board),
        view_angle_deg(pose, board.corners_mm),
        tuple(remarks),
        apparent_height_mm=found.relief.common_mm if common_seen(found) else None,
        height_scale=found.relief.scale,
        focal_scale=found.relief.focal,
        top_doubts_px=top_doubts_px(evidence, board, edges, found),
    )


def _from_corners(
    evidence: Evidence, board: Board, edges: LayoutEdges, clicks: FloatArray, remarks: list[str]
) -> Refined:
    told = _check_order(evidence, board, edges, clicks)
    improved = improve(evidence, board, edges, corners_px=clicks)
    if not told and (improved is None or not improved.shown.convincing):
        remarks.append("the frame does not show which way round the board lies; the corners' order was taken as given")
    if improved is None:
        remarks.append("the frame shows too little to improve the given corners; they were taken as they are")
        matrix = homography_from_corners(board.corners_mm, clicks)
        return Refined(clicks, matrix, np.eye(8) * CLICK_PX**2, CLICK_PX, 0, 0)
    found = improved.refined
    for name, moved in zip(CORNER_NAMES, np.linalg.norm(found.corners_px - clicks, axis=1), strict=True):
        if moved > WRONG_CLICK_PX:
            remarks.append(f"the {name} corner was given {moved:.0f} pixels from where the frame shows it")
    return found


def _check_order(evidence: Evidence, board: Board, edges: LayoutEdges, clicks: FloatArray) -> bool:
    """Whether the frame shows the order given; an error where it shows another one."""
    shown = order_shown(evidence, board, edges, corners_px=clicks)
    if shown.turn:
        raise InputError(
            f"the corner given first is the board's {CORNER_NAMES[shown.turn]} corner, as its parts show",
            where="corners_px",
            fix="give the board's own top left, top right, bottom right, bottom left, however it lies in the frame",
        )
    return shown.told


def _from_landmarks(
    evidence: Evidence,
    board: Board,
    edges: LayoutEdges,
    landmarks: Sequence[Landmark],
    remarks: list[str],
) -> Refined:
    shape = (evidence.apparent.shape[0], evidence.apparent.shape[1])
    given = fit_landmarks(landmarks, board, shape=shape)
    at_feet = at_their_feet(landmarks, board, given, shape=shape, fov_deg=evidence.fov_deg)
    try:
        lower = fit_landmarks(at_feet, board, shape=shape)
    except InputError:
        lower = given
    if len(lower.used) > len(given.used):
        given, lower = lower, given
    for ref, far in given.refused:
        remarks.append(f"landmark {ref} was refused: it lies {far:.0f} pixels from where the others put it")
    # Whether feet or tops were pointed at is not known: a doubt that all landmarks share.
    middle = (given.fit.corners_px + lower.fit.corners_px) / 2 if given.used == lower.used else given.fit.corners_px
    apart = (given.fit.corners_px - lower.fit.corners_px).ravel() / 2
    spread = given.fit.corner_covariance_px2 + np.outer(apart, apart)
    u_px = np.sqrt(np.diag(spread).reshape(4, 2).sum(axis=1))
    tried = [improve(evidence, board, edges, corners_px=each.fit.corners_px, u_px=u_px) for each in (given, lower)]
    good = [each for each in tried if each is not None]
    if good:
        found = max(good, key=lambda each: each.shown.support).refined
        remarks += _far_landmarks(landmarks, at_feet, board, given.used, found)
        return found
    remarks.append("the frame shows too little to improve the landmarks; they were taken as they are")
    residual = float(np.sqrt((given.fit.residuals_px**2).sum(axis=1).mean()))
    return Refined(middle, homography_from_corners(board.corners_mm, middle), spread, residual, 0, 0)


def _far_landmarks(
    landmarks: Sequence[Landmark],
    at_feet: Sequence[Landmark],
    board: Board,
    used: Sequence[str],
    found: Refined,
) -> list[str]:
    """Those farther from where the frame shows their part than a click, whether its foot or its top was meant."""
    said = []
    for mark, foot in zip(landmarks, at_feet, strict=True):
        part = board.part(mark.ref)
        if part is None or mark.ref not in used:
            continue
        seen = map_points(found.px_from_mm, [[part.x_mm, part.y_mm]])[0]
        away = min(float(np.linalg.norm(seen - each.px)) for each in (mark, foot))
        if away > WRONG_CLICK_PX:
            said.append(f"landmark {mark.ref} was given {away:.0f} pixels from where the frame shows its foot")
    return said


def _with_baseline(
    evidence: Evidence, baseline: BaselineRaster, board: Board, edges: LayoutEdges, found: Refined
) -> tuple[Refined, bool]:
    """The registration improved on the baseline's picture, where the frame shows it."""
    other = refine_to_baseline(evidence, baseline, corners_mm=board.corners_mm, corners_px=found.corners_px)
    if other is None:
        return found, False
    # The raster shows the tops where they were seen from the baseline's own views.
    spread = other.corner_covariance_px2 + parallax_covariance_px2(evidence, edges, found)
    return combined(found, replace(other, corner_covariance_px2=spread), board.corners_mm), True


def _by_baseline_alone(
    evidence: Evidence, baseline: BaselineRaster | None, board: Board, edges: LayoutEdges
) -> Refined | None:
    found = None if baseline is None else find_by_baseline(evidence, baseline, corners_mm=board.corners_mm)
    if found is None:
        return None
    spread = found.corner_covariance_px2 + parallax_covariance_px2(evidence, edges, found)
    # None of its evidence are edges, which could tell heights.
    return replace(found, corner_covariance_px2=spread + np.eye(8) * CORNER_FLOOR_PX**2, edges=0)


def _uncertainty_mm(found: Refined, board: Board) -> float:
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts]).reshape(-1, 2)
    places = centres if len(centres) else board.corners_mm
    u_mm = place_uncertainty_mm(found.px_from_mm, board.corners_mm, found.corner_covariance_px2, places)
    return PLACE_FACTOR * float(np.sqrt((u_mm**2).mean()))
