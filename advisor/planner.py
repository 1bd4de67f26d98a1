"""What to do next: the step with the fewest expected minutes to a proven fix.

One objective for looks, readings, trials and repairs alike: minutes until the fault is mended and proved. A check is
worth its minutes when they and the expected cost after its answer come to less than the expected cost now
(Heckerman, Breese & Rommelse 1995, "Decision-theoretic troubleshooting"). The cost of going on by repairs alone, ECR,
takes them by probability over cost, which is optimal for one fault, independent costs and testable repairs (Kadane &
Simon 1977), with referral as the repair that always ends the case. Preparations that several steps share (opening the
cabin) are paid once.

Everything is computed over the leading sets of causes (`belief.Configurations`) with whole arrays: one scenario per
check and answer.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from advisor.belief import Configurations, Vector
from advisor.facts import Step

__all__ = ["CheckOption", "Plan", "Repair", "Scope", "Step", "plan", "splits", "step_minutes"]

Matrix = npt.NDArray[np.float64]
TELLING = 0.02  # a check that bears only on causes less likely than this is not worth looking at


@dataclass(frozen=True)
class CheckOption:
    """A check that can be done now: minutes of its own, its preparations, chance in 0..1 that it gives no answer."""

    id: str
    minutes: float
    prep: tuple[str, ...] = ()
    no_answer: float = 0.0


@dataclass(frozen=True)
class Repair:
    """A remedy with its proof test: minutes together, preparations, and how surely it cures each cause (0..1)."""

    id: str
    minutes: float
    cures: Mapping[str, float]
    prep: tuple[str, ...] = ()


@dataclass(frozen=True)
class Plan:
    """Steps by expected minutes, best first; `now` is the expected cost of going on by repairs alone."""

    steps: list[Step]
    now: float
    repairs: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Scope:
    """What still needs mending: `relevant` causes can keep the complaint alive (None: all can); `mended` ones have had
    their remedy, and are in question again only when nothing else of their set is."""

    relevant: frozenset[str] | None = None
    mended: frozenset[str] = frozenset()

    def needed(self, causes: Sequence[str]) -> list[int]:
        """Places of the causes of a set that need a repair now; an unlisted one beside a known one waits."""
        kept = [i for i, c in enumerate(causes) if self.relevant is None or c in self.relevant] or list(
            range(len(causes))
        )
        return [i for i in kept if causes[i] not in self.mended] or kept


class _Costs:
    """Expected cost of repair for many scenarios at once, over fixed rows (sets of causes) and repairs."""

    def __init__(
        self,
        rows: Configurations,
        repairs: Sequence[Repair],
        prep_minutes: Mapping[str, float],
        refer: float,
        scope: Scope,
    ) -> None:
        self.refer = refer
        net = rows.net
        sets = [[s[i] for i in scope.needed([net.causes[c] for c in s])] for s in rows.sets]
        self.repairs = list(repairs)
        best: dict[int, int] = {}
        sure: dict[int, float] = {}
        for c in {c for s in sets for c in s}:
            options = [
                (r.minutes / r.cures[net.causes[c]], i)
                for i, r in enumerate(repairs)
                if r.cures.get(net.causes[c], 0) > 0
            ]
            if options:
                best[c] = min(options)[1]
                sure[c] = repairs[best[c]].cures[net.causes[c]]
        used = sorted(set(best.values()))
        self.used = used
        place = {r: i for i, r in enumerate(used)}
        n, width = len(used), max((len(s) for s in sets), default=1) or 1
        # Sets that need the same repairs cost the same: one group each. Group 0 is beyond any repair at hand.
        groups: dict[tuple[int, ...], int] = {(): 0}
        sure_of = [0.0]
        member = np.zeros((len(sets), len(sets) + 1))
        for i, s in enumerate(sets):
            key = tuple(sorted({place[best[c]] for c in s})) if s and all(c in best for c in s) else ()
            chance = math.prod(sure[c] for c in s) if key else 0.0
            if key not in groups:
                groups[key] = len(sure_of)
                sure_of.append(chance)
            member[i, groups[key]] = 1.0
        self.member = member[:, : len(groups)]
        self.sure = np.array(sure_of)
        self.need = np.full((len(groups), width), -1, dtype=np.int64)
        self.hits = np.zeros((len(groups), n))
        for key, g in groups.items():
            self.need[g, : len(key)] = key
            self.hits[g, list(key)] = 1.0
        self.own = np.array([repairs[r].minutes for r in used])
        self.preps = sorted({p for r in used for p in repairs[r].prep})
        self.prep_cost = np.array([prep_minutes.get(p, 0.0) for p in self.preps])
        self.owners = [[i for i, r in enumerate(used) if p in repairs[r].prep] for p in self.preps]
        self.needs = np.array([[p in repairs[r].prep for p in self.preps] for r in used], dtype=bool).reshape(
            n, len(self.preps)
        )

    def without(self, r: int) -> _Costs:
        """The costs once repair `r` has been tried and has not ended the trouble."""
        later = copy.copy(self)
        later.need = np.where(self.need == r, -1, self.need)
        later.hits = self.hits.copy()
        later.hits[:, r] = 0.0
        later.sure = np.where(later.hits.any(axis=1), self.sure, 0.0)
        return later

    def ecr(self, weight: Matrix, done: npt.NDArray[np.bool_]) -> tuple[Vector, npt.NDArray[np.int64]]:
        """Expected cost and order of repairs.

        `weight` (scenarios, rows), each summing to 1; `done` (scenarios, preparations) already made.
        Returns cost (scenarios,) in minutes and the repair order (scenarios, repairs).
        """
        scenarios, n = weight.shape[0], len(self.used)
        if n == 0:
            return np.full(scenarios, self.refer), np.zeros((scenarios, 0), dtype=np.int64)
        open_prep = (~done) * self.prep_cost if self.preps else np.zeros((scenarios, 0))
        cost = self.own[None, :] + (open_prep @ self.needs.T.astype(float) if self.preps else 0.0)
        grouped = weight @ self.member
        order = np.argsort(-(((grouped * self.sure) @ self.hits) / np.maximum(cost, 1e-9)), axis=1, kind="stable")
        position = np.full((scenarios, n + 1), -1)
        every = np.arange(scenarios)
        position[every[:, None], order] = np.arange(n)
        end = position[:, self.need].max(axis=2).clip(0)  # -1 in need picks the last column, which is -1
        spent = self.own[order]
        for j, owners in enumerate(self.owners):
            spent[every, position[:, owners].min(axis=1)] += open_prep[:, j]
        solved = grouped * self.sure
        flat = (every[:, None] * n + end).ravel()
        at = np.bincount(flat, weights=solved.ravel(), minlength=scenarios * n).reshape(scenarios, n)
        before = np.concatenate([np.zeros((scenarios, 1)), np.cumsum(at, axis=1)], axis=1)
        paid = np.concatenate([np.zeros((scenarios, 1)), np.cumsum(spent * (1.0 - before[:, :n]), axis=1)], axis=1)
        return (paid + (1.0 - before) * self.refer).min(axis=1), order


def plan(
    rows: Configurations,
    checks: Sequence[CheckOption],
    repairs: Sequence[Repair],
    *,
    refer_minutes: float,
    prep_minutes: Mapping[str, float] | None = None,
    done: frozenset[str] = frozenset(),
    breaks: Mapping[str, Sequence[str]] | None = None,
    scope: Scope = Scope(),
) -> Plan:
    """Rank the possible next steps by expected minutes to a proven fix.

    `rows`: the leading sets of causes. `checks`, `repairs`: what may be done now. `refer_minutes`: cost of handing
    the case over. `done`: preparations already made; `breaks`: preparations another one undoes. `scope`: which
    causes need mending now.
    """
    look = _Lookahead(rows, checks, repairs, refer_minutes, prep_minutes or {}, breaks or {}, scope)
    cost, orders = look.repairs_only(rows.weight[None, :], done)
    now, order = float(cost[0]), orders[0]
    steps = [Step("refer", "refer", refer_minutes, refer_minutes, 1.0), *look.steps(done, now, order)]
    rank = {"remedy": 0, "check": 1, "refer": 2}
    steps.sort(key=lambda s: (round(s.expected, 6), rank[s.kind], s.minutes, s.id))
    return Plan(steps, now, [look.costs.repairs[look.costs.used[i]].id for i in order])


def _after(done: frozenset[str], prep: Sequence[str], undo: Mapping[str, set[str]]) -> frozenset[str]:
    """Preparations in force after a step that needs `prep`."""
    broken = {b for p in prep for b in undo.get(p, ())}
    return frozenset((done - broken) | set(prep))


def step_minutes(own: float, prep: Sequence[str], done: frozenset[str], prep_minutes: Mapping[str, float]) -> float:
    """Minutes of a step with the preparations that are not yet made."""
    return own + sum(prep_minutes.get(p, 0.0) for p in prep if p not in done)


class _Lookahead:
    """Values of steps by looking ahead: every check one step, the leading ones with what may follow each answer.

    One step alone misses checks that settle a matter only together. A second step in a narrow beam, and a third when
    few sets are left, see them: against the exact optimum the loss falls from 3 % to below 2 % (tests/test_planner.py).
    """

    BEAM = 4
    PARTNERS = 8
    FEW = 12

    def __init__(
        self,
        rows: Configurations,
        checks: Sequence[CheckOption],
        repairs: Sequence[Repair],
        refer: float,
        minutes: Mapping[str, float],
        breaks: Mapping[str, Sequence[str]],
        scope: Scope,
    ) -> None:
        touched = rows.touched(TELLING)
        self.rows = rows
        self.minutes = minutes
        self.undo = {p: set(b) for p, b in breaks.items()}
        self.costs = _Costs(rows, repairs, minutes, refer, scope)
        self.options = [k for k in checks if rows.net.finding_index.get(k.id, -1) in touched]
        self.levels = [np.ascontiguousarray(p.T) for p in rows.predict_all([k.id for k in self.options])]
        self.silent = np.array([k.no_answer for k in self.options])
        self._made: dict[frozenset[str], npt.NDArray[np.bool_]] = {}
        self._after: dict[tuple[frozenset[str], tuple[str, ...]], frozenset[str]] = {}
        self.depth = 3 if len(rows.sets) <= self.FEW else 2

    def made(self, done: frozenset[str]) -> npt.NDArray[np.bool_]:
        """Which of the repairs' preparations are made, as an array."""
        if done not in self._made:
            self._made[done] = np.array([p in done for p in self.costs.preps], dtype=bool)
        return self._made[done]

    def after(self, done: frozenset[str], prep: tuple[str, ...]) -> frozenset[str]:
        """Preparations in force after a step that needs `prep`."""
        key = (done, prep)
        if key not in self._after:
            self._after[key] = _after(done, prep, self.undo)
        return self._after[key]

    def repairs_only(self, weights: Matrix, done: frozenset[str]) -> tuple[Vector, npt.NDArray[np.int64]]:
        """Expected minutes by repairs alone, and their order, for each row of `weights` (states, sets)."""
        made = np.broadcast_to(self.made(done), (len(weights), len(self.costs.preps)))
        return self.costs.ecr(weights, made)

    def one_step(
        self, weights: Matrix, some: Sequence[int], now: Vector, done: frozenset[str]
    ) -> tuple[Vector, Matrix]:
        """Own minutes of each check of `some`, and for each state the expected minutes when repairs alone follow its
        answer: shapes (checks,) and (states, checks)."""
        states, sizes = len(weights), [len(self.levels[i]) for i in some]
        owner = np.repeat(np.arange(len(some)), sizes)
        joint = weights[:, None, :] * np.concatenate([self.levels[i] for i in some])
        chance = joint.sum(axis=2)
        after = np.array([self.made(self.after(done, self.options[i].prep)) for i in some], dtype=bool)
        made = np.tile(after.reshape(len(some), -1)[owner], (states, 1))
        cost, _ = self.costs.ecr((joint / np.maximum(chance, 1e-300)[:, :, None]).reshape(-1, weights.shape[1]), made)
        part = chance * cost.reshape(states, -1)
        follow = np.add.reduceat(part, np.cumsum([0, *sizes[:-1]]), axis=1)
        own = np.array([step_minutes(self.options[i].minutes, self.options[i].prep, done, self.minutes) for i in some])
        silent = self.silent[list(some)]
        return own, own + (1.0 - silent) * follow + silent * now[:, None]

    def refine(
        self, i: int, weight: Vector, mates: Sequence[int], now: float, done: frozenset[str], depth: int
    ) -> float:
        """Expected minutes when check `i` comes first and each answer is followed as well as `depth - 1` steps can see."""
        option = self.options[i]
        joint = self.levels[i] * weight
        chance = joint.sum(axis=1)
        seen = chance > 1e-9
        after = self.after(done, option.prep)
        values = self.value(joint[seen] / chance[seen][:, None], [j for j in mates if j != i], after, depth - 1)
        own = step_minutes(option.minutes, option.prep, done, self.minutes)
        return own + (1.0 - option.no_answer) * float(chance[seen] @ values) + option.no_answer * now

    def value(self, weights: Matrix, mates: Sequence[int], done: frozenset[str], depth: int) -> Vector:
        """Expected minutes from each state on, the best of repairs alone and of the checks `mates`."""
        now, _ = self.repairs_only(weights, done)
        if not mates:
            return now
        _, value = self.one_step(weights, mates, now, done)
        best: Vector = np.minimum(now, value.min(axis=1))
        if depth >= 2:
            for state in range(len(weights)):
                ranked = [mates[int(j)] for j in np.argsort(value[state], kind="stable")]
                for i in ranked[: self.BEAM - 1]:
                    best[state] = min(
                        best[state],
                        self.refine(i, weights[state], ranked[: self.PARTNERS], float(now[state]), done, depth),
                    )
        return best

    def steps(self, done: frozenset[str], now: float, order: npt.NDArray[np.int64]) -> list[Step]:
        """Every check, and the leading repairs, with their expected minutes."""
        weight = self.rows.weight
        out: list[Step] = []
        mates: list[int] = []
        if self.options:
            own, values = self.one_step(weight[None, :], range(len(self.options)), np.array([now]), done)
            value = values[0]
            ranked = [int(i) for i in np.argsort(value, kind="stable")]
            mates = ranked[: self.PARTNERS]
            for i in ranked[: self.BEAM]:
                value[i] = min(value[i], self.refine(i, weight, mates, now, done, self.depth))
            out = [Step("check", k.id, float(own[i]), float(value[i])) for i, k in enumerate(self.options)]
        groups = self.costs.member
        chance = weight @ groups @ self.costs.hits
        for r in order[:3]:
            repair = self.costs.repairs[self.costs.used[r]]
            # Sets this repair cures whole are over, as surely as it cures them; what is left is looked at again.
            whole = (self.costs.hits[:, r] > 0) & (self.costs.hits.sum(axis=1) == 1)
            left = weight * (groups @ np.where(whole, 1.0 - self.costs.sure, 1.0))
            rest = float(left.sum())
            own_minutes = step_minutes(repair.minutes, repair.prep, done, self.minutes)
            after = self.after(done, repair.prep)
            later = copy.copy(self)
            later.costs = self.costs.without(int(r))
            follow = float(later.value((left / rest)[None, :], mates, after, self.depth - 1)[0]) if rest > 1e-9 else 0.0
            out.append(Step("remedy", repair.id, own_minutes, own_minutes + rest * follow, float(chance[r])))
        return out


