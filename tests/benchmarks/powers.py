"""
How well watts and own heat of parts are told, on simulated boards whose supply is read.

    python tests/benchmarks/powers.py --boards 20 --shape 320 --seed 1

Heat (finite elements) and camera come from samples/simulator, which shares no code with the analysis; the
registration is the truth's within 0.3 px at the corners. Beside the job's own figures stand those of the same
method on the true temperatures (no camera: what the model itself leaves wrong) and those of a plain rule, watts
in proportion to rise times area.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from judging_looks import good_registration
from numpy.typing import NDArray
from scipy.sparse.linalg import splu

from samples.simulator import BoardField, render_frame, sample_board, sample_pose, sample_powers, solver
from thermscan.heat.split import HeatSplit
from thermscan.judge.heat_seen import View, see_heat
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions import reasons
from thermscan.regions.measure import measure_parts
from thermscan.regions.measurement import BudgetLine, PartMeasurement, Rectified
from thermscan.regions.rectify import rectify_frame
from thermscan.registration.registration import Registration
from thermscan.runs.run import Run, Supply

# Parts of fewer watts are counted in coverage and own heat, not in the errors of watts.
LEAST_W = 0.3
TRUE_MM_PER_PX = 0.5
BAND_UM = (8.0, 14.0)


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """A board's solved heat; ``gives_k[i, j]`` is what part j's watts make of part i's rise."""

    board: Board
    field: BoardField
    gives_k: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What the judge is given."""

    board: Board
    rectified: Rectified
    measurements: tuple[PartMeasurement, ...]
    registration: Registration
    noise_k: float
    ambient_c: float

    def split(self, supply_w: float) -> HeatSplit | None:
        """The job's own split."""
        supply = (Supply("all", 5.0, supply_w / 5.0),)
        run = Run((Path("look.tiff"),), self.ambient_c, self.ambient_c, supply=supply)
        view = View(self.rectified.mm_per_px, self.registration, self.noise_k, BAND_UM)
        return see_heat(self.measurements, self.rectified, self.board, run, view=view).split


def sample_truth(rng: np.random.Generator, *, world: str = "uneven") -> Truth:
    """A board, its copper and loss, solved; each part's own share from the same factors."""
    board = sample_board(rng)
    watts = sample_powers(rng, board)
    sheet = _sheet(rng, world)
    loss = None if rng.random() < 0.5 else float(rng.uniform(16.0, 24.0))
    ambient_c = float(rng.uniform(18.0, 28.0))
    pieces = solver._discretise(board, sheet, solver._default_mesh_mm(board))
    heat = solver._heat_input(board, watts, (), pieces)
    rise_k = np.full(len(heat), 10.0)
    for _ in range(1 if loss is not None else 8):
        system = solver._system(board.parts, pieces, rise_k, loss=loss, amb=ambient_c)
        factors = splu(system.matrix)
        rise_k = factors.solve(heat)
    field = solver._field(board, watts, pieces, rise_k, ambient_c=ambient_c, lost_w=float(system.loss @ rise_k))
    n = len(board.parts)
    each = np.zeros((len(heat), n))
    each[-n:] = np.diag(heat[-n:])
    return Truth(board, field, factors.solve(each)[-n:])


