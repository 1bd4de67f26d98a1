"""The command `advisor review`: the supervisor's look at a period."""

from __future__ import annotations

import argparse
import calendar
import math
import re
import sys
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from advisor.output import OK, USAGE, Stop, put_json, say

if TYPE_CHECKING:
    from advisor.compiled import Compiled
    from advisor.review.figures import Review

__all__ = ["day_of", "read_review", "review", "span"]

DAYS = 90
CROWDED = 50_000
"""More readings than this are reviewed as means of a day: their points would lie on top of each other anyway."""
_DATES = "write a date as year-month-day, such as 2026-11-25"


def review(args: argparse.Namespace) -> int:
    """Review a period: what costs most, what drifts, which fix did not hold, what to sign."""
    from advisor import knowledge
    from advisor.casework import open_log

    today = datetime.now(UTC).date()
    since, until = span(args.since, args.until, args.last, today)
    log = open_log(args)
    compiled = knowledge(args.knowledge)
    found, burrs = read_review(
        log,
        compiled,
        since.isoformat(),
        until.isoformat(),
        mill=args.mill,
        technician=args.technician,
        material=args.material,
    )
    if args.html:
        _write(found, Path(args.html), compiled, log, burrs)
    if args.format == "json":
        return put_json({"invented": log.invented, **_plain(found)})
    if args.html:
        say(f"Written: {args.html}")
        return OK
    _show(found, log.invented)
    return OK


def span(since: str | None, until: str | None, last: str | None, today: date) -> tuple[date, date]:
    """The period as (first day, day after the last): `until` is the last day as typed, `last` such as 30d, 12w, 3m, 1y.

    The default is the last 90 days, today included. Stop says what to type instead."""
    end = day_of("--to", until) if until else today
    if last:
        if since:
            raise Stop("give --last, or --from with --to: the two together say the beginning twice", USAGE)
        begin = _back(end, last)
    elif since:
        begin = day_of("--from", since)
    else:
        begin = end - timedelta(days=DAYS - 1)
    if begin > end:
        to = f"--to {end}" if until else f"today, {end}"
        raise Stop(f"--from {begin} is later than {to}: the period ends before it begins", USAGE)
    return begin, end + timedelta(days=1)


def day_of(option: str, text: str) -> date:
    """The day typed for an option; Stop says what to type instead."""
    try:
        if not re.fullmatch(r"\d{4}-\d\d-\d\d", text.strip()):
            raise ValueError
        day = date.fromisoformat(text.strip())
    except ValueError:
        raise Stop(f"{option}: '{text}' is no date; {_DATES}", USAGE) from None
    if not 1990 <= day.year <= 2200:
        raise Stop(f"{option}: {day} is out of reach; {_DATES}", USAGE)
    return day


