"""Figures of the mills: time between faults, scrap, care that is due, life of burrs, what was changed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from advisor.caserow import CaseRow, DiaryEntry
from advisor.model import CareTask
from advisor.review.charts import scrap_ratio

__all__ = ["BurrLife", "Change", "MillFigures", "Overdue", "burr_life", "changes", "mill_figures", "overdue_care"]


@dataclass(frozen=True)
class MillFigures:
    """A mill in the period. `mill` None: the mill was not named.

    `faults`: cases begun. `mtbf_days`: mean time between faults, sum of times between failures / (failure events + 1)
    after ISO 22400-2 (from memory). The calendar days of the period stand in for operating time, which nobody logs.
    `made` pieces after the diary (None: not noted), an entry that reaches beyond the period counted by its share of
    days. `scrapped` pieces after the diary if every such entry gives them, or else the blocks lost in cases of the same
    days (`scrap_from` 'diary' or 'cases').
    `scrap_ratio` = scrapped / made (ISO 22400-2, scrap quantity over produced quantity); None when nothing was made.
    """

    mill: str | None
    faults: int
    mtbf_days: float | None
    made: float | None
    scrapped: float | None
    scrap_from: str | None
    scrap_ratio: float | None


@dataclass(frozen=True)
class Overdue:
    """A task of the care plan not done in time on a mill. `every` is day, week, month or hours; `last` the time it was last
    noted in the diary (None: never). `overdue_days` beyond the interval (a day task: working days, Monday to Friday; a
    month: 30 days); None when never noted, or when the interval is in cutting hours, which the diary does not tell."""

    mill: str
    task: str
    title: str
    every: str
    hours: float | None
    last: str | None
    overdue_days: float | None


@dataclass(frozen=True)
class BurrLife:
    """Change-by life of finishing burrs, hours: one in ten fails before it (Weibull fit; burrs still running count as
    "longer than"). `low`..`high`: 95 % interval. `changed` worn ones and `running` ones are in it. `shape` under 1:
    early failures, above 1: wear. `few`: fewer than five failures, next to nothing known."""

    change_by: float
    low: float
    high: float
    median: float
    shape: float
    changed: int
    running: int
    few: bool


@dataclass(frozen=True)
class Change:
    """Something changed on a mill, after its diary."""

    at: str
    mill: str
    what: str
    by: str


def mill_figures(
    rows: Iterable[CaseRow], diary: Iterable[DiaryEntry], since: str, until: str
) -> tuple[MillFigures, ...]:
    """Figures of each mill with a case or an entry in `since` <= .. < `until` (ISO dates), most faults first."""
    begin, end = date.fromisoformat(since[:10]), date.fromisoformat(until[:10])
    spans = _produced(diary, begin, end)
    faults: Counter[str | None] = Counter()
    blocks: dict[str | None, float] = {}
    for row in rows:
        faults[row.mill] += 1
        if row.blocks is None or row.open:
            continue
        known = spans.get(row.mill or "")
        # blocks lost on other days must not be set against the pieces of these days
        if known is None or any(first <= date.fromisoformat(row.begun[:10]) <= last for first, last, _, _ in known):
            blocks[row.mill] = blocks.get(row.mill, 0.0) + row.blocks
    out = []
    for mill in {*faults, *spans}:
        mine = spans.get(mill or "", [])
        made = sum(pieces for _, _, pieces, _ in mine) if mine else None
        noted = [scrap for _, _, _, scrap in mine if scrap is not None]
        told = bool(mine) and len(noted) == len(mine)
        lost = sum(noted) if told else blocks.get(mill)
        origin = None if lost is None else "diary" if told else "cases"
        ratio = scrap_ratio(lost, made) if lost is not None and made else None
        between = (end - begin).days / (faults[mill] + 1) if mill else None
        out.append(MillFigures(mill, faults[mill], between, made, lost, origin, ratio))
    return tuple(sorted(out, key=lambda m: (-m.faults, m.mill or "~")))


_Span = tuple[date, date, float, float | None]


def _produced(diary: Iterable[DiaryEntry], begin: date, end: date) -> dict[str, list[_Span]]:
    """Spans of days within begin <= day < end for which pieces made are noted, by mill: first and last day, made, scrapped,
    both by the share of days inside. Of two entries for the same days of a mill the later one counts."""
    entries: dict[tuple[str, date, date], Mapping[str, Any]] = {}
    for entry in diary:
        if entry.event.get("type") != "produced":
            continue
        first = _day(entry.event.get("from")) or _day(entry.event.get("to")) or _day(entry.at)
        last = _day(entry.event.get("to")) or first
        if first and last and first <= last:
            entries[entry.mill, first, last] = entry.event
    out: dict[str, list[_Span]] = {}
    for (mill, first, last), event in entries.items():
        inner, outer = max(first, begin), min(last, end - timedelta(days=1))
        share = ((outer - inner).days + 1) / ((last - first).days + 1)
        made, scrapped = _amount(event.get("made")), _amount(event.get("scrapped"))
        if share > 0 and made is not None:
            out.setdefault(mill, []).append(
                (inner, outer, share * made, None if scrapped is None else share * scrapped)
            )
    return out


def _day(text: Any) -> date | None:
    try:
        return date.fromisoformat(str(text)[:10])
    except ValueError:
        return None


def _amount(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) and number >= 0 else None


def overdue_care(
    diary: Iterable[DiaryEntry], tasks: Collection[CareTask], mills: Iterable[str], now: str
) -> tuple[tuple[Overdue, ...], tuple[str, ...]]:
    """Tasks not done in time at `now` (ISO time), and those of `mills` that have no care at all in their diary.

    `diary` goes as far back as it is kept. A task never noted on a mill where others are is told as such, behind the
    overdue ones, those in cutting hours too; of those the diary cannot tell when they are due."""
    last: dict[tuple[str, str], str] = {}
    seen: set[str] = set()
    for entry in diary:
        if entry.event.get("type") == "care" and entry.at <= now:
            seen.add(entry.mill)
            key = entry.mill, str(entry.event.get("task"))
            last[key] = max(entry.at, last.get(key, ""))
    today = date.fromisoformat(now[:10])
    out = []
    for mill in sorted(seen):
        for task in tasks:
            at = last.get((mill, task.id))
            late = _late(task.every, date.fromisoformat(at[:10]), today) if at else None
            if at is None or (late is not None and late > 0):
                out.append(Overdue(mill, task.id, task.title, task.every, task.hours, at, late))
    out.sort(key=lambda o: (o.overdue_days is None, -(o.overdue_days or 0) / _INTERVAL.get(o.every, 1), o.mill))
    return tuple(out), tuple(sorted({*mills} - seen))


_INTERVAL = {"day": 1, "week": 7, "month": 30}


def _late(every: str, done: date, today: date) -> float | None:
    """Days beyond the interval: working days for a daily task, calendar days otherwise; None when in cutting hours."""
    if every == "day":
        import numpy as np

        return float(np.busday_count(done, today)) - 1
    return (today - done).days - _INTERVAL[every] if every in _INTERVAL else None


def burr_life(changed: Sequence[float], running: Sequence[float]) -> BurrLife | None:
    """Change-by life from hours of worn burrs and of those still running; None without two different worn ones."""
    worn = [t for t in changed if t > 0]
    still = [t for t in running if t > 0]
    if len(worn) < 2 or max(worn) == min(worn):
        return None
    from advisor.calc.base import deviation, nominal
    from advisor.calc.lifetimes import student, weibull_fit

    try:
        fit = weibull_fit(worn, still, student(len(worn) - 1))
    except ValueError:
        return None
    log_life = fit.log_life(RISK)
    middle, wide = nominal(log_life), 2 * deviation(log_life)
    return BurrLife(
        math.exp(middle),
        math.exp(max(middle - wide, -700.0)),
        math.exp(min(middle + wide, 700.0)),
        nominal(fit.life(0.5)),
        nominal(fit.shape),
        len(worn),
        len(still),
        len(worn) < FEW,
    )


RISK, FEW = 0.1, 5


def changes(diary: Iterable[DiaryEntry], since: str, until: str) -> tuple[Change, ...]:
    """What was changed on the mills in `since` <= at < `until`, in order of time."""
    found = [
        Change(e.at, e.mill, str(e.event.get("what") or "not said"), str(e.event.get("by") or ""))
        for e in diary
        if e.event.get("type") == "changed" and since <= e.at < until
    ]
    return tuple(sorted(found, key=lambda c: (c.at, c.mill)))
