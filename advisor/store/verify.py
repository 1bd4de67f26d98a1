"""Whether a log is what was written: both chains of hashes, the heads of the journals, and the derived rows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, func, select, text

from advisor.caserow import case_readings, case_row
from advisor.store import schema as t
from advisor.store.errors import LogError
from advisor.store.rights import SUPERVISOR

if TYPE_CHECKING:
    from advisor.caselog import CaseLog

__all__ = ["problems"]

AT_ONCE = 2000
_SEES_ALL = (
    "SELECT NOT row_security_active('event') OR EXISTS "
    "(SELECT FROM pg_roles WHERE rolname = :role AND pg_has_role(oid, 'member'))"
)


def problems(log: CaseLog) -> list[str]:
    """Every altered, missing or reordered event, and every derived row that does not follow from them, a line each."""
    with log.base.read() as db:
        found = _cases(db)
        # what follows from damaged events says nothing more
        return found + _journals(log, db) if found else _journals(log, db) + _derived(log, db)


def _cases(db: Connection) -> list[str]:
    """The chains within the cases."""
    from advisor.caselog import event_hash, parsed

    def sound(case: str, body: Any, kind: str) -> bool:
        try:
            return isinstance(body, str) and bool(parsed(case, body, kind))
        except LogError:
            return False

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
        altered = not sound(case, body, kind)
        altered = altered or event_hash(prev, str(case), seq, str(ident), str(at), body) != _raw(stored)
        if altered and seq == expected:  # with one missing before it, the hash cannot fit: that is told already
            found.append(f"case {case}: event {seq} is not what was written")
        prev, expected = _raw(stored), seq + 1
    return found


def _journals(log: CaseLog, db: Connection) -> list[str]:
    """The journals that are there whole: all in a shared log, a bench's own where it sees or holds only parts of others."""
    from advisor.caselog import journal_hash

    w, e = t.writer.c, t.event.c
    found = []
    heads = select(w.id, w.name, w.n, w.journal)
    if not log.base.shared:
        heads = heads.where(w.own)
    elif not db.execute(text(_SEES_ALL), {"role": SUPERVISOR}).scalar():
        heads = heads.where(w.login == func.current_user())
    for writer, name, n, journal in db.execute(heads).all():
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
    """Rows and readings of the review that do not follow from their events, and files that are not what was attached."""
    from advisor.caselog import is_diary, ordered, reading_values, row_values

    found = []
    left: dict[tuple[str, str], _Derived] = {}
    looked: set[tuple[str, int]] = set()
    for bench, case, entries in log.walk(db):
        if is_diary(case):
            continue
        month = t.month_of(case)
        if (bench, month) not in looked:
            looked.add((bench, month))
            left |= _stored(db, bench, month)
        for entry in entries:
            wanted = entry.event["type"] == "attach" and not log.base.shared
            if wanted and log.content(bench, str(entry.event.get("sha256"))) is None:
                found.append(f"case {case}: its file {_name(entry.event)} is missing or was altered")
        pairs = [(x.at, x.event) for x in ordered(entries)]
        row = case_row(bench, case, pairs)
        readings = [reading_values(r, row.begun) for r in case_readings(bench, case, row.mill, pairs)]
        if left.pop((bench, case), None) != (row_values(row), {str(r["series"]): r for r in readings}):
            found.append(f"case {case}: its row is not what its events say: 'advisor log rebuild' makes it anew")
    r, c = t.reading.c, t.case_row.c
    for sql in (select(c.bench, c.month), select(r.bench, r.month)):
        for bench, month in db.execute(sql.distinct()).all():
            if (bench, month) not in looked:
                left |= _stored(db, bench, month)
    found += [f"case {case}: there is a row, and no event: 'advisor log rebuild' clears it away" for _, case in left]
    return found


_Derived = tuple[dict[str, Any] | None, dict[str, dict[str, Any]]]


def _stored(db: Connection, bench: str, month: int) -> dict[tuple[str, str], _Derived]:
    """What is stored of a bench's month: the row of each case, and its readings by series."""
    c, r = t.case_row.c, t.reading.c
    out: dict[tuple[str, str], _Derived] = {}
    for row in db.execute(select(t.case_row).where(c.bench == bench, c.month == month)):
        out[bench, str(row.case_id)] = (dict(row._mapping), {})
    for row in db.execute(select(t.reading).where(r.bench == bench, r.month == month)):
        out.setdefault((bench, str(row.case_id)), (None, {}))[1][str(row.series)] = dict(row._mapping)
    return out


def _name(event: Mapping[str, Any]) -> str:
    return "".join(c if c.isprintable() else "?" for c in str(event.get("name")))


def _raw(value: Any) -> bytes:
    """A stored hash as bytes, whatever was put in its place."""
    return bytes(value) if isinstance(value, (bytes, memoryview)) else str(value).encode("utf-8", "replace")
