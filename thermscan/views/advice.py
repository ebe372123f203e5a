"""From where the next view should be taken, so that what is hidden now is seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from thermscan.layout.board import Board, Part
from thermscan.regions import reasons
from thermscan.regions.hiding import silhouettes
from thermscan.regions.measurement import PartMeasurement
from thermscan.registration.geometry.parallax import pose_seen
from thermscan.views.seen import SeenView

SIDES = ("left", "top", "right", "bottom")


def advise_on_next_view(
    views: Sequence[SeenView], measurements: Sequence[PartMeasurement], board: Board, *, fov_deg: float | None = None
) -> tuple[str, ...]:
    """
    What one more view would show, one sentence a part that hides others.

    Parameters
    ----------
    views : sequence of SeenView
    measurements : sequence of PartMeasurement
        Of all views together.
    board : Board
    fov_deg : float, optional
        The camera's horizontal field of view; else told from each view.

    Returns
    -------
    tuple of str
        Empty where nothing is hidden.
    """
    hidden = [m.part for m in measurements if m.reason == reasons.HIDDEN]
    by_culprit: dict[str, list[Part]] = {}
    for part in hidden:
        culprit = _hidden_by(part, views, board, fov_deg=fov_deg)
        if culprit is not None:
            by_culprit.setdefault(culprit.ref, []).append(part)
    return tuple(_sentence(board.part(ref), parts) for ref, parts in by_culprit.items())


def _hidden_by(part: Part, views: Sequence[SeenView], board: Board, *, fov_deg: float | None) -> Part | None:
    """The part that stands over most of a hidden one, in most of the views."""
    culprits: Counter[str] = Counter()
    for view in views:
        shape = view.image.shape
        pose = pose_seen(view.registration, shape=shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
        middle = view.registration.px(np.vstack([part.corners_mm(), [[part.x_mm, part.y_mm]]]))
        for other in silhouettes(board, view.registration, pose):
            if other.ref != part.ref:
                culprits[other.ref] += int(other.covers(middle).sum())
    ref, count = culprits.most_common(1)[0] if culprits else ("", 0)
    return board.part(ref) if count else None


def _sentence(culprit: Part | None, hidden: Sequence[Part]) -> str:
    assert culprit is not None
    away = np.mean([[part.x_mm - culprit.x_mm, part.y_mm - culprit.y_mm] for part in hidden], axis=0)
    # The side on which the hidden parts lie of what hides them.
    k = int(np.argmax([-away[0], -away[1], away[0], away[1]]))
    first, *others = [part.ref for part in hidden]
    count = len(others)
    named = f"{first} and {count} other{'s' if count > 1 else ''} are" if others else f"{first} is"
    it = "them" if others else "it"
    return f"{named} hidden behind {culprit.ref}: one more frame from the board's {SIDES[k]} would show {it}"
