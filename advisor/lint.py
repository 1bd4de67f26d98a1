"""The linter of the knowledge: one small class per check, every issue in one run.

A check's docstring is its rule. `errors` make the knowledge unusable, `advice` makes it better (`--strict` counts both).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Any, ClassVar

from advisor.issue import Issue, nearest
from advisor.model import Check, Condition, Example, Knowledge, SettingEffect

__all__ = ["CHECKS", "LintCheck", "broken", "lint"]


class LintCheck:
    """Base: `run` yields issues; `issue` places one at a record or a part of it."""

    code: ClassVar[str]
    severity: ClassVar[str] = "error"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        """Yield every violation in `kb`."""
        raise NotImplementedError

    def issue(self, kb: Knowledge, path: tuple[Any, ...], message: str, hint: str = "") -> Issue:
        """An issue at the nearest known place of `path`."""
        file, line, column = kb.place(*path)
        return Issue(file, line, column, self.code, message, hint)


def conditions(kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], Condition]]:
    """Every condition of every rule and check with its path."""
    for rule in kb.rules.values():
        for part in ("when", "any"):
            for index, condition in enumerate(getattr(rule, part)):
                yield ("rules", rule.id, part, index), condition.flat()
    for check in kb.checks.values():
        for index, condition in enumerate(check.applies):
            yield ("checks", check.id, "applies", index), condition.flat()


def examples(kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], Example]]:
    """Every example of every cause with its path."""
    for cause, found in kb.examples.items():
        for part in ("ranks", "quiet", "todo"):
            for index, example in enumerate(getattr(found, part)):
                yield ("examples", cause, part, index), example


class References(LintCheck):
    """Every id and every word named anywhere exists in its kind."""

    code = "reference"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        named = {
            "systems": {n.id for n in kb.vocabulary.systems},
            "families": {n.id for n in kb.vocabulary.families},
            "hazards": {n.id for n in kb.vocabulary.hazards},
            "preparations": {n.id for n in kb.vocabulary.preparations},
            "setting": {n.id for n in kb.vocabulary.setting},
            "mill": {n.id for n in kb.vocabulary.mill},
        }
        for path, kind, key in self._mentions(kb):
            known: Iterable[str] = named[kind] if kind in named else kb.kind(kind)
            if key not in known:
                yield self.issue(
                    kb, path, f"there is no {kind} entry '{key}'", nearest(key, known) or "add it or mend the id"
                )
        for path, check, outcome in self._outcomes(kb):
            if check in kb.checks and outcome not in [o.id for o in kb.checks[check].outcomes]:
                ids = [o.id for o in kb.checks[check].outcomes]
                yield self.issue(
                    kb,
                    path,
                    f"check '{check}' has no outcome '{outcome}'",
                    nearest(outcome, ids) or f"its outcomes: {', '.join(ids)}",
                )
        choices = {f.id: f.choices for f in kb.vocabulary.setting if f.choices}
        for path, field, values in self._choices(kb):
            for value in values if field in choices else ():
                if value not in choices[field]:
                    hint = f"choices: {', '.join(choices[field])}"
                    yield self.issue(kb, path, f"setting '{field}' is never '{value}'", hint)
        for path, condition in conditions(kb):
            for state in condition.is_ or () if condition.symptom else ():
                if state not in ("present", "absent"):
                    said = f"symptom '{condition.symptom}' is never '{state}'"
                    yield self.issue(kb, path, said, "write present or absent")
        rated = {r.kind for r in kb.vocabulary.reporting}
        for kind in sorted({c.kind for c in kb.checks.values()} - rated):
            said = f"no error rates for checks of the kind '{kind}'"
            yield self.issue(kb, ("vocabulary", "reporting"), said, f"add '- {{kind: {kind}, miss: ..., alarm: ...}}'")

    def _mentions(self, kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], str, str]]:
        for kind in ("symptoms", "causes", "checks", "remedies", "rules", "cautions", "instruments"):
            for record in kb.kind(kind).values():
                if getattr(record, "source", None):
                    yield (kind, record.id, "source"), "sources", record.source
                if getattr(record, "system", None):
                    yield (kind, record.id, "system"), "systems", record.system
                for hazard in (*getattr(record, "hazards", ()), *getattr(record, "covers", ())):
                    yield (kind, record.id, "hazards"), "hazards", hazard
                for prep in getattr(record, "prep", ()):
                    yield (kind, record.id, "prep"), "preparations", prep
        for index, prep in enumerate(kb.vocabulary.preparations):
            for broken in prep.breaks:
                yield ("vocabulary", "preparations", index, "breaks"), "preparations", broken
        for index, field in enumerate(kb.vocabulary.mill):
            yield ("vocabulary", "mill", index, "source"), "sources", field.source
        for symptom in kb.symptoms.values():
            yield ("symptoms", symptom.id, "family"), "families", symptom.family
        for check in kb.checks.values():
            if check.instrument:
                yield ("checks", check.id, "instrument"), "instruments", check.instrument
            for index, outcome in enumerate(check.outcomes):
                for bound in (outcome.start, outcome.end):
                    if bound and bound.profile:
                        yield ("checks", check.id, "outcomes", index), "mill", bound.profile
        for cause in kb.causes.values():
            yield ("causes", cause.id, "prior"), "sources", cause.prior.source
            for index, link in enumerate(cause.shows):
                path: tuple[Any, ...] = ("causes", cause.id, "shows", index)
                yield path, "sources", link.source
                if link.symptom:
                    yield path, "symptoms", link.symptom
                if link.check:
                    yield path, "checks", link.check
            for index, effect in enumerate(cause.setting):
                yield ("causes", cause.id, "setting", index), "setting", effect.field
                yield ("causes", cause.id, "setting", index), "sources", effect.source
            for index, cure in enumerate(cause.remedies):
                yield ("causes", cause.id, "remedies", index), "remedies", cure.remedy
                yield ("causes", cause.id, "remedies", index), "sources", cure.source
        for place, condition in conditions(kb):
            for kind, key in (
                ("symptoms", condition.symptom),
                ("checks", condition.check),
                ("setting", condition.setting),
                ("findings", condition.finding),
                ("remedies", condition.remedy),
            ):
                if key:
                    yield place, kind, key
        for rule in kb.rules.values():
            then, path = rule.then, ("rules", rule.id, "then")
            for kind, key in (
                ("findings", then.derive),
                ("causes", then.exclude),
                ("cautions", then.caution),
                ("checks", then.answer.check if then.answer else None),
                ("checks", then.first.check if then.first else None),
            ):
                if key:
                    yield path, kind, key
            for key in then.first.before if then.first else ():
                yield path, "remedies" if key in kb.remedies else "checks", key
        for cause_id in kb.examples:
            yield ("examples", cause_id), "causes", cause_id
        for path, example in examples(kb):
            if example.rival:
                yield path, "causes", example.rival
            yield from ((path, "symptoms", key) for key in example.symptoms)
            yield from ((path, "checks", key) for key in example.answers)
            yield from ((path, "setting", key) for key in example.setting)

    def _outcomes(self, kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], str, str]]:
        for cause, index, link in kb.links():
            if link.check and link.outcome:
                yield ("causes", cause.id, "shows", index), link.check, link.outcome
        for path, condition in conditions(kb):
            for outcome in condition.is_ or ():
                if condition.check:
                    yield path, condition.check, outcome
        for rule in kb.rules.values():
            if rule.then.answer:
                yield ("rules", rule.id, "then"), rule.then.answer.check, rule.then.answer.outcome
        for path, example in examples(kb):
            for check_id, answer in example.answers.items():
                reading = check_id in kb.checks and kb.checks[check_id].measured and _numeric(answer)
                if not reading and answer != "unknown":
                    yield path, check_id, answer

    def _choices(self, kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], str, tuple[str, ...]]]:
        for cause in kb.causes.values():
            for index, effect in enumerate(cause.setting):
                yield ("causes", cause.id, "setting", index), effect.field, effect.is_ or ()
        for path, condition in conditions(kb):
            if condition.setting:
                yield path, condition.setting, condition.is_ or ()
        for path, example in examples(kb):
            for field, value in example.setting.items():
                yield path, field, (value,)


def _numeric(text: str) -> bool:
    """Whether a text is meant as a number: it starts with a digit, a sign or a decimal point."""
    return text[:1].isdigit() or text[:1] in tuple("+-\u2212.,")


class NumbersFit(LintCheck):
    """Numbers stand where numbers are known: 'above' and 'below', and the settings of examples."""

    code = "number"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        from advisor.session import CaseError, parse_setting

        fields = {f.id: f for f in kb.vocabulary.setting}
        for path, kind, key, wanted in self._wanted(kb):
            numeric = kb.checks[key].measured if kind == "check" else not fields[key].choices
            if (wanted.above is not None or wanted.below is not None) and not numeric:
                yield self.issue(kb, path, f"{kind} '{key}' is no number", "write 'is: ...' in place of a limit")
            if kind == "setting" and wanted.is_ is not None and numeric:
                yield self.issue(kb, path, f"setting '{key}' is a number", "write 'above: ...' or 'below: ...'")
        for path, example in examples(kb):
            for key, value in example.setting.items():
                try:
                    parse_setting(fields[key], value)
                except CaseError as error:
                    yield self.issue(kb, path, str(error), "mend the number or its unit")

    def _wanted(self, kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], str, str, Condition | SettingEffect]]:
        for path, condition in conditions(kb):
            if condition.check or condition.setting:
                yield path, *condition.subject, condition
        for cause in kb.causes.values():
            for index, effect in enumerate(cause.setting):
                yield ("causes", cause.id, "setting", index), "setting", effect.field, effect


class Frequencies(LintCheck):
    """Every `seen`, `cures` and `background` is a known class word or a count n/m; a check's links of one cause sum to at most 1."""

    code = "frequency"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        sound = True
        for path, seen in self._texts(kb):
            try:
                kb.vocabulary.share(seen)
            except (KeyError, ValueError) as error:
                sound = False
                words = [f.word for f in kb.vocabulary.frequency]
                yield self.issue(
                    kb,
                    path,
                    f"'{seen}' is no frequency: {error!s}",
                    nearest(seen, words) or f"write one of {', '.join(words)}, or a count such as 5/6",
                )
        if not sound:
            return
        for cause in kb.causes.values():
            sums: dict[str, float] = defaultdict(float)
            for link in cause.shows:
                if link.check:
                    sums[link.check] += kb.vocabulary.share(link.seen)
            for check, added in sums.items():
                if added > 1 + 1e-9:
                    yield self.issue(
                        kb,
                        ("causes", cause.id, "shows"),
                        f"the outcomes of '{check}' add up to {added:.2f} for this cause",
                        "lower one of them: a check has one outcome at a time",
                    )
        for c in kb.checks.values():
            total = float(sum(kb.vocabulary.share(o.background or "very rare") for o in c.outcomes[1:]))
            if total >= 0.75:
                yield self.issue(
                    kb,
                    ("checks", c.id, "outcomes"),
                    f"the backgrounds add up to {total:.2f}: a sound mill would seldom pass",
                    "lower them",
                )
            if c.outcomes[0].background:
                yield self.issue(
                    kb,
                    ("checks", c.id, "outcomes", 0),
                    "the first outcome is what a sound mill shows and has no background",
                    "remove it",
                )

    def _texts(self, kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], str]]:
        for cause in kb.causes.values():
            for index, link in enumerate(cause.shows):
                yield ("causes", cause.id, "shows", index, "seen"), link.seen
            for index, cure in enumerate(cause.remedies):
                yield ("causes", cause.id, "remedies", index, "cures"), cure.cures
        for symptom in kb.symptoms.values():
            yield ("symptoms", symptom.id, "background"), symptom.background
        for check in kb.checks.values():
            for index, outcome in enumerate(check.outcomes):
                if outcome.background:
                    yield ("checks", check.id, "outcomes", index, "background"), outcome.background


