"""The tables. The same on SQLite and PostgreSQL, where those that grow are partitioned by month.

Every key begins with the bench, and every table that grows carries the month its case began in, so a bench's rows stay
together and a review of a quarter reads three partitions. Only `event` and `writer` are the record; `case_row` and
`reading` are derived from them and can be made again.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Dialect,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    text,
)
from sqlalchemy.dialects.postgresql import TIMESTAMP
from sqlalchemy.types import TypeEngine

__all__ = [
    "GROWING",
    "IN_DIARY",
    "IS_OPEN",
    "IS_UNSIGNED",
    "REVISION",
    "Moment",
    "attachment",
    "case_row",
    "event",
    "metadata",
    "month_of",
    "months_between",
    "reading",
    "writer",
]

REVISION = "0002"
"""The alembic revision these tables stand for."""


class Moment(TypeDecorator[str]):
    """A time as ISO 8601 text in UTC with milliseconds; `timestamptz` on PostgreSQL, text on SQLite."""

    impl = String(29)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        if dialect.name == "postgresql":
            return dialect.type_descriptor(TIMESTAMP(timezone=True, precision=3))
        return dialect.type_descriptor(String(29))

    def process_bind_param(self, value: str | None, dialect: Dialect) -> Any:
        if value is None or dialect.name != "postgresql":
            return value
        return datetime.fromisoformat(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> str | None:
        if value is None or isinstance(value, str):
            return value
        text: str = value.astimezone(UTC).isoformat(timespec="milliseconds")
        return text


metadata = MetaData()
_PARTED: Any = {"postgresql_partition_by": "RANGE (month)"}
# Big integers do not autoincrement and stay plain on SQLite.
_COUNT = BigInteger().with_variant(Integer(), "sqlite")

# What is sorted or searched by its beginning goes by bytes on PostgreSQL too, whatever language the server sorts by.
_ID = String(16).with_variant(String(16, collation="C"), "postgresql")
_KEY = Text().with_variant(Text(collation="C"), "postgresql")

# What the partial indexes hold. A query has to say it in the same words, not with parameters, for SQLite to use them.
IN_DIARY = text("type IN ('care', 'produced', 'changed')")
IS_OPEN = text("how IS NULL OR how = 'open'")
IS_UNSIGNED = text("how <> 'open' AND reviewed IS NULL")

event = Table(
    "event",
    metadata,
    Column("bench", _ID, primary_key=True, comment="the bench the case belongs to"),
    Column("case_id", _KEY, primary_key=True),
    Column("writer", _ID, primary_key=True, comment="the bench or supervisor that wrote it"),
    Column("seq", Integer, primary_key=True, autoincrement=False, comment="place in the writer's chain of this case"),
    Column("month", Integer, primary_key=True, autoincrement=False, comment="month the case began, as 202611"),
    Column("n", _COUNT, nullable=False, comment="place in the writer's whole journal"),
    Column("id", String(36), nullable=False, comment="UUID"),
    Column("at", Moment, nullable=False),
    Column("type", String(20), nullable=False),
    Column("body", Text, nullable=False, comment="the event as canonical JSON: what is hashed"),
    Column("hash", LargeBinary(32), nullable=False, comment="over the event and the hash before it in its chain"),
    Column("journal", LargeBinary(32), nullable=False, comment="over `hash` and the journal before it"),
    Index("event_journal", "writer", "n", "month", unique=True),
    Index(
        "event_diary",
        "at",
        sqlite_where=IN_DIARY,
        postgresql_where=IN_DIARY,
    ),
    sqlite_with_rowid=False,
    **_PARTED,
)

writer = Table(
    "writer",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("name", Text, nullable=False),
    Column("n", _COUNT, nullable=False, comment="events written so far"),
    Column("journal", LargeBinary(32), nullable=False, comment="journal hash of the last of them"),
    Column("own", Boolean, nullable=False, comment="the bench this log belongs to (always false in a shared log)"),
    Column("invented", Boolean, nullable=False, comment="made by `advisor demo`"),
    Column("login", Text, comment="database role that may write for it (shared log)"),
)

case_row = Table(
    "case_row",
    metadata,
    Column("bench", _ID, primary_key=True),
    Column("case_id", _KEY, primary_key=True),
    Column("month", Integer, primary_key=True, autoincrement=False),
    Column("begun", Moment, nullable=False),
    Column("mill", _KEY),
    Column("technician", Text),
    Column("material", Text),
    Column("process", Text),
    Column("complaint", Text, nullable=False),
    Column("symptoms", Text, nullable=False, comment="ids, parted by spaces"),
    Column("how", Text),
    Column("cause", Text, comment="the technician's"),
    Column("closed", Moment),
    Column("first_cause", Text),
    Column("first_probability", Double),
    Column("remedies", Text, nullable=False, comment="remedy:result, parted by spaces"),
    Column("remedy", Text),
    Column("fixed", Moment),
    Column("minutes", Double),
    Column("blocks", Double),
    Column("cautions", Text, nullable=False),
    Column("reviewed", Text),
    Column("reviewer", Text),
    Column("reviewed_at", Moment),
    Column("final_cause", Text),
    Column("events", Integer, nullable=False),
    Column("knowledge", Text, nullable=False),
    Column("imported", Boolean, nullable=False),
    Index("case_row_begun", "begun"),
    Index("case_row_id", "case_id"),
    Index("case_row_mill", "mill", "begun"),
    Index(
        "case_row_open",
        "begun",
        sqlite_where=IS_OPEN,
        postgresql_where=IS_OPEN,
    ),
    Index(
        "case_row_unsigned",
        "begun",
        sqlite_where=IS_UNSIGNED,
        postgresql_where=IS_UNSIGNED,
    ),
    **_PARTED,
)

reading = Table(
    "reading",
    metadata,
    Column("bench", _ID, primary_key=True),
    Column("case_id", _KEY, primary_key=True),
    Column("series", _KEY, primary_key=True),
    Column("month", Integer, primary_key=True, autoincrement=False),
    Column("begun", Moment, nullable=False),
    Column("at", Moment, nullable=False),
    Column("mill", _KEY),
    Column("value", Double, nullable=False),
    Column("unit", Text, nullable=False),
    Column("u", Double),
    Index("reading_begun", "begun"),
    Index("reading_series", "series", "mill", "begun"),
    **_PARTED,
)

attachment = Table(
    "attachment",
    metadata,
    Column("bench", _ID, primary_key=True),
    Column("sha256", String(64), primary_key=True),
    Column("content", LargeBinary, nullable=False),
    comment="files attached to cases, in a shared log; a log file keeps them beside itself",
)

GROWING = (event, case_row, reading)
"""The tables partitioned by month."""


def month_of(case: str) -> int:
    """The month a case began, from its id: 261125-k7qx -> 202611. ValueError when it is no such id."""
    return int("20" + case[:4])


def months_between(since: str | None, until: str | None) -> tuple[int, int]:
    """The months of a span of ISO dates, as 202611; wide open where a bound is not given."""
    first = int(since[:4] + since[5:7]) if since else 0
    last = int(until[:4] + until[5:7]) if until else 999_999
    return first, last
