"""How the loss to the air grows with the rise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# The loss is told for surfaces of this rise, about the mean of boards at work.
REFERENCE_RISE_K = 10.0
# Of the loss of a board in still air at that rise, convection's share: textbooks give 6.0 (plates of 0.1 m, simplified
# equations) to 9.3 W/(m2 K) (area over perimeter 25 mm) for both faces beside 11 of radiation.
CONVECTION_SHARE = 0.4
ROOM_ABS_K = 295.0
# Laminar natural convection: h grows with the fourth root of the rise (Incropera and DeWitt, equations 9.30 and 9.32).
CONVECTION_POWER = 0.25
# Below this rise the air of a room moves more than the heat makes it.
LEAST_RISE_K = 1.0
# Beyond this no part lives; what a fit says on its way may.
MOST_RISE_K = 150.0
# How far boards follow that: 1 in still air, less where a fan or a draught blows alike on all of it.
USUAL_GROWTH, GROWTH_SPREAD = 0.8, 0.35


def loss_growth(rise_k: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Loss for each kelvin in still air, over that of a surface of the reference rise.

    Parameters
    ----------
    rise_k : ndarray
        Kelvin over ambient; below 1 K taken as 1 K, above 150 K as 150 K.

    Returns
    -------
    ndarray of the same shape

    References
    ----------
    .. [1] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, sections 9.6 (horizontal plates)
       and 1.2 (radiation: proportional to the cube of the mean absolute temperature).

    Examples
    --------
    >>> loss_growth(np.array([10.0, 40.0])).round(2).tolist()
    [1.0, 1.26]
    """
    rise = np.clip(rise_k, LEAST_RISE_K, MOST_RISE_K)
    convection = (rise / REFERENCE_RISE_K) ** CONVECTION_POWER
    radiation = ((ROOM_ABS_K + rise / 2) / (ROOM_ABS_K + REFERENCE_RISE_K / 2)) ** 3
    result: NDArray[np.float64] = CONVECTION_SHARE * convection + (1.0 - CONVECTION_SHARE) * radiation
    return result
