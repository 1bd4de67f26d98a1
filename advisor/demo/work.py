"""The command `advisor demo`: an invented lab in a log of its own, to try the review on. The user's log is not touched."""

from __future__ import annotations

import argparse
import os
import shlex
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from advisor.home import data_home
from advisor.output import OK, Stop, say

__all__ = ["demo", "demo_path", "write_demo"]


def demo_path() -> Path:
    """The log of the invented lab."""
    return data_home() / "demo" / "cases.db"


def demo(args: argparse.Namespace) -> int:
    """Make the invented lab, or say where it is; `again` makes it anew, up to today."""
    path = demo_path()
    if path.exists():
        _must_be_invented(path)
        if not args.again:
            say(f"The invented lab is there already: {path}\nMake it anew, up to today, with: advisor demo --again\n")
            _how_to_look(path)
            return OK
    count, entries = write_demo(path, datetime.now().astimezone())
    say(f"Written: {count} cases and {entries} diary entries of fourteen months, in a log of their own:\n{path}\n")
    _how_to_look(path)
    return OK


def write_demo(
    path: Path, until: datetime, seed: int = 1, cases: int = 600, jobs: int | None = None
) -> tuple[int, int]:
    """Make the lab up to `until` and put it at `path`, whole or not at all; returns how many cases and diary entries.

    Raises LogError when it cannot be written.
    """
    from advisor import knowledge
    from advisor.caselog import CaseLog
    from advisor.demo.lab import invented_lab

    count = jobs or min(os.cpu_count() or 1, 4)
    with _progress() as show:
        lab = invented_lab(knowledge(overlay=False), until, seed, cases, show, count)
    new = path.with_name("new.db")
    _remove(new)
    log = CaseLog(new, invented=True)
    try:
        log.write(lab.cases)
        log.write_diary(lab.diary)
    finally:
        log.close()
    _remove(path)
    new.replace(path)
    return len(lab.cases), len(lab.diary)


def _must_be_invented(path: Path) -> None:
    from advisor.caselog import CaseLog

    log = CaseLog(path)
    invented = log.invented
    log.close()
    if not invented:
        raise Stop(
            f"{path} is not marked as invented, so it may hold real cases: nothing was changed. "
            "Move that file elsewhere, then: advisor demo"
        )


def _remove(path: Path) -> None:
    for each in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
        each.unlink(missing_ok=True)


def _how_to_look(path: Path) -> None:
    from advisor.demo.lab import LAB

    where = shlex.quote(str(path))
    say(f"All of it is invented: {LAB}, its mills, people and cases. Your own log is not touched.")
    say("Look at it with:")
    for command in ("review", "cases", "review queue"):
        say(f"  advisor {command} --log {where}")


@contextmanager
def _progress() -> Iterator[Callable[[int, int], None] | None]:
    """What moves a bar on a terminal's stderr; None elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(file=sys.stderr), transient=True) as bar:
        task = bar.add_task("inventing cases", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
