"""The water and the age of the bath: hardness in every unit and blending it, and whether a bath may stay."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

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
from advisor.calc.means import near
from advisor.readings import conformance, convert

__all__ = ["CALCULATIONS", "hardness_class", "hardness_in", "share_of_second"]

UNITS = (("dH", "degrees dH"), ("fH", "degrees fH"), ("mmol/L", "mmol/L"), ("gpg", "grains/gal"))
CLASSES = (("soft", 60.0), ("moderately-hard", 120.0), ("hard", 180.0), ("very-hard", math.inf))  # USGS, mg/L CaCO3


def hardness_in(value: float, unit: str) -> float:
    """Hardness in mg/L of calcium carbonate expressed in `unit`: dH, fH, mmol/L or gpg (grains per US gallon).

    1 degree dH = 17.848 mg/L (10 mg/L of CaO), 1 degree fH = 10, 1 mmol/L = 100.09, 1 grain/US gal = 17.118.

    >>> round(hardness_in(178.48, "dH"), 3)
    10.0
    """
    return convert(value, "mg/L", unit)


def hardness_class(value: float, u: float = 0.0) -> dict[str, float]:
    """Probability of each USGS class (soft to 60, moderately hard to 120, hard to 180, very hard above; mg/L CaCO3)
    for a reading with standard uncertainty `u`."""
    low, out = -math.inf, {}
    for name, high in CLASSES:
        out[name] = conformance(value, u, low, high)
        low = high
    return out


def share_of_second(first: Any, second: Any, target: Any) -> Any:
    """Share (0..1) of the second water that brings the blend to the target: x = (h1 - h) / (h1 - h2).

    Hardness mixes by volume. ValueError when the target does not lie between the two.

    >>> share_of_second(300.0, 0.0, 180.0)
    0.4
    """
    low, high = sorted((nominal(first), nominal(second)))
    if low == high or not low <= nominal(target) <= high:
        raise ValueError("the target does not lie between the two waters")
    return (first - target) / (first - second)


def _water_hardness(g: Given) -> Worked:
    h = g["hardness"]
    value = nominal(h)
    lines = [f"{put(h, 'mg/L')} CaCO3 = " + " = ".join(put(hardness_in(value, u), n, 3) for u, n in UNITS)]
    figures = {"hardness": h}
    if near(h, 60.0, 360.0):
        says = ["Too near the edge of the range to tell: have the water tested, or ask the waterworks."]
    elif value < 60:
        says = ["Soft: the surfactants act fully and the bath foams much. Harden it with tap water of medium hardness."]
    elif value < 360:
        says = ["Good for mixing: neither much foam nor much lime soap is to be expected."]
    else:
        says = ["Hard: lime soap makes scum, a sticky film and crust on nozzles. Blend with deionised water."]
    if g["target"] is not None:
        try:
            share = share_of_second(h, g["second"], g["target"])
        except ValueError:
            raise CalcError(
                "target",
                f"{g.put('target')} cannot be mixed from {g.put('hardness')} and {g.put('second')}: it must lie between them",
            ) from None
        figures |= {"share": 100 * share, "litres": share * g["volume"]}
        lines.append(
            f"share = (h1 - h) / (h1 - h2) = ({g.put('hardness')} - {g.put('target')}) / ({g.put('hardness')} - {g.put('second')}) = {put(100 * share, '%', 3)}"
        )
        other = nominal(g["volume"] * (1 - share))
        says.append(
            f"For {g.put('volume', 3)}: {put(nominal(figures['litres']), 'L', 3)} of the second water, {put(other, 'L', 3)} of this one; test the blend."
        )
    limit = Limit("hardness", "60 to 360 mg/L for mixing", 60.0, 360.0)
    return Worked(figures, tuple(lines), (limit,), hardness_class(value, deviation(h)), tuple(says))


WATER_HARDNESS = Calculation(
    id="water-hardness",
    title="Hardness of the mixing water, and blending it",
    subject="water",
    answers="How hard is the water in every unit, what does that do, and how is it blended to a target?",
    inputs=(
        Input("hardness", "h1", "total hardness, any unit", "mg/L", 0, 2000, instrument="hardness-strip"),
        Input("second", "h2", "hardness of a second water to blend in", "mg/L", 0, 2000, percent=10, default="0"),
        Input("target", "h", "hardness wanted", "mg/L", 0, 2000, optional=True),
        Input("volume", "V", "volume of the blend", "L", 0.1, 500, default="2.75 L", profile="bath_volume"),
    ),
    figures=(
        Figure("hardness", "h", "total hardness as CaCO3", "mg/L"),
        Figure("share", "", "share of the second water", "%"),
        Figure("litres", "", "second water for the volume", "L"),
    ),
    classes=(
        Class("soft", "soft"),
        Class("moderately-hard", "moderately hard"),
        Class("hard", "hard"),
        Class("very-hard", "very hard"),
    ),
    work=_water_hardness,
    sources=("usgs-hardness", "foam-hardness"),
    example={"hardness": "22 dH", "second": "0 dH", "target": "10 dH", "volume": "2.75 L"},
)


# --- bath-age

FALL = 0.5  # pH, common practice, no source
FAIR, POOR = 1e4, 1e6  # CFU/mL, HSE dip-slide bands
WATCH, CHANGE = 10.0, 20.0  # mg/L nitrite, TRGS 611 (2007) 5.3
NITRATE = 50.0  # mg/L in the mixing water, TRGS 611 (2007) 5.2


def _bands(value: float, u: float, first: float, second: float) -> tuple[float, float, float]:
    """Chances to lie below the first limit, between the two, and at or above the second."""
    keep = conformance(value, u, -math.inf, first)
    return keep, conformance(value, u, first, second), conformance(value, u, second, math.inf)


def _count_bands(count: Any) -> tuple[float, float, float]:
    """The same for a colony count, which is known by a factor rather than by a margin: normal in its logarithm."""
    value = nominal(count)
    if value <= 0:
        return 1.0, 0.0, 0.0
    spread = math.sqrt(math.log1p((deviation(count) / value) ** 2))
    return _bands(math.log(value), spread, math.log(FAIR), math.log(POOR))


def _bath_age(g: Given) -> Worked:
    change = g["ph"] - g["ph_fresh"]
    value = nominal(change)
    normal = NormalDist(value, max(deviation(change), 1e-9))
    steady = normal.cdf(FALL) - normal.cdf(-FALL)
    lines = [f"change of pH = bath - fresh mix = {g.put('ph')} - {g.put('ph_fresh')} = {value:+.2f}"]
    bands = [(steady, 1 - steady, 0.0)]
    if g["nitrite"] is not None:
        bands.append(_bands(nominal(g["nitrite"]), deviation(g["nitrite"]), WATCH, CHANGE))
        lines.append(f"nitrite {g.put('nitrite')}: from 10 measure weekly, over 20 change (TRGS 611)")
    if g["count"] is not None:
        bands.append(_count_bands(g["count"]))
        lines.append(f"count {nominal(g['count']):.2g} CFU/mL: under 1e4 good, from 1e6 act at once (HSE)")
    keep = math.prod(b[0] for b in bands)
    dump = 1 - math.prod(1 - b[2] for b in bands)
    correct = max(1 - keep - dump, 0.0)
    total = keep + correct + dump
    classes = {"keep": keep / total, "correct": correct / total, "dump": dump / total}
    return Worked(
        {"change": change},
        tuple(lines),
        (Limit("change", "within 0.5 of a fresh mix", -FALL, FALL),),
        classes,
        _age_says(g, max(classes, key=lambda k: classes[k]), value),
    )


def _age_says(g: Given, verdict: str, change: float) -> tuple[str, ...]:
    says = []
    if verdict == "dump":
        says.append("Change it, all or a good part, clean the tank, and keep the old bath as waste.")
    elif verdict == "correct":
        cause = (
            "A rise points to a cleaning agent or too much concentrate" if change >= FALL else "Set the strength right"
        )
        says.append(f"{cause}; skim and clean out sludge, test again within the week, part-change if it goes on.")
    elif g["count"] is None:
        says.append("Nothing speaks against it, but pH is no substitute for a dip slide: take one.")
    else:
        says.append("It may stay: test again in a week.")
    if g["nitrate"] is not None and nominal(g["nitrate"]) > NITRATE:
        says.append("The water has over 50 mg/L nitrate, which feeds nitrite: mix with other water.")
    elif g["temperature"] is not None and nominal(g["temperature"]) >= 30:
        says.append("A bath of 30 degC and more ages fast: cool the room or pause long jobs.")
    elif g["age"] is not None and nominal(g["age"]) > 28 and verdict == "keep":
        says.append("Past four weeks few small baths stay fresh: plan its change.")
    return tuple(says)


BATH_AGE = Calculation(
    id="bath-age",
    title="May the bath stay?",
    subject="water",
    answers="Do pH, nitrite and count allow the bath to stay, or is it to be corrected or changed?",
    inputs=(
        Input("ph", "", "pH of the bath", "pH", 3, 13, instrument="ph-strip"),
        Input("ph_fresh", "", "pH of a fresh mix, strip of the same box", "pH", 3, 13, instrument="ph-strip"),
        Input("nitrite", "", "nitrite in the bath", "mg/L", 0, 500, instrument="nitrite-strip", optional=True),
        Input("count", "", "dip slide count", "CFU/mL", 0, 1e9, instrument="dip-slide-kit", optional=True),
        Input("nitrate", "", "nitrate in the mixing water", "mg/L", 0, 500, percent=20, optional=True),
        Input("age", "", "age of the bath", "d", 0, 730, optional=True),
        Input("temperature", "", "temperature of the bath", "degC", 0, 70, instrument="thermometer", optional=True),
    ),
    figures=(Figure("change", "", "pH of bath minus fresh mix", "pH"),),
    classes=(
        Class("keep", "keep it"),
        Class("correct", "correct or part-change it"),
        Class("dump", "change it"),
    ),
    work=_bath_age,
    sources=("trgs-611", "hse-coolant"),
    example={
        "ph": "8.2",
        "ph_fresh": "9.1",
        "nitrite": "10 mg/L",
        "count": "100000",
        "nitrate": "18 mg/L",
        "age": "30 d",
        "temperature": "26 degC",
    },
    hazards=("coolant-contact", "biological-bath"),
)

CALCULATIONS = (WATER_HARDNESS, BATH_AGE)
