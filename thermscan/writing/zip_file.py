"""A zip whose bytes hang on its members alone, sealed so that a changed bit in it shows."""

from __future__ import annotations

import hashlib
import shutil
import stat
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import IO

# The zip's comment: the digest of every byte before it. Fixed length, so that it can be filled in at the end.
SEAL_START = b"thermscan sha512 "
SEAL_LENGTH = len(SEAL_START) + 128
_PIECE_BYTES = 1 << 20


def write_zip(path: Path, members: Iterable[tuple[str, Path]], *, stamp: tuple[int, int, int, int, int, int]) -> None:
    """
    Write a new zip.

    Parameters
    ----------
    path : Path
        Must not exist.
    members : iterable of (name, Path)
        In the order in which they are to be written.
    stamp : tuple of int
        Year to second, for every member.
    """
    with zipfile.ZipFile(path, "x", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        archive.comment = SEAL_START + b"0" * 128
        for name, source in members:
            member = zipfile.ZipInfo(name, stamp)
            member.compress_type = zipfile.ZIP_DEFLATED
            member.create_system = 3
            member.external_attr = (stat.S_IFREG | 0o644) << 16
            large = source.stat().st_size > 1 << 31
            with source.open("rb") as read, archive.open(member, "w", force_zip64=large) as out:
                shutil.copyfileobj(read, out, _PIECE_BYTES)
    size = path.stat().st_size
    with path.open("r+b") as file:
        digest = _digest(file, size - SEAL_LENGTH)
        file.seek(size - SEAL_LENGTH)
        file.write(SEAL_START + digest.encode("ascii"))


def zip_seal_fits(file: IO[bytes], size: int, comment: bytes) -> bool:
    """Whether an open zip of that size is as `write_zip` left it."""
    return comment == SEAL_START + _digest(file, size - len(comment)).encode("ascii")


def _digest(file: IO[bytes], length: int) -> str:
    total = hashlib.sha512()
    file.seek(0)
    left = length
    while left > 0 and (piece := file.read(min(_PIECE_BYTES, left))):
        total.update(piece)
        left -= len(piece)
    return total.hexdigest()
