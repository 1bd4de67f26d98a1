"""One look at a log file with the driver alone: the database library takes a third of a second to import, and the first
question should not wait for it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from advisor.store.errors import LogError

__all__ = ["open_cases"]


def open_cases(path: Path, limit: int = 3) -> list[tuple[str, str]]:
    """The newest open cases of a bench's log: (case, complaint). Empty when there is no log yet, or it needs care that
    opening it in full will give or tell of. LogError for a file that is no log at all: better told now than later."""
    if not path.is_file():
        return []
    sql = (
        "SELECT case_id, complaint FROM case_row JOIN writer ON bench = id AND own "
        "WHERE how IS NULL OR how = 'open' ORDER BY begun DESC LIMIT ?"
    )
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=1)) as db:
            return [(str(case), str(complaint)) for case, complaint in db.execute(sql, (limit,))]
    except sqlite3.OperationalError:
        return []
    except sqlite3.DatabaseError as error:
        raise LogError(
            f"{path} is no case log or is damaged ({error}): put it aside, or give another with --log"
        ) from None
