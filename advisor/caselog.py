"""The case log: append-only events, hash-chained. A SQLite file at the bench, a PostgreSQL database for several.

Every event is on disk before the next question appears, so a killed process loses nothing that was answered. Nothing
edits an event: a correction is an event of its own. Two chains of hashes run through them. One goes through the events
that one writer gave to one case; the other, the journal, through everything a writer ever wrote, and its head is kept
apart. So an altered, missing or reordered event is found, and a case cut short or taken out whole as well.
"""

from __future__ import annotations

import hashlib
import json
import mimetypes
import os
import secrets
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from operator import attrgetter
from pathlib import Path
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    String,
    Table,
    and_,
    delete,
    func,
    null,
    or_,
    select,
    text,
    type_coerce,
    update,
)
from sqlalchemy.dialects.postgresql import insert as insert_pg
from sqlalchemy.dialects.sqlite import insert as insert_lite

from advisor.caserow import CaseRow, DiaryEntry, Reading, case_readings, case_row
from advisor.home import log_path
from advisor.settings import Settings
from advisor.store import fetch
from advisor.store import schema as t
from advisor.store.engine import Database
from advisor.store.errors import LogError, Unreachable

__all__ = ["CaseLog", "CaseSummary", "Entry", "LogError", "Unreachable", "log_path"]

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
Event = dict[str, Any]


@dataclass(frozen=True)
class Entry:
    """One event as it stands in the log; `at` is UTC, ISO 8601; `writer` who wrote it: the bench, or a supervisor."""

    seq: int
    id: str
    at: str
    event: Event
    writer: str = ""


