"""Statistics of a series and of counts for the supervisor: control charts, intervals, indicators. Pure functions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

__all__ = ["Individuals", "Shift", "ewma", "individuals", "scrap_ratio", "wilson"]

# Factors for ranges of two neighbours: d2 (mean range over sigma), D4 (upper limit over mean range).
# NIST/SEMATECH e-Handbook 6.3.2.2; any table of control chart constants.
D2, D4 = 1.128, 3.267


@dataclass(frozen=True)
class Individuals:
    """Individuals and moving range chart: centre and limits in the unit of the readings; `signals` are the places (from
    0) of readings outside the limits, `jumps` those of moving ranges above theirs."""

    mean: float
    lower: float
    upper: float
    sigma: float
    range_mean: float
    range_upper: float
    signals: tuple[int, ...]
    jumps: tuple[int, ...]


def individuals(readings: Sequence[float]) -> Individuals:
    """Chart of single readings: mean +- 3 MR/d2 (NIST/SEMATECH e-Handbook 6.3.2.2). ValueError for fewer than two."""
    if len(readings) < 2:
        raise ValueError("a chart of individuals needs two readings or more")
    mean = math.fsum(readings) / len(readings)
    ranges = [abs(b - a) for a, b in pairwise(readings)]
    range_mean = math.fsum(ranges) / len(ranges)
    sigma = range_mean / D2
    lower, upper = mean - 3 * sigma, mean + 3 * sigma
    signals = tuple(i for i, x in enumerate(readings) if not lower <= x <= upper)
    jumps = tuple(i for i, r in enumerate(ranges, start=1) if r > D4 * range_mean)
    return Individuals(mean, lower, upper, sigma, range_mean, D4 * range_mean, signals, jumps)


@dataclass(frozen=True)
class Shift:
    """An EWMA chart: the smoothed values, limits for each, and the places (from 0) of values outside them."""

    values: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    signals: tuple[int, ...]


def ewma(readings: Sequence[float], target: float, sigma: float, weight: float = 0.3, width: float = 3.0) -> Shift:
    """Exponentially weighted moving average z = w x + (1 - w) z, limits target +- L s sqrt(w / (2 - w) (1 - (1 - w)^2t))
    (NIST/SEMATECH e-Handbook 6.3.2.4, with the factor for the first readings). ValueError unless 0 < weight <= 1."""
    if not 0 < weight <= 1:
        raise ValueError("the weight of an EWMA lies above 0 and up to 1")
    values, lower, upper = [], [], []
    z, rest, keep = target, 1.0, (1 - weight) ** 2
    widest = width * sigma * math.sqrt(weight / (2 - weight))
    for x in readings:
        z = weight * x + (1 - weight) * z
        rest *= keep
        half = widest * math.sqrt(1 - rest)
        values.append(z)
        lower.append(target - half)
        upper.append(target + half)
    signals = tuple(
        i for i, (v, low, high) in enumerate(zip(values, lower, upper, strict=True)) if not low <= v <= high
    )
    return Shift(tuple(values), tuple(lower), tuple(upper), signals)


def wilson(hits: int, count: int, z: float = 1.959963984540054) -> tuple[float, float]:
    """Wilson's interval of a share (Wilson 1927), 95 % by default; (0, 1) when nothing was counted."""
    if not 0 <= hits <= count:
        raise ValueError(f"{hits} of {count} is no share")
    if count == 0:
        return 0.0, 1.0
    p = hits / count
    centre = p + z * z / (2 * count)
    half = z * math.sqrt(p * (1 - p) / count + z * z / (4 * count * count))
    scale = 1 + z * z / count
    # at the ends the bound is the end itself; the sum would miss it by the last digit
    low = 0.0 if hits == 0 else max(0.0, (centre - half) / scale)
    return low, 1.0 if hits == count else min(1.0, (centre + half) / scale)


def scrap_ratio(scrapped: float, produced: float) -> float:
    """Scrap ratio after ISO 22400-2: scrap quantity over produced quantity, both in parts. NaN when nothing was made."""
    return scrapped / produced if produced > 0 else math.nan
