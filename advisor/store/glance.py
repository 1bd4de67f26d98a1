"""One look at a log file with the driver alone: the database library takes a third of a second to import, and the first
question should not wait for it."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from advisor.store.errors import LogError

__all__ = ["Glance", "glance"]

_OPEN = (
    "SELECT case_id, complaint FROM case_row JOIN writer ON bench = id AND own "
    "WHERE how IS NULL OR how = 'open' ORDER BY begun DESC LIMIT 3"
)
_ASKED = (
    "SELECT case_id, (SELECT body FROM event e WHERE e.bench = r.bench AND e.case_id = r.case_id AND e.type = 'review' "
    "ORDER BY e.at DESC LIMIT 1) FROM case_row r JOIN writer ON bench = id AND own "
    "WHERE reviewed = 'asked' ORDER BY begun DESC LIMIT 3"
)


@dataclass(frozen=True)
class Glance:
    """What waits at this bench, newest first: open cases (case, complaint), questions of a supervisor (case, who, what)."""

    unfinished: tuple[tuple[str, str], ...] = ()
    asked: tuple[tuple[str, str, str], ...] = ()


def glance(path: Path) -> Glance:
    """What waits in a bench's log. Nothing when there is no log yet, or it needs care that opening it in full will give
    or tell of. LogError for a file that is no log at all: better told now than later."""
    if not path.is_file():
        return Glance()
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=1)) as db:
            unfinished = tuple((str(case), str(complaint)) for case, complaint in db.execute(_OPEN))
            asked = tuple((str(case), *_question(body)) for case, body in db.execute(_ASKED))
        return Glance(unfinished, asked)
    except sqlite3.OperationalError:
        return Glance()
    except sqlite3.DatabaseError as error:
        raise LogError(
            f"{path} is no case log or is damaged ({error}): put it aside, or give another with --log"
        ) from None


def _question(body: str | None) -> tuple[str, str]:
    try:
        event = json.loads(body or "{}")
        return str(event.get("by") or "The supervisor"), str(event.get("text") or "")
    except (ValueError, AttributeError):
        return "The supervisor", ""
