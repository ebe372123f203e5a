"""
Bodies that a frame shows by itself, where no layout says what to expect.

A body ends in an edge: going outwards, the temperature drops (or, for a cold one, rises) within a pixel or
two, all the way round. Heat that has spread along the board from a hot part ends nowhere: its halo has no
outer edge. So the frame is cut along the crests of its gradient, and a piece is a body if nearly all of its
boundary is one step.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes, find_objects

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.found_pieces import CENTRES, FINER, Labels, Pieces, Region, boundary, connected, cut_frame
from thermscan.registration.evidence import filled
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A boundary point has a step from here on.
STEP_PER_NOISE = 2.5
# The median step of a body, in noise and in kelvin: markings and the edge of a copper plane make less.
LEAST_STEP_PER_NOISE = 4.0
LEAST_STEP_K = 0.2
# Only what is distinctly colder is called so: a draught and a matt patch make less.
LEAST_COLD_STEP_K = 0.5
# Where two bodies touch, only one has a step outwards; spread-out heat has one on one side at most.
LEAST_EDGED_SHARE = 0.75
# What lies between two warm bodies is colder than both, and yet no cold body.
LARGEST_SHARED_EDGE = 0.25
# Convexity of the shape, and the ratio of its sides, that chips, capacitors and connectors keep.
LEAST_SOLIDITY = 0.8
LEAST_AREA_PX = 9
# A board takes some of the frame, and is bare board and two parts at the least.
LEAST_BOARD = 0.04
FEWEST_PIECES = 3
# A body hangs over the board's edge by no more than this leaves.
LEAST_ON_BOARD = 0.8
# A metal surface shows the room for the most part: of what its surroundings rise above what is reflected, it
# shows less than this share. A matt body that gives no heat is kept warmer than that by the board under it.
GLINT_SHARE = 0.5
# Where the surroundings hardly rise, a cold part and a glint look alike.
LEAST_RISE_TO_TELL_K = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class FoundBody:
    """
    One body as the frame shows it.

    Attributes
    ----------
    mask : ndarray of bool, shape (rows, cols)
    step_k : float
        Median step of apparent temperature across its edge: positive for a body warmer than its surroundings.
    edged_share : float
        Share of its boundary that shows that step.
    """

    mask: Mask
    step_k: float
    edged_share: float

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "mask", read_only(self.mask, np.bool_))

    @property
    def centre_px(self) -> tuple[float, float]:
        """Centroid, x and y."""
        rows, cols = np.nonzero(self.mask)
        return float(cols.mean()), float(rows.mean())


@dataclass(frozen=True, slots=True, eq=False)
class FoundBodies:
    """
    All bodies of a frame, and what was seen but not taken for one.

    Attributes
    ----------
    bodies : tuple of FoundBody
    glints : int
        Cold spots that look like bare metal, which reflects the room.
    board : ndarray of bool, shape (rows, cols), or None
        Where the board lies; None where it does not stand out from the bench, or fills the frame.
    """

    bodies: tuple[FoundBody, ...]
    glints: int
    board: Mask | None


def find_bodies(image: ThermalImage, *, reflected_c: float, within: Mask | None = None) -> FoundBodies:
    """
    Bodies that are warmer or distinctly colder than what surrounds them.

    Parameters
    ----------
    image : ThermalImage
        NaN pixels are filled from their neighbours.
    reflected_c : float
        Apparent temperature of what surfaces reflect, by which bare metal is told from a cold part.
    within : ndarray of bool, shape (rows, cols), optional
        Where the board lies, if that is known; else the board is what stands out from the frame's border.

    Returns
    -------
    FoundBodies
        In no particular order. Halos of hot bodies, glints on metal and the board itself are not among them.

    Examples
    --------
    >>> apparent_c = np.full((60, 80), 30.0)
    >>> apparent_c[20:30, 20:50] = 35.0
    >>> found = find_bodies(ThermalImage(apparent_c, 0.05, 2.0, (8.0, 14.0), 0.6), reflected_c=22.0)
    >>> [(body.centre_px, int(body.mask.sum())) for body in found.bodies]
    [((34.5, 24.5), 300)]
    """
    apparent = filled(image.apparent_c.astype(np.float32)).astype(np.float64)
    pieces = cut_frame(apparent, image.noise_k, is_body=lambda region, cut: _body(region, cut) is not None)
    board = _board(pieces.labels) if within is None else _finer(within)
    found: dict[int, FoundBody] = {}
    for region in pieces.regions():
        on_board = board is None or board[region.slice][region.image].mean() > LEAST_ON_BOARD
        if on_board and (body := _body(region, pieces)) is not None:
            found[region.label] = body
    found = _without_carriers(found)
    warm = {number: body for number, body in found.items() if body.step_k > 0}
    alone = [body for number, body in found.items() if body.step_k < 0 and not _lies_between(number, pieces, warm)]
    cold = [body for body in alone if not _is_glint(body, apparent, reflected_c)]
    return FoundBodies(
        bodies=(*warm.values(), *cold),
        glints=len(alone) - len(cold),
        board=None if board is None else board[CENTRES],
    )


def _finer(mask: Mask) -> Mask:
    return np.repeat(np.repeat(mask, FINER, axis=0), FINER, axis=1)


def _board(labels: Labels) -> Mask | None:
    """What the frame's border surrounds, if it is one thing of many pieces."""
    rim = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    inner = connected(~np.isin(labels, rim))
    if inner.max() == 0:
        return None
    largest = inner == 1 + int(np.argmax(np.bincount(inner.ravel())[1:]))
    if largest.sum() < LEAST_BOARD * labels.size or len(np.unique(labels[largest])) < FEWEST_PIECES:
        return None
    board: Mask = binary_fill_holes(largest)
    return board


