"""Which way round a board lies in a photo: what a camera could see, what the parts' edges say, what must be assumed."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge
from thermscan.layout.board import Board, Part
from thermscan.layout.photo_sides import colour_field

FloatArray = NDArray[np.float64]

# Focal lengths of ordinary cameras, as multiples of the picture's longer side: from wide (24 mm on a 36 mm picture) to
# a long lens. Cropping a photo makes it appear longer. A board tilted about one of its own sides fits many proportions,
# each with its own focal length: the wider the range, the less it tells.
FOCAL_LENGTHS = np.geomspace(0.6, 4.0, 200)
# How far the proportions (natural logarithm) and the right angle (cosine) may be off: photos bend straight lines by
# about a percent, and layouts are measured with a ruler.
MOST_MISFIT = 0.03

# The parts settle the turn if their edges are seen better one way by this many standard errors, over so many parts.
SURE_OF_TURN, FEWEST_PARTS = 4.0, 8
TURN_PX = 700.0
# A body is drawn to about this, and a photo sees its top a little beside its foot.
BODY_REACH_MM = 0.8
PLACES = 24


def plausible_turns(corners_px: FloatArray, board: Board, shape: tuple[int, int]) -> list[FloatArray]:
    """
    The ways in which a figure can be the board, as corners in the board's order.

    Parameters
    ----------
    corners_px : ndarray of shape (4, 2)
        Clockwise as seen, from any corner.
    shape : tuple of int
        Rows and columns of the photo.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> board = Board("b", None, [[0, 0], [90, 0], [90, 60], [0, 60]], 1.6, surface_named("solder-mask"), ())
    >>> seen = np.array([[100.0, 100.0], [1000.0, 100.0], [1000.0, 700.0], [100.0, 700.0]])
    >>> [turn[0].tolist() for turn in plausible_turns(seen, board, (800, 1200))]
    [[100.0, 100.0], [1000.0, 700.0]]
    """
    turns = [np.roll(corners_px, -turn, axis=0) for turn in range(4)]
    return [turn for turn in turns if rectangle_misfit(turn, (board.width_mm, board.height_mm), shape) <= MOST_MISFIT]


def rectangle_misfit(corners_px: FloatArray, size: tuple[float, float], shape: tuple[int, int]) -> float:
    """
    How far a figure is from a rectangle of these proportions, as a camera with an ordinary lens could see it.

    Returns
    -------
    float
        The error of the proportions (as a logarithm) and of the right angle (as a cosine), together; 0 is perfect.
        The least over focal lengths, with the lens's axis at the photo's middle.

    References
    ----------
    .. [1] Z. Zhang, A flexible new technique for camera calibration, IEEE Trans. PAMI 22 (2000) 1330-1334: the first
       two columns of the homography, less the camera's own matrix, are at right angles and of one length.

    Examples
    --------
    >>> level = np.array([[100.0, 100.0], [400.0, 100.0], [400.0, 300.0], [100.0, 300.0]])
    >>> round(rectangle_misfit(level, (90.0, 60.0), (400, 500)), 6)
    0.0
    >>> round(rectangle_misfit(level, (90.0, 66.0), (400, 500)), 3)
    0.095
    """
    width, height = size
    box = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]) - [width / 2, height / 2]
    middle = (np.array(shape[::-1]) - 1) / 2
    columns = cv2.getPerspectiveTransform(box.astype(np.float32), (corners_px - middle).astype(np.float32))[:, :2]
    focal = FOCAL_LENGTHS[:, None] * max(shape)
    along_x, along_y = (
        np.column_stack([column[0] / focal, column[1] / focal, np.full(len(focal), column[2])]) for column in columns.T
    )
    long_x, long_y = np.linalg.norm(along_x, axis=1), np.linalg.norm(along_y, axis=1)
    proportion = np.log(long_x / long_y)
    cosine = (along_x * along_y).sum(axis=1) / (long_x * long_y)
    return float(np.hypot(proportion, cosine).min())


def settle_turn(
    pixels: NDArray[np.uint8], turns: list[FloatArray], board: Board, *, otherwise: str
) -> tuple[FloatArray, str | None]:
    """
    The corners in the board's order, and what had to be assumed for it.

    Raises
    ------
    CannotJudge
        The parts do not settle it and the board does not lie upright; ``otherwise`` says what to do.
    """
    upright = [turn for turn in turns if _leans_deg(turn) < 45.0]
    if len(turns) > 1 and len(board.parts) >= FEWEST_PARTS:
        seen = np.array([_edges_seen(pixels, turn, board) for turn in turns])
        best, second = np.argsort(-seen.mean(axis=1))[:2]
        ahead = seen[best] - seen[second]
        error = float(ahead.std(ddof=1)) / np.sqrt(len(ahead))
        if ahead.mean() > SURE_OF_TURN * max(error, 1e-9):
            return turns[int(best)], None
    if len(turns) == 1 and upright:
        return turns[0], None
    if upright:
        remark = (
            "the board is taken to lie upright in the photo, its top edge on top, which nothing in the photo settles; "
            f"if it does not, {otherwise}"
        )
        return upright[0], remark
    what = "the board lies sideways in the photo, and its parts do not settle which way round"
    raise CannotJudge(what, fix=f"turn the photo upright; else {otherwise}")


def _leans_deg(corners_px: FloatArray) -> float:
    """By how much the board's top edge is turned from level."""
    top = corners_px[1] - corners_px[0] + corners_px[2] - corners_px[3]
    return abs(float(np.degrees(np.arctan2(top[1], top[0]))))


