"""Counts + the numbers of the knowledge -> the numbers of the shop. The method stands in :mod:`advisor.learning.estimate`."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.findings import Vector
from advisor.learning.overlaid import NONE, Numbers
from advisor.likelihoods import background
from advisor.model import Cause, Check, Knowledge

__all__ = [
    "MOST_CASES",
    "STRENGTH",
    "Background",
    "LinkCount",
    "RateCount",
    "Share",
    "Tally",
    "link_prior",
    "new_rates",
    "new_share",
    "numbers_of",
    "rate_beta",
    "rate_share",
    "share_posterior",
    "stated_rate",
]

STRENGTH = 100.0
MOST_CASES = 12.0
CERTAIN = 0.99
_GRID = 2000


@dataclass(frozen=True)
class RateCount:
    """`cases` that named the cause, where the knowledge expected so many at its stated rate per hundred."""

    cause: str
    cases: float
    expected: float
    stated: float


@dataclass(frozen=True)
class LinkCount:
    """How often each outcome of a check was reported in cases of this cause alone; soft readings by their weights."""

    cause: str
    check: str
    outcomes: Mapping[str, float]

    @property
    def total(self) -> float:
        """Cases of the cause in which the check was answered."""
        return sum(self.outcomes.values())


@dataclass(frozen=True)
class Tally:
    """Sufficient statistics of a shop's cases. `trials`: causes named, "none" being one."""

    trials: float = 0.0
    rates: tuple[RateCount, ...] = ()
    links: tuple[LinkCount, ...] = ()


@dataclass(frozen=True)
class Share:
    """A number before and after: the new one with its 95 % credible interval."""

    old: float
    new: float
    low: float
    high: float


def stated_rate(kb: Knowledge, cause: str) -> float:
    """Of 100 bad results, how many have the cause, by the knowledge."""
    return kb.vocabulary.unlisted.per_hundred if cause == NONE else kb.causes[cause].prior.per_hundred


# -- base rates -------------------------------------------------------------------------------------------------------


def rate_beta(kb: Knowledge, trials: float, count: RateCount) -> tuple[float, float, float]:
    """Prior mean of the cause's share of cases, and the two parameters of its posterior Beta: the marginal of the
    Dirichlet. The expectation follows the knowledge when its stated rate has changed since the counting."""
    mean = min(count.expected / trials * stated_rate(kb, count.cause) / count.stated, 0.95)
    return mean, STRENGTH * mean + count.cases, STRENGTH * (1 - mean) + trials - count.cases


def new_rates(kb: Knowledge, trials: float, counts: Sequence[RateCount]) -> dict[str, float]:
    """The rates per hundred of these causes, when all others keep theirs: rate x posterior share / prior share, against
    the same ratio of all the others together."""
    betas = {c.cause: rate_beta(kb, trials, c) for c in counts}
    before = 1 - sum(mean for mean, _, _ in betas.values())
    after = 1 - sum(a / (a + b) for _, a, b in betas.values())
    others = after / before if before > 0.02 and after > 0 else 1.0
    return {
        cause: _bounded(stated_rate(kb, cause), a / (a + b) / mean / others) for cause, (mean, a, b) in betas.items()
    }


def rate_share(kb: Knowledge, trials: float, count: RateCount, others: Sequence[RateCount]) -> Share:
    """The rate of one of the changed causes with its interval, `others` being changed too."""
    from scipy.stats import beta

    old = stated_rate(kb, count.cause)
    new = new_rates(kb, trials, [count, *others])[count.cause]
    _, a, b = rate_beta(kb, trials, count)
    odds = a / b
    ends = [float(q / (1 - q)) / odds for q in beta.ppf([0.025, 0.975], a, b)]
    return Share(old, new, *(min(new * end, 60.0) for end in ends))


def _bounded(rate: float, factor: float) -> float:
    return round(min(max(rate * factor, 0.01), 60.0), 4)


# -- links ------------------------------------------------------------------------------------------------------------


def link_prior(kb: Knowledge, cause: str, check: str) -> tuple[float, float] | None:
    """The two parameters of the Beta of how often the cause shows itself in the check; None where it is not learned (no
    link, a group, or certain)."""
    links = [x for x in kb.causes[cause].shows if x.check == check]
    if not links or any(x.group for x in links):
        return None
    shares = [kb.vocabulary.share(x.seen) for x in links]
    if not 0 < sum(shares) < CERTAIN:
        return None
    if len(links) == 1 and "/" in links[0].seen:
        seen, of = (int(part) for part in links[0].seen.split("/"))
        return 1.0 + seen, 1.0 + of - seen
    strength = min(_strength(kb, x.seen) for x in links)
    return sum(shares) * strength, (1 - sum(shares)) * strength


