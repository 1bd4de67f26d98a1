"""Readings against each other: the spread of several, the difference of two. For any length."""

from __future__ import annotations

import math
from collections.abc import Sequence

from uncertainties import ufloat, umath

from advisor.calc.base import Calculation, Figure, Given, Input, Number, Worked, nominal, put

__all__ = ["CALCULATIONS", "spread"]


def spread(readings: Sequence[Number]) -> tuple[Number, Number]:
    """Range (largest minus smallest) and standard deviation (n - 1) of two or more readings, in their unit.

    An error that all readings have in common cancels in both. Source: NIST/SEMATECH e-Handbook 1.3.5.6.

    >>> spread([4.0, 6.0, 5.0])
    (2.0, 1.0)
    """
    ordered = sorted(readings, key=nominal)
    middle = sum(readings) / len(readings)
    square = sum((x - middle) ** 2 for x in readings) / (len(readings) - 1)
    return ordered[-1] - ordered[0], umath.sqrt(square) if nominal(square) > 0 else 0.0


def _spread(g: Given) -> Worked:
    readings = g["readings"]
    wide, deviation = spread(readings)
    if nominal(deviation):
        unsure = nominal(deviation) / math.sqrt(2 * (len(readings) - 1))
        deviation = deviation + ufloat(0.0, unsure, "few readings")
    least, most = min(readings, key=nominal), max(readings, key=nominal)
    return Worked(
        {"range": wide, "deviation": deviation},
        (
            f"R = largest - smallest = {put(most, digits=6)} - {put(least, digits=6)} = {put(wide, 'um')}",
            f"s = sqrt(sum (x - mean)^2 / {len(readings) - 1}) = {put(deviation, 'um', 3)}, mean {put(sum(readings) / len(readings), 'um', 6)}",
        ),
    )


READING_SPREAD = Calculation(
    id="reading-spread",
    title="Spread of readings of the same thing",
    subject="comparing",
    answers="How far do several readings of the same thing lie apart?",
    inputs=(Input("readings", "x", "the readings", "um", -5000, 300000, instrument="dial-1um", several=(2, 50)),),
    figures=(Figure("range", "R", "range", "um"), Figure("deviation", "s", "standard deviation", "um")),
    work=_spread,
    sources=("nist-handbook", "jcgm-100-gum"),
    example={"readings": "8 9 12 8 15 um"},
)


def _two(
    key: str, title: str, instrument: str, unit: str, one: str, other: str, example: dict[str, str]
) -> Calculation:
    high = 300 if unit == "mm" else 5000

    def work(g: Given) -> Worked:
        result = g["one"] - g["other"]
        second = g.put("other", 6) if nominal(g["other"]) >= 0 else f"({g.put('other', 6)})"
        return Worked(
            {"difference": result, "size": result if nominal(result) >= 0 else -result},
            (f"d = {g.put('one', 6)} - {second} = {put(result, unit, 5)}",),
        )

    return Calculation(
        id=key,
        title=title,
        subject="comparing",
        answers="By how much do two readings differ, and how sure is that?",
        inputs=(
            Input("one", "A", one, unit, -high, high, instrument=instrument),
            Input("other", "B", other, unit, -high, high, instrument=instrument),
        ),
        figures=(
            Figure("difference", "d", "first minus second", unit),
            Figure("size", "|d|", "difference without its sign", unit),
        ),
        work=work,
        sources=("jcgm-100-gum",),
        example=example,
    )


_FIRST, _SECOND = "first reading (new or stated)", "second reading (used)"
READING_DIFFERENCE = _two(
    "reading-difference",
    "Difference of two readings of one micrometer",
    "micrometer",
    "mm",
    _FIRST,
    _SECOND,
    {"one": "1.002 mm", "other": "0.957 mm"},
)
CALLIPER_DIFFERENCE = _two(
    "calliper-difference",
    "Difference of two readings of one calliper",
    "calliper",
    "mm",
    _FIRST,
    _SECOND,
    {"one": "32.04 mm", "other": "31.71 mm"},
)
DIAL_DIFFERENCE = _two(
    "dial-difference",
    "Highest minus lowest reading of a dial indicator",
    "dial-1um",
    "um",
    "highest reading",
    "lowest reading",
    {"one": "7 um", "other": "-6 um"},
)

CALCULATIONS = (READING_SPREAD, READING_DIFFERENCE, CALLIPER_DIFFERENCE, DIAL_DIFFERENCE)