def _back(end: date, text: str) -> date:
    """The first day of so many days, weeks, months or years that end with the day `end`."""
    match = re.fullmatch(r"(\d{1,4})\s*([dwmy])", text.strip().lower())
    number = int(match[1]) if match else 0
    if not match or number == 0:
        raise Stop(f"--last: '{text}' is no span; write such as 30d, 12w, 3m or 1y", USAGE)
    days = {"d": number, "w": 7 * number}.get(match[2])
    if days is not None:
        begin = end - timedelta(days=days - 1)
    else:
        months = end.year * 12 + end.month - 1 - number * (12 if match[2] == "y" else 1)
        year, month = max(months // 12, 1), months % 12 + 1
        begin = end.replace(year=year, month=month, day=min(end.day, calendar.monthrange(year, month)[1])) + timedelta(
            days=1
        )
    if begin.year < 1990:
        raise Stop(f"--last: '{text}' is out of reach; the longest is back to 1990", USAGE)
    return begin


def read_review(
    log: Any,
    compiled: Compiled,
    since: str,
    until: str,
    *,
    mill: str | None = None,
    technician: str | None = None,
    material: str | None = None,
    now: str | None = None,
) -> tuple[Review, tuple[list[float], list[float]]]:
    """The review of a log, a CaseLog, from the day `since` up to, not including, the day `until`; and the hours of worn and
    of running burrs. Prices, repeat days and the mills' papers are those of this user. `now`: ISO time, the clock's by
    default. Stop for a mill, technician or material that nothing is logged of."""
    from advisor.burrlog import burr_hours
    from advisor.home import data_home
    from advisor.mills import MillBook
    from advisor.review.figures import Prices, period_of, review_of
    from advisor.settings import Settings

    settings = Settings.kept()
    # the mills of an invented lab are none of the user's
    kept = {} if log.invented else MillBook(data_home()).mills
    profiles = {name: each.values for name, each in kept.items()}
    first, end = date.fromisoformat(since), date.fromisoformat(until)
    wide = timedelta(days=settings.repeat_days)
    # fixes late in the period are judged by later cases, early complaints by earlier fixes
    rows = log.rows((first - wide).isoformat(), (end + wide).isoformat(), mill=mill)
    if mill is not None and not rows:
        around = log.rows((first - wide).isoformat(), (end + wide).isoformat())
        _known("mill", mill, (*profiles, *(row.mill for row in around)), "the profiles and")
    inside = [row for row in rows if since <= row.begun < until]
    _known("technician", technician, (row.technician for row in inside), "")
    _known("material", material, (row.material for row in inside), "")
    # as long again before the period, for the baseline of the charts
    earlier = first - timedelta(days=min(max((end - first).days, DAYS), 366))
    reach = (earlier.isoformat(), until)
    crowded = log.count_readings(*reach, mill) > CROWDED
    waiting = log.rows(None, since, mill=mill, technician=technician, material=material, reviewable=True)
    burrs = burr_hours(log, mill)
    hour = settings.hour_price or None
    found = review_of(
        period_of(
            since, until, now or datetime.now(UTC).isoformat(timespec="milliseconds"), mill, technician, material
        ),
        rows,
        log.daily_readings(*reach, mill) if crowded else log.readings(*reach, mill=mill),
        # the longest interval of the care plan is a month; what is older than this is as good as never done
        log.diary((first - timedelta(days=400)).isoformat(), mill=mill),
        compiled.kb,
        waiting=waiting,
        prices=Prices(settings.currency if hour or settings.prices else "", dict(settings.prices), hour),
        repeat_days=settings.repeat_days,
        profiles=profiles,
        burrs=burrs,
        front=lambda bench: _front(log, bench),
    )
    if crowded:
        note = "There are so many readings that those of a mill on one day are taken together, as their mean."
        found = replace(found, notes=(*found.notes, note))
    return found, burrs


def _front(log: Any, bench: str) -> str:
    """What stands before a case's id in the handles of a bench."""
    from advisor.caserow import CaseRow

    return str(log.handle(CaseRow(bench, "", "")))


def _known(kind: str, name: str | None, names: Iterable[str | None], where: str) -> None:
    found = sorted({each for each in names if each})
    if name is None or name in found:
        return
    span = f"{where} the cases of this period{' and the days around it' if where else ''}".lstrip()
    told = ", ".join(found[:12]) + (", ..." if len(found) > 12 else "")
    raise Stop(f"--{kind}: '{name}' is not in {span}; there: {told or 'none'}")


def _write(found: Review, path: Path, compiled: Compiled, log: Any, burrs: tuple[list[float], list[float]]) -> None:
    from advisor.paper.page import write_page
    from advisor.settings import Settings

    lab = Settings.kept().lab
    title = f"Review of {found.period.since} to {found.period.last}" + (f", {lab}" if lab else "")
    try:
        write_page(
            found,
            path,
            compiled,
            title=title,
            invented=log.invented,
            made_at=datetime.now(UTC).isoformat(timespec="seconds"),
            burr_hours=burrs,
        )
    except OSError as error:
        raise Stop(f"--html: {path} cannot be written: {error.strerror or error}") from None


def _show(found: Review, invented: bool) -> None:
    from rich.console import Console

    from advisor.review.text import show

    terminal = sys.stdout.isatty()
    console = Console(highlight=False, markup=False, width=None if terminal else 100)
    show(found, console, last=terminal, invented=invented)


def _plain(value: Any) -> Any:
    """The review as JSON takes it: records as objects, no number as null."""
    from dataclasses import fields, is_dataclass

    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
