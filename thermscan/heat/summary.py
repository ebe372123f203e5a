"""One split of a board's heat from the fits for several decay lengths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.bodies import Bodies
from thermscan.heat.heat_split import RECEIVED_DOUBT, HeatFrom, HeatSplit, PartHeat
from thermscan.heat.least_squares import CONSTANT_SPREAD_K, EMISSIVITY_SHARE, PartRises
from thermscan.heat.sources import SourceFit, decay_weights
from thermscan.layout.board import Board

# A neighbour is named as a source where it gives at least this much, and this share of what is received.
NAMED_SOURCE_K = 0.5
NAMED_SOURCE_SHARE = 0.1
# Beyond so many robust deviations, what is left over is a source that the layout does not know.
HOT_SPOT_DEVIATIONS = 5.0
# A part's heat is doubted where its body falls short of it by more than so many standard deviations of the usual.
DOUBTED_DEVIATIONS = 1.5
# Of the constant's own spread: beyond it is no camera's offset and no thermometer's error (one in twenty).
CONSTANT_BOUND = 2.0
# What the fin leaves out makes each part's heat uncertain by a share of it, besides what the fit states: by so
# much always, and by so many times what the bare board shows to be left out, as a share of its own variation.
HEAT_DOUBT = 0.03
UNEVEN_DOUBT = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class _Weighed:
    """A quantity over the decay lengths: its mean and variance."""

    mean: NDArray[np.float64]
    variance: NDArray[np.float64]


def summarise(
    board: Board,
    bodies: Bodies,
    fits: tuple[SourceFit, ...],
    rises: PartRises,
    *,
    shown: PartRises | None = None,
    supply_w: float | None = None,
    weights: NDArray[np.float64] | None = None,
    signed: bool = False,
) -> HeatSplit:
    """
    One split from the fits for several decay lengths, each weighed by how likely it is.

    ``shown`` are the rises of all bodies that were seen, those too small to be judged as well.
    """
    weights = decay_weights(fits) if weights is None else weights
    n = len(board.parts)
    best = fits[int(weights.argmax())]
    gives = np.array([fit.responses.bodies * fit.heat_kmm2[None, :] for fit in fits])
    own_board = weights @ np.array([np.diag(fit.responses.beneath) * fit.heat_kmm2 for fit in fits])
    self_response = weights @ np.array([np.diag(fit.responses.beneath) for fit in fits])
    mean_gives = np.einsum("d,dij->ij", weights, gives)
    received = _weigh(
        weights, np.einsum("dij,ij->di", gives, 1.0 - np.eye(n)), np.array([_received_variance(fit) for fit in fits])
    )
    residual_k = _residual_k(best)
    doubt_k = _joint_doubt_k(best, shown or rises)
    constant = _weigh(
        weights, np.array([[fit.constant_k] for fit in fits]), np.array([[fit.covariance[n, n]] for fit in fits])
    )
    constant_k = float(constant.mean[0])
    received_doubt = _received_doubt(constant_k, received.mean)
    u_received = np.sqrt(received.variance + residual_k**2 + doubt_k**2 + (received_doubt * received.mean) ** 2)
    heat, share = _heat_and_share(bodies, fits, shown or rises, weights=weights, signed=signed)
    total = float(heat.mean.sum())
    scaled = supply_w is not None and total > 0
    power_w = supply_w * share.mean if supply_w is not None and scaled else np.full(n, np.nan)
    u_power_w = supply_w * np.sqrt(share.variance) if supply_w is not None and scaled else np.full(n, np.nan)
    log_decay = np.log([fit.decay_mm for fit in fits])
    mean_log = float(weights @ log_decay)
    step = float(np.mean(np.diff(log_decay))) if len(fits) > 1 else 0.0
    u_log = float(np.sqrt(weights @ (log_decay - mean_log) ** 2 + step**2 / 12))
    parts = tuple(
        PartHeat(
            ref=part.ref,
            rise_k=_number(rises.rise_k[i]),
            own_k=_number(rises.rise_k[i] - received.mean[i] - constant_k),
            u_own_k=_number(np.hypot(rises.u_k[i], u_received[i])),
            received_k=float(received.mean[i]),
            u_received_k=float(u_received[i]),
            own_board_k=float(own_board[i]),
            self_response=float(self_response[i]),
            sources=_sources(board, mean_gives[i], i, received=float(received.mean[i]), best=best),
            heat_kmm2=float(heat.mean[i]),
            u_heat_kmm2=float(np.sqrt(heat.variance[i])),
            joint_doubt_k=float(doubt_k[i]),
            power_w=_number(power_w[i]),
            u_power_w=_number(u_power_w[i]),
        )
        for i, part in enumerate(board.parts)
    )
    return HeatSplit(
        parts=parts,
        decay_mm=float(np.exp(mean_log)),
        u_decay_mm=float(np.exp(mean_log) * u_log),
        constant_k=constant_k,
        u_constant_k=float(np.sqrt(constant.variance[0])),
        loss_w_per_m2k=supply_w / (total * 1e-6) if supply_w is not None and scaled else None,
        supply_w=supply_w,
        residual_rms_k=residual_k,
        uneven=_uneven(best),
        received_doubt=received_doubt,
        fits=fits,
        weights=weights,
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


def _joint_doubt_k(fit: SourceFit, rises: PartRises) -> NDArray[np.float64]:
    """
    How far a body denies the heat that the board around it lets it have, in kelvin of its own heat.

    A body that gives heat stands above the board by what its joint lets through. Where the board is warm
    beneath and the body hardly above it, something else may warm the board (a hot trace beside it): whose
    heat that is cannot be told. At most all that the part was held to make of the board is in doubt.
    """
    over = fit.responses.bodies - fit.responses.beneath
    over_k = over @ fit.heat_kmm2
    beneath_k = fit.responses.beneath @ fit.heat_kmm2 + fit.constant_k
    seen = np.isfinite(rises.rise_k)
    rise_k, u_k = np.nan_to_num(rises.rise_k), np.nan_to_num(rises.u_k)
    short_k = np.where(seen, over_k - (rise_k - beneath_k), 0.0) * np.sign(fit.heat_kmm2)
    usual_k = np.sqrt((fit.contact.spread * over_k) ** 2 + u_k**2 + (EMISSIVITY_SHARE * rise_k) ** 2)
    beyond_k = np.sqrt(np.maximum(np.maximum(short_k, 0.0) ** 2 - (DOUBTED_DEVIATIONS * usual_k) ** 2, 0.0))
    own_k = np.diag(fit.responses.beneath) * np.abs(fit.heat_kmm2)
    per_k = np.diag(fit.responses.beneath) / np.maximum(np.diag(over), 1e-12)
    doubt_k: NDArray[np.float64] = np.minimum(per_k * beyond_k, own_k)
    return doubt_k


def _residual_k(fit: SourceFit) -> float:
    """Root mean square of what is left over on the bare board, single hot spots cut down."""
    left_k = fit.cell_residual_k
    limit = HOT_SPOT_DEVIATIONS * 1.4826 * float(np.median(np.abs(left_k)))
    return float(np.sqrt(np.mean(np.clip(left_k, -limit, limit) ** 2)))


def _uneven(fit: SourceFit) -> float:
    """What is left over on the bare board, as a share of how much the board's own rise varies; 1 at most."""
    return min(_residual_k(fit) / max(float(np.std(fit.responses.cells @ fit.heat_kmm2)), 1e-9), 1.0)


