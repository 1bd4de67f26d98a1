"""How the cost of the case log grows with its size, on demand. Prints a table; nothing is asserted.

    python tests/benchmarks/log_scale.py --database sqlite FOLDER --cases 1000 10000 100000 1000000
    python tests/benchmarks/log_scale.py --database postgresql postgresql://user@host/postgres --cases 1000 10000

Each size gets a log of its own, made by `log_scale_fill.py` (a million cases: about a quarter of an hour and 8 GB) and
deleted afterwards unless `--keep` is given; a log that is there already (`log_scale_N.db`, database `log_scale_n`) is
used as it is. The URL is that of a database from which others can be made. Every measure runs in a fresh process, three
times (`--runs`); the quickest counts, and the largest memory (`ru_maxrss` of the whole process, imports included). The
system's file cache cannot be dropped, so the first run is the coldest there is, and is given too.

What is measured:

review          `advisor review` of the last 90 days: queries, summing up and the printed text
review, page    the same with `--html`
log alone       the queries of that review
open a case     the log opened, a case found by its id, its events read
append          an answer written and synced, median of 200
cases           the list of the newest fifty; and of the newest open ones
queue           cases of the last 90 days that wait for a signature
verify          every hash of every event and every row checked (once, and only up to `--verify` cases)

For PostgreSQL the plans of the queries follow (`--plans`): which partitions are read, and with whose rights.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does: see advisor/cli.py

DAYS = 90
Figures = dict[str, float]


def _span() -> tuple[str, str]:
    from log_scale_fill import END

    end = END.date() + timedelta(days=1)
    return (end - timedelta(days=DAYS)).isoformat(), end.isoformat()


# -- measures, each in a process of its own -----------------------------------------------------------------------------


def _open_log(where: str) -> Any:
    from advisor.caselog import CaseLog

    return CaseLog(where if "://" in where else Path(where))


def _a_case(where: str) -> str:
    """The handle of a case in the middle of the log."""
    from log_scale_fill import BEGIN, END

    log = _open_log(where)
    middle = BEGIN + (END - BEGIN) / 2
    since, until = middle.isoformat(), (middle + timedelta(days=10)).isoformat()
    row = log.rows(since, until)[0]
    log.close()
    return str(log.handle(row))


def review(where: str, page: bool = False) -> Figures:
    """What the command does after its imports: read, sum up, print; by parts."""
    import io

    from rich.console import Console

    import advisor
    from advisor.reviewtext import show
    from advisor.reviewwork import read_review

    compiled = advisor.knowledge(None)
    since, until = _span()
    begin = time.perf_counter()
    log = _open_log(where)
    found, burrs = read_review(log, compiled, since, until, now=f"{until}T00:00:00.000+00:00")
    read = time.perf_counter()
    if page:
        from advisor.page import write_page

        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "review.html"
            write_page(found, file, compiled, title="Review", invented=True, made_at=until, burr_hours=burrs)
            size = file.stat().st_size
        return {"seconds": time.perf_counter() - begin, "read": read - begin, "page_mb": size / 1e6}
    show(found, Console(file=io.StringIO(), width=100, highlight=False, markup=False))
    return {"seconds": time.perf_counter() - begin, "read": read - begin, "cases": found.totals.cases}


def review_page(where: str) -> Figures:
    """The review as a page."""
    return review(where, page=True)


def queries(where: str) -> Figures:
    """The queries of a review, as `advisor.reviewwork` makes them."""
    since, until = _span()
    log = _open_log(where)
    out: Figures = {}
    begin = time.perf_counter()
    kept = []
    for name, read in (
        ("rows", lambda: log.rows(_back(since, 30), _back(until, -30))),
        ("readings", lambda: log.readings(_back(since, DAYS), until)),
        ("waiting", lambda: log.rows(None, since, reviewable=True)),
        ("diary", lambda: log.diary()),
    ):
        start = time.perf_counter()
        kept.append(read())
        out[name] = time.perf_counter() - start
        out[f"n_{name}"] = len(kept[-1])
    return {"seconds": time.perf_counter() - begin, **out}


def _back(day: str, days: int) -> str:
    from datetime import date

    return (date.fromisoformat(day) - timedelta(days=days)).isoformat()


def open_case(where: str) -> Figures:
    """Open the log, find a case by its id and read its events."""
    import advisor.caselog  # noqa: F401

    handle = os.environ["LOG_SCALE_CASE"]
    begin = time.perf_counter()
    log = _open_log(where)
    opened = time.perf_counter()
    case = log.find(handle.rpartition("/")[2])
    found = time.perf_counter()
    entries = log.entries(case)
    end = time.perf_counter()
    assert len(entries) > 10
    return {"seconds": end - begin, "open": opened - begin, "find": found - opened, "entries": end - found}


def append(where: str) -> Figures:
    """Write answers to a new case, each synced."""
    log = _open_log(where)
    case = log.new_case({"type": "start", "mill": "north", "technician": "Ines", "knowledge": "k"})
    times = []
    ranking = [[f"cause-number-{i}", 0.2] for i in range(5)]
    for seq in range(1, 201):
        if seq % 13 == 0:  # as many events as a case has
            case = log.new_case({"type": "start", "mill": "north", "technician": "Ines", "knowledge": "k"})
        place = seq % 13 + 1 if seq >= 13 else seq
        event = {"type": "answer", "check": f"check-{seq % 5}", "value": "0.55", "unit": "MPa", "typed": "0.55 MPa"}
        begin = time.perf_counter()
        log.append(case, {**event, "ranking": ranking}, place)
        times.append(time.perf_counter() - begin)
    syncs = []
    with tempfile.TemporaryFile(dir=Path(where).parent if "://" not in where else None) as file:
        for _ in range(100):
            begin = time.perf_counter()
            file.write(b"x" * 4096)
            file.flush()
            os.fsync(file.fileno())
            syncs.append(time.perf_counter() - begin)
    return {"seconds": statistics.median(times), "p95": sorted(times)[189], "fsync": statistics.median(syncs)}


def cases(where: str) -> Figures:
    """The list of cases."""
    log = _open_log(where)
    begin = time.perf_counter()
    log.cases()
    middle = time.perf_counter()
    log.cases(open_only=True)
    end = time.perf_counter()
    return {"seconds": middle - begin, "open": end - middle}


def queue(where: str) -> Figures:
    """What waits for a signature."""
    log = _open_log(where)
    begin = time.perf_counter()
    rows = log.rows(*_span(), reviewable=True)
    return {"seconds": time.perf_counter() - begin, "n": len(rows)}


def verify(where: str) -> Figures:
    """Check everything."""
    from sqlalchemy import func, select

    from advisor.store import schema as t

    log = _open_log(where)
    with log.base.read() as db:
        events = db.execute(select(func.count()).select_from(t.event)).scalar_one()
    begin = time.perf_counter()
    wrong = log.verify()
    seconds = time.perf_counter() - begin
    assert not wrong, wrong[:3]
    return {"seconds": seconds, "events": events, "per_s": events / seconds}


MEASURES: dict[str, Callable[[str], Figures]] = {
    f.__name__: f for f in (queries, review, review_page, open_case, append, cases, queue, verify)
}


def measured(name: str, where: str, runs: int, case: str) -> Figures:
    """A measure in fresh processes: the quickest run, the first run's seconds, the largest memory, processor time."""
    found = []
    with tempfile.TemporaryDirectory() as home:
        env = {**os.environ, "ADVISOR_HOME": os.environ.get("LOG_SCALE_HOME", home), "LOG_SCALE_CASE": case}
        for _ in range(runs):
            command = [sys.executable, __file__, "--measure", name, where]
            run = subprocess.run(command, env=env, capture_output=True, text=True)
            if run.returncode:
                raise SystemExit(f"{name} on {where}: {run.stderr.strip()[-2000:]}")
            found.append(json.loads(run.stdout.splitlines()[-1]))
    best: Figures = min(found, key=lambda f: f["seconds"])
    return {**best, "first": found[0]["seconds"], "mb": max(f["mb"] for f in found)}


def _measure(name: str, where: str) -> None:
    processor = time.process_time()
    figures = MEASURES[name](where)
    figures["cpu"] = time.process_time() - processor
    figures["mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps(figures))
