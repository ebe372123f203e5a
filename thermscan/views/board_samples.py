"""What each view shows of the same places on the board: the bare board at its own height, bodies at their tops."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import sample_bilinear
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.layout.board import Board
from thermscan.regions.hiding import hidden_pixels, standing_bodies
from thermscan.regions.leaning import Leaning
from thermscan.registration.geometry.parallax import pose_seen, seen_height_mm, seen_part
from thermscan.scales import read_only
from thermscan.views.seen import SeenView

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class BoardSamples:
    """
    Places on one raster of the board, as several views show them.

    Attributes
    ----------
    apparent_c : ndarray of shape (views, rows, cols)
        NaN where a view does not show the place.
    places_px : ndarray of shape (views, rows, cols, 2)
        Where each view has the place.
    body : ndarray of int, shape (rows, cols)
        Index of the part whose body the place lies on; -1 on bare board.
    mm_per_px : float
    on_board : ndarray of bool, shape (rows, cols)
    """

    apparent_c: FloatArray
    places_px: FloatArray
    body: NDArray[np.intp]
    mm_per_px: float
    on_board: Mask

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        for name in ("apparent_c", "places_px"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def sample_board(views: Sequence[SeenView], board: Board, *, fov_deg: float | None = None) -> BoardSamples:
    """
    What several views show of the same places.

    Parameters
    ----------
    views : sequence of SeenView
    board : Board
    fov_deg : float, optional
        The camera's horizontal field of view; else told from each view.

    Returns
    -------
    BoardSamples
        On the finest raster of the views. The pixels of a body are looked for where its top is seen in a view. A place
        that a taller part, or something over the board, hides in a view is not seen in it.
    """
    finest = min((view.rectified for view in views), key=lambda rectified: rectified.mm_per_px)
    centres_mm = finest.centres_mm()
    body = _bodies(centres_mm, board)
    seen = [_in_view(view, board, centres_mm, body, fov_deg=fov_deg) for view in views]
    return BoardSamples(
        np.stack([apparent_c for apparent_c, _ in seen]),
        np.stack([places_px for _, places_px in seen]),
        body,
        finest.mm_per_px,
        finest.on_board,
    )


def may_be_hidden(samples: BoardSamples, leanings: Sequence[Leaning]) -> Mask:
    """
    Bare places that a body may hide in a view, as far as its height is not known; shape (views, rows, cols).

    Parameters
    ----------
    samples : BoardSamples
    leanings : sequence of Leaning
        One for each view.
    """
    result = np.zeros(samples.apparent_c.shape, dtype=bool)
    for hidden, places_px, leaning in zip(result, samples.places_px, leanings, strict=True):
        bare = np.flatnonzero((samples.body < 0) & samples.on_board)
        at_px = places_px.reshape(-1, 2)[bare]
        for body in leaning.farthest:
            hidden.flat[bare] |= body.covers(at_px)
    return result


def _bodies(centres_mm: FloatArray, board: Board) -> NDArray[np.intp]:
    """The part whose body each place lies on, the smallest where bodies lie over each other; -1 for none."""
    shape = centres_mm.shape[:2]
    body = np.full(shape[0] * shape[1], -1, dtype=np.intp)
    flat = centres_mm.reshape(-1, 2)
    largest_first = sorted(range(len(board.parts)), key=lambda k: -board.parts[k].length_mm * board.parts[k].width_mm)
    for k in largest_first:
        part = board.parts[k]
        reach = np.hypot(part.length_mm, part.width_mm) / 2
        near = np.flatnonzero(np.abs(flat - [part.x_mm, part.y_mm]).max(axis=1) <= reach)
        share = np.abs(part.body_from_board(flat[near])) / [part.length_mm / 2, part.width_mm / 2]
        inside = np.hypot(*share.T) <= 1 if part.round_body else share.max(axis=1) <= 1
        body[near[inside]] = k
    return body.reshape(shape)


def _in_view(
    view: SeenView, board: Board, centres_mm: FloatArray, body: NDArray[np.intp], *, fov_deg: float | None
) -> tuple[FloatArray, FloatArray]:
    """Apparent temperatures of the places, shape (rows, cols), and where the view has them, (rows, cols, 2)."""
    registration, image = view.registration, view.image
    pose = pose_seen(registration, shape=image.shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
    standing = standing_bodies(board, registration, pose)
    flat, on = centres_mm.reshape(-1, 2).copy(), body.ravel()
    bare = on < 0
    for k, part in enumerate(board.parts):
        if seen_height_mm(part, registration):
            top = seen_part(part, registration, pose)
            flat[on == k] += [top.x_mm - part.x_mm, top.y_mm - part.y_mm]
    places_px = registration.px(flat)
    apparent_c = sample_bilinear(image.apparent_c, places_px)
    apparent_c[sample_bilinear(view.cover.pixels, places_px) > 0] = np.nan
    hidden = np.zeros(len(flat), dtype=bool)
    for other in standing.silhouettes:
        hidden[bare] |= other.covers(places_px[bare])
    for k, part in enumerate(board.parts):
        own = np.flatnonzero(on == k)
        if own.size and standing.silhouettes:
            hidden[own] = hidden_pixels(part, registration, standing, places_px[own])
    apparent_c[hidden] = np.nan
    shape = body.shape
    return apparent_c.reshape(shape), places_px.reshape(*shape, 2)
