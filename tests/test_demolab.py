"""The invented lab: truthful sequences of events, the same for the same seed, with its stories to be found."""

from __future__ import annotations

import argparse
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from pathlib import Path

import pytest
from scipy.stats import theilslopes

from advisor.caselog import CaseLog
from advisor.caserow import CaseRow, Reading, case_readings, case_row
from advisor.compiled import Compiled
from advisor.demo.desk import CasePlan, Desk, Shift, iso
from advisor.demo.lab import DAYS, SUPERVISOR, TECHNICIANS, Lab, invented_lab
from advisor.demo.stories import MILLS, Months, levels_on, stories
from advisor.demo.work import demo, demo_path, write_demo
from advisor.output import Stop
from advisor.session import Session

HERE = timezone(timedelta(hours=1))
UNTIL = datetime(2026, 3, 20, 15, 30, tzinfo=HERE)
BATH = {"bath-foams", "bath-smells", "residue"}


@pytest.fixture(scope="module")
def lab(compiled: Compiled) -> Lab:
    return invented_lab(compiled, UNTIL, cases=40)


@pytest.fixture(scope="module")
def rows(lab: Lab) -> list[CaseRow]:
    return [case_row("demo", f"{i:04d}", case) for i, case in enumerate(lab.cases)]


def looked_at(compiled: Compiled, plans: Sequence[CasePlan], months: Months) -> list[Reading]:
    """The readings of cases taken as far as their checks, on a mill that measures what its story says."""
    desk, found = Desk(compiled), []
    for i, plan in enumerate(plans):
        known = replace(plan, technician="Ines", leave=True, levels=levels_on(months, plan.mill, plan.begin))
        events = desk.work(known, random.Random(i), {"type": "start", "mill": plan.mill})
        found += case_readings("demo", str(i), plan.mill, [(iso(at), event) for at, event in events])
    return found


def a_month(readings: Sequence[Reading], series: str) -> tuple[float, float, float]:
    """Theil-Sen slope of a series per month, with its 95 % interval."""
    points = [(datetime.fromisoformat(r.at).timestamp() / 86_400 / 30, r.value) for r in readings if r.series == series]
    times, values = zip(*points, strict=True)
    slope, _, low, high = theilslopes(values, times)
    return float(slope), float(low), float(high)


def test_every_case_is_taken_by_a_session(lab: Lab, compiled: Compiled) -> None:
    for case in lab.cases:
        session = Session(compiled)
        for _, event in case:
            session.take(event)


def test_cases_begin_with_a_start_marked_invented_and_are_in_order(lab: Lab) -> None:
    assert len(lab.cases) == 40
    assert all(case[0][1]["type"] == "start" and case[0][1]["invented"] is True for case in lab.cases)
    begun = [case[0][0] for case in lab.cases]
    assert begun == sorted(begun)
    assert begun[0] >= iso(UNTIL - timedelta(days=DAYS + 1))


def test_events_follow_each_other_in_working_hours(lab: Lab) -> None:
    for case in lab.cases:
        times = [datetime.fromisoformat(at) for at, _ in case]
        assert times == sorted(times)
        assert times[-1] <= UNTIL
        for at in times:
            here = at.astimezone(HERE)
            assert here.weekday() < 6
            assert 8 <= here.hour < 18


def test_the_same_seed_and_end_give_the_same_lab(lab: Lab, compiled: Compiled) -> None:
    again = invented_lab(compiled, UNTIL, cases=40)
    assert again.cases == lab.cases
    assert again.diary == lab.diary


def test_only_the_invented_lab_is_named(lab: Lab, rows: list[CaseRow]) -> None:
    assert {r.mill for r in rows} == set(MILLS)
    assert {r.technician for r in rows} <= set(TECHNICIANS)
    assert {r.reviewer for r in rows} == {None, SUPERVISOR}
    assert {mill for mill, _, _ in lab.diary} == set(MILLS)
    people = {event["by"] for _, _, event in lab.diary if "by" in event}
    assert people <= {*TECHNICIANS, SUPERVISOR}


def test_the_newest_cases_wait_and_the_older_are_signed(rows: list[CaseRow]) -> None:
    assert rows[-1].how is None
    closed = sorted((r for r in rows if r.closed), key=lambda r: str(r.closed))
    assert not any(r.reviewed for r in closed[-15:])
    assert sum(r.signed for r in closed[:-15]) >= 0.8 * len(closed[:-15])
    assert all(str(r.reviewed_at) > str(r.closed) for r in rows if r.reviewed)


