"""Unpacking the strips and tiles of a TIFF page into its numbers; no piece is unpacked beyond its own size."""

from __future__ import annotations

import importlib
import lzma
import math
import zlib
from collections.abc import Iterator
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.tiff_page import NO_COMPRESSION, TiffPage
from thermscan.frames.tiff_tags import AGAIN, tag_fault

_DEFLATE = frozenset({8, 32946})
_LZMA = 34925
# By imagecodecs, which takes the size that a piece may have at most.
_BOUNDED = {5: "lzw_decode", 32773: "packbits_decode", 50000: "zstd_decode"}
_NAMES = {34712: "JPEG 2000", 33003: "JPEG 2000", 33005: "JPEG 2000", 34887: "LERC", 50002: "JPEG XL", 2: "CCITT"}
_PLAIN, _DIFFERENCES, _FLOAT_DIFFERENCES = 1, 2, 3  # Predictor
# No method makes noise much longer than it is; bytes beyond this are none of the piece's.
_LONGEST_PACKED = 2
_PACKED_SLACK = 4096
_LZMA_MEMORY = 100_000_000
_REVERSED_BITS = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def page_planes(page: TiffPage) -> NDArray[Any]:
    """
    The numbers of a page.

    Parameters
    ----------
    page : TiffPage
        For which `thermscan.frames.tiff_page.why_no_frame` finds nothing.

    Returns
    -------
    ndarray of shape (planes, rows, cols)
        In the type and byte order of the file; the values of transparency are left out.

    Raises
    ------
    InputError
        Bytes are missing, cannot be unpacked, or are packed by a method that is not read.
    """
    if _in_one_run(page):
        return _run(page)
    samples = 1 if page.planar else page.samples
    planes, deep, down, across = page.pieces
    whole = np.empty((planes, page.depth, page.rows, page.cols, samples), dtype=page.dtype)
    z, y, x = page.chunk
    for number, (plane, i, j, k) in enumerate(product(range(planes), range(deep), range(down), range(across))):
        inside = whole[plane, i * z : (i + 1) * z, j * y : (j + 1) * y, k * x : (k + 1) * x]
        chunk = _piece(page, number, inside.shape)
        inside[...] = chunk[tuple(slice(0, n) for n in inside.shape)]
    return whole[..., 0].reshape(-1, page.rows, page.cols)


def contiguous_planes(page: TiffPage, count: int) -> Iterator[NDArray[Any]]:
    """
    So many planes of a page's size from where its pixels begin on: how some programs save a stack under one directory.

    Raises
    ------
    InputError
        The file is too short for them.
    """
    plane = page.rows * page.cols * page.dtype.itemsize
    start = int(page.offsets[0])
    page.file.check(start, plane * count, where=page.where)
    for number in range(count):
        raw = page.file.at(start + number * plane, plane, where=page.where)
        yield np.frombuffer(raw, dtype=page.dtype).reshape(page.rows, page.cols)


def is_plain(page: TiffPage) -> bool:
    """Its numbers lie in the file as they are."""
    return (
        page.compression == NO_COMPRESSION
        and page.predictor == _PLAIN
        and not page.bits_reversed
        and not page.tiled
        and page.bits == 8 * page.dtype.itemsize
    )


def _in_one_run(page: TiffPage) -> bool:
    """One value a pixel, in strips that follow one another without a gap: the usual case by far."""
    if not is_plain(page) or page.frames != 1 or page.samples != 1:
        return False
    offsets, counts = page.offsets, page.counts
    steps: NDArray[np.int64] = offsets[1:] - offsets[:-1]
    return len(offsets) == 1 or bool((steps == counts[:-1]).all() and (counts[:-1] == page.chunk_bytes).all())


def _run(page: TiffPage) -> NDArray[Any]:
    length = page.rows * page.cols * page.dtype.itemsize
    raw = page.file.at(int(page.offsets[0]), length, where=page.where)
    return np.frombuffer(raw, dtype=page.dtype).reshape(1, page.rows, page.cols)


