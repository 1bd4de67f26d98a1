"""Typed records of the knowledge base: what a knowledge file may say.

Every scalar arrives as text (see :mod:`advisor.load`) and gets its type here, so `yes`, `5/6` and
`0.10` mean what they look like. A record never holds a filler: an absent field means "unknown".
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints, model_validator

from advisor.record import Bound, BoundField, Evidence, Id, Line, Minutes, Record, Seen, Signal, Text, Words
from advisor.vocabulary import MillField, Preparation, SettingField, Vocabulary

__all__ = [
    "KINDS",
    "Bound",
    "CareTask",
    "Cause",
    "Caution",
    "Check",
    "CheckCalc",
    "CheckOutcome",
    "Condition",
    "Example",
    "Finding",
    "Inseparable",
    "Instrument",
    "Knowledge",
    "Link",
    "MillField",
    "Preparation",
    "Remedy",
    "Rule",
    "SettingEffect",
    "SettingField",
    "Source",
    "Symptom",
    "Vocabulary",
    "WorkedCase",
]


class Source(Record):
    """A published source, cited by id, with how it is known to us."""

    id: Id
    title: Text
    year: int | None = None
    known: Literal["read", "second-hand", "memory", "common-practice", "derived"]


class Symptom(Record):
    """What people complain of, with the everyday words they use for it.

    `per_hundred`: of 100 bad results, how many show it; the linter holds it against what the causes add up to.
    """

    id: Id
    title: Line
    family: Id
    say: tuple[Line, ...] = Field(min_length=3)
    ask: Line
    background: Seen = "very rare"
    per_hundred: Annotated[float, Field(gt=0, le=100)] | None = None


class CheckOutcome(Record):
    """One possible result of a check; the first one listed is what a sound mill shows.

    `background` is how often the outcome turns up when none of the causes linked to it is present.
    `start` and `end` (written `from`, `to`) bound a reading, in the check's unit: from <= reading < to.
    """

    id: Id
    label: Line
    background: Seen | None = None
    start: BoundField | None = Field(default=None, alias="from")
    end: BoundField | None = Field(default=None, alias="to")


class Condition(Record):
    """One fact a rule waits for; `not` turns it round."""

    symptom: Id | None = None
    check: Id | None = None
    setting: str | None = None
    finding: Id | None = None
    remedy: Id | None = None
    is_: Words | None = Field(default=None, alias="is")
    above: float | None = None
    below: float | None = None
    negate: Condition | None = Field(default=None, alias="not")

    @model_validator(mode="after")
    def _one_subject(self) -> Condition:
        subjects = [s for s in (self.symptom, self.check, self.setting, self.finding, self.remedy, self.negate) if s]
        if len(subjects) != 1:
            raise ValueError("a condition names exactly one of symptom, check, setting, finding, remedy, not")
        if (self.setting or self.remedy or self.check) and self.is_ is None and not self.compares:
            raise ValueError("say what it must be: 'is: ...', 'above: ...' or 'below: ...'")
        if self.is_ is not None and self.compares:
            raise ValueError("write either 'is' or 'above' and 'below': a word and a number are two conditions")
        if self.compares and not (self.check or self.setting):
            raise ValueError("only a check or a setting can be 'above' or 'below' a number")
        if self.is_ is not None and (self.finding or self.negate):
            raise ValueError("a finding and a 'not' have no 'is'")
        if self.symptom and self.is_ is not None and len(self.is_) > 1:
            raise ValueError("a symptom is either present or absent: write one of them")
        return self

    @property
    def compares(self) -> bool:
        """True when it waits for a number."""
        return self.above is not None or self.below is not None

    @property
    def positive(self) -> bool:
        """False when it stands inside an odd number of `not`."""
        return self.negate is None or not self.negate.positive

    @property
    def subject(self) -> tuple[str, str]:
        """Kind and id of what it is about."""
        flat = self.flat()
        kinds = ("symptom", "check", "setting", "finding", "remedy")
        return next((kind, str(getattr(flat, kind))) for kind in kinds if getattr(flat, kind))

    def flat(self) -> Condition:
        """The condition inside any number of `not`."""
        return self.negate.flat() if self.negate else self

    def meets(self, value: str | float | None) -> bool:
        """Whether it holds when `value` is what is known of its subject; None when nothing is."""
        if self.negate:
            return not self.negate.meets(value)
        if value is None or isinstance(value, str):
            return value in (self.is_ or ("present",))
        return (self.above is None or value > self.above) and (self.below is None or value < self.below)


class CheckCalc(Record):
    """The calculation that works a check's answer out: which of its figures is the reading (a measuring check), or its
    classes are the outcomes (any other check). `given` holds inputs that the check itself settles."""

    name: Id
    figure: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z_]*$")] | None = None
    given: dict[str, str] = Field(default_factory=dict)


class Check(Record):
    """A question, a look, a measurement or a small trial: cost, how, what to expect, outcomes."""

    id: Id
    title: Line
    ask: Annotated[str, StringConstraints(min_length=5, max_length=160)]
    kind: Literal["ask", "look", "measure", "trial"]
    system: Id
    minutes: Minutes
    prep: tuple[Id, ...] = ()
    needs: tuple[Line, ...] = ()
    how: tuple[Annotated[str, StringConstraints(max_length=160)], ...] = Field(default=(), max_length=5)
    expect: Text | None = None
    confuse: Text | None = None
    hazards: tuple[Id, ...] = ()
    applies: tuple[Condition, ...] = ()
    quantity: Line | None = None
    unit: str | None = None
    plausible_from: float | None = None
    plausible_to: float | None = None
    instrument: Id | None = None
    calc: CheckCalc | None = None
    outcomes: tuple[CheckOutcome, ...] = Field(min_length=2)
    source: Id

    @property
    def measured(self) -> bool:
        """True when the answer is a reading with a unit."""
        return self.kind == "measure"

    def outcome(self, outcome: str) -> CheckOutcome:
        """The outcome with that id; KeyError if there is none."""
        for each in self.outcomes:
            if each.id == outcome:
                return each
        raise KeyError(outcome)

    @model_validator(mode="after")
    def _shape(self) -> Check:
        ids = [o.id for o in self.outcomes]
        if len(set(ids)) != len(ids):
            raise ValueError("two outcomes have the same id")
        if self.measured:
            for name in ("quantity", "unit", "plausible_from", "plausible_to", "instrument"):
                if getattr(self, name) is None:
                    raise ValueError(f"a measurement needs '{name}'")
            if any(o.start is None and o.end is None for o in self.outcomes):
                raise ValueError("every outcome of a measurement needs 'from', 'to' or both")
            if self.calc and self.calc.figure is None:
                raise ValueError("the calculation of a measurement names its 'figure'")
        elif self.calc and self.calc.figure is not None:
            raise ValueError("a check that is no measurement takes a calculation's classes: leave 'figure' out")
        elif any(o.start is not None or o.end is not None for o in self.outcomes):
            raise ValueError("only a measurement ('kind: measure') has outcomes with 'from' and 'to'")
        if self.kind != "ask" and not self.how:
            raise ValueError("say how it is done in one to five short steps ('how')")
        if self.kind != "ask" and self.expect is None:
            raise ValueError("say what a sound mill shows ('expect')")
        return self


class Link(Record):
    """How often a cause shows a symptom or a check outcome, and why.

    Links of one cause with the same `group` come from one underlying effect and are not counted twice.
    """

    symptom: Id | None = None
    check: Id | None = None
    outcome: Id | None = None
    seen: Seen
    evidence: Evidence = "judged"
    group: Id | None = None
    because: Text
    source: Id

    @model_validator(mode="after")
    def _one_target(self) -> Link:
        if (self.symptom is None) == (self.check is None):
            raise ValueError("a link names either a symptom or a check")
        if (self.check is None) != (self.outcome is None):
            raise ValueError("a link to a check names its 'outcome'; a link to a symptom has none")
        return self


class Prior(Record):
    """How common a cause is: so many of 100 bad results."""

    per_hundred: Annotated[float, Field(gt=0, le=60)]
    evidence: Evidence = "judged"
    source: Id


class SettingEffect(Record):
    """What in the setting makes a cause more (`odds` > 1) or less (`odds` < 1) likely."""

    field: str
    is_: Words | None = Field(default=None, alias="is")
    above: float | None = None
    below: float | None = None
    odds: Annotated[float, Field(gt=0, le=100)]
    because: Text
    source: Id


class Cure(Record):
    """A remedy of a cause and how surely it cures it."""

    remedy: Id
    cures: Seen
    because: Text
    source: Id


class Cause(Record):
    """A root cause: the unit of work and of review, one file each."""

    id: Id
    title: Line
    system: Id
    why: Text
    prior: Prior
    setting: tuple[SettingEffect, ...] = ()
    shows: tuple[Link, ...] = Field(min_length=2)
    remedies: tuple[Cure, ...] = Field(min_length=1)


class Remedy(Record):
    """Steps that cure a cause, and the proof test that shows it."""

    id: Id
    title: Line
    minutes: Minutes
    prep: tuple[Id, ...] = ()
    needs: tuple[Line, ...] = ()
    steps: tuple[Annotated[str, StringConstraints(max_length=200)], ...] = Field(min_length=1, max_length=8)
    hazards: tuple[Id, ...] = ()
    who: Literal["technician", "supervisor", "service", "electrician"] = "technician"
    proof: Text
    proof_minutes: Minutes
    source: Id


class Caution(Record):
    """A caution with its signal word (ISO 3864-2 / ANSI Z535), for the hazards it covers."""

    id: Id
    signal: Signal
    covers: tuple[Id, ...] = ()
    text: Text
    source: Id


class Finding(Record):
    """A named fact that rules derive from several others."""

    id: Id
    text: Line


class DerivedAnswer(Record):
    """A check's outcome that follows from other facts, so that it need not be asked."""

    check: Id
    outcome: Id


