"""Run-out taken apart from its sizes alone, no high spot marked: the larger and the smaller part."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from advisor.calc import runout_parts as parts
from advisor.calc.base import Number, nominal, put
from advisor.calc.runout_parts import SEED, TRIALS, NoSplit, Split

__all__ = ["sizes_from_run_outs", "split_sizes"]

SAME = 15.0  # degrees: positions nearer than that count as one
SURE = 0.9


def sizes_from_run_outs(e: Sequence[float], burr: Sequence[float]) -> tuple[float, float, float]:
    """(larger, smaller, burr angle of the largest run-out) from sizes |e| at three or more burr angles (radians):
    |e|^2 = p + m cos(b - phi) with p = S^2 + B^2, m = 2 S B, so S +- B = sqrt(p +- m). Which is the burr's is not
    told: S and B come in alike.

    >>> [round(v, 6) for v in sizes_from_run_outs([5.0, math.sqrt(13), 1.0, math.sqrt(13)], [0, math.pi / 2, math.pi, -math.pi / 2])]
    [3.0, 2.0, 0.0]
    """
    import numpy as np

    angles = np.asarray(burr, float)
    design = np.stack([np.ones_like(angles), np.cos(angles), np.sin(angles)], axis=-1)
    parts.check(design, False)
    p, q, r = np.linalg.lstsq(design, np.asarray(e, float) ** 2, rcond=None)[0]
    larger, smaller = _sizes(p, np.hypot(q, r))
    return float(larger), float(smaller), float(np.arctan2(r, q))


def _sizes(p: Any, m: Any) -> tuple[Any, Any]:
    import numpy as np

    outer, inner = np.sqrt(np.maximum(p + m, 0)), np.sqrt(np.maximum(p - m, 0))
    return (outer + inner) / 2, (outer - inner) / 2


def split_sizes(
    rows: Sequence[Mapping[str, Any]], scatter: float, limit: float, pin: Number | None, bore: Number | None
) -> Split:
    """From run-outs alone (tir in um, burr in degrees). The larger and the smaller part follow; which of them is the
    burr's only with `pin`, the run-out of a gauge pin in the collet."""
    import numpy as np

    rng, cache = np.random.default_rng(SEED), dict[Any, Any]()
    angles = [nominal(r["burr"]) % 360 for r in rows]
    groups = _groups(angles)
    if len(groups) < 2:
        raise NoSplit("rows", "the burr was never turned: turn it half round in the collet (0 and 180) and read again")
    tirs = parts.draw([r["tir"] for r in rows], cache, rng)
    tirs = np.abs(tirs + rng.standard_normal(tirs.shape) * scatter)
    burrs = np.radians(parts.draw([r["burr"] for r in rows], cache, rng))
    if len(groups) == 2:
        return _two_positions(rows, groups, tirs, burrs, limit, pin, scatter, bore, rng, cache)
    sizes, radians = np.array([nominal(r["tir"]) for r in rows]) / 2, np.radians(angles)

    def columns(turn: Any) -> Any:
        return np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn)], axis=-1)

    parts.check(columns(radians), False)
    best, tried, misfit = parts.fit(columns(radians), sizes**2, columns(burrs), (tirs / 2) ** 2)
    larger, smaller = _sizes(best[0], np.hypot(best[1], best[2]))
    many, few = _sizes(tried[:, 0], np.hypot(tried[:, 1], tried[:, 2]))
    worst = 2 * np.sqrt(np.maximum(tried @ columns(radians).T, 0)).max(axis=1)
    lines = (
        f"(T/2)^2 = p + m cos(b - phi), least squares over {len(rows)} positions; parts S, B = (sqrt(p + m) +- sqrt(p - m)) / 2",
        f"as run-out: {put(2 * float(larger), 'um', 3)} and {put(2 * float(smaller), 'um', 3)}",
    )
    opposite = parts.best_turn(float(np.arctan2(best[2], best[1])), 2 * float(larger - smaller))
    return _unordered(
        2 * float(larger), 2 * float(smaller), 2 * many, 2 * few, worst, np.ones(TRIALS), lines, limit, pin, scatter, bore,
        rng, cache, misfit, opposite,
    )  # fmt: skip


def _groups(angles: Sequence[float]) -> list[list[int]]:
    """Rows by position: angles (degrees, 0..360) within SAME of the first of a group are one."""
    groups: list[list[int]] = []
    for place, angle in enumerate(angles):
        for group in groups:
            if abs((angle - angles[group[0]] + 180) % 360 - 180) < SAME:
                group.append(place)
                break
        else:
            groups.append([place])
    return groups


