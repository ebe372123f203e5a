"""What is to be said of several views: which were used, where they contradict each other, what they mirror."""

from __future__ import annotations

from collections.abc import Sequence

from thermscan.layout.board import Board
from thermscan.views.combining import Combined
from thermscan.views.drift import DRIFT_K
from thermscan.views.glints import Glint

# A face, which is what a bench's surfaces mirror most often, in degrees Celsius (from memory).
FACE_C = 34.0
# A camera's offset moves by so many of its usual deviations in one view of ten thousand.
OFFSET_DEVIATIONS = 4.0
OTHER_STATE = "most of its parts are warmer or cooler than in all other views: the board was in another state"


def view_remarks(angles_deg: Sequence[float], combined: Combined, numbers: Sequence[int]) -> tuple[str, ...]:
    """Which views were put together (``numbers``, from 0), their offsets, and which readings the others contradict."""
    angles = ", ".join(f"{angle:.0f}" for angle in angles_deg)
    said = [f"{len(angles_deg)} views of the board were put together, from {angles} degrees off the normal"]
    if combined.birge_ratio > 1.0:
        said.append(
            f"the views differ by {combined.birge_ratio:.1f} times what they state; the uncertainties were widened as"
            " much"
        )
    for number, drift_k in zip(numbers, combined.drift_k, strict=True):
        if abs(drift_k) > OFFSET_DEVIATIONS * DRIFT_K:
            said.append(
                f"view {number + 1} as a whole reads {abs(drift_k):.1f} K {'higher' if drift_k > 0 else 'lower'} than"
                " the middle of the views, which was taken out: the board was in another state, or the camera had not"
                " settled"
            )
    for view in sorted({view for _, view in combined.left_out}):
        refs = ", ".join(ref for ref, number in combined.left_out if number == view)
        said.append(
            f"{refs}: view {view + 1} reads otherwise than the others and was left out: it mirrors something"
            " there, or something lies over it"
        )
    return tuple(said)


def glint_remarks(glints: Sequence[Glint], board: Board, *, reflected_c: float) -> tuple[str, ...]:
    """A sentence for each view that mirrors something, one for places where only two differ, one of emissivities."""
    said = []
    for view in sorted({glint.view for glint in glints if glint.view is not None}):
        spots = [glint for glint in glints if glint.view == view]
        said.append(
            f"{_places(spots)}: brighter by up to {_most_k(spots):.1f} K in view {view + 1} only, which mirrors"
            " something there; left out"
        )
    disputed = [glint for glint in glints if glint.view is None]
    if disputed:
        said.append(
            f"{_places(disputed)}: the two views that show it differ by up to {_most_k(disputed):.1f} K: one of them"
            " mirrors something or is covered; a view from a third side would tell"
        )
    return (*said, *_emissivities(glints, board, reflected_c))


def _places(glints: Sequence[Glint]) -> str:
    refs = list(dict.fromkeys(glint.ref for glint in glints if glint.ref is not None))
    bare = sorted((glint for glint in glints if glint.ref is None), key=lambda glint: -glint.area_mm2)
    places = list(refs)
    if bare:
        more = f" and {len(bare) - 1} smaller place{'s' if len(bare) > 2 else ''}" if len(bare) > 1 else ""
        places.append(f"the bare board at ({bare[0].x_mm:.0f}, {bare[0].y_mm:.0f}) mm{more}")
    return ", ".join(places)


def _most_k(glints: Sequence[Glint]) -> float:
    return max(glint.excess_k for glint in glints)


def _emissivities(glints: Sequence[Glint], board: Board, reflected_c: float) -> tuple[str, ...]:
    """Parts that mirror more of a face than the layout's emissivity lets them."""
    strongest: dict[str, float] = {}
    for glint in glints:
        if glint.ref is not None and glint.view is not None:
            strongest[glint.ref] = max(strongest.get(glint.ref, 0.0), glint.excess_k)
    told = []
    for ref, excess_k in strongest.items():
        part, mirrored = board.part(ref), excess_k / max(FACE_C - reflected_c, excess_k)
        if part is not None and mirrored > 1 - part.surface.emissivity + part.surface.u_emissivity:
            told.append(f"{ref} {1 - mirrored:.1f} (layout {part.surface.emissivity:.2f})")
    if not told:
        return ()
    return (f"if it was a face that is mirrored, these emit less than the layout says: {', '.join(told)}",)
