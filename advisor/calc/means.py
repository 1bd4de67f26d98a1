"""Means of repeated readings, their scatter and their slope, with the doubt of few readings in it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from uncertainties import ufloat, umath

from advisor.calc.base import CalcError, Number, deviation, nominal
from advisor.calc.lifetimes import student
from advisor.calc.run import SURE
from advisor.readings import conformance

__all__ = ["mean_of", "mean_read", "near", "no_slip_of_unit", "sample_deviation", "size_of", "slope_of"]


def near(number: Number, low: float = -math.inf, high: float = math.inf) -> bool:
    """True when the doubt leaves open whether the number lies in low..high: where the sheet says "too near to tell"."""
    return 1 - SURE < conformance(nominal(number), deviation(number), low, high) < SURE


def size_of(number: Number) -> Number:
    """A number without its sign, its doubt kept."""
    return number if nominal(number) >= 0 else -number


def sample_deviation(readings: Sequence[Number]) -> Number:
    """Standard deviation with n - 1 of two or more readings, in their unit; what they have in common cancels.

    >>> sample_deviation([4.0, 6.0, 5.0])
    1.0
    """
    middle = sum(readings) / len(readings)
    square = sum((x - middle) ** 2 for x in readings) / (len(readings) - 1)
    return umath.sqrt(square) if nominal(square) > 1e-18 else 0.0


def mean_of(readings: Sequence[Number], tag: str) -> Number:
    """Mean of one or more readings. Its doubt is that of the instrument and, from two readings on, s / sqrt(n) of
    their scatter (JCGM 100, 4.2.3), widened for few readings so that twice of it holds 95 % (G.3).
    """
    mean = sum(readings) / len(readings)
    count = len(readings)
    if count > 1:
        scatter = nominal(sample_deviation([nominal(x) for x in readings]))
        if scatter > 0:
            mean = mean + ufloat(0.0, scatter / math.sqrt(count) * student(count - 1), tag)
    return mean


def mean_read(readings: Sequence[Number], tag: str) -> Number:
    """Mean of readings of one thing on one instrument. Their scatter adds s / sqrt(n) to the instrument's doubt (JCGM
    100, 4.2.3); the two together are widened by Student's t for their effective degrees of freedom (Welch and
    Satterthwaite, G.4.1), so that twice of it holds 95 %. Unlike `mean_of` it does not let two readings that agree as
    well as the instrument can tell count for less than one.

    >>> mean_read([230.0, 230.0], "x")
    230.0
    """
    mean = sum(readings) / len(readings)
    count = len(readings)
    scatter = nominal(sample_deviation([nominal(x) for x in readings])) / math.sqrt(count) if count > 1 else 0.0
    if scatter <= 0:
        return mean
    whole = math.hypot(deviation(mean), scatter)
    wide = whole * student((count - 1) * (whole / scatter) ** 4)
    return mean + ufloat(0.0, math.sqrt(wide**2 - deviation(mean) ** 2), tag)


def slope_of(places: Sequence[float], readings: Sequence[Number], tag: str) -> Number:
    """Slope of the least-squares line through readings at places (not all the same), in unit of reading per unit of
    place. From three on the scatter about the line is part of its doubt. Source: NIST/SEMATECH e-Handbook 4.4.3.1.

    >>> slope_of([0.0, 10.0], [3.0, 8.0], "x")
    0.5
    """
    middle = sum(places) / len(places)
    wide = sum((x - middle) ** 2 for x in places)
    slope = sum((x - middle) * y for x, y in zip(places, readings, strict=True)) / wide
    freedom = len(places) - 2
    if freedom > 0:
        level = nominal(sum(readings) / len(readings))
        rest = sum(
            (nominal(y) - level - nominal(slope) * (x - middle)) ** 2 for x, y in zip(places, readings, strict=True)
        )
        if rest > 1e-18:
            slope = slope + ufloat(0.0, math.sqrt(rest / freedom / wide) * student(freedom), tag)
    return slope


def no_slip_of_unit(option: str, readings: Sequence[Number]) -> None:
    """CalcError when readings in um lie so near each other that they were surely typed in mm without the unit."""
    values = [nominal(x) for x in readings]
    wide = max(values) - min(values)
    if 0 < wide < 0.2 and any(abs(v - round(v)) > 1e-6 for v in values):
        raise CalcError(
            option.replace("-", "_"),
            f"{option}: a difference of {wide:.2g} um cannot be read; if these are mm, type mm behind the last one",
        )
