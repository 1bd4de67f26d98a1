"""The case log: append-only events, hash-chained per case. The only module that talks to a database.

Every event is on disk (SQLite, WAL, synchronous FULL) before the next question appears, so a killed process loses
nothing that was answered. Nothing edits an event: a correction is an event of its own. Each event carries the hash of
the one before it in its case, so an altered, missing or reordered one is found by `verify`.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from advisor.home import data_home

__all__ = ["CaseLog", "CaseSummary", "Entry", "LogError", "log_path"]

_SCHEMA = """
CREATE TABLE IF NOT EXISTS event (
    case_id TEXT NOT NULL, seq INTEGER NOT NULL, id TEXT NOT NULL UNIQUE, at TEXT NOT NULL, type TEXT NOT NULL,
    body TEXT NOT NULL, prev TEXT NOT NULL, hash TEXT NOT NULL, PRIMARY KEY (case_id, seq)
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS event_type ON event (type, at);
"""
_VERSION = 1
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


class LogError(Exception):
    """The log cannot be read or written; the text says where and what to do."""


@dataclass(frozen=True)
class Entry:
    """One event as it stands in the log; `at` is UTC, ISO 8601."""

    seq: int
    id: str
    at: str
    event: dict[str, Any]


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


def log_path(given: str | None = None) -> Path:
    """The log file: as given, or ADVISOR_LOG, or `cases.db` in the data folder."""
    chosen = given or os.environ.get("ADVISOR_LOG")
    return Path(chosen).expanduser() if chosen else data_home() / "cases.db"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class CaseLog:
    """An open log file. `clock` gives the time of an event as ISO 8601 text in UTC."""

    def __init__(self, path: Path, clock: Callable[[], str] = _now) -> None:
        self.path = path
        self.clock = clock
        with self._plain():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, timeout=10, isolation_level=None)
            self._db.execute("PRAGMA busy_timeout = 10000")
            found = self._db.execute("PRAGMA user_version").fetchone()[0]
            if found > _VERSION:
                raise LogError(f"{path} was written by a newer version of this program: update it")
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            if found < _VERSION:
                self._db.executescript(f"BEGIN IMMEDIATE; {_SCHEMA} PRAGMA user_version = {_VERSION}; COMMIT;")

    @contextmanager
    def _plain(self) -> Iterator[None]:
        """Database errors as one line a technician can act on."""
        try:
            yield
        except sqlite3.OperationalError as error:
            text = str(error)
            if "locked" in text or "busy" in text:
                raise LogError(f"{self.path} is locked by another program: close it and try again") from None
            if "full" in text:
                raise LogError(
                    f"no space left for {self.path}: free some space; nothing before this was lost"
                ) from None
            if "readonly" in text or "read-only" in text:
                raise LogError(
                    f"{self.path} cannot be written: check its permissions, or give another with --log"
                ) from None
            raise LogError(f"{self.path} cannot be used ({text}): check the path, or give another with --log") from None
        except sqlite3.DatabaseError as error:
            raise LogError(
                f"{self.path} is no case log or is damaged ({error}): put it aside, or give another with --log"
            ) from None
        except OSError as error:
            raise LogError(
                f"{error.filename or self.path}: {error.strerror or error}: give another log with --log"
            ) from None

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def new_case(self, event: dict[str, Any]) -> str:
        """Begin a case with its `start` event; returns the case's id, such as 261125-k7qx."""
        day = self.clock()[2:10].replace("-", "")
        while True:
            case = f"{day}-{''.join(secrets.choice(_LETTERS) for _ in range(4))}"
            if not self._rows("SELECT 1 FROM event WHERE case_id = ? LIMIT 1", (case,)):
                self.append(case, event, 0)
                return case

    def append(self, case: str, event: dict[str, Any], seq: int) -> None:
        """Write one event as number `seq` of its case (the count of those before it), durably.

        Raises LogError if that number is taken: another console has the case open.
        """
        body = json.dumps(event, sort_keys=True, separators=(",", ":"))
        with self._plain():
            try:
                self._db.execute("BEGIN IMMEDIATE")
                last = self._db.execute(
                    "SELECT seq, hash FROM event WHERE case_id = ? ORDER BY seq DESC LIMIT 1", (case,)
                ).fetchone()
                if (last[0] + 1 if last else 0) != seq:
                    raise LogError(f"case {case} was continued in another console: leave here and resume it")
                prev = last[1] if last else ""
                ident, at = str(uuid.uuid4()), self.clock()
                self._db.execute(
                    "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        case,
                        seq,
                        ident,
                        at,
                        str(event.get("type")),
                        body,
                        prev,
                        _digest(prev, case, seq, ident, at, body),
                    ),
                )
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def _rows(self, sql: str, args: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        with self._plain():
            return self._db.execute(sql, args).fetchall()

    def entries(self, case: str) -> list[Entry]:
        """The events of a case in order; LogError if there is no such case or an event cannot be read."""
        rows = self._rows("SELECT seq, id, at, body FROM event WHERE case_id = ? ORDER BY seq", (case,))
        if not rows:
            raise LogError(f"there is no case {case} in {self.path}: 'advisor cases' lists them")
        try:
            found = [Entry(seq, ident, at, json.loads(body)) for seq, ident, at, body in rows]
        except (ValueError, TypeError):
            found = []
        if not found or not all(isinstance(e.event, dict) and isinstance(e.event.get("type"), str) for e in found):
            raise LogError(f"case {case} holds an event that cannot be read: the log was altered")
        return found

    def find(self, text: str) -> str:
        """The one case whose id is `text`, or begins or ends with it; LogError if none or several."""
        sql = "SELECT DISTINCT case_id FROM event WHERE substr(case_id, 1, ?) = ? OR substr(case_id, -?) = ? LIMIT 6"
        size = max(len(text), 1)
        rows = [str(r[0]) for r in self._rows(sql, (size, text, size, text))]
        if text in rows:
            return text
        if len(rows) == 1:
            return rows[0]
        if rows:
            raise LogError(f"'{text}' fits several cases: {', '.join(rows)}")
        raise LogError(f"there is no case '{text}' in {self.path}: 'advisor cases' lists them")

    def cases(self, limit: int = 50, open_only: bool = False) -> list[CaseSummary]:
        """The newest cases first."""
        out = []
        for case, started in self._rows("SELECT case_id, at FROM event WHERE type = 'start' ORDER BY at DESC, case_id"):
            summary = self._summary(case, started)
            if not (open_only and summary.closed):
                out.append(summary)
            if len(out) >= limit:
                break
        return out

    def _summary(self, case: str, started: str) -> CaseSummary:
        from advisor.session import effective

        events = effective(e.event for e in self.entries(case))
        start = events[0]
        complaint = next((str(e.get("text", "")) for e in events if e.get("type") == "complaint"), "")
        closed: dict[str, Any] | None = None
        for event in events:
            if event.get("type") in ("close", "reopen"):
                closed = event if event["type"] == "close" else None
        return CaseSummary(
            case,
            started,
            start.get("mill"),
            complaint,
            len(events),
            str(closed["how"]) if closed and closed["how"] != "open" else None,
            closed.get("cause") if closed else None,
        )

    def verify(self) -> list[str]:
        """Every altered, missing or reordered event, one line each; empty when the log is sound."""
        problems = []
        case, prev, expected = None, "", 0
        for row_case, seq, ident, at, kind, body, stored_prev, stored in self._rows(
            "SELECT case_id, seq, id, at, type, body, prev, hash FROM event ORDER BY case_id, seq"
        ):
            if row_case != case:
                case, prev, expected = row_case, "", 0
            if seq != expected:
                problems.append(f"case {case}: event {expected} is missing")
            elif stored_prev != prev:
                problems.append(f"case {case}: event {seq} does not follow the one before it")
            sound = isinstance(body, str) and f'"type":{json.dumps(kind)}' in body
            if not sound or _digest(stored_prev, row_case, seq, ident, at, body) != stored:
                problems.append(f"case {case}: event {seq} was altered")
            prev, expected = stored, seq + 1
        return problems


def _digest(prev: str, case: str, seq: int, ident: str, at: str, body: str) -> str:
    text = "\n".join([prev, case, str(seq), ident, at, body])
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
