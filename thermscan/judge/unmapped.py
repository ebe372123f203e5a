"""Heat where the layout has no part."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from thermscan.frozen import dataclass
from thermscan.heat.spots import WarmSpot, distance_mm
from thermscan.judge import thresholds
from thermscan.judge.finding import Finding, UnmappedHeat
from thermscan.layout.board import Board, Part, Surface

# Stand-in for a source that the layout does not know, so that its neighbours are not held to give its heat.
STAND_IN_MM = 4.0
MOST_STAND_INS = 6
_STAND_IN = "(no part) "


@dataclass(frozen=True, slots=True)
class UnmappedResult:
    """Places of unexplained heat, and the findings about them, in the same order."""

    places: tuple[UnmappedHeat, ...]
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...] = ()


def with_stand_ins(board: Board, spots: Sequence[WarmSpot]) -> Board:
    """The board with a small stand-in part at each warm spot, named so that no layout can name it so."""
    surface = Surface(board.surface.name, board.surface.emissivity, board.surface.u_emissivity)
    before = sum(is_stand_in(part.ref) for part in board.parts)
    extra = tuple(
        Part(f"{_STAND_IN}{i}", STAND_IN_MM, STAND_IN_MM, spot.x_mm, spot.y_mm, 0.0, surface)
        for i, spot in enumerate(spots[: MOST_STAND_INS - before], start=before + 1)
    )
    return replace(board, parts=board.parts + extra)


def plain_name(ref: str) -> str:
    """
    A source's name for a sentence; a stand-in is no part.

    Examples
    --------
    >>> plain_name("U7"), plain_name("(no part) 1")
    ('U7', 'heat where no part is mapped')
    """
    return "heat where no part is mapped" if is_stand_in(ref) else ref


def is_stand_in(ref: str) -> bool:
    """Whether that is no part of the layout."""
    return ref.startswith(_STAND_IN)


def stands(spot: WarmSpot) -> bool:
    """Whether a spot has the shape of a source of its own; not so where too little bare board lies about it."""
    share = spot.shape.height_share
    return share is not None and share >= thresholds.UNMAPPED_STANDS_SHARE


def may_be_source(spot: WarmSpot) -> bool:
    """Whether what is new on bare board may be a source of its own rather than the shoulder of a part that changed."""
    return stands_out(spot) and (spot.shape.height_share is None or stands(spot) or _on_flat_ground(spot))


def _on_flat_ground(spot: WarmSpot) -> bool:
    """Beside parts that have changed little there is no new slope that a shoulder could be of."""
    return abs(spot.explained_k) < thresholds.UNMAPPED_SHARE * spot.excess_k


def nothing_leans(spot: WarmSpot) -> str | None:  # noqa: ARG001 - for views in which heights are of no account
    """No body's top may be seen at any place of the bare board."""
    return None


def may_lean(ref: str) -> str:
    """Why a spot behind a body may be no heat of the board."""
    return f"the top of {ref}, whose height is not known for sure, may be seen there"


def judge_spots(
    spots: Sequence[WarmSpot],
    board: Board,
    *,
    ambient_c: float,
    camera_px_mm: float,
    new: bool,
    beside_k: Callable[[WarmSpot], float | None],
    leans: Callable[[WarmSpot], str | None] = nothing_leans,
) -> UnmappedResult:
    """
    Which warm spots are heat that no mapped part gives.

    Parameters
    ----------
    spots : sequence of WarmSpot
        Of bare board.
    board : Board
    ambient_c : float
    camera_px_mm : float
        Millimetres a camera pixel covers: a spot must be larger than a pixel.
    new : bool
        Whether the spots are what is new since the known-good runs, rather than all that is warm.
    beside_k : callable
        See `doubt_of`.
    leans : callable
        The part whose top may be what is seen there, or None.

    Returns
    -------
    UnmappedResult
    """
    places, findings = [], []
    for spot in spots:
        doubt = doubt_of(spot, ambient_c=ambient_c, new=new, beside_k=beside_k(spot))
        if doubt is SHOULDER or not stands_out(spot) or spot.area_mm2 < least_area_mm2(camera_px_mm):
            continue
        large = spot.excess_k >= (thresholds.UNMAPPED_NEW_ACT_K if new else thresholds.UNMAPPED_ACT_K)
        if doubt is _HEMMED_IN and not large:
            continue
        over = leans(spot)
        doubt = doubt or (may_lean(over) if over else None)
        nearest, distance = nearest_part(board, spot)
        places.append(
            UnmappedHeat(
                x_mm=spot.x_mm,
                y_mm=spot.y_mm,
                peak_c=ambient_c + spot.rise_k,
                rise_k=spot.rise_k,
                area_mm2=spot.area_mm2,
                nearest_ref=nearest,
                distance_mm=distance,
            )
        )
        findings.append(
            Finding(
                ref=None,
                rule="unmapped",
                level="act" if large and doubt is None else "watch",
                direction="hot",
                excess_k=spot.excess_k,
                u_k=spot.excess_k / spot.deviations if spot.deviations > 0 else None,
                score=spot.deviations,
                text=(
                    f"The bare board {place_of(board, spot)} is {spot.excess_k:.1f} K warmer than "
                    f"{'in the known-good runs' if new else 'the parts around it explain'}, "
                    f"over {spot.area_mm2:.0f} mm²{f', but {doubt}' if doubt else ''}."
                ),
                source_ref=None,
                hypotheses=_GLINT_HYPOTHESES if doubt is GLINT else _hypotheses(nearest),
            )
        )
    return UnmappedResult(tuple(places), tuple(findings))


