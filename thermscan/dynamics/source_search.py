"""Where heat enters the board, from a map of its amplitude: point sources of the fin model, one after the other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter
from scipy.optimize import least_squares
from scipy.signal import fftconvolve

from thermscan.dynamics.board_maps import BoardGrid
from thermscan.dynamics.fin_kernel import FinKernel
from thermscan.errors import CannotJudge
from thermscan.frozen import dataclass

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# A source's score must be above this: over some thousand places chance alone reaches 3.5 once in fifty recordings
# (exp(-s^2) for each), and drift has longer tails than chance.
LEAST_SCORE = 5.0
# And above what the frequencies at which nothing was done show somewhere, by so much.
OVER_BESIDE = 1.3
MOST_SOURCES = 6
# Each pattern that is fitted takes a cell's worth of what is seen: with ten cells to each, what is left tells the noise
# to a twentieth; with as many patterns as cells nothing is left, and any heat would seem to show.
CELLS_EACH = 10
# The fin is not exact (uneven copper, parts that take heat): the fit may be off by this share of itself, so that what
# is left beside a strong source is not a source.
MODEL_SHARE = 0.12
# How far about a source the fit looks, in decay lengths.
REACH = 3.5
SMOOTHED_CELLS = 5
# Far below what any camera and any recording leaves (20 mK over the root of a million frames is 20 uK).
LEAST_NOISE_K = 1e-6
# All heat follows the one supply: its phase differs by less than this (a body's delay), and a weak place so near to a
# strong one is more likely what the model leaves of that.
PROMPT, LEAST_SHARE = np.pi / 4, 0.2
ROUNDS = 4
# Two places must leave less than this share of what one leaves: an uneven board leaves about as much with either.
PARTED_SHARE = 0.6
# They are tried first with a board that conducts less by so many steps (a factor of 2.5): one place that stands for
# two passes for a source on a better conductor.
SHARPER = 4


@dataclass(frozen=True, slots=True, eq=False)
class PointSource:
    """A place where heat enters: complex watts of the fundamental, and how sure."""

    x_mm: float
    y_mm: float
    u_mm: float
    heat_w: complex
    u_heat_w: float
    score: float


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """
    All sources of a map.

    Attributes
    ----------
    threshold : float
        The score that a source had to reach.
    least_w : float
        Watts of amplitude that would just have reached it, on the usual bare place.
    """

    sources: tuple[PointSource, ...]
    kernel: FinKernel
    threshold: float
    least_w: float


def find_sources(
    grid: BoardGrid,
    amplitude: ComplexArray,
    beside: Sequence[ComplexArray],
    kernels: Sequence[FinKernel],
    *,
    smooth: Sequence[ComplexArray] = (),
    leaks: Sequence[ComplexArray] = (),
) -> Search:
    """
    Point sources on the bare board.

    Parameters
    ----------
    grid : BoardGrid
    amplitude : ndarray of complex, shape (rows, cols)
    beside : sequence of ndarray of complex
        The same where nothing was done: they tell the noise, drift included.
    kernels : sequence of FinKernel
        One for each sheet conductance that the board may have.
    smooth : sequence of ndarray of complex, shape (rows, cols)
        Patterns that are no heat (drift, a draught), fitted along.
    leaks : sequence of ndarray of complex, shape (rows, cols)
        Heat that may be there besides (what a body gives to the board about it), fitted along.

    Raises
    ------
    CannotJudge
        Too few cells show bare board.
    """
    usable = grid.bare & np.isfinite(amplitude)
    for each in beside:
        usable &= np.isfinite(each)
    cells, needed = int(usable.sum()), CELLS_EACH * (len(smooth) + len(leaks) + 1)
    if cells < needed:
        raise CannotJudge(
            f"only {cells} places of about {grid.cell_mm:.1f} mm show bare board, and {needed} are needed to tell heat"
            " from drift",
            fix="move closer, or use a camera with more pixels",
        )
    widest = max(kernels, key=lambda each: each.decay_mm)
    field = _Field(
        grid,
        np.where(usable, amplitude, 0.0),
        usable,
        1.0 / _noise(beside, usable),
        smooth=smooth,
        leaks=leaks,
        widest=widest,
    )
    usual = kernels[len(kernels) // 2]
    scale, at_rest = _calibrated(field, [field.without_known(np.where(usable, each, 0.0)) for each in beside], usual)
    threshold = max(LEAST_SCORE, OVER_BESIDE * at_rest)
    field.noise_scale = scale
    places: list[tuple[float, float]] = []
    kernel = usual
    while len(places) < MOST_SOURCES:
        left, modelled = field.rest(places, kernel)
        score = field.scores(left, kernel, modelled)
        row, col = np.unravel_index(int(np.argmax(score)), score.shape)
        if score[row, col] < threshold:
            break
        before = list(places)
        places.append(((col + 0.5) * grid.cell_mm, (row + 0.5) * grid.cell_mm))
        places, kernel = _settled(field, places, kernels, kernel)
        if _too_near(places, grid.cell_mm) or not _of_the_drive(field, places, kernel):
            # Not another source, but what the model leaves of those that are there.
            places, kernel = _settled(field, before, kernels, kernel) if before else ([], kernel)
            break
    places, kernel = _parted(field, places, kernels, kernel)
    found = field.told(places, kernel)
    strong = [each for each in found if each.score >= threshold]
    least = threshold * scale / np.sqrt(max(float(np.median(field.strength(usual)[usable])), 1e-30))
    return Search(tuple(sorted(strong, key=lambda each: -abs(each.heat_w))), kernel, threshold, float(least))


def _settled(
    field: _Field, places: list[tuple[float, float]], kernels: Sequence[FinKernel], kernel: FinKernel
) -> tuple[list[tuple[float, float]], FinKernel]:
    """Places and the board's conductance, each fitted while the other is held, until the conductance stays."""
    for _ in range(ROUNDS):
        places = field.settled(places, kernel)
        best = min(kernels, key=lambda each: field.squares(places, each))
        if best is kernel:
            break
        kernel = best
    return places, kernel


