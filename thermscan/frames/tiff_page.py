"""
What one directory of a TIFF says about its page, with TIFF's own defaults where it says nothing.

References
----------
.. [1] TIFF 6.0 (1992), section 8 (baseline field reference guide: the defaults), 14 (predictor), 15 (tiles), 19 (sample
   format); technical note 3 (floating point predictor); SGI's ImageDepth and TileDepth as libtiff documents them.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.stored import MAX_FRAME_PIXELS
from thermscan.frames.tiff_tags import AGAIN, NAMES, Bytes, Directory, directory_at
from thermscan.frozen import dataclass

NO_COMPRESSION = 1
# The predictor belongs to the methods that have use for it (TIFF 6.0, section 14); plain or run-length data have none.
_WITHOUT_PREDICTOR = frozenset({1, 32773})
# Strips or tiles of one page; a strip a row of the tallest frame is a tenth of this.
MOST_PIECES = 100_000
WHITE_IS_ZERO, RGB = 0, 2
# TIFF 6.0: RGB, palette, separated, YCbCr, CIELab and its kin; TIFF/EP and DNG: a sensor under colour filters.
_COLOUR = frozenset({2, 3, 5, 6, 8, 9, 10, 32803, 32845})
_MASK = 4
# What lossy methods of compression leave is a picture: the numbers are no longer the camera's.
_LOSSY = {6: "JPEG", 7: "JPEG", 34892: "JPEG", 50001: "WebP", 33007: "JPEG", 34933: "PNG"}
_UNSIGNED, _SIGNED, _FLOAT, _UNDEFINED = 1, 2, 3, 4
_TRANSPARENCY = (1, 2)
_REDUCED, _TRANSPARENCY_MASK = 1, 4  # bits of NewSubfileType
_OLD_REDUCED = 2  # SubfileType
_UPRIGHT = 1  # Orientation: row 0 at the top and column 0 at the left
_TEXT_TAGS = frozenset({269, 270, 285})  # DocumentName, ImageDescription, PageName
_DATE_TAG, _EXIF_TAG, _EXIF_COMMENT = 306, 34665, 37510
_FIRST_PRIVATE_TAG = 32768  # TIFF 6.0, section 8: private fields
_FEWEST_BITS, _WORD_BITS, _BYTE_BITS = 8, 16, 8
_WHOLE_BITS, _FLOAT_BITS = (8, 16, 32, 64), (16, 32, 64)


@dataclass(frozen=True, slots=True, eq=False)
class TiffPage:
    """
    How one page's numbers are stored.

    Attributes
    ----------
    where : str
        File and page, as messages name it.
    rows, cols, depth, samples : int
        Depth is 1 but for volumes; samples are the values a pixel.
    planar : bool
        The samples are planes one after the other.
    bits : int
        Of a stored number.
    kind : str
        ``u``, ``i`` or ``f`` as numpy has them, or ``c`` for complex numbers.
    chunk : tuple of int
        Depth, rows and columns of a strip or tile.
    offsets, counts : ndarray of int
        Where each strip or tile lies, and its bytes.
    photometric : int or None
    reduced : bool
        A smaller copy of another page, or a mask for it.
    """

    where: str
    file: Bytes
    order: str
    rows: int
    cols: int
    depth: int
    samples: int
    planar: bool
    bits: int
    kind: str
    compression: int
    predictor: int
    bits_reversed: bool
    tiled: bool
    chunk: tuple[int, int, int]
    offsets: NDArray[np.int64]
    counts: NDArray[np.int64]
    photometric: int | None
    transparency: bool
    reduced: bool
    turned: bool
    texts: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def dtype(self) -> np.dtype[np.generic]:
        """Of one number as it is read; numbers of odd widths are read as the next wider whole ones."""
        size = 1 << max(math.ceil(math.log2(self.bits / _BYTE_BITS)), 0)
        return np.dtype(f"{self.order}{self.kind}{size}")

    @property
    def frames(self) -> int:
        """How many planes of one value a pixel the page holds."""
        return self.depth * (self.samples if self.planar else 1)

    @property
    def pieces(self) -> tuple[int, int, int, int]:
        """Number of strips or tiles by plane of samples, depth, row and column."""
        steps = (math.ceil(n / size) for n, size in zip((self.depth, self.rows, self.cols), self.chunk, strict=True))
        deep, down, across = steps
        return (self.samples if self.planar else 1), deep, down, across

    @property
    def chunk_bytes(self) -> int:
        """Bytes of one whole strip or tile, unpacked; each row of odd bits ends with a whole byte."""
        deep, down, across = self.chunk
        row = math.ceil(across * (1 if self.planar else self.samples) * self.bits / _BYTE_BITS)
        return deep * down * row


def describe_page(directory: Directory) -> TiffPage:
    """
    How a page's numbers are stored.

    Raises
    ------
    InputError
        A tag without which nothing can be read is missing, or holds what cannot be.
    """
    rows, cols = _size(directory)
    samples = _at_least_one(directory, 277, 1)
    depth = _at_least_one(directory, 32997, 1)
    bits_each = directory.whole(258)
    remarks: list[str] = []
    bits = 1 if bits_each is None else int(bits_each[0])  # TIFF 6.0's default
    if bits_each is not None and len(set(bits_each[:samples].tolist())) > 1:
        raise directory.fault(258, f"gives the samples {', '.join(map(str, bits_each[:samples].tolist()))} bits")
    planar = directory.one(284, 1) == 2 and samples > 1
    compression = directory.one(259, NO_COMPRESSION)
    tiled = 322 in directory or 323 in directory or 324 in directory
    chunk = _chunk(directory, rows, cols, tiled=tiled)
    offsets, counts = _places(directory, tiled=tiled)
    if counts is None or not counts.any():
        counts = _derived_counts(directory, offsets)
    if len(counts) < len(offsets):
        raise directory.fault(
            325 if tiled else 279, f"names {len(counts)} pieces of the picture, and {len(offsets)} lie in it"
        )
    counts = counts[: len(offsets)]
    if compression == NO_COMPRESSION and not tiled and len(offsets) == 1 and chunk[1] < rows:
        chunk = (1, rows, cols)  # one strip is the whole page, whatever RowsPerStrip says
    if compression == NO_COMPRESSION and not tiled:
        stored_bytes = int(counts.sum(dtype=np.float64))
        bits, said = _bits_by_bytes(bits, rows * cols * depth * samples, stored_bytes, stated=bits_each is not None)
        remarks += said
    sample_format = directory.one(339, _UNSIGNED)
    page = TiffPage(
        where=directory.where,
        file=directory.file,
        order=directory.form.order,
        rows=rows,
        cols=cols,
        depth=depth,
        samples=samples,
        planar=planar,
        bits=bits,
        kind={_UNSIGNED: "u", _SIGNED: "i", _FLOAT: "f", _UNDEFINED: "u"}.get(sample_format, "c"),
        compression=compression,
        predictor=1 if compression in _WITHOUT_PREDICTOR else directory.one(317, 1),
        bits_reversed=directory.one(266, 1) == 2,
        tiled=tiled,
        chunk=chunk,
        offsets=offsets,
        counts=counts,
        photometric=None if directory.whole(262) is None else directory.one(262, 0),
        transparency=samples == 2 and directory.one(338, 0) in _TRANSPARENCY,
        reduced=bool(directory.one(254, 0) & (_REDUCED | _TRANSPARENCY_MASK)) or directory.one(255, 1) == _OLD_REDUCED,
        turned=directory.one(274, _UPRIGHT) != _UPRIGHT,
        texts=page_texts(directory),
        remarks=tuple(remarks),
    )
    _check_pieces(page)
    return page


def is_colour(page: TiffPage) -> bool:
    """
    The page is a colour picture.

    Planes one after the other, marked as red, green and blue, are how some programs save a stack of three frames; whole
    bytes are a picture all the same.
    """
    if page.photometric is None:
        return page.samples in (3, 4) and page.bits == _BYTE_BITS
    planar_numbers = page.photometric == RGB and page.planar and (page.bits, page.kind) != (_BYTE_BITS, "u")
    return page.photometric in _COLOUR and not planar_numbers


def marked_as_colour(page: TiffPage) -> bool:
    """Planes that say they are red, green and blue, and may be frames all the same."""
    return page.photometric in _COLOUR


def why_no_frame(page: TiffPage) -> str | None:
    """Why a page cannot be a radiometric frame, or None; whether it is a colour picture is asked before."""
    packed = page.kind == "u" and _FEWEST_BITS < page.bits < _WORD_BITS
    known_width = page.bits in (_FLOAT_BITS if page.kind == "f" else _WHOLE_BITS) or packed
    reasons = {
        "it is a mask of transparency, not a frame": page.photometric == _MASK,
        f"its pixels are packed as {_LOSSY.get(page.compression)}, as pictures are, and are no temperatures": (
            page.compression in _LOSSY
        ),
        "its pixels are stored as complex numbers, not as numbers": page.kind == "c",
        f"its pixels are stored with {page.bits} bit{'s' * (page.bits > 1)}, not as numbers": page.bits < _FEWEST_BITS,
        f"its pixels are numbers of {page.bits} bits, which are not read; 8, 16, 32 and 64 are": not known_width,
        f"it has {page.samples} values a pixel, where a radiometric frame has one": (
            page.samples > 1 and not page.planar and not page.transparency
        ),
    }
    return next((reason for reason, holds in reasons.items() if holds), None)


def page_texts(directory: Directory) -> tuple[str, ...]:
    """What is written at a page: its description and names, private tags of text, the EXIF comment, its date."""
    texts = []
    for code in directory.tags:
        if code in _TEXT_TAGS or (code >= _FIRST_PRIVATE_TAG and directory.is_text(code)):
            texts.append(directory.text(code))
        elif code == _DATE_TAG and (date := directory.text(code)):
            texts.append(f"DateTime: {date}")
        elif code == _EXIF_TAG:
            texts.append(_exif_comment(directory))
    return tuple(text for text in texts if text)


def _exif_comment(directory: Directory) -> str | None:
    """The comment in an EXIF directory, behind the eight bytes that name its characters; a damaged one says nothing."""
    try:
        inner = directory_at(directory.file, directory.form, directory.one(_EXIF_TAG, 0), where=directory.where)
    except InputError:
        return None
    comment = inner.text(_EXIF_COMMENT)
    return comment.removeprefix("ASCII").strip("\0 ") if comment else None


def _size(directory: Directory) -> tuple[int, int]:
    for code in (256, 257):
        if directory.whole(code) is None:
            raise InputError(f"tag {code} ({NAMES[code]}) is missing", where=directory.where, fix=AGAIN)
    rows, cols = directory.one(257, 0), directory.one(256, 0)
    if rows < 1 or cols < 1:
        raise InputError(f"it claims {cols} x {rows} pixels", where=directory.where, fix=AGAIN)
    if rows * cols > MAX_FRAME_PIXELS:
        raise InputError(
            f"it claims {cols} x {rows} pixels; up to {MAX_FRAME_PIXELS // 10**6} million are read",
            where=directory.where,
            fix="it is damaged or no frame; export it again",
        )
    return rows, cols


def _at_least_one(directory: Directory, code: int, default: int) -> int:
    value = directory.one(code, default)
    if not 1 <= value <= MAX_FRAME_PIXELS:
        raise directory.fault(code, f"holds {value}")
    return value


def _chunk(directory: Directory, rows: int, cols: int, *, tiled: bool) -> tuple[int, int, int]:
    if not tiled:
        rows_a_strip = directory.one(278, rows)
        return 1, (rows if rows_a_strip < 1 else min(rows_a_strip, rows)), cols
    across, down = _at_least_one(directory, 322, cols), _at_least_one(directory, 323, rows)
    deep = _at_least_one(directory, 32998, 1)
    if across * down * deep > MAX_FRAME_PIXELS:
        raise directory.fault(322, f"claims tiles of {across} x {down} pixels")
    return deep, down, across


def _places(directory: Directory, *, tiled: bool) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]:
    """Offsets and byte counts of the strips or tiles; some programs name tiles by the tags for strips."""
    code = 324 if tiled and 324 in directory else 273
    offsets = directory.whole(code)
    if offsets is None:
        raise InputError(
            f"tag {code} ({NAMES[code]}), which says where the pixels are, is missing", where=directory.where, fix=AGAIN
        )
    if len(offsets) > MOST_PIECES:
        raise directory.fault(code, f"names {len(offsets)} pieces of the picture; up to {MOST_PIECES} are read")
    return offsets, directory.whole(325 if code == 324 else 279)


def _derived_counts(directory: Directory, offsets: NDArray[np.int64]) -> NDArray[np.int64]:
    """Where the byte counts are not stated, a piece may go on to the next one or to the file's end."""
    ends = np.append(np.sort(offsets)[1:], directory.file.size) if len(offsets) else offsets
    derived = np.empty_like(offsets)
    derived[np.argsort(offsets, kind="stable")] = ends
    return derived - offsets


