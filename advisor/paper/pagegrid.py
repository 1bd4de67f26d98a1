"""What the parts of the review page are made of: tables, charts, and figures in words."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from advisor.paper.printed import safe
from advisor.review.figures import Rate
from advisor.review.indicators import plural

__all__ = [
    "MOST_ROWS",
    "Cell",
    "Figure",
    "Grid",
    "Part",
    "hours",
    "left_out",
    "mill_name",
    "minutes",
    "money",
    "number",
    "per_cent",
    "plural",
    "rate",
    "slug",
]

MOST_ROWS = 200
"""Rows of a table at most; how many more there are is told."""
_DATE = re.compile(r"\d{4}-\d\d-\d\d")


@dataclass(frozen=True, slots=True)
class Cell:
    """What stands in a table's field: text, an id behind it in small print, a link, an anchor that others link to."""

    text: str
    number: bool = False
    code: str = ""
    href: str = ""
    anchor: str = ""

    @property
    def unbroken(self) -> bool:
        """True when a word of it is so long that it must be broken to fit."""
        return any(len(word) > 22 for word in self.text.split())

    @property
    def whole(self) -> bool:
        """True for a case's handle or a date, which is not to be broken at its hyphen."""
        handle = self.href.startswith("case-") or self.anchor.startswith("case-")
        return (handle and len(self.text) <= 24) or bool(_DATE.fullmatch(self.text))


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: its caption, names of columns (the first column names the row), fields, and what was left out."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    empty: str = ""
    more: str = ""

    @property
    def numeric(self) -> tuple[bool, ...]:
        """Columns whose fields are all numbers."""
        return tuple(bool(self.rows) and all(row[i].number for row in self.rows) for i in range(len(self.head)))


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart (SVG) and the table of its numbers."""

    title: str
    svg: Any
    grid: Grid


@dataclass(slots=True)
class Part:
    """A section of the page."""

    id: str
    title: str
    words: list[str] = field(default_factory=list)
    figures: list[Figure] = field(default_factory=list)
    grids: list[Grid] = field(default_factory=list)


def number(text: str) -> Cell:
    return Cell(text, number=True)


def slug(text: str) -> str:
    """An id's letters fit for an anchor; whatever else it holds is told apart by its code."""
    return re.sub(r"[^A-Za-z0-9-]", lambda m: f"_{ord(m[0]):x}", text)[:120]


def per_cent(share: float | None) -> str:
    return "–" if share is None else f"{100 * share:.0f} %"


def rate(rate: Rate) -> str:
    if not rate.count:
        return "none counted"
    return f"{rate.hits} of {rate.count}, {per_cent(rate.share)} (95 % interval {100 * rate.low:.0f} to {per_cent(rate.high)})"


def minutes(minutes: float | None) -> str:
    if minutes is None:
        return "–"
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.1f} h"


def hours(hours: float | None) -> str:
    if hours is None:
        return "–"
    return f"{hours:.1f} h" if hours < 72 else plural(round(hours / 24, 1), "day")


def money(amount: float | None, currency: str) -> str:
    return "–" if amount is None else f"{amount:,.2f} {safe(currency, 8)}".replace(",", " ").strip()


def mill_name(mill: str | None) -> str:
    return safe(mill, 80) or "not named"


def left_out(count: int, most: int = MOST_ROWS) -> str:
    """How many of `count` rows do not stand in a table of at most `most`, and where they do; nothing when all do."""
    return f"Not listed: {count - most} more (advisor review --format json gives all)." if count > most else ""
