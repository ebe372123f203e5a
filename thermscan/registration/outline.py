"""Find the board with no help: candidates from its outline, orientation from its layout, then a decision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

import cv2
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
from thermscan.registration.refinement import FROM_NEAR_PX, FROM_ROUGH_PX, Refined, place_error_px, refine
from thermscan.registration.relief import other_heights

FloatArray = NDArray[np.float64]

GIVE_INSTEAD = "give corners_px (the board's four corners in the frame) or four or more landmarks"
# Two places closer than this are the same.
SAME_PLACE_PX = 2.0
# By how many standard deviations a place must explain more edges than its rival: less where it also leaves
# no more than this share of what the rival leaves of the picture unexplained.
AHEAD_NEEDED = ((0.5, 0.7), (0.8, 1.5), (float("inf"), 3.0))
# Where few edges are seen, fewer do, if the picture itself leaves no doubt which way round it is.
FEW_SHARE, FEW_BEYOND_CHANCE = 0.6, 1.8
FAR_LESS = 0.5
# Corners named from the other end, and mirrored both ways: the same outline, and another pattern in it.
MISTAKEN_ORDERS = ([2, 3, 0, 1], [1, 0, 3, 2], [3, 2, 1, 0])
# Below this two places are shifted against each other rather than turned.
LEAST_TURN_DEG = 20.0
# So many candidates are refined at most.
REFINE_MOST = 16
# The second board is sought where at least so much of the frame is left, with the first one covered a
# little beyond its outline.
LEAST_REST, COVERED, SECOND_QUADS = 0.3, 1.06, 5
# So many places are tried once more with other heights of parts.
LIKELIEST = 4
# Right places leave up to 0.3 px (0.42 where unstated heights differ), wrong ones more than this.
MOST_RESIDUAL_PX = 0.5
# A side within so many pixels of the frame's border is tried so much farther out, as a share of the board.
LIKELIEST_CUT, BORDER_PX, BEYOND = 2, 12.0, (0.03, 0.06, 0.1, 0.15)
# A board that fills the frame may be a little smaller or larger than it.
FILLING = (0.98, 1.03)
# Edges are sought sharply first; where nothing convinces, softly, and looked for from farther away.
SHARP_PX, SOFT_PX = 1.4, 2.6
FROM_FAR_PX = (12.0, 9.0, *FROM_ROUGH_PX)


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A place for the board, refined at the search's scale."""

    corners_px: FloatArray
    refined: Refined
    match: Match
    agreement: Agreement
    mistaken: float  # what the same corners named from the other end, or mirrored, leave unexplained


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
    candidates = rank_candidates(evidence, board, edges)
    best = decide(candidates, board, evidence)
    _check_second(evidence, board, edges, best)
    edges = replace(edges, relief=best.refined.relief)
    found = refine(evidence, edges, corners_mm=board.corners_mm, corners_px=best.corners_px, ranges_px=FROM_NEAR_PX)
    return found or best.refined


def check_residual(found: Refined) -> None:
    """Refuse a place found with no help whose edges scatter more than those of a right place do."""
    if found.residual_px > MOST_RESIDUAL_PX:
        raise CannotJudge(
            f"an outline was found, but the layout's edges lie {found.residual_px:.1f} pixels from the frame's",
            fix=f"check that the layout is of this board and side; else {GIVE_INSTEAD}",
        )


