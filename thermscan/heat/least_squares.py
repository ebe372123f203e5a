"""Watts of the parts by weighted, robust, non-negative least squares on what board and bodies show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.definite import inverse_of_definite
from thermscan.frozen import dataclass
from thermscan.heat.bare import BareCells
from thermscan.heat.bodies import Bodies, Responses
from thermscan.heat.cell_equations import CellEquations
from thermscan.heat.contact import LEAST_OVER_K
from thermscan.heat.nonneg import ROUNDING, mean_square_above, solve_nonnegative

# The emissivity taken for bodies against that of the board: a share of the rise, alike for a surface.
EMISSIVITY_SHARE = 0.02
# Camera offset (2 K) and ambient thermometer (1 K) together.
CONSTANT_SPREAD_K = 2.3
# Of the supply's watts, before looking: each part draws by its area, within 1.5 times that and a share of the whole
# (a shorted capacitor may take much). It tells only of parts that neither body nor board shows.
AREA_SPREAD = 1.5
ANY_PART_SHARE = 0.03
# Heat of a part before anything is known, as the board's own rise beneath it.
WIDEST_K = 60.0
LEAST_LIKELY_K = 0.05
# What is stated of the cells' errors, the model's included, is known to a quarter of itself, and worth so many cells
# that err independently: 1 / (2 * 0.25^2) (GUM, G.4.2). What is left over on the board says the rest.
STATED_DEGREES = 8.0
# A body is held to deny what all else says from so many standard deviations on (one in forty by chance).
DENIED_DEVIATIONS = 2.0
ROBUST_STEPS = 4
HUBER_LIMIT = 2.0
# Loss of both faces, W/(m2 K), and its relative spread: radiation 6 and convection 2 to 6 a face on a bench
# in still air (8 to 12 a face; radiation by Stefan and Boltzmann's law, convection by textbook equations whose
# constants are from memory); a fan gives more.
USUAL_LOSS_W_PER_M2K = 20.0
LOSS_SPREAD = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class PartRises:
    """Rise of each part of the board in its order, NaN where not measurable, and its standard uncertainty."""

    rise_k: NDArray[np.float64]
    u_k: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """
    How far what is seen is to be trusted, and what is known beforehand.

    Attributes
    ----------
    sigma_k : ndarray of shape (cells seen,)
        Standard uncertainty of each cell against the model.
    degrees : float
        How many cells err independently.
    signed : bool
        False: no part takes heat out of the board. True: for differences between two looks.
    supply_w : float or None
        All the heat; with the usual loss it tells the sum of all rises.
    likely_k : ndarray of shape (n,) or None
        How large a body's own rise may be expected to be; NaN: not told.
    likely_board_k : ndarray of shape (n,) or None
        The same for the board's own rise beneath each part; NaN: not told.
    """

    sigma_k: NDArray[np.float64]
    degrees: float
    signed: bool = False
    supply_w: float | None = None
    likely_k: NDArray[np.float64] | None = None
    likely_board_k: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """
    What the whole board or a kind of part has in common, such as how far heat spreads, close to what it is held to be.

    Attributes
    ----------
    at_cells : ndarray of shape (cells seen, p)
        By how much the rise of the board changes for each unit.
    at_bodies : ndarray of shape (n, p)
    usual : ndarray of shape (p,)
        What is known beforehand, less what it is held to be.
    spread : ndarray of shape (p,)
        The standard uncertainty of that.
    """

    at_cells: NDArray[np.float64]
    at_bodies: NDArray[np.float64]
    usual: NDArray[np.float64]
    spread: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """
    What explains board and bodies best.

    Attributes
    ----------
    heat_kmm2 : ndarray of shape (n,)
        Each part's heat, watts over h.
    constant_k : float
        What the whole board shares.
    shared : ndarray of shape (p,)
        By how much what is shared differs from what it was held to be.
    normal : ndarray of shape (n + 1 + p, n + 1 + p)
        Of the normal equations, in units of ``scale``, the cells weighed as they were believed.
    scale : ndarray of shape (n + 1 + p,)
        Units of the unknowns: heat, constant, what is shared.
    free : ndarray of bool, shape (n + 1 + p,)
        What is not held at 0.
    pressed : ndarray of shape (n + 1 + p,)
        Slope of half the misfit at what is held at 0, in the same units: how far the data would have it below.
    misfit : float
        Weighted sum of squares.
    stretch : float
        How far what is left over on the board says that its cells were stated too sure or too doubtful: of their
        variances.
    cell_residual_k : ndarray of shape (cells seen,)
    robust : ndarray of shape (cells seen,)
        How far each cell is believed, 1 or less.
    by_bodies : ndarray of shape (bodies seen, n + 1 + p)
        The bodies' rises for one unit of each unknown, each row over its uncertainty; 0 where they were left out.
    body_residual : ndarray of shape (bodies seen,)
        What is left of them, likewise.
    seen : ndarray of bool, shape (n,)
    """

    heat_kmm2: NDArray[np.float64]
    constant_k: float
    shared: NDArray[np.float64]
    normal: NDArray[np.float64]
    scale: NDArray[np.float64]
    free: NDArray[np.bool_]
    pressed: NDArray[np.float64]
    misfit: float
    stretch: float
    cell_residual_k: NDArray[np.float64]
    robust: NDArray[np.float64]
    by_bodies: NDArray[np.float64]
    body_residual: NDArray[np.float64]
    seen: NDArray[np.bool_]

    def inverse(self) -> NDArray[np.float64]:
        """
        Of the normal equations; a part held at 0 may give as much as the data would not notice.

        Each part at its bound is let go by itself, what is free following: so its width is what its neighbours may have
        taken of its heat, and theirs holds what they would have to give back. Below 0 there is nothing: its mean square
        is that of a normal density cut off there.
        """
        inverse, held = np.zeros_like(self.normal), ~self.free
        at = np.ix_(self.free, self.free)
        inverse[at] = inverse_of_definite(self.normal[at])
        follow = inverse[at] @ self.normal[np.ix_(self.free, held)]
        own = np.diag(self.normal)[held] - np.sum(self.normal[np.ix_(held, self.free)].T * follow, axis=0)
        alone = 1.0 / np.maximum(own, ROUNDING * np.diag(self.normal)[held])
        alone *= mean_square_above(self.pressed[held] * np.sqrt(alone))
        inverse[at] += (follow * alone) @ follow.T
        inverse[np.ix_(self.free, held)] = -follow * alone
        inverse[np.ix_(held, self.free)] = (-follow * alone).T
        inverse[held, held] = alone
        return inverse

    def covariance(self, inverse: NDArray[np.float64]) -> NDArray[np.float64]:
        """Of heat, constant and what is shared."""
        return inverse * np.outer(self.scale, self.scale)

    def denied_k(self, inverse: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        How far a body denies the heat that all else lets it have, in kelvin of the board beneath it; shape (n,).

        A body that gives heat stands above the board by what its joint lets through. Where the board is warm beneath
        and the body hardly above it, something else may warm the board (a hot trace beside it): whose heat that is
        cannot be told. In doubt is by how much the heat that all else tells exceeds what the body tells, where the
        body's studentised deleted residual is beyond what chance makes.

        References
        ----------
        .. [1] D. A. Belsley, E. Kuh and R. E. Welsch, Regression Diagnostics, 1980, chapter 2 (RSTUDENT).
        """
        denied = np.zeros(len(self.seen))
        moves = inverse @ self.by_bodies.T
        left = np.maximum(1.0 - np.sum(self.by_bodies.T * moves, axis=0), 1e-6)
        students = self.body_residual / np.sqrt(left)
        places = np.flatnonzero(self.seen)
        own_k = self.body_residual / (left * self.by_bodies[np.arange(len(places)), places])
        # Only a body that shows less than its heat: one that shows more is joined worse than its like.
        denies = np.sign(self.heat_kmm2[places]) * students < -DENIED_DEVIATIONS
        share = np.sqrt(np.maximum(1.0 - (DENIED_DEVIATIONS / np.maximum(np.abs(students), 1e-9)) ** 2, 0.0))
        # No more than all of its heat can be another's.
        least_k = np.minimum(np.abs(own_k), np.abs(self.heat_kmm2 / self.scale[: len(denied)])[places])
        denied[places] = np.where(denies, least_k * share, 0.0)
        return denied


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """
    What is seen, linear in the unknowns.

    Attributes
    ----------
    by_cells : CellEquations
        Of the rise of each cell for the board's own rise under each part, and the constant.
    scale : ndarray of shape (n,)
        Heat for a kelvin of the board's own rise under each part.
    responses : Responses
    bodies : Bodies
    cells : BareCells
    rises : PartRises
    evidence : Evidence
    """

    by_cells: CellEquations
    scale: NDArray[np.float64]
    responses: Responses
    bodies: Bodies
    cells: BareCells
    rises: PartRises
    evidence: Evidence


