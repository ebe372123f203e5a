"""The result of a record derived again from the raw frames in it, and compared with the one in it."""

from __future__ import annotations

import json
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import field
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from thermscan.archive.comparing import Difference, compare_results, compare_time_results
from thermscan.archive.names import path_fault
from thermscan.archive.packing import BEFORE, RESULTS_FILE, table_digests
from thermscan.archive.portable import portable
from thermscan.archive.sources import PIECE_BYTES, READ_ERRORS, BagFiles, printable_name, read_whole
from thermscan.archive.staging import RUN_FILE
from thermscan.archive.time_evidence import KINDS, time_document
from thermscan.errors import CannotJudge, ThermscanError
from thermscan.frozen import dataclass
from thermscan.inspection import Progress, inspect_run
from thermscan.judge.baseline import Baseline
from thermscan.judge.baseline_file import read_baseline
from thermscan.report.results import results_document, software_versions
from thermscan.runs.bench import BENCH_FILE
from thermscan.runs.reading import read_run
from thermscan.runs.run import Run
from thermscan.writing.tree import Tree

# Only made for people to read; the result does not hang on them.
_NOT_NEEDED = ("data/report/", "data/kelvin/", "data/photos/", "data/notes/", "data/as-given/", "data/before/kelvin/")
# Raw frames of an hour at 9 Hz of 640 x 512 pixels of two bytes; they are copied out to be read.
MOST_EXTRACTED_BYTES = 24_000_000_000
# Keys of a run that name no file, so that they may hold any text.
_FREE_TEXT = ("stage", "note", "operator", "board_serial", "taken", "supply", "landmarks", "corners_px")
LARGEST_RESULTS_BYTES = 200_000_000
State = Literal["same", "differs", "not tried"]


@dataclass(frozen=True, slots=True)
class Rederived:
    """
    What deriving again told.

    Attributes
    ----------
    state : str
        ``same``, ``differs`` or ``not tried``.
    differences : tuple of Difference
    reason : str or None
        Why it was not tried.
    software : dict
        What the record says computed it, and what did so now, where they differ: name to (then, now).
    tables : tuple of str
        Calibration tables that are not those of then.
    """

    state: State
    differences: tuple[Difference, ...] = field(default=())
    reason: str | None = None
    software: Mapping[str, tuple[str | None, str | None]] = field(default_factory=dict)
    tables: tuple[str, ...] = field(default=())


def rederive(files: BagFiles, *, progress: Progress | None = None) -> Rederived:
    """
    Derive a record's result again.

    Parameters
    ----------
    files : BagFiles
        Of a record that was found intact.
    progress : callable, optional
        Told the stages of the inspection.
    """
    contents = _json(files, "data/record.json")
    if contents is None:
        return Rederived("not tried", reason="this bag is no thermscan record: it holds no record.json")
    was = _json(files, f"data/{contents.get('results')}") if contents.get("results") else None
    if contents.get("results") and was is None:
        return Rederived("not tried", reason="the record's result cannot be read")
    needed = [name for name in files.sizes if name.startswith("data/") and not name.startswith(_NOT_NEEDED)]
    if sum(files.sizes[name] for name in needed) > MOST_EXTRACTED_BYTES:
        return Rederived("not tried", reason="the raw frames are too large to be copied out")
    software, tables = _changes(contents)
    try:
        with tempfile.TemporaryDirectory(prefix="thermscan-verify-") as folder:
            root = Path(folder).resolve() / "data"
            for name in needed:
                _copy_out(files, name, Tree(root.parent))
            fault = _outside(root, contents)
            if fault:
                return Rederived("not tried", reason=fault)
            differences = _derive(files, root, contents, was, progress)
    except OSError as error:
        return Rederived("not tried", reason=f"the raw frames cannot be copied out ({error.strerror or error})")
    return Rederived("differs" if differences else "same", differences, None, software, tables)


