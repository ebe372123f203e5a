"""What heat at few places of a board looks like in a picture of blocks, and what is no heat: smooth, or motion."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree

from thermscan.dynamics.blocks import Blocks
from thermscan.dynamics.board_maps import LARGE_BODY_MM2, within
from thermscan.dynamics.body_sources import heat_per_k
from thermscan.dynamics.fin_kernel import FinKernel
from thermscan.dynamics.reference import Reference
from thermscan.frozen import dataclass
from thermscan.layout.board import Part

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# So many places at most, and how far the fin's answer is followed, in decay lengths.
MOST_PLACES, REACH = 8, 3.5
# All heat follows one supply: its phase is the same but for what bodies delay.
PROMPT = np.pi / 3
# Another place must explain this share of what the first did.
LEAST_MORE = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """What few places explain of a map: the model, its power, and that of the best single place."""

    model: ComplexArray
    power: float
    best_power: float


@dataclass(frozen=True, slots=True, eq=False)
class HeatPatterns:
    """
    Patterns over the blocks of one recording.

    Attributes
    ----------
    nuisances : ndarray of shape (blocks, k)
        Orthonormal: what is smooth over the picture, and what the view's own motion does at edges.
    inner : ndarray of shape (blocks,)
        1 for blocks on the board, 0 for others.
    on_board : ndarray of int
        Numbers of the blocks on the board.
    places_mm : ndarray of shape (n, 2)
        Of the blocks on the board.
    bodies : ndarray of shape (blocks, parts)
        Which share of each block a large part covers.
    kernels : callable
        The fin's answers at an angular frequency, one for each sheet conductance.
    """

    nuisances: FloatArray
    inner: FloatArray
    on_board: NDArray[np.intp]
    places_mm: FloatArray
    bodies: FloatArray
    parts: tuple[Part, ...]
    kernels: Callable[[float], Sequence[FinKernel]]
    _tree: cKDTree = field(repr=False)

    def without_nuisances(self, values: FloatArray) -> FloatArray:
        """Rows of block values without what is smooth or motion, 0 beside the board; shape (n, blocks)."""
        values = values * self.inner
        return np.asarray(values - (values @ self.nuisances) @ self.nuisances.T)

    def explain(self, amplitude: ComplexArray, *, omega_per_s: float) -> Explained:
        """
        What heat at up to a few places explains, one found after the other, all fitted together.

        Parameters
        ----------
        amplitude : ndarray of complex, shape (blocks,)
            Without nuisances.
        omega_per_s : float
        """
        return max(
            (self._explained(amplitude, kernel, omega_per_s) for kernel in self.kernels(omega_per_s)),
            key=lambda each: each.power,
        )

    def _explained(self, amplitude: ComplexArray, kernel: FinKernel, omega_per_s: float) -> Explained:
        fin = self._fin(kernel)
        strength = np.asarray(abs(fin).power(2).sum(axis=0)).ravel()
        strength = strength - (np.abs(self.nuisances.T @ fin) ** 2).sum(axis=0)
        body = self.bodies - self.nuisances @ (self.nuisances.T @ self.bodies)
        body_strength = (body**2).sum(axis=0)
        # Heat of a body against its temperature: turned by a quarter of a period, about.
        turn = np.array([np.angle(heat_per_k(part, omega_per_s)) for part in self.parts])
        chosen: list[ComplexArray] = []
        model, first, best_power = np.zeros(len(amplitude), complex), None, 0.0
        while len(chosen) < MOST_PLACES:
            left = amplitude - model
            told = np.concatenate([np.asarray(fin.conj().T @ left), body.T @ left])
            size = np.concatenate([strength, body_strength])
            angle = np.angle(told) + np.concatenate([np.zeros(len(strength)), turn])
            gain = np.abs(told) ** 2 / np.maximum(size, 1e-3 * float(size.max()))
            if first is not None:
                gain[np.abs(np.angle(np.exp(1j * (angle - first)))) > PROMPT] = 0.0
            at = int(np.argmax(gain))
            if first is not None and gain[at] < LEAST_MORE * best_power:
                break
            column = (
                np.asarray(fin[:, [at]].todense()).ravel() if at < len(strength) else body[:, at - len(strength)]
            ).astype(complex)
            chosen.append(column - self.nuisances @ (self.nuisances.T @ column))
            if first is None:
                first, best_power = float(angle[at]), float(gain[at])
            columns = np.array(chosen).T
            model = columns @ np.linalg.lstsq(columns, amplitude, rcond=1e-9)[0]
        return Explained(model, float((np.abs(model) ** 2).sum()), best_power)

    def _fin(self, kernel: FinKernel) -> csr_matrix:
        """What a watt at each block on the board does at every block; shape (blocks, places)."""
        pairs = self._tree.query_pairs(REACH * kernel.decay_mm, output_type="ndarray")
        n = len(self.places_mm)
        one, two = np.concatenate([pairs, pairs[:, ::-1], np.repeat(np.arange(n)[:, None], 2, axis=1)]).T
        # A body hides the board under it, and hardly follows within a period.
        bare = 1.0 - np.clip(self.bodies.sum(axis=1), 0.0, 1.0)[self.on_board[one]]
        value = bare * kernel.at(np.hypot(*(self.places_mm[one] - self.places_mm[two]).T))
        return csr_matrix((value, (self.on_board[one], two)), shape=(len(self.nuisances), n))


def heat_patterns(
    blocks: Blocks, reference: Reference, kernels: Callable[[float], Sequence[FinKernel]]
) -> HeatPatterns:
    """Patterns for a placed board."""
    board = reference.board
    places = reference.registration.mm(blocks.centres_px())
    inside = (places >= 0).all(axis=1) & (places <= [board.width_mm, board.height_mm]).all(axis=1)
    # A moving view does not always show its edges.
    rows, cols = np.indices(blocks.shape)
    inside &= ((rows > 0) & (cols > 0) & (rows < blocks.shape[0] - 1) & (cols < blocks.shape[1] - 1)).ravel()
    inner = inside.astype(np.float64)
    large = tuple(part for part in board.parts if part.length_mm * part.width_mm >= LARGE_BODY_MM2)
    bodies = np.array([_covered(blocks, reference, part) * inner for part in large]).reshape(len(large), -1).T
    seen = (bodies**2).sum(axis=0) > 0
    parts = tuple(part for part, some in zip(large, seen, strict=True) if some)
    return HeatPatterns(
        _nuisances(blocks, inner), inner, np.flatnonzero(inside), places[inside], bodies[:, seen], parts, kernels,
        cKDTree(places[inside]),
    )  # fmt: skip


def _covered(blocks: Blocks, reference: Reference, part: Part) -> FloatArray:
    rows, cols = np.indices(blocks.picture_c.shape)
    mm = reference.registration.mm(np.column_stack([cols.ravel(), rows.ravel()]).astype(np.float64))
    covered = within(part, mm).reshape(rows.shape).astype(np.float64)
    return blocks.of(covered)


def _nuisances(blocks: Blocks, inner: FloatArray) -> FloatArray:
    """
    What no heat at a place does, orthonormal.

    Reflections, and draughts that cool the board, are smooth: up to squares over the picture. Motion shifts, turns and
    stretches it.
    """
    rows, cols = blocks.shape
    v, u = (each.ravel() for each in np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, cols), indexing="ij"))
    gy, gx = (blocks.of(np.asarray(slope, np.float64)) for slope in np.gradient(blocks.picture_c))
    smooth = [np.ones(rows * cols), u, v, u * u, u * v, v * v]
    stacked = np.column_stack([*smooth, gx, gy, u * gx, v * gx, u * gy, v * gy]) * inner[:, None]
    stacked = stacked / np.maximum(np.linalg.norm(stacked, axis=0), 1e-12)
    left, size, _ = np.linalg.svd(stacked, full_matrices=False)
    return np.asarray(left[:, size > 1e-6 * size[0]])
