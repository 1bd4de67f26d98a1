"""The whole session on invented bad results: how often it is right, how long it takes, how honest its probabilities are.

The worlds are drawn from the knowledge itself. So this measures the engine, and what the knowledge could do if its
numbers were true; it cannot show that they are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.graph import rivals
from advisor.likelihoods import background, with_cause
from advisor.optimum import SmallProblem
from advisor.pool import each_in_pool
from advisor.replay import checklist
from advisor.scores import brier, calibration_error, reliability
from advisor.session import Session
from advisor.worlds import NONE, World, draw

__all__ = ["POLICIES", "Outcome", "run_world", "simulate", "small_problems"]

POLICIES = ("planned", "checklist", "likeliest")
MAX_STEPS = 60
CERTAIN = 0.8


@dataclass
class Outcome:
    """One world under one policy: minutes, steps, whether it was mended, and what the ranking said when the first remedy
    (or the referral) came up: `forecasts` are pairs of probability and truth."""

    seed: int
    kind: str
    policy: str
    minutes: float = 0.0
    steps: int = 0
    mended: bool = False
    leading: str = NONE
    top1: bool = False
    top3: bool = False
    truth: tuple[str, ...] = ()
    forecasts: list[tuple[float, bool]] = field(default_factory=list)
    failed: str = ""


def run_world(compiled: Compiled, world: World, policy: str) -> Outcome:
    """Take a world through a session. planned: the best step each time. checklist: the complaint's checks in the order of
    the files until a cause reaches 80 %, then remedies by probability. likeliest: remedies by probability, no checks."""
    out = Outcome(world.seed, world.kind, policy, truth=tuple(sorted(world.causes)))
    session = Session(compiled)
    for symptom in world.complaint:
        session.take({"type": "symptom", "symptom": symptom, "present": True})
    left, limit = set(world.needed), compiled.kb.vocabulary.unlisted.refer_minutes
    fixed = checklist(compiled, world.complaint) if policy == "checklist" else []
    judged, proofs = False, 0.0
    for out.steps in range(1, MAX_STEPS + 1):
        view = Assessment(compiled, session.state)
        kind, key = _next(view, session, policy, fixed)
        if kind != "check" and not judged:
            _judge(out, view, world)
            judged = True
        if kind == "refer" or session.state.minutes >= limit:
            break
        if kind == "check":
            session.take(world.answer(compiled, key))
            continue
        left -= {c for c, sure in view.cures(key).items() if c in left and world.cures(c, key, sure)}
        out.mended = not left and not world.unlisted and bool(world.needed)
        session.take({"type": "remedy", "remedy": key, "result": "helped" if out.mended else "no-change"})
        proofs += compiled.kb.remedies[key].proof_minutes  # that it did not help shows in its proof too
        if out.mended:
            out.minutes = session.state.minutes + proofs
            return out
    if not judged:
        _judge(out, Assessment(compiled, session.state), world)
    out.minutes = session.state.minutes + proofs + limit
    return out


def _next(view: Assessment, session: Session, policy: str, fixed: Sequence[str]) -> tuple[str, str]:
    if policy == "planned":
        step = view.next[0]
        return step.kind, step.id
    state = session.state
    todo = [c for c in fixed if c not in state.answers and c not in state.unanswered and c not in view.verdict.answers]
    if todo and (not view.ranking or view.ranking[0].probability < CERTAIN):
        return "check", todo[0]
    tried = {r for r, _ in state.remedies}
    for ranked in view.ranking[:12]:
        if ranked.probability < view.none_of_these and ranked.probability < 0.1:
            break
        for cure in view.kb.causes[ranked.cause].remedies:
            if cure.remedy not in tried:
                return "remedy", cure.remedy
    return "refer", "refer"


def _judge(out: Outcome, view: Assessment, world: World) -> None:
    """What the ranking says at this moment, against the truth."""
    ranking = view.ranking
    lost = world.kind == "none"
    known = ranking and ranking[0].probability >= view.none_of_these
    out.leading = ranking[0].cause if known else NONE
    out.top1 = not known if lost else bool(ranking) and ranking[0].cause in world.causes
    out.top3 = not known if lost else world.needed <= {r.cause for r in ranking[: max(3, len(world.needed))]}
    out.forecasts = [(r.probability, r.cause in world.causes) for r in ranking if r.probability >= 0.005]


def each_policy(policies: Sequence[str], compiled: Compiled, seed: int) -> list[Outcome]:
    """One world under each policy. A fault of the program is kept as a failed outcome, so that a run tells all of them."""
    try:
        world = draw(compiled, seed)
    except Exception as error:
        return [Outcome(seed, "none", p, failed=f"{type(error).__name__}: {error}") for p in policies]
    found = []
    for policy in policies:
        try:
            found.append(run_world(compiled, world, policy))
        except Exception as error:
            found.append(Outcome(seed, world.kind, policy, failed=f"{type(error).__name__}: {error}"))
    return found


def simulate(
    compiled: Compiled,
    cases: int,
    seed: int = 1,
    jobs: int = 1,
    folder: Path | None = None,
    policies: Sequence[str] = POLICIES,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Run `cases` worlds and sum up; the same seed gives the same figures whatever the number of `jobs` (processes).

    `folder` is the knowledge folder the processes load (None: the shipped one).
    """
    seeds = [seed * 1_000_003 + i for i in range(cases)]
    work = partial(each_policy, tuple(policies))
    outcomes: list[Outcome] = []
    for done, found in enumerate(each_in_pool(work, compiled, seeds, jobs, folder), start=1):
        outcomes += found
        if progress:
            progress(done, cases)
    return _summary(compiled, outcomes, cases, seed)


