"""Rows and readings out of a log by the hundred thousand, as a review of a large lab needs them.

The library's own rows cost more than the database does, so a query's results are taken from the driver in blocks, the
server is asked for times as text, and a value that repeats (a mill, a unit, a cause) is kept once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from operator import attrgetter
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, Table, func, text

from advisor.caserow import CaseRow, Reading
from advisor.store.schema import Moment

__all__ = ["blocks", "case_rows", "columns", "readings"]

BLOCK = 4000
_ISO = text("""'YYYY-MM-DD"T"HH24:MI:SS.MS"+00:00"'""")


def columns(table: Table, shared: bool, *names: str) -> list[ColumnElement[Any]]:
    """The columns of a table, all or those named, with times as text on a server too."""
    chosen = [table.c[name] for name in names] if names else list(table.c)
    if not shared:
        return list(chosen)
    return [
        func.to_char(func.timezone("UTC", c), _ISO).label(c.name) if isinstance(c.type, Moment) else c for c in chosen
    ]


def blocks(db: Connection, sql: Select[Any]) -> Iterator[Sequence[Any]]:
    """What a query finds, some thousands of plain tuples at a time; nothing is converted on the way."""
    result = db.execute(sql.execution_options(yield_per=BLOCK))
    try:
        # the library takes one row of a server's by itself: it has to be asked for it
        if head := result.fetchmany(1):
            yield [tuple(row) for row in head]
        while head and (found := result.cursor.fetchmany(BLOCK)):
            yield found
    finally:
        result.close()


def case_rows(db: Connection, sql: Select[Any]) -> list[CaseRow]:
    """The records of a query for all `columns` of `case_row`, which stand in the order of the record's fields."""
    keep = _Kept()
    words, pairs = _Words(), _Pairs()
    out = []
    for block in blocks(db, sql):
        for (bench, case, _month, begun, mill, technician, material, process, complaint, symptoms, how, cause, closed,
             first, probability, remedies, remedy, fixed, minutes, blocks_, cautions, reviewed, reviewer, reviewed_at,
             final, events, knowledge, imported) in block:  # fmt: skip
            row = CaseRow(
                keep[bench], case, begun, keep[mill], keep[technician], keep[material], keep[process], keep[complaint],
                words[symptoms], keep[how], keep[cause], closed, keep[first], probability, pairs[remedies],
                keep[remedy], fixed, minutes, blocks_, words[cautions], keep[reviewed], keep[reviewer], reviewed_at,
                keep[final], events, keep[knowledge], bool(imported),
            )  # fmt: skip
            out.append(row)
    return out


def readings(db: Connection, sql: Select[Any]) -> list[Reading]:
    """The records of a query for `columns` of `reading` in the order of the record's fields, by series, mill and time."""
    keep, series_mill = _Kept(), _Lists()
    for block in blocks(db, sql):
        for bench, case, series, at, mill, value, unit, u in block:
            one = Reading(keep[bench], keep[case], keep[series], at, keep[mill], value, keep[unit], u)
            series_mill[series, mill].append(one)
    out: list[Reading] = []
    # sorted here, for the server would go to its disk for it; most of them come in order of time already
    for key in sorted(series_mill, key=lambda key: (key[0], key[1] is not None, key[1])):
        group = series_mill.pop(key)
        group.sort(key=_by_time)
        out += group
    return out


_by_time = attrgetter("at", "bench", "case")


class _Kept(dict[Any, Any]):
    """Each value once."""

    def __missing__(self, value: Any) -> Any:
        self[value] = value
        return value


class _Words(dict[str, tuple[str, ...]]):
    def __missing__(self, line: str) -> tuple[str, ...]:
        self[line] = found = tuple(line.split())
        return found


class _Pairs(dict[str, tuple[tuple[str, str], ...]]):
    def __missing__(self, line: str) -> tuple[tuple[str, str], ...]:
        self[line] = found = tuple((a, b) for a, _, b in (pair.partition(":") for pair in line.split()))
        return found


class _Lists(dict[Any, list[Reading]]):
    def __missing__(self, key: Any) -> list[Reading]:
        found: list[Reading] = []
        self[key] = found
        return found