class DoubleLinks(LintCheck):
    """A cause names each symptom and each check outcome once."""

    code = "double-link"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        for cause in kb.causes.values():
            seen: set[Any] = set()
            for index, link in enumerate(cause.shows):
                key = (link.symptom, link.check, link.outcome)
                if key in seen:
                    yield self.issue(
                        kb,
                        ("causes", cause.id, "shows", index),
                        f"'{link.symptom or link.check}' is linked twice",
                        "keep one line",
                    )
                seen.add(key)
                if link.check in kb.checks and link.outcome == kb.checks[link.check].outcomes[0].id:
                    yield self.issue(
                        kb,
                        ("causes", cause.id, "shows", index),
                        f"'{link.outcome}' is what a sound mill shows",
                        "leave the link out: an unlinked cause shows the first outcome",
                    )


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
        hazards = {h for kind in ("checks", "remedies") for r in kb.kind(kind).values() for h in r.hazards}
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
        instruments = {c.instrument for c in kb.checks.values()}
        for instrument in kb.instruments.values():
            if instrument.id not in instruments:
                yield self.issue(kb, ("instruments", instrument.id), "no check uses this instrument", "remove it")
        sources: set[str] = {
            str(getattr(r, "source", ""))
            for kind in ("checks", "remedies", "rules", "cautions", "instruments")
            for r in kb.kind(kind).values()
        }
        sources |= {m.source for m in kb.vocabulary.mill}
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
        for kind in ("checks", "remedies"):
            for record in kb.kind(kind).values():
                for hazard in record.hazards:
                    if hazard not in covered:
                        yield self.issue(
                            kb,
                            (kind, record.id, "hazards"),
                            f"no caution covers the hazard '{hazard}'",
                            "add a caution with 'covers: [...]'",
                        )


