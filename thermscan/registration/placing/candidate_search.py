"""Places where the board could lie, tried one after the other until one is beyond doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import zip_longest

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board
from thermscan.registration.geometry.relief import other_heights
from thermscan.registration.placing.candidate import Candidate, Search, by_weight
from thermscan.registration.placing.outline_candidates import outline_candidates
from thermscan.registration.placing.refinement import FROM_ROUGH_PX

FloatArray = NDArray[np.float64]

# So many candidates are tried at most, and so many refined even if the detail stands out nowhere.
REFINE_MOST, REFINE_LEAST = 16, 3
# The place found is tried turned where the detail then stands out by more than this share.
RIVAL_WORTH = 0.3
# So many places are tried once more with other heights of parts; and so many moved to where the bodies' detail
# says, if that already stands out by so much, beside so many that the layout explains best before they are refined.
LIKELIEST, CLIMB_FROM, CLIMB_MOST, MOST_CLIMBS = 4, 3.0, 6, 3
# A corner is moved outwards by this share of its distance from the middle.
OUTWARDS = 0.06
# A side within so many pixels of the frame's border is tried so much farther out, as a share of the board.
LIKELIEST_CUT, BORDER_PX, BEYOND = 2, 12.0, (0.03, 0.06, 0.1, 0.15)
# A board that fills the frame may be a little smaller or larger than it.
FILLING = (0.98, 1.03)
# Edges are sought sharply first; where nothing convinces, softly, and looked for from farther away.
SHARP_PX, SOFT_PX = 1.4, 2.6
# Outlines that were found sharply to within so much are not tried again.
SAME_QUAD_PX = 1.5
FROM_FAR_PX = (12.0, 9.0, *FROM_ROUGH_PX)


def rank_candidates(search: Search) -> list[Candidate]:
    """Places that the layout fits to some degree, best first; corners in the frame's own pixels."""
    found: list[Candidate] = []
    tried = np.zeros((0, 4, 2))
    for blur_px, ranges_px in ((SHARP_PX, FROM_ROUGH_PX), (SOFT_PX, FROM_FAR_PX)):
        quads = outline_candidates(search.small, gradient_blur_px=blur_px)
        if blur_px == SOFT_PX:
            quads = np.concatenate([_filling(search.board, search.small.apparent.shape), _new(quads, tried)])
        tried = quads
        found += _try_quads(search, quads, ranges_px)
        if not _any_beyond_doubt(found):
            found += _try_climbing(search, quads, found)
        if not _any_beyond_doubt(found):
            found += _try_other_heights(search, found)
        if not any(candidate.convincing for candidate in found):
            for other in other_heights(search.edges):
                found += _try_quads(replace(search, edges=other), quads, ranges_px)
        if not _any_beyond_doubt(found):
            found += _try_beyond_border(search, found)
        if any(candidate.convincing for candidate in found):
            break
    return _settled(search, found)


def _any_beyond_doubt(found: list[Candidate]) -> bool:
    return any(candidate.beyond_doubt for candidate in found)


def _distinct(found: list[Candidate], most: int) -> list[Candidate]:
    """The likeliest, without those that repeat a likelier one to within a pixel."""
    kept: list[Candidate] = []
    for candidate in by_weight(found):
        if all(np.abs(candidate.corners_px - other.corners_px).max() > 1.0 for other in kept):
            kept.append(candidate)
        if len(kept) == most:
            break
    return kept


def _filling(board: Board, shape: tuple[int, ...]) -> FloatArray:
    """Boxes of the board's proportions that just fill the frame: then the outline shows nowhere."""
    rows, cols = shape
    box = board.corners_mm - board.corners_mm.mean(axis=0)
    size = np.ptp(box, axis=0)
    scales = [min(cols / size[0], rows / size[1]), max(cols / size[0], rows / size[1])]
    middle = np.array([(cols - 1) / 2, (rows - 1) / 2])
    return np.array([middle + box * scale * share for scale in scales for share in FILLING])


def _new(quads: FloatArray, tried: FloatArray) -> FloatArray:
    """Those that do not repeat one tried before, whichever corner comes first."""
    apart = [np.abs(np.roll(quads, turn, axis=1)[:, None] - tried[None]).max(axis=(2, 3)) for turn in range(4)]
    result: FloatArray = quads[(np.array(apart) > SAME_QUAD_PX).all(axis=(0, 2))]
    return result


