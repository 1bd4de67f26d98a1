"""Charts drawn by matplotlib and made fit to stand inside a page.

Colours are those of the page (CSS variables), so they change with light, dark and print. Text stays text, in the page's
font. Each chart has ids of its own, its title, and a description in words for screen readers.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from xml.etree import ElementTree

from advisor.paper.printed import safe

__all__ = ["DIM", "FAINT", "INK", "LINE", "ONE", "TWO", "Chart", "inline_chart"]

_SVG = "http://www.w3.org/2000/svg"
_LINK = "{http://www.w3.org/1999/xlink}href"
# Colours to draw with, and the colours of the page that take their place.
INK, DIM, LINE, FAINT, ONE, TWO = (f"#{n:06x}" for n in range(0x010203, 0x070809, 0x010101))
_NAMES = {INK: "ink", DIM: "dim", LINE: "line", FAINT: "faint", ONE: "c1", TWO: "c2"}
_WIDTH = 5.4  # inches; small, so that the text can still be read on a telephone


class Chart:
    """A chart being drawn: its axes, and its SVG once done."""

    def __init__(self, axes: Any) -> None:
        self.axes = axes
        self.svg = ""


@contextmanager
def inline_chart(key: str, title: str, description: str, height: float) -> Iterator[Chart]:
    """Axes to draw on, `height` inches high; when done, the chart's `svg` is there to be put into a page.

    `key` begins every id in it, so it must be the page's only one; `title` and `description` are its words.
    """
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    style: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": "advisor",
        "text.parse_math": False,  # a name with $ in it is no formula
        "font.family": "DejaVu Sans",
        "font.size": 10,
        "text.color": INK,
        "axes.labelcolor": INK,
        "axes.edgecolor": LINE,
        "xtick.color": LINE,
        "ytick.color": LINE,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "grid.color": FAINT,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "legend.frameon": False,
        "legend.fontsize": 9,
    }
    with matplotlib.rc_context(style), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph")  # a letter that the measuring font lacks: the page's font draws it
        figure, axes = pyplot.subplots(figsize=(_WIDTH, height), layout="constrained")
        try:
            chart = Chart(axes)
            yield chart
            out = io.BytesIO()
            figure.savefig(out, format="svg", transparent=True, metadata={"Date": None})
            chart.svg = _inline(out.getvalue(), key, title, description)
        finally:
            pyplot.close(figure)


def _inline(drawn: bytes, key: str, title: str, description: str) -> str:
    """The SVG as part of a page: scales with its frame, ids of its own, the page's colours and font, title and words."""
    ElementTree.register_namespace("", _SVG)
    root = ElementTree.fromstring(drawn)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag.endswith("}metadata") or child.tag in (f"{{{_SVG}}}style", f"{{{_SVG}}}title"):
                parent.remove(child)
    for node in root.iter():
        for name, value in list(node.attrib.items()):
            if name == "id":
                node.set("id", f"{key}-{value}")
            elif name == _LINK:
                del node.attrib[name]
                node.set("href", value.replace("#", f"#{key}-", 1))
            elif "url(#" in value:
                node.set(name, value.replace("url(#", f"url(#{key}-"))
            if name in ("style", "fill", "stroke"):
                node.set(name, _coloured(_font(node.attrib[name])))
    for name in ("width", "height"):
        root.attrib.pop(name, None)
    heading, words = ElementTree.Element(f"{{{_SVG}}}title"), ElementTree.Element(f"{{{_SVG}}}desc")
    heading.set("id", f"{key}-title")
    words.set("id", f"{key}-desc")
    heading.text, words.text = safe(title), safe(description)
    root.insert(0, words)
    root.insert(0, heading)
    for name, value in (
        ("class", "chart"),
        ("role", "img"),
        ("aria-labelledby", f"{key}-title"),
        ("aria-describedby", f"{key}-desc"),
    ):
        root.set(name, value)
    return ElementTree.tostring(root, encoding="unicode")


def _font(style: str) -> str:
    """The size and weight of a `font:` kept, the family left to the page."""
    found = re.search(r"font:\s*(?:(\d+|bold)\s+)?([\d.]+)px[^;]*", style)
    if not found:
        return style
    weight = f"; font-weight: {found[1]}" if found[1] else ""
    return style.replace(found[0], f"font-size: {found[2]}px{weight}")


def _coloured(style: str) -> str:
    return re.sub(r"#[0-9a-f]{6}", lambda m: f"var(--{_NAMES[m[0]]})" if m[0] in _NAMES else m[0], style)
