"""Where the heat enters: a short found by switching a small supply (lock-in), or by the difference to one at rest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.apparent import ApparentStream
from thermscan.dynamics.board_maps import BoardGrid, board_grid, smooth_patterns
from thermscan.dynamics.body_sources import BodySource, find_body_sources
from thermscan.dynamics.difference import mean_pictures, noise_by_neighbours
from thermscan.dynamics.driven import lock_in_driven
from thermscan.dynamics.fin_kernel import SHEETS_W_PER_K, FinKernel, fin_kernel
from thermscan.dynamics.heat_source import CAPACITY_DOUBT, LOSS_DOUBT, HeatSource, body_source, finding_of, point_source
from thermscan.dynamics.lockin import LockIn
from thermscan.dynamics.part_pixels import PartPixels, find_part_pixels
from thermscan.dynamics.part_series import open_recording
from thermscan.dynamics.reference import Reference, find_reference
from thermscan.dynamics.source_search import PointSource, Search, find_sources
from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.heat.spots import distance_mm
from thermscan.judge.finding import Finding, Overall
from thermscan.layout.board import Board
from thermscan.layout.reading import read_board
from thermscan.radiometry.camera import Camera, read_camera
from thermscan.robust import MAD_TO_SIGMA
from thermscan.runs.run import Run

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# On for half of each period: the fundamental of the heat is 2 / pi of it (Fourier): watts are pi / 2 of the amplitude.
SQUARE_WATTS = np.pi / 2


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """
    Where the heat enters, with the maps that show it.

    Attributes
    ----------
    method : str
        ``lock-in`` or ``difference``.
    noise_k : float
        Of the amplitude (or difference) of one pixel.
    least_watts : float
        Heat on bare board that this recording would just have shown.
    """

    run: Run
    board: Board
    reference: Reference
    grid: BoardGrid
    method: str
    period_s: float | None
    period_source: str | None
    cycles: float | None
    noise_k: float
    sources: tuple[HeatSource, ...]
    amplitude: ComplexArray
    mean_c: FloatArray
    frames: int
    duration_s: float
    least_watts: float
    findings: tuple[Finding, ...]
    overall: Overall
    remarks: tuple[str, ...] = field(default=())

    def minutes_for(self, watts: float) -> float:
        """How long to record, so that so many watts would just be found: noise falls with the square root of time."""
        return self.duration_s / 60.0 * (self.least_watts / watts) ** 2


def locate_run(run: Run, *, progress: Callable[[str], None] | None = None) -> Located:
    """
    Where heat enters a board while a small supply is switched on and off, or is on.

    Raises
    ------
    InputError
        A file is wrong, or there is nothing to compare with.
    CannotJudge
        The board is not found; or no period is given and none is found.
    """
    tell = progress or (lambda _stage: None)
    if run.layout is None:
        raise InputError("no layout is named", where=str(run.path or "run"), fix='write layout = "board.toml"')
    board, camera = read_board(run.layout), read_camera(run.camera)
    tell("reading")
    switched = run.drive_period_s is not None or not run.off_frames
    stream = open_recording(run, camera, times_needed=switched) if switched else _any_frames(run, camera)
    tell("registration")
    reference = find_reference(stream, run, board, camera, heated=False)
    pixels = find_part_pixels(reference)
    tell("reading every frame")
    if switched:
        return _by_lock_in(stream, reference, pixels)
    return _by_difference(stream, reference, pixels, camera)


def _any_frames(run: Run, camera: Camera) -> ApparentStream:
    from thermscan.dynamics.apparent import apparent_stream  # noqa: PLC0415
    from thermscan.frames.stream import open_stream  # noqa: PLC0415

    unit = "counts" if camera.reads_counts else run.unit
    return apparent_stream(
        open_stream(run.frames, unit=unit, ambient_c=run.ambient_c, size_px=run.size_px), run, camera
    )


def _by_lock_in(stream: ApparentStream, reference: Reference, pixels: PartPixels) -> Located:
    run, grid = reference.run, board_grid(reference)
    driven = lock_in_driven(stream, reference, pixels, grid)
    result, period_s = driven.result, driven.period_s
    omega = 2 * np.pi / period_s
    search, bodies = _searched(grid, result, pixels, omega)
    noise = float(np.sqrt(np.nanmedian(np.abs(result.beside) ** 2) / np.log(2.0)))
    drive = _drive_angle(run, omega, search.sources, bodies)
    sources = [
        *(point_source(each, grid, result.amplitude, reference, factor=SQUARE_WATTS, doubt=CAPACITY_DOUBT,
                      drive=drive, omega_per_s=omega)
          for each in search.sources),
        *(body_source(each, reference, factor=SQUARE_WATTS, drive=drive) for each in bodies),
    ]  # fmt: skip
    return _located(
        reference, grid, sources, search, result.amplitude, mean_c=result.mean_c, method="lock-in",
        period_s=period_s, period_source=driven.period_source, cycles=driven.span_s / period_s, noise_k=noise,
        factor=SQUARE_WATTS, frames=result.frames, duration_s=driven.span_s,
        said=(*stream.first.remarks, *driven.remarks),
    )  # fmt: skip


def _kernels(reference: Reference, grid: BoardGrid, omega: float) -> tuple[FinKernel, ...]:
    # The pixel's own area and the laying out (linear between cells) widen what the optics blur.
    spread_px = np.sqrt(reference.image.blur_px**2 + 1 / 12 + 1 / 6)
    spread_mm = float(np.hypot(spread_px / grid.px_per_mm, 0.4))
    thickness = reference.board.thickness_mm
    return tuple(
        fin_kernel(sheet_w_per_k=sheet, omega_per_s=omega, thickness_mm=thickness, spread_mm=spread_mm)
        for sheet in SHEETS_W_PER_K
    )


def _searched(
    grid: BoardGrid, result: LockIn, pixels: PartPixels, omega: float
) -> tuple[Search, tuple[BodySource, ...]]:
    kernels = _kernels(grid.reference, grid, omega)
    bodies = find_body_sources(pixels, result.amplitude, list(result.beside), omega_per_s=omega)
    usual = kernels[len(kernels) // 2]
    leaks = [_leak(grid, each, usual) for each in bodies]
    beside = [grid.laid_out(each) for each in result.beside]
    search = find_sources(
        grid, grid.laid_out(result.amplitude), beside, kernels, smooth=smooth_patterns(grid), leaks=leaks
    )
    return _without_skirts(search, bodies, grid.reference), bodies


def _leak(grid: BoardGrid, source: BodySource, kernel: FinKernel) -> ComplexArray:
    """What heat that a body hands to the board under it does about it."""
    part = source.part
    across = np.linspace(-0.45, 0.45, 7)
    u, v = np.meshgrid(across * part.length_mm, across * part.width_mm)
    points = part.board_from_body(np.column_stack([u.ravel(), v.ravel()]))
    cells = grid.centres_mm()
    apart = np.hypot(cells[..., None, 0] - points[:, 0], cells[..., None, 1] - points[:, 1])
    return np.asarray(kernel.at(apart).mean(axis=-1))


def _without_skirts(search: Search, bodies: Sequence[BodySource], reference: Reference) -> Search:
    """Places beside a body that gives heat itself are its own skirt, unless they are as strong."""
    kept = []
    skirt_mm = 0.7 * search.kernel.decay_mm + reference.registration.uncertainty_mm
    for each in search.sources:
        near = [
            body for body in bodies
            if distance_mm(body.part, each.x_mm, each.y_mm) < skirt_mm
        ]  # fmt: skip
        if all(abs(each.heat_w) > 0.5 * abs(body.heat_w) for body in near):
            kept.append(each)
    return replace(search, sources=tuple(kept))


def _drive_angle(run: Run, omega: float, points: Sequence[PointSource], bodies: Sequence[BodySource]) -> float | None:
    """The phase of the heat's fundamental: from when the supply was switched on, else from the strongest source."""
    if run.power_on_s is not None:
        return float(-omega * run.power_on_s - np.pi / 2)
    heats = [each.heat_w for each in points] + [each.heat_w for each in bodies]
    return float(np.angle(max(heats, key=abs))) if heats else None


