"""Find the four corner targets in a frame, and from them the board's corners."""

from __future__ import annotations

from dataclasses import field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.errors import CannotJudge
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.evidence import Evidence, prepare
from thermscan.registration.geometry.homography import fit_homography, homography_from_corners, local_scale
from thermscan.registration.targets.target_design import TARGETS, check_room, covered_parts
from thermscan.registration.targets.target_fit import TargetFit, fit_target
from thermscan.registration.targets.target_patches import DarkPatch, dark_patches
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]

# Two patches' distance tells pixels per millimetre, and so do their areas. At a slant of 50 degrees the one differs
# from the other by up to 1.25 either way, and by more with perspective; patches of few pixels add to it.
SCALES_ALIKE = 2.0
# An arrangement's homography predicts each patch's area; patches of few pixels are off by a third.
AREAS_ALIKE = 1.8
MOST_TRIED = 60
STEPS = 3
# Two arrangements that end within this are one.
SAME_PLACE_PX = 1.0
FARTHEST_STEP_PX = 1.5
# A target's foil explains 96 % and more of its card's unevenness; of other patches in fours, the worst of them explains
# at most 55 % (30 boards of the simulator). What is half explained before it is moved is worth moving.
LEAST_EXPLAINED, WORTH_MOVING = 0.85, 0.5
# Moved to where it fits best, a target does not want to move on.
AT_REST_PX = 0.25
LEAST_CONTRAST_K = 0.3
# How well a person lays a card on a corner, one coordinate.
PLACING_MM = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class FoundTargets:
    """
    The board's corners as the four targets tell them.

    Attributes
    ----------
    corners_px : ndarray of shape (4, 2)
        Top left, top right, bottom right, bottom left of the board.
    corner_covariance_px2 : ndarray of shape (8, 8)
        Of ``corners_px``; how well cards are laid by hand is in it.
    px_from_mm : ndarray of shape (3, 3)
    contrast_k : ndarray of shape (4,)
        Foil less card.
    remarks : tuple of str
        Which parts the cards hide.
    """

    corners_px: FloatArray
    corner_covariance_px2: FloatArray
    px_from_mm: FloatArray
    contrast_k: FloatArray
    remarks: tuple[str, ...] = field(default=())

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        for name in ("corners_px", "corner_covariance_px2", "px_from_mm", "contrast_k"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, eq=False)
class _Arrangement:
    """Four patches taken for the four targets, moved to where they fit the frame best."""

    centres_px: FloatArray
    px_from_mm: FloatArray
    fits: tuple[TargetFit, ...]

    @property
    def score(self) -> float:
        """What the worst of the four explains."""
        return min(fit.explained for fit in self.fits)


def find_targets(image: ThermalImage, board: Board) -> FoundTargets:
    """
    The board's corners from the four corner targets that lie on them.

    Parameters
    ----------
    image : ThermalImage
    board : Board

    Returns
    -------
    FoundTargets

    Raises
    ------
    InputError
        The board has no room for four targets.
    CannotJudge
        The four are not seen, or two arrangements fit about alike; says how many are seen and what to do.
    """
    check_room(board)
    evidence = prepare(image)
    patches = dark_patches(evidence)
    centres_mm = np.array([target.centre_mm(corner) for target, corner in zip(TARGETS, board.corners_mm, strict=True)])
    starts = _likely(patches, centres_mm)
    tried = [each for start in starts if (each := _moved(evidence, board, centres_mm, start)) is not None]
    if not tried:
        raise _not_seen(len(patches))
    best = max(tried, key=lambda each: each.score)
    if any(np.linalg.norm(each.centres_px - best.centres_px, axis=1).max() > SAME_PLACE_PX for each in tried):
        raise CannotJudge(
            "the corner targets can be seen in two places",
            fix="have only one set of targets in view, each card on its own corner; or give corners",
        )
    return _corners(best, board, centres_mm)


def without_cards(image: ThermalImage, board: Board, px_from_mm: FloatArray) -> ThermalImage:
    """
    The image with the cards' pixels left out (NaN): what they show is not the board.

    Parameters
    ----------
    image : ThermalImage
    board : Board
    px_from_mm : ndarray of shape (3, 3)

    Returns
    -------
    ThermalImage

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> board = Board("b", None, [[0, 0], [100, 0], [100, 80], [0, 80]], 1.6, surface_named("solder-mask"), ())
    >>> image = ThermalImage(np.full((80, 100), 30.0), 0.05, 2.0, (8.0, 14.0), 0.6)
    >>> left = without_cards(image, board, np.eye(3)).apparent_c
    >>> bool(np.isnan(left[5, 5])), float(left[40, 50])
    (True, 30.0)
    """
    covered = np.zeros(image.shape, dtype=np.uint8)
    for target, corner in zip(TARGETS, board.corners_mm, strict=True):
        card = map_points(px_from_mm, target.card_mm(corner))
        cv2.fillConvexPoly(covered, np.round(card).astype(np.int32), 1)
    # The pixel beside a card shows some of it.
    covered = cv2.dilate(covered, np.ones((3, 3), dtype=np.uint8)).astype(np.uint8)
    return replace(image, apparent_c=np.where(covered > 0, np.nan, image.apparent_c))


