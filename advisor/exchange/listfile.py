"""A list somebody keeps, from CSV in its many shapes or an Excel workbook, as rows of cells with their places."""

from __future__ import annotations

import codecs
import csv
import re
import warnings
import zipfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import IO, Any

from advisor.exchange.cells import Cell, cell_text
from advisor.exchange.columns import known_headings, letter

__all__ = ["MOST_ROWS", "ListError", "ListRow", "Listing", "read_list"]

MOST_ROWS = 20_000
MOST_COLUMNS = 256
_LINE = 1_000_000
_RECORD_LINES = 200
_UNPACKED = 300_000_000
_STRINGS = 100_000_000
_SEPARATORS = {";": "semicolon", ",": "comma", "\t": "tab"}
_END = "\ue000end of the list\ue000"
_ERRORS = re.compile(r"#(REF!|N/A|VALUE!|DIV/0!|NAME\?|NUM!|NULL!|BEZUG!|NV|WERT!|ZAHL!)")
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell\s[^>]*?ref="([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})"')


class ListError(Exception):
    """The list cannot be read; the text says where, and what to do."""


@dataclass(frozen=True)
class ListRow:
    """One row: the line of the file where it begins (the row of a sheet), and its cells."""

    line: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Listing:
    """The rows of a list that hold anything. `how` says how it was read; `sheet` names the sheet of a workbook."""

    name: str
    how: str
    rows: tuple[ListRow, ...]
    sheet: str | None = None
    old_epoch: bool = False

    def place(self, line: int, column: int | None = None, heading: str = "") -> str:
        """Where a cell stands, as a reader of the file looks for it."""
        named = f" ({heading})" if heading and column is not None else ""
        if self.sheet is not None:
            return f"{self.name}, {self.sheet}!{letter(column) if column is not None else ''}{line}{named}"
        return f"{self.name}:{line}" + (f", column {letter(column)}{named}" if column is not None else "")


def read_list(path: Path, sheet: str | None = None, separator: str | None = None) -> Listing:
    """Read a list. `sheet` names a sheet of a workbook; `separator` is ',', ';' or a tab instead of finding it out.

    Raises ListError when the file cannot be read, is none of the known kinds, or has more than MOST_ROWS rows.
    """
    try:
        if path.exists() and not path.is_dir() and not path.is_file():
            raise ListError(f"{path} is no file that can be read twice: save the list to a file first")
        with path.open("rb") as file:
            head = file.read(8192)
        if not head.strip():
            raise ListError(f"{path} is empty: export the list again")
        if head.startswith(b"\xd0\xcf\x11\xe0"):
            raise ListError(
                f"{path} is an old workbook (.xls), or is protected by a password: save it as .xlsx without one, or as CSV"
            )
        if head.startswith(b"PK\x03\x04"):
            return _workbook(path, sheet)
        if sheet is not None:
            raise ListError(f"{path} is no workbook and has no sheets: leave --sheet out")
        return _plain_text(path, head, separator)
    except FileNotFoundError:
        raise ListError(f"there is no file {path}: check its name and folder") from None
    except IsADirectoryError:
        raise ListError(f"{path} is a folder: name the file in it") from None
    except OSError as error:
        raise ListError(f"{path} cannot be read: {error.strerror or error}") from None


# -- CSV --------------------------------------------------------------------------------------------------------------


def _plain_text(path: Path, head: bytes, separator: str | None) -> Listing:
    encoding = _encoding(path, head)
    with path.open(encoding=encoding, newline="") as text:
        sample = text.read(200_000)
    if sample.startswith("sep=") and sample[4:5] in _SEPARATORS:
        separator = separator or sample[4]
    sign = separator or _separator(sample)
    with path.open(encoding=encoding, newline="") as text:
        rows = tuple(_records(path, text, sign))
    said = {
        "utf-8-sig": "UTF-8",
        "utf-16": "UTF-16",
        "utf-16-le": "UTF-16",
        "utf-16-be": "UTF-16",
        "cp1252": "Windows-1252",
    }
    return Listing(cell_text(path.name), f"{_SEPARATORS.get(sign, sign)} between the columns, {said[encoding]}", rows)


