"""What the judge is shown: a simulated board's heat, one fault in it, and one camera's view of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from samples.simulator import (
    BoardField,
    Fault,
    Pose,
    inject_fault,
    render_frame,
    sample_pose,
    solve_board,
    solver,
)
from thermscan.frames.frame import Frame, FrameSource
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.measure import measure_parts
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.regions.rectify import rectify_frame
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.registration import Registration
from thermscan.runs.run import Run, Supply

# A good registration: corners known to this.
CORNER_PX = 0.3
# Another specimen draws what this one does within this share.
SPECIMEN_SHARE = 0.04
# The blur is read from the edges about as well as this.
BLUR_DOUBT_PX = 0.05
# A culprit that warms its neighbour, and heat on the bare board, are so many times the size of a hot part's.
WARMED_TIMES, UNMAPPED_TIMES = 5.0, 3.0


@dataclass(frozen=True, slots=True)
class Options:
    """What the trials are drawn from; ``good_shape`` is the camera of the known-good runs where it is another."""

    seed: int = 1
    shape: tuple[int, int] = (240, 320)
    good_shape: tuple[int, int] | None = None
    fault_k: tuple[float, ...] = (3.0,)
    max_tilt_deg: float = 50.0
    world: str = "uneven"
    good_runs: int = 3
    parts: int | None = None
    load: tuple[float, float] = (0.9, 1.1)
    other_ambient_k: float = 0.0
    band_um: tuple[float, float] = (8.0, 14.0)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What learning and judging need of one look."""

    run: Run
    board: Board
    frames: tuple[Frame, ...]
    rectified: Rectified
    measurements: tuple[PartMeasurement, ...]
    registration: Registration
    noise_k: float
    band_um: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """The physics about one board, which the judge does not know."""

    sheet_w_per_k: float | Callable[[np.ndarray], np.ndarray]
    loss_w_per_m2k: float | None
    ambient_c: float

    def solve(self, board: Board, watts: dict[str, float], ambient_c: float, fault: Fault | None) -> BoardField:
        """The board's temperatures by finite elements."""
        return solve_board(
            board,
            watts,
            ambient_c=ambient_c,
            sheet_w_per_k=self.sheet_w_per_k,
            loss_w_per_m2k=self.loss_w_per_m2k,
            extra_heat=[fault.disc] if fault and fault.disc else [],
        )


def draw_world(rng: np.random.Generator, options: Options) -> World:
    """How a board's copper spreads heat, and how its faces lose it."""
    if options.world == "flush":
        # Bodies soldered down flat, hardly warmer than the board beneath.
        for name in solver.BODY_TO_BOARD_K_M2_PER_W:
            solver.BODY_TO_BOARD_K_M2_PER_W[name] = 4e-4
    sheet = _sheet(rng, options)
    return World(sheet, None if rng.random() < 0.5 else float(rng.uniform(16.0, 24.0)), float(rng.uniform(18.0, 28.0)))


def _sheet(rng: np.random.Generator, options: Options) -> float | Callable[[np.ndarray], np.ndarray]:
    mean = float(rng.uniform(8e-3, 3e-2))
    if options.world == "even":
        return mean
    if options.world == "patchy":
        # Copper planes under parts of the board: in one half-plane and one disc the sheet conducts thrice as well.
        edge, normal = rng.uniform(20, 100, 2), rng.normal(size=2)
        middle, radius = rng.uniform(20, 120, 2), rng.uniform(15, 35)

        def planes(points_mm: np.ndarray) -> np.ndarray:
            behind = (points_mm - edge) @ normal > 0
            within = np.hypot(*(points_mm - middle).T) < radius
            return mean * np.where(behind | within, 1.5, 0.5)

        return planes
    # Copper is uneven: a smooth pattern of +-20 % over tens of millimetres.
    waves = [(rng.normal(0, 2 * np.pi / 60, 2), rng.uniform(0, 2 * np.pi)) for _ in range(5)]

    def sheet(points_mm: np.ndarray) -> np.ndarray:
        pattern = sum(np.cos(points_mm @ k + phase) for k, phase in waves) * np.sqrt(2 / 5)
        return mean * np.exp(0.2 * pattern)

    return sheet


