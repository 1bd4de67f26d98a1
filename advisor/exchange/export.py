"""Cases for other programs: CSV with one row a case, JSON Lines with all events of a case.

CSV follows RFC 4180. A text that a spreadsheet would take for a formula gets a single quote before it, as OWASP advises
("CSV Injection", from memory); so does one that begins with quotes before such a sign, which makes it undoable
(:func:`as_written`).
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import re
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from advisor.caserow import CaseRow

__all__ = ["COLUMNS", "SCHEMA", "as_written", "csv_lines", "harmless", "json_line", "put_file"]

SCHEMA = "advisor-case/1"
Title = Callable[[str, str], str]
"""(kind of entry, its id) -> its title, empty for an unknown one."""

_TITLED = {
    "symptoms": "symptoms",
    "cause": "causes",
    "first_cause": "causes",
    "remedies": "remedies",
    "remedy": "remedies",
    "final_cause": "causes",
}
_FIELDS = tuple(f.name for f in fields(CaseRow))
COLUMNS = (*_FIELDS, *(f"{name}_title" for name in _TITLED))
"""The columns of the CSV file: those of CaseRow, then titles for the ids among them."""

_FORMULA = re.compile(r"'*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
# Lone surrogates are no Unicode text; the others end a line for some readers.
_ESCAPED = re.compile("[\ud800-\udfff\u2028\u2029\x85]")


def harmless(text: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return f"'{text}" if _FORMULA.match(text) else text


def as_written(cell: str) -> str:
    """The text that :func:`harmless` was given."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def csv_lines(rows: Iterable[CaseRow], title: Title, excel: bool = False) -> Iterator[bytes]:
    """The file in pieces, UTF-8: headings, then a row a case. Several ids in a cell are parted by `; `, a remedy's result
    follows it after a colon. `excel` puts a byte order mark first, by which spreadsheets know UTF-8."""
    if excel:
        yield b"\xef\xbb\xbf"
    yield _csv_line(COLUMNS)
    for row in rows:
        yield _csv_line(
            [_csv_cell(getattr(row, name)) for name in _FIELDS]
            + [
                harmless("; ".join(filter(None, (title(kind, key) for key in _ids(getattr(row, name))))))
                for name, kind in _TITLED.items()
            ]
        )


def json_line(row: CaseRow, entries: Sequence[Any]) -> bytes:
    """A case as one line of JSON (UTF-8), with all that was ever recorded in it.

    `entries` have `seq`, `id`, `at`, `event` and `writer`. Numbers that JSON lacks (infinite, not a number) become null.
    """
    events = [
        {"seq": e.seq, "id": e.id, "at": e.at, "writer": getattr(e, "writer", ""), "event": e.event} for e in entries
    ]
    data = {"schema": SCHEMA, "bench": row.bench, "case": row.case, "row": asdict(row), "events": events}
    try:
        text = json.dumps(data, ensure_ascii=False, allow_nan=False)
    except ValueError:
        text = json.dumps(_finite(data), ensure_ascii=False, allow_nan=False)
    return _ESCAPED.sub(lambda m: f"\\u{ord(m[0]):04x}", text).encode() + b"\n"


def put_file(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file whole or not at all: into a new file beside it, which then takes its name. Raises OSError."""
    part = path.with_name(f".{path.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        with part.open("xb") as file:
            for piece in pieces:
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _csv_line(cells: Sequence[str]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(cells)
    return out.getvalue().encode("utf-8", "replace")


def _csv_cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"{value:.15g}" if math.isfinite(value) else ""
    if isinstance(value, tuple):
        return harmless("; ".join(": ".join(v) if isinstance(v, tuple) else str(v) for v in value))
    return harmless(str(value))


def _ids(value: Any) -> list[str]:
    if isinstance(value, tuple):
        return [v[0] if isinstance(v, tuple) else str(v) for v in value]
    return [str(value)] if value else []


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    return value
