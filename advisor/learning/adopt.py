"""Whether what was learned is worth having: the changes that matter, tried on cases held out by time.

The newest quarter of the cases is kept back, the rest is learned from, and each part (base rates, links, both) must put
more probability on the causes of the held-out cases than the knowledge alone does. The score is the mean logarithmic loss
in nats (Good 1952): minus the log of the probability of the named cause, given what was known before any remedy. It is
taken over *which one* cause it is, "none of the known" included, so that these probabilities sum to 1: those of sets of
causes do not, and raising every rate would raise them all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.findings import Evidence, Vector
from advisor.learning.estimate import LearnCase, tally
from advisor.learning.overlaid import NONE, with_numbers
from advisor.learning.updates import (
    Background,
    RateCount,
    Share,
    Tally,
    new_share,
    numbers_of,
    rate_beta,
    rate_share,
)
from advisor.model import Knowledge
from advisor.sets import Configurations

__all__ = [
    "LEAST_CASES",
    "PARTS",
    "Change",
    "Learned",
    "TooFew",
    "Trial",
    "changes",
    "learn",
    "log_losses",
    "named_posterior",
    "that_matter",
]

PARTS = ("rates", "links", "both")
LEAST_HELD = 10
LEAST_CASES = 4 * LEAST_HELD
FLOOR = 1e-6
"""A case that was given no chance costs 13.8 nats, not infinitely many: a wrong answer or label must not decide alone."""
CHANCE = 0.2
LEAST_FACTOR = 1.25
LEAST_SHIFT = 0.05


class TooFew(ValueError):
    """Not enough cases to learn from and to hold some back."""


@dataclass(frozen=True)
class Change:
    """A learned number. `check` is None for a base rate (per hundred); a link's share is in 0..1. `cases` of `of` cases
    named the cause, or showed it in the check."""

    cause: str
    check: str | None
    share: Share
    cases: float
    of: float

    @property
    def size(self) -> float:
        """How far it moved: the distance in log odds."""
        top = 100.0 if self.check is None else 1.0
        old, new = (min(max(v / top, 1e-4), 1 - 1e-4) for v in (self.share.old, self.share.new))
        return abs(math.log(new / (1 - new)) - math.log(old / (1 - old)))


@dataclass(frozen=True)
class Trial:
    """One part on the held-out cases: mean log loss in nats before and after, and the standard error of the mean of the
    differences case by case."""

    part: str
    before: float
    after: float
    error: float

    @property
    def gain(self) -> float:
        """Nats a case saved."""
        return self.before - self.after

    @property
    def improves(self) -> bool:
        """Better by more than the standard error of that."""
        return self.gain > max(self.error, 1e-6)


@dataclass(frozen=True)
class Learned:
    """The outcome of learning. `best` is the part to adopt, None when none improves; `found` then holds what all cases
    together say of it, and is empty otherwise."""

    cases: int
    held: int
    trials: tuple[Trial, ...]
    best: Trial | None
    found: Tally
    newest: str


def that_matter(kb: Knowledge, full: Tally, part: str = "both") -> Tally:
    """The counts that change a number enough to matter: its 95 % interval leaves the old value out, and it moves by a
    quarter (a rate) or by 0.05 (a share).

    A rate's count must also be a surprise if the old number were true: among many rare causes some always go unseen or
    come twice. Exact binomial tests with the false discovery rate held at CHANCE (Benjamini & Hochberg 1995): of the rates
    that change, one in five may do so by chance. Rates are tried together, and the one that matters least is let go until
    all matter.
    """
    links = []
    around = Background(kb, {c.check for c in full.links})
    for link in full.links if part != "rates" else ():
        share = new_share(kb, link, around)
        if share and not share.low <= share.old <= share.high and abs(share.new - share.old) >= LEAST_SHIFT:
            links.append(link)
    rates = [] if part == "links" else _surprising(kb, full)
    while rates:
        shares = {r.cause: rate_share(kb, full.trials, r, [o for o in rates if o is not r]) for r in rates}
        idle = [r for r in rates if not _matters(shares[r.cause])]
        if not idle:
            break
        rates.remove(min(idle, key=lambda r: abs(math.log(shares[r.cause].new / shares[r.cause].old))))
    return Tally(full.trials, tuple(rates), tuple(links))


def _surprising(kb: Knowledge, full: Tally) -> list[RateCount]:
    from scipy.stats import binomtest, false_discovery_control

    chances = [
        float(binomtest(round(r.cases), round(full.trials), rate_beta(kb, full.trials, r)[0]).pvalue)
        for r in full.rates
    ]
    adjusted = false_discovery_control(chances) if chances else []
    return [r for r, chance in zip(full.rates, adjusted, strict=True) if chance <= CHANCE]


def _matters(rate: Share) -> bool:
    return not rate.low <= rate.old <= rate.high and not 1 / LEAST_FACTOR < rate.new / rate.old < LEAST_FACTOR


def changes(kb: Knowledge, found: Tally) -> list[Change]:
    """What the counts make of the knowledge's numbers, the biggest change first."""
    out = []
    for rate in found.rates:
        others = [r for r in found.rates if r.cause != rate.cause]
        out.append(Change(rate.cause, None, rate_share(kb, found.trials, rate, others), rate.cases, found.trials))
    around = Background(kb, {c.check for c in found.links})
    for link in found.links:
        share = new_share(kb, link, around)
        if share:
            linked = {x.outcome for x in kb.causes[link.cause].shows if x.check == link.check}
            hits = sum(n for o, n in link.outcomes.items() if o in linked)
            out.append(Change(link.cause, link.check, share, hits, link.total))
    return sorted(out, key=lambda c: (-c.size, c.cause, c.check or ""))


