"""Opening a log: the engine, its settings, its version, and every database error as one line that says what to do."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, SQLAlchemyError

from advisor.store.errors import LogError, Unreachable
from advisor.store.schema import GROWING, REVISION, metadata

__all__ = ["Database", "add_partitions"]

BUSY_SECONDS = 10
CONNECT_SECONDS = 5
# A cable pulled in the middle must not hold the bench for the hours that TCP waits by itself.
_WATCH = {"keepalives_idle": 10, "keepalives_interval": 5, "keepalives_count": 3, "tcp_user_timeout": 20_000}


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
            # a password may also stand behind the '?'
            shown = url.set(drivername="postgresql").difference_update_query([k for k in url.query if "pass" in k])
            self.name = shown.render_as_string(hide_password=True)
            self.engine = create_engine(
                url,
                connect_args={"connect_timeout": CONNECT_SECONDS, "application_name": "advisor", **_WATCH},
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
        driver = self.engine.dialect.loaded_dbapi
        try:
            yield
        except (DBAPIError, driver.Error) as error:  # the driver's own where rows are taken from it directly
            raise _told(self.name, self.shared, driver, error) from None
        except SQLAlchemyError as error:
            raise LogError(
                f"{self.name} cannot be used ({error}): check the path, or give another with --log"
            ) from None
        except UnicodeDecodeError:  # text of a damaged page
            raise _damaged(self.name, "letters that are none") from None
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

            try:
                known = upgrade(self.engine, found)
            except (ValueError, TypeError):
                raise LogError(
                    f"{self.name} is damaged and cannot be brought to this version: put a copy back, or give another with --log"
                ) from None
            if not known:
                raise LogError(f"{self.name} was written by a newer version of this program: update it")


def _revision(db: Connection) -> str | None:
    """The version of the tables; '0001' for a log from before versions were kept; None for an empty database."""
    tables = inspect(db)  # asked for one by one: a shared log has hundreds of partitions
    if tables.has_table("alembic_version"):
        return str(db.execute(text("SELECT version_num FROM alembic_version")).scalar())
    return "0001" if tables.has_table("event") else None


def _server(where: str) -> URL:
    try:
        url = make_url(where)
    except (ArgumentError, ValueError):  # the second for a port that is no number
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


_REFUSED = (
    "authentication failed",
    "does not exist",
    "no pg_hba.conf entry",
    "no password supplied",
    "permission denied",
)


def _told(name: str, shared: bool, driver: Any, error: Exception) -> LogError:
    """What a database error means at the bench."""
    cause = getattr(error, "orig", error)
    said = (str(cause).strip().splitlines() or [type(cause).__name__])[0]
    if shared:
        state = str(getattr(cause, "sqlstate", None) or "")
        silent = not state and isinstance(cause, (driver.OperationalError, driver.InterfaceError))
        if state == "42501":
            return LogError(f"{name}: not allowed ({said}): ask for the rights ('advisor log grants' prints them)")
        if state.startswith("53"):
            return LogError(f"{name}: the server is out of space, memory or connections ({said}): tell who runs it")
        if silent and any(word in said for word in _REFUSED):
            return LogError(f"{name} does not let you in ({said}): check the URL, the login and its password")
        if silent or getattr(error, "connection_invalidated", False) or state[:2] in ("08", "57"):
            return Unreachable(
                f"{name} cannot be reached ({said}): check the network and the server; nothing is lost, try again later"
            )
        return LogError(f"{name}: {said}")
    if "locked" in said or "busy" in said:
        return LogError(f"{name} is locked by another program: close it and try again")
    if "full" in said:
        return LogError(f"no space left for {name}: free some space; nothing before this was lost")
    if "I/O error" in said:  # a quota, a network folder, a failing disk
        return LogError(
            f"{name} cannot be read or written ({said}): the disk may be full or failing; nothing before this was lost"
        )
    if "readonly" in said or "read-only" in said:
        return LogError(f"{name} cannot be written: check its permissions, or give another with --log")
    if isinstance(cause, driver.OperationalError) and "malformed" not in said and "decode" not in said:
        return LogError(f"{name} cannot be used ({said}): check the path, or give another with --log")
    return _damaged(name, said)


def _damaged(name: str, said: str) -> LogError:
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
            with suppress(IntegrityError), db.begin_nested():  # the default partition has rows of that month
                db.execute(
                    text(f"CREATE TABLE {name} PARTITION OF {table.name} FOR VALUES FROM ({month}) TO ({month + 1})")
                )
                made.append(name)
    return made
