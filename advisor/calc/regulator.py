"""Droop of the pressure regulator under flow, apart from what its supply loses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from uncertainties import ufloat

from advisor.calc.base import (
    CalcError,
    Calculation,
    Class,
    Figure,
    Given,
    Input,
    Limit,
    Worked,
    deviation,
    nominal,
    put,
)

if TYPE_CHECKING:
    import numpy as np

__all__ = ["CALCULATIONS", "HEADROOM", "draws", "not_below_zero", "own_gauges", "regulator_split", "surely_above"]

HEADROOM = 0.05  # MPa a regulator wants on its inlet above what it gives; common practice
DROOP = 0.05  # MPa of droop that is no trouble; common practice
FIXED = ("line-gauge", "inlet-gauge")  # gauges that stay where they are: each place has one of its own
DRAWS, SEED = 4000, 6953


def _slopes(number: Any) -> Mapping[Any, float]:
    """How a number goes with each independent variable in it; nothing for an exact one."""
    slopes: Mapping[Any, float] = getattr(number, "derivatives", {})
    return slopes


def own_gauges(places: Mapping[str, Sequence[Any]]) -> dict[str, list[Any]]:
    """The readings of each place on a gauge of its own.

    Readings with the same kind of instrument are taken to share its error (one test gauge carried along the line). A
    gauge that is built in at each place shares it only among the readings of that place.
    """
    apart: dict[str, list[Any]] = {}
    for place, readings in places.items():
        copies: dict[Any, Any] = {}
        apart[place] = []
        for reading in readings:
            number: Any = nominal(reading)
            for variable, slope in _slopes(reading).items():
                if variable.tag in FIXED:
                    fresh = copies.setdefault(variable, ufloat(0.0, variable.std_dev, variable.tag))
                    number = number + slope * fresh
                else:
                    number = number + slope * (variable - variable.nominal_value)
            apart[place].append(number)
    return apart


def regulator_split(outlet_rest: Any, outlet_flow: Any, inlet_flow: Any) -> tuple[Any, Any]:
    """How much of the fall of a regulator's outlet comes from its supply, and how much is its own droop.

    A sound regulator gives what it was set to as long as its inlet is HEADROOM above that, else HEADROOM less than its
    inlet. What is missing to the setting is the supply's, the rest its own. All in one unit of pressure, MPa.

    >>> [round(part, 3) for part in regulator_split(0.60, 0.50, 0.80)]  # plenty ahead of it: all its own
    [0.0, 0.1]
    """
    fall = outlet_rest - outlet_flow
    gap = outlet_rest + HEADROOM - inlet_flow
    if nominal(fall) <= 0 or nominal(gap) <= 0:
        return 0.0, fall
    if nominal(gap) >= nominal(fall):
        return fall, fall - fall
    return gap, fall - gap


def not_below_zero(number: Any) -> Any:
    """A loss that came out below nothing is nothing, with its doubt."""
    return number if nominal(number) >= 0 else number - nominal(number)


def draws(places: Mapping[str, Sequence[Any]]) -> dict[str, tuple[np.ndarray, ...]]:
    """Possible true values of all readings: DRAWS draws, the same each time, with what readings have in common."""
    import numpy as np

    noise: dict[Any, np.ndarray] = {}
    random = np.random.default_rng(SEED)
    drawn: dict[str, tuple[np.ndarray, ...]] = {}
    for place, readings in places.items():
        values = []
        for reading in readings:
            value = np.full(DRAWS, nominal(reading))
            for variable, slope in _slopes(reading).items():
                if variable not in noise:
                    noise[variable] = random.standard_normal(DRAWS)
                value = value + slope * variable.std_dev * noise[variable]
            values.append(value)
        drawn[place] = tuple(values)
    return drawn


def surely_above(high: Any, low: Any) -> bool:
    gap = high - low
    return nominal(gap) > 3 * deviation(gap) + 1e-9


def _regulator_droop(g: Given) -> Worked:
    import numpy as np

    places = own_gauges({"outlet": [g["outlet_rest"], g["outlet_flow"]], "inlet": [g["inlet_rest"], g["inlet_flow"]]})
    (rest, flow), (before, inlet) = places["outlet"], places["inlet"]
    if surely_above(flow, rest):
        raise CalcError(
            "outlet_flow", "outlet-flow: it cannot be above outlet-rest; type the lower reading, taken in the cut"
        )
    if surely_above(rest, before):
        raise CalcError(
            "inlet_rest",
            "inlet-rest: it cannot be below outlet-rest; read it on the supply side, and look at the arrow",
        )
    supply, own = regulator_split(rest, flow, inlet)
    lines = [
        f"fall of the outlet = {put(rest, digits=3)} - {put(flow, digits=3)} = {put(rest - flow, 'MPa', 2)}",
        f"inlet in the cut = {put(inlet, 'MPa', 3)}, {put(inlet - rest, 'MPa', 2)} above the setting; a regulator wants {put(HEADROOM, 'MPa')}",
    ]
    if g["effect"] is not None and nominal(supply) == 0:
        hidden = g["effect"] / 100 * (before - inlet)
        own = own + hidden
        lines.append(
            f"hidden by the falling inlet: {g.put('effect')} of {put(before - inlet, 'MPa', 2)} = {put(hidden, 'MPa', 2)}"
        )
    lines.append(f"droop = fall{' + hidden' if len(lines) > 2 else ''} - supply's part = {put(own, 'MPa', 2)}")
    drawn = draws(places)
    (r, f), (_, i) = drawn["outlet"], drawn["inlet"]
    fall = np.maximum(r - f, 0.0)
    short = np.clip(r + HEADROOM - i, 0.0, fall)
    falls = fall > DROOP
    starved = falls & (short > fall - short)
    classes = {
        "sound": float(np.mean(~falls)),
        "regulator": float(np.mean(falls & ~starved)),
        "supply": float(np.mean(starved)),
    }
    says = {
        "sound": ("The regulator holds: look for the loss elsewhere on the line.",),
        "regulator": (
            "Read its papers' curve at the mill's flow: a droop like this there means it is too small.",
            "If the papers promise less, it is clogged or worn: clean its inlet strainer and seat, or replace it.",
        ),
        "supply": ("The supply falls too near to the setting: bring it up first, then read again.",),
    }[max(classes, key=lambda k: classes[k])]
    return Worked(
        {"droop": not_below_zero(own), "supply": supply},
        tuple(lines),
        (Limit("droop", f"under {put(DROOP, 'MPa')}", high=DROOP, source="common-practice"),),
        classes,
        says,
    )


REGULATOR_DROOP = Calculation(
    id="regulator-droop",
    title="Droop of the pressure regulator under flow",
    subject="air",
    answers="How far does the regulator give way when air flows, and is it the regulator or its supply?",
    inputs=(
        Input("outlet_rest", "p2s", "outlet at rest (the setting)", "MPa", 0.05, 1.6, instrument="line-gauge"),
        Input("outlet_flow", "p2", "outlet while the mill cuts", "MPa", 0.0, 1.6, instrument="line-gauge"),
        Input("inlet_rest", "p1s", "its inlet side at rest", "MPa", 0.05, 2.0, instrument="line-gauge"),
        Input("inlet_flow", "p1", "its inlet side while the mill cuts", "MPa", 0.0, 2.0, instrument="line-gauge"),
        Input(
            "effect",
            "e",
            "outlet rise per inlet fall, its papers",
            "%",
            0,
            20,
            percent=20,
            optional=True,
            source="iso-6953-1",
        ),
    ),
    figures=(
        Figure("droop", "", "droop of the regulator itself", "MPa"),
        Figure("supply", "", "part that is the supply's", "MPa"),
    ),
    work=_regulator_droop,
    sources=("iso-6953-1", "physics", "common-practice"),
    example={"outlet_rest": "0.64 MPa", "outlet_flow": "0.51 MPa", "inlet_rest": "0.80 MPa", "inlet_flow": "0.76 MPa"},
    classes=(
        Class("sound", "the regulator holds"),
        Class("regulator", "the regulator is too small, clogged or worn"),
        Class("supply", "its supply falls too low"),
    ),
    hazards=("pressurised-air",),
)

CALCULATIONS = (REGULATOR_DROOP,)
