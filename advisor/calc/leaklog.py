"""Leak at the working pressure from a list of times and pressures, with a straight line through the leak rates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from uncertainties import ufloat

from advisor.calc.air import REFERENCE
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
from advisor.calc.leak import DELIVERY, SHARE, VOLUME, WELL_KEPT, judged, leak_flow, not_negative
from advisor.calc.lifetimes import student

__all__ = ["CALCULATIONS", "decay_flows", "decay_line"]

SHORTEST = 0.05  # min between two readings
LEAST = 0.005  # MPa: a smaller fall cannot be read


def decay_flows(
    times: Sequence[Any], pressures: Sequence[Any], volume: Any, reference: float = REFERENCE
) -> list[tuple[Any, Any]]:
    """(pressure in the middle, free air lost) of each step of a falling pressure. Times must rise. Source: US Navy leak
    test (NAVFAC MO-209, ch. 5)."""
    steps = pairwise(zip(times, pressures, strict=True))
    return [((p1 + p2) / 2, leak_flow(volume, p1, p2, t2 - t1, reference)) for (t1, p1), (t2, p2) in steps]


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
    for place, (one, two) in enumerate(pairwise(rows), 2):
        if nominal(two["time"]) - nominal(one["time"]) < SHORTEST:
            raise CalcError(
                "readings",
                f"readings, line {place}: {put(two['time'], 'min')} is not after {put(one['time'], 'min')} by {put(SHORTEST, 'min')} or more; count on from the first reading",
            )
        if nominal(two["pressure"]) > nominal(one["pressure"]):
            raise CalcError(
                "readings",
                f"readings, line {place}: the pressure rises to {put(two['pressure'], 'MPa')}; pump off, nothing drawing, leave out readings taken too soon",
            )
    flows = decay_flows([r["time"] for r in rows], [r["pressure"] for r in rows], g["volume"])
    working = g["working"] if g["working"] is not None else nominal(rows[0]["pressure"])
    tested = [nominal(r["pressure"]) for r in rows]
    if max(tested) - min(tested) < LEAST:
        raise CalcError(
            "readings",
            f"readings: it fell by less than {put(LEAST, 'MPa')}; go on until it has fallen more, or it is tight",
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
    figures = {"leak": not_negative(leak)}
    limits: tuple[Limit, ...] = ()
    if g["delivery"] is not None:
        figures["share"] = 100 * figures["leak"] / g["delivery"]
        limits = (WELL_KEPT,)
    says = [judged(figures.get("share"), figures["leak"])]
    span = max(tested) - min(tested)
    if at > max(tested) + span / 2 or at < min(tested) - span / 2:
        says.insert(0, "The working pressure lies far outside the readings: start the test nearer to it.")
    elif a > 0.01 and nominal(closes := -height / slope) - 2 * deviation(closes) > 0:
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
        VOLUME,
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
        DELIVERY,
    ),
    figures=(Figure("leak", "Q", "leak rate at working pressure", "L/min"), SHARE),
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


CALCULATIONS = (LEAK_DECAY_LOG,)
