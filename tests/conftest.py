"""Shared fixtures. Every test writes only below its own temporary folder."""

from __future__ import annotations

from pathlib import Path

import pytest

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
