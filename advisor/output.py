"""What commands print: text, JSON, tables; and how they stop."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from typing import Any

__all__ = ["OK", "PROBLEM", "USAGE", "Stop", "put_json", "say", "table"]

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
