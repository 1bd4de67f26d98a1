"""The coolant bath by volume and strength: mixing it, reading its strength, correcting it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from advisor.calc.base import (
    CalcError,
    Calculation,
    Figure,
    Given,
    Input,
    Limit,
    Worked,
    nominal,
    put,
)
from advisor.calc.means import mean_read, near

__all__ = [
    "CALCULATIONS",
    "Dose",
    "average",
    "correction",
    "litres",
    "percent_of_ratio",
    "put_percent",
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
    """Mean of readings; their scatter adds s / sqrt(n) to its doubt, widened for few of them (JCGM 100, 4.2.3, G.4)."""
    return mean_read(values, name)


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


def put_percent(number: Any) -> str:
    """A strength or share in words: '9.09 %'."""
    return put(number, "%", 3)


def litres(volume: Any) -> str:
    """A volume in L as it is measured out: '2.5 L', below one litre '250 mL'."""
    return put(volume, "L", 3) if abs(nominal(volume)) >= 1 else put(1000 * volume, "mL", 3)


# --- bath-mix


def _bath_mix(g: Given) -> Worked:
    volume, strength, parts = g["volume"], g["strength"], g["ratio"]
    lines, says = [], []
    if parts is not None:
        to_one, in_all = percent_of_ratio(parts), percent_of_ratio(parts, to_one=False)
        lines.append(
            f"1 to {put(parts)} (1 concentrate + {put(parts)} water) = 100 / {put(parts + 1)} = {put_percent(to_one)}"
        )
        lines.append(
            f"1 in {put(parts)} (1 concentrate in {put(parts)} of mix) = 100 / {put(parts)} = {put_percent(in_all)}"
        )
        percent = to_one if g["meaning"] == "to" else in_all
        if abs(percent - strength) > 0.1 * strength:
            says.append(
                f"The ratio gives {put_percent(percent)}, the strength named is {put_percent(strength)}: settle which holds before you mix."
            )
    else:
        percent = strength
        n = ratio_of_percent(percent)
        lines.append(
            f"{put_percent(percent)} is 1 part concentrate to {put(n, digits=3)} parts water (10 to 1 is 9.1 %)"
        )
    concentrate = volume * percent / 100
    slip = 1 / volume * (1 - percent / 100)
    lines.append(
        f"concentrate = V c / 100 = {g.put('volume')} x {put_percent(percent)} = {put(1000 * concentrate, 'mL', 3)}"
    )
    lines.append(f"10 mL of concentrate too much or too little shift the strength by {put(slip, '%', 2)}")
    if not says:
        says.append("Pour the concentrate into the water, stir, and read the strength before the first job.")
    return Worked(
        {"concentrate": 1000 * concentrate, "water": volume - concentrate, "percent": percent},
        tuple(lines),
        says=tuple(says),
    )


BATH_MIX = Calculation(
    id="bath-mix",
    title="Mixing a bath",
    subject="bath",
    answers="How much concentrate and water make a bath of this volume, by percent or by ratio?",
    inputs=(
        Input("volume", "V", "volume to mix", "L", 0.05, 200),
        Input("strength", "c", "strength wanted", "%", 0.2, 50, default="9.1 %", profile="bath_percent"),
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
            f"{put(mean, 'Bx')} times {put(g['factor'])} makes {put_percent(percent)}, which is no bath: check the factor and the decimal sign",
        )
    count = len(g["readings"])
    lines = [
        f"c = f (mean - zero) = {g.put('factor')} x ({put(mean, 'Bx', 3)} - {put(zero, 'Bx', 3)}) = {put_percent(percent)}"
        + (f", mean of {count}" if count > 1 else "")
    ]
    figures = {"percent": percent}
    if g["noted"] is not None:
        apart = percent - g["noted"]
        figures["difference"] = apart if nominal(apart) >= 0 else -apart
        lines.append(f"against the log: {put_percent(percent)} - {g.put('noted')} = {put_percent(apart)}")
    low, high = WEAK * target, STRONG * target
    limit = Limit(
        "percent", f"{put(low, digits=3)} to {put_percent(high)} (0.75 to 1.3 times {put_percent(target)})", low, high
    )
    value = nominal(percent)
    if near(percent, low, high):
        says = ["Too near the edge of the range to tell: stir, and read it three times more, zero first."]
    elif value < low:
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
        Input("readings", "R", "readings of the bath", "Bx", 0, 60, instrument="refractometer", several=(1, 12)),
        Input("zero", "R0", "reading on plain mixing water", "Bx", -5, 10, instrument="refractometer"),
        Input("factor", "f", "factor on the concentrate's label", "1", 0.2, 10, percent=5, default="1"),
        Input("target", "", "strength wanted", "%", 0.5, 50, default="9.1 %", profile="bath_percent"),
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
        f"concentrate wanted = (V c_wanted - V_now c_now) / 100 = ({g.put('full')} x {put_percent(target)} - {g.put('now')} x {g.put('strength', 3)}) / 100 = {litres((full * target - now * strength) / 100)}; room = {litres(full - now)}"
    ]
    if draw > 1e-9 and conc < 1e-9:
        lines.append(f"draw = V_now - V c_wanted / c_now = {litres(draw)}; no concentrate, the rest is water")
    elif draw > 1e-9:
        lines.append(
            f"the room is too small: draw = (V c_wanted - V_now c_now - 100 room) / (100 - c_now) = {litres(draw)}"
        )
    if conc > 1e-9 and water > 1e-9:
        figures["mix"] = 100 * dose.concentrate / (dose.concentrate + dose.water)
        lines.append(
            f"poured in together: {litres(conc)} concentrate in {litres(added)} = {put_percent(100 * conc / added)} mix"
        )
    low, high = WEAK * target, STRONG * target
    says = _correct_says(draw, conc, water, nominal(now * strength / full), high)
    limit = Limit("result", f"0.75 to 1.3 times {put_percent(target)}", low, high)
    return Worked(figures, tuple(lines), (limit,), says=says)


def _correct_says(draw: float, conc: float, water: float, filled: float, high: float) -> tuple[str, ...]:
    if draw + conc + water < 0.005:
        return ("Level and strength are right: pour nothing in.",)
    steps = [f"draw {litres(draw)} out (keep it as waste)"] if draw > 1e-9 else []
    pour = [f"{litres(conc)} concentrate"] * (conc > 1e-9) + [f"{litres(water)} water"] * (water > 1e-9)
    if pour:
        how = " mixed with " if len(pour) > 1 else ""
        steps.append(f"pour in {how.join(pour)}" + (", slowly and with the pump running" if not water > 1e-9 else ""))
    text = ", then ".join(steps)
    says = [text[0].upper() + text[1:] + "; run the pump ten minutes and read again."]
    if draw > 1e-9 and conc < 1e-9 and filled < high:
        says.append(f"Without drawing out, water to the mark alone gives {put_percent(filled)}, which will do.")
    return tuple(says)


BATH_CORRECT = Calculation(
    id="bath-correct",
    title="Correcting level and strength of the bath",
    subject="bath",
    answers="What must be poured in, or drawn out first, for a full bath of the right strength?",
    inputs=(
        Input("now", "Vn", "volume in the tank now", "L", 0.1, 200, percent=3),
        Input("strength", "cn", "strength now", "%", 0, 60, instrument="refractometer-percent"),
        Input("full", "V", "volume at the full mark", "L", 0.1, 200, default="2.75 L", profile="bath_volume"),
        Input("target", "c", "strength wanted", "%", 0.5, 50, default="9.1 %", profile="bath_percent"),
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


CALCULATIONS = (BATH_MIX, BATH_STRENGTH, BATH_CORRECT)
