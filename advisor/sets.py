"""Leading sets of causes as rows of arrays: for lookahead and explanations over hundreds of findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from advisor.findings import Block, EvidenceError, Tried, Vector

if TYPE_CHECKING:
    from advisor.belief import Network

__all__ = ["Configurations", "LevelTable"]


@dataclass(frozen=True)
class _Variant:
    """A cause with a state of its groups: the chance of that state, and log P(draw <= level) over all levels."""

    cause: int
    share: float
    logs: Vector


@dataclass(frozen=True)
class _Entry:
    """A block on the level axis: positions, and log cumulative chances when its effect occurs and on average."""

    at: npt.NDArray[np.int64]
    shown: Vector
    marginal: Vector


class LevelTable:
    """Every level of every finding on one axis, so that whole sets of causes are predicted by one product."""

    def __init__(self, net: Network) -> None:
        self.starts = np.cumsum([0, *(len(row) for row in net.leak)])
        self.width = int(self.starts[-1])
        self.leak = _log(np.concatenate([np.cumsum(row) for row in net.leak])) if net.leak else np.zeros(0)
        self.entries = [[self._entry(block) for block in blocks] for blocks in net.blocks]
        self.bearing: list[list[tuple[int, int]]] = [[] for _ in net.leak]  # finding -> (cause, block) linked to it
        for c, blocks in enumerate(net.blocks):
            for b, block in enumerate(blocks):
                for f in block.rows:
                    self.bearing[f].append((c, b))

    def _entry(self, block: Block) -> _Entry:
        at = np.concatenate([np.arange(self.starts[f], self.starts[f + 1]) for f in block.rows])
        cum = np.concatenate([np.cumsum(row) for row in block.rows.values()])
        return _Entry(at, _log(cum), _log(1.0 - block.share + block.share * cum))


def _log(values: Vector) -> Vector:
    out: Vector = np.log(np.maximum(values, 1e-300))
    return out


class Configurations:
    """Leading sets of causes as rows.

    Attributes: `sets` list of tuples of cause indices; `weight` (rows,) summing to 1; and, by `predict`, the
    distribution of any finding in each row. A cause with a group that has observed findings appears once for each
    state of that group.
    """

    def __init__(
        self,
        net: Network,
        weights: dict[int, Vector],
        prior: Vector,
        ranked: list[int],
        tried: Sequence[Tried],
        mass: float,
        limit: int,
        pairs: bool = True,
    ) -> None:
        self.net = net
        self._table = net.table()
        variants = [v for c in ranked for v in self._variants(c, set(weights))]
        self._logs = np.array([v.logs for v in variants]).reshape(len(variants), self._table.width)
        if net.single_fault:
            odds = np.array([prior[v.cause] * v.share for v in variants])
        else:
            odds = np.array(
                [min(prior[v.cause], 1 - 1e-12) / max(1 - prior[v.cause], 1e-12) * v.share for v in variants]
            )
        if net.single_fault:
            members: list[tuple[int, ...]] = [(v,) for v in range(len(variants))]
        else:
            members = [(), *((v,) for v in range(len(variants)))]
            if pairs:
                members += [
                    p for p in combinations(range(len(variants)), 2) if variants[p[0]].cause != variants[p[1]].cause
                ]
                few = range(min(9, len(variants)))
                members += [t for t in combinations(few, 3) if len({variants[v].cause for v in t}) == 3]
        member = np.zeros((len(members), len(variants)))
        for size in (1, 2, 3):
            at = [i for i, m in enumerate(members) if len(m) == size]
            if at:
                member[np.repeat(at, size), np.concatenate([members[i] for i in at])] = 1.0
        weight = np.where(member > 0, odds, 1.0).prod(axis=1)
        for f, level in zip(weights, self._levels(list(weights), member), strict=True):
            weight = weight * (level @ weights[f])
        sets = [tuple(sorted({variants[v].cause for v in m})) for m in members]
        for each in tried:
            a, b = each.terms
            weight = weight * np.array([a + b * each.ends([net.causes[c] for c in s]) for s in sets])
        total = float(weight.sum())
        if not total > 0:
            raise EvidenceError("these findings contradict each other: the model gives them no chance at all")
        order = np.argsort(-weight, kind="stable")
        reach = np.cumsum(weight[order]) / total
        keep = order[: min(int(np.searchsorted(reach, mass)) + 1, limit)]
        self.sets = [sets[i] for i in keep]
        self._member = member[keep]
        self.weight: Vector = weight[keep] / float(weight[keep].sum())

    def _variants(self, c: int, observed: set[int]) -> list[_Variant]:
        """A cause, once for each state of its groups with an observed finding (at most eight)."""
        found = [(1.0, np.zeros(self._table.width))]
        for block, entry in zip(self.net.blocks[c], self._table.entries[c], strict=True):
            if block.share >= 1.0 or not observed & set(block.rows) or len(found) >= 8:
                for _, logs in found:
                    logs[entry.at] += entry.marginal
            else:
                silent = [(share * (1 - block.share), logs.copy()) for share, logs in found]
                for _, logs in found:
                    logs[entry.at] += entry.shown
                found = [(share * block.share, logs) for share, logs in found] + silent
        return [_Variant(c, share, logs) for share, logs in found]

    def _levels(self, findings: Sequence[int], member: Vector) -> list[Vector]:
        """P(level | row) of findings by index: the cumulative chances of the causes and the leak multiply."""
        if not findings:
            return []
        starts = self._table.starts
        columns = np.concatenate([np.arange(starts[f], starts[f + 1]) for f in findings])
        cum = np.exp(member @ self._logs[:, columns] + self._table.leak[columns])
        level = cum.copy()
        level[:, 1:] -= cum[:, :-1]
        first = np.cumsum([0, *(int(starts[f + 1] - starts[f]) for f in findings)])
        level[:, first[:-1]] = cum[:, first[:-1]]
        np.maximum(level, 0.0, out=level)
        return [level[:, a:b] for a, b in pairwise(first)]

    def predict(self, finding: str) -> Vector:
        """P(level | row) of a finding, shape (rows, levels)."""
        return self.predict_all([finding])[0]

    def predict_all(self, findings: Sequence[str]) -> list[Vector]:
        """P(level | row) of many findings at once: a list of arrays of shape (rows, levels)."""
        return self._levels([self.net.finding_index[f] for f in findings], self._member)

    def touched(self, least: float = 0.0) -> set[int]:
        """Indices of the findings that a cause of these sets is linked to (without the unlisted one), if the cause has
        at least the probability `least`."""
        chance: dict[int, float] = {}
        for s, w in zip(self.sets, self.weight, strict=True):
            for c in s:
                chance[c] = chance.get(c, 0.0) + float(w)
        causes = [c for c, p in chance.items() if c != self.net.unlisted and p >= least]
        return {f for c in causes for block in self.net.blocks[c] for f in block.rows}

    def ratio(self, finding: str, given: Sequence[float] | Vector, cause: str) -> float:
        """Likelihood ratio of an observed finding for a cause against the rest, all other findings kept.

        P(finding | cause, others) / P(finding | not cause, others), over the leading sets; `given` are the weights it
        was observed with. 1 when nothing can be told.
        """
        like = self.predict(finding) @ np.asarray(given, dtype=float)
        has = np.array([self.net.index[cause] in s for s in self.sets])
        without = self.weight / np.maximum(like, 1e-12)
        parts = []
        for mask in (has, ~has):
            base = float(without[mask].sum())
            if base <= 0:
                return 1.0
            parts.append(float(self.weight[mask].sum()) / base)
        return parts[0] / max(parts[1], 1e-12)
