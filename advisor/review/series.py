"""What the knowledge says of a series of readings: its title, unit, smallest step and limits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from advisor.model import Check, Knowledge
from advisor.readings import ReadingError, convert

__all__ = ["Limit", "Series", "drifts", "limits_of", "line", "series_of", "sound"]


@dataclass(frozen=True)
class Limit:
    """A limit of what a sound mill shows, in the trend's unit: `side` 'low' (it must not fall below) or 'high' (it must stay
    under). `label`: what the check says beyond it."""

    value: float
    side: str
    label: str


@dataclass(frozen=True)
class Series:
    """What is known of a series: the check behind it, if there is one, and its instrument's smallest step."""

    id: str
    title: str
    quantity: str
    unit: str
    step: float
    check: Check | None


def drifts(series: str, kb: Knowledge) -> bool:
    """Whether a series tells how a mill is. Settings (`setting.field`) and counts of hours or days since something was
    changed, opened or cleaned only rise until it is done again."""
    check = kb.checks.get(series)
    return not series.startswith("setting.") and (check is None or check.unit not in ("h", "d"))


def series_of(series: str, kb: Knowledge) -> Series:
    """What is known of a series: a check, or `calculation.figure`; an unknown id is its own title and has no unit."""
    check = kb.checks.get(series)
    if check is not None and check.measured:
        tool = kb.instruments.get(str(check.instrument))
        step = abs(line(tool.unit, str(check.unit))[0]) * tool.resolution if tool else 0.0
        return Series(series, check.title, str(check.quantity), str(check.unit), step, check)
    name, _, figure = series.partition(".")
    if figure:
        from advisor.calc import catalogue

        calculation = catalogue().get(name)
        found = next((f for f in calculation.figures if f.id == figure), None) if calculation else None
        if calculation and found:
            return Series(series, calculation.title, found.label, found.unit, 0.0, None)
    return Series(series, series, "", "", 0.0, None)


def line(unit: str, to: str) -> tuple[float, float]:
    """Factor and offset from one unit to another, all of which are affine; NaN when they do not fit."""
    try:
        zero = convert(0.0, unit, to)
        return convert(1.0, unit, to) - zero, zero
    except ReadingError:
        return math.nan, math.nan


def limits_of(check: Check | None, profile: Mapping[str, float]) -> tuple[Limit, ...]:
    """The bounds of the check's first outcome, which is what a sound mill shows."""
    if check is None:
        return ()
    sound = check.outcomes[0]
    out = []
    for bound, side in ((sound.start, "low"), (sound.end, "high")):
        if bound is None:
            continue
        try:
            value = bound.resolve(dict(profile))
        except KeyError:  # a field of the mill's papers that this knowledge does not have
            continue
        out.append(Limit(value, side, _beyond(check, value, side, profile)))
    return tuple(out)


def sound(values: Sequence[float], limits: Sequence[Limit]) -> list[bool]:
    """Whether each reading lies within the limits, all in one unit; True throughout where there are none."""
    if not limits:
        return [True] * len(values)
    low = max((each.value for each in limits if each.side == "low"), default=-math.inf)
    high = min((each.value for each in limits if each.side == "high"), default=math.inf)
    low -= 1e-9 * abs(low) if math.isfinite(low) else 0.0  # 6 bar is 0.6 MPa but for the last digit
    return [low <= v < high for v in values]


def _beyond(check: Check, value: float, side: str, profile: Mapping[str, float]) -> str:
    """The label of the outcome on the other side of a limit of the sound one."""
    for outcome in check.outcomes[1:]:
        bound = outcome.end if side == "low" else outcome.start
        if bound is not None and math.isclose(bound.resolve(dict(profile)), value, rel_tol=1e-9, abs_tol=1e-12):
            return outcome.label
    return "below what a sound mill shows" if side == "low" else "above what a sound mill shows"
