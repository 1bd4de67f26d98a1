"""Commands that learn from the shop's signed cases: learn, learn show, learn undo, learn unknowns."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from advisor.output import OK, PROBLEM, Stop, fitted, put_json, say, table

__all__ = ["learn", "learn_show", "learn_undo", "learn_unknowns"]

PARTS = {"rates": "base rates only", "links": "links only", "both": "both"}


def learn(args: argparse.Namespace) -> int:
    from advisor import knowledge
    from advisor.casework import open_log
    from advisor.learning.adopt import TooFew, changes
    from advisor.learning.adopt import learn as learn_from

    log = open_log(args)
    compiled = knowledge(overlay=False)
    cases, left = _signed(compiled, log)
    if sys.stderr.isatty() and args.format == "text":
        print(f"Counting {len(cases)} signed cases and trying the result on the newest ...", file=sys.stderr)
    try:
        learned = learn_from(compiled, cases)
    except TooFew as error:
        raise Stop(f"{error}. Cases are signed with: advisor review queue") from None
    changed = changes(compiled.kb, learned.found)
    adopted = False
    if args.format == "text":
        say(fitted(_report(learned, left)))
        if changed:
            _table(compiled.kb, changed)
            say(fitted("Refitted on all the cases, those held out too."))
    worth = learned.best is not None and bool(changed)
    if learned.best is not None and not changed and args.format == "text":
        say("With all the cases no number changes enough to matter. Nothing is adopted.")
    if worth and log.invented:
        if args.format == "text":
            say("These cases are invented: nothing is adopted from them.")
    elif worth and _agreed(args, len(changed)):
        _adopt(compiled, learned)
        adopted = True
    if args.format == "json":
        return put_json(_data(learned, left, changed, adopted))
    return OK


def _signed(compiled: Any, log: Any) -> tuple[list[Any], int]:
    """The signed cases to learn from, and how many signed ones say nothing (no cause, or one that is not known here)."""
    from advisor.learning.estimate import learn_case

    rows = [row for row in log.rows() if row.signed]
    found = [learn_case(compiled, row, [e.event for e in log.entries(log.handle(row))]) for row in rows]
    return [c for c in found if c is not None], sum(c is None for c in found)


def _report(learned: Any, left: int) -> str:
    lines = [
        f"{learned.cases} signed cases; the newest {learned.held} held out, {learned.cases - learned.held} learned from."
    ]
    if left:
        lines.append(f"{left} signed without a cause of this knowledge: not used.")
    if not learned.trials:
        return "\n".join(
            [*lines, "They bear the knowledge out: no number changes enough to matter. Nothing is adopted."]
        )
    lines.append("Log loss on the held-out cases, in nats a case (less is better; one nat is a factor of 2.7):")
    for t in learned.trials:
        chosen = "  <- best" if learned.best is t else ""
        lines.append(
            f"  {PARTS[t.part]:<16} {t.before:.3f} -> {t.after:.3f}, better by {t.gain:.3f} +- {t.error:.3f}{chosen}"
        )
    if learned.best is None:
        lines.append("None is better by more than its standard error (after +-): nothing is adopted.")
    return "\n".join(lines)


def _table(kb: Any, changed: Sequence[Any]) -> None:
    """The changed numbers, the biggest change first: rates per hundred bad results, shares in per cent."""
    table(("cause", "what", "old", "new", "95 % interval", "cases"), [_row(kb, c) for c in changed])


def _row(kb: Any, change: Any) -> tuple[str, ...]:
    from advisor.learning.overlaid import NONE

    s = change.share
    title = "none of the known causes" if change.cause == NONE else kb.causes[change.cause].title
    count = f"{change.cases:.3g} of {change.of:.5g}"
    if change.check is None:
        return (title, "per hundred", f"{s.old:.2g}", f"{s.new:.2g}", f"{s.low:.2g} to {s.high:.2g}", count)
    what = f"shows in: {kb.checks[change.check].title}"
    return (title, what, f"{s.old:.0%}", f"{s.new:.0%}", f"{s.low:.0%} to {s.high:.0%}", count)


def _agreed(args: argparse.Namespace, count: int) -> bool:
    if args.yes:
        return True
    if args.format == "json" or not (sys.stdin.isatty() and sys.stdout.isatty()):
        if args.format == "text":
            say("Only shown. To adopt them: advisor learn --yes")
        return False
    numbers = "this number" if count == 1 else f"these {count} numbers"
    while True:
        try:
            text = input(f"Adopt {numbers} on this bench? yes or no [no] ").strip().lower()
        except EOFError:
            text = ""
        if text in ("y", "yes"):
            return True
        if text in ("", "n", "no"):
            say("Nothing is adopted.")
            return False
        say("Type yes or no.")


def _adopt(compiled: Any, learned: Any) -> None:
    from advisor.home import data_home
    from advisor.learning.overlay import Header, HeldOut, overlay_text, put

    best = learned.best
    header = Header(
        written=datetime.now(UTC).isoformat(timespec="seconds"),
        cases=learned.cases,
        newest=learned.newest,
        knowledge=compiled.kb.digest,
        part=best.part,
        held_out=HeldOut(cases=learned.held, before=best.before, after=best.after, error=best.error),
    )
    try:
        path = put(data_home(), overlay_text(header, learned.found))
    except OSError as error:
        raise Stop(f"{error.filename or data_home()} cannot be written: {error.strerror or error}") from None
    print(f"Adopted: {path}. To go back: advisor learn undo", file=sys.stderr)


def _data(learned: Any, left: int, changed: Sequence[Any], adopted: bool) -> dict[str, Any]:
    return {
        "cases": learned.cases,
        "held_out": learned.held,
        "not_used": left,
        "trials": [{**asdict(t), "gain": t.gain, "improves": t.improves} for t in learned.trials],
        "best": learned.best.part if learned.best else None,
        "changes": [_plain(c) for c in changed],
        "adopted": adopted,
    }


def _plain(change: Any) -> dict[str, Any]:
    return {
        "cause": change.cause,
        "check": change.check,
        **asdict(change.share),
        "cases": change.cases,
        "of": change.of,
    }


# -- the overlay in force ---------------------------------------------------------------------------------------------


def learn_show(args: argparse.Namespace) -> int:
    from advisor import knowledge
    from advisor.home import data_home
    from advisor.issue import KnowledgeError
    from advisor.learning.adopt import changes
    from advisor.learning.overlay import FILE, fitting, read

    path = data_home() / FILE
    try:
        overlay = read(path)
    except FileNotFoundError:
        raise Stop("Nothing learned is in force here. To learn: advisor learn") from None
    except OSError as error:
        raise Stop(f"{path} cannot be read: {error.strerror or error}") from None
    except KnowledgeError as error:
        raise Stop(f"{error}\nIt is not in force. Mend the file, or go back with: advisor learn undo") from None
    kb = knowledge(overlay=False).kb
    found, issues = fitting(kb, overlay)
    changed = changes(kb, found)
    h = overlay.header
    same = h.knowledge == kb.digest
    if args.format == "json":
        return put_json(
            {
                **h.model_dump(),
                "digest": overlay.digest,
                "same_knowledge": same,
                "changes": [_plain(c) for c in changed],
                "left_out": [vars(i) for i in issues],
            }
        )
    o = h.held_out
    lines = [
        f"{path}",
        f"Learned {h.written[:16].replace('T', ' ')} (UTC) from {h.cases} signed cases ({PARTS[h.part]}), the newest of {h.newest[:10]}.",
        f"Held out then: {o.cases} cases, log loss {o.before:.3f} -> {o.after:.3f} nats, better by {o.before - o.after:.3f} +- {o.error:.3f}.",
    ]
    if not same:
        lines.append(
            "The knowledge has changed since: the counts are set against its new numbers. To learn anew: advisor learn"
        )
    say(fitted("\n".join(lines)))
    if changed:
        _table(kb, changed)
    for issue in issues:
        say(fitted(f"{issue.file}:{issue.line}: left out: {issue.message}"))
    return OK


def learn_undo(args: argparse.Namespace) -> int:
    from advisor.home import data_home
    from advisor.learning.overlay import FILE, UNDONE, undo

    folder = data_home()
    try:
        older = undo(folder)
    except FileNotFoundError:
        raise Stop("Nothing learned is in force here, so there is nothing to take back") from None
    except OSError as error:
        raise Stop(f"{error.filename or folder} cannot be written: {error.strerror or error}") from None
    now = f"{folder / FILE} is again what it was before" if older else "the knowledge is used as it is"
    say(fitted(f"Taken back: {now}. What was taken back is kept as {folder / UNDONE}"))
    return OK


# -- cases without a known cause --------------------------------------------------------------------------------------


def learn_unknowns(args: argparse.Namespace) -> int:
    from dataclasses import replace

    from advisor import knowledge
    from advisor.casework import open_log
    from advisor.learning.estimate import learn_case
    from advisor.learning.unknowns import LEAST_ALIKE, LEAST_CASES, groups_of

    log = open_log(args)
    compiled = knowledge(overlay=False)
    closed = [row for row in log.rows() if not row.open]
    lost = [r for r in closed if r.final_cause is None or r.final_cause not in compiled.kb.causes]
    cases = []
    for row in lost:
        plain = replace(row, final_cause=None, how="referred", reviewed="approved")
        handle = log.handle(row)
        case = learn_case(compiled, plain, [e.event for e in log.entries(handle)])
        if case is not None:
            cases.append(replace(case, handle=handle))
    groups = groups_of(compiled.kb, cases)
    made = [_written(compiled.kb, g, len(closed), Path(args.draft)) for g in groups] if args.draft else []
    if args.format == "json":
        return put_json(
            {
                "closed": len(closed),
                "without_cause": len(lost),
                "groups": [
                    {
                        "cases": [c.handle for c in g.cases],
                        "alike": round(g.alike, 3),
                        "findings": [
                            {"finding": "/".join(f), "shown": n, "known": m} for f, (n, m) in g.shared.items()
                        ],
                    }
                    for g in groups
                ],
                "drafts": made,
            }
        )
    say(fitted(f"{len(lost)} of {len(closed)} closed cases ended without a known cause."))
    if not groups:
        say(
            fitted(
                f"There are no {LEAST_CASES} among them that share {LEAST_ALIKE:.0%} of their findings: nothing to write up yet."
            )
        )
    for number, group in enumerate(groups, start=1):
        say(fitted(_group_text(compiled.kb, number, group)))
    for path in made:
        say(f"Draft: {path}")
    if groups and not args.draft:
        say("To write drafts for the author of the knowledge: advisor learn unknowns --draft DIR")
    elif made:
        say(fitted("Fill in every TODO, move the files into the knowledge folder, then: advisor knowledge check"))
    return OK


def _group_text(kb: Any, number: int, group: Any) -> str:
    from advisor.dialogue import clean

    lines = [f"\nGroup {number}: {len(group.cases)} cases, on average {group.alike:.0%} of their findings in common"]
    for (kind, key), (shown, known) in group.shared.items():
        text = (
            kb.symptoms[key].title
            if kind == "symptom"
            else f"{kb.checks[kind].title}: {kb.checks[kind].outcome(key).label}"
        )
        lines.append(f"  {shown} of {known}  {text}")
    for case in group.cases:
        lines.append(f"  case {case.handle}  {case.at[:10]}  {clean(case.state.complaint)[:50]}".rstrip())
    return "\n".join(lines)


def _written(kb: Any, group: Any, closed: int, folder: Path) -> str:
    """Write the draft of a group below `folder`; nothing there is written over."""
    from advisor.learning.unknowns import draft

    ident, system, cause, examples = draft(kb, group, closed)
    place = folder / "causes" / system
    try:
        place.mkdir(parents=True, exist_ok=True)
        name = next(
            n for i in range(1, 1000) if not (place / f"{(n := ident if i == 1 else f'{ident}-{i}')}.yaml").exists()
        )
        for suffix, text in ((".yaml", cause.replace(f"id: {ident}\n", f"id: {name}\n")), (".cases.yaml", examples)):
            with (place / f"{name}{suffix}").open("x", encoding="utf-8") as file:
                file.write(text)
    except OSError as error:
        raise Stop(f"{error.filename or place} cannot be written: {error.strerror or error}", PROBLEM) from None
    return str(place / f"{name}.yaml")
