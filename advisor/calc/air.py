"""Compressed air supply: what the users need against what the compressor gives, how long the receiver bridges a lack."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import NormalDist
from typing import Any

from advisor.calc.base import (
    CalcError,
    Calculation,
    Curve,
    Figure,
    Given,
    Input,
    Limit,
    Plot,
    Worked,
    deviation,
    nominal,
    put,
)
from advisor.calc.means import near

__all__ = [
    "ATMOSPHERE",
    "CALCULATIONS",
    "REFERENCE",
    "draw_down_time",
    "mean_demand",
    "peak_demand",
    "receiver_volume",
    "usable_air",
]

ATMOSPHERE = 0.101325  # MPa, ISO 2533 at sea level
REFERENCE = 0.1  # MPa: free air is stated at 1 bar and 20 degC (ISO 1217, ISO 8778)
DAY = 1440.0  # min: a receiver that lasts so long never runs down


def usable_air(volume: Any, start: Any, end: Any, reference: float = REFERENCE) -> Any:
    """Free air a vessel gives while it falls from `start` to `end`: V (p1 - p2) / p0, isothermal ideal gas.

    Both pressures gauge or both absolute, `reference` absolute in the same unit; the result is in the unit of `volume`.
    Source: receiver formulas of the US DOE / ORNL open-source calculation suite.

    >>> round(usable_air(24.0, 0.80, 0.60), 3)
    48.0
    """
    return volume * (start - end) / reference


def draw_down_time(volume: Any, start: Any, end: Any, net: Any, reference: float = REFERENCE) -> Any:
    """Time in which a vessel falls from `start` to `end` when `net` free air (demand less delivery) leaves it:
    t = V (p1 - p2) / (p0 Qnet). A rise: exchange the pressures, `net` is what is pumped in. ValueError unless net > 0.

    >>> round(draw_down_time(24.0, 8.0, 6.0, 50.0, 1.013) * 60, 2)  # L, bar, L/min -> s
    56.86
    """
    if nominal(net) <= 0:
        raise ValueError("nothing leaves the vessel")
    return usable_air(volume, start, end, reference) / net


def receiver_volume(time: Any, net: Any, start: Any, end: Any, reference: float = REFERENCE) -> Any:
    """Volume of a receiver that bridges a lack of `net` free air for `time`: V = t Qnet p0 / (p1 - p2).

    In the unit of `net` times `time`. ValueError unless start > end. Source: as `usable_air`.

    >>> round(receiver_volume(0.5, 100.0, 110.0, 100.0, 14.7), 2)  # min, ft3/min, psi -> ft3
    73.5
    """
    if nominal(start) <= nominal(end):
        raise ValueError("the pressure has to fall")
    return time * net * reference / (start - end)


def mean_demand(users: Sequence[Mapping[str, Any]]) -> Any:
    """Mean free air all users take together: sum of flow while drawing times share of the time (`share` in %)."""
    return sum(row["flow"] * row["share"] / 100 for row in users)


def peak_demand(users: Sequence[Mapping[str, Any]]) -> Any:
    """Free air taken when all users draw at once."""
    return sum(row["flow"] for row in users if nominal(row["share"]) > 0)


def _demand(g: Given) -> Worked:
    delivery, allowed = g["delivery"], g["allowed"]
    leak = delivery * g["leak"] / 100
    rows = [{**r, "share": 100.0} if nominal(r["share"]) >= 100 else r for r in g["users"]]  # always: no guess
    users, peak = mean_demand(rows), peak_demand(rows) + leak
    mean = users + leak
    figures = {
        "duty": 100 * users / delivery + g["leak"],
        "mean": mean,
        "peak": peak,
        "spare": allowed / 100 * delivery - mean,
        "needed": mean / (allowed / 100),
    }
    parts = " + ".join(f"{put(r['flow'], digits=3)} x {put(r['share'], '%', 3)}" for r in g["users"][:4])
    more = " + ..." if len(g["users"]) > 4 else ""
    lines = (
        f"mean = {parts}{more} + leaks {put(leak, 'L/min', 3)} = {put(mean, 'L/min')}",
        f"duty = mean / FAD = {put(mean, 'L/min')} / {g.put('delivery')} = {put(figures['duty'], '%', 3)}",
    )
    duty = nominal(figures["duty"])
    if duty > 100:
        first = f"Too small: it would fall short by {put(mean - delivery, 'L/min', 2)} even without a rest. First mend leaks and use air in turn."
    elif near(figures["duty"], high=nominal(allowed)):
        first = "Too near what it may run to tell: time it while work goes on (work-duty)."
    elif duty > nominal(allowed):
        first = f"It keeps up, but runs more than it may: mend leaks, use air in turn, or get {put(figures['needed'], 'L/min', 2)} of delivery."
    else:
        first = f"Enough: it rests {put(100 - duty, '%', 2)} of the time."
    if nominal(peak) > nominal(delivery):
        second = f"All at once draw {put(peak / delivery, digits=2)} times the delivery: the receiver has to bridge it (receiver-hold)."
    else:
        second = "Even all at once draw less than the delivery."
    limit = Limit("duty", f"run time at most {g.put('allowed')}", high=nominal(allowed))
    return Worked(figures, lines, (limit,), says=(first, second))


AIR_DEMAND = Calculation(
    id="air-demand",
    title="Demand of all users against what the compressor delivers",
    subject="air",
    answers="Is the compressor big enough for everything on its line, with rests left over?",
    inputs=(
        Input(
            "users",
            "",
            "mills and other users",
            several=(1, 30),
            columns=(
                Input("name", "", "name"),
                Input("flow", "", "air while drawing", "L/min", 0.1, 5000, percent=10),
                Input("share", "", "share of the time", "%", 0, 100, percent=15, default="100 %"),
            ),
        ),
        Input("delivery", "FAD", "free air delivery on its plate", "L/min", 5, 20000, percent=10, source="iso-1217"),
        Input("leak", "L", "leaks, share of the delivery", "%", 0, 90, percent=50, default="10 %", source="doe-tip-3"),
        Input("allowed", "D", "run time the compressor may have", "%", 20, 100, default="65 %"),
    ),
    figures=(
        Figure("duty", "", "run time it needs", "%"),
        Figure("mean", "", "mean demand with leaks", "L/min"),
        Figure("peak", "", "peak demand, all at once", "L/min"),
        Figure("spare", "", "left over within its run time", "L/min"),
        Figure("needed", "", "delivery that would be needed", "L/min"),
    ),
    work=_demand,
    sources=("iso-1217", "doe-tip-3", "common-practice"),
    example={
        "users": ["mill A | 50 L/min | 60 %", "mill B | 50 L/min | 40 %", "blaster | 80 L/min | 10 %"],
        "delivery": "130 L/min",
    },
)


def _hold(g: Given) -> Worked:
    volume, full, start, lowest = g["volume"], g["cut_out"], g["cut_in"], g["lowest"]
    demand, delivery = g["demand"], g["delivery"]
    if nominal(full) <= nominal(start):
        raise CalcError(
            "cut_in", f"cut-in: {g.put('cut_in')} is not below the cut-out of {g.put('cut_out')}; type the lower one"
        )
    if nominal(lowest) >= nominal(full):
        raise CalcError(
            "lowest",
            f"lowest: {g.put('lowest')} is not below the cut-out of {g.put('cut_out')}; type a pressure below it",
        )
    net = demand - delivery
    late = nominal(start) <= nominal(lowest)
    turn = lowest if late else start
    off = draw_down_time(volume, full, turn, demand)
    recovery = draw_down_time(volume, full, start, delivery)
    lines = [f"off until {put(turn, 'MPa')}: V dp / (p0 Q) = {put(off, 'min', 3)}"]
    running: Any = None
    if not late and nominal(net) > nominal(usable_air(volume, start, lowest)) / DAY:
        running = draw_down_time(volume, start, lowest, net)
        lines.append(
            f"then running to {g.put('lowest')}: V dp / (p0 (Q - FAD)) = {g.put('volume')} x {put(start - lowest, 'MPa', 3)} / "
            f"({put(REFERENCE, 'MPa')} x {put(net, 'L/min', 3)}) = {put(running, 'min', 3)}"
        )
    lines.append(f"pump-up, nothing drawing: V dp / (p0 FAD) = {put(recovery, 'min', 3)}")
    figures = {"recovery": recovery}
    if late:
        figures = {"hold": off, **figures}
    elif running is not None:
        figures = {"hold": off + running, "off": off, "running": running, **figures}
        if g["bridge"] is not None:
            figures["needed"] = receiver_volume(g["bridge"], net, start, lowest)
    else:
        figures = {**figures, "off": off}
    hold = nominal(figures["hold"]) if "hold" in figures else None
    return Worked(figures, tuple(lines), says=_hold_says(g, late, hold), plot=_hold_plot(g, off, figures.get("hold")))


def _hold_says(g: Given, late: bool, hold: float | None) -> tuple[str, ...]:
    net = g["demand"] - g["delivery"]
    if late:
        return (
            f"The compressor starts only at {g.put('cut_in')}, when the mill is short already: have the switch set above {g.put('lowest')}.",
        )
    says: tuple[str, ...] = (
        f"The pressure never falls below the cut-in: the delivery covers {put(100 * g['delivery'] / g['demand'], '%', 3)} of the demand.",
    )
    u = deviation(net)
    holds = NormalDist(nominal(net), u).cdf(0) if u > 0 else float(nominal(net) <= 0)
    if hold is None:
        if holds <= 0.95:
            says = (*says, f"The doubt of the figures leaves a chance of {1 - holds:.0%} that it falls after all.")
        return says
    says = (f"A draw longer than {put(hold, 'min', 2)} is cut short, and sooner when it begins near the cut-in.",)
    if holds >= 0.05:
        worst = usable_air(g["volume"], g["cut_in"], g["lowest"]) / (nominal(net) + 2 * u)
        says = (*says, f"It may never fall ({holds:.0%}), or last only {put(worst, 'min', 2)} from the cut-in.")
    return says


def _hold_plot(g: Given, off: Any, hold: Any) -> Plot:
    volume, delivery = nominal(g["volume"]), nominal(g["delivery"])
    full, start, lowest = nominal(g["cut_out"]), nominal(g["cut_in"]), nominal(g["lowest"])
    if hold is None:  # falls to the cut-in and climbs again
        turn, bottom = nominal(off), start
        x, y = [0.0, turn], [full, start]
        if delivery > nominal(g["demand"]):
            back = nominal(draw_down_time(volume, full, start, delivery - nominal(g["demand"])))
            part = min(1.0, 20 * (turn + 1e-9) / back)
            x, y = [*x, turn + part * back], [*y, start + part * (full - start)]
    else:
        turn, bottom = nominal(hold), lowest
        x, y = [0.0, nominal(off), turn], [full, max(start, lowest), lowest]
    climb = draw_down_time(volume, full, bottom, delivery)
    return Plot(
        "Pressure in the receiver",
        "time [min]",
        "gauge pressure [MPa]",
        (
            Curve("air is drawn", x, y),
            Curve("filling, nothing drawn", [turn, turn + climb], [bottom, full]),
        ),
        (("lowest usable", lowest), ("cut-in", start)),
    )


RECEIVER_HOLD = Calculation(
    id="receiver-hold",
    title="How long the receiver bridges a demand above the delivery",
    subject="air",
    answers="How long does the receiver last when more is drawn than the compressor gives, and how soon is it full again?",
    inputs=(
        Input("volume", "V", "volume of receiver and line", "L", 0.5, 5000, percent=5),
        Input("cut_out", "p1", "gauge pressure where the motor stops", "MPa", 0.1, 1.6, instrument="line-gauge"),
        Input("cut_in", "p2", "gauge pressure where it starts", "MPa", 0.05, 1.6, instrument="line-gauge"),
        Input(
            "lowest",
            "p3",
            "lowest gauge pressure that will do",
            "MPa",
            0.0,
            1.5,
            default="0.6 MPa",
            profile="inlet_pressure",
        ),
        Input("demand", "Q", "air drawn, free air", "L/min", 1, 20000, percent=15),
        Input("delivery", "FAD", "free air delivery of the compressor", "L/min", 5, 20000, percent=10),
        Input("bridge", "tb", "time that has to be bridged", "min", 0.05, 600, optional=True),
    ),
    figures=(
        Figure("hold", "", "full receiver lasts", "min"),
        Figure("off", "", "until the compressor starts", "min"),
        Figure("running", "", "from then to the lowest pressure", "min"),
        Figure("recovery", "", "pump-up from cut-in to cut-out", "min"),
        Figure("needed", "V", "receiver needed, begun at cut-in", "L"),
    ),
    work=_hold,
    sources=("doe-suite",),
    example={
        "volume": "24 L",
        "cut_out": "0.80 MPa",
        "cut_in": "0.70 MPa",
        "lowest": "0.62 MPa",
        "demand": "90 L/min",
        "delivery": "60 L/min",
        "bridge": "5 min",
    },
    hazards=("hot-compressor", "noise"),
)


CALCULATIONS = (AIR_DEMAND, RECEIVER_HOLD)
