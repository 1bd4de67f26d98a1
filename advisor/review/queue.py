"""Commands of the supervisor's sign-off: review queue, review sign."""

from __future__ import annotations

import argparse
import contextlib
import sys
from datetime import timedelta
from typing import Any

from advisor.output import OK, USAGE, Stop, say

__all__ = ["queue", "sign"]


def _by(args: argparse.Namespace) -> str:
    from advisor.settings import Settings

    return args.by or Settings.kept().who


def _where_to_sign(log: Any) -> None:
    """Where there is a shared log, cases are signed there: benches have no right to bring signatures in."""
    from advisor.settings import Settings

    if Settings.kept().shared and not log.base.shared and not log.invented:
        raise Stop("Cases are copied to a shared log from here, and signed there: give its URL with --log", USAGE)


def sign(args: argparse.Namespace) -> int:
    """Approve, correct, ask or comment on one case, without stepping through."""
    from advisor import knowledge
    from advisor.casework import open_log
    from advisor.review.signing import Unclear, review_event, said, unexplained

    chosen = [(name, getattr(args, name)) for name in ("correct", "ask", "comment") if getattr(args, name) is not None]
    if args.approve:
        chosen.append(("approve", ""))
    if len(chosen) != 1:
        raise Stop("give one of --approve, --correct CAUSE, --ask TEXT, --comment TEXT", USAGE)
    log = open_log(args)
    _where_to_sign(log)
    case = log.find(args.case, 4)
    kb = knowledge(args.knowledge).kb
    try:
        event = review_event(kb, *chosen[0], by=_by(args))
    except Unclear as error:
        raise Stop(str(error), USAGE) from None
    row = log.row(case)
    if row.open and event["action"] in ("approve", "correct"):
        raise Stop(f"Case {case} is still open; it can be commented, not signed.")
    log.add(case, event)
    say(f"{case}: {said(kb, event)}")
    doubt = unexplained(kb, row, str(event.get("cause") or ""))
    if doubt:
        say(f"{doubt} If that was a slip, sign again: the last word counts.")
    return OK


def queue(args: argparse.Namespace) -> int:
    """Step through the unsigned cases, oldest first."""
    from advisor import knowledge
    from advisor.casework import open_log
    from advisor.review.work import day_of

    log = open_log(args)
    _where_to_sign(log)
    since = day_of("--from", args.since).isoformat() if args.since else None
    until = (day_of("--to", args.until) + timedelta(days=1)).isoformat() if args.until else None
    rows = log.rows(since, until, args.mill, args.technician, args.material, reviewable=True)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        for row in rows:
            say(f"{log.handle(row)}  {row.begun[:10]}  {row.mill or ''}  {row.final_cause or row.how or ''}")
        say(f"{len(rows)} to sign. At a terminal this command steps through them; 'advisor review sign' signs one.")
        return OK
    if not rows:
        say("Nothing to sign.")
        return OK
    from advisor.console import Desk

    _Queue(log, knowledge(args.knowledge), Desk(), _by(args)).run(rows)
    return OK