def _parted(
    field: _Field, places: list[tuple[float, float]], kernels: Sequence[FinKernel], kernel: FinKernel
) -> tuple[list[tuple[float, float]], FinKernel]:
    """The strongest source as two, where that explains far more: one place between them passes for a broader one."""
    if not places or len(places) >= MOST_SOURCES:
        return places, kernel
    heats = field.fitted(places, kernel)[0][: len(places)]
    strongest = int(np.argmax(np.abs(heats)))
    x, y = places[strongest]
    others = [place for number, place in enumerate(places) if number != strongest]
    along = field.longest_axis(x, y, 2 * kernel.decay_mm) * 0.5 * kernel.decay_mm
    sharper = kernels[max(kernels.index(kernel) - SHARPER, 0)]
    start = [*others, (x + along[0], y + along[1]), (x - along[0], y - along[1])]
    two, its_kernel = _settled(field, start, kernels, sharper)
    apart = float(np.hypot(two[-1][0] - two[-2][0], two[-1][1] - two[-2][1]))
    better = field.squares(two, its_kernel) < PARTED_SHARE * field.squares(places, kernel)
    if better and apart > 3 * field.grid.cell_mm and _of_the_drive(field, two, its_kernel):
        return two, its_kernel
    return places, kernel


def _of_the_drive(field: _Field, places: Sequence[tuple[float, float]], kernel: FinKernel) -> bool:
    """Whether the last source is as large and as prompt as one beside the others can be."""
    heats = field.fitted(places, kernel)[0][: len(places)]
    strongest = heats[int(np.argmax(np.abs(heats)))]
    apart = abs(float(np.angle(heats[-1] / strongest)))
    x, y = places[-1]
    near = [
        abs(heat) for heat, (ox, oy) in zip(heats[:-1], places[:-1], strict=True)
        if np.hypot(ox - x, oy - y) < REACH * kernel.decay_mm
    ]  # fmt: skip
    return apart < PROMPT and all(abs(heats[-1]) > LEAST_SHARE * other for other in near)


