"""Does the part fit: marginal gap round a crown, and the size of zirconia after sintering."""

from __future__ import annotations

import math
from collections.abc import Mapping

from uncertainties import ufloat, wrap

from advisor.calc.base import (
    CalcError,
    Calculation,
    Class,
    Curve,
    Figure,
    Given,
    Input,
    Limit,
    Number,
    Plot,
    Worked,
    deviation,
    nominal,
    put,
)
from advisor.calc.means import mean_of, near, size_of

__all__ = ["CALCULATIONS", "enlargement", "mixed_up", "one_sided_factor"]

ENOUGH = 50  # readings round a margin, Groten et al. 2000


# --- marginal gap


def one_sided_factor(count: int, share: float = 0.95, confidence: float = 0.95) -> float:
    """Factor k of a one-sided normal tolerance interval: with `confidence`, at least `share` of all values lie below
    mean + k s of `count` readings (2 or more). Exact, by the noncentral t distribution. Source: ISO 16269-6.

    >>> round(one_sided_factor(10), 3)
    2.911
    """
    from scipy.stats import nct, norm

    return float(nct.ppf(confidence, count - 1, norm.ppf(share) * math.sqrt(count)) / math.sqrt(count))


def _above(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2))


def _gap_series(g: Given) -> Worked:
    gaps, limit = g["gaps"], nominal(g["limit"])
    count = len(gaps)
    mean = mean_of(gaps, "gaps")
    values = [nominal(x) for x in gaps]
    middle = sum(values) / count
    s = math.sqrt(sum((v - middle) ** 2 for v in values) / (count - 1))
    seen = sum(v > limit for v in values)
    figures: dict[str, Number] = {"mean": mean, "s": ufloat(s, s / math.sqrt(2 * (count - 1))) if s else 0.0}
    lines = [
        f"mean of {count} = {put(mean, 'um', 4)}, s = {put(s, 'um', 3)}; {seen} of {count} read over {put(limit, 'um')}"
    ]
    if s > 1e-9:
        figures["over"] = 100 * wrap(_above)((limit - mean) / figures["s"])
        factor = one_sided_factor(count)
        figures["upper"] = mean + factor * s
        lines.append(f"over = share of a normal curve above {put(limit, 'um')} = {put(figures['over'], '%', 3)}")
        lines.append(
            f"mean + k s = {put(mean, digits=4)} + {factor:.3f} x {put(s, digits=3)} = {put(figures['upper'], 'um', 3)}: 95 % of the margin lie under it, with 95 % confidence"
        )
    says = []
    if near(mean, high=limit):
        says.append("Too near the limit to tell: read more places, or measure on a section.")
    elif nominal(mean) < limit:
        says.append(
            "The mean is within the limit."
            if seen * 10 <= count
            else "The mean is within the limit, places are not: look at the picture where, and whether the crown sits skew."
        )
    else:
        says.append(
            "Open: seat it once more on a clean die. If it stays open, see the size of a test block before you calibrate."
        )
    if count < ENOUGH:
        says.append(f"{count} readings are few: about {ENOUGH} make the mean steady (Groten 2000).")
    bound = Limit("mean", f"mean at most {put(limit, 'um')}", high=limit, source="mclean-1971")
    turn = [360 * i / count for i in range(count)]
    plot = Plot(
        "Gap round the margin",
        "place, degrees (evenly spread)",
        "um",
        (Curve("gap", turn, values),),
        ((f"limit {put(limit)} um", limit), (f"mean {put(middle, digits=3)} um", middle)),
    )
    return Worked(figures, tuple(lines), (bound,), says=tuple(says), plot=plot)