def test_cases_that_were_mended_carry_the_ranking_before_the_first_remedy(lab: Lab, rows: list[CaseRow]) -> None:
    for case, row in zip(lab.cases, rows, strict=True):
        if row.remedies:
            first = next(event for _, event in case if event["type"] == "remedy")
            assert row.first_cause == first["ranking"][0][0]
            assert [p for _, p in first["ranking"]] == sorted((p for _, p in first["ranking"]), reverse=True)


def test_run_out_creeps_up_on_the_mill_with_the_ageing_spindle_only(compiled: Compiled) -> None:
    months = Months(UNTIL, DAYS)
    plans = [p for p in stories(months, random.Random(1), 1.0) if p.story == "spindle"]
    assert {p.mill for p in plans} == {"tide"}
    slope, low, _ = a_month(looked_at(compiled, plans, months), "runout-shank")
    assert slope > 0.4
    assert low > 0.2
    sound = [replace(p, mill="north", causes=("margin-design-thin",)) for p in plans]
    slope, low, high = a_month(looked_at(compiled, sound, months), "runout-shank")
    assert low <= 0.1
    assert high >= -0.1
    assert abs(slope) < 0.15


def test_air_sinks_until_the_second_repair_and_then_holds(compiled: Compiled) -> None:
    months = Months(UNTIL, DAYS)
    plans = [p for p in stories(months, random.Random(1), 1.0) if p.story == "leak"]
    leaking = [p for p in plans if p.begin < months.before(206)]
    slope, _, high = a_month(looked_at(compiled, leaking, months), "air-static")
    assert slope < 0
    assert high < 0
    healed = [replace(p, causes=(), begin=months.before(100 - 2 * i)) for i, p in enumerate(plans)]
    values = [r.value for r in looked_at(compiled, healed, months) if r.series == "air-static"]
    assert sum(v >= 0.6 for v in values) >= 0.9 * len(values)


def test_the_first_repair_of_the_air_line_did_not_hold(rows: list[CaseRow]) -> None:
    mended = [r for r in rows if r.mill == "quay" and r.remedy == "mend-leak" and r.technician == "Tomas" and r.fixed]
    first = min(mended, key=lambda r: abs((UNTIL - datetime.fromisoformat(r.begun)).days - 205))
    air = {"air-low", "air-drops", "compressor-busy"}
    later = [r for r in rows if r.mill == "quay" and r.begun > str(first.fixed) and air & set(r.symptoms)]
    assert later
    assert any(r.remedy == "mend-leak" for r in later)


def test_bath_complaints_gather_in_the_neglected_summer(lab: Lab, rows: list[CaseRow]) -> None:
    bath = [r for r in rows if BATH & set(r.symptoms) and r.mill in ("north", "harbour")]
    summer = [r for r in bath if r.begun[5:7] in ("06", "07", "08")]
    winter = [r for r in bath if r.begun[5:7] in ("12", "01", "02")]
    assert len(summer) >= 4
    assert len(summer) > 2 * len(winter)
    done = Counter(
        (mill in ("north", "harbour"), at[5:7] in ("06", "07", "08"))
        for mill, at, event in lab.diary
        if event.get("task") == "bath-morning"
    )
    assert done[True, True] < 0.2 * done[False, True]
    assert done[True, False] > 0.8 * done[False, False]


def test_one_complaint_comes_back_after_the_same_proven_remedy(rows: list[CaseRow]) -> None:
    repeated = [r for r in rows if r.mill == "north" and r.remedy in ("clean-collet", "replace-collet") and r.fixed]
    repeated = [r for r in repeated if r.symptoms == ("burr-slips", "margin-chipped")]
    assert [r.remedy for r in repeated[-2:]] == ["clean-collet", "replace-collet"]
    gaps = [
        (datetime.fromisoformat(b.begun) - datetime.fromisoformat(str(a.fixed))).days for a, b in pairwise(repeated)
    ]
    assert len(gaps) >= 3
    assert all(14 <= gap <= 30 for gap in gaps)