def _strength(kb: Knowledge, seen: str) -> float:
    """How many cases a text of frequency is worth: a word as many as give the Beta the spread of an even chance over the
    word's range (width / sqrt 12), 2 to MOST_CASES: a judgement is worth a dozen cases at most."""
    if "/" in seen:
        return int(seen.split("/")[1]) + 2.0
    word = next(f for f in kb.vocabulary.frequency if f.word == seen)
    spread = (word.high - word.low) ** 2 / 12
    return min(max(word.share * (1 - word.share) / spread - 1, 2.0), MOST_CASES) if spread else MOST_CASES


def share_posterior(
    a: float, b: float, counts: Sequence[float], above: Sequence[float] | Vector, others: Sequence[float] | Vector
) -> tuple[float, float, float]:
    """Mean and 95 % interval of a share x with prior Beta(a, b), given how often each level was reported.

    The cause's own draw stays at or below level l with 1 - x * above[l], all else with others[l]; the higher one is
    reported (noisy-MAX), so P(level <= l) is their product. With above = [1, 0] and others = [1, 1] the answer is the
    plain Beta(a + hits, b + misses). Integrated over the arcsine of sqrt(x), in which the density has no poles.
    """
    theta = (np.arange(_GRID) + 0.5) * (np.pi / 2 / _GRID)
    x = np.sin(theta) ** 2
    log = (2 * a - 1) * np.log(np.sin(theta)) + (2 * b - 1) * np.log(np.cos(theta))
    below = np.zeros(_GRID)
    for count, tail, rest in zip(counts, above, others, strict=True):
        upto = (1 - x * tail) * rest
        if count:
            log += count * np.log(np.maximum(upto - below, 1e-300))
        below = upto
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    reach = np.cumsum(weight) - weight / 2
    low, high = np.sin(np.interp([0.025, 0.975], reach, theta)) ** 2
    return float(weight @ x), float(low), float(high)


class Background:
    """What a check reports of anything but one cause: the background and every other cause at its stated rate."""

    def __init__(self, kb: Knowledge, checks: Iterable[str]) -> None:
        self.kb = kb
        self.miss = {r.kind: r.miss for r in kb.vocabulary.reporting}
        self._linked: dict[str, list[Cause]] = {check: [] for check in checks}
        for cause in kb.causes.values():
            for check in {x.check for x in cause.shows if x.check in self._linked}:
                self._linked[str(check)].append(cause)

    def above(self, cause: Cause, check: Check) -> Vector:
        """The chance that the cause alone is reported above each level."""
        share, ids = self.kb.vocabulary.share, [o.id for o in check.outcomes]
        own = np.zeros(len(ids))
        for link in cause.shows:
            if link.check == check.id:
                own[ids.index(str(link.outcome))] += share(link.seen) * (1 - self.miss[check.kind])
        total: Vector = own.sum() - np.cumsum(own)
        return total.clip(0.0, 1.0)

    def others(self, cause: Cause, check: Check) -> Vector:
        """The chance that nothing else is reported above each level."""
        unlisted = self.kb.vocabulary.unlisted
        out = np.cumsum(background(self.kb, check))
        top = len(out) - 1
        out *= 1 - unlisted.per_hundred / 100 * unlisted.check * (top - np.arange(top + 1)) / top
        for other in self._linked[check.id]:
            if other.id != cause.id:
                out *= 1 - other.prior.per_hundred / 100 * self.above(other, check)
        out[-1] = 1.0
        return out


def new_share(kb: Knowledge, count: LinkCount, around: Background | None = None) -> Share | None:
    """How often the cause shows itself in the check, before and after; None where that is not learned."""
    prior = link_prior(kb, count.cause, count.check)
    if prior is None:
        return None
    around = around or Background(kb, [count.check])
    cause, check = kb.causes[count.cause], kb.checks[count.check]
    a, b = prior
    old = sum(kb.vocabulary.share(x.seen) for x in cause.shows if x.check == check.id)
    counts = [count.outcomes.get(o.id, 0.0) for o in check.outcomes]
    return Share(old, *share_posterior(a, b, counts, around.above(cause, check) / old, around.others(cause, check)))


# -- all together -----------------------------------------------------------------------


def numbers_of(kb: Knowledge, found: Tally) -> Numbers:
    """The numbers that the counts of a tally make of this knowledge. Every entry must fit it."""
    around = Background(kb, {c.check for c in found.links})
    shares: dict[str, dict[str, float]] = defaultdict(dict)
    for count in found.links:
        share = new_share(kb, count, around)
        if share is not None:
            shares[count.cause][count.check] = round(share.new, 4)
    return Numbers(new_rates(kb, found.trials, found.rates) if found.rates else {}, dict(shares))
