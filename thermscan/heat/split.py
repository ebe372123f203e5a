"""Each part's rise, split into its own heat and what its neighbours give it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.bare import bare_cells, camera_px_mm, margin_mm
from thermscan.heat.fin import fin_grid
from thermscan.heat.sources import PartRises, SourceFit, decay_weights, fit_sources
from thermscan.layout.board import Board
from thermscan.radiometry.planck import Band
from thermscan.radiometry.surface import surface_temperature
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.registration.registration import Registration
from thermscan.scales import read_only

# A neighbour is named as a source where it gives at least this much, and this share of what is received.
NAMED_SOURCE_K = 0.5
NAMED_SOURCE_SHARE = 0.1
# The fin is a simple model: copper is uneven and the loss grows with the rise. Received heat is trusted to
# about this share of itself (found from boards solved by finite elements with uneven copper).
RECEIVED_DOUBT = 0.12
# Fewer bare cells than this cannot tell own heat from received heat.
FEWEST_CELLS = 20
# A body's top and sides lose heat too, at about half of h by area (h is for both faces), so that it does
# not quite follow the board beneath. Where the bodies' conductance is unknown, this share of it.
FOLLOWS_BOARD = 0.92
USUAL_HEIGHT_MM = 3.5


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
    heat_kmm2, u_heat_kmm2 : float
        The part's heat over h, in kelvin times square millimetres: relative power.
    power_w, u_power_w : float or None
        Where the supply's watts are known.
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
    power_w: float | None = None
    u_power_w: float | None = None


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
        What the model leaves unexplained on the bare board.
    fits : tuple of SourceFit
        One for each decay length tried, and ``weights`` how likely each is.
    """

    parts: tuple[PartHeat, ...]
    decay_mm: float
    u_decay_mm: float
    constant_k: float
    u_constant_k: float
    loss_w_per_m2k: float | None
    supply_w: float | None
    residual_rms_k: float
    contact: float | None
    fits: tuple[SourceFit, ...]
    weights: NDArray[np.float64]
    remarks: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        object.__setattr__(self, "weights", read_only(self.weights))

    def of(self, ref: str) -> PartHeat | None:
        """The split of that part, or None."""
        return next((part for part in self.parts if part.ref == ref), None)

    def contrast_u_k(self, contrast: NDArray[np.float64]) -> float:
        """
        Standard uncertainty of a weighted sum of the parts' received heat.

        Parameters
        ----------
        contrast : ndarray of shape (n,)
            Weights in the board's order, such as 1 for a part and -1/m for each of its m peers: what
            all of them receive alike is then of no account.
        """
        n = len(self.parts)
        off = 1.0 - np.eye(n)
        rows = [contrast @ (fit.at_parts * off) for fit in self.fits]
        within = [row @ fit.covariance[:n, :n] @ row for row, fit in zip(rows, self.fits, strict=True)]
        values = np.array([row @ fit.flow_kmm2 for row, fit in zip(rows, self.fits, strict=True)])
        mean = float(self.weights @ values)
        between = float(self.weights @ (values - mean) ** 2)
        return float(np.sqrt(max(float(self.weights @ np.array(within)), 0.0) + between + (RECEIVED_DOUBT * mean) ** 2))


def board_rise_k(
    rectified: Rectified, board: Board, *, ambient_c: float, reflected_c: float, band_um: Band
) -> NDArray[np.float64]:
    """
    Rise of the bare board on the raster, corrected for its emissivity; wrong on the bodies.

    Returns
    -------
    ndarray of shape (rows, cols)
        NaN off the board and where unseen.
    """
    apparent_c = np.where(rectified.on_board, rectified.apparent_c, np.nan)
    surface_c = surface_temperature(
        apparent_c, emissivity=board.surface.emissivity, reflected_c=reflected_c, band_um=band_um
    )
    result: NDArray[np.float64] = np.asarray(surface_c, dtype=np.float64) - ambient_c
    return result


