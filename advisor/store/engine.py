"""Opening a log: the engine, its settings, its version, and every database error as one line that says what to do."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, SQLAlchemyError

from advisor.store.errors import LogError, Unreachable
from advisor.store.schema import GROWING, REVISION, metadata

__all__ = ["Database", "add_partitions"]

BUSY_SECONDS = 10
CONNECT_SECONDS = 5


class Database:
    """A log's database: a SQLite file, or a PostgreSQL database by URL.

    `name` is what messages call it: the path, or the URL without its password.
    """

    def __init__(self, where: Path | str, create: bool = True) -> None:
        """Open it, and bring its tables to this version. LogError when that cannot be."""
        self.path = None if isinstance(where, str) and "://" in where else Path(where)
        self.name = str(where)
        if self.path is None:
            url = _server(str(where))
            self.name = url.render_as_string(hide_password=True)
            self.engine = create_engine(
                url,
                connect_args={"connect_timeout": CONNECT_SECONDS, "application_name": "advisor"},
                pool_pre_ping=True,
            )
        else:
            self.engine = create_engine(
                URL.create("sqlite", database=str(self.path)), connect_args={"timeout": BUSY_SECONDS}
            )
            event.listen(self.engine, "connect", _settle)
            event.listen(self.engine, "begin", _begin)
        with self.plainly():
            if self.path is not None and create:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            self._bring_up()

    @property
    def shared(self) -> bool:
        """True for a server, where several benches write."""
        return self.path is None

    def close(self) -> None:
        """Give the connections back."""
        self.engine.dispose()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that sees one state of the log throughout."""
        with self.plainly(), self.engine.connect() as db:
            yield db

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A transaction: all of it is on disk when the block ends, or none."""
        with self.plainly(), self.engine.connect().execution_options(write=True) as db, db.begin():
            yield db

    @contextmanager
    def plainly(self) -> Iterator[None]:
        """Database errors as one line a technician can act on."""
        try:
            yield
        except DBAPIError as error:
            raise _told(self.name, self.path is None, error) from None
        except SQLAlchemyError as error:
            raise LogError(
                f"{self.name} cannot be used ({error}): check the path, or give another with --log"
            ) from None
        except OSError as error:
            raise LogError(
                f"{error.filename or self.name}: {error.strerror or error}: give another log with --log"
            ) from None

    def _bring_up(self) -> None:
        """Make the tables of a new log; bring those of an older version to this one."""
        with self.engine.connect() as db:
            found = _revision(db)
        if found == REVISION:
            return
        if found is None:
            with self.engine.connect().execution_options(write=True) as db, db.begin():
                if self.shared:
                    db.execute(text("SELECT pg_advisory_xact_lock(7402615)"))
                found = _revision(db)  # another program may have been quicker
                if found is None:
                    metadata.create_all(db)
                    if self.shared:
                        add_partitions(db)
                    db.execute(text("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL PRIMARY KEY)"))
                    db.execute(text("INSERT INTO alembic_version VALUES (:v)"), {"v": REVISION})
                    found = REVISION
        if found != REVISION:
            from advisor.store.upgrade import upgrade

            if not upgrade(self.engine, found):
                raise LogError(f"{self.name} was written by a newer version of this program: update it")


def _revision(db: Connection) -> str | None:
    """The version of the tables; '0001' for a log from before versions were kept; None for an empty database."""
    tables = inspect(db).get_table_names()
    if "alembic_version" in tables:
        return str(db.execute(text("SELECT version_num FROM alembic_version")).scalar())
    if "event" in tables:
        return "0001"
    return None


def _server(where: str) -> URL:
    try:
        url = make_url(where)
    except ArgumentError:
        raise LogError(
            f"'{_bare(where)}' is no database URL: write postgresql://user@host/database, or give the path of a log file"
        ) from None
    if url.get_backend_name() != "postgresql":
        raise LogError(f"'{url.get_backend_name()}' is not served here: a shared log is a PostgreSQL database")
    try:
        import psycopg  # noqa: F401
    except ImportError:
        raise LogError("PostgreSQL needs its driver: pip install 'dental-mill-advisor[postgresql]'") from None
    return url.set(drivername="postgresql+psycopg")


def _bare(where: str) -> str:
    """A URL without what may be a password."""
    head, at, tail = where.rpartition("@")
    return f"{head.partition('://')[0]}://...@{tail}" if at else where


def _settle(connection: sqlite3.Connection, record: Any) -> None:
    """A file's settings: what is acknowledged survives a power cut (WAL with a full sync)."""
    connection.isolation_level = None  # transactions are begun below, not by the driver
    for pragma in (
        f"busy_timeout = {BUSY_SECONDS * 1000}",
        "journal_mode = WAL",
        "synchronous = FULL",
        "cache_size = -16000",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin(db: Connection) -> None:
    # A write takes the lock at once: a transaction that first reads and then writes could find the log changed.
    db.exec_driver_sql("BEGIN IMMEDIATE" if db.get_execution_options().get("write") else "BEGIN")


def _told(name: str, shared: bool, error: DBAPIError) -> LogError:
    """What a database error means at the bench."""
    lines = str(error.orig).strip().splitlines() or [type(error.orig).__name__]
    said = lines[0]
    if shared:
        state = str(getattr(error.orig, "sqlstate", None) or "")
        if state == "42501":
            return LogError(f"{name}: not allowed ({said}): ask for the rights ('advisor log grants' prints them)")
        if state.startswith("53"):
            return LogError(f"{name}: the server is out of space, memory or connections ({said}): tell who runs it")
        if error.connection_invalidated or not state or state[:2] in ("08", "57"):
            return Unreachable(
                f"{name} cannot be reached ({said}): check the network and the server; nothing is lost, try again later"
            )
        return LogError(f"{name}: {said}")
    if "locked" in said or "busy" in said:
        return LogError(f"{name} is locked by another program: close it and try again")
    if "full" in said:
        return LogError(f"no space left for {name}: free some space; nothing before this was lost")
    if "readonly" in said or "read-only" in said:
        return LogError(f"{name} cannot be written: check its permissions, or give another with --log")
    if isinstance(error.orig, sqlite3.OperationalError) and "malformed" not in said:
        return LogError(f"{name} cannot be used ({said}): check the path, or give another with --log")
    return LogError(f"{name} is no case log or is damaged ({said}): put it aside, or give another with --log")


def add_partitions(db: Connection, first: int = 202401, last: int | None = None) -> list[str]:
    """Make the monthly partitions that are missing, and the default one; returns the names of the new ones.

    `last` is by default 36 months after the server's own. A row of no partition's month goes to the default one, so
    nothing is ever refused; a month with rows there already keeps them and gets no partition of its own.
    """
    today = db.execute(text("SELECT to_char(now(), 'YYYYMM')::int")).scalar_one()
    last = last or today + 300
    known = set(inspect(db).get_table_names())
    made = []
    for table in GROWING:
        spare = f"{table.name}_other"
        if spare not in known:
            db.execute(text(f"CREATE TABLE {spare} PARTITION OF {table.name} DEFAULT"))
            made.append(spare)
        for month in range(first, last + 1):
            name = f"{table.name}_{month}"
            if not 1 <= month % 100 <= 12 or name in known:
                continue
            with suppress(DBAPIError), db.begin_nested():
                db.execute(
                    text(f"CREATE TABLE {name} PARTITION OF {table.name} FOR VALUES FROM ({month}) TO ({month + 1})")
                )
                made.append(name)
    return made