def _weigh(weights: NDArray[np.float64], values: NDArray[np.float64], variances: NDArray[np.float64]) -> _Weighed:
    """Mean over the decay lengths; variance within each and between them."""
    mean = weights @ values
    return _Weighed(mean, np.maximum(weights @ variances + weights @ (values - mean) ** 2, 0.0))


def _heat_and_share(
    bodies: Bodies, fits: tuple[SourceFit, ...], rises: PartRises, *, weights: NDArray[np.float64], signed: bool
) -> tuple[_Weighed, _Weighed]:
    """
    Each part's heat, and its share of all heat.

    Errors that all parts have in common, such as that of the decay length, leave the shares as they are.
    """
    heats, heat_variances, shares, share_variances = [], [], [], []
    for fit in fits:
        heat, covariance = _whole_heat(bodies, fit, rises)
        heat = heat if signed else np.maximum(heat, 0.0)
        doubt = (HEAT_DOUBT**2 + (UNEVEN_DOUBT * _uneven(fit)) ** 2) * heat**2
        covariance = covariance + np.diag(doubt)
        heats.append(heat)
        heat_variances.append(np.diag(covariance))
        total = float(heat.sum())
        share = heat / total if total > 0 else np.zeros_like(heat)
        by_heat = (np.eye(len(heat)) - share[:, None]) / max(total, 1e-9)
        shares.append(share)
        share_variances.append(np.sum((by_heat @ covariance) * by_heat, axis=1))
    return (
        _weigh(weights, np.array(heats), np.array(heat_variances)),
        _weigh(weights, np.array(shares), np.array(share_variances)),
    )


def _whole_heat(bodies: Bodies, fit: SourceFit, rises: PartRises) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Heat of each part and its covariance, with what the bodies lose taken from the rise they show.

    The fit leaves a body's rise free as far as its joint to the board is not known; where the body is seen,
    its top and sides lose by what is seen.
    """
    n = len(fit.heat_kmm2)
    seen = np.isfinite(rises.rise_k)
    loss = np.where(seen, bodies.loss_mm2, 0.0)
    missing_k = np.where(seen, np.nan_to_num(rises.rise_k) - fit.constant_k - fit.responses.bodies @ fit.heat_kmm2, 0.0)
    by_found = np.column_stack([np.eye(n) - loss[:, None] * fit.responses.bodies, -loss])
    covariance = by_found @ fit.covariance @ by_found.T + np.diag((loss * np.nan_to_num(rises.u_k)) ** 2)
    return fit.heat_kmm2 + loss * missing_k, covariance


def _received_variance(fit: SourceFit) -> NDArray[np.float64]:
    """Variance of what each part receives, from the covariance of the others' heat."""
    n = len(fit.heat_kmm2)
    others = fit.responses.bodies * (1.0 - np.eye(n))
    result: NDArray[np.float64] = np.sum((others @ fit.covariance[:n, :n]) * others, axis=1)
    return np.maximum(result, 0.0)


def _sources(
    board: Board, gives_k: NDArray[np.float64], index: int, *, received: float, best: SourceFit
) -> tuple[HeatFrom, ...]:
    least = max(NAMED_SOURCE_K, NAMED_SOURCE_SHARE * received)
    found = []
    for j in np.argsort(-np.abs(gives_k)):
        if j == index or abs(gives_k[j]) < least:
            continue
        relative = np.sqrt(best.covariance[j, j]) / max(abs(best.heat_kmm2[j]), 1e-9)
        u_k = abs(gives_k[j]) * float(np.hypot(min(relative, 1.0), RECEIVED_DOUBT))
        found.append(HeatFrom(board.parts[j].ref, float(gives_k[j]), u_k))
    return tuple(found[:3])


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
