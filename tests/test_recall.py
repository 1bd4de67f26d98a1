"""What the log tells of a mill: the same complaint before, whether its fix held, what was changed, usual readings."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from advisor.caselog import CaseLog
from advisor.caserow import CaseRow, DiaryEntry, Reading
from advisor.model import Knowledge
from advisor.recall import Memory, recall, told, usual

NOW = datetime(2026, 11, 25, 10, tzinfo=UTC)


def ago(days: float) -> str:
    return (NOW - timedelta(days=days)).isoformat(timespec="milliseconds")


def before(case: str, days: float, fixed: float | None = None, **more: Any) -> CaseRow:
    """A case begun so many days ago, fixed so many days ago."""
    values: dict[str, Any] = {"mill": "quay", "symptoms": ("chips",), "how": "confirmed", "final_cause": "burr-worn"}
    if fixed is not None:
        values |= {"fixed": ago(fixed), "remedy": "change-burr", "remedies": (("change-burr", "helped"),)}
    return CaseRow("b", case, ago(days), **(values | more))


def known(rows: Iterable[CaseRow], diary: Iterable[DiaryEntry] = (), symptoms: Iterable[str] = ("chips",)) -> Any:
    return recall(list(rows), diary, "quay", symptoms, NOW.isoformat(), 30)


def test_only_the_same_complaint_on_the_same_mill_counts() -> None:
    rows = [
        before("a", 400),
        before("b", 50, symptoms=("rings",)),
        before("c", 40, mill="north"),
        before("d", 30, symptoms=("rings", "chips")),
        before("later", -1),
    ]
    found = known(rows)
    assert (found.count, [b.case for b in found.before]) == (2, ["d", "a"])
    assert known(rows, symptoms=("rings",)).count == 2
    assert known(rows, symptoms=()).count == 0


def test_the_newest_are_shown_and_all_are_counted() -> None:
    found = known([before(f"c{days}", days) for days in range(40, 50)])
    assert found.count == 10
    assert [b.case for b in found.before] == ["c40", "c41", "c42"]


@pytest.mark.parametrize(
    ("rows", "held"),
    [
        ([before("a", 100, 99)], True),  # nothing came back within 30 days
        ([before("a", 100, 99), before("b", 80)], False),  # came back after 19 days
        ([before("a", 100, 99), before("b", 68)], True),  # came back after 31 days: another story
        ([before("a", 100, 99), before("b", 69)], False),  # on the last day
        ([before("a", 100, 99), before("b", 99.5)], True),  # begun before the fix: no return
        ([before("a", 100, 99), before("b", 80, symptoms=("rings",))], True),  # another complaint
        ([before("a", 100, 99), before("b", 80, mill="north")], True),  # another mill
        ([before("a", 20, 19)], False),  # the case in hand is the return
        ([before("a", 100)], None),  # there was no fix
    ],
)
def test_whether_a_fix_held(rows: list[CaseRow], held: bool | None) -> None:
    assert known(rows).before[-1].held is held


def test_what_was_changed_lately_is_told_newest_first() -> None:
    diary = [
        DiaryEntry("b", "quay", ago(3), {"type": "changed", "what": "new hose"}),
        DiaryEntry("b", "quay", ago(1), {"type": "changed", "what": "new spindle"}),
        DiaryEntry("b", "quay", ago(2), {"type": "care", "task": "filter"}),
        DiaryEntry("b", "north", ago(1), {"type": "changed", "what": "elsewhere"}),
        DiaryEntry("b", "quay", ago(31), {"type": "changed", "what": "long ago"}),
    ]
    found = known([before("a", 6, 5, symptoms=("rings",)), before("b", 60, 59)], diary)
    assert [what for _, what in found.changes] == ["new spindle", "new hose", "remedy:change-burr"]


def test_it_is_said_in_the_words_of_the_knowledge(kb: Knowledge) -> None:
    cause, remedy = next(iter(kb.causes.values())), next(iter(kb.remedies.values()))
    rows = [
        before("261003-good", 53, 52, final_cause=cause.id, remedy=remedy.id),
        before("261115-back", 10, 9, final_cause="gone-since", remedy=remedy.id),
    ]
    lines = told(known(rows), kb)
    assert lines[0].startswith("The same complaint on quay before: 2 times.")
    assert f"(261115-back): gone-since. {remedy.title}: it did NOT hold." in lines[1]
    assert f"(261003-good): {cause.title.lower()}. {remedy.title}: it held." in lines[2]
    assert told(known([]), kb) == []


# -- readings ---------------------------------------------------------------------------------------------------------


def reading(value: float, days: float, unit: str = "MPa") -> Reading:
    return Reading("b", f"c{days}", "air-static", ago(days), "quay", value, unit)


def any_value(value: float) -> bool:
    return True


def test_the_usual_range_is_the_middle_eight_tenths() -> None:
    # of the values 1 to 10 that is 2 to 9; fewer than ten are all taken (definition in the docstring of Usual)
    found = usual([reading(float(v), v) for v in range(1, 11)], "MPa", any_value)
    assert found is not None
    assert (found.low, found.high, found.count) == (2, 9, 10)
    assert (found.last, found.at) == (1, ago(1))
    nine = usual([reading(float(v), v) for v in range(1, 10)], "MPa", any_value)
    assert nine is not None
    assert (nine.low, nine.high) == (1, 9)


def test_readings_in_other_units_are_brought_to_one() -> None:
    # 1 MPa = 10 bar = 1000 kPa (SI Brochure [from memory])
    found = usual(
        [reading(0.6, 3), reading(6.2, 2, "bar"), reading(640, 1, "kPa"), reading(5, 4, "mm")], "MPa", any_value
    )
    assert found is not None
    assert (found.low, found.high, found.count) == (pytest.approx(0.6), pytest.approx(0.64), 3)
    assert found.last == pytest.approx(0.64)


def test_too_few_readings_are_no_usual_range() -> None:
    assert usual([], "MPa", any_value) is None
    assert usual([reading(0.6, 1), reading(0.6, 2)], "MPa", any_value) is None
    assert usual([reading(0.6, 1), reading(0.6, 2), reading(5, 3, "mm")], "MPa", any_value) is None


def test_what_is_not_sound_does_not_look_usual() -> None:
    found = usual([reading(v, i) for i, v in enumerate([0.3, 0.6, 0.62, 0.61, 0.31])], "MPa", lambda v: v > 0.5)
    assert found is not None
    assert (found.low, found.high, found.sound, found.count, found.last) == (0.6, 0.62, 3, 5, 0.3)
    assert usual([reading(0.3, i) for i in range(9)], "MPa", lambda v: v > 0.5) is None


# -- out of a log -----------------------------------------------------------------------------------------------------


def test_the_memory_leaves_out_the_case_in_hand_and_what_is_old(tmp_path: Path) -> None:
    log = CaseLog(tmp_path / "cases.db")
    chips = {"type": "symptom", "symptom": "chips", "present": True}
    air = {"type": "answer", "check": "air-static", "value": "0,6", "unit": "MPa"}
    starts = {"type": "start", "mill": "quay"}
    cases = log.write([[(ago(days), starts), (ago(days), chips), (ago(days), air)] for days in (800, 90, 50, 40, 1)])
    log.note_diary("quay", {"type": "changed", "what": "new hose"}, ago(28))
    opened = []

    def late() -> CaseLog:
        opened.append(1)
        return log

    memory = Memory(late, "quay", NOW.isoformat, 30, cases[-1])
    assert opened == [], "the log is opened when it is first needed"
    found = memory.before(["chips"])
    assert found is not None
    assert (found.count, [b.case for b in found.before]) == (3, [cases[3], cases[2], cases[1]])
    assert [what for _, what in found.changes] == ["new hose"]
    range_ = memory.usual("air-static", "bar", any_value)
    assert range_ is not None
    assert (range_.count, range_.low) == (4, pytest.approx(6))
    nowhere = Memory(late, None, NOW.isoformat, 30)
    assert (nowhere.before(["chips"]), nowhere.usual("air-static", "bar", any_value)) == (None, None)
    log.close()


@pytest.mark.parametrize("now", ["2026-01-31", "2026-02-01", "2026-03-31", "2028-02-29", "2026-12-31"])
def test_the_memory_works_on_every_day_of_the_year(tmp_path: Path, now: str) -> None:
    log = CaseLog(tmp_path / "cases.db")
    moment = f"{now}T10:00:00.000+00:00"
    lately = (datetime.fromisoformat(moment) - timedelta(days=29)).isoformat()
    log.note_diary("quay", {"type": "changed", "what": "new hose"}, lately)
    found = Memory(lambda: log, "quay", lambda: moment, 30).before(["chips"])
    assert found is not None
    assert [what for _, what in found.changes] == ["new hose"]
    log.close()
