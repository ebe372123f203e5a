"""What a fit of the heat says of each part."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.heat_split import RECEIVED_DOUBT, HeatFrom, HeatSplit, PartHeat
from thermscan.heat.least_squares import CONSTANT_SPREAD_K, PartRises
from thermscan.heat.sources import SourceFit
from thermscan.layout.board import Board
from thermscan.robust import robust_sd

# A neighbour is named as a source where it gives at least this much, and this share of what is received.
NAMED_SOURCE_K = 0.5
NAMED_SOURCE_SHARE = 0.1
MOST_SOURCES = 3
# Beyond so many robust deviations, what is left over is a source that the layout does not know.
HOT_SPOT_DEVIATIONS = 5.0
# Of the constant's own spread: beyond it is no camera's offset and no thermometer's error (one in twenty).
CONSTANT_BOUND = 2.0
# What the fin leaves out makes each part's heat uncertain by a share of it, besides what the fit states: by so
# much always, and by so many times what the bare board shows to be left out, as a share of its own variation.
HEAT_DOUBT = 0.03
UNEVEN_DOUBT = 1.0


def summarise(
    board: Board,
    fit: SourceFit,
    rises: PartRises,
    *,
    shown: PartRises | None = None,
    supply_w: float | None = None,
    signed: bool = False,
    sensor_k: float = 0.0,
) -> HeatSplit:
    """
    What a fit says of each part.

    ``shown`` are the rises of all bodies that were seen, those too small to be judged as well. ``sensor_k`` is what the
    sensor's unevenness makes of the mean over a body: what is left over on the bare board is first of all that, and
    nobody's heat.
    """
    n = len(board.parts)
    gives_k = fit.responses.bodies * fit.heat_kmm2[None, :]
    self_response = np.diag(fit.responses.beneath)
    received_k = fit.received_k()
    # What the sensor makes is in the bodies' readings already; counted here as well it would stand twice.
    residual_k = float(np.sqrt(max(_residual_k(fit) ** 2 - sensor_k**2, 0.0)))
    doubt_k = fit.denied_k
    received_doubt = _received_doubt(fit.constant_k, received_k)
    u_received = np.sqrt(
        fit.received_u_k(np.eye(n)) ** 2 + residual_k**2 + doubt_k**2 + (received_doubt * received_k) ** 2
    )
    heat, u_heat, share, u_share = _heat_and_share(fit, shown or rises, signed=signed)
    total = float(heat.sum())
    scaled_w = supply_w if supply_w is not None and total > 0 else np.nan
    parts = tuple(
        PartHeat(
            ref=part.ref,
            rise_k=_number(rises.rise_k[i]),
            own_k=_number(rises.rise_k[i] - received_k[i] - fit.constant_k),
            u_own_k=_number(np.hypot(rises.u_k[i], u_received[i])),
            received_k=float(received_k[i]),
            u_received_k=float(u_received[i]),
            own_board_k=float(self_response[i] * fit.heat_kmm2[i]),
            self_response=float(self_response[i]),
            sources=_sources(board, gives_k[i], i, received=float(received_k[i]), best=fit),
            heat_kmm2=float(heat[i]),
            u_heat_kmm2=float(u_heat[i]),
            u_share_kmm2=float(u_share[i] * total),
            joint_doubt_k=float(doubt_k[i]),
            sink=float(fit.sink[i]),
            power_w=_number(scaled_w * share[i]),
            u_power_w=_number(scaled_w * u_share[i]),
        )
        for i, part in enumerate(board.parts)
    )
    return HeatSplit(
        parts=parts,
        decay_mm=fit.decay_mm,
        u_decay_mm=fit.decay_mm * fit.u_log_decay,
        constant_k=fit.constant_k,
        u_constant_k=float(np.sqrt(fit.covariance[n, n])),
        loss_w_per_m2k=scaled_w / (total * 1e-6) if np.isfinite(scaled_w) else None,
        supply_w=supply_w,
        residual_rms_k=residual_k,
        uneven=_uneven(fit),
        received_doubt=received_doubt,
        fit=fit,
    )


def _received_doubt(constant_k: float, received_k: NDArray[np.float64]) -> float:
    """
    By which share of itself what a part receives is wrong.

    A constant beyond what camera and thermometer explain stands for what the fin leaves out: so much of all received
    heat is then in doubt besides.
    """
    beyond_k = max(abs(constant_k) - CONSTANT_BOUND * CONSTANT_SPREAD_K, 0.0)
    mean_k = max(float(np.mean(np.abs(received_k))) if len(received_k) else 0.0, 1e-9)
    return float(np.hypot(RECEIVED_DOUBT, min(beyond_k / mean_k, 1.0)))


def _residual_k(fit: SourceFit) -> float:
    """Root mean square of what is left over on the bare board, single hot spots cut down."""
    left_k = fit.cell_residual_k
    limit = HOT_SPOT_DEVIATIONS * robust_sd(left_k, centre=0.0)
    return float(np.sqrt(np.mean(np.clip(left_k, -limit, limit) ** 2)))


def _uneven(fit: SourceFit) -> float:
    """What is left over on the bare board, as a share of how much the board's own rise varies; 1 at most."""
    return min(_residual_k(fit) / max(float(np.std(fit.responses.cells(fit.heat_kmm2))), 1e-9), 1.0)


