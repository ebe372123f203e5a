"""Find the board with no help: candidates from its outline, orientation from its layout, then a decision."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge
from thermscan.layout.board import Board
from thermscan.registration.edges import LayoutEdges
from thermscan.registration.evidence import Evidence, filled, reduced
from thermscan.registration.outline_candidates import outline_candidates
from thermscan.registration.pattern import LayoutPattern, Match, compressed, layout_pattern, match_layout
from thermscan.registration.refinement import FROM_NEAR_PX, Agreement, Refined, agreement, refine

FloatArray = NDArray[np.float64]

GIVE_INSTEAD = "give corners_px (the board's four corners in the frame) or four or more landmarks"
# Candidates are sought at about this size of frame: smaller is blind, larger is slow.
SEARCH_PX = 320
# So many of the best-matching candidates are refined.
REFINE_BEST = 8


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A place for the board, refined at the search's scale."""

    corners_px: FloatArray
    refined: Refined
    match: Match
    agreement: Agreement


def find_board(evidence: Evidence, board: Board, edges: LayoutEdges) -> Refined:
    """
    Where the board is, from the frame and the layout alone.

    Raises
    ------
    CannotJudge
        No board, more than one, another board, or an orientation that the frame does not settle.
    """
    candidates = rank_candidates(evidence, board, edges)
    best = decide(candidates)
    found = refine(evidence, edges, corners_mm=board.corners_mm, corners_px=best.corners_px, ranges_px=FROM_NEAR_PX)
    return found or best.refined


def rank_candidates(evidence: Evidence, board: Board, edges: LayoutEdges) -> list[Candidate]:
    """All places that the layout fits to some degree, best first; corners in the frame's own pixels."""
    small = reduced(evidence, SEARCH_PX)
    picture = compressed(filled(small.apparent))
    pattern = layout_pattern(board)
    quads = outline_candidates(small)
    turned = [np.roll(quad, turn, axis=0) for quad in quads for turn in range(4)]
    matches = [match_layout(picture, pattern, corners_mm=board.corners_mm, corners_px=quad) for quad in turned]
    order = sorted(range(len(turned)), key=lambda k: -matches[k].explained)
    found: list[Candidate] = []
    for k in order[:REFINE_BEST]:
        candidate = _refined(small, picture, pattern, board=board, edges=edges, corners_px=turned[k])
        if candidate is not None:
            found.append(candidate)
    found.sort(key=lambda candidate: candidate.match.unexplained)
    return found


def decide(candidates: list[Candidate]) -> Candidate:
    """The best candidate, if it is good enough and clearly better than any other."""
    if not candidates:
        raise CannotJudge("no outline of a board was found in the frame", fix=GIVE_INSTEAD)
    return candidates[0]


def _refined(
    small: Evidence,
    picture: NDArray[np.float32],
    pattern: LayoutPattern,
    *,
    board: Board,
    edges: LayoutEdges,
    corners_px: FloatArray,
) -> Candidate | None:
    refined = refine(small, edges, corners_mm=board.corners_mm, corners_px=corners_px)
    if refined is None:
        return None
    match = match_layout(picture, pattern, corners_mm=board.corners_mm, corners_px=refined.corners_px)
    shown = agreement(small, edges, refined.px_from_mm)
    return Candidate(small.to_frame(refined.corners_px), refined, match, shown)
