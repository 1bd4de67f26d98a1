"""Checks of form: references, numbers, frequencies, links, readings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Any

from advisor.issue import Issue, nearest
from advisor.lint_base import LintCheck, conditions, examples
from advisor.model import Check, Condition, Knowledge, SettingEffect

__all__ = ["CountsAreCounted", "DoubleLinks", "Frequencies", "NumbersFit", "ReadingsTile", "References"]


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
        for kind in (
            "symptoms",
            "causes",
            "checks",
            "remedies",
            "rules",
            "cautions",
            "instruments",
            "care",
            "inseparable",
        ):
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
        for task in kb.care.values():
            for cause_id in task.prevents:
                yield ("care", task.id, "prevents"), "causes", cause_id
        for entry in kb.inseparable.values():
            yield ("inseparable", entry.id, "remedy"), "remedies", entry.remedy
            for cause_id in entry.causes:
                yield ("inseparable", entry.id, "causes"), "causes", cause_id
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


class CountsAreCounted(LintCheck):
    """A count such as 5/6 was counted somewhere: it says `evidence: counted` or `stated` and cites a real source."""

    code = "count"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        hint = "write a class word such as occasional, or give the evidence and the source of the count"
        for cause, index, link in kb.links():
            source = kb.sources.get(link.source)
            known = source.known if source else "common-practice"
            if "/" in link.seen and (link.evidence == "judged" or known in ("common-practice", "derived")):
                path = ("causes", cause.id, "shows", index, "seen")
                yield self.issue(kb, path, f"'{link.seen}' looks counted, but nothing was counted", hint)
        for cause in kb.causes.values():
            for index, cure in enumerate(cause.remedies):
                if "/" in cure.cures:
                    path = ("causes", cause.id, "remedies", index, "cures")
                    yield self.issue(kb, path, f"'{cure.cures}' looks counted, but nothing was counted", hint)


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
