"""Find the board with no help: candidates, orientation from the layout, then a decision."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from thermscan.errors import CannotJudge
from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence, filled
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.placing.candidate import Candidate, Search, lies_elsewhere, start_search
from thermscan.registration.placing.candidate_search import rank_candidates
from thermscan.registration.placing.decision import GIVE_INSTEAD, check_rival, decide
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.outline_candidates import outline_candidates
from thermscan.registration.placing.pattern import compressed
from thermscan.registration.placing.refinement import FROM_NEAR_PX, FROM_ROUGH_PX, Refined, refine
from thermscan.registration.placing.standing import detail_pattern, standing

# The second board is sought where at least so much of the frame is left, with the first one covered a
# little beyond its outline.
LEAST_REST, COVERED, SECOND_QUADS = 0.3, 1.06, 6
# Right places leave up to 0.3 px (0.42 where unstated heights differ), wrong ones more than this.
MOST_RESIDUAL_PX = 0.5
# A fit of few edges changes how the detail stands by some percent; one that went to the next row halves it.
DETAIL_KEPT = 0.7


def find_board(evidence: Evidence, board: Board, edges: LayoutEdges) -> Refined:
    """
    Where the board is, from the frame and the layout alone.

    Raises
    ------
    CannotJudge
        No board, more than one, another board, or an orientation that the frame does not settle.
    """
    if not board.parts:
        raise CannotJudge("the layout has no parts to settle the board's place by", fix="give corners_px")
    search = start_search(evidence, board, edges)
    best = decide(rank_candidates(search), board, evidence)
    _check_second(evidence, search, best)
    edges = replace(edges, relief=best.refined.relief)
    found = refine(evidence, edges, corners_mm=board.corners_mm, corners_px=best.corners_px, ranges_px=FROM_NEAR_PX)
    rough = _in_frame(search, best)
    return rough if found is None or lost_detail(evidence, board, rough, found) else found


def _in_frame(search: Search, best: Candidate) -> Refined:
    """A candidate as it was refined in the search, in the frame's own pixels."""
    factor = 1.0 / search.small.scale
    return replace(
        best.refined,
        corners_px=best.corners_px,
        px_from_mm=homography_from_corners(search.board.corners_mm, best.corners_px),
        corner_covariance_px2=best.refined.corner_covariance_px2 * factor**2,
        residual_px=best.refined.residual_px * factor,
    )


def lost_detail(evidence: Evidence, board: Board, before: Refined, after: Refined) -> bool:
    """
    Whether a fit went astray: where it ends, the bodies explain clearly less of the detail than where it began.

    Few and faint edges, none of them the outline's, can pull a board to the next row of bodies.
    """
    picture, pattern = compressed(filled(evidence.apparent)), detail_pattern(board)
    began, ended = (
        standing(picture, pattern, corners_mm=board.corners_mm, corners_px=each.corners_px).deviations
        for each in (before, after)
    )
    return ended < DETAIL_KEPT * began


def check_residual(found: Refined) -> None:
    """Refuse a place found with no help whose edges scatter more than those of a right place do."""
    if found.residual_px > MOST_RESIDUAL_PX:
        raise CannotJudge(
            f"an outline was found, but the layout's edges lie {found.residual_px:.1f} pixels from the frame's",
            fix=f"check that the layout is of this board and side; else {GIVE_INSTEAD}",
        )


def _check_second(evidence: Evidence, search: Search, best: Candidate) -> None:
    """Refuse where the rest of the frame, without the board found, shows the layout once more."""
    rest = evidence.apparent.copy()
    middle = best.corners_px.mean(axis=0)
    covered = np.round(middle + COVERED * (best.corners_px - middle)).astype(np.int32)
    cv2.fillConvexPoly(rest, covered, float("nan"))
    if np.isfinite(rest).mean() < LEAST_REST:
        return
    search = search.of(replace(evidence, apparent=rest))
    quads = outline_candidates(search.small)
    elsewhere = [quad for quad in quads if lies_elsewhere(search.small.to_frame(quad), best.corners_px)]
    turned = [np.roll(quad, turn, axis=0) for quad in elsewhere for turn in range(4)]
    for quad in sorted(turned, key=lambda each: -search.match(each).explained)[:SECOND_QUADS]:
        if search.worth_refining(quad, FROM_ROUGH_PX):
            other = search.refined(quad, FROM_ROUGH_PX)
            if other is not None:
                check_rival(best, other, search.board)