def _sheet(rng: np.random.Generator, world: str) -> object:
    """Conductivity times thickness: copper uneven by 20 % over tens of millimetres, or ``even``, or ``patchy``."""
    mean = float(rng.uniform(8e-3, 3e-2))
    if world == "patchy":
        # Planes under parts of the board: behind an edge and in a disc the sheet conducts thrice as well.
        edge, normal = rng.uniform(20, 100, 2), rng.normal(size=2)
        middle, radius = rng.uniform(20, 120, 2), rng.uniform(15, 35)

        def planes(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
            within = ((points_mm - edge) @ normal > 0) | (np.hypot(*(points_mm - middle).T) < radius)
            return np.asarray(mean * np.where(within, 1.5, 0.5))

        return planes
    waves = [(rng.normal(0, 2 * np.pi / 60, 2), rng.uniform(0, 2 * np.pi)) for _ in range(5)]
    if world == "even":
        return mean

    def sheet(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        pattern = sum(np.cos(points_mm @ k + phase) for k, phase in waves) * np.sqrt(2 / 5)
        return np.asarray(mean * np.exp(0.2 * pattern))

    return sheet


def take_look(rng: np.random.Generator, truth: Truth, *, cols: int) -> Look:
    """Through a camera of so many columns, 4:3."""
    board, field, shape = truth.board, truth.field, (cols * 3 // 4, cols)
    pose = sample_pose(rng, board, shape, 50.0)
    noise_k, blur_px = float(rng.uniform(0.03, 0.08)), float(rng.uniform(0.4, 0.8))
    seen = render_frame(
        field,
        board,
        pose,
        rng=rng,
        netd_k=noise_k,
        offset_k=float(rng.uniform(-2.0, 2.0)),
        blur_px=blur_px,
        reflected_c=field.ambient_c + float(rng.normal(0.0, 1.0)),
        emissivity_spread=1.0,
        heights=True,
    )
    image = ThermalImage(seen.apparent_c, noise_k, 1.15, BAND_UM, float(np.hypot(blur_px, 0.29)))
    registration = good_registration(rng, board, pose)
    around = {"ambient_c": field.ambient_c, "reflected_c": field.ambient_c}
    return Look(
        board=board,
        rectified=rectify_frame(image, registration, board),
        measurements=measure_parts(image, registration, board, **around),
        registration=registration,
        noise_k=noise_k,
        ambient_c=field.ambient_c,
    )


def true_look(truth: Truth) -> Look:
    """The true temperatures of board and bodies, every body seen."""
    field = truth.field
    board = replace(truth.board, surface=replace(truth.board.surface, emissivity=1.0))
    rows, cols = int(board.height_mm / TRUE_MM_PER_PX), int(board.width_mm / TRUE_MM_PER_PX)
    blank = Rectified(np.zeros((rows, cols)), TRUE_MM_PER_PX, np.ones((rows, cols), bool))
    face = field.board_c(blank.centres_mm().reshape(-1, 2)).reshape(rows, cols)
    measured = []
    for part in board.parts:
        metal = part.surface.emissivity < 0.5
        mean_c = field.truth(part).mean_c
        budget = (BudgetLine("noise", 0.01),)
        measured.append(
            PartMeasurement(part, 99, None, None, None, None, reason=reasons.METAL)
            if metal
            else PartMeasurement(part, 99, mean_c, mean_c, mean_c - field.ambient_c, 0.01, budget=budget)
        )
    matrix = np.array([[1 / TRUE_MM_PER_PX, 0, -0.5], [0, 1 / TRUE_MM_PER_PX, -0.5], [0, 0, 1.0]])
    corners = board.corners_mm / TRUE_MM_PER_PX
    registration = Registration("corners", matrix, corners, 1e-6 * np.eye(8), 0.0, 0.01, 0.0)
    seen = Rectified(face, TRUE_MM_PER_PX, blank.on_board)
    return Look(board, seen, tuple(measured), registration, 0.01, field.ambient_c)


@dataclass(slots=True)
class Row:
    """One part: true watts, what was told, and how sure; own heat likewise, NaN where not measurable."""

    true_w: float
    power_w: float
    u_w: float
    plain_w: float
    own_true_k: float
    own_k: float
    u_own_k: float
    u_received_k: float
    received_error_k: float


def compare(truth: Truth, split: HeatSplit, look: Look) -> list[Row]:
    """Every part's row."""
    plain = plain_watts(look, sum(truth.field.powers_w.values()))
    own = np.diag(truth.gives_k)
    received = truth.gives_k.sum(axis=1) - own
    known = split.parts[: len(own)]
    # What all parts err by alike is of no account when parts are compared.
    alike = float(np.median([heat.received_k for heat in known] - received))
    rows = []
    for i, heat in enumerate(known):
        rows.append(
            Row(
                true_w=truth.field.powers_w[heat.ref],
                power_w=float(heat.power_w or 0.0),
                u_w=float(heat.u_power_w or np.nan),
                plain_w=float(plain[i]),
                own_true_k=float(own[i]),
                own_k=np.nan if heat.own_k is None else heat.own_k,
                u_own_k=np.nan if heat.u_own_k is None else float(np.hypot(heat.u_own_k, split.u_constant_k)),
                u_received_k=heat.u_received_k,
                received_error_k=float(heat.received_k - received[i] - alike),
            )
        )
    return rows


def plain_watts(look: Look, supply_w: float) -> NDArray[np.float64]:
    """Watts in proportion to rise times area; what is not measurable counts with the least rise seen."""
    rise = np.array([np.nan if m.rise_k is None else m.rise_k for m in look.measurements])
    least = np.nanmin(rise) if np.isfinite(rise).any() else 1.0
    area = np.array([part.length_mm * part.width_mm for part in look.board.parts])
    share = np.maximum(np.where(np.isfinite(rise), rise, least), 0.0) * area
    return np.asarray(supply_w * share / max(share.sum(), 1e-9))


def print_figures(label: str, rows: Sequence[Row]) -> None:
    """One block of figures."""
    large = [row for row in rows if row.true_w > LEAST_W]
    error = np.array([row.power_w / row.true_w - 1 for row in large])
    plain = np.array([row.plain_w / row.true_w - 1 for row in large])
    z = np.array([(row.power_w - row.true_w) / row.u_w for row in large])
    small = np.array([(row.power_w - row.true_w) / row.u_w for row in rows if row.true_w <= LEAST_W])
    own = np.array([(row.own_k - row.own_true_k) / row.u_own_k for row in rows if np.isfinite(row.own_k)])
    off = np.array([row.own_k - row.own_true_k for row in rows if np.isfinite(row.own_k)])
    received = np.array([row.received_error_k / row.u_received_k for row in rows])
    print(f"{label}: {len(large)} parts above {LEAST_W} W of {len(rows)}")
    if large:
        print(
            f"  watts: mean error {np.mean(np.abs(error)):.1%}, median {np.median(np.abs(error)):.1%}, bias "
            f"{np.mean(error):+.1%}, worst {np.max(np.abs(error)):.0%}; plain rule {np.mean(np.abs(plain)):.1%}"
        )
    for name, values in (("watts above", z), ("watts below", small), ("own heat", own), ("received, apart", received)):
        if len(values):
            within = [np.mean(np.abs(values) < k) for k in (1, 2)]
            print(f"  {name:15} within 1 u {within[0]:.0%}, 2 u {within[1]:.0%}, spread of z {np.std(values):.2f}")
    if len(off):
        print(f"  own heat off by {np.sqrt(np.mean(off**2)):.2f} K RMS, bias {np.mean(off):+.2f} K")


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first board")
    parser.add_argument("--shape", type=int, nargs="+", default=[160, 320, 640], help="columns of the camera, 4:3")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--world", choices=("even", "uneven", "patchy"), default="uneven", help="the boards' copper")
    given = parser.parse_args()
    told: dict[int, list[Row]] = {cols: [] for cols in [0, *given.shape]}
    refused, seconds = 0, []
    for number in range(given.first, given.first + given.boards):
        truth = sample_truth(np.random.default_rng([given.seed, number]), world=given.world)
        supply_w = sum(truth.field.powers_w.values())
        for cols in told:
            rng = np.random.default_rng([given.seed, number, cols])
            look = take_look(rng, truth, cols=cols) if cols else true_look(truth)
            start = time.perf_counter()
            split = look.split(supply_w)
            seconds.append(time.perf_counter() - start)
            if split is None:
                refused += 1
            else:
                told[cols] += compare(truth, split, look)
    print(f"{given.boards} boards, {refused} splits refused, {np.median(seconds):.2f} s a split (median)\n")
    for cols, rows in told.items():
        print_figures(f"{cols} x {cols * 3 // 4}" if cols else "true temperatures", rows)
    return 0


if __name__ == "__main__":
    sys.exit(main())
