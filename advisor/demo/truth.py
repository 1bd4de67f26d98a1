"""What is true in an invented case, and how a technician comes near it: answers and readings drawn from the knowledge's
own likelihoods, and a cheap choice of what to look at next."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from advisor.compiled import Compiled, symptom_finding
from advisor.likelihoods import background, with_cause
from advisor.model import Check
from advisor.readings import convert, parse_number

__all__ = ["Odds", "Truth", "as_typed", "drawn_reading"]


class Truth:
    """The causes really there; a finding's level is drawn when it is first asked for and stays (noisy-MAX).

    `forced` gives the levels that are not left to chance, by finding; `known` are findings without a background, since
    the mill's own value of the day stands behind them.
    """

    def __init__(
        self,
        compiled: Compiled,
        causes: Iterable[str],
        rng: random.Random,
        forced: Mapping[str, int] | None = None,
        known: Iterable[str] = (),
    ) -> None:
        self.net, self.rng, self.causes, self.known = compiled.network, rng, frozenset(causes), frozenset(known)
        self._levels: dict[str, int] = dict(forced or {})
        blocks = [b for c in sorted(self.causes) for b in self.net.blocks[self.net.index[c]]]
        self._on = [b for b in blocks if rng.random() < b.share]

    def level(self, finding: str) -> int:
        """The level reported of a finding: 0 is what a sound mill shows."""
        if finding not in self._levels:
            f = self.net.finding_index[finding]
            rows = [b.rows[f] for b in self._on if f in b.rows]
            rows += [] if finding in self.known else [self.net.leak[f]]
            self._levels[finding] = max((self._draw(row) for row in rows), default=0)
        return self._levels[finding]

    def _draw(self, row: Any) -> int:
        left = self.rng.random()
        for level, share in enumerate(row):
            left -= share
            if left < 0:
                return level
        return 0

    def complaint(self, compiled: Compiled, most: int = 3) -> tuple[str, ...]:
        """Symptoms these causes bring, at least one, the likeliest to be named first."""
        shares: dict[str, float] = {}
        for cause in sorted(self.causes):
            for link in compiled.kb.causes[cause].shows:
                if link.symptom:
                    shares[link.symptom] = max(shares.get(link.symptom, 0.0), compiled.share(link.seen))
        names = list(shares)
        first = self.rng.choices(names, [shares[s] ** 1.5 for s in names])[0]
        others = [s for s in names if s != first and self.rng.random() < 0.5 * shares[s] and shares[s] > 0.1]
        told = (first, *others)[:most]
        self._levels.update({symptom_finding(s): 1 for s in told})
        return told


def drawn_reading(check: Check, level: int, profile: Mapping[str, float], rng: random.Random) -> float:
    """A reading inside the limits of the check's outcome `level`, in the check's unit."""
    outcome, known = check.outcomes[level], dict(profile)
    low = outcome.start.resolve(known) if outcome.start else None
    high = outcome.end.resolve(known) if outcome.end else None
    floor, ceiling = check.plausible_from, check.plausible_to
    if low is not None and high is not None:
        return low + (high - low) * rng.uniform(0.15, 0.85)
    if low is not None:
        step = abs(low) or _span(check) * 0.05
        return min(low + step * rng.uniform(0.06, 0.9), ceiling if ceiling is not None else math.inf)
    top = high if high is not None else 0.0
    if top > 0:
        foot = max(floor or 0.0, 0.0)
        return foot + (top - foot) * rng.uniform(0.3, 0.85)
    step = abs(top) or _span(check) * 0.05
    return max(top - step * rng.uniform(0.06, 0.9), floor if floor is not None else -math.inf)


def _span(check: Check) -> float:
    return (check.plausible_to or 1.0) - (check.plausible_from or 0.0)


def as_typed(compiled: Compiled, check: Check, value: float) -> tuple[str, str]:
    """A reading as someone types it: to half a division of its instrument at best; number and unit."""
    instrument, unit = compiled.kb.instruments[str(check.instrument)], str(check.unit)
    step = instrument.resolution * (convert(1.0, instrument.unit, unit) - convert(0.0, instrument.unit, unit))
    step = step / 2 if instrument.percent_of_span is not None else step  # a needle is read between two marks
    if step > 0:
        value = round(value / step) * step
    low, high = check.plausible_from, check.plausible_to
    value = min(max(value, low if low is not None else value), high if high is not None else value)
    text = f"{value:.4f}".rstrip("0").rstrip(".") if abs(value) < 1000 else f"{value:.0f}"
    return ("0" if parse_number(text)[0] == 0 else text), ("" if unit == "1" else unit)


class Odds:
    """One cause at a time: a quick weighing of causes (naive Bayes), to choose what a technician looks at next.

    The ranking that cases carry comes from the engine itself; this only picks checks that bear on the leading causes.
    """

    def __init__(self, compiled: Compiled) -> None:
        kb = compiled.kb
        self.causes, self.checks = list(kb.causes), list(kb.checks)
        self.prior = np.array([c.prior.per_hundred for c in kb.causes.values()])
        self._symptom = {s: i for i, s in enumerate(kb.symptoms)}
        self._check = {c: i for i, c in enumerate(self.checks)}
        most = max(len(c.outcomes) for c in kb.checks.values())
        usual = np.zeros((len(self.checks), most))
        for i, check in enumerate(kb.checks.values()):
            usual[i, : len(check.outcomes)] = background(kb, check)
        self._shows = np.tile([background(kb, s)[1] for s in kb.symptoms.values()], (len(self.causes), 1))
        self._gives = np.tile(usual, (len(self.causes), 1, 1))
        for c, cause in enumerate(kb.causes.values()):
            for finding, row in with_cause(kb, cause).items():
                if finding in self._check:
                    self._gives[c, self._check[finding], : len(row)] = row
                else:
                    self._shows[c, self._symptom[finding.removeprefix("symptom:")]] = row[1]
        self._doubt = _entropy(self._gives)
        minutes = {p.id: p.minutes for p in kb.vocabulary.preparations}
        cost = [c.minutes + sum(minutes[p] for p in c.prep) / 2 for c in kb.checks.values()]
        self._cost = (np.array(cost) + 2.0) ** 0.7

    def weigh(self, symptoms: Iterable[str], answers: Mapping[str, int]) -> Any:
        """Probability of each cause alone, given the symptoms present and the level of each check answered."""
        weight = self.prior.copy()
        for symptom in symptoms:
            weight = weight * self._shows[:, self._symptom[symptom]]
        for check, level in answers.items():
            weight = weight * self._gives[:, self._check[check], level]
        return weight / weight.sum()

    def telling(self, weight: Any, rng: random.Random) -> list[str]:
        """Checks by what they tell of the causes as weighed, for their time; a little differently each day."""
        mean = np.tensordot(weight, self._gives, axes=1)
        gain = (_entropy(mean) - weight @ self._doubt) / self._cost
        gain = gain * np.array([rng.uniform(0.6, 1.4) for _ in self.checks])
        return [self.checks[i] for i in np.argsort(-gain, kind="stable")[:40]]


def _entropy(rows: Any) -> Any:
    return -(rows * np.log(np.where(rows > 0, rows, 1.0))).sum(axis=-1)