def _try_quads(search: Search, quads: FloatArray, ranges_px: Sequence[float]) -> list[Candidate]:
    """Refine candidates until one is beyond doubt; then that one turned."""
    turned = [np.roll(quad, turn, axis=0) for quad in quads for turn in range(4)]
    explained = [search.match(quad).explained for quad in turned]
    by_layout = sorted(range(len(turned)), key=lambda k: -explained[k])
    best_turns = [4 * k + int(np.argmax(explained[4 * k : 4 * k + 4])) for k in range(len(quads))]
    both = [k for pair in zip_longest(by_layout[:REFINE_MOST], best_turns) for k in pair if k is not None]
    found: list[Candidate] = []
    left: list[FloatArray] = []
    for k in list(dict.fromkeys(both))[:REFINE_MOST]:
        if not search.worth_refining(turned[k], ranges_px):
            left.append(turned[k])
            continue
        candidate = search.refined(turned[k], ranges_px)
        if candidate is None:
            continue
        found.append(candidate)
        if candidate.beyond_doubt:
            return found + _turned(search, candidate, ranges_px)
    tried = (search.refined(corners, ranges_px) for corners in left[:REFINE_LEAST])
    return found + [candidate for candidate in tried if candidate is not None]


def _turned(search: Search, best: Candidate, ranges_px: Sequence[float]) -> list[Candidate]:
    """The place found with its corners named otherwise, where the detail does not rule that out."""
    here = search.small.from_frame(best.corners_px)
    turned = [np.roll(here, turn, axis=0) for turn in (1, 2, 3)]
    rivals = [each for each in turned if search.stands(each).deviations >= RIVAL_WORTH * best.standing.deviations]
    tried = (search.refined(rival, ranges_px) for rival in rivals)
    return [rival for rival in tried if rival is not None]


def _try_climbing(search: Search, quads: FloatArray, found: list[Candidate]) -> list[Candidate]:
    """The likeliest places moved to where the bodies' detail says: edges alone may lock a few pixels off."""
    likeliest = [each for each in _distinct(found, LIKELIEST) if each.standing.deviations >= CLIMB_FROM]
    starts = [search.small.from_frame(candidate.corners_px) for candidate in likeliest]
    turned = [np.roll(quad, turn, axis=0) for quad in quads for turn in range(4)]
    starts += sorted(turned, key=lambda quad: -search.match(quad).explained)[:CLIMB_MOST]
    climbed: list[Candidate] = []
    for start in starts:
        candidate = search.climbed(start)
        if candidate is not None:
            climbed.append(candidate)
            if candidate.beyond_doubt:
                break
    return climbed


def _settled(search: Search, found: list[Candidate]) -> list[Candidate]:
    """
    Ranked; the detail must have no better place near the best one.

    An edge of a row of bodies may pass for a side of the outline, so that is asked even where the outline holds.
    """
    ranked = by_weight(found)
    for _ in range(MOST_CLIMBS):
        if not ranked or ranked[0].standing.deviations < CLIMB_FROM:
            break
        best = ranked[0]
        here = search.small.from_frame(best.corners_px)
        moves = [np.zeros((4, 2))]
        if not best.agreement.outline_holds:
            # One corner after the other moved outwards: that is how a place is wrong by a little.
            moves += [np.eye(4)[k][:, None] * (here - here.mean(axis=0)) * OUTWARDS for k in range(4)]
        tried = [search.climbed(here + move) for move in moves]
        higher = by_weight([candidate for candidate in tried if candidate is not None])
        if not higher or higher[0].weight <= best.weight:
            break
        ranked = [*higher, *ranked]
    return by_weight(ranked)


def _try_other_heights(search: Search, found: list[Candidate]) -> list[Candidate]:
    """The likeliest places once more, with parts held to be as high as such parts usually are, or flat."""
    likeliest = _distinct(found, LIKELIEST)
    tried = [
        replace(search, edges=edges).refined(search.small.from_frame(candidate.corners_px), FROM_ROUGH_PX)
        for edges in other_heights(search.edges)
        for candidate in likeliest
    ]
    return [candidate for candidate in tried if candidate is not None]


def _try_beyond_border(search: Search, found: list[Candidate]) -> list[Candidate]:
    """Where a side lies on the frame's border, the board may go on beyond it: that side is moved outwards."""
    rows, cols = search.small.apparent.shape
    likeliest = _distinct(found, LIKELIEST_CUT)
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
