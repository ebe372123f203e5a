"""What lies over the board wherever it does: patches whose edges neither the layout nor heat explains."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.alike import BARE, BEYOND, BoardLook, Patch, look_at_board, patches, with_border
from thermscan.registration.registration import Registration
from thermscan.robust import robust_sd

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

# An edge is a step within the optics' blur: taken so far out, in blurs and pixels, it is most of what it is twice as
# far out, where a slope of heat is half of it; and larger than what the patch itself may be uneven by.
STEP_BLURS, STEP_PX, MOST_OF_IT, STANDS_OUT = 1.6, 1.2, 0.7, 2.2
# An edge runs as the layout lets expect within 30 degrees: by the cosine of twice the angle between.
SAME_WAY = 0.5
# An edge crosses a body where it shows in so many pixels, most of all that the patch ends in there.
LEAST_CROSSING, MOSTLY = 2, 0.6
# Bodies that tell the same of a patch, as far as they count; with few on the boards that the weights are from, counts
# that grew with the parts called two in three of a dense clean board covered. Pixels beyond the outline likewise.
WITNESSES, MOST_BEYOND = 4, 50
# The patch's share of bare board over the whole board's, as far as it counts (logarithms).
BARE_SHARES = (-4.0, 3.0)
# Where the patch shows the whole of a body; and so many pixels tell that it shows next to none.
WHOLE, LEAST_OWN = 0.9, 4
# Of a logistic regression on made-up scenes (tests/benchmarks/cover_odds.py), in the order of `evidence`.
WEIGHTS = np.array([-2.879, 3.448, 3.755, -9.065, 0.611, 0.179, 0.458, -5.654, -1.447, -3.014, 1.028, 0.651, -1.353])
# The columns that follow a patch's edge; where the others come to less, as they do for three patches of four, one in
# 1,000 of 552 sure ones on the weights' scenes would be missed (one in 100 a sixth higher).
BY_EDGE, HOPELESS = [1, 2, 3, 10], -7.0
# A part that is read through a cover may be accused wrongly; one that is called covered and is not is only not judged.
# Of many patches the likeliest counts, so that more than even odds are asked for: where 1 % of clear parts are called
# on scenes that the weights were not fitted to (0.8 and 0.9 in tests/benchmarks/RESULTS.md).
ENOUGH = 0.87
# Noise of the best uncooled sensors: steps are told in that at least, so that views that are halved count alike.
LEAST_NOISE_K = 0.03
# About a body, in its own size and pixels, a patch is asked how even it is.
ABOUT_PX = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class LyingOver:
    """
    What seems to lie over bodies.

    Attributes
    ----------
    pixels : ndarray of bool, shape of the frame
    likely : dict of int to float
        By number of the part in the layout, from 0: how likely something hides some of it.
    """

    pixels: Mask
    likely: dict[int, float]


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """Points along a patch's border: what lies on either side, the step there, whether it is an edge, and expected."""

    points_px: FloatArray
    own: NDArray[np.int16]
    beyond: NDArray[np.int16]
    step_k: FloatArray
    sharp: Mask
    expected: Mask


def evidence(look: BoardLook, patch: Patch) -> FloatArray:
    """
    What tells of each body of a patch whether the patch lies over it; shape (bodies, n), n as `WEIGHTS`.

    Notes
    -----
    A thing over the board ends over bare board and across bodies in edges as sharp as the optics, where heat has none
    and the layout has no body; it may go on over the outline; it is even where heat has slopes; and no body stands out
    in it: what goes all round bodies that do is the board. Nor does it end along the outlines that the layout lets
    expect, but by chance: what mostly does is a body, or the board between bodies. A lid or a label ends within its
    body. What many bodies tell is told by the same few edges, however many parts there are: no more than `WITNESSES`
    of them count.
    """
    told = _told_within(look, patch)
    told[:, BY_EDGE] = _told_by_edge(look, patch)
    return told


def _likely(look: BoardLook, patch: Patch) -> FloatArray | None:
    """
    How likely the patch lies over each of its bodies; None where what lies within says that it does over none.

    To follow a patch's edge is most of the work, and most patches are plainly the board's own by what lies within.
    """
    told = _told_within(look, patch)
    if np.max(told @ WEIGHTS) < HOPELESS:
        return None
    told[:, BY_EDGE] = _told_by_edge(look, patch)
    result: FloatArray = 1 / (1 + np.exp(-told @ WEIGHTS))
    return result


