"""One table of events, as the first logs had it (SQLite only)."""

from __future__ import annotations

from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.execute(
        "CREATE TABLE IF NOT EXISTS event (case_id TEXT NOT NULL, seq INTEGER NOT NULL, id TEXT NOT NULL UNIQUE, "
        "at TEXT NOT NULL, type TEXT NOT NULL, body TEXT NOT NULL, prev TEXT NOT NULL, hash TEXT NOT NULL, "
        "PRIMARY KEY (case_id, seq)) WITHOUT ROWID"
    )
    op.execute("CREATE INDEX IF NOT EXISTS event_type ON event (type, at)")