class ReadingsTile(LintCheck):
    """The outcomes of a measurement cover every plausible reading once, with no gap and no overlap, and units agree."""

    code = "reading"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        profile = {m.id: m.default for m in kb.vocabulary.mill}
        for check in kb.checks.values():
            if not check.measured:
                continue
            instrument = kb.instruments.get(check.instrument or "")
            if instrument and not _same_dimension(instrument.unit, str(check.unit)):
                yield self.issue(
                    kb,
                    ("checks", check.id, "unit"),
                    f"the unit '{check.unit}' does not fit the instrument's '{instrument.unit}'",
                    "choose an instrument that reads this quantity",
                )
            yield from self._tile(kb, check, profile)

    def _tile(self, kb: Knowledge, check: Check, profile: dict[str, float]) -> Iterator[Issue]:
        low, high = float(check.plausible_from or 0), float(check.plausible_to or 0)
        path = ("checks", check.id, "outcomes")
        try:
            spans = sorted(
                (
                    o.start.resolve(profile) if o.start else float("-inf"),
                    o.end.resolve(profile) if o.end else float("inf"),
                    o.id,
                )
                for o in check.outcomes
            )
        except KeyError:
            return
        if low >= high:
            yield self.issue(
                kb, ("checks", check.id, "plausible_from"), "plausible_from is not below plausible_to", "swap them"
            )
        if spans[0][0] > low:
            yield self.issue(
                kb, path, f"readings below {spans[0][0]:g} belong to no outcome", "leave 'from' off the lowest outcome"
            )
        if spans[-1][1] < high:
            yield self.issue(
                kb, path, f"readings above {spans[-1][1]:g} belong to no outcome", "leave 'to' off the highest outcome"
            )
        for (_, end, first), (start, _, second) in pairwise(spans):
            if end != start:
                what = "overlap" if end > start else "leave a gap"
                yield self.issue(
                    kb,
                    path,
                    f"'{first}' (to {end:g}) and '{second}' (from {start:g}) {what}",
                    "make them meet at one value",
                )


