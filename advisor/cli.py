"""Commands. Wires knowledge, session, console and log together; imports each part only when a command needs it."""

from __future__ import annotations

import argparse
import contextlib
import gc
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from advisor import __version__

__all__ = ["main"]

OK, PROBLEM, USAGE = 0, 1, 2


class _Stop(Exception):
    """End with a message on stderr and an exit code."""

    def __init__(self, message: str, code: int = PROBLEM) -> None:
        super().__init__(message)
        self.code = code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="advisor",
        description="Find out why a dental mill's result is bad: questions, readings, ranked causes, a remedy and its proof.",
        epilog="Without a command: diagnose. The machine's own manual and local codes come first.",
    )
    parser.add_argument("--version", action="version", version=f"advisor {__version__}")
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument(
        "--log", metavar="FILE", help="case log to use (default: ADVISOR_LOG, else the user's data folder)"
    )
    common.add_argument("--knowledge", metavar="DIR", help="knowledge folder to use (default: the shipped one)")
    shown = argparse.ArgumentParser(add_help=False)
    shown.add_argument("--format", choices=("text", "json"), default="text", help="output format (default: text)")
    sub = parser.add_subparsers(dest="command", metavar="COMMAND")

    p = sub.add_parser(
        "diagnose",
        parents=[common, shown],
        help="begin a case (the default)",
        description="Begin a case at the console, or run one from an answers file.",
    )
    p.add_argument(
        "--answers",
        metavar="FILE",
        help="run from a YAML file with complaint, symptoms, setting, answers, remedies; asks nothing",
    )
    p.add_argument("--mill", metavar="NAME", help="mill profile to use (default: the last one used)")
    p.set_defaults(run=_diagnose)
    p = sub.add_parser(
        "resume",
        parents=[common],
        help="go on with a paused case",
        description="Go on with a case, by default the newest open one.",
    )
    p.add_argument("case", nargs="?", help="case id or its beginning")
    p.set_defaults(run=_resume)
    p = sub.add_parser(
        "cases", parents=[common, shown], help="list the cases", description="List the cases, newest first."
    )
    p.add_argument("--open", action="store_true", help="only cases that are not closed")
    p.add_argument("--limit", type=int, default=30, metavar="N", help="at most N cases (default: 30)")
    p.set_defaults(run=_cases)
    p = sub.add_parser(
        "case",
        parents=[common, shown],
        help="show one case with its whole reasoning",
        description="Show every event of a case, and the reasoning as it stands.",
    )
    p.add_argument("case", help="case id or its beginning")
    p.set_defaults(run=_case)
    p = sub.add_parser("log", help="check the case log", description="Check the case log.")
    inner = p.add_subparsers(dest="what", metavar="WHAT", required=True)
    k = inner.add_parser("verify", parents=[common], help="find altered, missing or reordered events")
    k.set_defaults(run=_log_verify)
    p = sub.add_parser(
        "mill",
        parents=[common, shown],
        help="show or fill in a mill's profile",
        description="The values of a mill's own papers. Without NAME: list. With NAME and no values at a terminal: ask for each.",
    )
    p.add_argument("name", nargs="?", help="name of the mill")
    p.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="FIELD=VALUE",
        dest="values",
        help="set a value with its unit, such as inlet_pressure='5.5 bar', process=wet, burr.1='finishing, 1 mm ball', bench=test-gauge,calliper",
    )
    p.set_defaults(run=_mill)
    p = sub.add_parser(
        "knowledge", help="check and read the knowledge base", description="Check and read the knowledge base."
    )
    inner = p.add_subparsers(dest="what", metavar="WHAT", required=True)
    k = inner.add_parser("check", parents=[shown], help="find every problem of the knowledge files")
    k.add_argument("folder", nargs="?", help="knowledge folder (default: the shipped one)")
    k.add_argument("--strict", action="store_true", help="advice counts as a problem too")
    k.set_defaults(run=_knowledge_check)
    k = inner.add_parser("list", parents=[common, shown], help="list the entries of a kind")
    k.add_argument("kind", help="symptoms, causes, checks, remedies, rules, findings, cautions, instruments or sources")
    k.set_defaults(run=_knowledge_list)
    k = inner.add_parser("show", parents=[common, shown], help="show an entry whole")
    k.add_argument("id", help="id of an entry of any kind")
    k.set_defaults(run=_knowledge_show)
    k = inner.add_parser("schema", parents=[shown], help="JSON Schema of the files, for editors")
    k.add_argument("kind", nargs="?", help="one kind only, such as causes")
    k.set_defaults(run=_knowledge_schema)
    p = sub.add_parser(
        "replay",
        parents=[shown],
        help="run worked cases and say how many came out right",
        description="Run worked cases and print top-1, top-3, mean minutes against a fixed checklist, and each miss.",
    )
    p.add_argument("path", nargs="?", help="case file or folder (default: the shipped cases)")
    p.add_argument("--knowledge", metavar="DIR", help="knowledge folder to use (default: the shipped one)")
    p.set_defaults(run=_replay)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit code: 0 done, 1 a problem was found, 2 wrong use."""
    args_in = list(sys.argv[1:] if argv is None else argv)
    known = ("diagnose", "resume", "cases", "case", "log", "mill", "knowledge", "replay", "-h", "--help", "--version")
    if not args_in or (args_in[0] not in known and args_in[0].startswith("-")):
        args_in = ["diagnose", *args_in]
    # Collecting cycles while modules and knowledge load costs a tenth of the start and frees nothing.
    gc.set_threshold(50_000, 20, 20)
    args = _parser().parse_args(args_in)
    try:
        code: int = args.run(args)
        sys.stdout.flush()
        return code
    except _Stop as stop:
        print(stop, file=sys.stderr)
        return stop.code
    except KeyboardInterrupt:
        print("Interrupted; every answer given is kept.", file=sys.stderr)
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except Exception as error:
        if type(error).__name__ in ("KnowledgeError", "LogError", "MillError", "CaseError", "EvidenceError"):
            print(error, file=sys.stderr)
            return USAGE if type(error).__name__ in ("KnowledgeError", "CaseError") else PROBLEM
        if os.environ.get("ADVISOR_DEBUG"):
            raise
        print(
            f"Something in the program went wrong ({type(error).__name__}: {error}). Every answer given is kept. "
            "Set ADVISOR_DEBUG=1 to see where, and report it.",
            file=sys.stderr,
        )
        return PROBLEM


def _say(text: str) -> None:
    sys.stdout.write(text if text.endswith("\n") else text + "\n")


def _json(data: Any) -> int:
    _say(json.dumps(data, indent=1, ensure_ascii=False))
    return OK


def _table(headers: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for header in headers:
        table.add_column(header, overflow="fold")
    for row in rows:
        table.add_row(*row)
    Console(highlight=False, markup=False, width=None if sys.stdout.isatty() else 160).print(table)


# -- cases ---------------------------------------------------------------------------------------------------------


def _diagnose(args: argparse.Namespace) -> int:
    if args.answers:
        return _scripted(args)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise _Stop("This needs a terminal. Give the answers in a file instead: advisor diagnose --answers FILE", USAGE)
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
    from advisor.console import Consultation

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
            desk.say(
                f"Not finished: {waiting[0].case} ({waiting[0].complaint[:40] or 'no complaint'}). Go on with: advisor resume {waiting[0].case}",
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
    events = answers_events(tree, args.answers, compiled)
    session = Session(compiled, [start, *_remembered(mill), *events])
    recorder = _Recorder(CaseLog(log_path(args.log)), "", [start, *_remembered(mill)])
    for event in events or [{"type": "note", "text": "no answers given"}]:
        recorder(event)
    data = report(compiled, session, recorder.case)
    if args.format == "json":
        return _json(data)
    _say(report_text(data, compiled))
    return OK


def _open_log(args: argparse.Namespace) -> Any:
    from advisor.caselog import CaseLog, log_path

    path = log_path(args.log)
    if not path.exists():
        raise _Stop(f"No case was logged yet in {path}. Begin one with: advisor")
    return CaseLog(path)


def _resume(args: argparse.Namespace) -> int:
    log = _open_log(args)
    if args.case:
        case = log.find(args.case)
    else:
        waiting = log.cases(limit=1, open_only=True)
        if not waiting:
            raise _Stop("No case is open. Begin one with: advisor")
        case = waiting[0].case
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise _Stop(f"This needs a terminal. To read the case: advisor case {case}", USAGE)
    from advisor import Session, knowledge

    compiled = knowledge(args.knowledge)
    events = [e.event for e in log.entries(case)]
    if events[0].get("knowledge") != compiled.kb.digest:
        print("The knowledge has changed since this case began; the ranking may differ.", file=sys.stderr)
    session, misfits = Session.restored(compiled, events)
    _tell(misfits)
    if session.state.closed:
        if session.state.closed != "open":
            raise _Stop(f"Case {case} is closed ({session.state.closed}). To read it: advisor case {case}")
        reopen = {"type": "reopen"}
        log.append(case, reopen, len(events))
        session.take(reopen)
    from advisor.console import Desk

    return _consult(compiled, session, log, Desk(), case, [], _Memory(compiled, None, None))


def _tell(misfits: list[str]) -> None:
    """Say what of a case no longer fits the knowledge."""
    for misfit in misfits:
        print(f"Left out, since the knowledge has changed: {misfit}", file=sys.stderr)


def _cases(args: argparse.Namespace) -> int:
    found = _open_log(args).cases(limit=max(args.limit, 1), open_only=args.open)
    if args.format == "json":
        return _json([vars(c) for c in found])
    from advisor.dialogue import clean

    _table(
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


def _case(args: argparse.Namespace) -> int:
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
        return _json(data)
    _say(trail_text(data, compiled, session))
    return OK


def _log_verify(args: argparse.Namespace) -> int:
    log = _open_log(args)
    problems = log.verify()
    _say("\n".join(problems) if problems else f"{log.path}: every event is as it was written")
    return PROBLEM if problems else OK


# -- mills ---------------------------------------------------------------------------------------------------------


def _mill(args: argparse.Namespace) -> int:
    from advisor import knowledge
    from advisor.home import data_home
    from advisor.millform import apply_value, describe, fill_in
    from advisor.mills import Mill, MillBook

    book = MillBook(data_home())
    if not args.name:
        if args.format == "json":
            return _json([vars(m) for m in book.mills.values()])
        _say(
            "\n".join(f"{name}{'  (used last)' if name == book.last else ''}" for name in book.mills)
            or "No mill yet. Make one with: advisor mill NAME"
        )
        return OK
    compiled = knowledge(args.knowledge)
    mill = book.mills.get(args.name)
    if mill is None and not args.values and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise _Stop(f"there is no mill '{args.name}'; give its values with --set", USAGE)
    created = mill is None
    mill = mill or Mill(args.name)
    for pair in args.values:
        apply_value(compiled, mill, pair)
    if not args.values and sys.stdin.isatty() and sys.stdout.isatty() and args.format == "text":
        from advisor.console import Desk, Paused

        try:
            fill_in(compiled, mill, Desk())
        except Paused:
            _say("Left; what was given so far is kept.")
        book.put(mill)
    elif args.values or created:
        book.put(mill)
    if args.format == "json":
        return _json(vars(mill))
    _say(describe(compiled, mill))
    return OK


# -- knowledge -----------------------------------------------------------------------------------------------------


def _knowledge_check(args: argparse.Namespace) -> int:
    from advisor.issue import KnowledgeError
    from advisor.lint import lint
    from advisor.load import load_knowledge, shipped

    folder = Path(args.folder) if args.folder else shipped("knowledge")
    advice: list[Any] = []
    try:
        kb = load_knowledge(folder)
        errors, advice = lint(kb)
        counts = {
            kind: len(kb.kind(kind)) for kind in ("symptoms", "causes", "checks", "remedies", "rules", "cautions")
        }
        counts["measurements"] = sum(c.measured for c in kb.checks.values())
    except KnowledgeError as error:
        errors, counts = error.issues, {}
    bad = bool(errors) or (args.strict and bool(advice))
    if args.format == "json":
        _json(
            {"ok": not bad, "counts": counts, "errors": [vars(i) for i in errors], "advice": [vars(i) for i in advice]}
        )
        return PROBLEM if bad else OK
    for issue in errors:
        _say(str(issue))
    for issue in advice:
        _say(f"{issue} (advice)")
    total = ", ".join(f"{n} {kind}" for kind, n in counts.items())
    _say(f"{len(errors)} problems, {len(advice)} pieces of advice" + (f" in {total}" if total else ""))
    return PROBLEM if bad else OK


def _load(args: argparse.Namespace) -> Any:
    from advisor.load import load_knowledge, shipped

    return load_knowledge(Path(args.knowledge) if args.knowledge else shipped("knowledge"))


def _kind(name: str) -> str:
    from advisor.issue import nearest
    from advisor.model import KINDS

    for kind in KINDS:
        if name in (kind, kind.removesuffix("s"), {"remedies": "remedy"}.get(kind, kind)):
            return kind
    raise _Stop(f"there is no kind '{name}'; {nearest(name, KINDS) or 'kinds: ' + ', '.join(KINDS)}", USAGE)


def _knowledge_list(args: argparse.Namespace) -> int:
    kind = _kind(args.kind)
    records = _load(args).kind(kind)
    if args.format == "json":
        return _json([r.model_dump(mode="json", by_alias=True, exclude_none=True) for r in records.values()])
    for key, record in sorted(records.items()):
        title = getattr(record, "title", None) or getattr(record, "text", None) or getattr(record, "because", "")
        _say(f"{key:<34} {title}")
    return OK


def _knowledge_show(args: argparse.Namespace) -> int:
    from advisor.issue import nearest
    from advisor.model import KINDS

    kb = _load(args)
    found = [(kind, kb.kind(kind)[args.id]) for kind in KINDS if args.id in kb.kind(kind)]
    if not found:
        known = [key for kind in KINDS for key in kb.kind(kind)]
        raise _Stop(
            f"there is no entry '{args.id}'; {nearest(args.id, known) or 'see: advisor knowledge list causes'}", USAGE
        )
    if args.format == "json":
        return _json(
            [
                {"kind": kind, "entry": record.model_dump(mode="json", by_alias=True, exclude_none=True)}
                for kind, record in found
            ]
        )
    from advisor.trail import record_text

    _say("\n\n".join(record_text(kb, kind, record) for kind, record in found))
    return OK


def _knowledge_schema(args: argparse.Namespace) -> int:
    from advisor.model import KINDS, CauseExamples, Vocabulary, WorkedCase

    shapes: dict[str, Any] = {
        kind: {"type": "array", "items": {"$ref": f"#/$defs/{model.__name__}"}}
        for kind, model in KINDS.items()
        if kind != "causes"
    }
    models: dict[str, Any] = {**KINDS, "vocabulary": Vocabulary, "examples": CauseExamples, "cases": WorkedCase}
    if args.kind:
        name = args.kind if args.kind in models else _kind(args.kind)
        return _json(models[name].model_json_schema(by_alias=True))
    defs: dict[str, Any] = {}
    for model in models.values():
        schema = model.model_json_schema(by_alias=True, ref_template="#/$defs/{model}")
        defs |= schema.pop("$defs", {})
        defs[model.__name__] = schema
    shared = {
        "type": "object",
        "additionalProperties": False,
        "properties": {**shapes, "vocabulary": {"$ref": "#/$defs/Vocabulary"}},
    }
    return _json(
        {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": "advisor knowledge files",
            "anyOf": [shared, {"$ref": "#/$defs/Cause"}, {"$ref": "#/$defs/CauseExamples"}],
            "$defs": defs,
        }
    )


# -- replay --------------------------------------------------------------------------------------------------------


def _replay(args: argparse.Namespace) -> int:
    from advisor import knowledge
    from advisor.load import load_cases, shipped
    from advisor.replay import replay, replay_text

    cases = load_cases(Path(args.path) if args.path else shipped("cases"))
    progress: Callable[[int, int], None] | None = None
    if sys.stderr.isatty():

        def show(done: int, total: int) -> None:
            sys.stderr.write(f"\r{done}/{total} cases" if done < total else "\r" + " " * 24 + "\r")
            sys.stderr.flush()

        progress = show
    result = replay(knowledge(args.knowledge), cases, progress)
    if args.format == "json":
        return _json(result)
    _say(replay_text(result))
    return OK


if __name__ == "__main__":
    raise SystemExit(main())
