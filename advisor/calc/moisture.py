"""Water in compressed air: dew point under pressure, and where and how much falls out of the line."""

from __future__ import annotations

from typing import Any

from uncertainties import wrap

from advisor.calc.air import ATMOSPHERE
from advisor.calc.base import CalcError, Calculation, Figure, Given, Input, Limit, Worked, deviation, nominal, put
from advisor.calc.means import near

__all__ = ["CALCULATIONS", "dew_point", "saturation", "water_content"]

FREE_DENSITY = 1.189  # kg/m3 of dry air at 1 bar and 20 degC
MEGA = 1e6  # Pa in a MPa


def _saturation(celsius: float) -> float:
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    return float(psychrolib.GetSatVapPres(celsius)) / MEGA


def _dew_point(vapour: float) -> float:
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    return float(psychrolib.GetTDewPointFromVapPres(100.0, vapour * MEGA))


def saturation(celsius: Any) -> Any:
    """Vapour pressure of water in MPa at `celsius` degC, over ice below freezing (ASHRAE, as in psychrolib).

    >>> round(saturation(20.0) * 1e4, 2)  # hPa
    23.39
    """
    return wrap(_saturation)(celsius)


def dew_point(vapour: Any) -> Any:
    """Temperature in degC at which air with this vapour pressure (MPa) is saturated; frost point below freezing.

    The dew point under another total pressure follows by scaling the vapour pressure with it (Dalton). Real air at 0.7 MPa
    shifts that by about 0.3 K, well under the error of a meter.

    >>> round(dew_point(saturation(3.0) * 0.101325 / 0.801325), 1)  # 3 degC at 0.7 MPa, let out into the room
    -20.8
    """
    return wrap(_dew_point)(vapour)


def water_content(vapour: Any, pressure: Any) -> Any:
    """Gram of water that go with a kilogram of dry air at this vapour pressure and absolute pressure, both in MPa."""
    return 621.945 * vapour / (pressure - vapour)


def _least(first: Any, second: Any) -> Any:
    return first if nominal(first) <= nominal(second) else second


def _falls_out(before: Any, after: Any, flow: Any) -> Any:
    """mL/h of water that drop out of `flow` L/min of free air when its content goes from `before` to `after` g/kg."""
    if nominal(before) <= nominal(after):
        return 0.0
    return (before - after) * FREE_DENSITY * flow * 60 / 1000


def _room_air(g: Given, pressure: Any) -> tuple[Any, Any, Any, list[str]]:
    """Vapour pressure in the line from the room's air; water content of the room's air and behind the receiver."""
    needed = ("room_temperature", "humidity", "store_temperature")
    missing = [key.replace("_", "-") for key in needed if g[key] is None]
    if missing:
        raise CalcError(
            "dew",
            f"dew: give the meter's reading, or else {', '.join(missing)} too, to work it out from the room's air",
        )
    store = pressure if g["store_pressure"] is None else g["store_pressure"] + ATMOSPHERE
    if nominal(store) < nominal(pressure) - 3 * deviation(store - pressure):
        raise CalcError(
            "store_pressure",
            f"store-pressure: {g.put('store_pressure')} is below the line's {g.put('pressure')}; type the receiver's gauge pressure",
        )
    room = g["humidity"] / 100 * saturation(g["room_temperature"])
    squeezed = room * store / ATMOSPHERE
    kept = _least(squeezed, saturation(g["store_temperature"]))
    content = water_content(room, ATMOSPHERE)
    out = max(100 * (1 - nominal(water_content(kept, store)) / nominal(content)), 0.0)
    lines = [
        f"room air holds {put(nominal(room) * MEGA, 'Pa', 3)} of vapour, squeezed {put(nominal(squeezed) * MEGA, 'Pa', 3)}; "
        f"at {g.put('store_temperature')} it keeps {put(nominal(kept) * MEGA, 'Pa', 3)}: {out:.0f} % of the water falls out there"
    ]
    return kept * pressure / store, content, water_content(kept, store), lines


