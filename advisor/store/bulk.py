"""Many cases or diary entries into a log in one transaction, as an import or the invented lab brings them.

The chains are those of single events; only the journal's head is read once, and rows go to the database in batches.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, select, update

from advisor.caserow import case_readings, case_row
from advisor.store import schema as t

if TYPE_CHECKING:
    from advisor.caselog import CaseLog, Event

__all__ = ["write_cases", "write_diary"]

BATCH = 5000


def write_cases(log: CaseLog, db: Connection, cases: Iterable[Sequence[tuple[str, Event]]]) -> list[str]:
    """Write whole cases, each from its `start`, as those of the log's own writer; returns their ids in order."""
    from advisor.caselog import is_diary, ordered, reading_values, row_values

    pen = _Pen(log, db)
    ids = _Ids(log.writer, db)
    out = []
    for entries in cases:
        case = ids.new(str(entries[0][1].get("begun") or entries[0][0]))
        if entries[0][1].get("type") != "start" or is_diary(case):
            raise log.missing(case)
        added, _ = pen.chain(case, entries, 0, b"")
        pairs = [(entry.at, entry.event) for entry in ordered(added)]
        row = case_row(log.writer, case, pairs)
        pen.rows.append(row_values(row))
        pen.readings += [reading_values(r, row.begun) for r in case_readings(log.writer, case, row.mill, pairs)]
        out.append(case)
        pen.flush(BATCH)
    pen.close()
    return out


def write_diary(log: CaseLog, db: Connection, entries: Iterable[tuple[str, str, Event]]) -> int:
    """Write (mill, ISO time, event) to the mills' diaries; returns how many."""
    from advisor.caselog import diary_case

    pen = _Pen(log, db)
    e = t.event.c
    heads: dict[str, tuple[int, bytes]] = {}
    count = 0
    for mill, at, event in entries:
        case = diary_case(mill, at)
        if case not in heads:
            where = (e.bench == log.writer, e.case_id == case, e.writer == log.writer, e.month == t.month_of(case))
            last = db.execute(select(e.seq, e.hash).where(*where).order_by(e.seq.desc()).limit(1)).first()
            heads[case] = (int(last[0]) + 1, bytes(last[1])) if last else (0, b"")
        place, prev = heads[case]
        heads[case] = place + 1, pen.chain(case, [(at, {**event, "mill": mill})], place, prev)[1]
        count += 1
        pen.flush(BATCH)
    pen.close()
    return count


class _Pen:
    """Events, rows and readings on their way to the database, and the journal's head."""

    def __init__(self, log: CaseLog, db: Connection) -> None:
        self.log, self.db = log, db
        self.n, self.journal = log.head(db)
        self.events: list[dict[str, Any]] = []
        self.rows: list[dict[str, Any]] = []
        self.readings: list[dict[str, Any]] = []

    def chain(self, case: str, entries: Sequence[tuple[str, Event]], place: int, prev: bytes) -> tuple[Any, bytes]:
        """Add events to a case's chain, whose last hash is `prev`; returns the entries and the hash of the last."""
        from advisor.caselog import linked

        who = self.log.writer
        rows, added = linked(who, who, case, entries, place, prev, self.n, self.journal)
        if rows:
            self.n, self.journal, prev = rows[-1]["n"] + 1, rows[-1]["journal"], rows[-1]["hash"]
            self.events += rows
        return added, prev

    def flush(self, least: int = 1) -> None:
        """Send what has gathered, once it is that much."""
        if len(self.events) < least:
            return
        for table, rows in ((t.event, self.events), (t.case_row, self.rows), (t.reading, self.readings)):
            if rows:
                self.db.execute(table.insert(), rows)
                rows.clear()

    def close(self) -> None:
        """Send the rest, and put down the journal's head."""
        self.flush()
        sql = update(t.writer).where(t.writer.c.id == self.log.writer).values(n=self.n, journal=self.journal)
        self.db.execute(sql)


class _Ids:
    """New ids of cases; those of a day that are taken are read once."""

    def __init__(self, bench: str, db: Connection) -> None:
        self.bench, self.db = bench, db
        self.taken: dict[str, set[str]] = {}

    def new(self, when: str) -> str:
        from advisor.caselog import case_day, new_ident

        day = case_day(when)
        if day not in self.taken:
            c = t.case_row.c
            where = (c.bench == self.bench, c.case_id > day, c.case_id < day + "~", c.month == t.month_of(day))
            self.taken[day] = {str(case) for case in self.db.execute(select(c.case_id).where(*where)).scalars()}
        while (case := f"{day}-{new_ident(4)}") in self.taken[day]:
            pass
        self.taken[day].add(case)
        return case
