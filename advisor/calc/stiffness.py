"""How far the side force of the cut bends a burr: a cantilever of steps, clamped in the collet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from uncertainties import ufloat

from advisor.calc.base import Calculation, Figure, Given, Input, Limit, Worked, nominal, put
from advisor.calc.means import near

__all__ = ["CALCULATIONS", "MODULUS", "bending", "second_moment"]

# Young's modulus in GPa and its largest error, from memory of handbooks: carbide of 6 to 12 % cobalt 550 to 650, steel
# 200 to 210. A burr's grit and plating carry nothing.
MODULUS = {"carbide": (600.0, 50.0), "steel": (205.0, 5.0)}


def second_moment(diameter: Any) -> Any:
    """Second moment of area of a round bar, mm4: I = pi D^4 / 64."""
    return math.pi * diameter**4 / 64


def bending(steps: Sequence[tuple[Any, Any]], force: Any, modulus: Any) -> list[Any]:
    """What each step gives to the deflection at the tip, um. `steps` (diameter, length) in mm from the collet to the
    tip, `force` in N at the tip, `modulus` in GPa.

    A step between x1 and x2 from the tip gives F (x2^3 - x1^3) / (3 E I): the bending moment F x over E I, times x,
    summed along the bar. Shear is left out (about 6 % more at a length of three diameters, 2 % at five), and collet
    and spindle are taken as rigid, so the true deflection is larger. Source: beam theory; one step is F L^3 / (3 E I).

    >>> round(bending([(1.0, 10.0)], 5.0, 600.0)[0], 2)
    56.59
    """
    parts, near = [], 0.0
    for diameter, length in reversed(list(steps)):
        far = near + length
        parts.append(force * (far**3 - near**3) / (3 * modulus * second_moment(diameter)))  # N mm3 / (GPa mm4) = um
        near = far
    return parts[::-1]


def _deflection(g: Given) -> Worked:
    middle, error = MODULUS[g["material"]]
    modulus: Any = ufloat(middle, error / math.sqrt(3), "modulus of the material")
    rows = g["steps"]
    parts = bending([(r["diameter"], r["length"]) for r in rows], g["force"], modulus)
    total: Any = sum(parts)
    shares = [nominal(100 * p / total) for p in parts]
    worst = max(range(len(rows)), key=lambda i: shares[i])
    figures = {"deflection": total, "stiffness": g["force"] / total, "largest": 100 * parts[worst] / total}
    told = ", ".join(f"{r['name']} {s:.0f} %" for r, s in zip(rows[:6], shares, strict=False))
    lines = (
        f"deflection = sum of F (x2^3 - x1^3) / (3 E I), I = pi D^4 / 64, E = {put(modulus, 'GPa')} = {put(total, 'um', 3)}",
        f"of it: {told}{', ...' if len(rows) > 6 else ''}",
    )
    limits = (Limit("deflection", f"less than the accuracy wanted, {g.put('accuracy')}", high=nominal(g["accuracy"])),)
    first = f"Most of it comes from the {rows[worst]['name']}: half its length or a thicker one helps most there."
    if near(total, high=nominal(g["accuracy"])):
        first = f"Too near to tell, the force is a guess: a shorter or thicker {rows[worst]['name']} helps most."
    elif nominal(total) < nominal(g["accuracy"]):
        first = "The burr is stiff enough for this force; collet and spindle bend too and are not counted."
    second = "Deflection grows with the third power of the length: push the burr in to its mark before all else."
    return Worked(figures, lines, limits, says=(first, second))


BURR_DEFLECTION = Calculation(
    id="burr-deflection",
    title="How far the side force bends the burr",
    subject="cutting",
    answers="Does the burr bend more than the accuracy wanted, and which part of it gives way?",
    inputs=(
        Input(
            "steps",
            "",
            "steps from the collet to the tip",
            several=(1, 12),
            columns=(
                Input("name", "", "name"),
                Input("diameter", "", "diameter", "mm", 0.2, 12, instrument="calliper"),
                Input("length", "", "length", "mm", 0.1, 60, instrument="calliper"),
            ),
        ),
        Input("force", "F", "side force at the tip", "N", 0.01, 200, percent=40),
        Input("material", "", "the burr is made of", choices=("carbide", "steel"), source="moduli"),
        Input("accuracy", "", "accuracy wanted", "um", 1, 1000, default="20 um"),
    ),
    figures=(
        Figure("deflection", "", "deflection at the tip", "um"),
        Figure("stiffness", "", "stiffness at the tip", "N/um"),
        Figure("largest", "", "share of the softest step", "%"),
    ),
    work=_deflection,
    sources=("beam", "moduli"),
    example={
        "steps": ["shank | 3.0 mm | 8 mm", "neck | 1.2 mm | 6 mm", "head | 1.0 mm | 4 mm"],
        "force": "3 N",
        "material": "carbide",
        "accuracy": "20 um",
    },
    hazards=("sharp-burr",),
)

CALCULATIONS = (BURR_DEFLECTION,)
