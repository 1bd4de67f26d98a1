"""The diaries of the invented lab's mills: care done (and not done), pieces made, what was changed."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from advisor.demo.desk import iso
from advisor.demo.stories import AGEING, AIR, COLLET_ENDS, FOUL, LEAK_BEGINS, LEAK_CURED, LEAK_MENDED, STRONG, Months
from advisor.model import CareTask, Knowledge
from advisor.session import Event

__all__ = ["diary"]

DAILY = ("bath-morning", "air-morning", "tank-evening")  # of the daily tasks only these are written down
BATH_CARE = ("bath-morning", "tank-evening", "bath-week", "pump-stir-week", "bath-month", "filter-hours")
AIR_CARE = ("air-month", "leaks-week")
GAPS = {"day": 1, "week": 7, "month": 30}
HOURS_A_DAY = 3.6

Entry = tuple[datetime, str, Event]


def diary(
    kb: Knowledge,
    months: Months,
    mills: Sequence[str],
    people: Mapping[str, datetime],
    supervisor: str,
    rng: random.Random,
    ends: Sequence[tuple[str, tuple[datetime, Event]]] = (),
) -> list[tuple[str, str, Event]]:
    """All entries as (mill, ISO time, event), by time. `people`: technician -> since when; `ends`: mill, time and last
    event of each case, for the blocks lost."""
    entries = [
        e for mill in mills for task in kb.care.values() for e in _care(task, mill, months, people, supervisor, rng)
    ]
    entries += [e for mill in mills for e in _produced(mill, months, ends, rng)]
    entries += _changed(months, supervisor)
    entries = [e for e in entries if months.begin <= e[0] <= months.until]
    return [(mill, iso(at), event) for at, mill, event in sorted(entries, key=lambda e: (e[0], e[1], str(e[2])))]


def _care(
    task: CareTask, mill: str, months: Months, people: Mapping[str, datetime], supervisor: str, rng: random.Random
) -> list[Entry]:
    """A task about as often as the plan wants it, with gaps; hardly ever where a story says it was neglected."""
    if task.every == "day" and task.id not in DAILY:
        return []
    gap = GAPS.get(task.every) or max(float(task.hours or 8) / HOURS_A_DAY, 1)
    found: list[Entry] = []
    day = months.begin + timedelta(days=rng.uniform(0, gap))
    while day <= months.until:
        at = _clock(task, day, rng)
        if at.weekday() < 6 and rng.random() < _diligence(task, mill, months, at):
            here = [p for p, since in people.items() if since <= at]
            by = supervisor if task.who == "supervisor" else rng.choice(here)
            found.append((at, mill, {"type": "care", "task": task.id, "by": by}))
        day += timedelta(days=1 if gap == 1 else gap * rng.uniform(0.85, 1.2))
    return found


def _clock(task: CareTask, day: datetime, rng: random.Random) -> datetime:
    if task.every != "day" and day.weekday() == 6:
        day += timedelta(days=1)
    saturday = day.weekday() == 5
    if task.id.endswith("-morning"):
        return day.replace(hour=8, minute=rng.randint(0, 25), second=rng.randint(0, 59), microsecond=0)
    if task.id.endswith("-evening"):
        return day.replace(hour=12 if saturday else 16, minute=rng.randint(30, 55), second=0, microsecond=0)
    return day.replace(hour=rng.randint(9, 11 if saturday else 15), minute=rng.randint(0, 59), second=0, microsecond=0)


def _diligence(task: CareTask, mill: str, months: Months, at: datetime) -> float:
    if task.id in BATH_CARE and mill in (STRONG, FOUL) and months.in_summer(at):
        return 0.06
    if task.id in AIR_CARE and mill == AIR and months.before(LEAK_BEGINS) <= at <= months.before(LEAK_CURED):
        return 0.25
    return 0.93 if task.every == "day" else 0.86


def _produced(
    mill: str, months: Months, ends: Sequence[tuple[str, tuple[datetime, Event]]], rng: random.Random
) -> list[Entry]:
    """Pieces made in each month, entered on its last day; scrapped are the blocks lost in cases and a few more."""
    found: list[Entry] = []
    first = months.begin.replace(hour=0)
    while first < months.until:
        after = (first.replace(day=1) + timedelta(days=32)).replace(day=1)
        at = min(after - timedelta(hours=7, minutes=rng.randint(5, 40)), months.until - timedelta(minutes=20))
        share = (at - first).days / 30
        lost = sum(float(e.get("blocks") or 0) for m, (when, e) in ends if m == mill and first <= when < after)
        if share > 0.1:
            made = round({"north": 330, "quay": 280, "tide": 310, "harbour": 240}[mill] * share * rng.uniform(0.9, 1.1))
            span = {
                "from": first.date().isoformat(),
                "to": min(after - timedelta(days=1), months.until).date().isoformat(),
            }
            found.append(
                (at, mill, {"type": "produced", **span, "made": made, "scrapped": round(lost) + rng.randint(0, 2)})
            )
        first = after
    return found


def _changed(months: Months, supervisor: str) -> list[Entry]:
    """What was changed on the mills; parts of the stories and ordinary replacements."""

    def entry(mill: str, at: datetime, what: str, by: str = supervisor) -> Entry:
        return (
            at.replace(hour=11, minute=20, second=0, microsecond=0),
            mill,
            {"type": "changed", "what": what, "by": by},
        )

    after_summer = months.summer[1] + timedelta(days=3)
    return [
        entry(AIR, months.before(LEAK_MENDED), "coupling of the air line retightened, new seal", "Tomas"),
        entry(AIR, months.before(LEAK_CURED), "new air hose with new coupling", "Ines"),
        entry(AIR, months.before(380), "new filter in the air line", "Tomas"),
        entry(STRONG, after_summer, "bath changed, other concentrate, refractometer hung beside the mill"),
        entry(FOUL, after_summer, "bath changed, lines flushed, other concentrate"),
        entry(STRONG, months.before(COLLET_ENDS), "new collet", "Ines"),
        entry(AGEING, months.before(300), "new collet on both spindles", "Ines"),
        entry(AGEING, months.before(40), "service asked for an offer for new spindle bearings"),
        entry(FOUL, months.before(260), "bearing of the second spindle renewed by the service"),
        entry(FOUL, months.before(90), "program update, new finishing template"),
        entry(STRONG, months.before(60), "new coolant filter", "Ines"),
    ]