def splits(rows: Configurations, finding: str) -> tuple[str, str, float] | None:
    """The two likely single causes a finding tells apart best, and the likelihood ratio of its most telling outcome."""
    single: dict[int, float] = {}
    for i, s in enumerate(rows.sets):
        if len(s) == 1 and s[0] != rows.net.unlisted:
            single[s[0]] = single.get(s[0], 0.0) + float(rows.weight[i])
    leading = sorted(single, key=lambda c: -single[c])[:6]
    levels = rows.predict(finding)
    profile = {}
    for c in leading:
        mask = [i for i, s in enumerate(rows.sets) if s == (c,)]
        w = rows.weight[mask]
        profile[c] = (levels[mask] * w[:, None]).sum(axis=0) / max(float(w.sum()), 1e-300)
    best: tuple[float, str, str, float] | None = None
    for i, a in enumerate(leading):
        for b in leading[i + 1 :]:
            ratio = profile[a] / np.maximum(profile[b], 1e-9)
            top, low = float(ratio.max()), float(ratio.min())
            strength = max(top, 1 / max(low, 1e-9))
            score = float(np.log(strength)) * single[a] * single[b]
            names = rows.net.causes[a], rows.net.causes[b]
            pair = names if top >= 1 / max(low, 1e-9) else names[::-1]
            if best is None or score > best[0]:
                best = (score, pair[0], pair[1], strength)
    return best[1:] if best else None
