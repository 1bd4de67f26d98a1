"""Headings, paragraphs and tables of a review, kept to the width of a console (rich)."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["MOST", "NARROW", "Printer"]

MOST = 10
"""Rows of a table; the rest is counted."""

NARROW = 70
"""Below so many columns a table is told row by row."""


class Printer:
    """Lines, paragraphs and tables in the width of a console."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.width = console.width
        self.rich = not console.options.ascii_only

    def head(self, title: str, rule: bool = False) -> None:
        """A heading with an empty line before it."""
        if not rule:
            self.gap()
        self.console.print(title, style="bold", markup=False, highlight=False, soft_wrap=False)
        if rule:
            self.console.print(("─" if self.rich else "-") * min(self.width, len(title)), style="dim", highlight=False)

    def gap(self) -> None:
        self.console.print()

    def text(self, text: str, style: str = "") -> None:
        self.console.print(text, style=style, markup=False, highlight=False)

    def dim(self, text: str) -> None:
        """A line that explains."""
        self.hanging("  ", text, style="dim")

    def hanging(self, front: str, text: str, bold: int = 0, style: str = "") -> None:
        """A paragraph with its first word after `front`, the first `bold` characters in bold."""
        from rich.text import Text

        indent = " " * len(front)
        lines = textwrap.wrap(  # the id of a case is not broken at its hyphen
            text, self.width, initial_indent=front, subsequent_indent=indent, break_on_hyphens=False
        )
        body = Text("\n".join(lines), style=style)
        body.stylize("bold", 0, len(front) + bold if bold or front.strip() else 0)
        self.console.print(body, highlight=False)

    def table(self, headers: Sequence[str], rows: Sequence[Sequence[str]], right: str = "") -> None:
        """A table, or a paragraph for each row where it is narrow. `right` has an 'r' for each column of figures and a 'k'
        for each of dates or ids; neither is broken."""
        if self.width < NARROW:
            for row in rows:
                told = [f"{header} {cell}" for header, cell in zip(headers[1:], row[1:], strict=True) if cell != "-"]
                self.hanging("  ", row[0])
                self.hanging("    ", "; ".join(told))
            return
        from rich import box
        from rich.table import Table
        from rich.text import Text

        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
        for place, header in enumerate(headers):
            kind = right[place : place + 1]
            figures = kind == "r"
            whole = figures or kind == "k"
            table.add_column(header, justify="right" if figures else "left", no_wrap=whole, overflow="fold")
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))
        self.console.print(table, highlight=False)

    def more(self, count: int, what: str) -> None:
        """How many rows were left out."""
        if count > 0:
            self.dim(f"and {count:,} more {what}: --html FILE shows more, --format json all.")
