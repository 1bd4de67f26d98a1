"""The command `advisor care`: the care plan, day by day, and what its neglect brings."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from advisor.output import OK, Stop, columns, put_json, say, table

if TYPE_CHECKING:
    from advisor.compiled import Compiled
    from advisor.model import CareTask

__all__ = ["care"]

_ORDER = {"day": "Every day", "week": "Every week", "month": "Every month", "hours": "By cutting hours"}


def care(args: argparse.Namespace) -> int:
    """Show the tasks of the care plan: all, or those of one interval, or those that prevent a cause."""
    from advisor import knowledge
    from advisor.issue import nearest

    compiled = knowledge(args.knowledge)
    kb = compiled.kb
    tasks = [t for t in kb.care.values() if args.every in (None, t.every)]
    if args.cause:
        if args.cause not in kb.causes:
            hint = nearest(args.cause, kb.causes) or "see: advisor knowledge list causes"
            raise Stop(f"there is no cause '{args.cause}'; {hint}")
        tasks = [t for t in tasks if args.cause in t.prevents]
    tasks.sort(key=lambda t: (list(_ORDER).index(t.every), t.hours or 0))
    if args.format == "json":
        return put_json([t.model_dump(mode="json", exclude_none=True) for t in tasks])
    if not tasks:
        say("The care plan has no such task.")
        return OK
    if args.ids:
        table(("id", "every", "task"), [(t.id, t.interval, t.title) for t in tasks])
        return OK
    _print(tasks, compiled)
    return OK


def _print(tasks: Sequence[CareTask], compiled: Compiled) -> None:
    from advisor.screen import plain, text_lines

    kb = compiled.kb
    width = columns(100)
    last = ""
    told: set[str] = set()
    for task in tasks:
        if task.every != last:
            last = task.every
            say(f"\n{_ORDER[task.every]}")
        hours = f", every {task.hours:g} h" if task.hours else ""
        say(
            f"  {task.title}  ({task.minutes:g} min{hours})"
            + ("" if task.who == "technician" else f"  for: {task.who}")
        )
        for caution in compiled.cautions_for(task.hazards):
            record = kb.cautions[caution]
            if caution in told:
                say(f"     {record.signal.upper()} as above: {record.text.split('.')[0].lower()}."[:width])
                continue
            told.add(caution)
            say(plain(text_lines(f"{record.signal.upper()}: {record.text}", width, indent="       ", first="     ")))
        if task.needs:
            say(plain(text_lines("Needs " + ", ".join(task.needs), width, indent="       ", first="     ")))
        for number, step in enumerate(task.steps, start=1):
            say(plain(text_lines(step, width, indent="        ", first=f"     {number}. ")))
        say(plain(text_lines("Sound: " + task.sound, width, indent="       ", first="     ")))
        causes = ", ".join(kb.causes[c].title.lower() for c in task.prevents)
        say(plain(text_lines(f"Left undone it brings: {causes}.", width, indent="       ", first="     ")))
    say("\nThe machine's own papers come first: they may ask for more, or more often.")
