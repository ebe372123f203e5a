"""Is the likeliest place good enough, and clearly better than any other? Else a refusal that says what was seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge
from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.placing.candidate import Candidate, lies_elsewhere
from thermscan.registration.placing.refinement import place_error_px

FloatArray = NDArray[np.float64]

GIVE_INSTEAD = "give corners_px (the board's four corners in the frame) or four or more landmarks"
# Two places closer than this are the same.
SAME_PLACE_PX = 2.0
# By how many standard deviations a place must explain more edges than its rival: less where it also leaves
# no more than this share of what the rival leaves of the picture unexplained.
AHEAD_NEEDED = ((0.5, 0.7), (0.8, 1.5), (float("inf"), 3.0))
# A rival that weighs less than this share is none; nor is one a few pixels off that weighs less than that one: the
# same thing, not as well refined.
RIVAL_SHARE, NEIGHBOUR_SHARE, NEIGHBOUR_PX = 0.5, 0.8, 10.0
# A second board may be seen from farther away, or in part: it weighs at least this share.
SECOND_SHARE = 0.3
# Below this two places are shifted against each other rather than turned.
LEAST_TURN_DEG = 20.0


def decide(candidates: list[Candidate], board: Board, evidence: Evidence) -> Candidate:
    """
    The best candidate, if it is good enough and clearly better than any other.

    Raises
    ------
    CannotJudge
        None is good enough, or two are about as good.
    """
    if not candidates:
        raise CannotJudge(_nothing_found(evidence), fix=GIVE_INSTEAD)
    best = next((each for each in candidates if each.convincing), None)
    if best is None:
        shown = candidates[0].agreement
        raise CannotJudge(
            f"an outline was found, but not this layout's parts in it: {shown.near.sum()} of {shown.found.sum()} edges"
            " seen near bodies lie where the layout has them",
            fix=f"check that the layout is of this board and side; else {GIVE_INSTEAD}",
        )
    for other in candidates:
        check_rival(best, other, board)
    return best


def check_rival(best: Candidate, other: Candidate, board: Board) -> None:
    """
    Refuse where another place explains the frame about as well.

    Raises
    ------
    CannotJudge
        Two boards, or two ways in which the layout fits.
    """
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts])
    apart = place_error_px(_matrix(board, best), _matrix(board, other), centres)
    if apart < SAME_PLACE_PX:
        return
    if lies_elsewhere(best.corners_px, other.corners_px):
        if other.convincing and other.weight >= SECOND_SHARE * best.weight:
            raise CannotJudge(
                "two boards of this layout were seen in the frame",
                fix=f"show one board, or {GIVE_INSTEAD} of the one that is meant",
            )
        return
    turn = _turn_deg(best, other)
    beside = apart < NEIGHBOUR_PX and turn < LEAST_TURN_DEG
    if other.weight < (NEIGHBOUR_SHARE if beside else RIVAL_SHARE) * best.weight:
        return
    ahead = best.agreement.better_than(other.agreement)
    less = best.match.unexplained / max(other.match.unexplained, 1e-12)
    needed = next(ahead for limit, ahead in AHEAD_NEEDED if less <= limit)
    if ahead < needed:
        how = f"turned by {turn:.0f} degrees" if turn >= LEAST_TURN_DEG else f"{apart:.0f} pixels apart"
        raise CannotJudge(
            f"the layout fits the frame in two ways almost alike ({how})",
            fix=f"{GIVE_INSTEAD}: they settle which way round the board lies",
        )


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
