"""One invented case worked at a bench: a truthful sequence of events, each taken by a real session, with its time."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.demo.truth import Odds, Truth, as_typed, drawn_reading
from advisor.session import Event, Session

__all__ = ["CasePlan", "Desk", "Shift", "iso"]

NOTES = (
    "First job of the morning.",
    "Second part of this order, the first came out well.",
    "The dentist needs it on Thursday.",
    "Photo is with the order slip.",
    "Had to stop for a delivery in between.",
    "Same order as last week, new scan.",
    "Looked at with the loupe beside the window.",
    "Block from a new box.",
)
SPOILT = ("margins", "fit", "block", "calibration")
CLEAR = 0.75  # a technician stops looking when one cause has this much of the weight
RANKED = 2  # with more remedies tried the engine's ranking takes long, and a demonstration can do without


@dataclass
class CasePlan:
    """What an invented case is to be: where, who, when, what is true, and what of its course is settled beforehand.

    `levels` are the mill's own values of measured checks on that day, with the spread of one reading; `steady` says that
    they hold whatever the causes would add. `first` are checks done before any other, `only` says that no others are
    done. `remedies` are (remedy, result) as they went; None leaves them to the ranking and the truth. `cause` is what
    the technician closes it with, '' for no cause.
    """

    mill: str
    technician: str
    begin: datetime
    causes: tuple[str, ...]
    symptoms: tuple[str, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)
    remembered: Mapping[str, str] = field(default_factory=dict)
    levels: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    steady: bool = False
    first: tuple[str, ...] = ()
    only: bool = False
    forced: Mapping[str, str] = field(default_factory=dict)
    remedies: tuple[tuple[str, str], ...] | None = None
    cause: str | None = None
    how: str | None = None
    notes: tuple[str, ...] = ()
    unknown: float = 0.0
    pause: bool = False
    leave: bool = False
    story: str = ""


class Shift:
    """Working time: Monday to Friday 8 to 17, Saturday 8 to 13, in the time zone of the moment it began."""

    def __init__(self, at: datetime) -> None:
        self.at = at
        self.forward(0)

    def forward(self, minutes: float) -> datetime:
        """Go on by working minutes; what does not fit into the day is done the next working morning."""
        self.at += timedelta(minutes=minutes)
        end = {5: 13, 6: 0}.get(self.at.weekday(), 17)
        if self.at.hour >= end:
            self.morning()
        elif self.at.hour < 8:
            self.at = self.at.replace(hour=8, minute=3)
        return self.at

    def morning(self) -> None:
        """The next working day, a little after eight."""
        self.at = (self.at + timedelta(days=1)).replace(hour=8, minute=self.at.minute % 20)
        if self.at.weekday() == 6:
            self.at += timedelta(days=1)


def iso(at: datetime) -> str:
    """UTC, ISO 8601 with milliseconds, as the log keeps times."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds")


class Desk:
    """Works invented cases; made once for many of them."""

    def __init__(self, compiled: Compiled) -> None:
        self.compiled, self.kb = compiled, compiled.kb
        self.odds = Odds(compiled)
        self.cures: dict[str, dict[str, float]] = {}
        for cause in self.kb.causes.values():
            for cure in cause.remedies:
                self.cures.setdefault(cure.remedy, {})[cause.id] = compiled.share(cure.cures)

    def work(self, plan: CasePlan, rng: random.Random, start: Event) -> list[tuple[datetime, Event]]:
        """The case from `start` to its close (or to where it was left), with local times."""
        return _Case(self, plan, rng, start).run()