def _too_near(places: Sequence[tuple[float, float]], cell_mm: float) -> bool:
    """The last place has run into another: it is the same source."""
    return any(np.hypot(places[-1][0] - x, places[-1][1] - y) < 1.5 * cell_mm for x, y in places[:-1])


def _noise(beside: Sequence[ComplexArray], usable: NDArray[np.bool_]) -> FloatArray:
    """Variance of the complex amplitude at each cell, evened out over its neighbours."""
    power = np.mean([np.abs(np.where(usable, each, 0.0)) ** 2 for each in beside], axis=0)
    share = np.maximum(uniform_filter(usable.astype(float), SMOOTHED_CELLS), 1e-6)
    local = uniform_filter(power, SMOOTHED_CELLS) / share
    floor = float(np.median(local[usable])) if usable.any() else 1.0
    # Frames that are alike to the last bit leave no noise at all: no more is believed than a microkelvin.
    return np.asarray(np.maximum(local, max(0.5 * floor, LEAST_NOISE_K**2)))


def _calibrated(field: _Field, beside: Sequence[ComplexArray], kernel: FinKernel) -> tuple[float, float]:
    """How far the scores of noise are from a standard complex normal distribution's, and the highest of them."""
    strength = field.strength(kernel)
    told = field.usable & (strength > 0.3 * np.median(strength[field.usable]))
    raw = [np.abs(field.matched(each, kernel)) / np.sqrt(np.maximum(strength, 1e-30)) for each in beside]
    scale = float(np.sqrt(np.median([np.median(each[told] ** 2) for each in raw]) / np.log(2.0)))
    return scale, float(max(each[told].max() for each in raw)) / max(scale, 1e-30)


def _solved(columns: ComplexArray, seen: ComplexArray, root: FloatArray) -> ComplexArray:
    """Least squares, each row times its weight's root."""
    return np.asarray(np.linalg.lstsq(columns * root[:, None], seen * root, rcond=1e-10)[0], dtype=np.complex128)


