"""Questions to a folder of records: which are there, and how a board's parts did from visit to visit."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, NamedTuple

from thermscan.archive.index import Index
from thermscan.archive.summary import moment_of
from thermscan.errors import InputError, nearest_name
from thermscan.frozen import dataclass

LIST_SCHEMA = "thermscan.archive/1"


@dataclass(frozen=True, slots=True)
class Filters:
    """Which records are wanted; None: any."""

    board: str | None = None
    serial: str | None = None
    part: str | None = None
    finding: str | None = None
    overall: str | None = None
    since: str | None = None
    until: str | None = None


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of ``record list``."""

    bag: str
    board: str
    revision: str | None
    serial: str | None
    taken: str | None
    stage: str | None
    overall: str
    flagged: tuple[str, ...]


class Look(NamedTuple):
    """One part on one visit: a row of the index, of which there may be a hundred thousand."""

    bag: str
    serial: str | None
    taken: str | None
    moment: float | None
    stage: str | None
    watts: float | None
    minutes_on: float | None
    ref: str
    rise_k: float
    u_k: float
    visit_u_k: float
    verdict: str


def list_records(index: Index, filters: Filters) -> list[Listed]:
    """
    The records that fit, in the order in which they were taken; those without a time last.

    Raises
    ------
    InputError
        A date cannot be read.
    """
    where, values = _conditions(filters)
    rows = index.database.execute(
        f"SELECT bag, board, revision, serial, taken, stage, overall, flagged FROM records r WHERE {where} "
        "ORDER BY moment IS NULL, moment, bag",
        values,
    )
    return [
        Listed(
            bag=_path(index, row[0]), board=row[1], revision=row[2], serial=row[3], taken=row[4], stage=row[5],
            overall=row[6], flagged=tuple(json.loads(row[7])),
        )
        for row in rows
    ]  # fmt: skip


def looks_at(index: Index, *, board: str, ref: str | None = None, serial: str | None = None) -> list[Look]:
    """
    Every measured part of a board, or one of them, in time order.

    Raises
    ------
    InputError
        There is no such board, serial or part in the folder.
    """
    boards = "SELECT DISTINCT board FROM records WHERE board IS NOT NULL"
    name = _known(index, ("board", board, "--board"), boards, ())
    if serial is not None:
        serials = "SELECT DISTINCT serial FROM records WHERE board = ? AND serial IS NOT NULL"
        serial = _known(index, ("serial", serial, "--serial"), serials, (name,))
    if ref is not None:
        refs = "SELECT DISTINCT ref FROM parts JOIN records ON records.id = parts.record WHERE board = ?"
        _known(index, ("measured part", ref, "--ref"), refs, (name,))
    query = (
        "SELECT bag, serial, taken, moment, stage, watts, minutes_on, ref, rise_k, u_k, visit_u_k, verdict "
        "FROM records JOIN parts ON parts.record = records.id WHERE board = ?"
    )
    values: list[Any] = [name]
    if serial is not None:
        query, values = f"{query} AND serial = ?", [*values, serial]
    query += " ORDER BY moment IS NULL, moment, bag, ref"
    return [Look(_path(index, bag), *rest) for bag, *rest in index.database.execute(query, values)]


def _path(index: Index, bag: str) -> str:
    """A record as other commands may name it."""
    return str(index.folder / bag)


def _known(index: Index, asked: tuple[str, str, str], query: str, values: Sequence[Any]) -> str:
    """The name as the records write it; upper and lower case are one where no other name is meant."""
    what, name, option = asked
    known = [str(row[0]) for row in index.database.execute(query, values)]
    alike = [name] if name in known else [each for each in known if each.casefold() == name.casefold()]
    if alike:
        return alike[0]
    near = nearest_name(name, known)
    fix = f"did you mean {near}?" if near else f"see: thermscan record list {index.folder}"
    raise InputError(f'no record in {index.folder} has the {what} "{name}"', where=option, fix=fix)


def _conditions(filters: Filters) -> tuple[str, list[Any]]:
    where, values = ["r.board IS NOT NULL"], []
    for column in ("board", "serial", "overall"):
        wanted = getattr(filters, column)
        if wanted is not None:
            where.append(f"lower(r.{column}) = lower(?)")
            values.append(wanted)
    if filters.part is not None:
        where.append("EXISTS (SELECT 1 FROM parts p WHERE p.record = r.id AND p.ref = ?)")
        values.append(filters.part)
    if filters.finding is not None:
        like = "%" + filters.finding.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
        where.append(
            "EXISTS (SELECT 1 FROM findings f WHERE f.record = r.id AND (f.ref = ? OR f.rule = ? OR f.level = ? "
            "OR f.direction = ? OR f.text LIKE ? ESCAPE '\\'))"
        )
        values += [filters.finding] * 4 + [like]
    for sign, option, day in ((">=", "--since", filters.since), ("<=", "--until", filters.until)):
        if day is not None:
            moment = moment_of(day)
            if moment is None:
                raise InputError(f'"{day}" is not a date', where=option, fix="write it like 2026-05-02")
            # A day without a time means all of it.
            where.append(f"r.moment {sign} ?")
            values.append(moment + 86_399.999 if sign == "<=" and len(day.strip()) <= 10 else moment)
    return " AND ".join(where), values


def list_document(records: Sequence[Listed]) -> dict[str, Any]:
    """What ``record list --json`` prints."""
    keys = ("bag", "board", "revision", "serial", "taken", "stage", "overall", "flagged")
    rows = [{key: getattr(each, key) for key in keys} for each in records]
    return {"schema": LIST_SCHEMA, "records": [{**row, "flagged": list(row["flagged"])} for row in rows]}
