"""Purity class of compressed air after ISO 8573-1, with the odds of the classes next to it."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import NormalDist
from typing import Any

from advisor.calc.base import CalcError, Calculation, Figure, Given, Input, Limit, Worked, deviation, nominal, put

__all__ = ["CALCULATIONS", "class_odds", "oil_class", "particle_class", "uncounted", "water_class"]

# ISO 8573-1:2010, as restated in OPC 40250-1 (2021): the highest value of each class. A value on the edge is in.
DEW_EDGES = ((1, -70.0), (2, -40.0), (3, -20.0), (4, 3.0), (5, 7.0), (6, 10.0))  # degC under pressure
LIQUID_EDGES = ((7, 0.5), (8, 5.0), (9, 10.0))  # g/m3
OIL_EDGES = ((1, 0.01), (2, 0.1), (3, 1.0), (4, 5.0))  # mg/m3
FINE_EDGES = ((1, 20e3), (2, 400e3))  # particles of 0.1 to 0.5 um in a cubic metre
MIDDLE_EDGES = ((1, 400.0), (2, 6e3), (3, 90e3))  # 0.5 to 1 um
COARSE_EDGES = ((1, 10.0), (2, 100.0), (3, 1e3), (4, 10e3), (5, 100e3))  # 1 to 5 um
MASS_EDGES = ((6, 5.0), (7, 10.0))  # mg/m3
BEYOND = 10  # stands for X, beyond the last class
Edges = Sequence[tuple[int, float]]


def class_odds(value: Any, edges: Edges, beyond: int = BEYOND) -> dict[int, float]:
    """Probability of each class for a value with its doubt (normal); a value on an edge belongs to the better class.

    >>> class_odds(3.0, DEW_EDGES)
    {4: 1.0}
    """
    middle, u = nominal(value), deviation(value)
    if u <= 0:
        return {next((c for c, edge in edges if middle <= edge), beyond): 1.0}
    below, odds = 0.0, {}
    for number, edge in edges:
        share = NormalDist(middle, u).cdf(edge)
        odds[number], below = share - below, share
    odds[beyond] = 1 - below
    return {c: p for c, p in odds.items() if p > 5e-4}


def _worse(first: dict[int, float], second: dict[int, float]) -> dict[int, float]:
    """Odds of the worse of two independent classes."""
    both: dict[int, float] = {}
    for a, p in first.items():
        for b, q in second.items():
            both[max(a, b)] = both.get(max(a, b), 0.0) + p * q
    return both


def water_class(dew: Any, liquid: Any = None) -> dict[int, float]:
    """Odds of the water class from the pressure dew point in degC (None when not measured) and liquid water in g/m3.

    Without liquid water measured, a dew point above +10 degC is class 7 at best, given as 7.

    >>> water_class(8.0), water_class(None, 0.7)
    ({6: 1.0}, {8: 1.0})
    """
    odds = {1: 1.0} if dew is None else class_odds(dew, DEW_EDGES, beyond=7)
    if liquid is None or (dew is not None and nominal(liquid) == 0):
        return odds
    return _worse(odds, class_odds(liquid, LIQUID_EDGES))


def oil_class(oil: Any) -> dict[int, float]:
    """Odds of the oil class from the total oil (liquid, mist and vapour) in mg/m3; 10 stands for X.

    >>> oil_class(0.1), oil_class(5.1)
    ({2: 1.0}, {10: 1.0})
    """
    return class_odds(oil, OIL_EDGES)


def particle_class(fine: Any = None, middle: Any = None, coarse: Any = None, mass: Any = None) -> dict[int, float]:
    """Odds of the particle class from the counts per m3 (0.1 to 0.5, 0.5 to 1, 1 to 5 um) and the mass in mg/m3.

    The worst size decides. A size that was not counted is taken as good enough; see `uncounted`. Classes 6 and 7 go by
    mass. 10 stands for X.

    >>> particle_class(350e3, 5e3, 90), particle_class(mass=7.0)
    ({2: 1.0}, {7: 1.0})
    """
    odds = {1: 1.0}
    for count, edges in ((fine, FINE_EDGES), (middle, MIDDLE_EDGES), (coarse, COARSE_EDGES)):
        if count is not None:
            odds = _worse(odds, class_odds(count, edges, beyond=edges[-1][0] + 1))
    if mass is None:
        return odds
    by_mass = class_odds(mass, MASS_EDGES)
    if coarse is None:  # weighed, not counted: class 6 at best
        return _worse(odds, by_mass)
    mixed: dict[int, float] = {}
    for number, share in odds.items():
        for weighed, p in (by_mass if number >= 6 else {number: 1.0}).items():
            mixed[weighed] = mixed.get(weighed, 0.0) + share * p
    return mixed


def uncounted(number: int, fine: Any, middle: Any, coarse: Any) -> list[str]:
    """Sizes that class `number` has a limit for and that were not counted."""
    sizes = (("0.1 to 0.5 um", fine, 2), ("0.5 to 1 um", middle, 3), ("1 to 5 um", coarse, 5))
    return [name for name, count, last in sizes if count is None and number <= last]


def _likely(odds: dict[int, float]) -> int:
    return max(odds, key=lambda c: (odds[c], c))


def _name(number: int) -> str:
    return "X" if number == BEYOND else str(number)


def _told(what: str, odds: dict[int, float], note: str = "") -> str:
    ranked = sorted(odds.items(), key=lambda kv: (-kv[1], kv[0]))
    shares = ", ".join(f"{_name(c)}: {p:.0%}" for c, p in ranked[:3] if p >= 0.005)
    return f"{what}: class {_name(ranked[0][0])}{note}" + (f"  ({shares})" if len(odds) > 1 else "")


def _air_class(g: Given) -> Worked:
    counts = (g["fine"], g["middle"], g["coarse"])
    if g["wanted"] is not None and g["wanted"] != round(g["wanted"]):
        raise CalcError("wanted", f"wanted: {put(g['wanted'])} is no class; type a whole number from 1 to 6")
    figures: dict[str, Any] = {}
    lines: list[str] = []
    says: list[str] = []
    marks = {"particles": "-", "water": "-", "oil": "-"}
    found: dict[str, dict[int, float]] = {}
    found["water"] = water_class(g["dew"], g["liquid"])
    wet = g["liquid"] is None and _likely(found["water"]) == 7
    lines.append(_told("water", found["water"], " or worse" if wet else ""))
    if wet:
        says.append("Beyond +10 degC the liquid water decides: drain and dry the air before anything else.")
    if g["oil"] is not None:
        found["oil"] = oil_class(g["oil"])
        lines.append(_told("oil", found["oil"]))
    if any(v is not None for v in (*counts, g["mass"])):
        found["particles"] = particle_class(*counts, g["mass"])
        number = _likely(found["particles"])
        missing = uncounted(number, *counts)
        rough = bool(missing) or (number == 6 and g["mass"] is None)
        lines.append(_told("particles", found["particles"], " or worse" if rough else ""))
        if missing:
            says.append(f"Particles: the class holds only if {' and '.join(missing)} are counted too.")
        elif rough:
            says.append("Particles: beyond class 5 the mass decides: have them weighed.")
    for what, odds in found.items():
        figures[what] = float(_likely(odds))
        marks[what] = _name(_likely(odds))
    lines.append(f"ISO 8573-1:2010 [{marks['particles']}:{marks['water']}:{marks['oil']}] (particles : water : oil)")
    near = [what for what, odds in found.items() if max(odds.values()) < 0.95]
    if near:
        says.insert(
            0, f"{near[0].capitalize()} is too near a class edge to tell: claim the worse class, or measure better."
        )
    elif not says:
        says.append("Compare each place with what the mill's papers ask for: a smaller number is cleaner.")
    ordered: dict[str, Any] = {f.id: figures[f.id] for f in AIR_CLASS.figures if f.id in figures}
    ordered["dew"] = g["dew"]
    limits = _wanted(g)
    return Worked(ordered, tuple(lines), limits, says=tuple(says[:2]))


def _wanted(g: Given) -> tuple[Limit, ...]:
    if g["wanted"] is None:
        return ()
    number = round(nominal(g["wanted"]))
    edge = dict(DEW_EDGES)[number]
    return (Limit("dew", f"water class {number}, at most {put(edge, 'degC')}", high=edge, source="iso-8573-1"),)


def _amount(key: str, ask: str, unit: str, high: float) -> Input:
    return Input(key, "", ask, unit, 0.0, high, percent=25, optional=True)


AIR_CLASS = Calculation(
    id="air-class",
    title="Purity class of the compressed air",
    subject="air",
    answers="Which ISO 8573-1 class does the air keep for particles, water and oil?",
    inputs=(
        Input("dew", "td", "pressure dew point", "degC", -100, 60, instrument="dew-point-meter"),
        _amount("liquid", "liquid water", "g/m3", 100),
        _amount("oil", "total oil: liquid, mist and vapour", "mg/m3", 1000),
        _amount("fine", "particles of 0.1 to 0.5 um in 1 m3", "1", 1e9),
        _amount("middle", "particles of 0.5 to 1 um in 1 m3", "1", 1e9),
        _amount("coarse", "particles of 1 to 5 um in 1 m3", "1", 1e9),
        _amount("mass", "mass of particles", "mg/m3", 1000),
        Input("wanted", "", "water class the mill's papers ask for", low=1, high=6, optional=True),
    ),
    figures=(
        Figure("water", "W", "water class"),
        Figure("oil", "O", "oil class (10 stands for X)"),
        Figure("particles", "P", "particle class (10 stands for X)"),
        Figure("dew", "td", "pressure dew point", "degC"),
    ),
    work=_air_class,
    sources=("iso-8573-1",),
    example={"dew": "2.0 degC", "oil": "0.06 mg/m3", "wanted": "4"},
    hazards=("pressurised-air", "blow-off"),
)

CALCULATIONS = (AIR_CLASS,)
