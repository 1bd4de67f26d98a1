"""Voltage at the mill's socket: its share of the band, its fall under load, and where the volts get lost."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from uncertainties import ufloat

from advisor.calc.base import (
    Calculation,
    Class,
    Curve,
    Figure,
    Given,
    Input,
    Limit,
    Number,
    Plot,
    Worked,
    deviation,
    nominal,
    put,
)
from advisor.calc.means import mean_read

if TYPE_CHECKING:
    import numpy as np

__all__ = ["BAND", "CALCULATIONS", "FALL", "ONE_IN", "band", "kinds", "mean", "source_impedance"]

BAND = 10.0  # % about the nominal voltage, EN 50160
FALL = 5.0  # % of the nominal voltage, IEC 60364-5-52 Annex G, from memory
WEEK = 1008  # ten-minute means in a week
ONE_IN = 95.0  # % of them that lie in the band, EN 50160, from memory
DRAWS, SEED = 8000, 50160

ELECTRICIAN = "Read at a socket, CAT III leads; wiring is for a licensed electrician."


def band(voltage: float) -> tuple[float, float]:
    """Lowest and highest voltage of the supply band, EN 50160: the nominal one +-10 %.

    >>> [round(v) for v in band(230.0)]
    [207, 253]
    """
    return voltage * (1 - BAND / 100), voltage * (1 + BAND / 100)


def mean(readings: Sequence[Number]) -> Number:
    """Mean of readings with the doubt of the meter, and that of their scatter, s / sqrt n, widened for few (JCGM 100, G.4)."""
    return mean_read(readings, "scatter of the readings")


def source_impedance(idle: Number, load: Number, current: Number) -> Number:
    """Ohms between the mill's socket and a stiff supply: Z = (U0 - U1) / I, as the load with its current I sees them.

    >>> source_impedance(231.0, 219.0, 10.0)
    1.2
    """
    return (idle - load) / current


def _drawn(numbers: Sequence[Number]) -> np.ndarray:
    """Possible true values of the numbers, a row each, with what they have in common; the same each time."""
    import numpy as np

    random = np.random.default_rng(SEED)
    noise: dict[Any, np.ndarray] = {}
    rows = []
    for number in numbers:
        row = np.full(DRAWS, nominal(number))
        slopes: dict[Any, float] = getattr(number, "derivatives", {})
        for variable, slope in slopes.items():
            if variable not in noise:
                noise[variable] = random.standard_normal(DRAWS)
            row = row + slope * variable.std_dev * noise[variable]
        rows.append(row)
    return np.stack(rows)


def kinds(
    lowest: np.ndarray, highest: np.ndarray, load: np.ndarray, fall: np.ndarray, voltage: float
) -> dict[str, float]:
    """Share of the draws of each class. Out of the band at idle it is the supply, whatever the load does; else the line,
    when the fall is above FALL or the load pulls the socket out of the band."""
    low, high = band(voltage)
    above = highest >= high
    below = (lowest < low) & ~above
    weak = ((fall >= FALL / 100 * voltage) | (load < low)) & ~above & ~below
    shares = {"supply-low": below, "supply-high": above, "weak-line": weak}
    found = {name: float(hit.mean()) for name, hit in shares.items()}
    return {"ok": max(0.0, 1 - sum(found.values())), **found}


def _least(readings: Sequence[Number]) -> Number:
    return min(readings, key=nominal)


def _most(readings: Sequence[Number]) -> Number:
    return max(readings, key=nominal)


def _mains_band(g: Given) -> Worked:
    voltage = nominal(g["nominal"])
    low, high = band(voltage)
    idle, load = mean(g["idle"]), _least(g["load"])
    fall = idle - load
    shown = fall if nominal(fall) >= 0 else fall - nominal(fall)
    figures: dict[str, Number] = {"lowest": _least([*g["idle"], *g["load"]]), "fall": shown}
    lines = [
        f"band = {put(voltage, 'V')} +-{BAND:g} % = {put(low, 'V')} to {put(high, 'V')}; mean at idle {put(idle, 'V')}"
    ]
    lines.append(f"fall = {put(idle, digits=4)} - {put(load, digits=4)} = {put(fall, 'V', 3)}")
    if g["current"] is not None:
        impedance = source_impedance(idle, load, g["current"])
        impedance = impedance if nominal(impedance) >= 0 else impedance - nominal(impedance)
        figures["impedance"] = impedance
        lines[-1] += f"; Z = {put(shown, digits=3)} / {g.put('current')} = {put(impedance, 'ohm', 3)}"
        if g["largest"] is not None:
            predicted = idle - impedance * g["largest"]
            if nominal(predicted) > 0:
                figures["predicted"] = predicted
                lines.append(
                    f"U = {put(idle, digits=4)} - {put(impedance, digits=3)} x {g.put('largest')} = {put(predicted, 'V', 4)}"
                )
            else:
                lines.append(f"At {g.put('largest')} nothing would be left: such a current cannot flow here.")
    draws = _drawn([_least(g["idle"]), _most(g["idle"]), load, fall])
    classes = kinds(draws[0], draws[1], draws[2], draws[3], voltage)
    limits = (
        Limit("lowest", f"{put(low, 'V')} to {put(high, 'V')}", low, high, source="en-50160"),
        Limit(
            "fall",
            f"at most {FALL:g} %, {put(FALL / 100 * voltage, 'V')}",
            high=FALL / 100 * voltage,
            source="iec-60364-5-52",
        ),
    )
    return Worked(figures, tuple(lines), limits, classes, (_advice(classes, fall, figures, low), ELECTRICIAN))


ADVICE = {
    "supply-low": "Low at idle: read another circuit. Low there too is network or neutral.",
    "supply-high": "Too high at idle, maybe a broken neutral: switch off, call the electrician.",
    "weak-line": "Falls under load: look at plug, strip and lead, take devices off, read again.",
    "ok": "Band and fall are in order: look elsewhere, or at dips shorter than the meter shows.",
}


def _advice(classes: dict[str, float], fall: Number, figures: dict[str, Number], low: float) -> str:
    best = max(classes, key=lambda k: classes[k])
    if best == "ok" and nominal(fall) < -3 * deviation(fall):
        return "More under load than at idle: the supply moved. Read both within ten minutes."
    predicted = figures.get("predicted")
    if best == "ok" and predicted is not None and nominal(predicted) < low:
        return "In order now, but the largest current pulls it out of the band: start it elsewhere."
    return ADVICE[best]


def _readings(key: str, symbol: str, ask: str, most: int) -> Input:
    return Input(key, symbol, ask, "V", 50, 320, instrument="multimeter", several=(1, most))


NOMINAL = Input("nominal", "Un", "nominal voltage, machine's plate", "V", 90, 260, default="230 V", source="en-50160")

MAINS_BAND = Calculation(
    id="mains-band",
    title="Mains voltage at idle and under load",
    subject="electrical",
    answers="Does the socket keep its band, how far does it fall under load, and is it the supply or the line?",
    inputs=(
        _readings("idle", "U0", "at idle, all else off", 30),
        _readings("load", "U1", "under load, the lowest of each run", 30),
        NOMINAL,
        Input(
            "current",
            "I",
            "the load's current, at a socket adapter",
            "A",
            0.1,
            200,
            instrument="clamp-meter",
            optional=True,
        ),
        Input("largest", "Im", "largest current, such as a start", "A", 0.1, 1000, percent=20, optional=True),
    ),
    figures=(
        Figure("lowest", "", "lowest voltage read", "V"),
        Figure("fall", "", "fall from idle to load", "V"),
        Figure("impedance", "Z", "impedance of supply and line", "ohm"),
        Figure("predicted", "", "voltage at the largest current", "V"),
    ),
    work=_mains_band,
    sources=("en-50160", "iec-60364-5-52"),
    example={"idle": "231 230.5 231.5", "load": "219 218.4", "current": "9.5 A", "largest": "24 A"},
    classes=(
        Class("ok", "in order: band kept, small fall"),
        Class("supply-low", "supply too low at idle: network or neutral"),
        Class("supply-high", "supply too high: network or neutral"),
        Class("weak-line", "falls under load: cable, contact, load"),
    ),
    hazards=("mains-voltage",),
)


# --- a row of readings at one socket ---------------------------------------------------------------------------------


def _mains_log(g: Given) -> Worked:
    import numpy as np

    voltage = nominal(g["nominal"])
    low, high = band(voltage)
    readings = g["readings"]
    draws = _drawn(readings)
    inside = 100 * ((draws >= low) & (draws < high)).mean(axis=0)
    plain = sum(low <= nominal(r) < high for r in readings)
    share = 100 * plain / len(readings)
    doubt = float(np.sqrt(np.mean((inside - share) ** 2)))
    least, most = _least(readings), _most(readings)
    lines = (
        f"band = {put(voltage, 'V')} +-{BAND:g} % = {put(low, 'V')} to {put(high, 'V')}",
        f"{plain} of {len(readings)} readings lie in it = {put(share, '%', 3)}; their mean {put(mean(readings), 'V')}",
    )
    limits = [Limit("lowest", f"not under {put(low, 'V')}", low=low, source="en-50160")]
    limits.append(Limit("highest", f"under {put(high, 'V')}", high=high, source="en-50160"))
    says = [ELECTRICIAN]
    if len(readings) >= WEEK // 7:  # a day of ten-minute means
        limits.append(Limit("inside", f"in the band at least {ONE_IN:g} % of the time", low=ONE_IN, source="en-50160"))
    if nominal(least) < low or nominal(most) >= high:
        says.insert(0, "Note the hours it is out; out on a quiet circuit too is the supply.")
    else:
        says.insert(0, "In the band as read: read it under load too, a dip under a second stays unseen.")
    figures = {
        "lowest": least,
        "highest": most,
        "mean": mean(readings),
        "inside": ufloat(share, doubt, "readings near the band's edge") if doubt else share,
    }
    plot = Plot(
        "Voltage at the socket",
        "reading",
        "voltage, V",
        (Curve("read", [float(i) for i in range(1, len(readings) + 1)], [nominal(r) for r in readings]),),
        (("lowest", low), ("highest", high)),
    )
    return Worked(figures, lines, tuple(limits), says=tuple(says), plot=plot if len(readings) > 4 else None)


MAINS_LOG = Calculation(
    id="mains-log",
    title="Voltage readings at one socket",
    subject="electrical",
    answers="Does a socket stay in its band over a minute, a day or a week?",
    inputs=(_readings("readings", "U", "voltage readings", 1500), NOMINAL),
    figures=(
        Figure("lowest", "", "lowest reading", "V"),
        Figure("highest", "", "highest reading", "V"),
        Figure("mean", "", "mean of the readings", "V"),
        Figure("inside", "", "share of readings in the band", "%"),
    ),
    work=_mains_log,
    sources=("en-50160",),
    example={"readings": "228 226 221 214 209 206 208 217 224 227"},
    hazards=("mains-voltage",),
)

CALCULATIONS = (MAINS_BAND, MAINS_LOG)
