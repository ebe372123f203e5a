"""What the fit of the parts' heat holds, finds, and tells."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.heat.bodies import Joined, Responses
from thermscan.heat.contact import CONTACT_BOUNDS, kind_numbers
from thermscan.heat.least_squares import Found, PartRises, Shared

# What the decay length, in millimetres, and the growth of the loss are held between.
DECAY_BOUNDS_MM = (8.0, 75.0)
GROWTH_BOUNDS = (0.0, 1.5)
# Steps of what is shared (logarithms of decay length and joints; growth): none longer than this; when it is found.
LONGEST_STEP, FOUND_STEP = 0.7, 0.04


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """
    What is shared, as it is held to be.

    The growth of the loss; the logarithms of each kind's joint, of the conduction at each place over that of the whole
    board, and of the decay length. Steps and uncertainties come in this order.
    """

    growth: float
    log_contact: NDArray[np.float64]
    log_copper: NDArray[np.float64]
    log_decay: float

    def moved(self, step: NDArray[np.float64]) -> Held:
        """By a step of all that in this order, none of it too long."""
        step, count = np.clip(step, -LONGEST_STEP, LONGEST_STEP), len(self.log_contact)
        return Held(
            float(np.clip(self.growth + step[0], *GROWTH_BOUNDS)),
            np.clip(self.log_contact + step[1 : 1 + count], *np.log(CONTACT_BOUNDS)),
            self.log_copper + step[1 + count : -1],
            float(np.clip(self.log_decay + step[-1], *np.log(DECAY_BOUNDS_MM))),
        )

    def near(self, other: Held) -> bool:
        """Whether a further step would change nothing worth telling."""
        joints = float(np.sqrt(np.mean((self.log_contact - other.log_contact) ** 2)))
        grown = abs(self.growth - other.growth)
        # Joints and growth are told a few times less surely than the decay length.
        return max(abs(self.log_decay - other.log_decay), joints / 2, grown / 3) < FOUND_STEP


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """
    One round: what was held, the system made of it, what was found, and the rises that follow.

    ``alone`` is what was free where the board was asked alone, without its bodies.
    """

    held: Held
    found: Found
    alone: NDArray[np.bool_]
    joined: Joined
    shared: Shared
    cells_k: NDArray[np.float64]
    bodies_k: NDArray[np.float64]

    def next_held(self) -> Held:
        """What is shared, by what was found."""
        return self.held.moved(self.found.shared)

    def over_k(self, rises: PartRises) -> NDArray[np.float64]:
        """By how much each body was seen to stand above the board beneath it; NaN where not seen."""
        found = self.found
        return rises.rise_k - found.constant_k - self.joined.responses.beneath @ found.heat_kmm2


@dataclass(frozen=True, slots=True, eq=False)
class SourceFit:
    """
    The parts' heat, with what was told of board and joints.

    Attributes
    ----------
    decay_mm, u_log_decay : float
        sqrt(k t / h), and the standard uncertainty of its logarithm.
    growth : float
        How far the loss grows with the rise: 0 not at all, 1 as in still air.
    heat_kmm2 : ndarray of shape (n,)
        Each part's heat, watts over h.
    constant_k : float
        What all of the board shares: camera offset and wrong ambient.
    responses : Responses
        Rise of board and bodies for one unit of each part's heat.
    covariance : ndarray of shape (n + 1 + p, n + 1 + p)
        Of the heat, the constant, and p quantities that the board or kinds of parts share.
    body_shifts, received_shifts : ndarray of shape (n, p)
        By how much each body's rise, and what of it is received, changes with those for the same heat.
    own_shifts : ndarray of shape (n, p)
        By how much each body's rise by a unit of its own heat changes with them.
    misfit : float
        Weighted sum of squares.
    degrees : float
        Cells that err independently.
    joint_spread : ndarray of shape (n,)
        By how much each body's joint may differ from what it was held to be, as a logarithm.
    denied_k : ndarray of shape (n,)
        How far each body denies the heat that all else lets it have, in kelvin of the board beneath it.
    body_loss_mm2, u_body_loss_mm2, alike_loss_mm2 : ndarray of shape (n,)
        What each body loses for each kelvin, over h; uncertain as its height is; and so much of that kinds share.
    sink : ndarray of shape (n,)
        How probable it is that each body stands on a sink that was not seen.
    kinds : tuple of str
    cell_residual_k : ndarray of shape (cells seen,)
    """

    decay_mm: float
    u_log_decay: float
    growth: float
    heat_kmm2: NDArray[np.float64]
    constant_k: float
    responses: Responses
    covariance: NDArray[np.float64]
    body_shifts: NDArray[np.float64]
    received_shifts: NDArray[np.float64]
    own_shifts: NDArray[np.float64]
    misfit: float
    degrees: float
    joint_spread: NDArray[np.float64]
    denied_k: NDArray[np.float64]
    body_loss_mm2: NDArray[np.float64]
    u_body_loss_mm2: NDArray[np.float64]
    alike_loss_mm2: NDArray[np.float64]
    sink: NDArray[np.float64]
    kinds: tuple[str, ...]
    cell_residual_k: NDArray[np.float64]
    fitted: Fitted = field(repr=False)

    def received_k(self) -> NDArray[np.float64]:
        """What each part receives from all others."""
        bodies = self.responses.bodies
        result: NDArray[np.float64] = bodies @ self.heat_kmm2 - np.diag(bodies) * self.heat_kmm2
        return result

    def received_u_k(self, contrasts: NDArray[np.float64]) -> NDArray[np.float64]:
        """Standard uncertainty, by covariance and heights, of weighted sums of what parts receive; (m, n) to (m,)."""
        bodies = self.responses.bodies
        rows = np.hstack(
            [
                contrasts @ bodies - contrasts * np.diag(bodies),
                np.zeros((len(contrasts), 1)),
                contrasts @ self.received_shifts,
            ]
        )
        fitted = np.maximum(np.sum((rows @ self.covariance) * rows, axis=1), 0.0)
        result: NDArray[np.float64] = np.sqrt(fitted + self._by_heights_k2(contrasts))
        return result

    def _by_heights_k2(self, contrasts: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Variance of such sums by what bodies lose, their heights not being known; (m, n) to (m,).

        A body that loses more by its sides is warmed less by the board: dR = -R[:, i] R[i, :] for a unit of its loss.
        """
        per_loss = np.diag(self.responses.bodies) * self.received_k()
        alike = contrasts * (per_loss * self.alike_loss_mm2)
        numbers, count = kind_numbers(self.kinds)
        together = alike @ np.eye(count)[numbers]
        own = contrasts**2 @ (per_loss**2 * np.maximum(self.u_body_loss_mm2**2 - self.alike_loss_mm2**2, 0.0))
        result: NDArray[np.float64] = np.sum(together**2, axis=1) + own
        return result
