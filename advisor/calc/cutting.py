"""Cutting figures: surface speed, load of a tooth, chip thickness, and what run-out does to the load of each edge."""

from __future__ import annotations

import math
from typing import Any

from uncertainties import umath

from advisor.calc.base import CalcError, Calculation, Figure, Given, Input, Limit, Worked, deviation, nominal, put

__all__ = [
    "CALCULATIONS",
    "ball_diameter",
    "chip_thickness",
    "edge_loads",
    "surface_speed",
    "tooth_feed",
    "worst_loads",
]


def surface_speed(diameter: Any, speed: Any) -> Any:
    """Speed of the rim in m/s: v = pi D n, `diameter` in mm, `speed` in rpm.

    >>> round(surface_speed(1.0, 60000), 3), round(surface_speed(2.5, 40000), 3)
    (3.142, 5.236)
    """
    return math.pi * diameter * speed / 60_000


def tooth_feed(feed: Any, speed: Any, teeth: int) -> Any:
    """Feed per tooth in um: fz = vf / (n z), `feed` in mm/min, `speed` in rpm. One tooth: the feed per turn.

    >>> tooth_feed(1200, 60000, 2)
    10.0
    """
    return 1000 * feed / (speed * teeth)


def ball_diameter(diameter: Any, depth: Any) -> Any:
    """Diameter a ball end cuts with at a depth: 2 sqrt(a (D - a)); the full one from half the diameter on (geometry).

    >>> round(ball_diameter(2.0, 0.2), 6)
    1.2
    """
    if nominal(depth) >= nominal(diameter) / 2:
        return diameter
    return 2 * umath.sqrt(depth * (diameter - depth))


def chip_thickness(feed: Any, diameter: Any, width: Any) -> Any:
    """Largest thickness of the chip, in the unit of `feed` (per tooth): h = 2 fz sqrt(q (1 - q)), q = width / D below a
    half; from half the diameter on the whole fz (geometry, path taken as a circle).

    >>> round(chip_thickness(10.0, 1.0, 0.1), 3)
    6.0
    """
    share = width / diameter
    return feed if nominal(share) >= 0.5 else 2 * feed * umath.sqrt(share * (1 - share))


def whole(g: Given, key: str, ask: str) -> int:
    """A count; CalcError when it is no whole number."""
    value = nominal(g[key])
    if value != round(value):
        raise CalcError(key, f"{key}: {value:g} is no count of {ask}; type a whole number")
    return round(value)


def _speed(g: Given) -> Worked:
    teeth, diameter, width, depth = whole(g, "teeth", "teeth"), g["diameter"], g["width"], g["depth"]
    if nominal(width) > nominal(diameter):
        raise CalcError(
            "width", f"width: {g.put('width')} is more than the burr's {g.put('diameter')}; type the step between paths"
        )
    ball = g["end"] == "ball"
    effective = ball_diameter(diameter, depth) if ball else diameter
    speed = surface_speed(effective, g["speed"])
    feed = tooth_feed(g["feed"], g["speed"], max(teeth, 1))
    side = width if nominal(width) < nominal(effective) else effective
    chip = chip_thickness(feed, effective, side) * (effective / diameter)  # a ball meets the work at a slant
    removal = depth * width * g["feed"]
    per = "turn" if teeth < 2 else "tooth"
    lines = [
        f"v = pi D n = pi x {put(effective, 'mm', 3)} x {g.put('speed', 6)} = {put(speed, 'm/s', 3)}",
        f"feed per {per} = vf / (n{'' if teeth < 2 else ' z'}) = {put(feed, 'um', 3)}; removal = a b vf = {put(removal, 'mm3/min', 3)}",
        f"largest chip, h = 2 fz sqrt(q (1 - q)), q = {put(side / effective, digits=2)} of the D that cuts = {put(chip, 'um', 3)}",
    ]
    if ball:
        lines.insert(0, f"ball end: D = 2 sqrt(a (d - a)) = {put(effective, 'mm', 3)}; chip thinner by D / d")
    says = ["Compare with the same figures of a job that came out well; they hold for one material and burr type only."]
    if teeth < 2:
        says.append("A grit burr shares the feed of a turn among its grains: one grain takes far less than this.")
    figures = {"speed": speed, "tooth": feed, "chip": chip, "removal": removal, "effective": effective}
    return Worked(figures, tuple(lines), says=tuple(says))


