"""What stands in a cell of somebody's list: dates and numbers as people and spreadsheets write them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from advisor.readings import ReadingError, convert, parse_number

__all__ = ["Cell", "CellError", "DateOrder", "begun", "cell_text", "count_of", "date_order", "minutes_of", "parse_date"]

Cell = str | float | datetime | None
"""A cell as the file gives it. A date without a time of day is a datetime at midnight."""

DateOrder = str
"""'day-first' or 'month-first': how 03/04/2026 is meant."""

_MONTHS = {
    name: month
    for month, names in enumerate(
        (
            "jan january januar jänner",
            "feb february februar feber",
            "mar march mär märz mrz maerz",
            "apr april",
            "may mai",
            "jun june juni",
            "jul july juli",
            "aug august",
            "sep sept september",
            "oct october okt oktober",
            "nov november",
            "dec december dez dezember",
        ),
        start=1,
    )
    for name in names.split()
}
_CLOCK = r"(?:[T ,]+(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,]\d+)?)?\s*(?P<zone>Z|[+-]\d{2}:?\d{2})?(?:\s*(?:uhr|h))?)?"
_ISO = re.compile(rf"(?P<y>\d{{4}})[-./](?P<m>\d{{1,2}})[-./](?P<d>\d{{1,2}}){_CLOCK}", re.IGNORECASE)
_COMPACT = re.compile(r"(?P<y>(?:19|20)\d{2})(?P<m>\d{2})(?P<d>\d{2})")
_DOTS = re.compile(rf"(?P<d>\d{{1,2}})\.\s?(?P<m>\d{{1,2}})\.\s?(?P<y>\d{{4}}|\d{{2}}){_CLOCK}", re.IGNORECASE)
_SLASH = re.compile(
    rf"(?P<a>\d{{1,2}})(?P<sign>[/-])(?P<b>\d{{1,2}})(?P=sign)(?P<y>\d{{4}}|\d{{2}}){_CLOCK}", re.IGNORECASE
)
_NAMED = re.compile(
    rf"(?P<d>\d{{1,2}})\.?[\s-]*(?P<name>[^\W\d_]+)\.?[\s,-]*(?P<y>\d{{4}}|\d{{2}}){_CLOCK}", re.IGNORECASE
)
_NAMED_FIRST = re.compile(
    rf"(?P<name>[^\W\d_]+)\.?\s*(?P<d>\d{{1,2}})(?:st|nd|rd|th)?,?\s+(?P<y>\d{{4}}){_CLOCK}", re.IGNORECASE
)
_WEEKDAY = re.compile(
    r"(?:mo|di|mi|do|fr|sa|so|mon|tue|wed|thu|fri|sat|sun|tues|thur|thurs|[^\W\d_]+day|[^\W\d_]+tag|mittwoch|sonnabend)"
    r"[.,]*\s+(?=\d|[^\W\d_])",
    re.IGNORECASE,
)
_SERIAL = re.compile(r"\d{5}(?:[.,]\d+)?")
_EARLIEST = date(1990, 1, 1)
_THOUSANDS = re.compile(r"\d{1,3}([.,]\d{3})+")


class CellError(ValueError):
    """A cell that cannot be read; the text says what to write instead."""


def cell_text(cell: Cell) -> str:
    """The cell as one line of text: no control characters or direction overrides, spaces run together."""
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.isoformat(" ").removesuffix(" 00:00:00")
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    kept = "".join(ch if ch.isprintable() else " " for ch in cell)
    return " ".join(kept.split())


def date_order(cells: Iterable[Cell]) -> tuple[DateOrder | None, bool]:
    """How the dates of a column written with / or - are meant, from those that can be read in one way only.

    Returns the order, None where nothing tells it, and whether a date needs it. A column that mixes both has no order.
    """
    day = month = open_ = False
    for cell in cells:
        found = _SLASH.fullmatch(_bare(cell)) if isinstance(cell, str) else None
        if found:
            a, b = int(found["a"]), int(found["b"])
            day = day or a > 12 >= b
            month = month or b > 12 >= a
            open_ = open_ or (a <= 12 and b <= 12 and a != b)
    order = "day-first" if day and not month else "month-first" if month and not day else None
    return order, open_ or (day and month)


def parse_date(cell: Cell, order: DateOrder | None, today: date, old_epoch: bool = False) -> datetime:
    """A date, with its time of day if there is one, else at midnight. It keeps an offset from UTC that was written.

    `order` tells how dates with / or - are meant; `old_epoch`: serial numbers count from 1904. ISO 8601 dates, dates with
    dots (always day first), month names in English and German, and a spreadsheet's serial numbers are read. Raises
    CellError for anything else, for dates before 1990 and for dates to come.
    """
    found = cell if isinstance(cell, datetime) else _number_date(cell, old_epoch) or _text_date(cell_text(cell), order)
    if found.date() > today + timedelta(days=1):
        raise CellError(f"{found:%Y-%m-%d} is still to come: write the day the remake was begun")
    if found.date() < _EARLIEST:
        raise CellError(f"{found:%Y-%m-%d} is too long ago: write the year with four digits")
    return found


def begun(when: datetime, zone: tzinfo | None = None) -> str:
    """A date as a case's beginning: ISO 8601 in UTC with milliseconds.

    A bare date is noon UTC, so that it stays that day in the time zones of Europe, Africa and America. A time of day
    without an offset is in `zone`, by default this computer's.
    """
    if when.tzinfo is None and when.time() == time():
        when = datetime.combine(when.date(), time(12), UTC)
    elif when.tzinfo is None and zone is not None:
        when = when.replace(tzinfo=zone)
    return when.astimezone(UTC).isoformat(timespec="milliseconds")


def minutes_of(cell: Cell) -> float | None:
    """Minutes from a number, with a unit such as min, h or Std if it is not minutes, or from hours:minutes."""
    clock = re.fullmatch(r"(\d{1,3}):([0-5]\d)(?::00)?(?:\s*h)?", cell_text(cell))
    if clock:
        return _within(int(clock[1]) * 60.0 + int(clock[2]), 100_000, cell)
    value, unit = _number(cell)
    if value is None:
        return None
    word = unit.lower().rstrip(".")
    known = {"": "min", "minuten": "min", "minutes": "min", "minute": "min", "mins": "min", "m": "min", "std": "h"}
    known |= {"stunden": "h", "stunde": "h", "hours": "h", "hour": "h", "hrs": "h", "hr": "h"}
    try:
        return _within(convert(value, known.get(word, word), "min"), 100_000, cell)
    except ReadingError as error:
        raise CellError(
            f"'{cell_text(cell)[:40]}' is no time in minutes ({error}): write it like 90 or 1.5 h"
        ) from None


def count_of(cell: Cell) -> float | None:
    """A number of blocks, halves allowed; a word such as `pcs` after it does no harm."""
    value, unit = _number(cell)
    if value is None:
        return None
    if unit.lower().rstrip(".") not in ("", "x", "st", "stk", "stück", "pc", "pcs", "block", "blocks", "blöcke"):
        raise CellError(f"'{cell_text(cell)[:40]}' is no number of blocks: write it like 1 or 0.5")
    return _within(value, 1000, cell)


def _number(cell: Cell) -> tuple[float | None, str]:
    text = cell_text(cell)
    if text in ("", "-", "–", "—"):
        return None, ""
    if isinstance(cell, float):
        return cell, ""
    if _THOUSANDS.match(text):
        raise CellError(f"'{text[:40]}' can be read in two ways: write it without a sign between thousands")
    try:
        return parse_number(text)
    except ReadingError:
        raise CellError(f"'{text[:40]}' is no number: write it like 2 or 1.5, or leave it empty") from None


def _within(value: float, most: float, cell: Cell) -> float:
    if not 0 <= value <= most:
        raise CellError(f"'{cell_text(cell)[:40]}' is outside 0 to {most:g}: correct it, or leave it empty")
    return value


def _bare(text: str) -> str:
    text = cell_text(text)
    found = _WEEKDAY.match(text)
    if not found or found[0].strip(" .,").lower() in _MONTHS:
        return text
    return text[found.end() :]


def _number_date(cell: Cell, old_epoch: bool) -> datetime | None:
    """A spreadsheet's serial number: days since 1899-12-30, or since 1904-01-01 (ECMA-376-1, 18.17.4.1)."""
    if isinstance(cell, str) and _SERIAL.fullmatch(cell.strip()):
        cell = float(cell.strip().replace(",", "."))
    if not isinstance(cell, float):
        return None
    if not 30_000 <= cell < 80_000:
        raise CellError(f"'{cell_text(cell)}' is no date: write it like 2026-11-25")
    found = (datetime(1904, 1, 1) if old_epoch else datetime(1899, 12, 30)) + timedelta(days=cell)
    return (found + timedelta(milliseconds=500)).replace(microsecond=0)