def _encoding(path: Path, head: bytes) -> str:
    """UTF-16 by its mark or its zero bytes, else UTF-8 if the whole file is, else Windows-1252."""
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        names = ["utf-16"]
    elif head[1::2].count(0) > len(head) // 4 and not head[0::2].count(0):
        names = ["utf-16-le"]
    elif head[0::2].count(0) > len(head) // 4 and not head[1::2].count(0):
        names = ["utf-16-be"]
    elif 0 in head:
        raise ListError(f"{path} is neither text nor a workbook: save the list as CSV or .xlsx")
    else:
        names = ["utf-8-sig", "cp1252"]
    for name in names:
        decoder = codecs.getincrementaldecoder(name)()
        try:
            with path.open("rb") as file:
                while chunk := file.read(1 << 20):
                    decoder.decode(chunk)
            decoder.decode(b"", final=True)
            return name
        except UnicodeDecodeError:
            continue
    raise ListError(f"{path} is text in no known coding: save the list as CSV in UTF-8")


def _separator(sample: str) -> str:
    """The sign that gives the most known headings, then the most rows of one width. The csv module's own guess takes a
    comma within a complaint for a separator."""

    def worth(sign: str) -> tuple[int, float, int]:
        rows: list[list[str]] = []
        try:
            for row in csv.reader(sample.splitlines(keepends=True)[:300], delimiter=sign):
                if any(cell.strip() for cell in row):
                    rows.append(row)
        except csv.Error:
            pass
        widths = Counter(len(row) for row in rows)
        width, count = max(widths.items(), key=lambda item: (item[1], item[0]), default=(1, 0))
        headings = max((known_headings([cell_text(c) for c in row[:MOST_COLUMNS]]) for row in rows[:20]), default=0)
        return headings, count / len(rows) if rows and width > 1 else 0.0, width

    return max(_SEPARATORS, key=worth)


def _records(path: Path, text: IO[str], sign: str) -> Iterator[ListRow]:
    def lines() -> Iterator[str]:
        number = 0
        while line := text.readline(_LINE + 1):
            number += 1
            if len(line) > _LINE:
                raise ListError(f"{path}:{number}: this line has more than a million characters: it is no list of rows")
            yield line
        yield _END  # an open quote would swallow it

    reader = csv.reader(lines(), delimiter=sign)
    count, first = 0, 1
    try:
        for row in reader:
            start, first = first, reader.line_num + 1
            if row == [_END]:
                return
            if any(_END in cell for cell in row) or first - start > _RECORD_LINES:
                raise ListError(f'{path}:{start}: a quote (") is opened here and not closed: close it, or take it out')
            cells = tuple(_tidy(c) for c in row[:MOST_COLUMNS])
            if not any(cells) or (start == 1 and len(row) <= 2 and row[0].startswith("sep")):
                continue
            count = _counted(path, count)
            yield ListRow(start, cells)
    except csv.Error as error:
        raise ListError(f"{path}:{reader.line_num}: this line cannot be read ({error}): check its quotes") from None


def _tidy(text: str) -> str | None:
    text = text.strip()
    return None if not text or _ERRORS.fullmatch(text) else text


def _counted(path: Path, count: int) -> int:
    if count > MOST_ROWS:
        raise ListError(f"{path} has more than {MOST_ROWS} rows: split it, by year for example")
    return count + 1


# -- Excel ------------------------------------------------------------------------------------------------------------


def _workbook(path: Path, sheet: str | None) -> Listing:
    _refuse_bomb(path)
    from openpyxl import load_workbook
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = load_workbook(path, read_only=True, data_only=True, keep_links=False)
            try:
                chosen = _sheet(path, book, sheet)
                rows = tuple(_sheet_rows(path, chosen))
                return Listing(
                    cell_text(path.name), f"sheet '{chosen.title}'", rows, chosen.title, book.epoch == CALENDAR_MAC_1904
                )
            finally:
                book.close()
    except (ListError, OSError, MemoryError):
        raise
    except Exception as error:  # a damaged workbook makes openpyxl raise nearly anything
        said = cell_text(str(error))[:100]
        raise ListError(
            f"{path} cannot be read as a workbook ({type(error).__name__}: {said}): open it and save it anew, or as CSV"
        ) from None


