"""How high each part may stand: what the layout or the package tells before the frame is looked at."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.layout.board import Board, Part
from thermscan.layout.packages import known_packages

FloatArray = NDArray[np.float64]

# A stated height is good to this share and this much (with or without solder stand-off, measured by a ruler).
STATED_SHARE, STATED_MM = 0.1, 0.15
# A package's height from its drawing, where it is soldered in: tolerance and stand-off.
SEATED_SHARE, SEATED_MM = 0.06, 0.25
# Through-hole chips of old boards sit in sockets about as often as not. A socket lifts them by its own height: 3.5 to
# 6 mm for turned and stamped ones (makers' drawings, from memory).
SOCKETED, SOCKET_MM, SOCKET_SPREAD_MM = 0.45, 4.6, 0.9
SOCKET_FAMILIES = ("DIP", "CERDIP", "SBDIP", "PLCC", "SIP", "ZIP")
# Any other package may have been chosen in another size (cans), stand on legs, or carry a sink: a wide tail.
TAIL, TAIL_SPREAD = 0.25, 0.5
# A body of which nothing is told: nearly as high as it is wide, from flat chips (a tenth) to upright sinks (three
# times); median, its limits, and spread of the logarithm (common practice).
UNKNOWN_PER_WIDTH, UNKNOWN_MM, UNKNOWN_SPREAD = 0.7, (0.8, 8.0), 0.8
TALLEST_MM = 50.0
# A body drawn without a package whose length and width are those of one in the table (calibration/packages.csv), within
# makers' tolerances and a calliper's, is that one in most cases; else it is any body.
SAME_SHARE, SAME_MM, IS_THAT_ONE = 0.02, 0.15, 0.8


@dataclass(frozen=True, slots=True, eq=False)
class HeightPrior:
    """
    A mixture of two normal densities of the logarithm or the height itself, for each part.

    Attributes
    ----------
    grid_mm : ndarray of shape (g,)
    log_density : ndarray of shape (parts, g)
        Of each height of the grid, of sum 1.
    kind : ndarray of int, shape (parts,)
        The same for parts of one package, or one body.
    mean_mm, u_mm : ndarray of shape (parts,)
    """

    grid_mm: FloatArray
    log_density: FloatArray
    kind: NDArray[np.intp]

    @property
    def mean_mm(self) -> FloatArray:
        """Expected height; shape (parts,)."""
        result: FloatArray = np.exp(self.log_density) @ self.grid_mm
        return result

    @property
    def u_mm(self) -> FloatArray:
        """Standard deviation; shape (parts,)."""
        second = np.exp(self.log_density) @ self.grid_mm**2
        result: FloatArray = np.sqrt(np.maximum(second - self.mean_mm**2, 1e-6))
        return result


def height_prior(board: Board) -> HeightPrior:
    """
    What is known of the heights of a board's parts before it is looked at.

    Examples
    --------
    >>> import numpy as np
    >>> from thermscan.layout.board import Surface
    >>> mask = Surface("solder-mask", 0.91, 0.02)
    >>> stated = Part("U1", 19.3, 6.4, 20.0, 10.0, 0.0, mask, height_mm=4.0)
    >>> named = Part("U2", 19.3, 6.4, 20.0, 20.0, 0.0, mask, package="DIP-16", usual_height_mm=3.9)
    >>> box = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 40.0], [0.0, 40.0]])
    >>> prior = height_prior(Board("b", None, box, 1.6, mask, (stated, named)))
    >>> prior.mean_mm.round(1).tolist(), prior.u_mm.round(1).tolist()
    ([4.0, 6.0], [0.6, 2.4])
    """
    grid = np.concatenate([np.arange(0.0, 6.0, 0.25), np.arange(6.0, 14.0, 0.5), np.arange(14.0, TALLEST_MM + 1, 1.5)])
    cell = np.gradient(grid)
    density = np.array([_density(part, grid) for part in board.parts]).reshape(-1, len(grid)) * cell + 1e-12
    bodies = [(part.package, round(part.length_mm, 1), round(part.width_mm, 1), part.height_mm) for part in board.parts]
    numbers = {body: k for k, body in enumerate(dict.fromkeys(bodies))}
    kind = np.array([numbers[body] for body in bodies], dtype=np.intp)
    return HeightPrior(grid, np.log(density / density.sum(axis=1, keepdims=True)), kind)


def body_height_mm(part: Part) -> tuple[float, float]:
    """
    How thick a part's body is, and the spread of that figure's logarithm: as stated, its package's, or by its width.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> mask = Surface("solder-mask", 0.91, 0.02)
    >>> body_height_mm(Part("U1", 19.3, 6.0, 20.0, 10.0, 0.0, mask, height_mm=4.0))
    (4.0, 0.1)
    >>> [round(each, 1) for each in body_height_mm(Part("U2", 19.3, 6.0, 20.0, 10.0, 0.0, mask))]
    [4.2, 0.8]
    """
    known = part.height_mm or part.usual_height_mm
    if known:
        return known, STATED_SHARE
    return float(np.clip(UNKNOWN_PER_WIDTH * min(part.length_mm, part.width_mm), *UNKNOWN_MM)), UNKNOWN_SPREAD


def _density(part: Part, grid: FloatArray) -> FloatArray:
    if part.height_mm is not None:
        return _normal(grid, part.height_mm, STATED_SHARE * abs(part.height_mm) + STATED_MM)
    if part.usual_height_mm is not None:
        return _of_package(grid, part.package or "", part.usual_height_mm)
    unknown = _log_normal(grid, *body_height_mm(part))
    alike = () if part.package else _packages_of_size(part.length_mm, part.width_mm, part.round_body)
    if not alike:
        return unknown
    known = np.mean([_of_package(grid, name, height_mm) for name, height_mm in alike], axis=0)
    result: FloatArray = IS_THAT_ONE * known + (1 - IS_THAT_ONE) * unknown
    return result


def _of_package(grid: FloatArray, name: str, usual_mm: float) -> FloatArray:
    seated = _normal(grid, usual_mm, SEATED_SHARE * usual_mm + SEATED_MM)
    if name.upper().startswith(SOCKET_FAMILIES):
        socketed = _normal(grid, usual_mm + SOCKET_MM, SOCKET_SPREAD_MM)
        return (1 - SOCKETED) * seated + SOCKETED * socketed
    return (1 - TAIL) * seated + TAIL * _log_normal(grid, usual_mm, TAIL_SPREAD)


@lru_cache(maxsize=1024)
def _packages_of_size(length_mm: float, width_mm: float, round_body: bool) -> tuple[tuple[str, float], ...]:
    """Name and height of each package whose body is as long and as wide, either way round."""
    sides = np.sort([length_mm, width_mm])
    return tuple(
        (body.name, body.height_mm)
        for body in known_packages()
        if body.height_mm is not None
        and body.round_body == round_body
        and np.all(np.abs(np.sort([body.length_mm, body.width_mm]) - sides) <= SAME_SHARE * sides + SAME_MM)
    )


def _normal(grid: FloatArray, mean: float, spread: float) -> FloatArray:
    result: FloatArray = np.exp(-0.5 * ((grid - mean) / spread) ** 2) / spread
    return result


def _log_normal(grid: FloatArray, median: float, spread: float) -> FloatArray:
    safe = np.maximum(grid, 0.05)
    result: FloatArray = np.exp(-0.5 * (np.log(safe / median) / spread) ** 2) / (spread * safe)
    return result
