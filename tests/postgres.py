"""A private PostgreSQL server for the tests: made in a temporary folder, gone afterwards."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import tempfile
from pathlib import Path
from typing import Any

__all__ = ["Cluster", "binaries"]

OWNER = "owner"
MONTHS = ("202609", "202610", "202611", "202612")


def binaries() -> Path | None:
    """The folder of initdb, pg_ctl and postgres; None where PostgreSQL is not installed."""
    found = shutil.which("initdb")
    # a distribution that keeps several versions side by side leaves them out of PATH
    kept = [Path(found).resolve().parent] if found else sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((folder for folder in kept if (folder / "pg_ctl").exists() and (folder / "initdb").exists()), None)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Cluster:
    """A server of its own. Databases are copies of a template that holds the tables of a shared log already."""

    def __init__(self, folder: Path) -> None:
        self.bin = folder
        self.home = Path(tempfile.mkdtemp(prefix="advisor-pg-"))
        self.port = _free_port()
        self.count = 0
        self.partitions: list[str] = []
        # the server refuses to run as root
        self.as_user: dict[str, Any] = {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}
        if self.as_user:
            shutil.chown(self.home, "postgres", "postgres")
        (self.home / "log").touch()
        if self.as_user:
            shutil.chown(self.home / "log", "postgres", "postgres")
        # ICU where it is to be had: most servers order text by a language, not by bytes as SQLite does
        common = ["-D", self.data, "-U", OWNER, "-A", "trust", "-E", "UTF8", "--no-sync", "--no-instructions"]
        icu = ["--locale-provider=icu", "--icu-locale=en-US", "--locale=C"]
        if self._run("initdb", *common, *icu, check=False) != 0:
            self._run("initdb", *common, "--locale=C")
        with (self.home / "data" / "postgresql.conf").open("a", encoding="utf-8") as file:
            file.write(
                f"port = {self.port}\nlisten_addresses = '127.0.0.1'\nunix_socket_directories = '{self.home}'\n"
                "fsync = off\nfull_page_writes = off\nmax_connections = 60\n"
                "autovacuum = off\nshared_buffers = 32MB\nmax_wal_size = 4GB\n"
            )

    @property
    def data(self) -> str:
        """The data folder."""
        return str(self.home / "data")

    def _run(self, program: str, *args: str, check: bool = True) -> int:
        done = subprocess.run(
            [str(self.bin / program), *args], cwd="/", capture_output=True, text=True, timeout=60, **self.as_user
        )
        if check and done.returncode != 0:
            raise RuntimeError(f"{program}: {done.stdout}{done.stderr}{(self.home / 'log').read_text('utf-8')}")
        return done.returncode

    def start(self) -> None:
        """Start it, and wait until it answers."""
        self._run("pg_ctl", "-D", self.data, "-l", str(self.home / "log"), "-w", "start")

    def stop(self, mode: str = "fast") -> None:
        """Stop it: `fast`, or `immediate`, which is what a power cut looks like to it."""
        self._run("pg_ctl", "-D", self.data, "-m", mode, "-w", "stop")

    def running(self) -> bool:
        """Whether it runs."""
        return self._run("pg_ctl", "-D", self.data, "status", check=False) == 0

    def remove(self) -> None:
        """Stop it and clear everything away."""
        pid = self.home / "data" / "postmaster.pid"
        if pid.exists():
            os.kill(int(pid.read_text("utf-8").split()[0]), signal.SIGQUIT)
        shutil.rmtree(self.home, ignore_errors=True)

    def url(self, database: str, login: str = OWNER, port: int | None = None) -> str:
        """The URL of a database."""
        return f"postgresql://{login}@127.0.0.1:{port or self.port}/{database}"

    def sql(self, database: str, *statements: str, login: str = OWNER) -> list[tuple[Any, ...]]:
        """Run statements, each committed at once; returns the rows of the last one."""
        import psycopg

        with psycopg.connect(self.url(database, login), autocommit=True) as db:
            for statement in statements[:-1]:
                db.execute(statement.encode())
            last = db.execute(statements[-1].encode())
            return last.fetchall() if last.description else []

    def fill(self, home: Path) -> None:
        """Make the template, by the program itself. Most partitions of empty months are dropped again: a copy is quick."""
        from advisor.caselog import CaseLog

        kept, os.environ["ADVISOR_HOME"] = os.environ.get("ADVISOR_HOME"), str(home)
        try:
            self.sql("postgres", "CREATE DATABASE tables")
            CaseLog(self.url("tables")).close()
        finally:
            if kept is None:
                del os.environ["ADVISOR_HOME"]
            else:
                os.environ["ADVISOR_HOME"] = kept
        found = "SELECT relname FROM pg_class WHERE relispartition AND relkind = 'r' ORDER BY relname"
        self.partitions = [str(row[0]) for row in self.sql("tables", found)]
        gone = [name for name in self.partitions if not name.endswith("_other") and name[-6:] not in MONTHS]
        self.sql("tables", f"DROP TABLE {', '.join(gone)}")

    def database(self) -> str:
        """A new database with the tables; returns its name."""
        self.count += 1
        name = f"lab{self.count}"
        self.sql("postgres", f"CREATE DATABASE {name} TEMPLATE tables STRATEGY file_copy")
        return name

    def drop(self, name: str) -> None:
        """Drop a database, whoever still uses it."""
        self.sql("postgres", f"DROP DATABASE {name} WITH (FORCE)")