def _by_difference(stream: ApparentStream, reference: Reference, pixels: PartPixels, camera: Camera) -> Located:
    run = reference.run
    on = mean_pictures(stream, stream.stream.count, reference, pixels)
    off_run = replace(run, frames=run.off_frames)
    off_stream = _any_frames(off_run, camera)
    if off_stream.stream.shape != stream.stream.shape:
        raise InputError(
            "off_frames have another size than the frames", where=str(run.off_frames[0]), fix="use one camera"
        )
    off = mean_pictures(off_stream, off_stream.stream.count, reference, pixels)
    difference = ((on[0] + on[1]) - (off[0] + off[1])) / 2
    beside = [((on[0] - on[1]) + (off[0] - off[1])) / 2, ((on[0] - on[1]) - (off[0] - off[1])) / 2]
    if not np.isfinite(beside[0]).any() or np.nanstd(beside[0]) == 0:
        beside = noise_by_neighbours(difference)
    grid = board_grid(reference)
    kernels = _kernels(reference, grid, 0.0)
    bodies = find_body_sources(
        pixels, difference.astype(complex), [each.astype(complex) for each in beside], omega_per_s=0.0
    )
    leaks = [_leak(grid, each, kernels[len(kernels) // 2]) for each in bodies]
    search = find_sources(
        grid, grid.laid_out(difference), [grid.laid_out(each) for each in beside], kernels,
        smooth=smooth_patterns(grid), leaks=leaks,
    )  # fmt: skip
    search = replace(search, sources=tuple(each for each in search.sources if each.heat_w.real > 0))
    search = _without_skirts(search, bodies, reference)
    sources = [
        *(point_source(each, grid, difference.astype(complex), reference, factor=1.0, doubt=LOSS_DOUBT,
                      drive=None, omega_per_s=0.0)
          for each in search.sources),
        *(body_source(each, reference, factor=1.0, drive=None) for each in bodies),
    ]  # fmt: skip
    noise = float(MAD_TO_SIGMA * np.nanmedian(np.abs(beside[0])))
    return _located(
        reference, grid, sources, search, difference.astype(complex), mean_c=on[0], method="difference",
        period_s=None, period_source=None, cycles=None, noise_k=noise, factor=1.0,
        frames=stream.stream.count + off_stream.stream.count, duration_s=0.0, said=stream.first.remarks,
    )  # fmt: skip


def _located(
    reference: Reference, grid: BoardGrid, sources: Sequence[HeatSource], search: Search,
    amplitude: ComplexArray, *, mean_c: FloatArray, method: str, period_s: float | None, period_source: str | None,
    cycles: float | None, noise_k: float, factor: float, frames: int, duration_s: float, said: Sequence[str],
) -> Located:  # fmt: skip
    ordered = tuple(sorted(sources, key=lambda each: -each.watts))
    findings = tuple(finding_of(each) for each in ordered)
    least = search.least_w * factor
    told = [*reference.remarks, *said, _reach(least, duration_s)]
    return Located(
        run=reference.run, board=reference.board, reference=reference, grid=grid, method=method, period_s=period_s,
        period_source=period_source, cycles=cycles, noise_k=noise_k, sources=ordered, amplitude=amplitude,
        mean_c=mean_c, frames=frames, duration_s=duration_s, least_watts=least, findings=findings,
        overall="act" if ordered else "clear", remarks=tuple(dict.fromkeys(told)),
    )  # fmt: skip


def _reach(least_w: float, duration_s: float) -> str:
    shown = f"{1000 * least_w:.2g} mW"
    if duration_s <= 0:
        return f"heat of {shown} on bare board would just have shown; a switched supply (lock-in) finds far less"
    return (
        f"heat of {shown} on bare board would just have shown; half of that takes four times as long "
        f"({4 * duration_s / 60:.0f} min)"
    )
