"""
The directories of a TIFF: which tags each page has and what they hold, before anything is made of them.

Written against TIFF 6.0 (1992) and the BigTIFF layout (libtiff, 2004), and no stricter than a picture's numbers need:
tags may come in any order, directories may lie anywhere, tags and types that nobody here knows are passed over.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass

AGAIN = "copy or export it again"
# An hour at 25 frames a second is 90 000 pages; a chain beyond this is a damaged or hostile file.
MOST_PAGES = 100_000
# The longest text that is looked at for a unit or for times: a time in JSON for each of 50 000 pages.
LONGEST_TEXT_BYTES = 1_000_000

NAMES = {
    254: "NewSubfileType", 255: "SubfileType", 256: "ImageWidth", 257: "ImageLength", 258: "BitsPerSample",
    259: "Compression", 262: "PhotometricInterpretation", 266: "FillOrder", 270: "ImageDescription",
    273: "StripOffsets", 274: "Orientation", 277: "SamplesPerPixel", 278: "RowsPerStrip", 279: "StripByteCounts",
    284: "PlanarConfiguration", 317: "Predictor", 322: "TileWidth", 323: "TileLength", 324: "TileOffsets",
    325: "TileByteCounts", 330: "SubIFDs", 338: "ExtraSamples", 339: "SampleFormat", 32997: "ImageDepth",
    32998: "TileDepth", 34665: "the EXIF directory",
}  # fmt: skip
# TIFF 6.0, section 2, and BigTIFF: type numbers of whole numbers, as numpy writes them.
_WHOLE = {1: "u1", 3: "u2", 4: "u4", 6: "i1", 8: "i2", 9: "i4", 13: "u4", 16: "u8", 17: "i8", 18: "u8"}
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_BYTES_OR_TEXT = frozenset({1, 2, 7})
_CLASSIC, _BIG = 42, 43
# Offsets beyond the largest file there is; sums of them stay whole.
_LARGEST = 1 << 60
_BIG_HEADER = (8, 0)


@dataclass(frozen=True, slots=True)
class Form:
    """How a file writes its numbers: byte order and the width of its offsets."""

    order: str
    big: bool

    @property
    def entry(self) -> struct.Struct:
        """Tag, type, count and the value or its offset."""
        return struct.Struct(self.order + ("HHQ8s" if self.big else "HHI4s"))

    @property
    def offset(self) -> struct.Struct:
        """An offset in the file."""
        return struct.Struct(self.order + ("Q" if self.big else "I"))

    @property
    def count(self) -> struct.Struct:
        """The number of tags at the head of a directory."""
        return struct.Struct(self.order + ("Q" if self.big else "H"))


class Bytes:
    """A file's bytes, no more of which are read than are there."""

    def __init__(self, stream: BinaryIO, *, where: str) -> None:
        self._stream = stream
        self.size = os.fstat(stream.fileno()).st_size
        self.where = where

    def at(self, offset: int, length: int, *, where: str | None = None) -> bytes:
        """So many bytes from an offset; InputError where the file ends before."""
        self.check(offset, length, where=where)
        self._stream.seek(offset)
        data = self._stream.read(length)
        if len(data) < length:
            raise InputError("the file became shorter while it was read", where=where or self.where, fix=AGAIN)
        return data

    def check(self, offset: int, length: int, *, where: str | None = None) -> None:
        """InputError where the file ends before so many bytes from an offset."""
        if offset + length > self.size:
            what = f"the file is cut short: it has {self.size} bytes and needs {offset + length}"
            raise InputError(what, where=where or self.where, fix=AGAIN)


