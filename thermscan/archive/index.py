"""A folder of records as a table that can be searched: an SQLite file, made from the bags, thrown away at any time."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from thermscan.archive.sources import READ_ERRORS
from thermscan.archive.summary import RecordSummary, read_summary
from thermscan.errors import InputError, ThermscanError
from thermscan.writing.locks import remove_leftovers, temporary_folder
from thermscan.writing.tree import keep_aside, open_plain, replace_own

INDEX_FILE = "thermscan-index.sqlite"
_MAGIC = b"SQLite format 3\0"
# Any change to the tables or to what is read from a bag: a former index is then made anew.
LAYOUT_VERSION = 1
# Another process that brings the index up to date is waited for as long.
_WAIT_S = 30.0
# Deeper than years, boards and serials need.
_DEEPEST = 8
_TABLES = """
CREATE TABLE records (
    id INTEGER PRIMARY KEY, bag TEXT UNIQUE NOT NULL, mark TEXT NOT NULL, fault TEXT,
    board TEXT, revision TEXT, serial TEXT, taken TEXT, moment REAL, stage TEXT, overall TEXT, flagged TEXT,
    watts REAL, minutes_on REAL);
CREATE TABLE parts (
    record INTEGER NOT NULL REFERENCES records(id) ON DELETE CASCADE, ref TEXT NOT NULL,
    rise_k REAL NOT NULL, u_k REAL NOT NULL, visit_u_k REAL NOT NULL, verdict TEXT NOT NULL,
    PRIMARY KEY (record, ref)) WITHOUT ROWID;
CREATE TABLE findings (
    record INTEGER NOT NULL REFERENCES records(id) ON DELETE CASCADE, ref TEXT, rule TEXT, level TEXT, direction TEXT,
    text TEXT);
CREATE INDEX records_board ON records (board, moment);
CREATE INDEX parts_ref ON parts (ref, record);
CREATE INDEX findings_record ON findings (record);
"""
Progress = Callable[[int, int], None]


@dataclass(slots=True)
class Index:
    """
    An index that agrees with its folder.

    Attributes
    ----------
    folder : Path
    database : sqlite3.Connection
    faults : tuple of str
        Bags that could not be read, one line each.
    remarks : tuple of str
        Why the index could not be kept, where it could not.
    """

    folder: Path
    database: sqlite3.Connection
    faults: tuple[str, ...] = field(default=())
    remarks: tuple[str, ...] = field(default=())


@contextmanager
def open_index(folder: Path, *, rebuild: bool = False, progress: Progress | None = None) -> Iterator[Index]:
    """
    The index of a folder of records, brought up to date with the bags that are in it.

    Only bags that are new or changed are read. Where the folder cannot be written to the index is made in memory.

    Parameters
    ----------
    folder : Path
    rebuild : bool
        Read every bag again.
    progress : callable, optional
        Told how many bags of how many have been read.

    Raises
    ------
    InputError
        There is no such folder.
    """
    if not folder.is_dir():
        raise InputError("no such folder", where=str(folder), fix="name the folder that holds the records")
    found = dict(_bags(folder))
    remarks: tuple[str, ...] = ()
    try:
        if rebuild or not _is_sound(folder / INDEX_FILE):
            _rebuild(folder, found, progress)
        database = _connected(folder / INDEX_FILE)
    except (OSError, sqlite3.Error) as error:
        remarks = (_not_kept(folder, error, "every record was read, and will be the next time"),)
        database = sqlite3.connect(":memory:")
        _make_tables(database)
    with closing(database):
        try:
            _update(database, folder, found, progress)
        except sqlite3.OperationalError as error:
            # Read-only: what is new is added to a copy in memory.
            remarks = (_not_kept(folder, error, "new and changed records were read, and will be the next time"),)
            copy = sqlite3.connect(":memory:")
            database.backup(copy)
            with closing(copy):
                _update(copy, folder, found, progress)
                yield Index(folder, copy, _faults(copy), remarks)
            return
        yield Index(folder, database, _faults(database), remarks)


def _not_kept(folder: Path, error: Exception, but: str) -> str:
    """One line for a folder that cannot be written to: the list is right all the same."""
    words = (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
    return f"{folder}: the index cannot be written there ({words[:1].lower()}{words[1:]}); {but}"


def _bags(folder: Path) -> Iterator[tuple[str, str]]:
    """Every folder that is a bag, and every zip, with a mark that changes whenever it is replaced."""
    waiting = [("", 0)]
    while waiting:
        prefix, depth = waiting.pop()
        try:
            entries = sorted(os.scandir(folder / prefix), key=lambda entry: entry.name)
        except OSError:
            continue
        for entry in entries:
            if entry.name.startswith(".") or entry.is_symlink():
                continue
            name = f"{prefix}{entry.name}"
            if entry.is_file() and entry.name.lower().endswith(".zip"):
                yield name, _mark(entry.stat())
            elif entry.is_dir():
                mark = _folder_mark(folder / name)
                if mark is not None:
                    yield name, mark
                elif depth < _DEEPEST:
                    waiting.append((f"{name}/", depth + 1))


def _folder_mark(path: Path) -> str | None:
    """The mark of a bag, by the file that hangs on all others; None: this folder is no bag."""
    for name in ("tagmanifest-sha512.txt", "manifest-sha512.txt", "bagit.txt"):
        try:
            return _mark(os.stat(path / name, follow_symlinks=False))
        except OSError:
            continue
    return None


def _mark(status: os.stat_result) -> str:
    # The time of the last change to the file's own entry, which nobody can set; records have their times set.
    return f"{status.st_ino}:{status.st_size}:{status.st_ctime_ns}"


def _is_sound(path: Path) -> bool:
    """Whether there is an index of today's layout; one that is damaged is made anew."""
    if not path.is_file():
        return False
    try:
        with closing(_connected(path)) as database:
            version = database.execute("PRAGMA user_version").fetchone()[0]
            whole = database.execute("PRAGMA quick_check(1)").fetchone()[0] if path.stat().st_size < 1 << 22 else "ok"
            database.execute("SELECT count(*) FROM records").fetchone()
    except sqlite3.DatabaseError:
        return False
    return bool(version == LAYOUT_VERSION and whole == "ok")