class _Case:
    def __init__(self, desk: Desk, plan: CasePlan, rng: random.Random, start: Event) -> None:
        self.desk, self.plan, self.rng, self.kb = desk, plan, rng, desk.kb
        forced = {c: [o.id for o in self.kb.checks[c].outcomes].index(o) for c, o in plan.forced.items()}
        self.truth = Truth(desk.compiled, plan.causes, rng, forced, plan.levels)
        self.session = Session(desk.compiled)
        self.shift = Shift(plan.begin)
        self.done: list[tuple[datetime, Event]] = []
        self.take(start, 0)

    def take(self, event: Event, minutes: float | None = None) -> None:
        """Take an event; without `minutes` it lasts about as long as its step does by the knowledge."""
        before = self.session.state.minutes
        self.session.take(event)
        if minutes is None:
            minutes = (self.session.state.minutes - before) * self.rng.uniform(0.8, 1.3) + self.rng.uniform(0.3, 1)
        self.done.append((self.shift.forward(minutes + self.rng.uniform(0, 0.3)), event))

    def run(self) -> list[tuple[datetime, Event]]:
        plan = self.plan
        self.open_case()
        self.look_around()
        for note in plan.notes:
            self.take({"type": "note", "text": note}, self.rng.uniform(0.5, 2))
        if plan.leave:
            return self.done
        if plan.pause:
            self.shift.morning()
        if plan.how == "open":
            self.close("open", None)
        elif not self.mend():
            self.close(plan.how or "referred", None)
        return self.done

    # -- the beginning --------------------------------------------------------------------------------------------

    def open_case(self) -> None:
        plan, rng = self.plan, self.rng
        for key, value in plan.remembered.items():
            self.take({"type": "setting", "field": key, "value": value}, 0)
        symptoms = plan.symptoms or self.truth.complaint(self.desk.compiled)
        said = " and ".join(rng.choice(self.kb.symptoms[s].say) for s in symptoms)
        self.take({"type": "complaint", "text": said}, rng.uniform(0.3, 1))
        for symptom in symptoms:
            self.take({"type": "symptom", "symptom": symptom, "present": True}, 0)
        for key, value in plan.settings.items():
            self.take({"type": "setting", "field": key, "value": value}, rng.uniform(0.1, 0.4))
        if rng.random() < 0.12 and not plan.notes:
            self.take({"type": "note", "text": rng.choice(NOTES)}, 0.5)

    # -- checks ---------------------------------------------------------------------------------------------------

    def look_around(self) -> None:
        """The checks of the plan, then some that bear on the leading causes, until one of them stands out."""
        plan = self.plan
        for check in plan.first:
            self.answer(check)
        count = 0 if plan.only else self.rng.choices((4, 6, 8, 10), (2, 3, 4, 3))[0]
        for turn in range(count):
            weight = self.weigh()
            if turn > 1 and weight.max() > CLEAR:
                break
            self.ask_more(weight)
            if plan.pause and turn == 1:
                self.shift.morning()

    def ask_more(self, weight: Any) -> None:
        """One more check that tells the leading causes apart."""
        check = next((c for c in self.desk.odds.telling(weight, self.rng) if self.sensible(c)), None)
        if check:
            self.answer(check)

    def weigh(self) -> Any:
        state = self.session.state
        levels = {c: [o.id for o in self.kb.checks[c].outcomes].index(a.likeliest) for c, a in state.answers.items()}
        weight = self.desk.odds.weigh([s for s, there in state.symptoms.items() if there], levels)
        for remedy, _ in state.remedies:  # what they would have cured is less likely now
            for cause, sure in self.desk.cures[remedy].items():
                weight[self.desk.odds.causes.index(cause)] *= 1 - sure
        return weight / weight.sum()

    def sensible(self, check: str) -> bool:
        state, record = self.session.state, self.kb.checks[check]
        if check in state.answers or check in state.unanswered or record.minutes > 15:
            return False
        return self.desk.compiled.applies(record.applies, state.choices, state.numbers)

    def answer(self, key: str) -> None:
        """Do a check: read its warnings, then answer it, or say that it cannot be answered."""
        check, rng = self.kb.checks[key], self.rng
        if not self.sensible(key) and key not in self.plan.first:
            return
        self.warned(check.hazards)
        no_answer = self.desk.compiled.reporting[check.kind].no_answer * 0.6 + self.plan.unknown
        if key not in self.plan.forced and rng.random() < no_answer:
            self.take({"type": "unknown", "check": key})
            return
        event: Event = {"type": "answer", "check": key, "question": check.ask}
        level = self.truth.level(key)
        if check.measured:
            own = self.plan.levels.get(key)
            if own and (level == 0 or self.plan.steady) and key not in self.plan.forced:
                value = rng.gauss(*own)
            else:
                value = drawn_reading(check, level, self.session.state.profile, rng)
            number, unit = as_typed(self.desk.compiled, check, value)
            event |= {"value": number, "instrument": check.instrument, "typed": f"{number} {unit}".strip()}
            event |= {"unit": unit} if unit else {}
        else:
            event |= {"outcome": check.outcomes[level].id, "typed": str(level + 1)}
            if rng.random() < 0.02:  # a slip of the finger, taken back at once
                wrong = (level + 1) % len(check.outcomes)
                self.take({**event, "outcome": check.outcomes[wrong].id, "typed": str(wrong + 1)})
                self.take({"type": "undo"}, 0.2)
        self.take(event)

    def warned(self, hazards: tuple[str, ...]) -> None:
        for caution in self.desk.compiled.cautions_for(hazards):
            record = self.kb.cautions[caution]
            if record.signal in ("danger", "warning") and caution not in self.session.state.acknowledged:
                self.take({"type": "acknowledge", "caution": caution}, 0.2)

    # -- remedies -------------------------------------------------------------------------------------------------

    def mend(self) -> bool:
        """Try remedies until one helps; True when the case was closed."""
        plan = self.plan
        settled = list(plan.remedies or ())
        left = set(plan.causes)
        for turn in range(len(settled) if plan.remedies is not None else 4 + len(plan.causes) // 2):
            view = self.ready(settled[0][0] if settled else None) if turn == 0 else None
            if settled:
                key, result = settled.pop(0)
            else:
                if turn:
                    self.ask_more(self.weigh())
                    self.ask_more(self.weigh())
                picked = self.pick([r.cause for r in view.ranking] if view else self.by_weight())
                if picked is None:
                    return False
                key = picked
                left -= {c for c, sure in self.desk.cures[key].items() if self.rng.random() < sure}
                result = "no-change" if left or not plan.causes else "helped"
                if result == "no-change" and self.rng.random() < 0.04:
                    result = "worse"
            if self.apply(key, result, view) and self.proven(key):
                return True
        return False

    def ready(self, remedy: str | None) -> Assessment:
        """The view before the first remedy, when the checks are done that the rules want before it."""
        view = Assessment(self.desk.compiled, self.session.state)
        key = remedy or self.pick(self.by_weight())
        due = [c for c in view.verdict.first.get(key or "", ()) if c not in view.verdict.answers and self.sensible(c)]
        if self.plan.only or not due:
            return view
        for check in due[:2]:
            self.answer(check)
        return Assessment(self.desk.compiled, self.session.state)

    def by_weight(self) -> list[str]:
        weight, causes = self.weigh(), self.desk.odds.causes
        return [causes[i] for i in (-weight).argsort(kind="stable")[:12]]

    def pick(self, ranked: list[str]) -> str | None:
        """The surest remedy of the likeliest cause whose remedies are not used up."""
        tried = {r for r, _ in self.session.state.remedies}
        for cause in ranked[:8]:
            cures = [c for c in self.kb.causes[cause].remedies if c.remedy not in tried]
            if cures:
                return max(cures, key=lambda c: self.desk.compiled.share(c.cures)).remedy
        return None

    def apply(self, key: str, result: str, view: Assessment | None) -> bool:
        record = self.kb.remedies[key]
        self.warned(record.hazards)
        event: Event = {"type": "remedy", "remedy": key, "result": result, "question": record.title}
        if view:
            event["ranking"] = ranking(view)
        if record.who in ("service", "electrician"):
            for _ in range(self.rng.randint(1, 4)):
                self.shift.morning()
        self.take(event)
        return result == "helped"

    def proven(self, key: str) -> bool:
        """The proof test and the close; False when the proof failed and the case goes on."""
        settled = self.plan.remedies is not None
        if not settled and self.rng.random() < 0.05:
            self.close("fixed-unproven", key)
            return True
        passed = settled or self.rng.random() < 0.97
        self.take({"type": "proof", "remedy": key, "passed": passed})
        if passed:
            self.close(self.plan.how or "confirmed", key)
        return passed

    # -- the end --------------------------------------------------------------------------------------------------

    def close(self, how: str, remedy: str | None) -> None:
        """Close with the cause the technician believes: the true one if it is among those offered, else the first."""
        event: Event = {"type": "close", "how": how}
        cause, ranked = self.plan.cause, self.by_weight()
        if remedy and len(self.session.state.remedies) <= RANKED:
            view = Assessment(self.desk.compiled, self.session.state)
            event["ranking"], ranked = ranking(view), [r.cause for r in view.ranking]
        if cause is None and remedy:
            likely = [c for c in ranked if c in self.desk.cures[remedy]][:3]
            true = [c for c in likely if c in self.plan.causes]
            cause = true[0] if true and self.rng.random() < 0.85 else next(iter(likely), "")
        if cause and how in ("confirmed", "fixed-unproven"):
            event["cause"] = cause
        elif how == "confirmed":
            event["how"] = "fixed-unproven"
        families = {self.kb.symptoms[s].family for s, there in self.session.state.symptoms.items() if there}
        lost = self.rng.choices((0, 1, 2, 3), (2, 6, 2, 1) if families & set(SPOILT) else (8, 2, 1, 0))[0]
        event |= {"minutes": round(self.session.state.minutes, 1), "blocks": lost}
        self.take(event, self.rng.uniform(0.5, 2))


def ranking(view: Assessment) -> list[list[Any]]:
    """The first five causes as the program shows them at this moment."""
    return [[r.cause, round(r.probability, 4)] for r in view.ranking[:5]]
