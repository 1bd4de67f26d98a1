"""How the cost of the case log grows with its size, on demand. Prints a table; nothing is asserted.

    python tests/benchmarks/log_scale.py --database sqlite FOLDER --cases 1000 10000 100000 1000000
    python tests/benchmarks/log_scale.py --database postgresql postgresql://user@host/postgres --cases 1000 10000

Each size gets a log of its own, made by `log_scale_fill.py` (a million cases: about a quarter of an hour and 8 GB) and
deleted afterwards unless `--keep` is given; a log that is there already (`log_scale_N.db`, database `log_scale_n`) is
used as it is. The URL is that of a database from which others can be made. Every measure runs in a fresh process, three
times (`--runs`); the quickest counts, and the largest memory (the peak of the whole process, imports included). The
system's file cache cannot be dropped, so the first run is the coldest there is, and is given too.

What is measured:

review          `advisor review` of the last 90 days: queries, summing up and the printed text
review page     the same with `--html`
command         `advisor review` as typed, with its start
queries         the queries of that review alone, all their results kept
open case       the log opened, a case found by its id, its events read
append          an answer written and synced, median of 200
cases           the list of the newest fifty; and of the newest open ones
queue           cases of the last 90 days that wait for a signature
verify          every hash of every event and every row checked (once, and only up to `--verify` cases)

For PostgreSQL the plans of the queries follow (`--plans`): which partitions are read, and with whose rights.
"""

from __future__ import annotations

import argparse
import gc
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
from datetime import timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does: see advisor/cli.py

DAYS = 90
DIARY_DAYS = 400
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

    import scipy.stats  # noqa: F401  (a second or so, whatever the log's size: it is in `command`)
    from rich.console import Console

    import advisor
    from advisor.review.text import show
    from advisor.review.work import read_review

    compiled = advisor.knowledge(None)
    since, until = _span()
    begin = time.perf_counter()
    log = _open_log(where)
    found, burrs = read_review(log, compiled, since, until, now=f"{until}T00:00:00.000+00:00")
    read = time.perf_counter()
    if page:
        from advisor.paper.page import write_page

        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "review.html"
            write_page(found, file, compiled, title="Review", invented=True, made_at=until, burr_hours=burrs)
            size = file.stat().st_size
        return {"seconds": time.perf_counter() - begin, "read": read - begin, "page_mb": size / 1e6}
    show(found, Console(file=io.StringIO(), width=100, highlight=False, markup=False))
    return {"seconds": time.perf_counter() - begin, "read": read - begin, "cases": found.totals.cases}


def command(where: str) -> Figures:
    """The whole command as typed, with its start."""
    since, _ = _span()
    args = ["review", "--log", where, "--from", since]
    begin = time.perf_counter()
    subprocess.run([sys.executable, "-m", "advisor", *args], check=True, stdout=subprocess.DEVNULL, cwd=ROOT)
    seconds = time.perf_counter() - begin
    return {"seconds": seconds, "mb": resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024}


def review_page(where: str) -> Figures:
    """The review as a page."""
    return review(where, page=True)


def queries(where: str) -> Figures:
    """The queries of a review, as `advisor.review.work` makes them."""
    since, until = _span()
    log = _open_log(where)
    out: Figures = {}
    begin = time.perf_counter()
    kept: list[Any] = []
    reads: dict[str, Callable[[], Any]] = {
        "rows": lambda: log.rows(_back(since, 30), _back(until, -30)),
        "readings": lambda: log.readings(_back(since, DAYS), until),
        "waiting": lambda: log.rows(None, since, reviewable=True),
        "diary": lambda: log.diary(_back(since, DIARY_DAYS)),
    }
    for name, read in reads.items():
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

    if "://" in where:
        import psycopg  # noqa: F401
        import sqlalchemy.dialects.postgresql.psycopg  # noqa: F401

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
    f.__name__: f for f in (queries, review, review_page, command, open_case, append, cases, queue, verify)
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


def _peak() -> float:
    """The most memory this process had, MB. (Linux hands `ru_maxrss` of the parent down to a new process.)"""
    try:
        found = re.search(r"VmHWM:\s*(\d+) kB", Path("/proc/self/status").read_text())
    except OSError:
        found = None
    return (int(found[1]) if found else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) / 1024


