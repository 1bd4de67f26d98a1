"""Forward chaining: facts of a case -> findings, exclusions, orders, cautions. The only module that imports experta.

Rules are compiled from the knowledge files, never written as decorators. Rules decide what is possible, unsafe or worth
asking; they invent no probabilities. What fired, on which facts and with what conclusion is kept for "why".

Five habits of experta 1.9.4 are met here, each held by a test: its pinned frozendict needs `collections.Mapping`
(gone since Python 3.10); rules of equal salience fire in random order; conditions joined with `&` can fail, so they
are passed as arguments; alternatives among field values explode, so they become predicates or rules of their own; and
importing it adds a handler to the root logger. Drop the first when experta takes a newer frozendict.

A rule goes after every rule that could derive what it waits for; among equals the lower id goes first. So names decide
one thing only: of several rules that answer the same check, the first by id stands.
"""

from __future__ import annotations

import collections
import collections.abc
import logging
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from advisor.facts import Facts, Firing, Verdict
from advisor.model import Condition, Knowledge, Rule

if not hasattr(collections, "Mapping"):
    collections.Mapping = collections.abc.Mapping  # type: ignore[attr-defined]
_handlers = list(logging.getLogger().handlers)
import experta  # noqa: E402
from experta import watchers  # noqa: E402

logging.getLogger().handlers[:] = _handlers


def _silent(*args: object) -> None:
    """What the engine tells its watchers: nobody listens, and it says it tens of thousands of times."""


for _watcher in (watchers.MATCHER, watchers.MATCH, watchers.AGENDA, watchers.FACTS, watchers.RULES, watchers.ENGINE):
    _watcher.debug = _watcher.info = _silent

__all__ = ["Facts", "Firing", "RuleBook", "Verdict"]


class _Engine(experta.KnowledgeEngine):  # type: ignore[misc]
    """An engine without the initial-fact class rules: rules are given to it."""

    given: list[Any] = []
    fired: list[str]
    answers: dict[str, tuple[str, str]]

    def __init__(self) -> None:
        super().__init__()
        # The engine's own reset goes down every path of the network and so visits most nodes many times.
        nodes: dict[int, Any] = {}
        todo = [self.matcher.root_node]
        while todo:
            node = todo.pop()
            if id(node) not in nodes:
                nodes[id(node)] = node
                todo += [child.node for child in node.children]
        self.matcher.reset = lambda: [node._reset() for node in nodes.values()] and None

    def get_rules(self) -> list[Any]:
        return list(self.given)


class _Fact(experta.Fact):  # type: ignore[misc]
    """kind, id, and value (text) or number."""


class RuleBook:
    """The rules of a knowledge base, compiled once; `run` judges one set of facts."""

    def __init__(self, rules: Iterable[Rule]) -> None:
        self.rules = {rule.id: rule for rule in sorted(rules, key=lambda r: r.id)}
        compiled = []
        salience = sum(max(1, len(rule.any)) for rule in self.rules.values())
        for rule in _in_turn(self.rules.values()):
            for group in _alternatives(rule):
                compiled.append(self._compile(rule, group, salience))
                salience -= 1  # no two rules share one: equal salience fires in an order that changes between runs
        self._mentioned = {each.subject for r in self.rules.values() for each in (*r.when, *r.any)}
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
        elif then.answer and then.answer.check not in {**self._facts.checks, **engine.answers}:
            engine.answers[then.answer.check] = (then.answer.outcome, rule_id)
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
        engine.fired, engine.answers = [], {}
        engine.declare(*declared)
        engine.run()
        return self._verdict(sorted(engine.fired), engine.answers, facts)

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

    def _verdict(self, fired: list[str], answers: Mapping[str, tuple[str, str]], facts: Facts) -> Verdict:
        known = replace(facts, checks={**{c: outcome for c, (outcome, _) in answers.items()}, **facts.checks})
        findings = [f for r in fired if (f := self.rules[r].then.derive)]
        firings, cautions, stops, referrals = [], [], [], []
        excluded: dict[str, str] = {}
        first: dict[str, tuple[str, ...]] = {}
        for rule_id in fired:
            rule = self.rules[rule_id]
            then = rule.then
            if then.exclude:
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
            held = [(c, v) for c in (*rule.when, *rule.any) if c.meets(v := _known(c.flat(), known, findings))]
            facts_held = tuple(_words(c, v) for c, v in held)
            firings.append(Firing(rule_id, facts_held, then.kind, _said(rule, known), rule.because))
        unique = dict.fromkeys
        return Verdict(
            tuple(firings),
            tuple(unique(findings)),
            dict(sorted(answers.items())),
            excluded,
            tuple(unique(cautions)),
            first,
            tuple(unique(stops)),
            tuple(unique(referrals)),
        )


