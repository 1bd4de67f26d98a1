"""An invented lab, "Hafenlicht Dental": fourteen months of cases and diaries of four mills, with stories to be found.

Nothing here is real. The ordinary cases are drawn from the knowledge's own base rates and likelihoods; the stories
(`stories`) are told on top of them. The same seed and the same end give the same lab.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache

from advisor import __version__
from advisor.compiled import Compiled
from advisor.demo.desk import CasePlan, Desk, Shift, iso
from advisor.demo.diary import diary
from advisor.demo.stories import MILLS, Months, levels_on, stories
from advisor.demo.truth import Truth
from advisor.model import SettingEffect
from advisor.pool import each_in_pool
from advisor.session import Event

__all__ = ["DAYS", "LAB", "SUPERVISOR", "TECHNICIANS", "Lab", "invented_lab"]

LAB = "Hafenlicht Dental"
TECHNICIANS = ("Ines", "Tomas", "Wiebke")
SUPERVISOR = "Marit"
DAYS = 425  # fourteen months
UNSIGNED = 15  # the newest closed cases still wait for the supervisor

ROUTINE = (
    # check, families of complaints it is done with (None: any), how often
    ("air-static", None, 0.4),
    ("bath-concentration", ("margins", "burrs", "coolant"), 0.45),
    ("runout-shank", ("margins", "burrs"), 0.5),
    ("sensor-repeat", ("calibration", "fit", "burrs"), 0.45),
    ("test-block-size", ("calibration", "fit"), 0.7),
)
SEASON = {
    # cause: how much commoner in the warm, damp months (June to August) and in the cold ones (December to February)
    "water-in-air": (3.5, 0.4),
    "biofilm-in-lines": (2.0, 0.5),
    "bath-left-standing": (1.8, 0.7),
    "spindle-not-warmed": (0.3, 3.0),
    "calibrated-cold": (0.3, 2.5),
    "pin-surface-dirty": (1.5, 1.0),
}
CORRECTIONS = (
    "Looked at the part again: the findings speak for another cause.",
    "It came back with the same signs; this was behind it.",
    "The readings say something else than the first look did.",
)
COMMENTS = (
    "Well looked at, and quickly.",
    "Measure before cleaning next time, then we see what it was.",
    "Please note the burr's hours as well.",
    "Good that the proof was milled at once.",
)
QUESTIONS = (
    ("Was the burr changed before or after the reading?", "Before; the reading is of the new burr."),
    ("Which block was it, an opened box?", "A new box, opened that morning."),
    ("Was the mill warm already?", "Yes, third job of the day."),
)


@dataclass
class Lab:
    """`cases`: (ISO time, event) lists, each from its `start`, ordered by their beginning. `diary`: (mill, ISO time,
    event), ordered by time. `told`: number of cases of each story."""

    cases: list[list[tuple[str, Event]]]
    diary: list[tuple[str, str, Event]]
    told: dict[str, int] = field(default_factory=dict)


def invented_lab(
    compiled: Compiled,
    until: datetime,
    seed: int = 1,
    cases: int = 600,
    progress: Callable[[int, int], None] | None = None,
    jobs: int = 1,
) -> Lab:
    """The lab's fourteen months up to `until` (with a time zone; its working hours are in that zone).

    `cases` cases, worked in `jobs` processes; from 40 on every story has its cases. Raises ValueError for fewer, or for a time without zone.
    """
    if until.tzinfo is None:
        raise ValueError("the end needs a time zone, or nobody knows what its working hours are")
    if cases < 40:
        raise ValueError("the stories need at least 40 cases")
    months = Months(until, DAYS)
    plans = stories(months, random.Random(f"{seed} stories"), cases / 600)
    plans += _ordinary(compiled, months, random.Random(f"{seed} ordinary"), cases - len(plans))
    plans.sort(key=lambda p: p.begin)
    _last_days(plans, until, random.Random(f"{seed} last"))
    tasks = []
    for number, plan in enumerate(plans):
        _circumstances(compiled, plan, months, random.Random(f"{seed} day {number}"))
        tasks.append((plan, f"{seed} case {number}"))
    worked: list[tuple[CasePlan, list[tuple[datetime, Event]]]] = []
    for plan, events in zip(plans, each_in_pool(_work, compiled, tasks, jobs), strict=True):
        worked.append((plan, [(at, event) for at, event in events if at <= until]))
        if progress:
            progress(len(worked), len(plans))
    ends = [(plan.mill, events[-1]) for plan, events in worked]
    _review(worked, until, random.Random(f"{seed} review"))
    written = [[(iso(at), event) for at, event in events] for _, events in worked]
    told: dict[str, int] = {}
    for plan in plans:
        told[plan.story] = told.get(plan.story, 0) + 1
    entries = diary(compiled.kb, months, MILLS, _present(months), SUPERVISOR, random.Random(f"{seed} diary"), ends)
    return Lab(written, entries, told)


@lru_cache(maxsize=1)
def _desk(compiled: Compiled) -> Desk:
    return Desk(compiled)


def _work(compiled: Compiled, task: tuple[CasePlan, str]) -> list[tuple[datetime, Event]]:
    plan, seed = task
    start: Event = {"type": "start", "knowledge": compiled.kb.digest, "version": __version__, "invented": True}
    start |= {"mill": plan.mill, "technician": plan.technician, "lab": LAB}
    return _desk(compiled).work(plan, random.Random(seed), start)


def _present(months: Months) -> dict[str, datetime]:
    """Each technician and the day of beginning here: one is new since spring."""
    return {t: months.spring if t == TECHNICIANS[2] else months.begin for t in TECHNICIANS}


def _someone(months: Months, at: datetime, rng: random.Random) -> str:
    here = [t for t, since in _present(months).items() if since <= at]
    return rng.choices(here, [4, 3.5, 2.8][: len(here)])[0]


# -- ordinary cases ---------------------------------------------------------------------------------------------------


def _ordinary(compiled: Compiled, months: Months, rng: random.Random, count: int) -> list[CasePlan]:
    """Cases by the base rates of the knowledge and the season; now and then two causes, or none of the known."""
    causes = list(compiled.kb.causes)
    rates = [c.prior.per_hundred for c in compiled.kb.causes.values()]
    symptoms = list(compiled.kb.symptoms)
    plans = []
    for _ in range(max(count, 0)):
        at = months.working_moment(rng)
        warm, cold = at.month in (6, 7, 8), at.month in (12, 1, 2)
        weights = [
            r * (SEASON[c][0] if warm else SEASON[c][1] if cold else 1.0) if c in SEASON else r
            for c, r in zip(causes, rates, strict=True)
        ]
        kind = rng.random()
        mill = rng.choice(MILLS)
        if kind < 0.03:
            plan = CasePlan(mill, "", at, (), (rng.choice(symptoms),), story="none-known")
        else:
            true = dict.fromkeys(rng.choices(causes, weights, k=2 if kind > 0.95 else 1))
            plan = CasePlan(mill, "", at, tuple(true), story="two-causes" if len(true) > 1 else "ordinary")
        plan.pause = rng.random() < 0.05
        if rng.random() < 0.01:
            plan.how = "open"
        plans.append(plan)
    return plans


def _last_days(plans: Sequence[CasePlan], until: datetime, rng: random.Random) -> None:
    """Some of the newest cases are still open."""
    newest = [p for p in plans if p.begin > until - timedelta(days=14)]
    for plan in newest[-max(len(newest) // 3, 2) :]:
        plan.leave = rng.random() < 0.75
    plans[-1].leave = True


def _circumstances(compiled: Compiled, plan: CasePlan, months: Months, rng: random.Random) -> None:
    """Who, which material, which settings, and the mill's own readings of that day."""
    kb = compiled.kb
    plan.technician = plan.technician or _someone(months, plan.begin, rng)
    newcomer = (plan.begin - months.spring).days if plan.technician == TECHNICIANS[2] else 999
    plan.unknown = 0.2 if newcomer < 90 else 0.06 if newcomer < 200 else 0.0
    if not plan.symptoms:
        plan.symptoms = Truth(compiled, plan.causes, rng).complaint(compiled)
    families = {kb.symptoms[s].family for s in plan.symptoms}
    effects = [e for c in plan.causes for e in kb.causes[c].setting]
    likely = {"glass-ceramic": 45.0, "zirconia": 32.0, "resin": 18.0, "other": 5.0}
    for effect in effects:
        if effect.field == "material" and effect.is_:
            likely.update({m: likely[m] * effect.odds for m in effect.is_ if m in likely})
    material = rng.choices(list(likely), list(likely.values()))[0]
    if "sintered-wrong" in plan.symptoms:
        material = "zirconia"
    dry = 0.6 if material == "zirconia" else 0.3 if material == "resin" else 0.0
    wet = "coolant" in families or (rng.random() >= dry and "suction" not in families)
    if "suction" in families and material == "glass-ceramic":
        material = "zirconia"
    plan.remembered = {
        "spindles": "two",
        "air_users": "1" if plan.mill == "quay" else "3",
        "process": "wet" if wet else "dry",
    }
    settings = {"material": material, **plan.settings}
    fields = [e.field for e in effects if e.field.endswith(("hours", "days"))] or ["burr_hours", "bath_days"]
    extra = rng.choice(fields)
    if extra not in settings and (wet or extra != "bath_days") and rng.random() < 0.8:
        settings[extra] = f"{_usual(extra, plan, months, effects, rng):.0f}"
    plan.settings = settings
    plan.levels = levels_on(months, plan.mill, plan.begin)
    if not plan.only:
        usual = [c for c, some, often in ROUTINE if (some is None or families & set(some)) and rng.random() < often]
        plan.first += tuple(c for c in usual if c not in plan.first and (wet or c != "bath-concentration"))


