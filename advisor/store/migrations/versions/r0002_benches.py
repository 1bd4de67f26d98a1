"""Several benches: who wrote an event, a journal for each writer, rows and readings for review, files.

Events keep their hashes, so what was signed by the old chain stays signed by it. The derived rows are made from them.
"""

from __future__ import annotations

import secrets

from alembic import op
from sqlalchemy import text

revision = "0002"
down_revision = "0001"

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


def upgrade() -> None:
    from advisor.caselog import journal_hash
    from advisor.store import schema as t

    db = op.get_bind()
    op.execute("DROP INDEX IF EXISTS event_type")
    op.execute("ALTER TABLE event RENAME TO event_0001")
    t.metadata.create_all(db)
    who = "".join(secrets.choice(_LETTERS) for _ in range(10))
    n, journal = 0, b""
    # the order in which they were written, as well as the old table tells it
    old = db.execute(text("SELECT case_id, seq, id, at, type, body, hash FROM event_0001 ORDER BY at, case_id, seq"))
    while found := old.fetchmany(500):
        rows = []
        for case, seq, ident, at, kind, body, stored in found:
            own = bytes.fromhex(stored)
            journal = journal_hash(journal, who, who, n, own)
            key = {"bench": who, "case_id": case, "writer": who, "seq": seq, "month": t.month_of(case), "n": n}
            rows.append(key | {"id": ident, "at": at, "type": kind, "body": body, "hash": own, "journal": journal})
            n += 1
        db.execute(t.event.insert(), rows)
    values = {"id": who, "name": "bench", "n": n, "journal": journal, "own": True, "invented": False}
    db.execute(t.writer.insert().values(**values))
    op.execute("DROP TABLE event_0001")
    op.execute("PRAGMA user_version = 2")
