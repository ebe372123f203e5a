"""Maps of the reference picture laid out on the board, and which of its cells show bare board."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.reference import Reference
from thermscan.frozen import dataclass
from thermscan.layout.board import Part
from thermscan.registration.geometry.homography import local_scale
from thermscan.registration.geometry.parallax import pose_seen, seen_part

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Mask = NDArray[np.bool_]

# A body has a temperature of its own and hides the board; a smaller one than this is hardly seen beside it.
HIDES_MM = 1.5
# From this size on a body's own temperature is read, and it may give the heat itself.
LARGE_BODY_MM2 = 60.0
# Below this a reading is mostly a reflection (as for measuring a part).
LEAST_EMISSIVITY = 0.5
SMALLEST_CELL_MM = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class BoardGrid:
    """
    Cells on the board; cell (0, 0) has its centre half a cell from the corner.

    Attributes
    ----------
    bare : ndarray of bool, shape (rows, cols)
        Shows the board, or a small part on it, and can be read.
    emissivity : ndarray of shape (rows, cols)
    px_per_mm : float
        Of the picture, about.
    """

    reference: Reference
    cell_mm: float
    bare: Mask
    emissivity: FloatArray
    px_per_mm: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, cols = self.bare.shape
        return rows, cols

    def centres_mm(self) -> FloatArray:
        """Shape (rows, cols, 2)."""
        rows, cols = np.indices(self.shape)
        return np.stack([(cols + 0.5) * self.cell_mm, (rows + 0.5) * self.cell_mm], axis=-1)

    def laid_out(self, picture: ComplexArray | FloatArray) -> ComplexArray:
        """A map of the picture on the board's cells, corrected for emissivity; NaN where it was not seen."""
        at = self.reference.registration.px(self.centres_mm().reshape(-1, 2)).astype(np.float32)
        at = at.reshape(*self.shape, 2)
        halves = [
            cv2.remap(
                np.ascontiguousarray(half, dtype=np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan"),
            )
            for half in (np.real(picture), np.imag(picture))
        ]  # fmt: skip
        return np.asarray((halves[0] + 1j * halves[1]) / self.emissivity)


def board_grid(reference: Reference) -> BoardGrid:
    """The board's cells, about as fine as the picture shows them."""
    board, registration = reference.board, reference.registration
    middle = np.array([[board.width_mm / 2, board.height_mm / 2]])
    scale = float(np.sqrt(abs(np.linalg.det(local_scale(registration.px_from_mm, middle)[0]))))
    cell = max(1.0 / scale, SMALLEST_CELL_MM)
    rows, cols = int(board.height_mm / cell), int(board.width_mm / cell)
    index = np.indices((rows, cols))
    points = np.column_stack([(index[1].ravel() + 0.5) * cell, (index[0].ravel() + 0.5) * cell])
    bare = cv2_inside(points, board.outline_mm, cell).reshape(rows, cols)
    emissivity = np.full((rows, cols), board.surface.emissivity)
    pose = pose_seen(registration, shape=reference.image.shape, corners_mm=board.corners_mm, fov_deg=reference.fov_deg)
    for part in board.parts:
        foot = within(part, points).reshape(rows, cols)
        seen = within(seen_part(part, registration, pose), points).reshape(rows, cols)
        emissivity[seen] = max(part.surface.emissivity, LEAST_EMISSIVITY)
        if min(part.length_mm, part.width_mm) >= HIDES_MM or part.surface.emissivity < LEAST_EMISSIVITY:
            grown = cv2.dilate((foot | seen).astype(np.uint8), np.ones((3, 3), np.uint8))
            bare &= grown == 0
    at = np.rint(registration.px(points)).astype(int)
    rows_px, cols_px = reference.image.shape
    in_frame = (at[:, 0] >= 0) & (at[:, 1] >= 0) & (at[:, 0] < cols_px) & (at[:, 1] < rows_px)
    covered = np.ones(len(points), bool)
    covered[in_frame] = reference.covered[at[in_frame, 1], at[in_frame, 0]]
    return BoardGrid(reference, cell, bare & ~covered.reshape(rows, cols), emissivity, scale)


def smooth_patterns(grid: BoardGrid) -> list[ComplexArray]:
    """
    What a camera's drift, a draught and a reflection do, at any frequency: smooth, up to squares over the board.

    Left in, it is taken for noise that all cells share, which hides weak sources and bends the watts of broad ones.
    """
    board = grid.reference.board
    centres = grid.centres_mm() / [board.width_mm, board.height_mm] * 2 - 1
    u, v = centres[..., 0], centres[..., 1]
    return [each.astype(complex) for each in (np.ones(grid.shape), u, v, u * u, u * v, v * v)]


def within(part: Part, points_mm: FloatArray, *, margin_mm: float = 0.0) -> Mask:
    """Which points lie on a part's body, or within a margin of it."""
    body = np.abs(part.body_from_board(points_mm))
    half = np.array([part.length_mm, part.width_mm]) / 2 + margin_mm
    if part.round_body:
        return np.asarray(np.hypot(body[:, 0], body[:, 1]) <= half[0])
    return np.asarray((body <= half).all(axis=1))


def cv2_inside(points_mm: FloatArray, outline_mm: FloatArray, cell_mm: float) -> Mask:
    """Cells whose centre lies inside the outline, less a cell's width at its edge."""
    outline = outline_mm.astype(np.float32)
    depth = [cv2.pointPolygonTest(outline, (float(x), float(y)), True) for x, y in points_mm]
    return np.asarray(np.array(depth) > cell_mm)
