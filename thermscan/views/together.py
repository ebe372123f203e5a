"""Several views of one board, made one answer: temperatures, and a picture in which nothing is hidden."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import Fault
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.radiometry.camera import Camera
from thermscan.regions.leaning import Leaning, leaning_of_views, possible_leaning
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.registration import register_views
from thermscan.views.board_samples import BoardSamples, may_be_hidden, sample_board
from thermscan.views.combining import Combined, combine_views
from thermscan.views.glints import Glint, find_glints, offsets_k
from thermscan.views.other_state import view_of_another_state
from thermscan.views.remarks import OTHER_STATE, glint_remarks, view_remarks
from thermscan.views.seen import Bench, LostView, SeenView, with_place, without_pixels

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """
    What several views say of one board.

    Attributes
    ----------
    views : tuple of SeenView or LostView
        As placed together, in the given order; one of another state than all others is lost.
    finest : SeenView
        The one that shows the board largest, on whose raster the picture lies; it does not depend on the views' order.
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

    views: tuple[SeenView | LostView, ...]
    finest: SeenView
    measurements: tuple[PartMeasurement, ...]
    rectified: Rectified
    combined: Combined
    leaning: Leaning
    glints: tuple[Glint, ...] = field(default=())
    remarks: tuple[str, ...] = field(default=())

    @property
    def seen(self) -> tuple[SeenView, ...]:
        """The views that are used."""
        return tuple(view for view in self.views if isinstance(view, SeenView))


def put_together(views: Sequence[SeenView | LostView], board: Board, *, camera: Camera, bench: Bench) -> Together:
    """
    One answer of one or more views.

    Parameters
    ----------
    views : sequence of SeenView or LostView
        One is seen at least. Their order is of no account; all are counted where views are told by number.
    board : Board
    camera : Camera
    bench : Bench

    Returns
    -------
    Together
    """
    fov_deg = camera.fov_deg[0] if camera.fov_deg else None
    seen = {k: view for k, view in enumerate(views) if isinstance(view, SeenView)}
    # Sums and ties depend on the order, if only in their last digits: where the board lies sets it.
    order = sorted(seen, key=lambda k: tuple(seen[k].registration.corners_px.ravel()))
    again = _placed_together([seen[k] for k in order], board, camera=camera, bench=bench)
    used = dict(zip(order, again, strict=True))
    lost: dict[int, LostView] = {}
    while (worst := view_of_another_state([view.measurements for view in used.values()])) is not None:
        number = list(used)[worst]
        lost[number] = LostView(used.pop(number).numbers, (Fault(OTHER_STATE),))
    told = _as_given(_put_together(list(used.values()), board, camera, bench, fov_deg), list(used))
    placed = tuple(used.get(k) or lost.get(k) or view for k, view in enumerate(views))
    told = replace(told, views=placed)
    if len(used) == 1:
        return told
    angles = [view.registration.view_angle_deg for view in told.seen]
    said = (
        *view_remarks(angles, told.combined, sorted(used)),
        *glint_remarks(told.glints, board, reflected_c=bench.reflected_c),
    )
    return replace(told, remarks=said)


def _placed_together(views: Sequence[SeenView], board: Board, *, camera: Camera, bench: Bench) -> list[SeenView]:
    if len(views) == 1:
        return list(views)
    places = register_views([view.image for view in views], [view.registration for view in views], board, camera=camera)
    return [
        with_place(view, place, board, camera=camera, bench=bench) for view, place in zip(views, places, strict=True)
    ]


def _put_together(
    views: Sequence[SeenView], board: Board, camera: Camera, bench: Bench, fov_deg: float | None
) -> Together:
    """The views numbered as they come here; nothing said yet."""
    leanings = [possible_leaning(board, view.registration, shape=view.image.shape, fov_deg=fov_deg) for view in views]
    if len(views) == 1:
        combined = combine_views([views[0].measurements])
        return Together((), views[0], combined.measurements, views[0].rectified, combined, leanings[0])
    samples = sample_board(views, board, fov_deg=fov_deg)
    refs = tuple(part.ref for part in board.parts)
    glints = find_glints(samples, refs, may_hide=may_be_hidden(samples, leanings))
    without = [
        without_pixels(view, glints.pixels(samples, k, view.image.shape), board, camera=camera, bench=bench)
        if glints.cells[k].any()
        else view
        for k, view in enumerate(views)
    ]
    combined = combine_views([view.measurements for view in without], spoiled=glints.spoiled(samples, len(board.parts)))
    rectified = _composite(views, samples, glints.cells | glints.beside)
    leaning = leaning_of_views(leanings, {m.part.ref: m.seen_in for m in combined.measurements})
    return Together((), _finest(views), combined.measurements, rectified, combined, leaning, glints.found)


def _as_given(told: Together, numbers: Sequence[int]) -> Together:
    """The views by the numbers that they were given."""
    combined = told.combined
    measurements = tuple(
        replace(m, seen_in=tuple(sorted(numbers[view] for view in m.seen_in))) for m in combined.measurements
    )
    combined = replace(
        combined,
        measurements=measurements,
        drift_k=combined.drift_k[np.argsort(numbers)],
        left_out=tuple((ref, numbers[view]) for ref, view in combined.left_out),
    )
    glints = tuple(glint if glint.view is None else replace(glint, view=numbers[glint.view]) for glint in told.glints)
    return replace(told, measurements=measurements, combined=combined, glints=glints)


def _finest(views: Sequence[SeenView]) -> SeenView:
    return min(views, key=lambda view: view.rectified.mm_per_px)


def _composite(views: Sequence[SeenView], samples: BoardSamples, spoiled: NDArray[np.bool_]) -> Rectified:
    """Each place from all views that show it, brought to their common level; what none shows, as the finest has it."""
    offsets = offsets_k(samples)
    values = samples.apparent_c - offsets[:, None, None]
    counts = np.isfinite(values) & ~spoiled
    weights = counts / np.array([view.image.noise_k for view in views])[:, None, None] ** 2
    total = weights.sum(axis=0)
    seen = total > 0
    mean = np.where(counts, values * weights, 0.0).sum(axis=0) / np.where(seen, total, 1.0)
    finest = views.index(_finest(views))
    left_c = views[finest].rectified.apparent_c - offsets[finest]
    return Rectified(np.where(seen, mean, left_c), samples.mm_per_px, samples.on_board, ~seen | (samples.body >= 0))