CUTTING_SPEED = Calculation(
    id="cutting-speed",
    title="Surface speed, feed of a tooth and chip thickness",
    subject="cutting",
    answers="How fast does the rim run, and how thick a chip does each tooth take?",
    inputs=(
        Input("diameter", "D", "diameter of the burr", "mm", 0.1, 10, instrument="calliper"),
        Input("speed", "n", "speed of the spindle", "rpm", 1000, 200_000, percent=2),
        Input("feed", "vf", "feed", "mm/min", 1, 20_000, percent=2),
        Input("teeth", "z", "teeth of the burr (0: grit burr)", "1", 0, 24),
        Input("depth", "a", "depth of cut along the burr", "mm", 0.001, 20, percent=5),
        Input("width", "b", "width of cut, step between paths", "mm", 0.001, 10, percent=5),
        Input("end", "", "end of the burr", choices=("flat", "ball"), default="flat"),
    ),
    figures=(
        Figure("speed", "v", "surface speed", "m/s"),
        Figure("tooth", "fz", "feed per tooth (grit: per turn)", "um"),
        Figure("chip", "h", "largest chip thickness", "um"),
        Figure("removal", "Q", "removal rate, at most", "mm3/min"),
        Figure("effective", "", "diameter that cuts", "mm"),
    ),
    work=_speed,
    sources=("physics",),
    example={
        "diameter": "1.0 mm",
        "speed": "60000 rpm",
        "feed": "1200 mm/min",
        "teeth": "2",
        "depth": "0.15 mm",
        "width": "0.10 mm",
        "end": "ball",
    },
)


def edge_loads(feed: float, runout: float, teeth: int, direction: float) -> list[float]:
    """Load of each edge, in the unit of `feed` (per tooth) and `runout` (TIR, at the cutting part).

    The axis lies off centre by e = TIR / 2 towards `direction` (radians from the first edge): edge i stands out by
    r_i = e cos(2 pi i / z - direction). It finds what the edges before it left, so it takes the least of
    m fz + r_i - r_(i-m), m = 1 .. z; nothing when that is negative. The loads add up to z fz. Path taken as a circle,
    axis parallel. Source: Kline & DeVor 1983 (from memory); the relation is derived from the geometry.

    >>> [round(h, 6) for h in edge_loads(10.0, 4.0, 2, 0.0)]
    [14.0, 6.0]
    """
    e, turn = runout / 2, 2 * math.pi / teeth
    out = [e * math.cos(turn * i - direction) for i in range(teeth)]
    return [max(0.0, min(m * feed + out[i] - out[(i - m) % teeth] for m in range(1, teeth + 1))) for i in range(teeth)]


def worst_loads(ratio: float, teeth: int) -> tuple[float, float, int]:
    """Largest and smallest load of an edge over the mean load, each for its worst direction of the run-out, and how
    many edges cut where the largest is. `ratio` is run-out (TIR) over feed per tooth.

    >>> worst_loads(0.4, 2)
    (1.4, 0.6, 2)
    >>> worst_loads(3.0, 2)
    (2.0, 0.0, 1)
    """
    import numpy as np

    steps = np.arange(1, teeth + 1)[:, None]

    def loads(angle: Any) -> Any:
        gap = steps + ratio / 2 * (np.cos(angle) - np.cos(angle - 2 * math.pi * steps / teeth))
        return np.maximum(gap.min(axis=0), 0.0)

    def best(sign: float) -> float:
        centre, reach = math.pi, math.pi
        for _ in range(7):  # each round narrows the grid a hundredfold or so
            grid = centre + reach * np.linspace(-1, 1, 241)
            centre, reach = float(grid[int(np.argmax(sign * loads(grid)))]), reach / 60
        return centre

    high, low = best(1.0), best(-1.0)
    cutting = sum(load > 1e-6 for load in edge_loads(1.0, ratio, teeth, -high))
    return round(float(loads(np.array([high]))[0]), 9), round(float(loads(np.array([low]))[0]), 9), cutting


