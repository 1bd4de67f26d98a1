"""Trends of readings: does a mill drift? Control charts with fixed limits, and the pace of the drift.

Readings come from cases, so most were taken when something was wrong: a trend tells how the mill read when it was
looked at, not how it reads on a good day.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import compress
from operator import attrgetter, gt

from advisor.caserow import Reading
from advisor.model import Knowledge
from advisor.review.charts import Individuals, Shift
from advisor.review.control import control
from advisor.review.indicators import moments
from advisor.review.series import Limit, Series, drifts, limits_of, line, series_of, sound

__all__ = ["LEAST", "MOST", "Limit", "Pace", "Trend", "find_trends"]

LEAST, MOST = 8, 20
"""Readings of a baseline: at least, at most."""


@dataclass(frozen=True)
class Pace:
    """Drift of a series: the Theil-Sen slope per 30 days, in the trend's unit, with its 95 % interval `low`..`high`.

    `level`: where the line stands at the last reading. `limit`: the check's limit it runs towards, None when there is none
    on that side; `beyond`: it is past that limit already. `days`: days from the last reading until the line meets the
    limit, `soonest`..`latest` with the ends of the interval (latest None: at the slow end it never does); all None when
    beyond or without a limit."""

    slope: float
    low: float
    high: float
    level: float
    limit: Limit | None
    beyond: bool
    days: float | None
    soonest: float | None
    latest: float | None

    @property
    def sure(self) -> bool:
        """The interval leaves no doubt about the direction."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Trend:
    """One series of readings on one mill in the check's unit, in order of time.

    `at`, `values`, `cases` run side by side (ISO time, reading, handle of the case); those before place `start` are older
    than the period. Sound readings set the limits, those within the limits of the check (all, where it has none), for a
    mill that was ill at first would make illness the rule; then the limits stay put, so that a drift shows. `basis` are
    the places of those readings, `baseline` how many: of the time before the period when at least 8 are older
    (`baseline_from` 'before'; the first of them, at most 20), else of the beginning ('start'; the first half of all
    sound ones, at least 8, at most 20). `baseline` is 0 when fewer than 8 readings are sound, or when those have no
    spread: then only the range `low`..`high` of the period is told. The chart's sigma is at least that of rounding to
    the smallest step of the check's instrument.

    `chart`: the individuals and moving range chart of the baseline (its `signals` and `jumps` are those of the baseline
    alone; None without a chart). `outside`: places of readings outside its limits; `jumps`: places where the step from
    the reading before is too large. `smoothed`: the EWMA (weight 0.3, width 3) of the readings from place `later` on, begun
    anew where the mill was mended (a step too large, from past the check's limit back within it); `shifted`: places where
    it is outside its limits. These three lists are of the period only, and without readings that need no look: sound ones
    that depart away from the check's only limit, and the first sound one after one past it. All places count from 0.

    `drift`: 'up' or 'down' when the last EWMA value is outside its limits, towards a limit of the check if it has any,
    and the slope surely goes the same way; else ''. `pace` is worked out only when the last EWMA value is so. `dropped`:
    readings left out, no number or a unit that does not fit. `count`: readings in the period, `past` of them past a limit
    of the check.
    """

    series: str
    mill: str | None
    title: str
    quantity: str
    unit: str
    at: tuple[str, ...]
    values: tuple[float, ...]
    cases: tuple[str, ...]
    count: int
    low: float
    high: float
    limits: tuple[Limit, ...]
    start: int = 0
    baseline: int = 0
    baseline_from: str = ""
    basis: tuple[int, ...] = ()
    chart: Individuals | None = None
    outside: tuple[int, ...] = ()
    jumps: tuple[int, ...] = ()
    smoothed: Shift | None = None
    shifted: tuple[int, ...] = ()
    pace: Pace | None = None
    drift: str = ""
    dropped: int = 0
    past: int = 0

    @property
    def later(self) -> int:
        """The first place after the baseline."""
        return self.basis[-1] + 1 if self.basis else 0

    @property
    def signals(self) -> tuple[int, ...]:
        """Places of readings with any signal, in order."""
        return tuple(sorted({*self.outside, *self.jumps, *self.shifted}))


def find_trends(
    readings: Iterable[Reading],
    since: str,
    until: str,
    kb: Knowledge,
    profiles: Mapping[str, Mapping[str, float]] | None = None,
    front: Callable[[str], str] = lambda bench: "",
) -> list[Trend]:
    """Trends of the series and mills that have a reading in `since` <= at < `until` (ISO dates), drifting ones first.

    `readings` may begin earlier: the time before gives the baseline. `profiles` are the values of the mills' papers by
    mill (profile field -> number, as in `mills.Mill.values`); a field not given has its usual value. `front` is put
    before a case's id to make its handle, by bench. Settings and times since an event make no trend (`series.drifts`).
    """
    groups: dict[tuple[str, str | None], list[Reading]] = {}
    for reading in readings:
        key = reading.series, reading.mill
        group = groups.get(key)
        if group is None:
            group = groups[key] = []
        group.append(reading)
    marks = _Marks(front)
    usual = {f.id: f.default for f in kb.vocabulary.mill}
    out = []
    for (series, mill), group in groups.items():
        if not drifts(series, kb):
            continue
        profile = {**usual, **(profiles or {}).get(mill or "", {})}
        trend = _trend(series_of(series, kb), mill, group, since, until, profile, marks)
        if trend is not None:
            out.append(trend)
    out.sort(key=_rank)
    return out


