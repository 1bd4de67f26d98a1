"""Several benches: who wrote an event, a journal for each writer, rows and readings for review, files.

Events keep their hashes, so what was signed by the old chain stays signed by it. The derived rows are made from them.
"""

from __future__ import annotations

import hashlib
import secrets

from alembic import op
from sqlalchemy import text

revision = "0002"
down_revision = "0001"

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
# As they were in this revision, whatever the tables are now. SQLite only: a shared log begins with this revision.
_TABLES = """
    CREATE TABLE event (bench VARCHAR(16) NOT NULL, case_id TEXT NOT NULL, writer VARCHAR(16) NOT NULL, seq INTEGER
        NOT NULL, month INTEGER NOT NULL, n INTEGER NOT NULL, id VARCHAR(36) NOT NULL, at VARCHAR(29) NOT NULL, type
        VARCHAR(20) NOT NULL, body TEXT NOT NULL, hash BLOB NOT NULL, journal BLOB NOT NULL, PRIMARY KEY (bench,
        case_id, writer, seq, month)) WITHOUT ROWID;
    CREATE INDEX event_diary ON event (at) WHERE type IN ('care', 'produced', 'changed');
    CREATE UNIQUE INDEX event_journal ON event (writer, n, month);
    CREATE TABLE writer (id VARCHAR(16) NOT NULL, name TEXT NOT NULL, n INTEGER NOT NULL, journal BLOB NOT NULL, own
        BOOLEAN NOT NULL, invented BOOLEAN NOT NULL, login TEXT, PRIMARY KEY (id));
    CREATE TABLE case_row (bench VARCHAR(16) NOT NULL, case_id TEXT NOT NULL, month INTEGER NOT NULL, begun
        VARCHAR(29) NOT NULL, mill TEXT, technician TEXT, material TEXT, process TEXT, complaint TEXT NOT NULL, symptoms
        TEXT NOT NULL, how TEXT, cause TEXT, closed VARCHAR(29), first_cause TEXT, first_probability DOUBLE, remedies
        TEXT NOT NULL, remedy TEXT, fixed VARCHAR(29), minutes DOUBLE, blocks DOUBLE, cautions TEXT NOT NULL, reviewed
        TEXT, reviewer TEXT, reviewed_at VARCHAR(29), final_cause TEXT, events INTEGER NOT NULL, knowledge TEXT NOT
        NULL, imported BOOLEAN NOT NULL, PRIMARY KEY (bench, case_id, month));
    CREATE INDEX case_row_begun ON case_row (begun);
    CREATE INDEX case_row_id ON case_row (case_id);
    CREATE INDEX case_row_mill ON case_row (mill, begun);
    CREATE INDEX case_row_open ON case_row (begun) WHERE how IS NULL OR how = 'open';
    CREATE INDEX case_row_unsigned ON case_row (begun) WHERE how <> 'open' AND reviewed IS NULL;
    CREATE TABLE reading (bench VARCHAR(16) NOT NULL, case_id TEXT NOT NULL, series TEXT NOT NULL, month INTEGER NOT
        NULL, begun VARCHAR(29) NOT NULL, at VARCHAR(29) NOT NULL, mill TEXT, value DOUBLE NOT NULL, unit TEXT NOT
        NULL, u DOUBLE, PRIMARY KEY (bench, case_id, series, month));
    CREATE INDEX reading_begun ON reading (begun);
    CREATE INDEX reading_series ON reading (series, mill, begun);
    CREATE TABLE attachment (bench VARCHAR(16) NOT NULL, sha256 VARCHAR(64) NOT NULL, content BLOB NOT NULL, PRIMARY
        KEY (bench, sha256))
"""

_EVENT = (
    "INSERT INTO event (bench, case_id, writer, seq, month, n, id, at, type, body, hash, journal) "
    "VALUES (:bench, :case_id, :bench, :seq, :month, :n, :id, :at, :type, :body, :hash, :journal)"
)


def _journal(prev: bytes, who: str, n: int, own: bytes) -> bytes:
    """The journal after event `n`, as this revision forms it."""
    return hashlib.sha256(prev + f"\n{who}\n{who}\n{n}\n".encode() + own).digest()


def upgrade() -> None:
    db = op.get_bind()
    op.execute("DROP INDEX IF EXISTS event_type")
    op.execute("ALTER TABLE event RENAME TO event_0001")
    for statement in _TABLES.split(";"):
        op.execute(statement)
    who = "".join(secrets.choice(_LETTERS) for _ in range(10))
    n, journal = 0, b""
    # the order in which they were written, as well as the old table tells it
    old = db.execute(text("SELECT case_id, seq, id, at, type, body, hash FROM event_0001 ORDER BY at, case_id, seq"))
    while found := old.fetchmany(500):
        rows = []
        for case, seq, ident, at, kind, body, stored in found:
            own = bytes.fromhex(stored)
            journal = _journal(journal, who, n, own)
            key = {"bench": who, "case_id": case, "seq": seq, "month": int("20" + case[:4]), "n": n}
            rows.append(key | {"id": ident, "at": at, "type": kind, "body": body, "hash": own, "journal": journal})
            n += 1
        db.execute(text(_EVENT), rows)
    db.execute(
        text("INSERT INTO writer (id, name, n, journal, own, invented) VALUES (:id, 'bench', :n, :journal, 1, 0)"),
        {"id": who, "n": n, "journal": journal},
    )
    op.execute("DROP TABLE event_0001")
    op.execute("PRAGMA user_version = 2")
