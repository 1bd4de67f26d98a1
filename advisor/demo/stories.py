"""The stories of the invented lab, as plans of cases, and what each mill measures on a given day."""

from __future__ import annotations

import random
from datetime import datetime, timedelta

from advisor.demo.desk import CasePlan

__all__ = ["MILLS", "Months", "levels_on", "stories"]

MILLS = ("north", "quay", "tide", "harbour")
AIR, AGEING, STRONG, FOUL = "quay", "tide", "north", "harbour"
STARTING_HOURS = {"north": 1450.0, "quay": 2100.0, "tide": 3150.0, "harbour": 900.0}

# Days before the end at which the air line's story turns.
LEAK_BEGINS, LEAK_MENDED, LEAK_CURED = 345, 205, 120
COLLET_BEGINS, COLLET_ENDS = 300, 165
STRANGE = {  # the same findings each time, and none of the known causes explains them
    "where-on-part": "one-side",
    "when-in-job": "finishing",
    "since-when": "sudden",
    "cold-or-warm": "same",
    "last-change": "nothing",
    "test-block-step": "ok",
    "spindle-sound": "usual",
}


class Months:
    """The span of time of the lab: its `begin`, its end `until`, and the days on which stories turn."""

    def __init__(self, until: datetime, days: int) -> None:
        self.until, self.days = until, days
        self.begin = (until - timedelta(days=days)).replace(hour=8, minute=0, second=0, microsecond=0)
        self.spring = max(
            at
            for year in range(until.year - 2, until.year + 1)
            if (at := until.replace(year=year, month=3, day=16, hour=8, minute=0, second=0, microsecond=0))
            <= until - timedelta(days=60)
        )
        summers = [
            (until.replace(year=y, month=6, day=1, hour=8), until.replace(year=y, month=8, day=31, hour=17))
            for y in (until.year - 1, until.year)
        ]
        self.summer = max(summers, key=lambda s: min(s[1], until) - max(s[0], self.begin))

    def before(self, days: float) -> datetime:
        """A moment so many days before the end."""
        return self.until - timedelta(days=days)

    def working_moment(
        self, rng: random.Random, first: datetime | None = None, last: datetime | None = None
    ) -> datetime:
        """A random moment in working hours between two days (by default the whole span); Saturdays are quieter."""
        first, last = max(first or self.begin, self.begin), min(last or self.until, self.until)
        while True:
            at = first + (last - first) * rng.random()
            if at.weekday() == 6 or (at.weekday() == 5 and rng.random() < 0.5):
                continue
            at = at.replace(hour=rng.randint(8, 12 if at.weekday() == 5 else 15), minute=rng.randint(0, 59))
            at = at.replace(second=rng.randint(0, 59), microsecond=rng.randint(0, 999) * 1000)
            if self.begin <= at <= self.until - timedelta(hours=2):
                return at

    def spindle_hours(self, mill: str, at: datetime) -> float:
        """Spindle hours of a mill at a moment."""
        return STARTING_HOURS[mill] + (at - self.begin).days * (4.4 if mill == AGEING else 3.6)

    def in_summer(self, at: datetime) -> bool:
        """Whether it is the summer in which two baths were neglected."""
        return self.summer[0] <= at <= self.summer[1]


def levels_on(months: Months, mill: str, at: datetime) -> dict[str, tuple[float, float]]:
    """What a mill measures that day when nothing else is wrong: check -> value and spread, in the check's unit."""
    left = (months.until - at).total_seconds() / 86_400
    done = 1 - left / months.days
    air, strength, runout, play = 0.635, 9.1, 4.0, 4.5
    if mill == AIR:
        if LEAK_BEGINS >= left > LEAK_MENDED:
            air -= 0.075 * (LEAK_BEGINS - left) / (LEAK_BEGINS - LEAK_MENDED)
        elif LEAK_MENDED >= left > LEAK_CURED:
            air -= 0.025 + 0.085 * (LEAK_MENDED - left) / (LEAK_MENDED - LEAK_CURED)
    if mill in (STRONG, FOUL) and months.in_summer(at):
        gone = (at - months.summer[0]) / (months.summer[1] - months.summer[0])
        strength += (5.0 if mill == STRONG else -3.9) * gone**0.7
    if mill == AGEING:
        runout, play = 3.6 + 4.5 * done + 6.5 * done**2, 4.0 + 10 * done**1.5
    return {
        "air-static": (air, 0.008),
        "air-running": (air - 0.03, 0.012),
        "air-after-regulator": (air + 0.01, 0.008),
        "bath-concentration": (strength, 0.35),
        "runout-shank": (runout, 1.2),
        "spindle-play": (play, 1.2),
        "sensor-repeat": (3.6, 1.0),
        "test-block-size": (21.0, 6.0),
        "calibration-repeat": (4.5, 1.3),
    }


