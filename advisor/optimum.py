"""The exact least expected cost of a small troubleshooting problem, by dynamic programming: what the planner is measured
against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from advisor.belief import Network, Vector
from advisor.planner import CheckOption, Repair, plan

__all__ = ["SmallProblem"]


@dataclass(frozen=True)
class SmallProblem:
    """One fault, perfect repairs, questions with two answers.

    `prior`: weight of each cause; `repair`, `question`: minutes; `yes[k][i]`: probability that question k is answered
    yes with cause i. A state is the repairs done (bits) and the answers had (base 3: not asked, no, yes), so causes and
    questions together should stay under about a dozen.
    """

    prior: Sequence[float]
    repair: Sequence[float]
    question: Sequence[float]
    yes: Sequence[Sequence[float]]

    @cached_property
    def weight(self) -> Vector:
        """weight[done, answers, cause]: P(the cause is there and not mended, and these answers)."""
        n = len(self.prior)
        like = np.ones((1, n))
        for q in self.yes:
            like = np.concatenate([like * f for f in (np.ones(n), 1 - np.array(q), np.array(q))])
        here = np.array([[not done >> i & 1 for i in range(n)] for done in range(1 << n)])
        total = sum(self.prior)
        weight: Vector = here[:, None, :] * np.array([p / total for p in self.prior]) * like[None, :, :]
        return weight

    def _open(self, answers: int) -> list[int]:
        return [k for k in range(len(self.question)) if answers // 3**k % 3 == 0]

    def optimum(self) -> float:
        """Least expected minutes, by backward induction over every state."""
        n, places = len(self.prior), 3 ** len(self.question)
        mass = self.weight.sum(axis=2)
        asks = [[(self.question[k], 3**k) for k in self._open(a)] for a in range(places)]
        value = np.zeros_like(mass)
        for done in range((1 << n) - 2, -1, -1):
            by_repair = [self.repair[i] * mass[done] + value[done | 1 << i] for i in range(n) if not done >> i & 1]
            best = np.min(by_repair, axis=0).tolist()
            for a in range(places - 1, -1, -1):
                for cost, place in asks[a]:
                    best[a] = min(best[a], cost * mass[done, a] + best[a + place] + best[a + 2 * place])
            value[done] = best
        return float(value[0, 0])

    def planned(self, done: int = 0, answers: int = 0) -> float:
        """Expected minutes of doing what the planner says in each state, weighed with the chance of the state."""
        w = self.weight[done, answers]
        mass = float(w.sum())
        if mass < 1e-15:
            return 0.0
        there = [i for i in range(len(self.prior)) if w[i] > 0]
        net = Network({f"c{i}": w[i] / mass for i in there}, single_fault=True)
        checks = []
        for k in self._open(answers):
            q = self.yes[k]
            net.add_finding(f"q{k}", ["no", "yes"], [1, 0], {f"c{i}": [1 - q[i], q[i]] for i in there})
            checks.append(CheckOption(f"q{k}", self.question[k]))
        rows = net.configurations({}, net.posterior({}), mass=1.0)
        repairs = [Repair(f"r{i}", self.repair[i], {f"c{i}": 1.0}) for i in there]
        first = plan(rows, checks, repairs, refer_minutes=1e6).steps[0]
        k = int(first.id[1:])
        if first.kind == "remedy":
            return self.repair[k] * mass + self.planned(done | 1 << k, answers)
        return self.question[k] * mass + sum(self.planned(done, answers + a * 3**k) for a in (1, 2))

    def most_probable_first(self) -> float:
        """Expected minutes of repairing in order of probability, asking nothing."""
        order = sorted(range(len(self.prior)), key=lambda i: -self.prior[i])
        return self._in_order(order)

    def _in_order(self, order: Sequence[int]) -> float:
        total, cost, spent = sum(self.prior), 0.0, 0.0
        for i in order:
            spent += self.repair[i]
            cost += spent * self.prior[i] / total
        return cost
