"""Cases that ended without a known cause, grouped by what was found: where the knowledge may lack an entry.

Two cases are as alike as their findings overlap: Jaccard's index (1912), shared findings over all findings of both.
Findings are the symptoms present and the check outcomes off the normal one that hold with 95 %. Groups are formed by
average linkage (Sokal & Michener 1958): two are joined while their cases share LEAST_ALIKE of their findings on average.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from advisor.learning.estimate import LearnCase
from advisor.model import Knowledge

__all__ = ["LEAST_ALIKE", "LEAST_CASES", "Group", "draft", "findings_of", "groups_of"]

LEAST_ALIKE = 0.4
LEAST_CASES = 3
SHARED = 0.5
"""A finding belongs to a group when at least this share of the cases in which it is known show it."""


@dataclass(frozen=True)
class Group:
    """Cases that look alike. `shared`: finding -> (cases that show it, cases in which it is known), the most shared first;
    a finding is ('symptom', id) or (check, outcome). `alike`: mean Jaccard index of its pairs."""

    cases: tuple[LearnCase, ...]
    shared: Mapping[tuple[str, str], tuple[int, int]]
    alike: float


def findings_of(kb: Knowledge, case: LearnCase) -> frozenset[tuple[str, str]]:
    """What was found in a case: symptoms present, and sure outcomes off the normal."""
    found = {("symptom", s) for s, there in case.state.symptoms.items() if there}
    for check, answer in case.state.answers.items():
        if answer.sure and answer.likeliest != kb.checks[check].outcomes[0].id:
            found.add((check, answer.likeliest))
    return frozenset(found)


def groups_of(kb: Knowledge, cases: Sequence[LearnCase], least: int = LEAST_CASES) -> list[Group]:
    """The groups of at least `least` cases, the largest first. Cases in which nothing was found are left out."""
    ordered = sorted(cases, key=lambda c: (c.at, c.handle))
    sets = [(case, found) for case in ordered if (found := findings_of(kb, case))]
    if len(sets) < max(least, 2):
        return []
    from scipy.cluster.hierarchy import fcluster, linkage

    distance = [1 - len(a & b) / len(a | b) for (_, a), (_, b) in combinations(sets, 2)]
    label = fcluster(linkage(distance, "average"), 1 - LEAST_ALIKE + 1e-9, "distance")
    out = []
    for number in sorted(set(label)):
        some = [pair for pair, own in zip(sets, label, strict=True) if own == number]
        if len(some) >= least:
            pairs = [len(a & b) / len(a | b) for (_, a), (_, b) in combinations(some, 2)]
            out.append(Group(tuple(case for case, _ in some), _shared(some), sum(pairs) / len(pairs)))
    return sorted(out, key=lambda g: (-len(g.cases), g.cases[0].at, g.cases[0].handle))


def _shared(
    some: Sequence[tuple[LearnCase, frozenset[tuple[str, str]]]],
) -> dict[tuple[str, str], tuple[int, int]]:
    shown = Counter(f for _, found in some for f in found)
    out = {}
    for finding, count in shown.items():
        known = sum(_known(case, finding) for case, _ in some)
        if count >= 2 and count / known >= SHARED:
            out[finding] = (count, known)
    return dict(sorted(out.items(), key=lambda item: (-item[1][0], item[0][0] != "symptom", item[0])))


def _known(case: LearnCase, finding: tuple[str, str]) -> bool:
    kind, key = finding
    if kind == "symptom":
        return key in case.state.symptoms
    return kind in case.state.answers and case.state.answers[kind].sure


# -- a draft for the author -------------------------------------------------------------------------------------------


def draft(kb: Knowledge, group: Group, of: int) -> tuple[str, str, str, str]:
    """Id, system, cause file and examples file of a draft cause for a group, one of `of` closed cases; what only the author
    knows is left to be filled in. The count of a finding is of the cases in which it is known."""
    from advisor.workbench import _CAUSE, _EXAMPLES

    symptoms = [key for kind, key in group.shared if kind == "symptom"]
    outcomes = [(check, outcome) for check, outcome in group.shared if check != "symptom"]
    systems = Counter(kb.checks[check].system for check, _ in outcomes if kb.checks[check].system != "pattern")
    system = min(systems, key=lambda s: (-systems[s], s)) if systems else kb.vocabulary.systems[0].id
    stem = f"unlisted-{symptoms[0] if symptoms else outcomes[0][0] if outcomes else 'trouble'}"[:44].strip("-")
    ident = next(i for n in range(1, 1000) if (i := stem if n == 1 else f"{stem}-{n}") not in kb.causes)
    links = [
        _link(f"symptom: {key}" if kind == "symptom" else f"check: {kind}, outcome: {key}", shown, known)
        for (kind, key), (shown, known) in group.shared.items()
    ]
    days = f"{group.cases[0].at[:10]} to {group.cases[-1].at[:10]}"
    text = _CAUSE.format(id=ident, title=json.dumps("TODO what is wrong, in a few words"), system=system)
    rate = f"per_hundred: {max(round(100 * len(group.cases) / max(of, 1), 1), 0.1):g}"
    text = text.replace("per_hundred: 1", rate)
    head, rest = text.split("shows:", 1)
    note, tail = rest.split("\n", 1)
    kept = [line for line in tail.split("\n") if "TODO" not in line or "remedy:" in line]
    body = [f"shows:{note}", *links, *kept]
    where = ", ".join(case.handle for case in group.cases)
    first = f"# {len(group.cases)} cases without a known cause, {days}: {where}\n"
    first += "# The counts are of the cases in which the finding is known. Cite them: a source such as\n"
    first += "# {id: shop-log, title: counted in the log of the lab, known: read} goes to sources.yaml.\n"
    answers = "{" + ", ".join(f"{c}: {o}" for c, o in outcomes) + "}"
    usual = f"symptoms: [{', '.join(symptoms)}]\n    answers: {answers}"
    examples = _EXAMPLES.replace("symptoms: [TODO]\n    answers: {TODO: TODO}", usual, 1)
    return ident, system, first + head + "\n".join(body), examples


def _link(target: str, shown: int, known: int) -> str:
    return f"  - {{{target}, seen: {shown}/{known}, evidence: counted, because: TODO why it shows, source: TODO}}"