def stories(months: Months, rng: random.Random, size: float) -> list[CasePlan]:
    """All stories; `size` is the share of their full number of cases (1: a lab of 600)."""
    return [
        *_leak(months, rng, size),
        *_spindle(months, rng, size),
        *_bath(months, rng, size),
        *_collet(months, size),
        *_strange(months, rng, size),
    ]


def _leak(months: Months, rng: random.Random, size: float) -> list[CasePlan]:
    """The air line of one mill leaks more and more; a repair that does not hold, then one that does."""
    line = ("air-leak-line",)
    busy, drops = ("compressor-busy", "air-drops"), ("air-drops",)
    helped = (("mend-leak", "helped"),)
    plans = [
        CasePlan(AIR, "Tomas", _at(months, LEAK_MENDED, 9), line, busy, remedies=helped, cause=line[0],
                 first=("air-static", "receiver-decay", "leak-listen"), notes=("Coupling behind the bench retightened.",)),
        CasePlan(AIR, "Ines", _at(months, LEAK_CURED, 9), line, busy, remedies=helped, cause=line[0],
                 first=("air-static", "receiver-decay", "leak-listen"),
                 notes=("The hose was torn at the coupling. New hose and new coupling.",)),
    ]  # fmt: skip
    ways = (
        ((("set-regulator", "helped"),), "regulator-set-low", None),
        ((("change-air-filter", "helped"),), "air-filter-clogged", None),
        ((("change-air-filter", "no-change"), ("set-regulator", "helped")), "regulator-set-low", "fixed-unproven"),
        ((("set-regulator", "no-change"),), None, "referred"),
        ((("mend-leak", "helped"),), "air-leak-line", None),
    )
    spans = ((LEAK_BEGINS, LEAK_MENDED + 2, 15), (LEAK_MENDED - 5, LEAK_CURED + 1, 15))
    for begins, ends, count in spans:
        for _ in range(max(round(count * size), 1)):
            left = begins - (begins - ends) * rng.random() ** 0.6  # more and more of them
            at = months.working_moment(rng, months.before(left + 1), months.before(left))
            remedies, cause, how = rng.choices(ways, (4, 2, 2, 1.5, 1))[0]
            symptoms = rng.choices((drops, busy, ("air-low",)), (4, 2, 3))[0]
            plans.append(
                CasePlan(AIR, "", at, line, symptoms, remedies=remedies, cause=cause, how=how, first=("air-static",),
                         forced={"leak-listen": "silent"} if cause != line[0] else {})
            )  # fmt: skip
    return _named(plans, "leak")


def _spindle(months: Months, rng: random.Random, size: float) -> list[CasePlan]:
    """A spindle ages: surfaces, margins, broken burrs. New burrs hide it for a while; it has not been serviced yet."""
    plans = []
    for _ in range(max(round(38 * size), 3)):
        done = rng.random() ** 0.55
        left = (1 - done) * (months.days - 5) + 2
        at = months.working_moment(rng, months.before(left + 1), months.before(left))
        symptoms: tuple[str, ...] = rng.choice(
            (("surface-rough",), ("margin-chipped",), ("burr-broke",), ("burr-short-life",), ("surface-rough", "margin-chipped"))
        )  # fmt: skip
        if done > 0.6 and rng.random() < 0.4:
            symptoms += ("spindle-noise",)
        burr = "change-roughing-burr" if "burr-broke" in symptoms else "change-finishing-burr"
        worn = "roughing-burr-worn" if "burr-broke" in symptoms else "finishing-burr-worn"
        remedies, cause, how = rng.choices(
            (
                (((burr, "helped"),), worn, None),
                ((("clean-collet", "no-change"), (burr, "helped")), worn, "fixed-unproven"),
                ((("clean-collet", "helped"),), "collet-dirty", None),
                ((("clean-collet", "no-change"), (burr, "no-change")), None, "referred"),
            ),
            (5, 2, 1.5, 0.3 + 3 * done**2),
        )[0]
        hours = {"mill_hours": f"{months.spindle_hours(AGEING, at):.0f}"} if rng.random() < 0.6 else {}
        plans.append(
            CasePlan(AGEING, "", at, ("spindle-bearing-worn",), symptoms, settings=hours, steady=True,
                     first=("runout-shank", "spindle-play") if rng.random() < 0.4 + done / 2 else ("runout-shank",),
                     remedies=remedies, cause=cause, how=how)
        )  # fmt: skip
    return _named(plans, "spindle")