GAP_SERIES = Calculation(
    id="gap-series",
    title="Marginal gap of a crown on its die",
    subject="fit",
    answers="How wide is the marginal gap, and what share of the margin is over the limit?",
    inputs=(
        Input("gaps", "x", "gap readings round the margin", "um", 0, 2000, "loupe", several=(3, 300)),
        Input("limit", "", "allowed gap", "um", 10, 500, default="120 um", source="mclean-1971"),
    ),
    figures=(
        Figure("mean", "", "mean gap", "um"),
        Figure("s", "s", "standard deviation", "um"),
        Figure("over", "", "share of the margin over the limit", "%"),
        Figure("upper", "", "95 % of the margin lie under", "um"),
    ),
    work=_gap_series,
    sources=("mclean-1971", "groten-2000", "iso-16269-6"),
    example={"gaps": "60 70 50 80 90 110 130 120 100 80 70 60 50 60 70 90 100 90 80 60 um"},
    hazards=(),
)


# --- sintering


def enlargement(shrink: float) -> float:
    """Factor by which a part is cut larger that shrinks by the share `shrink` (0.2 for 20 %) of its cut size.

    >>> enlargement(0.20)
    1.25
    """
    return 1 / (1 - shrink)


def mixed_up(factor: float, from_green: bool = False) -> tuple[tuple[str, float, float], ...]:
    """The ways to take shrinkage for enlargement, with `factor` as the one stated: (what was done, factor the part was
    cut with, factor the block needs). The size error is cut / needed - 1. With `from_green` the stated factor is what
    is compared with, so only the ways by which it is itself wrong are given. Arithmetic."""
    share, shrink = factor - 1, 1 - 1 / factor
    ways = []
    if not from_green:
        ways = [
            (f"{100 * shrink:.4g} % shrinkage typed as enlargement", 1 + shrink, factor),
            (f"{100 * share:.4g} % enlargement typed as shrinkage", enlargement(share), factor),
        ]
    return (
        *ways,
        (f"{100 * share:.4g} % are the shrinkage, not the enlargement", factor, enlargement(share)),
        (f"{100 * shrink:.4g} % are the enlargement, not the shrinkage", factor, 1 + shrink),
    )


def _sinter_scale(g: Given) -> Worked:
    label, green = nominal(g["label"]), g["first"] == "green"
    factors: dict[str, list[Number]] = {}
    for row in g["rows"]:
        first = row["before"] if green else nominal(row["before"])  # a design size is no reading
        measured = first / row["after"]
        factors.setdefault(row["axis"], []).append(measured if green else label * measured)
    each = {axis: sum(f) / len(f) for axis, f in sorted(factors.items())}
    errors = {axis: 100 * (label / f - 1) for axis, f in each.items()}
    _see_sizes(errors, label, green)
    mean = sum(each.values()) / len(each)
    at = max(errors, key=lambda a: abs(nominal(errors[a])))
    worst = size_of(errors[at])
    figures: dict[str, Number] = {"error": worst, "factor": mean}
    if len(each) > 1:
        ordered = sorted(errors.values(), key=nominal)
        figures["uneven"] = ordered[-1] - ordered[0]
    for axis, f in each.items():
        figures[f"factor_{axis}"] = f
    how = "cut / sintered" if green else f"{put(label, digits=5)} x design / sintered"
    lines = (
        f"factor = {how}: " + ", ".join(f"{a} {nominal(f):.4f}" for a, f in each.items()),
        f"size error = label / factor - 1: {', '.join(f'{a} {nominal(e):+.2f} %' for a, e in errors.items())}",
    )
    limit = nominal(g["limit"])
    chances = _sinter_chances(errors, limit)
    bound = Limit("error", f"under {g.put('limit')}", high=limit)
    return Worked(figures, lines, (bound,), chances, _sinter_says(errors, chances, label, green))


def _see_sizes(errors: Mapping[str, Number], label: float, green: bool) -> None:
    """CalcError when the sizes cannot be what they are said to be."""
    mean = nominal(sum(errors.values()) / len(errors))
    shrink = 100 * (1 - 1 / label)
    if not green and abs(mean + shrink) < 0.1 * shrink:
        raise CalcError("first", "first: the sizes before look like those as cut: type 'green'")
    if green and abs(mean - 100 * (label - 1)) < 10 * (label - 1):
        raise CalcError("first", "first: the sizes before look like those of the design: type 'design'")
    if any(abs(nominal(e)) > 40 for e in errors.values()):
        raise CalcError("rows", "rows: more than 40 % off; see that both sizes of a line are of the same place")


