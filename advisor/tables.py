"""Diagnosis from plain tables: no knowledge files, no console.

>>> model = TableModel(
...     causes={"worn burr": 0.05, "dirty collet": 0.03},
...     tests={
...         "run-out": Test(["ok", "high"], cost=4, leak=[0.95, 0.05], given={"dirty collet": [0.1, 0.9]}),
...         "look": Test(["sharp", "worn"], cost=1, leak=[0.9, 0.1], given={"worn burr": [0.05, 0.95]}),
...         "chips": Test(["no", "yes"], cost=0, leak=[0.98, 0.02], given={"worn burr": [0.3, 0.7], "dirty collet": [0.4, 0.6]}),
...     },
...     repairs={"change burr": (6, {"worn burr": 1.0}), "clean collet": (20, {"dirty collet": 0.9})},
... )
>>> model.observe("chips", "yes")
>>> model.next_step().id
'look'
>>> model.observe("look", "worn")
>>> model.posteriors()["worn burr"] > 0.8
True
>>> model.next_step().id
'change burr'
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from advisor.belief import EvidenceError, Network, Tried
from advisor.planner import CheckOption, Repair, Step, plan

__all__ = ["TableModel", "Test"]


@dataclass(frozen=True)
class Test:
    """A test: its outcomes (normal first), cost in minutes (or any one unit), background distribution, and the
    distribution each linked cause draws from. Distributions have one probability an outcome and sum to 1."""

    __test__ = False  # not a pytest class

    outcomes: Sequence[str]
    cost: float
    leak: Sequence[float]
    given: Mapping[str, Sequence[float]] = field(default_factory=dict)


class TableModel:
    """Causes with priors, tests with outcome probabilities, repairs with costs: set evidence, get posteriors and the next step.

    `causes`: id -> prior probability in 0..1. `repairs`: id -> (cost, {cause: probability that it cures}). `refer_cost`:
    cost of giving the case up. `single_fault`: exactly one cause is present, and the priors are weights.
    Raises ValueError for probabilities that are none or do not sum to 1, KeyError for unknown causes.
    """

    def __init__(
        self,
        causes: Mapping[str, float],
        tests: Mapping[str, Test],
        repairs: Mapping[str, tuple[float, Mapping[str, float]]] | None = None,
        *,
        refer_cost: float = 120.0,
        single_fault: bool = False,
    ) -> None:
        self.network = Network(causes, single_fault=single_fault)
        self.tests = dict(tests)
        for name, (_, cures) in (repairs or {}).items():
            for cause, sure in cures.items():
                if cause not in causes:
                    raise KeyError(f"repair '{name}' cures the unknown cause '{cause}'")
                if not 0 <= sure <= 1:
                    raise ValueError(f"repair '{name}' cures '{cause}' with {sure}: give a probability from 0 to 1")
        self.repairs = {name: Repair(name, cost, dict(cures)) for name, (cost, cures) in (repairs or {}).items()}
        self.refer_cost = refer_cost
        for name, test in tests.items():
            self.network.add_finding(name, list(test.outcomes), test.leak, test.given)
        self.evidence: dict[str, list[float]] = {}
        self.tried: dict[str, Tried] = {}

    def observe(self, test: str, outcome: str | Mapping[str, float]) -> None:
        """Set a test's outcome, by name or as a weight for each outcome (soft evidence). Replaces an earlier one.

        Raises EvidenceError for an unknown test or outcome.
        """
        if test not in self.tests:
            raise EvidenceError(f"there is no test '{test}'")
        names = list(self.tests[test].outcomes)
        given = {outcome: 1.0} if isinstance(outcome, str) else dict(outcome)
        for name in given:
            if name not in names:
                raise EvidenceError(f"test '{test}' has no outcome '{name}': {', '.join(names)}")
        self.evidence[test] = [float(given.get(name, 0.0)) for name in names]

    def forget(self, test: str) -> None:
        """Take a test's outcome back."""
        self.evidence.pop(test, None)

    def repaired(self, repair: str, helped: bool) -> None:
        """Record that a repair was tried. KeyError for an unknown repair."""
        self.tried[repair] = Tried(self.repairs[repair].cures, helped)

    def posteriors(self) -> dict[str, float]:
        """Probability of each cause, 0..1, exact."""
        return dict(self.network.posterior(self.evidence, tried=list(self.tried.values())).cause)

    def steps(self) -> list[Step]:
        """Possible next steps by expected cost to a fix, best first."""
        tried = list(self.tried.values())
        post = self.network.posterior(self.evidence, tried=tried)
        rows = self.network.configurations(self.evidence, post, tried=tried)
        checks = [CheckOption(name, test.cost) for name, test in self.tests.items() if name not in self.evidence]
        repairs = [r for name, r in self.repairs.items() if name not in self.tried]
        return plan(rows, checks, repairs, refer_minutes=self.refer_cost).steps

    def next_step(self) -> Step:
        """The best next step: kind `check`, `remedy` or `refer`."""
        return self.steps()[0]