class Order(Record):
    """A check to be done before others."""

    check: Id
    before: tuple[Id, ...] = Field(min_length=1)


class Referral(Record):
    """Who must take over, and what to tell them."""

    to: Literal["service", "electrician", "supervisor", "designer", "supplier"]
    text: Text


class Conclusion(Record):
    """What a rule concludes: exactly one of these."""

    derive: Id | None = None
    answer: DerivedAnswer | None = None
    exclude: Id | None = None
    caution: Id | None = None
    first: Order | None = None
    stop: Text | None = None
    refer: Referral | None = None

    @model_validator(mode="after")
    def _one(self) -> Conclusion:
        given = [n for n in type(self).model_fields if getattr(self, n) is not None]
        if len(given) != 1:
            raise ValueError("'then' holds exactly one of derive, answer, exclude, caution, first, stop, refer")
        return self

    @property
    def target(self) -> tuple[str, str] | None:
        """Kind and id of what later rules may wait for, if it derives anything: a finding or a check's answer."""
        if self.derive:
            return ("finding", self.derive)
        return ("check", self.answer.check) if self.answer else None

    @property
    def kind(self) -> str:
        """The name of the one conclusion given."""
        return next(n for n in type(self).model_fields if getattr(self, n) is not None)


class Rule(Record):
    """When all of `when` hold (and one of `any`, if given), then ..., because ..."""

    id: Id
    when: tuple[Condition, ...] = ()
    any: tuple[Condition, ...] = ()
    then: Conclusion
    because: Text
    source: Id

    @model_validator(mode="after")
    def _not_empty(self) -> Rule:
        if not self.when and not self.any:
            raise ValueError("a rule needs at least one condition in 'when' or 'any'")
        return self