def _bits_by_bytes(bits: int, numbers: int, stored_bytes: int, *, stated: bool) -> tuple[int, list[str]]:
    """
    The bits of a number where what is stated disagrees with the bytes that are there.

    Some cameras write numbers of 10 to 14 bits into words of two bytes and state the former; without the tag TIFF's
    default is one bit, which no frame has.
    """
    if _FEWEST_BITS < bits < _WORD_BITS and stored_bytes == 2 * numbers:
        return _WORD_BITS, [f"its pixels are {bits} bits in words of {_WORD_BITS}"]
    if not stated:
        for likely in _WHOLE_BITS:
            if stored_bytes == numbers * likely // _BYTE_BITS:
                return likely, [f"the TIFF does not state its bits a pixel: {likely}, by the number of its bytes"]
    return bits, []


def _check_pieces(page: TiffPage) -> None:
    """Each piece must lie within the file, and no fewer may be named than the page is cut into."""
    offsets, counts, wanted = page.offsets, page.counts, math.prod(page.pieces)
    if wanted > MOST_PIECES:
        raise InputError(f"it is cut into {wanted} pieces; up to {MOST_PIECES} are read", where=page.where, fix=AGAIN)
    if len(offsets) < wanted or (offsets[:wanted] <= 0).any() or (counts[:wanted] <= 0).any():
        raise InputError("parts of the picture are missing", where=page.where, fix=AGAIN)
    end = int((offsets[:wanted] + counts[:wanted]).max())
    size = page.file.size
    if page.compression == NO_COMPRESSION:
        # A last strip may claim bytes beyond its rows; only those that the rows need must be there.
        last = int(offsets[wanted - 1] + min(int(counts[wanted - 1]), page.chunk_bytes))
        end = max(int((offsets[: wanted - 1] + counts[: wanted - 1]).max(initial=0)), last)
    if end > size:
        raise InputError(f"the file is cut short: it has {size} bytes and needs {end}", where=page.where, fix=AGAIN)
    needs = math.ceil(page.rows * page.cols * page.depth * page.samples * page.bits / _BYTE_BITS)
    has = int(counts[:wanted].sum(dtype=np.float64))
    if page.compression == NO_COMPRESSION and has < needs:
        raise InputError(f"the page has {has} bytes and needs {needs}", where=page.where, fix=AGAIN)
