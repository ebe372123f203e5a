"""Find the board with no help: candidates from its outline, orientation from its layout, then a decision."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge
from thermscan.layout.board import Board
from thermscan.registration.agreement import Agreement, agreement
from thermscan.registration.edges import LayoutEdges
from thermscan.registration.evidence import Evidence, filled, reduced
from thermscan.registration.homography import homography_from_corners
from thermscan.registration.outline_candidates import SEARCH_PX, outline_candidates
from thermscan.registration.pattern import LayoutPattern, Match, compressed, layout_pattern, match_layout
from thermscan.registration.refinement import FROM_NEAR_PX, Refined, place_error_px, refine

FloatArray = NDArray[np.float64]

GIVE_INSTEAD = "give corners_px (the board's four corners in the frame) or four or more landmarks"
# Two places closer than this are the same.
SAME_PLACE_PX = 2.0
# By how many standard deviations a place must explain more edges than its rival: less where it also leaves
# clearly less of the picture unexplained.
CLEARLY_AHEAD, FAR_AHEAD = 1.5, 3.0
CLEARLY_LESS = 0.8
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
    best = decide(candidates, board, evidence)
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
    found.sort(key=lambda candidate: -candidate.agreement.support)
    return found


def decide(candidates: list[Candidate], board: Board, evidence: Evidence) -> Candidate:
    """The best candidate, if it is good enough and clearly better than any other."""
    if not candidates:
        raise CannotJudge(_nothing_found(evidence), fix=GIVE_INSTEAD)
    best = candidates[0]
    shown = best.agreement
    near, found = int(shown.near.sum()), int(shown.found.sum())
    if not shown.convincing:
        raise CannotJudge(
            f"an outline was found, but not this layout's parts in it: {near} of {found} edges seen near bodies lie"
            " where the layout has them",
            fix=f"check that the layout is of this board and side; else {GIVE_INSTEAD}",
        )
    for other in candidates[1:]:
        _check_rival(best, other, board)
    return best


def _check_rival(best: Candidate, other: Candidate, board: Board) -> None:
    """Refuse where another place explains the frame about as well."""
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts])
    apart = place_error_px(_matrix(board, best), _matrix(board, other), centres)
    if apart < SAME_PLACE_PX:
        return
    if _is_elsewhere(best, other):
        if other.agreement.convincing:
            raise CannotJudge(
                "two boards of this layout were seen in the frame",
                fix=f"show one board, or {GIVE_INSTEAD} of the one that is meant",
            )
        return
    ahead = best.agreement.better_than(other.agreement)
    needed = CLEARLY_AHEAD if best.match.unexplained < CLEARLY_LESS * other.match.unexplained else FAR_AHEAD
    if ahead < needed:
        raise CannotJudge(
            f"the layout fits the frame in two ways almost alike (turned by {_turn_deg(best, other):.0f} degrees)",
            fix=f"{GIVE_INSTEAD}: they settle which way round the board lies",
        )


def _is_elsewhere(one: Candidate, other: Candidate) -> bool:
    """The middle of each lies outside the other: not the same thing seen in two ways."""
    apart = float(np.linalg.norm(one.corners_px.mean(axis=0) - other.corners_px.mean(axis=0)))
    sizes = [float(np.linalg.norm(np.ptp(each.corners_px, axis=0))) for each in (one, other)]
    return apart > 0.4 * min(sizes)


def _turn_deg(one: Candidate, other: Candidate) -> float:
    ways = [each.corners_px[1] - each.corners_px[0] for each in (one, other)]
    angles = [float(np.degrees(np.arctan2(way[1], way[0]))) for way in ways]
    return abs((angles[0] - angles[1] + 180) % 360 - 180)


def _matrix(board: Board, candidate: Candidate) -> FloatArray:
    return homography_from_corners(board.corners_mm, candidate.corners_px)


def _nothing_found(evidence: Evidence) -> str:
    finite = evidence.apparent[np.isfinite(evidence.apparent)]
    if not finite.size:
        return "the frame has no valid pixel"
    low, high = np.percentile(finite, [1, 99])
    return (
        f"no outline of a board was found: the frame spans {high - low:.2f} K, with noise of {evidence.noise_k:.2f} K"
    )


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
