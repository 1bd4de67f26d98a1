"""A control chart on the terminal (plotext)."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from advisor.review.indicators import moments
from advisor.review.trends import Trend

__all__ = ["chart_text", "unit_text"]


def unit_text(trend: Trend) -> str:
    """Its unit; nothing for a plain number."""
    return "" if trend.unit in ("", "1") else trend.unit


def chart_text(trend: Trend, width: int, height: int = 13) -> str:
    """A small control chart: readings, those with a signal, the smoothed mean, its limits and the check's."""
    import plotext

    if trend.chart is None or trend.smoothed is None:
        return ""
    days = [t / 86400 for t in moments(trend.at)]
    odd = set(trend.signals)
    plotext.clear_figure()
    plotext.plotsize(width, height)
    plotext.theme("clear")
    k = trend.baseline
    for level, name in ((trend.chart.upper, "limits"), (trend.chart.lower, None), (trend.chart.mean, None)):
        plotext.plot([days[0], days[-1]], [level, level], marker="-", label=name)
    pace = trend.pace
    span = max(*trend.values, trend.chart.upper) - min(*trend.values, trend.chart.lower)
    if pace and pace.limit and abs(pace.limit.value - pace.level) < 2 * span:
        level = pace.limit.value
        plotext.plot([days[0], days[-1]], [level, level], marker="=", label=f"check's limit {level:g}")
    if len(trend.values) > k:
        plotext.plot(days[k:], list(trend.smoothed.values), marker="braille", label="smoothed")
    for label, marker, places in (
        ("reading", "o", [i for i in range(len(days)) if i not in odd]),
        ("with a signal", "x", sorted(odd)),
    ):
        if places:
            plotext.scatter([days[i] for i in places], [trend.values[i] for i in places], marker=marker, label=label)
    ticks = [days[0] + (days[-1] - days[0]) * i / 3 for i in range(4)]
    plotext.xticks(ticks, [_date(t) for t in ticks])
    plotext.title(f"{trend.mill or 'mill not named'}: {trend.quantity or trend.title} {unit_text(trend)}".rstrip())
    text = re.sub(r"\x1b\[[0-9;]*m", "", str(plotext.build()))
    return "\n".join(line.rstrip() for line in text.split("\n"))


def _date(day: float) -> str:
    return datetime.fromtimestamp(day * 86400, UTC).strftime("%Y-%m-%d")
