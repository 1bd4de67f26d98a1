"""What a shop's own signed cases say about how common its causes are and how often they show what they should.

Two things are learned, both as a prior out of the knowledge plus counts out of the cases:

- *Base rates.* The cause named in a case is a draw from all causes and "none of the known": a multinomial with a
  Dirichlet prior. Its mean is the share of cases the knowledge expects of each cause (`RateCount.expected`): its rate x
  the odds of the case's setting x the chance that it shows a symptom at all, or there would be no case. How often no known
  cause is behind a complaint is counted in DRAWS invented bad results. The prior weighs as much as STRENGTH cases, because
  the knowledge states its rates as so many of 100 bad results. In the model causes are independent yes-or-no variables; a
  case that names one says nothing of what else lay beside it. So only ratios are learned: a cause's rate moves by its odds
  against all causes that keep their number, which stay as they are.
- *Links.* How often a cause shows itself in a check: a Beta whose prior is the count n/m of the knowledge as it stands, or
  the share of its frequency word with the spread of that word's range, worth at most MOST_CASES cases. Counted are
  reported outcomes, so misses, false alarms and whatever else may be wrong stand in the likelihood and are not counted
  twice: the learned number is the true share, like the one it replaces. One number is learned for a cause and a check;
  where several outcomes are linked, they keep their proportions.

What makes these counts fair, and where that ends. A check is asked because of what was found before. Given the cause,
its answer does not depend on that (the model's own assumption), so cases where it was not asked are missing at random
and simply do not count (Rubin 1976). That fails in three places, which are therefore left alone:

- links in a `group`: they depend on each other given the cause, and one is asked because of the other;
- symptoms: they are told because they are there, and one that nobody mentioned is not absent;
- what is certain by definition (99 % and more, or never).

What remains is that a check may have helped to name the cause it is counted for. The signature of a supervisor, the
prior and the held-out cases are the guard against that. Cases with two causes, and imported ones, count for base rates
only. Everything is counted anew from all signed cases each time, never added to what was learned before.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from advisor.caserow import CaseRow
from advisor.compiled import Compiled
from advisor.findings import Block
from advisor.learning.overlaid import NONE
from advisor.learning.updates import LinkCount, RateCount, Tally, link_prior, stated_rate
from advisor.session import Event, Session, State, effective
from advisor.worlds import draw

__all__ = ["LearnCase", "learn_case", "tally"]

DRAWS = 600
UNHEARD = 1e-4
"""A cause expected in a smaller share of cases is ruled out by the settings of this shop: its rate is not learned."""
_SKIPPED = ("close", "reopen", "note", "review", "attach")


@dataclass(frozen=True)
class LearnCase:
    """A signed case to learn from. `causes`: those that were there, none if none of the known was. `state`: what was known
    before the first remedy. `links`: whether its answers count (not so for imported cases)."""

    handle: str
    at: str
    causes: tuple[str, ...]
    state: State
    links: bool = True


def learn_case(compiled: Compiled, row: CaseRow, events: Iterable[Event]) -> LearnCase | None:
    """The case as something to learn from; None if it is not signed off with a cause of this knowledge, or referred
    without one."""
    if not row.signed or (row.final_cause is None and row.how != "referred"):
        return None
    if row.final_cause is not None and row.final_cause not in compiled.kb.causes:
        return None
    before: list[Event] = []
    for event in effective(events):
        if event.get("type") == "remedy":
            break
        if event.get("type") not in _SKIPPED:
            before.append(event)
    session, _ = Session.restored(compiled, before)
    causes = (row.final_cause,) if row.final_cause else ()
    return LearnCase(f"{row.bench}/{row.case}", row.begun, causes, session.state, not row.imported)


# -- counting ---------------------------------------------------------------------------------------------------------


def tally(compiled: Compiled, cases: Iterable[LearnCase]) -> Tally:
    """Count the cases; their order does not matter. Compiled must be the knowledge without any overlay."""
    kb = compiled.kb
    named: dict[str, float] = defaultdict(float)
    expected: dict[str, float] = defaultdict(float)
    links: dict[tuple[str, str], dict[str, float]] = {}
    expecting = _Expecting(compiled)
    trials = 0.0
    for case in sorted(cases, key=lambda c: (c.at, c.handle)):
        causes = case.causes or (NONE,)
        trials += len(causes)
        for cause in causes:
            named[cause] += 1
        for cause, share in expecting.shares(case.state).items():
            expected[cause] += len(causes) * share
        if not case.links or len(case.causes) != 1:
            continue
        for check, answer in case.state.answers.items():
            if link_prior(kb, causes[0], check) is not None:
                counts = links.setdefault((causes[0], check), dict.fromkeys(answer.weights, 0.0))
                for outcome, weight in answer.weights.items():
                    counts[outcome] += weight
    return Tally(
        trials,
        tuple(
            RateCount(c, named[c], round(expected[c], 4), stated_rate(kb, c))
            for c in sorted(expected)
            if expected[c] > UNHEARD * trials
        ),
        tuple(LinkCount(*key, {o: round(n, 3) for o, n in links[key].items()}) for key in sorted(links)),
    )


@lru_cache(maxsize=4)
def _chance_of_none(compiled: Compiled) -> float:
    """How often no known cause is behind a complaint. Some come about by chance, and a known cause beside it hides an
    unknown one: no closed form is near enough, so it is counted in invented bad results, the same ones each time."""
    lost = sum(not draw(compiled, seed).needed for seed in range(DRAWS))
    return (lost + 0.5) / (DRAWS + 1)


class _Expecting:
    """The share of cases the knowledge expects of each cause in a setting; kept for settings met before."""

    def __init__(self, compiled: Compiled) -> None:
        self.compiled = compiled
        net = compiled.network
        symptoms = {net.finding_index[f] for f in net.findings if f.startswith("symptom:")}
        self.shown = np.array([1 - float(np.prod([_silent(b, symptoms) for b in blocks])) for blocks in net.blocks])
        self.none = _chance_of_none(compiled)
        self._found: dict[object, dict[str, float]] = {}
        self._excluded: dict[object, Mapping[str, str]] = {}

    def shares(self, state: State) -> dict[str, float]:
        """Cause (or NONE) -> share, summing to 1."""
        from advisor.facts import Facts

        choices = tuple(sorted(state.choices.items()))
        key = (choices, tuple(sorted(state.numbers.items())))
        if key not in self._found:
            if choices not in self._excluded:
                rules = self.compiled.rulebook
                self._excluded[choices] = rules.run(Facts(choices=dict(choices))).excluded if choices else {}
            net = self.compiled.network
            weight = self.compiled.priors(state.choices, state.numbers, self._excluded[choices]) * self.shown
            known = {c: float(weight[i]) for i, c in enumerate(net.causes) if i != net.unlisted}
            total = sum(known.values()) / (1 - self.none)
            self._found[key] = {NONE: self.none, **{c: w / total for c, w in known.items()}}
        return self._found[key]


def _silent(block: Block, symptoms: set[int]) -> float:
    """The chance that a block of links shows no symptom."""
    rows = [row[0] for f, row in block.rows.items() if f in symptoms]
    return 1 - block.share + block.share * float(np.prod(rows))