def _summary(compiled: Compiled, outcomes: Sequence[Outcome], cases: int, seed: int) -> dict[str, Any]:
    policies = list(dict.fromkeys(o.policy for o in outcomes))
    planned = [o for o in outcomes if o.policy == policies[0] and not o.failed]
    said = [p for o in planned for p, _ in o.forecasts]
    happened = [t for o in planned for _, t in o.forecasts]
    mistaken = Counter((o.truth[0], o.leading) for o in planned if o.kind == "one" and len(o.truth) == 1 and not o.top1)
    return {
        "cases": cases,
        "seed": seed,
        "knowledge": compiled.kb.digest,
        "kinds": dict(Counter(o.kind for o in planned)),
        "right": {
            kind: {"count": len(some), "top1": _mean(o.top1 for o in some), "top3": _mean(o.top3 for o in some)}
            for kind in ("one", "two", "more", "none")
            if (some := [o for o in planned if o.kind == kind])
        },
        "minutes": {p: _minutes([o for o in outcomes if o.policy == p and not o.failed]) for p in policies},
        "brier": round(brier(said, happened), 5) if said else None,
        "calibration_error": round(calibration_error(said, happened), 5) if said else None,
        "reliability": [vars(b) for b in reliability(said, happened)],
        "mistaken": [{"true": t, "taken_for": w, "count": n} for (t, w), n in mistaken.most_common(12)],
        "optimum": small_problems(compiled),
        "failed": [f"seed {o.seed}, {o.policy}: {o.failed}" for o in outcomes if o.failed],
    }


def _mean(values: Any) -> float | None:
    some = list(values)
    return round(float(np.mean(some)), 4) if some else None


def _minutes(outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """Mean minutes to a proven fix (referral counted in full), with its standard error, and for the mendable alone."""
    every = np.array([o.minutes for o in outcomes])
    known = [o for o in outcomes if o.kind != "none"]
    return {
        "mean": round(float(every.mean()), 1) if len(every) else None,
        "error": round(float(every.std(ddof=1) / len(every) ** 0.5), 1) if len(every) > 1 else None,
        "known": _mean(o.minutes for o in known),
        "mended": _mean(o.mended for o in known),
        "steps": _mean(o.steps for o in outcomes),
    }


def small_problems(compiled: Compiled, causes: int = 5, questions: int = 6, count: int = 6) -> dict[str, Any]:
    """The planner against the exact optimum on parts of the knowledge: for the symptoms with most rivals, their likeliest
    causes, the checks that part them best, each answered normal or not, perfect repairs."""
    kb = compiled.kb
    crowded = Counter(x.symptom for _, _, x in kb.links() if x.symptom and compiled.share(x.seen) > 0)
    planned, best, plain = [], [], []
    for symptom, _ in crowded.most_common(count):
        problem = _part(compiled, str(symptom), causes, questions)
        planned.append(problem.planned())
        best.append(problem.optimum())
        plain.append(problem.most_probable_first())
    loss = [p / b - 1 for p, b in zip(planned, best, strict=True)]
    return {
        "problems": len(best),
        "mean_loss": round(float(np.mean(loss)), 4) if loss else None,
        "worst_loss": round(max(loss), 4) if loss else None,
        "likeliest_first_loss": round(float(np.mean([p / b - 1 for p, b in zip(plain, best, strict=True)])), 4)
        if loss
        else None,
        "rival_pairs": sum(1 for _ in rivals(kb)),
    }


def _part(compiled: Compiled, symptom: str, causes: int, questions: int) -> SmallProblem:
    kb = compiled.kb
    weight = {
        c.id: c.prior.per_hundred * max(compiled.share(x.seen) for x in c.shows if x.symptom == symptom)
        for c in kb.causes.values()
        if any(x.symptom == symptom for x in c.shows)
    }
    chosen = sorted((c for c in weight if weight[c] > 0), key=lambda c: (-weight[c], c))[:causes]
    likely = {c: with_cause(kb, kb.causes[c]) for c in chosen}

    def off(check: str, cause: str) -> float:
        return float(min(max(1 - likely[cause].get(check, background(kb, kb.checks[check]))[0], 0.01), 0.99))

    spread = {k: float(np.std([off(k, c) for c in chosen])) for k in kb.checks}
    asked = sorted(spread, key=lambda k: (-spread[k] / (0.5 + kb.checks[k].minutes) ** 0.25, k))[:questions]
    repair = []
    for cause in chosen:
        remedies = [kb.remedies[x.remedy] for x in kb.causes[cause].remedies]
        repair.append(min(r.minutes + r.proof_minutes for r in remedies) + 0.1)
    return SmallProblem(
        [weight[c] for c in chosen],
        repair,
        [kb.checks[k].minutes + kb.vocabulary.overhead_minutes for k in asked],
        [[off(k, c) for c in chosen] for k in asked],
    )
