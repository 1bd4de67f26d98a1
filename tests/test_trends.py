"""Trends: limits that stay put, signals with their case, the pace of a drift, and what is no trend."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from review_rows import at, reading
from scipy.stats import theilslopes

from advisor.caserow import Reading
from advisor.model import Knowledge
from advisor.review.charts import ewma, individuals
from advisor.review.trends import Trend, find_trends

SINCE, UNTIL = "2026-09-01", "2026-11-30"


def trends(readings: list[Reading], kb: Knowledge, **given: object) -> list[Trend]:
    return find_trends(readings, SINCE, UNTIL, kb, **given)  # type: ignore[arg-type]


def one(readings: list[Reading], kb: Knowledge, **given: object) -> Trend:
    (found,) = trends(readings, kb, **given)
    return found


def noisy(
    days: range | list[float], mean: float = 0.62, slope: float = 0.0, seed: int = 1, spread: float = 0.01
) -> list[Reading]:
    chance = random.Random(seed)
    return [reading(d, chance.gauss(mean, spread) + slope * max(d, 0)) for d in days]


def test_few_readings_are_only_told_as_a_range(kb: Knowledge) -> None:
    found = one([reading(d, 0.6 + d / 1000) for d in range(7)], kb)
    assert (found.baseline, found.chart, found.signals, found.drift) == (0, None, (), "")
    assert (found.count, found.low, found.high) == (7, 0.6, pytest.approx(0.606))
    assert found.cases == tuple(f"c{d}" for d in range(7))


def test_the_baseline_is_of_the_time_before_and_sets_the_limits_alone(kb: Knowledge) -> None:
    before, within = noisy(range(-30, 0)), noisy(range(0, 40), mean=0.50, seed=2)
    found = one([*within, *before], kb)  # in any order
    assert (found.baseline, found.baseline_from, found.start, found.count) == (20, "before", 30, 40)
    chart = individuals([r.value for r in before[:20]])
    assert found.chart == chart
    assert found.outside == tuple(range(30, 70))  # of the period only, every one far below
    smoothed = ewma([r.value for r in [*before, *within]][20:], chart.mean, chart.sigma)
    assert found.smoothed == smoothed
    assert found.shifted == tuple(20 + i for i in smoothed.signals if 20 + i >= 30)
    assert found.cases[found.signals[0]] == "c0"


@pytest.mark.parametrize(("count", "baseline"), [(8, 8), (12, 8), (30, 15), (60, 20)])
def test_without_a_time_before_the_first_half_sets_the_limits(count: int, baseline: int, kb: Knowledge) -> None:
    found = one(noisy(range(count)), kb)
    assert (found.baseline, found.baseline_from, found.start) == (baseline, "start", 0)
    assert all(place >= baseline for place in found.signals)


def test_a_drift_is_told_with_its_pace_and_when_it_meets_the_limit(kb: Knowledge) -> None:
    readings = noisy(range(-40, 80), mean=0.66, slope=-0.0005)
    found = one(readings, kb)
    assert found.drift == "down"
    pace = found.pace
    assert pace is not None
    assert pace.limit is not None
    # the slope and its interval as scipy gives them
    by_scipy = theilslopes([r.value for r in readings], np.arange(-40, 80), alpha=0.95)
    assert pace.slope == pytest.approx(30 * by_scipy.slope, rel=1e-6)
    assert (pace.low, pace.high) == (pytest.approx(30 * by_scipy.low_slope), pytest.approx(30 * by_scipy.high_slope))
    assert pace.low < pace.slope < pace.high < 0
    usual = {f.id: f.default for f in kb.vocabulary.mill}["inlet_pressure"]
    assert (pace.limit.value, pace.limit.side) == (usual, "low")
    assert pace.days == pytest.approx((pace.level - usual) / (-pace.slope / 30))
    assert pace.soonest is not None
    assert pace.latest is not None
    assert pace.soonest < pace.days < pace.latest


def test_the_limit_is_that_of_the_mills_own_papers(kb: Knowledge) -> None:
    readings = noisy(range(-40, 80), mean=0.66, slope=-0.0005)
    found = one(readings, kb, profiles={"quay": {"inlet_pressure": 0.65}, "north": {"inlet_pressure": 0.1}})
    assert [(limit.value, limit.side) for limit in found.limits] == [(0.65, "low")]
    assert found.pace is not None
    assert found.pace.beyond
    assert found.pace.days is None
    assert found.pace.limit is not None
    assert found.pace.limit.label == kb.checks["air-static"].outcomes[1].label


def test_sound_readings_away_from_the_only_limit_are_no_signal_and_no_drift(kb: Knowledge) -> None:
    found = one(noisy(range(-40, 80), mean=0.66, slope=0.001), kb)  # pressure must not fall below; it rises
    assert found.chart is not None
    assert found.values[-1] > found.chart.upper
    assert (found.signals, found.pace, found.drift) == ((), None, "")
    falls = one(noisy(range(-40, 80), mean=0.80, slope=-0.001), kb)  # still sound, but on its way to the limit
    assert min(falls.values) > falls.limits[0].value
    assert falls.signals
    assert falls.drift == "down"


def test_of_two_limits_both_sides_count(kb: Knowledge) -> None:
    check = next(c for c in kb.checks.values() if c.id == "bath-level")
    assert {check.outcomes[0].start is not None, check.outcomes[0].end is not None} == {True}

    def level(slope: float) -> Trend:
        chance = random.Random(3)
        days = range(-40, 60)
        raw = [reading(d, chance.gauss(0, 0.8) + slope * max(d, 0), series=check.id, unit="mm") for d in days]
        return one(raw, kb)

    for slope, side in ((0.1, "up"), (-0.1, "down")):
        found = level(slope)
        assert max(map(abs, found.values)) < 10  # every one is sound
        assert found.drift == side
        assert found.outside


def test_a_calculations_figure_without_limits_counts_on_both_sides(kb: Knowledge) -> None:
    chance = random.Random(3)
    for sign, side in ((1, "up"), (-1, "down")):
        raw = [
            reading(d, chance.gauss(5, 0.1) + sign * 0.02 * max(d, 0), series="gone", unit="") for d in range(-40, 60)
        ]
        assert one(raw, kb).drift == side


def test_limits_come_from_sound_readings_so_that_after_a_repair_they_are_not_all_signals(kb: Knowledge) -> None:
    """A mill that was ill when its readings begin, then mended."""
    ill, mended = noisy(range(-60, 10), mean=0.45), noisy(range(10, 60), mean=0.64, seed=2, spread=0.006)
    found = one([*ill, *mended], kb)
    assert (found.baseline, found.baseline_from) == (20, "start")
    assert found.basis == tuple(range(70, 90))
    assert found.chart == individuals([found.values[i] for i in found.basis])
    assert len([i for i in found.signals if i >= 70]) <= 2  # of 50: noise alone gives one now and then
    assert {*found.outside} & {*range(70)} == set(range(60, 70))  # those of the period that were past the check's limit
    assert found.drift == ""


def test_the_smoothed_mean_begins_anew_where_the_mill_was_mended(kb: Knowledge) -> None:
    good, bad, again = (
        noisy(range(-30, 10), mean=0.64, spread=0.005),
        [reading(d, 0.40 + d / 1000) for d in range(10, 25)],
        noisy(range(25, 40), mean=0.64, seed=4, spread=0.005),
    )
    found = one([*good, *bad, *again], kb)
    assert found.chart is not None
    assert found.smoothed is not None
    fresh = ewma([r.value for r in again], found.chart.mean, found.chart.sigma)
    assert found.smoothed.values[-15:] == fresh.values
    assert found.smoothed.lower[-15:] == fresh.lower
    assert [i for i in found.signals if i >= 55] == []
    assert {*range(40, 55)} <= set(found.signals)


def test_the_step_back_within_the_limit_is_no_signal_but_the_step_out_is(kb: Knowledge) -> None:
    base = noisy(range(-30, 0), mean=0.64, spread=0.005)
    found = one([*base, reading(1, 0.64), reading(2, 0.50), reading(3, 0.635)], kb)
    assert found.jumps == (31,)
    assert found.signals == (31,)


def test_too_few_sound_readings_set_no_limits(kb: Knowledge) -> None:
    found = one([*noisy(range(-30, 30), mean=0.45), *(reading(30 + d, 0.65) for d in range(7))], kb)
    assert (found.baseline, found.basis, found.chart, found.signals) == (0, (), None, ())


@pytest.mark.parametrize(("unit", "value"), [("bar", 6.0), ("kPa", 600.0), ("MPa", 0.6)])
def test_a_reading_on_the_limit_is_sound_in_any_unit(unit: str, value: float, kb: Knowledge) -> None:
    readings = [reading(d, value, unit=unit) for d in range(8)]
    assert one([*readings, reading(9, 0.6)], kb, profiles={"quay": {"inlet_pressure": 0.6}}).baseline == 8


def test_steady_readings_do_not_drift_and_a_step_that_was_mended_is_a_signal_but_no_drift(kb: Knowledge) -> None:
    assert one(noisy(range(-40, 60)), kb).drift == ""
    step = [*noisy(range(-30, 20)), *(reading(d, 0.40) for d in range(20, 24)), *noisy(range(24, 60), seed=3)]
    found = one(step, kb)
    assert {found.cases[i] for i in found.outside} >= {"c20", "c21", "c22", "c23"}
    assert found.drift == ""


def test_few_mills_without_a_fault_are_called_drifting(kb: Knowledge) -> None:
    """Steady mills of pure noise: the two conditions together keep false alarms rare (200 of them, seeded)."""
    steady = [r for s in range(200) for r in _on(f"mill{s}", noisy(range(-20, 40), seed=s))]
    assert sum(bool(t.drift) for t in trends(steady, kb)) <= 6


def _on(mill: str, readings: list[Reading]) -> list[Reading]:
    return [Reading(r.bench, r.case, r.series, r.at, mill, r.value, r.unit) for r in readings]


def test_every_unit_is_turned_into_the_checks_own(kb: Knowledge) -> None:
    mixed = [
        reading(d, v, unit=u) for d, (v, u) in enumerate([(0.6, "MPa"), (6.0, "bar"), (600.0, "kPa"), (87.0226, "psi")])
    ]
    found = one(mixed, kb)
    assert found.unit == "MPa"
    assert found.values == pytest.approx((0.6,) * 4, rel=1e-5)


def test_what_is_no_number_or_of_another_quantity_is_left_out_and_counted(kb: Knowledge) -> None:
    good = [reading(d, 0.6) for d in range(3)]
    bad = [reading(5, math.nan), reading(6, math.inf), reading(7, 20.0, unit="degC"), reading(8, 1.0, unit="furlong")]
    found = one([*good, *bad], kb)
    assert (found.count, found.dropped) == (3, 4)
    assert trends(bad, kb) == []


def test_readings_that_a_coarse_scale_makes_equal_are_judged_by_its_step(kb: Knowledge) -> None:
    tool = kb.instruments[str(kb.checks["air-static"].instrument)]
    assert tool.resolution > 0
    flat = [reading(d, 0.6) for d in range(-20, 10)]
    found = one(flat, kb)
    assert found.chart is not None
    assert found.chart.sigma > 0
    assert found.signals == ()
    # of a series that nothing is known of, equal readings have no spread to judge by
    unknown = one([reading(d, 5.0, series="gone") for d in range(-20, 10)], kb)
    assert (unknown.baseline, unknown.chart, unknown.title, unknown.unit) == (0, None, "gone", "MPa")


def test_a_calculations_figure_has_its_label_and_unit(kb: Knowledge) -> None:
    from advisor.calc import catalogue

    calculation = catalogue()["burr-life"]
    found = one([reading(d, 14.0 + d, series="burr-life.change_by", unit="h") for d in range(3)], kb)
    assert (found.title, found.quantity, found.unit) == (calculation.title, calculation.figure("change_by").label, "h")
    assert found.limits == ()


def test_settings_and_hours_since_a_change_make_no_trend(kb: Knowledge) -> None:
    assert trends([reading(d, 10.0 * d, series="setting.mill_hours", unit="h") for d in range(30)], kb) == []
    assert trends([reading(d, float(d), series="burr-hours-finishing", unit="h") for d in range(30)], kb) == []


def test_a_series_without_a_reading_in_the_period_is_left_out_and_the_end_is_not_in_it(kb: Knowledge) -> None:
    assert trends(noisy(range(-30, 0)), kb) == []
    assert trends([reading(90, 0.6)], kb) == []  # begins the day after the period
    assert one([reading(89.999, 0.6)], kb).count == 1


def test_mills_are_apart_and_drifting_ones_come_first(kb: Knowledge) -> None:
    steady = _on("north", noisy(range(-30, 60)))
    drifting = noisy(range(-30, 60), mean=0.7, slope=-0.001)
    nameless = [reading(d, 0.6, mill=None) for d in range(3)]
    found = trends([*steady, *nameless, *drifting], kb)
    assert [t.mill for t in found] == ["quay", "north", None]


def test_handles_have_the_bench_in_front(kb: Knowledge) -> None:
    found = one([reading(1, 0.6)], kb, front=lambda bench: f"{bench}/")
    assert found.cases == ("bench/c1",)


def test_readings_all_of_one_moment_have_no_pace(kb: Knowledge) -> None:
    burst = [
        Reading("bench", f"c{i}", "air-static", at(1), "quay", 0.6 - 0.05 * (i > 20) + 0.001 * (i % 3), "MPa")
        for i in range(40)
    ]
    found = one(burst, kb)
    assert found.shifted
    assert (found.pace, found.drift) == (None, "")


def test_a_long_series_keeps_its_slope(kb: Knowledge) -> None:
    chance = random.Random(5)
    days = [d / 20 for d in range(-800, 1600)]
    readings = [reading(d, 0.7 - 0.001 * d + chance.gauss(0, 0.01)) for d in days]
    pace = one(readings, kb).pace
    assert pace is not None
    assert pace.low < -0.03 < pace.high  # as it was made: 0.001 a day
    assert pace.slope == pytest.approx(-0.03, rel=0.03)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(-60, 100),
            st.floats(allow_nan=True, allow_infinity=True, width=32),
            st.sampled_from(["MPa", "bar", "", "K", "?"]),
        ),
        max_size=40,
    )
)
def test_any_readings_give_figures_without_nan(kb: Knowledge, raw: list[tuple[float, float, str]]) -> None:
    for found in trends([reading(d, v, unit=u) for d, v, u in raw], kb):
        assert all(map(math.isfinite, found.values))
        assert found.low <= found.high
        assert len(found.at) == len(found.values) == len(found.cases)
        assert found.count + found.start == len(found.values)
        assert list(found.at) == sorted(found.at)
