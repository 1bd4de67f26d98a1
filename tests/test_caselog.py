"""The case log: what is acknowledged is on disk, and whatever is changed afterwards is found."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import advisor
from advisor.caselog import CaseLog, LogError, log_path
from advisor.session import Event

START: Event = {"type": "start", "mill": "A", "knowledge": "k1"}
CHIPS: Event = {"type": "symptom", "symptom": "chips", "present": True}
BLUNT: Event = {"type": "answer", "check": "burr-look", "outcome": "blunt", "typed": "2"}


def note(text: str) -> Event:
    return {"type": "note", "text": text}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "deep" / "cases.db"


@pytest.fixture
def log(path: Path) -> Iterator[CaseLog]:
    times = iter(f"2026-03-0{1 + i // 60}T10:{i % 60:02}:00.000+00:00" for i in range(400))
    opened = CaseLog(path, clock=lambda: next(times))
    yield opened
    opened.close()


def written(log: CaseLog, *events: Event) -> str:
    """A new case of these events after its start."""
    case = log.new_case(START)
    for number, event in enumerate(events, start=1):
        log.append(case, event, number)
    return case


def tamper(path: Path, sql: str, *args: object) -> None:
    """Change the file behind the log's back."""
    with sqlite3.connect(path) as db:
        assert db.execute(sql, args).rowcount > 0
    db.close()


