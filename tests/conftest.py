"""Shared fixtures. Every test writes only below its own temporary folder."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from postgres import Cluster, binaries

from advisor.compiled import Compiled
from advisor.load import load_knowledge, shipped
from advisor.model import Knowledge


@pytest.fixture(scope="session")
def kb() -> Knowledge:
    """The shipped knowledge."""
    return load_knowledge(shipped("knowledge"))


@pytest.fixture(scope="session")
def compiled(kb: Knowledge) -> Compiled:
    """The shipped knowledge, ready to diagnose with."""
    return Compiled(kb)


@pytest.fixture(autouse=True)
def _own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("ADVISOR_LOG", raising=False)


@pytest.fixture(scope="session")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """A PostgreSQL server for the tests alone. Skipped where it is not installed, unless ADVISOR_TEST_ALL=1."""
    folder = binaries()
    if folder is None:
        if os.environ.get("ADVISOR_TEST_ALL") == "1":
            pytest.fail("PostgreSQL is not installed: initdb and pg_ctl are not found")
        pytest.skip("PostgreSQL is not installed")
    server = Cluster(folder)
    try:
        server.start()
        server.fill(tmp_path_factory.mktemp("owner"))
        yield server
    finally:
        server.remove()


@pytest.fixture
def database(cluster: Cluster) -> Iterator[str]:
    """The name of a new database with the tables of a shared log."""
    if not cluster.running():  # a test before this one stopped it
        cluster.start()
    name = cluster.database()
    yield name
    if not cluster.running():
        cluster.start()
    cluster.drop(name)


@pytest.fixture
def url(cluster: Cluster, database: str) -> str:
    """The URL of a new shared log."""
    return cluster.url(database)