def _bath(months: Months, rng: random.Random, size: float) -> list[CasePlan]:
    """A summer without care of two baths: one grows too strong, the other thin and foul."""
    first, last = months.summer[0] + timedelta(days=9), months.summer[1]
    choices = {
        STRONG: ((("bath-too-strong",), ("bath-foams",)), (("bath-too-strong",), ("residue",)),
                 (("bath-too-strong",), ("bath-foams", "residue")), (("bath-old",), ("bath-smells",))),
        FOUL: ((("bath-old",), ("bath-smells",)), (("bath-old",), ("bath-smells", "residue")),
               (("bath-left-standing",), ("bath-smells",)), (("bath-too-weak",), ("burr-short-life",))),
    }  # fmt: skip
    plans = []
    for mill, ways in choices.items():
        for _ in range(max(round(16 * size), 3)):
            causes, symptoms = rng.choices(ways, (4, 3, 2, 3))[0]
            at = months.working_moment(rng, first, last)
            age = {"bath_days": f"{min((at - months.summer[0]).days + 8, 95)}"}
            plans.append(
                CasePlan(mill, "", at, causes, symptoms, settings=age, steady=True, first=("bath-concentration",))
            )
    return _named(plans, "bath")


def _collet(months: Months, size: float) -> list[CasePlan]:
    """Cleaning the collet helps each time, for three weeks; then it is changed."""
    count = max(round(6 * size), 3)
    step = min((COLLET_BEGINS - COLLET_ENDS) / count, 24)
    symptoms = ("burr-slips", "margin-chipped")
    plans = [
        CasePlan("north", "", _at(months, COLLET_ENDS + step * (count - i), 10), ("collet-worn",), symptoms,
                 remedies=(("clean-collet", "helped"),), cause="collet-dirty", first=("runout-shank",),
                 forced={"collet-look": "dirty"})
        for i in range(count)
    ]  # fmt: skip
    last = _at(months, COLLET_ENDS, 10)
    plans.append(
        CasePlan("north", "Ines", last, ("collet-worn",), symptoms, first=("runout-shank",), cause="collet-worn",
                 remedies=(("replace-collet", "helped"),), notes=("The jaws are worn bright. New collet.",))
    )  # fmt: skip
    return _named(plans, "collet")


def _strange(months: Months, rng: random.Random, size: float) -> list[CasePlan]:
    """The same findings again and again on one mill, and none of the known causes behind them."""
    plans = []
    for i in range(max(round(7 * size), 4)):
        left = 250 - i * 230 / max(round(7 * size), 4) - rng.random() * 20
        at = months.working_moment(rng, months.before(left + 2), months.before(left))
        plans.append(
            CasePlan("harbour", "", at, (), ("surface-steps",), first=tuple(STRANGE), only=True, forced=STRANGE,
                     settings={"material": "glass-ceramic"}, remedies=(("reseat-block", "no-change"),), how="referred",
                     notes=("Fine bands on the side to the window, always in the afternoon.",))
        )  # fmt: skip
    return _named(plans, "strange")


def _at(months: Months, left: float, hour: int) -> datetime:
    """A working morning about so many days before the end."""
    at = months.before(left).replace(hour=hour, minute=int(left * 7) % 50)
    return at + timedelta(days=1) if at.weekday() == 6 else at


def _named(plans: list[CasePlan], story: str) -> list[CasePlan]:
    for plan in plans:
        plan.story = story
    return plans
