"""Where cases are kept: the same on SQLite and PostgreSQL; nothing altered goes unfound; an old log is brought up whole."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from postgres import Cluster
from sqlalchemy import create_engine, inspect, text

import advisor
from advisor.caselog import CaseLog, LogError
from advisor.caserow import CaseRow, case_readings, case_row
from advisor.store.schema import metadata
from advisor.store.upgrade import upgrade

Event = dict[str, Any]
START: Event = {"type": "start", "mill": "quay", "technician": "Ines", "knowledge": "k1"}
ROOT = Path(advisor.__file__).resolve().parent.parent


def at(day: int, minute: int = 0) -> str:
    """A time in November 2026."""
    return f"2026-11-{day:02}T{10 + minute // 60:02}:{minute % 60:02}:00.000+00:00"


def told(text_: str) -> Event:
    return {"type": "note", "text": text_}


def whole(day: int, mill: str | None = "quay", technician: str = "Ines", material: str = "zirconia") -> list[Any]:
    """A case from its start to its close, with a reading."""
    events: list[Event] = [
        {"type": "start", "mill": mill, "technician": technician, "knowledge": "k1"},
        {"type": "complaint", "text": "edges crumble"},
        {"type": "setting", "field": "material", "value": material},
        {"type": "symptom", "symptom": "chipped-edges", "present": True},
        {"type": "answer", "check": "air-static", "value": "0,62", "unit": "MPa"},
        {"type": "remedy", "remedy": "new-burr", "result": "helped", "ranking": [["worn-burr", 0.7]]},
        {"type": "proof", "remedy": "new-burr", "passed": True},
        {"type": "close", "how": "confirmed", "cause": "worn-burr", "minutes": 12.5, "blocks": 1},
    ]
    return [(at(day, i), event) for i, event in enumerate(events)]


@pytest.fixture(params=["file", "server"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> Path | str:
    """A new log of each kind."""
    return tmp_path / "cases.db" if request.param == "file" else str(request.getfixturevalue("url"))


@pytest.fixture
def log(where: Path | str) -> Iterator[CaseLog]:
    times = (at(25, i) for i in range(500))
    opened = CaseLog(where, clock=lambda: next(times))
    yield opened
    opened.close()


def tamper(log: CaseLog, *statements: str) -> None:
    """Change the log behind its back, as who owns the file or the database can."""
    engine = create_engine(log.base.engine.url)
    with engine.begin() as db:
        for statement in statements:
            assert db.execute(text(statement)).rowcount > 0, statement
    engine.dispose()


# -- the same on both -------------------------------------------------------------------------------------------------


def test_a_new_log_is_empty(log: CaseLog) -> None:
    assert (log.cases(), log.rows(), log.readings(), log.diary(), log.verify()) == ([], [], [], [], [])


def test_events_come_back_in_order_with_their_times(log: CaseLog) -> None:
    case = log.new_case(START)
    log.append(case, told("one"), 1)
    log.append(case, told("two"), 2)
    assert [(e.seq, e.at, e.event) for e in log.entries(case)] == [
        (0, at(25, 0), START),
        (1, at(25, 1), told("one")),
        (2, at(25, 2), told("two")),
    ]
    assert {e.writer for e in log.entries(case)} == {log.writer}
    assert log.count(case) == 3


ODD = {
    "nul": "a\x00b",
    "lone surrogates": "\ud800 high, \udc00 low",
    "right to left": "\u202eשלום \u200f مرحبا",
    "emoji": "\U0001f9b7\U0001f468\u200d\U0001f527",
    "control": "\x01\x1b[31m\x7f\u2028\x85",
    "quotes": "'); DROP TABLE event; -- \" \\ % _ {}",
    "long": "crumbled edge, " * 70_000,
}


@pytest.mark.parametrize("kind", ODD)
def test_odd_text_is_kept_to_the_letter(log: CaseLog, kind: str) -> None:
    odd = ODD[kind]
    start = {"type": "start", "mill": odd[:40], "technician": odd[:40], "knowledge": "k1"}
    case = log.new_case(start)
    log.append(case, {"type": "complaint", "text": odd}, 1)
    log.append(case, told(odd), 2)
    log.note_diary(odd[:40], {"type": "care", "task": odd})
    assert [e.event for e in log.entries(case)] == [start, {"type": "complaint", "text": odd}, told(odd)]
    assert [r.case for r in log.rows(mill=odd[:40], technician=odd[:40])] == [case]
    assert [(d.mill, d.event["task"]) for d in log.diary(mill=odd[:40])] == [(odd[:40], odd)]
    assert log.verify() == []
    with pytest.raises(LogError):
        log.find(odd)


def test_rows_are_found_by_every_filter(log: CaseLog) -> None:
    cases = [
        whole(3, "quay", "Ines", "zirconia"),
        whole(5, "north", "Ines", "resin"),
        whole(7, "quay", "Tomas", "resin"),
        [(at(9), START)],
    ]
    a, b, c, d = log.write(cases)

    def found(**filters: Any) -> list[str]:
        return [row.case for row in log.rows(**filters)]

    assert found() == [a, b, c, d]
    assert found(mill="quay") == [a, c, d]
    assert found(technician="Ines") == [a, b, d]
    assert found(material="resin") == [b, c]
    assert found(material="resin", mill="quay", technician="Tomas", since="2026-11-01", until="2026-12-01") == [c]
    assert found(since="2026-11-05") == [b, c, d]
    assert found(since=at(5)) == [b, c, d]
    assert found(since=at(5, 1)) == [c, d]
    assert found(until="2026-11-07") == [a, b]
    assert found(until=at(7)) == [a, b]
    assert found(since="2027-01-01") == found(until="2025-01-01") == found(mill="harbour") == []
    assert found(reviewable=True) == [a, b, c]
    log.add(b, {"type": "review", "action": "approve", "by": "Wiebke"})
    assert found(reviewable=True) == [a, c]
    assert log.row(b).reviewed == "approved"


def test_a_span_may_be_given_with_an_offset(log: CaseLog) -> None:
    # 30 November 23:15 UTC is 1 December in Berlin
    (case,) = log.write([[("2026-11-30T23:15:00+00:00", START)]])
    assert [r.case for r in log.rows(since="2026-12-01T00:00+01:00")] == [case]
    assert [r.case for r in log.rows(until="2026-12-01T00:15+01:00")] == []
    assert [r.case for r in log.rows(until="2026-12-01T00:16+01:00")] == [case]
    assert [r.case for r in log.rows("20261130", "20261201")] == [case]


def test_a_time_with_an_offset_is_kept_as_utc(log: CaseLog) -> None:
    start = START | {"begun": "2026-12-01T00:30+02:00"}
    (case,) = log.write([[("2026-12-01T00:45+02:00", start)]])
    assert case.startswith("261130-")
    assert log.entries(case)[0].at == "2026-11-30T22:45:00.000+00:00"
    assert log.row(case).begun == "2026-11-30T22:30:00.000+00:00"
    assert [r.case for r in log.rows("2026-11-30", "2026-12-01")] == [case]
    assert log.verify() == []


def test_a_case_begun_as_the_month_turns_is_found_in_its_month(where: Path | str) -> None:
    times = iter(["2026-11-30T23:59:59.999+00:00", "2026-12-01T00:00:00.000+00:00"])
    log = CaseLog(where, clock=lambda: next(times))
    case = log.new_case(START)
    month = log.row(case).begun[:7]
    assert [r.case for r in log.rows(since=f"{month}-01")] == [case]
    log.close()


@pytest.mark.parametrize("wrong", ["yesterday", "2026-13-01", "", "0001-01-01T00:00+05:00"])
def test_what_is_no_time_is_told(log: CaseLog, wrong: str) -> None:
    with pytest.raises(LogError, match="no date or time"):
        log.write([[(wrong, START)]])
    if wrong:
        for look in (log.rows, log.readings, log.diary):
            with pytest.raises(LogError, match="no date or time"):
                look(since=wrong)  # type: ignore[operator]
    assert log.cases() == []


def test_readings_come_by_series_mill_and_time(log: CaseLog) -> None:
    handles = log.write([whole(9, "quay"), whole(3, "quay"), whole(5, None), whole(4, "Zoë"), whole(4, "north")])
    found = log.readings()
    assert [(r.series, r.mill, r.case) for r in found] == [
        ("air-static", None, handles[2]),
        ("air-static", "Zoë", handles[3]),
        ("air-static", "north", handles[4]),
        ("air-static", "quay", handles[1]),
        ("air-static", "quay", handles[0]),
    ]
    assert (found[0].value, found[0].unit, found[0].at) == (0.62, "MPa", at(5, 4))
    assert [r.case for r in log.readings(mill="quay", series="air-static", since="2026-11-04")] == [handles[0]]
    assert log.readings(series="runout") == []


def test_an_answer_taken_back_takes_its_reading_along(log: CaseLog) -> None:
    case = log.new_case(START)
    log.append(case, {"type": "answer", "check": "air-static", "value": "0.62", "unit": "MPa"}, 1)
    assert len(log.readings()) == 1
    log.append(case, {"type": "undo"}, 2)
    assert log.readings() == []
    assert log.verify() == []


def test_the_diary_of_a_mill(log: CaseLog) -> None:
    log.note_diary("quay", {"type": "changed", "what": "new hose", "by": "Ines"}, "2026-11-20T08:00:00+00:00")
    log.note_diary("quay", {"type": "care", "task": "filter", "by": "Ines"}, "2026-12-01T00:30+02:00")
    log.note_diary("north", {"type": "produced", "from": "2026-11-01", "to": "2026-11-30", "made": 90, "scrapped": 2})
    assert [d.event["type"] for d in log.diary()] == ["changed", "produced", "care"]
    assert [d.at for d in log.diary(mill="quay")] == ["2026-11-20T08:00:00.000+00:00", "2026-11-30T22:30:00.000+00:00"]
    assert [d.event["type"] for d in log.diary(since="2026-11-30", until="2026-12-01")] == ["care"]
    assert log.diary(mill="tide") == []
    assert log.rows() == []
    assert log.cases() == []
    assert log.verify() == []


def test_cases_are_listed_newest_first(log: CaseLog) -> None:
    a, b = log.write([whole(3), [(at(4), START), (at(4, 1), {"type": "complaint", "text": "rings"})]])
    assert [(c.case, c.started, c.mill, c.complaint, c.events, c.closed, c.cause) for c in log.cases()] == [
        (b, at(4), "quay", "rings", 2, None, None),
        (a, at(3), "quay", "edges crumble", 8, "confirmed", "worn-burr"),
    ]
    assert [c.case for c in log.cases(open_only=True)] == [b]
    assert [c.case for c in log.cases(limit=1)] == [b]


def test_a_case_is_found_by_either_end_of_its_id(log: CaseLog) -> None:
    (case,) = log.write([whole(3)])
    for part in (case, case[:6], case[:7], case[:-1], case[-4:], case[-1:]):
        assert log.find(part) == case
    for part in ("", "00", "%", "zzzzzzzzzzzzzzzzzzzz", "x/y", "/"):
        with pytest.raises(LogError, match=f"'{part}'"):
            log.find(part)


def test_whole_cases_are_written_all_or_none(log: CaseLog) -> None:
    good = whole(3)
    with pytest.raises(LogError):
        log.write([good, [("no time", START)]])
    with pytest.raises(TypeError):
        log.write([good, [(at(3), START | {"mill": object()})]])
    assert log.cases() == []
    assert log.readings() == []
    assert log.verify() == []
    assert len(log.write([good, whole(4)])) == 2
    assert log.verify() == []


@pytest.mark.parametrize("case", ["261125-zzzz", "rubbish", "", "nobody/261125-zzzz"])
def test_nothing_is_added_to_a_case_that_is_not_there(log: CaseLog, case: str) -> None:
    for attempt in (lambda: log.add(case, told("x")), lambda: log.append(case, told("x"), 3), lambda: log.row(case)):
        with pytest.raises(LogError, match="no case"):
            attempt()
    assert log.cases() == []


def test_each_row_is_what_its_events_say(log: CaseLog) -> None:
    chance = random.Random(3)
    for _ in range(25):
        day = chance.randrange(1, 20)
        events = whole(day, chance.choice(["quay", "north", None]))[: chance.randrange(1, 9)]
        (case,) = log.write([events])
        if chance.random() < 0.5:
            log.add(case, {"type": "review", "action": chance.choice(["approve", "ask", "comment"]), "by": "Wiebke"})
    rows = log.rows()
    assert len(rows) == 25
    readings = []
    for row in rows:
        pairs = [(e.at, e.event) for e in log.entries(log.handle(row))]
        assert row == case_row(row.bench, row.case, pairs)
        readings += case_readings(row.bench, row.case, row.mill, pairs)
    assert sorted(map(repr, log.readings())) == sorted(map(repr, readings))
    before = (rows, log.readings())
    assert log.rebuild() == 25
    assert (log.rows(), log.readings()) == before


# -- several benches in one log ---------------------------------------------------------------------------------------


def bench(url: str, home: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> CaseLog:
    """A shared log as the user of this data folder sees it."""
    monkeypatch.setenv("ADVISOR_HOME", str(home))
    home.mkdir(exist_ok=True)
    (home / "settings.json").write_text(json.dumps({"bench": name}), "utf-8")
    log = CaseLog(url, clock=lambda: at(25))
    case = log.new_case(START)
    with log.base.write() as db:  # two benches may draw the same four letters
        for table in ("event", "case_row"):
            db.execute(text(f"UPDATE {table} SET case_id = '261125-same' WHERE case_id = '{case}'"))
    return log


def test_two_benches_with_the_same_case_id(url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one = bench(url, tmp_path / "one", "window", monkeypatch)
    two = bench(url, tmp_path / "two", "door", monkeypatch)
    with pytest.raises(LogError, match=r"fits several cases: .*261125-same"):
        one.find("same")
    assert one.find("261125-same") == "261125-same"
    assert two.find("261125-same") == "261125-same"
    assert two.find("window/same") == "window/261125-same"
    assert [c.case for c in two.cases()] in (
        ["261125-same", "window/261125-same"],
        ["window/261125-same", "261125-same"],
    )
    two.add("window/261125-same", told("from the door"))
    assert [e.event["type"] for e in one.entries("261125-same")] == ["start", "note"]
    assert [e.event["type"] for e in two.entries("261125-same")] == ["start"]
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "three"))
    office = CaseLog(url)
    with pytest.raises(LogError, match="fits several") as error:
        office.find("same")
    assert "window/261125-same" in str(error.value)
    assert "door/261125-same" in str(error.value)
    for handle in ("window/261125-same", "door/261125-same"):
        assert office.find(handle) == handle
    for log in (one, two, office):
        log.close()


def test_benches_of_the_same_name_are_told_apart(url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one = bench(url, tmp_path / "one", "bench", monkeypatch)
    two = bench(url, tmp_path / "two", "bench", monkeypatch)
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "three"))
    office = CaseLog(url)
    handles = sorted(c.case for c in office.cases())
    assert handles == sorted([f"{one.writer}/261125-same", f"{two.writer}/261125-same"])
    for handle in handles:
        assert office.handle(office.row(handle)) == handle
    for log in (one, two, office):
        log.close()


def test_a_new_shared_log_has_a_partition_for_each_month_to_come(cluster: Cluster) -> None:
    for table in ("event", "case_row", "reading"):
        names = [name for name in cluster.partitions if name.startswith(table)]
        months = [name[-6:] for name in names if not name.endswith("_other")]
        assert f"{table}_other" in names
        assert len(months) >= 36 + 12
        assert months == sorted(months)
        assert "202611" in months


def test_a_month_without_a_partition_is_kept_as_well(url: str) -> None:
    log = CaseLog(url)
    (case,) = log.write([[("2019-02-03T10:00:00+00:00", START)]])
    assert log.rows("2019-02-01", "2019-03-01")[0].case == case
    assert log.verify() == []
    log.close()


# -- tampering --------------------------------------------------------------------------------------------------------


@pytest.fixture
def three(log: CaseLog) -> list[str]:
    return log.write([whole(3), whole(4, "north"), whole(5)])


MIDDLE = "case_id = '{1}' AND seq = 4"
TAMPERINGS = {
    "a body": ["UPDATE event SET body = replace(body, '0,62', '0,71') WHERE " + MIDDLE],
    "a time": ["UPDATE event SET at = '2026-11-04T10:04:01.000+00:00' WHERE " + MIDDLE],
    "a type": ["UPDATE event SET type = 'note' WHERE " + MIDDLE],
    "a hash": ["UPDATE event SET hash = journal WHERE " + MIDDLE],
    "a journal hash": ["UPDATE event SET journal = hash WHERE " + MIDDLE],
    "a writer": ["UPDATE event SET writer = 'nobody' WHERE " + MIDDLE],
    "a bench": ["UPDATE event SET bench = 'nobody' WHERE case_id = '{1}'"],
    "a missing event": ["DELETE FROM event WHERE " + MIDDLE],
    "a missing first event": ["DELETE FROM event WHERE case_id = '{1}' AND seq = 0"],
    "a case cut short": ["DELETE FROM event WHERE case_id = '{1}' AND seq > 4"],
    "a case taken out": ["DELETE FROM event WHERE case_id = '{1}'"],
    "a case taken out with its row": [
        f"DELETE FROM {table} WHERE case_id = '{{1}}'" for table in ("event", "case_row", "reading")
    ],
    "the last case taken out": [
        f"DELETE FROM {table} WHERE case_id = '{{2}}'" for table in ("event", "case_row", "reading")
    ],
    "the end of the log with its count": ["DELETE FROM event WHERE case_id = '{2}'", "UPDATE writer SET n = n - 8"],
    "everything": ["DELETE FROM event"],
    "two events in the other order": [
        "UPDATE event SET seq = 99 WHERE case_id = '{1}' AND seq = 4",
        "UPDATE event SET seq = 4 WHERE case_id = '{1}' AND seq = 3",
        "UPDATE event SET seq = 3 WHERE case_id = '{1}' AND seq = 99",
    ],
    "two cases in the other order": [
        "UPDATE event SET n = n + 100 WHERE case_id = '{0}'",
        "UPDATE event SET n = n - 8 WHERE case_id = '{1}'",
        "UPDATE event SET n = n - 92 WHERE case_id = '{0}'",
    ],
    "the head of the journal": ["UPDATE writer SET n = n + 1"],
    "the hash of the head": ["UPDATE writer SET journal = (SELECT hash FROM event WHERE " + MIDDLE + ")"],
    "a row": ["UPDATE case_row SET reviewed = 'approved' WHERE case_id = '{1}'"],
    "a cause in a row": ["UPDATE case_row SET final_cause = 'other' WHERE case_id = '{1}'"],
    "a missing row": ["DELETE FROM case_row WHERE case_id = '{1}'"],
    "a reading": ["UPDATE reading SET value = 0.71 WHERE case_id = '{1}'"],
    "a missing reading": ["DELETE FROM reading WHERE case_id = '{1}'"],
    "a row without a case": ["UPDATE case_row SET case_id = '261104-zzzz' WHERE case_id = '{1}'"],
    "a row of another bench": ["UPDATE case_row SET bench = 'nobody' WHERE case_id = '{1}'"],
    "a reading without a case": ["UPDATE reading SET case_id = '261104-zzzz' WHERE case_id = '{1}'"],
}


def test_what_was_altered_is_found(log: CaseLog, three: list[str]) -> None:
    assert log.verify() == []
    tables = ("event", "writer", "case_row", "reading")
    for table in tables:
        _execute(log, f"CREATE TABLE kept_{table} AS SELECT * FROM {table}")
    for what, statements in TAMPERINGS.items():
        tamper(log, *(s.format(*three) for s in statements))
        found = log.verify()
        assert found, what
        assert all(line.startswith(("case ", "journal of ")) and "\n" not in line for line in found), found
        _execute(log, *(f"DELETE FROM {table}" for table in tables))
        _execute(log, *(f"INSERT INTO {table} SELECT * FROM kept_{table}" for table in tables))
        assert log.verify() == []


def _execute(log: CaseLog, *statements: str) -> None:
    with log.base.write() as db:
        for statement in statements:
            db.execute(text(statement))


def test_rows_that_were_altered_are_made_anew(log: CaseLog, three: list[str]) -> None:
    before = (log.rows(), log.readings())
    tamper(log, "UPDATE case_row SET final_cause = 'other'", "DELETE FROM reading")
    tamper(log, f"UPDATE case_row SET case_id = '261104-zzzz' WHERE case_id = '{three[1]}'")
    assert len(log.verify()) == 4
    assert log.rebuild() == 3
    assert (log.rows(), log.readings()) == before
    assert log.verify() == []


def test_a_review_that_passes_itself_off_as_a_note_is_found(log: CaseLog, three: list[str]) -> None:
    """The rights of a shared log go by the column `type`; what an event says must be of that type."""
    from advisor.caselog import event_hash, journal_hash

    body = json.dumps({"action": "approve", "by": "x", "in": {"type": "note"}, "type": "review"}, separators=(",", ":"))
    with log.base.write() as db:
        sql = f"SELECT hash FROM event WHERE case_id = '{three[2]}' AND seq = 7"
        prev = bytes(db.execute(text(sql)).scalar_one())
        n, journal = db.execute(text("SELECT n, journal FROM writer")).one()
        own = event_hash(prev, three[2], 8, "x", at(6), body)
        head = journal_hash(bytes(journal), log.writer, log.writer, n, own)
        insert = (
            "INSERT INTO event (bench, case_id, writer, seq, month, n, id, at, type, body, hash, journal) "
            f"VALUES ('{log.writer}', '{three[2]}', '{log.writer}', 8, 202611, {n}, 'x', '{at(6)}', 'note', :b, :h, :j)"
        )
        db.execute(text(insert), {"b": body, "h": own, "j": head})
        db.execute(text("UPDATE writer SET n = n + 1, journal = :j"), {"j": head})
    assert log.verify() == [f"case {three[2]}: event 8 is not what was written"]
    with pytest.raises(LogError, match="altered"):
        log.entries(three[2])


# -- any sequence of events -------------------------------------------------------------------------------------------

_WORD = st.sampled_from(["worn-burr", "loose-collet", "low-air", "x", "ä\x00\ud800"])
_TIME = st.datetimes(datetime(2020, 1, 1), datetime(2029, 12, 31)).map(lambda when: when.isoformat())
_NUMBER = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True), st.integers(), _WORD)
_RANKING = st.lists(st.tuples(_WORD, st.floats(0, 1)).map(list), max_size=2)
_EVENT = st.one_of(
    st.builds(lambda x: {"type": "complaint", "text": x}, st.text(max_size=20)),
    st.builds(
        lambda f, v: {"type": "setting", "field": f, "value": v},
        st.sampled_from(["material", "process", "hours"]),
        _NUMBER,
    ),
    st.builds(lambda s, p: {"type": "symptom", "symptom": s, "present": p}, _WORD, st.booleans()),
    st.builds(
        lambda c, v, r: {"type": "answer", "check": c, "value": v, "unit": "MPa", "ranking": r},
        _WORD,
        st.one_of(st.none(), st.floats(-1e9, 1e9).map(repr), st.text(max_size=5)),
        _RANKING,
    ),
    st.builds(lambda c: {"type": "skip", "check": c}, _WORD),
    st.builds(
        lambda r, x, k: {"type": "remedy", "remedy": r, "result": x, "ranking": k},
        _WORD,
        st.sampled_from(["helped", "no-change", "worse"]),
        _RANKING,
    ),
    st.builds(lambda r, p: {"type": "proof", "remedy": r, "passed": p}, _WORD, st.booleans()),
    st.builds(lambda x: {"type": "note", "text": x}, st.text(max_size=20)),
    st.builds(lambda c: {"type": "acknowledge", "caution": c}, _WORD),
    st.builds(
        lambda h, c, m, b: {"type": "close", "how": h, "cause": c, "minutes": m, "blocks": b},
        st.sampled_from(["confirmed", "fixed-unproven", "referred", "open"]),
        st.one_of(st.none(), _WORD),
        _NUMBER,
        _NUMBER,
    ),
    st.builds(
        lambda a, c: {"type": "review", "action": a, "cause": c, "by": "Wiebke"},
        st.sampled_from(["approve", "correct", "ask", "comment"]),
        _WORD,
    ),
    st.sampled_from([{"type": "reopen"}, {"type": "undo"}]),
)
_CASE = st.tuples(
    st.builds(
        lambda m, b, i: (
            {"type": "start", "mill": m, "technician": m}
            | ({"begun": b} if b else {})
            | ({"imported": True} if i else {})
        ),
        st.one_of(st.none(), st.text(max_size=8)),
        st.one_of(st.none(), _TIME),
        st.booleans(),
    ),
    st.lists(st.tuples(_TIME, _EVENT), max_size=8),
    _TIME,
)


def _plain(event: Event) -> str:
    """An event as text: not-a-number is equal to itself there."""
    return json.dumps(event, sort_keys=True)


@pytest.fixture(scope="module")
def pair(cluster: Cluster, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[CaseLog, CaseLog]]:
    """A log of each kind that stays open for many examples."""
    if not cluster.running():
        cluster.start()
    home, name = tmp_path_factory.mktemp("pair"), cluster.database()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ADVISOR_HOME", str(home))
        logs = CaseLog(home / "cases.db"), CaseLog(cluster.url(name))
        yield logs
    for log in logs:
        log.close()
    cluster.drop(name)


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.generate],  # what fails is small already, and making it smaller takes minutes
    suppress_health_check=list(HealthCheck),
)
@given(given_case=_CASE)
def test_any_case_reads_the_same_from_both(pair: tuple[CaseLog, CaseLog], given_case: Any) -> None:
    start, more, when = given_case
    seen: list[tuple[Any, ...]] = []
    for log in pair:
        (case,) = log.write([[(when, start), *more]])
        entries = log.entries(case)
        given_events = [start, *(event for _, event in more)]
        assert [_plain(e.event) for e in entries] == [_plain(event) for event in given_events]
        row = log.row(case)
        made = case_row(row.bench, row.case, [(e.at, e.event) for e in entries])
        same = {name: getattr(row, name) for name in CaseRow.__slots__ if name not in ("bench", "case")}
        assert row.begun[:19] == made.begun[:19]
        assert (row.how, row.reviewed, row.events, row.minutes) == (made.how, made.reviewed, made.events, made.minutes)
        readings = [(r.series, r.at, r.value, r.unit, r.u) for r in log.readings(mill=row.mill) if r.case == row.case]
        seen.append((same, readings, [e.at for e in entries]))
        assert log.verify() == [], [e.event for e in entries]
        with log.base.write() as db:  # the next example has an empty log again
            for table in ("event", "case_row", "reading", "writer"):
                db.execute(text(f"DELETE FROM {table} WHERE true"))
            if not log.base.shared:
                sql = "INSERT INTO writer (id, name, n, journal, own, invented) VALUES (:w, 'bench', 0, x'', 1, 0)"
                db.execute(text(sql), {"w": log.writer})
    assert seen[0] == seen[1]


# -- a log of the first version ---------------------------------------------------------------------------------------


def first_version(path: Path, cases: int = 3) -> list[tuple[Any, ...]]:
    """A log as the first version of the program wrote it; returns (case, seq, id, at, body, hash)."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = []
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript(
            "CREATE TABLE event (case_id TEXT NOT NULL, seq INTEGER NOT NULL, id TEXT NOT NULL UNIQUE, at TEXT NOT NULL, "
            "type TEXT NOT NULL, body TEXT NOT NULL, prev TEXT NOT NULL, hash TEXT NOT NULL, PRIMARY KEY (case_id, seq)) "
            "WITHOUT ROWID; CREATE INDEX event_type ON event (type, at); PRAGMA user_version = 1; PRAGMA journal_mode = WAL"
        )
        for number in range(cases):
            case, prev = f"26110{number % 9 + 1}-a{number:03}", ""
            for seq, (when, event) in enumerate(whole(number % 9 + 1)):
                ident, body = f"id-{case}-{seq}", json.dumps(event, sort_keys=True, separators=(",", ":"))
                own = hashlib.sha256("\n".join([prev, case, str(seq), ident, when, body]).encode()).hexdigest()
                kind = event["type"]
                db.execute(
                    "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (case, seq, ident, when, kind, body, prev, own)
                )
                rows.append((case, seq, ident, when, body, own))
                prev = own
        db.commit()
    return rows


