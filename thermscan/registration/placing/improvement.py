"""Make the best of corners that are roughly known: from clicks, or from landmarks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence, reduced
from thermscan.registration.geometry.relief import other_heights
from thermscan.registration.placing.agreement import Agreement, agreement
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.outline_candidates import SEARCH_PX, outline_candidates
from thermscan.registration.placing.refinement import FROM_NEAR_PX, FROM_ROUGH_PX, Refined, refine

FloatArray = NDArray[np.float64]

# An outline in the frame is taken for the one that was meant where three of its corners lie within this
# share of the frame's width from those given: the fourth may be a slip.
SAME_CORNER = 0.05
# Where bodies hardly show, an outline is believed that is seen over so much of its length, with no corner
# farther than this from where it was given, unless so many body edges lie elsewhere.
OUTLINE_SHARE, CLOSE_PX = 0.6, 4.0
ENOUGH_EDGES, NOT_AGAINST_SHARE = 20, 0.3
# What a corner's way from its click costs, in edges: the logarithm of Cauchy's density over that of an edge, whose
# being near tells about half a unit (0.65 against 0.21 by chance, two edges a vote). A person clicks to about 1.5 px.
CLICK_SCALE_PX, EDGES_A_LOG = 1.5, 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Improved:
    """Corners improved on the frame, and how the layout agrees with them there."""

    refined: Refined
    shown: Agreement


def improve(
    evidence: Evidence,
    board: Board,
    edges: LayoutEdges,
    *,
    corners_px: FloatArray,
    u_px: FloatArray | None = None,
) -> Improved | None:
    """
    The best registration near given corners, or None where the frame does not convince.

    Parameters
    ----------
    evidence : Evidence
    board : Board
    edges : LayoutEdges
    corners_px : ndarray of shape (4, 2)
    u_px : ndarray of shape (4,), optional
        Standard uncertainty of each corner, where it is larger than a click's.

    Starts are the corners given, each of them replaced by what the other three suggest, and outlines in
    the frame that share three of them.
    """
    near_px = CLICK_SCALE_PX if u_px is None else np.maximum(u_px, CLICK_SCALE_PX)
    starts = _starts(evidence, corners_px)
    tried = [_from(evidence, board, edges, start) for start in starts]
    # A good click needs no wide search, which on a small board reaches the next row of parts.
    tried += [_near(evidence, board, each, corners_px) for each in (edges, *other_heights(edges))]
    # Heights other than stated are tried from the corners as given, and from elsewhere only where nothing fits: rows
    # of like parts, displaced by their height, may fit one row farther as if they were flat.
    for other in other_heights(edges):
        tried += [_from(evidence, board, other, corners_px)]
    good = [each for each in tried if each is not None and each.shown.convincing]
    if not good:
        again = [_from(evidence, board, other, start) for other in other_heights(edges) for start in starts[1:]]
        good = [each for each in again if each is not None and each.shown.convincing]
    if good:
        return max(good, key=lambda each: each.shown.support - _cost_of_moving(each, corners_px, near_px))
    plain = [_from(evidence, board, each, corners_px) for each in other_heights(edges)]
    outlines = [each for each in (tried[0], *plain) if each is not None and _outline_agrees(each, corners_px, near_px)]
    return max(outlines, key=lambda each: each.shown.support, default=None)


def _cost_of_moving(improved: Improved, corners_px: FloatArray, near_px: FloatArray | float) -> float:
    """How much a place that is not where the corners were clicked must explain more, in edges."""
    squared = ((improved.refined.corners_px - corners_px) ** 2).sum(axis=1)
    return float(EDGES_A_LOG * np.log1p(squared / np.square(near_px)).sum())


def _outline_agrees(improved: Improved, corners_px: FloatArray, near_px: FloatArray | float) -> bool:
    """Few bodies are seen, but the outline is, close to where it was given, and no body speaks against it."""
    moved = np.linalg.norm(improved.refined.corners_px - corners_px, axis=1)
    shown = improved.shown
    against = shown.found.sum() >= ENOUGH_EDGES and shown.share < NOT_AGAINST_SHARE
    close = (moved <= CLOSE_PX / CLICK_SCALE_PX * near_px).all()
    return bool(close and shown.outline_seen >= OUTLINE_SHARE and not against)


def _starts(evidence: Evidence, corners_px: FloatArray) -> list[FloatArray]:
    starts = [corners_px]
    near = SAME_CORNER * evidence.apparent.shape[1]
    small = reduced(evidence, SEARCH_PX)
    for quad in outline_candidates(small):
        seen = small.to_frame(quad)
        for turn in range(4):
            start = np.roll(seen, turn, axis=0)
            if (np.linalg.norm(start - corners_px, axis=1) < near).sum() >= 3:
                starts.append(start)
    for wrong in range(4):
        start = corners_px.copy()
        start[wrong] = corners_px[wrong - 1] + corners_px[(wrong + 1) % 4] - corners_px[(wrong + 2) % 4]
        starts.append(start)
    return starts


def _from(evidence: Evidence, board: Board, edges: LayoutEdges, start: FloatArray) -> Improved | None:
    small = reduced(evidence, SEARCH_PX)
    if small is not evidence:
        coarse = refine(small, edges, corners_mm=board.corners_mm, corners_px=small.from_frame(start))
        start = start if coarse is None else small.to_frame(coarse.corners_px)
    return _near(evidence, board, edges, start, ranges_px=FROM_ROUGH_PX)


def _near(
    evidence: Evidence,
    board: Board,
    edges: LayoutEdges,
    start: FloatArray,
    *,
    ranges_px: tuple[float, ...] = FROM_NEAR_PX,
) -> Improved | None:
    found = refine(evidence, edges, corners_mm=board.corners_mm, corners_px=start, ranges_px=ranges_px)
    if found is None:
        return None
    return Improved(found, agreement(evidence, edges, found.px_from_mm))
