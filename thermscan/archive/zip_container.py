"""The zip round a bag: looked at before it is trusted."""

from __future__ import annotations

import stat
import struct
import zipfile
from collections.abc import Sequence
from dataclasses import field
from pathlib import Path

from thermscan.frozen import dataclass
from thermscan.writing.zip_file import SEAL_LENGTH, SEAL_START, zip_seal_fits

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

_END = struct.Struct("<4s4H2LH")
_END_64_LOCATOR = struct.Struct("<4sLQL")
_END_64 = struct.Struct("<4sQ2H2L4Q")
_LONGEST_COMMENT = 65_535


@dataclass(frozen=True, slots=True)
class ContainerDamage:
    """What is wrong with the zip itself; ``unreadable`` where it may not be opened."""

    damage: tuple[str, ...] = field(default=())
    unreadable: bool = False


def container_damage(path: Path, *, whole: bool = True) -> ContainerDamage:
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
        has_seal = len(comment) == SEAL_LENGTH or comment.startswith(SEAL_START)
        if whole and has_seal and not zip_seal_fits(file, size, comment):
            return ContainerDamage(("its bytes are not those that were packed (the seal at its end does not fit)",))
    return ContainerDamage()


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