@dataclass(frozen=True)
class CaseSummary:
    """A case in a list: when it began, its mill and complaint, how many events, how it was closed (None if open)."""

    case: str
    started: str
    mill: str | None
    complaint: str
    events: int
    closed: str | None
    cause: str | None
    technician: str | None = None
    reviewed: str | None = None


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class CaseLog:
    """An open log: a file, or the URL of a shared database. `clock` gives the time of an event as ISO 8601 in UTC.

    A case is named by its handle: its id, or `bench/id` for a case of another bench in a shared log.
    """

    def __init__(self, where: Path | str, clock: Callable[[], str] = _now, invented: bool = False) -> None:
        self.clock = clock
        self.base = Database(where)
        self.name = self.base.name
        self._insert = insert_pg if self.base.shared else insert_lite
        self.writer, self.invented = self._who(invented)
        self._names: dict[str, str] | None = None
        if not self.base.shared and self._underived():
            self.rebuild()

    @property
    def path(self) -> Path:
        """The file of the log; LogError for a shared one."""
        if self.base.path is None:
            raise LogError(f"{self.name} is no file")
        return self.base.path

    def close(self) -> None:
        """Close the log."""
        self.base.close()

    def _who(self, invented: bool) -> tuple[str, bool]:
        """This log's own writer, made when the log is new. In a shared log it is the one of this user's settings."""
        if self.base.shared:
            return Settings.kept().writer, False
        w = t.writer.c
        own = select(w.id, w.invented).where(w.own)
        with self.base.read() as db:
            found = db.execute(own).first()
        if found is None:
            with self.base.write() as db:
                if db.execute(own).first() is None:  # another console may have been quicker
                    values = {"id": new_ident(10), "name": storable(Settings.kept().bench), "n": 0, "journal": b""}
                    db.execute(t.writer.insert().values(**values, own=True, invented=invented))
                found = db.execute(own).one()
        return str(found[0]), bool(found[1])

    # -- writing --------------------------------------------------------------------------------------------------

    def new_case(self, event: Event) -> str:
        """Begin a case with its `start` event; returns the case's handle, such as 261125-k7qx."""
        with self.base.write() as db:
            now = self.clock()
            case = self._new_id(db, str(event.get("begun") or now))
            self._put(db, self.writer, case, [(now, event)], 0)
        return self._handle(self.writer, case)

    def append(self, case: str, event: Event, seq: int) -> None:
        """Write one event as number `seq` of this writer's events in the case (the count of those before it), durably.

        Raises LogError if that number is taken: another console has the case open.
        """
        bench, ident = self._key(case)
        with self.base.write() as db:
            self._put(db, bench, ident, [(self.clock(), event)], seq)

    def add(self, case: str, event: Event) -> None:
        """Write one event after whatever the case holds: a review, a file."""
        bench, ident = self._key(case)
        with self.base.write() as db:
            self._put(db, bench, ident, [(self.clock(), event)], None)

    def write(self, cases: Iterable[Sequence[tuple[str, Event]]]) -> list[str]:
        """Write whole cases, each a sequence of (ISO time, event) that begins with its `start`; all of them or none.

        Returns their handles in order.
        """
        from advisor.store.bulk import write_cases

        with self.base.write() as db:
            return [self._handle(self.writer, case) for case in write_cases(self, db, cases)]

    def note_diary(self, mill: str, event: Event, at: str | None = None) -> None:
        """Write an event of a mill's diary (:data:`advisor.caserow.DIARY`): a care task done, pieces made, a change."""
        self.write_diary([(mill, at or self.clock(), event)])

    def write_diary(self, entries: Iterable[tuple[str, str, Event]]) -> int:
        """Write events of mills' diaries, each as (mill, ISO time, event); all of them or none. Returns how many."""
        from advisor.store.bulk import write_diary

        with self.base.write() as db:
            return write_diary(self, db, entries)

    def _new_id(self, db: Connection, when: str) -> str:
        day = case_day(when)
        c = t.case_row.c
        while True:
            case = f"{day}-{new_ident(4)}"
            where = and_(c.bench == self.writer, c.case_id == case, c.month == t.month_of(case))
            if db.execute(select(c.case_id).where(where)).first() is None:
                return case

    def _put(
        self, db: Connection, bench: str, case: str, entries: Sequence[tuple[str, Event]], seq: int | None
    ) -> None:
        """Add events to a case within a transaction, and make its derived rows anew."""
        w, e = t.writer.c, t.event.c
        n, journal = self.head(db)
        self.hold(db, bench, case)
        before = self.events(db, bench, case)
        if not before and not is_diary(case) and entries[0][1].get("type") != "start":
            raise self.missing(case)
        mine = [entry for entry in before if entry.writer == self.writer]
        if seq is not None and len(mine) != seq:
            raise LogError(f"case {case} was continued in another console: leave here and resume it")
        month = t.month_of(case)
        where = and_(
            e.bench == bench, e.case_id == case, e.month == month, e.writer == self.writer, e.seq == len(mine) - 1
        )
        prev = db.execute(select(e.hash).where(where)).scalar() if mine else b""
        rows, added = linked(bench, self.writer, case, entries, len(mine), bytes(prev or b""), n, journal)
        db.execute(t.event.insert(), rows)
        head = {"n": n + len(rows), "journal": rows[-1]["journal"]}
        db.execute(update(t.writer).where(w.id == self.writer).values(head))
        self.derive(db, bench, case, [*before, *added], len(before))

    def head(self, db: Connection) -> tuple[int, bytes]:
        """How many events the log's writer has written, and his journal's hash; no other may add to it until the end of
        the transaction. His first words in a shared log enter him there."""
        w = t.writer.c
        head = select(w.n, w.journal).where(w.id == self.writer).with_for_update()
        found = db.execute(head).first()
        if found is None:
            name = storable(Settings.kept().bench)
            who = {"id": self.writer, "name": name, "n": 0, "journal": b"", "own": False}
            login = func.current_user() if self.base.shared else None
            db.execute(t.writer.insert().values(**who, invented=False, login=login))
            found = db.execute(head).one()
        return int(found[0]), bytes(found[1])

    def hold(self, db: Connection, bench: str, case: str) -> None:
        """Keep other writers of a shared log from a case until this transaction ends: its row is made from all events,
        so who makes it must have seen them. (A log file has one writer at a time anyway.)"""
        c = t.case_row.c
        where = and_(c.bench == bench, c.case_id == case, c.month == _month(case))
        if self.base.shared:
            db.execute(select(c.events).where(where).with_for_update())

    def derive(self, db: Connection, bench: str, case: str, entries: Sequence[Entry], old: int = 0) -> None:
        """Make a case's row and readings anew; the readings only if an event after the first `old` can change them."""
        if is_diary(case):
            return
        if _month(case) < 0:
            raise LogError(f"{self.name} holds a case '{case[:20]}', which is no id: the log was altered or is damaged")
        pairs = [(entry.at, entry.event) for entry in ordered(entries)]
        row = case_row(bench, case, pairs)
        values = row_values(row)
        put = self._insert(t.case_row).values(values)
        keys = ("bench", "case_id", "month")
        db.execute(
            put.on_conflict_do_update(index_elements=keys, set_={k: v for k, v in values.items() if k not in keys})
        )
        touched = {"answer", "calculation", "undo", "unknown", "skip", "setting", "start"}
        if not any(entry.event.get("type") in touched for entry in entries[old:]):
            return
        r = t.reading.c
        month = t.month_of(case)
        if old:
            db.execute(delete(t.reading).where(r.bench == bench, r.case_id == case, r.month == month))
        found = case_readings(bench, case, row.mill, pairs)
        if found:
            db.execute(t.reading.insert(), [reading_values(x, row.begun) for x in found])

    # -- reading --------------------------------------------------------------------------------------------------

    def entries(self, case: str) -> list[Entry]:
        """The events of a case in order of time; LogError if there is no such case or an event cannot be read."""
        bench, ident = self._key(case)
        with self.base.read() as db:
            found = self.events(db, bench, ident)
        if not found:
            raise self.missing(case)
        return ordered(found)

    def missing(self, case: str) -> LogError:
        return LogError(f"there is no case {case} in {self.name}: 'advisor cases' lists them")

    def count(self, case: str) -> int:
        """How many events this writer has given to a case."""
        return sum(entry.writer == self.writer for entry in self.entries(case))

    def events(self, db: Connection, bench: str, case: str) -> list[Entry]:
        """The events of a case within a connection, by writer and place."""
        e = t.event.c
        where = and_(e.bench == bench, e.case_id == case, e.month == _month(case))
        sql = select(e.seq, e.id, e.at, e.type, e.body, e.writer).where(where).order_by(e.writer, e.seq)
        return [Entry(seq, x, at, parsed(case, body, kind), who) for seq, x, at, kind, body, who in db.execute(sql)]

    def find(self, text: str, least: int = 0) -> str:
        """The one case whose handle is `text`, or whose id begins or ends with it; LogError if none or several.

        `least`: so many letters must be given, where something is to be written into the case.
        """
        c = t.case_row.c
        bench, _, part = storable(text).rpartition("/")
        if len(part) < least:
            raise LogError(f"'{text}' is too short to write into a case: give at least {least} letters of its id")
        begins = and_(c.case_id >= part, c.case_id < part + "\x7f")
        if len(part) > 3 and _month(part) > 0:
            begins = and_(begins, c.month == _month(part))  # a server then looks into one partition
        size = len(part)
        ends = func.substr(c.case_id, 12 - size, size) == part
        # The end of an id can only be found by reading all ids, so it comes last. A beginning of three letters or more
        # holds a 0 or 1, of the month, and an end never does; of two letters it may be either.
        ways: tuple[ColumnElement[bool], ...] = (begins, ends) if size > 2 else (or_(begins, ends),)
        if not 0 < size < 12:
            ways = (c.case_id == part,)
        rows: list[tuple[str, str]] = []
        with self.base.read() as db:
            for way in ways:
                sql = select(c.bench, c.case_id).where(way).order_by(c.case_id).limit(6)
                if bench:
                    sql = sql.where(c.bench.in_(self._benches(bench)))
                rows = rows or [(str(b), str(i)) for b, i in db.execute(sql)]
        exact = [row for row in rows if row[1] == part]
        own = [row for row in exact if row[0] == self.writer]
        for found in (own, exact, rows):
            if len(found) == 1:
                return self._handle(*found[0])
        if rows:
            raise LogError(f"'{text}' fits several cases: {', '.join(self._handle(*row) for row in rows)}")
        raise LogError(f"there is no case '{text}' in {self.name}: 'advisor cases' lists them")

    def cases(self, limit: int = 50, open_only: bool = False) -> list[CaseSummary]:
        """The newest cases first."""
        c = t.case_row.c
        sql = self._all_columns(t.case_row).order_by(c.begun.desc(), c.case_id, c.bench).limit(limit)
        if open_only:
            sql = sql.where(text(f"({t.IS_OPEN})"))
        return [
            CaseSummary(
                self._handle(row.bench, row.case),
                row.begun,
                row.mill,
                row.complaint,
                row.events,
                None if row.open else row.how,
                row.final_cause,
                row.technician,
                row.reviewed,
            )
            for row in self._rows(sql)
        ]

    def rows(
        self,
        since: str | None = None,
        until: str | None = None,
        mill: str | None = None,
        technician: str | None = None,
        material: str | None = None,
        reviewable: bool = False,
    ) -> list[CaseRow]:
        """Cases begun from `since` up to, not including, `until` (ISO dates or times), in order of their beginning.

        `reviewable` gives those a supervisor has yet to sign: closed, and not signed, or asked about and answered;
        imported ones were not diagnosed here and are not among them.
        """
        c = t.case_row.c
        sql = self._within(self._all_columns(t.case_row), t.case_row, since, until)
        for column, value in ((c.mill, mill), (c.technician, technician), (c.material, material)):
            if value is not None:
                sql = sql.where(column == storable(value))
        if reviewable:
            sql = sql.where(t.IS_UNSIGNED, c.imported.is_(False))
        found = self._rows(sql)
        found.sort(key=attrgetter("begun", "bench", "case"))  # here: a server would sort so much on its disk
        return found

    def starts(self) -> list[tuple[str, Event]]:
        """The handle and the first event of every imported case."""
        c, e = t.case_row.c, t.event.c
        same = and_(e.bench == c.bench, e.case_id == c.case_id, e.month == c.month, e.writer == c.bench, e.seq == 0)
        sql = select(c.bench, c.case_id, e.body).where(c.imported, same)
        with self.base.read() as db:
            return [(self._handle(b, i), parsed(i, body, "start")) for b, i, body in db.execute(sql)]

    def row(self, case: str) -> CaseRow:
        """The row of one case; LogError when there is none."""
        bench, ident = self._key(case)
        c = t.case_row.c
        where = and_(c.bench == bench, c.case_id == ident, c.month == _month(ident))
        found = self._rows(self._all_columns(t.case_row).where(where))
        if not found:
            raise self.missing(case)
        return found[0]

    def rows_read(self, series: Sequence[str], mill: str | None = None, newest: int = 5000) -> list[CaseRow]:
        """The cases of the newest readings of these series, at most so many of them, in order of their beginning."""
        r, c = t.reading.c, t.case_row.c
        wanted: ColumnElement[bool] = r.series.in_([storable(name) for name in series])
        if mill is not None:
            wanted = and_(wanted, r.mill == storable(mill))
        with self.base.read() as db:
            oldest = select(r.begun).where(wanted).order_by(r.begun.desc()).limit(1).offset(newest - 1)
            since = db.execute(oldest).scalar()  # None when there are fewer
        keys = self._within(select(r.bench, r.case_id, r.month), t.reading, since, None).where(wanted)
        k = keys.distinct().subquery()
        same = and_(c.bench == k.c.bench, c.case_id == k.c.case_id, c.month == k.c.month)
        found = self._rows(self._all_columns(t.case_row).join(k, same))
        found.sort(key=attrgetter("begun", "bench", "case"))
        return found

    def readings(
        self,
        since: str | None = None,
        until: str | None = None,
        mill: str | None = None,
        series: str | None = None,
    ) -> list[Reading]:
        """Readings of cases begun in the span, in order of series, mill and time."""
        r = t.reading.c
        names = ("bench", "case_id", "series", "at", "mill", "value", "unit", "u")
        sql = self._within(self._all_columns(t.reading, *names), t.reading, since, until)
        if mill is not None:
            sql = sql.where(r.mill == storable(mill))
        if series is not None:
            sql = sql.where(r.series == storable(series))
        with self.base.read() as db:
            return fetch.readings(db, sql)

    def count_readings(self, since: str | None = None, until: str | None = None, mill: str | None = None) -> int:
        """How many readings of cases begun in the span there are."""
        sql = self._within(select(func.count()).select_from(t.reading), t.reading, since, until)
        if mill is not None:
            sql = sql.where(t.reading.c.mill == storable(mill))
        with self.base.read() as db:
            return int(db.execute(sql).scalar_one())

    def daily_readings(
        self, since: str | None = None, until: str | None = None, mill: str | None = None
    ) -> list[Reading]:
        """The same as `readings`, those of one series, mill, unit and day as their mean; named by the last case of the day."""
        r = t.reading.c
        at: ColumnElement[Any] = func.to_char(func.timezone("UTC", r.at), "YYYY-MM-DD") if self.base.shared else r.at
        day = func.substr(type_coerce(at, String), 1, 10)
        noon = day.concat("T12:00:00.000+00:00")
        values = (func.max(r.bench), func.max(r.case_id), r.series, noon, r.mill, func.avg(r.value), r.unit)
        sql: Select[Any] = select(*values, null()).group_by(r.series, r.mill, r.unit, day)
        sql = self._within(sql, t.reading, since, until)
        if mill is not None:
            sql = sql.where(r.mill == storable(mill))
        with self.base.read() as db:
            return fetch.readings(db, sql)

    def diary(self, since: str | None = None, until: str | None = None, mill: str | None = None) -> list[DiaryEntry]:
        """Entries of the mills' diaries in order of time."""
        e = t.event.c
        sql = self._all_columns(t.event, "bench", "case_id", "at", "type", "body").where(t.IN_DIARY)
        since, until = (_moment(x) if x else None for x in (since, until))
        first, last = t.months_between(since, until)
        sql = sql.where(e.month >= first, e.month <= last).order_by(e.at, e.bench, e.n)
        if since:
            sql = sql.where(e.at >= since)
        if until:
            sql = sql.where(e.at < until)
        out = []
        with self.base.read() as db:
            for block in fetch.blocks(db, sql):
                for bench, case, at, kind, body in block:
                    event = parsed(case, body, kind)
                    own = str(event.get("mill", case[7:]))
                    if mill in (None, own):
                        out.append(DiaryEntry(bench, own, at, event))
        return out

    def handle(self, row: CaseRow) -> str:
        """The handle of a row's case."""
        return self._handle(row.bench, row.case)

    def bench_name(self, bench: str) -> str:
        """What a bench calls itself."""
        return self._bench_names().get(bench, bench)

    @staticmethod
    def _within(sql: Select[Any], table: Any, since: str | None, until: str | None) -> Select[Any]:
        since, until = (_moment(x) if x else None for x in (since, until))
        first, last = t.months_between(since, until)
        if since:
            sql = sql.where(table.c.begun >= since, table.c.month >= first)
        if until:
            sql = sql.where(table.c.begun < until, table.c.month <= last)
        return sql

    def _rows(self, sql: Select[Any]) -> list[CaseRow]:
        with self.base.read() as db:
            return fetch.case_rows(db, sql)

    def _all_columns(self, table: Table, *names: str) -> Select[Any]:
        """A query for a table's columns, all or those named, as `advisor.store.fetch` takes them."""
        return select(*fetch.columns(table, self.base.shared, *names))

    # -- names ----------------------------------------------------------------------------------------------------

    def _bench_names(self) -> dict[str, str]:
        if self._names is None:
            with self.base.read() as db:
                self._names = {str(i): str(name) for i, name in db.execute(select(t.writer.c.id, t.writer.c.name))}
        return self._names

    def _benches(self, text: str) -> list[str]:
        """Benches of that id or name."""
        return [i for i, name in self._bench_names().items() if text in (i, name)] or [text]

    def _handle(self, bench: str, case: str) -> str:
        if bench == self.writer:
            return case
        names = self._bench_names()
        name = names.get(bench, bench)
        alone = "/" not in name and list(names.values()).count(name) == 1
        return f"{name if alone else bench}/{case}"

    def _key(self, handle: str) -> tuple[str, str]:
        bench, _, case = handle.rpartition("/")
        return (self._benches(bench)[0] if bench else self.writer), case

    # -- files ----------------------------------------------------------------------------------------------------

    def kept_file(self, case: str, file: Path, at_most: int = 20_000_000) -> Event:
        """Store a photo or file of a case, by the hash of its content; returns the event that attaches it, to be added.

        Raises LogError when the file cannot be read or is larger than `at_most` bytes.
        """
        try:
            size = file.stat().st_size
            if size > at_most:
                raise LogError(
                    f"{file} has {size / 1e6:.0f} MB, more than {at_most / 1e6:.0f}: make the picture smaller"
                )
            content = file.read_bytes()
        except OSError as error:
            raise LogError(f"{file} cannot be read: {error.strerror or error}") from None
        sha = hashlib.sha256(content).hexdigest()
        bench, _ = self._key(case)
        self.keep(bench, sha, content)
        media = mimetypes.guess_type(file.name)[0] or "application/octet-stream"
        return {"type": "attach", "name": file.name, "sha256": sha, "size": len(content), "media": media}

    def keep(self, bench: str, sha: str, content: bytes) -> None:
        """Store a file's content; what is there already stays."""
        if self.base.shared:
            put = insert_pg(t.attachment).values(bench=bench, sha256=sha, content=content).on_conflict_do_nothing()
            with self.base.write() as db:
                db.execute(put)
            return
        place = self._place(sha)
        with self.base.plainly():
            if place.exists():
                return
            place.parent.mkdir(parents=True, exist_ok=True)
            part = place.with_suffix(f".{os.getpid()}.part")
            try:
                with part.open("wb") as out:
                    out.write(content)
                    out.flush()
                    os.fsync(out.fileno())
                os.replace(part, place)
            finally:
                part.unlink(missing_ok=True)

    def content(self, bench: str, sha: str) -> bytes | None:
        """The content of an attached file; None when it is missing or no longer what it was."""
        if self.base.shared:
            a = t.attachment.c
            with self.base.read() as db:
                found = db.execute(select(a.content).where(a.bench == bench, a.sha256 == sha)).scalar()
            content = bytes(found) if found is not None else None
        else:
            place = self._place(sha)
            with self.base.plainly():
                content = place.read_bytes() if _is_hash(sha) and place.is_file() else None
        return content if content is not None and hashlib.sha256(content).hexdigest() == sha else None

    def _place(self, sha: str) -> Path:
        return self.path.with_name(self.path.name + ".files") / sha[:2] / sha

    # -- soundness ------------------------------------------------------------------------------------------------

    def verify(self) -> list[str]:
        """Every altered, missing or reordered event and every derived row that is wrong, a line each; empty if sound."""
        from advisor.store.verify import problems

        return problems(self)

    def rebuild(self) -> int:
        """Make the derived rows of every case anew from its events; returns how many cases."""
        with self.base.write() as db:
            db.execute(delete(t.reading))
            db.execute(delete(t.case_row))
            count = 0
            for bench, case, entries in self.walk(db):
                if not is_diary(case):
                    self.derive(db, bench, case, entries)
                    count += 1
        return count

    def _underived(self) -> bool:
        """True for a log just brought up from a version without rows."""
        with self.base.read() as db:
            if db.execute(select(t.case_row.c.case_id).limit(1)).first() is not None:
                return False
            return db.execute(select(t.event.c.seq).where(t.event.c.type == "start").limit(1)).first() is not None

    def walk(self, db: Connection) -> Iterator[tuple[str, str, list[Entry]]]:
        """Every case of the log with its events, a few in memory at a time."""
        e = t.event.c
        sql = select(e.bench, e.case_id, e.seq, e.id, e.at, e.type, e.body, e.writer)
        key: tuple[str, str] | None = None
        entries: list[Entry] = []
        sql = sql.order_by(e.bench, e.case_id, e.writer, e.seq).execution_options(yield_per=2000)
        for bench, case, seq, ident, at, kind, body, who in db.execute(sql):
            if (bench, case) != key:
                if key is not None:
                    yield *key, entries
                key, entries = (bench, case), []
            entries.append(Entry(seq, ident, at, parsed(case, body, kind), who))
        if key is not None:
            yield *key, entries


