"""A run by its URL: its file and those that it names, copied from wherever fsspec reads."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from thermscan.errors import InputError
from thermscan.runs.bench import BENCH_FILE
from thermscan.runs.matching import has_pattern
from thermscan.writing.scratch import put_scratch

# Keys of run, bench and layout files that may name files.
_RUN_KEYS = ("layout", "frames", "off_frames", "camera", "unit", "times", "stage_log")
_BENCH_KEYS = ("camera", "unit")
_BOARD_KEYS = ("parts", "photo")
# Ten minutes of 640 x 512 at 30 Hz, two bytes a pixel.
MOST_BYTES = 12_000_000_000


def is_url(name: str) -> bool:
    """
    Whether a name is a URL rather than a file of this machine.

    Examples
    --------
    >>> is_url("s3://depot/0042/run.toml"), is_url("C:/runs/run.toml"), is_url("run.toml")
    (True, False, False)
    """
    return "://" in name


def fetch_run(url: str, folder: Path) -> Path:
    """
    Copy a run file and the files that it names, beside each other as they lie there.

    Parameters
    ----------
    url : str
        Of the run file, in any form that fsspec reads: ``s3://``, ``https://``, ``ssh://``, ``file://`` …
    folder : Path
        As `thermscan.writing.scratch.scratch_folder` gives it.

    Returns
    -------
    Path
        The run file's copy. A file that it names and that is not there is left to the reader of runs, which says so.

    Raises
    ------
    InputError
        fsspec or what it needs for that kind of URL is not installed, the run file cannot be read, or it names a
        file outside its own folder.
    """
    try:
        import fsspec  # noqa: PLC0415 - an extra
    except ImportError as error:
        fix = "pip install 'thermscan[cluster]'"
        raise InputError("URLs are read by fsspec, which is not installed", where=url, fix=fix) from error
    if "::" in url:
        raise InputError("chained URLs are not read", where=url, fix="give the plain URL of the run file")
    try:
        system, path = fsspec.core.url_to_fs(url)
        source = _Source(system, PurePosixPath(path).parent, folder, url)
        run = source.copied(PurePosixPath(path).name)
        source.copy_named(run, _RUN_KEYS)
    except InputError:
        raise
    except (OSError, ImportError, ValueError) as error:
        raise InputError(f"cannot be read ({error})", where=url, fix="check the address and your access") from error
    return run


class _Source:
    """A folder somewhere else, and where copies of its files go."""

    def __init__(self, system: Any, base: PurePosixPath, folder: Path, url: str) -> None:
        self._system, self._base, self._folder, self._url = system, base, folder, url
        self._bytes = 0

    def copied(self, name: str) -> Path:
        """The copy of a file."""
        there = str(self._base / name)
        self._bytes += int(self._system.size(there) or 0)
        if self._bytes > MOST_BYTES:
            raise InputError("its files are larger than any recording", where=self._url, fix="copy them by hand")
        with self._system.open(there, "rb") as stream:
            return put_scratch(self._folder, name, stream)

    def copy_named(self, run: Path, keys: tuple[str, ...]) -> None:
        """What a run file names, and what its layout and its bench name in turn."""
        for name in self._names(_table(run), keys):
            for found in self._found(name):
                copy = self.copied(found)
                if name == _table(run).get("layout"):
                    self._copy_rest(copy, _table(copy).get("board"), _BOARD_KEYS)
        for found in self._found(BENCH_FILE):
            copy = self.copied(found)
            self._copy_rest(copy, _table(copy), _BENCH_KEYS)

    def _copy_rest(self, file: Path, table: object, keys: tuple[str, ...]) -> None:
        if not isinstance(table, Mapping):
            return
        beside = file.parent.relative_to(self._folder)
        for name in self._names(table, keys):
            for found in self._found(str(PurePosixPath(*beside.parts) / name)):
                self.copied(found)

    def _names(self, table: Mapping[str, Any], keys: tuple[str, ...]) -> Iterator[str]:
        for key in keys:
            value = table.get(key)
            for name in value if isinstance(value, list) else [value]:
                if isinstance(name, str) and name:
                    self._refuse_elsewhere(name, key)
                    yield name

    def _refuse_elsewhere(self, name: str, key: str) -> None:
        if PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts or is_url(name) or "\\" in name:
            what = f'"{name[:80]}" is not in the folder of the run'
            raise InputError(what, where=f"{self._url}, {key}", fix="put what a run names beside it")

    def _found(self, name: str) -> list[str]:
        """Files of a name or pattern, relative to the folder; none where there is no such file."""
        there = str(self._base / name)
        if has_pattern(name):
            return sorted(str(PurePosixPath(each).relative_to(self._base)) for each in self._system.glob(there))
        return [name] if self._system.isfile(there) else []


def _table(file: Path) -> Mapping[str, Any]:
    """What a TOML file holds; nothing where it is none, which its own reader will say."""
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except (ValueError, OSError, RecursionError):
        return {}
