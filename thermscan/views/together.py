"""Several views of one board, made one answer: temperatures, and a picture in which nothing is hidden."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board
from thermscan.radiometry.camera import Camera
from thermscan.regions.leaning import Leaning, leaning_of_views, possible_leaning
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.registration import register_views
from thermscan.views.board_samples import BoardSamples, sample_board
from thermscan.views.combining import Combined, combine_views
from thermscan.views.glints import Glint, find_glints, offsets_k
from thermscan.views.seen import Bench, SeenView, with_place, without_pixels

FloatArray = NDArray[np.float64]

# A face, which is what a bench's surfaces mirror most often, in degrees Celsius (from memory).
FACE_C = 34.0


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """
    What several views say of one board.

    Attributes
    ----------
    views : tuple of SeenView
        As placed together.
    measurements : tuple of PartMeasurement
        One a part.
    rectified : Rectified
        The board from straight above, each place from the views that show it.
    combined : Combined
    leaning : Leaning
        What bodies may hide in all of the views.
    glints : tuple of Glint
    remarks : tuple of str
    """

    views: tuple[SeenView, ...]
    measurements: tuple[PartMeasurement, ...]
    rectified: Rectified
    combined: Combined
    leaning: Leaning
    glints: tuple[Glint, ...] = field(default=())
    remarks: tuple[str, ...] = field(default=())


def put_together(views: Sequence[SeenView], board: Board, *, camera: Camera, bench: Bench) -> Together:
    """
    One answer of one or more views.

    Parameters
    ----------
    views : sequence of SeenView
        The first lends its grid's order; else their order is of no account.
    board : Board
    camera : Camera
    bench : Bench

    Returns
    -------
    Together
    """
    fov_deg = camera.fov_deg[0] if camera.fov_deg else None
    if len(views) > 1:
        places = register_views(
            [view.image for view in views], [view.registration for view in views], board, camera=camera
        )
        views = [
            with_place(view, place, board, camera=camera, bench=bench)
            for view, place in zip(views, places, strict=True)
        ]
    leanings = [possible_leaning(board, view.registration, shape=view.image.shape, fov_deg=fov_deg) for view in views]
    if len(views) == 1:
        combined = combine_views([views[0].measurements])
        return Together(tuple(views), combined.measurements, views[0].rectified, combined, leanings[0])
    samples = sample_board(views, board, fov_deg=fov_deg)
    glints = find_glints(samples, tuple(part.ref for part in board.parts))
    used = [
        without_pixels(view, glints.pixels(samples, k, view.image.shape), board, camera=camera, bench=bench)
        if glints.cells[k].any()
        else view
        for k, view in enumerate(views)
    ]
    combined = combine_views([view.measurements for view in used])
    rectified = _composite(views, samples, glints.cells)
    remarks = (*_view_remarks(views, combined), *(_told(glint, board, bench) for glint in glints.found))
    leaning = leaning_of_views(leanings, {m.part.ref: m.seen_in for m in combined.measurements})
    return Together(tuple(views), combined.measurements, rectified, combined, leaning, glints.found, remarks)


def _composite(views: Sequence[SeenView], samples: BoardSamples, spoiled: NDArray[np.bool_]) -> Rectified:
    """Each place from all views that show it, brought to their common level; what none shows, as the finest has it."""
    offsets = offsets_k(samples)
    values = samples.apparent_c - offsets[:, None, None]
    counts = np.isfinite(values) & ~spoiled
    weights = counts / np.array([view.image.noise_k for view in views])[:, None, None] ** 2
    total = weights.sum(axis=0)
    seen = total > 0
    mean = np.where(counts, values * weights, 0.0).sum(axis=0) / np.where(seen, total, 1.0)
    finest = min(range(len(views)), key=lambda k: views[k].rectified.mm_per_px)
    left_c = views[finest].rectified.apparent_c - offsets[finest]
    return Rectified(np.where(seen, mean, left_c), samples.mm_per_px, samples.on_board, ~seen | (samples.body >= 0))


def _view_remarks(views: Sequence[SeenView], combined: Combined) -> list[str]:
    angles = ", ".join(f"{view.registration.view_angle_deg:.0f}" for view in views)
    said = [f"{len(views)} views of the board were put together, from {angles} degrees off the normal"]
    if combined.birge_ratio > 1.0:
        said.append(
            f"the views differ by {combined.birge_ratio:.1f} times what they state; the uncertainties were widened as"
            " much"
        )
    for view in sorted({view for _, view in combined.left_out}):
        refs = ", ".join(ref for ref, number in combined.left_out if number == view)
        said.append(
            f"{refs}: view {view + 1} reads otherwise than the others and was left out: it mirrors something"
            " there, or something lies over it"
        )
    return said


def _told(glint: Glint, board: Board, bench: Bench) -> str:
    place = glint.ref or f"the board at ({glint.x_mm:.0f}, {glint.y_mm:.0f}) mm"
    if glint.view is None:
        return (
            f"{place}: the two views that show it differ there by {glint.excess_k:.1f} K on {glint.area_mm2:.0f} mm²:"
            " one of them mirrors something or is covered; a view from a third side would tell"
        )
    said = (
        f"{place}: a bright spot of {glint.area_mm2:.0f} mm², {glint.excess_k:.1f} K, is in view {glint.view + 1} only:"
        " it mirrors something there, and was left out"
    )
    part = board.part(glint.ref) if glint.ref else None
    mirrored = glint.excess_k / max(FACE_C - bench.reflected_c, glint.excess_k)
    if part is not None and mirrored > 1 - part.surface.emissivity + part.surface.u_emissivity:
        said += (
            f"; if that was a face, it emits about {1 - mirrored:.1f} of what a black surface does, where the layout"
        )
        said += f" says {part.surface.emissivity:.2f}"
    return said