def _refuse_bomb(path: Path) -> None:
    """Sizes of a zip's directory are what unpacking stops at, so they can be trusted as a limit."""
    try:
        with zipfile.ZipFile(path) as packed:
            members = packed.infolist()
    except zipfile.BadZipFile:
        raise ListError(f"{path} is a damaged workbook: open it and save it anew, or as CSV") from None
    names = {m.filename for m in members}
    if "xl/workbook.xml" not in names:
        kind = "an OpenDocument sheet" if "content.xml" in names else "a packed file, but no workbook"
        raise ListError(f"{path} is {kind}: save the list as .xlsx or CSV")
    strings = max((m.file_size for m in members if "sharedStrings" in m.filename), default=0)
    if len(members) > 5000 or sum(m.file_size for m in members) > _UNPACKED or strings > _STRINGS:
        raise ListError(
            f"{path} unpacks to more than {_UNPACKED // 1_000_000} MB: save the sheet with the list alone as CSV"
        )


def _sheet(path: Path, book: Any, wanted: str | None) -> Any:
    """The sheet asked for, hidden or not; else the only one to be seen that holds anything."""
    sheets = [s for s in book.worksheets if hasattr(s, "iter_rows")]
    for s in sheets:
        s.reset_dimensions()  # what the file says of its size is often wrong
    if wanted is not None:
        found = [s for s in sheets if s.title.strip().lower() == wanted.strip().lower()]
        if not found:
            raise ListError(
                f"{path} has no sheet '{wanted}'; it has: {', '.join(cell_text(s.title) for s in sheets) or 'none'}"
            )
        return found[0]
    seen = [s for s in sheets if s.sheet_state == "visible"]
    full = [s for s in seen if any(any(c is not None for c in r) for r in s.iter_rows(max_row=200, values_only=True))]
    if len(full) == 1:
        return full[0]
    if not full:
        raise ListError(f"{path} has no sheet to be seen that holds anything; a hidden one is named with --sheet")

    def worth_of(s: Any) -> int:
        rows = s.iter_rows(max_row=20, max_col=MOST_COLUMNS, values_only=True)
        return max(known_headings([cell_text(_cell(c)) for c in row]) for row in rows)

    worth = [worth_of(s) for s in full]  # one that looks like a list of remakes, among notes and figures
    if worth.count(max(worth)) == 1:
        return full[worth.index(max(worth))]
    raise ListError(
        f"{path} has several sheets: name one with --sheet, of {', '.join(cell_text(s.title) for s in full)}"
    )


def _sheet_rows(path: Path, sheet: Any) -> Iterator[ListRow]:
    below = _merged_down(sheet)
    meant: dict[int, tuple[Cell, int]] = {}  # column -> what a merged cell above says, and the last row it is meant for
    count = 0
    for line, values in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS, values_only=True), start=1):
        cells = [_cell(value) for value in values]
        while cells and cells[-1] is None:
            cells.pop()
        cells += [None] * (max(meant, default=-1) + 1 - len(cells)) if cells else []
        if not cells:
            continue
        for column, (value, last) in meant.items():
            if line <= last and column < len(cells) and cells[column] is None:
                cells[column] = value
        meant |= {c: (cells[c], last) for c, last in below.get(line, {}).items() if c < len(cells)}
        count = _counted(path, count)
        yield ListRow(line, tuple(cells))


def _merged_down(sheet: Any) -> dict[int, dict[int, int]]:
    """First row -> column (from 0) -> last row, of cells merged over several rows. Streamed: a read-only sheet has none."""
    from openpyxl.utils import column_index_from_string

    out: dict[int, dict[int, int]] = {}
    with sheet.parent._archive.open(sheet._worksheet_path) as part:
        rest = b""
        while chunk := part.read(1 << 20):
            text = rest + chunk
            for found in _MERGED.finditer(text):
                first, last = int(found[2]), int(found[4])
                if last > first and len(out) < MOST_ROWS:
                    out.setdefault(first, {})[column_index_from_string(found[1].decode()) - 1] = last
            rest = text[-200:]
    return out


def _cell(value: Any) -> Cell:
    if value is None or isinstance(value, datetime):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return float(value) if abs(value) < 1e300 else str(value)
    if isinstance(value, date):
        return datetime.combine(value, time())
    return _tidy(str(value))
