"""Which numbers of the knowledge the decisions hang on: each link moved to the next class, the next steps compared."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.likelihoods import symptom_finding
from advisor.model import Link
from advisor.pool import each_in_pool
from advisor.session import Session
from advisor.worlds import draw

__all__ = ["Moment", "moments", "sensitivity"]

LEADING = 5


@dataclass(frozen=True)
class Moment:
    """A case at some step: its events, what the plan says next, and the links in play (cause, place in its list)."""

    events: tuple[dict[str, Any], ...]
    step: str
    links: frozenset[tuple[str, int]]


def moments(compiled: Compiled, seed: int) -> list[Moment]:
    """Two moments of one invented case: at its beginning, and some answers on."""
    world = draw(compiled, seed)
    rng = np.random.default_rng([seed, 7])
    session = Session(compiled)
    for symptom in world.complaint:
        session.take({"type": "symptom", "symptom": symptom, "present": True})
    out = [_moment(compiled, session)]
    for _ in range(int(rng.integers(2, 7))):
        step = Assessment(compiled, session.state).next[0]
        if step.kind != "check":
            break
        session.take(world.answer(compiled, step.id))
    if len(session.events) > len(world.complaint):
        out.append(_moment(compiled, session))
    return out


def _moment(compiled: Compiled, session: Session) -> Moment:
    view = Assessment(compiled, session.state)
    seen = set(view.evidence) | {s.id for s in view.plan.steps[:8]}
    links = frozenset(
        (r.cause, i)
        for r in view.ranking[:LEADING]
        for i, x in enumerate(compiled.kb.causes[r.cause].shows)
        if (symptom_finding(x.symptom) if x.symptom else x.check) in seen
    )
    return Moment(tuple(session.events), view.next[0].id, links)


def neighbours(compiled: Compiled, seen: str) -> list[str]:
    """The frequency classes next to the one a `seen` text stands for."""
    ladder = sorted(compiled.kb.vocabulary.frequency, key=lambda f: f.share)
    share = compiled.share(seen)
    below = [f.word for f in ladder if f.share < share - 1e-9 and f.share > 0]
    above = [f.word for f in ladder if f.share > share + 1e-9]
    return [*below[-1:], *above[:1]]


def moved(compiled: Compiled, cause: str, place: int, seen: str) -> Compiled:
    """The base with one link's frequency changed; rules stay as they are."""
    kb = compiled.kb
    record = kb.causes[cause]
    shows = list(record.shows)
    shows[place] = shows[place].model_copy(update={"seen": seen})
    other = Compiled(replace(kb, causes={**kb.causes, cause: record.model_copy(update={"shows": tuple(shows)})}))
    other.__dict__["rulebook"] = compiled.rulebook
    return other


def sensitivity(
    compiled: Compiled,
    cases: int,
    seed: int = 1,
    jobs: int = 1,
    folder: Path | None = None,
    count: int = 10,
    links: int = 120,
    progress: Callable[[int, int], None] | None = None,
) -> list[dict[str, Any]]:
    """The `count` links where moving the frequency to a neighbouring class changes most next steps.

    `cases` invented cases give the moments; the `links` most often in play are tried, each on at most 12 moments.
    """
    seeds = [seed * 1_000_003 + i for i in range(cases)]
    found: list[Moment] = []
    for done, some in enumerate(each_in_pool(moments, compiled, seeds, jobs, folder), start=1):
        found += some
        if progress:
            progress(done, cases + links)
    played: dict[tuple[str, int], list[Moment]] = defaultdict(list)
    for moment in found:
        for link in sorted(moment.links):
            played[link].append(moment)
    tried = sorted(played, key=lambda k: (-len(played[k]), k))[:links]
    work = [(cause, place, played[cause, place][:12]) for cause, place in tried]
    rows = []
    for done, (link, changed, looked) in enumerate(each_in_pool(_changes, compiled, work, jobs, folder), start=1):
        cause, place = link
        record: Link = compiled.kb.causes[cause].shows[place]
        rows.append(
            {
                "cause": cause,
                "shows": record.symptom or f"{record.check}: {record.outcome}",
                "seen": record.seen,
                "evidence": record.evidence,
                "in_play": len(played[link]),
                "changed": round(changed / looked, 3) if looked else 0.0,
                "weight": round(len(played[link]) * changed / looked, 2) if looked else 0.0,
            }
        )
        if progress:
            progress(cases + done, cases + len(work))
    return sorted(rows, key=_heaviest)[:count]


def _changes(compiled: Compiled, work: tuple[str, int, Sequence[Moment]]) -> tuple[tuple[str, int], int, int]:
    cause, place, some = work
    changed = looked = 0
    for seen in neighbours(compiled, compiled.kb.causes[cause].shows[place].seen):
        other = moved(compiled, cause, place, seen)
        try:
            other.network  # noqa: B018
        except ValueError:  # with its neighbours on the same check it would be more than certain
            continue
        for moment in some:
            looked += 1
            changed += Assessment(other, Session(other, moment.events).state).next[0].id != moment.step
    return (cause, place), changed, looked


def _heaviest(row: dict[str, Any]) -> tuple[float, str, str]:
    return -float(row["weight"]), str(row["cause"]), str(row["shows"])
