"""How long burrs last: change-by life from logged changes (Kaplan-Meier, Weibull), and life against speed (Taylor)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from uncertainties import ufloat, umath

from advisor.calc.base import (
    CalcError,
    Calculation,
    Curve,
    Figure,
    Given,
    Input,
    Number,
    Plot,
    Worked,
    deviation,
    nominal,
    put,
)
from advisor.calc.lifetimes import Weibull, kaplan_meier, student, weibull_fit

__all__ = ["CALCULATIONS", "Taylor", "reconstruct", "taylor_fit"]

FEW = 5  # below this many failures the doubt is said in words as well (common practice, no source)


def reconstruct(records: Iterable[tuple[str, str, float, bool]]) -> tuple[list[float], list[float]]:
    """Lives of burrs from logged readings, as (changed, running).

    `records` are (mill, burr kind, hours read, replaced) in the order of time. `replaced` means that the burr with
    this reading was then taken out as worn or broken. A reading lower than the one before on the same mill and kind
    means that a new burr was put in meanwhile; so does any reading after a replacement. The last reading of each burr
    counts as changed if the burr was replaced, else as running: it lasted at least so long. A burr last read at 0 h
    and not replaced tells nothing and is left out.

    >>> reconstruct([("A", "finishing", 8.0, False), ("A", "finishing", 15.0, True), ("A", "finishing", 3.0, False)])
    ([15.0], [3.0])
    """
    changed: list[float] = []
    running: list[float] = []
    last: dict[tuple[str, str], float] = {}
    for mill, kind, hours, replaced in records:
        key = (mill, kind)
        if key in last and hours < last[key]:
            running.append(last.pop(key))
        if replaced:
            changed.append(hours)
            last.pop(key, None)
        else:
            last[key] = hours
    running += last.values()
    return changed, [hours for hours in running if hours > 0]


def _burr_life(g: Given, unit: str, thing: str) -> Worked:
    changed: list[Number] = g["changed"]
    running = [t for t in g["running"] or [] if nominal(t) > 0]
    count = len(changed)
    try:
        fit = weibull_fit(changed, running, student(count - 1) if count > 1 else 1.0)
    except ValueError:
        raise CalcError(
            "changed",
            f"changed: two different {thing} of worn or broken burrs are the least; put the sound ones under running and log on",
        ) from None
    risk = nominal(g["risk"]) / 100
    life = fit.life(risk)
    low, high = _interval(fit.log_life(risk))
    steps = kaplan_meier([nominal(t) for t in changed], [nominal(t) for t in running])
    at = nominal(life)
    kept = next((r for t, r in reversed(steps) if t <= at), 1.0)
    figures = {
        "change_by": life,
        "median": fit.life(0.5),
        "mean": fit.mean,
        "shape": fit.shape,
        "scale": fit.scale,
    }
    tail = "" if unit == "1" else f" {unit}"
    lines = [
        f"Weibull S = exp(-(t/eta)^k), most likely for {count} failed, {len(running)} sound",
        f"t = eta (-ln(1 - {put(100 * risk, '%')}))^(1/k) = {put(life, unit, 3)}; 95 %: {put(low, digits=2)} to {put(high, unit, 2)}",
        f"Kaplan-Meier (no curve assumed): {put(100 * kept, '%', 3)} still good at {put(life, unit, 3)}",
    ]
    if g["now"] is not None:
        figures["used"] = 100 * g["now"] / life
        figures["chance"] = 100 * fit.fails_next(g["now"], g["ahead"])
        lines.append(
            f"1 - S({put(g['now'] + g['ahead'])}) / S({put(g['now'])}) = {put(figures['chance'], '%', 3)} chance to fail in the next {put(g['ahead'])}{tail}"
        )
    return Worked(
        figures,
        tuple(lines),
        says=_life_says(fit, count, low, high, at, g["now"], unit),
        plot=_life_plot(fit, steps, [nominal(t) for t in [*changed, *running]], at, risk, unit, thing),
    )


def _interval(log_life: Number) -> tuple[float, float]:
    middle, wide = nominal(log_life), 2 * deviation(log_life)
    return math.exp(max(middle - wide, -700)), math.exp(min(middle + wide, 700))


def _life_says(
    fit: Weibull, count: int, low: float, high: float, at: float, now: Number | None, unit: str
) -> tuple[str, ...]:
    says = []
    if count < FEW:
        wide = (
            f"anywhere from {put(low, digits=2)} to {put(high, unit, 2)}"
            if high < 20 * low
            else "next to nothing known"
        )
        says.append(f"Only {count} failures: {wide}. Log on before trusting it.")
    if nominal(fit.shape) < 1:
        says.append(
            "Shape under 1 points to early failures, not wear: look for a setup fault (run-out, feed, wrong burr)."
        )
    elif nominal(fit.log_shape) < deviation(fit.log_shape):
        says.append("Wear and chance failures cannot be told apart yet (shape may be 1): see run-out and feed too.")
    elif now is not None and nominal(now) >= at:
        says.append("The burr in the mill is past that: change it before the next job.")
    else:
        says.append(f"The burrs fail by wear: change each by {put(at, unit, 2)}.")
    return tuple(says[:2])


def _life_plot(
    fit: Weibull, steps: list[tuple[float, float]], times: list[float], at: float, risk: float, unit: str, thing: str
) -> Plot:
    end = 1.1 * max(*times, min(at, 3 * max(times)))
    grid = [end * i / 60 for i in range(61)]
    stairs = [(0.0, 1.0), *steps, (max(times), steps[-1][1])]
    return Plot(
        "Burrs still good",
        thing,
        "%",
        (
            Curve("Weibull", grid, [100 * fit.good(t) for t in grid]),
            Curve("Kaplan-Meier", [t for t, _ in stairs], [100 * r for _, r in stairs], "steps"),
            Curve(f"change by {put(at, unit, 2)}", [min(at, end)] * 2, [0.0, 100 * (1 - risk)]),
        ),
        ((f"{put(100 * (1 - risk), '%')} good", 100 * (1 - risk)),),
    )


def _life(
    key: str, title: str, unit: str, thing: str, least: float, most: float, example: dict[str, str]
) -> Calculation:
    tool = "hour-counter" if unit == "h" else None

    def work(g: Given) -> Worked:
        return _burr_life(g, unit, thing)

    return Calculation(
        id=key,
        title=title,
        subject="burrs",
        answers=f"After how many {thing} should this kind of burr be changed?",
        inputs=(
            Input(
                "changed", "t", f"{thing} of burrs worn or broken", unit, least, most, instrument=tool, several=(1, 200)
            ),
            Input(
                "running",
                "r",
                f"{thing} of burrs running or sound",
                unit,
                0,
                most,
                instrument=tool,
                several=(1, 200),
                optional=True,
            ),
            Input("risk", "p", "share that may fail before the change", "%", 0.5, 50, default="10 %"),
            Input("now", "n", f"{thing} of the burr in the mill", unit, 0, most, instrument=tool, optional=True),
            Input("ahead", "a", f"{thing} of the next job", unit, least, 500, default="1" if unit == "1" else "1 h"),
        ),
        figures=(
            Figure("change_by", "t", "change-by life", unit),
            Figure("median", "", "half of them last", unit),
            Figure("mean", "", "mean life", unit),
            Figure("shape", "k", "Weibull shape"),
            Figure("scale", "eta", "Weibull scale", unit),
            Figure("used", "", "used of the change-by life", "%"),
            Figure("chance", "", "chance to fail in the next job", "%"),
        ),
        work=work,
        sources=("nist-handbook",),
        example=example,
    )


BURR_LIFE = _life(
    "burr-life",
    "Change-by life of a burr from logged hours",
    "h",
    "hours",
    0.05,
    5000,
    {"changed": "14.5 18 21.5 16 25 19.5 h", "running": "12 20 h", "risk": "10 %", "now": "11 h", "ahead": "1.5 h"},
)
BURR_LIFE_PARTS = _life(
    "burr-life-parts",
    "Change-by life of a burr from counted parts",
    "1",
    "parts",
    1,
    20000,
    {"changed": "22 31 27 35", "running": "18 30", "now": "24"},
)


@dataclass(frozen=True)
class Taylor:
    """V T^n = C as a line: ln T = y0 + slope (ln V - x0)."""

    x0: float
    y0: Number
    slope: Number

    @property
    def n(self) -> Number:
        """Taylor's exponent."""
        return -1 / self.slope

    @property
    def c(self) -> Number:
        """The speed for a life of one unit."""
        return umath.exp(self.x0 + self.n * self.y0)

    def life(self, speed: float) -> Number:
        """Life at `speed`."""
        return umath.exp(self.y0 + self.slope * (math.log(speed) - self.x0))