class _Field:
    """The map with its weights, and what sources do in it."""

    def __init__(
        self, grid: BoardGrid, amplitude: ComplexArray, usable: NDArray[np.bool_], weight: FloatArray,
        *, smooth: Sequence[ComplexArray], leaks: Sequence[ComplexArray], widest: FinKernel,
    ) -> None:  # fmt: skip
        self.grid, self.amplitude, self.usable, self.widest = grid, amplitude, usable, widest
        self.known, self.smooth_from = (*leaks, *smooth), len(leaks)
        self.weight = np.where(usable, weight, 0.0)
        self.noise_scale = 1.0
        self.centres = grid.centres_mm()

    def without_known(self, values: ComplexArray) -> ComplexArray:
        """A map less what the known patterns explain of it."""
        left = values.copy()
        if self.known:
            columns, root = self._known_columns(), np.sqrt(self.weight[self.usable])
            seen = values[self.usable]
            left[self.usable] = seen - columns @ _solved(columns, seen, root)
        return left

    def _known_columns(self) -> ComplexArray:
        return np.array([pattern[self.usable] for pattern in self.known]).T

    def _stamp(self, kernel: FinKernel) -> ComplexArray:
        reach = int(np.clip(REACH * kernel.decay_mm / self.grid.cell_mm, 3, max(self.grid.shape)))
        steps = np.arange(-reach, reach + 1) * self.grid.cell_mm
        return kernel.at(np.hypot(steps[:, None], steps[None, :]))

    def matched(self, values: ComplexArray, kernel: FinKernel) -> ComplexArray:
        """Sum over the cells of conj(kernel) times value times weight, for a source at every cell."""
        return np.asarray(fftconvolve(values * self.weight, np.conj(self._stamp(kernel)), mode="same"))

    def strength(self, kernel: FinKernel) -> FloatArray:
        """The same of the kernel with itself."""
        found = fftconvolve(self.weight, np.abs(self._stamp(kernel)) ** 2, mode="same")
        return np.asarray(np.maximum(found, 0.0), dtype=np.float64)

    def scores(self, left: ComplexArray, kernel: FinKernel, modelled: ComplexArray) -> FloatArray:
        """How far a source at each cell stands above noise and the model's own doubt."""
        strength = self.strength(kernel)
        stamp2 = np.abs(self._stamp(kernel)) ** 2
        doubt = fftconvolve(self.weight**2 * np.abs(MODEL_SHARE * modelled) ** 2, stamp2, mode="same")
        # Doubts of the model are alike for neighbours: over a kernel's core they add up, not average.
        core = float(stamp2.sum() / stamp2.max())
        variance = self.noise_scale**2 * strength + np.maximum(doubt, 0.0) * core
        inside = strength > 0.1 * np.median(strength[self.usable])
        score = np.abs(self.matched(left, kernel)) / np.sqrt(np.maximum(variance, 1e-30))
        return np.where(inside, score, 0.0)

    def columns(
        self, places: Sequence[tuple[float, float]], kernel: FinKernel, used: NDArray[np.bool_] | None = None
    ) -> ComplexArray:
        """
        What one watt at each place does at the usable cells (or some of them); leaks and what is smooth follow.

        The board's edges throw heat back.
        """
        board = self.grid.reference.board
        at = self.centres[self.usable] if used is None else self.centres[self.usable][used]
        columns = []
        for x, y in places:
            mirrors = [(x, y), (-x, y), (2 * board.width_mm - x, y), (x, -y), (x, 2 * board.height_mm - y)]
            reach = 1.3 * REACH * kernel.decay_mm
            near = [(mx, my) for mx, my in mirrors if -reach < mx < board.width_mm + reach]
            near = [(mx, my) for mx, my in near if -reach < my < board.height_mm + reach]
            columns.append(sum(kernel.at(np.hypot(at[:, 0] - mx, at[:, 1] - my)) for mx, my in near))
        told = [pattern[self.usable] for pattern in self.known]
        columns += told if used is None else [pattern[used] for pattern in told]
        return np.array(columns).T.reshape(len(at), len(places) + len(self.known))

    def longest_axis(self, x: float, y: float, radius_mm: float) -> FloatArray:
        """The direction in which the amplitude about a place reaches farthest; shape (2,)."""
        at = self.centres[self.usable] - [x, y]
        size = np.abs(self.amplitude[self.usable]) ** 2 * (np.hypot(at[:, 0], at[:, 1]) < radius_mm)
        spread = (at * size[:, None]).T @ at / max(float(size.sum()), 1e-30)
        return np.asarray(np.linalg.eigh(spread)[1][:, -1])

    def _near(self, places: Sequence[tuple[float, float]], kernel: FinKernel) -> FloatArray:
        """Square roots of the weights, 0 far from all sources."""
        at = self.centres[self.usable]
        root = np.sqrt(self.weight[self.usable])
        if not places:
            return root
        distance = np.min([np.hypot(at[:, 0] - x, at[:, 1] - y) for x, y in places], axis=0)
        return np.where(distance < REACH * kernel.decay_mm + 6 * self.grid.cell_mm, root, 0.0)

    def fitted(
        self, places: Sequence[tuple[float, float]], kernel: FinKernel
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """Complex watts of each source; at the usable cells what heat does, and that with what is smooth."""
        columns, root = self.columns(places, kernel), self._near(places, kernel)
        if columns.shape[1] == 0:
            return np.zeros(0, complex), np.zeros(len(root), complex), np.zeros(len(root), complex)
        watts = _solved(columns, self.amplitude[self.usable], root)
        return watts, self._of_heat(columns, watts, len(places)), np.asarray(columns @ watts, complex)

    def _of_heat(self, columns: ComplexArray, watts: ComplexArray, places: int) -> ComplexArray:
        """What sources and leaks do: only that is as doubtful as the fin; what is smooth is no model of heat."""
        heat = places + self.smooth_from
        return np.asarray(columns[:, :heat] @ watts[:heat], complex)

    def rest(self, places: Sequence[tuple[float, float]], kernel: FinKernel) -> tuple[ComplexArray, ComplexArray]:
        """What all that is fitted leaves, and what heat explains, as maps."""
        _, heat, model = self.fitted(places, kernel)
        left, explained = self.amplitude.copy(), np.zeros(self.grid.shape, complex)
        left[self.usable] -= model
        explained[self.usable] = heat
        return left, explained

    def _weighted(self, flat: FloatArray, kernel: FinKernel, root: FloatArray) -> FloatArray:
        places = [(float(x), float(y)) for x, y in flat.reshape(-1, 2)]
        used = root > 0
        columns, root = self.columns(places, kernel, used), root[used]
        seen = self.amplitude[self.usable][used]
        model = columns @ _solved(columns, seen, root)
        left = (seen - model) * root
        # Where the model is large its own doubt counts, so that one strong source does not decide by its very middle.
        # With what is smooth, which is bound to what was seen: heat alone could grow against it and excuse itself.
        left = left / np.sqrt(1.0 + np.abs(MODEL_SHARE * model) ** 2 * root**2)
        return np.concatenate([left.real, left.imag])

    def settled(self, places: Sequence[tuple[float, float]], kernel: FinKernel) -> list[tuple[float, float]]:
        """All places moved to where they explain most."""
        root = self._near(places, kernel)
        start = np.array(places).ravel()
        found = least_squares(
            lambda flat: self._weighted(flat, kernel, root), start,
            bounds=(start - 3 * kernel.decay_mm, start + 3 * kernel.decay_mm), x_scale=1.0, max_nfev=25,
        )  # fmt: skip
        return [(float(x), float(y)) for x, y in found.x.reshape(-1, 2)]

    def squares(self, places: Sequence[tuple[float, float]], kernel: FinKernel) -> float:
        """What is left, weighted; over the same cells whichever the kernel, so that kernels can be compared."""
        root = self._near(places, self.widest)
        return float((self._weighted(np.array(places).ravel(), kernel, root) ** 2).sum())

    def told(self, places: Sequence[tuple[float, float]], kernel: FinKernel) -> list[PointSource]:
        """Sources with their uncertainties."""
        if not places:
            return []
        watts, heat, _ = self.fitted(places, kernel)
        columns, root = self.columns(places, kernel), self._near(places, kernel)
        spread = root / np.sqrt(self.noise_scale**2 + np.abs(MODEL_SHARE * heat) ** 2 * root**2)
        normal = (columns.conj() * (spread**2)[:, None]).T @ columns
        covariance = np.linalg.pinv(normal)
        step = 0.05
        sources = []
        for number, (x, y) in enumerate(places):
            slopes = []
            for dx, dy in ((step, 0.0), (0.0, step)):
                ahead, back = (
                    self.columns([(x + s * dx, y + s * dy)], kernel)[:, 0] * watts[number] for s in (1.0, -1.0)
                )
                slopes.append((ahead - back) / (2 * step))
            jacobian = np.array(slopes).T * spread[:, None]
            # Two real parameters, complex readings whose variance is shared by two halves.
            information = 2.0 * np.real(jacobian.conj().T @ jacobian)
            u_xy = np.sqrt(np.diag(np.linalg.pinv(information)))
            u_w = float(np.sqrt(max(covariance[number, number].real, 0.0)))
            sources.append(
                PointSource(x, y, float(np.sqrt((u_xy**2).mean())), complex(watts[number]), u_w,
                            abs(watts[number]) / max(u_w, 1e-12))
            )  # fmt: skip
        return sources