def _sinter_chances(errors: Mapping[str, Number], limit: float) -> dict[str, float]:
    """Probability of each class, from the doubts of the readings: within the limit in every direction; else wrong by
    more between the directions (range over 2) than in their middle, or the other way round. Seeded draws."""
    import numpy as np
    from uncertainties import covariance_matrix

    rng = np.random.default_rng(2014)
    names = list(errors)
    values, vectors = np.linalg.eigh(np.array(covariance_matrix([errors[n] for n in names])))
    draws = rng.standard_normal((20000, len(names))) * np.sqrt(np.clip(values, 0, None)) @ vectors.T
    draws = draws + np.array([nominal(errors[n]) for n in names])
    right = np.abs(draws).max(axis=1) < limit
    high, low = draws.max(axis=1), draws.min(axis=1)
    uneven = ~right & (high - low > np.abs(high + low))
    chances = {"right": float(right.mean()), "uneven": float(uneven.mean())}
    return {**chances, "factor": max(1 - sum(chances.values()), 0.0)}


def _sinter_says(
    errors: Mapping[str, Number], chances: Mapping[str, float], label: float, green: bool
) -> tuple[str, ...]:
    best = max(chances, key=lambda k: chances[k])
    mean = sum(errors.values()) / len(errors)
    if best == "right":
        return ("The size is right: factor and firing are not to blame.",)
    if best == "uneven":
        return (
            "It shrank unevenly: see the firing (support, furnace, rate) and the batch; another factor will not cure it.",
        )
    doubt = max(2 * deviation(mean), 0.3)
    fits = [
        (abs(nominal(mean) - 100 * (cut / needed - 1)), what, cut, needed)
        for what, cut, needed in mixed_up(label, green)
    ]
    off, what, cut, needed = min(fits)
    says = []
    if off < doubt:
        says.append(f"It fits a mix-up: {what}: cut with {cut:.4f}, the block needs {needed:.4f}.")
    else:
        says.append(
            "All directions are off alike: another factor was typed than this block needs. Compare label and job."
        )
    if len(errors) == 1:
        says.append("One direction only: measure across as well, to see whether it shrank evenly.")
    return tuple(says)


SINTER_SCALE = Calculation(
    id="sinter-scale",
    title="Size of zirconia after sintering",
    subject="fit",
    answers="Is the sintered part off because of the factor, or because it shrank unevenly?",
    inputs=(
        Input(
            "rows",
            "",
            "direction, size before, sintered",
            several=(1, 30),
            columns=(
                Input("axis", "", "x, y or z", choices=("x", "y", "z")),
                Input("before", "", "design size, or as cut", "mm", 1, 150, instrument="micrometer"),
                Input("after", "", "sintered size", "mm", 1, 150, instrument="micrometer"),
            ),
        ),
        Input("first", "", "the size before is that of", choices=("design", "green"), default="design"),
        Input("label", "F", "factor on the label of the block", "1", 1.05, 1.6),
        Input("limit", "", "allowed size error", "%", 0.05, 10, default="0.5 %"),
    ),
    figures=(
        Figure("error", "", "largest size error, without sign", "%"),
        Figure("factor", "F", "measured factor", "1"),
        Figure("uneven", "", "difference of the directions", "%"),
        Figure("factor_x", "Fx", "factor along x", "1"),
        Figure("factor_y", "Fy", "factor along y", "1"),
        Figure("factor_z", "Fz", "factor along z", "1"),
    ),
    work=_sinter_scale,
    sources=("physics", "jcgm-101", "oh-2010"),
    example={"rows": ["x 24.00 23.05", "y 12.00 11.53", "z 9.50 9.12"], "label": "1.25"},
    classes=(
        Class("right", "the size is right"),
        Class("factor", "wrong factor: all directions alike"),
        Class("uneven", "uneven shrink: the directions differ"),
    ),
    hazards=(),
)

CALCULATIONS = (GAP_SERIES, SINTER_SCALE)
