"""Boards for scenes that nothing else of this project draws: mixed heights, sockets, sinks, cans, odd outlines."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board, Part, Surface
from thermscan.layout.packages import package_body

FloatArray = NDArray[np.float64]

PLASTIC, MASK, METAL = Surface("plastic", 0.94, 0.02), Surface("solder-mask", 0.91, 0.02), Surface("metal", 0.12, 0.05)
# name; body if it is no package's; least and most height seated on the board; chance of a socket; how often.
KINDS: tuple[tuple[str, tuple[float, float] | None, tuple[float, float], float, float], ...] = (
    ("DIP-14", None, (3.2, 4.1), 0.35, 5),
    ("DIP-16", None, (3.2, 4.1), 0.35, 6),
    ("DIP-20", None, (3.2, 4.1), 0.35, 4),
    ("DIP-28", None, (3.6, 4.8), 0.7, 2),
    ("DIP-40", None, (3.8, 5.0), 0.7, 1.5),
    ("SOIC-14", None, (1.4, 1.8), 0.0, 3),
    ("SOIC-16W", None, (2.2, 2.7), 0.0, 2),
    ("PLCC-44", None, (4.0, 4.6), 0.5, 1),
    ("TQFP-64-14x14", None, (1.0, 1.6), 0.0, 1),
    ("TO-220", None, (15.0, 22.0), 0.0, 1),
    ("heat sink", (24.0, 12.0), (14.0, 34.0), 0.0, 0.8),
    ("TO-220-FLAT", None, (4.2, 4.9), 0.0, 0.7),
    ("CAP-RADIAL-10", None, (9.0, 21.0), 0.0, 1.5),
    ("CAP-RADIAL-16", None, (18.0, 36.0), 0.0, 0.7),
    ("CAP-DISC-10", None, (8.0, 13.0), 0.0, 1),
    ("relay", (19.0, 15.5), (9.0, 20.0), 0.0, 0.7),
    ("header", (38.0, 8.0), (6.0, 12.0), 0.0, 0.7),
    ("resistor", (6.5, 2.4), (2.0, 3.2), 0.0, 4),
    ("crystal", (11.0, 4.7), (3.4, 13.5), 0.0, 0.6),
)
SOCKET_MM = (3.6, 5.8)
GAP_MM, EDGE_MM = 1.3, 2.0


@dataclass(frozen=True)
class TrueBoard:
    """
    A board as it is, and the layout that someone drew of it.

    Attributes
    ----------
    layout : Board
        What the analysis gets.
    parts : tuple of Part
        As they really lie, with their true height in ``height_mm``; in the layout's order.
    outline_mm : ndarray of shape (n, 2)
    """

    layout: Board
    parts: tuple[Part, ...]
    outline_mm: FloatArray

    @property
    def heights_mm(self) -> FloatArray:
        """True heights of the tops above the board; shape (parts,)."""
        return np.array([part.height_mm for part in self.parts], dtype=np.float64)


def true_board(rng: np.random.Generator, *, heights: str, parts: int | None = None) -> TrueBoard:
    """
    A random board.

    Parameters
    ----------
    heights : str
        What the layout says of them: ``unstated``, ``stated`` (to 7 %), or ``mixed`` (each as it comes).
    parts : int, optional
        How many are wished for.
    """
    width, height = rng.uniform(60, 220), rng.uniform(50, 160)
    outline = _outline(rng, width, height)
    wanted = parts or int(rng.integers(14, 110))
    sides = _pack(rng, outline, wanted)
    by_package = rng.random() < 0.7
    real, drawn = [], []
    for number, (kind, x, y, turn, socket) in enumerate(sides):
        name, body, (low, high), _, _ = kind
        package = package_body(name) if body is None else None
        length, breadth = body or (package.length_mm, package.width_mm)  # type: ignore[union-attr]
        top = rng.uniform(low, high) + socket
        surface = METAL if name == "crystal" and rng.random() < 0.5 else PLASTIC
        usual = package.height_mm if package and by_package else None
        said = None
        if heights == "stated" or (heights == "mixed" and rng.random() < 0.4):
            said = round(float(top * rng.normal(1, 0.07)), 1)
        part = Part(
            f"U{number + 1}", length, breadth, round(x, 1), round(y, 1), turn, surface,
            package=name if usual else None, height_mm=said, usual_height_mm=usual,
            round_body=bool(package and package.round_body),
        )  # fmt: skip
        drawn.append(part)
        real.append(
            replace(
                part,
                x_mm=part.x_mm + rng.normal(0, 0.12),
                y_mm=part.y_mm + rng.normal(0, 0.12),
                rotation_deg=part.rotation_deg + rng.normal(0, 0.4),
                length_mm=length * rng.normal(1, 0.01) + rng.normal(0, 0.1),
                width_mm=breadth * rng.normal(1, 0.01) + rng.normal(0, 0.1),
                height_mm=float(top),
            )
        )
    layout = Board("a made-up board", None, np.round(outline, 1), 1.6, MASK, tuple(drawn))
    return TrueBoard(layout, tuple(real), outline + rng.normal(0, 0.05, outline.shape))


def _outline(rng: np.random.Generator, w: float, h: float) -> FloatArray:
    """Half of them rectangles; else a corner or two cut off, a notch, an L, a tongue, or rounded."""
    kind = rng.choice(["box", "cut", "notch", "ell", "tongue", "round"], p=[0.5, 0.14, 0.1, 0.08, 0.1, 0.08])
    a, b = w * rng.uniform(0.1, 0.3), h * rng.uniform(0.1, 0.3)
    if kind == "cut":
        points = [[a, 0], [w, 0], [w, h - b], [w - a, h], [0, h], [0, b]]
    elif kind == "notch":
        points = [
            [0, 0],
            [w, 0],
            [w, h * 0.4],
            [w - a, h * 0.4],
            [w - a, h * 0.4 + b],
            [w, h * 0.4 + b],
            [w, h],
            [0, h],
        ]
    elif kind == "ell":
        points = [[0, 0], [w * 0.6, 0], [w * 0.6, h * 0.45], [w, h * 0.45], [w, h], [0, h]]
    elif kind == "tongue":
        points = [[0, 0], [w, 0], [w, h - 9], [w - a, h - 9], [w - a, h], [a, h], [a, h - 9], [0, h - 9]]
    elif kind == "round":
        r, turn = min(w, h) * 0.15, np.linspace(0, np.pi / 2, 6)
        arcs = [
            np.array(centre) + r * np.column_stack([np.cos(turn + start), np.sin(turn + start)])
            for centre, start in (
                ([w - r, h - r], 0),
                ([r, h - r], np.pi / 2),
                ([r, r], np.pi),
                ([w - r, r], -np.pi / 2),
            )
        ]
        points = np.vstack(arcs).tolist()
    else:
        points = [[0, 0], [w, 0], [w, h], [0, h]]
    return np.array(points, dtype=np.float64)


def _pack(rng: np.random.Generator, outline: FloatArray, wanted: int) -> list[tuple[tuple, float, float, float, float]]:
    """Rows of like parts and odd ones, none over another; each with its place, turn and socket's height."""
    weights = np.array([kind[4] for kind in KINDS])
    taken = np.zeros((0, 4))
    found: list[tuple[tuple, float, float, float, float]] = []
    w, h = outline.max(axis=0)
    grid = np.linspace(-1, 1, 5)
    for _ in range(30 * wanted):
        if len(found) >= wanted:
            break
        kind = KINDS[rng.choice(len(KINDS), p=weights / weights.sum())]
        package = package_body(kind[0]) if kind[1] is None else None
        size = kind[1] or (package.length_mm, package.width_mm)  # type: ignore[union-attr]
        turn = float(rng.choice([0, 90, 180, 270]))
        span = np.array(size if turn % 180 == 0 else size[::-1])
        socket = float(rng.uniform(*SOCKET_MM)) if rng.random() < kind[3] else 0.0
        at = rng.uniform([0, 0], [w, h])
        step = (span + rng.uniform(GAP_MM + 0.5, 5.0)) * ([0, 1] if turn % 180 == 0 else [1, 0])
        for k in range(int(rng.integers(2, 9)) if kind[4] >= 2 and rng.random() < 0.5 else 1):
            here = at + k * step
            border = here + np.stack(np.meshgrid(grid, grid), -1).reshape(-1, 2) * (span / 2 + EDGE_MM)
            clear = (np.abs(taken[:, :2] - here) > (taken[:, 2:] + span) / 2 + GAP_MM).any(axis=1).all()
            if clear and _inside(outline, border).all():
                taken = np.vstack([taken, np.append(here, span)])
                found.append((kind, float(here[0]), float(here[1]), turn, socket))
    return found[:wanted]


def _inside(polygon: FloatArray, points: FloatArray) -> NDArray[np.bool_]:
    inside = np.zeros(len(points), bool)
    for (x0, y0), (x1, y1) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if y0 != y1:
            across = x0 + (points[:, 1] - y0) * (x1 - x0) / (y1 - y0)
            inside ^= ((y0 > points[:, 1]) != (y1 > points[:, 1])) & (points[:, 0] < across)
    return inside
