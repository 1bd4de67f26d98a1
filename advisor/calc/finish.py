"""What is read off a finished part: lines of the burr, thickness of the edge, time against a like part."""

from __future__ import annotations

import math
from typing import Any

from uncertainties import ufloat, umath

from advisor.calc.base import CalcError, Calculation, Figure, Given, Input, Worked, nominal, put
from advisor.calc.means import near

__all__ = ["CALCULATIONS", "RA_SHARE", "jaw_error", "scallop_height"]

RA_SHARE = 4 / (9 * math.sqrt(3))  # mean roughness over height of a row of parabolas (geometry)


def scallop_height(step: Any, diameter: Any) -> Any:
    """Height of the ridge a ball end leaves between two paths: h = d/2 - sqrt(d^2/4 - s^2/4) (geometry); all in one
    unit. On a flat face; ValueError when the paths lie a diameter apart or more.

    >>> round(scallop_height(0.6, 1.0), 3)
    0.1
    """
    if nominal(step) >= nominal(diameter):
        raise ValueError("the paths do not meet")
    # (d - sqrt(d^2 - s^2)) / 2, written without the difference of near equals
    return step**2 / (2 * (diameter + umath.sqrt(diameter**2 - step**2)))


def jaw_error(width: Any, bore: Any) -> Any:
    """By how much a flat jaw of `width`, bridging the hollow side of a wall, makes it read too thick:
    R - sqrt(R^2 - w^2 / 4), R half of `bore`; the ridge of a ball end upside down.

    >>> round(jaw_error(1.0, 6.0), 4)
    0.042
    """
    return scallop_height(width, bore)


def _scallop(g: Given) -> Worked:
    step, diameter = g["step"], 1000 * g["diameter"]
    if nominal(step) >= nominal(diameter):
        raise CalcError("step", f"step: {g.put('step')} is no less than the ball of {g.put('diameter')}; type it in um")
    height = scallop_height(step, diameter)
    ra = RA_SHARE * height
    lines = (
        f"h = d/2 - sqrt(d^2/4 - s^2/4), d = {g.put('diameter')}, s = {g.put('step')}: {put(height, 'um', 3)}",
        f"Ra of a row of such ridges = 0.257 h = {put(ra, 'um', 3)}",
    )
    says = (
        "What the paths alone leave on a flat face; run-out, grit and chipping come on top.",
        "Half the step leaves a quarter of the height and takes twice the time.",
    )
    return Worked({"height": height, "ra": ra}, lines, says=says)


SCALLOP = Calculation(
    id="scallop",
    title="Ridges that a ball end leaves between its paths",
    subject="cutting",
    answers="How rough does the step between the paths alone leave the wall?",
    inputs=(
        Input("step", "s", "step between paths", "um", 1, 3000, percent=5),
        Input("diameter", "d", "diameter of the ball end", "mm", 0.1, 6, instrument="calliper"),
    ),
    figures=(
        Figure("height", "h", "height of the ridges", "um"),
        Figure("ra", "Ra", "mean roughness of the ridges", "um"),
    ),
    work=_scallop,
    sources=("physics",),
    example={"step": "150 um", "diameter": "1.0 mm"},
)


def _spacing(g: Given) -> Worked:
    here = g["span"] / g["lines"]
    good = g["good_span"] / g["good_lines"]
    figures = {"wider": here - good, "here": here, "good": good}
    lines = [
        f"this part: {g.put('span')} / {g.put('lines')} = {put(here, 'um', 3)}; good part: {g.put('good_span')} / {g.put('good_lines')} = {put(good, 'um', 3)}",
        f"wider by {put(figures['wider'], 'um', 3)}",
    ]
    if g["diameter"] is not None:
        if max(nominal(here), nominal(good)) >= 1000 * nominal(g["diameter"]):
            raise CalcError(
                "diameter", f"diameter: {g.put('diameter')} is no more than the spacing; type that of the ball end"
            )
        height, before = (scallop_height(s, 1000 * g["diameter"]) for s in (here, good))
        figures["height"] = height
        lines.append(f"ridges: {put(height, 'um', 3)} high against {put(before, 'um', 3)} on the good part")
    ratio = nominal(here / good)
    says = (
        f"The ridges are about {put(ratio**2, digits=2)} times as high as on the good part."
        if ratio > 1.1
        else "The paths lie no wider apart: a rough wall has another cause than the step.",
    )
    return Worked(figures, tuple(lines), says=says)


LINE_SPACING = Calculation(
    id="line-spacing",
    title="Spacing of the burr lines against a good part",
    subject="cutting",
    answers="Do the burr lines lie wider apart than on a part that came out well?",
    inputs=(
        Input("span", "", "across the lines, this part", "um", 10, 20_000, instrument="loupe"),
        Input("lines", "", "steps between the lines counted there", "1", 1, 200, default="10"),
        Input("good_span", "", "across the lines, good part", "um", 10, 20_000, instrument="loupe"),
        Input("good_lines", "", "steps counted on the good part", "1", 1, 200, default="10"),
        Input("diameter", "d", "diameter of the ball end", "mm", 0.1, 6, instrument="calliper", optional=True),
    ),
    figures=(
        Figure("wider", "", "wider apart by", "um"),
        Figure("here", "", "spacing on this part", "um"),
        Figure("good", "", "spacing on the good part", "um"),
        Figure("height", "h", "height of the ridges here", "um"),
    ),
    work=_spacing,
    sources=("physics",),
    example={"span": "2100 um", "lines": "10", "good_span": "1000 um", "good_lines": "10", "diameter": "1.0 mm"},
)


