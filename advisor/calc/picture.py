"""Pictures: in the terminal (plotext), or as an SVG file (matplotlib)."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from advisor.calc.base import Plot

__all__ = ["drawn", "svg", "terminal"]


def _steps(x: list[float], y: list[float]) -> tuple[list[float], list[float]]:
    """Corners of a staircase that holds each height until the next point."""
    xs, ys = x[:1], y[:1]
    for i in range(1, len(x)):
        xs += [x[i], x[i]]
        ys += [y[i - 1], y[i]]
    return xs, ys


def terminal(plot: Plot, width: int, height: int = 18, colour: bool = False) -> str:
    """The picture as text of at most `width` x `height` characters."""
    import plotext

    plotext.clear_figure()
    plotext.plotsize(width, height)
    plotext.theme("clear")
    markers = ("hd", "braille", "x", "o") if colour else ("braille", "x", "o", "+")
    for place, curve in enumerate(plot.curves):
        x, y = list(map(float, curve.x)), list(map(float, curve.y))
        if curve.style == "steps":
            x, y = _steps(x, y)
        if curve.style == "dots":
            plotext.scatter(x, y, marker="x" if place % 2 else "o", label=curve.label)
        else:
            plotext.plot(x, y, marker=markers[0] if place == 0 else markers[place % len(markers)], label=curve.label)
    xs = [float(v) for curve in plot.curves for v in curve.x]
    for name, level in plot.levels:
        plotext.plot([min(xs), max(xs)], [level, level], marker="-", label=name)
    plotext.title(plot.title)
    plotext.xlabel(plot.x)
    plotext.ylabel(plot.y)
    text = str(plotext.build())
    return text if colour else re.sub(r"\x1b\[[0-9;]*m", "", text)


@contextmanager
def drawn(path: Path, title: str, size: tuple[float, float]) -> Iterator[Any]:
    """Axes of `size` in inches to draw on; written as an SVG file in the end. OSError when it cannot be written."""
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "advisor", "font.family": "sans-serif"}):
        figure, axes = pyplot.subplots(figsize=size, layout="constrained")
        try:
            yield axes
            figure.savefig(path, format="svg", metadata={"Date": None, "Title": title, "Creator": "advisor"})
        finally:
            pyplot.close(figure)


def svg(plot: Plot, path: Path) -> None:
    """Write the picture as an SVG file; OSError when it cannot be written."""
    with drawn(path, plot.title, (7.2, 4.4)) as axes:
        for curve in plot.curves:
            if curve.style == "dots":
                axes.plot(curve.x, curve.y, "o", label=curve.label)
            else:
                axes.plot(
                    curve.x, curve.y, drawstyle="steps-post" if curve.style == "steps" else "default", label=curve.label
                )
        for name, level in plot.levels:
            axes.axhline(level, linestyle="--", linewidth=1, color="0.4")
            axes.annotate(name, (0.01, level), xycoords=("axes fraction", "data"), va="bottom", fontsize=8, color="0.3")
        axes.set(title=plot.title, xlabel=plot.x, ylabel=plot.y)
        axes.grid(True, alpha=0.3)
        if len(plot.curves) > 1:
            axes.legend(fontsize=8)
