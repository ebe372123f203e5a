"""The zip round a bag: read before it is trusted, and sealed so that a changed bit in it shows."""

from __future__ import annotations

import hashlib
import stat
import struct
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

# A recording saved frame by frame over an hour has some 30 000 files; a list of names beyond this is an attack.
MOST_MEMBERS = 100_000
# The list of members is read whole by the zip library, about 1 kB of memory for each 100 bytes of it.
LARGEST_LIST_BYTES = 32_000_000
# Frames and their text shrink by 2 to 30 times; what grows beyond this, and beyond a size that matters, is a bomb.
MOST_GROWTH = 200
GROWTH_MATTERS_BYTES = 64_000_000
# More than a day's recording; a record is read whole on verification.
LARGEST_TOTAL_BYTES = 64_000_000_000
KNOWN_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ENCRYPTED = 0x1

# The zip's comment: the digest of every byte before it. Fixed length, so that it can be filled in at the end.
SEAL_START = b"thermscan sha512 "
SEAL_LENGTH = len(SEAL_START) + 128
_PIECE_BYTES = 1 << 20

_END = struct.Struct("<4s4H2LH")
_END_64_LOCATOR = struct.Struct("<4sLQL")
_END_64 = struct.Struct("<4sQ2H2L4Q")
_LONGEST_COMMENT = 65_535


@dataclass(frozen=True, slots=True)
class ContainerDamage:
    """What is wrong with the zip itself; ``unreadable`` where it may not be opened."""

    damage: tuple[str, ...] = field(default=())
    unreadable: bool = False


def container_damage(path: Path) -> ContainerDamage:
    """
    What can be told of a zip before the zip library reads it: its list's size, and its seal if it has one.

    The library would read a list of members of any size into memory.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        tail_start = max(0, size - _END.size - _LONGEST_COMMENT - _END_64_LOCATOR.size)
        file.seek(tail_start)
        tail = file.read()
        at = tail.rfind(b"PK\x05\x06")
        if at < 0 or len(tail) - at < _END.size:
            return ContainerDamage(("is not a zip, or its end is missing",), unreadable=True)
        _, _, _, _, members, list_bytes, _, comment_length = _END.unpack_from(tail, at)
        comment = tail[at + _END.size :]
        locator_at = at - _END_64_LOCATOR.size
        if locator_at >= 0 and tail[locator_at : locator_at + 4] == b"PK\x06\x07":
            place = _END_64_LOCATOR.unpack_from(tail, locator_at)[2]
            file.seek(min(place, size))
            record = file.read(_END_64.size)
            if len(record) < _END_64.size or record[:4] != b"PK\x06\x06":
                return ContainerDamage(("its end is damaged",), unreadable=True)
            members, list_bytes = _END_64.unpack(record)[7:9]
        if members > MOST_MEMBERS or list_bytes > LARGEST_LIST_BYTES:
            return ContainerDamage((f"lists {members} files, too many for a record",), unreadable=True)
        if len(comment) != comment_length:
            return ContainerDamage(("has bytes after its end, or lacks some",))
        # By its length too, so that a flipped bit in its first words does not hide it.
        if (len(comment) == SEAL_LENGTH or comment.startswith(SEAL_START)) and not _seal_fits(file, size, comment):
            return ContainerDamage(("its bytes are not those that were packed (the seal at its end does not fit)",))
    return ContainerDamage()


def seal(path: Path) -> None:
    """Fill in the digest of a zip whose comment is ``empty_seal()``."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        digest = _digest(file, size - SEAL_LENGTH)
        file.seek(size - SEAL_LENGTH)
        file.write(SEAL_START + digest.encode("ascii"))


def empty_seal() -> bytes:
    """
    The comment to write before the digest is known.

    Examples
    --------
    >>> len(empty_seal()) == SEAL_LENGTH
    True
    """
    return SEAL_START + b"0" * 128


def _seal_fits(file: IO[bytes], size: int, comment: bytes) -> bool:
    return comment == SEAL_START + _digest(file, size - len(comment)).encode("ascii")


def _digest(file: IO[bytes], length: int) -> str:
    total = hashlib.sha512()
    file.seek(0)
    left = length
    while left > 0 and (piece := file.read(min(_PIECE_BYTES, left))):
        total.update(piece)
        left -= len(piece)
    return total.hexdigest()


def whole_fault(members: Sequence[zipfile.ZipInfo], container_bytes: int) -> str | None:
    """
    Why all members together are refused, or None.

    Members that share compressed bytes (D. Fifield, "A better zip bomb", WOOT 2019) add up to more than the file has.

    Examples
    --------
    >>> member = zipfile.ZipInfo("data/zeros")
    >>> member.file_size, member.compress_size = 10_000_000_000, 10_000_000
    >>> whole_fault([member], 10_000_200)
    'would grow from 10000200 to 10000000000 bytes, as no record does'
    """
    total = sum(member.file_size for member in members)
    if sum(member.compress_size for member in members) > container_bytes:
        return "its members overlap, as no record's do"
    if total > LARGEST_TOTAL_BYTES or (total > GROWTH_MATTERS_BYTES and total > MOST_GROWTH * container_bytes):
        return f"would grow from {container_bytes} to {total} bytes, as no record does"
    return None


def member_fault(member: zipfile.ZipInfo) -> str | None:
    """
    Why one member is refused, or None.

    Examples
    --------
    >>> member = zipfile.ZipInfo("data/link")
    >>> member.external_attr = 0o120777 << 16
    >>> member_fault(member)
    'is a link, which a record may not hold'
    """
    mode = member.external_attr >> 16
    if stat.S_ISLNK(mode):
        return "is a link, which a record may not hold"
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        return "is not a plain file"
    if member.flag_bits & _ENCRYPTED:
        return "is encrypted"
    if member.compress_type not in KNOWN_METHODS:
        return "is packed by a method that records do not use"
    return None


def write_zip(path: Path, members: Iterable[tuple[str, Path]], *, stamp: tuple[int, int, int, int, int, int]) -> None:
    """
    A zip whose bytes depend on the members' names, bytes and the stamp alone; sealed.

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
        archive.comment = empty_seal()
        for name, source in members:
            member = zipfile.ZipInfo(name, stamp)
            member.compress_type = zipfile.ZIP_DEFLATED
            member.create_system = 3
            member.external_attr = (stat.S_IFREG | 0o644) << 16
            with (
                source.open("rb") as read,
                archive.open(member, "w", force_zip64=source.stat().st_size > 1 << 31) as out,
            ):
                while piece := read.read(_PIECE_BYTES):
                    out.write(piece)
    seal(path)
