"""Run-out taken apart: which part is out of true (spindle, collet, burr), and what it comes to at the burr's tip.

The axis of the burr at the place read lies beside the spindle's axis by a vector e, seen from the turning spindle. The
dial reads TIR = 2 |e|, and its high spot is the direction of e.
"""

from __future__ import annotations

import math
from typing import Any

from uncertainties import ufloat, umath

from advisor.calc.base import CalcError, Calculation, Class, Figure, Given, Input, Limit, Number, Worked, nominal, put
from advisor.calc.runout_parts import NoSplit, Split, split_marked
from advisor.calc.runout_sizes import split_sizes

__all__ = ["CALCULATIONS", "extrapolate", "tip_bounds"]

RANGE_OF_FIVE = 2.326  # mean range of five normal readings in standard deviations (d2)


def _runout_split(g: Given) -> Worked:
    rows: list[dict[str, Any]] = g["rows"]
    spots = [r["spot"] for r in rows]
    marked = [s is not None for s in spots]
    turned = max(nominal(r["collet"]) for r in rows) - min(nominal(r["collet"]) for r in rows) > 1
    # without a run-out there is no high spot to find
    missing = [n for n, r in enumerate(rows, 1) if r["spot"] is None and nominal(r["tir"]) > 2]
    if any(marked) and missing:
        raise CalcError(
            "rows", f"rows: the high spot is missing in line {missing[0]}; give it in every line, or in none"
        )
    if turned and not any(marked):
        raise CalcError(
            "rows",
            "rows: with the collet turned too, the high spot is needed in every line to tell it from the spindle",
        )
    scatter = nominal(g["scatter"]) / RANGE_OF_FIVE
    limit = nominal(g["limit"])
    try:
        if any(marked):
            split = split_marked(rows, turned, scatter, limit, g["bore"])
        else:
            split = split_sizes(rows, scatter, limit, g["pin"], g["bore"])
    except NoSplit as error:
        raise CalcError(error.field, f"{error.field}: {error}") from None
    return Worked(split.figures, _split_lines(g, split), classes=split.classes, says=_split_says(split))


def _split_lines(g: Given, split: Split) -> tuple[str, ...]:
    lines = list(split.lines)
    if split.best is not None:
        turn, least = split.best
        lines.append(f"least run-out: with the burr turned to {turn:.0f} deg, about {put(least, 'um', 2)}")
    if g["pin"] is not None and split.holder is not None:
        lines.append(f"gauge pin read: {g.put('pin')}; by the split: {put(split.holder, 'um', 3)}")
    if g["bore"] is not None and "spindle" in split.figures:
        lines.append(f"bore alone read: {g.put('bore')}; by the split: {put(split.figures['spindle'], 'um', 3)}")
    return tuple(lines)


def _split_says(split: Split) -> tuple[str, ...]:
    says = []
    if split.misfit:
        says.append("The readings do not fit one burr turned in one collet: dirt has moved. Clean, then read again.")
    ranked = sorted(split.classes.items(), key=lambda kv: -kv[1])
    holder = split.classes["spindle"] + split.classes["collet"]
    if ranked[0][0] == "none" and ranked[0][1] >= 0.5:
        says.append("Run-out keeps the limit in every position read: look elsewhere for the trouble.")
    elif not split.ordered:
        says.append(
            "Whether burr or spindle side has the larger part is not told: mark the high spots, or read a gauge pin."
        )
    elif split.classes["burr"] >= 0.5:
        says.append("It goes with the burr: try another burr in the same collet; throw a bent one away.")
    elif split.parted and ranked[0][0] == "collet":
        says.append("It goes with the collet: clean it and read again; if it stays, replace the collet.")
    elif split.parted and ranked[0][0] == "spindle":
        says.append("It stays with the spindle: clean the bore, then read the run-out of the bore without the collet.")
    elif holder >= 0.5:
        says.append("It stays when the burr is turned: clean collet and bore. To tell them apart, turn the collet too.")
    else:
        says.append("No part stands out: put the burr in at the best position and read again.")
    return tuple(says[:2])


