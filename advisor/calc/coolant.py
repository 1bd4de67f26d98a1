"""What the coolant does: where it went, foam in the bottle against a fresh mix, and the flow that reaches the jug."""

from __future__ import annotations

import math
from statistics import NormalDist, stdev
from typing import Any

from uncertainties import ufloat

from advisor.calc.base import (
    CalcError,
    Calculation,
    Class,
    Figure,
    Given,
    Input,
    Limit,
    Worked,
    deviation,
    nominal,
    put,
)
from advisor.calc.bath import average, litres, put_percent
from advisor.calc.means import near

__all__ = ["CALCULATIONS", "REPEATABILITY", "least_difference", "loss_split"]

REPEATABILITY = 7.0  # mm, ASTM D3601 section 9: two results closer than this are the same
FULL = 500.0  # mL in 30 s that the check of the flow takes as full
START = 1.0  # L/min, the same: taken where no flow of the sound mill is noted; common practice, no source
LEAST = 70.0  # % of the sound flow; common practice, no source


def loss_split(
    volume: Any, missing: Any, before: Any, after: Any, topped: Any = 0.0, top_strength: Any = 0.0
) -> tuple[Any, Any]:
    """Water evaporated and bath carried off or leaked, in the unit of the volumes; strengths in %.

    `missing` is what is below the starting level at the end, `topped` what was poured in meanwhile at `top_strength`.
    Vapour takes no concentrate along, so the concentrate that is gone left with whole bath of the mean strength:
    carried = (V c1 - (V - missing) c2 + topped ct) / ((c1 + c2) / 2), evaporated = missing + topped - carried.
    The arithmetic mean is within 1 % of the exact balance as long as the strength changes by less than a third.
    Source: mass balance.

    >>> loss_split(3.0, 0.5, 10.0, 12.0)
    (0.5, 0.0)
    """
    gone = volume * before - (volume - missing) * after + topped * top_strength
    carried = gone / ((before + after) / 2)
    return missing + topped - carried, carried


# --- bath-evaporation


def _bath_evaporation(g: Given) -> Worked:
    volume, before, after = g["volume"], g["before"], g["after"]
    missing, lines = _missing(g)
    if nominal(missing) >= 0.9 * nominal(volume):
        raise CalcError(
            "missing", f"{put(missing, 'L', 3)} missing of {g.put('volume')} leaves no bath to read: check both volumes"
        )
    lost = missing + g["topped"]
    if nominal(lost) <= 0:
        raise CalcError("missing", "nothing is missing and nothing was topped up: there is no loss to tell apart")
    water, carried = loss_split(volume, missing, before, after, g["topped"], g["top_strength"])
    share, u = water / lost, deviation(water / lost)
    raw = nominal(share)
    if raw > 1 + 3 * u:
        raise CalcError(
            "after",
            "the strength rose more than the missing water explains: was concentrate added? If not, read both again with one zero",
        )
    if raw < -3 * u:
        raise CalcError(
            "after",
            "more concentrate is gone than went with the liquid: was water added and not noted? If not, read both strengths again",
        )
    lines.append(
        f"bath gone = (V c1 - V_end c2 + top-up) / mean c = ({g.put('volume', 3)} x {g.put('before', 3)} - {put(volume - missing, 'L', 3)} x {g.put('after', 3)} + {put(g['topped'], 'L', 3)} x {g.put('top_strength', 3)}) / {put_percent((before + after) / 2)} = {put(carried, 'L', 2)} of {put(lost, 'L', 3)}"
    )
    if not 0 <= raw <= 1:
        share = share - raw + min(max(raw, 0.0), 1.0)
        lines.append(f"water share {put_percent(100 * raw)}, outside 0 to 100 % by the doubt alone: the nearer end")
    vapour = _vapour(raw, u)
    weekly = lost / g["time"] * 7
    figures = {"evaporated": 100 * share, "water": share * lost, "weekly": weekly}
    says: tuple[str, ...]
    if vapour >= 0.8:
        says = (
            f"Water leaves and the concentrate stays: top up with plain water, about {litres(weekly)} a week, and read the strength.",
        )
    elif vapour <= 0.2:
        says = (
            "Whole bath is lost: lay paper under mill and hoses, look at how the tank is drawn. Top up with mix of full strength.",
        )
    else:
        says = ("Not to be told apart yet: let more go missing before you read again.",)
    return Worked(figures, tuple(lines), classes={"evaporation": vapour, "leak-or-drag-out": 1 - vapour}, says=says)


