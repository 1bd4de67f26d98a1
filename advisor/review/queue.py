"""Commands of the supervisor's sign-off: review queue, review sign."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from advisor.output import OK, USAGE, Stop, say

__all__ = ["queue", "sign"]


def _by(args: argparse.Namespace) -> str:
    from advisor.settings import Settings

    return args.by or Settings.kept().who


def sign(args: argparse.Namespace) -> int:
    """Approve, correct, ask or comment on one case, without stepping through."""
    from advisor import knowledge
    from advisor.casework import open_log
    from advisor.review.signing import Unclear, review_event, said

    chosen = [(name, getattr(args, name)) for name in ("correct", "ask", "comment") if getattr(args, name) is not None]
    if args.approve:
        chosen.append(("approve", ""))
    if len(chosen) != 1:
        raise Stop("give one of --approve, --correct CAUSE, --ask TEXT, --comment TEXT", USAGE)
    log = open_log(args)
    case = log.find(args.case)
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
    return OK


def queue(args: argparse.Namespace) -> int:
    """Step through the unsigned cases, oldest first."""
    from advisor import knowledge
    from advisor.casework import open_log

    log = open_log(args)
    rows = log.rows(args.since, args.until, args.mill, args.technician, args.material, reviewable=True)
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
        self.signed = 0

    def run(self, rows: list[Any]) -> None:
        """Every row in turn; Ctrl-D leaves, and what was signed stays signed."""
        from advisor.console import Paused

        self.desk.say(f"{len(rows)} to sign, oldest first. You are {self.by}. ? for what can be typed.", "head")
        try:
            for place, row in enumerate(rows, start=1):
                if not self._case(row, f"{place} of {len(rows)}"):
                    break
        except Paused:
            self.desk.say("")
        left = len(rows) - self.signed
        self.desk.say(f"{self.signed} dealt with, {left} left." + (" Go on with: advisor review queue" if left else ""))

    def _case(self, row: Any, place: str) -> bool:
        """One case; False to leave."""
        from advisor.review.signing import ACTIONS, Unclear, review_event, said, synopsis
        from advisor.screen import rule_line

        handle = self.log.handle(row)
        bench = self.log.bench_name(row.bench) if "/" in handle else ""
        self.desk.show([rule_line(self.desk.width, place, self.desk.glyphs)])
        for line in synopsis(self.compiled.kb, row, handle, bench):
            self.desk.say(line)
        for entry in self.log.entries(handle):
            if entry.event.get("type") == "review":
                self.desk.say(f"{entry.at[:10]} {said(self.compiled.kb, entry.event)}", "warn")
            elif entry.event.get("type") == "note":
                self.desk.say(f"Note: {entry.event.get('text')}", "dim")
        words = [*ACTIONS, "show", "next", "leave"]
        while True:
            typed = self.desk.ask(
                "> ", words=words, toolbar=" approve  correct CAUSE  ask TEXT  comment TEXT  show  next  leave  ?"
            )
            word, _, text = typed.strip().partition(" ")
            fits = [w for w in words if word and w.startswith(word.lower())]
            if word in ("?", "help"):
                for name, meaning in ACTIONS.items():
                    self.desk.show([[("key", f"  {name:<9}"), ("", meaning)]])
                self.desk.say("show: the whole case. next (or Enter): leave it for later. leave (Ctrl-D): stop here.")
                continue
            if not word or fits == ["next"]:
                return True
            if word.lower() in ("q", "quit", "exit") or fits == ["leave"]:
                return False
            if fits == ["show"]:
                self._show(handle)
                continue
            if len(fits) != 1:
                self.desk.say(f"'{word[:20]}': type approve, correct, ask, comment, show, next or leave.", "warn")
                continue
            try:
                event = review_event(self.compiled.kb, fits[0], text, self.by)
            except Unclear as error:
                self.desk.say(str(error), "warn")
                continue
            self.log.add(handle, event)
            self.desk.say(said(self.compiled.kb, event), "good")
            if fits[0] != "comment":
                self.signed += 1
                return True

    def _show(self, handle: str) -> None:
        from advisor import Session
        from advisor.trail import trail_data, trail_text

        entries = self.log.entries(handle)
        session, _ = Session.restored(self.compiled, [e.event for e in entries])
        data = trail_data(self.compiled, session, handle, [(e.at, e.event) for e in entries])
        for line in trail_text(data, self.compiled, session).split("\n"):
            self.desk.say(line) if line else self.desk.say(" ")
