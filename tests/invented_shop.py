"""Invented shops: a world that differs from the knowledge, and the cases its technicians sign off with the program."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.learning.estimate import LearnCase
from advisor.model import Knowledge
from advisor.session import Session
from advisor.worlds import World, draw

__all__ = ["case_of", "changed", "moment", "shop_cases"]


def changed(kb: Knowledge, rates: Mapping[str, float], links: Mapping[tuple[str, str], str]) -> Knowledge:
    """The knowledge with some rates multiplied, and the links of (cause, check) given another word."""
    causes = dict(kb.causes)
    for key, factor in rates.items():
        prior = causes[key].prior
        new = prior.model_copy(update={"per_hundred": min(prior.per_hundred * factor, 60.0)})
        causes[key] = causes[key].model_copy(update={"prior": new})
    for (key, check), word in links.items():
        shows = tuple(x.model_copy(update={"seen": word}) if x.check == check else x for x in causes[key].shows)
        causes[key] = causes[key].model_copy(update={"shows": shows})
    return replace(kb, causes=causes)


def moment(number: int) -> str:
    """A time for case `number`: the later the higher."""
    return (datetime(2026, 1, 5, tzinfo=UTC) + timedelta(hours=7 * number)).isoformat(timespec="milliseconds")


def case_of(advice: Compiled, world: World, number: int, planned: bool = True) -> LearnCase:
    """The world taken through a session as `advice` plans it, up to the first remedy or the referral; or, much quicker,
    with half of the checks asked at random. One of the causes that keep the complaint alive is named in the end, as in a
    real case."""
    session = Session(advice)
    rng = np.random.default_rng(world.seed)
    for symptom in world.complaint:
        session.take({"type": "symptom", "symptom": symptom, "present": True})
    if planned:
        for _ in range(40):
            step = Assessment(advice, session.state).next[0]
            if step.kind != "check":
                break
            session.take(world.answer(advice, step.id))
    else:
        for check in advice.kb.checks:
            if rng.random() < 0.5:
                session.take(world.answer(advice, check))
    needed = sorted(world.needed)
    named = needed[int(rng.integers(len(needed)))] if needed else None
    return LearnCase(f"north/{number:05d}", moment(number), (named,) if named else (), session.state)


def shop_cases(advice: Compiled, shop: Compiled, count: int, seed: int = 0, planned: bool = False) -> list[LearnCase]:
    """Cases of a shop whose bad results are drawn from `shop` and diagnosed with `advice`."""
    return [case_of(advice, draw(shop, seed * 1_000_003 + i), i, planned) for i in range(count)]