def taylor_fit(speeds: Sequence[float], lives: Sequence[Number]) -> Taylor:
    """Taylor's tool life V T^n = C by least squares of ln T on ln V (the life scatters, the speed is set).

    Doubt: that of the lives as read, and with three or more pairs the scatter about the line that reading does not
    account for, widened by Student's t for pairs - 2. ValueError when the speeds are all (nearly) the same.
    Source: Taylor's tool life equation, textbook form.

    >>> fit = taylor_fit([160, 130], [5.75, 14.25])
    >>> round(fit.n, 5), round(fit.c, 2), round(fit.life(80), 1)
    (0.22879, 238.74, 119.0)
    """
    x = [math.log(v) for v in speeds]
    y = [umath.log(t) for t in lives]
    count = len(x)
    x0 = sum(x) / count
    sxx = sum((a - x0) ** 2 for a in x)
    if max(x) - min(x) < 0.01:
        raise ValueError("the speeds are all the same")
    y0 = sum(y) / count
    slope = sum((a - x0) * b for a, b in zip(x, y, strict=True)) / sxx
    if count > 2:
        left = [nominal(b) - nominal(y0) - nominal(slope) * (a - x0) for a, b in zip(x, y, strict=True)]
        read = sum(deviation(b) ** 2 for b in y) / count
        extra = math.sqrt(max(sum(r * r for r in left) / (count - 2) - read, 0.0)) * student(count - 2)
        if extra:
            y0 = y0 + ufloat(0, extra / math.sqrt(count), "scatter of the lives")
            slope = slope + ufloat(0, extra / math.sqrt(sxx), "scatter of the lives")
    return Taylor(x0, y0, slope)