# -- scores -----------------------------------------------------------------------------------------------------------


def named_posterior(compiled: Compiled, evidence: Evidence, priors: Vector) -> dict[str, float]:
    """Cause (or NONE) -> probability that it is the one, if it is one alone; sums to 1."""
    net = compiled.network
    ranked = [int(c) for c in np.flatnonzero(priors > 0)]
    rows = Configurations(net, net._weights(evidence), priors, ranked, (), 1.0, 1 << 30, pairs=False)
    out: dict[str, float] = {}
    for some, weight in zip(rows.sets, rows.weight, strict=True):
        cause = NONE if not some or some[0] == net.unlisted else net.causes[some[0]]
        out[cause] = out.get(cause, 0.0) + float(weight)
    return out


class _Findings:
    """What was known of a case, worked out once: it does not hang on the numbers that are learned."""

    def __init__(self, compiled: Compiled, case: LearnCase) -> None:
        view = Assessment(compiled, replace(case.state, remedies=()))
        self.causes = case.causes or (NONE,)
        self.evidence = view.evidence
        self.excluded = view.verdict.excluded
        self.state = case.state

    def loss(self, compiled: Compiled) -> float:
        """Minus the log probability of the named cause; the mean of both when two are named."""
        priors = compiled.priors(self.state.choices, self.state.numbers, self.excluded)
        found = named_posterior(compiled, self.evidence, priors)
        return -sum(math.log(max(found.get(c, 0.0), FLOOR)) for c in self.causes) / len(self.causes)


def log_losses(compiled: Compiled, cases: Sequence[LearnCase]) -> Vector:
    """The log loss in nats of each case."""
    return np.array([_Findings(compiled, case).loss(compiled) for case in cases])


def learn(compiled: Compiled, cases: Sequence[LearnCase]) -> Learned:
    """Learn from the older three quarters, try each part on the rest, and refit the best one on all of them.

    `compiled`: the knowledge without an overlay. Raises TooFew under LEAST_CASES cases.
    """
    ordered = sorted(cases, key=lambda c: (c.at, c.handle))
    if len(ordered) < LEAST_CASES:
        raise TooFew(
            f"{len(ordered)} signed cases say too little yet: learning needs {LEAST_CASES}, "
            f"of which the newest quarter is kept back to try the result on"
        )
    kb = compiled.kb
    held = len(ordered) // 4
    older, newer = ordered[:-held], ordered[-held:]
    counted = tally(compiled, older)
    findings = [_Findings(compiled, case) for case in newer]
    before = np.array([f.loss(compiled) for f in findings])
    trials = []
    for part in PARTS:
        found = that_matter(kb, counted, part)
        if not (found.rates or found.links) or (part == "both" and not (found.rates and found.links)):
            continue
        changed = Compiled(with_numbers(kb, numbers_of(kb, found), part))
        gain = before - np.array([f.loss(changed) for f in findings])
        error = float(gain.std(ddof=1) / math.sqrt(held))
        trials.append(Trial(part, float(before.mean()), float(before.mean() - gain.mean()), error))
    good = [t for t in trials if t.improves]
    best = max(good, key=lambda t: t.gain) if good else None
    everything = that_matter(kb, tally(compiled, ordered), best.part) if best else Tally()
    return Learned(len(ordered), held, tuple(trials), best, everything, ordered[-1].at)
