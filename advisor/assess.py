"""State of a case -> what is likely, why, what to do next, and what to beware of. Pure: a function of the state.

Ranking, reasons and the next step all come from the same objects, so an explanation cannot drift from the number it
explains.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property

import numpy as np

from advisor.belief import Configurations, Posterior, Tried, Vector
from advisor.compiled import Compiled, symptom_finding
from advisor.facts import Facts, Firing, Mover, Ranked, Reason, Step, Term, Verdict, likelihood_word
from advisor.model import Caution
from advisor.planner import CheckOption, Plan, Repair, Scope, plan, splits, step_minutes
from advisor.session import State

__all__ = ["Assessment", "Mover", "Ranked", "Reason", "Term", "likelihood_word"]

RELEVANT = 0.1  # a cause that shows a symptom in fewer cases than this does not keep it alive


class Assessment:
    """Everything derived from one state. Parts are computed when first asked for."""

    def __init__(self, compiled: Compiled, state: State) -> None:
        self.compiled = compiled
        self.kb = compiled.kb
        self.state = state

    # -- rules ----------------------------------------------------------------------------------------------------

    @cached_property
    def verdict(self) -> Verdict:
        """What the rules conclude."""
        s = self.state
        facts = Facts(
            symptoms=s.symptoms,
            checks={c: a.likeliest for c, a in s.answers.items() if a.sure},
            readings={c: a.value for c, a in s.answers.items() if a.value is not None},
            choices=s.choices,
            numbers=s.numbers,
            remedies=dict(s.remedies),
        )
        return self.compiled.rulebook.run(facts)

    @property
    def firings(self) -> tuple[Firing, ...]:
        """Every rule that fired."""
        return self.verdict.firings

    # -- belief ---------------------------------------------------------------------------------------------------

    @cached_property
    def evidence(self) -> dict[str, Vector]:
        """Finding id -> weight of each level, from symptoms, answers and answers that rules derived."""
        out: dict[str, Vector] = {}
        for symptom, there in self.state.symptoms.items():
            out[symptom_finding(symptom)] = np.array([0.0, 1.0] if there else [1.0, 0.0])
        for check, (outcome, _) in self.verdict.answers.items():
            if check in self.kb.checks:
                out[check] = np.array([1.0 if o.id == outcome else 0.0 for o in self.kb.checks[check].outcomes])
        for check, answer in self.state.answers.items():
            out[check] = np.array([answer.weights[o.id] for o in self.kb.checks[check].outcomes])
        return out

    @cached_property
    def priors(self) -> Vector:
        """Prior of each cause in this setting."""
        return self.compiled.priors(self.state.choices, self.state.numbers, self.verdict.excluded)

    @cached_property
    def relevant(self) -> frozenset[str] | None:
        """Causes that can keep the complaint alive: they show one of its symptoms often enough. None without symptoms."""
        present = frozenset(s for s, there in self.state.symptoms.items() if there)
        return self.compiled.relevant(present, RELEVANT) if present else None

    @cached_property
    def tried(self) -> list[Tried]:
        """The remedies tried, as evidence."""
        return [Tried(self.cures(remedy), result == "helped", self.relevant) for remedy, result in self.state.remedies]

    def cures(self, remedy: str) -> dict[str, float]:
        """How surely a remedy cures each cause, 0..1."""
        return self.compiled_cures.get(remedy, {})

    @cached_property
    def compiled_cures(self) -> dict[str, dict[str, float]]:
        out: dict[str, dict[str, float]] = {}
        for cause in self.kb.causes.values():
            for cure in cause.remedies:
                out.setdefault(cure.remedy, {})[cause.id] = self.compiled.share(cure.cures)
        return out

    @cached_property
    def posterior(self) -> Posterior:
        """Exact probabilities of causes."""
        return self.compiled.network.posterior(self.evidence, self.priors, self.tried)

    @cached_property
    def rows(self) -> Configurations:
        """The leading sets of causes."""
        return self.compiled.network.configurations(self.evidence, self.posterior, self.priors, self.tried)

    @cached_property
    def ranking(self) -> list[Ranked]:
        """Causes by probability; excluded ones are left out."""
        found = []
        for i, (c, p) in enumerate(self.posterior.cause.items()):
            # A cause that has nothing to do with the complaint and gained nothing stands at its prior: noise here.
            idle = self.relevant is not None and c not in self.relevant and p < 2 * self.priors[i]
            if c not in self.verdict.excluded and not idle:
                found.append(Ranked(c, self.kb.causes[c].title, p))
        return sorted(found, key=lambda r: (-r.probability, r.cause))

    @property
    def none_of_these(self) -> float:
        """Probability that no known cause is at work."""
        return self.posterior.none

    @cached_property
    def pairs(self) -> list[tuple[tuple[str, ...], float]]:
        """The leading sets of causes by name with their probabilities."""
        net = self.compiled.network
        total: dict[tuple[str, ...], float] = {}
        for s, w in zip(self.rows.sets, self.rows.weight, strict=True):
            names = tuple(net.causes[c] for c in s if c != net.unlisted)
            total[names] = total.get(names, 0.0) + float(w)
        return sorted(total.items(), key=lambda item: (-item[1], item[0]))

    # -- reasons --------------------------------------------------------------------------------------------------

    def finding_text(self, finding: str) -> str:
        """A finding in words, with its reading or outcome."""
        if finding.startswith("symptom:"):
            symptom = finding.removeprefix("symptom:")
            there = self.state.symptoms.get(symptom, True)
            return self.kb.symptoms[symptom].title + ("" if there else ": no")
        check = self.kb.checks[finding]
        answer = self.state.answers.get(finding)
        if answer is None:
            outcome, rule = self.verdict.answers[finding]
            return f"{check.title}: {check.outcome(outcome).label} (follows, rule {rule})"
        if answer.value is not None:
            share = ""
            if not answer.sure:
                shares = (f"{answer.weights[o]:.0%} '{check.outcome(o).label}'" for o in answer.ranked[:2])
                share = f" ({', '.join(shares)})"
            return f"{check.title}: {answer.value:.4g} {check.unit if check.unit != '1' else ''}".rstrip() + share
        return f"{check.title}: {check.outcome(answer.likeliest).label}"

    def reasons(self, cause: str) -> list[Reason]:
        """Every finding's likelihood ratio for a cause against all else, the most telling first."""
        out = [Reason(f, self.finding_text(f), self.rows.ratio(f, w, cause)) for f, w in self.evidence.items()]
        return sorted(out, key=lambda r: (-abs(math.log(max(r.ratio, 1e-9))), r.finding))

    def why_rather(self, first: str, second: str) -> list[Term]:
        """The log odds of one cause alone against another alone, term by term.

        Prior, each setting effect, each finding and each remedy tried; the terms sum to the log odds exactly, because
        under single causes the findings of different groups are independent. Findings of one group share a term.
        """
        net = self.compiled.network
        terms: list[Term] = []
        base = [net.prior[net.index[c]] for c in (first, second)]
        terms.append(Term("how common it is", math.log(base[0] / (1 - base[0])) - math.log(base[1] / (1 - base[1]))))
        for sign, name in ((1, first), (-1, second)):
            for odds, because in self.compiled.setting_terms(
                self.kb.causes[name], self.state.choices, self.state.numbers
            ):
                terms.append(Term(because, sign * math.log(odds)))
        indices = [net.index[first], net.index[second]]
        left = dict(net._weights(self.evidence))
        while left:
            start = next(iter(left))
            together, size = {start}, 0
            while size < len(together):  # a group of one cause may tie in a group of the other
                size = len(together)
                for block in (*net.blocks[indices[0]], *net.blocks[indices[1]]):
                    if together & set(block.rows):
                        together |= set(block.rows) & set(left)
            part = {f: left.pop(f) for f in list(left) if f in together}
            values = [net._likelihood_of(part, [c]) for c in indices]
            text = "; ".join(self.finding_text(net.findings[f]) for f in part)
            terms.append(Term(text, math.log(max(values[0], 1e-300)) - math.log(max(values[1], 1e-300))))
        for (remedy, result), tried in zip(self.state.remedies, self.tried, strict=True):
            a, b = tried.terms
            values = [a + b * tried.ends([c]) for c in (first, second)]
            terms.append(Term(f"{self.kb.remedies[remedy].title}: {result}", math.log(values[0]) - math.log(values[1])))
        return terms

    def movers(self, count: int = 3) -> list[Mover]:
        """The answers that would move the leading cause's probability most, weighted by their chance."""
        if not self.ranking:
            return []
        top = self.compiled.network.index[self.ranking[0].cause]
        has = np.array([top in s for s in self.rows.sets])
        before = float(self.rows.weight[has].sum())
        found: list[tuple[float, Mover]] = []
        for step in self.plan.steps:
            if step.kind != "check" or step.id.startswith("symptom:"):
                continue
            joint = self.rows.predict(step.id) * self.rows.weight[:, None]
            chance = joint.sum(axis=0)
            after = joint[has].sum(axis=0) / np.maximum(chance, 1e-300)
            for level, outcome in enumerate(self.kb.checks[step.id].outcomes):
                if chance[level] > 0.02:
                    shift = abs(float(after[level]) - before) * math.sqrt(float(chance[level]))
                    found.append((shift, Mover(step.id, outcome.id, float(chance[level]), float(after[level]))))
        found.sort(key=lambda item: (-item[0], item[1].check, item[1].outcome))
        out: dict[str, Mover] = {}
        for _, mover in found:
            out.setdefault(mover.check, mover)
        return list(out.values())[:count]

    # -- next step ------------------------------------------------------------------------------------------------

    @cached_property
    def _blocked(self) -> dict[str, tuple[str, ...]]:
        """Checks and remedies that wait for another check, by the rules."""
        done = {*self.state.answers, *self.state.unanswered, *self.verdict.answers}
        return {
            later: tuple(c for c in firsts if c not in done)
            for later, firsts in self.verdict.first.items()
            if any(c not in done for c in firsts)
        }

    @cached_property
    def options(self) -> list[CheckOption]:
        """The checks and symptom questions that make sense now."""
        s = self.state
        out = []
        for check in self.kb.checks.values():
            if check.id in s.answers or check.id in s.unanswered or check.id in self.verdict.answers:
                continue
            if check.instrument and not self._at_hand(check.instrument):
                continue
            if check.applies and not self.compiled.applies(check.applies, s.choices, s.numbers):
                continue
            out.append(
                CheckOption(
                    check.id,
                    self.kb.vocabulary.overhead_minutes + check.minutes + self._due_minutes(check.id),
                    check.prep,
                    self.compiled.reporting[check.kind].no_answer,
                )
            )
        for symptom in self._telling_symptoms():
            name = symptom_finding(symptom)
            if symptom not in s.symptoms and name not in s.unanswered:
                out.append(CheckOption(name, self.kb.vocabulary.overhead_minutes, (), 0.05))
        return out

    def _at_hand(self, instrument: str) -> bool:
        """Whether the bench has what a reading needs; a bench that was never described may have everything."""
        record = self.kb.instruments[instrument]
        if record.made_with:
            return self._at_hand(record.made_with)
        return self.state.bench is None or record.always or instrument in self.state.bench

    def _telling_symptoms(self) -> list[str]:
        """Symptoms that a leading cause shows often: the others would only be a bother."""
        leading = [r.cause for r in self.ranking[:8] if r.probability >= 0.04]
        shown = {
            link.symptom: None
            for cause in leading
            for link in self.kb.causes[cause].shows
            if link.symptom and self.compiled.share(link.seen) >= 0.3
        }
        return [s for s in shown if s is not None]

    @cached_property
    def repairs(self) -> list[Repair]:
        """The remedies not yet tried that cure a cause still possible."""
        tried = {r for r, _ in self.state.remedies}
        out = []
        for remedy in self.kb.remedies.values():
            if remedy.id in tried or remedy.id in self.state.declined:
                continue
            cures = {c: e for c, e in self.cures(remedy.id).items() if c not in self.verdict.excluded}
            if cures:
                minutes = remedy.minutes + remedy.proof_minutes + self._due_minutes(remedy.id)
                out.append(Repair(remedy.id, minutes, cures, remedy.prep))
        return out

    def _due_minutes(self, key: str) -> float:
        """Minutes of the checks that must come before a step."""
        return sum(self.kb.checks[c].minutes for c in self._blocked.get(key, ()))

    @cached_property
    def mended(self) -> frozenset[str]:
        """Causes whose remedy was tried."""
        return frozenset(c for remedy, _ in self.state.remedies for c, e in self.cures(remedy).items() if e >= 0.5)

    @cached_property
    def plan(self) -> Plan:
        """Next steps by expected minutes to a proven fix. A step that waits for another check stands for that check."""
        vocabulary = self.kb.vocabulary
        found = plan(
            self.rows,
            self.options,
            self.repairs,
            refer_minutes=vocabulary.unlisted.refer_minutes,
            prep_minutes={p.id: p.minutes for p in vocabulary.preparations},
            done=self.state.prepared,
            breaks={p.id: p.breaks for p in vocabulary.preparations},
            scope=Scope(self.relevant, self.mended),
        )
        steps: dict[str, Step] = {}
        for step in found.steps:
            first = step
            for _ in range(len(self._blocked)):
                due = self._blocked.get(first.id)
                if not due:
                    break
                check = self.kb.checks[due[0]]
                minutes = step_minutes(
                    check.minutes, check.prep, self.state.prepared, {p.id: p.minutes for p in vocabulary.preparations}
                )
                first = Step("check", check.id, minutes, step.expected, before=step.id)
            steps.setdefault(first.id, first)
        return replace(found, steps=list(steps.values()))

    @cached_property
    def next(self) -> list[Step]:
        """The best step and the two runners-up; a referral when nothing else is worth its minutes."""
        return self.plan.steps[:3]

    @cached_property
    def all_steps(self) -> list[Step]:
        """Every check and remedy that can be done now: the planned ones first, then those that would tell little."""
        steps = [s for s in self.plan.steps if s.kind != "refer"]
        known = {s.id for s in steps} | set(self._blocked)
        minutes = {p.id: p.minutes for p in self.kb.vocabulary.preparations}
        for option in self.options:
            if option.id not in known:
                own = step_minutes(option.minutes, option.prep, self.state.prepared, minutes)
                steps.append(Step("check", option.id, own, self.plan.now + own))
        for repair in self.repairs:
            if repair.id not in known:
                own = step_minutes(repair.minutes, repair.prep, self.state.prepared, minutes)
                steps.append(Step("remedy", repair.id, own, self.plan.now + own))
        return steps

    def step_reason(self, step: Step) -> str:
        """One line: why this step."""
        if step.kind == "refer":
            return "no check or remedy at hand is worth its minutes any more"
        if step.id in self.state.answers:
            return "corrects your earlier answer"
        if step.before:
            record = self.kb.checks.get(step.before) or self.kb.remedies.get(step.before)
            return f"comes before '{record.title if record else step.before}'"
        saved = self.plan.now - step.expected
        if step.kind == "remedy":
            causes = [c for c in self.cures(step.id) if self.posterior.cause.get(c, 0) > 0.02]
            names = ", ".join(
                self.kb.causes[c].title.lower() for c in sorted(causes, key=lambda c: -self.posterior.cause[c])[:2]
            )
            return (
                f"{step.probability:.0%} chance that it is needed: {names}"
                if names
                else f"{step.probability:.0%} chance that it is needed"
            )
        pair = splits(self.rows, step.id)
        told = ""
        if pair and pair[2] >= 1.5:
            a, b = (self._name(c) for c in pair[:2])
            told = f"tells '{a}' from '{b}'"
        own = f"{step.minutes:.0f} min" if step.minutes >= 0.75 else "half a minute"
        gain = f"saves about {saved:.0f} min" if saved >= 1 else f"takes {own}"
        return f"{gain}: {told}" if told else gain

    def _name(self, cause: str) -> str:
        record = self.kb.causes.get(cause)
        return record.title if record else "none of the known causes"

    # -- cautions -------------------------------------------------------------------------------------------------

    def cautions_for(self, step: Step) -> list[Caution]:
        """Cautions of a step's hazards, gravest first."""
        record = self.kb.checks.get(step.id) if step.kind == "check" else self.kb.remedies.get(step.id)
        return [self.kb.cautions[c] for c in self.compiled.cautions_for(record.hazards)] if record else []

    @property
    def raised(self) -> list[Caution]:
        """Cautions that rules raise on the facts."""
        return [self.kb.cautions[c] for c in self.verdict.cautions]

    @cached_property
    def setting_words(self) -> Mapping[str, str | float]:
        """The setting as given."""
        return {**self.state.choices, **self.state.numbers}