def _told_by_edge(look: BoardLook, patch: Patch) -> FloatArray:
    """What the patch's border tells of each body: the columns `BY_EDGE` of `evidence`."""
    window = patch.window
    kinds = look.kinds[window]
    edge = _edge(look, patch)
    over_bare = (edge.own == BARE) & (edge.beyond == BARE)
    across = (edge.own > 0) & (edge.beyond == edge.own)
    most = len(look.sizes)
    ends = np.bincount(edge.own[across], minlength=most)
    sharp = np.bincount(edge.own[across & edge.sharp], minlength=most)
    crossed = (sharp >= LEAST_CROSSING) & (sharp >= MOSTLY * ends)
    # What the patch leaves of a body must reach that body's rim: else it is a lid, a window or a label.
    left = np.bincount(kinds[look.rims[window] & ~patch.pixels & (kinds > 0)], minlength=most)
    crossed &= left >= LEAST_CROSSING
    # The share of its border over bare board, and of all of it that can tell, that is an edge.
    tested = over_bare | across
    bare_sharp = ((over_bare & edge.sharp).sum() + 1) / (over_bare.sum() + 2)
    all_sharp = ((tested & edge.sharp).sum() + 1) / (tested.sum() + 2)
    others = np.minimum(crossed.sum() - crossed[patch.bodies], WITNESSES)
    # Of its border on the board: how much is an edge where the layout has one that way, and how far edges stand out.
    on_board = (edge.own != BEYOND) & (edge.beyond != BEYOND)
    stepped = on_board & edge.sharp
    told = np.empty((len(others), len(BY_EDGE)))
    told[:, 0] = bare_sharp
    told[:, 1] = all_sharp * np.log1p(others)
    told[:, 2] = ((stepped & edge.expected).sum() + 0.5) / (on_board.sum() + 1)
    told[:, 3] = _noises(look, float(np.median(edge.step_k[stepped]))) if stepped.any() else 0.0
    return told


def _noises(look: BoardLook, step_k: float) -> float:
    """How far a step stands out from the noise; logarithm."""
    return float(np.log(max(step_k / max(look.noise_k, LEAST_NOISE_K), 1.0)))


def _told_within(look: BoardLook, patch: Patch) -> FloatArray:
    """What the patch's pixels tell, as in `evidence`; its edge's columns are 0."""
    kinds, values = look.kinds[patch.window], look.values_c[patch.window]
    within = kinds[patch.pixels]
    size = patch.pixels.sum()
    whole = (patch.counts / look.sizes[patch.bodies] > WHOLE).astype(np.float64)
    spread = min(_spread(values[patch.pixels & (kinds != BEYOND)]) / patch.band_k, 1.0)
    near = [min(_near_spread(values, look, patch, body) / patch.band_k, 1.0) for body in patch.bodies]
    bare_share = ((within == BARE).sum() + 1) / size * look.area / (look.bare + 1)
    told = np.zeros((len(whole), len(WEIGHTS)))
    told[:, 0] = 1.0
    told[:, 4] = np.log1p(min(np.sum(within == BEYOND), MOST_BEYOND))
    told[:, 5] = min(abs(patch.temp_c - look.bench_c) / max(look.warm_k, 0.3), 2.0)
    told[:, 6] = np.clip(np.log(bare_share), *BARE_SHARES)
    told[:, 7] = np.nan_to_num(near, nan=spread)
    told[:, 8] = np.log(patch.band_k)
    told[:, 9] = whole * spread
    told[:, 11] = np.log(size / look.area)
    told[:, 12] = np.log1p(min(_standing_in(patch, kinds, look.sizes), WITNESSES))
    return told