def _usual(name: str, plan: CasePlan, months: Months, effects: Sequence[SettingEffect], rng: random.Random) -> float:
    """A believable number for a setting; beyond the limit that goes with the cause more often than not."""
    if name == "mill_hours":
        return months.spindle_hours(plan.mill, plan.begin)
    value = rng.uniform(1, {"burr_hours": 22, "bath_days": 16, "collet_days": 20, "calibration_days": 35}[name])
    for effect in effects:
        if effect.field == name and effect.above is not None and rng.random() < 0.6:
            value = max(value, effect.above * rng.uniform(1.05, 1.6))
    return value


# -- the supervisor ---------------------------------------------------------------------------------------------------


def _review(worked: list[tuple[CasePlan, list[tuple[datetime, Event]]]], until: datetime, rng: random.Random) -> None:
    """Marit goes through the closed cases on Friday afternoons; she approves, corrects, asks, comments."""
    closed = [(p, events) for p, events in worked if events[-1][1]["type"] == "close" and p.how != "open"]
    closed.sort(key=lambda item: item[1][-1][0])
    signed = closed[:-UNSIGNED]
    waiting = (len(signed) - 2, len(signed) - 5)  # asked, and not yet answered
    for place, (plan, events) in enumerate(signed):
        if rng.random() < 0.03:
            continue
        end = events[-1]
        at = _friday(end[0], rng)
        cause = end[1].get("cause")
        true = plan.causes[0] if plan.causes else None
        wrong = bool(cause) and bool(plan.causes) and cause not in plan.causes
        added: list[tuple[datetime, Event]] = []
        if place in waiting:
            added.append((at, _word("ask", text=rng.choice(QUESTIONS)[0])))
        elif wrong and rng.random() < (0.6 if plan.story != "spindle" or place > len(closed) * 0.55 else 0.0):
            added.append((at, _word("correct", cause=true, text=rng.choice(CORRECTIONS))))
        else:
            if rng.random() < 0.03:
                question, reply = rng.choice(QUESTIONS)
                added.append((at, _word("ask", text=question)))
                at = Shift(at).forward(rng.uniform(240, 600))
                added.append((at, {"type": "note", "text": reply}))
                at = _friday(at, rng)
            if rng.random() < 0.06:
                added.append((at, _word("comment", text=rng.choice(COMMENTS))))
            added.append((at + timedelta(seconds=rng.randint(20, 90)), _word("approve")))
        events += [(when, event) for when, event in added if when <= until]


def _word(action: str, **more: str | None) -> Event:
    return {"type": "review", "action": action, "by": SUPERVISOR, **{k: v for k, v in more.items() if v}}


def _friday(after: datetime, rng: random.Random) -> datetime:
    """The next Friday afternoon after a moment."""
    at = after.replace(hour=14, minute=0, second=0, microsecond=0) + timedelta(minutes=rng.randint(0, 150))
    at += timedelta(days=(4 - after.weekday()) % 7)
    return at if at > after else at + timedelta(days=7)
