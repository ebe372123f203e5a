"""One comparison of a part with what it should be: the evidence before it is weighed over the board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

from thermscan.frozen import dataclass
from thermscan.judge import thresholds
from thermscan.judge.holds import Hold
from thermscan.judge.places import PLACE_DEGREES
from thermscan.regions.measurement import PartMeasurement
from thermscan.regions.sensor_lines import frame_u_k, is_sensors, is_types

# The budgets are trusted to about a tenth of themselves: 1 / (2 * 0.1^2) degrees of freedom (GUM, G.4.2).
U_DEGREES = 50.0


@dataclass(frozen=True, slots=True)
class Comparison:
    """
    A part against its peers or its baseline.

    Attributes
    ----------
    ref, rule : str
    excess_k : float
        Of the part's own heat over what was expected: received heat is taken out.
    u_k : float
        Standard uncertainty of measuring that difference; what both sides share cancels.
    spread_k : float
        Standard deviation of the difference between good parts or looks, without ``u_k``.
    degrees : float
        Degrees of freedom behind ``spread_k``.
    place_k : float
        Standard deviation of the difference that unequal places make between good parts, besides ``spread_k``.
    temp_excess_k : float
        The plain temperature's excess, received heat included.
    expected_k : float
        Rise of the peers or the baseline (scaled to this run).
    own_expected_k : float
        The share of it that is the parts' own heat.
    shared_k : float
        The share of it that every part shows at least, and with it the camera's offset.
    count : int
        Peers or runs it is compared with.
    at_most_watch : Hold or None
        Why this comparison can carry no more than a watch.
    against : str
        What it is compared with, in words.
    log_spread : (float, float) or None
        Where good parts' own heat is spread in its logarithm about ``own_expected_k``: the standard deviations of the
        logarithm downwards and upwards. ``spread_k`` then is the one towards this part's side.
    harmless : float
        How probable it is that something else makes a good part differ to this side: a sink, or that it is another's
        top that was read, which differs as by a fault.
    sink_k : float
        What such a sink takes, in kelvin of the part's own rise (root mean square); 0: it is no sink.
    group_k, u_group_k : float or None
        Of a comparison with peers: by how much the others of the group stand out by rules that compare them with
        something else (their median), and the standard error of that between good parts; None where none does.
    """

    ref: str
    rule: str
    excess_k: float
    u_k: float
    spread_k: float
    degrees: float
    temp_excess_k: float
    expected_k: float
    own_expected_k: float
    count: int
    against: str
    at_most_watch: Hold | None = None
    refs: tuple[str, ...] = field(default=())
    shared_k: float = 0.0
    place_k: float = 0.0
    log_spread: tuple[float, float] | None = None
    harmless: float = 0.0
    sink_k: float = 0.0
    group_k: float | None = None
    u_group_k: float | None = None

    @property
    def score(self) -> float:
        """Excess over all that could have made it by chance."""
        return self.excess_k / self.good_sd_k

    @property
    def good_sd_k(self) -> float:
        """Standard deviation of the measured difference between good parts."""
        return max(float(np.linalg.norm((self.u_k, self.spread_k, self.place_k))), 1e-9)

    @property
    def common_k(self) -> float:
        """
        So much of that any other comparison of this part shows as well: its reading, and what this specimen draws.

        By how much a data sheet, a group or the known-good runs are off is theirs alone.
        """
        return float(np.hypot(self.u_k, thresholds.PEER_SHARE * max(self.own_expected_k, 0.0)))

    @property
    def effective_degrees(self) -> float:
        """Degrees of freedom behind all that makes good parts differ, together (Welch and Satterthwaite)."""
        return effective_degrees((self.u_k, self.spread_k, self.place_k), (U_DEGREES, self.degrees, PLACE_DEGREES))

    @property
    def p_value(self) -> float:
        """Chance of a difference this large, either way, between good parts (Student's t)."""
        return float(2.0 * stdtr(self.effective_degrees, -abs(self.score)))

    @property
    def looks_dead(self) -> bool:
        """Whether hardly any of the expected own heat is left."""
        left = self.own_expected_k + self.excess_k
        enough = self.excess_k <= -thresholds.DEAD_LEAST_K
        return enough and left <= thresholds.DEAD_SHARE_LEFT * self.own_expected_k

    @property
    def temp_p_value(self) -> float:
        """The same for the plain temperature."""
        return float(2.0 * stdtr(self.effective_degrees, -abs(self.temp_excess_k / self.good_sd_k)))


def effective_degrees(u: Sequence[float], degrees: Sequence[float]) -> float:
    """
    Degrees of freedom of a sum of independent contributions, each known with its own.

    Parameters
    ----------
    u, degrees : sequence of float
        Standard uncertainties, and the degrees of freedom behind each.

    Returns
    -------
    float
        The least of ``degrees`` where all uncertainties are 0.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), G.4.1, equation G.2b: the Welch-Satterthwaite formula.

    Examples
    --------
    >>> effective_degrees((3.0, 3.0), (10.0, 10.0))
    20.0
    """
    variance, nu = np.asarray(u, dtype=np.float64) ** 2, np.asarray(degrees, dtype=np.float64)
    below = float(np.sum(variance**2 / nu))
    return float(variance.sum() ** 2 / below) if below > 0 else float(nu.min())


def difference_u_k(one: PartMeasurement, others: Sequence[PartMeasurement]) -> float:
    """
    Standard uncertainty of one part's temperature less the mean of others', in which shared errors cancel.

    Lines of the budget with the same ``shared`` name are one error: their signed effects are subtracted.
    Lines of the part's own add in quadrature.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> from thermscan.regions.measurement import BudgetLine
    >>> part = Part("U1", 20, 7, 10, 10, 0, Surface("plastic", 0.93, 0.02))
    >>> def one(*lines):
    ...     return PartMeasurement(part, 50, 40.0, 40.0, 20.0, 2.0, budget=lines)
    >>> camera, noise = BudgetLine("camera", 2.0, "camera"), BudgetLine("noise", 0.3)
    >>> round(difference_u_k(one(camera, noise), [one(camera, noise)]), 3)
    0.424
    """
    contrast = np.append(1.0, np.full(len(others), -1.0 / len(others)))
    return float(contrasts_u_k([one, *others], contrast[None])[0])


def contrasts_u_k(measurements: Sequence[PartMeasurement], contrasts: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    The same of weighted sums of parts' temperatures, all in one product.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    contrasts : ndarray of shape (m, n)
        Weights of the parts in the given order, such as 1 for a part and -1/k for each of its k peers.

    Returns
    -------
    ndarray of shape (m,)
    """
    shared = [_shared_k(each) for each in measurements]
    # In one order, so that the same sum comes out of every process.
    names = dict.fromkeys(name for each in shared for name in each)
    effects_k = np.array([[each.get(name, 0.0) for name in names] for each in shared]).reshape(len(shared), len(names))
    own_k2 = np.array([_own_variance(each) for each in measurements])
    result: NDArray[np.float64] = np.sqrt(((contrasts @ effects_k) ** 2).sum(axis=1) + contrasts**2 @ own_k2)
    return result


def own_u_k(measurement: PartMeasurement) -> float:
    """Standard uncertainty of a part's temperature against the rest of its frame, the sensor's unevenness included."""
    return frame_u_k(measurement)


def alike_u_k(measurement: PartMeasurement) -> float:
    """
    The same against parts of its own type.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> from thermscan.regions.measurement import BudgetLine
    >>> part = Part("U1", 20, 7, 10, 10, 0, Surface("plastic", 0.93, 0.02))
    >>> lines = (BudgetLine("noise", 0.3), BudgetLine("emissivity of the type of part", -0.4, "type:sram"))
    >>> one = PartMeasurement(part, 50, 40.0, 40.0, 20.0, 2.0, budget=lines)
    >>> alike_u_k(one), own_u_k(one)
    (0.3, 0.5)
    """
    return float(np.sqrt(sum(line.u_k**2 for line in measurement.budget if line.shared is None or is_sensors(line))))


def look_u_k(measurement: PartMeasurement) -> float:
    """
    Standard uncertainty of a part's temperature against another look at the same specimen.

    Its emissivity is wrong by as much in both looks; what one frame's parts share is fitted board-wide.
    """
    lines = (
        line
        for line in measurement.budget
        if (line.shared is None or is_sensors(line)) and not line.source.startswith("emissivity")
    )
    return float(np.sqrt(sum(line.u_k**2 for line in lines)))


def specimen_u_k(measurement: PartMeasurement) -> float:
    """
    What a part's own emissivity adds between two specimens: it is wrong by another amount in each.

    Another specimen's part may be of another maker, so that what one board's parts of a type share does not cancel.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> from thermscan.regions.measurement import BudgetLine
    >>> part = Part("U1", 52, 14, 30, 10, 0, Surface("ceramic", 0.9, 0.05))
    >>> lines = (BudgetLine("noise", 0.1), BudgetLine("emissivity of the part", -0.6))
    >>> one = PartMeasurement(part, 50, 40.0, 40.0, 20.0, 2.0, budget=lines)
    >>> specimen_u_k(one), look_u_k(one)
    (0.6, 0.1)
    """
    own = (line for line in measurement.budget if line.shared is None or is_types(line))
    lines = (line for line in own if line.source.startswith("emissivity"))
    return float(np.sqrt(sum(line.u_k**2 for line in lines)))


def _shared_k(measurement: PartMeasurement) -> dict[str, float]:
    """The signed effect of each error that the part shares with others."""
    effects: dict[str, float] = {}
    for line in measurement.budget:
        if line.shared is not None:
            effects[line.shared] = effects.get(line.shared, 0.0) + line.u_k
    return effects


def _own_variance(measurement: PartMeasurement) -> float:
    return sum(line.u_k**2 for line in measurement.budget if line.shared is None)
