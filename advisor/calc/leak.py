"""Compressed air that leaks: from the fall of pressure in a shut-off receiver."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from uncertainties import ufloat, umath

from advisor.calc.air import ATMOSPHERE, REFERENCE
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
from advisor.calc.lifetimes import student

__all__ = ["CALCULATIONS", "decay_flows", "decay_line", "leak_at", "leak_flow", "pressure_at_first_temperature"]

ZERO_CELSIUS = 273.15
CHOKED = ATMOSPHERE / 0.528 - ATMOSPHERE  # MPa gauge: above it air leaves a hole at the speed of sound
WIDE = 0.9  # below this ratio of absolute pressures the leak was clearly smaller at the end


def leak_flow(volume: Any, start: Any, end: Any, time: Any, reference: float = REFERENCE) -> Any:
    """Free air lost from a vessel, mean over the fall: Q = V (p1 - p2) / (p0 t), isothermal ideal gas.

    `start`, `end` and `reference` in one unit of pressure (all gauge or all absolute for the first two), `volume` and
    `time` in any units; the result is volume per time. Source: US Navy leak test (NAVFAC MO-209, ch. 5).

    >>> round(leak_flow(24.0, 0.80, 0.76, 10.0), 3)  # L, MPa, MPa, min -> L/min
    0.96
    """
    return volume * (start - end) / (reference * time)


def leak_at(pressure: Any, volume: Any, start: Any, end: Any, time: Any, reference: float = REFERENCE) -> Any:
    """Free air lost at `pressure`, from a fall from `start` to `end`; all pressures absolute.

    Through a choked hole Q = k p, so V dp/dt = -p0 k p and p falls exponentially: k = V ln(p1/p2) / (p0 t). For a small
    fall this is `leak_flow`, for a large one it does not take the small leak at the end for that at work.

    >>> round(leak_at(0.9, 24.0, 0.9, 0.6, 10.0), 3)  # the mean over the fall is 7.2
    8.758
    """
    return volume * pressure * umath.log(start / end) / (reference * time)


def pressure_at_first_temperature(pressure: Any, first: Any, now: Any) -> Any:
    """Absolute pressure the vessel would show at its `first` temperature instead of that of `now` (degC): p T1 / T2.

    Source: US Unified Facilities Criteria 4-390-01.

    >>> round(pressure_at_first_temperature(0.9, 35.0, 25.0), 4)  # cooled by 10 K
    0.9302
    """
    return pressure * (first + ZERO_CELSIUS) / (now + ZERO_CELSIUS)


def decay_flows(
    times: Sequence[Any], pressures: Sequence[Any], volume: Any, reference: float = REFERENCE
) -> list[tuple[Any, Any]]:
    """(pressure in the middle, free air lost) of each step of a falling pressure. Times must rise. Source: US Navy leak
    test (NAVFAC MO-209, ch. 5)."""
    steps = zip(times, times[1:], pressures, pressures[1:], strict=False)
    return [((p1 + p2) / 2, leak_flow(volume, p1, p2, t2 - t1, reference)) for t1, t2, p1, p2 in steps]


def decay_line(flows: Sequence[tuple[Any, Any]]) -> tuple[Any, Any]:
    """Slope a and height b of the least-squares line Q = a p + b through (p, Q). ValueError when all p are the same.

    >>> decay_line([(85.0, 40.0), (55.0, 22.0), (25.0, 4.0)])
    (0.6, -11.0)
    """
    count = len(flows)
    middle, level = sum(p for p, _ in flows) / count, sum(q for _, q in flows) / count
    wide = sum((p - middle) ** 2 for p, _ in flows)
    if nominal(wide) <= 0:
        raise ValueError("one pressure only")
    slope = sum((p - middle) * (q - level) for p, q in flows) / wide
    return slope, level - slope * middle


def _not_negative(number: Any) -> Any:
    """A leak below nothing is nothing, with the doubt it had."""
    return number if nominal(number) >= 0 else number - nominal(number)


def _judged(share: Any, leak: Any) -> str:
    if share is None:
        return "Give the compressor's delivery too, then it can be judged."
    if nominal(leak) <= 0:
        return "Nothing is lost that these readings could show."
    if nominal(share) < 10:
        return "Tight enough: a tenth of the delivery can be reached by most lines."
    return "Find it with soapy water at joints, couplings and drains, mend it, and test again."


WELL_KEPT = Limit("share", "under 10 % of the delivery", high=10.0, source="doe-tip-3")


def _leak_decay(g: Given) -> Worked:
    if nominal(g["end"]) > nominal(g["start"]):
        raise CalcError(
            "end",
            f"end: {g.put('end')} is above the start of {g.put('start')}; the pump must be off and p2 the later one",
        )
    warm, cold = g["start_temperature"], g["end_temperature"]
    if (warm is None) != (cold is None):
        lone, other = ("start-temperature", "end-temperature")[:: 1 if warm is None else -1]
        raise CalcError(lone.replace("-", "_"), f"{lone} is missing: give both temperatures, or leave {other} out too")
    p1, p2 = g["start"] + ATMOSPHERE, g["end"] + ATMOSPHERE
    lines, symbol, end = [], "p2", g.put("end")
    if warm is not None:
        p2 = pressure_at_first_temperature(p2, warm, cold)
        symbol, end = "pc", put(p2 - ATMOSPHERE, "MPa")
        lines.append(f"at the first temperature: pc = (p2 + pa) T1 / T2 - pa = {end}")
    mean = leak_flow(g["volume"], p1, p2, g["time"])
    fall = p1 * (1 - umath.exp(umath.log(p2 / p1) * 10 / g["time"]))
    lines.append(
        f"Q = V (p1 - {symbol}) / (p0 t) = {g.put('volume')} x {put(p1 - p2, 'MPa', 3)} / ({put(REFERENCE, 'MPa')} x {g.put('time')}) = {put(mean, 'L/min', 3)}"
    )
    leak = mean
    if g["working"] is not None:
        leak = leak_at(g["working"] + ATMOSPHERE, g["volume"], p1, p2, g["time"])
        lines.append(
            f"at {g.put('working')}: Q = V p ln(p1 / {symbol}) / (p0 t), all absolute, = {put(leak, 'L/min', 3)}"
        )
    wide = nominal(p2) < WIDE * nominal(p1) and g["working"] is None
    figures = {k: _not_negative(v) for k, v in {"leak": leak, "fall": fall}.items()}
    if wide:
        figures["begin"] = leak_at(p1, g["volume"], p1, p2, g["time"])
    limits: tuple[Limit, ...] = ()
    if g["delivery"] is not None:
        figures["share"] = 100 * figures["leak"] / g["delivery"]
        lines.append(
            f"share = Q / FAD = {put(figures['leak'], 'L/min', 3)} / {g.put('delivery')} = {put(figures['share'], '%', 3)}"
        )
        limits = (WELL_KEPT,)
    says = [_judged(figures.get("share"), figures["leak"])]
    if wide:
        says.insert(
            0, "A large fall: Q is its mean, more was lost at the start. Give the working pressure, or stop sooner."
        )
    elif nominal(g["end"]) < CHOKED and nominal(g["end"]) < nominal(g["start"]):
        says.insert(
            0, f"Below {put(CHOKED, 'MPa', 1)} a leak slows down more than reckoned here: stop the test sooner."
        )
    return Worked(figures, tuple(lines), limits, says=tuple(says))


_VOLUME = Input("volume", "V", "volume of receiver and line", "L", 0.5, 5000, percent=5)
_DELIVERY = Input("delivery", "FAD", "free air delivery of the compressor", "L/min", 5, 5000, percent=10, optional=True)
_SHARE = Figure("share", "", "share of the delivery", "%")

LEAK_DECAY = Calculation(
    id="leak-decay",
    title="Leak rate from the fall of pressure in the shut-off receiver",
    subject="air",
    answers="How much air do receiver and line lose with the compressor off and nothing drawing?",
    inputs=(
        _VOLUME,
        Input("start", "p1", "gauge pressure at the start", "MPa", 0.05, 1.6, instrument="line-gauge"),
        Input("end", "p2", "gauge pressure at the end", "MPa", 0.0, 1.6, instrument="line-gauge"),
        Input("time", "t", "time between the two readings", "min", 0.2, 1440, instrument="stopwatch"),
        _DELIVERY,
        Input(
            "start_temperature",
            "T1",
            "air in the receiver at the start",
            "degC",
            -10,
            80,
            instrument="thermometer",
            optional=True,
        ),
        Input(
            "end_temperature",
            "T2",
            "air in the receiver at the end",
            "degC",
            -10,
            80,
            instrument="thermometer",
            optional=True,
        ),
        Input("working", "pw", "working gauge pressure to state it at", "MPa", 0.1, 1.6, optional=True),
    ),
    figures=(
        Figure("leak", "Q", "leak rate, free air", "L/min"),
        _SHARE,
        Figure("fall", "", "fall of pressure in ten minutes", "MPa"),
        Figure("begin", "", "leak rate at the start", "L/min"),
    ),
    work=_leak_decay,
    sources=("navy-mo-209", "ufc-4-390-01", "doe-tip-3"),
    example={"volume": "24 L", "start": "0.80 MPa", "end": "0.76 MPa", "time": "10 min", "delivery": "50 L/min"},
)


def _line_doubt(flows: Sequence[tuple[Any, Any]], slope: Any, height: Any, at: float) -> Any:
    """Scatter of the points about the line beyond that of the readings, as a doubt of its height at pressure `at`,
    widened for few points (NIST/SEMATECH e-Handbook 4.5.2; JCGM 100, G.3)."""
    count = len(flows)
    left = [q - slope * p - height for p, q in flows]
    extra = sum(nominal(r) ** 2 - deviation(r) ** 2 for r in left) / (count - 2)
    middle = sum(nominal(p) for p, _ in flows) / count
    wide = sum((nominal(p) - middle) ** 2 for p, _ in flows)
    if extra <= 0:
        return 0.0
    u = math.sqrt(extra * (1 / count + (at - middle) ** 2 / wide)) * student(count - 2)
    return ufloat(0.0, u, "points off the line")


def _leak_log(g: Given) -> Worked:
    rows = g["readings"]
    for place, (one, two) in enumerate(zip(rows, rows[1:], strict=False), 2):
        if nominal(two["time"]) <= nominal(one["time"]):
            raise CalcError(
                "readings",
                f"readings, line {place}: {put(two['time'], 'min')} is not after {put(one['time'], 'min')}; count on from the first reading",
            )
        if nominal(two["pressure"]) > nominal(one["pressure"]):
            raise CalcError(
                "readings",
                f"readings, line {place}: the pressure rises to {put(two['pressure'], 'MPa')}; pump off, nothing drawing, leave out readings taken too soon",
            )
    flows = decay_flows([r["time"] for r in rows], [r["pressure"] for r in rows], g["volume"])
    working = g["working"] if g["working"] is not None else nominal(rows[0]["pressure"])
    tested = [nominal(r["pressure"]) for r in rows]
    if max(tested) - min(tested) < 1e-9:
        raise CalcError("readings", "readings: the pressure did not fall; go on until it has, or it is tight")
    if len({round(nominal(p), 9) for p, _ in flows}) < 2:
        raise CalcError(
            "readings", "readings: the middle pressures are all the same; go on until it has fallen further"
        )
    slope, height = decay_line(flows)
    at = nominal(working)
    leak = slope * working + height + _line_doubt(flows, slope, height, at)
    lost = [(nominal(p), nominal(q)) for p, q in flows]
    a, b = nominal(slope), nominal(height)
    lines = [
        "at the middle pressures: "
        + ", ".join(f"{p:.3f} MPa {put(q, 'L/min', 3)}" for p, q in lost[:5])
        + (", ..." if len(lost) > 5 else ""),
        f"line Q = a p + b: a = {put(a, digits=4)}, b = {put(b, digits=4)} (L/min, MPa); at {put(working, 'MPa')} Q = {put(leak, 'L/min', 3)}",
    ]
    figures = {"leak": _not_negative(leak)}
    limits: tuple[Limit, ...] = ()
    if g["delivery"] is not None:
        figures["share"] = 100 * figures["leak"] / g["delivery"]
        limits = (WELL_KEPT,)
    says = [_judged(figures.get("share"), figures["leak"])]
    span = max(tested) - min(tested)
    if at > max(tested) + span / 2 or at < min(tested) - span / 2:
        says.insert(0, "The working pressure lies far outside the readings: start the test nearer to it.")
    elif a > 0 and nominal(closes := -height / slope) - 2 * deviation(closes) > 0:
        says.append(
            f"By this line the leak ends at {put(closes, 'MPa', 2)}: a seal or valve that closes, not a mere hole."
        )
    low, high = min(p for p, _ in lost), max(*(p for p, _ in lost), at)
    plot = Plot(
        "Leak rate against pressure",
        "gauge pressure [MPa]",
        "leak rate [L/min]",
        (
            Curve("from the readings", [p for p, _ in lost], [q for _, q in lost], "dots"),
            Curve("line", [low, high], [a * low + b, a * high + b]),
            Curve("working pressure", [at], [nominal(figures["leak"])], "dots"),
        ),
    )
    return Worked(figures, tuple(lines), limits, says=tuple(says), plot=plot)


LEAK_DECAY_LOG = Calculation(
    id="leak-decay-log",
    title="Leak rate at the working pressure from a list of falling pressures",
    subject="air",
    answers="How much is lost at the working pressure, and does the leak close at a lower one?",
    inputs=(
        _VOLUME,
        Input(
            "readings",
            "",
            "times and pressures, pump off",
            several=(4, 60),
            columns=(
                Input("time", "", "time since the first", "min", 0, 20000, instrument="stopwatch"),
                Input("pressure", "", "gauge pressure", "MPa", 0.0, 1.6, instrument="line-gauge"),
            ),
        ),
        Input("working", "pw", "working gauge pressure to state it at", "MPa", 0.05, 1.6, optional=True),
        _DELIVERY,
    ),
    figures=(Figure("leak", "Q", "leak rate at working pressure", "L/min"), _SHARE),
    work=_leak_log,
    sources=("navy-mo-209", "nist-handbook", "doe-tip-3"),
    example={
        "volume": "60 L",
        "readings": [
            "0 | 0.80 MPa",
            "5 min | 0.70 MPa",
            "10.5 min | 0.60 MPa",
            "17 min | 0.50 MPa",
            "25 min | 0.40 MPa",
        ],
        "working": "0.75 MPa",
        "delivery": "60 L/min",
    },
)


def _part(g: Given) -> Worked:
    rates = {}
    for how in ("shut", "open"):
        if nominal(g[f"{how}_end"]) > nominal(g[f"{how}_start"]):
            raise CalcError(
                f"{how}_end",
                f"{how}-end: {g.put(f'{how}_end')} is above the start of {g.put(f'{how}_start')}; the pump must be off",
            )
        rates[how] = (g[f"{how}_start"] - g[f"{how}_end"]) / g[f"{how}_time"]
    extra = 10 * (rates["open"] - rates["shut"])
    figures = {"extra": _not_negative(extra)}
    lines = [
        f"open: {put(10 * rates['open'], 'MPa', 3)} in ten minutes, shut: {put(10 * rates['shut'], 'MPa', 3)}, extra = {put(extra, 'MPa', 3)}"
    ]
    limits: tuple[Limit, ...] = ()
    if g["volume"] is not None:
        figures["leak"] = leak_flow(g["volume"], figures["extra"], 0.0, 10.0)
        lines.append(
            f"Q = V dp / (p0 t) = {g.put('volume')} x {put(figures['extra'], 'MPa', 3)} / ({put(REFERENCE, 'MPa')} x 10 min) = {put(figures['leak'], 'L/min', 3)}"
        )
        if g["delivery"] is not None:
            figures["share"] = 100 * figures["leak"] / g["delivery"]
            limits = (WELL_KEPT,)
    unsure = nominal(extra) <= 2 * deviation(extra)
    says = (
        "These readings cannot show a leak behind this valve."
        if unsure
        else "The part behind this valve loses air. Some mills always let a little seal air flow: see its papers.",
    )
    return Worked(figures, tuple(lines), limits, says=says)


def _decay_inputs(how: str, mark: str) -> tuple[Input, ...]:
    return (
        Input(
            f"{how}_start",
            f"p1{mark}",
            f"valve {how}: pressure at the start",
            "MPa",
            0.05,
            1.6,
            instrument="line-gauge",
        ),
        Input(f"{how}_end", f"p2{mark}", f"valve {how}: pressure at the end", "MPa", 0.0, 1.6, instrument="line-gauge"),
        Input(f"{how}_time", f"t{mark}", f"valve {how}: time between", "min", 0.2, 1440, instrument="stopwatch"),
    )


LEAK_PART = Calculation(
    id="leak-part",
    title="Leak of one part from the fall with its valve shut and open",
    subject="air",
    answers="How much does the mill (or another part behind a valve) lose while it stands idle?",
    inputs=(
        *_decay_inputs("shut", "s"),
        *_decay_inputs("open", "o"),
        Input("volume", "V", "volume of receiver and line", "L", 0.5, 5000, percent=5, optional=True),
        _DELIVERY,
    ),
    figures=(
        Figure("extra", "", "extra fall in ten minutes", "MPa"),
        Figure("leak", "Q", "leak rate of that part", "L/min"),
        _SHARE,
    ),
    work=_part,
    sources=("navy-mo-209", "doe-tip-3"),
    example={
        "shut_start": "0.80 MPa",
        "shut_end": "0.79 MPa",
        "shut_time": "10 min",
        "open_start": "0.80 MPa",
        "open_end": "0.66 MPa",
        "open_time": "10 min",
        "volume": "24 L",
        "delivery": "50 L/min",
    },
)

CALCULATIONS = (LEAK_DECAY, LEAK_DECAY_LOG, LEAK_PART)
