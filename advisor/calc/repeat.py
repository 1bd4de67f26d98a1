"""How well something repeats: a sensor touched again and again, two calibrations, an axis after ISO 230-2."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from uncertainties import ufloat

from advisor.calc.base import (
    CalcError,
    Calculation,
    Curve,
    Figure,
    Given,
    Input,
    Limit,
    Number,
    Plot,
    Worked,
    nominal,
    put,
)
from advisor.calc.means import no_slip_of_unit, sample_deviation, size_of

__all__ = ["CALCULATIONS", "AxisTest", "axis_test"]

FEW = 5  # approaches from each side, ISO 230-2:2014


@dataclass(frozen=True)
class AxisTest:
    """Figures of ISO 230-2:2014 for one axis, in the unit of the readings. `reversals` are B_i, `repeats` R_i."""

    reversals: tuple[Number, ...]
    repeats: tuple[Number, ...]
    forward: Number
    backward: Number
    systematic: Number
    mean_deviation: Number
    accuracy: Number

    @property
    def reversal(self) -> Number:
        """B: the largest reversal, without its sign."""
        return size_of(max(self.reversals, key=lambda b: abs(nominal(b))))

    @property
    def repeatability(self) -> Number:
        """R: the largest R_i."""
        return max(self.repeats, key=nominal)


def axis_test(forward: Sequence[Sequence[Number]], backward: Sequence[Sequence[Number]]) -> AxisTest:
    """Repeatability and accuracy of an axis approached from both sides.

    `forward[i]` and `backward[i]` are two or more deviations (reached minus wanted) at target i. With means m and
    standard deviations s (n - 1): B_i = m_f - m_b; R_i = max(2 s_f + 2 s_b + |B_i|, 4 s_f, 4 s_b);
    E = range of all one-sided means; M = range of the two-sided means; A = max(m + 2s) - min(m - 2s).
    Source: ISO 230-2:2014, from memory.
    """
    mf, mb = ([sum(r) / len(r) for r in side] for side in (forward, backward))
    sf, sb = ([sample_deviation(r) for r in side] for side in (forward, backward))
    reversals = [f - b for f, b in zip(mf, mb, strict=True)]
    repeats = [
        max((2 * f + 2 * b + size_of(r), 4 * f, 4 * b), key=nominal) for f, b, r in zip(sf, sb, reversals, strict=True)
    ]
    means, both = [*mf, *mb], [(f + b) / 2 for f, b in zip(mf, mb, strict=True)]
    highs = [m + 2 * s for m, s in zip(means, [*sf, *sb], strict=True)]
    lows = [m - 2 * s for m, s in zip(means, [*sf, *sb], strict=True)]
    return AxisTest(
        tuple(reversals),
        tuple(repeats),
        4 * max(sf, key=nominal),
        4 * max(sb, key=nominal),
        _range(means),
        _range(both),
        max(highs, key=nominal) - min(lows, key=nominal),
    )


def _range(values: Sequence[Number]) -> Number:
    return max(values, key=nominal) - min(values, key=nominal)


def _repeatability(g: Given) -> Worked:
    rows = g["rows"]
    targets = [nominal(r["target"]) for r in rows]
    if len(set(targets)) < len(targets):
        raise CalcError("rows", "rows: a target stands in two lines; put all its readings in one line")
    test = axis_test([r["forward"] for r in rows], [r["backward"] for r in rows])
    at = max(range(len(rows)), key=lambda i: nominal(test.repeats[i]))
    row = rows[at]
    sf, sb = (nominal(sample_deviation(row[side])) for side in ("forward", "backward"))
    lines = (
        f"worst target {put(targets[at], 'mm')}: s forward {put(sf, 'um', 3)}, s backward {put(sb, 'um', 3)}, B = {put(test.reversals[at], 'um', 3)}",
        f"R = larger of 2 s + 2 s + |B|, 4 s, 4 s = {put(test.repeatability, 'um', 3)}",
    )
    scatter = max(nominal(test.forward), nominal(test.backward))
    say = (
        "Most of it is reversal: look for play (belt, nut, guide); scatter is the smaller part."
        if nominal(test.reversal) > scatter
        else "Most of it is scatter, not play: look for dirt, a loose part or a stand that moves."
    )
    few = min(len(r[side]) for r in rows for side in ("forward", "backward"))
    says = (say,) if few >= FEW else (say, f"{few} approaches are few: the standard asks for {FEW} from each side.")
    figures = {
        "repeatability": test.repeatability,
        "forward": test.forward,
        "backward": test.backward,
        "reversal": test.reversal,
        "systematic": test.systematic,
        "mean_deviation": test.mean_deviation,
        "accuracy": test.accuracy,
    }
    return Worked(figures, lines, says=says, plot=_deviations(g))


def _deviations(g: Given) -> Plot:
    rows = sorted(g["rows"], key=lambda r: nominal(r["target"]))
    curves = []
    for side in ("forward", "backward"):
        means = [nominal(sum(r[side]) / len(r[side])) for r in rows]
        curves.append(Curve(f"{side}, mean", [nominal(r["target"]) for r in rows], means))
    for side in ("forward", "backward"):
        dots = [(nominal(r["target"]), nominal(v)) for r in rows for v in r[side]]
        curves.append(Curve(side, [x for x, _ in dots], [y for _, y in dots], "dots"))
    return Plot("Deviation along the axis", "target, mm", "um", tuple(curves))


_SIDE = {"unit": "um", "low": -5000.0, "high": 5000.0, "instrument": "dial-1um", "several": (2, 20)}
REPEATABILITY = Calculation(
    id="repeatability",
    title="Repeatability and reversal of an axis, after ISO 230-2",
    subject="axes",
    answers="How well does an axis come back to its places, from one side and from both?",
    inputs=(
        Input(
            "rows",
            "",
            "target | forward | backward readings",
            several=(2, 50),
            columns=(
                Input("target", "", "target", "mm", -1000, 1000),
                Input("forward", "", "deviations forward", **_SIDE),  # type: ignore[arg-type]
                Input("backward", "", "deviations backward", **_SIDE),  # type: ignore[arg-type]
            ),
        ),
    ),
    figures=(
        Figure("repeatability", "R", "repeatability, both ways", "um"),
        Figure("forward", "R+", "repeatability forward", "um"),
        Figure("backward", "R-", "repeatability backward", "um"),
        Figure("reversal", "B", "largest reversal (lost motion)", "um"),
        Figure("systematic", "E", "systematic deviation", "um"),
        Figure("mean_deviation", "M", "range of the means of both", "um"),
        Figure("accuracy", "A", "accuracy, both ways", "um"),
    ),
    work=_repeatability,
    sources=("iso-230-2", "jcgm-100-gum"),
    example={
        "rows": [
            "0 | 1 0 2 1 1 | -3 -4 -3 -2 -3",
            "30 | 3 4 3 5 3 | -2 -1 -2 0 -2",
            "60 | 4 6 5 5 4 | 0 -1 1 0 0",
            "90 | 8 7 9 8 8 | 3 4 3 2 3",
            "120 | 9 11 10 9 10 | 5 5 6 4 5",
        ]
    },
    hazards=("rotating-spindle",),
)


def _touch_repeat(g: Given) -> Worked:
    readings = g["readings"]
    no_slip_of_unit("readings", readings)
    ordered = sorted(readings, key=nominal)  # equal ones are still two readings
    wide, s = ordered[-1] - ordered[0], sample_deviation(readings)
    count = len(readings)
    unsure = nominal(s) / math.sqrt(2 * (count - 1))
    if unsure:
        s = s + ufloat(0.0, unsure, "readings")
    least, most = min(readings, key=nominal), max(readings, key=nominal)
    lines = (
        f"range = {put(most, 'um', 7)} - {put(least, digits=7)} = {put(wide, 'um')}",
        f"s = sqrt(sum (x - mean)^2 / {count - 1}) = {put(s, 'um', 3)}; u(s) = s / sqrt(2 x {count - 1}) = {put(unsure, 'um', 2)}",
    )
    says = (
        ("Take five readings at least: two or three settle next to nothing.",)
        if count < FEW
        else ("One reading that stands off by itself: look at it before you count it.",)
        if count > 3 and _stray([nominal(x) for x in readings])
        else ()
    )
    limit = (Limit("spread", f"under {g.put('limit')}", high=nominal(g["limit"])),)
    return Worked({"spread": wide, "s": s, "four_s": 4 * s}, lines, limit, says=says)


def _stray(values: list[float]) -> bool:
    """True when the reading farthest from the middle one lies more than six typical steps from it."""
    ordered = sorted(values)
    middle = ordered[len(ordered) // 2]
    steps = sorted(abs(v - middle) for v in values)
    return steps[-1] > 6 * max(steps[len(steps) // 2], 0.5)


TOUCH_REPEAT = Calculation(
    id="touch-repeat",
    title="Spread of repeated touches of a probe or length sensor",
    subject="axes",
    answers="Does the sensor or probe give the same value each time it is touched?",
    inputs=(
        Input("readings", "x", "all readings, um or mm", "um", -500000, 500000, "mill-display", several=(2, 50)),
        Input("limit", "", "allowed spread", "um", 0.5, 1000, default="10 um"),
    ),
    figures=(
        Figure("spread", "", "spread (largest - smallest)", "um"),
        Figure("s", "s", "standard deviation", "um"),
        Figure("four_s", "4s", "repeatability 4 s", "um"),
    ),
    work=_touch_repeat,
    sources=("iso-230-2", "nist-handbook"),
    example={"readings": "45.012 45.014 45.011 45.013 45.012 mm"},
    hazards=("rotating-spindle",),
)


def _change(g: Given) -> Worked:
    first, second = g["first"], g["second"]
    if len(first) != len(second):
        raise CalcError(
            "second",
            f"second: {len(second)} given; give as many as in the first ({len(first)}), in the same order",
        )
    no_slip_of_unit("second", [v for pair in zip(first, second, strict=True) for v in pair])
    for place, (a, b) in enumerate(zip(first, second, strict=True), 1):
        small, large = sorted((abs(nominal(a)), abs(nominal(b))))
        if 900 * small < large < 1100 * small:  # 12.4 against 12400: mm without the unit
            raise CalcError(
                "second",
                f"second: value {place} is {put(b, 'um', 6)} against {put(a, 'um', 6)}; if these are mm, type mm behind the last one of both",
            )
    changes = [b - a for a, b in zip(first, second, strict=True)]
    at = max(range(len(changes)), key=lambda i: abs(nominal(changes[i])))
    worst = size_of(changes[at])
    lines = [
        f"largest: value {at + 1}: |{put(second[at], 'um', 7)} - {put(first[at], 'um', 7)}| = {put(worst, 'um')}",
        "all: " + ", ".join(put(c, digits=4) for c in changes[:10]) + (" ..." if len(changes) > 10 else "") + " um",
    ]
    signs = {nominal(c) > 0 for c in changes}
    says = (
        ("All values moved the same way: that looks like growth or a shift, not like scatter.",)
        if len(changes) > 2 and len(signs) == 1 and min(abs(nominal(c)) for c in changes) > 3
        else ()
    )
    return Worked({"change": worst}, tuple(lines), says=says)


_VALUES = {"unit": "um", "low": -500000.0, "high": 500000.0, "instrument": "mill-display", "several": (1, 30)}
CALIBRATION_CHANGE = Calculation(
    id="calibration-change",
    title="Largest difference between two calibrations",
    subject="axes",
    answers="By how much do the values of two calibrations differ, at most?",
    inputs=(
        Input("first", "", "values of the first, um or mm", **_VALUES),  # type: ignore[arg-type]
        Input("second", "", "values of the second, same order", **_VALUES),  # type: ignore[arg-type]
    ),
    figures=(Figure("change", "", "largest difference", "um"),),
    work=_change,
    sources=("jcgm-100-gum",),
    example={"first": "12.412 8.031 45.120 mm", "second": "12.415 8.033 45.127 mm"},
    hazards=("rotating-spindle",),
)

CALCULATIONS = (REPEATABILITY, TOUCH_REPEAT, CALIBRATION_CHANGE)
