"""The arithmetic of run-out: spindle, collet and burr as vectors, with doubt by seeded trials (JCGM 101).

Seen from the turning spindle, the burr's axis lies at e = S + C exp(i a) + B exp(i (a + b)): S stays with the spindle,
C turns with the collet (by a), B with the burr (by b in the collet). All are half run-outs; angles in the sense in
which burr and collet are turned.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from uncertainties import ufloat

from advisor.calc.base import Number, nominal, put

__all__ = [
    "SEED",
    "TRIALS",
    "NoSplit",
    "Split",
    "best_turn",
    "by_bore",
    "check",
    "class_shares",
    "draw",
    "figure",
    "fit",
    "split_marked",
    "vectors_from_high_spots",
]

TRIALS = 4000
SEED = 20110701
APART = 0.2  # least singular value per reading that still tells the parts apart: two positions some 35 deg apart


class NoSplit(ValueError):
    """The readings cannot tell the parts apart; `field` is the input at fault."""

    def __init__(self, field: str, text: str) -> None:
        super().__init__(text)
        self.field = field


@dataclass(frozen=True)
class Split:
    """Parts in um TIR. `ordered`: it is known which is the burr's; `parted`: collet and spindle are told apart; `best`:
    burr angle with the least run-out, and that run-out; `holder`: run-out without the burr's part."""

    figures: Mapping[str, Number]
    classes: Mapping[str, float]
    lines: tuple[str, ...]
    ordered: bool
    parted: bool = False
    misfit: bool = False
    best: tuple[float, float] | None = None
    holder: Number | None = None


def vectors_from_high_spots(e: Sequence[complex], burr: Sequence[float], collet: Sequence[float] | None = None) -> Any:
    """(S, C, B), or (S + C, B) when the collet was not turned, by complex least squares. Angles in radians.

    Raises NoSplit when the positions cannot tell them apart.

    >>> [complex(round(v.real, 9), round(v.imag, 9)) for v in vectors_from_high_spots([5 + 0j, 1 + 0j], [0.0, math.pi])]
    [(3+0j), (2+0j)]
    """
    import numpy as np

    design = _design(np.asarray(burr, float), None if collet is None else np.asarray(collet, float))
    check(design, collet is not None)
    return np.linalg.lstsq(design, np.asarray(e, complex), rcond=None)[0]


def _design(burr: Any, collet: Any | None) -> Any:
    import numpy as np

    if collet is None:
        return np.stack([np.ones_like(burr, complex), np.exp(1j * burr)], axis=-1)
    return np.stack([np.ones_like(burr, complex), np.exp(1j * collet), np.exp(1j * (collet + burr))], axis=-1)


def _told_apart(design: Any) -> bool:
    import numpy as np

    rows, columns = design.shape
    return bool(rows >= columns and np.linalg.svd(design, compute_uv=False)[-1] / math.sqrt(rows) >= APART)


def check(design: Any, collet: bool) -> None:
    if _told_apart(design):
        return
    if collet:
        raise NoSplit(
            "rows",
            "these positions do not tell spindle, collet and burr apart: turn the burr half round in the collet (0 and 180), then collet and burr together half round",
        )
    raise NoSplit("rows", "turn the burr further in the collet between the readings: 0 and 180, better 0, 90, 180, 270")


def draw(numbers: Iterable[Number], cache: dict[Any, Any], rng: Any) -> Any:
    """Trials of uncertain numbers, (trials, numbers); what they have in common is drawn once, through `cache`."""
    import numpy as np

    columns = []
    for number in numbers:
        column = np.full(TRIALS, nominal(number))
        for variable, slope in getattr(number, "derivatives", {}).items():
            if variable not in cache:
                cache[variable] = rng.standard_normal(TRIALS)
            column = column + slope * variable.std_dev * cache[variable]
        columns.append(column)
    return np.stack(columns, axis=-1)


def _solve(design: Any, values: Any) -> Any:
    """Least squares for each trial, by the normal equations."""
    import numpy as np

    turned = np.conj(np.swapaxes(design, -1, -2))
    return np.linalg.solve(turned @ design, turned @ values[..., None])[..., 0]


def fit(design: Any, values: Any, designs: Any, trials: Any) -> tuple[Any, Any, bool]:
    """Solution, its trials, and whether the readings fit the model worse than their doubts allow. Trials are spread
    wider by the Birge ratio where the residuals are larger than expected."""
    import numpy as np

    best = np.linalg.lstsq(design, values, rcond=None)[0]
    rows, columns = design.shape
    spread = _solve(designs, trials)
    free = rows - columns
    if free <= 0:
        return best, spread, False
    rest = float(np.sum(np.abs(values - design @ best) ** 2))
    noise = (trials - (designs @ best[:, None])[..., 0]) - (values - design @ best)
    project = np.eye(rows) - design @ np.linalg.pinv(design)
    expected = float(np.mean(np.sum(np.abs(noise @ project.T) ** 2, axis=-1)))
    ratio = rest / expected if expected > 0 else (1.0 if rest == 0 else math.inf)
    if not math.isfinite(ratio):
        return best, spread, True
    real = 2 if np.iscomplexobj(values) else 1
    return best, best + math.sqrt(max(ratio, 1.0)) * (spread - best), _unlikely(ratio, real * free)


def _unlikely(ratio: float, freedom: int) -> bool:
    from scipy.stats import chi2

    return bool(chi2.sf(ratio * freedom, freedom) < 0.01)


