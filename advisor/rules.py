"""Forward chaining: facts of a case -> findings, exclusions, orders, cautions. The only module that imports experta.

Rules are compiled from the knowledge files, never written as decorators. Rules decide what is possible, unsafe or worth
asking; they invent no probabilities. What fired, on which facts and with what conclusion is kept for "why".

Five habits of experta 1.9.4 are met here, each held by a test: its pinned frozendict needs `collections.Mapping`
(gone since Python 3.10); rules of equal salience fire in random order; conditions joined with `&` can fail, so they
are passed as arguments; alternatives among field values explode, so they become predicates or rules of their own; and
importing it adds a handler to the root logger. Drop the first when experta takes a newer frozendict.
"""

from __future__ import annotations

import collections
import collections.abc
import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from advisor.model import Condition, Knowledge, Rule

if not hasattr(collections, "Mapping"):
    collections.Mapping = collections.abc.Mapping  # type: ignore[attr-defined]
_handlers = list(logging.getLogger().handlers)
import experta  # noqa: E402

logging.getLogger().handlers[:] = _handlers

__all__ = ["Facts", "Firing", "RuleBook", "Verdict"]


@dataclass(frozen=True)
class Facts:
    """What is known of a case, as plain mappings.

    `checks` holds sure outcomes only: a reading too near a limit to tell has none. `readings` are values in the
    check's own unit, `numbers` settings in their field's unit, `choices` settings chosen by word.
    """

    symptoms: Mapping[str, bool] = field(default_factory=dict)
    checks: Mapping[str, str] = field(default_factory=dict)
    readings: Mapping[str, float] = field(default_factory=dict)
    choices: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[str, float] = field(default_factory=dict)
    remedies: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, order=True)
class Firing:
    """One rule that fired: the facts it stood on, in words, and what it concluded."""

    rule: str
    facts: tuple[str, ...]
    kind: str
    conclusion: str
    because: str


@dataclass(frozen=True)
class Verdict:
    """All that the rules conclude, sorted by rule id."""

    firings: tuple[Firing, ...] = ()
    findings: tuple[str, ...] = ()
    answers: Mapping[str, tuple[str, str]] = field(default_factory=dict)  # check -> (outcome, rule)
    excluded: Mapping[str, str] = field(default_factory=dict)  # cause -> rule
    cautions: tuple[str, ...] = ()
    first: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # later check or remedy -> checks due before
    stops: tuple[str, ...] = ()
    referrals: tuple[tuple[str, str], ...] = ()


class _Engine(experta.KnowledgeEngine):  # type: ignore[misc]
    """An engine without the initial-fact class rules: rules are given to it."""

    given: list[Any] = []
    fired: list[str]

    def get_rules(self) -> list[Any]:
        return list(self.given)


class _Fact(experta.Fact):  # type: ignore[misc]
    """kind, id, and value (text) or number."""


