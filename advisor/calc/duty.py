"""Run times of the compressor: what leaks while nothing draws, what work draws, what the pump delivers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from uncertainties import ufloat

from advisor.calc.air import REFERENCE, draw_down_time, usable_air
from advisor.calc.base import CalcError, Calculation, Figure, Given, Input, Limit, Worked, nominal, put
from advisor.calc.lifetimes import student
from advisor.calc.means import near

__all__ = ["CALCULATIONS", "run_share"]

TEN_MINUTES = 600.0  # s


def run_share(on: Sequence[Any], off: Sequence[Any]) -> Any:
    """Share of the time in % a compressor runs: 100 T / (T + t), T and t the sums of its times on and off, cycle by
    cycle. From two cycles on their scatter about the common share is part of the doubt: standard error of a ratio
    s / (c sqrt(n)), s the standard deviation of T - r (T + t), c the mean cycle, widened for few cycles (JCGM 100, G.3).

    ValueError unless there are as many times on as off. Source: US DOE / Compressed Air Challenge, leak share.

    >>> round(run_share([30.0], [150.0]), 2)
    16.67
    """
    if len(on) != len(off) or not on:
        raise ValueError("as many times on as off are needed")
    count = len(on)
    whole = sum(on) + sum(off)
    ratio = sum(on) / whole
    if count > 1:
        r = nominal(ratio)
        left = [nominal(a) - r * (nominal(a) + nominal(b)) for a, b in zip(on, off, strict=True)]
        s = math.sqrt(sum(d * d for d in left) / (count - 1))
        error = s * math.sqrt(count) / nominal(whole)
        if error > 1e-12:
            ratio = ratio + ufloat(0.0, error * student(count - 1), "scatter of the cycles")
    return 100 * ratio


def _share(g: Given) -> tuple[Any, list[str]]:
    on, off = g["on"], g["off"]
    if len(on) != len(off):
        raise CalcError("off", f"off: {len(off)} times off for {len(on)} times on; type one of each for every cycle")
    share = run_share(on, off)
    run, rest = sum(on), sum(off)
    lines = [
        f"share = 100 T / (T + t) = 100 x {put(run, 's')} / ({put(run, 's')} + {put(rest, 's')}) = {put(share, '%', 3)}"
    ]
    if len(on) > 1:
        each = [100 * nominal(a) / (nominal(a) + nominal(b)) for a, b in zip(on, off, strict=True)]
        lines.append(
            f"cycle by cycle: {', '.join(put(x, digits=3) for x in each[:10])}{' ...' if len(on) > 10 else ''} %"
        )
    return share, lines


def _few(g: Given) -> tuple[str, ...]:
    return ("One cycle says little: time three or more.",) if len(g["on"]) < 2 else ()


def _leak(g: Given) -> Worked:
    share, lines = _share(g)
    figures = {"share": share, "ten": share / 100 * TEN_MINUTES}
    if g["delivery"] is not None:
        figures["leak"] = share / 100 * g["delivery"]
        lines.append(
            f"Q = share x FAD = {put(share, '%', 3)} x {g.put('delivery')} = {put(figures['leak'], 'L/min', 3)}"
        )
    value = nominal(share)
    if near(share, high=10.0):
        first = "Too near a tenth to tell: time more cycles, nothing drawing."
    elif value < 10:
        first = "Well kept. A little seal air of the mill may be in it."
    elif value < 20:
        first = "More than a well-kept line loses: go round with soapy water. Shut the mill's valve and time again."
    else:
        first = "A large leak: mend it before the compressor is judged. Shut users one by one and time again."
    limit = Limit("share", "under 10 % of the delivery", high=10.0, source="doe-tip-3")
    return Worked(figures, tuple(lines), (limit,), says=(first, *_few(g)))


def _work(g: Given) -> Worked:
    share, lines = _share(g)
    figures = {"share": share, "ten": share / 100 * TEN_MINUTES}
    if g["delivery"] is not None:
        figures["drawn"] = share / 100 * g["delivery"]
        lines.append(
            f"Q = share x FAD = {put(share, '%', 3)} x {g.put('delivery')} = {put(figures['drawn'], 'L/min', 3)}"
        )
    if near(share, high=nominal(g["allowed"])):
        first = (
            f"It rests {put(100 - nominal(share), '%', 2)} of the time, too near what it may to tell: time more cycles."
        )
    elif nominal(share) < nominal(g["allowed"]):
        first = f"It rests {put(100 - nominal(share), '%', 2)} of the time: enough for this work."
    else:
        first = "It rests too little. Time it with nothing drawing (leak-duty): what runs then is the leak."
    limit = Limit("share", f"run time at most {g.put('allowed')}", high=nominal(g["allowed"]))
    return Worked(figures, tuple(lines), (limit,), says=(first, *_few(g)))


_INPUTS = (
    Input("on", "T", "times it ran, one of each cycle", "s", 0.5, 36000, instrument="stopwatch", several=(1, 40)),
    Input("off", "t", "times it rested after each", "s", 0.5, 86400, instrument="stopwatch", several=(1, 40)),
)
_DELIVERY = Input(
    "delivery", "FAD", "free air delivery of the compressor", "L/min", 5, 20000, percent=10, optional=True
)
_TEN = Figure("ten", "", "run time in ten minutes", "s")

LEAK_DUTY = Calculation(
    id="leak-duty",
    title="Leak share from the run times of the compressor with nothing drawing",
    subject="air",
    answers="What share of the compressor's delivery leaks away?",
    inputs=(*_INPUTS, _DELIVERY),
    figures=(
        Figure("share", "", "leak, share of the delivery", "%"),
        Figure("leak", "Q", "leak rate, free air", "L/min"),
        _TEN,
    ),
    work=_leak,
    sources=("doe-duty", "doe-tip-3"),
    example={"on": "31 29 33 30 s", "off": "152 147 158 149 s", "delivery": "60 L/min"},
    hazards=("noise",),
)

WORK_DUTY = Calculation(
    id="work-duty",
    title="Run time of the compressor while work goes on",
    subject="air",
    answers="Does the compressor get its rests while the mills cut, and how much is drawn?",
    inputs=(
        *_INPUTS,
        _DELIVERY,
        Input("allowed", "D", "run time the compressor may have", "%", 20, 100, default="65 %"),
    ),
    figures=(
        Figure("share", "", "run time", "%"),
        Figure("drawn", "Q", "air drawn, leaks included", "L/min"),
        _TEN,
    ),
    work=_work,
    sources=("doe-duty", "common-practice"),
    example={"on": "95 102 98 s", "off": "61 58 64 s", "delivery": "90 L/min"},
    hazards=("noise",),
)


def _pump_up(g: Given) -> Worked:
    start, end = g["start"], g["end"]
    if nominal(end) - nominal(start) < 0.01:
        raise CalcError(
            "end", f"end: {g.put('end')} is not above the start of {g.put('start')}; type the pressure after filling"
        )
    net = g["delivery"] - (g["leak"] if g["leak"] is not None else 0.0)
    if nominal(net) <= 0:
        raise CalcError(
            "leak", f"leak: {g.put('leak')} is no less than the delivery of {g.put('delivery')}; mend it first"
        )
    expected = draw_down_time(g["volume"], end, start, net)
    pumped = usable_air(g["volume"], end, start) / g["time"] + (g["leak"] if g["leak"] is not None else 0.0)
    share = 100 * g["time"] / expected
    rate = f"({g.put('delivery')} - {g.put('leak')})" if g["leak"] is not None else g.put("delivery")
    lines = (
        f"time as new = V (p2 - p1) / (p0 FAD) = {g.put('volume')} x {put(end - start, 'MPa', 3)} / ({put(REFERENCE, 'MPa')} x {rate}) = {put(expected, 'min', 3)}",
        f"share = t / time as new = {g.put('time', 3)} / {put(expected, 'min', 3)} = {put(share, '%', 3)}",
    )
    says: tuple[str, ...]
    if near(share, high=125.0):
        says = ("Too near to tell: clean the intake filter, fill from a lower pressure and time it again.",)
    elif nominal(share) < 125:
        says = ("It pumps what its plate says, as far as this can tell.",)
    else:
        says = ("It gives too little: look at the intake filter first, then have valves and rings seen to.",)
    if g["leak"] is None and nominal(share) >= 125:
        says = (*says, "Rule out a leak (leak-decay) before you blame the pump.")
    limits = (Limit("share", "at most a quarter longer than new", high=125.0),)
    return Worked({"share": share, "delivery": pumped, "expected": expected}, lines, limits, says=says)


PUMP_UP = Calculation(
    id="pump-up",
    title="Delivery of the compressor from the time it takes to fill the receiver",
    subject="air",
    answers="Does the pump still deliver what its plate says?",
    inputs=(
        Input("volume", "V", "volume of the receiver", "L", 0.5, 5000, percent=5),
        Input("start", "p1", "gauge pressure at the start", "MPa", 0.0, 1.5, instrument="line-gauge"),
        Input("end", "p2", "gauge pressure at the end", "MPa", 0.02, 1.6, instrument="line-gauge"),
        Input("time", "t", "time it took, nothing drawing", "min", 0.05, 240, instrument="stopwatch"),
        Input("delivery", "FAD", "free air delivery on its plate", "L/min", 5, 20000, percent=10, source="iso-1217"),
        Input("leak", "Q", "leak rate, if it was measured", "L/min", 0.0, 5000, percent=20, optional=True),
    ),
    figures=(
        Figure("share", "", "time as a share of that when new", "%"),
        Figure("delivery", "", "free air it really delivers", "L/min"),
        Figure("expected", "", "time it should take", "min"),
    ),
    work=_pump_up,
    sources=("doe-suite", "iso-1217", "common-practice"),
    example={
        "volume": "24 L",
        "start": "0.55 MPa",
        "end": "0.80 MPa",
        "time": "95 s",
        "delivery": "60 L/min",
    },
    hazards=("hot-compressor", "noise"),
)

CALCULATIONS = (LEAK_DUTY, WORK_DUTY, PUMP_UP)
