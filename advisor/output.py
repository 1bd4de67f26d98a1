"""What commands print: text, JSON, tables; and how they stop."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from collections.abc import Sequence
from typing import Any

__all__ = ["OK", "PROBLEM", "USAGE", "Stop", "columns", "fitted", "put_json", "say", "table", "warn"]

OK, PROBLEM, USAGE = 0, 1, 2


class Stop(Exception):
    """End with a message on stderr and an exit code."""

    def __init__(self, message: str, code: int = PROBLEM) -> None:
        super().__init__(message)
        self.code = code


def say(text: str) -> None:
    sys.stdout.write(text if text.endswith("\n") else text + "\n")


def put_json(data: Any) -> int:
    say(json.dumps(data, indent=1, ensure_ascii=False))
    return OK


def columns(most: int) -> int:
    """Columns to print in: those of the terminal, at least 40 and at most `most`."""
    return min(max(shutil.get_terminal_size((80, 24)).columns - 1, 40), most)


def fitted(text: str) -> str:
    """The text with its long lines broken at words, on a terminal; as it is elsewhere."""
    if not sys.stdout.isatty():
        return text
    width = columns(10_000)
    lines = []
    for line in text.split("\n"):
        indent = " " * (len(line) - len(line.lstrip()) + 4)
        lines += (
            textwrap.wrap(line, width, subsequent_indent=indent, drop_whitespace=True) if len(line) > width else [line]
        )
    return "\n".join(lines)


def warn(text: object) -> None:
    """A message on stderr, its lines broken at words on a terminal."""
    lines = str(text).split("\n")
    if sys.stderr.isatty():
        width = columns(10_000)
        lines = [part for line in lines for part in (textwrap.wrap(line, width) or [""])]
    print("\n".join(lines), file=sys.stderr)


def table(headers: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for header in headers:
        table.add_column(header, overflow="fold")
    for row in rows:
        table.add_row(*row)
    Console(highlight=False, markup=False, width=None if sys.stdout.isatty() else 160).print(table)