class _Marks(dict[str, str]):
    """What stands before a case's id, by bench; asked for once."""

    def __init__(self, front: Callable[[str], str]) -> None:
        self.front = front

    def __missing__(self, bench: str) -> str:
        self[bench] = mark = self.front(bench)
        return mark


def _trend(
    series: Series,
    mill: str | None,
    group: list[Reading],
    since: str,
    until: str,
    profile: Mapping[str, float],
    marks: _Marks,
) -> Trend | None:
    at = [r.at for r in group]
    if any(map(gt, at, at[1:])):
        group.sort(key=attrgetter("at"))
        at = [r.at for r in group]
    if at[-1] >= until:
        group = group[: bisect_left(at, until)]
    if not group:
        return None
    unit = series.unit or group[-1].unit
    lines = {u: line(u or unit, unit) for u in {r.unit for r in group}}
    values = [r.value for r in group]
    if len(lines) > 1 or next(iter(lines.values())) != (1.0, 0.0):
        values = [lines[r.unit][0] * r.value + lines[r.unit][1] for r in group]
    dropped = 0
    if not all(map(math.isfinite, values)):
        dropped = sum(r.at >= since and not math.isfinite(v) for r, v in zip(group, values, strict=True))
        group = [r for r, v in zip(group, values, strict=True) if math.isfinite(v)]
        values = [v for v in values if math.isfinite(v)]
    at = [r.at for r in group]
    earlier = bisect_left(at, since)
    count = len(group) - earlier
    if count == 0:
        return None
    limits = limits_of(series.check, profile)
    good = sound(values, limits)
    places = list(compress(range(len(values)), good))
    before = bisect_left(places, earlier)
    if before >= LEAST:
        baseline, origin = min(before, MOST), "before"
    elif len(places) >= LEAST:
        baseline, origin = min(max(len(places) // 2, LEAST), MOST), "start"
    else:
        baseline, origin = 0, ""
    inside = values[earlier:]
    trend = Trend(
        series.id,
        mill,
        series.title,
        series.quantity,
        unit,
        tuple(at),
        tuple(values),
        tuple([marks[r.bench] + r.case for r in group]),
        count,
        min(inside),
        max(inside),
        limits,
        earlier,
        baseline,
        origin,
        tuple(places[:baseline]),
        dropped=dropped,
        past=count - sum(good[earlier:]),
    )
    return _charted(trend, series.step, good) if baseline else trend


def _charted(trend: Trend, step: float, good: list[bool]) -> Trend:
    """The trend with limits from its baseline, and what the other readings say against them; `good` are the sound ones."""
    found = control(trend.values, good, trend.limits, trend.basis, trend.start, step)
    if found is None:
        return replace(trend, baseline=0, baseline_from="", basis=())
    trend = replace(
        trend,
        chart=found.chart,
        outside=found.outside,
        jumps=found.jumps,
        smoothed=found.smoothed,
        shifted=found.shifted,
    )
    if not found.away:
        return trend
    pace = _pace(trend)
    up = found.smoothed.values[-1] > found.chart.mean
    drift = ("up" if up else "down") if pace and pace.sure and (pace.slope > 0) == up else ""
    return replace(trend, pace=pace, drift=drift)


def _pace(trend: Trend) -> Pace | None:
    """Theil-Sen slope (Theil 1950, Sen 1968) over all readings shown, in 95 % by scipy; None when all are of one moment.

    A long series is first brought down to medians of neighbours, for the work grows with the square."""
    import numpy as np
    from scipy.stats import theilslopes

    times = np.array(moments(trend.at)) / 86400
    values = np.asarray(trend.values)
    if len(values) > _THIN:
        parts = np.array_split(np.arange(len(values)), _THIN)
        times = np.array([np.median(times[p]) for p in parts])
        values = np.array([np.median(values[p]) for p in parts])
    if times[-1] - times[0] < 1:
        return None
    found = theilslopes(values, times, alpha=0.95)
    slope, low, high = float(found.slope), float(found.low_slope), float(found.high_slope)
    if not all(map(math.isfinite, (slope, low, high))):
        return None
    level = float(found.intercept + slope * times[-1])
    side = "high" if slope > 0 else "low"
    limit = next((each for each in trend.limits if each.side == side), None)
    pace = Pace(30 * slope, 30 * low, 30 * high, level, limit, False, None, None, None)
    if limit is None or slope == 0:
        return pace
    room = limit.value - level
    if room * slope <= 0:
        return replace(pace, beyond=True)
    fast, slow = (high, low) if slope > 0 else (low, high)
    return replace(pace, days=room / slope, soonest=room / fast, latest=room / slow if slow * slope > 0 else None)


_THIN = 120


def _rank(trend: Trend) -> tuple[float, ...]:
    """Drifting ones first, those soonest at their limit before others; then those with a signal; then the most read."""
    pace = trend.pace
    soon = math.inf
    if trend.drift and pace:
        soon = 0.0 if pace.beyond else pace.days if pace.days is not None else 1e9
    return (not trend.drift, soon, not trend.shifted, not trend.signals, -trend.count)
