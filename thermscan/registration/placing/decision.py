"""Is the likeliest place good enough, and clearly likelier than any other? Else a refusal that says what was seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge
from thermscan.layout.board import Board
from thermscan.layout.outline import polygon_area
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.plausible import lies_elsewhere, turn_deg
from thermscan.registration.placing.edges import layout_edges
from thermscan.registration.placing.outline_candidates import LEAST_AREA
from thermscan.registration.placing.search import Candidate, Search, candidates

FloatArray = NDArray[np.float64]

GIVE_INSTEAD = "give corners_px (the board's four corners in the frame) or four or more landmarks"
# A place needs odds of 19 to 1 against all else, any other place and none of them: a wrong place is worse than a
# refusal.
ENOUGH = float(np.log(19.0))
# Two places closer than this, over the parts, in pixels of the search, are one: so far off a place is still right.
SAME_PLACE_PX = 1.5
# Two places turned by less are said to lie so many pixels apart.
LEAST_TURN_DEG = 20.0


def decide(found: list[Candidate], search: Search, evidence: Evidence) -> Candidate:
    """
    The likeliest candidate, if it is likely enough against all others and none of them.

    One that has shrunk to less than what a board is looked for at is none: a single warm part may look like it.

    Raises
    ------
    CannotJudge
        No place is likely enough, or only the layout's mirror image fits; two boards are seen, or two ways to lie.
    """
    least_px2 = LEAST_AREA * search.shape[0] * search.shape[1]
    found = [each for each in found if polygon_area(each.corners_px) >= least_px2]
    if not found:
        raise CannotJudge(_nothing_found(evidence), fix=GIVE_INSTEAD)
    best = max(found, key=lambda each: each.log_odds)
    if best.log_odds < ENOUGH:
        check_mirrored(search, best.log_odds)
        raise CannotJudge(
            "an outline was found, but not this layout's parts in it: they explain"
            f" {100 * best.explained:.0f} % of what is seen there, hardly more than elsewhere",
            fix=f"check that the layout is of this board and side; else {GIVE_INSTEAD}",
        )
    others = [each for each in found if search.apart_px(best.corners_px, each.corners_px) >= SAME_PLACE_PX]
    check_second_board(best, others)
    check_rivals(search, best, others)
    return best


def check_second_board(best: Candidate, others: list[Candidate]) -> None:
    """
    Refuse where the layout fits elsewhere in the frame as well.

    Raises
    ------
    CannotJudge
        It does.
    """
    if any(each.log_odds >= ENOUGH and lies_elsewhere(best.corners_px, each.corners_px) for each in others):
        raise CannotJudge(
            "two boards of this layout were seen in the frame",
            fix=f"show one board, or {GIVE_INSTEAD} of the one that is meant",
        )


def check_rivals(search: Search, best: Candidate, others: list[Candidate]) -> None:
    """
    Refuse where other places, together with none of them, are not much less likely than the best.

    Raises
    ------
    CannotJudge
        They are; says how the likeliest of them differs.
    """
    against = np.logaddexp.reduce([0.0, *(each.log_odds for each in others)])
    if best.log_odds - against < ENOUGH:
        other = max(others, key=lambda each: each.log_odds)
        turn, apart = (each(best.corners_px, other.corners_px) for each in (turn_deg, search.apart_px))
        how = f"turned by {turn:.0f} degrees" if turn >= LEAST_TURN_DEG else f"{apart:.0f} pixels apart"
        raise CannotJudge(
            f"the layout fits the frame in two ways almost alike ({how})",
            fix=f"{GIVE_INSTEAD}: they settle which way round the board lies",
        )


def check_mirrored(search: Search, log_odds: float) -> None:
    """
    Refuse, by its name, a layout that fits only as its mirror image.

    Raises
    ------
    CannotJudge
        It does.
    """
    board = mirrored(search.board)
    found = candidates(search.of_board(board, layout_edges(board)), thorough=False)
    if found and found[0].log_odds >= ENOUGH + max(log_odds, 0.0):
        raise CannotJudge(
            "the layout fits the frame only mirrored: it seems to be drawn from the solder side",
            fix="draw it as seen from the component side (x to the right, y down), or check the layout's side",
        )


def mirrored(board: Board) -> Board:
    """
    The layout as someone draws it who looks from the other side.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> surface = Surface("plastic", 0.95, 0.02)
    >>> box = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> board = Board("b", None, box, 1.6, surface, (Part("U1", 8.0, 4.0, 10.0, 8.0, 30.0, surface),))
    >>> part = mirrored(board).parts[0]
    >>> part.x_mm, part.rotation_deg
    (30.0, -30.0)
    """
    width = board.width_mm
    outline = board.outline_mm[::-1] * [-1.0, 1.0] + [width, 0.0]
    parts = tuple(replace(part, x_mm=width - part.x_mm, rotation_deg=-part.rotation_deg) for part in board.parts)
    return replace(board, outline_mm=outline, parts=parts)


def _nothing_found(evidence: Evidence) -> str:
    finite = evidence.apparent[np.isfinite(evidence.apparent)]
    if not finite.size:
        return "the frame has no valid pixel"
    low, high = np.percentile(finite, [1, 99])
    return (
        f"no outline of a board was found: the frame spans {high - low:.2f} K, with noise of {evidence.noise_k:.2f} K"
    )