def split_heat(
    rise_k: NDArray[np.float64],
    measurements: Sequence[PartMeasurement],
    board: Board,
    *,
    mm_per_px: float,
    registration: Registration,
    noise_k: float,
    supply_w: float | None = None,
) -> HeatSplit | None:
    """
    Split every part's rise into own and received heat.

    Parameters
    ----------
    rise_k : ndarray of shape (rows, cols)
        Rise of the bare board on the rectified raster (`board_rise_k`).
    measurements : sequence of PartMeasurement
        In any order.
    board : Board
    mm_per_px : float
        Of the raster.
    registration : Registration
    noise_k : float
    supply_w : float, optional
        Volts times amps over all rails: gives the powers in watts.

    Returns
    -------
    HeatSplit or None
        None where too little bare board is seen.

    Notes
    -----
    Steady state; the board as one thin fin with even copper. The bodies' rise over the board is free
    within a factor, so that it is the board's own temperature that tells the heat.

    References
    ----------
    .. [1] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, section 3.6.
    .. [2] C. L. Lawson and R. J. Hanson, Solving Least Squares Problems, 1974, chapter 23 (non-negative
       least squares).
    """
    grid = fin_grid(board)
    cells = bare_cells(rise_k, board, grid, mm_per_px=mm_per_px, margin=margin_mm(registration, board))
    if len(cells.rise_k) < FEWEST_CELLS or not board.parts:
        return None
    rises = part_rises(board, measurements)
    fits = fit_sources(
        board,
        grid,
        cells,
        rises,
        noise_k=noise_k * max(camera_px_mm(registration, board) / mm_per_px, 1.0),
        placement_mm=registration.uncertainty_mm,
    )
    return summarise(board, fits, rises, supply_w=supply_w)


def part_rises(board: Board, measurements: Sequence[PartMeasurement]) -> PartRises:
    """The measured rises in the board's order; the uncertainty is each part's own, without what all share."""
    by_ref = {measurement.part.ref: measurement for measurement in measurements}
    rise, own = np.full(len(board.parts), np.nan), np.full(len(board.parts), np.nan)
    for index, part in enumerate(board.parts):
        measurement = by_ref.get(part.ref)
        if measurement is not None and measurement.measurable and measurement.rise_k is not None:
            rise[index] = measurement.rise_k
            own[index] = np.sqrt(sum(line.u_k**2 for line in measurement.budget if line.shared is None))
    return PartRises(rise, own)


def summarise(
    board: Board,
    fits: tuple[SourceFit, ...],
    rises: PartRises,
    *,
    supply_w: float | None = None,
    weights: NDArray[np.float64] | None = None,
    signed: bool = False,
) -> HeatSplit:
    """One split from the fits for several decay lengths, each weighed by how likely it is."""
    weights = decay_weights(fits) if weights is None else weights
    n = len(board.parts)
    best = fits[int(weights.argmax())]
    follows = _follows_board(board, best.contact)
    gives = np.array([fit.at_parts * fit.flow_kmm2[None, :] * follows[:, None] for fit in fits])
    own_board = np.array([np.diag(fit.at_parts) * fit.flow_kmm2 for fit in fits])
    constants = np.array([fit.constant_k for fit in fits])
    mean_gives = np.einsum("d,dij->ij", weights, gives)
    others = 1.0 - np.eye(n)
    received_each = np.einsum("dij,ij->di", gives, others)
    received = weights @ received_each
    constant = float(weights @ constants)
    within = np.array(
        [_received_variance(fit, follows) for fit in fits]
    )  # each row: variance of received_k, one decay length held
    between = weights @ (received_each - received) ** 2
    u_received = np.sqrt(weights @ within + between + (RECEIVED_DOUBT * received) ** 2)
    heat_each = np.array([_whole_heat(board, fit, rises, constant) for fit in fits])
    heat_each = heat_each if signed else np.maximum(heat_each, 0.0)
    heat = weights @ heat_each
    u_heat = np.sqrt(
        weights @ np.array([np.diag(fit.covariance)[:n] for fit in fits]) + weights @ (heat_each - heat) ** 2
    )
    total = float(heat.sum())
    h = supply_w / (total * 1e-6) if supply_w is not None and total > 0 else None
    log_decay = np.log([fit.decay_mm for fit in fits])
    mean_log = float(weights @ log_decay)
    step = float(np.mean(np.diff(log_decay))) if len(fits) > 1 else 0.0
    u_log = float(np.sqrt(weights @ (log_decay - mean_log) ** 2 + step**2 / 12))
    parts = tuple(
        PartHeat(
            ref=part.ref,
            rise_k=_number(rises.rise_k[i]),
            own_k=_number(rises.rise_k[i] - received[i] - constant),
            u_own_k=_number(np.hypot(rises.u_k[i], u_received[i])),
            received_k=float(received[i]),
            u_received_k=float(u_received[i]),
            own_board_k=float(weights @ own_board[:, i]),
            self_response=float(weights @ np.array([fit.at_parts[i, i] for fit in fits])),
            sources=_sources(board, mean_gives[i], i, received=float(received[i]), best=best),
            heat_kmm2=float(heat[i]),
            u_heat_kmm2=float(u_heat[i]),
            power_w=None if h is None else float(heat[i] * h * 1e-6),
            u_power_w=None if h is None else float(u_heat[i] * h * 1e-6),
        )
        for i, part in enumerate(board.parts)
    )
    return HeatSplit(
        parts=parts,
        decay_mm=float(np.exp(mean_log)),
        u_decay_mm=float(np.exp(mean_log) * u_log),
        constant_k=constant,
        u_constant_k=float(
            np.sqrt(weights @ np.array([fit.covariance[n, n] for fit in fits]) + weights @ (constants - constant) ** 2)
        ),
        loss_w_per_m2k=h,
        supply_w=supply_w,
        residual_rms_k=float(np.sqrt(np.mean(best.cell_residual_k**2))),
        contact=best.contact,
        fits=fits,
        weights=weights,
    )


