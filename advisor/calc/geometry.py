"""Lengths of the mill itself: the step between two milled sides, lost motion of an axis, growth by warmth."""

from __future__ import annotations

from uncertainties import ufloat

from advisor.calc.base import (
    CalcError,
    Calculation,
    Figure,
    Given,
    Input,
    Limit,
    Number,
    Worked,
    deviation,
    nominal,
    put,
)
from advisor.calc.means import mean_of, near, no_slip_of_unit, size_of, slope_of

__all__ = ["ALUMINIUM", "CALCULATIONS", "STEEL", "expansion"]

STEEL = (11.5, 1.2)  # um/(m K) and its standard uncertainty, JCGM 100, H.1
ALUMINIUM = (23.5, 0.3)  # um/(m K), 23 to 24 as a rectangle, from memory


def expansion(length: Number, alpha: Number, rise: Number) -> Number:
    """Growth of a length by warmth: dL = alpha L dT, in the unit of `length` (`alpha` in 1/K, `rise` in K).

    Source: JCGM 100, example H.1.

    >>> round(expansion(200.0, 11.5e-6, 5.0) * 1000, 2)  # mm -> um
    11.5
    """
    return length * alpha * rise


def _half_step(g: Given) -> Worked:
    steps, places = g["steps"], [nominal(p) for p in g["places"] or []]
    if places and len(places) != len(steps):
        raise CalcError("places", f"places: {len(places)} places for {len(steps)} steps; give one for each, or none")
    if places and len(places) > 1 and max(places) - min(places) < 1:
        raise CalcError("places", "places: they lie within 1 mm; take them along the whole seam")
    no_slip_of_unit("steps", steps)
    step = mean_of(steps, "steps")
    largest = max(steps, key=lambda s: abs(nominal(s)))
    figures = {"step": step, "shift": step / 2, "largest": size_of(largest)}
    lines = [
        f"step = mean of {len(steps)} = {put(step, 'um', 3)}",
        f"each side is cut off its zero by step / 2 = {put(step, 'um', 3)} / 2 = {put(step / 2, 'um', 3)}, in opposite directions",
    ]
    tilted = False
    if len(places) > 1:
        tilt = slope_of(places, steps, "steps")  # um per mm is mm per m
        figures["tilt"] = tilt
        reach = nominal(tilt) * (max(places) - min(places))
        lines.append(
            f"tilt = slope of step against place = {put(tilt, 'mm/m', 3)}: {put(reach, 'um', 2)} from end to end"
        )
        tilted = abs(nominal(tilt)) > 2 * deviation(tilt) and abs(reach) > abs(nominal(step))
    limit = nominal(g["limit"])
    if near(figures["largest"], high=limit):
        says = ("Too near the limit to tell: read the highest place three times more.",)
    elif nominal(figures["largest"]) < limit:
        says = ("The halves meet. Nothing to correct.",)
    elif tilted:
        says = (
            "The seam is skew: the block or its holder turned between the sides. Clean the seat and tighten it before any calibration.",
        )
    elif abs(nominal(step)) <= 2 * deviation(step):
        says = ("The step changes from place to place: a holder, block or axis that moves. Try it by hand first.",)
    else:
        says = (
            "The same step along the seam: the zero of the axis across it is off by half the step. Clean the references and calibrate.",
        )
    limits = (Limit("largest", f"under {g.put('limit')}", high=limit),)
    return Worked(figures, tuple(lines), limits, says=says)


HALF_STEP = Calculation(
    id="half-step",
    title="Step between the halves of a part milled from two sides",
    subject="size",
    answers="How high is the step at the seam, and how far is the zero of the axis off?",
    inputs=(
        Input("steps", "h", "step at several places, with sign", "um", -3000, 3000, "dial-1um", several=(1, 30)),
        Input("places", "x", "where along the seam", "mm", -200, 200, optional=True, several=(1, 30)),
        Input("limit", "", "allowed step", "um", 1, 500, default="20 um"),
    ),
    figures=(
        Figure("step", "h", "mean step", "um"),
        Figure("shift", "h/2", "the axis zero is off by", "um"),
        Figure("largest", "", "largest step, without sign", "um"),
        Figure("tilt", "", "tilt of the seam", "mm/m"),
    ),
    work=_half_step,
    sources=("physics", "jcgm-100-gum", "nist-handbook"),
    example={"steps": "42 38 45 um", "places": "2 10 18 mm"},
    hazards=("sharp-burr",),
)


