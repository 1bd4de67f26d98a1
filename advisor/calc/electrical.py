"""The mill's power circuit: what hangs on it against breaker and stabiliser, and the voltage lost along its leads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from uncertainties import umath

from advisor.calc.base import CalcError, Calculation, Figure, Given, Input, Limit, Number, Worked, nominal, put
from advisor.calc.means import near

__all__ = ["CALCULATIONS", "RESISTIVITY", "Device", "apparent", "lead_drop", "next_size", "worst_start"]

ELECTRICIAN = "Circuit and breaker are for a licensed electrician; local codes go first."


@dataclass(frozen=True)
class Device:
    """A device on the circuit: `rated` VA, the share 0..1 of them it draws when all run together, and its start-up
    current as times the rated one."""

    name: str
    rated: Number
    share: Number
    start: Number

    @property
    def running(self) -> Number:
        """VA it draws while all run together."""
        return self.rated * self.share


def apparent(power: Number, factor: Number) -> Number:
    """Apparent power in VA of a device: S = P / PF, P in W.

    >>> round(apparent(600, 0.7))
    857
    """
    return power / factor


def worst_start(devices: Sequence[Device]) -> tuple[Number, Device]:
    """The largest VA for a moment, when one device starts while the rest run, and the device that starts."""
    running = [d.running for d in devices]
    peaks = [
        sum((r for j, r in enumerate(running) if j != i), start=device.start * device.rated)
        for i, device in enumerate(devices)
    ]
    worst = max(range(len(peaks)), key=lambda i: nominal(peaks[i]))
    return peaks[worst], devices[worst]


SIZES = (300, 500, 750, 1000, 1500, 2000, 3000, 4000, 5000, 7500, 10000, 15000, 20000, 30000)  # VA, usual labels


def next_size(needed: float) -> float | None:
    """The next usual label in VA; None beyond the largest.

    >>> next_size(1384)
    1500
    """
    return next((size for size in SIZES if size >= needed), None)


# Multiple of its rating at which a breaker surely does not trip at once (IEC 60898-1, from memory).
CURVES = {"b": 3.0, "c": 5.0, "d": 10.0}


def _devices(rows: Sequence[Mapping[str, Any]], voltage: Number) -> list[Device]:
    devices = []
    for place, row in enumerate(rows, 1):
        power, current = row["power"], row["current"]
        if (power is None) == (current is None):
            said = "give watts or amperes" if power is None else "give watts or amperes, not both"
            raise CalcError("devices", f"devices, line {place}: {said}; split with '|' and leave the other one empty")
        rated = apparent(power, row["factor"]) if current is None else voltage * current
        devices.append(Device(row["name"], rated, row["share"] / 100, row["start"]))
    return devices


def _mains_load(g: Given) -> Worked:
    devices = _devices(g["devices"], g["voltage"])
    total = sum(d.running for d in devices)
    if nominal(total) <= 0:
        raise CalcError("devices", "devices: all of them stand still; type the share in use of those that run, in %")
    current = total / g["voltage"]
    loading = 100 * current / g["rating"]
    peak, starter = worst_start(devices)
    steady = total * (1 + g["reserve"] / 100)
    brief = peak / g["overload"]
    starts = nominal(brief) > nominal(steady)
    stabiliser = brief if starts else steady
    ranked = sorted(devices, key=lambda d: -nominal(d.running))
    terms = ", ".join(f"{d.name} {put(d.running, digits=3)}" for d in ranked[:4])
    if len(ranked) > 4:
        terms += f", {len(ranked) - 4} more {put(sum(d.running for d in ranked[4:]), digits=3)}"
    lines = [
        f"S = sum of W / PF x share in use = {terms}: {put(total, 'VA')}",
        f"I = S / U = {put(total, digits=4)} / {g.put('voltage')} = {put(current, 'A', 3)} of {g.put('rating')}",
        f"{starter.name} starts, the rest runs: {put(peak, 'VA')}, {put(peak / g['voltage'], 'A', 3)}",
        f"stabiliser: S + {g.put('reserve')} = {put(steady, 'VA')}; start / {g.put('overload')} = {put(brief, 'VA')}",
    ]
    label = next_size(nominal(stabiliser))
    if label:
        lines[-1] += f"; next label {put(label, 'VA')}"
    inrush = peak / g["voltage"] / g["rating"]
    limits = [Limit("loading", "at most 80 % of the rating for long", high=80.0, source="common-practice")]
    figures = {"loading": loading, "running": total, "inrush": inrush, "stabiliser": stabiliser}
    if g["curve"]:
        bound = CURVES[g["curve"]]
        figures["start"] = 100 * inrush / bound
        limits.append(
            Limit("inrush", f"start under {bound:g} x, curve {g['curve'].upper()}", high=bound, source="iec-60898-1")
        )
    return Worked(
        figures,
        tuple(lines),
        tuple(limits),
        says=(_next_step(ranked, starter if starts else None, loading, g), ELECTRICIAN),
    )


def _next_step(ranked: Sequence[Device], starter: Device | None, loading: Number, g: Given) -> str:
    """What to do first: take the largest off, keep the one that starts off the stabiliser, or nothing."""
    largest = ranked[0]
    if nominal(loading) > 80 and not near(loading, high=80.0):
        if len(ranked) == 1:
            return f"{largest.name} alone is too much for this circuit: it needs a larger one."
        left = sum(d.running for d in ranked[1:]) / g["voltage"] / g["rating"] * 100
        return f"Move {largest.name} to another circuit first: {put(left, '%', 2)} would be left."
    if near(loading, high=80.0):
        return f"Too near the limit to tell: have the current measured, or move {largest.name} to another circuit."
    if starter and len(ranked) > 1:
        rest = [d for d in ranked if d is not starter]
        without = sum(d.running for d in rest) * (1 + g["reserve"] / 100)
        brief = worst_start(rest)[0] / g["overload"]
        need = max(nominal(without), nominal(brief))
        return f"Keep {starter.name} off the stabiliser: without it {put(need, 'VA', 3)} are enough."
    return "The circuit carries this; list every device that may run at the same time."


MAINS_LOAD = Calculation(
    id="mains-load",
    title="Load of the mill's power circuit, and the stabiliser it needs",
    subject="electrical",
    answers="Do all devices together suit the breaker, which start is worst, and how large must a stabiliser be?",
    inputs=(
        Input(
            "devices",
            "",
            "devices on the circuit",
            columns=(
                Input("name", "", "name"),
                Input("power", "P", "power, plate", "W", 1, 20000, percent=10, optional=True),
                Input("factor", "PF", "power factor", "1", 0.1, 1.0, percent=5, default="0.8"),
                Input("start", "", "start-up current, times rated", "1", 1, 15, percent=20, default="1"),
                Input("share", "", "share in use", "%", 0, 100, default="100"),
                Input("current", "I", "or current, plate", "A", 0.01, 100, percent=10, optional=True),
            ),
            several=(1, 30),
        ),
        Input("rating", "In", "rating of the circuit's breaker or fuse", "A", 1, 125),
        Input("voltage", "U", "mains voltage", "V", 90, 260, instrument="multimeter", default="230 V"),
        Input("reserve", "", "reserve of the stabiliser", "%", 0, 200, default="25 %"),
        Input("overload", "", "times its VA it bears for a start", "1", 1, 10, default="1"),
        Input("curve", "", "curve letter on the breaker", choices=tuple(CURVES), optional=True, source="iec-60898-1"),
    ),
    figures=(
        Figure("loading", "", "load of the circuit, of its rating", "%"),
        Figure("running", "S", "apparent power of all", "VA"),
        Figure("inrush", "", "worst start, times the rating"),
        Figure("start", "", "worst start, of what its letter holds", "%"),
        Figure("stabiliser", "", "smallest stabiliser or UPS", "VA"),
    ),
    work=_mains_load,
    sources=("common-practice", "iec-60898-1"),
    example={
        "devices": ["mill 600 0.7 2", "extractor 200 0.8 3", "compressor 1100 0.8 6"],
        "rating": "16 A",
        "curve": "b",
    },
    hazards=("mains-voltage",),
)


# --- voltage lost along the leads ------------------------------------------------------------------------------------

# Ohm mm2 / m: hot as IEC 60364-5-52 Annex G takes it (from memory), cold at 20 degC (common handbook values).
RESISTIVITY = {
    ("copper", "hot"): 0.0225,
    ("copper", "cold"): 0.0175,
    ("aluminium", "hot"): 0.036,
    ("aluminium", "cold"): 0.0282,
}
REACTANCE = 0.08e-3  # ohm / m of a core, IEC 60364-5-52 Annex G, from memory
AREAS = (0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0, 35.0, 50.0)  # mm2, usual cross-sections


def lead_drop(length: Number, area: Number, current: Number, factor: Number, resistivity: float) -> Number:
    """Volts lost on a single-phase lead, there and back: dU = 2 I L (rho / A cos phi + x sin phi).

    `length` in m, `area` in mm2, `current` in A, `factor` = cos phi, `resistivity` in ohm mm2 / m. First order in the
    drop: good to dU^2 / 2U. Source: IEC 60364-5-52 Annex G, from memory.

    >>> round(lead_drop(20, 1.5, 10, 1.0, RESISTIVITY["copper", "hot"]), 2)
    6.0
    """
    return 2 * current * length * (resistivity / area * factor + REACTANCE * _sine(factor))


def _sine(factor: Number) -> Number:
    return umath.sqrt(1 - factor**2) if nominal(factor) < 1 else 0.0


def _cable_drop(g: Given) -> Worked:
    rows, voltage = g["pieces"], g["voltage"]

    def lost(row: Mapping[str, Any], area: Number | None = None) -> Number:
        current = g["current"] if row["current"] is None else row["current"]
        resistivity = RESISTIVITY[row["metal"], g["state"]]
        return lead_drop(row["length"], row["area"] if area is None else area, current, g["factor"], resistivity)

    drops = [lost(row) for row in rows]
    drop = sum(drops)
    share = 100 * drop / voltage
    if nominal(share) >= 50:
        raise CalcError(
            "current",
            f"current: with it {put(nominal(share), '%', 3)} of the voltage would stay on the leads; check current, lengths in m and cross-sections in mm2",
        )
    most = max(range(len(rows)), key=lambda i: nominal(drops[i]))
    lines = ["dU = 2 I L (rho / A cos phi + x sin phi), there and back, for each piece:"]
    for i in sorted(sorted(range(len(rows)), key=lambda i: -nominal(drops[i]))[:4]):
        row, current = rows[i], g["current"] if rows[i]["current"] is None else rows[i]["current"]
        rho, ohms = RESISTIVITY[row["metal"], g["state"]], REACTANCE * _sine(g["factor"])
        lines.append(
            f"line {i + 1}: 2 x {put(current, 'A', 3)} x {put(row['length'], 'm', 3)} x ({rho:g} / {put(row['area'], digits=3)} x {put(g['factor'], digits=3)} + {put(ohms, digits=2)}) = {put(drops[i], 'V', 3)}"
        )
    rest = drop - drops[most]
    return Worked(
        {"drop": drop, "share": share, "left": voltage - drop},
        tuple(lines),
        (Limit("share", "at most 5 % (3 % for lighting)", high=5.0, source="iec-60364-5-52"),),
        says=(
            _wider(rows[most], most, nominal(rest), near(share, high=5.0) or nominal(share) >= 4, lost, len(rows)),
            ELECTRICIAN,
        ),
    )


def _wider(row: Mapping[str, Any], place: int, rest: float, much: bool, lost: Any, pieces: int) -> str:
    """What to change first, when the drop is above the limit or near it."""
    if not much:
        return "The leads are in order; roll extension leads out in full, a coil gets hot."
    where = f"Most is lost in line {place + 1}: " if pieces > 1 else ""
    area = next((a for a in AREAS if a > nominal(row["area"]) * 1.1), None)
    if area is None:
        return f"{where}shorten it, or take less current through it."
    return f"{where}with {put(area, 'mm2')} there {put(rest + nominal(lost(row, area)), 'V', 2)} would be lost in all. Leave out extension leads first."


CABLE_DROP = Calculation(
    id="cable-drop",
    title="Voltage lost along cable and extension leads",
    subject="electrical",
    answers="How many volts stay on the way to the mill, and is the lead too long or too thin?",
    inputs=(
        Input(
            "pieces",
            "",
            "cables and leads, one after the other",
            columns=(
                Input("length", "L", "length, one way", "m", 0.1, 500, percent=5),
                Input("area", "A", "cross-section", "mm2", 0.25, 240, percent=3),
                Input("metal", "", "metal", choices=("copper", "aluminium"), default="copper"),
                Input("current", "I", "current in it, if another", "A", 0.01, 200, percent=5, optional=True),
            ),
            several=(1, 12),
        ),
        Input("current", "I", "current, at a socket adapter", "A", 0.01, 200, instrument="clamp-meter"),
        Input("factor", "PF", "power factor (cos phi)", "1", 0.1, 1.0, default="1"),
        Input("state", "", "conductor", choices=("hot", "cold"), default="hot", source="iec-60364-5-52"),
        Input("voltage", "U", "mains voltage", "V", 90, 260, instrument="multimeter", default="230 V"),
    ),
    figures=(
        Figure("drop", "dU", "lost along the leads", "V"),
        Figure("share", "", "share of the mains voltage", "%"),
        Figure("left", "", "left at the end", "V"),
    ),
    work=_cable_drop,
    sources=("iec-60364-5-52",),
    example={"pieces": ["18 1.5 copper 12", "10 1"], "current": "8.5 A", "factor": "0.8"},
    hazards=("mains-voltage",),
)

CALCULATIONS = (MAINS_LOAD, CABLE_DROP)
