"""Which of the board's corners was given first? The layout's parts tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.relief import other_heights
from thermscan.registration.placing.candidate import Search, start_search
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.refinement import FROM_ROUGH_PX

FloatArray = NDArray[np.float64]

# Edges and detail together exceed chance by 5 to 65 standard deviations in the right order of corners clicked to
# 1.2 px, and by 9 at most in a wrong one (42 and 126 of them, simulated). What is given is evidence too: another
# order must show more than any wrong one does, and twice as much as the order given.
TOLD_DEVIATIONS, TOLD_TIMES = 10.0, 2.0


@dataclass(frozen=True, slots=True)
class OrderShown:
    """
    What the frame tells of the order in which corners were given.

    Attributes
    ----------
    turn : int
        The corner given first is the board's first (0), or its second, third or fourth (1, 2, 3), as the parts show.
    told : bool
        Whether the frame shows any order at all; where not, ``turn`` is 0.
    """

    turn: int
    told: bool


def order_shown(evidence: Evidence, board: Board, edges: LayoutEdges, *, corners_px: FloatArray) -> OrderShown:
    """
    Whether the parts lie as corners given in this order say, or as in another one.

    Parameters
    ----------
    evidence : Evidence
    board : Board
    edges : LayoutEdges
    corners_px : ndarray of shape (4, 2)
        Clicked, within a few pixels; a mirrored order is refused before.

    Returns
    -------
    OrderShown
    """
    search = start_search(evidence, board, edges)
    heights = (edges, *other_heights(edges))
    weights = [_weight(search, np.roll(corners_px, turn, axis=0), heights) for turn in range(4)]
    best = int(np.argmax(weights))
    others = max(weight for turn, weight in enumerate(weights) if turn != best)
    # Among wrong orders the second best has no say: only the one given must fall behind.
    behind = others if best == 0 else weights[0]
    told = weights[best] >= max(TOLD_DEVIATIONS, TOLD_TIMES * behind)
    return OrderShown(best if told else 0, told)


def _weight(search: Search, corners_px: FloatArray, heights: Sequence[LayoutEdges]) -> float:
    """By how much the layout is seen at the corners, improved on the edges with the heights that suit best."""
    small = search.small.from_frame(corners_px)
    tried = [replace(search, edges=edges).refined(small, FROM_ROUGH_PX) for edges in heights]
    # Where no edges are seen the detail alone has a say.
    return max([search.stands(small).deviations, *(each.weight for each in tried if each is not None)])
