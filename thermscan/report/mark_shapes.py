"""A verdict's shape as matplotlib draws it: a square, disc, lozenge, ring or cross with its letter cut out."""

from __future__ import annotations

from functools import cache

import numpy as np
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.textpath import TextPath

from thermscan.report.lettering import FONT_FAMILY
from thermscan.report.verdicts import Mark

# Height of the letter as a share of the shape's; a lozenge is narrow at the letter's corners.
_LETTER_SHARE = {"square": 0.66, "disc": 0.6, "lozenge": 0.46}
_SIDES = {"square": 0.9, "disc": 1.0, "ring": 1.0, "lozenge": 1.2, "cross": 0.95}


@cache
def marker_of(mark: Mark) -> Path:
    """
    The shape as a path for ``marker=``; its outline runs one way and the letter's the other, which cuts the letter out.

    Examples
    --------
    >>> from thermscan.report.verdicts import VERDICT_MARKS
    >>> hot, cold = marker_of(VERDICT_MARKS["hot"]), marker_of(VERDICT_MARKS["cold"])
    >>> len(hot.vertices) != len(cold.vertices)
    True
    """
    outer = _outline(mark.shape)
    if not mark.letter:
        return outer
    letter = TextPath((0.0, 0.0), mark.letter, size=1.0, prop=FontProperties(family=FONT_FAMILY, weight="bold"))
    vertices = np.asarray(letter.vertices)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    share = _LETTER_SHARE[mark.shape] * 2 * _SIDES[mark.shape]
    fitted = (vertices - (low + high) / 2) * share / max(high - low)
    return Path.make_compound_path(outer, Path(fitted, letter.codes))


def _outline(shape: str) -> Path:
    side = _SIDES[shape]
    corners: list[tuple[float, float]]
    if shape == "disc":
        return Path.circle((0.0, 0.0), side)
    if shape == "ring":
        circle = Path.circle((0.0, 0.0), side)
        # Its last point only closes it; the inner circle runs the other way, which cuts it out.
        inner = Path(0.5 * np.asarray(circle.vertices)[-2::-1], np.asarray(circle.codes)[:-1])
        return Path.make_compound_path(circle, inner)
    if shape == "square":
        corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    elif shape == "lozenge":
        corners = [(0, -1), (1, 0), (0, 1), (-1, 0)]
    else:  # a cross on its side: two bars
        t = 0.3
        corners = [(-1, -1 + t), (-1 + t, -1), (0, -t), (1 - t, -1), (1, -1 + t), (t, 0),
                   (1, 1 - t), (1 - t, 1), (0, t), (-1 + t, 1), (-1, 1 - t), (-t, 0)]  # fmt: skip
    return Path(side * np.array([*corners, corners[0]], dtype=np.float64), closed=True)
