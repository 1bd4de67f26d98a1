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
from itertools import combinations, pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Configurations", "Evidence", "EvidenceError", "Network", "Posterior", "Tried"]

Vector = npt.NDArray[np.float64]
Evidence = Mapping[str, Sequence[float] | Vector]
MAX_STATES = 1 << 16
_UNLISTED = "none-of-these"


class EvidenceError(ValueError):
    """Evidence the model cannot take: an unknown finding, wrong number of levels, or too much of it."""


@dataclass(frozen=True)
class Tried:
    """A remedy that was tried: how surely it cures each cause (share in 0..1 by cause id), and whether it helped.

    Only `relevant` causes can keep the complaint alive (None: every cause can). The remedy's chance of ending the
    trouble is g(S) = product of the shares over the relevant causes of the set S, and 0 if there is none of them. "No
    change" weighs a set by 1 - g; "helped" by g, plus one in twenty for trouble that goes away by itself.
    """

    cures: Mapping[str, float]
    helped: bool = False
    relevant: frozenset[str] | None = None

    @property
    def terms(self) -> tuple[float, float]:
        """The weight of a set as a + b * g."""
        return (0.05, 0.95) if self.helped else (1.0, -1.0)

    def matters(self, cause: str) -> bool:
        """Whether the cause can keep the complaint alive."""
        return self.relevant is None or cause in self.relevant

    def ends(self, causes: Sequence[str]) -> float:
        """g(S): the chance that the remedy ends the trouble of exactly these causes."""
        needed = [self.cures.get(c, 0.0) for c in causes if self.matters(c)]
        return math.prod(needed) if needed else 0.0


@dataclass(frozen=True)
class _Block:
    """Links of one cause that share one effect: it occurs with `share`; then finding f draws from rows[f]."""

    share: float
    rows: dict[int, Vector]


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
        self.blocks: list[list[_Block]] = [[] for _ in self.causes]
        self.unlisted: int | None = None
        self._flat: _Table | None = None

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
            self.blocks[self.index[cause]].append(_Block(1.0, full))
            return
        share = max(1.0 - float(r[0]) for r in full.values())
        if share <= 0:
            return
        inner = {}
        for f, r in full.items():
            tail = r[1:] / share
            inner[f] = np.concatenate([[1.0 - tail.sum()], tail]).clip(0.0)
        self.blocks[self.index[cause]].append(_Block(share, inner))

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
            blocks.append(_Block(1.0, {f: np.array([1 - q, *[q / k] * k])}))
        self.blocks.append(blocks)

    def table(self) -> _Table:
        """The network on one level axis; made once, and again after a change."""
        if self._flat is None:
            self._flat = _Table(self)
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
        state = _State(self, weights)
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
        state: _State | None = None,
    ) -> tuple[float, Vector, float, float]:
        """One forward-backward pass: total weight, weight with each cause active, log scale of both, and the weight of
        the sets without any known cause. `shares` multiplies the active side of each cause (not its prior)."""
        state = state or _State(self, weights)
        on = prior if shares is None else prior * shares
        off = 1.0 - prior
        quiet = np.ones(len(self.causes))  # negative findings of causes that touch no state finding
        stateful: list[int] = []
        plans: dict[int, list[_Step]] = {}
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
        state: _State,
        off: Vector,
        on: Vector,
        quiet: Vector,
        plans: dict[int, list[_Step]],
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


@dataclass(frozen=True)
class _Step:
    """A block's effect on the state: with `share` the moves are made (and `silent` of its other findings stay quiet)."""

    share: float
    silent: float
    moves: tuple[tuple[int, Vector], ...]


@dataclass(frozen=True)
class _Plan:
    steps: list[_Step]
    factor: float
    moves: bool