def specimen(rng: np.random.Generator, usual_w: dict[str, float]) -> dict[str, float]:
    """What another board of the same type draws."""
    return {ref: max(w * (1 + SPECIMEN_SHARE * float(rng.normal())), 0.0) for ref, w in usual_w.items()}


def break_board(
    rng: np.random.Generator,
    board: Board,
    watts: dict[str, float],
    kind: str,
    *,
    world: World,
    ambient_c: float,
    fault_k: float,
) -> tuple[dict[str, float], Fault | None]:
    """A fault whose watts make the wanted rise of the body (of the board, where no part is)."""
    if kind == "good":
        return watts, None
    state = rng.bit_generator.state
    tried_w, fault = inject_fault(rng, board, watts, kind, watts=0.1)
    if kind == "dead":
        return tried_w, fault
    before, after = world.solve(board, watts, ambient_c, None), world.solve(board, tried_w, ambient_c, fault)
    if fault.disc:
        spot = np.array([[fault.disc.x_mm, fault.disc.y_mm]])
        rise_k, wanted_k = float(after.board_c(spot)[0] - before.board_c(spot)[0]), UNMAPPED_TIMES * fault_k
    else:
        rise_k = after.body_c[fault.ref or ""] - before.body_c[fault.ref or ""]
        wanted_k = (WARMED_TIMES if kind == "warmed" else 1.0) * fault_k
    rng.bit_generator.state = state
    return inject_fault(rng, board, watts, kind, watts=0.1 * wanted_k / rise_k)


def draw_look(
    rng: np.random.Generator,
    board: Board,
    thermal: BoardField,
    options: Options,
    *,
    supply_w: float,
    name: str,
    shape: tuple[int, int],
) -> Look:
    """One hand-held view, measured with a good registration."""
    pose = sample_pose(rng, board, shape, options.max_tilt_deg)
    noise_k, blur_px = float(rng.uniform(0.03, 0.08)), float(rng.uniform(0.4, 0.8))
    seen = render_frame(
        thermal,
        board,
        pose,
        rng=rng,
        netd_k=noise_k,
        offset_k=float(rng.uniform(-2.0, 2.0)),
        blur_px=blur_px,
        reflected_c=thermal.ambient_c + float(rng.normal(0.0, 1.0)),
        emissivity_spread=1.0,
        heights=True,
        band_um=options.band_um,
    )
    image = ThermalImage(
        seen.apparent_c, noise_k, 1.15, options.band_um, blur_px + float(rng.normal(0.0, BLUR_DOUBT_PX))
    )
    registration = good_registration(rng, board, pose)
    path = Path(f"/{name}.tiff")
    run = Run(
        (path,), thermal.ambient_c, thermal.ambient_c, minutes_on=30.0, supply=(Supply("all", 5.0, supply_w / 5.0),)
    )
    return Look(
        run=run,
        board=board,
        frames=(Frame(np.zeros((1, 1)), "C", "given", FrameSource(path, 0, name, "TIFF", "float32")),),
        rectified=rectify_frame(image, registration, board),
        measurements=measure_parts(image, registration, board, ambient_c=run.ambient_c, reflected_c=run.reflected_c),
        registration=registration,
        noise_k=noise_k,
        band_um=options.band_um,
    )


def good_registration(rng: np.random.Generator, board: Board, pose: Pose) -> Registration:
    """The true place, off by what a good registration is off."""
    corners = pose.px(board.corners_mm) + rng.normal(0.0, CORNER_PX, (4, 2))
    matrix = homography_from_corners(board.corners_mm, corners)
    scale = abs(float(np.linalg.det(np.diff(pose.px(board.corners_mm[[0, 1, 3]]), axis=0)))) ** 0.5
    px_per_mm = scale / (board.width_mm * board.height_mm) ** 0.5
    return Registration(
        "corners", matrix, corners, CORNER_PX**2 * np.eye(8), CORNER_PX, 0.6 * CORNER_PX / px_per_mm, pose.tilt_deg
    )