def _two_positions(
    rows: Sequence[Mapping[str, Any]],
    groups: list[list[int]],
    tirs: Any,
    burrs: Any,
    limit: float,
    pin: Number | None,
    scatter: float,
    bore: Number | None,
    rng: Any,
    cache: dict[Any, Any],
) -> Split:
    """Two burr angles leave one thing open: how the high spots lie to each other. Every size of both parts and every
    such angle that gives these two run-outs is held alike possible."""
    import numpy as np

    first, second = (tirs[:, group].mean(axis=1) / 2 for group in groups)
    b1, b2 = burrs[:, groups[0][0]], burrs[:, groups[1][0]]
    gap = abs((nominal(rows[groups[0][0]]["burr"]) - nominal(rows[groups[1][0]]["burr"]) + 180) % 360 - 180)
    if gap < 35:
        raise NoSplit("rows", "turn the burr further in the collet between the readings: 0 and 180 tell most")
    phi = rng.uniform(0, 2 * np.pi, TRIALS)
    c1, c2 = np.cos(b1 - phi), np.cos(b2 - phi)
    c2 = np.where(np.abs(c1 - c2) < 1e-9, c1 - 1e-9, c2)
    m = (first**2 - second**2) / (c1 - c2)
    flip = m < 0  # the same with the angle half a turn on
    m, c1, c2 = np.abs(m), np.where(flip, -c1, c1), np.where(flip, -c2, c2)
    p = first**2 - m * c1
    able = p >= m
    weights = np.where(
        able, 1 / (np.sqrt(np.maximum(p**2 - m**2, (0.02 * np.abs(p)) ** 2 + 1e-12)) * np.abs(c1 - c2)), 0
    )
    if not weights.sum() > 0:
        weights, p, m = np.ones(TRIALS), np.maximum(first, second) ** 2, np.zeros(TRIALS)
    many, few = _sizes(p, m)
    larger, smaller = (2 * float(np.average(v, weights=weights)) for v in (many, few))
    means = [sum(nominal(rows[i]["tir"]) for i in group) / len(group) for group in groups]
    lines = (
        f"two positions, {put(means[0], 'um', 3)} and {put(means[1], 'um', 3)}: S^2 + B^2 and a part of S B follow, not the angle between",
        "so the larger and the smaller part are known only roughly: 0, 90, 180, 270 tell more",
    )
    worst = 2 * np.maximum(first, second)
    return _unordered(
        larger, smaller, 2 * many, 2 * few, worst, weights, lines, limit, pin, scatter, bore, rng, cache, False, None
    )


def _unordered(
    larger: float,
    smaller: float,
    many: Any,
    few: Any,
    worst: Any,
    weights: Any,
    lines: tuple[str, ...],
    limit: float,
    pin: Number | None,
    scatter: float,
    bore: Number | None,
    rng: Any,
    cache: dict[Any, Any],
    misfit: bool,
    best: tuple[float, float] | None,
) -> Split:
    """Both ways round: the holder has the larger part or the smaller one, weighed by the gauge pin where it was read."""
    import numpy as np

    holder, burr = np.concatenate([many, few]), np.concatenate([few, many])
    both = np.concatenate([weights, weights])
    if pin is not None:
        u = math.hypot(getattr(pin, "std_dev", 0.0), scatter, 0.5)
        off = ((holder - nominal(pin)) / u) ** 2 / 2
        if off[both > 0].min() > 4.5:  # three standard deviations from every trial
            raise NoSplit("pin", "the gauge pin's run-out fits neither part: read it again at the same height")
        both = both * np.exp(-(off - off[both > 0].min()))
    first = float(both[: len(many)].sum() / both.sum())
    ordered = pin is not None and max(first, 1 - first) >= SURE
    big, small = parts.figure(larger, many, weights), parts.figure(smaller, few, weights)
    if ordered:
        figures = {"holder": big, "burr": small} if first > 0.5 else {"holder": small, "burr": big}
    else:
        figures = {"larger": big, "smaller": small}
    spindle, collet, weigh = parts.by_bore(holder, bore, cache, rng)
    classes = parts.class_shares(np.concatenate([worst, worst]), limit, holder, burr, spindle, collet, both * weigh)
    return Split(
        figures,
        classes,
        lines,
        ordered=ordered,
        parted=bore is not None and ordered,
        misfit=misfit,
        best=best,
        holder=figures.get("holder"),
    )