class RuleBook:
    """The rules of a knowledge base, compiled once; `run` judges one set of facts."""

    def __init__(self, rules: Iterable[Rule]) -> None:
        self.rules = {rule.id: rule for rule in sorted(rules, key=lambda r: r.id)}
        compiled = []
        salience = 2 * len(self.rules) + 10
        for rule in self.rules.values():
            for group in _alternatives(rule):
                compiled.append(self._compile(rule, group, salience))
                salience -= 1  # no two rules share one: equal salience fires in an order that changes between runs
        self._mentioned = {
            (k, str(getattr(c, k)))
            for r in self.rules.values()
            for each in (*r.when, *r.any)
            for c in (each.flat(),)
            for k in ("symptom", "check", "setting", "remedy")
            if getattr(c, k)
        }
        # A derived answer gives way to a given one, so the rules hang on those checks too.
        self._mentioned |= {("check", r.then.answer.check) for r in self.rules.values() if r.then.answer}
        self._class = type("_CaseEngine", (_Engine,), {"given": compiled})
        self._engine: Any = None
        self._facts = Facts()
        self._kept: dict[Any, Verdict] = {}

    @classmethod
    def of(cls, kb: Knowledge) -> RuleBook:
        """The rule book of a knowledge base."""
        return cls(kb.rules.values())

    def _compile(self, rule: Rule, group: tuple[Condition, ...], salience: int) -> Any:
        def act(engine: Any, _id: str = rule.id) -> None:
            self._fire(engine, _id)

        act.__name__ = "rule_" + rule.id.replace("-", "_")
        wrapped = experta.Rule(*[_pattern(c) for c in group], salience=salience)(act)
        return wrapped

    def _fire(self, engine: Any, rule_id: str) -> None:
        if rule_id in engine.fired:
            return
        engine.fired.append(rule_id)
        then = self.rules[rule_id].then
        if then.derive:
            engine.declare(_Fact(kind="finding", id=then.derive))
        elif then.answer and then.answer.check not in self._facts.checks:
            engine.declare(_Fact(kind="check", id=then.answer.check, value=then.answer.outcome))

    def run(self, facts: Facts) -> Verdict:
        """Everything that follows from `facts`; a pure function of them. The last verdicts are kept."""
        declared = self._declared(facts)
        known = tuple(tuple(sorted(fact.items())) for fact in declared)
        if known not in self._kept:
            if len(self._kept) >= 64:
                self._kept.pop(next(iter(self._kept)))
            self._kept[known] = self._judge(facts, declared)
        return self._kept[known]

    def _judge(self, facts: Facts, declared: list[Any]) -> Verdict:
        if self._engine is None:
            self._engine = self._class()
        engine = self._engine
        self._facts = facts
        engine.reset()
        engine.fired = []
        engine.declare(*declared)
        engine.run()
        return self._verdict(sorted(engine.fired), facts)

    def _declared(self, facts: Facts) -> list[Any]:
        """The facts some rule waits for; the others would only cost time."""
        rows: list[tuple[str, str, str, dict[str, Any]]] = []
        rows += [("symptom", k, "symptom", {"value": "present" if v else "absent"}) for k, v in facts.symptoms.items()]
        rows += [("check", k, "check", {"value": v}) for k, v in facts.checks.items()]
        rows += [("check", k, "reading", {"number": float(v)}) for k, v in facts.readings.items()]
        rows += [("setting", k, "setting", {"value": v}) for k, v in facts.choices.items()]
        rows += [("setting", k, "number", {"number": float(v)}) for k, v in facts.numbers.items()]
        rows += [("remedy", k, "remedy", {"value": v}) for k, v in facts.remedies.items()]
        return [
            _Fact(kind=kind, id=key, **value)
            for subject, key, kind, value in sorted(rows, key=lambda r: r[:3])
            if (subject, key) in self._mentioned
        ]

    def _verdict(self, fired: list[str], facts: Facts) -> Verdict:
        answers: dict[str, tuple[str, str]] = {}
        for rule_id in fired:
            then = self.rules[rule_id].then
            if then.answer and then.answer.check not in facts.checks and then.answer.check not in answers:
                answers[then.answer.check] = (then.answer.outcome, rule_id)
        firings, findings, cautions, stops, referrals = [], [], [], [], []
        excluded: dict[str, str] = {}
        first: dict[str, tuple[str, ...]] = {}
        for rule_id in fired:
            rule = self.rules[rule_id]
            then = rule.then
            if then.derive:
                findings.append(then.derive)
            elif then.exclude:
                excluded.setdefault(then.exclude, rule_id)
            elif then.caution:
                cautions.append(then.caution)
            elif then.first:
                for later in then.first.before:
                    first[later] = tuple(sorted({*first.get(later, ()), then.first.check}))
            elif then.stop:
                stops.append(then.stop)
            elif then.refer:
                referrals.append((then.refer.to, then.refer.text))
            firings.append(
                Firing(
                    rule_id,
                    tuple(_words(c, facts, answers) for c in (*rule.when, *rule.any) if _stands(c, facts, answers)),
                    then.kind,
                    _said(rule),
                    rule.because,
                )
            )
        unique = dict.fromkeys
        return Verdict(
            tuple(firings),
            tuple(unique(findings)),
            answers,
            excluded,
            tuple(unique(cautions)),
            first,
            tuple(unique(stops)),
            tuple(unique(referrals)),
        )