@dataclass(frozen=True, slots=True)
class Directory:
    """One directory's tags, each with its type, its count and the bytes that hold the value or where it is."""

    tags: dict[int, tuple[int, int, bytes]]
    form: Form
    file: Bytes
    end: int  # of the tags; the next directory's offset stands there
    where: str

    @property
    def open_ended(self) -> bool:
        """The file ends with this directory's tags, and does not say whether another page follows."""
        return self.end == self.file.size

    def __contains__(self, code: int) -> bool:
        return code in self.tags

    def whole(self, code: int) -> NDArray[np.int64] | None:
        """
        The whole numbers of a tag, or None where the directory lacks it or it is empty.

        Raises
        ------
        InputError
            It holds something else, or its values lie beyond the file's end.
        """
        if code not in self.tags or not self.tags[code][1]:
            return None
        kind, count, inline = self.tags[code]
        if kind not in _WHOLE:
            raise self.fault(code, f"is of type {kind} and should hold whole numbers")
        dtype = np.dtype(self.form.order + _WHOLE[kind])
        found = np.frombuffer(self._raw(code, dtype.itemsize * count, inline), dtype=dtype, count=count)
        if int(found.max()) > _LARGEST or int(found.min()) < -_LARGEST:
            raise self.fault(code, f"holds {int(found.max())}")
        return found.astype(np.int64)

    def one(self, code: int, default: int) -> int:
        """The first whole number of a tag, or TIFF's default where the directory lacks it."""
        found = self.whole(code)
        return default if found is None else int(found[0])

    def text(self, code: int) -> str | None:
        """The text of a tag, without the zero bytes that end it; None where it holds none or lies beyond the file."""
        if code not in self.tags:
            return None
        kind, count, inline = self.tags[code]
        if kind not in _BYTES_OR_TEXT:
            return None
        try:
            raw = self._raw(code, min(count, LONGEST_TEXT_BYTES), inline, whole=count)
        except InputError:
            return None  # a description says nothing about whether the pixels are there
        try:
            return raw.decode("utf-8").strip("\0 \r\n\t")
        except UnicodeDecodeError:
            return raw.decode("cp1252", "replace").strip("\0 \r\n\t")

    def is_text(self, code: int) -> bool:
        """The tag is of the type for text."""
        return self.tags[code][0] == 2

    def fault(self, code: int, what: str) -> InputError:
        """The error for a tag that holds what it must not."""
        return tag_fault(code, what, where=self.where)

    def _raw(self, code: int, length: int, inline: bytes, *, whole: int | None = None) -> bytes:
        if (length if whole is None else whole) <= len(inline):
            return inline[:length]
        (offset,) = self.form.offset.unpack(inline)
        if offset + length > self.file.size:
            raise self.fault(
                code, f"lies at byte {offset}, and the file has {self.file.size}: it is damaged or cut short"
            )
        return self.file.at(offset, length)


def tag_fault(code: int, what: str, *, where: str) -> InputError:
    """
    The error for a tag that holds what it must not.

    Examples
    --------
    >>> print(tag_fault(317, "holds 9", where="idle.tiff, page 1"))
    idle.tiff, page 1: tag 317 (Predictor) holds 9; copy or export it again
    """
    return InputError(f"tag {code} ({NAMES.get(code, 'private')}) {what}", where=where, fix=AGAIN)


def read_directories(file: Bytes) -> Iterator[Directory]:
    """
    The directories of a TIFF in their order, one at a time.

    Raises
    ------
    InputError
        The header or a directory is damaged, the directories lead in a circle, or they are too many.
    """
    form, offset = _header(file)
    seen: set[int] = set()
    while offset:
        where = f"{file.where}, page {len(seen) + 1}"
        if offset in seen:
            raise InputError("its pages lead in a circle", where=file.where, fix=AGAIN)
        if len(seen) == MOST_PAGES:
            raise InputError(f"it has more than {MOST_PAGES} pages", where=file.where, fix="split the recording")
        seen.add(offset)
        directory = directory_at(file, form, offset, where=where)
        yield directory
        if directory.open_ended:
            break
        (offset,) = form.offset.unpack(file.at(directory.end, form.offset.size, where=where))
    if not seen:
        raise InputError("the TIFF holds no page", where=file.where, fix=AGAIN)


def directory_at(file: Bytes, form: Form, offset: int, *, where: str) -> Directory:
    """The directory at an offset."""
    if offset >= file.size:
        what = f"its directory lies at byte {offset}, and the file has {file.size}: it is damaged or cut short"
        raise InputError(what, where=where, fix=AGAIN)
    (count,) = form.count.unpack(file.at(offset, form.count.size, where=where))
    start = offset + form.count.size
    raw = file.at(start, count * form.entry.size, where=where)
    tags: dict[int, tuple[int, int, bytes]] = {}
    for code, kind, length, value in form.entry.iter_unpack(raw):
        if kind in _SIZES:
            tags.setdefault(code, (kind, length, value))
    return Directory(tags, form, file, start + len(raw), where)


def _header(file: Bytes) -> tuple[Form, int]:
    head = file.at(0, 8)
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    version = struct.unpack(f"{order}H", head[2:4])[0] if order else None
    if order is None or version not in (_CLASSIC, _BIG):
        raise InputError("it does not begin as a TIFF does", where=file.where, fix=AGAIN)
    form = Form(order, version == _BIG)
    if not form.big:
        return form, struct.unpack(f"{order}I", head[4:8])[0]
    if struct.unpack(f"{order}HH", head[4:8]) != _BIG_HEADER:
        raise InputError("the head of the BigTIFF is damaged", where=file.where, fix=AGAIN)
    return form, struct.unpack(f"{order}Q", file.at(8, 8))[0]
