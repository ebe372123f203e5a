"""A tree of new files in a temporary folder, which takes its place whole: as a folder, or one file of it."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.writing.files import write_all
from thermscan.writing.locks import folder_descriptor, remove_leftovers, temporary_folder
from thermscan.writing.places import ANOTHER_PLACE, check_no_record, refuse_inputs

_PIECE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Tree:
    """A folder of our own, to be filled with new files; folders in it are made as they are needed."""

    path: Path

    def put(self, name: str, data: bytes) -> Path:
        """Write a new file."""
        return self.add(name, (data,))

    def copy(self, name: str, source: Path) -> Path:
        """Copy a file's bytes."""
        try:
            read = source.open("rb")
        except OSError as error:
            fix = "check the name and the folder"
            raise InputError(f"cannot be read ({error.strerror})", where=str(source), fix=fix) from error
        with read:
            return self.add(name, iter(lambda: read.read(_PIECE_BYTES), b""))

    def add(self, name: str, pieces: Iterable[bytes]) -> Path:
        """Write a new file from pieces."""
        place = self.path / name
        place.parent.mkdir(parents=True, exist_ok=True)
        with place.open("xb") as file:
            for piece in pieces:
                file.write(piece)
        return place

    def settle(self, names: Iterable[str], *, seconds: float) -> None:
        """Give files one time, and have their bytes on the disk before a name says that they are there."""
        for name in names:
            os.utime(self.path / name, (seconds, seconds))
            descriptor = os.open(self.path / name, os.O_RDONLY)
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)

    def become(self, out: Path) -> None:
        """Take a place as a folder; it must be free."""
        try:
            # Fails where another came meanwhile, for that is a folder with something in it, or a file.
            os.rename(self.path, out)
        except OSError as error:
            if error.errno in (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR):
                raise _taken(out) from error
            raise
        _settle_folder(out.parent)

    def give(self, name: str, out: Path) -> None:
        """Put one of the files in a place, which must be free."""
        try:
            # A link fails where the name is taken, so that of two at once one is refused; a rename would replace it.
            os.link(self.path / name, out)
        except FileExistsError as error:
            raise _taken(out) from error
        except OSError:  # a file system without hard links
            if os.path.lexists(out):
                raise _taken(out) from None
            os.rename(self.path / name, out)
        _settle_folder(out.parent)


@contextmanager
def fresh_tree(out: Path, *, inputs: Iterable[Path | None], fix: str = ANOTHER_PLACE) -> Iterator[Tree]:
    """
    A tree beside the place that it, or one file of it, is to take; what is left of it at the end is removed.

    Parameters
    ----------
    out : Path
        Must not be there yet, and must not lie in a record.
    inputs : iterable of Path
        All files that the command reads.

    Raises
    ------
    InputError
        There is something already, or nothing can be written there; a full disk while it is filled included.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, fresh_tree(Path(folder, "record"), inputs=[]) as tree:
    ...     _ = tree.put("data/a.txt", b"a")
    ...     tree.become(Path(folder, "record"))
    ...     [path.name for path in Path(folder).iterdir()]
    ['record']
    """
    check_free(out, inputs=inputs, fix=fix)
    try:
        remove_leftovers(out.parent)
        with temporary_folder(out.parent) as folder:
            yield Tree(folder)
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror or error})", where=str(out), fix=fix) from error


def check_free(out: Path, *, inputs: Iterable[Path | None] = (), fix: str = ANOTHER_PLACE) -> None:
    """
    Refuse a place where something is, or where nothing can be; quick, so that it can be asked before the work.

    Examples
    --------
    >>> check_free(Path("no-such-record-yet.zip"))
    """
    refuse_inputs([out], inputs, fix=fix)
    try:
        there, folder = os.path.lexists(out), out.parent.is_dir()
    except ValueError as error:
        raise InputError(f"is no name for a file ({error})", where=repr(str(out)), fix=fix) from error
    if there:
        raise InputError("there is something of that name already, which is never replaced", where=str(out), fix=fix)
    if not folder:
        raise InputError("its folder is not there", where=str(out), fix=f"make the folder, or {fix}")
    check_no_record(out.parent, fix=fix)
    if not os.access(out.parent, os.W_OK | os.X_OK):
        raise InputError("its folder cannot be written to (no permission)", where=str(out), fix=fix)


def replace_own(fresh: Path, place: Path) -> None:
    """Put a file that can be made again at any time in the place of the former one."""
    os.replace(fresh, place)
    _settle_folder(place.parent)


def keep_aside(path: Path) -> Path:
    """
    Give a file that thermscan did not write another name (``NAME.bak``, ``NAME.bak2`` …); that name.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "notes")
    ...     names = [(path.write_text(text), keep_aside(path).name)[1] for text in ("one", "two")]
    ...     print(names, Path(folder, "notes.bak").read_text())
    ['notes.bak', 'notes.bak2'] one
    """
    number = 1
    while os.path.lexists(backup := path.with_name(f"{path.name}.bak{number if number > 1 else ''}")):
        number += 1
    os.rename(path, backup)
    return backup


def put_private(path: Path, data: bytes, *, fix: str = ANOTHER_PLACE) -> None:
    """
    Write a new file that its owner alone may read.

    Raises
    ------
    InputError
        There is something of that name already, or it cannot be written.
    """
    check_free(path, fix=fix)
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
        try:
            write_all(descriptor, data)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror or error})", where=str(path), fix=fix) from error


def open_plain(path: Path) -> IO[bytes]:
    """A file opened to read: a link put in its place is not followed, and a pipe not waited for."""
    flags = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    return os.fdopen(os.open(path, os.O_RDONLY | flags), "rb")


def _taken(out: Path) -> InputError:
    return InputError("something was put there in the meantime", where=str(out), fix=ANOTHER_PLACE)


def _settle_folder(folder: Path) -> None:
    descriptor = folder_descriptor(folder)
    if descriptor is not None:
        with suppress(OSError):  # some file systems cannot
            os.fsync(descriptor)
        os.close(descriptor)
