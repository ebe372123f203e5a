"""Which parts are built alike, and so joined to the board alike, where the layout names a package for some only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from thermscan.layout.board import Part

# Body lengths of one package differ from drawing to drawing and from calliper to calliper by about this share.
SAME_SIZE_SHARE = 0.1


def with_packages(parts: Sequence[Part]) -> tuple[Part, ...]:
    """
    The parts, those without a package as the first of their like that has one.

    Parameters
    ----------
    parts : sequence of Part
        Alike are parts of one group (without a group: of one kind) whose bodies have about the same length and width.

    Returns
    -------
    tuple of Part
        In the given order, for what heat does in them only: package and usual height are filled in.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> plastic = Surface("plastic", 0.95, 0.02)
    >>> named = Part("Q1", 10.2, 4.6, 10, 10, 0, plastic, package="TO-220", group="out", usual_height_mm=19.0)
    >>> drawn = Part("Q2", 10.0, 4.5, 30, 10, 0, plastic, kind="transistor", group="out")
    >>> other = Part("Q3", 20.0, 4.5, 50, 10, 0, plastic, kind="transistor", group="out")
    >>> [(part.package, part.usual_height_mm) for part in with_packages([named, drawn, other])]
    [('TO-220', 19.0), ('TO-220', 19.0), (None, None)]
    """
    named = [part for part in parts if part.package is not None]
    return tuple(part if part.package is not None else _like_the_named(part, named) for part in parts)


def _like_the_named(part: Part, named: Sequence[Part]) -> Part:
    like = next((other for other in named if _alike(part, other)), None)
    return part if like is None else replace(part, package=like.package, usual_height_mm=like.usual_height_mm)


def _alike(one: Part, other: Part) -> bool:
    same = one.group == other.group if one.group or other.group else one.kind is not None and one.kind == other.kind
    return (
        same
        and abs(one.length_mm - other.length_mm) <= SAME_SIZE_SHARE * other.length_mm
        and abs(one.width_mm - other.width_mm) <= SAME_SIZE_SHARE * other.width_mm
    )
