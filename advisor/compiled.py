"""Knowledge -> the network of the belief model, the rule book, and the settings' effect on the priors. Built once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any

from advisor.likelihoods import background, groups, symptom_finding
from advisor.model import Cause, Condition, Knowledge

if TYPE_CHECKING:
    from advisor.belief import Network, Vector
    from advisor.rules import RuleBook

__all__ = ["Compiled", "symptom_finding"]


class Compiled:
    """A knowledge base ready to diagnose with."""

    def __init__(self, kb: Knowledge) -> None:
        self.kb = kb
        self.share = kb.vocabulary.share
        self.reporting = {r.kind: r for r in kb.vocabulary.reporting}
        self.preparations = {p.id: p for p in kb.vocabulary.preparations}
        self.setting_fields = {f.id: f for f in kb.vocabulary.setting}
        self.mill_fields = {m.id: m for m in kb.vocabulary.mill}
        self.defaults: dict[str, float] = {m.id: m.default for m in kb.vocabulary.mill}
        self._relevant: dict[tuple[frozenset[str], float], frozenset[str]] = {}
        self.cautions_of: dict[str, list[str]] = defaultdict(list)
        for caution in kb.cautions.values():
            for hazard in caution.covers:
                self.cautions_of[hazard].append(caution.id)

    @cached_property
    def rulebook(self) -> RuleBook:
        """The rules, compiled on first use; importing the rule engine waits till then."""
        from advisor.rules import RuleBook

        return RuleBook.of(self.kb)

    @cached_property
    def network(self) -> Network:
        """The network of the belief model, built on first use."""
        from advisor.belief import Network

        kb = self.kb
        net = Network({c.id: c.prior.per_hundred / 100 for c in kb.causes.values()})
        for symptom in kb.symptoms.values():
            net.add_finding(symptom_finding(symptom.id), ("absent", "present"), background(kb, symptom))
        for check in kb.checks.values():
            net.add_finding(check.id, [o.id for o in check.outcomes], background(kb, check))
        for cause in kb.causes.values():
            for rows in groups(kb, cause):
                net.link(cause.id, rows)
        u = kb.vocabulary.unlisted
        net.add_unlisted(u.per_hundred / 100, u.symptom, u.check, [symptom_finding(s) for s in kb.symptoms])
        return net

    def priors(self, choices: Mapping[str, str], numbers: Mapping[str, float], excluded: Mapping[str, str]) -> Vector:
        """Prior of every cause of the network: base rate x setting, 0 where a rule excludes it."""
        out = self.network.prior.copy()
        for cause in self.kb.causes.values():
            i = self.network.index[cause.id]
            if cause.id in excluded:
                out[i] = 0.0
                continue
            odds = out[i] / (1 - out[i])
            for factor, _ in self.setting_terms(cause, choices, numbers):
                odds *= factor
            out[i] = odds / (1 + odds)
        return out

    def setting_terms(
        self, cause: Cause, choices: Mapping[str, str], numbers: Mapping[str, float]
    ) -> list[tuple[float, str]]:
        """The setting's odds factors that apply to a cause, each with its reason."""
        terms = []
        for effect in cause.setting:
            if effect.is_ is not None:
                holds = choices.get(effect.field) in effect.is_
            else:
                value = numbers.get(effect.field)
                holds = (
                    value is not None
                    and (effect.above is None or value > effect.above)
                    and (effect.below is None or value < effect.below)
                )
            if holds:
                terms.append((effect.odds, effect.because))
        return terms

    def relevant(self, present: frozenset[str], least: float) -> frozenset[str]:
        """Causes that show one of the symptoms in at least the share `least` of cases; kept for each set of symptoms."""
        if (present, least) not in self._relevant:
            self._relevant[present, least] = frozenset(
                cause.id
                for cause in self.kb.causes.values()
                if any(link.symptom in present and self.share(link.seen) >= least for link in cause.shows)
            )
        return self._relevant[present, least]

    def applies(
        self, conditions: tuple[Condition, ...], choices: Mapping[str, str], numbers: Mapping[str, float]
    ) -> bool:
        """Whether a check's `applies` conditions hold; an unknown setting lets it through."""
        return all(self._holds(c, choices, numbers) is not False for c in conditions)

    def _holds(self, condition: Condition, choices: Mapping[str, str], numbers: Mapping[str, float]) -> bool | None:
        if condition.negate:
            inner = self._holds(condition.negate, choices, numbers)
            return None if inner is None else not inner
        key = str(condition.setting)
        if condition.is_ is not None:
            return None if key not in choices else choices[key] in condition.is_
        if key not in numbers:
            return None
        value = numbers[key]
        return (condition.above is None or value > condition.above) and (
            condition.below is None or value < condition.below
        )

    def cautions_for(self, hazards: tuple[str, ...]) -> list[str]:
        """Ids of the cautions that cover these hazards, gravest first."""
        found = dict.fromkeys(c for h in hazards for c in self.cautions_of.get(h, ()))
        return sorted(found, key=lambda c: (SIGNALS.index(self.kb.cautions[c].signal), c))

    def record(self, kind: str, key: str) -> Any:
        """A record of the base; KeyError if there is none."""
        return self.kb.kind(kind)[key]


SIGNALS = ("danger", "warning", "caution", "notice")
