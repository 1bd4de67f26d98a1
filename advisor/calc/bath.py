"""The coolant bath by volume and strength: mixing, reading the strength, correcting it, and where the level went."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist, stdev
from typing import Any, NamedTuple

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

__all__ = [
    "CALCULATIONS",
    "Dose",
    "average",
    "correction",
    "loss_split",
    "percent_of_ratio",
    "ratio_of_percent",
]

WEAK, STRONG = 0.75, 1.3  # times the strength wanted; common practice, no source
HIGHEST = 60.0  # %: no bath is mixed that strong


def percent_of_ratio(parts: Any, to_one: bool = True) -> Any:
    """Strength in % of a ratio: N parts water to one of concentrate give 100 / (N + 1), one part in N gives 100 / N.

    Source: arithmetic of volumes.

    >>> round(percent_of_ratio(10), 2), percent_of_ratio(10, to_one=False)
    (9.09, 10.0)
    """
    return 100.0 / (parts + 1) if to_one else 100.0 / parts


def ratio_of_percent(percent: Any) -> Any:
    """Parts of water to one part of concentrate: N = 100 / c - 1, with c in % above 0.

    >>> ratio_of_percent(5.0)
    19.0
    """
    return 100.0 / percent - 1


def average(values: Sequence[Any], name: str = "scatter of the readings") -> Any:
    """Mean of readings; their scatter adds s / sqrt(n) to its doubt (JCGM 100, 4.2.3)."""
    mean = sum(values) / len(values)
    scatter = stdev([nominal(v) for v in values]) if len(values) > 1 else 0.0
    return mean + ufloat(0.0, scatter / math.sqrt(len(values)), name) if scatter else mean


class Dose(NamedTuple):
    """What brings a bath to the full mark at the strength wanted: draw out first, then pour in."""

    draw: Any
    concentrate: Any
    water: Any


def correction(now: Any, strength: Any, full: Any, target: Any) -> Dose:
    """Balance of the concentrate in a tank that must not be overfilled; volumes in one unit, strengths in %.

    Room enough: concentrate = (full target - now strength) / 100, the rest of the room is water. Stronger than even
    plain water can cure: no concentrate, and draw = now - full target / strength. Weaker than the room allows: only
    concentrate, and draw = (full target - now strength - 100 room) / (100 - strength). Source: mass balance.

    >>> correction(700.0, 10.0, 1000.0, 8.0)
    Dose(draw=0.0, concentrate=10.0, water=290.0)
    """
    room = full - now
    wanted = (full * target - now * strength) / 100
    if nominal(wanted) < 0:
        draw = now - full * target / strength
        return Dose(draw, 0.0, room + draw)
    if nominal(wanted) > nominal(room):
        draw = (full * target - now * strength - 100 * room) / (100 - strength)
        return Dose(draw, room + draw, 0.0)
    return Dose(0.0, wanted, room - wanted)


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


# --- bath-mix


def _bath_mix(g: Given) -> Worked:
    volume, strength, parts = g["volume"], g["strength"], g["ratio"]
    lines, says = [], []
    if parts is not None:
        to_one, in_all = percent_of_ratio(parts), percent_of_ratio(parts, to_one=False)
        lines.append(f"1 to {put(parts)} (1 concentrate + {put(parts)} water) = 100 / {put(parts + 1)} = {_pc(to_one)}")
        lines.append(f"1 in {put(parts)} (1 concentrate in {put(parts)} of mix) = 100 / {put(parts)} = {_pc(in_all)}")
        percent = to_one if g["meaning"] == "to" else in_all
        if abs(percent - strength) > 0.1 * strength:
            says.append(
                f"The ratio gives {_pc(percent)}, the strength named is {_pc(strength)}: settle which holds before you mix."
            )
    else:
        percent = strength
        n = ratio_of_percent(percent)
        lines.append(f"{_pc(percent)} is 1 part concentrate to {put(n, digits=3)} parts water (10 to 1 is 9.1 %)")
    concentrate = volume * percent / 100
    slip = 1 / volume * (1 - percent / 100)
    lines.append(f"concentrate = V c / 100 = {g.put('volume')} x {_pc(percent)} = {put(1000 * concentrate, 'mL', 3)}")
    lines.append(f"10 mL of concentrate too much or too little shift the strength by {put(slip, '%', 2)}")
    if not says:
        says.append("Pour the concentrate into the water, stir, and read the strength before the first job.")
    return Worked(
        {"concentrate": 1000 * concentrate, "water": volume - concentrate, "percent": percent},
        tuple(lines),
        says=tuple(says),
    )


def _pc(number: Any) -> str:
    return put(number, "%", 3)


BATH_MIX = Calculation(
    id="bath-mix",
    title="Mixing a bath",
    subject="bath",
    answers="How much concentrate and water make a bath of this volume, by percent or by ratio?",
    inputs=(
        Input("volume", "V", "volume to mix", "L", 0.05, 200, profile="bath_volume"),
        Input("strength", "c", "strength wanted", "%", 0.2, 50, profile="bath_percent"),
        Input("ratio", "N", "ratio on the label: the N of 1:N", "1", 2, 500, optional=True),
        Input(
            "meaning", "", "label means 1 to N water, or 1 in N mix", choices=("to", "in"), default="to", optional=True
        ),
    ),
    figures=(
        Figure("concentrate", "", "concentrate", "mL"),
        Figure("water", "", "water", "L"),
        Figure("percent", "c", "strength of the mix", "%"),
    ),
    work=_bath_mix,
    sources=("physics",),
    example={"volume": "2.75 L", "strength": "9.1 %", "ratio": "10", "meaning": "to"},
    hazards=("coolant-contact",),
)


# --- bath-strength


def _bath_strength(g: Given) -> Worked:
    mean, zero, target = average(g["readings"]), g["zero"], g["target"]
    brix = mean - zero
    if nominal(brix) < -0.5:
        raise CalcError(
            "readings",
            "the bath reads lower than plain water: clean the prism, read the water (zero) and the bath again",
        )
    if nominal(brix) < 0:
        brix = brix - nominal(brix)  # no concentrate; below nothing only by the doubt
    percent = g["factor"] * brix
    if nominal(percent) > HIGHEST:
        raise CalcError(
            "factor",
            f"{put(mean, 'Bx')} times {put(g['factor'])} makes {_pc(percent)}, which is no bath: check the factor and the decimal sign",
        )
    count = len(g["readings"])
    lines = [
        f"c = f (mean - zero) = {g.put('factor')} x ({put(mean, 'Bx', 3)} - {put(zero, 'Bx', 3)}) = {_pc(percent)}"
        + (f", mean of {count}" if count > 1 else "")
    ]
    figures = {"percent": percent}
    if g["noted"] is not None:
        apart = percent - g["noted"]
        figures["difference"] = apart if nominal(apart) >= 0 else -apart
        lines.append(f"against the log: {_pc(percent)} - {g.put('noted')} = {_pc(apart)}")
    low, high = WEAK * target, STRONG * target
    limit = Limit("percent", f"{put(low, digits=3)} to {_pc(high)} (0.75 to 1.3 times {_pc(target)})", low, high)
    value = nominal(percent)
    if value < low:
        says = ["Too weak: bath-correct tells how much concentrate to add. Read again after ten minutes of pump."]
    elif value >= high:
        says = ["Too strong: bath-correct tells how much water to add. Then ask whether it was neat top-ups or vapour."]
    else:
        says = ["About right: note it with the date. It tells most beside the last one."]
    spread = max(map(nominal, g["readings"])) - min(map(nominal, g["readings"]))
    if spread > 0.5:
        says = [f"The readings are {put(spread, 'Bx', 2)} apart: stir the bath, clean the prism, read again.", *says]
    elif abs(nominal(zero)) > 0.3:
        says = ["The zero is off: it is taken out here; set the screw on plain water afterwards.", *says]
    return Worked(figures, tuple(lines), (limit,), says=tuple(says[:2]))


BATH_STRENGTH = Calculation(
    id="bath-strength",
    title="Strength of the bath by refractometer",
    subject="bath",
    answers="What strength does the bath have, and how sure is that?",
    inputs=(
        Input(
            "readings", "R", "readings of the bath", "Bx", 0, 60, instrument="refractometer", several=(1, 12)
        ),
        Input("zero", "R0", "reading on plain mixing water", "Bx", -5, 10, instrument="refractometer"),
        Input("factor", "f", "factor on the concentrate's label", "1", 0.2, 10, percent=5, default="1"),
        Input("target", "", "strength wanted", "%", 0.5, 50, profile="bath_percent"),
        Input("noted", "", "strength noted in the bath log", "%", 0, 60, optional=True),
    ),
    figures=(
        Figure("percent", "c", "strength of the bath", "%"),
        Figure("difference", "", "difference to the noted strength", "%"),
    ),
    work=_bath_strength,
    sources=("dguv-109-003", "jcgm-100-gum"),
    example={"readings": "8.4 8.6 8.5", "zero": "0.2 Bx", "factor": "1.1", "target": "9.1 %", "noted": "9.0 %"},
    hazards=("coolant-contact",),
)


# --- bath-correct


def _bath_correct(g: Given) -> Worked:
    now, strength, full, target = g["now"], g["strength"], g["full"], g["target"]
    if nominal(now) > nominal(full) * (1 + 1e-9):
        raise CalcError("now", f"{g.put('now')} is more than the full {g.put('full')}: give what is in the tank now")
    dose = correction(now, strength, full, target)
    draw, conc, water = (max(nominal(v), 0.0) for v in dose)
    added = conc + water
    after = ((now - draw) * strength + 100 * conc) / (now - draw + added)
    figures: dict[str, Any] = {
        "concentrate": 1000 * dose.concentrate,
        "water": dose.water,
        "draw": dose.draw,
        "result": after,
    }
    lines = [
        f"concentrate wanted = (V c_wanted - V_now c_now) / 100 = ({g.put('full')} x {_pc(target)} - {g.put('now')} x {g.put('strength', 3)}) / 100 = {_ml((full * target - now * strength) / 100)}; room = {_ml(full - now)}"
    ]
    if added > 1e-9:
        figures["mix"] = 100 * dose.concentrate / (dose.concentrate + dose.water)
        lines.append(f"poured in together: {_ml(conc)} concentrate in {_ml(added)} = {_pc(100 * conc / added)} mix")
    low, high = WEAK * target, STRONG * target
    says = _correct_says(draw, conc, water, nominal(now * strength / full), high)
    limit = Limit("result", f"0.75 to 1.3 times {_pc(target)}", low, high)
    return Worked(figures, tuple(lines), (limit,), says=says)


def _ml(litres: Any) -> str:
    return put(litres, "L", 3) if abs(nominal(litres)) >= 1 else put(1000 * litres, "mL", 3)


def _correct_says(draw: float, conc: float, water: float, filled: float, high: float) -> tuple[str, ...]:
    if draw + conc + water < 0.005:
        return ("Level and strength are right: pour nothing in.",)
    steps = [f"draw {_ml(draw)} out (keep it as waste)"] if draw > 1e-9 else []
    pour = [f"{_ml(conc)} concentrate"] * (conc > 1e-9) + [f"{_ml(water)} water"] * (water > 1e-9)
    if pour:
        how = " mixed with " if len(pour) > 1 else ""
        steps.append(f"pour in {how.join(pour)}" + (", slowly and with the pump running" if not water > 1e-9 else ""))
    text = ", then ".join(steps)
    says = [text[0].upper() + text[1:] + "; run the pump ten minutes and read again."]
    if draw > 1e-9 and conc < 1e-9 and filled < high:
        says.append(f"Without drawing out, water to the mark alone gives {_pc(filled)}, which will do.")
    return tuple(says)


BATH_CORRECT = Calculation(
    id="bath-correct",
    title="Correcting level and strength of the bath",
    subject="bath",
    answers="What must be poured in, or drawn out first, for a full bath of the right strength?",
    inputs=(
        Input("now", "Vn", "volume in the tank now", "L", 0.1, 200, percent=3),
        Input("strength", "cn", "strength now", "%", 0, 60, instrument="refractometer-percent"),
        Input("full", "V", "volume at the full mark", "L", 0.1, 200, profile="bath_volume"),
        Input("target", "c", "strength wanted", "%", 0.5, 50, profile="bath_percent"),
    ),
    figures=(
        Figure("concentrate", "", "concentrate to add", "mL"),
        Figure("water", "", "water to add", "L"),
        Figure("draw", "", "bath to draw out first", "L"),
        Figure("result", "", "strength afterwards", "%"),
        Figure("mix", "", "strength of what is poured in", "%"),
    ),
    work=_bath_correct,
    sources=("physics",),
    example={"now": "2.1 L", "strength": "10.5 %", "full": "2.75 L", "target": "9.1 %"},
    hazards=("coolant-contact", "used-coolant"),
)


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
        f"bath gone = (V c1 - V_end c2 + top-up) / mean c = ({g.put('volume', 3)} x {g.put('before', 3)} - {put(volume - missing, 'L', 3)} x {g.put('after', 3)} + {put(g['topped'], 'L', 3)} x {g.put('top_strength', 3)}) / {_pc((before + after) / 2)} = {put(carried, 'L', 2)} of {put(lost, 'L', 3)}"
    )
    if not 0 <= raw <= 1:
        share = share - raw + min(max(raw, 0.0), 1.0)
        lines.append(f"water share {_pc(100 * raw)}: outside 0 to 100 % only by the doubt, so the nearer end is taken")
    vapour = _vapour(raw, u)
    weekly = lost / g["time"] * 7
    figures = {"evaporated": 100 * share, "water": share * lost, "carried": (1 - share) * lost, "weekly": weekly}
    if vapour >= 0.8:
        says = (
            f"Water leaves and the concentrate stays: top up with plain water, about {_ml(weekly)} a week, and read the strength.",
        )
    elif vapour <= 0.2:
        says = (
            "Whole bath is lost: lay paper under mill and hoses, and look at how the tank is drawn.",
            "Top up with mix of full strength.",
        )
    else:
        says = (
            "Not to be told apart yet: let more go missing, or take the mean of several readings at start and end.",
        )
    return Worked(figures, tuple(lines), classes={"evaporation": vapour, "leak-or-drag-out": 1 - vapour}, says=says)


def _missing(g: Given) -> tuple[Any, list[str]]:
    """Litres below the starting level, as poured or from the fall of the level in a straight-walled tank."""
    if g["missing"] is not None:
        return g["missing"], []
    if g["fall"] is None:
        if nominal(g["topped"]) > 0:
            return 0.0, []
        raise CalcError("missing", "give the litres missing, or the fall of the level (fall, depth), or what was topped up")
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
        Input("volume", "V", "volume of the bath at the start", "L", 0.2, 200, percent=3, profile="bath_volume"),
        Input("before", "c1", "strength at the start", "%", 0.5, 60, instrument="refractometer-percent"),
        Input("after", "c2", "strength at the end, before filling up", "%", 0.5, 60, instrument="refractometer-percent"),
        Input("time", "t", "time between the two", "d", 0.04, 120, percent=2),
        Input("missing", "", "poured in to reach the old mark", "L", 0, 100, instrument="jug", optional=True),
        Input("fall", "", "or: fall of the level", "mm", 0, 500, instrument="ruler", optional=True),
        Input("depth", "", "   and depth of the bath at the start", "mm", 10, 1000, instrument="ruler", optional=True),
        Input("topped", "", "topped up in between", "L", 0, 200, default="0", percent=3),
        Input("top_strength", "ct", "strength of that top-up", "%", 0, 60, default="0", percent=5),
    ),
    figures=(
        Figure("evaporated", "", "share gone as vapour", "%"),
        Figure("water", "", "water evaporated", "L"),
        Figure("carried", "", "bath leaked or carried off", "L"),
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

CALCULATIONS = (BATH_MIX, BATH_STRENGTH, BATH_CORRECT, BATH_EVAPORATION)
