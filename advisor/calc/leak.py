"""Compressed air that leaks: from the fall of pressure in a shut-off receiver."""

from __future__ import annotations

from typing import Any

from uncertainties import umath

from advisor.calc.air import ATMOSPHERE, REFERENCE
from advisor.calc.base import (
    CalcError,
    Calculation,
    Figure,
    Given,
    Input,
    Limit,
    Worked,
    deviation,
    nominal,
    put,
)
from advisor.calc.means import near

__all__ = [
    "CALCULATIONS",
    "DELIVERY",
    "SHARE",
    "VOLUME",
    "WELL_KEPT",
    "judged",
    "leak_at",
    "leak_flow",
    "not_negative",
    "pressure_at_first_temperature",
]

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


def not_negative(number: Any) -> Any:
    """A leak below nothing is nothing, with the doubt it had."""
    return number if nominal(number) >= 0 else number - nominal(number)


def judged(share: Any, leak: Any) -> str:
    """What a leak means, by its share of the delivery in %."""
    if share is None:
        return "Give the compressor's delivery too, then it can be judged."
    if nominal(leak) <= 0:
        return "Nothing is lost that these readings could show."
    if near(share, high=10.0):
        return "Too near a tenth of the delivery to tell: let it fall for longer, on a finer gauge."
    if nominal(share) < 10:
        return "Tight enough: under a tenth of the delivery."
    return "Find it with soapy water, mend it and test again."


WELL_KEPT = Limit("share", "under 10 % of the delivery", high=10.0, source="doe-tip-3")


def _leak_decay(g: Given) -> Worked:
    warm, cold = g["start_temperature"], g["end_temperature"]
    if (warm is None) != (cold is None):
        lone, other = ("start-temperature", "end-temperature")[:: 1 if warm is None else -1]
        raise CalcError(lone.replace("-", "_"), f"{lone} is missing: give both temperatures, or leave {other} out too")
    if warm is None and nominal(g["end"]) > nominal(g["start"]):
        raise CalcError(
            "end",
            f"end: {g.put('end')} is above the start of {g.put('start')}; the pump must be off and p2 the later one (if it got warmer, give both temperatures)",
        )
    p1, p2 = g["start"] + ATMOSPHERE, g["end"] + ATMOSPHERE
    lines, symbol, end = [], "p2", g.put("end")
    if warm is not None:
        p2 = pressure_at_first_temperature(p2, warm, cold)
        symbol, end = "pc", put(p2 - ATMOSPHERE, "MPa")
        if nominal(p2 - p1) > 3 * deviation(p2 - p1):
            raise CalcError(
                "end",
                f"end: even at the first temperature it is {end}, above the start of {g.put('start')}; the pump must be off and p2 the later one",
            )
        lines.append(f"at the first temperature: pc = (p2 + pa) T1 / T2 - pa = {end}")
    mean = leak_flow(g["volume"], p1, p2, g["time"])
    fall = p1 * (1 - umath.exp(umath.log(p2 / p1) * 10 / g["time"]))
    lines.append(
        f"Q = V (p1 - {symbol}) / (p0 t) = {g.put('volume')} x ({g.put('start')} - {end}) / ({put(REFERENCE, 'MPa')} x {g.put('time')}) = {put(mean, 'L/min', 3)}"
    )
    if abs(nominal(g["time"]) - 10) > 0.05:
        lines.append(f"in ten minutes: p1 (1 - ({symbol} / p1)^(10 min / t)), absolute, = {put(fall, 'MPa', 3)}")
    leak = mean
    if g["working"] is not None:
        leak = leak_at(g["working"] + ATMOSPHERE, g["volume"], p1, p2, g["time"])
        lines.append(
            f"at {g.put('working')}: Q = V p ln(p1 / {symbol}) / (p0 t), all absolute, = {put(leak, 'L/min', 3)}"
        )
    wide = nominal(p2) < WIDE * nominal(p1) and g["working"] is None
    figures = {k: not_negative(v) for k, v in {"leak": leak, "fall": fall}.items()}
    if wide:
        figures["begin"] = leak_at(p1, g["volume"], p1, p2, g["time"])
    limits: tuple[Limit, ...] = ()
    if g["delivery"] is not None:
        figures["share"] = 100 * figures["leak"] / g["delivery"]
        lines.append(
            f"share = Q / FAD = {put(figures['leak'], 'L/min', 3)} / {g.put('delivery')} = {put(figures['share'], '%', 3)}"
        )
        limits = (WELL_KEPT,)
    says = [judged(figures.get("share"), figures["leak"])]
    if wide:
        says.insert(0, "A large fall: more was lost at the start. Give the working pressure too.")
    elif nominal(g["end"]) < CHOKED and nominal(g["end"]) < nominal(g["start"]):
        says.insert(
            0, f"Below {put(CHOKED, 'MPa', 1)} a leak slows down more than reckoned here: stop the test sooner."
        )
    return Worked(figures, tuple(lines), limits, says=tuple(says))


VOLUME = Input("volume", "V", "volume of receiver and line", "L", 0.5, 5000, percent=5)
DELIVERY = Input("delivery", "FAD", "free air delivery of the compressor", "L/min", 5, 5000, percent=10, optional=True)
SHARE = Figure("share", "", "share of the delivery", "%")

LEAK_DECAY = Calculation(
    id="leak-decay",
    title="Leak rate from the fall of pressure in the shut-off receiver",
    subject="air",
    answers="How much air do receiver and line lose with the compressor off and nothing drawing?",
    inputs=(
        VOLUME,
        Input("start", "p1", "gauge pressure at the start", "MPa", 0.05, 1.6, instrument="line-gauge"),
        Input("end", "p2", "gauge pressure at the end", "MPa", 0.0, 1.6, instrument="line-gauge"),
        Input("time", "t", "time between the two readings", "min", 0.2, 1440, instrument="stopwatch"),
        DELIVERY,
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
        SHARE,
        Figure("fall", "", "fall of pressure in ten minutes", "MPa"),
        Figure("begin", "", "leak rate at the start", "L/min"),
    ),
    work=_leak_decay,
    sources=("navy-mo-209", "ufc-4-390-01", "doe-tip-3"),
    example={"volume": "24 L", "start": "0.80 MPa", "end": "0.76 MPa", "time": "10 min", "delivery": "50 L/min"},
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
    figures = {"extra": not_negative(extra)}
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
        DELIVERY,
    ),
    figures=(
        Figure("extra", "", "extra fall in ten minutes", "MPa"),
        Figure("leak", "Q", "leak rate of that part", "L/min"),
        SHARE,
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

CALCULATIONS = (LEAK_DECAY, LEAK_PART)
