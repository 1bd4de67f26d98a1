"""Compressed air that is lost: leak rate from the fall of pressure in a shut-off receiver, and from pump-up times."""

from __future__ import annotations

from typing import Any

from advisor.calc.base import Calculation, Figure, Given, Input, Limit, Worked, put

__all__ = ["ATMOSPHERE", "CALCULATIONS", "leak_flow"]

ATMOSPHERE = 0.101325  # MPa, ISO 2533 at sea level
REFERENCE = 0.1  # MPa: free air is stated at 1 bar and 20 degC (ISO 1217, ISO 8778)


def leak_flow(volume: Any, start: Any, end: Any, time: Any, reference: float = REFERENCE) -> Any:
    """Free air lost from a vessel: Q = V (p1 - p2) / (p0 t), isothermal ideal gas.

    `start`, `end` and `reference` in one unit of pressure (all gauge or all absolute for the first two), `volume` and
    `time` in any units; the result is volume per time. Source: US Navy leak test (NAVFAC MO-209, ch. 5).

    >>> round(leak_flow(24.0, 0.80, 0.76, 10.0), 3)  # L, MPa, MPa, min -> L/min
    0.96
    """
    return volume * (start - end) / (reference * time)


def _leak_decay(g: Given) -> Worked:
    flow = leak_flow(g["volume"], g["start"], g["end"], g["time"])
    lines = [
        f"Q = V (p1 - p2) / (p0 t) = {g.put('volume')} x ({g.put('start')} - {g.put('end')}) / ({put(REFERENCE, 'MPa')} x {g.put('time')}) = {put(flow, 'L/min', 3)}"
    ]
    figures = {"leak": flow}
    limits: tuple[Limit, ...] = ()
    says: tuple[str, ...] = ()
    if g["delivery"] is not None:
        figures["share"] = 100 * flow / g["delivery"]
        lines.append(
            f"share = Q / FAD = {put(flow, 'L/min', 3)} / {g.put('delivery')} = {put(figures['share'], '%', 3)}"
        )
        limits = (Limit("share", "under 10 % of the delivery", high=10.0, source="doe-tip-3"),)
    return Worked(figures, tuple(lines), limits, says=says)


LEAK_DECAY = Calculation(
    id="leak-decay",
    title="Leak rate from the fall of pressure in the shut-off receiver",
    subject="air",
    answers="How much air do receiver and line lose with the compressor off and nothing drawing?",
    inputs=(
        Input("volume", "V", "volume of receiver and line", "L", 0.5, 5000, percent=5),
        Input("start", "p1", "gauge pressure at the start", "MPa", 0.05, 1.6, instrument="line-gauge"),
        Input("end", "p2", "gauge pressure at the end", "MPa", 0.0, 1.6, instrument="line-gauge"),
        Input("time", "t", "time between the two readings", "min", 0.2, 1440, instrument="stopwatch"),
        Input("delivery", "FAD", "free air delivery of the compressor", "L/min", 5, 5000, percent=10, optional=True),
    ),
    figures=(Figure("leak", "Q", "leak rate, free air", "L/min"), Figure("share", "", "share of the delivery", "%")),
    work=_leak_decay,
    sources=("physics", "doe-tip-3"),
    example={"volume": "24 L", "start": "0.80 MPa", "end": "0.76 MPa", "time": "10 min", "delivery": "50 L/min"},
    hazards=(),
)

CALCULATIONS = (LEAK_DECAY,)
