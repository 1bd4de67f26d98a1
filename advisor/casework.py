"""Commands on cases, the log and mills: diagnose, resume, cases, case, log verify, mill."""

from __future__ import annotations

import argparse
import contextlib
import sys
from pathlib import Path
from typing import Any

from advisor import __version__
from advisor.output import OK, PROBLEM, USAGE, Stop, fitted, put_json, say, table

__all__ = ["case", "cases", "diagnose", "log_verify", "mill", "resume"]


def diagnose(args: argparse.Namespace) -> int:
    if args.answers:
        return _scripted(args)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise Stop("This needs a terminal. Give the answers in a file instead: advisor diagnose --answers FILE", USAGE)
    from advisor import Session, knowledge
    from advisor.caselog import CaseLog, log_path
    from advisor.home import data_home
    from advisor.mills import MillBook

    compiled = knowledge(args.knowledge)
    log = CaseLog(log_path(args.log))
    book = MillBook(data_home())
    desk, mill = _at_the_mill(book, args.mill)
    if desk is None:
        return OK
    session = Session(compiled)
    start = _start_event(compiled, mill)
    session.take(start)
    return _consult(compiled, session, log, desk, "", [start, *_remembered(mill)], _Memory(compiled, book, mill))


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


class _Memory:
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


def _start_event(compiled: Any, mill: Any) -> dict[str, Any]:
    event: dict[str, Any] = {"type": "start", "knowledge": compiled.kb.digest, "version": __version__}
    if mill is not None:
        event |= {"mill": mill.name, "profile": dict(mill.values), "bench": mill.bench}
    return event


def _remembered(mill: Any) -> list[dict[str, Any]]:
    return [{"type": "setting", "field": k, "value": v} for k, v in (mill.setting if mill else {}).items()]


def _consult(
    compiled: Any, session: Any, log: Any, desk: Any, case: str, opening: list[dict[str, Any]], memory: Any
) -> int:
    """Run the console over a case; `opening` are events written with the first one that is typed."""
    from advisor.caselog import LogError
    from advisor.consult import Consultation

    for event in opening[1:]:
        session.take(event)
    recorder = _Recorder(log, case, opening)

    def record(event: dict[str, Any]) -> str:
        name = recorder(event)
        memory.note(event)
        return name

    talk = Consultation(compiled, session, desk, record, fault=LogError, case=case)
    if not case:
        waiting = log.cases(limit=3, open_only=True)
        if waiting:
            more = "" if len(waiting) == 1 else ", and others ('advisor cases --open')"
            desk.say(
                f"Not finished: {waiting[0].case} ({waiting[0].complaint[:40] or 'no complaint'}){more}. Go on with: advisor resume {waiting[0].case}",
                "dim",
            )
        desk.say(
            "Advice for a trained technician. The machine's own manual, local codes and licensed trades come first.",
            "dim",
        )
    talk.run()
    return OK


class _Recorder:
    """Writes events to the log, the opening ones before the first."""

    def __init__(self, log: Any, case: str, opening: list[dict[str, Any]]) -> None:
        self.log, self.case, self.opening = log, case, list(opening)
        self.seq = len(log.entries(case)) if case else 0

    def __call__(self, event: dict[str, Any]) -> str:
        while self.opening:
            first = self.opening[0]
            if self.case:
                self.log.append(self.case, first, self.seq)
            else:
                self.case = self.log.new_case(first)
            self.seq += 1
            self.opening.pop(0)
        self.log.append(self.case, event, self.seq)
        self.seq += 1
        return str(self.case)


def _scripted(args: argparse.Namespace) -> int:
    from advisor import Session, knowledge
    from advisor.caselog import CaseLog, log_path
    from advisor.home import data_home
    from advisor.mills import MillBook
    from advisor.scripted import answers_events, read_answers, report, report_text

    tree = read_answers(Path(args.answers))
    compiled = knowledge(args.knowledge)
    name = args.mill or (tree.data.get("mill") or None)
    mill = MillBook(data_home()).get(name) if name else None
    start = _start_event(compiled, mill)
    events = answers_events(tree, args.answers, compiled, mill.values if mill else None)
    session = Session(compiled, [start, *_remembered(mill), *events])
    recorder = _Recorder(CaseLog(log_path(args.log)), "", [start, *_remembered(mill)])
    for event in events or [{"type": "note", "text": "no answers given"}]:
        recorder(event)
    data = report(compiled, session, recorder.case)
    if args.format == "json":
        return put_json(data)
    say(report_text(data, compiled))
    return OK


def _open_log(args: argparse.Namespace) -> Any:
    from advisor.caselog import CaseLog, log_path

    path = log_path(args.log)
    if not path.exists():
        raise Stop(f"No case was logged yet in {path}. Begin one with: advisor")
    return CaseLog(path)


def resume(args: argparse.Namespace) -> int:
    log = _open_log(args)
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
        log.append(case, reopen, len(events))
        session.take(reopen)
    from advisor.console import Desk

    return _consult(compiled, session, log, Desk(), case, [], _Memory(compiled, None, None))


def _tell(misfits: list[str]) -> None:
    """Say what of a case no longer fits the knowledge."""
    for misfit in misfits:
        print(f"Left out, since the knowledge has changed: {misfit}", file=sys.stderr)


def cases(args: argparse.Namespace) -> int:
    found = _open_log(args).cases(limit=max(args.limit, 1), open_only=args.open)
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
    log = _open_log(args)
    case = log.find(args.case)
    entries = log.entries(case)
    from advisor import Session, knowledge
    from advisor.trail import trail_data, trail_text

    compiled = knowledge(args.knowledge)
    session, misfits = Session.restored(compiled, [e.event for e in entries])
    _tell(misfits)
    data = trail_data(compiled, session, case, [(e.at, e.event) for e in entries])
    if args.format == "json":
        return put_json(data)
    say(fitted(trail_text(data, compiled, session)))
    return OK


def log_verify(args: argparse.Namespace) -> int:
    log = _open_log(args)
    problems = log.verify()
    say("\n".join(problems) if problems else f"{log.path}: every event is as it was written")
    return PROBLEM if problems else OK


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