RUNOUT_SPLIT = Calculation(
    id="runout-split",
    title="Which part runs out: spindle, collet or burr",
    subject="burrs",
    answers="Does the run-out belong to the burr, the collet or the spindle?",
    inputs=(
        Input(
            "rows",
            "R",
            "run-out at turned positions of the burr",
            several=(2, 24),
            columns=(
                Input("burr", "b", "burr turned", "deg", -360, 360, instrument="spindle-mark"),
                Input("tir", "T", "run-out", "um", 0, 1000, instrument="dial-1um"),
                Input(
                    "spot",
                    "h",
                    "high spot from spindle mark",
                    "deg",
                    -360,
                    360,
                    instrument="spindle-mark",
                    optional=True,
                ),
                Input("collet", "a", "collet turned", "deg", -360, 360, instrument="spindle-mark", default="0"),
            ),
        ),
        Input("scatter", "s", "range of five, burr put back alike", "um", 0, 300, default="3 um"),
        Input("limit", "L", "largest run-out allowed there", "um", 1, 200, default="10 um", profile="runout_limit"),
        Input("pin", "P", "run-out of a gauge pin in the collet", "um", 0, 1000, instrument="dial-1um", optional=True),
        Input("bore", "B", "run-out of the spindle bore alone", "um", 0, 1000, instrument="dial-1um", optional=True),
    ),
    figures=(
        Figure("holder", "S", "spindle with collet", "um"),
        Figure("spindle", "S", "spindle", "um"),
        Figure("collet", "C", "collet", "um"),
        Figure("burr", "B", "burr", "um"),
        Figure("larger", "", "the larger part", "um"),
        Figure("smaller", "", "the smaller part", "um"),
    ),
    work=_runout_split,
    sources=("physics", "jcgm-101", "common-practice"),
    example={
        "rows": ["0 20 94", "90 12 190", "180 16 311", "270 23 25"],
        "scatter": "3 um",
        "limit": "10 um",
    },
    classes=(
        Class("none", "none: within the limit"),
        Class("burr", "the burr"),
        Class("collet", "the collet"),
        Class("spindle", "the spindle or its bore"),
    ),
    hazards=("rotating-spindle", "sharp-burr", "machine-damage"),
)


def extrapolate(near: Any, far: Any, z1: Any, z2: Any, z: Any) -> Any:
    """A straight axis carried on: e(z) = e1 + (e2 - e1) (z - z1) / (z2 - z1). One component at a time.

    >>> extrapolate(2.0, 5.0, 4.0, 10.0, 16.0)
    8.0
    """
    return near + (far - near) * (z - z1) / (z2 - z1)


def tip_bounds(near: Any, far: Any, z1: Any, z2: Any, z: Any) -> tuple[Any, Any]:
    """Least and largest run-out at `z` from run-outs at z1 and z2 when the high spots are not known.

    With s = (z - z1) / (z2 - z1): | |s| far - |1 - s| near | and |s| far + |1 - s| near (triangle inequality).

    >>> tip_bounds(4.0, 10.0, 4.0, 10.0, 16.0)
    (16.0, 24.0)
    """
    share = (z - z1) / (z2 - z1)
    one, two = _size(share) * far, _size(1 - share) * near
    return _size(one - two), one + two


def _size(x: Any) -> Any:
    return x if nominal(x) >= 0 else -x


def _length(x: Number, y: Number) -> Number:
    """|(x, y)| to first order; at nothing its doubt is that of one component."""
    size = math.hypot(nominal(x), nominal(y))
    if size <= 0:
        return x
    return (x * nominal(x) + y * nominal(y)) / size