def _lost_motion(g: Given) -> Worked:
    one, other = mean_of(g["up"], "up"), mean_of(g["down"], "down")
    no_slip_of_unit("up", [*g["up"], *g["down"]])
    lost = size_of(one - other)
    second = put(other, "um", 4) if nominal(other) >= 0 else f"({put(other, 'um', 4)})"
    lines = (f"lost = |mean up - mean down| = |{put(one, 'um', 4)} - {second}| = {put(lost, 'um', 3)}",)
    limit = nominal(g["limit"])
    if min(len(g["up"]), len(g["down"])) < 3:
        say = "Read it three times each way: then the sheet can say how sure it is."
    elif nominal(lost) <= 2 * deviation(lost):
        say = "Not more than the readings scatter: no lost motion is proved."
    elif near(lost, high=limit):
        say = "Too near the limit to tell: read more often each way, and see that the stand does not move."
    elif nominal(lost) < limit:
        say = "There is some, within the limit. Note it and compare in three months."
    else:
        say = "Try belt, nut and guide of this axis (service). First make sure the stand itself does not move."
    limits = (Limit("lost", f"under {g.put('limit')}", high=limit),)
    return Worked({"lost": lost}, lines, limits, says=(say,))


def _series(key: str, ask: str) -> Input:
    return Input(key, "", ask, "um", -5000, 5000, instrument="dial-1um", several=(1, 30))


LOST_MOTION = Calculation(
    id="lost-motion",
    title="Lost motion of an axis",
    subject="axes",
    answers="How much does an axis give between push and pull, or come short after turning round?",
    inputs=(
        _series("up", "dial, pushed or come from below"),
        _series("down", "dial, pulled or come from above"),
        Input("limit", "", "allowed lost motion", "um", 1, 1000, default="20 um"),
    ),
    figures=(Figure("lost", "", "lost motion", "um"),),
    work=_lost_motion,
    sources=("iso-230-2", "jcgm-100-gum"),
    example={"up": "12 14 13 um", "down": "-21 -19 -22 um"},
    hazards=("rotating-spindle", "machine-damage"),
)


def _warm_up(g: Given) -> Worked:
    material, own = g["material"], g["alpha"]
    if material == "own" and own is None:
        raise CalcError("alpha", "alpha: with the material 'own' give its expansion, such as 19 um/(m.K) for brass")
    if material != "own" and own is not None:
        raise CalcError("alpha", f"alpha: leave it out for {material}, or take the material 'own'")
    alpha = own if material == "own" else ufloat(*(STEEL if material == "steel" else ALUMINIUM), "material")
    growth = expansion(g["length"] / 1000, alpha, g["rise"])  # m x um/(m K) x K -> um
    figures = {"expansion": growth}
    lines = [
        f"dL = alpha L dT = {put(alpha, 'um/(m K)')} x {g.put('length')} x {g.put('rise')} = {put(growth, 'um', 3)}"
    ]
    says: tuple[str, ...] = ()
    drift = g["drift"]
    if drift is not None:
        if abs(nominal(drift)) < 1:
            raise CalcError("drift", "drift: under 1 um there is nothing to explain; leave it out")
        share = 100 * growth / drift
        figures["explained"] = share
        lines.append(f"share = dL / drift = {put(growth, 'um', 3)} / {g.put('drift')} = {put(share, '%', 3)}")
        says = (_explained(share),)
    return Worked(figures, tuple(lines), says=says)


def _explained(share: Number) -> str:
    least, most = nominal(share) - 2 * deviation(share), nominal(share) + 2 * deviation(share)
    if least <= 100 <= most:
        return "Warmth alone can explain it: warm the mill up before calibrating, and calibrate warm."
    if most < 0:
        return "The drift goes the other way: it is not this length that grows. See that it repeats at all."
    if most < 100:
        return "Warmth of this part explains only a share: the spindle may grow more, or it does not repeat (two calibrations in a row)."
    return "Less drift than this rise of temperature would give: part of the length is not that warm yet."


WARM_UP = Calculation(
    id="warm-up",
    title="Growth of a length by warmth",
    subject="axes",
    answers="How much does a length of the mill grow as it warms, and does that explain a drift?",
    inputs=(
        Input("length", "L", "length that warms", "mm", 1, 2000, instrument="ruler"),
        Input("material", "", "material", choices=("steel", "aluminium", "own"), default="steel"),
        Input("rise", "dT", "rise of its temperature", "K", -40, 60, instrument="thermometer"),
        Input("alpha", "", "its own expansion per kelvin", "um/(m.K)", 0.1, 200, percent=5, optional=True),
        Input("drift", "", "drift that was measured", "um", -2000, 2000, instrument="two-calibrations", optional=True),
    ),
    figures=(Figure("expansion", "dL", "growth", "um"), Figure("explained", "", "share of the drift explained", "%")),
    work=_warm_up,
    sources=("jcgm-100", "iso-230-3"),
    example={"length": "200 mm", "material": "steel", "rise": "5 K", "drift": "14 um"},
    hazards=(),
)

CALCULATIONS = (HALF_STEP, LOST_MOTION, WARM_UP)