class Instrument(Record):
    """A bench instrument and its accuracy.

    The largest permissible error is `percent_of_span` of `span` (a gauge class), or `error`, or `percent_of_reading`,
    all in `unit`; `resolution` is the smallest step that can be read. `always`: on every bench, never asked for.
    `made_with`: this is a way of using another instrument, which must be at hand. `difference_error`: the largest error
    of the difference of two readings on this one instrument, where most of its error cancels.
    """

    id: Id
    title: Line
    quantity: Line
    unit: str
    span: float | None = None
    percent_of_span: float | None = None
    percent_of_reading: float | None = None
    error: float | None = None
    difference_error: float | None = None
    resolution: float = 0.0
    always: bool = False
    made_with: Id | None = None
    source: Id

    @model_validator(mode="after")
    def _has_accuracy(self) -> Instrument:
        if self.percent_of_span is None and self.percent_of_reading is None and self.error is None:
            raise ValueError("give the accuracy: 'percent_of_span' with 'span', 'percent_of_reading' or 'error'")
        if self.percent_of_span is not None and self.span is None:
            raise ValueError("'percent_of_span' needs 'span'")
        return self


class Inseparable(Record):
    """Causes that no check parts by a good factor: why, and the remedy that mends them all."""

    id: Id
    causes: tuple[Id, ...] = Field(min_length=2)
    because: Text
    remedy: Id
    source: Id