def _edges_seen(pixels: NDArray[np.uint8], corners_px: FloatArray, board: Board) -> FloatArray:
    """For each part, how strong an edge runs where its body should end; shape (parts,)."""
    per_mm = TURN_PX / max(board.width_mm, board.height_mm)
    size = (round(board.width_mm * per_mm), round(board.height_mm * per_mm))
    scale = max(1, int(np.linalg.norm(corners_px[1] - corners_px[0]) / size[0]))
    small = cv2.resize(pixels, None, fx=1 / scale, fy=1 / scale, interpolation=cv2.INTER_AREA) if scale > 1 else pixels
    seen = ((corners_px + 0.5) / scale - 0.5).astype(np.float32)
    to_board = cv2.getPerspectiveTransform(seen, (board.corners_mm * per_mm - 0.5).astype(np.float32))
    field = colour_field(np.asarray(cv2.warpPerspective(small, to_board, size), np.uint8))
    slope_x = np.linalg.norm(np.gradient(field, axis=1), axis=2)
    slope_y = np.linalg.norm(np.gradient(field, axis=0), axis=2)
    # Strong edges count no more than clear ones.
    slopes = [np.minimum(slope, np.quantile(slope, 0.95)) for slope in (slope_x, slope_y)]
    reach = round(BODY_REACH_MM * per_mm) * 2 + 1
    windows = ((1, reach), (reach, 1))
    wide = [
        np.asarray(cv2.dilate(slope.astype(np.float32), np.ones(window, np.uint8)), np.float32)
        for slope, window in zip(slopes, windows, strict=True)
    ]
    return np.array([_body_edge(wide, part, per_mm) for part in board.parts])


def _body_edge(slopes: list[NDArray[np.float32]], part: Part, per_mm: float) -> float:
    corners = part.corners_mm()
    share = (np.arange(PLACES) + 0.5)[:, None] / PLACES
    strengths = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        points = (start + share * (end - start)) * per_mm - 0.5
        x, y = points[:, 0].astype(np.float32), points[:, 1].astype(np.float32)
        across = np.abs(end - start)[::-1] / max(float(np.hypot(*(end - start))), 1e-9)
        sampled = [cv2.remap(slope, x, y, cv2.INTER_LINEAR, borderValue=0.0).ravel() for slope in slopes]
        strengths.append(float((across[0] * sampled[0] + across[1] * sampled[1]).mean()))
    return float(np.mean(strengths))
