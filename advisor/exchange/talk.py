"""An import at the desk: which column is which, what is asked, and what the list would bring."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from advisor.exchange.cells import Cell, cell_text, date_order
from advisor.exchange.columns import FIELDS, NEEDED, Columns, Wish, guess, letter, mapping_text
from advisor.exchange.export import put_file
from advisor.exchange.listfile import Listing, ListRow
from advisor.exchange.remakes import Plan
from advisor.issue import KnowledgeError
from advisor.output import OK, USAGE, Stop, fitted, say, table

if TYPE_CHECKING:
    from advisor.compiled import Compiled
    from advisor.console import Desk

__all__ = ["agreed", "date_sense", "keep_map", "many", "settle", "show_columns", "show_plan", "wished"]

_SHOWN = 40


def wished(args: argparse.Namespace) -> Wish:

    base = None
    if args.map_file:
        path = Path(args.map_file)
        try:
            base = Wish.of_text(path.read_text("utf-8-sig"), str(path))
        except (OSError, UnicodeDecodeError) as error:
            why = getattr(error, "strerror", None) or "it is no text"
            raise Stop(f"the mapping {path} cannot be read: {why}", USAGE) from None
    return Wish.of_pairs(args.map, base)


def settle(wish: Wish, headings: Sequence[str], rows: Sequence[ListRow], desk: Desk | None) -> Columns:
    """The column of every field: as given, else as guessed; what is unclear or missing is asked for."""

    chosen = wish.find(headings)
    sure, unclear = guess(headings) if not wish.whole else ({}, {})
    taken = {c for found in chosen.values() for c in found}
    for name, found in sure.items():
        if name not in chosen and not taken & set(found):
            chosen[name] = found
    taken = {c for found in chosen.values() for c in found}
    for name in FIELDS:
        if name in chosen and (chosen[name] or name not in NEEDED):
            continue
        offered = [c for c in unclear.get(name, ()) if c not in taken]
        if not offered and name not in NEEDED:
            continue
        offered = offered or [c for c in range(len(headings)) if c not in taken]
        shown = ", ".join(f"{letter(c)} {headings[c] or '(no heading)'}" for c in offered)
        if desk is not None:
            chosen[name] = _ask_column(desk, name, offered, headings, rows, name in NEEDED)
        elif name in NEEDED:
            raise Stop(f"Which column holds the {name}? Name one with --map {name}=HEADING, of: {shown}", USAGE)
        else:
            say(f"Not clear which column holds the {name} ({shown}): left out; --map {name}=HEADING takes one.")
            chosen[name] = ()
        taken |= set(chosen[name])
    return {name: chosen[name] for name in FIELDS if chosen.get(name)}


def _ask_column(
    desk: Desk, name: str, offered: Sequence[int], headings: Sequence[str], rows: Sequence[ListRow], needed: bool
) -> tuple[int, ...]:
    from advisor.console import Paused

    desk.say(f"Which column holds the {name}?", "head")
    for column in offered:
        desk.say(f"  {letter(column):2} {headings[column] or '(no heading)'}   such as {_sample(rows, column)}")
    other = "" if needed else ", 0 for none of them"
    while True:
        try:
            text = desk.ask(f"Letter{other}: ").strip()
        except Paused:
            raise Stop("Left; nothing was brought in.", OK) from None
        if text == "0" and not needed:
            return ()
        for column in offered:
            if text.upper() == letter(column) or (text and text.lower() == headings[column].lower()):
                return (column,)
        desk.say(f"Type one of {', '.join(letter(c) for c in offered)}{other}.", "warn")


def date_sense(
    args: argparse.Namespace, wish: Wish, chosen: Columns, rows: Sequence[ListRow], desk: Desk | None
) -> str | None:
    """How dates with / or - are meant: as given, as the column itself tells, or as asked for."""
    from advisor.console import Paused

    given = "day-first" if args.day_first else "month-first" if args.month_first else wish.order
    dates: list[Cell] = [row.cells[c] for row in rows for c in chosen["date"] if c < len(row.cells)]
    found, needed = date_order(dates)
    if given or found or not needed:
        return given or found
    text = "Dates such as 03/04/2026 can be read in two ways"
    if desk is None:
        raise Stop(f"{text}: say --day-first or --month-first.", USAGE)
    while True:
        try:
            reply = desk.ask(f"{text}.  1 day first  2 month first: ").strip()
        except Paused:
            raise Stop("Left; nothing was brought in.", OK) from None
        if reply in ("1", "2"):
            return "day-first" if reply == "1" else "month-first"
        desk.say("Type 1 or 2.", "warn")


def _sample(rows: Sequence[ListRow], column: int) -> str:

    texts = (cell_text(row.cells[column]) for row in rows if column < len(row.cells))
    return next((_short(text, 30) for text in texts if text), "(empty)")


def show_columns(chosen: Columns, headings: Sequence[str], rows: Sequence[ListRow]) -> None:

    table(
        ("field", "column", "such as"),
        [
            (name, f"{letter(c)} {_short(headings[c], 30)}", _sample(rows, c))
            for name, found in chosen.items()
            for c in found
        ],
    )
    used = {c for found in chosen.values() for c in found}
    rest = [f"{letter(c)} {_short(h, 30)}" for c, h in enumerate(headings) if h and c not in used]
    if rest:
        say(fitted(f"Left out: {', '.join(rest)}. A column is taken as a note with --map note=HEADING."))


def keep_map(path: Path, chosen: Columns, headings: Sequence[str], order: str | None, sheet: str | None) -> None:

    try:
        if path.exists():
            Wish.of_text(path.read_text("utf-8-sig"), str(path))
        put_file(path, [mapping_text(chosen, headings, order, sheet).encode()])
    except (KnowledgeError, UnicodeDecodeError):
        raise Stop(f"{path} is there and is no mapping: give another name with --save-map", USAGE) from None
    except OSError as error:
        raise Stop(f"the mapping {path} cannot be written: {error.strerror or error}", USAGE) from None
    say(f"These columns are kept in {path}: use them again with --map-file.")


def show_plan(plan: Plan, listing: Listing, headings: Sequence[str], compiled: Compiled) -> None:
    kb = compiled.kb
    say(
        f"{many(len(plan.ready), 'row')} would come in, {plan.there} in the log already, {len(_lines(plan))} not readable."
    )
    if plan.ready:
        say("The first of them:" if len(plan.ready) > 1 else "It is:")
        table(
            ("line", "day", "mill", "complaint", "symptoms", "cause"),
            [
                (
                    str(p.line),
                    p.begun[:10],
                    _short(p.mill, 12),
                    _short(p.complaint, 60),
                    ", ".join(kb.symptoms[s].title for s in p.symptoms) or "?",
                    kb.causes[p.cause].title if p.cause else "?",
                )
                for p in plan.ready[:5]
            ],
        )
    if plan.understood:
        found = ", ".join(f"{kb.symptoms[s].title} {n}x" for s, n in plan.understood.most_common())
        say(fitted(f"Symptoms understood: {found}."))
    for name, texts in plan.strange.items():
        if texts:
            say(fitted(f"{name.capitalize()} not understood, kept as text: {_counted(texts)}."))
    if plan.passed_over:
        lines = ", ".join(map(str, plan.passed_over[:10])) + (" ..." if len(plan.passed_over) > 10 else "")
        say(fitted(f"Passed over, without date and complaint: line {lines}."))
    for line, case in plan.changed.items():
        say(
            fitted(
                f"{listing.place(line)}: this number and day came in as case {case} and say something else now: left out. "
                "What is new belongs into that case."
            )
        )
    shown = plan.bad if not sys.stdout.isatty() else plan.bad[:_SHOWN]
    for problem in shown:
        heading = _short(headings[problem.column], 30) if problem.column is not None else ""
        say(fitted(f"{listing.place(problem.line, problem.column, heading)}: {problem.message}"))
    if len(shown) < len(plan.bad):
        say(f"... and {len(plan.bad) - len(shown)} more; all of them with: advisor log import ... --dry-run > FILE")


def _lines(plan: Plan) -> set[int]:
    return {problem.line for problem in plan.bad}


def _counted(texts: Counter[str]) -> str:
    most = [f"'{_short(text, 40)}'{f' {n}x' if n > 1 else ''}" for text, n in texts.most_common(8)]
    return ", ".join(most) + (f" and {len(texts) - 8} others" if len(texts) > 8 else "")


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def many(count: int, word: str) -> str:
    return f"{count} {word}" + ("" if count == 1 else "s")


def agreed(desk: Desk | None, count: int) -> bool:
    from advisor.console import Paused

    if desk is None:
        raise Stop("Nothing was brought in yet: say --yes to bring it in, or --dry-run to only look.", USAGE)
    while True:
        try:
            text = desk.ask(f"Bring {many(count, 'case')} in? It cannot be taken back. yes/no: ", words=["yes", "no"])
        except Paused:
            return False
        if text.strip().lower() in ("yes", "y", "no", "n"):
            return str(text).strip().lower().startswith("y")
        desk.say("Type yes or no.", "warn")