def _follows_board(board: Board, contact: float | None) -> NDArray[np.float64]:
    """How far a body with no heat of its own follows the board beneath it: between 0 and 1."""
    if contact is None:
        return np.full(len(board.parts), FOLLOWS_BOARD)
    lost = 0.5 * np.array([_open_share(part.length_mm, part.width_mm, part.height_mm) for part in board.parts])
    result: NDArray[np.float64] = np.clip(contact / (contact + lost), 0.7, 1.0)
    return result


def _open_share(length_mm: float, width_mm: float, height_mm: float | None) -> float:
    """A body's top and sides over its footprint."""
    height = USUAL_HEIGHT_MM if height_mm is None else height_mm
    return 1.0 + 2.0 * (length_mm + width_mm) * height / (length_mm * width_mm)


def _whole_heat(board: Board, fit: SourceFit, rises: PartRises, constant: float) -> NDArray[np.float64]:
    """
    Heat into the board and from the body's own top and sides, over h.

    The fin loses heat by both faces everywhere; a body covers one of them and has a top instead.
    """
    area = np.array([part.length_mm * part.width_mm for part in board.parts])
    open_share = np.array([_open_share(part.length_mm, part.width_mm, part.height_mm) for part in board.parts])
    beneath = fit.at_parts @ fit.flow_kmm2
    body = np.where(np.isfinite(rises.rise_k), np.nan_to_num(rises.rise_k) - constant, beneath)
    heat: NDArray[np.float64] = fit.flow_kmm2 + 0.5 * area * (open_share * body - beneath)
    return heat


def _received_variance(fit: SourceFit, follows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance of what each part receives, from the covariance of the others' heat."""
    n = len(follows)
    others = fit.at_parts * (1.0 - np.eye(n)) * follows[:, None]
    result: NDArray[np.float64] = np.einsum("ij,jk,ik->i", others, fit.covariance[:n, :n], others)
    return np.maximum(result, 0.0)


def _sources(
    board: Board, gives_k: NDArray[np.float64], index: int, *, received: float, best: SourceFit
) -> tuple[HeatFrom, ...]:
    least = max(NAMED_SOURCE_K, NAMED_SOURCE_SHARE * received)
    found = []
    for j in np.argsort(-np.abs(gives_k)):
        if j == index or abs(gives_k[j]) < least:
            continue
        relative = np.sqrt(best.covariance[j, j]) / max(abs(best.flow_kmm2[j]), 1e-9)
        u_k = abs(gives_k[j]) * float(np.hypot(min(relative, 1.0), RECEIVED_DOUBT))
        found.append(HeatFrom(board.parts[j].ref, float(gives_k[j]), u_k))
    return tuple(found[:3])


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