def held(path: Path) -> list[tuple[Any, ...]]:
    """The events of a file of this version, as `first_version` tells them."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(
            "SELECT case_id, seq, id, at, body, lower(hex(hash)) FROM event ORDER BY case_id, seq"
        ).fetchall()


def shape(path: Path) -> dict[str, Any]:
    """Tables, columns, keys and indexes of a file."""
    engine = create_engine(f"sqlite:///{path}")
    found = inspect(engine)
    out = {}
    for table in sorted(found.get_table_names()):
        columns = [(c["name"], str(c["type"]), c["nullable"], c["primary_key"]) for c in found.get_columns(table)]
        indexes = sorted(
            (i["name"], i["column_names"], i["unique"], str(i.get("dialect_options", {}).get("sqlite_where")))
            for i in found.get_indexes(table)
        )
        with engine.connect() as db:
            rowid = "WITHOUT ROWID" in str(
                db.execute(text("SELECT sql FROM sqlite_master WHERE name = :t"), {"t": table}).scalar()
            )
        out[table] = (columns, found.get_pk_constraint(table)["constrained_columns"], indexes, rowid)
    engine.dispose()
    return out


def test_a_log_of_the_first_version_keeps_every_event_and_hash(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    rows = first_version(path)
    log = CaseLog(path)
    assert held(path) == rows
    assert log.verify() == []
    assert [(r.case, r.how, r.final_cause) for r in log.rows()] == [
        (f"26110{n}-a00{n - 1}", "confirmed", "worn-burr") for n in (1, 2, 3)
    ]
    assert len(log.readings()) == 3
    log.append(rows[0][0], told("goes on"), 8)
    assert log.verify() == []
    log.close()
    again = CaseLog(path)
    assert (again.writer, len(again.rows()), again.verify()) == (log.writer, 3, [])
    again.close()


def test_an_empty_log_of_the_first_version_is_brought_up(tmp_path: Path) -> None:
    first_version(tmp_path / "old.db", cases=0)
    log = CaseLog(tmp_path / "old.db")
    log.append(log.new_case(START), told("x"), 1)
    assert log.verify() == []
    log.close()


def test_a_log_brought_up_is_built_like_a_new_one(tmp_path: Path) -> None:
    first_version(tmp_path / "old.db")
    for name in ("old.db", "new.db"):
        CaseLog(tmp_path / name).close()
    assert shape(tmp_path / "old.db") == shape(tmp_path / "new.db")
    assert set(shape(tmp_path / "new.db")) == {*metadata.tables, "alembic_version"}


def test_an_altered_log_of_the_first_version_is_brought_up_and_found_out(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    rows = first_version(path)
    with sqlite3.connect(path) as db:
        db.execute("UPDATE event SET body = replace(body, '0,62', '0,71') WHERE case_id = ? AND seq = 4", (rows[8][0],))
    db.close()
    log = CaseLog(path)
    assert log.verify() == [f"case {rows[8][0]}: event 4 is not what was written"]
    log.close()


@pytest.mark.parametrize("column", ["hash = 'no hash'", "case_id = 'rubbish'"])
def test_a_damaged_log_of_the_first_version_is_left_as_it_was(tmp_path: Path, column: str) -> None:
    path = tmp_path / "old.db"
    rows = first_version(path)
    with sqlite3.connect(path) as db:
        db.execute(f"UPDATE event SET {column} WHERE case_id = ? AND seq = 4", (rows[8][0],))
    db.close()
    with pytest.raises(LogError, match="damaged"):
        CaseLog(path)
    assert _is_first(path, len(rows))


def _is_first(path: Path, events: int) -> bool:
    """Whether a file is a log of the first version still, with so many events."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        tables = {str(row[0]) for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        kept = db.execute("SELECT count(*) FROM event WHERE prev IS NOT NULL").fetchone()[0]
        return tables == {"event"} and kept == events and db.execute("PRAGMA user_version").fetchone()[0] == 1


