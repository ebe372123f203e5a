"""
A folder whose files belong together, such as a report: they are replaced as one, and only where they are our own.

What thermscan wrote into the folder stands in a list with its digests (``report.sha256``, which ``sha256sum -c``
reads; the list is sealed). A file that is not in it, or was worked on since, is never touched. One file, results.json,
says that the whole is there: it goes before the first of the others is changed, and comes back last.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.writing.files import write_all
from thermscan.writing.locks import folder_descriptor, remove_leftovers, take_lock, temporary_folder
from thermscan.writing.places import check_no_record, refuse_inputs
from thermscan.writing.seal import is_sealed, sealed, unsealed

ANOTHER_FOLDER = "name another folder with --out"
LIST_NAME = "report.sha256"
_HEADING = "# thermscan wrote these files; to check them: sha256sum -c report.sha256"
_LINE = re.compile(r"([0-9a-f]{64})  ([^/\\\x00-\x1f]+)")
# A list is some dozen lines; what is larger is none.
_LARGEST_LIST_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class ReservedFolder:
    """
    A folder that this process alone may write into until it lets go.

    Attributes
    ----------
    path : Path
    inputs : tuple of Path
        Files that the command reads.
    fix : str
        What to do where something cannot be written.
    """

    path: Path
    inputs: tuple[Path | None, ...]
    fix: str

    def check(self, names: Iterable[str]) -> None:
        """
        Refuse names under which there is anything that thermscan did not write, or that was worked on since.

        Raises
        ------
        InputError
        """
        known = _listed(self.path)
        for name in names:
            place = self.path / name
            refuse_inputs([place], self.inputs, fix=self.fix)
            if os.path.lexists(place) and not _is_ours(place, known.get(name, ())):
                what = f"there is a {name} that thermscan did not write, or that was changed since"
                raise InputError(what, where=str(self.path), fix=self.fix)

    def put(self, contents: Mapping[str, bytes], *, last: str, inputs: Iterable[Path | None] = ()) -> tuple[Path, ...]:
        """
        Replace our own files of this folder by others, as one.

        Parameters
        ----------
        contents : mapping of str to bytes
            Files by name.
        last : str
            The one that says the whole is there.
        inputs : iterable of Path
            More files that were read, which were not known when the folder was reserved.

        Returns
        -------
        tuple of Path
            What was written, in the order given.

        Raises
        ------
        InputError
            A name is taken by a file of someone else, or the folder cannot be written to.
        """
        names = [*contents, *([] if _list_is_ours(self.path) else [LIST_NAME])]
        refuse_inputs([self.path / name for name in names], inputs, fix=self.fix)
        self.check(names)
        try:
            with temporary_folder(self.path) as waiting:
                self._replace(waiting, contents, last)
        except OSError as error:
            what = f"cannot be written ({error.strerror or error})"
            raise InputError(what, where=str(self.path), fix=self.fix) from error
        return tuple(self.path / name for name in contents)

    def _replace(self, waiting: Path, contents: Mapping[str, bytes], last: str) -> None:
        former = _listed(self.path)
        fresh = {name: (hashlib.sha256(data).hexdigest(),) for name, data in contents.items()}
        both = {name: (*former.get(name, ()), *fresh.get(name, ())) for name in {**former, **fresh}}
        for name, data in contents.items():
            _write(waiting / name, data)
        # However this ends from here on, the next run knows the old files and the new ones as our own.
        self._put_list(waiting, both)
        (self.path / last).unlink(missing_ok=True)
        _settle(self.path)
        for name in contents:
            if name != last:
                os.replace(waiting / name, self.path / name)
        for name, digests in former.items():
            if name not in contents and _is_ours(self.path / name, digests):
                (self.path / name).unlink()
        self._put_list(waiting, fresh)
        _settle(self.path)
        os.replace(waiting / last, self.path / last)

    def _put_list(self, waiting: Path, files: Mapping[str, tuple[str, ...]]) -> None:
        lines = [f"{digest}  {name}" for name in sorted(files) for digest in dict.fromkeys(files[name])]
        _write(waiting / LIST_NAME, sealed("\n".join([_HEADING, *lines, ""]).encode("utf-8")))
        os.replace(waiting / LIST_NAME, self.path / LIST_NAME)


@contextmanager
def reserved_folder(
    path: Path, *, inputs: Iterable[Path | None], fix: str = ANOTHER_FOLDER
) -> Iterator[ReservedFolder]:
    """
    Keep a folder for this process until the work is done; made where it is missing, and gone again where nothing came.

    Parameters
    ----------
    path : Path
    inputs : iterable of Path
        All files that the command reads: none of them is replaced.
    fix : str
        What to do where it cannot be had.

    Raises
    ------
    InputError
        A file stands in its place, it lies in a record, it cannot be written to, or another process writes there.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, reserved_folder(Path(folder, "report"), inputs=[]) as report:
    ...     written = report.put({"results.json": b"{}"}, last="results.json")
    ...     sorted(path.name for path in report.path.iterdir())
    ['report.sha256', 'results.json']
    """
    if os.path.lexists(path) and not path.is_dir():
        raise InputError("this is a file, not a folder", where=str(path), fix=fix)
    check_no_record(path, fix=fix)
    made, descriptor = _open_folder(path, fix)
    try:
        if descriptor is not None and take_lock(descriptor) == "another's":
            raise InputError("another thermscan is writing there", where=str(path), fix=f"wait for it, or {fix}")
        try:
            remove_leftovers(path)
        except OSError as error:
            raise InputError(f"cannot be looked into ({error.strerror or error})", where=str(path), fix=fix) from error
        if not os.access(path, os.W_OK | os.X_OK):
            raise InputError("cannot be written to (no permission)", where=str(path), fix=fix)
        yield ReservedFolder(path, tuple(inputs), fix)
    finally:
        for each in made:
            with suppress(OSError):  # it holds something now
                each.rmdir()
        if descriptor is not None:
            os.close(descriptor)


def _open_folder(path: Path, fix: str) -> tuple[list[Path], int | None]:
    """Which folders had to be made, the innermost first, and the folder opened."""
    made: list[Path] = []
    try:
        missing = [each for each in (path, *path.parents) if not each.exists()]
        for each in reversed(missing):
            with suppress(FileExistsError):
                each.mkdir()
                made.insert(0, each)
        return made, folder_descriptor(path)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise InputError(f"the folder cannot be made ({why})", where=str(path), fix=fix) from error


def _listed(folder: Path) -> dict[str, tuple[str, ...]]:
    """What thermscan wrote into a folder: digests by name, none where there is no list of its own."""
    if not _list_is_ours(folder):
        return {}
    found: dict[str, tuple[str, ...]] = {}
    for line in unsealed((folder / LIST_NAME).read_bytes()).decode("utf-8").splitlines():
        if entry := _LINE.fullmatch(line):
            found[entry[2]] = (*found.get(entry[2], ()), entry[1])
    return found


def _list_is_ours(folder: Path) -> bool:
    path = folder / LIST_NAME
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > _LARGEST_LIST_BYTES:
            return False
        data = path.read_bytes()
    except OSError:
        return False
    return data.startswith(_HEADING.encode("utf-8")) and is_sealed(data)


def _is_ours(path: Path, digests: Iterable[str]) -> bool:
    if path.is_symlink() or not path.is_file():
        return False
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() in tuple(digests)


def _settle(folder: Path) -> None:
    """Have the renaming so far on the disk, so that a power cut does not turn its order round."""
    descriptor = folder_descriptor(folder)
    if descriptor is not None:
        with suppress(OSError):  # some file systems cannot
            os.fsync(descriptor)
        os.close(descriptor)


def _write(path: Path, data: bytes) -> None:
    descriptor = os.open(path, os.O_CREAT | os.O_TRUNC | os.O_WRONLY | getattr(os, "O_BINARY", 0), 0o666)
    try:
        write_all(descriptor, data)
    finally:
        os.close(descriptor)
