"""Body centres that a person pointed out: a homography from them, with outliers refused and named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.errors import Fault, InputError, nearest_name
from thermscan.frozen import dataclass
from thermscan.layout.board import Board, Part
from thermscan.registration.geometry.homography import HomographyFit, fit_homography
from thermscan.registration.geometry.pose import pose_from_homography
from thermscan.runs.run import Landmark

FloatArray = NDArray[np.float64]

FEWEST = 4
# How well a person points at the middle of a body, one coordinate, in pixels.
POINTING_PX = 1.5
# A landmark farther than this from where the others put it is taken for a mistake.
OUTLIER_PX = 4 * POINTING_PX
MAX_TRIALS = 600
ON_A_LINE = "the landmarks lie too nearly on a line"
SEED = 20


@dataclass(frozen=True, slots=True, eq=False)
class LandmarkFit:
    """The homography from the landmarks that agree, and the refs of those that do not."""

    fit: HomographyFit
    used: tuple[str, ...]
    refused: tuple[tuple[str, float], ...]  # ref and distance in pixels


def fit_landmarks(landmarks: Sequence[Landmark], board: Board, *, shape: tuple[int, int]) -> LandmarkFit:
    """
    The homography from body centres seen in the frame.

    Parameters
    ----------
    landmarks : sequence of Landmark
        Four or more; five or more let a wrong one be found.
    shape : tuple of int
        Rows and columns of the frame.

    Raises
    ------
    InputError
        Fewer than four, an unknown or repeated ref, a place outside the frame, places on a line,
        a mirrored board, or no four that agree with most.

    References
    ----------
    .. [1] M. A. Fischler, R. C. Bolles, Random sample consensus, Communications of the ACM 24 (1981)
       381-395. All sets of four are tried where there are few.
    """
    mm, px = _checked(landmarks, board, shape)
    inliers = _agreeing(mm, px) if len(mm) > FEWEST else np.ones(len(mm), bool)
    fit = _fit(mm[inliers], px[inliers], board)
    for _ in range(3):
        away = np.linalg.norm(px - map_points(fit.px_from_mm, mm), axis=1)
        new = away < OUTLIER_PX
        if len(mm) == FEWEST or new.sum() < FEWEST or (new == inliers).all():
            break
        inliers = new
        fit = _fit(mm[inliers], px[inliers], board)
    _check_side(fit, board)
    away = np.linalg.norm(px - map_points(fit.px_from_mm, mm), axis=1)
    used = tuple(mark.ref for mark, good in zip(landmarks, inliers, strict=True) if good)
    refused = tuple(
        (mark.ref, float(far)) for mark, good, far in zip(landmarks, inliers, away, strict=True) if not good
    )
    return LandmarkFit(fit, used, refused)


def at_their_feet(
    landmarks: Sequence[Landmark], board: Board, fit: LandmarkFit, *, shape: tuple[int, int], fov_deg: float | None
) -> tuple[Landmark, ...]:
    """
    Landmarks moved from the tops of parts, where a person sees them, down to the board.

    Parameters
    ----------
    landmarks : sequence of Landmark
    fit : LandmarkFit
        Of the landmarks as given: tells the slant well enough.
    shape : tuple of int
    fov_deg : float or None

    Returns
    -------
    tuple of Landmark
        By the stated or usual height; a place that would leave the frame stays as it is.
    """
    rows, cols = shape
    parts = [part for mark in landmarks if (part := board.part(mark.ref)) is not None]
    mm = np.array([[part.x_mm, part.y_mm] for part in parts])
    heights = [usual_height_mm(part) for part in parts]
    pose = pose_from_homography(fit.fit.px_from_mm, shape=shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
    feet = np.array([mark.px for mark in landmarks]) - (pose.px(mm, heights) - pose.px(mm))
    with np.errstate(invalid="ignore"):
        inside = np.asarray(((feet >= -0.5) & (feet <= [cols - 0.5, rows - 0.5])).all(axis=1), dtype=bool).tolist()
    return tuple(
        replace(mark, px=(float(x), float(y))) if stands else mark
        for mark, stands, (x, y) in zip(landmarks, inside, feet, strict=True)
    )


# Bodies of through-hole boards stand 1 to 5 mm high (common practice).
USUAL_HEIGHT_MM = 3.0


def usual_height_mm(part: Part) -> float:
    """As stated, or as such parts usually stand."""
    if part.height_mm is not None:
        return part.height_mm
    return part.usual_height_mm or USUAL_HEIGHT_MM


def _checked(landmarks: Sequence[Landmark], board: Board, shape: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    faults: list[Fault] = []
    refs = [part.ref for part in board.parts]
    seen: set[str] = set()
    rows, cols = shape
    for mark in landmarks:
        where = f"landmarks, {mark.ref}"
        if board.part(mark.ref) is None:
            near = nearest_name(mark.ref, refs)
            faults.append(Fault("no part of that ref", where, f"did you mean {near}?" if near else "see the layout"))
        if mark.ref in seen:
            faults.append(Fault("given twice", where, "give each part once"))
        seen.add(mark.ref)
        x, y = mark.px
        if not (np.isfinite(x) and np.isfinite(y) and -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5):
            faults.append(
                Fault(f"({x:g}, {y:g}) is not in the frame of {cols} x {rows} pixels", where, "give x, y in pixels")
            )
    if len(landmarks) < FEWEST:
        faults.append(Fault(f"{len(landmarks)} given, {FEWEST} or more needed", "landmarks", "give more body centres"))
    if faults:
        raise InputError.from_faults(faults)
    parts = [part for mark in landmarks if (part := board.part(mark.ref)) is not None]
    return np.array([[part.x_mm, part.y_mm] for part in parts]), np.array([mark.px for mark in landmarks], dtype=float)


def _fit(mm: FloatArray, px: FloatArray, board: Board) -> HomographyFit:
    try:
        return fit_homography(mm, px, corners_mm=board.corners_mm, u_px=POINTING_PX)
    except (InputError, np.linalg.LinAlgError) as error:
        raise InputError(ON_A_LINE, where="landmarks", fix="give body centres spread over the board") from error


def _agreeing(mm: FloatArray, px: FloatArray) -> NDArray[np.bool_]:
    """The largest set that one homography explains, from trying sets of four."""
    sets = list(combinations(range(len(mm)), FEWEST))
    if len(sets) > MAX_TRIALS:
        rng = np.random.default_rng(SEED)
        sets = [sets[k] for k in rng.choice(len(sets), MAX_TRIALS, replace=False)]
    best, best_cost = None, np.inf
    for chosen in sets:
        four = list(chosen)
        try:
            fit = fit_homography(mm[four], px[four], corners_mm=mm[four])
        except (InputError, np.linalg.LinAlgError):
            continue
        away = np.linalg.norm(px - map_points(fit.px_from_mm, mm), axis=1)
        away = np.where(np.isfinite(away), away, np.inf)
        cost = float(np.minimum(away**2, OUTLIER_PX**2).sum())
        if cost < best_cost:
            best, best_cost = away < OUTLIER_PX, cost
    if best is None:
        raise InputError(ON_A_LINE, where="landmarks", fix="give body centres spread over the board")
    agreed = int(best.sum())
    if agreed <= len(mm) / 2 or agreed < FEWEST:
        raise InputError(
            f"no more than {agreed} of {len(mm)} landmarks agree with one view of the board",
            where="landmarks",
            fix="check their refs and pixels, and that the layout is of this board and of this side",
        )
    return best


def _check_side(fit: HomographyFit, board: Board) -> None:
    """The board must be seen from the component side, in front of the camera."""
    corners = fit.corners_px
    sides = np.roll(corners, -1, axis=0) - corners
    turns = sides[:, 0] * np.roll(sides, -1, axis=0)[:, 1] - sides[:, 1] * np.roll(sides, -1, axis=0)[:, 0]
    depth = board.corners_mm @ fit.px_from_mm[2, :2] + 1.0
    if (turns < 0).all() and (depth > 0).all():
        raise InputError(
            "the landmarks show the board mirrored", where="landmarks", fix="the layout is seen from the component side"
        )
    if not (turns > 0).all() or not ((depth > 0).all() or (depth < 0).all()):
        raise InputError("no camera could see the landmarks so", where="landmarks", fix="check their refs and pixels")