class CareTask(Record):
    """One task of the care plan, and the causes that its neglect brings. `every` with `hours` counts cutting hours."""

    id: Id
    title: Line
    every: Literal["day", "week", "month", "hours"]
    hours: Annotated[float, Field(gt=0, le=5000)] | None = None
    minutes: Minutes
    needs: tuple[Line, ...] = ()
    steps: tuple[Annotated[str, StringConstraints(max_length=160)], ...] = Field(min_length=1, max_length=5)
    sound: Text
    hazards: tuple[Id, ...] = ()
    who: Literal["technician", "supervisor", "service", "electrician"] = "technician"
    prevents: tuple[Id, ...] = Field(min_length=1)
    because: Text
    source: Id

    @model_validator(mode="after")
    def _hours_with_hours(self) -> CareTask:
        if (self.every == "hours") != (self.hours is not None):
            raise ValueError("'every: hours' needs 'hours: 50'; the others have none")
        return self

    @property
    def interval(self) -> str:
        """When it is due, in words."""
        return f"every {self.hours:g} h" if self.hours is not None else f"every {self.every}"


class Example(Record):
    """Answers after which a cause must rank among the first `within`, or stay `below` a probability."""

    because: Text
    rival: Id | None = None
    symptoms: tuple[Id, ...] = ()
    setting: dict[str, str] = Field(default_factory=dict)
    answers: dict[str, str] = Field(default_factory=dict)
    within: int | None = None
    below: float | None = None
    since: str | None = None


class CauseExamples(Record):
    """The examples beside a cause: `ranks`, `quiet`, and `todo` for dated known-wrong ones."""

    ranks: tuple[Example, ...] = ()
    quiet: tuple[Example, ...] = ()
    todo: tuple[Example, ...] = ()


class WorkedCase(Record):
    """A case with a known end: setting, answers and the causes that were really there.

    `flaw` says when an answer in it is wrong or missing on purpose; `outside` describes a cause the knowledge lacks.
    """

    id: Id
    title: Line
    story: Text
    symptoms: tuple[Id, ...] = ()
    setting: dict[str, str] = Field(default_factory=dict)
    answers: dict[str, str] = Field(default_factory=dict)
    causes: tuple[Id, ...] = ()
    outside: Text | None = None
    flaw: Literal["wrong", "missing"] | None = None
    healthy: bool = False
    sufficient: bool = True


Place = tuple[str, int, int]
KINDS: dict[str, type[Record]] = {
    "symptoms": Symptom,
    "causes": Cause,
    "checks": Check,
    "remedies": Remedy,
    "rules": Rule,
    "findings": Finding,
    "cautions": Caution,
    "instruments": Instrument,
    "care": CareTask,
    "inseparable": Inseparable,
    "sources": Source,
}


@dataclass(frozen=True)
class Knowledge:
    """The validated base: records by id in each kind, the vocabulary, a content hash, and where each record stands."""

    vocabulary: Vocabulary
    symptoms: dict[str, Symptom]
    causes: dict[str, Cause]
    checks: dict[str, Check]
    remedies: dict[str, Remedy]
    rules: dict[str, Rule]
    findings: dict[str, Finding]
    cautions: dict[str, Caution]
    instruments: dict[str, Instrument]
    sources: dict[str, Source]
    care: dict[str, CareTask] = field(default_factory=dict)
    inseparable: dict[str, Inseparable] = field(default_factory=dict)
    examples: dict[str, CauseExamples] = field(default_factory=dict)
    digest: str = ""
    places: dict[tuple[Any, ...], Place] = field(default_factory=dict, repr=False, compare=False)

    def kind(self, kind: str) -> dict[str, Any]:
        """The records of one kind by id; KeyError for an unknown kind."""
        if kind not in KINDS:
            raise KeyError(kind)
        records: dict[str, Any] = getattr(self, kind)
        return records

    def links(self) -> Iterator[tuple[Cause, int, Link]]:
        """Every link with its cause and its place in the cause's list."""
        for cause in self.causes.values():
            for index, link in enumerate(cause.shows):
                yield cause, index, link

    def place(self, *path: Any) -> Place:
        """File, line and column of a record or of a part of it: the nearest enclosing one that is known."""
        while path and path not in self.places:
            path = path[:-1]
        return self.places.get(path, ("knowledge", 1, 1))
