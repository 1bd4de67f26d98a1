"""The commands `advisor log import` and `advisor log export`: a list kept so far comes in, cases go out."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from advisor import __version__
from advisor.output import OK, PROBLEM, USAGE, Stop, say

if TYPE_CHECKING:
    from advisor.caselog import CaseLog
    from advisor.console import Desk
    from advisor.exchange.columns import Columns
    from advisor.exchange.listfile import Listing, ListRow
    from advisor.exchange.remakes import Known

__all__ = ["bring_in", "log_export", "log_import"]

_SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t"}


def log_import(args: argparse.Namespace) -> int:
    """`advisor log import FILE`. Asks where something is unclear, if this is a terminal."""
    desk = None
    if sys.stdin.isatty() and sys.stdout.isatty():
        from advisor.console import Desk

        desk = Desk()
    return bring_in(args, desk)


def bring_in(args: argparse.Namespace, desk: Desk | None) -> int:
    """The import, with a desk to ask at, or None when there is nobody to be asked."""
    from advisor.exchange.columns import ColumnError
    from advisor.exchange.listfile import ListError

    try:
        return _bring_in(args, desk)
    except (ListError, ColumnError) as error:
        raise Stop(str(error), USAGE) from None


def _bring_in(args: argparse.Namespace, desk: Desk | None) -> int:
    from advisor.exchange.cells import cell_text
    from advisor.exchange.columns import header_row
    from advisor.exchange.listfile import read_list
    from advisor.exchange.talk import date_sense, keep_map, many, settle, show_columns, wished

    wish = wished(args)
    listing = read_list(Path(args.file), args.sheet or wish.sheet, _SEPARATORS.get(args.separator or ""))
    first = [row.cells for row in listing.rows[:20]]
    head = header_row(first, wish)
    if head is None:
        raise Stop(
            f"{listing.name}: none of the first rows looks like headings: put a row with Date, Complaint and so on above the "
            "list, or name them: --map date=HEADING --map complaint=HEADING",
            USAGE,
        )
    width = max(len(row.cells) for row in listing.rows)
    headings = [cell_text(cell) for cell in first[head]] + [""] * (width - len(first[head]))
    if {"bench", "case", "begun", "final_cause"} <= set(headings):
        raise Stop(f"{listing.name} was written by 'advisor log export': its cases are in a log already", USAGE)
    rows = [row for row in listing.rows[head + 1 :] if row.cells != listing.rows[head].cells]
    say(f"{listing.name}: {listing.how}, headings in line {listing.rows[head].line}, {many(len(rows), 'row')} below.")
    chosen = settle(wish, headings, rows, desk)
    order = date_sense(args, wish, chosen, rows, desk)
    show_columns(chosen, headings, rows)
    if args.save_map:
        keep_map(Path(args.save_map), chosen, headings, order, listing.sheet)
    return _plan_and_write(args, desk, listing, rows, headings, chosen, order)


def _plan_and_write(
    args: argparse.Namespace,
    desk: Desk | None,
    listing: Listing,
    rows: Sequence[ListRow],
    headings: Sequence[str],
    chosen: Columns,
    order: str | None,
) -> int:
    from advisor import knowledge
    from advisor.caselog import CaseLog, log_path
    from advisor.exchange.remakes import Known, plan_remakes
    from advisor.exchange.talk import agreed, many, show_plan

    compiled = knowledge(args.knowledge)
    where = log_path(args.log)
    log = CaseLog(where) if not isinstance(where, Path) or where.exists() else None
    if log is not None and log.invented:
        raise Stop(
            f"{log.name} holds invented cases: a list of your own goes into another log, given with --log", USAGE
        )
    known = _known(log) if log is not None else Known(mills=_mills())
    now = datetime.now(UTC)
    plan = plan_remakes(listing, rows, chosen, compiled, now=now, version=__version__, order=order, known=known)
    show_plan(plan, listing, headings, compiled)
    if args.dry_run:
        say("Dry run: nothing was written.")
        return PROBLEM if plan.bad and not args.skip_bad else OK
    if plan.bad and not args.skip_bad:
        raise Stop("Nothing was brought in: mend these rows first, or bring in the others with --skip-bad.")
    if not plan.ready:
        say("Nothing new to bring in.")
        return OK
    if not args.yes and not agreed(desk, len(plan.ready)):
        say("Nothing was brought in.")
        return OK
    if len(plan.ready) > 500:
        say(f"Writing {many(len(plan.ready), 'case')} ...")
        sys.stdout.flush()
    handles = (log or CaseLog(where)).write([planned.entries for planned in plan.ready])
    say(f"{many(len(handles), 'case')} brought in: 'advisor cases' lists them.")
    return OK


def _mills() -> list[str]:
    from advisor.home import data_home
    from advisor.mills import MillBook

    return list(MillBook(data_home()).mills)


def _known(log: CaseLog) -> Known:
    """What the log holds of earlier imports, and the names in use."""
    from advisor.exchange.remakes import Known

    rows = log.rows()
    hashes, numbers = set(), {}
    for handle, start in log.starts():
        imported = start.get("imported")
        if isinstance(imported, dict):
            hashes.add(str(imported.get("row")))
            if imported.get("id"):
                numbers[str(imported["id"]), str(start.get("begun"))[:10]] = handle
    mills = dict.fromkeys([*_mills(), *(row.mill for row in rows if row.mill)])
    technicians = dict.fromkeys(row.technician for row in rows if row.technician)
    return Known(frozenset(hashes), numbers, tuple(mills), tuple(technicians))


def log_export(args: argparse.Namespace) -> int:
    """`advisor log export`: cases as CSV or JSON Lines, to stdout or a file."""
    from advisor.caselog import CaseLog, log_path
    from advisor.exchange.export import csv_lines, json_line, put_file
    from advisor.exchange.talk import many

    where = log_path(args.log)
    if isinstance(where, Path) and not where.exists():
        raise Stop(f"No case was logged yet in {where}. Begin one with: advisor")
    target = Path(args.file) if args.file and args.file != "-" else None
    if target is not None and isinstance(where, Path) and target.resolve() == where.resolve():
        raise Stop(f"{target} is the case log itself: give another name with --file", USAGE)
    if args.excel and args.format != "csv":
        raise Stop("--excel goes with --format csv only: leave one of them out", USAGE)
    if args.case and (args.since or args.until or args.mill):
        raise Stop("--case names one case: leave --from, --to and --mill out", USAGE)
    if target is not None and target.is_dir():
        raise Stop(f"{target} is a folder: name a file in it with --file", USAGE)
    log = CaseLog(where)
    since, until = _day(args.since, "--from"), _day(args.until, "--to")
    if since and until and until < since:
        raise Stop(f"--from {since} is after --to {until}: change one of them", USAGE)
    if args.case:
        rows = [log.row(log.find(args.case))]
    else:
        after = (until + timedelta(days=1)).isoformat() if until else None
        rows = log.rows(since.isoformat() if since else None, after, args.mill)
    pieces: Iterator[bytes]
    if args.format == "csv":
        from advisor import knowledge

        pieces = csv_lines(rows, _titles(knowledge(args.knowledge).kb), args.excel)
    else:
        pieces = (json_line(row, log.entries(log.handle(row))) for row in rows)
    if target is None:
        sys.stdout.flush()
        out = getattr(sys.stdout, "buffer", None)
        for piece in pieces:
            if out is not None:
                out.write(piece)
            else:
                sys.stdout.write(piece.decode())
        if out is not None:
            out.flush()
    else:
        try:
            put_file(target, pieces)
        except OSError as error:
            raise Stop(
                f"{target} cannot be written: {error.strerror or error}: give another name with --file"
            ) from None
    where_to = f" to {target}" if target is not None else ""
    print(f"{many(len(rows), 'case')} written{where_to}." if rows else _none(log, args.mill), file=sys.stderr)
    return OK


def _day(text: str | None, option: str) -> date | None:
    from advisor.exchange.cells import CellError, parse_date

    if not text:
        return None
    try:
        return parse_date(text, None, date(9998, 1, 1)).date()
    except CellError as error:
        if "two ways" in str(error):
            raise Stop(f"{option}: '{text}' can be read in two ways: write it like 2026-11-25", USAGE) from None
        raise Stop(f"{option}: {error}", USAGE) from None


def _titles(kb: Any) -> Callable[[str, str], str]:
    def title(kind: str, key: str) -> str:
        record = kb.kind(kind).get(key)
        return str(record.title) if record is not None else ""

    return title


def _none(log: CaseLog, mill: str | None) -> str:
    from advisor.issue import nearest

    mills = sorted({row.mill for row in log.rows() if row.mill})
    if mill and mill not in mills:
        return f"No case is from a mill '{mill}'; {nearest(mill, mills) or 'mills in the log: ' + (', '.join(mills) or 'none')}"
    return "No case was begun in that time."