def _connected(path: Path) -> sqlite3.Connection:
    database = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
    database.execute("PRAGMA foreign_keys = ON")
    return database


def _make_tables(database: sqlite3.Connection) -> None:
    database.isolation_level = None
    database.executescript(_TABLES)
    database.execute(f"PRAGMA user_version = {LAYOUT_VERSION}")
    database.execute("PRAGMA foreign_keys = ON")


def _rebuild(folder: Path, found: dict[str, str], progress: Progress | None) -> None:
    """A new index beside the former one, which it then replaces."""
    remove_leftovers(folder)
    with temporary_folder(folder) as place:
        with closing(sqlite3.connect(place / INDEX_FILE)) as database:
            _make_tables(database)
            _update(database, folder, found, progress)
        if os.path.lexists(folder / INDEX_FILE) and not _is_database(folder / INDEX_FILE):
            keep_aside(folder / INDEX_FILE)
        replace_own(place / INDEX_FILE, folder / INDEX_FILE)


def _is_database(path: Path) -> bool:
    """Whether it is at least the beginning of an SQLite file (SQLite's file format, 1.3), and so an index of ours."""
    if not path.is_file() or path.is_symlink():
        return False
    with open_plain(path) as file:
        return file.read(len(_MAGIC)) in (_MAGIC, b"")


def _update(database: sqlite3.Connection, folder: Path, found: dict[str, str], progress: Progress | None) -> None:
    """Read what is new or changed, drop what is gone: in one step that is done whole or not at all."""
    known = dict(database.execute("SELECT bag, mark FROM records"))
    gone = [bag for bag in known if bag not in found]
    new = [bag for bag, mark in found.items() if known.get(bag) != mark]
    if not gone and not new:
        return
    database.execute("BEGIN IMMEDIATE")
    try:
        database.executemany("DELETE FROM records WHERE bag = ?", [(bag,) for bag in (*gone, *new)])
        for number, bag in enumerate(new):
            if progress:
                progress(number, len(new))
            _add(database, folder, bag, found[bag])
        database.execute("COMMIT")
    except BaseException:
        database.execute("ROLLBACK")
        raise
    if progress and new:
        progress(len(new), len(new))


def _add(database: sqlite3.Connection, folder: Path, bag: str, mark: str) -> None:
    fault, summary = None, None
    try:
        summary = read_summary(folder, bag)
    except ThermscanError as error:
        fault = error.lines()[0]
    except READ_ERRORS as error:
        fault = f"{bag}: cannot be read ({error}); see: thermscan record verify"
    if summary is None:
        database.execute("INSERT INTO records (bag, mark, fault) VALUES (?, ?, ?)", (bag, mark, fault))
        return
    _insert(database, summary, mark)


def _insert(database: sqlite3.Connection, each: RecordSummary, mark: str) -> None:
    row = (
        each.bag, mark, each.board, each.revision, each.serial, each.taken, each.moment, each.stage, each.overall,
        json.dumps(each.flagged), each.watts, each.minutes_on,
    )  # fmt: skip
    columns = "bag, mark, board, revision, serial, taken, moment, stage, overall, flagged, watts, minutes_on"
    marks = ", ".join("?" * len(row))
    number = database.execute(f"INSERT INTO records ({columns}) VALUES ({marks})", row).lastrowid
    database.executemany(
        "INSERT OR IGNORE INTO parts VALUES (?, ?, ?, ?, ?, ?)",
        [(number, part.ref, part.rise_k, part.u_k, part.visit_u_k, part.verdict) for part in each.parts],
    )
    database.executemany(
        "INSERT INTO findings VALUES (?, ?, ?, ?, ?, ?)",
        [(number, one.ref, one.rule, one.level, one.direction, one.text) for one in each.findings],
    )


def _faults(database: sqlite3.Connection) -> tuple[str, ...]:
    return tuple(row[0] for row in database.execute("SELECT fault FROM records WHERE fault IS NOT NULL ORDER BY bag"))