def stands_out(spot: WarmSpot) -> bool:
    """Whether a spot is warmer than its surroundings beyond what the fin model and the noise leave open."""
    needed = max(thresholds.UNMAPPED_WATCH_K, thresholds.UNMAPPED_SHARE * abs(spot.explained_k))
    return spot.excess_k >= needed and spot.deviations >= thresholds.UNMAPPED_DEVIATIONS


def least_area_mm2(camera_px_mm: float) -> float:
    """A spot of bare board must be larger than a camera pixel."""
    return max(thresholds.UNMAPPED_LEAST_AREA_MM2, 1.5 * camera_px_mm**2)


SHOULDER = "it falls off to one side as the board about a hot part does"
_HALF_STANDS = "it hardly stands above the board on both sides of it"
_HEMMED_IN = "too little bare board lies about it to tell a source from something else"
GLINT = "it ends sharply and is no warmer than a person, as bare metal that mirrors one"
_GLINT_HYPOTHESES = (
    "a screw head or a bare pad? look again from another side: a reflection moves or goes",
    "a part that the layout does not list? add it, then judge again",
)


def _hypotheses(nearest: str | None) -> tuple[str, ...]:
    return (
        f"shorted bypass capacitor{f' near {nearest}' if nearest else ''}?",
        "solder bridge or damaged track there?",
        "a part that the layout does not list? add it, then judge again",
    )


def doubt_of(
    spot: WarmSpot, *, ambient_c: float, new: bool, beside_k: float | None, may_mirror: bool = True
) -> str | None:
    """
    Why a spot is not surely a source; None where it is. `SHOULDER` is no source at all.

    Parameters
    ----------
    spot : WarmSpot
    ambient_c : float
    new : bool
        Whether it is seen in what is new since the known-good runs.
    beside_k : float or None
        The greatest rise of the parts beside it, 0 where there are none; None where one was not measured.
    may_mirror : bool
        Whether it may be bare metal.
    """
    shape = spot.shape
    mirrors = may_mirror and ambient_c + spot.rise_k <= thresholds.PERSON_C
    least_skirt = thresholds.UNMAPPED_LEAST_SKIRT[shape.height_share is None]
    if mirrors and shape.skirt_share is not None and shape.skirt_share < least_skirt:
        return GLINT
    if shape.height_share is not None:
        if stands(spot) or (new and _on_flat_ground(spot)):
            return None
        return SHOULDER if shape.height_share < thresholds.UNMAPPED_SHOULDER_SHARE else _HALF_STANDS
    if beside_k == 0.0 and mirrors and shape.skirt_share is None:
        # Where no part is near it is the board's edge that hems it in: a place for screws.
        return _HEMMED_IN
    # What the parts beside it give is old, and none of them can make it warmer than they are themselves.
    return None if new or (beside_k is not None and spot.rise_k > beside_k) else _HEMMED_IN


def place_of(board: Board, spot: WarmSpot) -> str:
    """A place on the board in words."""
    nearest, distance = nearest_part(board, spot)
    near = f", {distance:.0f} mm from {nearest}" if nearest is not None else ""
    return f"at x {spot.x_mm:.0f} mm, y {spot.y_mm:.0f} mm{near}"


def nearest_part(board: Board, spot: WarmSpot) -> tuple[str | None, float | None]:
    """The part whose body is nearest, and how far its edge is."""
    away = {part.ref: distance_mm(part, spot.x_mm, spot.y_mm) for part in board.parts}
    nearest = min(away, key=lambda ref: away[ref], default=None)
    return nearest, away[nearest] if nearest is not None else None