def _same_dimension(first: str, second: str) -> bool:
    from advisor.readings import dimension

    try:
        return dimension(first) == dimension(second)
    except ValueError:
        return False


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
            never = _impossible(rule.when)
            yield from (self._never(kb, ("rules", rule.id, "when"), subject) for subject in never)
            for index, condition in enumerate(rule.any):
                for subject in _impossible((*rule.when, condition)):
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


def _impossible(body: Iterable[Condition]) -> list[str]:
    """Subjects of which a rule's conditions ask what no single value can be."""
    groups: dict[tuple[str, str, bool], list[Condition]] = defaultdict(list)
    for condition in body:
        groups[(*condition.subject, condition.flat().compares)].append(condition)
    found = []
    for (kind, key, _), group in groups.items():
        flats = [c.flat() for c in group]
        words = [word for c in flats for word in c.is_ or ("present",)]
        limits = sorted(x for c in flats for x in (c.above, c.below) if x is not None)
        between = [(a + b) / 2 for a, b in pairwise([limits[0] - 2, *limits, limits[-1] + 2])] if limits else []
        values: list[str | float | None] = [None, *(limits + between if limits else words)]
        if not any(all(c.meets(value) for c in group) for value in values):
            found.append(f"{kind} '{key}'")
    return found


class RivalsSeparable(LintCheck):
    """Two causes that share a symptom differ by a check with a likelihood ratio of 5 or more."""

    code = "rivals"
    severity = "advice"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        from advisor.graph import inseparable

        for first, second, best in inseparable(kb, ratio=5.0):
            yield self.issue(
                kb,
                ("causes", first),
                f"no check tells '{first}' from '{second}' (best ratio {best:.1f})",
                "add a check, or link one of them more sharply",
            )


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


CHECKS: tuple[type[LintCheck], ...] = (
    References,
    Frequencies,
    NumbersFit,
    DoubleLinks,
    CauseIsReachable,
    ChecksDistinguish,
    SymptomsLead,
    Reachable,
    RemediesUsed,
    HazardsCautioned,
    ReadingsTile,
    RulesSound,
    RivalsSeparable,
    HasExamples,
)


def lint(kb: Knowledge) -> tuple[list[Issue], list[Issue]]:
    """All errors and all advice, sorted by place. Checks after a broken reference may be skipped."""
    errors: list[Issue] = []
    advice: list[Issue] = []
    for cls in CHECKS:
        if cls.severity == "advice" and errors:
            continue
        (advice if cls.severity == "advice" else errors).extend(cls().run(kb))
        if cls in (References, Frequencies) and errors:
            break
    return sorted(errors), sorted(advice)


def broken(kb: Knowledge) -> list[Issue]:
    """What would keep the base from being used at all: broken references, frequencies and readings."""
    found: list[Issue] = []
    for cls in (References, Frequencies, ReadingsTile):
        found.extend(cls().run(kb))
        if found:
            break
    return sorted(found)