def test_an_upgrade_that_fails_anywhere_leaves_the_old_log(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    rows = first_version(path)
    engine = create_engine(f"sqlite:///{path}")
    reached = 0
    from sqlalchemy import event as hook

    from advisor.store import engine as opening

    hook.listen(engine, "connect", opening._settle)
    hook.listen(engine, "begin", opening._begin)
    for fail_at in range(1, 60):
        done = 0

        def count(*args: Any, last: int = fail_at) -> None:
            nonlocal done
            done += 1
            if done == last:
                raise KeyboardInterrupt

        hook.listen(engine, "before_cursor_execute", count)
        try:
            upgrade(engine, "0001")
        except KeyboardInterrupt:
            reached += 1
            assert _is_first(path, len(rows)), fail_at
        else:
            break
        finally:
            hook.remove(engine, "before_cursor_execute", count)
    engine.dispose()
    assert reached > 20
    log = CaseLog(path)
    assert held(path) == rows
    assert log.verify() == []
    log.close()


KILLED = """
import os, signal, sys
from pathlib import Path
from sqlalchemy import event
from sqlalchemy.engine import Engine
from advisor.caselog import CaseLog
left = int(sys.argv[2])
@event.listens_for(Engine, "after_cursor_execute")
def stop(*args):
    global left
    left -= 1
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
CaseLog(Path(sys.argv[1]))
print("opened")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
@pytest.mark.parametrize("after", [14, 24, 33])
def test_an_upgrade_that_is_killed_leaves_a_usable_log(tmp_path: Path, after: int) -> None:
    path = tmp_path / "old.db"
    rows = first_version(path)
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(path), str(after)], env=env, capture_output=True, check=False
    )
    assert done.returncode == -9
    log = CaseLog(path)
    assert held(path) == rows
    assert log.verify() == []
    assert len(log.rows()) == 3
    log.close()


def test_readings_of_a_day_are_taken_together_as_their_mean(log: CaseLog) -> None:
    """Against the plain readings, grouped here."""
    for day, values in (("01", ("0.5", "0.7")), ("02", ("0.6",))):
        for hour, value in enumerate(values):
            at = f"2026-03-{day}T1{hour}:00:00.000+00:00"
            answer = {"type": "answer", "check": "air-static", "value": value, "unit": "MPa"}
            log.write([[(at, {"type": "start", "mill": "north"}), (at, answer)]])
    assert log.count_readings() == len(log.readings()) == 3
    assert log.count_readings(mill="quay") == 0
    daily = log.daily_readings(since="2026-03-01", until="2026-03-31", mill="north")
    assert [(r.series, r.mill, r.at[:10], r.unit) for r in daily] == [
        ("air-static", "north", "2026-03-01", "MPa"),
        ("air-static", "north", "2026-03-02", "MPa"),
    ]
    assert [r.value for r in daily] == pytest.approx([0.6, 0.6])
    assert daily[0].case in {r.case for r in log.readings()}
