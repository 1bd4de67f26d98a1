"""Invented logs of any size for `log_scale.py`: real events, real chains of hashes, real rows; only the writing is quick.

A case has twelve events (start, complaint, symptom, setting, four measured answers, acknowledge, remedy, proof, close),
and a thirteenth once a supervisor has signed it, which comes right after the case in the journal of who wrote it. Cases
are spread evenly over four years. What is written is what `CaseLog.write` would: bodies and hashes by its own functions,
rows and readings by `advisor.caserow`. It goes to the database by `executemany` or COPY, with the syncs left out.
"""

from __future__ import annotations

import gc
import json
import random
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import advisor
from advisor.caselog import CaseLog, event_hash, journal_hash, row_values
from advisor.caserow import Reading, case_readings, case_row
from advisor.store import schema as t
from advisor.store.engine import add_partitions

END = datetime(2026, 11, 25, 12, tzinfo=UTC)
YEARS = 4
BEGIN = END - timedelta(days=365 * YEARS + 1)
UNSIGNED_DAYS, UNSIGNED, OPEN = 14, 0.02, 0.1
"""Closed cases of the last days still wait for the supervisor, and one in fifty of the others; of the last days' cases
one in ten is still open."""
SERIES = 24
PATTERNS, LEVELS = 1500, (0.98, 1.0, 1.02)
MILL = "MILL"
OPEN_EVENTS = 9
BATCH = 2000

Event = dict[str, Any]
encode = json.JSONEncoder(sort_keys=True, separators=(",", ":")).encode
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


@dataclass
class Writer:
    """A bench or a supervisor, and the head of his journal."""

    id: str
    name: str
    mills: tuple[str, ...] = ()
    n: int = 0
    journal: bytes = b""
    used: set[str] = field(default_factory=set)
    diaries: dict[str, tuple[int, bytes]] = field(default_factory=dict)


class Pattern:
    """A case without its mill and times: many cases are copies of one."""

    def __init__(self, events: Sequence[Event]) -> None:
        self.events = events
        self.types = [str(event["type"]) for event in events]
        self.bodies = [encode(event) for event in events]
        self._derived: dict[int, tuple[dict[str, Any], list[tuple[int, Reading]]]] = {}

    def derived(self, length: int) -> tuple[dict[str, Any], list[tuple[int, Reading]]]:
        """The row, as columns, and the readings of the first so many events; a time is the place of its event."""
        if length not in self._derived:
            times = [iso(BEGIN + timedelta(seconds=place)) for place in range(length)]
            pairs = list(zip(times, self.events, strict=False))
            values = row_values(case_row("b", "260101-aaaa", pairs))
            values |= {name: times.index(values[name]) for name in _MOMENTS if values[name] is not None}
            readings = case_readings("b", "260101-aaaa", None, pairs)
            self._derived[length] = values, [(times.index(r.at), r) for r in readings]
        return self._derived[length]


@dataclass
class Batch:
    """Rows for the three tables, in the order of their columns."""

    event: list[tuple[Any, ...]] = field(default_factory=list)
    case_row: list[tuple[Any, ...]] = field(default_factory=list)
    reading: list[tuple[Any, ...]] = field(default_factory=list)


