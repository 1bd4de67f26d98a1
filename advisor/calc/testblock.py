"""A milled test block measured: is it one direction, the burr, the angle between the axes, or none of them?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from uncertainties import covariance_matrix, ufloat

from advisor.calc.base import CalcError, Calculation, Class, Figure, Given, Input, Limit, Number, Worked, nominal, put
from advisor.calc.means import size_of

__all__ = ["CALCULATIONS", "Row", "TestBlock", "class_chances", "solve"]

AXES = ("x", "y", "z")
EFFECTS = (*AXES, "burr", "square")
CLASSES = {"x": "scale-x", "y": "scale-y", "z": "scale-z", "burr": "burr-size", "square": "squareness"}
DRAWS, SEED = 20000, 2014


@dataclass(frozen=True)
class Row:
    """One length of the block: `design` in mm, `error` (measured minus design) in um. `axis` x, y, z, or d1 / d2 for
    the diagonals along +x +y and +x -y. `side` is +1 for an outside and -1 for an inside length."""

    axis: str
    design: float
    error: Number
    side: int = 1


@dataclass(frozen=True)
class TestBlock:
    """What the rows say. `effects`: um per mm for x, y, z and square (x by which the y axis leans), um for burr; only
    those that follow from the rows. `touched`: effects that some row depends on. `model`: a line a row, a column an
    effect. `misfit`: chi-square of what the effects leave over, and its degrees of freedom."""

    __test__ = False

    effects: Mapping[str, Number]
    touched: tuple[str, ...]
    model: Any
    misfit: tuple[float, int]


def _lean(rows: Sequence[Row], design: float) -> float:
    """Change in mm of a diagonal of that length when y leans by 1: x y / d of the sides that span it, else d / 2."""
    sides = [[r.design for r in rows if r.axis == a and r.side > 0] for a in ("x", "y")]
    fits = [(abs(math.hypot(x, y) / design - 1), x * y / design) for x in sides[0] for y in sides[1]]
    return min(fits)[1] if fits and min(fits)[0] < 0.02 else design / 2


def solve(rows: Sequence[Row]) -> TestBlock:
    """Weighted least squares over the rows.

    Along an axis: error = scale x length + side x burr. Diagonals: error = (+ or -) lean x (x y / d) + what both
    diagonals of this length have in common, so that scale, burr and rounded corners do not count as a lean. An effect
    that other effects can imitate is left out. Exact for small errors. Source: geometry; NIST/SEMATECH e-Handbook 4.4.3.
    """
    import numpy as np

    pairs = sorted(
        {r.design for r in rows if r.axis == "d1"} & {r.design for r in rows if r.axis == "d2"}
    )  # lengths with both diagonals
    used = [r for r in rows if r.axis in AXES or r.design in pairs]
    columns = len(EFFECTS) + len(pairs)
    full = np.zeros((len(used), columns))
    for i, row in enumerate(used):
        if row.axis in AXES:
            full[i, AXES.index(row.axis)] = row.design
            full[i, EFFECTS.index("burr")] = row.side
        else:
            full[i, EFFECTS.index("square")] = (1 if row.axis == "d1" else -1) * _lean(rows, row.design)
            full[i, len(EFFECTS) + pairs.index(row.design)] = 1.0
    width = np.array([max(getattr(r.error, "std_dev", 0.0), 0.1) for r in used])
    sizes = np.linalg.norm(full, axis=0)
    scale = np.where(sizes > 0, sizes, 1.0)
    weighted = full / scale / width[:, None]
    inverse = np.linalg.pinv(weighted, rcond=1e-6)
    seen = inverse @ weighted  # 1 on the diagonal where the effect follows from the rows
    gain = inverse / width / scale[:, None]
    effects = {
        name: sum(float(gain[j, i]) * r.error for i, r in enumerate(used))
        for j, name in enumerate(EFFECTS)
        if sizes[j] > 0 and abs(seen[j, j] - 1) < 1e-6
    }
    errors = np.array([nominal(r.error) for r in used])
    rest = errors / width - weighted @ (inverse @ (errors / width))
    freedom = len(used) - int(np.linalg.matrix_rank(weighted, tol=1e-6)) if used else 0
    touched = tuple(n for j, n in enumerate(EFFECTS) if sizes[j] > 0)
    model = (used, full)
    return TestBlock(effects, touched, model, (float(rest @ rest), freedom))


def class_chances(block: TestBlock, tolerance: float, length: float) -> dict[str, float]:
    """Probability of each class: the effect that comes to most on a part of `length` mm, when it comes to more than
    `tolerance` um; else none. Sums to 1.

    Before the readings: at most one effect is a fault (each as likely as none; its size normal with 5 x tolerance), the
    others keep the tolerance in 95 of 100 cases. The readings with their covariance turn this into a mixture of
    normals, one for each fault (Bayes, linear model); drawn from it with a fixed seed. What no row depends on has no
    chance: it was not measured.
    """
    import numpy as np

    used, full = block.model
    chances = dict.fromkeys((*CLASSES.values(), "none"), 0.0)
    names = list(block.touched)
    if not names:
        return {**chances, "none": 1.0}
    reach = np.array([1.0 if n == "burr" else length for n in names])  # um on the part for one unit of the effect
    common = full[:, len(EFFECTS) :]
    design = full[:, [EFFECTS.index(n) for n in names]] / reach
    noise = np.array(covariance_matrix([r.error + ufloat(0.0, 0.1) for r in used]))
    noise = noise + common @ common.T * (20 * tolerance) ** 2
    errors = np.array([nominal(r.error) for r in used])
    usual, wide = tolerance / 2, 5 * tolerance
    parts = []
    for fault in [None, *range(len(names))]:
        prior = np.diag([(wide if j == fault else usual) ** 2 for j in range(len(names))])
        spread = design @ prior @ design.T + noise
        solved = np.linalg.solve(spread, np.column_stack([errors, design @ prior]))
        log = -0.5 * (float(errors @ solved[:, 0]) + float(np.linalg.slogdet(spread)[1]))
        mean = prior @ design.T @ solved[:, 0]
        parts.append((log, mean, prior - prior @ design.T @ solved[:, 1:]))
    top = max(log for log, _, _ in parts)
    weights = np.array([math.exp(log - top) for log, _, _ in parts])
    rng = np.random.default_rng(SEED)
    for (_, mean, cov), weight in zip(parts, weights / weights.sum(), strict=True):
        values, vectors = np.linalg.eigh((cov + cov.T) / 2)
        draws = mean + rng.standard_normal((DRAWS, len(names))) * np.sqrt(np.clip(values, 0, None)) @ vectors.T
        largest = np.abs(draws).argmax(axis=1)
        beyond = np.abs(draws).max(axis=1) > tolerance
        for j, name in enumerate(names):
            chances[CLASSES[name]] += float(weight) * float(np.mean(beyond & (largest == j)))
        chances["none"] += float(weight) * float(np.mean(~beyond))
    total = sum(chances.values())
    return {k: p / total for k, p in chances.items()}


def _rows(g: Given) -> list[Row]:
    out = []
    for n, r in enumerate(g["rows"], 1):
        error = 1000 * (r["measured"] - nominal(r["design"]))
        if abs(nominal(error)) > 3000:
            raise CalcError(
                "rows",
                f"rows, line {n}: {put(error / 1000, 'mm')} off is no size error; see that both lengths are of the same place",
            )
        if r["axis"].startswith("d") and r["kind"] == "inside":
            raise CalcError("rows", f"rows, line {n}: give diagonals over the outside")
        out.append(Row(r["axis"], round(nominal(r["design"]), 6), error, -1 if r["kind"] == "inside" else 1))
    return out


def _test_block(g: Given) -> Worked:
    rows = _rows(g)
    tolerance, length = nominal(g["tolerance"]), nominal(g["length"])
    lengths = [r for r in rows if r.axis in AXES] or rows  # a diagonal sums up the errors of two
    error = size_of(max((r.error for r in lengths), key=lambda e: abs(nominal(e))))
    noise = nominal(g["scatter"])
    noisy = [Row(r.axis, r.design, r.error + ufloat(0.0, noise, "scatter") if noise else r.error, r.side) for r in rows]
    block = solve(noisy)
    if not block.touched:
        raise CalcError(
            "rows", "rows: one diagonal alone tells nothing; give the other one of the same length, or a side"
        )
    chances = class_chances(block, tolerance, length)
    figures: dict[str, Number] = {"error": error}
    sides = {a: [r.error for r in rows if r.axis == a and r.side > 0] for a in ("x", "y")}
    if sides["x"] and sides["y"]:
        apart = sum(sides["x"]) / len(sides["x"]) - sum(sides["y"]) / len(sides["y"])
        figures["directions"] = size_of(apart)
    for name, effect in block.effects.items():
        figures[_FIGURE[name]] = effect if name == "burr" else 10 * effect
    lines = [
        "errors: "
        + ", ".join(
            f"{r.axis} {put(r.design)}{' in' if r.side < 0 else ''}: {put(r.error, digits=3)}" for r in rows[:9]
        )
        + (" ..." if len(rows) > 9 else "")
        + " um",
        "least squares: error = scale x length + burr (outside) or - burr (inside)",
    ]
    left = [n for n in block.touched if n not in block.effects]
    if left:
        lines.append(f"left out, more rows needed: {', '.join(_WORDS[n] for n in left)}")
    if len(block.model[0]) < len(rows):
        lines.append("left out: a diagonal without the other one of the same design length")
    limit = (Limit("error", f"within the tolerance of {put(tolerance, 'um')}", high=tolerance),)
    return Worked(figures, tuple(lines), limit, chances, _says(rows, block, chances))


_FIGURE = {"x": "scale_x", "y": "scale_y", "z": "scale_z", "burr": "burr", "square": "squareness"}
_NAMES = {**{c: k for k, c in CLASSES.items()}, "burr-size": "the burr", "squareness": "the angle", "none": "nothing"}
_WORDS = {"x": "x", "y": "y", "z": "z", "burr": "burr", "square": "squareness"}


def _says(rows: Sequence[Row], block: TestBlock, chances: Mapping[str, float]) -> tuple[str, ...]:
    chi, freedom = block.misfit
    if freedom and chi > 9 * freedom:
        return (
            "The rows contradict each other: look for a crumb or a burr on an edge and measure again before anything else.",
        )
    best = max(chances, key=lambda k: chances[k])
    says = {
        "none": "No error that matters. Leave calibration and burr values alone.",
        "burr-size": "All outside sizes are off alike: check burr type, diameter and wear, then the length sensor; not the axes.",
        "squareness": "The block leans: see that block and holder sit firm, mill it again; the same again is a matter for service.",
    }.get(best, f"Only {best[-1]} is off: look at its reference and at its play before you enter any correction.")
    open_ = [_NAMES[k] for k, p in sorted(chances.items(), key=lambda kv: -kv[1]) if p > 0.1]
    out = [says if chances[best] >= 0.8 else f"Not settled yet, it can be: {', '.join(open_)}."]
    if chances[best] < 0.9 and "burr" in block.touched and "burr" not in block.effects:
        out.append("Add an inside length, or a second, much shorter one: that tells burr and scale apart.")
    elif not any(r.axis.startswith("d") for r in rows):
        out.append("Squareness was not measured: give both diagonals of a face for it.")
    return tuple(out)


TEST_BLOCK = Calculation(
    id="test-block",
    title="Test block: direction, burr or angle?",
    subject="size",
    answers="A milled test block is off: is it one direction, the burr, the squareness, or nothing?",
    inputs=(
        Input(
            "rows",
            "",
            "direction, design, measured, kind",
            several=(1, 40),
            columns=(
                Input("axis", "", "x, y, z, d1 or d2", choices=("x", "y", "z", "d1", "d2")),
                Input("design", "", "design length", "mm", 0.5, 150),
                Input("measured", "", "measured length", "mm", 0.5, 150, instrument="micrometer"),
                Input("kind", "", "outside or inside", choices=("outside", "inside"), default="outside"),
            ),
        ),
        Input("tolerance", "", "allowed size error", "um", 1, 1000, default="50 um"),
        Input("length", "", "length of a part", "mm", 2, 100, default="20 mm"),
        Input("scatter", "", "milled faces repeat within about", "um", 0, 200, default="5 um"),
    ),
    figures=(
        Figure("error", "", "largest error, without sign", "um"),
        Figure("directions", "", "x against y, without sign", "um"),
        Figure("scale_x", "", "scale error of x on 10 mm", "um"),
        Figure("scale_y", "", "scale error of y on 10 mm", "um"),
        Figure("scale_z", "", "scale error of z on 10 mm", "um"),
        Figure("burr", "", "burr: outside too large by", "um"),
        Figure("squareness", "", "out of square on 10 mm", "um"),
    ),
    work=_test_block,
    sources=("physics", "jcgm-101"),
    example={
        "rows": [
            "x 20 20.093",
            "x 10 10.088",
            "x 8 7.91 inside",
            "y 20 20.089",
            "y 10 10.091",
            "d1 28.284 28.405",
            "d2 28.284 28.401",
        ]
    },
    classes=(
        Class("none", "nothing beyond the tolerance"),
        Class("burr-size", "burr: outside too large, inside too small"),
        Class("scale-x", "x alone is off"),
        Class("scale-y", "y alone is off"),
        Class("scale-z", "z alone is off"),
        Class("squareness", "the axes are not square"),
    ),
    hazards=("sharp-burr",),
)

CALCULATIONS = (TEST_BLOCK,)