def _text_date(text: str, order: DateOrder | None) -> datetime:
    bare = _bare(text)
    if not bare:
        raise CellError("the date is missing: write it like 2026-11-25")
    for pattern in (_ISO, _COMPACT, _DOTS, _NAMED, _NAMED_FIRST):
        found = pattern.fullmatch(bare)
        if found:
            month = _MONTHS.get(found["name"].lower(), 0) if "name" in pattern.groupindex else int(found["m"])
            return _made(text, found, month, int(found["d"]))
    found = _SLASH.fullmatch(bare)
    if not found:
        raise CellError(f"'{text[:40]}' is no date: write it like 2026-11-25 or 25.11.2026")
    a, b = int(found["a"]), int(found["b"])
    if order is None and a <= 12 and b <= 12 and a != b:
        raise CellError(
            f"'{text[:40]}' can be read in two ways: say --day-first or --month-first, or write it like 2026-11-25"
        )
    # A date with a number over 12 can be read in one way only, but against the order of the others it is a slip.
    month_first = order == "month-first" or (order is None and b > 12)
    return _made(text, found, a if month_first else b, b if month_first else a)


def _made(text: str, found: re.Match[str], month: int, day: int) -> datetime:
    parts = found.groupdict()
    year = int(found["y"]) + (2000 if len(found["y"]) == 2 else 0)
    try:
        when = datetime(year, month, day)
        if parts.get("hour"):
            when = when.replace(hour=int(parts["hour"]), minute=int(parts["minute"]), second=int(parts["second"] or 0))
        if parts.get("zone"):
            when = when.replace(tzinfo=datetime.fromisoformat(f"2000-01-01T00:00{parts['zone'].upper()}").tzinfo)
    except ValueError:
        raise CellError(f"there is no day '{text[:40]}': write it like 2026-11-25") from None
    return when
