"""Flow of air that a fitting or coupling of known conductance lets through."""

from __future__ import annotations

from typing import Any

from uncertainties import umath

from advisor.calc.air import ATMOSPHERE
from advisor.calc.base import CalcError, Calculation, Figure, Given, Input, Limit, Worked, deviation, nominal, put

__all__ = ["CALCULATIONS", "choked", "fitting_flow", "fitting_outlet"]

LINEAR = 0.999  # above this ratio the curve is taken as straight, so that its slope stays finite


def _kelvin(celsius: Any) -> Any:
    return celsius + 273.15


def _subsonic(ratio: Any, b: Any) -> Any:
    return umath.sqrt(1 - ((ratio - b) / (1 - b)) ** 2)


def choked(inlet: Any, outlet: Any, b: Any) -> bool:
    """True when the air in the fitting runs at the speed of sound: p2/p1 <= b, both absolute."""
    return nominal(outlet) / nominal(inlet) <= nominal(b)


def fitting_flow(conductance: Any, b: Any, inlet: Any, outlet: Any, temperature: Any = 20.0) -> Any:
    """Flow through a fitting, L/min of free air (ISO 8778), after ISO 6358:
    q = C p1 sqrt(T0/T1) when p2/p1 <= b, else that times sqrt(1 - ((p2/p1 - b)/(1 - b))^2).

    `conductance` C in L/(s bar), pressures absolute in MPa with outlet <= inlet, temperature of the air in degC.

    >>> round(fitting_flow(1.0, 0.3, 0.7, 0.6) / 60, 4)  # L/s
    4.2378
    """
    sonic = 60 * conductance * inlet * 10 * umath.sqrt(293.15 / _kelvin(temperature))
    if choked(inlet, outlet, b):
        return sonic
    ratio = outlet / inlet
    if nominal(ratio) <= LINEAR:
        return sonic * _subsonic(ratio, b)
    return sonic * _subsonic(LINEAR, b) * (1 - ratio) / (1 - LINEAR)


def fitting_outlet(conductance: Any, b: Any, inlet: Any, flow: Any, temperature: Any = 20.0) -> Any:
    """Absolute pressure in MPa behind a fitting that passes `flow` L/min: ISO 6358 solved for p2. None when it cannot
    pass that much.

    >>> round(fitting_outlet(1.0, 0.3, 0.7, 254.27), 3)
    0.6
    """
    part = flow / (60 * conductance * inlet * 10 * umath.sqrt(293.15 / _kelvin(temperature)))
    if nominal(part) >= 1:
        return None
    straight = _subsonic(LINEAR, b)
    if nominal(part) < nominal(straight):
        return inlet * (1 - (1 - LINEAR) * part / straight)
    return inlet * (b + (1 - b) * umath.sqrt(1 - part**2))


def _fitting(g: Given) -> Worked:
    conductance, b, warm, demand = g["conductance"], g["ratio"], g["temperature"], g["demand"]
    p1, p2 = g["inlet"] + ATMOSPHERE, g["outlet_needed"] + ATMOSPHERE
    if nominal(p2) > nominal(p1):
        raise CalcError(
            "outlet_needed",
            f"outlet-needed: {g.put('outlet_needed')} is more than the {g.put('inlet')} ahead of it; air flows only downhill, type a lower one",
        )
    flow = fitting_flow(conductance, b, p1, p2, warm)
    sonic = choked(p1, p2, b)
    share = nominal(p2) / nominal(p1)
    lines = [
        f"p2/p1 = {put(p2, digits=3)} / {put(p1, 'MPa', 3)} absolute = {share:.3f}, b = {put(b, digits=3)}: "
        + (
            "choked, q = C p1 sqrt(T0/T1)"
            if sonic
            else "not choked, q = C p1 sqrt(T0/T1) sqrt(1 - ((p2/p1 - b)/(1 - b))^2)"
        )
        + f" = {put(flow / 60, 'L/s', 3)}"
    ]
    figures: dict[str, Any] = {"flow": flow}
    says: list[str] = []
    limits: tuple[Limit, ...] = ()
    if demand is not None:
        figures["reserve"] = flow - demand
        limits = (Limit("reserve", "passes the demand and keeps the outlet needed", low=0.0, source="physics"),)
        left = fitting_outlet(conductance, b, p1, demand, warm)
        if left is None:
            lines.append(f"At {g.put('demand')} it is choked: it never passes that at this inlet pressure.")
            says.append("The fitting is too small at any outlet pressure: fit one with a larger C.")
        elif nominal(left) <= ATMOSPHERE:
            lines.append(f"At {g.put('demand')} less than room pressure would be left behind it.")
            says.append("The fitting is too small: fit one with a larger C.")
        else:
            figures["outlet"] = left - ATMOSPHERE
            says.append(_verdict(figures["reserve"]))
    if sonic:
        says.append("Choked: less pressure behind it brings no more air, only more pressure ahead does.")
    return Worked(figures, tuple(lines), limits, says=tuple(says[:2]))


def _verdict(reserve: Any) -> str:
    if abs(nominal(reserve)) < 1.64 * deviation(reserve):
        return "Too near to tell: read both sides with one and the same gauge while the mill cuts."
    if nominal(reserve) > 0:
        return "It is wide enough: look for the loss elsewhere."
    return "It takes too much pressure at this flow: fit one with a larger C, or two side by side."


FITTING_FLOW = Calculation(
    id="fitting-flow",
    title="Flow through a fitting or coupling of known conductance",
    subject="air",
    answers="How much air does a coupling or fitting let through, is it choked, and what pressure is left behind it?",
    inputs=(
        Input(
            "conductance", "C", "sonic conductance, its papers", "L/(s.bar)", 0.01, 100, percent=5, source="iso-6358"
        ),
        Input(
            "ratio",
            "b",
            "critical pressure ratio, its papers",
            low=0.0,
            high=0.6,
            percent=15,
            default="0.3",
            source="iso-6358",
        ),
        Input("inlet", "p1", "gauge pressure ahead of it", "MPa", 0.01, 1.6, instrument="line-gauge"),
        Input(
            "outlet_needed",
            "p2",
            "gauge pressure needed behind it",
            "MPa",
            0.0,
            1.6,
            profile="inlet_pressure",
            default="0.6 MPa",
        ),
        Input("demand", "Q", "air the mill draws while it cuts", "L/min", 1, 5000, percent=10, optional=True),
        Input(
            "temperature", "T1", "temperature of the air", "degC", -20, 80, instrument="thermometer", default="20 degC"
        ),
    ),
    figures=(
        Figure("flow", "q", "most it passes, free air", "L/min"),
        Figure("reserve", "", "more than the mill draws", "L/min"),
        Figure("outlet", "", "gauge pressure left at the demand", "MPa"),
    ),
    work=_fitting,
    sources=("iso-6358", "physics"),
    example={
        "conductance": "0.9",
        "ratio": "0.25",
        "inlet": "0.66 MPa",
        "outlet_needed": "0.60 MPa",
        "demand": "120 L/min",
    },
)

CALCULATIONS = (FITTING_FLOW,)