def _alternatives(rule: Rule) -> list[tuple[Condition, ...]]:
    """One group of conditions for each member of `any`."""
    return [(*rule.when, one) for one in rule.any] if rule.any else [rule.when]


def _in_turn(rules: Iterable[Rule]) -> list[Rule]:
    """The rules by how many derivations deep they stand, then by id. Rules that go round in a circle end somewhere."""
    rules = list(rules)
    depth: dict[tuple[str, str], int] = defaultdict(int)

    def below(rule: Rule) -> int:
        return 1 + max(depth[c.subject] for c in (*rule.when, *rule.any))

    for _ in rules:
        before = dict(depth)
        for rule in rules:
            if target := rule.then.target:
                depth[target] = max(depth[target], below(rule))
        if depth == before:
            break
    return sorted(rules, key=lambda r: (depth[r.then.target] if r.then.target else below(r), r.id))


def _pattern(condition: Condition) -> Any:
    if condition.negate:
        return experta.NOT(_pattern(condition.negate))
    kind, key = condition.subject
    if condition.compares:
        return _Fact(kind="reading" if kind == "check" else "number", id=key, number=experta.P(condition.meets))
    if kind == "finding":
        return _Fact(kind=kind, id=key)
    allowed = condition.is_ or ("present",)
    return _Fact(kind=kind, id=key, value=allowed[0] if len(allowed) == 1 else experta.P(condition.meets))


def _known(condition: Condition, facts: Facts, findings: list[str]) -> str | float | None:
    """What is known of the subject of a condition."""
    kind, key = condition.subject
    if kind == "finding":
        return "present" if key in findings else None
    if kind == "symptom":
        return {True: "present", False: "absent", None: None}[facts.symptoms.get(key)]
    if condition.compares:
        return (facts.readings if kind == "check" else facts.numbers).get(key)
    return {"check": facts.checks, "setting": facts.choices, "remedy": facts.remedies}[kind].get(key)


def _words(condition: Condition, value: str | float | None) -> str:
    """A condition that holds, in words, with what is known of its subject."""
    kind, key = condition.subject
    if kind == "finding":
        return f"{'' if condition.positive else 'no '}finding {key}"
    if kind == "symptom":
        return f"symptom {key} {value or 'not known'}"
    c = condition.flat()
    limits = " and ".join(
        f"{w} {limit:g}" for w, limit in (("above", c.above), ("below", c.below)) if limit is not None
    )
    wanted = " or ".join(c.is_ or (limits,))
    if value is None:
        return f"{kind} {key} is not known to be {wanted}"
    shown = value if isinstance(value, str) else f"{value:g}"
    if not condition.positive:
        return f"{kind} {key} is not {wanted} (it is {shown})"
    return f"{kind} {key} is {shown}{', ' + limits if limits else ''}"


def _said(rule: Rule, known: Facts) -> str:
    then = rule.then
    if then.answer:
        stands = known.checks[then.answer.check]
        but = "" if stands == then.answer.outcome else f" (but {stands} stands)"
        return f"{then.answer.check} is {then.answer.outcome}{but}"
    if then.first:
        return f"{then.first.check} before {', '.join(then.first.before)}"
    if then.refer:
        return f"refer to {then.refer.to}: {then.refer.text}"
    return str(then.derive or then.exclude or then.caution or then.stop)