def rows(path: Path, sql: str, *args: object) -> list[tuple[Any, ...]]:
    """What the file holds."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(sql, args).fetchall()


# -- writing and reading ----------------------------------------------------------------------------------------------


def test_events_come_back_as_they_were_written(log: CaseLog) -> None:
    odd = note('Tomas: "½ µm"\n\t→ \U0001f527 \x00 \'); DROP TABLE event; --')
    case = written(log, CHIPS, BLUNT, odd)
    entries = log.entries(case)
    assert [e.event for e in entries] == [START, CHIPS, BLUNT, odd]
    assert [e.seq for e in entries] == [0, 1, 2, 3]
    assert [e.at for e in entries] == sorted(e.at for e in entries)
    assert len({e.id for e in entries}) == 4
    assert log.verify() == []


def test_events_are_there_for_another_opening_at_once(log: CaseLog, path: Path) -> None:
    case = written(log, CHIPS)
    other = CaseLog(path)
    assert [e.event for e in other.entries(case)] == [START, CHIPS]
    other.close()


def test_times_are_utc(path: Path) -> None:
    log = CaseLog(path)
    assert log.entries(log.new_case(START))[0].at.endswith("+00:00")
    log.close()


def test_the_log_writes_ahead_and_waits_for_the_disk(log: CaseLog, path: Path) -> None:
    other = sqlite3.connect(path)
    assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    other.close()
    # `synchronous` belongs to a connection, so the log's own must be asked. 2 is FULL (SQLite documentation, PRAGMA).
    with log.base.read() as db:
        assert db.exec_driver_sql("PRAGMA synchronous").scalar() == 2


def test_cases_do_not_mix(log: CaseLog) -> None:
    first, second = written(log, CHIPS), log.new_case(START)
    log.append(second, note("two"), 1)
    log.append(first, note("one"), 2)
    assert [e.event["type"] for e in log.entries(first)] == ["start", "symptom", "note"]
    assert [e.event["type"] for e in log.entries(second)] == ["start", "note"]
    assert log.verify() == []


def test_a_case_is_found_by_the_beginning_or_the_end_of_its_id(log: CaseLog) -> None:
    case = written(log)
    assert case.startswith("260301-")
    assert log.find(case) == case
    assert log.find(case[:-1]) == case
    assert log.find(case[-4:]) == case
    with pytest.raises(LogError, match="no case 'zzz'"):
        log.find("zzz")
    other = log.new_case(START)
    with pytest.raises(LogError, match="fits several cases") as error:
        log.find("260301")
    assert case in str(error.value)
    assert other in str(error.value)


@pytest.mark.parametrize("wild", ["%", "_", "*"])
def test_wildcards_find_nothing(log: CaseLog, wild: str) -> None:
    written(log)
    with pytest.raises(LogError, match="no case"):
        log.find(wild)


def test_a_case_that_is_not_there_is_told(log: CaseLog, path: Path) -> None:
    with pytest.raises(LogError, match="no case 260301-aaaa") as error:
        log.entries("260301-aaaa")
    assert str(path) in str(error.value)


def test_the_list_has_the_newest_first_with_complaint_and_end(log: CaseLog) -> None:
    first = written(log, {"type": "complaint", "text": "edges"}, {"type": "close", "how": "confirmed", "cause": "worn"})
    second = written(log, {"type": "close", "how": "referred"}, {"type": "undo"})
    third = written(log, {"type": "close", "how": "open"})
    fourth = written(log, {"type": "close", "how": "referred"}, {"type": "reopen"})
    found = log.cases()
    assert [c.case for c in found] == [fourth, third, second, first]
    assert (found[3].mill, found[3].complaint, found[3].closed, found[3].cause) == ("A", "edges", "confirmed", "worn")
    assert [c.case for c in log.cases(open_only=True)] == [fourth, third, second]
    assert [c.case for c in log.cases(limit=1)] == [fourth]


def test_the_path_may_be_given_or_stand_in_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert log_path() == Path(os.environ["ADVISOR_HOME"]) / "cases.db"
    monkeypatch.setenv("ADVISOR_LOG", str(tmp_path / "env.db"))
    assert log_path() == tmp_path / "env.db"
    assert log_path(str(tmp_path / "given.db")) == tmp_path / "given.db"


# -- two consoles -----------------------------------------------------------------------------------------------------


def test_a_case_continued_in_another_console_is_not_overwritten(log: CaseLog, path: Path) -> None:
    case = written(log, CHIPS)
    other = CaseLog(path)
    other.append(case, note("theirs"), 2)
    with pytest.raises(LogError, match="another console"):
        log.append(case, note("ours"), 2)
    other.close()
    assert log.entries(case)[-1].event == note("theirs")
    log.append(case, note("ours"), 3)
    assert log.verify() == []


@pytest.mark.parametrize("number", [0, 1, 3, -1])
def test_a_number_out_of_turn_is_refused(log: CaseLog, number: int) -> None:
    case = written(log, CHIPS)
    with pytest.raises(LogError):
        log.append(case, note("x"), number)
    assert len(log.entries(case)) == 2


def test_a_locked_log_is_told_and_can_be_written_later(
    log: CaseLog, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = written(log)
    log.close()
    monkeypatch.setattr("advisor.store.engine.BUSY_SECONDS", 0.02)  # the log waits ten seconds, a test does not
    log = CaseLog(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(LogError, match="locked by another program"):
        log.append(case, CHIPS, 1)
    other.execute("ROLLBACK")
    other.close()
    log.append(case, CHIPS, 1)
    assert len(log.entries(case)) == 2


# -- tampering --------------------------------------------------------------------------------------------------------


@pytest.fixture
def case(log: CaseLog) -> str:
    written(log, note("a case before"))
    return written(log, CHIPS, BLUNT, note("three"), note("four"))


def test_an_altered_body_is_found(log: CaseLog, path: Path, case: str) -> None:
    tamper(path, "UPDATE event SET body = replace(body, 'blunt', 'sharp') WHERE case_id = ? AND seq = 2", case)
    assert f"case {case}: event 2 is not what was written" in log.verify()


@pytest.mark.parametrize(
    ("column", "value"), [("at", "2020-01-01T00:00:00.000+00:00"), ("id", "x"), ("hash", "0" * 32)]
)
def test_an_altered_column_is_found(log: CaseLog, path: Path, case: str, column: str, value: str) -> None:
    tamper(path, f"UPDATE event SET {column} = ? WHERE case_id = ? AND seq = 2", value, case)
    assert any(f"case {case}: event 2 is not what was written" in p for p in log.verify())


def test_an_altered_type_is_found(log: CaseLog, path: Path, case: str) -> None:
    tamper(path, "UPDATE event SET type = 'hidden' WHERE case_id = ? AND seq = 0", case)
    assert log.verify() == [f"case {case}: event 0 is not what was written"]


def test_an_altered_event_with_a_new_hash_breaks_the_chain(log: CaseLog, path: Path, case: str) -> None:
    (body,) = rows(path, "SELECT body FROM event WHERE case_id = ? AND seq = 3", case)[0]
    (prev, ident, at) = rows(path, "SELECT hash, id, at FROM event WHERE case_id = ? AND seq = 3", case)[0]
    forged = body.replace("three", "3")
    text = "\n".join([prev.hex(), case, "3", ident, at, forged])
    new = hashlib.sha256(text.encode()).digest()
    tamper(path, "UPDATE event SET body = ?, hash = ? WHERE case_id = ? AND seq = 3", forged, new, case)
    found = log.verify()
    assert any("event 3" in p for p in found)
    assert any("journal" in p for p in found)


@pytest.mark.parametrize("seq", [0, 1, 3])
def test_a_missing_event_is_found(log: CaseLog, path: Path, case: str, seq: int) -> None:
    tamper(path, "DELETE FROM event WHERE case_id = ? AND seq = ?", case, seq)
    assert f"case {case}: event {seq} is missing" in log.verify()


@pytest.mark.parametrize("seq", [0, 2])
def test_a_missing_event_is_found_when_the_later_ones_were_moved_up(
    log: CaseLog, path: Path, case: str, seq: int
) -> None:
    tamper(path, "DELETE FROM event WHERE case_id = ? AND seq = ?", case, seq)
    for later in range(seq + 1, 5):
        tamper(path, "UPDATE event SET seq = ? WHERE case_id = ? AND seq = ?", later - 1, case, later)
    assert any(f"case {case}: event {seq}" in p for p in log.verify())


@pytest.mark.parametrize(
    "sql", ["DELETE FROM event WHERE case_id = ? AND seq = 4", "DELETE FROM event WHERE case_id = ?"]
)
def test_a_missing_end_is_found(log: CaseLog, path: Path, case: str, sql: str) -> None:
    tamper(path, sql, case)
    assert log.verify() != []


def test_reordered_events_are_found(log: CaseLog, path: Path, case: str) -> None:
    for old, new in ((2, 99), (3, 2), (99, 3)):
        tamper(path, "UPDATE event SET seq = ? WHERE case_id = ? AND seq = ?", new, case, old)
    found = log.verify()
    assert any("event 2" in p for p in found)
    assert any("event 3" in p for p in found)


def test_an_event_moved_to_another_case_is_found(log: CaseLog, path: Path, case: str) -> None:
    other = log.new_case(START)
    tamper(path, "UPDATE event SET case_id = ?, seq = 1 WHERE case_id = ? AND seq = 4", other, case)
    assert any(f"case {other}: event 1" in p for p in log.verify())


def test_an_inserted_event_is_found(log: CaseLog, path: Path, case: str) -> None:
    tamper(
        path,
        "INSERT INTO event SELECT bench, case_id, writer, 5, month, 99, 'new', at, type, body, hash, journal FROM event "
        "WHERE case_id = ? AND seq = 4",
        case,
    )
    assert f"case {case}: event 5 is not what was written" in log.verify()


def test_only_the_case_that_was_changed_is_named(log: CaseLog, path: Path, case: str) -> None:
    tamper(path, "UPDATE event SET body = '{}' WHERE case_id = ? AND seq = 1", case)
    assert all(case in p for p in log.verify())


@pytest.mark.parametrize("body", ["{", "nonsense", ""])
def test_an_event_that_is_no_longer_readable_is_told(log: CaseLog, path: Path, case: str, body: str) -> None:
    tamper(path, "UPDATE event SET body = ? WHERE case_id = ? AND seq = 1", body, case)
    with pytest.raises(LogError, match="altered"):
        log.entries(case)


def test_a_body_that_is_no_text_is_found(log: CaseLog, path: Path, case: str) -> None:
    tamper(path, "UPDATE event SET body = x'00ff' WHERE case_id = ? AND seq = 1", case)
    assert f"case {case}: event 1 is not what was written" in log.verify()


@pytest.mark.parametrize("body", ["[]", "5", '"text"', "{}"])
def test_a_body_that_is_no_event_is_told(log: CaseLog, path: Path, case: str, body: str) -> None:
    tamper(path, "UPDATE event SET body = ? WHERE case_id = ? AND seq = 1", body, case)
    with pytest.raises(LogError, match="altered"):
        log.entries(case)


def test_an_event_with_broken_characters_is_written_or_refused_in_plain_words(log: CaseLog) -> None:
    try:
        case = written(log, note("\udcff"))
    except LogError:
        return
    assert len(log.entries(case)) == 2


# -- files that are no log --------------------------------------------------------------------------------------------


def test_a_file_that_is_no_database_is_told_and_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "letter.txt"
    file.write_text("Dear Mira, " * 200, "utf-8")
    with pytest.raises(LogError, match="no case log"):
        CaseLog(file)
    assert file.read_text("utf-8").startswith("Dear Mira")


def test_a_directory_is_no_log(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="--log"):
        CaseLog(tmp_path)


def test_a_path_below_a_file_is_no_log(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", "utf-8")
    with pytest.raises(LogError, match="--log"):
        CaseLog(tmp_path / "file" / "cases.db")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o500)
    with pytest.raises(LogError, match="--log"):
        CaseLog(folder / "cases.db")


def test_a_log_of_a_newer_version_is_left_alone(log: CaseLog, path: Path) -> None:
    written(log)
    with sqlite3.connect(path) as db:
        db.execute("UPDATE alembic_version SET version_num = '9999'")
    db.close()
    with pytest.raises(LogError, match="newer version"):
        CaseLog(path)


def test_a_log_opened_again_keeps_its_cases(log: CaseLog, path: Path) -> None:
    case = written(log, CHIPS)
    log.close()
    again = CaseLog(path)
    again.append(case, BLUNT, 2)
    assert len(again.entries(case)) == 3
    assert again.verify() == []
    again.close()


# -- a killed process -------------------------------------------------------------------------------------------------

WRITER = """
import sys
from pathlib import Path
from advisor.caselog import CaseLog
log = CaseLog(Path(sys.argv[1]))
case = log.new_case({"type": "start"})
print(case, flush=True)
number = 0
while True:
    number += 1
    log.append(case, {"type": "note", "text": f"note {number}"}, number)
    print(number, flush=True)
"""


@pytest.mark.parametrize("kill_after", [1, 37])
def test_a_killed_process_loses_nothing_that_was_acknowledged(path: Path, kill_after: int) -> None:
    env = {**os.environ, "PYTHONPATH": str(Path(advisor.__file__).resolve().parent.parent)}
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True, env=env
    ) as writer:
        assert writer.stdout is not None
        case = writer.stdout.readline().strip()
        told = [int(writer.stdout.readline()) for _ in range(kill_after)]
        writer.kill()
        told += [int(line) for line in writer.stdout.read().splitlines(keepends=True) if line.endswith("\n")]
    log = CaseLog(path)
    kept = [e.event["text"] for e in log.entries(case)[1:]]
    assert kept[: told[-1]] == [f"note {n}" for n in told]
    assert len(kept) - told[-1] in (0, 1), "at most one event was written and not yet acknowledged"
    assert log.verify() == []
    log.append(case, note("goes on"), len(kept) + 1)
    log.close()