def _likely(patches: tuple[DarkPatch, ...], centres_mm: FloatArray) -> list[FloatArray]:
    """
    Places of four patches that can be the four targets in the order of the corners, the likeliest first.

    Notes
    -----
    Four corners a, b, c, d of a rectangle appear at depths that are to each other as the areas of the triangles of
    the other three, T; so a small area about corner i appears enlarged by 2 Ta Tb Tc Td / (Ti ** 3 times the
    rectangle's area): from the homography of the rectangle, whose derivative's determinant goes as depth ** -3.
    """
    if len(patches) < len(TARGETS):
        return []
    at = np.array([[patch.x_px, patch.y_px] for patch in patches])
    log_area = np.log([patch.area_px for patch in patches])
    log_patch = np.log([np.prod(target.patch_mm) for target in TARGETS])
    sides_mm = np.ptp(centres_mm, axis=0)
    may = _pairs_alike(at, log_area, log_patch, centres_mm)
    chosen: list[tuple[float, FloatArray]] = []
    for a, c in zip(*np.nonzero(may[0, 2]), strict=True):
        b = np.flatnonzero(may[0, 1][a] & may[1, 2][:, c])
        d = np.flatnonzero(may[0, 3][a] & may[2, 3][c])
        i, j = np.nonzero(may[1, 3][np.ix_(b, d)])
        if not len(i):
            continue
        four = np.column_stack([np.full(len(i), a), b[i], np.full(len(i), c), d[j]])
        q = at[four]
        triangles = np.column_stack(
            [_triangle(q[:, (k + 1) % 4], q[:, (k + 2) % 4], q[:, (k + 3) % 4]) for k in range(4)]
        )
        # Clockwise and convex: all four triangles have the same sign.
        four, triangles = four[(triangles > 0).all(axis=1)], triangles[(triangles > 0).all(axis=1)]
        log_t = np.log(triangles)
        enlarged = np.log(2.0 / np.prod(sides_mm)) + log_t.sum(axis=1, keepdims=True) - 3 * log_t
        misfit = np.abs(log_area[four] - log_patch - enlarged)
        for row in np.flatnonzero((misfit < np.log(AREAS_ALIKE)).all(axis=1)):
            chosen.append((float((misfit[row] ** 2).sum()), at[four[row]]))
    chosen.sort(key=lambda each: each[0])
    return [places for _, places in chosen[:MOST_TRIED]]


def _pairs_alike(
    at: FloatArray, log_area: FloatArray, log_patch: FloatArray, centres_mm: FloatArray
) -> dict[tuple[int, int], NDArray[np.bool_]]:
    """For two targets, which two patches are as far apart as their areas let expect; each of shape (n, n)."""
    log_scale = (log_area[None, :] - log_patch[:, None]) / 2
    apart = np.log(np.maximum(np.linalg.norm(at[:, None] - at[None, :], axis=-1), 1e-9))
    result = {}
    for one in range(4):
        for other in range(one + 1, 4):
            apart_mm = np.log(np.linalg.norm(centres_mm[one] - centres_mm[other]))
            expected = apart_mm + (log_scale[one][:, None] + log_scale[other][None, :]) / 2
            result[one, other] = np.abs(apart - expected) < np.log(SCALES_ALIKE)
    return result


def _triangle(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Area, positive where the corners run clockwise as seen; shape (n,)."""
    u, v = b - a, c - a
    result: FloatArray = (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2
    return result


def _moved(evidence: Evidence, board: Board, centres_mm: FloatArray, start: FloatArray) -> _Arrangement | None:
    """The four places moved until each target's picture lies on the frame's; None where one of them is no target."""
    centres, least = start.copy(), WORTH_MOVING
    for step in range(STEPS + 1):
        px_from_mm = homography_from_corners(centres_mm, centres)
        fits: list[TargetFit] = []
        for target, corner in zip(TARGETS, board.corners_mm, strict=True):
            fit = fit_target(evidence, target, corner, px_from_mm=px_from_mm)
            if fit is None or fit.explained < least or fit.contrast_k > -LEAST_CONTRAST_K:
                return None
            fits.append(fit)
        shift = np.array([fit.shift_px for fit in fits])
        length = np.linalg.norm(shift, axis=1, keepdims=True)
        if step == STEPS and length.max() > AT_REST_PX:
            return None
        least = LEAST_EXPLAINED
        if step < STEPS:
            centres = centres + shift * np.minimum(1.0, FARTHEST_STEP_PX / np.maximum(length, 1e-9))
    return _Arrangement(centres, px_from_mm, tuple(fits))


def _corners(found: _Arrangement, board: Board, centres_mm: FloatArray) -> FoundTargets:
    hidden = covered_parts(board)
    laid_px = PLACING_MM * np.sqrt(np.abs(np.linalg.det(local_scale(found.px_from_mm, centres_mm))))
    u_px = np.hypot([fit.u_px for fit in found.fits], laid_px)
    fitted = fit_homography(centres_mm, found.centres_px, corners_mm=board.corners_mm, u_px=u_px)
    return FoundTargets(
        fitted.corners_px,
        fitted.corner_covariance_px2,
        fitted.px_from_mm,
        np.array([fit.contrast_k for fit in found.fits]),
        (f"{', '.join(hidden)}: under a corner target, at least in part",) if hidden else (),
    )


def _not_seen(patches: int) -> CannotJudge:
    if patches < len(TARGETS):
        few = f"{patches} cold patch{'' if patches == 1 else 'es'} seen where the four corner targets are looked for"
        fix = "let the board warm up, foil with its shiny side out, all four corners in view; or give corners"
        return CannotJudge(few, fix=fix)
    return CannotJudge(
        f"{patches} cold patches seen, but no four of them lie and look as the corner targets do",
        fix="lay each card on its own corner of the warm board, have all four in view and come nearer; or give corners",
    )