def _saved(g: Given) -> Worked:
    rounding = 0.0
    if nominal(g["places"]) > 0:
        u = nominal(g["places"]) / math.sqrt(12)
        rounding = ufloat(0.0, u, "steps of the job list") - ufloat(0.0, u, "steps of the job list")
    net = []
    for key, pause, name in (("good", "good_pause", "good part"), ("this", "pause", "this part")):
        if nominal(g[pause]) >= nominal(g[key]):
            raise CalcError(
                pause, f"{pause.replace('_', '-')}: {g.put(pause)} is no less than the time of the {name}; type minutes"
            )
        net.append(g[key] - g[pause])
    saved = net[0] - net[1] + rounding
    figures = {"saved": saved, "share": 100 * saved / net[0]}
    lines = (
        f"good part {g.put('good')} - {g.put('good_pause')} = {put(net[0], 'min')}; this one {g.put('this')} - {g.put('pause')} = {put(net[1], 'min')}",
        f"saved = {put(saved, 'min', 3)}",
    )
    says = (
        "Look in the job for a missing pass, another strategy, or a raised feed."
        if nominal(saved) >= 5
        else "No pass seems to be missing, as far as time can tell.",
    )
    return Worked(figures, lines, says=says)


TIME_SAVED = Calculation(
    id="time-saved",
    title="Cutting time against a like part",
    subject="cutting",
    answers="Was the job clearly shorter than a like part that came out well?",
    inputs=(
        Input("good", "", "time of the good part in the list", "min", 0.5, 1000),
        Input("this", "", "time of this part in the list", "min", 0.5, 1000),
        Input("good_pause", "", "pauses, burr changes, good part", "min", 0, 500, percent=20, default="0 min"),
        Input("pause", "", "pauses, burr changes, this part", "min", 0, 500, percent=20, default="0 min"),
        Input("places", "", "the list counts in steps of", "min", 0, 10, default="1 min"),
    ),
    figures=(
        Figure("saved", "", "time saved", "min"),
        Figure("share", "", "share of the usual time", "%"),
    ),
    work=_saved,
    sources=("physics", "common-practice"),
    example={"good": "24 min", "this": "19 min", "good_pause": "2 min", "pause": "0 min"},
)


def _edge(g: Given) -> Worked:
    readings, width = g["readings"], g["width"]
    least = min(readings, key=nominal)
    error: Any = 0.0
    if g["bore"] is not None:
        if nominal(width) >= nominal(g["bore"]):
            raise CalcError(
                "width",
                f"width: the jaw of {g.put('width')} does not go into {g.put('bore')}; type the tip that touches",
            )
        error = jaw_error(width, g["bore"])
    true = least - error
    if nominal(true) <= 0:
        raise CalcError("width", "width: the jaw bridges more than the whole reading; use narrower tips and read again")
    figures = {"least": true, "spread": max(readings, key=nominal) - least, "error": 1000 * error}
    lines = (
        f"smallest reading {put(least, 'mm', 3)}; "
        + ("wall taken as flat" if g["bore"] is None else f"jaw bridges R - sqrt(R^2 - w^2/4) = {put(error, 'mm', 2)}"),
        f"thickness = {put(true, 'mm', 3)}",
    )
    if near(true, low=0.3):
        say = "Too near the usual 0.3 mm to tell: read the thinnest place again with ball points."
    elif nominal(true) < 0.3:
        say = "Thinner than the usual 0.3 mm: see the section in the design, then the papers of the material."
    else:
        say = "Not thin by the usual rule of 0.3 mm; the papers of the material come first."
    says = (say,)
    return Worked(figures, lines, says=says)


EDGE_THICKNESS = Calculation(
    id="edge-thickness",
    title="Thickness of an edge read with flat jaws",
    subject="cutting",
    answers="How thick is the thinnest place of the edge, when flat jaws bridge the hollow side?",
    inputs=(
        Input("readings", "", "readings along the edge", "mm", 0.02, 8, instrument="calliper", several=(1, 20)),
        Input("width", "w", "width of the jaw tip inside", "mm", 0, 10, percent=10, default="1 mm"),
        Input("bore", "", "inside diameter there (curved wall)", "mm", 0.5, 40, percent=10, optional=True),
    ),
    figures=(
        Figure("least", "t", "thinnest place", "mm"),
        Figure("spread", "", "spread of the readings", "mm"),
        Figure("error", "", "added by the jaw", "um"),
    ),
    work=_edge,
    sources=("physics", "common-practice"),
    example={"readings": "0.34 0.31 0.36 0.38 mm", "width": "1.0 mm", "bore": "7 mm"},
    hazards=("sharp-burr",),
)

CALCULATIONS = (SCALLOP, LINE_SPACING, TIME_SAVED, EDGE_THICKNESS)
