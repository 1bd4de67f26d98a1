"""Copying a bench's events to the shared log, and what supervisors said there back to the bench.

Only what the shared log lacks is sent, in the order it was written and in batches of one transaction each, so a
connection lost at any point leaves a shorter copy, never a wrong one, and the next try goes on from there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, and_, func, or_, select, update
from sqlalchemy.dialects.postgresql import insert

from advisor.store import schema as t
from advisor.store.errors import LogError

if TYPE_CHECKING:
    from advisor.caselog import CaseLog

__all__ = ["Published", "compare", "publish"]

BATCH = 500


@dataclass(frozen=True)
class Published:
    """What was copied: events and files sent, events of supervisors fetched."""

    events: int
    files: int
    fetched: int

    def __str__(self) -> str:
        back = f"; {_many(self.fetched, 'review')} came back" if self.fetched else ""
        files = f" and {_many(self.files, 'file')}" if self.files else ""
        return f"{_many(self.events, 'event')}{files} copied to the shared log{back}"


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def publish(local: CaseLog, shared: CaseLog) -> Published:
    """Copy what is new; may be repeated and interrupted at will.

    Raises Unreachable when the server does not answer, LogError when the shared log holds other events for this bench
    (the log file was put back from an older copy, or changed).
    """
    if local.base.shared or not shared.base.shared:
        raise LogError("a bench's own log file is copied to a shared database, not the other way")
    if local.invented:
        raise LogError(f"{local.name} is an invented lab: it does not go into a shared log")
    events = files = 0
    while True:
        sent, kept = _send(local, shared)
        events, files = events + sent, files + kept
        if not sent:
            break
    return Published(events, files, _fetch(local, shared))


def compare(local: CaseLog, shared: CaseLog) -> str | None:
    """What is wrong with the shared copy of this bench's journal; None when it is a true copy as far as it goes."""
    w = t.writer.c
    with shared.base.read() as db:
        head = db.execute(select(w.n, w.journal).where(w.id == local.writer)).first()
    return _mismatch(local, int(head[0]), bytes(head[1])) if head is not None else None


def _mismatch(local: CaseLog, n: int, journal: bytes) -> str | None:
    e = t.event.c
    if n == 0:
        return None
    with local.base.read() as db:
        mine = db.execute(select(e.journal).where(e.writer == local.writer, e.n == n - 1)).scalar()
    if mine is None:
        return (
            f"the shared log has {n} events of this bench, {local.name} has fewer: it was put back from an older copy "
            "or cut short. Keep it as it is and begin a new log with --log"
        )
    if bytes(mine) != journal:
        return f"the shared log holds other events of this bench than {local.name}: run 'advisor log verify' on both"
    return None


def _send(local: CaseLog, shared: CaseLog) -> tuple[int, int]:
    """One batch: the events after those the shared log has; returns how many events and files were sent."""
    from advisor.caselog import storable
    from advisor.settings import Settings

    w, e = t.writer.c, t.event.c
    with shared.base.write() as db:
        name = storable(Settings.kept().bench)
        first = {"id": local.writer, "name": name, "n": 0, "journal": b"", "own": False}
        new = insert(t.writer).values(**first, invented=False, login=func.current_user())
        db.execute(new.on_conflict_do_nothing(index_elements=["id"]))
        n, journal = db.execute(select(w.n, w.journal).where(w.id == local.writer).with_for_update()).one()
        wrong = _mismatch(local, int(n), bytes(journal))
        if wrong:
            raise LogError(wrong)
        with local.base.read() as own:
            sql = select(t.event).where(e.writer == local.writer, e.n >= n).order_by(e.n).limit(BATCH)
            batch = [dict(row._mapping) for row in own.execute(sql)]
        if not batch:
            return 0, 0
        # the files first: a case in the shared log never names one that is not there
        files = _send_files(local, db, batch)
        db.execute(t.event.insert(), batch)
        db.execute(
            update(t.writer).where(w.id == local.writer).values(n=int(n) + len(batch), journal=batch[-1]["journal"])
        )
        for bench, case in dict.fromkeys((row["bench"], row["case_id"]) for row in batch):
            shared.hold(db, bench, case)
            shared.derive(db, bench, case, shared.events(db, bench, case), 1)
        return len(batch), files


def _send_files(local: CaseLog, db: Connection, batch: Sequence[dict[str, Any]]) -> int:
    from advisor.caselog import parsed

    sent = 0
    for row in batch:
        if row["type"] != "attach":
            continue
        sha = str(parsed(row["case_id"], row["body"], row["type"]).get("sha256"))
        content = local.content(row["bench"], sha)
        if content is None:
            continue  # lost or altered at the bench; the event still tells what it was
        put = insert(t.attachment).values(bench=row["bench"], sha256=sha, content=content)
        db.execute(put.on_conflict_do_nothing())
        sent += 1
    return sent


def _fetch(local: CaseLog, shared: CaseLog) -> int:
    """Events that others wrote to this bench's cases; a writer's events come in order, so the last one is the mark."""
    e = t.event.c
    with local.base.read() as db:
        sql = select(e.writer, func.max(e.n)).where(e.writer != local.writer).group_by(e.writer)
        seen = {str(who): int(n) for who, n in db.execute(sql)}
    unseen = [and_(e.writer == who, e.n > n) for who, n in seen.items()]
    fresh = and_(e.writer != local.writer, e.writer.not_in(list(seen))) if seen else e.writer != local.writer
    with shared.base.read() as db:
        sql = select(t.event).where(e.bench == local.writer, or_(fresh, *unseen)).order_by(e.writer, e.n)
        found = [dict(row._mapping) for row in db.execute(sql)]
    if not found:
        return 0
    with local.base.write() as db:
        db.execute(t.event.insert().prefix_with("OR IGNORE"), found)
        for case in dict.fromkeys(row["case_id"] for row in found):
            local.derive(db, local.writer, case, local.events(db, local.writer, case), 1)
    return len(found)
