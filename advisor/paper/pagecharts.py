"""The charts of the review page. Each curve has its own mark or dash besides its colour."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from advisor.paper.inlinesvg import DIM, FAINT, INK, LINE, ONE, TWO, inline_chart
from advisor.paper.printed import safe, shown_unit
from advisor.review.figures import BurrLife, CauseCost, Program, Trend

__all__ = ["burr_life", "calibration", "control", "pareto", "still_good"]

_MOST_BARS = 6


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def pareto(causes: Sequence[CauseCost], figure: str, key: str) -> str:
    """Bars of the causes' shares, largest first, with the cumulative share; what is beyond six bars as one bar.

    `figure` names what the shares are of ('money', 'bench time', 'cases'); `key` is what the ids begin with.
    """
    first = list(causes[:_MOST_BARS])
    names = [safe(c.title, 60) for c in first]
    shares, sums = [c.share for c in first], [c.cumulative for c in first]
    if len(causes) > _MOST_BARS:
        rest = causes[_MOST_BARS:]
        names.append(f"{len(rest)} others")
        shares.append(sum(c.share for c in rest))
        sums.append(rest[-1].cumulative)
    labels = ["\n".join(textwrap.wrap(name, 24)[:2]) for name in names]
    leading = f"{names[0]} takes {_percent(shares[0])} of the {figure}. " if names else ""
    enough = next((i + 1 for i, s in enumerate(sums) if s >= 0.8), len(sums))
    words = f"{leading}The first {enough} of {len(causes)} causes together take {_percent(sums[enough - 1]) if sums else '0 %'}."
    title = f"Pareto chart of causes by {figure}"
    with inline_chart(key, title, words, 0.95 + 0.34 * len(names)) as chart:
        axes, places = chart.axes, range(len(names))
        axes.barh(places, [100 * s for s in shares], height=0.66, color=ONE, label=f"share of the {figure}")
        axes.plot([100 * s for s in sums], places, "o-", color=TWO, markersize=5, linewidth=1.6, label="cumulative")
        axes.axvline(80, color=LINE, linewidth=0.8, linestyle=":")
        axes.set_yticks(places, labels, fontsize=9)
        axes.invert_yaxis()
        axes.set(xlim=(0, 104), xlabel=f"% of the {figure}")
        axes.tick_params(axis="y", length=0)
        axes.figure.legend(loc="outside upper right", ncols=2)
    return chart.svg


def control(trend: Trend, key: str) -> str:
    """Individuals chart of a series: readings over time, the baseline's centre and limits, the smoothed mean (EWMA) with its limits, the
    limits of the check, and the readings with a signal marked by shape."""
    when = [_time(at) for at in trend.at]
    unit = shown_unit(trend.unit)
    title = f"Individuals chart: {trend.title}, mill {trend.mill or 'not named'}"
    with inline_chart(key, title, _described(trend), 3.5) as chart:
        axes = chart.axes
        axes.plot(when, trend.values, "-", color=LINE, linewidth=0.8)
        plain = [i for i in range(len(when)) if i not in set(trend.outside) | set(trend.jumps)]
        axes.plot(
            [when[i] for i in plain], [trend.values[i] for i in plain], "o", color=ONE, markersize=4.5, label="reading"
        )
        for places, mark, name in ((trend.outside, "D", "outside the limits"), (trend.jumps, "s", "jump")):
            shown = [i for i in places if mark == "D" or i not in trend.outside]
            if shown:
                axes.plot(
                    [when[i] for i in shown], [trend.values[i] for i in shown], mark, color=TWO, markersize=7,
                    markeredgecolor=INK, markeredgewidth=0.8, linestyle="none", label=name,
                )  # fmt: skip
        levels: list[tuple[float, str]] = []
        if trend.chart is not None:
            for level, name in (
                (trend.chart.upper, "upper limit"),
                (trend.chart.mean, "centre"),
                (trend.chart.lower, "lower limit"),
            ):
                dash = "-" if name == "centre" else "--"
                axes.axhline(level, color=DIM, linewidth=1.1, linestyle=dash)
                levels.append((level, name))
        if trend.smoothed is not None and trend.smoothed.values:
            later = when[-len(trend.smoothed.values) :]
            axes.plot(
                later,
                trend.smoothed.values,
                color=TWO,
                linewidth=2,
                linestyle=(0, (4, 1.5)),
                label="smoothed mean",
                marker="." if len(later) == 1 else "",
            )
            for edge in (trend.smoothed.lower, trend.smoothed.upper):
                axes.plot(later, edge, color=TWO, linewidth=0.9, linestyle=":")
            shifted = [i for i in trend.shifted if i >= len(when) - len(later)]
            if shifted:
                start = len(when) - len(later)
                axes.plot(
                    [when[i] for i in shifted], [trend.smoothed.values[i - start] for i in shifted], "^", color=TWO,
                    markersize=6, label="smoothed mean outside",
                )  # fmt: skip
        for limit in trend.limits:
            axes.axhline(limit.value, color=INK, linewidth=1.6, linestyle="-.")
            levels.append((limit.value, "check: " + ("at least" if limit.side == "low" else "below")))
        if 0 < trend.later < len(when):
            axes.axvline(when[trend.later], color=LINE, linewidth=0.8, linestyle=":")
        label = safe(f"{trend.quantity or trend.title}{f', {unit}' if unit else ''}", 120)
        axes.set_ylabel("\n".join(textwrap.wrap(label, 30)))
        _dates(axes)
        _beside(axes, levels)
        axes.figure.legend(loc="outside lower center", ncols=3, columnspacing=1.0, handletextpad=0.4)
    return chart.svg


def _beside(axes: Any, levels: list[tuple[float, str]]) -> None:
    """Names of levels at the right, in the margin kept for them, moved apart where they would lie on each other."""
    from matplotlib.transforms import blended_transform_factory

    low, high = axes.get_ylim()
    where, apart, last = blended_transform_factory(axes.transAxes, axes.transData), 0.055 * (high - low), -math.inf
    for level, name in sorted(levels):
        last = max(level, last + apart)
        axes.text(1.01, last, safe(name, 16), transform=where, va="center", ha="left", fontsize=8.5)


def _dates(axes: Any) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator: Any = AutoDateLocator
    formatter: Any = ConciseDateFormatter  # matplotlib does not type these two
    ticks = locator(maxticks=6)
    axes.xaxis.set_major_locator(ticks)
    axes.xaxis.set_major_formatter(formatter(ticks))


def _time(text: str) -> datetime:
    time = datetime.fromisoformat(text)
    return time.astimezone(UTC) if time.tzinfo else time.replace(tzinfo=UTC)


def _described(trend: Trend) -> str:
    unit = shown_unit(trend.unit)
    words = f"{len(trend.values)} readings from {trend.at[0][:10]} to {trend.at[-1][:10]}, {min(trend.values):.4g} to {max(trend.values):.4g} {unit}.".replace(
        " .", "."
    )
    if trend.chart is not None:
        words += f" Limits {trend.chart.lower:.4g} to {trend.chart.upper:.4g}, centre {trend.chart.mean:.4g}, from {trend.baseline} readings."
    words += f" Outside the limits: {len(trend.outside)}; jumps: {len(trend.jumps)}; smoothed mean outside its limits: {len(trend.shifted)}."
    return words + (f" The series drifts {trend.drift}." if trend.drift else "")


def calibration(program: Program, key: str) -> str:
    """What the program said of its first cause against how often it was right, with Wilson intervals and counts."""
    said = [100 * b.said for b in program.bins]
    right = [100 * (b.right.share or 0.0) for b in program.bins]
    words = "; ".join(
        f"said {s:.0f} %, right {b.right.hits} of {b.right.count}" for s, b in zip(said, program.bins, strict=True)
    )
    with inline_chart(
        key, "Calibration of the first cause", f"{words}. On the diagonal it would be as often right as it says.", 3.6
    ) as chart:
        axes = chart.axes
        axes.plot([0, 100], [0, 100], "--", color=DIM, linewidth=1.2, label="as often right as said")
        low = [r - 100 * b.right.low for r, b in zip(right, program.bins, strict=True)]
        high = [100 * b.right.high - r for r, b in zip(right, program.bins, strict=True)]
        spread = [[max(v, 0.0) for v in low], [max(v, 0.0) for v in high]]
        axes.errorbar(
            said,
            right,
            yerr=spread,
            fmt="o",
            color=ONE,
            ecolor=ONE,
            elinewidth=1.2,
            capsize=4,
            markersize=7,
            label="cases, with 95 % interval",
        )
        for x, y, each in zip(said, right, program.bins, strict=True):
            axes.annotate(str(each.right.count), (x, y), (7, -3), textcoords="offset points", fontsize=9)
        axes.set(xlim=(0, 104), ylim=(-3, 104), xlabel="probability said, %", ylabel="right, %")
        axes.grid(True)
        axes.figure.legend(loc="outside lower center", ncols=2)
    return chart.svg


def _left(life: BurrLife, hours: float) -> float:
    """Share still good by the Weibull distribution with this median and shape: 2^-(t / median)^shape."""
    return math.exp(-math.log(2) * (hours / life.median) ** life.shape)


def still_good(life: BurrLife) -> list[tuple[float, float]]:
    """Points (hours, share still good) of the Weibull curve for a table, around the median."""
    return [(life.median * part, _left(life, life.median * part)) for part in (0.25, 0.5, 1.0, 1.5, 2.0)]


def burr_life(life: BurrLife, hours: tuple[Sequence[float], Sequence[float]] | None, key: str) -> str:
    """Share of finishing burrs still good over cutting hours: the Weibull curve of `life`; with `hours` (those of worn
    burrs, those of burrs still running) also the Kaplan-Meier estimate, running burrs as strokes."""
    end = max([2.2 * life.median, *(hours[0] if hours else ()), *(hours[1] if hours else ())])
    grid = [end * i / 80 for i in range(81)]
    words = f"Nine of ten burrs last {life.change_by:.3g} h ({life.low:.3g} to {life.high:.3g} h), half of them {life.median:.3g} h; {life.changed} worn, {life.running} still running."
    with inline_chart(key, "Life of finishing burrs", words, 3.2) as chart:
        axes = chart.axes
        axes.plot(grid, [100 * _left(life, t) for t in grid], "-", color=ONE, linewidth=2, label="fitted curve")
        if hours and hours[0]:
            from scipy.stats import CensoredData, ecdf

            left = ecdf(CensoredData(uncensored=list(hours[0]), right=list(hours[1]))).sf
            axes.step(
                [0.0, *left.quantiles],
                [100.0, *(100 * left.probabilities)],
                where="post",
                color=TWO,
                linewidth=1.5,
                linestyle=(0, (4, 1.5)),
                label="as counted",
            )
            if hours[1]:
                axes.plot(
                    hours[1],
                    [100 * float(left.evaluate(t)) for t in hours[1]],
                    "|",
                    color=INK,
                    markersize=11,
                    label="still running",
                )
        axes.axvline(life.change_by, color=INK, linewidth=1.2, linestyle="-.", label="change by")
        axes.axvspan(life.low, min(life.high, end), facecolor=FAINT, zorder=0)
        axes.set(xlim=(0, end), ylim=(0, 104), xlabel="cutting hours", ylabel="still good, %")
        axes.figure.legend(loc="outside lower center", ncols=4, columnspacing=1.0, handletextpad=0.5)
    return chart.svg