def _missing(g: Given) -> tuple[Any, list[str]]:
    """Litres below the starting level, as poured or from the fall of the level in a straight-walled tank."""
    if g["missing"] is not None:
        if g["fall"] is not None:
            raise CalcError("fall", "give the litres missing or the fall of the level, not both")
        return g["missing"], []
    if g["fall"] is None:
        if nominal(g["topped"]) > 0:
            return 0.0, []
        raise CalcError(
            "missing", "give the litres missing, or the fall of the level (fall, depth), or what was topped up"
        )
    if g["depth"] is None:
        raise CalcError("depth", "the fall of the level needs the depth of the bath at the start, too")
    missing = g["volume"] * g["fall"] / g["depth"]
    return missing, [
        f"missing = V fall / depth = {g.put('volume')} x {g.put('fall')} / {g.put('depth')} = {put(missing, 'L', 3)}"
    ]


def _vapour(share: float, u: float) -> float:
    """Chance that more than half went as vapour, for a share known as `share` +- `u` that lies in 0..1."""
    normal = NormalDist(share, max(u, 1e-6))
    whole = normal.cdf(1) - normal.cdf(0)
    return min(max((normal.cdf(1) - normal.cdf(0.5)) / whole, 0.0), 1.0) if whole > 0 else float(share > 0.5)


BATH_EVAPORATION = Calculation(
    id="bath-evaporation",
    title="Where the coolant went: vapour, or leak and drag-out",
    subject="bath",
    answers="Did water evaporate, or was whole bath lost through a leak or on parts and chips?",
    inputs=(
        Input(
            "volume",
            "V",
            "volume of the bath at the start",
            "L",
            0.2,
            200,
            percent=3,
            default="2.75 L",
            profile="bath_volume",
        ),
        Input("before", "c1", "strength at the start", "%", 0.5, 60, instrument="refractometer-percent"),
        Input(
            "after", "c2", "strength at the end, before filling up", "%", 0.5, 60, instrument="refractometer-percent"
        ),
        Input("time", "t", "time from start to end", "d", 0.04, 120, percent=2),
        Input("missing", "", "poured in to reach the old mark", "L", 0, 100, instrument="jug", optional=True),
        Input("fall", "", "or: fall of the level", "mm", 0, 500, instrument="ruler", optional=True),
        Input("depth", "", "   and depth of the bath at the start", "mm", 10, 1000, instrument="ruler", optional=True),
        Input("topped", "", "topped up in between", "L", 0, 200, default="0", percent=3),
        Input("top_strength", "ct", "strength of that top-up", "%", 0, 60, default="0", percent=5),
    ),
    figures=(
        Figure("evaporated", "", "share gone as vapour", "%"),
        Figure("water", "", "water evaporated", "L"),
        Figure("weekly", "", "gone in a week", "L"),
    ),
    classes=(
        Class("evaporation", "mostly water evaporated"),
        Class("leak-or-drag-out", "mostly whole bath lost: leak or drag-out"),
    ),
    work=_bath_evaporation,
    sources=("physics",),
    example={
        "volume": "2.75 L",
        "before": "9.1 %",
        "after": "11.0 %",
        "time": "7 d",
        "missing": "0.5 L",
    },
    hazards=("coolant-contact",),
)

# --- foam-compare


def least_difference(first: int, second: int) -> float:
    """Difference in mm of two means of so many shakes that counts: r sqrt((1/n + 1/m) / 2), r = 7 mm.

    Source: r from ASTM D3601 (withdrawn 2013: a comparison only); for means after ISO 5725-6, from memory.

    >>> least_difference(1, 1)
    7.0
    """
    return REPEATABILITY * math.sqrt((1 / first + 1 / second) / 2)


def _mean_height(heights: list[Any], name: str) -> Any:
    """Mean of shakes. One shake repeats with s = r / 2.8 (r is the 95 % limit of a difference: 1.96 sqrt 2 = 2.8), or
    with the scatter found here if that is larger."""
    seen = stdev([nominal(h) for h in heights]) if len(heights) > 1 else 0.0
    s = max(REPEATABILITY / 2.8, seen)
    return sum(heights) / len(heights) + ufloat(0.0, s / math.sqrt(len(heights)), name)


def _foam_compare(g: Given) -> Worked:
    bath, fresh = g["bath"], g["fresh"]
    mine, other = _mean_height(bath, "scatter of the shakes"), _mean_height(fresh, "scatter of the shakes")
    difference = mine - other
    least = least_difference(len(bath), len(fresh))
    lines = [
        f"difference = mean of bath - mean of fresh mix = {put(mine, 'mm', 3)} - {put(other, 'mm', 3)} = {put(difference, 'mm', 3)}",
        f"least difference that counts = 7 x sqrt((1/{len(bath)} + 1/{len(fresh)}) / 2) = {put(least, 'mm', 2)}",
    ]
    figures = {"difference": difference}
    slow = False
    if g["bath_settle"] is not None and g["fresh_settle"] is not None:
        figures["settle"] = g["bath_settle"] - g["fresh_settle"]
        slow = nominal(figures["settle"]) > 60
    value = nominal(difference)
    if least <= value < REPEATABILITY:
        says = "A little more foam than a fresh mix, but within what the test repeats to: no cause to act on."
    elif value >= least:
        says = "The bath foams more than a fresh mix: look at strength, cleaning agent left in the tank, and fines."
    elif value <= -least:
        says = (
            "The fresh mix foams more: the bath is not at fault. Look at its strength and the water of the fresh mix."
        )
    elif slow:
        says = "As high as a fresh mix but it stands longer: look for fines, scum or cleaning agent in the bath."
    else:
        says = "No more foam than a fresh mix. If both foam much, look at water and concentrate, or at air in the line."
    return Worked(
        figures,
        tuple(lines),
        (Limit("difference", "under 7 mm, the repeatability of the test", high=REPEATABILITY, source="astm-d3601"),),
        says=(says, "It says nothing about foam in the mill; it only compares two samples of one day."),
    )


