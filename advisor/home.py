"""Where the user's data and the cache live."""

from __future__ import annotations

import os
from pathlib import Path

from platformdirs import user_cache_dir, user_data_dir

__all__ = ["cache_home", "data_home", "log_path"]

_NAME = "dental-mill-advisor"


def data_home() -> Path:
    """The user's data folder: ADVISOR_HOME, or the platform's own."""
    given = os.environ.get("ADVISOR_HOME")
    return Path(given) if given else Path(user_data_dir(_NAME, appauthor=False))


def cache_home() -> Path:
    """Where parsed knowledge is kept: `cache` in ADVISOR_HOME, or the platform's own cache folder."""
    given = os.environ.get("ADVISOR_HOME")
    return Path(given) / "cache" if given else Path(user_cache_dir(_NAME, appauthor=False))


def log_path(given: str | None = None) -> Path | str:
    """The log: as given, or ADVISOR_LOG, or `cases.db` in the data folder. The URL of a shared log stays text."""
    chosen = given or os.environ.get("ADVISOR_LOG")
    if chosen and "://" in chosen:
        return chosen
    return Path(chosen).expanduser() if chosen else data_home() / "cases.db"
