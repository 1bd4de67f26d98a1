"""Commands on cases and mills: diagnose, resume, cases, case, note, attach, mill."""

from __future__ import annotations

import argparse
import contextlib
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from advisor import __version__
from advisor.output import OK, USAGE, Stop, fitted, put_json, say, table

__all__ = ["attach", "case", "cases", "diagnose", "mill", "note", "open_log", "resume"]


def diagnose(args: argparse.Namespace) -> int:
    if args.answers:
        return _scripted(args)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise Stop("This needs a terminal. Give the answers in a file instead: advisor diagnose --answers FILE", USAGE)
    from advisor import Session, knowledge
    from advisor.home import data_home, log_path
    from advisor.mills import MillBook

    log = _LateLog(log_path(args.log))
    compiled = knowledge(args.knowledge)
    book = MillBook(data_home())
    desk, mill = _at_the_mill(book, args.mill)
    if desk is None:
        return OK
    session = Session(compiled)
    start = _start_event(compiled, mill, args.technician)
    session.take(start)
    from advisor.dialogue import clean

    for case, who, question in log.waiting.asked:
        desk.say(f"{clean(who)} asks about {case}: {clean(question)} Answer with: advisor note {case} TEXT", "warn")
    for case, complaint in log.waiting.unfinished[:1]:
        more = "" if len(log.waiting.unfinished) == 1 else ", and others ('advisor cases --open')"
        text = clean(complaint)[:40] or "no complaint"
        desk.say(f"Not finished: {case} ({text}){more}. Go on with: advisor resume {case}", "dim")
    desk.say(
        "Advice for a trained technician. The machine's own manual, local codes and licensed trades come first.", "dim"
    )
    return _consult(compiled, session, log, desk, "", [start, *_remembered(mill)], _Profile(compiled, book, mill))


class _LateLog:
    """The log, opened while the complaint is typed: its library takes a third of a second to import.

    `waiting` is what waits at this bench. LogError at once for a file that is no log.
    """

    def __init__(self, where: Path | str, log: Any = None) -> None:
        from advisor.store.glance import Glance, glance

        self.where = where
        self.waiting = glance(where) if isinstance(where, Path) and log is None else Glance()
        self._lock = threading.Lock()
        self._log = log

    def warm(self) -> None:
        """Open it ahead of its use; what goes wrong is told when it is needed."""
        with contextlib.suppress(Exception):
            self()

    def __call__(self) -> Any:
        with self._lock:
            if self._log is None:
                from advisor.caselog import CaseLog

                self._log = CaseLog(self.where)
            return self._log


def _at_the_mill(book: Any, name: str | None) -> tuple[Any, Any]:
    """The desk, and the mill in question: asked for when several are known. No desk when the technician leaves."""
    from advisor.console import Desk, Paused

    desk = Desk()
    if name or len(book.mills) < 2:
        return desk, book.get(name)
    names = list(book.mills)
    while True:
        try:
            text = desk.ask(f"Which mill? {'/'.join(names)} [{book.last}] ", words=names).strip()
        except Paused:
            return None, None
        found = [n for n in names if n.lower() == text.lower()] or [
            n for n in names if text and n.lower().startswith(text.lower())
        ]
        if not text:
            return desk, book.get(None)
        if len(found) == 1:
            return desk, book.get(found[0])
        desk.say(f"Type one of {', '.join(names)}; a new mill is made with: advisor mill NAME", "warn")


class _Profile:
    """Keeps settings that belong to the mill rather than the case in the mill's profile."""

    def __init__(self, compiled: Any, book: Any, mill: Any) -> None:
        self.compiled, self.book, self.mill = compiled, book, mill

    def note(self, event: dict[str, Any]) -> None:
        """Remember a setting such as how many machines share the compressor."""
        if self.mill is None or event.get("type") != "setting":
            return
        entry = self.compiled.setting_fields.get(event["field"])
        if entry is not None and entry.profile and self.mill.setting.get(entry.id) != event["value"]:
            from advisor.mills import MillError

            self.mill.setting[entry.id] = str(event["value"])
            with contextlib.suppress(MillError):  # the answer itself is in the log already
                self.book.put(self.mill)


def _start_event(compiled: Any, mill: Any, technician: str | None) -> dict[str, Any]:
    from advisor.settings import Settings

    event: dict[str, Any] = {"type": "start", "knowledge": compiled.kb.digest, "version": __version__}
    event["technician"] = technician or Settings.kept().who
    if mill is not None:
        event |= {"mill": mill.name, "profile": dict(mill.values), "bench": mill.bench}
    return event


def _remembered(mill: Any) -> list[dict[str, Any]]:
    return [{"type": "setting", "field": k, "value": v} for k, v in (mill.setting if mill else {}).items()]