def _derive(
    files: BagFiles, root: Path, contents: Mapping[str, Any], was: Mapping[str, Any] | None, progress: Progress | None
) -> tuple[Difference, ...]:
    recorded = contents.get("refusal") if was is None else was.get("overall")
    try:
        run = _run_in(root)
        baseline = read_baseline(root / str(contents["baseline"])) if contents.get("baseline") else None
        former = _run_in(root / BEFORE) if contents.get("before") else None
        before = inspect_run(former, baseline=baseline, progress=progress) if former else None
        inspection = portable(inspect_run(run, baseline=baseline, before=before, progress=progress), root)
        found = _time_differences(files, run, baseline, contents)
    except CannotJudge as error:
        told = "; ".join(str(fault) for fault in error.faults).replace(f"{root}/", "")
        # What a refusal says may be worded anew; that it is one is what counts.
        return () if was is None else (Difference("result", recorded, f"cannot be judged: {told}"),)
    except ThermscanError as error:
        told = "; ".join(str(fault) for fault in error.faults).replace(f"{root}/", "")
        return (Difference("result", recorded, f"refused: {told}"),)
    now = results_document(inspection)
    if was is None:
        return (Difference("result", f"cannot be judged: {recorded}", now["overall"]), *found)
    return (*compare_results(was, now), *found)


def _run_in(folder: Path) -> Run:
    bench = folder / BENCH_FILE
    return read_run(folder / RUN_FILE, bench=bench if bench.is_file() else False)


def _time_differences(
    files: BagFiles, run: Run, baseline: Baseline | None, contents: Mapping[str, Any]
) -> tuple[Difference, ...]:
    """Of what the recording told beside the inspection."""
    also = contents.get("also")
    kinds = [kind for kind in KINDS if isinstance(also, dict) and kind in also]
    found: list[Difference] = []
    for kind in kinds:
        was = _json(files, f"data/{PurePosixPath(RESULTS_FILE).parent}/{KINDS[kind]}")
        if was is None:
            found.append(Difference(kind, "there", "cannot be read"))
        else:
            found += compare_time_results(kind, was, time_document(kind, run, baseline=baseline))
    return tuple(found)


def _json(files: BagFiles, name: str) -> dict[str, Any] | None:
    data = read_whole(files, name, most_bytes=LARGEST_RESULTS_BYTES)
    try:
        document = json.loads(data) if data is not None else None
    except (ValueError, RecursionError):
        return None
    return document if isinstance(document, dict) else None


def _copy_out(files: BagFiles, name: str, tree: Tree) -> None:
    try:
        with files.open(name) as stream:
            tree.add(name, iter(lambda: stream.read(PIECE_BYTES), b""))
    except READ_ERRORS as error:
        raise OSError(f"{name}: {error}") from error


def _outside(root: Path, contents: Mapping[str, Any]) -> str | None:
    """Why a run file is not followed: someone else's record may name any file of this machine."""
    baseline = contents.get("baseline")
    folders = [(root, [baseline] if isinstance(baseline, str) else [])]
    if contents.get("before"):
        folders.append((root / BEFORE, []))
    for folder, more in folders:
        try:
            run = tomllib.loads((folder / RUN_FILE).read_text(encoding="utf-8"))
            bench = folder / BENCH_FILE
            habits = tomllib.loads(bench.read_text(encoding="utf-8")) if bench.is_file() else {}
        except (OSError, ValueError, RecursionError):
            return "the record's run.toml cannot be read"
        named = [(key, value) for key, value in (*habits.items(), *run.items()) if key not in _FREE_TEXT]
        fault = _first_outside(folder, [*(text for _, value in named for text in _texts(value)), *more])
        if fault:
            return fault
    return None


def _first_outside(folder: Path, named: Sequence[str]) -> str | None:
    for text in named:
        shown = printable_name(text[:60])
        if path_fault(text):
            return f'the record\'s run.toml names "{shown}", which lies outside the record'
        # A pattern could be made to search the whole disk.
        if any(sign in text for sign in "*?[") and not (folder / text[:255]).is_file():
            return f'the record\'s run.toml names "{shown}", and a record names each file by itself'
    return None


def _texts(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    items = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [text for item in items for text in _texts(item)]


def _changes(contents: Mapping[str, Any]) -> tuple[dict[str, tuple[str | None, str | None]], tuple[str, ...]]:
    then, now = contents.get("software"), software_versions()
    then = then if isinstance(then, dict) else {}
    software = {name: (then.get(name), now.get(name)) for name in {**then, **now} if then.get(name) != now.get(name)}
    tables = contents.get("tables_sha256")
    tables = tables if isinstance(tables, dict) else {}
    today = table_digests()
    return software, tuple(sorted(name for name in {**tables, **today} if tables.get(name) != today.get(name)))