class Lab:
    """Benches with their mills and technicians, and cases drawn from the shipped knowledge."""

    def __init__(self, benches: int, mills: int, seed: int = 1) -> None:
        self.rng = random.Random(seed)
        self.benches = [
            Writer(f"bench{b:05}", f"bench-{b:05}", tuple(f"m{b:05}-{m}" for m in range(mills))) for b in range(benches)
        ]
        self.supervisors = [Writer(f"super{s:05}", f"super-{s:05}") for s in range(max(benches // 40, 1))]
        kb = advisor.knowledge(None).kb
        self.kb = kb
        self.causes = [c for c in kb.causes.values() if c.remedies and any(s.symptom for s in c.shows)]
        self.rates = [c.prior.per_hundred for c in self.causes]
        self.cautions = list(kb.cautions)
        usual = {f.id: f.default for f in kb.vocabulary.mill}
        self.checks: list[tuple[Any, float]] = []
        for check in sorted(
            (c for c in kb.checks.values() if c.measured), key=lambda c: c.id != "burr-hours-finishing"
        ):
            low, high = check.outcomes[0].start, check.outcomes[0].end
            ends = [bound.resolve(usual) for bound in (low, high) if bound is not None]
            if ends and len(self.checks) < SERIES:
                self.checks.append((check, sum(ends) / len(ends) * (1 if len(ends) == 2 else 1.15 if low else 0.8)))

        self.patterns = [[self.drawn(level) for _ in range(PATTERNS)] for level in LEVELS]

    def drawn(self, level: float) -> Pattern:
        """A pattern for cases; `level` shifts its readings."""
        rng = self.rng
        cause = rng.choices(self.causes, self.rates)[0]
        others = rng.sample(self.causes, 4)
        first = rng.uniform(0.3, 0.9)
        ranking: list[list[Any]] = [[cause.id, round(first, 4)]]
        ranking += [[c.id, round((1 - first) / 2**k, 4)] for k, c in enumerate(others, start=1)]
        if rng.random() < 0.15:
            ranking[0][0], ranking[1][0] = ranking[1][0], ranking[0][0]
        symptom = rng.choice([s.symptom for s in cause.shows if s.symptom])
        remedy = cause.remedies[0].remedy
        start = {"type": "start", "knowledge": self.kb.digest, "version": "0.1.0", "mill": MILL}
        events: list[Event] = [
            start | {"technician": rng.choice(("Ines", "Tomas", "Wiebke")), "profile": {"inlet_pressure": 0.6}},
            {"type": "complaint", "text": self.kb.symptoms[symptom].title.lower()},
            {"type": "symptom", "symptom": symptom, "present": True},
            {"type": "setting", "field": "material", "value": rng.choice(("glass-ceramic", "zirconia", "resin"))},
        ]
        for check, usual in rng.sample(self.checks, 4):
            value = f"{usual * level * rng.gauss(1, 0.06):.3g}"
            answer = {"type": "answer", "check": check.id, "value": value, "unit": check.unit}
            answer |= {"instrument": check.instrument, "typed": f"{value} {check.unit}", "question": check.title}
            events.append(answer | {"ranking": ranking})
        helped = rng.random() < 0.85
        close = {"type": "close", "how": "confirmed" if helped else "referred", "cause": cause.id, "ranking": ranking}
        events += [
            {"type": "acknowledge", "caution": rng.choice(self.cautions)},
            {"type": "remedy", "remedy": remedy, "result": "helped" if helped else "no-change", "ranking": ranking},
            {"type": "proof", "remedy": remedy, "passed": helped},
            close | {"minutes": round(rng.uniform(5, 90)), "blocks": rng.choices((0, 1, 2), (6, 3, 1))[0]},
        ]
        review: Event = {"type": "review", "action": "approve", "by": "Marit"}
        if rng.random() < 0.03:
            review |= {"action": "correct", "cause": others[0].id, "text": "The findings speak for another cause."}
        return Pattern([*events, review])

    def batches(self, cases: int) -> Iterator[Batch]:
        """All cases in order of time, and the diaries of the mills: six entries a week each."""
        gc.disable()  # nothing here makes cycles, and looking for them among so many rows takes a fifth of the time
        batch = Batch()
        step = (END - BEGIN) / cases
        weeks = iter(self._diaries())
        due = next(weeks, None)
        for i in range(cases):
            at = BEGIN + step * (i + self.rng.random())
            while due is not None and due[0] <= at:
                self._note(batch, *due)
                due = next(weeks, None)
            bench = self.rng.choice(self.benches)
            day = f"{at:%y%m%d}"
            ident = ""
            while not ident or ident in bench.used:
                ident = f"{day}-{''.join(self.rng.choices(_LETTERS, k=4))}"
            if len(bench.used) > 5000:
                bench.used = {used for used in bench.used if used.startswith(day)}
            bench.used.add(ident)
            self._put(batch, bench, ident, at)
            if i % BATCH == BATCH - 1:
                yield batch
                batch = Batch()
        while due is not None:
            self._note(batch, *due)
            due = next(weeks, None)
        yield batch

    def _put(self, batch: Batch, bench: Writer, case: str, at: datetime) -> None:
        rng = self.rng
        mill = rng.choice(bench.mills)
        # a mill's readings step up or down from year to year, so that there are trends to be found
        pattern = rng.choice(self.patterns[(number_of(mill) + (at - BEGIN).days // 365) % len(LEVELS)])
        recent, chance = (END - at).days < UNSIGNED_DAYS, rng.random()
        length = OPEN_EVENTS if recent and chance < OPEN else 12 if recent or chance < UNSIGNED else 13
        row, readings = pattern.derived(length)
        times = []
        when = at
        for _ in range(length):
            times.append(iso(when))
            when += timedelta(seconds=5 + 395 * rng.random())
        bodies = [pattern.bodies[0].replace(MILL, mill), *pattern.bodies[1:length]]
        if length == 13:
            times[-1] = iso(when + timedelta(days=0.5 + 6.5 * rng.random()))
        events = list(zip(times, pattern.types, bodies, strict=False))
        head = self._chain(batch, bench, bench, case, events[:12], 0, b"")
        if length == 13 and len(self.benches) > 1:  # a supervisor of several benches has a journal of his own
            who = self.supervisors[number_of(bench.id) % len(self.supervisors)]
            self._chain(batch, bench, who, case, events[12:], 0, b"")
        elif length == 13:
            self._chain(batch, bench, bench, case, events[12:], 12, head)
        month = t.month_of(case)
        known = {"bench": bench.id, "case_id": case, "month": month, "mill": mill}
        known |= {name: times[row[name]] for name in _MOMENTS if row[name] is not None}
        batch.case_row.append(tuple([known.get(name, row[name]) for name in _ROW]))
        for place, r in readings:
            batch.reading.append((bench.id, case, r.series, month, times[0], times[place], mill, r.value, r.unit, r.u))

    def _chain(
        self, batch: Batch, bench: Writer, who: Writer, case: str, events: Iterable[tuple[str, str, str]], seq: int,
        prev: bytes,
    ) -> bytes:  # fmt: skip
        """Add (time, type, body) to a case's chain; returns the hash of the last."""
        month = t.month_of(case)
        journal, n, place = who.journal, who.n, bench.id
        for at, kind, body in events:
            bits = f"{self.rng.getrandbits(128):032x}"
            ident = f"{bits[:8]}-{bits[8:12]}-4{bits[13:16]}-a{bits[17:20]}-{bits[20:]}"
            prev = event_hash(prev, case, seq, ident, at, body)
            journal = journal_hash(journal, place, who.id, n, prev)
            batch.event.append((place, case, who.id, seq, month, n, ident, at, kind, body, prev, journal))
            n, seq = n + 1, seq + 1
        who.journal, who.n = journal, n
        return prev

    def _diaries(self) -> Iterator[tuple[datetime, Writer, str, Event]]:
        tasks = list(self.kb.care)
        for week in range((END - BEGIN).days // 7):
            at = BEGIN + timedelta(days=7 * week, hours=7)
            for bench in self.benches:
                for mill in bench.mills:
                    for task in self.rng.sample(tasks, 5):
                        yield at, bench, mill, {"type": "care", "task": task, "by": "Ines"}
                    made = {"from": f"{at:%Y-%m-%d}", "to": f"{at + timedelta(days=6):%Y-%m-%d}"}
                    yield at, bench, mill, {"type": "produced", **made, "made": 80, "scrapped": self.rng.randrange(5)}

    def _note(self, batch: Batch, at: datetime, bench: Writer, mill: str, event: Event) -> None:
        case = f"{at:%y%m}00-{mill}"
        seq, prev = bench.diaries.get(case, (0, b""))
        entry = iso(at), str(event["type"]), encode({**event, "mill": mill})
        prev = self._chain(batch, bench, bench, case, [entry], seq, prev)
        bench.diaries[case] = (seq + 1, prev)

    def writers(self, own: bool) -> list[dict[str, Any]]:
        """The rows of the table of writers, with the heads of the journals."""
        every = [*self.benches, *(w for w in self.supervisors if w.n)]
        return [
            {"id": w.id, "name": w.name, "n": w.n, "journal": w.journal, "own": own, "invented": True,
             "login": None if own else w.name.replace("-", "_")}
            for w in every
        ]  # fmt: skip


_MOMENTS = ("begun", "closed", "fixed", "reviewed_at")
_ROW = [column.name for column in t.case_row.columns]


def iso(at: datetime) -> str:
    """As the log writes a time."""
    return at.isoformat(timespec="milliseconds")


def number_of(text: str) -> int:
    """A number of a text, the same in every run."""
    return sum((i + 1) * b for i, b in enumerate(text.encode()))


def fill_file(path: Path, cases: int) -> None:
    """A bench's own log with twelve mills."""
    lab = Lab(benches=1, mills=12)
    CaseLog(path).close()
    with sqlite3.connect(path, isolation_level=None) as db:
        db.execute("PRAGMA synchronous = OFF")
        db.execute("PRAGMA journal_mode = MEMORY")
        db.execute("PRAGMA cache_size = -200000")
        db.execute("DELETE FROM writer")
        for batch in lab.batches(cases):
            db.execute("BEGIN")
            for name, rows in vars(batch).items():
                if rows:
                    db.executemany(f"INSERT INTO {name} VALUES ({', '.join('?' * len(rows[0]))})", rows)
            db.execute("COMMIT")
        for w in lab.writers(own=True):
            db.execute(f"INSERT INTO writer ({', '.join(w)}) VALUES ({', '.join('?' * len(w))})", list(w.values()))
        db.execute("PRAGMA journal_mode = WAL")
    db.close()


def fill_server(url: str, cases: int) -> None:
    """A shared log of up to 200 benches with two mills each; at least 500 cases a bench."""
    import psycopg

    lab = Lab(benches=min(max(cases // 500, 2), 200), mills=2)
    log = CaseLog(url)
    with log.base.write() as db:
        add_partitions(db, first=int(f"{BEGIN:%Y%m}"))
    with psycopg.connect(url) as db:
        db.execute("SET synchronous_commit = off")
        for batch in lab.batches(cases):
            for name, rows in vars(batch).items():
                with db.cursor().copy(f"COPY {name} FROM STDIN") as copy:
                    for row in rows:
                        copy.write_row(row)
            db.commit()
    with log.base.write() as db:
        db.execute(t.writer.insert(), lab.writers(own=False))
    with psycopg.connect(url, autocommit=True) as db:
        db.execute("VACUUM (ANALYZE)")
    log.close()
