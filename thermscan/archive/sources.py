"""A bag's files, whether it is a folder or a zip: untrusted, read in small pieces, and nothing is written."""

from __future__ import annotations

import hashlib
import os
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import field
from pathlib import Path
from typing import IO, Protocol

from thermscan.archive.names import path_fault, same_name_key
from thermscan.archive.zip_container import container_damage, member_fault, whole_fault
from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.writing.tree import open_plain

# What a reader of a damaged or hostile file may raise; each becomes damage with the file's name.
READ_ERRORS = (OSError, zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError, ValueError)
PIECE_BYTES = 1 << 20
# Manifests and descriptions are read whole: 100,000 files with long names are about 30 MB.
LARGEST_TAG_BYTES = 64_000_000


@dataclass(frozen=True, slots=True)
class Damage:
    """One file of a bag, and what is wrong with it."""

    file: str
    what: str


class BagFiles(Protocol):
    """The files in a bag, by their paths from the bag's top."""

    path: Path
    sizes: dict[str, int]
    damage: list[Damage]

    def open(self, name: str) -> IO[bytes]:
        """A stream of one file's bytes."""


@contextmanager
def open_bag(path: Path, *, whole: bool = True) -> Iterator[BagFiles]:
    """
    The files of a bag; ``whole`` false does not read a zip from end to end to see whether its seal fits.

    Raises
    ------
    InputError
        Nothing is there, or what is there is neither a folder nor a file.

    Examples
    --------
    >>> with open_bag(Path("no-such-bag")) as files:
    ...     pass
    Traceback (most recent call last):
    thermscan.errors.InputError: no-such-bag: no such record; check the name and the folder
    """
    try:
        mode = path.stat().st_mode
    except OSError as error:
        what = "no such record" if isinstance(error, FileNotFoundError) else f"cannot be read ({error.strerror})"
        raise InputError(what, where=str(path), fix="check the name and the folder") from error
    if stat.S_ISDIR(mode):
        yield _folder_files(path)
    elif stat.S_ISREG(mode):
        with _zip_files(path, whole=whole) as files:
            yield files
    else:
        raise InputError("neither a folder nor a zip", where=str(path), fix="name a record")


def read_whole(files: BagFiles, name: str, *, most_bytes: int = LARGEST_TAG_BYTES) -> bytes | None:
    """A file's bytes, or None where it is missing, too large or cannot be read."""
    if files.sizes.get(name, most_bytes + 1) > most_bytes:
        return None
    try:
        with files.open(name) as stream:
            data = stream.read(most_bytes + 1)
    except READ_ERRORS:
        return None
    return data if len(data) <= most_bytes else None


def digests_of(files: BagFiles, name: str, algorithms: tuple[str, ...]) -> dict[str, str]:
    """A file's digests, by algorithm, read in pieces; raises one of ``READ_ERRORS``."""
    sums = {algorithm: hashlib.new(algorithm) for algorithm in algorithms}
    with files.open(name) as stream:
        while piece := stream.read(PIECE_BYTES):
            for each in sums.values():
                each.update(piece)
    return {algorithm: each.hexdigest() for algorithm, each in sums.items()}


@dataclass(slots=True)
class _Folder:
    path: Path
    sizes: dict[str, int] = field(default_factory=dict)
    damage: list[Damage] = field(default_factory=list)

    def open(self, name: str) -> IO[bytes]:
        # Not followed where a link was put in its place since it was listed.
        return open_plain(self.path / name)


