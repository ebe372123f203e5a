"""
The board's photo as a file: a PNG that carries its scale, so that it needs no word beside it.

References
----------
.. [1] W3C, Portable Network Graphics (PNG) Specification, third edition, 5.3 (chunks, their CRC), 11.2.1 (IHDR),
   11.3.4.3 (pHYs: pixels per unit along x and y, unit 1 is the metre).
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.named_file import refuse_irregular

SIGNATURE = b"\x89PNG\r\n\x1a\n"
MM_A_METRE = 1000.0
# The scale and size stand before the pixels, after a colour profile at most.
HEAD_BYTES = 2_000_000
# A photo is as large as its board, but for rounding to whole pixels and for what a layout measured anew may change.
SAME_SIZE = 0.01
SAME_SIZE_MM = 1.0


@dataclass(frozen=True, slots=True)
class PngScale:
    """Size of a PNG and how much of the board a pixel shows; ``mm_per_px`` is None where the file does not say."""

    width_px: int
    height_px: int
    mm_per_px: float | None


def with_scale(png: bytes, px_per_m: int) -> bytes:
    """
    A PNG with its scale written into it, right behind its header.

    Examples
    --------
    >>> header = SIGNATURE + _chunk(b"IHDR", struct.pack(">IIBBBBB", 900, 600, 8, 2, 0, 0, 0))
    >>> scale_of(with_scale(header, 10_000))
    PngScale(width_px=900, height_px=600, mm_per_px=0.1)
    """
    end = len(SIGNATURE) + 8 + 13 + 4
    return png[:end] + _chunk(b"pHYs", struct.pack(">IIB", px_per_m, px_per_m, 1)) + png[end:]


def scale_of(png: bytes) -> PngScale | None:
    """
    Size and scale from the beginning of a PNG, or None where it is none.

    Examples
    --------
    >>> scale_of(b"GIF89a") is None
    True
    """
    if not png.startswith(SIGNATURE) or png[12:16] != b"IHDR" or len(png) < 33:
        return None
    width_px, height_px = struct.unpack(">II", png[16:24])
    at, mm_per_px = len(SIGNATURE), None
    while at + 8 <= len(png):
        length, name = struct.unpack(">I4s", png[at : at + 8])
        if name == b"IDAT":
            break
        if name == b"pHYs" and length == 9 and at + 17 <= len(png):
            along_x, along_y, unit = struct.unpack(">IIB", png[at + 8 : at + 17])
            if unit == 1 and along_x == along_y and along_x > 0:
                mm_per_px = MM_A_METRE / along_x
        at += 12 + length
    return PngScale(width_px, height_px, mm_per_px)


def read_scale(path: Path) -> PngScale | None:
    """
    Size and scale of a PNG file, or None where it is another kind of file.

    Raises
    ------
    InputError
        It cannot be read.

    Examples
    --------
    >>> read_scale(Path("no-such.png"))
    Traceback (most recent call last):
    thermscan.errors.InputError: no-such.png: cannot be read (No such file or directory)
    """
    refuse_irregular(path)
    try:
        with path.open("rb") as file:
            return scale_of(file.read(HEAD_BYTES))
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=str(path)) from error


def photo_remark(board: Board) -> tuple[str, ...]:
    """
    Why the photo that a layout names cannot be used; empty where it can, or where none is named.

    A photo is the picture's ground and no more: without it everything else is as it was.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> outline = [[0, 0], [90, 0], [90, 60], [0, 60]]
    >>> board = Board("b", None, outline, 1.6, surface_named("solder-mask"), (), photo=Path("none.png"))
    >>> photo_remark(board)
    ('the photo is left out: none.png cannot be read (No such file or directory)',)
    """
    if board.photo is None:
        return ()
    name = board.photo.name[:60]
    try:
        scale = read_scale(board.photo)
    except InputError as error:
        return (f"the photo is left out: {name} {error.faults[0].what}",)
    make = "make it with thermscan layout photo"
    if scale is None or scale.mm_per_px is None:
        kind = "is not a PNG" if scale is None else "does not state its scale"
        return (f"the photo is left out: {name} {kind}; {make}",)
    for side, size, px in (("wide", board.width_mm, scale.width_px), ("high", board.height_mm, scale.height_px)):
        shown = px * scale.mm_per_px
        if abs(shown - size) > max(SAME_SIZE * size, SAME_SIZE_MM):
            return (f"the photo is left out: {name} is {shown:.1f} mm {side} and the board {size:g} mm; {make} again",)
    return ()


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
