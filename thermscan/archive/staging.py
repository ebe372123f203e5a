"""A run's inputs copied into a record: bit for bit, with a run file that names them there."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import tomlkit

from thermscan.archive.names import free_path
from thermscan.errors import Fault, InputError, ThermscanError
from thermscan.layout.text_file import path_beside, read_text_file
from thermscan.named_file import is_file, is_folder, refuse_irregular
from thermscan.runs.bench import BENCH_FILE
from thermscan.runs.reading import COUNTS, read_run
from thermscan.runs.records import RunRecord
from thermscan.runs.run import Run, UsualUnit
from thermscan.writing.tree import Tree

RUN_FILE = "run.toml"
BASELINE_FILE = "baseline/baseline.json"
AS_GIVEN = "as-given"


@dataclass(slots=True)
class Staged:
    """
    Inputs in their places below a record's ``data/`` folder.

    Attributes
    ----------
    root : Path
        The ``data/`` folder.
    run : Run
        Read again from the record's own run file: what is derived from the record is derived from this.
    baseline : Path or None
    origins : dict
        Path below root to the file that it was copied from.
    """

    root: Path
    run: Run
    baseline: Path | None = None
    origins: dict[str, Path] = field(default_factory=dict)

    def told(self, error: ThermscanError) -> ThermscanError:
        """The same error in the words of the user's own files."""
        faults = [Fault(self._own(fault.what), self._own(fault.where), self._own(fault.fix)) for fault in error.faults]
        return type(error).from_faults(faults)

    def _own(self, text: Any) -> Any:
        if not isinstance(text, str):
            return text
        for place, origin in sorted(self.origins.items(), key=lambda item: -len(item[0])):
            staged = self.root / place
            # The whole path first: the one as given, relative perhaps, is the end of it.
            text = text.replace(str(staged.absolute()), str(origin)).replace(str(staged), str(origin))
        return text


def stage_inputs(
    run: Run,
    tree: Tree,
    *,
    baseline: Path | None,
    photos: Sequence[Path] = (),
    attachments: Sequence[Path] = (),
) -> Staged:
    """
    Copy all that a run needs, and all that is to be kept with it.

    Parameters
    ----------
    run : Run
    tree : Tree
        The record's ``data/`` folder; empty.
    baseline : Path, optional
    photos, attachments : sequence of Path

    Raises
    ------
    InputError
        A file cannot be read, or a key of the run cannot be kept so that it means the same.
    """
    root = tree.path
    copier = _Copier(tree)
    values: dict[str, Any] = {}
    for key in RunRecord.model_fields:
        value = copier.placed(key, getattr(run, key, None))
        if value is not None and value is not False and value != []:
            values[key] = value
    if run.unit == COUNTS and run.camera is not None:
        values["unit"] = COUNTS
    usual = values.pop("unit") if isinstance(run.unit, UsualUnit) else None
    tree.put(RUN_FILE, run_text(values).encode("utf-8"))
    tree.put(BENCH_FILE, bench_text(usual).encode("utf-8"))
    if baseline is not None:
        copier.copy(baseline, BASELINE_FILE)
    kept = {path: free_path(AS_GIVEN, path.name, copier.taken) for path in (run.path, run.bench) if path is not None}
    for path, place in kept.items():
        copier.copy(path, place)
    for folder, paths in (("photos", photos), ("notes", attachments)):
        for path in paths:
            copier.copy(path, free_path(folder, path.name, copier.taken))
    staged = Staged(root, run, root / BASELINE_FILE if baseline is not None else None, copier.origins)
    try:
        again = read_run(root / RUN_FILE, bench=root / BENCH_FILE)
    except ThermscanError as error:
        raise staged.told(error) from error
    if (lost := _first_difference(run, again)) is not None:
        raise InputError(
            "cannot be kept in a record so that it means the same", where=lost, fix="write the run file without it"
        )
    # What each value came from is no key of the file; the rest is as the record has it.
    own = {each.name: getattr(run, each.name) for each in dataclasses.fields(run) if _is_about(each.name)}
    if run.bench is not None:
        own["bench"] = root / kept[run.bench]
        own["sources"] = {key: root / kept.get(path, AS_GIVEN) for key, path in run.sources.items()}
    staged.run = replace(again, **own)
    return staged


def _is_about(name: str) -> bool:
    """Fields of a run that no key of the run file sets."""
    return name not in RunRecord.model_fields and name != "path"