def _measure(name: str, where: str) -> None:
    gc.set_threshold(50_000, 20, 20)  # as the command line does: see advisor/cli.py
    processor = sum(os.times()[:4])
    figures = MEASURES[name](where)
    figures["cpu"] = sum(os.times()[:4]) - processor
    figures.setdefault("mb", _peak())
    print(json.dumps(figures))


# -- logs of every size -------------------------------------------------------------------------------------------------


def _made(database: str, place: str, cases: int) -> str:
    """The log of that many cases, made if it is not there; returns its path or URL."""
    import log_scale_fill

    begin = time.perf_counter()
    if database == "sqlite":
        path = Path(place) / f"log_scale_{cases}.db"
        if path.exists():
            return str(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        log_scale_fill.fill_file(path, cases)
        where = str(path)
    else:
        name = f"log_scale_{cases}"
        where = f"{place.rpartition('/')[0]}/{name}"
        if _sql(place, "SELECT 1 FROM pg_database WHERE datname = %s", name):
            return where
        _sql(place, f"CREATE DATABASE {name}")
        log_scale_fill.fill_server(where, cases)
    print(f"{cases} cases written in {time.perf_counter() - begin:.0f} s", file=sys.stderr)
    return where


def _removed(where: str, place: str) -> None:
    if "://" in where:
        _sql(place, f"DROP DATABASE {where.rpartition('/')[2]}")
        return
    for path in Path(where).parent.glob(Path(where).name + "*"):
        path.unlink()


def _sql(url: str, sql: str, *args: Any) -> list[tuple[Any, ...]]:
    import psycopg

    with psycopg.connect(url, autocommit=True) as db:
        found = db.execute(sql, args or None)
        return found.fetchall() if found.description else []


def _bytes(where: str) -> int:
    """What the log takes on disk, indexes and all."""
    if "://" not in where:
        return sum(p.stat().st_size for p in Path(where).parent.glob(Path(where).name + "*") if p.is_file())
    tables = "SELECT sum(pg_total_relation_size(c.oid)) FROM pg_class c WHERE relname ~ %s AND relkind = 'r'"
    return int(_sql(where, tables, "^(event|case_row|reading|writer|attachment)(_|$)")[0][0])


# -- PostgreSQL: what is read for a query -------------------------------------------------------------------------------


def plans(where: str, case: str) -> None:
    """Print how the server goes about the queries: time, partitions, pages; the review's, a case's, a bench's own."""
    import psycopg

    from advisor.store.rights import grants

    since, until = _span()
    log = _open_log(where)
    said: list[tuple[str, Any]] = []
    bench, ident = log._key(case)
    wide, early = _back(since, 30), _back(since, DAYS)
    questions: dict[str, Callable[[], Any]] = {
        "rows of the review (the quarter and 30 days on both sides)": lambda: log.rows(wide, _back(until, -30)),
        "readings (the quarter and as long before)": lambda: log.readings(early, until),
        "diary of the quarter": lambda: log.diary(since, until),
        "waiting for a signature from before": lambda: log.rows(None, since, reviewable=True),
        "a case found by its id": lambda: log.find(ident),
        "the events of a case": lambda: log.entries(case),
    }
    for name, ask in questions.items():
        said.append((name, _asked(log, ask)))
    login = bench_login = ""
    with psycopg.connect(where, autocommit=True) as db:
        found = db.execute("SELECT login FROM writer WHERE id = %s", [bench]).fetchone()
        login = bench_login = str(found[0]) if found else ""
        db.execute(grants((bench_login,)))
        for name, statements in said:
            _plan(db, name, statements)
        db.execute(f"SET ROLE {login}")
        for name, statements in said[:2] + said[-1:]:
            _plan(db, f"{name}, with the rights of one bench", statements)


def _asked(log: Any, ask: Callable[[], Any]) -> list[tuple[str, Any]]:
    """The statements that a call sends to the server."""
    from sqlalchemy import event

    found: list[tuple[str, Any]] = []

    def note(db: Any, cursor: Any, statement: str, parameters: Any, context: Any, many: bool) -> None:
        if statement.lstrip().startswith("SELECT") and "FROM writer" not in statement:
            found.append((statement, parameters))

    event.listen(log.base.engine, "before_cursor_execute", note)
    ask()
    event.remove(log.base.engine, "before_cursor_execute", note)
    return found


def _plan(db: Any, name: str, statements: list[tuple[str, Any]]) -> None:
    for statement, parameters in statements:
        db.execute("SET plan_cache_mode = force_custom_plan")
        lines = [row[0] for row in db.execute(f"EXPLAIN (ANALYZE, BUFFERS) {statement}", parameters)]
        text = "\n".join(lines)
        read = sorted(set(re.findall(r" on ((?:event|case_row|reading)_\w+)", text)))
        never = len(re.findall("never executed", text))
        print(f"\n{name}: {len(read)} partitions" + (f" ({never} of them never executed)" if never else ""))
        shown = read if len(read) < 8 else [*read[:3], "...", *read[-3:]]
        print("  " + ", ".join(shown))
        kept = (
            "Execution Time",
            "Planning Time",
            "Rows Removed",
            "Index Cond",
            "Index Scan",
            "Seq Scan",
            "Bitmap Heap",
        )
        told = [line.rstrip() for line in lines if any(word in line for word in kept)]
        pages = next((line.strip() for line in lines if "Buffers" in line), "")
        print("\n".join(["  " + line[:170] for line in told[:9]] + [f"  {told[-1].strip()}", f"  {pages}"]))


# -- the table ----------------------------------------------------------------------------------------------------------


def _cell(name: str, f: Figures) -> str:
    if name == "verify":
        return f"{f['per_s'] / 1000:.0f} k events/s, {f['mb']:.0f} MB"
    unit = f"{f['seconds'] * 1e3:.1f} ms" if f["seconds"] < 0.1 else f"{f['seconds']:.2f} s"
    first = f"{f['first'] * 1e3:.0f} ms" if f["first"] < 0.1 else f"{f['first']:.2f} s"
    if name == "append":
        return f"{unit} (sync alone {f['fsync'] * 1e3:.1f} ms)"
    return f"{unit} (first {first}; cpu {f['cpu']:.2f} s), {f['mb']:.0f} MB"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument(
        "place", nargs="?", default=tempfile.gettempdir(), help="folder, or URL of a database to begin from"
    )
    parser.add_argument("--cases", type=int, nargs="+", default=[1000, 10_000])
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--verify", type=int, default=100_000, metavar="N", help="check logs up to N cases")
    parser.add_argument("--only", nargs="+", choices=tuple(MEASURES), default=[*MEASURES])
    parser.add_argument("--keep", action="store_true", help="keep the logs for the next time")
    parser.add_argument("--plans", action="store_true", help="PostgreSQL: how the server reads")
    parser.add_argument("--measure", nargs=2, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.measure:
        _measure(*args.measure)
        return
    table: dict[str, list[str]] = {}
    for cases in args.cases:
        where = _made(args.database, args.place, cases)
        case = _a_case(where)
        size = _bytes(where)
        table.setdefault("on disk", []).append(
            f"{size / 1e9:.2f} GB, {size / cases:.0f} B/case" if size > 1e8 else f"{size / cases:.0f} B/case"
        )
        for name in args.only:
            if name == "verify" and cases > args.verify:
                table.setdefault(name, []).append("not run")
                continue
            figures = measured(name, where, 1 if name == "verify" else args.runs, case)
            table.setdefault(name, []).append(_cell(name, figures))
            print(cases, name, json.dumps({k: round(v, 4) for k, v in figures.items()}), file=sys.stderr)
        if args.plans and args.database == "postgresql":
            plans(where, case)
        if not args.keep:
            _removed(where, args.place)
    print(f"| {args.database} | " + " | ".join(f"{n:,} cases" for n in args.cases) + " |")
    print("|---" * (len(args.cases) + 1) + "|")
    for name, cells in table.items():
        print(f"| {name.replace('_', ' ')} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    main()