def test_an_unknown_cause_comes_back_with_the_same_findings(lab: Lab, rows: list[CaseRow]) -> None:
    seen = Counter(
        (row.mill, row.symptoms, tuple((e["check"], e.get("outcome")) for _, e in case if e["type"] == "answer"))
        for case, row in zip(lab.cases, rows, strict=True)
        if row.how == "referred" and row.final_cause is None
    )
    (_, symptoms, answers), count = seen.most_common(1)[0]
    assert count >= 4
    assert symptoms == ("surface-steps",)
    assert len(answers) >= 5


def test_diary_entries_are_of_known_tasks_and_whole_months(lab: Lab, compiled: Compiled) -> None:
    events = [event for _, _, event in lab.diary]
    assert {e["type"] for e in events} == {"care", "produced", "changed"}
    assert {e["task"] for e in events if e["type"] == "care"} <= set(compiled.kb.care)
    made = [e for e in events if e["type"] == "produced"]
    assert all(0 <= e["scrapped"] < e["made"] / 4 and e["from"] < e["to"] for e in made)
    for mill in MILLS:
        spans = [(e["from"], e["to"]) for m, _, e in lab.diary if m == mill and e["type"] == "produced"]
        assert len(spans) >= 14
        assert all(a[1] < b[0] for a, b in pairwise(spans))


@pytest.mark.parametrize(
    ("until", "summer"),
    [(datetime(2026, 8, 20, tzinfo=UTC), 2026), (datetime(2026, 2, 1, tzinfo=UTC), 2025), (datetime(2026, 10, 1, tzinfo=UTC), 2026)],
)  # fmt: skip
def test_the_summer_is_the_one_with_most_days_in_the_span(until: datetime, summer: int) -> None:
    months = Months(until, DAYS)
    assert months.summer[0].year == summer
    assert months.begin <= months.spring <= until - timedelta(days=60)


def test_work_that_does_not_fit_into_the_day_goes_on_next_morning() -> None:
    shift = Shift(datetime(2026, 3, 21, 12, 50, tzinfo=HERE))  # a Saturday
    at = shift.forward(30)
    assert (at.weekday(), at.hour) == (0, 8)


def test_too_few_cases_or_no_time_zone_are_refused(compiled: Compiled) -> None:
    with pytest.raises(ValueError, match="40 cases"):
        invented_lab(compiled, UNTIL, cases=10)
    with pytest.raises(ValueError, match="time zone"):
        invented_lab(compiled, datetime(2026, 3, 20))


@pytest.fixture
def _short(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command writes the lab made already, with a short diary."""
    short = Lab(lab.cases, lab.diary[:40])
    monkeypatch.setattr("advisor.demo.lab.invented_lab", lambda *given: short)


@pytest.mark.usefixtures("_short")
def test_the_demo_is_written_to_a_log_of_its_own_and_marked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert demo(argparse.Namespace(again=False)) == 0
    said = capsys.readouterr().out
    assert "invented" in said
    assert f"advisor review --log {demo_path()}" in said
    log = CaseLog(demo_path())
    assert log.invented
    assert len(log.rows()) == 40
    assert len(log.diary()) == 40
    assert log.verify() == []
    log.close()
    assert not (tmp_path / "home" / "cases.db").exists()


@pytest.mark.usefixtures("_short")
def test_a_demo_that_is_there_is_kept_unless_it_is_wanted_anew(capsys: pytest.CaptureFixture[str]) -> None:
    write_demo(demo_path(), UNTIL)
    log = CaseLog(demo_path())
    log.new_case({"type": "start", "mill": "north"})
    log.close()
    assert demo(argparse.Namespace(again=False)) == 0
    assert "--again" in capsys.readouterr().out
    log = CaseLog(demo_path())
    assert len(log.rows()) == 41
    log.close()
    assert demo(argparse.Namespace(again=True)) == 0
    log = CaseLog(demo_path())
    assert len(log.rows()) == 40
    log.close()


@pytest.mark.parametrize("again", [False, True])
def test_a_log_not_marked_invented_is_not_touched(again: bool) -> None:
    log = CaseLog(demo_path())
    log.new_case({"type": "start", "mill": "north"})
    log.close()
    with pytest.raises(Stop, match="not marked as invented"):
        demo(argparse.Namespace(again=again))
    log = CaseLog(demo_path())
    assert len(log.rows()) == 1
    log.close()
