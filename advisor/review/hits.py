"""How well the program itself did: what it put first against the cause that was found."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from advisor.caserow import CaseRow
from advisor.review.indicators import Rate, known_cause, rate

__all__ = ["CalibrationBin", "Program", "program"]


@dataclass(frozen=True)
class CalibrationBin:
    """Cases in which the leading cause was given a probability in `low`..`high`: how many, the mean probability `said`,
    and how often it was right."""

    low: float
    high: float
    said: float
    right: Rate


@dataclass(frozen=True)
class Program:
    """How well the program did: in cases whose cause is known (closed as confirmed, or corrected by the supervisor), how
    often what it put first before any remedy was the final cause.

    `signed` the same of signed cases only. `brier`: mean squared distance of that probability and the outcome, 0
    perfect, 0.25 always saying one half (Brier 1950); None without cases. `said`: mean probability of the leading cause.
    """

    right: Rate
    signed: Rate
    said: float | None
    brier: float | None
    bins: tuple[CalibrationBin, ...]


def program(rows: Iterable[CaseRow], bins: int = 10) -> Program:
    """What the program put first against the final cause, in cases whose cause is known."""
    said: list[float] = []
    right: list[bool] = []
    signed: list[bool] = []
    for row in rows:
        if row.first_cause is None or not known_cause(row):
            continue
        hit = row.first_cause == row.final_cause
        right.append(hit)
        said.append(math.nan if row.first_probability is None else row.first_probability)
        if row.signed:
            signed.append(hit)
    given = [(p, hit) for p, hit in zip(said, right, strict=True) if 0 <= p <= 1]
    whole = rate(sum(right), len(right)), rate(sum(signed), len(signed))
    if not given:
        return Program(*whole, None, None, ())
    from advisor.scores import brier, reliability

    p, hits = [p for p, _ in given], [hit for _, hit in given]
    points = reliability(p, hits, bins)
    return Program(
        *whole,
        math.fsum(p) / len(p),
        brier(p, hits),
        tuple(CalibrationBin(b.low, b.high, b.said, rate(round(b.happened * b.count), b.count)) for b in points),
    )
