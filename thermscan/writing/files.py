"""Single files: written beside their place, the one that was there kept, then renamed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Mapping
from contextlib import ExitStack
from pathlib import Path

from thermscan.errors import InputError
from thermscan.writing.locks import remove_leftovers, temporary_file
from thermscan.writing.places import ANOTHER_PLACE, check_place
from thermscan.writing.seal import is_sealed, sealed


def put_file(
    path: Path,
    data: bytes,
    *,
    inputs: Iterable[Path | None],
    new: bool = False,
    drawn: bool = False,
    fix: str = ANOTHER_PLACE,
) -> Path | None:
    """
    Write a file whole or not at all; one that was there with other contents is kept beside it.

    Parameters
    ----------
    path : Path
        A link is followed.
    data : bytes
    inputs : iterable of Path
        All files that the command reads: none of them is replaced.
    new : bool
        Evidence: refuse where a file is there already.
    drawn : bool
        A sheet, page or picture that can be drawn again at any time. It is sealed (`thermscan.writing.seal`), and as
        long as nobody has worked on it the next one replaces it without a backup.
    fix : str
        What to do where it cannot be written.

    Returns
    -------
    Path or None
        The backup (``board.toml.bak``, ``board.toml.bak2`` …), if there was something to keep.

    Raises
    ------
    InputError
        It cannot be written there.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "board.toml")
    ...     first, second = put_file(path, b"old", inputs=[]), put_file(path, b"new", inputs=[])
    ...     print(first, second.name, path.read_bytes())
    None board.toml.bak b'new'
    """
    backups = put_files({path: sealed(data) if drawn else data}, inputs=inputs, new=new, fix=fix)
    return backups[0] if backups else None


def put_files(
    contents: Mapping[Path, bytes], *, inputs: Iterable[Path | None], new: bool = False, fix: str = ANOTHER_PLACE
) -> tuple[Path, ...]:
    """
    Write several files that belong together, as `put_file` does; all are on the disk before the first is in place.

    Returns
    -------
    tuple of Path
        The backups.
    """
    read = tuple(inputs)
    places = {path: check_place(path, read, fix=fix) for path in contents}
    backups: list[Path] = []
    path = Path()
    try:
        with ExitStack() as waiting:
            fresh = {}
            for path, data in contents.items():
                place = places[path]
                if new and os.path.lexists(place):
                    raise InputError("there is a file already, which is not replaced", where=str(path), fix=fix)
                remove_leftovers(place.parent)
                fresh[path], descriptor = waiting.enter_context(temporary_file(place.parent))
                write_all(descriptor, data)
            for path in contents:
                backup = None if new else _kept(places[path], fresh[path])
                if backup:
                    backups.append(backup if path.is_symlink() else path.with_name(backup.name))
                _rename(fresh[path], places[path], new=new)
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror or error})", where=str(path), fix=fix) from error
    return tuple(backups)


def write_all(descriptor: int, data: bytes) -> None:
    """Write bytes to an open file and have them on the disk."""
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(descriptor, rest) :]
    os.fsync(descriptor)


def _rename(fresh: Path, place: Path, *, new: bool) -> None:
    """Into its place in one step; a new one never over another that came in the meantime."""
    if new and hasattr(os, "link"):
        try:
            os.link(fresh, place)
        except FileExistsError as error:
            raise InputError("there is a file already", where=str(place), fix=ANOTHER_PLACE) from error
        except OSError:  # a file system without hard links
            os.replace(fresh, place)
    else:
        os.replace(fresh, place)


def _kept(place: Path, fresh: Path) -> Path | None:
    """A second name for what a person may have made or worked on."""
    if not place.exists():
        return None
    before = place.read_bytes()
    if before == fresh.read_bytes() or is_sealed(before):
        return None
    number = 1
    while True:
        backup = place.with_name(f"{place.name}.bak{number if number > 1 else ''}")
        number += 1
        if not os.path.lexists(backup):
            try:
                os.link(place, backup)
            except FileExistsError:
                continue
            except OSError:  # a file system without hard links
                shutil.copy2(place, backup)
            return backup