def _standing_in(patch: Patch, kinds: NDArray[np.int16], sizes: NDArray[np.intp]) -> int:
    """How many bodies the patch goes all round and leaves out: they stand out from it, so that it is beneath them."""
    drawn = with_border(patch.pixels, 1)
    outer, _ = cv2.findContours(drawn, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(drawn, outer, -1, 1, cv2.FILLED)
    left_out = kinds[(drawn[1:-1, 1:-1] > 0) & ~patch.pixels & (kinds > 0)]
    return int(np.sum((np.bincount(left_out, minlength=len(sizes)) >= 0.5 * sizes) & (sizes >= LEAST_OWN)))


def _edge(look: BoardLook, patch: Patch) -> _Edge:
    drawn = with_border(patch.pixels, 3)
    outlines, _ = cv2.findContours(drawn, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    at = np.vstack([each[:, 0] for each in outlines])
    smooth = cv2.GaussianBlur(drawn.astype(np.float32), (0, 0), 1.2)
    slopes = [cv2.Sobel(smooth, cv2.CV_32F, *order)[at[:, 1], at[:, 0]] for order in ((1, 0), (0, 1))]
    out = -np.column_stack(slopes)
    steep = np.linalg.norm(out, axis=1)
    kept = steep > 1e-3
    out = out[kept] / steep[kept, None]
    points = at[kept] + np.array(patch.corner[::-1]) - 3.0
    reach = STEP_PX + STEP_BLURS * look.blur_px
    near_k, far_k = (np.abs(_at(look, points + times * reach * out) - patch.temp_c) for times in (1, 2))
    own, near, far = (_kind_at(look, points + times * reach * out) for times in (0, 1, 2))
    sharp = (near_k > STANDS_OUT * patch.band_k) & ((near != far) | (near_k > MOST_OF_IT * far_k))
    # A border runs across its outward direction, by twice the angle the other way round.
    x, y = out.T
    ways = look.ways[_rows_cols(look, points)]
    expected = ways[:, 0] * (y * y - x * x) - ways[:, 1] * (2 * x * y) > SAME_WAY
    return _Edge(points, own, near, near_k, sharp, expected)


def _at(look: BoardLook, points: FloatArray) -> FloatArray:
    x, y = (points[:, k].astype(np.float32)[:, None] for k in (0, 1))
    seen = cv2.remap(look.values_c, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen[:, 0], dtype=np.float64)


def _kind_at(look: BoardLook, points: FloatArray) -> NDArray[np.int16]:
    kinds: NDArray[np.int16] = look.kinds[_rows_cols(look, points)]
    return kinds


def _rows_cols(look: BoardLook, points: FloatArray) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The pixels of the view that are nearest to points."""
    rows, cols = look.kinds.shape
    x, y = np.round(points).astype(np.intp).T
    return np.clip(y, 0, rows - 1), np.clip(x, 0, cols - 1)


def _spread(values: NDArray[np.floating]) -> float:
    return robust_sd(values) if len(values) else 0.0


def _near_spread(values: NDArray[np.floating], look: BoardLook, patch: Patch, body: int) -> float:
    """How uneven the patch is about a body; NaN where it shows only some corner of it."""
    row, col = look.middles[body] - patch.corner
    reach = np.sqrt(look.sizes[body]) + ABOUT_PX
    about = (
        slice(max(int(row - reach), 0), int(row + reach) + 1),
        slice(max(int(col - reach), 0), int(col + reach) + 1),
    )
    seen = values[about][patch.pixels[about]]
    return float(seen.std()) if len(seen) else float("nan")


def find_lying_over(
    image: ThermalImage, registration: Registration, board: Board, *, fov_deg: float | None = None
) -> LyingOver:
    """
    The pixels of what lies over bodies, wherever on the board, and how likely it hides some of each.

    Parameters
    ----------
    image : ThermalImage
    registration : Registration
    board : Board
    fov_deg : float, optional
        The camera's horizontal field of view; else told from the view itself, for the tops of tall parts.

    Notes
    -----
    What differs from place to place, such as a label that is as warm as what it lies on or a film that lets half of the
    heat radiation through, is not found.
    """
    look = look_at_board(image, registration, board, fov_deg=fov_deg)
    pixels, likely = np.zeros(look.kinds.shape, dtype=bool), dict[int, float]()
    for patch in patches(look):
        found = _likely(look, patch)
        if found is None or not np.any(sure := found >= ENOUGH):
            continue
        for body, probability in zip(patch.bodies[sure], found[sure], strict=True):
            likely[int(body) - 1] = max(float(probability), likely.get(int(body) - 1, 0.0))
        _mark(pixels, look, patch, found)
    if look.scale < 1.0:
        rows, cols = image.shape
        pixels = cv2.resize(pixels.astype(np.uint8), (cols, rows), interpolation=cv2.INTER_NEAREST) > 0
    return LyingOver(pixels, likely)


def _mark(pixels: Mask, look: BoardLook, patch: Patch, found: FloatArray) -> None:
    """All of a patch where most of it is sure; else it goes on over what is as warm by chance: only those bodies."""
    window = patch.window
    kinds, sure = look.kinds[window], found >= ENOUGH
    if patch.counts[sure].sum() >= MOST_OF_IT * patch.counts.sum():
        pixels[window] |= patch.pixels & (kinds != BEYOND)
    else:
        pixels[window] |= np.isin(kinds, patch.bodies[sure])