def new_ident(length: int) -> str:
    """Letters and digits by chance, without those that look alike."""
    return "".join(secrets.choice(_LETTERS) for _ in range(length))


def case_day(when: str) -> str:
    """The day in a case's id, from the ISO time it began: 261125."""
    return _moment(when)[2:10].replace("-", "")


def diary_case(mill: str, at: str) -> str:
    """The chain of a mill's diary at an ISO time: one for each month. '00' is no day, so no case has such an id."""
    when = _moment(at)
    return f"{when[2:4]}{when[5:7]}00-{storable(mill)}"


def is_diary(case: str) -> bool:
    """Whether a chain is a mill's diary rather than a case."""
    return case[4:6] == "00"


def _is_hash(text: str) -> bool:
    return len(text) == 64 and all(c in "0123456789abcdef" for c in text)


def _month(case: str) -> int:
    """The month of a case's id, or one that no case has."""
    try:
        return t.month_of(case)
    except ValueError:
        return -1


def _moment(text: str) -> str:
    """A date or time as the log writes it, so that text compares as time does. LogError when it is none."""
    try:
        when = datetime.fromisoformat(text)
        when = when if when.tzinfo else when.replace(tzinfo=UTC)
        return when.astimezone(UTC).isoformat(timespec="milliseconds")
    except (ValueError, OverflowError):
        raise LogError(f"'{text[:40]}' is no date or time: write it like 2026-11-25 or 2026-11-25T10:30") from None


