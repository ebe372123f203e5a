"""How probable it is that a part is at fault, and by how many kelvin: all sources of evidence in one posterior."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr

from thermscan.frozen import dataclass
from thermscan.judge.comparison import U_DEGREES, Comparison
from thermscan.judge.holds import HoldCode
from thermscan.judge.thresholds import ACT_LEAST_K, ACT_LEAST_SHARE, DEAD_LEAST_K, DEAD_SHARE_LEFT, PEER_SHARE

Array = NDArray[np.float64]
Table = Callable[[Array], Array]
TwoTable = Callable[[Array, Array], Array]
# Of a fault's own heat, either way alike. Upwards: half of all faults give less than this many kelvin, or less than
# this share of what the part gives itself, and some very much more.
HOT_SPREAD_K = 5.0
HOT_SPREAD_SHARE = 0.5
# Downwards: half of the parts that are cold by a fault are dead, of the others any share of the heat may be missing.
DEAD_SHARE = 0.5
# So many faults are those of a whole group (its supply, its select line, its bus), of which no peer can tell.
WHOLE_GROUP = 0.1
# So many parts that are only alike in kind and package have quite another duty, and their like say nothing of them: of
# 45 that differed beyond what parts of one duty do, one in six was at fault, of some forty judged on a board.
OTHER_DUTY = 0.05
# So many other comparisons of good parts are worth nothing, for causes that nobody foresees: of some 66,000 in 1,301
# inspections of boards that nobody had seen 8 accused a good part (the upper end of their 95 % interval).
WORTHLESS = 2.4e-4
# Points of the integrals: over what all comparisons share, over a fault's size as a whole, and near each comparison.
SHARED_POINTS, FAULT_POINTS, NEAR_POINTS = 25, 61, 49
# The points over what is shared lie so far apart, in standard deviations: what is left is not taken for narrower.
SHARED_STEP = 0.45
# Of the tightest comparison: 0.44 of it is its own.
SHARED_MOST = 0.9
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(SHARED_POINTS)


@dataclass(frozen=True, slots=True)
class Voice:
    """A comparison, and the logarithm (base 10) of how many times as likely a fault makes it than a good part."""

    comparison: Comparison
    loudness: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """
    What all comparisons of a part say together.

    Attributes
    ----------
    log_ratio : float
        Natural logarithm of how many times as likely a fault makes them than a good part.
    fault_k, u_k : float
        A fault's own heat, if there is one: mean and standard deviation.
    matters : float
        The probability that such a fault is large enough to act on, or leaves hardly any heat.
    voices : tuple of Voice
        The loudest first.
    """

    log_ratio: float
    fault_k: float
    u_k: float
    matters: float
    voices: tuple[Voice, ...]


def put_together(comparisons: Sequence[Comparison]) -> Posterior:
    """
    One posterior from all comparisons of a part.

    Parameters
    ----------
    comparisons : sequence of Comparison
        Of one part, at least one.

    Notes
    -----
    Two groups: a part is good, and its excess is spread about 0 as each comparison states; or a fault adds to its
    own heat. Comparisons judge one reading of one specimen: what that makes a good part stand out by is an error that
    all share (`Comparison.common_k`; nearly all of the tightest of them at most), and what is left of each its own. So
    two rules that repeat each other do not count twice, and where they contradict each other the tighter one prevails,
    or one of them is worth nothing. A group that nobody declared may be none: its word is worth only so much. What is
    harmless (`Comparison.harmless`) makes a good part differ as well, to that side, in all comparisons that it is the
    cause of: no difference says more than that lets it.

    References
    ----------
    .. [1] B. Efron, Microarrays, empirical Bayes and the two-groups model, Statistical Science 23 (2008) 1-22.
    .. [2] A. Gelman, Prior distributions for variance parameters in hierarchical models, Bayesian Analysis 1 (2006)
       515-533 (the half-Cauchy distribution for what is known by its order of magnitude only).

    Examples
    --------
    >>> def one(excess_k):
    ...     return Comparison("U1", "peer", excess_k, 0.4, 0.4, 30.0, excess_k, 12.0, 8.0, 7, "7 peers")
    >>> [round(put_together([one(excess_k)]).log_ratio, 1) for excess_k in (0.0, 2.0, 4.0)]
    [-0.2, 3.0, 8.2]
    """
    tightest = min(comparisons, key=lambda each: each.good_sd_k)
    own_k = max(tightest.own_expected_k, 0.0)
    matters_k = max(ACT_LEAST_K, ACT_LEAST_SHARE * own_k)
    shared_k = min(SHARED_MOST * tightest.good_sd_k, *(each.common_k for each in comparisons))
    shared_k = shared_k if len(comparisons) > 1 else 0.0
    # Each comparison expects another heat of its own: a group that is dead as a whole expects none.
    levels_k = sorted({max(each.own_expected_k, 0.0) for each in comparisons})
    fault_k = _fault_points(comparisons, levels_k)
    density: Array = np.mean([fault_density(fault_k, level_k) for level_k in levels_k], axis=0)

    def log_evidence(chosen: Sequence[Comparison], error_k: float) -> tuple[float, Array]:
        tables = [(each, _or_worthless(each, _tabulated(each, shared_k=error_k))) for each in chosen]
        plain = [_of_both(table) for _, table in tables]
        good = float(_blurred(plain, np.zeros(1), error_k)[0])
        cause = max(chosen, key=lambda each: each.harmless)
        if cause.harmless > 0.0:
            moved = _blurred(_moved(chosen, plain), fault_k, error_k)
            differs = log_integral(fault_k, moved, _harmless_density(fault_k, density, cause))
            good = float(np.logaddexp(np.log1p(-cause.harmless) + good, np.log(cause.harmless) + differs))
        return good, _blurred([_or_all_alike(each, table) for each, table in tables], fault_k, error_k)

    good, faulty = log_evidence(comparisons, shared_k)
    voices = []
    for each in comparisons:
        alone = (good, faulty) if len(comparisons) == 1 else log_evidence([each], 0.0)
        voices.append(Voice(each, (log_integral(fault_k, alone[1], density) - alone[0]) / float(np.log(10.0))))
    whole = log_integral(fault_k, faulty, density)
    weight = _trapezoid_weights(fault_k) * density * np.exp(np.minimum(faulty - faulty[density > 0].max(), 0.0))
    weight /= weight.sum()
    mean_k = float(weight @ fault_k)
    dead = (fault_k <= -(1.0 - DEAD_SHARE_LEFT) * own_k) & (fault_k <= -DEAD_LEAST_K)
    matter = dead | (np.abs(fault_k) >= matters_k)
    return Posterior(
        log_ratio=whole - good,
        fault_k=mean_k,
        u_k=float(np.sqrt(weight @ (fault_k - mean_k) ** 2)),
        matters=float(weight[matter].sum()),
        voices=tuple(sorted(voices, key=lambda voice: -voice.loudness)),
    )


def fault_density(fault_k: Array, own_k: float) -> Array:
    """
    Density of what a fault adds to a part's own heat, where a good part gives ``own_k`` itself.

    Examples
    --------
    >>> x = np.linspace(-10.0, 5000.0, 500_001)
    >>> bool(abs(np.trapezoid(fault_density(x, 8.0), x) - 1.0) < 0.01)
    True
    """
    spread_k = float(np.hypot(HOT_SPREAD_K, HOT_SPREAD_SHARE * own_k))
    hot = np.where(fault_k > 0, 2.0 / (np.pi * spread_k * (1.0 + (fault_k / spread_k) ** 2)), 0.0)
    if own_k < DEAD_LEAST_K:
        # So little heat is not missed where it is missing.
        return hot
    any_share = np.where((fault_k <= 0) & (fault_k >= -own_k), 1.0 / own_k, 0.0)
    # Dead: a good third of the heat may be left, as that of leakage, and of what is taken for its own.
    left = np.clip((fault_k + own_k) / own_k, 0.0, None)
    dead = np.where(fault_k >= -own_k, np.clip(1.0 - left / DEAD_SHARE_LEFT, 0.0, None), 0.0)
    cold = (1.0 - DEAD_SHARE) * any_share + DEAD_SHARE * dead * 2.0 / (DEAD_SHARE_LEFT * own_k)
    result: Array = 0.5 * hot + 0.5 * cold
    return result


def _moved(chosen: Sequence[Comparison], tables: Sequence[TwoTable]) -> list[TwoTable]:
    """The tables where something harmless moves what it is the cause of, and leaves other comparisons as they are."""
    # Parts that nobody declared alike need not all stand on sinks, or on none.
    return [
        table if each.harmless or _may_be_no_group(each) else _unmoved(table)
        for each, table in zip(chosen, tables, strict=True)
    ]


def _harmless_density(fault_k: Array, density: Array, comparison: Comparison) -> Array:
    """
    Density of what something harmless adds to a part's own heat: another's top as a fault does, to the same side.

    A sink takes as much as it is tall (half-normal). One that takes more than the part gives would show in its
    surroundings, but for the uncertainty: that much lies at the point where nothing is left.
    """
    weights = _trapezoid_weights(fault_k)
    if comparison.sink_k <= 0.0:
        side = np.where((fault_k > 0) == (comparison.excess_k > 0), density, 0.0)
        total = float(weights @ side)
        return side / total if total > 0 else side
    own_k = max(comparison.own_expected_k, 1e-9)

    def taken(k: Array) -> Array:
        return np.asarray(2.0 * ndtr(k / comparison.sink_k) - 1.0)

    # By the steps between the points, so that the whole is what it should be on any grid.
    edges = np.concatenate([fault_k[:1], 0.5 * (fault_k[1:] + fault_k[:-1]), fault_k[-1:]])
    mass = -np.diff(taken(np.clip(-edges, 0.0, own_k)))
    mass[np.argmin(np.abs(fault_k + own_k))] += float(taken(np.array(own_k + comparison.u_k)) - taken(np.array(own_k)))
    result: Array = np.where(weights > 0, mass / np.maximum(weights, 1e-300), 0.0)
    return result


def log_integral(points: Array, log_values: Array, density: Array) -> float:
    """
    Logarithm of the integral of ``exp(log_values) * density`` over ``points`` in rising order (trapezoidal rule).

    Examples
    --------
    >>> x = np.linspace(-8.0, 8.0, 2001)
    >>> normal = np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi)
    >>> bool(abs(log_integral(x, np.zeros(2001), normal)) < 1e-9)
    True
    """
    within = density > 0
    if not within.any():
        return -np.inf
    top = float(log_values[within].max())
    total = np.sum((_trapezoid_weights(points) * density)[within] * np.exp(log_values[within] - top))
    return top + float(np.log(max(float(total), 1e-300)))


def _trapezoid_weights(points: Array) -> Array:
    steps = np.diff(points)
    weights: Array = 0.5 * (np.append(steps, 0.0) + np.insert(steps, 0, 0.0))
    return weights


def _fault_points(comparisons: Sequence[Comparison], levels_k: Sequence[float]) -> Array:
    """Sizes of a fault, dense about what each comparison shows and about nought."""
    farthest = max(abs(each.excess_k) + 8.0 * each.good_sd_k for each in comparisons)
    largest = max(farthest, 2.0 * levels_k[-1], HOT_SPREAD_K)
    everywhere = np.sinh(np.linspace(-1.0, 1.0, FAULT_POINTS) * np.arcsinh(2.0 * largest)) * 1.0
    near = [each.excess_k + each.good_sd_k * np.linspace(-6.0, 6.0, NEAR_POINTS) for each in comparisons]
    # Densities jump at nought, and where nothing is left.
    cold = [-level_k * np.append(np.linspace(0.0, 1.0, NEAR_POINTS), 1.0 + 1e-9) for level_k in levels_k]
    return np.unique(np.concatenate([everywhere, *near, *cold, [-1e-9, 1e-9]]))


def _tabulated(comparison: Comparison, *, shared_k: float) -> Table:
    """
    Log-likelihood of a comparison as a function of what a fault adds, without the shared part of its uncertainty.

    A comparison whose natural spread is lopsided (watts by a data sheet) is tabulated once.
    """
    if comparison.log_spread is None:
        return lambda fault_k: log_likelihood(comparison, fault_k, without_k=shared_k)
    reach = 12.0 * comparison.good_sd_k + abs(comparison.excess_k) + 2.0 * comparison.own_expected_k
    points = np.sinh(np.linspace(-1.0, 1.0, 161) * np.arcsinh(20.0)) / 20.0 * reach + comparison.excess_k
    values = log_likelihood(comparison, points, without_k=shared_k)
    return lambda fault_k: np.interp(fault_k, points, values)


def _or_worthless(comparison: Comparison, table: Table) -> Table:
    """
    A comparison may be worth nothing, such as with parts of another duty: then good parts differ as by a fault.

    So of two that contradict each other one may simply be wrong. Known-good runs hardly err alike.
    """
    runs = comparison.count if comparison.rule == "baseline" else 1
    log_share = float(np.log(OTHER_DUTY) if _may_be_no_group(comparison) else runs * np.log(WORTHLESS))
    spread_k = float(np.hypot(HOT_SPREAD_K, HOT_SPREAD_SHARE * max(comparison.own_expected_k, 0.0)))
    anything = log_share - float(np.log(np.pi * spread_k) + np.log1p((comparison.excess_k / spread_k) ** 2))
    alike = float(np.log1p(-np.exp(log_share)))
    return lambda fault_k: np.logaddexp(alike + table(fault_k), anything)


def _may_be_no_group(comparison: Comparison) -> bool:
    return comparison.at_most_watch is not None and comparison.at_most_watch.code is HoldCode.PROPOSED


def _of_both(table: Table) -> TwoTable:
    """Of the sum of fault and error."""
    return lambda fault_k, error_k: table(fault_k + error_k)


def _unmoved(table: TwoTable) -> TwoTable:
    """Of a comparison that what is harmless leaves as it is."""
    return lambda fault_k, error_k: table(np.zeros_like(fault_k), error_k)


def _or_all_alike(comparison: Comparison, table: Table) -> TwoTable:
    """Where a fault is shared by all of a group (no supply, one short), its members differ as good ones do."""
    if comparison.rule != "peer":
        return _of_both(table)
    # Such a fault strikes each member, so that a part is struck by it as often as its group is large; what nobody
    # declared need not hang on one supply.
    members = 1 if _may_be_no_group(comparison) else comparison.count + 1
    alone, all_alike = float(np.log(1.0 - WHOLE_GROUP)), float(np.log(WHOLE_GROUP * members))
    return lambda fault_k, error_k: np.logaddexp(
        alone + table(fault_k + error_k), all_alike + table(error_k) + _shown_by_group(comparison, fault_k)
    )


def _shown_by_group(comparison: Comparison, fault_k: Array) -> Array:
    """
    How much less likely a fault of the whole group makes what its others show by other rules, as a logarithm.

    No more likely: what makes them all stand out may as well be one error, such as of the level of all rises.
    """
    if comparison.group_k is None or comparison.u_group_k is None:
        return np.zeros_like(fault_k)
    # What they share differs from one to the other as what they draw does.
    sd_k = np.hypot(comparison.u_group_k, PEER_SHARE * fault_k)
    good, faulty = comparison.group_k / comparison.u_group_k, (comparison.group_k - fault_k) / sd_k
    result: Array = np.minimum(0.5 * (good**2 - faulty**2) - np.log(sd_k / comparison.u_group_k), 0.0)
    return result


def _blurred(tables: Sequence[TwoTable], fault_k: Array, error_k: float) -> Array:
    """Log-likelihood of all comparisons, the error that they share integrated over (Gauss and Hermite's nodes)."""
    if error_k == 0.0:
        alone: Array = np.sum([table(fault_k, np.zeros_like(fault_k)) for table in tables], axis=0)
        return alone
    shape = (len(fault_k), len(_NODES))
    at, error = (np.broadcast_to(each, shape).ravel() for each in (fault_k[:, None], error_k * _NODES[None, :]))
    together = np.sum([table(at, error) for table in tables], axis=0).reshape(shape)
    top = together.max(axis=1)
    result: Array = top + np.log(np.exp(together - top[:, None]) @ (_WEIGHTS / _WEIGHTS.sum()))
    return result


def log_likelihood(comparison: Comparison, fault_k: Array, *, without_k: float) -> Array:
    """
    Log-density of the measured excess where a fault adds ``fault_k`` to a good part's own heat.

    Parameters
    ----------
    comparison : Comparison
    fault_k : ndarray of shape (n,)
    without_k : float
        This much of what makes good parts differ is left out.
    """
    least_k = SHARED_STEP * without_k
    if comparison.log_spread is not None:
        left = comparison.u_k**2 - without_k**2
        return _of_lopsided(comparison, fault_k, float(np.sqrt(max(left, least_k**2))))
    left = comparison.good_sd_k**2 - without_k**2
    sd_k, nu = float(np.sqrt(max(left, least_k**2, 1e-12))), comparison.effective_degrees
    off = (comparison.excess_k - fault_k) / sd_k
    height = float(gammaln((nu + 1.0) / 2.0) - gammaln(nu / 2.0) - 0.5 * np.log(nu * np.pi) - np.log(sd_k))
    result: Array = height - (nu + 1.0) / 2.0 * np.log1p(off**2 / nu)
    return result


# Steps of a good part's own heat, as a logarithm of its share of the expected, in deviations.
_STEPS = np.linspace(-8.0, 8.0, 97)


def _of_lopsided(comparison: Comparison, fault_k: Array, u_k: float) -> Array:
    """The same where a good part's own heat is spread in its logarithm, by another figure down than up."""
    down, up = comparison.log_spread or (1.0, 1.0)
    nu, level_k = comparison.degrees, comparison.own_expected_k
    density = (1.0 + _STEPS**2 / nu) ** (-(nu + 1.0) / 2.0)
    good_k = level_k * np.exp(_STEPS * np.where(_STEPS < 0, down, up))
    weight = density * np.where(_STEPS < 0, down, up)
    # A fault adds to what such a part gives, or takes a share of it; and no finer than the steps.
    left = np.clip(1.0 + fault_k / max(level_k, 1e-9), 0.0, 1.0)
    given_k = good_k[None, :] * left[:, None] + np.maximum(fault_k, 0.0)[:, None]
    sd_k = np.hypot(u_k, np.gradient(good_k))
    off = (comparison.excess_k + level_k - given_k) / sd_k
    errors = (1.0 + off**2 / U_DEGREES) ** (-(U_DEGREES + 1.0) / 2.0) / sd_k
    result: Array = np.log(errors @ (weight / weight.sum()) + 1e-300)
    return result
