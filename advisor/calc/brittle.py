"""Brittle materials: the chip thickness below which a ceramic flows instead of cracking, and how far an edge breaks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from uncertainties import ufloat

from advisor.calc.base import CalcError, Calculation, Figure, Given, Input, Limit, Worked, nominal, put
from advisor.calc.means import near

__all__ = [
    "CALCULATIONS",
    "MATERIALS",
    "Material",
    "brittleness",
    "chip_force",
    "chip_reach",
    "critical_depth",
]

BIFANO = 0.15  # from memory; taken as right within 30 %
CHAI_LAWN = 9.3  # from memory; taken as right within 15 %
TOUGHNESS = "MPa.m^0.5"


@dataclass(frozen=True)
class Material:
    """Modulus and hardness in GPa, toughness in MPa m^0.5; after each its largest error in percent. `note`: what the
    values are worth."""

    modulus: tuple[float, float]
    hardness: tuple[float, float]
    toughness: tuple[float, float]
    note: str


# Edge-chip tests rank feldspathic and leucite weakest, lithium disilicate and resin in the middle, zirconia strongest
# (Quinn 2014); crowns as milled chipped least in resin, most in a lithium silicate (Tsitrou 2007), whose toughness as
# milled is not known here: its row is for crystallised stock only.
MATERIALS = {
    # Modulus and hardness published (Alamoush 2018); toughness 1.24, 0.8 to 1.25 in the literature.
    "feldspathic": Material((47.7, 5), (4.92, 5), (1.24, 25), "Kc: literature"),
    # Toughness 1.11 measured, 1.3 from memory.
    "leucite": Material((65, 8), (5.6, 8), (1.2, 15), "from memory"),
    "lithium-disilicate": Material((100, 5), (5.8, 6), (2.0, 20), "from memory"),
    "zirconia-sintered": Material((205, 3), (12.5, 4), (4.5, 12), "from memory"),
    # Only in margin-chip: the depth of ductile grinding is no notion for a resin.
    "resin": Material((15, 33), (1.0, 20), (1.4, 25), "Kc measured once"),
}


def critical_depth(modulus: Any, hardness: Any, toughness: Any, factor: Any = BIFANO) -> Any:
    """Chip thickness in um below which a ceramic is ground without cracks: d = 0.15 (E / H) (Kc / H)^2, E and H in
    GPa, Kc in MPa m^0.5. Source: Bifano, Dow & Scattergood 1991 (coefficient from memory).

    >>> round(critical_depth(47.7, 4.92, 1.24), 3)
    0.092
    """
    return factor * (modulus / hardness) * (toughness / hardness) ** 2


def brittleness(hardness: Any, toughness: Any) -> Any:
    """Brittleness index H / Kc per root of a um, from GPa and MPa m^0.5. Source: Boccaccini 1997 (from memory).

    >>> round(brittleness(4.92, 1.24), 2)
    3.97
    """
    return hardness / toughness


def chip_force(reach: Any, toughness: Any, factor: Any = CHAI_LAWN) -> Any:
    """Force in N of a sharp contact `reach` um behind an edge that breaks the edge out: P = 9.3 Kc h^1.5, Kc in
    MPa m^0.5. Source: Chai & Lawn 2007 (factor from memory); for brittle solids and square edges.

    >>> round(chip_force(1000.0, 1.0), 1)
    294.1
    """
    return 1e-3 * factor * toughness * reach**1.5


def chip_reach(force: Any, toughness: Any, factor: Any = CHAI_LAWN) -> Any:
    """How far behind the edge, in um, a force of N can still break it out: h = (P / (9.3 Kc))^(2/3).

    >>> round(chip_reach(5.0, 1.24), 1)
    57.3
    """
    return (1e3 * force / (factor * toughness)) ** (2 / 3)


def _property(g: Given, key: str, label: str) -> Any:
    """The value typed, or that of the material with its doubt."""
    if g[key] is not None:
        return g[key]
    if g["material"] == "own":
        raise CalcError(key, f"{key} is missing: type it, or choose a material of the list")
    middle, percent = getattr(MATERIALS[g["material"]], key)
    return ufloat(middle, middle * percent / 100 / math.sqrt(3), label)


def _note(g: Given) -> str:
    if g["material"] == "own":
        return "as typed"
    typed = any(g[k] is not None for k in ("modulus", "hardness", "toughness") if k in g)
    return "partly as typed" if typed else MATERIALS[g["material"]].note


def _depth(g: Given) -> Worked:
    modulus = _property(g, "modulus", "modulus E")
    hardness = _property(g, "hardness", "hardness H")
    toughness = _property(g, "toughness", "toughness Kc")
    factor: Any = ufloat(BIFANO, BIFANO * 0.30 / math.sqrt(3), "coefficient of the formula")
    critical = critical_depth(modulus, hardness, toughness, factor)
    figures = {"critical": critical, "ratio": g["chip"] / critical, "index": brittleness(hardness, toughness)}
    lines = (
        f"E {put(modulus, 'GPa', 3)}, H {put(hardness, 'GPa', 3)}, Kc {put(toughness, TOUGHNESS, 3)} ({_note(g)})",
        f"d = 0.15 (E / H) (Kc / H)^2 = {put(critical, 'um', 2)}; chip / d = {put(figures['ratio'], digits=2)}",
    )
    if near(figures["ratio"], high=1.0):
        first = "Too near to tell whether the chips crack: the values are rough."
    elif nominal(figures["ratio"]) > 1:
        first = "Chips form by small cracks, as usual in these mills: the finish pass counts."
    else:
        first = "Chips this thin form without cracks, if the burr is sharp and runs true."
    if g["material"] == "zirconia-sintered":
        second = "Zirconia is milled pre-sintered, far softer: only for grinding after sintering."
    elif g["material"] == "lithium-disilicate":
        second = "For crystallised stock only; milled before that it is softer: type own values."
    else:
        second = "A rough guide: compare two settings with it, do not promise a surface."
    limits = (Limit("ratio", "chip below the critical depth", high=1.0, source="bifano-1991"),)
    return Worked(figures, lines, limits, says=(first, second))


_OWN = (
    Input("modulus", "E", "modulus, own value", "GPa", 1, 700, percent=5, optional=True),
    Input("hardness", "H", "hardness, own value", "GPa", 0.05, 40, percent=5, optional=True),
)
_TOUGHNESS = Input("toughness", "Kc", "toughness, own value", TOUGHNESS, 0.1, 20, percent=10, optional=True)

DUCTILE_DEPTH = Calculation(
    id="ductile-depth",
    title="Chip thickness against the depth where cracks begin",
    subject="cutting",
    answers="Does the burr take chips thin enough to leave the ceramic without cracks?",
    inputs=(
        Input(
            "material",
            "",
            "material",
            choices=("feldspathic", "leucite", "lithium-disilicate", "zirconia-sintered", "own"),
            source="ceramic-values",
        ),
        Input("chip", "h", "chip of a grain (see cutting-speed)", "um", 0.001, 500, percent=30),
        *_OWN,
        _TOUGHNESS,
    ),
    figures=(
        Figure("critical", "d", "depth where cracks begin", "um"),
        Figure("ratio", "", "chip over that depth"),
        Figure("index", "H/Kc", "brittleness, per root um"),
    ),
    work=_depth,
    sources=("bifano-1991", "alamoush-2018", "boccaccini-1997", "ceramic-values"),
    example={"material": "feldspathic", "chip": "0.6 um"},
)


def _margin(g: Given) -> Worked:
    toughness = _property(g, "toughness", "toughness Kc")
    factor: Any = ufloat(CHAI_LAWN, CHAI_LAWN * 0.15 / math.sqrt(3), "factor of the formula")
    force = g["force"] * g["overload"]
    thickness = 1000 * g["thickness"]
    reach = chip_reach(force, toughness, factor)
    figures = {"reach": reach, "ratio": reach / thickness, "bears": chip_force(thickness, toughness, factor)}
    lines = [
        f"P = F x overload = {put(force, 'N', 3)}; Kc {put(toughness, TOUGHNESS, 3)} ({_note(g)})",
        f"h = (P / (9.3 Kc))^(2/3) = {put(reach, 'um', 3)}; h / t = {put(figures['ratio'], digits=2)}",
    ]
    says = ["Rough: sound stock, square edge, one sharp contact; knife edges break sooner."]
    if g["seen"] is not None:
        figures["needed"] = chip_force(g["seen"], toughness, factor)
        lines.append(f"the chip that was found needs 9.3 Kc h^1.5 = {put(figures['needed'], 'N', 2)}")
        if nominal(figures["needed"]) > 3 * nominal(force):
            says.insert(0, "The cut is too weak for the chip found: seek a knock, tearing off, a crack.")
        else:
            says.insert(0, "The force of the cut is enough for the chip that was found.")
    elif near(figures["ratio"], high=1.0):
        says.insert(0, "Too near to tell: to be safe thicken it, or cut finer and true.")
    elif nominal(figures["ratio"]) >= 1:
        says.insert(0, "The burr can break through this margin: thicken it, or cut finer and true.")
    else:
        says.insert(0, "The margin bears this force; nicks shorter than the reach still come.")
    if g["material"] == "resin":
        says[1] = "Resin gives first: milled it chips least (Tsitrou 2007), less than this says."
    elif g["material"] == "zirconia-sintered":
        says[1] = "Zirconia is milled pre-sintered, far weaker: only for grinding after sintering."
    limits = (Limit("ratio", "chip shorter than the margin is thick", high=1.0, source="chai-lawn-2007"),)
    return Worked(figures, tuple(lines), limits, says=tuple(says))


MARGIN_CHIP = Calculation(
    id="margin-chip",
    title="How far a margin can chip under the force of the burr",
    subject="cutting",
    answers="Is the margin thick enough for the force of the cut, or did something else break it?",
    inputs=(
        Input(
            "material",
            "",
            "material",
            choices=("feldspathic", "leucite", "lithium-disilicate", "zirconia-sintered", "resin", "own"),
            source="ceramic-values",
        ),
        Input("force", "F", "side force of a tooth (1 to 10 N)", "N", 0.01, 200, percent=50),
        Input("thickness", "t", "thickness of the margin", "mm", 0.02, 5, instrument="calliper"),
        Input("overload", "", "overload by run-out (runout-load)", "1", 1, 40, percent=10, default="1"),
        Input("seen", "", "depth of the chip found", "um", 1, 5000, instrument="loupe", optional=True),
        _TOUGHNESS,
    ),
    figures=(
        Figure("reach", "h", "reach of a chip", "um"),
        Figure("ratio", "", "reach over thickness"),
        Figure("bears", "", "force that breaks through", "N"),
        Figure("needed", "", "force the chip found needs", "N"),
    ),
    work=_margin,
    sources=("chai-lawn-2007", "ceramic-values"),
    example={"material": "feldspathic", "force": "5 N", "thickness": "0.30 mm", "overload": "1.6", "seen": "240 um"},
    hazards=("sharp-burr",),
)

CALCULATIONS = (DUCTILE_DEPTH, MARGIN_CHIP)