def _consult(
    compiled: Any, session: Any, log: _LateLog, desk: Any, case: str, opening: list[dict[str, Any]], profile: Any
) -> int:
    """Run the console over a case; `opening` are events written with the first one that is typed."""
    from advisor.consult import Consultation
    from advisor.recall import Memory
    from advisor.settings import Settings
    from advisor.store.errors import LogError

    for event in opening[1:]:
        session.take(event)
    recorder = _Recorder(log, case, opening)
    settings = Settings.kept()

    def record(event: dict[str, Any]) -> str:
        name = recorder(event)
        profile.note(event)
        return name

    def attach(case: str, name: str) -> dict[str, Any]:
        event: dict[str, Any] = log().kept_file(case, Path(name).expanduser())
        return event

    memory = Memory(log, session.state.mill, _now, settings.repeat_days, case)
    talk = Consultation(
        compiled, session, desk, record, fault=LogError, case=case, memory=memory, attach=attach, warm=log.warm
    )
    if talk.run() and settings.shared and isinstance(log.where, Path):
        desk.say(_copied(log(), settings.shared), "dim")
    return OK


def _copied(log: Any, shared: str) -> str:
    """Copy what is new to the shared log; says how it went. A server that does not answer is no trouble at the bench."""
    from advisor.caselog import CaseLog, LogError, Unreachable
    from advisor.store.publish import publish

    try:
        return f"{publish(log, CaseLog(shared))}."
    except Unreachable:
        return "The shared log does not answer now; the case is kept here and copied next time."
    except LogError as error:
        return f"Not copied to the shared log: {error}"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class _Recorder:
    """Writes events to the log, the opening ones before the first. `log` gives the open log."""

    def __init__(self, log: Callable[[], Any], case: str, opening: list[dict[str, Any]]) -> None:
        self.log, self.case, self.opening = log, case, list(opening)
        self.seq = log().count(case) if case else 0

    def __call__(self, event: dict[str, Any]) -> str:
        while self.opening:
            first = self.opening[0]
            if self.case:
                self.log().append(self.case, first, self.seq)
            else:
                self.case = self.log().new_case(first)
            self.seq += 1
            self.opening.pop(0)
        self.log().append(self.case, event, self.seq)
        self.seq += 1
        return str(self.case)


def _scripted(args: argparse.Namespace) -> int:
    from advisor import Session, knowledge
    from advisor.home import data_home, log_path
    from advisor.mills import MillBook
    from advisor.scripted import answers_events, read_answers, report, report_text

    tree = read_answers(Path(args.answers))
    compiled = knowledge(args.knowledge)
    name = args.mill or (tree.data.get("mill") or None)
    mill = MillBook(data_home()).get(name) if name else None
    start = _start_event(compiled, mill, args.technician)
    events = answers_events(tree, args.answers, compiled, mill.values if mill else None)
    session = Session(compiled, [start, *_remembered(mill), *events])
    recorder = _Recorder(_LateLog(log_path(args.log)), "", [start, *_remembered(mill)])
    for event in events or [{"type": "note", "text": "no answers given"}]:
        recorder(event)
    data = report(compiled, session, recorder.case)
    if args.format == "json":
        return put_json(data)
    say(report_text(data, compiled))
    return OK


def open_log(args: argparse.Namespace) -> Any:
    """The log that the options name; Stop when there is none yet."""
    from advisor.caselog import CaseLog
    from advisor.home import log_path

    where = log_path(args.log)
    if isinstance(where, Path) and not where.exists():
        raise Stop(f"No case was logged yet in {where}. Begin one with: advisor")
    return CaseLog(where)


def resume(args: argparse.Namespace) -> int:
    log = open_log(args)
    if args.case:
        case = log.find(args.case)
    else:
        waiting = log.cases(limit=1, open_only=True)
        if not waiting:
            raise Stop("No case is open. Begin one with: advisor")
        case = waiting[0].case
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise Stop(f"This needs a terminal. To read the case: advisor case {case}", USAGE)
    from advisor import Session, knowledge

    compiled = knowledge(args.knowledge)
    events = [e.event for e in log.entries(case)]
    if events[0].get("knowledge") != compiled.kb.digest:
        print("The knowledge has changed since this case began; the ranking may differ.", file=sys.stderr)
    session, misfits = Session.restored(compiled, events)
    _tell(misfits)
    if session.state.closed:
        if session.state.closed != "open":
            raise Stop(f"Case {case} is closed ({session.state.closed}). To read it: advisor case {case}")
        reopen = {"type": "reopen"}
        log.append(case, reopen, log.count(case))
        session.take(reopen)
    from advisor.console import Desk

    return _consult(
        compiled, session, _LateLog(log.base.path or log.name, log), Desk(), case, [], _Profile(compiled, None, None)
    )


def _tell(misfits: list[str]) -> None:
    """Say what of a case no longer fits the knowledge."""
    for misfit in misfits:
        print(f"Left out, since the knowledge has changed: {misfit}", file=sys.stderr)