def _piece(page: TiffPage, number: int, inside: tuple[int, ...]) -> NDArray[Any]:
    """One strip or tile as (depth, rows, cols, samples); a last strip may hold only the rows that are left."""
    deep, down, across = page.chunk
    samples = inside[-1]
    row_bytes = page.chunk_bytes // (deep * down)
    raw = _unpacked(page, number, page.chunk_bytes)
    if len(raw) < page.chunk_bytes:
        down = len(raw) // row_bytes if not page.tiled else down
        needed = (inside[1] if not page.tiled else page.chunk[1] * deep) * row_bytes
        if len(raw) < needed:
            raise _broken(page, number, f"holds {len(raw)} bytes and needs {needed}")
    raw = raw[: deep * down * row_bytes]
    if page.bits % 8:
        found = _packed_numbers(page, raw, across * samples)
    elif page.predictor == _FLOAT_DIFFERENCES:
        return _float_differences(page, raw, (deep, down, across, samples))
    else:
        found = np.frombuffer(raw, dtype=page.dtype)
    found = found.reshape(deep, down, across, samples)
    if page.predictor == _DIFFERENCES:
        # Sums wrap as whole numbers of the same width do, which is what the differences count on.
        words = found.astype(found.dtype.newbyteorder("=")).view(f"u{found.dtype.itemsize}")
        found = np.cumsum(words, axis=2, dtype=words.dtype).view(found.dtype.newbyteorder("="))
    elif page.predictor != _PLAIN:
        raise tag_fault(317, f"holds {page.predictor}; 1, 2 and 3 are known", where=page.where)
    return found


def _packed_numbers(page: TiffPage, raw: bytes, run: int) -> NDArray[Any]:
    """Numbers of odd widths, one after the other, each row beginning with a new byte."""
    codecs: Any = importlib.import_module("imagecodecs")
    native = page.dtype.newbyteorder("=")
    return np.asarray(codecs.packints_decode(raw, native, page.bits, runlen=run))


def _float_differences(page: TiffPage, raw: bytes, shape: tuple[int, int, int, int]) -> NDArray[Any]:
    """
    Numbers whose bytes are sorted by weight in each row and kept as differences.

    References
    ----------
    .. [1] Adobe Photoshop TIFF technical note 3 (2005): the floating point predictor.
    """
    deep, down, across, samples = shape
    size = page.dtype.itemsize
    if page.kind != "f":
        raise tag_fault(317, "holds 3, which is for floating point numbers", where=page.where)
    rows = np.frombuffer(raw, dtype=np.uint8).reshape(deep * down, across * size, samples)
    summed = np.cumsum(rows, axis=1, dtype=np.uint8).reshape(deep * down, size, across * samples)
    # The heaviest byte comes first, whatever the file's byte order.
    ordered = np.ascontiguousarray(np.moveaxis(summed, 1, -1))
    return ordered.view(f">f{size}").reshape(shape)


def _unpacked(page: TiffPage, number: int, most: int) -> bytes:
    """The bytes of a strip or tile, at most so many."""
    count = min(int(page.counts[number]), _LONGEST_PACKED * most + _PACKED_SLACK)
    if page.compression == NO_COMPRESSION:
        count = min(count, most)
    raw = page.file.at(int(page.offsets[number]), count, where=page.where)
    if page.bits_reversed:
        raw = raw.translate(_REVERSED_BITS)
    if page.compression == NO_COMPRESSION:
        return raw
    if page.compression in _DEFLATE:
        try:
            # A byte beyond the piece lets the check sum at its end be looked at.
            return zlib.decompressobj().decompress(raw, most + 1)[:most]
        except zlib.error as error:
            raise _broken(page, number, f"cannot be unpacked ({error})") from error
    if page.compression == _LZMA:
        try:
            return lzma.LZMADecompressor(memlimit=_LZMA_MEMORY).decompress(raw, most)
        except (lzma.LZMAError, EOFError) as error:
            raise _broken(page, number, f"cannot be unpacked ({error})") from error
    if page.compression not in _BOUNDED:
        name = _NAMES.get(page.compression, "a method nobody here knows")
        what = f"says {page.compression} ({name}), which is not read; plain, LZW, deflate, PackBits and Zstandard are"
        raise tag_fault(259, what, where=page.where)
    codecs: Any = importlib.import_module("imagecodecs")
    decode = getattr(codecs, _BOUNDED[page.compression])
    try:
        return bytes(decode(raw, out=most))
    except RuntimeError as error:  # the errors of imagecodecs are RuntimeErrors
        raise _broken(page, number, f"cannot be unpacked ({' '.join(str(error).split())[:80]})") from error


def _broken(page: TiffPage, number: int, what: str) -> InputError:
    kind = "tile" if page.tiled else "strip"
    return InputError(f"{kind} {number + 1} of {math.prod(page.pieces)} {what}", where=page.where, fix=AGAIN)
