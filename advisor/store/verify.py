"""Whether a log is what was written: both chains of hashes, the heads of the journals, and the derived rows."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, select

from advisor.caserow import case_row
from advisor.store import schema as t

if TYPE_CHECKING:
    from advisor.caselog import CaseLog

__all__ = ["problems"]

AT_ONCE = 2000


def problems(log: CaseLog) -> list[str]:
    """Every altered, missing or reordered event, and every derived row that does not follow from them, a line each."""
    with log.base.read() as db:
        found = _cases(db)
        # what follows from damaged events says nothing more
        return found + _journals(log, db) if found else _journals(log, db) + _derived(log, db)


def _cases(db: Connection) -> list[str]:
    """The chains within the cases."""
    from advisor.caselog import event_hash

    e = t.event.c
    sql = select(e.bench, e.case_id, e.writer, e.seq, e.id, e.at, e.type, e.body, e.hash)
    sql = sql.order_by(e.bench, e.case_id, e.writer, e.seq).execution_options(yield_per=AT_ONCE)
    found: list[str] = []
    chain: tuple[Any, ...] = ()
    prev, expected = b"", 0
    for bench, case, writer, seq, ident, at, kind, body, stored in db.execute(sql):
        if chain != (bench, case, writer):
            chain, prev, expected = (bench, case, writer), b"", 0
        if seq != expected:
            found.append(f"case {case}: event {expected} is missing")
        sound = isinstance(body, str) and f'"type":{json.dumps(kind)}' in body
        altered = not sound or event_hash(prev, str(case), seq, str(ident), str(at), body) != _raw(stored)
        if altered and seq == expected:  # with one missing before it, the hash cannot fit: that is told already
            found.append(f"case {case}: event {seq} is not what was written")
        prev, expected = _raw(stored), seq + 1
    return found


def _journals(log: CaseLog, db: Connection) -> list[str]:
    """The journals: those of all writers in a shared log, this bench's own in a file (it holds only parts of others)."""
    from advisor.caselog import journal_hash

    w, e = t.writer.c, t.event.c
    found = []
    heads = select(w.id, w.name, w.n, w.journal, w.own)
    for writer, name, n, journal, own in db.execute(heads).all():
        if not (own or log.base.shared):
            continue
        sql = select(e.bench, e.case_id, e.n, e.hash, e.journal).where(e.writer == writer).order_by(e.n)
        prev, expected = b"", 0
        for bench, case, place, own_hash, stored in db.execute(sql.execution_options(yield_per=AT_ONCE)):
            if place != expected:
                gone = f"{place - expected} events are" if place - expected > 1 else "an event is"
                found.append(f"journal of {name}: {gone} missing before one of case {case}")
            elif journal_hash(prev, bench, writer, place, _raw(own_hash)) != _raw(stored):
                found.append(f"journal of {name}: entry {place}, of case {case}, is not what was written")
            prev, expected = _raw(stored), place + 1
        if expected < n:
            found.append(f"journal of {name}: the last {n - expected} of {n} events are missing")
        elif prev != _raw(journal) or expected > n:
            found.append(f"journal of {name}: its end is not what was written")
    return found


def _derived(log: CaseLog, db: Connection) -> list[str]:
    """Rows of the review that do not follow from their events."""
    from advisor.caselog import is_diary, ordered, row_values, stored_row

    c = t.case_row.c
    found = []
    for bench, case, entries in log.walk(db):
        if is_diary(case):
            continue
        row = case_row(bench, case, [(x.at, x.event) for x in ordered(entries)])
        stored = db.execute(
            select(t.case_row).where(c.bench == bench, c.case_id == case, c.month == t.month_of(case))
        ).first()
        if stored is None or row_values(stored_row(stored)) != row_values(row):
            found.append(f"case {case}: its row is not what its events say: 'advisor log rebuild' makes it anew")
    return found


def _raw(value: Any) -> bytes:
    """A stored hash as bytes, whatever was put in its place."""
    return bytes(value) if isinstance(value, (bytes, memoryview)) else str(value).encode("utf-8", "replace")