def cases(args: argparse.Namespace) -> int:
    found = open_log(args).cases(limit=max(args.limit, 1), open_only=args.open)
    if args.format == "json":
        return put_json([vars(c) for c in found])
    from advisor.dialogue import clean

    table(
        ("case", "begun (UTC)", "mill", "complaint", "end", "cause"),
        [
            (
                c.case,
                c.started[:16].replace("T", " "),
                clean(c.mill or ""),
                clean(c.complaint),
                c.closed or "open",
                c.cause or "",
            )
            for c in found
        ],
    )
    return OK


def case(args: argparse.Namespace) -> int:
    log = open_log(args)
    case = log.find(args.case)
    entries = log.entries(case)
    from advisor import Session, knowledge
    from advisor.trail import trail_data, trail_text

    compiled = knowledge(args.knowledge)
    session, misfits = Session.restored(compiled, [e.event for e in entries])
    _tell(misfits)
    data = trail_data(compiled, session, case, [(e.at, e.event) for e in entries])
    if args.html or args.pdf:
        return _sheets(args, log, compiled, case, data)
    if args.format == "json":
        return put_json(data)
    say(fitted(trail_text(data, compiled, session)))
    return OK


def _sheets(args: argparse.Namespace, log: Any, compiled: Any, case: str, data: dict[str, Any]) -> int:
    """Write the case as a sheet."""
    from advisor.paper.casesheet import sheet_html, sheet_pdf
    from advisor.settings import Settings

    row = log.row(case)
    bench = row.bench
    wanted = {str(e.get("sha256")) for e in data["events"] if e["type"] == "attach"}
    files = {sha: content for sha in wanted if (content := log.content(bench, sha)) is not None}
    lab = "" if log.invented else Settings.kept().lab
    row = replace(row, bench=log.bench_name(bench))  # what is printed is for people
    marks = {"invented": log.invented, "made_at": _now(), "lab": lab}
    for name, made in ((args.html, sheet_html), (args.pdf, sheet_pdf)):
        if not name:
            continue
        sheet = made(compiled, data, row, files, **marks)
        try:
            Path(name).write_bytes(sheet.encode("utf-8") if isinstance(sheet, str) else bytes(sheet))
        except OSError as error:
            raise Stop(f"{name} cannot be written: {error.strerror or error}") from None
        say(f"Written: {name}")
    return OK


def note(args: argparse.Namespace) -> int:
    """Write a note into a case, open or closed: the answer to a supervisor's question, say."""
    log = open_log(args)
    case = log.find(args.case, 4)
    text = " ".join(args.text).strip()
    if not text:
        raise Stop("an empty note says nothing: type its text", USAGE)
    from advisor.settings import Settings

    log.add(case, {"type": "note", "text": text, "by": args.by or Settings.kept().who})
    say(f"Noted in {_named(log, case)}.")
    return OK


def attach(args: argparse.Namespace) -> int:
    """Keep photos or files with a case."""
    log = open_log(args)
    case = log.find(args.case, 4)
    for name in args.files:
        event = log.kept_file(case, Path(name).expanduser())
        log.add(case, event)
        say(f"{event['name']} ({event['size'] / 1000:.0f} kB) is kept with {_named(log, case)}")
    return OK


def _named(log: Any, case: str) -> str:
    """A case with what tells it from others, so that a slip is seen."""
    from advisor.dialogue import clean

    row = log.row(case)
    parts = (row.begun[:10], f"mill {clean(row.mill)}" if row.mill else "", clean(row.complaint)[:50])
    return f"case {case} ({', '.join(p for p in parts if p)})"


def mill(args: argparse.Namespace) -> int:
    from advisor import knowledge
    from advisor.home import data_home
    from advisor.millform import apply_value, describe, fill_in
    from advisor.mills import Mill, MillBook

    book = MillBook(data_home())
    if not args.name:
        if args.format == "json":
            return put_json([vars(m) for m in book.mills.values()])
        say(
            "\n".join(f"{name}{'  (used last)' if name == book.last else ''}" for name in book.mills)
            or "No mill yet. Make one with: advisor mill NAME"
        )
        return OK
    compiled = knowledge(args.knowledge)
    mill = book.mills.get(args.name)
    if mill is None and not args.values and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise Stop(f"there is no mill '{args.name}'; give its values with --set", USAGE)
    created = mill is None
    mill = mill or Mill(args.name)
    for pair in args.values:
        apply_value(compiled, mill, pair)
    if not args.values and sys.stdin.isatty() and sys.stdout.isatty() and args.format == "text":
        from advisor.console import Desk, Paused

        try:
            fill_in(compiled, mill, Desk())
        except Paused:
            say("Left; what was given so far is kept.")
        book.put(mill)
    elif args.values or created:
        book.put(mill)
    if args.format == "json":
        return put_json(vars(mill))
    say(describe(compiled, mill))
    return OK