def rank_candidates(evidence: Evidence, board: Board, edges: LayoutEdges) -> list[Candidate]:
    """Places that the layout fits to some degree, best first; corners in the frame's own pixels."""
    small = reduced(evidence, SEARCH_PX)
    search = _Search(small, compressed(filled(small.apparent)), layout_pattern(board), board, edges)
    found: list[Candidate] = []
    for blur_px, ranges_px in ((SHARP_PX, FROM_ROUGH_PX), (SOFT_PX, FROM_FAR_PX)):
        quads = outline_candidates(small, gradient_blur_px=blur_px)
        if blur_px == SOFT_PX:
            quads = np.concatenate([_filling(board, small.apparent.shape), quads])
        found += _try_quads(search, quads, ranges_px)
        if not any(candidate.agreement.beyond_doubt for candidate in found):
            found += _try_other_heights(search, found)
        if not any(candidate.agreement.convincing for candidate in found):
            for other in other_heights(edges):
                found += _try_quads(replace(search, edges=other), quads, ranges_px)
        if not any(candidate.agreement.beyond_doubt for candidate in found):
            found += _try_beyond_border(search, found)
        if any(candidate.agreement.convincing for candidate in found):
            break
    found.sort(key=lambda candidate: -candidate.agreement.support)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """What does not change while candidates are tried."""

    small: Evidence
    picture: NDArray[np.float32]
    pattern: LayoutPattern
    board: Board
    edges: LayoutEdges

    def match(self, corners_px: FloatArray) -> Match:
        return match_layout(self.picture, self.pattern, corners_mm=self.board.corners_mm, corners_px=corners_px)

    def refined(self, corners_px: FloatArray, ranges_px: Sequence[float]) -> Candidate | None:
        box = self.board.corners_mm
        refined = refine(self.small, self.edges, corners_mm=box, corners_px=corners_px, ranges_px=ranges_px)
        if refined is None:
            return None
        here = refined.corners_px
        mistaken = [self.match(here[order]).unexplained for order in MISTAKEN_ORDERS]
        shown = agreement(self.small, replace(self.edges, relief=refined.relief), refined.px_from_mm)
        return Candidate(self.small.to_frame(here), refined, self.match(here), shown, min(mistaken))


def _filling(board: Board, shape: tuple[int, ...]) -> FloatArray:
    """Boxes of the board's proportions that just fill the frame: then the outline shows nowhere."""
    rows, cols = shape
    box = board.corners_mm - board.corners_mm.mean(axis=0)
    size = np.ptp(box, axis=0)
    scales = [min(cols / size[0], rows / size[1]), max(cols / size[0], rows / size[1])]
    middle = np.array([(cols - 1) / 2, (rows - 1) / 2])
    return np.array([middle + box * scale * share for scale in scales for share in FILLING])


def _check_second(evidence: Evidence, board: Board, edges: LayoutEdges, best: Candidate) -> None:
    """Refuse where the rest of the frame, without the board found, shows the layout once more."""
    rest = evidence.apparent.copy()
    middle = best.corners_px.mean(axis=0)
    covered = np.round(middle + COVERED * (best.corners_px - middle)).astype(np.int32)
    cv2.fillConvexPoly(rest, covered, float("nan"))
    if np.isfinite(rest).mean() < LEAST_REST:
        return
    small = reduced(replace(evidence, apparent=rest), SEARCH_PX)
    search = _Search(small, compressed(filled(small.apparent)), layout_pattern(board), board, edges)
    quads = outline_candidates(small)[:SECOND_QUADS]
    for quad in quads:
        if _lies_elsewhere(small.to_frame(quad), best.corners_px):
            turned = [np.roll(quad, turn, axis=0) for turn in range(4)]
            likeliest = max(turned, key=lambda each: search.match(each).explained)
            other = search.refined(likeliest, FROM_ROUGH_PX)
            if other is not None:
                _check_rival(best, other, board)


def _try_quads(search: _Search, quads: FloatArray, ranges_px: Sequence[float]) -> list[Candidate]:
    """Refine candidates until one is beyond doubt; then that one turned, and what lies elsewhere."""
    turned = [np.roll(quad, turn, axis=0) for quad in quads for turn in range(4)]
    explained = [search.match(quad).explained for quad in turned]
    by_layout = sorted(range(len(turned)), key=lambda k: -explained[k])
    best_turns = [4 * k + int(np.argmax(explained[4 * k : 4 * k + 4])) for k in range(len(quads))]
    both = [k for pair in zip_longest(by_layout[:REFINE_MOST], best_turns) for k in pair if k is not None]
    found: list[Candidate] = []
    for k in list(dict.fromkeys(both))[:REFINE_MOST]:
        candidate = search.refined(turned[k], ranges_px)
        if candidate is None:
            continue
        found.append(candidate)
        if candidate.agreement.beyond_doubt:
            here = search.small.from_frame(candidate.corners_px)
            rivals = [np.roll(here, turn, axis=0) for turn in (1, 2, 3)]
            rivals += [turned[other] for other in best_turns if _lies_elsewhere(turned[other], here)][:4]
            tried = (search.refined(rival, ranges_px) for rival in rivals)
            found += [rival for rival in tried if rival is not None]
            break
    return found


