"""Prior odds and findings -> probabilities of causes, exactly, over sets of causes.

The model in one page. Every cause is there or not, independently, with its prior. A finding (a symptom, a check) has
levels, the first being what a sound mill shows. Each active cause draws a level of each finding it is linked to; the
background ("leak") draws one too; the highest level drawn is what is seen: noisy-MAX, and noisy-OR for two levels
(Pearl 1988; Henrion 1989; Diez 1993). Two worn parts at once are normal here, so the posterior runs over *sets*.

How it is computed. A finding seen at its first level multiplies into each cause's prior, since every cause must have
stayed silent (Heckerman 1989). The others span a small state: the highest level produced so far, at most the one
seen. Start from the leak and pass the causes one by one; each is active with its prior and then raises the state. All
terms are non-negative, so no digits cancel (inclusion-exclusion loses them beyond about ten positive findings). A
reading near a limit is a weight per level on the final state. The backward pass gives every cause's marginal.
Cost: linked causes x product of the state sizes.

Findings of one cause in a common group come from one effect: it occurs as often as the group's commonest finding, and
each finding of the group then follows with its own share of that. A tried remedy that did not help rules out, as surely
as it cures, the sets it would have cured whole.

"None of the known causes" is a standing hypothesis: a cause of its own with a flat likelihood; see `Posterior.none`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from advisor.findings import Block, Evidence, EvidenceError, Tried, Vector
from advisor.passes import MAX_STATES, PassState, PassStep
from advisor.sets import Configurations, LevelTable

__all__ = ["Configurations", "Evidence", "EvidenceError", "Network", "Posterior", "Tried", "Vector"]

_UNLISTED = "none-of-these"


@dataclass(frozen=True)
class Posterior:
    """Probabilities of causes.

    `cause`: cause id -> probability in 0..1. `none`: probability that no known cause is active.
    `log_evidence`: natural logarithm of the probability of the findings; not a number when it was not computed.
    """

    cause: dict[str, float]
    none: float
    log_evidence: float


class Network:
    """Causes, findings and links as arrays.

    Examples
    --------
    >>> net = Network({"worn": 0.1, "dirty": 0.2})
    >>> net.add_finding("chips", ["no", "yes"], [0.99, 0.01], {"worn": [0.2, 0.8], "dirty": [0.5, 0.5]})
    >>> post = net.posterior({"chips": [0, 1]})
    >>> round(post.cause["worn"], 6), round(post.cause["dirty"], 6)
    (0.455846, 0.604171)
    """

    def __init__(self, priors: Mapping[str, float], single_fault: bool = False) -> None:
        """`priors`: cause id -> probability in 0..1. `single_fault`: exactly one cause is active (priors are then weights)."""
        for cause, p in priors.items():
            if not 0 <= p <= 1 or math.isnan(p):
                raise ValueError(f"prior of '{cause}' is {p}: give a probability from 0 to 1")
        self.causes: tuple[str, ...] = tuple(priors)
        self.index = {cause: i for i, cause in enumerate(self.causes)}
        self.prior: Vector = np.array([priors[c] for c in self.causes], dtype=float)
        self.single_fault = single_fault
        self.findings: list[str] = []
        self.finding_index: dict[str, int] = {}
        self.levels: list[tuple[str, ...]] = []
        self.leak: list[Vector] = []
        self.blocks: list[list[Block]] = [[] for _ in self.causes]
        self.unlisted: int | None = None
        self._flat: LevelTable | None = None

    # -- building -------------------------------------------------------------------------------------------------

    def add_finding(
        self,
        name: str,
        levels: Sequence[str],
        leak: Sequence[float],
        given: Mapping[str, Sequence[float]] | None = None,
    ) -> None:
        """Add a finding with its levels (normal first), its background distribution and each linked cause's own.

        Every distribution has one probability a level and sums to 1 (within 1e-9); ValueError if not.
        """
        if name in self.finding_index:
            raise ValueError(f"finding '{name}' stands twice")
        self._flat = None
        self.finding_index[name] = len(self.findings)
        self.findings.append(name)
        self.levels.append(tuple(levels))
        self.leak.append(_distribution(leak, len(levels), f"leak of '{name}'"))
        for cause, row in (given or {}).items():
            self.link(cause, {name: row})

    def link(self, cause: str, rows: Mapping[str, Sequence[float]]) -> None:
        """Link a cause to findings that come from one effect of it: finding -> distribution over its levels.

        One finding makes a plain link. Several make a group, which is not counted twice.
        """
        self._flat = None
        full = {
            self.finding_index[f]: _distribution(r, len(self.levels[self.finding_index[f]]), f"'{cause}' on '{f}'")
            for f, r in rows.items()
        }
        if len(full) == 1:
            self.blocks[self.index[cause]].append(Block(1.0, full))
            return
        share = max(1.0 - float(r[0]) for r in full.values())
        if share <= 0:
            return
        inner = {}
        for f, r in full.items():
            tail = r[1:] / share
            inner[f] = np.concatenate([[1.0 - tail.sum()], tail]).clip(0.0)
        self.blocks[self.index[cause]].append(Block(share, inner))

    def add_unlisted(self, prior: float, symptom: float, check: float, symptoms: Iterable[str]) -> None:
        """Add the standing hypothesis "none of the known causes": shows any symptom with probability `symptom`, and any
        other finding off its first level with probability `check`, spread evenly."""
        names = set(symptoms)
        self._flat = None
        self.causes = (*self.causes, _UNLISTED)
        self.unlisted = self.index[_UNLISTED] = len(self.causes) - 1
        self.prior = np.append(self.prior, prior)
        blocks = []
        for f, name in enumerate(self.findings):
            q = symptom if name in names else check
            k = len(self.levels[f]) - 1
            blocks.append(Block(1.0, {f: np.array([1 - q, *[q / k] * k])}))
        self.blocks.append(blocks)

    def table(self) -> LevelTable:
        """The network on one level axis; made once, and again after a change."""
        if self._flat is None:
            self._flat = LevelTable(self)
        return self._flat

    # -- inference ------------------------------------------------------------------------------------------------

    def posterior(self, evidence: Evidence, priors: Vector | None = None, tried: Sequence[Tried] = ()) -> Posterior:
        """Probability of every cause given the findings.

        `evidence`: finding id -> weight of each of its levels (one-hot when sure). `priors`: prior of each cause, in the
        order of `causes`, when the setting moves them. Exact, up to about sixteen findings off their first level; past
        that, over single causes, pairs and leading triples. Raises EvidenceError for findings it does not know and for
        all-zero weights.
        """
        prior = self.prior if priors is None else np.asarray(priors, dtype=float)
        weights = self._weights(evidence)
        if self.single_fault:
            return self._single(weights, prior, tried)
        state = PassState(self, weights)
        if state.size > MAX_STATES:
            return self._by_sets(weights, prior, tried)
        total, joint, scale, empty = self._run(weights, prior, state=state)
        rest = math.prod(t.terms[0] for t in tried)
        z, joint, empty = total * rest, joint * rest, empty * rest
        # Each tried remedy weighs a set by a + b * g. Expand the product over the remedies: every term is a pass with
        # the causes outside the remedies' reach switched off, less the sets without any relevant cause.
        terms = list(_common(tried, self.causes))
        if len({t.relevant for t in tried}) > 1:
            raise ValueError("all remedies tried in a case share the same relevant causes")
        if terms:
            bare = self._run(weights, prior, np.array([0.0 if tried[0].matters(c) else 1.0 for c in self.causes]))
        for some, shares in terms:
            factor = math.prod(t.terms[i in some] for i, t in enumerate(tried))
            for sign, (part, active, log_scale, _) in (
                (1.0, self._run(weights, prior, shares)),
                (-1.0, bare),
            ):
                weight = sign * factor * math.exp(log_scale - scale)
                z += weight * part
                joint = joint + weight * active
        if not z > 0:
            raise EvidenceError("these findings contradict each other: the model gives them no chance at all")
        cause = {c: float(min(max(joint[i] / z, 0.0), 1.0)) for i, c in enumerate(self.causes) if i != self.unlisted}
        return Posterior(cause, float(min(max(empty / z, 0.0), 1.0)), math.log(z) + scale)

    def _weights(self, evidence: Evidence) -> dict[int, Vector]:
        weights: dict[int, Vector] = {}
        for name, given in evidence.items():
            if name not in self.finding_index:
                raise EvidenceError(f"there is no finding '{name}'")
            f = self.finding_index[name]
            row = np.asarray(given, dtype=float)
            if row.shape != self.leak[f].shape or not (row >= 0).all() or not row.sum() > 0:
                raise EvidenceError(f"'{name}' needs {len(self.leak[f])} weights of at least 0, not all of them 0")
            if (row == row[0]).all():
                continue  # says nothing
            weights[f] = row
        return weights

    def _single(self, weights: dict[int, Vector], prior: Vector, tried: Sequence[Tried]) -> Posterior:
        log = np.full(len(self.causes), -math.inf)
        for c in range(len(self.causes)):
            if prior[c] > 0:
                like = self._likelihood_of(weights, [c])
                for each in tried:
                    a, b = each.terms
                    like *= a + b * each.ends([self.causes[c]])
                log[c] = math.log(prior[c]) + (math.log(like) if like > 0 else -math.inf)
        top = float(log.max())
        if top == -math.inf:
            raise EvidenceError("these findings contradict each other: the model gives them no chance at all")
        w = np.exp(log - top)
        z = float(w.sum())
        none = float(w[self.unlisted] / z) if self.unlisted is not None else 0.0
        return Posterior(
            {c: float(w[i] / z) for i, c in enumerate(self.causes) if i != self.unlisted},
            none,
            math.log(z) + top - math.log(float(prior.sum())),
        )

    def _by_sets(self, weights: dict[int, Vector], prior: Vector, tried: Sequence[Tried]) -> Posterior:
        """The posterior over single causes, pairs and the leading triples: for more findings off the normal than the
        exact pass can hold (about sixteen)."""
        alone = Configurations(self, weights, prior, self._ranked(prior, prior), tried, 1.0, 1 << 30, pairs=False)
        chance = np.zeros(len(self.causes))
        for s, w in zip(alone.sets, alone.weight, strict=True):
            chance[list(s)] += w
        rows = Configurations(self, weights, prior, self._ranked(chance, prior)[:48], tried, 1.0, 1 << 30)
        joint = np.zeros(len(self.causes))
        none = 0.0
        for s, w in zip(rows.sets, rows.weight, strict=True):
            joint[list(s)] += w
            none += w if all(c == self.unlisted for c in s) else 0.0
        cause = {c: float(joint[i]) for i, c in enumerate(self.causes) if i != self.unlisted}
        return Posterior(cause, float(none), math.nan)

    def _ranked(self, chance: Vector, prior: Vector) -> list[int]:
        return [int(c) for c in np.argsort(-chance, kind="stable") if prior[c] > 0]

    def _likelihood_of(self, weights: dict[int, Vector], causes: Sequence[int]) -> float:
        """P(findings | exactly these causes), summed over the modes of their groups, by the forward pass alone."""
        prior = np.zeros(len(self.causes))
        prior[list(causes)] = 1.0
        total, _, log_scale, _ = self._run(weights, prior, backward=False)
        return float(total * math.exp(log_scale))

    def _run(
        self,
        weights: dict[int, Vector],
        prior: Vector,
        shares: Vector | None = None,
        backward: bool = True,
        state: PassState | None = None,
    ) -> tuple[float, Vector, float, float]:
        """One forward-backward pass: total weight, weight with each cause active, log scale of both, and the weight of
        the sets without any known cause. `shares` multiplies the active side of each cause (not its prior)."""
        state = state or PassState(self, weights)
        on = prior if shares is None else prior * shares
        off = 1.0 - prior
        quiet = np.ones(len(self.causes))  # negative findings of causes that touch no state finding
        stateful: list[int] = []
        plans: dict[int, list[PassStep]] = {}
        touched: dict[int, set[int]] = {}
        bearing = self.table().bearing
        for f in weights:
            for c, b in bearing[f]:
                touched.setdefault(c, set()).add(b)
        for c in sorted(touched):
            if on[c] <= 0.0:
                continue
            plan = state.plan([self.blocks[c][b] for b in sorted(touched[c])])
            if plan.moves:
                plans[c] = plan.steps
                stateful.append(c)
            quiet[c] = plan.factor
        scale = state.log_leak
        passive = np.array([c for c in range(len(self.causes)) if c not in plans], dtype=int)
        mix = off[passive] + on[passive] * quiet[passive]
        if (mix <= 0).any():
            return 0.0, np.zeros(len(self.causes)), scale, 0.0
        scale += float(np.log(mix).sum())

        forward = state.start()
        kept: list[Vector] = []
        for c in stateful:
            kept.append(forward)
            moved = state.forward(forward, plans[c])
            forward = off[c] * forward + (on[c] * quiet[c]) * moved
            if float(forward.max()) <= 0.0:
                return 0.0, np.zeros(len(self.causes)), scale, 0.0
        total = float(forward @ state.final)
        joint = np.zeros(len(self.causes))
        if backward:
            back = state.final
            for c, before in zip(reversed(stateful), reversed(kept), strict=True):
                pulled = state.backward(back, plans[c])
                active = on[c] * quiet[c]
                joint[c] = active * float(before @ pulled)
                back = off[c] * back + active * pulled
            joint[passive] = total * (on[passive] * quiet[passive]) / mix
        none = self._none(state, off, on, quiet, plans, mix, passive)
        return total, joint, scale, none

    def _none(
        self,
        state: PassState,
        off: Vector,
        on: Vector,
        quiet: Vector,
        plans: dict[int, list[PassStep]],
        mix: Vector,
        passive: npt.NDArray[np.int64],
    ) -> float:
        """Weight of the sets without a known cause, on the scale of the pass."""
        factor = 1.0
        for c in plans:
            if c != self.unlisted:
                factor *= off[c]
        for i, c in enumerate(passive):
            if c != self.unlisted:
                factor *= off[c] / mix[i]
        begin = state.start()
        weight = float(begin @ state.final)
        if self.unlisted is None:
            return float(factor * weight)
        u = self.unlisted
        if u in plans:
            active = float(state.forward(begin, plans[u]) @ state.final)
            return float(factor * (off[u] * weight + on[u] * quiet[u] * active))
        return float(factor * weight)

    # -- leading sets ---------------------------------------------------------------------------------------------

    def configurations(
        self,
        evidence: Evidence,
        posterior: Posterior,
        priors: Vector | None = None,
        tried: Sequence[Tried] = (),
        mass: float = 0.99,
        width: int = 24,
        limit: int = 96,
    ) -> Configurations:
        """The leading sets of causes (up to three at once among the `width` likeliest), with their weights.

        For lookahead and explanations, where the exact posterior over all sets would be asked hundreds of times.
        """
        prior = self.prior if priors is None else np.asarray(priors, dtype=float)
        weights = self._weights(evidence)
        chance = np.array([posterior.cause.get(c, posterior.none) for c in self.causes])
        chance[prior <= 0] = 0.0
        ranked = [int(c) for c in np.argsort(-chance, kind="stable")[:width] if prior[c] > 0]
        if self.unlisted is not None and prior[self.unlisted] > 0 and self.unlisted not in ranked:
            ranked.append(self.unlisted)
        return Configurations(self, weights, prior, ranked, tried, mass, limit)


def _common(tried: Sequence[Tried], causes: Sequence[str]) -> Iterator[tuple[tuple[int, ...], Vector]]:
    """Sets of tried remedies that cure a relevant cause in common, with the product of their shares; others add
    nothing. A cause that cannot keep the complaint alive is no hindrance: its share is 1."""
    vectors = [np.array([t.cures.get(c, 0.0) if t.matters(c) else 1.0 for c in causes]) for t in tried]
    needed = [np.array([t.matters(c) for c in causes]) for t in tried]
    front: list[tuple[tuple[int, ...], Vector]] = [((i,), v) for i, v in enumerate(vectors) if (v * needed[i]).any()]
    while front:
        yield from front
        front = [
            ((*some, i), shares * vectors[i])
            for some, shares in front
            for i in range(some[-1] + 1, len(vectors))
            if (shares * vectors[i] * needed[i]).any()
        ]


def _distribution(row: Sequence[float], levels: int, what: str) -> Vector:
    out = np.asarray(row, dtype=float)
    if out.shape != (levels,):
        raise ValueError(f"{what}: give {levels} probabilities, one a level")
    if not (out >= -1e-12).all() or abs(float(out.sum()) - 1.0) > 1e-9:
        raise ValueError(f"{what}: probabilities must be at least 0 and sum to 1")
    return out.clip(0.0)