def figure(value: float, trials: Any, weights: Any | None = None) -> Number:
    """A value with the root mean square distance of its trials as standard uncertainty."""
    import numpy as np

    u = math.sqrt(float(np.average((trials - value) ** 2, weights=weights)))
    return ufloat(value, u, "putting the burr back, dial and angles together") if u > 0 else value


def class_shares(
    worst: Any, limit: float, holder: Any, burr: Any, spindle: Any, collet: Any, weights: Any
) -> dict[str, float]:
    """Share of the trials in each class. Sizes in um TIR; without `spindle` the holder's share is split evenly."""
    import numpy as np

    weights = weights / weights.sum()
    bad = worst > limit
    out = {"none": float(weights[~bad].sum())}
    if spindle is None:
        by_burr = bad & (burr > holder)
        half = float(weights[bad & ~by_burr].sum()) / 2
        out |= {"burr": float(weights[by_burr].sum()), "collet": half, "spindle": half}
    else:
        first = np.argmax(np.stack([burr, collet, spindle]), axis=0)
        out |= {
            name: float(weights[bad & (first == place)].sum())
            for place, name in enumerate(("burr", "collet", "spindle"))
        }
    total = sum(out.values())
    return {k: v / total for k, v in out.items()}


def by_bore(holder: Any, bore: Number | None, cache: dict[Any, Any], rng: Any) -> tuple[Any, Any, Any]:
    """Trials of spindle and collet from the run-out of the bore alone, with their weights. Where the high spots lie to
    each other is not known; every size of the collet's part is held alike possible beforehand, which weighs an angle
    by 1 / size."""
    import numpy as np

    if bore is None:
        return None, None, np.ones(holder.shape)
    spindle = np.resize(np.abs(draw([bore], cache, rng)[:, 0]), holder.shape)
    phase = rng.uniform(0, 2 * np.pi, holder.shape)
    collet = np.abs(holder - spindle * np.exp(1j * phase))
    return spindle, collet, 1 / np.maximum(collet, 0.5)


def split_marked(
    rows: Sequence[Mapping[str, Any]], turned: bool, scatter: float, limit: float, bore: Number | None
) -> Split:
    """From run-outs with their high spots. `rows` hold tir (um), spot, burr and collet (degrees); `scatter` is the
    standard deviation of the run-out when the burr is put back the same way."""
    import numpy as np

    rng, cache = np.random.default_rng(SEED), dict[Any, Any]()
    sizes = np.array([nominal(r["tir"]) for r in rows]) / 2
    spots = np.radians([nominal(r["spot"]) if r["spot"] is not None else 0.0 for r in rows])
    burr, collet = (np.radians([nominal(r[key]) for r in rows]) for key in ("burr", "collet"))
    design = _design(burr, collet if turned else None)
    check(design, turned)
    own = np.array([getattr(r["tir"], "std_dev", 0.0) for r in rows]) / 2
    tirs = np.abs(draw([r["tir"] for r in rows], cache, rng)) / 2
    turns = np.radians(draw([r["spot"] if r["spot"] is not None else 0.0 for r in rows], cache, rng))
    blind = np.array([r["spot"] is None for r in rows])
    turns = np.where(blind, rng.uniform(0, 2 * np.pi, turns.shape), turns)
    burrs, collets = (np.radians(draw([r[key] for r in rows], cache, rng)) for key in ("burr", "collet"))
    aside = rng.standard_normal(tirs.shape) * own  # the high spot is no better known than the dial reads
    jump = (rng.standard_normal(tirs.shape) + 1j * rng.standard_normal(tirs.shape)) * scatter / 2
    trials = (tirs + 1j * aside) * np.exp(1j * turns) + jump
    parts, tried, misfit = fit(design, sizes * np.exp(1j * spots), _design(burrs, collets if turned else None), trials)
    tir, tir_trials = 2 * np.abs(parts), 2 * np.abs(tried)
    names = ("spindle", "collet", "burr") if turned else ("holder", "burr")
    figures = {name: figure(float(tir[i]), tir_trials[:, i]) for i, name in enumerate(names)}
    worst = 2 * np.abs(tried @ design.T).max(axis=1)
    holder = tir_trials[:, 0]
    spindle, by_collet, weights = (
        (holder, tir_trials[:, 1], np.ones(TRIALS)) if turned else by_bore(holder, bore, cache, rng)
    )
    classes = class_shares(worst, limit, holder, tir_trials[:, -1], spindle, by_collet, weights)
    form = "S + C exp(i a) + B exp(i (a + b))" if turned else "S + B exp(i b)"
    where = ", ".join(
        f"{'SCB'[i] if turned else 'SB'[i]} {put(float(tir[i]), 'um', 3)} at {math.degrees(float(np.angle(parts[i]))) % 360:.0f} deg"
        for i in range(len(names))
    )
    return Split(
        figures,
        classes,
        (f"T/2 at its high spot = {form}, least squares over {len(rows)} positions:", f"as run-out: {where}"),
        ordered=True,
        parted=turned or bore is not None,
        misfit=misfit,
        best=None if turned else best_turn(float(np.angle(parts[0]) - np.angle(parts[1])), float(abs(tir[0] - tir[1]))),
        holder=None if turned else figures["holder"],
    )


def best_turn(phi: float, least: float) -> tuple[float, float]:
    """Burr angle (degrees) opposite to `phi`, where the two parts work against each other."""
    return round(math.degrees(phi + math.pi)) % 360, least
