"""The board's sheet cut into triangles: the pieces of the finite-element system that do not change with temperature."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy import sparse
from scipy.spatial import Delaunay, cKDTree
from skfem import Basis, BilinearForm, ElementTriP1, MeshTri

from samples.simulator.shapes import Array, distance_to_polygon, inside_body, inside_polygon
from thermscan.layout.board import Board, Part

RASTER_MM = 0.5


def _mesh(outline_mm: Array, size_mm: float) -> MeshTri:
    """Triangles that end at the outline: points along it, a jittered grid inside, Delaunay's triangulation."""
    rim = []
    for start, end in zip(outline_mm, np.roll(outline_mm, -1, axis=0), strict=True):
        count = max(int(np.ceil(np.hypot(*(end - start)) / size_mm)), 1)
        rim.append(start + np.arange(count)[:, None] / count * (end - start))
    width, height = outline_mm.max(axis=0)
    x, y = np.meshgrid(np.arange(size_mm / 2, width, size_mm), np.arange(size_mm / 2, height, size_mm))
    grid = np.column_stack([x.ravel(), y.ravel()])
    grid += np.random.default_rng(0).uniform(-0.1, 0.1, grid.shape) * size_mm
    keep = inside_polygon(grid, outline_mm)
    keep[keep] = distance_to_polygon(grid[keep], outline_mm) > 0.45 * size_mm
    points = np.vstack([*rim, grid[keep]])
    triangles = Delaunay(points).simplices
    corners = points[triangles]
    sides = corners[:, 1:] - corners[:, :1]
    area = np.abs(sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0]) / 2
    good = inside_polygon(corners.mean(axis=1), outline_mm) & (area > 1e-6 * size_mm**2)
    return MeshTri(points.T.copy(), triangles[good].T.copy())


@dataclass(frozen=True, eq=False)
class Discretised:
    """The pieces of the linear system that do not change with temperature."""

    mesh: MeshTri
    stiffness: sparse.csr_matrix
    at_quadrature: sparse.csr_matrix  # (quadrature points, nodes)
    points_mm: Array
    area_m2: Array  # of each quadrature point
    share: sparse.csr_matrix  # (quadrature points, parts): the part of a body's area that lies there
    covered: Array

    @cached_property
    def raster_mm(self) -> tuple[Array, Array]:
        """Where the raster's columns and rows lie."""
        width, height = self.mesh.p.max(axis=1)
        return np.arange(0.0, width + RASTER_MM, RASTER_MM), np.arange(0.0, height + RASTER_MM, RASTER_MM)

    @cached_property
    def at_raster(self) -> sparse.csr_matrix:
        """From the nodes to the raster's pixels: linear within a triangle, beyond the edge its nearest node."""
        nodes_mm = self.mesh.p.T
        x, y = np.meshgrid(*self.raster_mm)
        pixels_mm = np.column_stack([x.ravel(), y.ravel()])
        hull = Delaunay(nodes_mm)
        triangle = hull.find_simplex(pixels_mm)
        within = triangle >= 0
        step = hull.transform[triangle[within]]
        first_two = np.einsum("nij,nj->ni", step[:, :2], pixels_mm[within] - step[:, 2])
        weights = np.column_stack([first_two, 1.0 - first_two.sum(axis=1)])
        beyond = np.flatnonzero(~within)
        _, nearest = cKDTree(nodes_mm).query(pixels_mm[beyond])
        rows = np.concatenate([np.repeat(np.flatnonzero(within), 3), beyond])
        columns = np.concatenate([hull.simplices[triangle[within]].ravel(), nearest])
        values = np.concatenate([weights.ravel(), np.ones(len(beyond))])
        return sparse.csr_matrix((values, (rows, columns)), shape=(len(pixels_mm), len(nodes_mm)))


# The last board's pieces are kept: a benchmark solves one board with many faults.
@lru_cache(maxsize=1)
def discretise(board: Board, sheet: float | Callable[[Array], Array], size_mm: float) -> Discretised:
    """The board cut into triangles, with what conducts and where the bodies stand."""
    mesh = _mesh(np.asarray(board.outline_mm), size_mm)
    basis = Basis(MeshTri(mesh.p * 1e-3, mesh.t), ElementTriP1(), intorder=4)
    where = np.asarray(basis.global_coordinates()) * 1e3
    points_mm = np.column_stack([where[0].ravel(), where[1].ravel()])
    area_m2 = basis.dx.ravel()
    conductance = sheet(points_mm) if callable(sheet) else np.full(len(points_mm), sheet)

    @BilinearForm
    def conduction(u, v, w):  # type: ignore[no-untyped-def]
        return w["sheet"] * (u.grad[0] * v.grad[0] + u.grad[1] * v.grad[1])

    stiffness = conduction.assemble(basis, sheet=conductance.reshape(basis.dx.shape)).tocsr()
    n_points, per_element = len(points_mm), basis.dx.shape[1]
    element = np.repeat(np.arange(mesh.t.shape[1]), per_element)
    rows, cols, values = [], [], []
    for local in range(3):
        rows.append(np.arange(n_points))
        cols.append(mesh.t[local][element])
        values.append(np.broadcast_to(np.asarray(basis.basis[local][0]), basis.dx.shape).ravel())
    at_quadrature = sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(cols))), shape=(n_points, mesh.p.shape[1])
    )
    share, covered = _shares(board.parts, points_mm, area_m2)
    return Discretised(mesh, stiffness, at_quadrature, points_mm, area_m2, share, covered)


def _shares(parts: Sequence[Part], points_mm: Array, area_m2: Array) -> tuple[sparse.csr_matrix, Array]:
    covered = np.zeros(len(points_mm))
    rows, values = [], []
    for part in parts:
        distance = np.hypot(*(points_mm - [part.x_mm, part.y_mm]).T)
        near = np.flatnonzero(distance <= np.hypot(part.length_mm, part.width_mm) / 2 + 1e-6)
        under = near[inside_body(part, points_mm[near])]
        if not len(under):
            under = np.array([np.argmin(distance)])
        rows.append(under)
        values.append(area_m2[under] / area_m2[under].sum())
        covered[under] = 1.0
    columns = np.repeat(np.arange(len(parts)), [len(under) for under in rows])
    flat = (np.concatenate([*values, []]), (np.concatenate([*rows, []]).astype(int), columns))
    return sparse.csr_matrix(flat, shape=(len(points_mm), len(parts))), covered
