"""The command `advisor diary`: what is done and changed on a mill, and what it made. Review and memory read it."""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

from advisor.output import OK, USAGE, Stop, put_json, say, table

__all__ = ["care_done", "changed", "made", "show"]


def _log(args: argparse.Namespace) -> Any:
    from advisor.caselog import CaseLog
    from advisor.home import log_path

    return CaseLog(log_path(args.log))


def _by(args: argparse.Namespace) -> str:
    from advisor.settings import Settings

    return str(args.by or Settings.kept().who)


def _mill(args: argparse.Namespace) -> str:
    """The mill named; it must have a profile, so that a slip of the finger makes no second mill."""
    from advisor.home import data_home
    from advisor.mills import MillBook

    mill = MillBook(data_home()).get(args.mill)
    return mill.name if mill else str(args.mill)


def _day(text: str | None, option: str, usual: date) -> date:
    if not text:
        return usual
    try:
        if not re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            raise ValueError
        day = date.fromisoformat(text)
    except ValueError:
        raise Stop(f"{option}: '{text}' is no date; write it as 2026-11-25", USAGE) from None
    if day > datetime.now(UTC).date() + timedelta(days=1):
        raise Stop(f"{option}: {day} is still to come", USAGE)
    return day


def _when(args: argparse.Namespace) -> str | None:
    """The time of the entry: now, or noon of the day given."""
    today = datetime.now(UTC).date()
    day = _day(args.on, "--on", today)
    return None if day == today else f"{day.isoformat()}T12:00:00.000+00:00"


def care_done(args: argparse.Namespace) -> int:
    """Note that a care task was done."""
    from advisor import knowledge
    from advisor.issue import nearest

    tasks = knowledge(args.knowledge).kb.care
    if args.task not in tasks:
        hint = nearest(args.task, tasks) or "'advisor care --ids' lists them"
        raise Stop(f"there is no care task '{args.task}'; {hint}", USAGE)
    mill = _mill(args)
    _log(args).note_diary(mill, {"type": "care", "task": args.task, "by": _by(args)}, _when(args))
    say(f"{mill}: {tasks[args.task].title} is noted as done.")
    return OK


def made(args: argparse.Namespace) -> int:
    """Note how many pieces were made, and scrapped, in a span of days."""
    today = datetime.now(UTC).date()
    until = _day(args.until, "--to", today)
    since = _day(args.since, "--from", until)
    if since > until:
        raise Stop(f"--from {since} is after --to {until}", USAGE)
    if args.made < 0 or not 0 <= args.scrapped <= args.made:
        raise Stop(f"{args.made} made and {args.scrapped} scrapped: give counts, scrapped not more than made", USAGE)
    mill = _mill(args)
    event = {"type": "produced", "from": since.isoformat(), "to": until.isoformat()}
    at = None if until == today else f"{until.isoformat()}T12:00:00.000+00:00"
    _log(args).note_diary(mill, {**event, "made": args.made, "scrapped": args.scrapped, "by": _by(args)}, at)
    days = f"on {since}" if since == until else f"from {since} to {until}"
    say(f"{mill}: {args.made} made, {args.scrapped} scrapped {days} is noted.")
    return OK


def changed(args: argparse.Namespace) -> int:
    """Note something changed on a mill."""
    what = " ".join(args.what).strip()
    if not what:
        raise Stop("say what was changed, such as: advisor diary changed north new air hose", USAGE)
    mill = _mill(args)
    _log(args).note_diary(mill, {"type": "changed", "what": what, "by": _by(args)}, _when(args))
    say(f"{mill}: '{what}' is noted.")
    return OK


def show(args: argparse.Namespace) -> int:
    """Show the newest entries."""
    from advisor.casework import open_log
    from advisor.dialogue import clean

    entries = open_log(args).diary(mill=args.mill)[-max(args.limit, 1) :]
    if args.format == "json":
        return put_json([{"at": e.at, "mill": e.mill, **e.event} for e in entries])
    rows = [(e.at[:10], clean(e.mill), clean(_text(e.event)), clean(str(e.event.get("by") or ""))) for e in entries]
    if rows:
        table(("day", "mill", "what", "by"), rows)
    else:
        say("The diary is empty. Note what was done: advisor diary done MILL TASK, advisor diary changed MILL TEXT")
    return OK


def _text(event: Mapping[str, Any]) -> str:
    if event["type"] == "care":
        return f"done: {event.get('task')}"
    if event["type"] == "produced":
        return f"{event.get('made')} made, {event.get('scrapped')} scrapped, {event.get('from')} to {event.get('to')}"
    return f"changed: {event.get('what')}"
