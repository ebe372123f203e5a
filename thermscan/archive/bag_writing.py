"""A folder of payload made into a bag, and put in its place whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from thermscan.archive.names import manifest_path
from thermscan.archive.tag_files import DECLARATION, pairs_text
from thermscan.frozen import dataclass
from thermscan.writing.tree import Tree
from thermscan.writing.zip_file import write_zip

_PIECE_BYTES = 1 << 20
# Zip cannot write an earlier time (APPNOTE.TXT 4.4.6: MS-DOS time).
EARLIEST = datetime(1980, 1, 1, tzinfo=UTC)
LATEST = datetime(2107, 12, 31, tzinfo=UTC)
Sign = Callable[[bytes], bytes]


@dataclass(frozen=True, slots=True)
class Written:
    """A bag in its place: its files, their bytes, and the digest of its payload manifest."""

    path: Path
    files: int
    size_bytes: int
    manifest_sha512: str


def finish_bag(
    tree: Tree, out: Path, *, info: Sequence[tuple[str, str]], made: datetime, sign: Sign | None, signature_file: str
) -> Written:
    """
    Add what makes a folder with ``data/`` in it a bag, then rename it (or its zip) into its place.

    Parameters
    ----------
    tree : Tree
        All in its ``data/`` is the payload.
    out : Path
        A name that ends in ``.zip`` makes a zip.
    info : sequence of (label, value)
        For bag-info.txt; Payload-Oxum is added.
    made : datetime
        The time that all files get, so that the same evidence makes the same bytes.
    sign : callable, optional
        Turns the bytes of ``tagmanifest-sha512.txt`` into those of the signature file.
    """
    folder = tree.path
    payload = sorted(path.relative_to(folder).as_posix() for path in (folder / "data").rglob("*") if path.is_file())
    sums = {name: _sums(folder / name) for name in payload}
    total = sum((folder / name).stat().st_size for name in payload)
    tree.put("bagit.txt", DECLARATION.encode("ascii"))
    tree.put("bag-info.txt", pairs_text([*info, ("Payload-Oxum", f"{total}.{len(payload)}")]).encode("utf-8"))
    tree.put("manifest-sha512.txt", _lines({name: each[0] for name, each in sums.items()}))
    tags = {name: _sums(folder / name) for name in ("bag-info.txt", "bagit.txt", "manifest-sha512.txt")}
    tree.put("tagmanifest-sha512.txt", _lines({name: each[0] for name, each in tags.items()}))
    tree.put("tagmanifest-sha256.txt", _lines({name: each[1] for name, each in tags.items()}))
    if sign is not None:
        tree.put(signature_file, sign((folder / "tagmanifest-sha512.txt").read_bytes()))
    stamp = min(max(made.astimezone(UTC), EARLIEST), LATEST)
    # The declaration first, so that a reader of a zip knows at once what it has.
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    names.sort(key=lambda name: name != "bagit.txt")
    size = sum((folder / name).stat().st_size for name in names)
    if out.suffix.lower() == ".zip":
        top = f"record-{tags['manifest-sha512.txt'][0][:16]}"
        moment = (stamp.year, stamp.month, stamp.day, stamp.hour, stamp.minute, stamp.second)
        zipped = f"{top}.zip"
        write_zip(folder / zipped, [(f"{top}/{name}", folder / name) for name in names], stamp=moment)
        tree.settle([zipped], seconds=stamp.timestamp())
        size = (folder / zipped).stat().st_size
        tree.give(zipped, out)
    else:
        tree.settle(names, seconds=stamp.timestamp())
        tree.become(out)
    return Written(out, len(names), size, tags["manifest-sha512.txt"][0])


def _lines(digests: dict[str, str]) -> bytes:
    return "".join(f"{digest}  {manifest_path(name)}\n" for name, digest in sorted(digests.items())).encode("utf-8")


def _sums(path: Path) -> tuple[str, str]:
    """SHA-512 and SHA-256."""
    long, short = hashlib.sha512(), hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_PIECE_BYTES):
            long.update(piece)
            short.update(piece)
    return long.hexdigest(), short.hexdigest()