def _first_difference(run: Run, again: Run) -> str | None:
    for name in RunRecord.model_fields:
        was, now = getattr(run, name, None), getattr(again, name, None)
        if not any(_has_paths(value) for value in (was, now)) and was != now:
            return name
        if isinstance(was, tuple) and isinstance(now, tuple) and len(was) != len(now):
            return name
    return None


def _has_paths(value: Any) -> bool:
    return isinstance(value, Path) or (isinstance(value, tuple) and any(isinstance(item, Path) for item in value))


class _Copier:
    """Copies files into the record and remembers where each came from."""

    def __init__(self, tree: Tree) -> None:
        self._tree = tree
        self.taken: set[str] = set()
        self.origins: dict[str, Path] = {}

    def placed(self, key: str, value: Any) -> Any:
        """A value of the run file; a path in it becomes that of the copy."""
        if isinstance(value, Path):
            return self._file(key, value)
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            items = {each.name: getattr(value, each.name) for each in dataclasses.fields(value)}
            return {name: self.placed(key, item) for name, item in items.items() if item is not None}
        if isinstance(value, tuple | list):
            return [self.placed(key, item) for item in value]
        if isinstance(value, dict):
            return {name: self.placed(key, item) for name, item in value.items() if item is not None}
        if value is None or isinstance(value, str | bool | int | float | datetime):
            return value
        return str(value)

    def _file(self, key: str, path: Path) -> str:
        """One file under its key's folder, with the files that it names beside it."""
        if path.is_dir():
            folder = free_path(key, path.name, self.taken)
            for file in sorted(each for each in path.rglob("*") if each.is_file()):
                self.copy(file, f"{folder}/{file.relative_to(path).as_posix()}")
            return folder
        # A folder for each: what a file names beside it must not meet what another one names.
        place = free_path(key, path.name, self.taken)
        self.copy(path, place)
        if path.suffix.lower() == ".toml":
            for name, beside in _named_beside(path):
                target = (Path(place).parent / name).as_posix()
                if target not in self.origins:
                    self.copy(beside, target)
        return place

    def copy(self, source: Path, place: str) -> None:
        """Copy a file's bytes."""
        refuse_irregular(source)
        if is_folder(source):
            raise InputError("is a folder", where=str(source), fix="name the file in it")
        if not is_file(source):
            raise InputError("no such file", where=str(source), fix="check the name and the folder")
        self._tree.copy(place, source)
        self.origins[place] = source


def _named_beside(path: Path) -> Iterator[tuple[str, Path]]:
    """Files in a TOML file's own folder, or below it, that a text in it names: a parts file, a photo, a map."""
    try:
        document = tomllib.loads(read_text_file(path).text)
    except (tomllib.TOMLDecodeError, RecursionError, InputError):
        return
    for text in _texts(document):
        beside = path_beside(text.strip(), path) if len(text) <= 255 else None
        if beside is not None and beside.is_file() and beside.resolve() != path.resolve():
            yield text.strip(), beside


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from _texts(item)
    elif isinstance(value, list):
        for item in value:
            yield from _texts(item)


def run_text(values: dict[str, Any]) -> str:
    """
    A run file's text.

    Examples
    --------
    >>> print(run_text({"ambient_c": 22.0, "frames": ["frames/idle.tiff"]}), end="")
    # The run as this record holds it: every value filled in, paths as they are here. As it was given: as-given/
    ambient_c = 22.0
    frames = ["frames/idle.tiff"]
    """
    document = tomlkit.document()
    document.add(
        tomlkit.comment(
            "The run as this record holds it: every value filled in, paths as they are here. As it was given: as-given/"
        )
    )
    for key, value in values.items():
        document.add(key, _inline(value))
    return tomlkit.dumps(document)


def bench_text(usual_unit: str | None) -> str:
    """
    The record's own bench file: nothing but a unit that holds for frames which state none.

    It is always there, so that no bench file round the record is taken for its own.

    Examples
    --------
    >>> print(bench_text("cK"), end="")
    # This record's own bench: what else was a habit stands in run.toml. As it was given: as-given/
    unit = "cK"
    """
    line = "" if usual_unit is None else f'unit = "{usual_unit}"\n'
    return f"# This record's own bench: what else was a habit stands in run.toml. As it was given: as-given/\n{line}"


def _inline(value: Any) -> Any:
    if isinstance(value, dict):
        table = tomlkit.inline_table()
        for key, item in value.items():
            table.append(key, _inline(item))
        return table
    if isinstance(value, list):
        array = tomlkit.array()
        for item in value:
            array.append(_inline(item))
        return array
    return value
