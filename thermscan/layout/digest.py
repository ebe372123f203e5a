"""A fingerprint of a layout's geometry, so that a changed layout is noticed."""

from __future__ import annotations

import json
from hashlib import sha256

from thermscan.layout.board import Board

# Places are written to 0.001 mm: finer than any board is measured, coarser than rounding in files.
DIGITS = 3


def layout_digest(board: Board) -> str:
    """
    SHA-256 over the outline and each part's ref, body, place and rotation.

    The order of parts and everything that is not geometry are of no account.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> board = Board("b", None, [[0, 0], [9, 0], [9, 9]], 1.6, surface_named("solder-mask"), ())
    >>> layout_digest(board)[:8]
    '964d8f80'
    """
    geometry = {
        "outline_mm": [[_fixed(x), _fixed(y)] for x, y in board.outline_mm.tolist()],
        "parts": sorted(
            [
                part.ref,
                *(_fixed(value) for value in (part.length_mm, part.width_mm, part.x_mm, part.y_mm)),
                _fixed(part.rotation_deg % 360.0),
            ]
            for part in board.parts
        ),
    }
    text = json.dumps(geometry, ensure_ascii=True, separators=(",", ":"))
    return sha256(text.encode("ascii")).hexdigest()


def _fixed(value: float) -> str:
    rounded = round(value, DIGITS)
    return f"{0.0 if rounded == 0 else rounded:.{DIGITS}f}"