class _Queue:
    """The dialogue over the unsigned cases."""

    def __init__(self, log: Any, compiled: Any, desk: Any, by: str) -> None:
        self.log, self.compiled, self.desk, self.by = log, compiled, desk, by
        self.dealt: set[str] = set()

    def run(self, rows: list[Any]) -> None:
        """Every row in turn; Ctrl-D leaves, and what was signed stays signed."""
        from advisor.console import Paused

        self.desk.say(f"{len(rows)} to sign, oldest first. You are {self.by}. ? for what can be typed.", "head")
        place = 0
        with contextlib.suppress(Paused):
            while 0 <= place < len(rows):
                move = self._case(rows[place], f"{place + 1} of {len(rows)}")
                if move == 0:
                    break
                place = max(place + move, 0)
        left = len(rows) - len(self.dealt)
        go_on = " Go on with: advisor review queue" if left else ""
        self.desk.say(f"{len(self.dealt)} dealt with, {left} left.{go_on}")

    def _case(self, row: Any, place: str) -> int:
        """One case; how many places to go on: 1, or -1 for the one before, 0 to leave."""
        from advisor.review.signing import ACTIONS, Unclear, review_event, said, unexplained

        handle = self.log.handle(row)
        self._put(row, handle, place)
        words = [*ACTIONS, "show", "next", "back", "leave"]
        bar = " approve  correct CAUSE  ask TEXT  comment TEXT  show  next  back  leave  ?"
        while True:
            word, _, text = self.desk.ask("> ", words=words, toolbar=bar).strip().partition(" ")
            fits = [w for w in words if word and w.startswith(word.lower())]
            if word in ("?", "help"):
                for name, meaning in ACTIONS.items():
                    self.desk.show([[("key", f"  {name:<9}"), ("", meaning)]])
                self.desk.say(
                    "show: the whole case. next (or Enter): leave it for later. back: the case before, to sign it anew. "
                    "leave (Ctrl-D): stop here."
                )
                continue
            if not word or fits == ["next"]:
                return 1
            if fits == ["back"]:
                return -1
            if word.lower() in ("q", "quit", "exit") or fits == ["leave"]:
                return 0
            if fits == ["show"]:
                self._show(handle)
                continue
            if len(fits) != 1:
                self.desk.say(f"'{word[:20]}': type approve, correct, ask, comment, show, next, back or leave.", "warn")
                continue
            try:
                event = review_event(self.compiled.kb, fits[0], text, self.by)
            except Unclear as error:
                self.desk.say(str(error), "warn")
                continue
            doubt = unexplained(self.compiled.kb, row, str(event.get("cause") or ""))
            if doubt and not self._sure(doubt):
                continue
            self.log.add(handle, event)
            self.desk.say(said(self.compiled.kb, event), "good")
            if fits[0] != "comment":
                self.dealt.add(handle)
                return 1

    def _sure(self, doubt: str) -> bool:
        """Ask again before a correction that does not go with the complaint."""
        self.desk.say(doubt, "warn")
        while True:
            typed: str = self.desk.ask("Is it so all the same? yes or no: ", words=("yes", "no")).strip().lower()
            if typed in ("y", "yes", "n", "no"):
                return typed.startswith("y")

    def _put(self, row: Any, handle: str, place: str) -> None:
        """Show a case in short: what was complained of, measured, done, and said since."""
        from advisor import Session
        from advisor.review.signing import measured, said, synopsis
        from advisor.screen import rule_line

        bench = self.log.bench_name(row.bench) if "/" in handle else ""
        entries = self.log.entries(handle)
        session, _ = Session.restored(self.compiled, [e.event for e in entries])
        self.desk.show([rule_line(self.desk.width, place, self.desk.glyphs)])
        for line in synopsis(self.compiled.kb, row, handle, bench, measured(self.compiled.kb, session.state)):
            self.desk.say(line)
        for entry in entries:
            if entry.event.get("type") == "review":
                self.desk.say(f"{entry.at[:10]} {said(self.compiled.kb, entry.event)}", "warn")
            elif entry.event.get("type") == "note":
                by = f" by {entry.event['by']}" if entry.event.get("by") else ""
                self.desk.say(f"{entry.at[:10]} note{by}: {entry.event.get('text')}", "dim")

    def _show(self, handle: str) -> None:
        from advisor import Session
        from advisor.screen import text_lines
        from advisor.trail import trail_data, trail_text

        entries = self.log.entries(handle)
        session, _ = Session.restored(self.compiled, [e.event for e in entries])
        data = trail_data(self.compiled, session, handle, [(e.at, e.event) for e in entries])
        text = trail_text(
            data | {"rules_fired": []}, self.compiled, session
        )  # which rules fired tells a supervisor little
        lines = [part for line in text.split("\n") for part in (text_lines(line, self.desk.width) if line else [[]])]
        self.desk.page(lines)
