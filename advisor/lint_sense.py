"""Checks of sense: what can be reached, told apart, cured, cautioned; rules that hold together."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Any

from advisor.issue import Issue
from advisor.lint_base import LintCheck, conditions
from advisor.lint_calc import cited_by_calculations
from advisor.model import Condition, Knowledge
from advisor.readings import dimension

__all__ = [
    "CauseIsReachable",
    "ChecksDistinguish",
    "HasExamples",
    "HazardsCautioned",
    "Reachable",
    "RemediesUsed",
    "RulesSound",
    "SymptomsLead",
]


class CauseIsReachable(LintCheck):
    """A cause shows at least one symptom and can be told by at least two checks, one of them no mere question."""

    code = "cause-check"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        for cause in kb.causes.values():
            if not any(link.symptom for link in cause.shows):
                yield self.issue(
                    kb, ("causes", cause.id), "no symptom leads to this cause", "add a 'symptom:' line under 'shows'"
                )
            checks = {link.check for link in cause.shows if link.check in kb.checks}
            if len(checks) < 2:
                yield self.issue(
                    kb,
                    ("causes", cause.id),
                    "fewer than two checks can tell this cause",
                    "link it to checks under 'shows'",
                )
            elif not any(kb.checks[c].kind != "ask" for c in checks if c):
                yield self.issue(
                    kb,
                    ("causes", cause.id),
                    "only questions point to this cause",
                    "link a look, a measurement or a trial",
                )


class ChecksDistinguish(LintCheck):
    """Every check outcome but the first is named by a link or a rule, and the check tells some causes from others."""

    code = "check-use"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        used: dict[str, set[str]] = defaultdict(set)
        linked: dict[str, set[str]] = defaultdict(set)
        for cause, _, link in kb.links():
            if link.check and link.outcome:
                used[link.check].add(link.outcome)
                linked[link.check].add(cause.id)
        for _, condition in conditions(kb):
            if condition.check:
                used[condition.check].update(condition.is_ or ())
                if condition.above is not None or condition.below is not None:
                    used[condition.check].update(
                        o.id for o in kb.checks[condition.check].outcomes
                    ) if condition.check in kb.checks else None
        for check in kb.checks.values():
            if not linked[check.id]:
                yield self.issue(
                    kb,
                    ("checks", check.id),
                    "this check tells no cause from another",
                    "link a cause to one of its outcomes, or remove it",
                )
            for index, outcome in enumerate(check.outcomes[1:], start=1):
                if outcome.id not in used[check.id]:
                    yield self.issue(
                        kb,
                        ("checks", check.id, "outcomes", index),
                        f"no link and no rule mentions outcome '{outcome.id}'",
                        "link a cause to it, or remove it",
                    )


class SymptomsLead(LintCheck):
    """Every symptom leads to at least two causes."""

    code = "symptom"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        counts = Counter(link.symptom for _, _, link in kb.links() if link.symptom)
        for symptom in kb.symptoms.values():
            if counts[symptom.id] == 1:  # with none, it is unreachable
                yield self.issue(
                    kb,
                    ("symptoms", symptom.id),
                    "only one cause shows this symptom",
                    "a symptom with one cause is that cause: add the others",
                )


class Reachable(LintCheck):
    """From every symptom a way leads over a cause to a remedy, and to every check a way leads from some symptom."""

    code = "unreachable"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        import networkx as nx

        from advisor.graph import cause_graph

        graph = cause_graph(kb)
        for node in (("symptom", key) for key in kb.symptoms):
            after = {kind for cause in graph.predecessors(node) for kind, _ in graph.successors(cause)}
            if "remedy" not in after:
                said = "no cause shows this symptom: it leads to no remedy"
                yield self.issue(kb, ("symptoms", node[1]), said, "link two causes to it, or remove it")
        asked = graph.subgraph(node for node in graph if node[0] != "remedy")
        for part in nx.weakly_connected_components(asked):
            if all(kind != "symptom" for kind, _ in part):
                for key in sorted(key for kind, key in part if kind == "check"):
                    said = "no symptom leads to this check"
                    yield self.issue(kb, ("checks", key), said, "link a symptom to one of its causes")


class RemediesUsed(LintCheck):
    """Every remedy cures a cause; every caution, finding, instrument and source is used."""

    code = "unused"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        cures = {cure.remedy for cause in kb.causes.values() for cure in cause.remedies}
        for remedy in kb.remedies.values():
            if remedy.id not in cures:
                yield self.issue(
                    kb,
                    ("remedies", remedy.id),
                    "no cause is cured by this remedy",
                    "name it under a cause's 'remedies', or remove it",
                )
        raised = {rule.then.caution for rule in kb.rules.values()}
        hazards = {h for kind in ("checks", "remedies", "care") for r in kb.kind(kind).values() for h in r.hazards}
        for caution in kb.cautions.values():
            if caution.id not in raised and not hazards & set(caution.covers):
                yield self.issue(
                    kb,
                    ("cautions", caution.id),
                    "nothing raises this caution",
                    "name its hazard in a check or remedy, or raise it by a rule",
                )
        waited = {c.finding for _, c in conditions(kb)}
        derived = {rule.then.derive for rule in kb.rules.values()}
        for finding in kb.findings.values():
            if finding.id not in derived:
                yield self.issue(
                    kb, ("findings", finding.id), "no rule derives this finding", "add the rule or remove the finding"
                )
            if finding.id not in waited:
                yield self.issue(
                    kb, ("findings", finding.id), "no rule waits for this finding", "use it in a rule or remove it"
                )
        calc_instruments, calc_sources = cited_by_calculations()
        instruments = {c.instrument for c in kb.checks.values()} | calc_instruments
        instruments |= {kb.instruments[i].made_with for i in instruments if i in kb.instruments}
        # Another instrument for the same quantity may be named in place of the usual one.
        read = {dimension(kb.instruments[i].unit) for i in instruments if i in kb.instruments}
        for instrument in kb.instruments.values():
            if instrument.id not in instruments and dimension(instrument.unit) not in read:
                yield self.issue(kb, ("instruments", instrument.id), "no check uses this instrument", "remove it")
        sources: set[str] = {
            str(getattr(r, "source", ""))
            for kind in ("checks", "remedies", "rules", "cautions", "instruments", "care", "inseparable")
            for r in kb.kind(kind).values()
        }
        sources |= {m.source for m in kb.vocabulary.mill} | calc_sources
        for cause in kb.causes.values():
            sources.add(cause.prior.source)
            sources |= {link.source for link in cause.shows} | {cure.source for cure in cause.remedies}
            sources |= {effect.source for effect in cause.setting}
        for source in kb.sources.values():
            if source.id not in sources:
                yield self.issue(kb, ("sources", source.id), "nothing cites this source", "cite it or remove it")


class HazardsCautioned(LintCheck):
    """Every hazard named by a check or a remedy is covered by a caution."""

    code = "hazard"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        covered = {h for c in kb.cautions.values() for h in c.covers}
        for kind in ("checks", "remedies", "care"):
            for record in kb.kind(kind).values():
                for hazard in record.hazards:
                    if hazard not in covered:
                        yield self.issue(
                            kb,
                            (kind, record.id, "hazards"),
                            f"no caution covers the hazard '{hazard}'",
                            "add a caution with 'covers: [...]'",
                        )


class RulesSound(LintCheck):
    """Rules do not loop, do not contradict, and never wait for the absence of what a rule derives."""

    code = "rule"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        import networkx as nx

        graph = nx.DiGraph()
        derived = {rule.then.target for rule in kb.rules.values()}
        for rule in kb.rules.values():
            for part in ("when", "any"):
                for index, condition in enumerate(getattr(rule, part)):
                    kind, key = condition.subject
                    if not condition.positive and not condition.flat().compares and (kind, key) in derived:
                        yield self.issue(
                            kb,
                            ("rules", rule.id, part, index),
                            f"a rule cannot wait for the absence of what a rule derives ({kind} '{key}')",
                            "negate the facts it is derived from",
                        )
                    if rule.then.target:
                        graph.add_edge(f"{kind} {key}", " ".join(rule.then.target), rule=rule.id)
            never = impossible(rule.when)
            yield from (self._never(kb, ("rules", rule.id, "when"), subject) for subject in never)
            for index, condition in enumerate(rule.any):
                for subject in impossible((*rule.when, condition)):
                    if subject not in never:
                        yield self._never(kb, ("rules", rule.id, "any", index), subject)
        for cycle in nx.simple_cycles(graph):
            rule_id = graph.edges[cycle[0], cycle[1 % len(cycle)]]["rule"]
            yield self.issue(
                kb,
                ("rules", rule_id),
                f"rules go round in a circle: {' -> '.join([*cycle, cycle[0]])}",
                "break it: a conclusion must not lead back to its own condition",
            )
        order = nx.DiGraph()
        for rule in kb.rules.values():
            for later in rule.then.first.before if rule.then.first else ():
                order.add_edge(rule.then.first.check, later, rule=rule.id)  # type: ignore[union-attr]
        for cycle in nx.simple_cycles(order):
            rule_id = order.edges[cycle[0], cycle[1 % len(cycle)]]["rule"]
            yield self.issue(
                kb,
                ("rules", rule_id),
                f"checks wait for each other: {' -> '.join([*cycle, cycle[0]])}",
                "drop one of the orders",
            )

    def _never(self, kb: Knowledge, path: tuple[Any, ...], subject: str) -> Issue:
        return self.issue(kb, path, f"{subject} can never be all of this", "mend it, or put one of them under 'any'")


def impossible(body: Iterable[Condition], counts: Iterable[str] = ()) -> list[str]:
    """Subjects of which a rule's conditions ask what no single value can be; settings in `counts` are whole numbers."""
    whole = set(counts)
    groups: dict[tuple[str, str, bool], list[Condition]] = defaultdict(list)
    for condition in body:
        groups[(*condition.subject, condition.flat().compares)].append(condition)
    found = []
    for (kind, key, _), group in groups.items():
        flats = [c.flat() for c in group]
        words = [word for c in flats for word in c.is_ or ("present",)]
        limits = sorted(x for c in flats for x in (c.above, c.below) if x is not None)
        between = [(a + b) / 2 for a, b in pairwise([limits[0] - 2, *limits, limits[-1] + 2])] if limits else []
        if kind == "setting" and key in whole:
            limits, between = [float(n) for x in limits for n in range(int(x) - 1, int(x) + 3)], []
        values: list[str | float | None] = [None, *(limits + between if limits else words)]
        if not any(all(c.meets(value) for c in group) for value in values):
            found.append(f"{kind} '{key}'")
    return found


class HasExamples(LintCheck):
    """Each cause has its examples beside it: at least one `ranks` and one `quiet`."""

    code = "examples"
    severity = "advice"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        for cause in kb.causes:
            found = kb.examples.get(cause)
            if found is None:
                yield self.issue(
                    kb,
                    ("causes", cause),
                    f"no examples: {cause}.cases.yaml is missing",
                    "write one 'ranks' and one 'quiet' example",
                )
                continue
            for part in ("ranks", "quiet"):
                if not getattr(found, part):
                    yield self.issue(kb, ("examples", cause), f"no '{part}' example", "add one")
