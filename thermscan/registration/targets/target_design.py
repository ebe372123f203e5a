"""
The four corner targets: what is printed, and what is looked for in the frame. Our own design.

A target is a square of matt card that lies on the board with one corner on the board's corner. A patch of kitchen
foil on it reflects the room and so looks cold against the warm card. The patch differs from corner to corner: a
large square, a bar along the board's width, a small square, a bar along its height; all about the same point.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.registration.registration import CORNER_NAMES

FloatArray = NDArray[np.float64]

CARD_MM = 18.0
# The patch's middle from the card's two outer edges. It leaves 4 mm of warm card between foil and bench, two pixels
# of a frame that shows half a millimetre a pixel, so that the two do not run together.
CENTRE_MM = 10.0
# Cards this near to each other leave no view of the board's own corners: a board must be this wide and high.
LEAST_BOARD_MM = 2.5 * CARD_MM


@dataclass(frozen=True, slots=True)
class Target:
    """
    One corner's card.

    Attributes
    ----------
    name : str
        The board's corner that it belongs to.
    inward : tuple of int
        From that corner into the board, along x and along y: 1 or -1.
    patch_mm : tuple of float
        The foil's size along the board's x and y.
    """

    name: str
    inward: tuple[int, int]
    patch_mm: tuple[float, float]

    def card_mm(self, corner_mm: FloatArray) -> FloatArray:
        """
        The card's corners on the board; shape (4, 2), the first on the board's corner.

        Examples
        --------
        >>> TARGETS[2].card_mm(np.array([100.0, 80.0]))[2].tolist()
        [82.0, 62.0]
        """
        steps = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * CARD_MM
        result: FloatArray = corner_mm + steps * self.inward
        return result

    def centre_mm(self, corner_mm: FloatArray) -> FloatArray:
        """
        The foil's middle on the board; shape (2,).

        Examples
        --------
        >>> TARGETS[1].centre_mm(np.array([100.0, 0.0])).tolist()
        [90.0, 10.0]
        """
        result: FloatArray = corner_mm + CENTRE_MM * np.array(self.inward, dtype=np.float64)
        return result

    def foil_mm(self, corner_mm: FloatArray) -> FloatArray:
        """
        The foil's corners on the board; shape (4, 2).

        Examples
        --------
        >>> TARGETS[0].foil_mm(np.zeros(2)).tolist()
        [[4.0, 4.0], [16.0, 4.0], [16.0, 16.0], [4.0, 16.0]]
        """
        half = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * self.patch_mm
        result: FloatArray = self.centre_mm(corner_mm) + half
        return result


# In the order of a board's corners. No turn of the board makes one arrangement look like another.
TARGETS = tuple(
    Target(name, inward, patch_mm)
    for name, inward, patch_mm in zip(
        CORNER_NAMES,
        ((1, 1), (-1, 1), (-1, -1), (1, -1)),
        ((12.0, 12.0), (12.0, 6.0), (7.0, 7.0), (6.0, 12.0)),
        strict=True,
    )
)


def check_room(board: Board) -> None:
    """
    Refuse a board that has no room for the four cards.

    Raises
    ------
    InputError
        The board is too small, or its outline is cut away where a card's foil would lie.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> small = Board("b", None, [[0, 0], [30, 0], [30, 80], [0, 80]], 1.6, surface_named("solder-mask"), ())
    >>> check_room(small)
    Traceback (most recent call last):
    thermscan.errors.InputError: targets: a board of 30 x 80 mm has no room for four targets; give corners or landmarks
    """
    instead = "give corners or landmarks"
    if min(board.width_mm, board.height_mm) < LEAST_BOARD_MM:
        size = f"{board.width_mm:g} x {board.height_mm:g} mm"
        raise InputError(f"a board of {size} has no room for four targets", where="targets", fix=instead)
    outline = board.outline_mm.astype(np.float32).reshape(-1, 1, 2)
    for target, corner in zip(TARGETS, board.corners_mm, strict=True):
        foil = target.foil_mm(corner)
        if any(cv2.pointPolygonTest(outline, (float(x), float(y)), False) < 0 for x, y in foil):
            raise InputError(
                f"the board's outline has no {target.name} corner for a target to lie on", where="targets", fix=instead
            )


def covered_parts(board: Board) -> tuple[str, ...]:
    """
    Parts that lie under a card at least in part, by their boxes.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> from thermscan.layout.board import Part
    >>> plastic = surface_named("plastic")
    >>> parts = (Part("U1", 10, 10, 20, 20, 0, plastic), Part("U2", 10, 10, 60, 50, 0, plastic))
    >>> covered_parts(Board("b", None, [[0, 0], [120, 0], [120, 90], [0, 90]], 1.6, plastic, parts))
    ('U1',)
    """
    cards = [target.card_mm(corner) for target, corner in zip(TARGETS, board.corners_mm, strict=True)]
    boxes = {part.ref: part.corners_mm() for part in board.parts}
    return tuple(ref for ref, box in boxes.items() if any(_overlap(box, card) for card in cards))


def _overlap(one_mm: FloatArray, other_mm: FloatArray) -> bool:
    low = np.maximum(one_mm.min(axis=0), other_mm.min(axis=0))
    high = np.minimum(one_mm.max(axis=0), other_mm.max(axis=0))
    return bool((low < high).all())
