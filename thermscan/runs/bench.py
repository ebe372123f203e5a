"""Habits of a bench, ``bench.toml``: what holds there unless a run says otherwise."""

from __future__ import annotations

from dataclasses import field
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from thermscan.errors import Fault, InputError
from thermscan.frozen import dataclass
from thermscan.layout.fields import Name, Number, Record, Text, complaint, read_record, shown
from thermscan.layout.text_file import parse_toml, read_text_file
from thermscan.named_file import is_file
from thermscan.runs.records import (
    HIGHEST_AMBIENT_C,
    HIGHEST_REFLECTED_C,
    LOWEST_AMBIENT_C,
    LOWEST_REFLECTED_C,
    NESTED_KEYS,
    SUPPLY_EXAMPLE,
    SupplyRecord,
    list_of,
    path_text,
    within,
)

BENCH_FILE = "bench.toml"
# Of a run; the others are of what is shown.
RUN_HABITS = ("camera", "unit", "ambient_c", "reflected_c", "operator", "supply")
PAPERS = ("A4", "letter")


def _paper(value: object) -> object:
    for paper in PAPERS:
        if isinstance(value, str) and value.lower() == paper.lower():
            return paper
    raise complaint(f"{shown(value)} is no paper", f"write one of {', '.join(PAPERS)}")


def _units_shown(value: object) -> object:
    if value in ("C", "F"):
        return value
    raise complaint(f"{shown(value)} is no unit to show", "write C or F")


class BenchRecord(Record):
    """The keys of a bench file."""

    camera: Annotated[Name, BeforeValidator(path_text)] | None = None
    unit: Annotated[Name, BeforeValidator(path_text)] | None = None
    ambient_c: Annotated[Number, within(LOWEST_AMBIENT_C, HIGHEST_AMBIENT_C)] | None = None
    reflected_c: Annotated[Number, within(LOWEST_REFLECTED_C, HIGHEST_REFLECTED_C)] | None = None
    operator: Text | None = None
    supply: Annotated[list[SupplyRecord], list_of("rails", SUPPLY_EXAMPLE)] = Field(default_factory=list)
    paper: Annotated[Literal["A4", "letter"], BeforeValidator(_paper)] | None = None
    units_shown: Annotated[Literal["C", "F"], BeforeValidator(_units_shown)] | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """
    A bench file.

    Attributes
    ----------
    path : Path
    values : dict
        The keys that it holds, as it holds them.
    """

    path: Path
    values: dict[str, Any] = field(default_factory=dict)

    @property
    def run_values(self) -> dict[str, Any]:
        """Those that are defaults of a run."""
        return {key: self.values[key] for key in RUN_HABITS if key in self.values}


def find_bench(folder: Path) -> Path | None:
    """
    The bench file in a folder or the nearest one above it.

    Examples
    --------
    >>> find_bench(Path("/no/such/folder")) is None
    True
    """
    whole = folder.absolute()
    return next((place / BENCH_FILE for place in (whole, *whole.parents) if is_file(place / BENCH_FILE)), None)


def read_bench(path: Path) -> Bench:
    """
    What a bench file holds.

    Raises
    ------
    InputError
        Missing, no TOML, an unknown key, or a value that cannot be; all faults at once.
    """
    values = parse_toml(read_text_file(path).text, path)
    faults: list[Fault] = []

    def where(key: str) -> str:
        return f"{path}, {key}" if key else str(path)

    read_record(BenchRecord, values, where=where, faults=faults, nested={"supply": NESTED_KEYS["supply"]})
    if faults:
        raise InputError.from_faults(faults)
    return Bench(path.absolute(), values)


def bench_for(folder: Path, bench: Path | bool) -> Bench | None:
    """
    The bench of a run in a folder: the file that is named, the nearest one (True), or none (False).

    Raises
    ------
    InputError
        The file is missing or faulty.
    """
    if bench is False:
        return None
    path = find_bench(folder) if bench is True else Path(bench)
    return None if path is None else read_bench(path)
