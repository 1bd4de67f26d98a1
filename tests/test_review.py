"""The review's figures: each recomputed another way on random rows, and small cases worked by hand."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from review_rows import at, reading, row, some_rows

from advisor.caserow import CaseRow, DiaryEntry
from advisor.model import Knowledge
from advisor.output import Stop
from advisor.review.charts import wilson
from advisor.review.figures import Review, period_of, review_of
from advisor.review.hits import program
from advisor.review.indicators import Prices, costs, counts, first_fix, fix_times, moments, quartiles
from advisor.review.repeats import Repeats, find_repeats, others, telling
from advisor.review.upkeep import burr_life, changes, mill_figures, overdue_care
from advisor.review.work import _plain, span

SEEDS = range(6)
SINCE, UNTIL, NOW = "2026-09-01", "2026-11-30", "2026-12-20T00:00:00.000+00:00"
PRICES = Prices("EUR", {"zirconia": 14.5}, 42.0)


def frame(rows: list[CaseRow]) -> pd.DataFrame:
    fields = CaseRow.__dataclass_fields__
    return pd.DataFrame([{f: getattr(r, f) for f in fields} for r in rows], columns=list(fields)).astype(object)


@pytest.mark.parametrize("seed", SEEDS)
def test_costs_as_a_data_frame_sums_them(seed: int) -> None:
    rows = some_rows(150, seed)
    totals, order, causes = costs(rows, PRICES, str.upper)
    f = frame(rows)
    closed = f[~f.how.isna() & (f.how != "open")].copy()
    closed["minutes"] = closed.minutes.fillna(0.0).astype(float)
    closed["blocks"] = closed.blocks.fillna(0.0).astype(float)
    price = closed.material.map({"zirconia": 14.5}).astype(float)
    closed["money"] = closed.blocks * price.fillna(0.0) + closed.minutes * 42 / 60
    by = closed.groupby("final_cause", dropna=False)[["minutes", "blocks", "money"]].sum()
    by["cases"] = closed.groupby("final_cause", dropna=False).size()
    by = by.sort_values("money", ascending=False)
    assert order == "money"
    assert [c.cause for c in causes] == [None if pd.isna(i) else i for i in by.index]
    assert [c.money for c in causes] == pytest.approx(by.money.tolist())
    assert [c.minutes for c in causes] == pytest.approx(by.minutes.tolist())
    assert [c.blocks for c in causes] == by.blocks.tolist()
    assert [c.cases for c in causes] == by.cases.tolist()
    assert [c.cumulative for c in causes] == pytest.approx((by.money.cumsum() / by.money.sum()).tolist())
    assert (totals.cases, totals.closed, totals.open) == (len(f), len(closed), len(f) - len(closed))
    assert (totals.money, totals.minutes) == (pytest.approx(closed.money.sum()), pytest.approx(closed.minutes.sum()))
    assert totals.unpriced == closed.blocks[price.isna()].sum()
    assert totals.untimed == f.minutes[closed.index].isna().sum()
    assert totals.imported == f.imported.sum()


def test_without_prices_the_order_is_by_minutes_and_without_minutes_by_cases() -> None:
    rows = [
        row("a", 1, how="confirmed", final_cause="x", minutes=10),
        row("b", 2, how="confirmed", final_cause="y", minutes=5),
        row("c", 3, how="confirmed", final_cause="y", minutes=4),
    ]
    totals, order, causes = costs(rows, Prices(), str)
    assert (order, [c.cause for c in causes], totals.money) == ("minutes", ["x", "y"], None)
    bare = [row(r.case, 1, how=r.how, final_cause=r.final_cause) for r in rows]
    _, order, causes = costs(bare, Prices(), str)
    assert (order, [c.cause for c in causes]) == ("cases", ["y", "x"])
    assert causes[0].share == pytest.approx(2 / 3)


@pytest.mark.parametrize("seed", SEEDS)
def test_first_fix_and_times_as_a_data_frame_has_them(seed: int) -> None:
    rows = some_rows(150, seed)
    f = frame(rows)
    tried = f[(f.remedies.map(len) > 0) & ~f.imported.astype(bool) & ~f.how.isin(["open"]) & ~f.how.isna()]
    right = sum(t.fixed is not None and t.remedies[0][0] == t.remedy for t in tried.itertuples())
    found = first_fix(rows)
    assert (found.hits, found.count) == (right, len(tried))
    assert (found.low, found.high) == wilson(right, len(tried))
    mine = f[~f.imported.astype(bool)]
    fixed = mine[~mine.fixed.isna()]
    hours = (pd.to_datetime(fixed.fixed) - pd.to_datetime(fixed.begun)).dt.total_seconds() / 3600
    times = fix_times(rows, NOW)
    assert (times.hours.lower, times.hours.median, times.hours.upper) == pytest.approx(
        tuple(hours.quantile([0.25, 0.5, 0.75])), rel=1e-9
    )
    assert times.minutes.median == pytest.approx(fixed.minutes.dropna().astype(float).median())
    assert times.unfixed == len(mine) - len(fixed)
    # Kaplan-Meier by its definition
    rest = mine[mine.fixed.isna()]
    ends = rest.closed.where(~rest.closed.isna(), NOW)
    waits = ((pd.to_datetime(ends) - pd.to_datetime(rest.begun)).dt.total_seconds() / 3600).clip(lower=0)
    left, median = 1.0, None
    for t in sorted(hours):
        left *= 1 - 1 / ((hours >= t).sum() + (waits >= t).sum())
        if left <= 0.5 and median is None:
            median = t
    assert times.median_hours == (None if median is None else pytest.approx(median))


def test_open_cases_lengthen_the_median_that_fixed_ones_alone_would_give() -> None:
    fixed = [row(f"f{i}", 0, how="confirmed", fixed=i / 24) for i in (1, 2, 3)]
    waiting = [row(f"w{i}", 0) for i in range(2)]
    assert fix_times(fixed, at(10)).median_hours == pytest.approx(2)
    times = fix_times([*fixed, *waiting], at(10))
    assert (times.hours.median, times.median_hours) == (pytest.approx(2), pytest.approx(3))
    assert fix_times([fixed[0], *waiting], at(10)).median_hours is None
    assert fix_times(waiting, at(10)).hours == quartiles([])


@pytest.mark.parametrize(
    "text", ["2026-09-01T00:00:00.000+00:00", "2026-09-01T00:00:00Z", "2026-09-01", "2026-09-01T02:00:00+02:00"]
)
def test_times_are_read_however_they_are_written(text: str) -> None:
    assert moments([text]) == [datetime.fromisoformat(at(0)).timestamp()]
    assert moments([text, at(1)]) == [moments([text])[0], moments([text])[0] + 86400]


# --- repeats: brute force over all pairs -----------------------------------------------------------------------------


def brute(rows: list[CaseRow], days: float) -> tuple[int, int, dict[str, tuple[int, int, int, int, int]]]:
    """Complaints, repeats among them, and by remedy: fixes, came back, failed, unclear, watching."""
    usable = [r for r in rows if r.mill and not r.imported]

    def gap(fix: CaseRow, later: CaseRow) -> timedelta:
        return datetime.fromisoformat(later.begun) - datetime.fromisoformat(str(fix.fixed))

    def alike(a: CaseRow, b: CaseRow) -> bool:
        return bool({*a.symptoms} & {*b.symptoms}) or (a.final_cause is not None and a.final_cause == b.final_cause)

    pairs = [
        (fix, later)
        for fix, later in itertools.permutations(usable, 2)
        if fix.fixed
        and fix.mill == later.mill
        and alike(fix, later)
        and timedelta() < gap(fix, later) <= timedelta(days=days)
    ]
    inside = [r for r in usable if SINCE <= r.begun < UNTIL]
    again = {id(later) for _, later in pairs}
    out: dict[str, tuple[int, int, int, int, int]] = {}
    for fix in usable:
        if fix.fixed is None or fix.remedy is None or not SINCE <= fix.fixed < UNTIL:
            continue
        kinds = set()
        for _, later in (p for p in pairs if p[0] is fix):
            sure = later.final_cause is not None and (later.how == "confirmed" or later.reviewed == "corrected")
            sure = sure and later.how not in (None, "open")
            if not sure or fix.final_cause is None:
                kinds.add("unclear")
            else:
                kinds.add("same" if later.final_cause == fix.final_cause else "other")
        young = datetime.fromisoformat(fix.fixed) + timedelta(days=days) > datetime.fromisoformat(NOW)
        add = (1, bool(kinds), "same" in kinds, "unclear" in kinds and "same" not in kinds, young)
        out[fix.remedy] = tuple(a + b for a, b in zip(out.get(fix.remedy, (0,) * 5), add, strict=True))  # type: ignore[assignment]
    return len(inside), sum(id(r) in again for r in inside), out


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("days", [3.0, 30.0])
def test_repeats_as_all_pairs_tell_them(seed: int, days: float) -> None:
    rows = some_rows(120, seed)
    found = find_repeats(rows, SINCE, UNTIL, NOW, days, str)
    count, again, remedies = brute(rows, days)
    assert (found.complaints.count, found.complaints.hits) == (count, again)
    got = {h.remedy: (h.fixes, h.came_back, h.failed.hits, h.unclear, h.watching) for h in found.remedies}
    assert got == remedies


def fixed_row(case: str, begun: float, **given: object) -> CaseRow:
    base: dict[str, object] = {
        "mill": "quay", "symptoms": ("chips",), "how": "confirmed", "final_cause": "burr-worn",
        "remedies": (("new-burr", "helped"),), "remedy": "new-burr", "fixed": begun + 0.1,
    }  # fmt: skip
    return row(case, begun, **{**base, **given})


def repeats(*rows: CaseRow, days: float = 30) -> Repeats:
    return find_repeats(rows, SINCE, UNTIL, NOW, days, str)


def held(*rows: CaseRow) -> tuple[int, int, int]:
    (one,) = (h for h in repeats(*rows).remedies if h.remedy == "new-burr")
    return one.fixes, one.came_back, one.failed.hits


def test_a_case_is_no_repeat_of_itself_and_a_later_one_of_the_same_cause_is() -> None:
    first = fixed_row("a", 1)
    assert held(first) == (1, 0, 0)
    again = row("b", 11, mill="quay", symptoms=("slow",), how="confirmed", final_cause="burr-worn")
    assert held(first, again) == (1, 1, 1)
    found = repeats(first, again).remedies[0].repeats[0]
    assert (found.case, found.later, found.kind, found.symptoms) == ("a", "b", "same", ())
    assert found.days == pytest.approx(9.9)


def test_another_cause_is_a_repeat_of_the_complaint_but_no_failure_of_the_remedy() -> None:
    other = row("b", 11, mill="quay", symptoms=("chips",), how="confirmed", final_cause="collet-dirty")
    assert held(fixed_row("a", 1), other) == (1, 1, 0)
    assert repeats(fixed_row("a", 1), other).complaints.hits == 1


@pytest.mark.parametrize(
    "later",
    [
        {"symptoms": ("chips",), "how": "fixed-unproven", "final_cause": "collet-dirty"},
        {"how": "fixed-unproven", "final_cause": "burr-worn"},  # the same cause, but no one confirmed it
        {"symptoms": ("chips",)},  # unfinished
        {"how": "open", "final_cause": "burr-worn", "reviewed": "corrected"},
    ],
)
def test_what_came_back_without_a_confirmed_cause_is_unclear_and_no_failure(later: dict[str, object]) -> None:
    found = repeats(fixed_row("a", 1), row("b", 11, mill="quay", **later)).remedies[0]
    assert (found.came_back, found.failed.hits, found.unclear, found.repeats[0].kind) == (1, 0, 1, "unclear")
    assert found.mills == ()


def test_a_correction_by_the_supervisor_confirms_a_cause() -> None:
    later = row("b", 11, mill="quay", how="fixed-unproven", final_cause="burr-worn", reviewed="corrected")
    found = repeats(fixed_row("a", 1), later).remedies[0]
    assert (found.failed.hits, found.mills) == (1, (("quay", 1),))


def test_remedies_that_did_not_fail_are_summed_in_a_line() -> None:
    def fix(name: str, days: float, mill: str) -> CaseRow:
        return fixed_row(f"{name}{mill}{days:g}", days, remedy=name, final_cause=name, symptoms=(name,), mill=mill)

    good = [fix(f"good{i}", 1, "quay") for i in range(3)]
    once = [fix("once", 1, "quay"), row("u1", 3, mill="quay", symptoms=("once",))]
    twice = [fix("twice", 1, mill) for mill in ("quay", "tide")]
    twice += [row(f"u{mill}", 3, mill=mill, symptoms=("twice",)) for mill in ("quay", "tide")]
    bad = [fix("bad", 1, "quay"), fix("bad", 3, "quay")]
    found = repeats(*good, *once, *twice, *bad).remedies
    assert [h.remedy for h in found if h.failed.hits] == ["bad"]
    assert others(found) == "3 remedies held each time; of 2 remedies complaints came back without a confirmed cause."
    assert others([]) == ""
    assert [(r.case, r.later) for r in telling(found, 3)] == [("badquay1", "badquay3")]


@pytest.mark.parametrize(
    "later",
    [
        {"mill": "north"},
        {"mill": None},
        {"symptoms": ("slow",), "final_cause": None},
        {"imported": True},
    ],
)
def test_what_is_no_repeat(later: dict[str, object]) -> None:
    base: dict[str, object] = {"mill": "quay", "symptoms": ("chips",), "final_cause": "burr-worn"}
    assert held(fixed_row("a", 1), row("b", 11, **{**base, **later})) == (1, 0, 0)


def test_the_days_allowed_are_counted_from_the_fix_and_before_it_nothing_counts() -> None:
    first = fixed_row("a", 1)
    assert held(first, row("b", 31.1, mill="quay", symptoms=("chips",)))[1] == 1
    assert held(first, row("b", 31.2, mill="quay", symptoms=("chips",)))[1] == 0
    assert held(first, row("b", 1.05, mill="quay", symptoms=("chips",)))[1] == 0
    assert not repeats(fixed_row("a", 1, imported=True)).remedies
    assert not repeats(fixed_row("a", 1, fixed=None)).remedies


def test_a_fix_late_in_the_period_is_judged_by_a_case_after_it() -> None:
    late = fixed_row("a", 85)
    found = repeats(late, row("b", 95, mill="quay", symptoms=("chips",)))
    assert found.remedies[0].came_back == 1
    assert (found.complaints.hits, found.complaints.count) == (0, 1)  # the repeat itself is of the next period
    assert found.remedies[0].watching == 1  # fixed less than 30 days before `now`


# --- mills, scrap, care ------------------------------------------------------------------------------------------------


def note(mill: str, when: str, **event: object) -> DiaryEntry:
    return DiaryEntry("bench", mill, when, event)


def test_time_between_faults_has_one_more_than_the_faults_below_the_line() -> None:
    """ISO 22400-2 (from memory): MTBF = sum of times between failures / (failure events + 1)."""
    rows = [row(f"c{i}", i, mill="quay") for i in range(8)]
    (quay,) = mill_figures(rows, [], SINCE, UNTIL)
    assert quay.faults == 8
    assert quay.mtbf_days == pytest.approx(90 / 9)
    assert (quay.made, quay.scrapped, quay.scrap_ratio) == (None, None, None)


def test_scrap_ratio_is_scrapped_over_produced() -> None:
    """ISO 22400-2: scrap quantity over produced quantity."""
    diary = [
        note(
            "quay", at(30), type="produced", **{"from": "2026-09-01", "to": "2026-09-30", "made": 400, "scrapped": 12}
        ),
        note("quay", at(61), type="produced", **{"from": "2026-10-01", "to": "2026-10-31", "made": 200, "scrapped": 3}),
    ]
    (quay,) = mill_figures([], diary, SINCE, UNTIL)
    assert (quay.made, quay.scrapped, quay.scrap_from) == (600, 15, "diary")
    assert quay.scrap_ratio == pytest.approx(15 / 600)
    assert quay.mtbf_days == 90


def test_an_entry_that_reaches_beyond_the_period_counts_by_its_share_of_days() -> None:
    diary = [
        note("quay", at(3), type="produced", **{"from": "2026-08-23", "to": "2026-09-01", "made": 100, "scrapped": 10})
    ]
    (quay,) = mill_figures([], diary, SINCE, UNTIL)
    assert (quay.made, quay.scrapped) == (pytest.approx(10), pytest.approx(1))
    outside = [note("quay", at(3), type="produced", **{"from": "2026-07-01", "to": "2026-07-31", "made": 100})]
    assert mill_figures([], outside, SINCE, UNTIL) == ()


def test_where_no_scrap_is_noted_blocks_lost_on_the_same_days_stand_in() -> None:
    diary = [note("quay", at(30), type="produced", **{"from": "2026-09-01", "to": "2026-09-30", "made": 100})]
    rows = [
        row("a", 5, mill="quay", how="confirmed", blocks=2.0),
        row("b", 60, mill="quay", how="confirmed", blocks=7.0),
    ]
    (quay,) = mill_figures(rows, diary, SINCE, UNTIL)
    assert (quay.scrapped, quay.scrap_from, quay.scrap_ratio) == (2.0, "cases", pytest.approx(0.02))


def test_the_later_of_two_entries_for_the_same_days_counts_and_nonsense_does_not() -> None:
    same = {"from": "2026-09-01", "to": "2026-09-30"}
    diary = [
        note("quay", at(30), type="produced", made=100, scrapped=1, **same),
        note("quay", at(31), type="produced", made=120, scrapped=2, **same),
        note("quay", at(31), type="produced", made="many", **{"from": "2026-10-01", "to": "2026-10-02"}),
        note("quay", at(31), type="produced", made=5, **{"from": "soon", "to": "2026-10-02T"[:3]}),
        note("quay", at(31), type="produced", made=9, **{"from": "2026-10-09", "to": "2026-10-02"}),
    ]
    (quay,) = mill_figures([], diary, SINCE, UNTIL)
    # the entry without days counts on the day it was written, with no scrap noted
    assert (quay.made, quay.scrap_from) == (125, None)


def test_care_is_overdue_beyond_its_interval_and_daily_tasks_count_working_days(kb: Knowledge) -> None:
    tasks = {
        every: next(t for t in kb.care.values() if t.every == every) for every in ("day", "week", "month", "hours")
    }
    now = "2026-11-25T12:00:00.000+00:00"  # a Wednesday

    def late(every: str, done: str) -> float | None:
        diary = [note("quay", f"{done}T09:00:00.000+00:00", type="care", task=tasks[every].id)]
        found, _ = overdue_care(diary, [tasks[every]], [], now)
        return found[0].overdue_days if found else None

    assert late("day", "2026-11-24") is None
    assert late("day", "2026-11-20") == 2  # Friday: Monday and Tuesday were missed
    assert late("week", "2026-11-18") is None
    assert late("week", "2026-11-10") == 8
    assert late("month", "2026-09-01") == (date(2026, 11, 25) - date(2026, 9, 1)).days - 30
    assert late("hours", "2026-01-01") is None


def test_tasks_never_noted_and_mills_without_a_diary_are_told_apart(kb: Knowledge) -> None:
    tasks = list(kb.care.values())[:3]
    diary = [
        note("quay", at(1), type="care", task=tasks[0].id),
        note("quay", at(80), type="care", task=tasks[0].id),
        note("tide", at(1), type="changed", what="new pump", by="Ines"),
    ]
    found, unknown = overdue_care(diary, tasks, ["quay", "tide"], at(80))
    assert {o.task for o in found} == {tasks[1].id, tasks[2].id}
    assert all(o.last is None and o.overdue_days is None for o in found)
    assert unknown == ("tide",)
    (changed,) = changes(diary, SINCE, UNTIL)
    assert (changed.mill, changed.what, changed.by) == ("tide", "new pump", "Ines")
    assert changes(diary, "2026-09-03", UNTIL) == ()


def test_burr_life_from_a_published_fit() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3 [read-2]: ten failures, ten still running at 500 h: shape 1.7208, scale 606.53."""
    life = burr_life([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10)
    assert life is not None
    assert life.shape == pytest.approx(1.7208, abs=1e-4)
    assert life.change_by == pytest.approx(606.53 * (-math.log(0.9)) ** (1 / 1.7208), rel=1e-4)
    assert life.low < life.change_by < life.high
    assert not life.few
    assert burr_life([12.0], [5.0]) is None
    assert burr_life([12.0, 12.0], []) is None


# --- the program itself ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_the_programs_record_as_a_data_frame_has_it(seed: int) -> None:
    rows = some_rows(200, seed)
    f = frame(rows)
    known = f[
        ~f.final_cause.isna() & ((f.how == "confirmed") | (f.reviewed == "corrected")) & ~f.first_cause.isna()
    ].copy()
    known["hit"] = known.first_cause == known.final_cause
    found = program(rows)
    assert (found.right.hits, found.right.count) == (known.hit.sum(), len(known))
    signed = known[known.reviewed.isin(["approved", "corrected"])]
    assert (found.signed.hits, found.signed.count) == (signed.hit.sum(), len(signed))
    told = known[~known.first_probability.isna()].copy()
    told["p"] = told.first_probability.astype(float)
    assert found.brier == pytest.approx(((told.p - told.hit) ** 2).mean())
    assert found.said == pytest.approx(told.p.mean())
    told["bin"] = np.minimum((told.p * 10).astype(int), 9)
    by = told.groupby("bin").agg(n=("hit", "size"), hits=("hit", "sum"), said=("p", "mean"))
    assert [(b.right.count, b.right.hits) for b in found.bins] == [(r.n, r.hits) for r in by.itertuples()]
    assert [b.said for b in found.bins] == pytest.approx(by.said.tolist())


def test_without_a_known_cause_there_is_nothing_to_hold_it_against() -> None:
    found = program([row("a", 1, first_cause="x", first_probability=0.9)])
    assert (found.right.count, found.right.share, found.brier, found.bins) == (0, None, None, ())
    assert (found.right.low, found.right.high) == (0.0, 1.0)


def test_counts_are_most_first_and_name_what_is_missing() -> None:
    found = counts(["Ines", None, "Ines", "Tomas"], str)
    assert [(c.title, c.count) for c in found] == [("Ines", 2), ("Tomas", 1), ("not given", 1)]


# --- the whole ---------------------------------------------------------------------------------------------------------


def whole(kb: Knowledge, rows: list[CaseRow], **given: object) -> Review:
    return review_of(period_of(SINCE, UNTIL, NOW), rows, [], [], kb, **given)  # type: ignore[arg-type]


def test_nothing_logged_gives_a_review_that_says_so(kb: Knowledge) -> None:
    found = whole(kb, [])
    assert [g.alert for g in found.glance] == [False] * 4
    assert "No case" in found.glance[0].answer
    assert "Too few readings" in found.glance[1].answer
    assert "No fix was proven" in found.glance[2].answer
    assert found.glance[3].answer == "Nothing."
    assert found.first_fix.share is None


def test_the_four_answers_name_what_they_are_about(kb: Knowledge) -> None:
    cause, remedy = next(iter(kb.causes)), next(iter(kb.remedies))
    first = fixed_row(
        "a", 1, final_cause=cause, cause=cause, remedy=remedy, remedies=((remedy, "helped"),), minutes=30, closed=1.1
    )
    again = row(
        "b",
        9,
        mill="quay",
        symptoms=("chips",),
        how="confirmed",
        cause=cause,
        final_cause=cause,
        minutes=20,
        closed=9.5,
    )
    found = whole(kb, [first, again, row("c", 20)], prices=PRICES)
    cost, drift, fix, sign = found.glance
    assert not cost.alert  # a statement: nothing is to be done
    assert kb.causes[cause].title in cost.answer
    assert "35 EUR" in cost.answer  # 50 min at 42 an hour
    assert not drift.alert
    assert not fix.alert  # once may be chance
    assert fix.answer.startswith("None: of 1 proven fix no remedy failed twice, and only 1 once")
    assert "2 cases" in sign.answer
    assert "at b" in sign.answer  # came back, and no fix proven: looked at first
    assert found.open == ("c",)


def test_an_id_that_the_knowledge_lost_is_shown_as_it_is(kb: Knowledge) -> None:
    lost = fixed_row(
        "a", 1, final_cause="gone-cause", remedy="gone-remedy", symptoms=("gone-symptom",), cautions=("gone-caution",)
    )
    again = row("b", 3, mill="quay", symptoms=("gone-symptom",))
    found = whole(kb, [lost, again])
    assert found.causes[0].title == "gone-cause"
    assert found.repeats.remedies[0].title == "gone-remedy"
    assert found.symptoms == {"gone-symptom": "gone-symptom"}
    assert found.cautions[0].title == "gone-caution"


def test_what_is_signed_or_open_is_not_to_be_signed_and_what_was_asked_waits(kb: Knowledge) -> None:
    rows = [
        row("signed", 1, how="confirmed", final_cause="x", reviewed="approved", fixed=1.5),
        row("plain", 2, how="referred", closed=3),
        row("asked", 3, how="confirmed", final_cause="x", reviewed="asked"),
        row("open", 4),
        row("left", 5, how="open"),
        row("odd", 6, how="confirmed", final_cause="x", first_cause="y"),
    ]
    old = row("old", -40, how="referred")
    found = whole(kb, rows, waiting=[old])
    assert [s.case for s in found.sign] == ["odd", "old", "plain", "asked"]
    assert [s.before for s in found.sign] == [False, True, False, False]
    assert found.open == ("open", "left")
    assert found.glance[3].answer.startswith("3 cases, 1 of them from before this period.")
    assert found.glance[3].answer.endswith("1 more waits for the technician's answer.")
    (asked,) = (row for row in rows if row.case == "asked")
    assert whole(kb, [asked]).glance[3].answer == "Nothing. 1 case waits for the technician's answer."


@pytest.mark.parametrize(
    ("how", "cause", "fixed", "look"),
    [
        ("fixed-unproven", "x", 1.5, ("the fix is proven, the cause is not",)),
        ("fixed-unproven", None, 1.5, ("the fix is proven, the cause is not",)),
        ("fixed-unproven", "x", None, ("no fix was proven",)),
        ("fixed-unproven", None, None, ("no cause named", "no fix was proven")),
        ("confirmed", "x", None, ("no fix was proven",)),
        ("confirmed", "x", 1.5, ()),
        ("referred", None, None, ()),
    ],
)
def test_what_to_look_at_tells_a_proven_fix_from_a_proven_cause(
    how: str, cause: str | None, fixed: float | None, look: tuple[str, ...], kb: Knowledge
) -> None:
    (one,) = whole(kb, [row("a", 1, how=how, final_cause=cause, fixed=fixed)]).sign
    assert one.look == look


def test_imported_cases_are_not_to_be_signed(kb: Knowledge) -> None:
    found = whole(kb, [row("a", 1, how="confirmed", final_cause="x", imported=True)])
    assert (found.sign, found.glance[3].answer) == ((), "Nothing.")


def test_a_fix_that_failed_twice_names_its_mills_and_a_drift_there(kb: Knowledge) -> None:
    remedy = next(iter(kb.remedies))
    rows = [fixed_row(f"t{i}", 3 * i, mill="tide", remedy=remedy) for i in range(4)]
    alone = whole(kb, rows).glance[2]
    told = f"{kb.remedies[remedy].title}: 3 of 4 came back within 30 days with the same cause, all on tide"
    assert alone.alert
    assert alone.answer == f"{told} (see t1, t2, ...)."
    drifting = [reading(d, 0.66 - 0.0015 * max(d, 0) + 0.004 * (d % 3 - 1), mill="tide") for d in range(-40, 80)]
    found = review_of(period_of(SINCE, UNTIL, NOW), rows, drifting, [], kb)
    assert found.glance[2].answer.endswith(
        f" tide also drifts: {kb.checks['air-static'].title} goes down: look there first."
    )
    spread = [*rows[:2], *(fixed_row(f"q{i}", 3 * i, remedy=remedy) for i in range(4))]
    assert (
        "4 of 6 came back within 30 days with the same cause, 3 of them on quay" in whole(kb, spread).glance[2].answer
    )
    even = [*rows, *(fixed_row(f"q{i}", 3 * i, remedy=remedy) for i in range(4))]
    assert "the same cause, on quay 3, tide 3 (see" in whole(kb, even).glance[2].answer


def test_a_mill_that_was_ill_all_the_time_is_told_though_nothing_drifts(kb: Knowledge) -> None:
    def answer(values: list[float]) -> tuple[str, bool]:
        readings = [reading(d, value, mill="tide") for d, value in enumerate(values)]
        glance = review_of(period_of(SINCE, UNTIL, NOW), [], readings, [], kb).glance[1]
        return glance.answer, glance.alert

    said = f" Every reading past the check's limit: tide: {kb.checks['air-static'].title} (5)."
    assert answer([0.41, 0.42, 0.4, 0.43, 0.41])[0].endswith(said)
    assert answer([0.41, 0.42, 0.4, 0.43, 0.41])[1]
    assert answer([0.41, 0.42, 0.4, 0.43, 0.65]) == (
        "Too few readings to tell: it takes 8 sound ones of one kind on one mill, the most there are is 5.",
        False,
    )


def test_the_share_without_a_cause_is_named_first_when_it_is_the_largest(kb: Knowledge) -> None:
    cause = next(iter(kb.causes))
    known = row("a", 1, how="confirmed", final_cause=cause, minutes=40)
    dark = [row(f"d{i}", 2, how="referred", minutes=30) for i in range(2)]
    cost = whole(kb, [known, *dark]).glance[0]
    assert cost.alert
    assert cost.answer.startswith("2 cases without a cause: 60 % of the bench time, the dearest; then ")
    more = [replace(known, case=f"k{i}") for i in range(2)]
    less = whole(kb, [*more, dark[0]]).glance[0]  # 30 of 110 minutes: not the dearest, but too much
    assert less.alert
    assert less.answer.endswith("; and 1 case without a cause: 27 % of the bench time.")
    least = whole(kb, [*more, replace(dark[0], minutes=20)]).glance[0]
    assert not least.alert
    assert "without a cause" not in least.answer


def test_blocks_without_a_price_are_told_with_the_money(kb: Knowledge) -> None:
    rows = [
        row("a", 1, how="confirmed", final_cause="x", material="zirconia", blocks=2.0),
        row("b", 2, how="confirmed", final_cause="x", material="resin", blocks=1.0),
    ]
    assert (
        whole(kb, rows, prices=PRICES)
        .glance[0]
        .answer.endswith(
            "(2 cases, 0 min, 3 blocks, 29 EUR; 100 % of the cost). 1 block has no price and is not in it."
        )
    )
    timed = [replace(r, minutes=30) for r in rows]
    assert "3 blocks have no price" in whole(kb, timed, prices=Prices("EUR", {}, 42)).glance[0].answer


def test_cases_named_have_their_day_mill_and_cause_or_complaint(kb: Knowledge) -> None:
    cause = next(iter(kb.causes))
    rows = [
        row("a", 1, mill="quay", how="confirmed", final_cause=cause),
        row("b", 2, mill="tide", complaint="edges chipped"),
        row("signed", 3, how="confirmed", final_cause=cause, reviewed="approved", fixed=3.5),
    ]
    found = whole(kb, rows).cases
    assert {case: (c.begun[:10], c.mill, c.cause, c.title) for case, c in found.items()} == {
        "a": ("2026-09-02", "quay", cause, kb.causes[cause].title),
        "b": ("2026-09-03", "tide", None, "edges chipped"),
    }


def test_filters_narrow_the_cases_but_not_the_other_half_of_a_repeat(kb: Knowledge) -> None:
    first = fixed_row("a", 1, technician="Ines", material="zirconia")
    again = row("b", 9, mill="quay", technician="Tomas", symptoms=("chips",), material="resin")
    far = row("c", 9, mill="north", technician="Ines")
    of = period_of(SINCE, UNTIL, NOW, technician="Ines")
    found = review_of(of, [first, again, far], [], [], kb)
    assert found.totals.cases == 2
    assert found.repeats.remedies[0].came_back == 1
    assert {m.mill: m.faults for m in found.mills} == {"quay": 2, "north": 1}
    found = review_of(period_of(SINCE, UNTIL, NOW, mill="north"), [first, again, far], [], [], kb)
    assert (found.totals.cases, [m.mill for m in found.mills]) == (1, ["north"])


def test_handles_of_another_bench_are_used_throughout(kb: Knowledge) -> None:
    rows = [fixed_row("a", 1), row("b", 3, mill="quay", symptoms=("chips",)), row("c", 4)]
    found = whole(kb, rows, front=lambda bench: f"{bench}/")
    pair = found.repeats.remedies[0].repeats[0]
    assert (pair.case, pair.later) == ("bench/a", "bench/b")
    assert found.open == ("bench/b", "bench/c")
    assert found.sign[0].case == "bench/a"


def test_every_review_is_json(kb: Knowledge) -> None:
    for rows in ([], some_rows(80, 1)):
        text = json.dumps(_plain(whole(kb, rows, prices=PRICES)), allow_nan=False)
        assert json.loads(text)["period"]["since"] == SINCE


# --- the period --------------------------------------------------------------------------------------------------------

TODAY = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("given", "first", "days"),
    [
        ((None, None, None), "2026-08-28", 90),
        ((None, None, "30d"), "2026-10-27", 30),
        ((None, None, "12w"), "2026-09-03", 84),
        ((None, None, "3m"), "2026-08-26", 92),
        ((None, None, "1y"), "2025-11-26", 365),
        ((None, "2024-02-29", "1y"), "2023-03-01", 366),
        (("2026-11-01", None, None), "2026-11-01", 25),
        (("2026-11-01", "2026-11-01", None), "2026-11-01", 1),
    ],
)
def test_spans_are_whole_days_and_end_with_the_last_one(
    given: tuple[str | None, str | None, str | None], first: str, days: int
) -> None:
    since, until = span(*given, TODAY)
    assert since.isoformat() == first
    assert (until - since).days == days


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("2026-13-01", None, None), "--from: '2026-13-01' is no date"),
        ((None, "25.11.2026", None), "--to: '25.11.2026' is no date"),
        ((None, None, "3"), "--last: '3' is no span"),
        ((None, None, "0d"), "no span"),
        ((None, None, "9999y"), "out of reach"),
        (("2026-11-01", None, "3m"), "--last, or --from"),
        (("2026-12-01", None, None), "later than"),
    ],
)
def test_a_wrong_span_says_what_to_type(given: tuple[str | None, str | None, str | None], said: str) -> None:
    with pytest.raises(Stop, match=said):
        span(*given, TODAY)