def _tool_life(g: Given) -> Worked:
    speeds = [nominal(r["speed"]) for r in g["pairs"]]
    try:
        fit = taylor_fit(speeds, [r["life"] for r in g["pairs"]])
    except ValueError:
        raise CalcError("pairs", "pairs: all speeds are the same; give lives at two or more different speeds") from None
    if nominal(fit.slope) > -0.2 or nominal(fit.slope) < -100:
        raise CalcError(
            "pairs",
            "pairs: these lives do not fall with speed as Taylor's law has it; check the lines, or look for what else changed (feed, coolant, run-out)",
        )
    speed = nominal(g["speed"])
    life = fit.life(speed)
    lines = [
        f"ln T = ln C / n - (ln V) / n, least squares of ln T on ln V over {len(speeds)} pairs",
        f"n = {put(fit.n, digits=3)}, C = {put(fit.c, 'rpm', 4)} (the speed for a life of 1 h)",
        f"T = (C / V)^(1/n) = ({put(fit.c)} / {put(speed)})^(1 / {put(fit.n, digits=3)}) = {put(life, 'h', 3)}",
    ]
    says = []
    if len(speeds) == 2:
        says.append("Two pairs fit any line: how burrs of one kind differ is not in the doubt. Try a third speed.")
    if speed > 1.25 * max(speeds) or speed < 0.8 * min(speeds):
        says.append("The new speed lies well outside those tried: try it on one burr before relying on it.")
    else:
        says.append("Holds for the same burr, material, feed and coolant only.")
    low, high = 0.8 * min(*speeds, speed), 1.25 * max(*speeds, speed)
    grid = [low + (high - low) * i / 40 for i in range(41)]
    return Worked(
        {"life": life, "n": fit.n, "c": fit.c},
        tuple(lines),
        says=tuple(says),
        plot=Plot(
            "Burr life against speed",
            "rpm",
            "h",
            (
                Curve("Taylor", grid, [nominal(fit.life(v)) for v in grid]),
                Curve("as logged", speeds, [nominal(r["life"]) for r in g["pairs"]], "dots"),
            ),
        ),
    )


TOOL_LIFE = Calculation(
    id="tool-life-speed",
    title="Burr life at another spindle speed",
    subject="burrs",
    answers="How long will a burr last if the spindle speed is changed?",
    inputs=(
        Input(
            "pairs",
            "VT",
            "speeds and the burr life at each",
            several=(2, 50),
            columns=(
                Input("speed", "V", "spindle speed", "rpm", 500, 200000),
                Input("life", "T", "life of the burr", "h", 0.01, 5000, instrument="hour-counter"),
            ),
        ),
        Input("speed", "V", "new spindle speed", "rpm", 500, 200000),
    ),
    figures=(
        Figure("life", "T", "life at the new speed", "h"),
        Figure("n", "n", "Taylor's exponent"),
        Figure("c", "C", "speed for a life of 1 h", "rpm"),
    ),
    work=_tool_life,
    sources=("taylor",),
    example={"pairs": ["45000 24", "50000 17.5", "60000 8"], "speed": "55000 rpm"},
)

CALCULATIONS = (BURR_LIFE, BURR_LIFE_PARTS, TOOL_LIFE)