def _body(region: Region, pieces: Pieces) -> FoundBody | None:
    """The piece as a body, or None where its boundary is no step all round, or its shape no body's."""
    shape = pieces.labels.shape
    top, left, bottom, right = region.bbox
    at_border = top == 0 or left == 0 or bottom == shape[0] or right == shape[1]
    if at_border or region.area < LEAST_AREA_PX * FINER**2 or region.solidity < LEAST_SOLIDITY:
        return None
    steps = pieces.steps_k(region)
    middle = float(np.median(steps))
    least_k = LEAST_STEP_K if middle > 0 else LEAST_COLD_STEP_K
    edged = float(np.mean(np.sign(middle) * steps > STEP_PER_NOISE * pieces.noise_k))
    if abs(middle) < max(LEAST_STEP_PER_NOISE * pieces.noise_k, least_k) or edged < LEAST_EDGED_SHARE:
        return None
    whole = np.zeros(shape, dtype=bool)
    whole[region.slice] = region.image
    mask = whole[CENTRES]
    return FoundBody(mask, middle, edged) if mask.sum() >= LEAST_AREA_PX else None


def _lies_between(number: int, pieces: Pieces, warm: Mapping[int, FoundBody]) -> bool:
    """Whether much of a piece's edge is the edge of warm bodies."""
    rows, cols = np.nonzero(pieces.labels == number)
    top, left = max(rows.min() - 1, 0), max(cols.min() - 1, 0)
    near = pieces.labels[top : rows.max() + 2, left : cols.max() + 2]
    around = near[boundary(near == number, mode="outer")]
    return bool(np.isin(around, list(warm)).mean() > LARGEST_SHARED_EDGE)


def _is_glint(body: FoundBody, apparent: FloatArray, reflected_c: float) -> bool:
    """Whether a cold spot may be bare metal that mirrors the room."""
    values = apparent[body.mask]
    around_k = float(np.median(values)) - body.step_k - reflected_c
    # A small spot blends with what surrounds it, least in its middle.
    own_k = float(np.quantile(values, 0.1)) - reflected_c
    return around_k < LEAST_RISE_TO_TELL_K or own_k < GLINT_SHARE * around_k


def _without_carriers(bodies: Mapping[int, FoundBody]) -> dict[int, FoundBody]:
    """Bodies that hold no other one: what carries bodies is a board, a heatsink or a shield."""
    kept = {}
    for number, body in bodies.items():
        box = find_objects(body.mask.astype(np.uint8))[0]
        held = binary_fill_holes(body.mask[box]) & ~body.mask[box]
        others = (other for other in bodies.values() if other is not body)
        if not held.any() or not any((held & other.mask[box]).any() for other in others):
            kept[number] = body
    return kept