def _runout_tip(g: Given) -> Worked:
    z1, z2, z = g["z1"], g["z2"], g["tip"]
    if nominal(z2) - nominal(z1) < 2:
        raise CalcError("z2", "z2: the second place must lie at least 2 mm further from the nose than the first")
    if nominal(z) < nominal(z1):
        raise CalcError("tip", "tip: the tip must lie further from the nose than the first place read")
    reach = (nominal(z) - nominal(z1)) / (nominal(z2) - nominal(z1))
    figures: dict[str, Number] = {}
    lines = [
        f"s = (z - z1) / (z2 - z1) = ({g.put('tip')} - {g.put('z1')}) / ({g.put('z2')} - {g.put('z1')}) = {put(reach, digits=3)}"
    ]
    if (g["h1"] is None) != (g["h2"] is None):
        raise CalcError("h2" if g["h2"] is None else "h1", "h1, h2: give the high spot at both places, or at neither")
    if g["h1"] is not None:
        ends = [
            (tir * turn(umath.radians(h)))
            for turn in (umath.cos, umath.sin)
            for tir, h in ((g["tir1"], g["h1"]), (g["tir2"], g["h2"]))
        ]
        x = extrapolate(ends[0], ends[1], z1, z2, z)
        y = extrapolate(ends[2], ends[3], z1, z2, z)
        figures["tip"] = _length(x, y)
        figures["offset"] = _length(
            extrapolate(ends[0], ends[1], z1, z2, 0.0), extrapolate(ends[2], ends[3], z1, z2, 0.0)
        )
        # 1 um/mm is 1 mm/m; the axis is half a run-out away
        figures["tilt"] = _length((ends[1] - ends[0]) / (z2 - z1), (ends[3] - ends[2]) / (z2 - z1)) / 2
        lines.append(f"e = e1 + s (e2 - e1), with their high spots: run-out at the tip {put(figures['tip'], 'um', 3)}")
        lines.append(
            f"carried back to the nose: {put(figures['offset'], 'um', 3)}, axis tilted {put(figures['tilt'], 'mm/m', 2)}"
        )
    else:
        low, high = tip_bounds(g["tir1"], g["tir2"], z1, z2, z)
        half = (nominal(high) - nominal(low)) / 2
        figures["tip"] = (low + high) / 2 + (ufloat(0, half / math.sqrt(3), "high spots not known") if half else 0)
        lines.append(
            f"high spots not known: |s T2| -+ |(1 - s) T1| = {put(low, 'um', 3)} (in line) to {put(high, 'um', 3)} (opposite)"
        )
    says = ["A bend beyond the places read does not show: read as near the tip as the metal is smooth."]
    if g["h1"] is None and nominal(high) > 1.5 * max(nominal(low), 1):
        says.insert(0, "Mark the high spot at both places to narrow it down.")
    limits = (Limit("tip", f"at most {g.put('limit')}", high=nominal(g["limit"])),) if g["limit"] is not None else ()
    return Worked(figures, tuple(lines), limits, says=tuple(says))


RUNOUT_TIP = Calculation(
    id="runout-tip",
    title="Run-out at the burr's tip from two places on its shank",
    subject="burrs",
    answers="How far does the burr run out at its very tip, where no dial can read?",
    inputs=(
        Input("z1", "z1", "first place, distance from the nose", "mm", 0, 100, instrument="ruler"),
        Input("tir1", "T1", "run-out there", "um", 0, 1000, instrument="dial-1um"),
        Input("z2", "z2", "second place, distance from the nose", "mm", 0, 100, instrument="ruler"),
        Input("tir2", "T2", "run-out there", "um", 0, 1000, instrument="dial-1um"),
        Input("tip", "z", "the tip, distance from the nose", "mm", 1, 150, instrument="ruler"),
        Input("h1", "h1", "high spot at the first place", "deg", -360, 360, instrument="spindle-mark", optional=True),
        Input("h2", "h2", "high spot at the second place", "deg", -360, 360, instrument="spindle-mark", optional=True),
        Input("limit", "L", "largest run-out allowed at the tip", "um", 1, 500, optional=True),
    ),
    figures=(
        Figure("tip", "T", "run-out at the tip", "um"),
        Figure("offset", "T0", "run-out at the nose", "um"),
        Figure("tilt", "", "tilt of the axis", "mm/m"),
    ),
    work=_runout_tip,
    sources=("physics",),
    example={
        "z1": "4 mm",
        "tir1": "8 um",
        "z2": "12 mm",
        "tir2": "14 um",
        "tip": "18 mm",
        "h1": "40 deg",
        "h2": "50 deg",
        "limit": "25 um",
    },
    hazards=("rotating-spindle", "sharp-burr", "machine-damage"),
)

CALCULATIONS = (RUNOUT_SPLIT, RUNOUT_TIP)
