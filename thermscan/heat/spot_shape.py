"""Whether a warm spot is a source of its own: it must stand above the board on opposite sides of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass

# Opposite places are compared at these distances, along so many directions.
DISTANCES_MM = (3.0, 4.5, 6.5, 9.0, 13.0)
DIRECTIONS = 12
# The directions in which the board is bare on both sides may leave out a quarter turn at most: along the side of
# a hot part every place beside its middle stands above its neighbours.
WIDEST_GAP_DEG = 90.0
# A source no larger than this, blurred, and the wider surroundings that its excess is taken from.
SOURCE_MM, WIDER_MM = 1.5, 16.0
# The skirt is what is left of the height from just outside the spot on, over so many millimetres.
SKIRT_MM = 5.0
EDGE_MM, EDGE_PX = 1.0, 1.5
LEAST_RAYS = 5
# Interpolated between bare pixels alone.
WHOLLY = 0.99


@dataclass(frozen=True, slots=True)
class SpotShape:
    """
    How a spot stands above the board about it.

    Attributes
    ----------
    height_share : float or None
        By how much it is warmer than the mean of opposite places, in what was seen as well as in what the
        parts' heat leaves over (the less of the two), as a share of what a source would show there; None
        where too little bare board lies about it.
    skirt_share : float or None
        Which share of its height lies outside the spot itself: heat spreads in the board, a glint does not.
    """

    height_share: float | None
    skirt_share: float | None


def spot_shape(
    seen_k: NDArray[np.float64],
    left_k: NDArray[np.float64],
    bare: NDArray[np.bool_],
    place: tuple[int, int],
    *,
    mm_per_px: float,
    excess_k: float,
    area_mm2: float,
    camera_px_mm: float,
) -> SpotShape:
    """
    The shape of a warm spot.

    Parameters
    ----------
    seen_k : ndarray of shape (rows, cols)
        Rise of the bare board.
    left_k : ndarray of shape (rows, cols)
        What the parts' heat does not explain of it.
    bare : ndarray of bool, shape (rows, cols)
        Pixels of bare board.
    place : tuple of int
        Row and column of the spot's peak.
    mm_per_px : float
    excess_k : float
        Of the peak over its wider surroundings.
    area_mm2 : float
        Of the upper half of the spot.
    camera_px_mm : float

    Returns
    -------
    SpotShape

    Notes
    -----
    Where no heat enters, a fin's temperature is below its mean over a circle (lap(T) = T / L^2 > 0): the
    shoulder of a hot part, however far copper carries its heat, stands above no such mean. Opposite places
    are taken together, so that a slope cancels, and only where the board is bare all the way between them,
    so that no part's own heat is in between.

    References
    ----------
    .. [1] D. Gilbarg and N. S. Trudinger, Elliptic Partial Differential Equations of Second Order, theorem 2.1
       (mean value inequality of subsolutions).

    Examples
    --------
    >>> y, x = np.indices((81, 81)) * 0.5 - 20.0
    >>> def shape(rise_k):
    ...     return spot_shape(
    ...         rise_k, rise_k, x < 99, (40, 40), mm_per_px=0.5, excess_k=5.0, area_mm2=10.0, camera_px_mm=0.5
    ...     )
    >>> source = shape(-2.0 * np.log(np.maximum(np.hypot(x, y), 1.5) / 40.0))
    >>> bool(source.height_share > 0.7), bool(source.skirt_share > 0.3)
    (True, True)
    >>> bool(shape(10.0 * np.exp(-(x + 20.0) / 10.0)).height_share < 0)
    True
    """
    angles = np.arange(2 * DIRECTIONS) * np.pi / DIRECTIONS
    distances = np.array(DISTANCES_MM) / mm_per_px
    rim_mm = float(np.sqrt(area_mm2 / np.pi)) + EDGE_PX * camera_px_mm + EDGE_MM
    beyond_px = (rim_mm + SKIRT_MM) / mm_per_px
    free_px = _free_px(bare, place, angles, int(np.ceil(max(distances.max(), beyond_px))))
    both_px = np.minimum(free_px[:DIRECTIONS], free_px[DIRECTIONS:])
    shares = []
    for distance in distances:
        use = both_px >= distance
        if _widest_gap_deg(use) > WIDEST_GAP_DEG:
            continue
        pairs = np.concatenate([use, use])
        height_k = min(_over(each, bare, place, angles[pairs], distance) for each in (seen_k, left_k))
        shares.append(height_k / (excess_k * _usual_share(distance * mm_per_px)))
    rays = angles[free_px >= beyond_px]
    if len(rays) < LEAST_RAYS:
        return SpotShape(max(shares, default=None), None)
    rim, beyond = (_over(left_k, bare, place, rays, distance) for distance in (rim_mm / mm_per_px, beyond_px))
    return SpotShape(max(shares, default=None), (beyond - rim) / beyond if beyond > 0 else None)


def _usual_share(distance_mm: float) -> float:
    """How much of its excess a small source shows at a distance: heat spreads by its logarithm (K0 near 0)."""
    return float(np.log(distance_mm / SOURCE_MM) / np.log(WIDER_MM / SOURCE_MM))


def _over(
    picture: NDArray[np.float64],
    bare: NDArray[np.bool_],
    place: tuple[int, int],
    angles: NDArray[np.float64],
    distance_px: float,
) -> float:
    """The peak over the mean at a distance in some directions."""
    points = [place[0] + distance_px * np.sin(angles), place[1] + distance_px * np.cos(angles)]
    from scipy.ndimage import map_coordinates  # noqa: PLC0415 - most looks show no spot

    around = map_coordinates(np.where(bare, picture, 0.0), points, order=1, mode="nearest")
    return float(picture[place] - around.mean())


def _free_px(
    bare: NDArray[np.bool_], place: tuple[int, int], angles: NDArray[np.float64], far: int
) -> NDArray[np.float64]:
    """How far the board is bare from a place on, direction by direction."""
    from scipy.ndimage import map_coordinates  # noqa: PLC0415 - most looks show no spot

    steps = np.arange(far + 1, dtype=np.float64)
    points = [place[0] + np.sin(angles)[:, None] * steps, place[1] + np.cos(angles)[:, None] * steps]
    clear = map_coordinates(bare.astype(np.float64), points, order=1, mode="constant", cval=0.0) > WHOLLY
    first = np.where(clear.all(axis=1), far + 1, (~clear).argmax(axis=1))
    return np.asarray(first - 1, dtype=np.float64)


def _widest_gap_deg(use: NDArray[np.bool_]) -> float:
    """The widest turn between neighbouring directions that can be used, opposite ones being one."""
    at = np.flatnonzero(use)
    if len(at) == 0:
        return 180.0
    return float(np.diff([*at, at[0] + DIRECTIONS]).max() * 180.0 / DIRECTIONS)