def solve_sources(
    linear: Linear,
    *,
    spread: NDArray[np.float64],
    shared: Shared | None = None,
    start: Found | None = None,
    steps: int = ROBUST_STEPS,
    robust: NDArray[np.float64] | None = None,
    above: NDArray[np.bool_] | None = None,
) -> Found:
    """
    The parts' heat that explains the bare board and the bodies best.

    Parameters
    ----------
    linear : Linear
    spread : ndarray of shape (n,)
        Relative uncertainty of how well each body is joined to the board, beyond what is shared: a body's rise over
        the board beneath it is left free by so much.
    shared : Shared, optional
        What is told together with the heat.
    start : Found, optional
        Of a problem much like this one. Without it the first step leaves the bodies out.
    steps : int
        Times that what stands out is weighed down anew.
    robust : ndarray of shape (cells seen,), optional
        How far each cell is believed at first.
    above : ndarray of bool, shape (n + 1,) or (n + 1 + p,), optional
        Which unknowns are likely to be above 0: it changes how soon they are found, not which. By ``start`` where not
        given.
    """
    responses, cells, rises, evidence = linear.responses, linear.cells, linear.rises, linear.evidence
    m, n = len(cells.rise_k), len(linear.scale)
    shared = shared or Shared(np.zeros((m, 0)), np.zeros((n, 0)), np.zeros(0), np.zeros(0))
    p = len(shared.usual)
    # Unknowns are the board's own rise under each part, the constant, and what is shared.
    scale = np.concatenate([linear.scale, np.ones(1 + p)])
    bounded = np.append(np.full(n, not evidence.signed), np.zeros(1 + p, dtype=bool))
    seen = np.isfinite(rises.rise_k)
    by_bodies = np.column_stack([responses.bodies[seen] * scale[:n], np.ones(seen.sum()), shared.at_bodies[seen]])
    robust, stretch = np.ones(m) if robust is None else robust, 1.0
    solution, known = np.zeros(n + 1 + p), start is not None
    if start is not None:
        robust, stretch = start.robust, start.stretch
        solution[: n + 1] = np.append(start.heat_kmm2, start.constant_k) / scale[: n + 1]
    likely = solution > 0 if known else None
    if above is not None:
        likely = np.append(above, np.ones(n + 1 + p - len(above), dtype=bool))
    for _ in range(steps):
        before = _beforehand(linear, scale[:n], shared, solution[:n] * scale[:n] if known else None)
        weight = robust / (evidence.sigma_k * np.sqrt(stretch))
        normal, right = before.equations(linear.by_cells, shared.at_cells, cells.rise_k, weight)
        weighed_bodies, body_target = np.zeros_like(by_bodies), np.zeros(len(by_bodies))
        if known:
            heat, constant_k = solution[:n] * scale[:n], float(solution[n])
            body_sigma = _body_sigma(responses, rises, heat, constant_k, spread)[seen]
            weighed_bodies, body_target = by_bodies / body_sigma[:, None], rises.rise_k[seen] / body_sigma
            normal += weighed_bodies.T @ weighed_bodies
            right += weighed_bodies.T @ body_target
        solution = solve_nonnegative(normal, right, bounded, start=likely)
        likely, known = solution > 0, True
        residual = cells.rise_k - linear.by_cells.design @ solution[: n + 1] - shared.at_cells @ solution[n + 1 :]
        misfit = float(np.sum((residual * weight) ** 2)) + before.misfit(solution)
        body_residual = body_target - weighed_bodies @ solution
        misfit += float(np.sum(body_residual**2))
        standard = np.abs(residual) / np.maximum(evidence.sigma_k, 1e-9)
        stretch = (STATED_DEGREES + float(np.sum((standard * robust) ** 2))) / (STATED_DEGREES + evidence.degrees)
        centre = max(float(np.median(standard)) / 0.6745, 1e-9) if len(standard) else 1.0
        robust = np.sqrt(np.minimum(1.0, HUBER_LIMIT * centre / np.maximum(standard, 1e-9)))
    free = ~bounded | (solution > 0)
    return Found(
        heat_kmm2=solution[:n] * scale[:n],
        constant_k=float(solution[n]),
        shared=solution[n + 1 :],
        normal=normal,
        scale=scale,
        free=free,
        pressed=np.where(free, 0.0, np.maximum(normal @ solution - right, 0.0)),
        misfit=misfit,
        stretch=stretch,
        cell_residual_k=residual,
        robust=robust,
        by_bodies=weighed_bodies,
        body_residual=body_residual,
        seen=seen,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Beforehand:
    """What is known before looking: mean and spread of each unknown; the sum of all heat where the supply is known."""

    mean: NDArray[np.float64]
    spread: NDArray[np.float64]
    in_sum: NDArray[np.float64] | None

    def equations(
        self,
        by_cells: CellEquations,
        shared: NDArray[np.float64],
        values: NDArray[np.float64],
        weight: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Normal equations of weighed observations, of what is shared and of this."""
        cross, weighed = by_cells.crossed(shared, weight), shared * weight[:, None]
        normal = np.block([[by_cells.weighed(weight), cross], [cross.T, weighed.T @ weighed]])
        right = np.concatenate([by_cells.crossed(values, weight), weighed.T @ (values * weight)])
        normal[np.diag_indices_from(normal)] += 1.0 / self.spread**2
        right += self.mean / self.spread**2
        if self.in_sum is not None:
            normal += np.outer(self.in_sum, self.in_sum)
            right += self.in_sum / LOSS_SPREAD
        return normal, right

    def misfit(self, solution: NDArray[np.float64]) -> float:
        """Weighted sum of squares."""
        misfit = float(np.sum(((solution - self.mean) / self.spread) ** 2))
        return misfit + (float(self.in_sum @ solution - 1.0 / LOSS_SPREAD) ** 2 if self.in_sum is not None else 0.0)


def _beforehand(
    linear: Linear, scale: NDArray[np.float64], shared: Shared, heat_kmm2: NDArray[np.float64] | None
) -> _Beforehand:
    """What is known of heat, constant and what is shared before looking; the heat found last lets a part free."""
    responses, evidence, n = linear.responses, linear.evidence, len(scale)
    mean, spread = np.zeros(n), np.full(n, WIDEST_K)
    for likely, per_k in (
        (evidence.likely_k, 1.0 / (scale * np.maximum(np.diag(responses.bodies), 1e-12))),
        (evidence.likely_board_k, np.ones(n)),
    ):
        if likely is not None:
            told = np.isfinite(likely)
            spread[told] = np.clip((per_k * likely)[told], LEAST_LIKELY_K, WIDEST_K)
    in_sum = None
    if evidence.supply_w:
        usual = evidence.supply_w * 1e6 / USUAL_LOSS_W_PER_M2K
        by_area = usual * linear.bodies.area_mm2 / linear.bodies.area_mm2.sum()
        # A part that is found to give more than its area lets expect is let free; one that nothing shows is not.
        more = ANY_PART_SHARE * usual if heat_kmm2 is None else np.abs(heat_kmm2)
        mean, spread = by_area / scale, np.hypot(AREA_SPREAD * by_area, more) / scale
        in_sum = np.concatenate([scale, np.zeros(1 + len(shared.usual))]) / (LOSS_SPREAD * usual)
    return _Beforehand(
        np.concatenate([mean, [0.0], shared.usual]),
        np.concatenate([spread, [CONSTANT_SPREAD_K], shared.spread]),
        in_sum,
    )


def _body_sigma(
    responses: Responses,
    rises: PartRises,
    heat_kmm2: NDArray[np.float64],
    constant_k: float,
    spread: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Of each part's rise: uncertain as far as it stands above the board by an unsure joint; NaN where not seen."""
    beneath_k = responses.beneath @ heat_kmm2
    # A joint may be better than taken as well as worse: by what the body shows, or by what its heat would make.
    expected_k = responses.bodies @ heat_kmm2 - beneath_k
    over_k = np.maximum(np.maximum(np.abs(rises.rise_k - beneath_k - constant_k), np.abs(expected_k)), LEAST_OVER_K)
    doubt = EMISSIVITY_SHARE * np.abs(rises.rise_k - constant_k)
    result: NDArray[np.float64] = np.sqrt((spread * over_k) ** 2 + rises.u_k**2 + doubt**2)
    return result