def _loads(g: Given) -> Worked:
    teeth = whole(g, "teeth", "edges")
    feed = tooth_feed(g["feed"], g["speed"], teeth)
    ratio = g["runout"] / feed
    at, u = nominal(ratio), deviation(ratio)
    high, low, cutting = worst_loads(at, teeth)
    overload: Any = high
    least: Any = low
    if u > 0:  # the slope over the doubt itself, for the loads bend where an edge loses contact
        ends = max(at - u, 0.0), at + u
        upper, lower = worst_loads(ends[1], teeth), worst_loads(ends[0], teeth)
        overload = high + (upper[0] - lower[0]) / (ends[1] - ends[0]) * (ratio - at)
        least = low + (upper[1] - lower[1]) / (ends[1] - ends[0]) * (ratio - at)
    standard = feed if g["standard"] is None else tooth_feed(g["standard"], g["speed"], teeth)
    largest = overload * feed
    figures = {
        "overload": overload,
        "largest": largest,
        "smallest": least * feed,
        "share": 100 * overload / teeth,
        "peak": largest / standard,
    }
    lines = (
        f"mean load fz = vf / (n z) = {g.put('feed')} / ({g.put('speed', 6)} x {teeth}) = {put(feed, 'um', 3)}",
        f"off centre e = TIR / 2 = {put(g['runout'] / 2, 'um', 3)}; an edge takes fz + r(i) - r(i-1), worst direction",
        f"largest = {put(largest, 'um', 3)}, smallest = {put(figures['smallest'], 'um', 3)}; {cutting} of {teeth} edges cut there",
    )
    if low <= 0:
        first = "An edge does not cut at all where the run-out lies worst: the others take its share and wear first."
    elif high >= 1.5:
        first = "All edges cut, but very unevenly: the high one wears and chips first."
    else:
        first = "All edges share the work."
    second = "Worst direction taken: the true loads lie between this and an even share."
    if nominal(figures["peak"]) >= 2:
        raised = nominal(standard) < 0.9 * nominal(feed)
        second = (
            "First set the standard feed."
            if raised
            else "First find the run-out (runout-split): a slower feed does not even it out."
        )
    return Worked(
        figures,
        lines,
        (Limit("peak", "below twice that meant", high=2.0),),
        says=(first, second),
    )


RUNOUT_LOAD = Calculation(
    id="runout-load",
    title="What run-out does to the load of each edge",
    subject="cutting",
    answers="Do all edges of the burr cut, and how much more than meant does the busiest one take?",
    inputs=(
        Input("runout", "TIR", "run-out at the cutting part", "um", 0, 200, instrument="dial-1um"),
        Input("feed", "vf", "feed as set", "mm/min", 1, 20_000, percent=2),
        Input("speed", "n", "speed of the spindle", "rpm", 1000, 200_000, percent=2),
        Input("teeth", "z", "edges, or rows of grit round the rim", "1", 2, 40),
        Input("standard", "", "standard feed, if another", "mm/min", 1, 20_000, optional=True),
    ),
    figures=(
        Figure("overload", "", "busiest edge over the mean"),
        Figure("largest", "", "largest load of an edge", "um"),
        Figure("smallest", "", "smallest load of an edge", "um"),
        Figure("share", "", "share of the work, busiest edge", "%"),
        Figure("peak", "", "busiest edge over the load meant"),
    ),
    work=_loads,
    sources=("kline-devor", "common-practice"),
    example={"runout": "6 um", "feed": "1200 mm/min", "speed": "60000 rpm", "teeth": "2", "standard": "1000 mm/min"},
    hazards=("rotating-spindle", "sharp-burr"),
)

CALCULATIONS = (CUTTING_SPEED, RUNOUT_LOAD)