def _folder_files(path: Path) -> _Folder:
    folder = _Folder(path)
    waiting = [("", path)]
    while waiting:
        prefix, place = waiting.pop()
        try:
            entries = sorted(os.scandir(place), key=lambda entry: entry.name)
        except OSError as error:
            folder.damage.append(Damage(prefix.rstrip("/") or ".", f"cannot be looked into ({error.strerror})"))
            continue
        for entry in entries:
            name = prefix + entry.name
            if entry.is_symlink():
                folder.damage.append(Damage(name, "is a link, which a record may not hold"))
            elif entry.is_dir(follow_symlinks=False):
                waiting.append((f"{name}/", Path(entry.path)))
            elif not entry.is_file(follow_symlinks=False):
                folder.damage.append(Damage(name, "is not a plain file"))
            elif fault := path_fault(name):
                folder.damage.append(Damage(printable_name(name), f"its name {fault}"))
            else:
                folder.sizes[name] = entry.stat(follow_symlinks=False).st_size
    _note_same_names(folder.sizes, folder.damage)
    return folder


@dataclass(slots=True)
class _Zip:
    path: Path
    archive: zipfile.ZipFile | None = None
    prefix: str = ""
    sizes: dict[str, int] = field(default_factory=dict)
    damage: list[Damage] = field(default_factory=list)

    def open(self, name: str) -> IO[bytes]:
        if self.archive is None:
            raise zipfile.BadZipFile("the zip is not readable")
        return self.archive.open(self.prefix + name)


@contextmanager
def _zip_files(path: Path, *, whole: bool) -> Iterator[_Zip]:
    files = _Zip(path)
    refused = container_damage(path, whole=whole)
    files.damage.extend(Damage(path.name, what) for what in refused.damage)
    if refused.unreadable:
        yield files
        return
    try:
        archive = zipfile.ZipFile(path)
    except (*READ_ERRORS, UnicodeDecodeError) as error:
        files.damage.append(Damage(path.name, f"is not a readable zip ({error})"))
        yield files
        return
    with archive:
        files.archive = archive
        _list_zip(files, archive)
        yield files


def _list_zip(files: _Zip, archive: zipfile.ZipFile) -> None:
    """Members that may be read; all others are damage."""
    # Not `is_dir`, to which a name of no letters is an error of Python's own.
    folders = [member.filename for member in archive.infolist() if member.filename.endswith("/")]
    for folder in folders:
        if fault := path_fault(folder.rstrip("/")):
            files.damage.append(Damage(printable_name(folder), f"its name {fault}"))
    members = [member for member in archive.infolist() if not member.filename.endswith("/")]
    if fault := whole_fault(members, files.path.stat().st_size):
        files.damage.append(Damage(files.path.name, fault))
        files.archive = None
        return
    tops = [member.filename.partition("/")[0] for member in members if member.filename.endswith("/bagit.txt")]
    top = next((name for name in tops if f"{name}/bagit.txt" in archive.NameToInfo), "")
    files.prefix = f"{top}/" if top and "bagit.txt" not in archive.NameToInfo else ""
    for member in members:
        name = member.filename.removeprefix(files.prefix)
        fault = path_fault(member.filename) or path_fault(name)
        if fault:
            files.damage.append(Damage(printable_name(member.filename), f"its name {fault}"))
        elif not member.filename.startswith(files.prefix):
            files.damage.append(Damage(printable_name(member.filename), "lies outside the bag's folder in the zip"))
        elif member_wrong := member_fault(member):
            files.damage.append(Damage(printable_name(name), member_wrong))
        elif name in files.sizes:
            files.damage.append(Damage(printable_name(name), "is in the zip twice"))
        else:
            files.sizes[name] = member.file_size
    _note_same_names(files.sizes, files.damage)


def _note_same_names(sizes: dict[str, int], damage: list[Damage]) -> None:
    """Two names that differ only in case or Unicode form would be one file elsewhere."""
    first: dict[str, str] = {}
    for name in sizes:
        other = first.setdefault(same_name_key(name), name)
        if other != name:
            damage.append(
                Damage(printable_name(name), f'is the same name as "{printable_name(other)}" on some systems')
            )


def printable_name(name: str) -> str:
    """
    A name as a terminal and strict JSON can show it.

    Examples
    --------
    >>> printable_name("a\\x1bb")
    'a\\\\u001bb'
    """
    return "".join(sign if sign.isprintable() else f"\\u{ord(sign):04x}" for sign in name)