def ordered(entries: Sequence[Entry]) -> list[Entry]:
    """Events in the order they came about: a writer's own order always holds, whatever his clock did."""
    writers: dict[str, list[Entry]] = {}
    for entry in entries:
        writers.setdefault(entry.writer, []).append(entry)
    if len(writers) == 1:
        return sorted(entries, key=lambda entry: entry.seq)
    keyed = []
    for who, own in writers.items():
        latest = ""
        for entry in sorted(own, key=lambda entry: entry.seq):
            latest = max(latest, entry.at)
            keyed.append((latest, who, entry.seq, entry))
    keyed.sort(key=lambda item: item[:3])
    inline = [item[3] for item in keyed]
    first = next((i for i, entry in enumerate(inline) if entry.event.get("type") == "start"), 0)
    return [inline[first], *inline[:first], *inline[first + 1 :]]


def _body(event: Mapping[str, Any]) -> str:
    # ASCII escapes: any text that was typed, even half a surrogate pair, is stored as it came (PostgreSQL refuses NUL)
    return json.dumps(event, sort_keys=True, separators=(",", ":"))


def type_of(event: Mapping[str, Any]) -> str:
    """The type of an event as its column holds it: what the rights of a shared log go by."""
    kind: str = storable(str(event.get("type")))
    return kind[:20]