FOAM_COMPARE = Calculation(
    id="foam-compare",
    title="Bottle foam test, bath against a fresh mix",
    subject="coolant",
    answers="Does the bath really foam more than a fresh mix, or is it the scatter of the test?",
    inputs=(
        Input("bath", "", "foam heights of the bath", "mm", 0, 250, instrument="ruler", several=(1, 10)),
        Input("fresh", "", "foam heights of a fresh mix", "mm", 0, 250, instrument="ruler", several=(1, 10)),
        Input(
            "bath_settle", "", "bath: time until 10 mm are left", "s", 0, 1200, instrument="stopwatch", optional=True
        ),
        Input(
            "fresh_settle",
            "",
            "fresh mix: time until 10 mm are left",
            "s",
            0,
            1200,
            instrument="stopwatch",
            optional=True,
        ),
    ),
    figures=(
        Figure("difference", "", "more foam than a fresh mix", "mm"),
        Figure("settle", "", "longer until it settles", "s"),
    ),
    work=_foam_compare,
    sources=("astm-d3601", "astm-e3265"),
    example={"bath": "41 38 44", "fresh": "22 25 24", "bath_settle": "240 s", "fresh_settle": "45 s"},
    hazards=("coolant-contact",),
)


# --- coolant-flow


def _coolant_flow(g: Given) -> Worked:
    caught = average(g["caught"])
    flow = caught / g["time"] * 60 / 1000
    good = START if g["good"] is None else g["good"]
    share = 100 * flow / good
    scaled = share / 100 * FULL
    lines: tuple[str, ...] = (
        f"Q = caught / time = {put(caught, 'mL', 3)} / {g.put('time')} = {put(flow, 'L/min', 3)}",
        f"share = {put(flow, 'L/min', 3)} / {put(good, 'L/min', 3)} = {put(share, '%', 3)}; with full flow as 500 mL in 30 s that is {put(scaled, 'mL', 3)}",
    )
    value = nominal(share)
    if g["good"] is None:
        lines = (*lines, "no flow of the sound mill is noted: 1 L/min, which is 500 mL in 30 s, is taken as a start")
    if value < 5:
        says = "Next to nothing comes: start no wet job. Look at the level, let the air out of the pump, then look at filter and hose."
    elif near(share, low=LEAST):
        says = (
            "Too near to tell whether it is weak: catch three times for a minute each, then look at level and filter."
        )
    elif value < LEAST:
        says = "Weak: look at level and filter first, then at the nozzles, last at the pump. Catch again after each."
    else:
        says = "Full flow: note it with the date as the good flow of this mill, it is the best measure for next time."
    return Worked(
        {"flow": flow, "share": share, "caught": scaled},
        lines,
        (Limit("share", "70 % and more of the flow when sound", low=LEAST),),
        says=(says,),
    )


COOLANT_FLOW = Calculation(
    id="coolant-flow",
    title="Coolant flow caught in the jug",
    subject="coolant",
    answers="How much coolant comes, against what came when pump, filter and nozzles were sound?",
    inputs=(
        Input("caught", "", "volumes caught, all nozzles together", "mL", 0, 5000, instrument="jug", several=(1, 8)),
        Input("time", "t", "time of each catch", "s", 3, 600, instrument="stopwatch"),
        Input("good", "Qg", "flow when sound (L/min or mL/30s)", "L/min", 0.05, 50, percent=5, optional=True),
    ),
    figures=(
        Figure("flow", "Q", "coolant flow", "L/min"),
        Figure("share", "", "share of the flow when sound", "%"),
        Figure("caught", "", "in 30 s, full flow taken as 500 mL", "mL"),
    ),
    work=_coolant_flow,
    sources=("common-practice",),
    example={"caught": "310 300 320", "time": "30 s", "good": "1.2 L/min"},
    hazards=("coolant-contact", "rotating-spindle"),
)

CALCULATIONS = (BATH_EVAPORATION, FOAM_COMPARE, COOLANT_FLOW)