class _State:
    """The findings off their first level, as one array: axis i holds the highest level produced so far of finding i."""

    def __init__(self, net: Network, weights: dict[int, Vector]) -> None:
        self.negative: set[int] = set()
        self.axis: dict[int, int] = {}
        self.cut: list[int] = []
        dims: list[int] = []
        finals: list[Vector] = []
        starts: list[Vector] = []
        log_leak = 0.0
        for f, row in weights.items():
            top = int(np.nonzero(row)[0][-1])
            if top == 0:
                self.negative.add(f)
                log_leak += math.log(row[0] * net.leak[f][0]) if net.leak[f][0] > 0 else -math.inf
                continue
            self.axis[f] = len(dims)
            # Levels below the lowest one with a weight of its own behave alike: join them.
            low = 0
            while low < top and row[low + 1] == row[low]:
                low += 1
            if low == top:
                low = top - 1 if top else 0
            self.cut.append(low)
            dims.append(top - low + 1)
            finals.append(row[low : top + 1])
            starts.append(self._merge(net.leak[f], low, top))
        self.dims = tuple(dims)
        self.size = math.prod(dims)
        self.tops = {f: int(np.nonzero(weights[f])[0][-1]) for f in self.axis}
        self.log_leak = log_leak
        self.shapes = [(math.prod(dims[:i]), dims[i], math.prod(dims[i + 1 :])) for i in range(len(dims))]
        if self.size <= MAX_STATES:
            self.final = _outer(finals)
            self._start = _outer(starts)

    @staticmethod
    def _merge(row: Vector, low: int, top: int) -> Vector:
        """Levels 0..low as one, then low+1..top one by one; what lies above `top` is dropped (it was not seen)."""
        return np.concatenate([[row[: low + 1].sum()], row[low + 1 : top + 1]])

    def start(self) -> Vector:
        return self._start

    def plan(self, blocks: list[_Block]) -> _Plan:
        """What a cause's blocks do to this state; factor collects its plain negative findings."""
        steps: list[_Step] = []
        factor = 1.0
        for block in blocks:
            silent = 1.0
            moves: list[tuple[int, Vector]] = []
            for f, row in block.rows.items():
                if f in self.negative:
                    silent *= row[0]
                elif f in self.axis:
                    axis = self.axis[f]
                    moves.append((axis, self._merge(row, self.cut[axis], self.tops[f])))
            if not moves:
                factor *= 1.0 - block.share + block.share * silent
            elif block.share >= 1.0:
                factor *= silent
                steps.append(_Step(1.0, 1.0, tuple(moves)))
            else:
                steps.append(_Step(block.share, silent, tuple(moves)))
        return _Plan(steps, float(factor), bool(steps))

    def forward(self, state: Vector, steps: list[_Step]) -> Vector:
        return self._apply(state, steps, self._raise)

    def backward(self, state: Vector, steps: list[_Step]) -> Vector:
        return self._apply(state, steps, self._pull)

    def _apply(self, state: Vector, steps: list[_Step], move: Any) -> Vector:
        for step in steps:
            moved = state
            for axis, row in step.moves:
                moved = move(moved, axis, row)
            if step.share < 1.0:
                moved = (1.0 - step.share) * state + (step.share * step.silent) * moved
            state = moved
        return state

    def _raise(self, state: Vector, axis: int, row: Vector) -> Vector:
        """Each draw lifts the level: new[s] = old[s] * P(draw <= s) + P(draw = s) * sum(old[< s])."""
        a, d, b = self.shapes[axis]
        old = state.reshape(a, d, b)
        new = np.empty_like(old)
        new[:, 0] = old[:, 0] * row[0]
        if d == 2:
            new[:, 1] = old[:, 1] * (row[0] + row[1]) + old[:, 0] * row[1]
        else:
            reach = row[0]
            below = old[:, 0].copy()
            for s in range(1, d):
                reach = reach + row[s]
                new[:, s] = old[:, s] * reach + below * row[s]
                below += old[:, s]
        return new.reshape(-1)

    def _pull(self, state: Vector, axis: int, row: Vector) -> Vector:
        """The transpose of `_raise`: new[s] = old[s] * P(draw <= s) + sum over j > s of P(draw = j) * old[j]."""
        a, d, b = self.shapes[axis]
        old = state.reshape(a, d, b)
        new = np.empty_like(old)
        if d == 2:
            new[:, 0] = old[:, 0] * row[0] + old[:, 1] * row[1]
            new[:, 1] = old[:, 1] * (row[0] + row[1])
            return new.reshape(-1)
        above = np.zeros_like(old[:, 0])
        reach = float(row.sum())
        for s in range(d - 1, -1, -1):
            new[:, s] = old[:, s] * reach + above
            above += old[:, s] * row[s]
            reach -= float(row[s])
        return new.reshape(-1)


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


class _Table:
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

    def _entry(self, block: _Block) -> _Entry:
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


def _outer(parts: list[Vector]) -> Vector:
    out = np.ones(1)
    for part in parts:
        out = np.multiply.outer(out, part).reshape(-1)
    return out


def _distribution(row: Sequence[float], levels: int, what: str) -> Vector:
    out = np.asarray(row, dtype=float)
    if out.shape != (levels,):
        raise ValueError(f"{what}: give {levels} probabilities, one a level")
    if not (out >= -1e-12).all() or abs(float(out.sum()) - 1.0) > 1e-9:
        raise ValueError(f"{what}: probabilities must be at least 0 and sum to 1")
    return out.clip(0.0)
