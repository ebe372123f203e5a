"""A digest inside a file of our own: as long as it holds, nobody has worked on the file since thermscan wrote it."""

from __future__ import annotations

import hashlib
import re
import struct
import zlib

_MARK = b"thermscan sha256 "
_DIGITS = 64

# What may stand behind the end of such a file without harm: a comment, as each format has it.
_COMMENTS = ((b"%PDF-", b"%%", b"\n"), (b"<!DOCTYPE html", b"<!-- ", b" -->\n"), (b"# thermscan ", b"# ", b"\n"))

_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_END = struct.pack(">I", 0) + b"IEND" + struct.pack(">I", zlib.crc32(b"IEND"))


def sealed(data: bytes) -> bytes:
    """
    A file's contents with a digest of themselves at their end; a format that has no room for it stays as it is.

    Parameters
    ----------
    data : bytes
        A PDF, an HTML page, a PNG (ISO/IEC 15948: a tEXt chunk), or a list that begins with ``# thermscan``.

    Examples
    --------
    >>> sealed(b"%PDF-1.4 ...")[:29], sealed(b"plain")
    (b'%PDF-1.4 ...%%thermscan sha25', b'plain')
    """
    if data.startswith(_PNG) and data.endswith(_PNG_END):
        body = data[: -len(_PNG_END)]
        return body + _png_chunk(body) + _PNG_END
    for start, before, after in _COMMENTS:
        if data[: len(start)].lower() == start.lower():
            return data + before + _MARK + _digest(data) + after
    return data


def is_sealed(data: bytes) -> bool:
    """
    Whether these bytes are as `sealed` left them.

    Examples
    --------
    >>> is_sealed(sealed(b"%PDF-1.4 ...")), is_sealed(sealed(b"%PDF-1.4 ...") + b"a note"), is_sealed(b"%PDF-1.4")
    (True, False, False)
    """
    return len(unsealed(data)) < len(data)


def unsealed(data: bytes) -> bytes:
    """The contents without their seal; as they are where there is none or it does not hold."""
    if data.startswith(_PNG):
        body = data[: -len(_png_chunk(b"")) - len(_PNG_END)]
    else:
        found = re.search(rb"(%%|<!-- |# )" + _MARK + rb"[0-9a-f]{64}( -->)?\n\Z", data)
        body = data[: found.start()] if found else data
    return body if body != data and data == sealed(body + (_PNG_END if data.startswith(_PNG) else b"")) else data


def _digest(data: bytes) -> bytes:
    return hashlib.sha256(data).hexdigest().encode("ascii")


def _png_chunk(body: bytes) -> bytes:
    text = b"tEXt" + b"Comment\x00" + _MARK + _digest(body)
    return struct.pack(">I", len(text) - 4) + text + struct.pack(">I", zlib.crc32(text))