def _dew_line(g: Given) -> Worked:
    pressure = g["pressure"] + ATMOSPHERE
    figures: dict[str, Any] = {}
    lines: list[str] = []
    drained = None
    if g["dew"] is not None:
        vapour, dew = saturation(g["dew"]), g["dew"]
    else:
        vapour, content, kept, lines = _room_air(g, pressure)
        dew = dew_point(vapour)
        if g["flow"] is not None:
            drained = _falls_out(content, kept, g["flow"])
    coldest = g["coldest"]
    margin = coldest - dew
    lines.append(
        f"margin = coldest point - pressure dew point = {put(coldest, digits=3)} - {put(dew, digits=3)} = {put(margin, 'K', 3)}"
    )
    holds = saturation(coldest)
    figures["margin"] = margin
    figures["dew"] = dew
    figures["humidity"] = 100 * vapour / holds if nominal(vapour) < nominal(holds) else 100.0
    if g["flow"] is not None:
        figures["water"] = _falls_out(water_content(vapour, pressure), water_content(holds, pressure), g["flow"])
    if drained is not None:
        figures["drained"] = drained
    says = _dry_says(margin, g["dew"] is not None)
    limits = (
        Limit("margin", "over 0 K, no water falls out", low=0.0, source="ashrae-psychro"),
        Limit("margin", "10 K in reserve, as for instrument air", low=10.0, source="isa-7-0-01"),
    )
    return Worked(figures, tuple(lines), limits, says=says)


def _dry_says(margin: Any, measured: bool) -> tuple[str, ...]:
    if near(margin, low=0.0):
        first = "Too near to tell: open the lowest drain and look, then dry the air further."
    elif nominal(margin) < 0:
        first = "Water falls out: drain receiver and bowl, then dry the air below that point."
    elif nominal(margin) < 10:
        first = "Dry now, but a colder day brings water: dry the air further."
    else:
        first = "No water falls out now: water found there came in while it was damper."
    second = () if measured else ("It holds only if receiver or dryer drain all that falls out.",)
    return (first, *second)


DEW_POINT_LINE = Calculation(
    id="dew-point-line",
    title="Will water fall out in the air line?",
    subject="air",
    answers="Is the pressure dew point far enough below the coldest point of the line, and how much water falls out?",
    inputs=(
        Input(
            "dew", "td", "pressure dew point by the meter", "degC", -80, 60, instrument="dew-point-meter", optional=True
        ),
        Input(
            "room_temperature",
            "tr",
            "or: temperature of the room",
            "degC",
            -10,
            50,
            instrument="thermometer",
            optional=True,
        ),
        Input("humidity", "RH", "and: humidity of the room", "%", 5, 100, instrument="hygrometer", optional=True),
        Input(
            "store_temperature",
            "ts",
            "and: coldest in receiver or dryer",
            "degC",
            1,
            60,
            instrument="thermometer",
            optional=True,
        ),
        Input("store_pressure", "ps", "gauge pressure there", "MPa", 0.05, 1.6, instrument="line-gauge", optional=True),
        Input("pressure", "p", "gauge pressure in the line", "MPa", 0.05, 1.6, instrument="line-gauge"),
        Input("coldest", "tc", "coldest point of the line", "degC", -30, 60, instrument="thermometer"),
        Input("flow", "Q", "air drawn, free air", "L/min", 1, 5000, percent=10, optional=True),
    ),
    figures=(
        Figure("margin", "", "coldest point above the dew point", "K"),
        Figure("dew", "td", "pressure dew point in the line", "degC"),
        Figure("humidity", "", "relative humidity at that point", "%"),
        Figure("water", "", "water falling out in the line", "mL/h"),
        Figure("drained", "", "water before that, to be drained", "mL/h"),
    ),
    work=_dew_line,
    sources=("ashrae-psychro", "isa-7-0-01"),
    example={
        "room_temperature": "24 degC",
        "humidity": "55 %",
        "store_temperature": "22 degC",
        "store_pressure": "0.80 MPa",
        "pressure": "0.62 MPa",
        "coldest": "16 degC",
        "flow": "80 L/min",
    },
    hazards=("pressurised-air",),
)

CALCULATIONS = (DEW_POINT_LINE,)
