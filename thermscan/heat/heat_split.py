"""What the split of a board's heat says: each part's own and received heat, and how sure."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.heat.sources import SourceFit

# The loss grows with the rise and heat spreads through more than the sheet: what all parts receive alike is
# trusted to this share of itself. From good boards with pours, against their peers: a difference in received heat is
# wrong by 8 % of itself (maximum likelihood over 500 comparisons).
RECEIVED_DOUBT = 0.08


@dataclass(frozen=True, slots=True)
class HeatFrom:
    """What one neighbour gives a part, in kelvin."""

    ref: str
    kelvin: float
    u_k: float


@dataclass(frozen=True, slots=True)
class PartHeat:
    """
    One part's rise split up.

    Attributes
    ----------
    rise_k, own_k : float or None
        None where the part is not measurable. ``own_k = rise_k - received_k - constant_k``.
    received_k, u_received_k : float
        From all other parts through the board.
    own_board_k : float
        The board's own rise beneath the part, from the part's own heat.
    self_response : float
        ``own_board_k`` for one unit of heat: larger at a board's edge, where heat has fewer ways out.
    sources : tuple of HeatFrom
        The main givers, the greatest first.
    heat_kmm2, u_heat_kmm2, u_share_kmm2 : float
        The part's heat over h, in kelvin times square millimetres: relative power. Its standard uncertainty, and that
        without what all parts' heat has in common.
    power_w, u_power_w : float or None
        Where the supply's watts are known.
    sink : float
        How probable it is that it stands on a sink that was not seen, and gives far more heat.
    joint_doubt_k : float
        How far its body stands short of the heat that the board around it lets it have, as beside a hot
        trace. It is in ``u_received_k``.
    """

    ref: str
    rise_k: float | None
    own_k: float | None
    u_own_k: float | None
    received_k: float
    u_received_k: float
    own_board_k: float
    self_response: float
    sources: tuple[HeatFrom, ...]
    heat_kmm2: float
    u_heat_kmm2: float
    u_share_kmm2: float
    power_w: float | None = None
    u_power_w: float | None = None
    joint_doubt_k: float = 0.0
    sink: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class HeatSplit:
    """
    Where a board's heat comes from.

    Attributes
    ----------
    parts : tuple of PartHeat
        In the board's order.
    decay_mm, u_decay_mm : float
        How far heat spreads: sqrt(k t / h).
    constant_k, u_constant_k : float
        What the whole board shares, beyond its parts' heat: camera offset, or an ambient stated wrongly.
    loss_w_per_m2k : float or None
        h, both faces together, where the supply's watts are known.
    residual_rms_k : float
        What the model leaves unexplained on the bare board, such as by uneven copper, without single hot spots and
        what the sensor's unevenness makes: what each part receives is wrong by as much, each by its own.
    uneven : float
        All that is left unexplained there, as a share of how much the board's own rise varies: large where its copper
        is uneven.
    received_doubt : float
        What a part receives is wrong by this share of itself.
    fit : SourceFit
        What that rests on.
    """

    parts: tuple[PartHeat, ...]
    decay_mm: float
    u_decay_mm: float
    constant_k: float
    u_constant_k: float
    loss_w_per_m2k: float | None
    supply_w: float | None
    residual_rms_k: float
    fit: SourceFit
    remarks: tuple[str, ...] = field(default=())
    uneven: float = 0.0
    received_doubt: float = RECEIVED_DOUBT
    by_ref: dict[str, PartHeat] = field(init=False, repr=False)

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "by_ref", {part.ref: part for part in reversed(self.parts)})

    def of(self, ref: str) -> PartHeat | None:
        """The split of that part, or None."""
        return self.by_ref.get(ref)

    def contrasts_u_k(self, contrasts: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Standard uncertainties of weighted sums of the parts' received heat, all in a few products.

        Parameters
        ----------
        contrasts : ndarray of shape (m, n)
            Weights in the board's order, such as 1 for a part and -1/m for each of its m peers: what
            all of them receive alike is then of no account.

        Returns
        -------
        ndarray of shape (m,)
        """
        values = contrasts @ self.fit.received_k()
        doubt_k = np.array([part.joint_doubt_k for part in self.parts])
        local = contrasts**2 @ (self.residual_rms_k**2 + doubt_k**2)
        fitted = self.fit.received_u_k(contrasts)
        result: NDArray[np.float64] = np.sqrt(fitted**2 + local + (self.received_doubt * values) ** 2)
        return result
