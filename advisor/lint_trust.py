"""Checks of trust: causes can be told apart, checks earn their minutes, rules can fire, rates add up."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from itertools import combinations
from typing import Any

from advisor.graph import inseparable, rivals
from advisor.issue import Issue
from advisor.likelihoods import background, with_cause
from advisor.lint_base import LintCheck
from advisor.lint_sense import impossible
from advisor.model import Knowledge, Rule

__all__ = [
    "CarePrevents",
    "Decisive",
    "Dominated",
    "InseparableDeclared",
    "RatesAddUp",
    "RulesAgree",
    "SoundReading",
]

RATIO = 5.0


class InseparableDeclared(LintCheck):
    """Two causes that share a symptom are told apart by a check with a likelihood ratio of 5 or more, or declared
    inseparable with their reason and a remedy that cures both."""

    code = "rivals"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        close = {(a, b): best for a, b, best in inseparable(kb, ratio=RATIO)}
        declared: set[tuple[str, str]] = set()
        near = set(rivals(kb))
        for entry in kb.inseparable.values():
            for pair in combinations(sorted(entry.causes), 2):
                declared.add(pair)
                if pair in near and pair not in close:
                    said = f"a check does tell '{pair[0]}' from '{pair[1]}'"
                    yield self.issue(kb, ("inseparable", entry.id), said, "take the pair out")
                elif pair not in near:
                    said = f"'{pair[0]}' and '{pair[1]}' share no symptom"
                    yield self.issue(kb, ("inseparable", entry.id), said, "take the pair out")
            for cause in entry.causes:
                record = kb.causes.get(cause)
                if record and entry.remedy not in {x.remedy for x in record.remedies}:
                    said = f"'{entry.remedy}' is no remedy of '{cause}'"
                    yield self.issue(kb, ("inseparable", entry.id), said, "name one that cures all of them")
        for (first, second), best in close.items():
            if (first, second) not in declared:
                yield self.issue(
                    kb,
                    ("causes", first),
                    f"no check tells '{first}' from '{second}' (best ratio {best:.1f})",
                    "add a check, link one of them more sharply, or declare them under 'inseparable'",
                )


class Decisive(LintCheck):
    """Every cause can be told by a measurement, or by a look or trial that it shows frequently and others seldom."""

    code = "decisive"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        for cause in kb.causes.values():
            shown = with_cause(kb, cause)
            if all(kb.checks[c].kind == "ask" for c in (x.check for x in cause.shows) if c in kb.checks):
                continue  # the check of reachability tells it
            for link in cause.shows:
                check = kb.checks.get(link.check or "")
                if check is None or link.outcome not in [o.id for o in check.outcomes]:
                    continue
                if check.measured:
                    break
                level = [o.id for o in check.outcomes].index(str(link.outcome))
                p, q = shown[check.id][level], background(kb, check)[level]
                if check.kind in ("look", "trial") and p >= 0.3 and p >= RATIO * q:
                    break
            else:
                said = "neither a measurement nor a decisive look tells this cause"
                yield self.issue(kb, ("causes", cause.id), said, "link one under 'shows'")


class SoundReading(LintCheck):
    """Every look, measurement and trial says what it must not be confused with."""

    code = "confuse"
    severity = "advice"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        for check in kb.checks.values():
            if check.kind != "ask" and not check.confuse:
                said = "nothing is said of what it must not be confused with"
                yield self.issue(kb, ("checks", check.id), said, "add 'confuse: ...'")


class Dominated(LintCheck):
    """No check is dearer and less telling than another, that is answered as often, for every pair of causes it could
    tell apart."""

    code = "dominated"
    severity = "advice"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        minutes = {p.id: p.minutes for p in kb.vocabulary.preparations}
        cost = {c.id: c.minutes + sum(minutes.get(p, 0.0) for p in c.prep) for c in kb.checks.values()}
        silent = {r.kind: r.no_answer for r in kb.vocabulary.reporting}
        strength = _strengths(kb)
        for check in kb.checks.values():
            mine = strength[check.id]
            if not mine:
                continue
            for other in kb.checks.values():
                if other.id == check.id or cost[other.id] >= cost[check.id] or set(other.prep) - set(check.prep):
                    continue
                if (other.applies and not check.applies) or silent[other.kind] > silent[check.kind]:
                    continue
                theirs = strength[other.id]
                if all(theirs.get(pair, 1.0) >= ratio for pair, ratio in mine.items()):
                    said = f"'{other.id}' is cheaper and tells as much or more of every pair of causes"
                    yield self.issue(kb, ("checks", check.id), said, "remove it, or link it to what it tells better")
                    break


def _strengths(kb: Knowledge) -> dict[str, dict[tuple[str, str], float]]:
    """Check -> pair of rivals -> its best likelihood ratio, where that is 2 or more."""
    likely = {c.id: with_cause(kb, c) for c in kb.causes.values()}
    linked: dict[str, set[str]] = defaultdict(set)
    for cause, _, link in kb.links():
        if link.check:
            linked[link.check].add(cause.id)
    near: dict[str, set[str]] = defaultdict(set)
    for a, b in rivals(kb):
        near[a].add(b)
        near[b].add(a)
    out: dict[str, dict[tuple[str, str], float]] = {}
    for check in kb.checks.values():
        leak = background(kb, check)
        found: dict[tuple[str, str], float] = {}
        for a in linked[check.id]:
            for b in near[a]:
                rows = zip(likely[a].get(check.id, leak), likely[b].get(check.id, leak), strict=True)
                best = max(
                    (max(p, q) / max(min(p, q), 1e-9) for p, q in rows if max(p, q) >= 0.1),
                    default=1.0,
                )
                if best >= 2.0:
                    found[min(a, b), max(a, b)] = best
        out[check.id] = found
    return out


class RulesAgree(LintCheck):
    """No rule holds before anything is known, and no two rules that can hold together give a check two answers."""

    code = "rule-sense"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        for rule in kb.rules.values():
            awaits = any(c.positive for c in rule.when) or (rule.any and all(c.positive for c in rule.any))
            if not awaits:
                said = "a 'not' is enough for it: it would fire before anything is known"
                yield self.issue(kb, ("rules", rule.id), said, "add what must be there")
        answers: dict[str, list[Rule]] = defaultdict(list)
        for rule in kb.rules.values():
            if rule.then.answer:
                answers[rule.then.answer.check].append(rule)
        counts = [f.id for f in kb.vocabulary.setting if f.unit == "1"]
        for check, some in answers.items():
            for one, two in combinations(some, 2):
                same = one.then.answer and two.then.answer and one.then.answer.outcome == two.then.answer.outcome
                if not same and self._together(one, two, counts):
                    said = f"it and '{one.id}' can hold together and answer '{check}' differently"
                    yield self.issue(kb, ("rules", two.id), said, "make their conditions exclude each other")

    @staticmethod
    def _together(one: Rule, two: Rule, counts: list[str]) -> bool:
        ways = [(*one.when, *two.when, *a, *b) for a in _each(one.any) for b in _each(two.any)]
        return any(not impossible(way, counts) for way in ways)


def _each(conditions: tuple[Any, ...]) -> list[tuple[Any, ...]]:
    return [(c,) for c in conditions] or [()]


class RatesAddUp(LintCheck):
    """A symptom's rate under all causes together is within a factor of 2.5 of the rate it is said to have, and the
    causes' priors add up to between half a cause and three in each bad result."""

    code = "rate"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        share = kb.vocabulary.share
        absent = {s.id: 1 - share(s.background) for s in kb.symptoms.values()}
        for cause, _, link in kb.links():
            if link.symptom in absent:
                absent[link.symptom] *= 1 - cause.prior.per_hundred / 100 * share(link.seen)
        for symptom in kb.symptoms.values():
            if symptom.per_hundred is None:
                continue
            rate = 100 * (1 - absent[symptom.id])
            if not symptom.per_hundred / 2.5 <= rate <= symptom.per_hundred * 2.5:
                said = (
                    f"its causes add up to {rate:.1f} of 100 bad results, it is said to show in {symptom.per_hundred:g}"
                )
                yield self.issue(kb, ("symptoms", symptom.id), said, "mend the priors, the links, or 'per_hundred'")
        total = sum(c.prior.per_hundred for c in kb.causes.values()) / 100
        if len(kb.causes) >= 40 and not 0.5 <= total <= 3:
            said = f"the priors add up to {total:.1f} causes in each bad result"
            yield self.issue(kb, ("vocabulary",), said, "bring them to between 0.5 and 3")


class CarePrevents(LintCheck):
    """Every task of the care plan prevents a cause, and the causes of neglect have a task."""

    code = "care"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        if not kb.care:
            return
        prevented = {c for task in kb.care.values() for c in task.prevents}
        for cause in kb.causes.values():
            if cause.system == "care" and cause.id not in prevented:
                yield self.issue(
                    kb,
                    ("causes", cause.id),
                    "a matter of care, and no task of the plan prevents it",
                    "add one to the care plan",
                )
