"""Burr hours out of logged cases: readings that go on rising are one burr, a change that helped is its end."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from advisor.burrlog import CAUSE, CHECK, REMEDY, SETTING, burr_hours
from advisor.caselog import CaseLog
from advisor.cli import main
from advisor.model import Knowledge


@pytest.fixture
def log(tmp_path: Path) -> Iterator[CaseLog]:
    clock = iter(f"2026-11-{day:02d}T08:00:{second:02d}.000000Z" for day in range(1, 29) for second in range(60))
    book = CaseLog(tmp_path / "cases.db", clock=lambda: next(clock))
    yield book
    book.close()


def case(log: CaseLog, mill: str, *events: dict[str, Any]) -> None:
    name = log.new_case({"type": "start", "mill": mill})
    for seq, event in enumerate(events, start=1):
        log.append(name, event, seq)


def hours(value: str, unit: str = "h") -> dict[str, Any]:
    return {"type": "answer", "check": CHECK, "value": value, "unit": unit}


CHANGED = {"type": "remedy", "remedy": REMEDY, "result": "helped"}
IN_VAIN = {"type": "remedy", "remedy": REMEDY, "result": "no-change"}


def test_the_names_it_looks_for_are_in_the_knowledge(kb: Knowledge) -> None:
    assert CHECK in kb.checks
    assert REMEDY in kb.remedies
    assert CAUSE in kb.causes
    assert SETTING in {f.id for f in kb.vocabulary.setting}


def test_rising_readings_are_one_burr_and_a_change_that_helped_ends_it(log: CaseLog) -> None:
    case(log, "A", hours("6"))
    case(log, "A", hours("14"))
    case(log, "A", hours("21"), CHANGED)  # the first burr: worn at 21 h
    case(log, "A", hours("5"))  # the second: still running
    changed, running = burr_hours(log)
    assert (changed, running) == ([21.0], [5.0])


def test_a_burr_changed_in_vain_came_out_sound(log: CaseLog) -> None:
    case(log, "A", hours("9"), IN_VAIN)
    case(log, "A", hours("18"), {"type": "close", "how": "confirmed", "cause": CAUSE})
    case(log, "A", hours("2"))
    changed, running = burr_hours(log)
    assert changed == [18.0]
    assert 2.0 in running


def test_mills_are_kept_apart_and_can_be_picked(log: CaseLog) -> None:
    case(log, "A", hours("20"), CHANGED)
    case(log, "B", hours("1020", "min"), CHANGED)
    assert burr_hours(log) == ([20.0, 17.0], []) or burr_hours(log) == ([17.0, 20.0], [])
    assert burr_hours(log, "B") == ([17.0], [])


def test_the_setting_counts_where_the_check_was_not_asked_and_an_undone_answer_does_not(log: CaseLog) -> None:
    case(log, "A", {"type": "setting", "field": SETTING, "value": "12"}, CHANGED)
    case(log, "B", hours("30"), {"type": "undo"}, CHANGED)
    assert burr_hours(log) == ([12.0], [])


def test_the_command_takes_them_from_the_log(log: CaseLog, capsys: pytest.CaptureFixture[str]) -> None:
    for worn in (14, 18, 22, 17):
        case(log, "A", hours(str(worn)), CHANGED)
    case(log, "A", hours("6"))
    assert main(["calc", "burr-life", "--from-log", "--log", str(log.path)]) == 0
    out = capsys.readouterr().out
    assert "4 burrs changed, 1 still running" in out
    assert "change-by life" in out


def test_a_log_without_changes_says_so(log: CaseLog, capsys: pytest.CaptureFixture[str]) -> None:
    case(log, "A", hours("6"))
    assert main(["calc", "burr-life", "--from-log", "--log", str(log.path)]) == 2
    assert "holds no burr that was changed" in capsys.readouterr().err
