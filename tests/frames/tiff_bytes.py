"""
A TIFF writer of a screen, byte by byte with struct and nothing of any image library: the tests' own witness.

Written from TIFF 6.0 (Aldus, 1992), sections 2 and 8, and the BigTIFF layout (libtiff's specification page).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

import numpy as np

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SSHORT, FLOAT, LONG8 = 1, 2, 3, 4, 5, 7, 8, 11, 16
_LETTERS = {BYTE: "B", SHORT: "H", LONG: "I", SSHORT: "h", FLOAT: "f", LONG8: "Q"}


def value_bytes(order: str, kind: int, value: object) -> tuple[int, bytes]:
    """Count and bytes of a tag's value."""
    if kind in (ASCII, UNDEFINED):
        return len(value), bytes(value)
    if kind == RATIONAL:
        return 1, struct.pack(f"{order}II", *value)
    numbers = list(value) if isinstance(value, list | tuple) else [value]
    return len(numbers), struct.pack(f"{order}{len(numbers)}{_LETTERS[kind]}", *numbers)


@dataclass
class Page:
    """One page: its rows packed as they shall stand in the file, strip by strip, and its tags."""

    strips: list[bytes]
    tags: dict[int, tuple[int, object]]
    # Tag numbers that are written in this order; all in ascending order otherwise, as TIFF asks for.
    order_of_tags: list[int] | None = None
    sub: dict[int, dict[int, tuple[int, object]]] = field(default_factory=dict)  # a tag that points at a directory


def page_of(
    values: np.ndarray, *, order: str = "<", rows_a_strip: int | None = None, leave_out: tuple[int, ...] = (), **more
) -> Page:
    """A page of single-channel numbers with the tags that TIFF 6.0 asks of a grey picture, less those left out."""
    rows, cols = values.shape
    step = rows_a_strip or rows
    stored = values.astype(values.dtype.newbyteorder(order))
    strips = [stored[at : at + step].tobytes() for at in range(0, rows, step)]
    kind = {"u": 1, "i": 2, "f": 3}[values.dtype.kind]
    tags: dict[int, tuple[int, object]] = {
        256: (SHORT, cols), 257: (SHORT, rows), 258: (SHORT, 8 * values.dtype.itemsize), 259: (SHORT, 1),
        262: (SHORT, 1), 274: (SHORT, 1), 277: (SHORT, 1), 278: (LONG, step), 282: (RATIONAL, (72, 1)),
        283: (RATIONAL, (72, 1)), 296: (SHORT, 2), 339: (SHORT, kind),
    }  # fmt: skip
    tags.update(more.pop("tags", {}))
    return Page(strips, {code: tag for code, tag in tags.items() if code not in leave_out}, **more)


def tiff_bytes(pages: list[Page], *, order: str = "<", big: bool = False, data_first: bool = True,
               counts: bool = True, last_pointer: bool = True) -> bytes:  # fmt: skip
    """A whole file. The pixels lie before the directories or behind them."""
    head = struct.pack(
        f"{order}2sHHHQ" if big else f"{order}2sHI",
        *((order_mark(order), 43, 8, 0, 0) if big else (order_mark(order), 42, 0)),
    )
    body = bytearray(head)
    at_pointer = len(head) - (8 if big else 4)
    if data_first:
        placed = [place_strips(body, page) for page in pages]
    else:
        # The directories come first, so that where the pixels will lie is known once their length is: two passes.
        blank = bytearray(body)
        for page in pages:
            write_directory(blank, page, [0] * len(page.strips), order=order, big=big, counts=counts)
        start, placed = len(blank) + len(blank) % 2, []
        for page in pages:
            offsets = []
            for strip in page.strips:
                offsets.append(start)
                start += len(strip)
            placed.append(offsets)
    for page, offsets in zip(pages, placed, strict=True):
        where, pointer = write_directory(body, page, offsets, order=order, big=big, counts=counts)
        struct.pack_into(f"{order}{'Q' if big else 'I'}", body, at_pointer, where)
        at_pointer = pointer
    if not last_pointer:
        del body[at_pointer:]
    if not data_first:
        body += b"\0" * (len(body) % 2)
        for page in pages:
            body += b"".join(page.strips)
    return bytes(body)


def order_mark(order: str) -> bytes:
    return b"II" if order == "<" else b"MM"


def place_strips(body: bytearray, page: Page) -> list[int]:
    offsets = []
    for strip in page.strips:
        offsets.append(len(body))
        body += strip
        body += b"\0" * (len(body) % 2)
    return offsets


def write_directory(
    body: bytearray, page: Page, offsets: list[int], *, order: str, big: bool, counts: bool
) -> tuple[int, int]:
    """Append values and a directory; where the directory begins, and where its pointer to the next one stands."""
    wide = LONG8 if big else LONG
    tags = {
        273: (wide, offsets),
        **({279: (wide, [len(strip) for strip in page.strips])} if counts else {}),
        **page.tags,
    }
    room = 8 if big else 4
    for code, inner in page.sub.items():
        at, _ = write_directory(body, Page([], inner), [], order=order, big=big, counts=False)
        tags[code] = (wide, at)
    if not page.strips:
        tags = {code: tag for code, tag in tags.items() if code not in (273, 279)}
    entries = b""
    codes = page.order_of_tags or sorted(tags)
    for code in codes:
        kind, value = tags[code]
        count, raw = value_bytes(order, kind, value)
        if len(raw) > room:
            at, inline = len(body), None
            body += raw
            body += b"\0" * (len(body) % 2)
        else:
            at, inline = 0, raw.ljust(room, b"\0")
        entries += struct.pack(f"{order}HH{'Q' if big else 'I'}", code, kind, count)
        entries += inline if inline is not None else struct.pack(f"{order}{'Q' if big else 'I'}", at)
    where = len(body)
    body += struct.pack(f"{order}{'Q' if big else 'H'}", len(codes)) + entries
    pointer = len(body)
    body += b"\0" * room
    return where, pointer
