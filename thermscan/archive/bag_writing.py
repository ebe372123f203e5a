"""A folder of payload made into a bag, and put in its place whole or not at all."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from thermscan.archive.names import manifest_path
from thermscan.archive.tag_files import DECLARATION, pairs_text
from thermscan.archive.zip_container import write_zip
from thermscan.errors import InputError

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


@contextmanager
def beside(out: Path) -> Iterator[Path]:
    """
    A new folder next to where a bag will be, removed with all that is in it when the work ends, however it ends.

    Raises
    ------
    InputError
        The place exists already, or cannot be written to.
    """
    check_place(out)
    folder = out.parent / f".{out.name[:100]}.{secrets.token_hex(6)}.part"
    try:
        folder.mkdir()
    except OSError as error:
        raise _cannot_write(out, error) from error
    try:
        yield folder
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG):
            raise _cannot_write(out, error) from error
        raise
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def check_place(out: Path) -> None:
    """
    Refuse a place where something is, or where nothing can be; quick, so that it can be asked before the work.

    Examples
    --------
    >>> check_place(Path("no-such-record-yet.zip"))
    """
    if os.path.lexists(out):
        raise InputError(
            "there is something of that name already, and a record is never replaced",
            where=str(out),
            fix="choose another name with --out, or move the old record away",
        )
    parent = out.parent
    if not parent.is_dir():
        raise InputError("its folder is not there", where=str(out), fix="make the folder, or choose another place")
    if not os.access(parent, os.W_OK | os.X_OK):
        raise InputError("its folder cannot be written to", where=str(out), fix="choose another place with --out")


def finish_bag(
    folder: Path, out: Path, *, info: Sequence[tuple[str, str]], made: datetime, sign: Sign | None, signature_file: str
) -> Written:
    """
    Add what makes a folder with ``data/`` in it a bag, then rename it (or its zip) into its place.

    Parameters
    ----------
    folder : Path
        As :func:`beside` gave it; all in ``data/`` is the payload.
    out : Path
        A name that ends in ``.zip`` makes a zip.
    info : sequence of (label, value)
        For bag-info.txt; Payload-Oxum is added.
    made : datetime
        The time that all files get, so that the same evidence makes the same bytes.
    sign : callable, optional
        Turns the bytes of ``tagmanifest-sha512.txt`` into those of the signature file.
    """
    payload = sorted(path.relative_to(folder).as_posix() for path in (folder / "data").rglob("*") if path.is_file())
    sums = {name: _sums(folder / name) for name in payload}
    total = sum((folder / name).stat().st_size for name in payload)
    _write(folder / "bagit.txt", DECLARATION)
    _write(folder / "bag-info.txt", pairs_text([*info, ("Payload-Oxum", f"{total}.{len(payload)}")]))
    _write(folder / "manifest-sha512.txt", _lines({name: each[0] for name, each in sums.items()}))
    tags = {name: _sums(folder / name) for name in ("bag-info.txt", "bagit.txt", "manifest-sha512.txt")}
    _write(folder / "tagmanifest-sha512.txt", _lines({name: each[0] for name, each in tags.items()}))
    _write(folder / "tagmanifest-sha256.txt", _lines({name: each[1] for name, each in tags.items()}))
    if sign is not None:
        (folder / signature_file).write_bytes(sign((folder / "tagmanifest-sha512.txt").read_bytes()))
    stamp = min(max(made.astimezone(UTC), EARLIEST), LATEST)
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    size = sum((folder / name).stat().st_size for name in names)
    if out.suffix.lower() == ".zip":
        _place_zip(folder, names, out, stamp, top=f"record-{tags['manifest-sha512.txt'][0][:16]}")
        size = out.stat().st_size
    else:
        _place_folder(folder, names, out, stamp)
    return Written(out, len(names), size, tags["manifest-sha512.txt"][0])


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))


def _lines(digests: dict[str, str]) -> str:
    return "".join(f"{digest}  {manifest_path(name)}\n" for name, digest in sorted(digests.items()))


def _sums(path: Path) -> tuple[str, str]:
    """SHA-512 and SHA-256."""
    long, short = hashlib.sha512(), hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_PIECE_BYTES):
            long.update(piece)
            short.update(piece)
    return long.hexdigest(), short.hexdigest()


def _place_zip(folder: Path, names: Sequence[str], out: Path, stamp: datetime, *, top: str) -> None:
    # The declaration first, so that a reader knows at once what it has.
    ordered = ["bagit.txt", *(name for name in names if name != "bagit.txt")]
    zipped = folder / f"{top}.zip"
    moment = (stamp.year, stamp.month, stamp.day, stamp.hour, stamp.minute, stamp.second)
    write_zip(zipped, [(f"{top}/{name}", folder / name) for name in ordered], stamp=moment)
    _to_disk(zipped)
    try:
        # A link fails where the name is taken, so that of two at once one is refused; a rename would replace it.
        os.link(zipped, out)
    except FileExistsError as error:
        raise InputError("another record took this place meanwhile", where=str(out), fix="choose another") from error
    except OSError:
        # No links on this file system.
        check_place(out)
        zipped.rename(out)
    _to_disk(out.parent)


def _place_folder(folder: Path, names: Sequence[str], out: Path, stamp: datetime) -> None:
    seconds = stamp.timestamp()
    for name in names:
        os.utime(folder / name, (seconds, seconds))
        _to_disk(folder / name)
    check_place(out)
    try:
        # Fails where a record of that name came meanwhile, for that is a folder with something in it.
        folder.rename(out)
    except OSError as error:
        if error.errno in (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR):
            what = "another record took this place meanwhile"
            raise InputError(what, where=str(out), fix="choose another") from error
        raise
    _to_disk(out.parent)


def _to_disk(path: Path) -> None:
    """Ask for the bytes to be on the disk before a name says that they are."""
    try:
        descriptor = os.open(path, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
            raise
    finally:
        os.close(descriptor)


def _cannot_write(out: Path, error: OSError) -> InputError:
    return InputError(
        f"the record cannot be written there ({error.strerror or error})", where=str(out), fix="choose another place"
    )