def parsed(case: str, body: Any, kind: str) -> Event:
    """An event from its stored text; LogError when it is none of type `kind`."""
    try:
        event = json.loads(body)
    except (ValueError, TypeError):
        event = None
    if not isinstance(event, dict) or not isinstance(event.get("type"), str) or type_of(event) != kind:
        raise LogError(f"case {case} holds an event that cannot be read: the log was altered ('advisor log verify')")
    return event


def event_hash(prev: bytes, case: str, seq: int, ident: str, at: str, body: str) -> bytes:
    """The hash of an event: over itself and the hash before it in its chain."""
    text = "\n".join([prev.hex(), case, str(seq), ident, at, body])
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()


def journal_hash(prev: bytes, bench: str, who: str, n: int, own: bytes) -> bytes:
    """The journal after event `n` of the writer `who`, whose own hash is `own`."""
    return hashlib.sha256(prev + f"\n{bench}\n{who}\n{n}\n".encode() + own).digest()


def linked(
    bench: str,
    who: str,
    case: str,
    entries: Sequence[tuple[str, Event]],
    place: int,
    prev: bytes,
    n: int,
    journal: bytes,
) -> tuple[list[dict[str, Any]], list[Entry]]:
    """(ISO time, event) as rows of the table of events, from `place` in the chain of a writer in a case, whose last hash
    is `prev`, and from `n` in his journal, whose hash is `journal`; and as entries."""
    rows, added = [], []
    key = {"bench": bench, "case_id": case, "writer": who, "month": t.month_of(case)}
    for when, event in entries:
        at, ident, body = _moment(when), str(uuid.uuid4()), _body(event)
        prev = event_hash(prev, case, place, ident, at, body)
        journal = journal_hash(journal, bench, who, n, prev)
        own = {"id": ident, "at": at, "type": type_of(event), "body": body, "hash": prev, "journal": journal}
        rows.append({**key, "seq": place, "n": n, **own})
        added.append(Entry(place, ident, at, event, who))
        n, place = n + 1, place + 1
    return rows, added


def row_values(row: CaseRow) -> dict[str, Any]:
    """A row as the columns of its table."""
    values = {name: getattr(row, name) for name in CaseRow.__slots__ if name != "case"}
    values |= {
        "case_id": row.case,
        "month": t.month_of(row.case),
        "symptoms": " ".join(row.symptoms),
        "cautions": " ".join(row.cautions),
        "remedies": " ".join(":".join(pair) for pair in row.remedies),
    }
    for name in ("begun", "closed", "fixed", "reviewed_at"):
        if values[name]:
            values[name] = _moment(values[name])
    return {name: storable(value) for name, value in values.items()}


def storable(value: Any) -> Any:
    """Any value; a text without what a database refuses: NUL, and halves of surrogate pairs. The event itself keeps them."""
    if not isinstance(value, str):
        return value
    return value.replace("\x00", "").encode("utf-8", "replace").decode("utf-8")


def reading_values(reading: Reading, begun: str) -> dict[str, Any]:
    """A reading of a case begun then, as the columns of its table."""
    values = {name: getattr(reading, name) for name in Reading.__slots__ if name != "case"}
    values |= {"case_id": reading.case, "month": t.month_of(reading.case), "begun": _moment(begun)}
    return {name: storable(value) for name, value in values.items()}