def _try_other_heights(search: _Search, found: list[Candidate]) -> list[Candidate]:
    """The likeliest places once more, with parts held to be as high as such parts usually are, or flat."""
    likeliest = sorted(found, key=lambda candidate: -candidate.agreement.support)[:LIKELIEST]
    tried = [
        replace(search, edges=edges).refined(search.small.from_frame(candidate.corners_px), FROM_ROUGH_PX)
        for edges in other_heights(search.edges)
        for candidate in likeliest
    ]
    return [candidate for candidate in tried if candidate is not None]


def _try_beyond_border(search: _Search, found: list[Candidate]) -> list[Candidate]:
    """Where a side lies on the frame's border, the board may go on beyond it: that side is moved outwards."""
    rows, cols = search.small.apparent.shape
    likeliest = sorted(found, key=lambda candidate: -candidate.agreement.support)[:LIKELIEST_CUT]
    tried = []
    for candidate in likeliest:
        corners = search.small.from_frame(candidate.corners_px)
        x, y = corners.T
        beside = np.column_stack([x, cols - 1 - x, y, rows - 1 - y]) < BORDER_PX
        for side in range(4):
            ends = [side, (side + 1) % 4]
            if not beside[ends].all(axis=0).any():
                continue
            opposite = [(side + 3) % 4, (side + 2) % 4]
            for share in BEYOND:
                moved = corners.copy()
                moved[ends] += share * (corners[ends] - corners[opposite])
                tried.append(search.refined(moved, FROM_ROUGH_PX))
    return [candidate for candidate in tried if candidate is not None]


def decide(candidates: list[Candidate], board: Board, evidence: Evidence) -> Candidate:
    """The best candidate, if it is good enough and clearly better than any other."""
    if not candidates:
        raise CannotJudge(_nothing_found(evidence), fix=GIVE_INSTEAD)
    best = candidates[0]
    shown = best.agreement
    near, found = int(shown.near.sum()), int(shown.found.sum())
    if not shown.convincing and not _pattern_convinces(best):
        raise CannotJudge(
            f"an outline was found, but not this layout's parts in it: {near} of {found} edges seen near bodies lie"
            " where the layout has them",
            fix=f"check that the layout is of this board and side; else {GIVE_INSTEAD}",
        )
    for other in candidates[1:]:
        _check_rival(best, other, board)
    return best


def _pattern_convinces(candidate: Candidate) -> bool:
    """Few edges are seen, but those are right, and the same place turned or mirrored explains far less."""
    shown = candidate.agreement
    few_but_right = shown.share >= FEW_SHARE and shown.beyond_chance >= FEW_BEYOND_CHANCE
    return few_but_right and candidate.match.unexplained < FAR_LESS * candidate.mistaken


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
    less = best.match.unexplained / max(other.match.unexplained, 1e-12)
    needed = next(ahead for limit, ahead in AHEAD_NEEDED if less <= limit)
    if ahead < needed:
        turn = _turn_deg(best, other)
        how = f"turned by {turn:.0f} degrees" if turn >= LEAST_TURN_DEG else f"{apart:.0f} pixels apart"
        raise CannotJudge(
            f"the layout fits the frame in two ways almost alike ({how})",
            fix=f"{GIVE_INSTEAD}: they settle which way round the board lies",
        )


def _is_elsewhere(one: Candidate, other: Candidate) -> bool:
    """The middle of each lies outside the other: not the same thing seen in two ways."""
    return _lies_elsewhere(one.corners_px, other.corners_px)


def _lies_elsewhere(one: FloatArray, other: FloatArray) -> bool:
    apart = float(np.linalg.norm(one.mean(axis=0) - other.mean(axis=0)))
    return apart > 0.4 * min(float(np.linalg.norm(np.ptp(each, axis=0))) for each in (one, other))


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
