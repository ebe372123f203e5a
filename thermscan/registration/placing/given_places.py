"""Where the board lies if a person or a baseline says so, improved on the frame, in the order that it shows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.errors import CannotJudge, InputError
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.placing.decision import ENOUGH, mirrored
from thermscan.registration.placing.edges import layout_edges
from thermscan.registration.placing.landmarks import at_their_feet, fit_landmarks
from thermscan.registration.placing.search import Candidate, Search
from thermscan.registration.registration import CORNER_NAMES
from thermscan.runs.run import Landmark

FloatArray = NDArray[np.float64]

# What a corner's way from its click costs in log odds: a click is good to about 1.5 pixels, with Cauchy tails (a slip).
CLICK_SCALE_PX = 1.5
# A corner that the frame's evidence moves by more than this is named as wrong.
WRONG_CLICK_PX = 5.0
# Where the bodies hardly show, an outline is believed whose pieces are rather there than not, so close to the clicks.
CLOSE_PX = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """
    Where to begin the last fit, in the frame's own pixels.

    Attributes
    ----------
    corners_px : ndarray of shape (4, 2)
    trusted : bool
        Whether the frame shows the layout there; else the place stays as it was given.
    covariance_px2 : ndarray of shape (8, 8)
        Of the place as given.
    remarks : tuple of str
    """

    corners_px: FloatArray
    trusted: bool
    covariance_px2: FloatArray
    remarks: tuple[str, ...] = ()


def start_from_corners(search: Search, clicks_px: FloatArray, *, u_px: float) -> Start:
    """
    The likeliest place near the clicks.

    Raises
    ------
    InputError
        The parts show that the corners were given in another order.
    CannotJudge
        They show the layout mirrored.
    """
    small, scale = search.small.from_frame(clicks_px), search.small.scale
    as_given = _likeliest(search, _starts(small), small, u_px=max(CLICK_SCALE_PX * scale, 1.0))
    odds = as_given.log_odds if as_given is not None else -np.inf
    told, remarks = odds >= ENOUGH, list[str]()
    if not told:
        _check_order(search, small, odds)
        remarks.append(
            "the frame does not show which way round the board lies, nor whether the layout is mirrored; the corners'"
            " order was taken as given"
        )
    if as_given is None or not (told or _outline_agrees(as_given, small, scale)):
        remarks.append("the frame shows too little to improve the given corners; they were taken as they are")
        return Start(clicks_px, False, np.eye(8) * u_px**2, tuple(remarks))
    return Start(search.small.to_frame(as_given.corners_px), True, np.eye(8) * u_px**2, tuple(remarks))


def start_from_baseline(search: Search, corners_px: FloatArray, covariance_px2: FloatArray) -> Start:
    """The likeliest place near where a baseline's picture puts the corners, where bodies or a whole outline hold it."""
    small, scale = search.small.from_frame(corners_px), search.small.scale
    best = _likeliest(search, [small], small, u_px=max(CLICK_SCALE_PX * scale, 1.0))
    rows, cols = search.small.apparent.shape
    whole = bool(((small >= 0) & (small <= [cols - 1, rows - 1])).all())
    if best is None or not (best.log_odds >= ENOUGH or (whole and _outline_agrees(best, small, scale))):
        return Start(corners_px, False, covariance_px2)
    return Start(search.small.to_frame(best.corners_px), True, covariance_px2)


def far_clicks(clicks_px: FloatArray, corners_px: FloatArray) -> list[str]:
    """Clicks far from where the frame shows their corners, after the last fit."""
    apart = np.linalg.norm(corners_px - clicks_px, axis=1)
    return [
        f"the {name} corner was given {moved:.0f} pixels from where the frame shows it"
        for name, moved in zip(CORNER_NAMES, apart, strict=True)
        if moved > WRONG_CLICK_PX
    ]


