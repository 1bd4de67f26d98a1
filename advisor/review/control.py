"""What the readings of a series say against a chart's fixed limits and those of the check."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from advisor.review.charts import D2, D4, Individuals, Shift, ewma, individuals
from advisor.review.series import Limit

__all__ = ["Control", "control"]


@dataclass(frozen=True)
class Control:
    """A chart of its baseline and the readings with a signal, by place: outside its limits, a step too large, the EWMA
    outside its limits. `away`: the last EWMA value is outside, on a side where the check has a limit (or has none at all)."""

    chart: Individuals
    outside: tuple[int, ...]
    jumps: tuple[int, ...]
    smoothed: Shift
    shifted: tuple[int, ...]
    away: bool


def control(
    values: Sequence[float],
    good: Sequence[bool],
    limits: Sequence[Limit],
    basis: Sequence[int],
    start: int,
    step: float,
) -> Control | None:
    """Readings from place `start` on against the limits that those at `basis` (two or more, in order) set.

    `good`: those within the check's `limits`. `step`: the smallest step of the instrument, in the unit of the readings.
    None when the baseline has no spread. A sound reading that departs away from the check's only limit, or the first
    one after one past it, has no signal: nothing is wrong with it.
    """
    chart = _chart([values[i] for i in basis], step)
    if chart is None:
        return None
    sides = {limit.side for limit in limits} or {"low", "high"}
    low, high = "low" in sides, "high" in sides

    def plain(i: int, centre: float) -> bool:
        if not limits or not good[i]:
            return False
        away = (not low and values[i] <= centre) or (not high and values[i] >= centre)
        return away or (i > 0 and not good[i - 1])

    learned, later = set(basis), basis[-1] + 1
    told = [i for i in range(start, len(values)) if i not in learned]
    outside = [i for i in told if not chart.lower <= values[i] <= chart.upper and not plain(i, chart.mean)]
    steps = [i for i in told if i and abs(values[i] - values[i - 1]) > chart.range_upper]
    jumps = [i for i in steps if not plain(i, chart.mean) and not plain(i, values[i - 1])]
    smoothed = _smoothed(values, good, later, chart)
    shifts = [
        later + i
        for i in smoothed.signals
        if (low and smoothed.values[i] < smoothed.lower[i]) or (high and smoothed.values[i] > smoothed.upper[i])
    ]
    shifted = [i for i in shifts if i >= start and not plain(i, chart.mean)]
    last = bool(shifts) and shifts[-1] == len(values) - 1
    return Control(chart, tuple(outside), tuple(jumps), smoothed, tuple(shifted), last)


def _chart(values: Sequence[float], step: float) -> Individuals | None:
    chart = individuals(values)
    # Readings that a coarse scale rounds to a few values show too little spread, or none: the least there is comes from
    # rounding (step / sqrt(12), JCGM 100, F.2.2.1).
    least = step / math.sqrt(12)
    if chart.sigma < least:
        chart = replace(
            chart,
            sigma=least,
            lower=chart.mean - 3 * least,
            upper=chart.mean + 3 * least,
            range_mean=D2 * least,
            range_upper=D4 * D2 * least,
            signals=(),
            jumps=(),
        )
    return None if chart.sigma <= 1e-9 * max(abs(chart.mean), 1e-300) else chart


def _smoothed(values: Sequence[float], good: Sequence[bool], later: int, chart: Individuals) -> Shift:
    """The EWMA from place `later` on. Where the mill was mended it begins anew: at a step too large for chance that leads
    from past the check's limit back within it. Else the bad readings before would weigh on the sound ones after."""
    mended = [
        i
        for i in range(later + 1, len(values))
        if good[i] and not good[i - 1] and abs(values[i] - values[i - 1]) > chart.range_upper
    ]
    parts = [
        (start - later, ewma(values[start:end], chart.mean, chart.sigma))
        for start, end in zip([later, *mended], [*mended, len(values)], strict=True)
    ]
    return Shift(
        tuple(z for _, part in parts for z in part.values),
        tuple(z for _, part in parts for z in part.lower),
        tuple(z for _, part in parts for z in part.upper),
        tuple(start + i for start, part in parts for i in part.signals),
    )
