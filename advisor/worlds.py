"""Invented bad results: causes, symptoms and answers drawn from the knowledge's own probabilities."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from advisor.assess import RELEVANT
from advisor.compiled import Compiled
from advisor.likelihoods import symptom_finding

__all__ = ["NONE", "World", "draw"]

NONE = "none-of-the-known"
TRIES = 20_000


@dataclass
class World:
    """One invented bad result.

    `causes`: the known causes that are there; `unlisted`: whether something the knowledge does not hold is there too.
    `needed`: those of them that keep the complaint alive. `complaint`: the symptoms told at the start. `level`: the level
    of every finding as reported. `silent`: checks that cannot be answered. `cured`: draws of whether a remedy cures.
    """

    causes: frozenset[str]
    unlisted: bool
    needed: frozenset[str]
    complaint: tuple[str, ...]
    level: dict[str, int]
    silent: frozenset[str]
    seed: int
    cured: dict[tuple[str, str], bool] = field(default_factory=dict)

    @property
    def kind(self) -> str:
        """one, two, more or none: how many known causes keep the complaint alive."""
        if self.unlisted or not self.needed:
            return "none"
        return {1: "one", 2: "two"}.get(len(self.needed), "more")

    def answer(self, compiled: Compiled, key: str) -> dict[str, Any]:
        """The event with which this world answers a check or a question for a symptom."""
        if key.startswith("symptom:"):
            return {"type": "symptom", "symptom": key.removeprefix("symptom:"), "present": self.level[key] > 0}
        if key in self.silent:
            return {"type": "unknown", "check": key}
        outcome = compiled.kb.checks[key].outcomes[self.level[key]].id
        return {"type": "answer", "check": key, "outcome": outcome}

    def cures(self, cause: str, remedy: str, sure: float) -> bool:
        """Whether this remedy cures that cause here: drawn once, by the remedy's own rate."""
        if (cause, remedy) not in self.cured:
            mixed = np.random.default_rng([self.seed, *map(ord, f"{cause}/{remedy}")])
            self.cured[cause, remedy] = bool(mixed.random() < sure)
        return self.cured[cause, remedy]


def draw(compiled: Compiled, seed: int) -> World:
    """Draw a world: every cause with its prior, findings by noisy-MAX with shared groups, answers with the error and
    no-answer rates of their kind; again until something is wrong that someone complains of.

    Raises ValueError when that never comes about.
    """
    net, kb = compiled.network, compiled.kb
    rng = np.random.default_rng(seed)
    symptoms = [symptom_finding(s) for s in kb.symptoms]
    for _ in range(TRIES):
        active = np.flatnonzero(rng.random(len(net.prior)) < net.prior)
        if not len(active):
            continue
        level = np.array([_level(rng, leak) for leak in net.leak])
        for c in active:
            for block in net.blocks[c]:
                if rng.random() < block.share:
                    for f, row in block.rows.items():
                        level[f] = max(level[f], _level(rng, row))
        present = [s for s in symptoms if level[net.finding_index[s]]]
        if present:
            break
    else:
        raise ValueError(f"in {TRIES} draws nobody had anything to complain of: no cause shows a symptom often enough")
    first = present[int(rng.integers(len(present)))]
    told = [first, *(s for s in present if s != first and rng.random() < 0.4)]
    complaint = tuple(s.removeprefix("symptom:") for s in told)
    unlisted = net.unlisted is not None and net.unlisted in active
    causes = frozenset(net.causes[c] for c in active if c != net.unlisted)
    needed = causes & compiled.relevant(frozenset(complaint), RELEVANT)
    silent = frozenset(c.id for c in kb.checks.values() if rng.random() < compiled.reporting[c.kind].no_answer)
    return World(
        causes, bool(unlisted), needed, complaint, dict(zip(net.findings, level.tolist(), strict=True)), silent, seed
    )


def _level(rng: np.random.Generator, row: Any) -> int:
    return int(np.searchsorted(np.cumsum(row), rng.random(), side="right").clip(max=len(row) - 1))