def _heat_and_share(
    fit: SourceFit, rises: PartRises, *, signed: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """
    Each part's heat and its share of all heat, each with its standard uncertainty.

    Errors that all parts have in common, such as that of the decay length, leave the shares as they are.
    """
    heat, covariance = _whole_heat(fit, rises)
    heat = heat if signed else np.maximum(heat, 0.0)
    # A body that denies its heat leaves as much of it in doubt: it may come from something beside it.
    own_k = np.diag(fit.responses.beneath) * np.abs(fit.heat_kmm2)
    denied = fit.denied_k / np.maximum(own_k, 1e-9)
    doubt = (HEAT_DOUBT**2 + (UNEVEN_DOUBT * _uneven(fit)) ** 2 + denied**2) * heat**2
    covariance[np.diag_indices_from(covariance)] += doubt
    total = float(heat.sum())
    share = heat / total if total > 0 else np.zeros_like(heat)
    # Of a share s = q / sum(q): what its own heat adds, less its share of what all heat together does.
    with_all = covariance.sum(axis=1)
    variance = np.diag(covariance) - 2.0 * share * with_all + share**2 * with_all.sum()
    u_share = np.sqrt(np.maximum(variance, 0.0)) / max(total, 1e-9)
    return heat, np.sqrt(np.maximum(np.diag(covariance), 0.0)), share, u_share


def _whole_heat(fit: SourceFit, rises: PartRises) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Heat of each part and its covariance, with what the bodies lose taken from the rise they show.

    The fit leaves a body's rise free as far as its joint to the board is not known; where the body is seen,
    its top and sides lose by what is seen.
    """
    n = len(fit.heat_kmm2)
    seen = np.isfinite(rises.rise_k)
    loss = np.where(seen, fit.body_loss_mm2, 0.0)
    missing_k = np.where(seen, np.nan_to_num(rises.rise_k) - fit.constant_k - fit.responses.bodies @ fit.heat_kmm2, 0.0)
    by_found = np.column_stack(
        [np.eye(n) - loss[:, None] * fit.responses.bodies, -loss, -loss[:, None] * fit.body_shifts]
    )
    covariance = by_found @ fit.covariance @ by_found.T
    covariance[np.diag_indices(n)] += (loss * np.nan_to_num(rises.u_k)) ** 2
    # A height that is not known makes what the body loses by its sides uncertain.
    rise_k = np.where(seen, np.nan_to_num(rises.rise_k) - fit.constant_k, fit.responses.bodies @ fit.heat_kmm2)
    covariance[np.diag_indices(n)] += (fit.u_body_loss_mm2 * rise_k) ** 2
    return fit.heat_kmm2 + loss * missing_k, covariance


def _sources(
    board: Board, gives_k: NDArray[np.float64], index: int, *, received: float, best: SourceFit
) -> tuple[HeatFrom, ...]:
    least = max(NAMED_SOURCE_K, NAMED_SOURCE_SHARE * received)
    found = []
    large = np.flatnonzero((np.abs(gives_k) >= least) & (np.arange(len(gives_k)) != index))
    for j in large[np.argsort(-np.abs(gives_k[large]))][:MOST_SOURCES]:
        relative = np.sqrt(best.covariance[j, j]) / max(abs(best.heat_kmm2[j]), 1e-9)
        u_k = abs(gives_k[j]) * float(np.hypot(min(relative, 1.0), RECEIVED_DOUBT))
        found.append(HeatFrom(board.parts[j].ref, float(gives_k[j]), u_k))
    return tuple(found)


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