def _alternatives(rule: Rule) -> list[tuple[Condition, ...]]:
    """One group of conditions for each member of `any`."""
    return [(*rule.when, one) for one in rule.any] if rule.any else [rule.when]


def _pattern(condition: Condition) -> Any:
    if condition.negate:
        return experta.NOT(_pattern(condition.negate))
    if condition.finding:
        return _Fact(kind="finding", id=condition.finding)
    if condition.symptom:
        return _Fact(kind="symptom", id=condition.symptom, value=(condition.is_ or ("present",))[0])
    kind, key = next((k, str(getattr(condition, k))) for k in ("check", "setting", "remedy") if getattr(condition, k))
    if condition.is_ is not None:
        if len(condition.is_) == 1:
            return _Fact(kind=kind, id=key, value=condition.is_[0])
        return _Fact(kind=kind, id=key, value=experta.P(_member(frozenset(condition.is_))))
    number = "reading" if kind == "check" else "number"
    return _Fact(kind=number, id=key, number=experta.P(_between(condition.above, condition.below)))


def _member(allowed: frozenset[str]) -> Callable[[Any], bool]:
    return lambda value: value in allowed


def _between(above: float | None, below: float | None) -> Callable[[Any], bool]:
    def holds(value: Any) -> bool:
        return (above is None or value > above) and (below is None or value < below)

    return holds


def _stands(condition: Condition, facts: Facts, answers: Mapping[str, tuple[str, str]]) -> bool:
    """Whether a condition of a fired rule is one of those that hold (members of `any` need not)."""
    c = condition.flat()
    if condition.negate or c.finding:
        return True
    if c.symptom:
        return c.symptom in facts.symptoms
    if c.check:
        value = facts.checks.get(c.check) or answers.get(c.check, (None,))[0]
        if c.is_ is not None:
            return value in c.is_
        return c.check in facts.readings and _between(c.above, c.below)(facts.readings[c.check])
    if c.setting:
        if c.is_ is not None:
            return facts.choices.get(c.setting) in c.is_
        return c.setting in facts.numbers and _between(c.above, c.below)(facts.numbers[c.setting])
    return facts.remedies.get(str(c.remedy)) in (c.is_ or ())


def _words(condition: Condition, facts: Facts, answers: Mapping[str, tuple[str, str]]) -> str:
    if condition.negate:
        return "not " + _words(condition.negate, facts, answers)
    c = condition
    if c.finding:
        return f"finding {c.finding}"
    if c.symptom:
        return f"symptom {c.symptom} {(c.is_ or ('present',))[0]}"
    kind, key = next((k, str(getattr(c, k))) for k in ("check", "setting", "remedy") if getattr(c, k))
    if c.is_ is not None:
        known = {
            "check": facts.checks.get(key) or answers.get(key, ("",))[0],
            "setting": facts.choices.get(key),
            "remedy": facts.remedies.get(key),
        }[kind]
        return f"{kind} {key} is {known or ' or '.join(c.is_)}"
    value = facts.readings.get(key) if kind == "check" else facts.numbers.get(key)
    limits = " and ".join(
        f"{word} {limit:g}" for word, limit in (("above", c.above), ("below", c.below)) if limit is not None
    )
    return f"{kind} {key} {'is ' + format(value, 'g') + ', ' if value is not None else ''}{limits}"


def _said(rule: Rule) -> str:
    then = rule.then
    if then.answer:
        return f"{then.answer.check} is {then.answer.outcome}"
    if then.first:
        return f"{then.first.check} before {', '.join(then.first.before)}"
    if then.refer:
        return f"refer to {then.refer.to}: {then.refer.text}"
    return str(then.derive or then.exclude or then.caution or then.stop)