def start_from_landmarks(search: Search, board: Board, landmarks: Sequence[Landmark], shape: tuple[int, int]) -> Start:
    """
    The likeliest place near where landmarks put the board, whether tops or feet were pointed at.

    Raises
    ------
    InputError
        Landmarks that cannot be right.
    """
    given = fit_landmarks(landmarks, board, shape=shape)
    at_feet = at_their_feet(landmarks, board, given, shape=shape, fov_deg=search.small.fov_deg)
    try:
        lower = fit_landmarks(at_feet, board, shape=shape)
    except InputError:
        lower = given
    if len(lower.used) > len(given.used):
        given, lower = lower, given
    remarks = [
        f"landmark {ref} was refused: it lies {far:.0f} pixels from where the others put it"
        for ref, far in given.refused
    ]
    # Whether feet or tops were pointed at is not known: a doubt that all landmarks share.
    middle = (given.fit.corners_px + lower.fit.corners_px) / 2 if given.used == lower.used else given.fit.corners_px
    apart = (given.fit.corners_px - lower.fit.corners_px).ravel() / 2
    spread = given.fit.corner_covariance_px2 + np.outer(apart, apart)
    u_px = float(np.sqrt(np.trace(spread) / 8))
    starts = [search.small.from_frame(each.fit.corners_px) for each in (given, lower)]
    best = _likeliest(search, starts, starts[0], u_px=max(u_px * search.small.scale, 1.0))
    if best is None or best.log_odds < ENOUGH:
        remarks.append("the frame shows too little to improve the landmarks; they were taken as they are")
        return Start(middle, False, spread, tuple(remarks))
    corners = search.small.to_frame(best.corners_px)
    px_from_mm = homography_from_corners(board.corners_mm, corners)
    remarks += _far_landmarks(landmarks, at_feet, board, given.used, px_from_mm)
    return Start(corners, True, spread, tuple(remarks))


def _starts(small: FloatArray) -> list[FloatArray]:
    """As given, and each corner replaced by what the other three suggest: a slip."""
    starts = [small]
    for wrong in range(4):
        start = small.copy()
        start[wrong] = small[wrong - 1] + small[(wrong + 1) % 4] - small[(wrong + 2) % 4]
        starts.append(start)
    return starts


def _likeliest(search: Search, starts: list[FloatArray], given: FloatArray, *, u_px: float) -> Candidate | None:
    """
    The best of the starts, and of the places near them, less what their way from what was given costs.

    No slip is looked for where the first start, or a place near it, is likely.
    """
    best, best_odds = None, -np.inf
    for k, start in enumerate(starts):
        tried = [search.weighed(start)] if k == 0 else []
        if k or tried[0].log_odds < ENOUGH:
            tried += [search.weighed(place) for place in search.settled(start[None])]
        if k == 0 and max(each.log_odds for each in tried) < ENOUGH:
            tried.append(search.weighed(search.nearest(start)))
        for candidate in tried:
            away = ((candidate.corners_px - given) ** 2).sum(axis=1)
            odds = candidate.log_odds - float(np.log1p(away / u_px**2).sum())
            if odds > best_odds:
                best, best_odds = candidate, odds
        if k == 0 and best is not None and best_odds >= ENOUGH:
            break
    return best


def _check_order(search: Search, small: FloatArray, odds: float) -> None:
    """Refuse an order that the parts contradict, and a layout that fits only as its mirror image."""
    # Another order must be rather true than not, and much likelier than what was given, which is evidence.
    enough = max(0.0, odds + ENOUGH)
    for turn in (1, 2, 3):
        if _log_odds_near(search, np.roll(small, turn, axis=0)) >= enough:
            name = CORNER_NAMES[turn]
            raise InputError(
                f"the corner given first is the board's {name} corner, as its parts show",
                where="corners_px",
                fix="give the board's own top left, top right, bottom right, bottom left, however it lies in the frame",
            )
    flipped = mirrored(search.board)
    other = search.of_board(flipped, layout_edges(flipped))
    if max(_log_odds_near(other, np.roll(small, turn, axis=0)) for turn in range(4)) >= enough:
        raise CannotJudge(
            "the parts lie in the frame as in the layout mirrored: it seems to be drawn from the solder side",
            fix="draw it as seen from the component side (x to the right, y down), or check the corners' order",
        )


def _log_odds_near(search: Search, start: FloatArray) -> float:
    """Of the place that the edges near a start make of it, or the start itself."""
    return search.weighed([start, *search.settled(start[None])][-1]).log_odds


def _outline_agrees(candidate: Candidate, small: FloatArray, scale: float) -> bool:
    """Few bodies are seen, but the outline is, close to where it was given, and the bodies are not against it."""
    moved = np.linalg.norm(candidate.corners_px - small, axis=1)
    return bool(candidate.outline > 0 and (moved <= max(CLOSE_PX * scale, 2.0)).all())


def _far_landmarks(
    landmarks: Sequence[Landmark],
    at_feet: Sequence[Landmark],
    board: Board,
    used: Sequence[str],
    px_from_mm: FloatArray,
) -> list[str]:
    """Those farther from where the frame shows their part than a click, whether its foot or its top was meant."""
    said = []
    for mark, foot in zip(landmarks, at_feet, strict=True):
        part = board.part(mark.ref)
        if part is None or mark.ref not in used:
            continue
        seen = map_points(px_from_mm, [[part.x_mm, part.y_mm]])[0]
        away = min(float(np.linalg.norm(seen - each.px)) for each in (mark, foot))
        if away > WRONG_CLICK_PX:
            said.append(f"landmark {mark.ref} was given {away:.0f} pixels from where the frame shows its foot")
    return said
