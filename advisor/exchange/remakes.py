"""A list of remakes kept so far -> planned cases, and what of it cannot be read. Pure: rows in, plan out; no file, no log.

A remake is a part made again: each row of the list becomes a case that is over. What the list says of the cause counts
as the technician's word, to be reviewed like any other. A row that names no known cause ends as 'fixed, cause not
proven': the part was made again and the work went on, so it is not left open for somebody to go on with; but a row
that says the remedy did not help is left open.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, tzinfo
from typing import Any

from advisor.compiled import Compiled
from advisor.exchange.cells import Cell, CellError, begun, cell_text, count_of, minutes_of, parse_date
from advisor.exchange.columns import Columns
from advisor.exchange.listfile import Listing, ListRow
from advisor.exchange.wordbook import WordBook, plain_key
from advisor.session import CaseError, Session

__all__ = ["Known", "Plan", "Planned", "Problem", "plan_remakes"]

Event = dict[str, Any]
_COMPLAINT = 300
_NAME = 60
_RESULTS = {
    "helped": "helped, yes, y, ja, j, ok, solved, fixed, geholfen, behoben, gelöst, erfolg, success, better, besser",
    "no-change": "no change, no, n, nein, not helped, did not help, nicht geholfen, unverändert, ohne erfolg, same, gleich",
    "worse": "worse, schlechter, schlimmer",
}


@dataclass(frozen=True)
class Problem:
    """A row that cannot come in: its line, the column at fault (from 0), and what to write instead."""

    line: int
    column: int | None
    message: str


@dataclass(frozen=True)
class Planned:
    """A case as it would be written; `symptoms` and `cause` as they were understood."""

    line: int
    entries: tuple[tuple[str, Event], ...]
    begun: str
    mill: str
    complaint: str
    symptoms: tuple[str, ...]
    cause: str | None


@dataclass(frozen=True)
class Known:
    """What the log holds already: hashes of imported rows, (number, day) of imported rows -> case, names in use."""

    rows: frozenset[str] = frozenset()
    numbers: Mapping[tuple[str, str], str] = field(default_factory=dict)
    mills: Sequence[str] = ()
    technicians: Sequence[str] = ()


@dataclass
class Plan:
    """What an import would do. `changed`: line -> case, for rows whose number and day are in the log but which now say
    something else. `strange`: what was not understood and stays as text, by field. `passed_over`: lines without date
    and complaint, such as totals."""

    ready: list[Planned] = field(default_factory=list)
    bad: list[Problem] = field(default_factory=list)
    there: int = 0
    changed: dict[int, str] = field(default_factory=dict)
    understood: Counter[str] = field(default_factory=Counter)
    strange: dict[str, Counter[str]] = field(default_factory=dict)
    passed_over: list[int] = field(default_factory=list)


def plan_remakes(
    listing: Listing,
    rows: Iterable[ListRow],
    columns: Columns,
    compiled: Compiled,
    *,
    now: datetime,
    version: str,
    order: str | None = None,
    known: Known | None = None,
    zone: tzinfo | None = None,
    words: WordBook | None = None,
) -> Plan:
    """Plan the cases of a list's `rows` (without its headings). Every planned event is one that Session.take accepts.

    `now` (with its zone) stamps the events; the day in the list is the case's `begun`. `order` is that of dates with
    / or -, `zone` that of times of day in the list (default: this computer's).
    """
    known = known or Known()
    words = words or WordBook(compiled)
    plan = Plan(strange={name: Counter() for name in ("complaint", "material", "cause", "remedy", "result")})
    mills, technicians = _Spelling(known.mills), _Spelling(known.technicians)
    at = now.isoformat(timespec="milliseconds")
    times: Counter[str] = Counter()
    # the same complaint is understood once
    symptoms: dict[str, tuple[str, ...]] = {}
    for row in rows:
        cells = {name: [row.cells[c] for c in chosen if c < len(row.cells)] for name, chosen in columns.items()}
        value: dict[str, Cell] = {name: found[0] if found else None for name, found in cells.items()}
        text = {name: " / ".join(filter(None, map(cell_text, found))) for name, found in cells.items()}
        if not text.get("complaint") and not any(ch.isdigit() for ch in text.get("date", "")):
            # nothing, the name of a month, or the line of totals
            plan.passed_over.append(row.line)
            continue
        when, problems = _checked(row.line, value, columns, now.date(), order, listing)
        plan.bad += problems
        if when is None or problems:
            continue
        day = begun(when, zone)
        content = _content(row, columns, when)
        times[content] += 1
        # two equal lines of one list are two remakes: the second is the second wherever it stands
        digest = hashlib.sha256(f"{content}\n{times[content]}".encode("utf-8", "surrogatepass")).hexdigest()
        if digest in known.rows:
            plan.there += 1
            continue
        number = text.get("id", "")
        if number and (number, day[:10]) in known.numbers:
            plan.changed[row.line] = known.numbers[number, day[:10]]
            continue
        imported = {"file": listing.name, "line": row.line, "row": digest} | ({"id": number} if number else {})
        start: Event = {"type": "start", "knowledge": compiled.kb.digest, "version": version, "begun": day}
        start |= {"imported": imported}
        for name, spelling in (("mill", mills), ("technician", technicians)):
            if text.get(name):
                start[name] = spelling.of(text[name])
        complaint = text["complaint"]
        if complaint not in symptoms:
            symptoms[complaint] = words.symptoms(complaint)
        events, cause = _events(start, text, value, symptoms[complaint], words, plan)
        try:
            session = Session(compiled)
            for event in events:
                session.take(event)
        except CaseError as error:
            plan.bad.append(Problem(row.line, None, str(error)))
            continue
        plan.understood.update(symptoms[complaint])
        entries = tuple((at, event) for event in events)
        plan.ready.append(
            Planned(row.line, entries, day, str(start.get("mill", "")), complaint, symptoms[complaint], cause)
        )
    return plan


def _checked(
    line: int, value: Mapping[str, Cell], columns: Columns, today: date, order: str | None, listing: Listing
) -> tuple[datetime | None, list[Problem]]:
    """The date of a row, and every cell of it that must be mended first."""
    formula = "; a formula has a value only after a spreadsheet has saved the file" if listing.sheet else ""
    problems = []
    when = None
    column = {name: chosen[0] for name, chosen in columns.items() if chosen}
    try:
        when = parse_date(value.get("date"), order, today, listing.old_epoch)
    except CellError as error:
        problems.append(Problem(line, column.get("date"), f"{error}{'' if value.get('date') else formula}"))
    if not cell_text(value.get("complaint")):
        text = f"the complaint is missing: write what was wrong{formula}"
        problems.append(Problem(line, column.get("complaint"), text))
    for name in ("mill", "technician"):
        if len(cell_text(value.get(name))) > _NAME:
            text = f"this is too long for the name of a {name}: shorten it, or leave the column out with --map {name}="
            problems.append(Problem(line, column.get(name), text))
    for name, read in (("blocks", count_of), ("minutes", minutes_of)):
        try:
            read(value.get(name))
        except CellError as error:
            problems.append(Problem(line, column.get(name), str(error)))
    return when, problems


def _events(
    start: Event,
    text: Mapping[str, str],
    value: Mapping[str, Cell],
    symptoms: Sequence[str],
    words: WordBook,
    plan: Plan,
) -> tuple[list[Event], str | None]:
    """The events of one row, and its cause if it names a known one."""
    complaint = text["complaint"]
    short = complaint if len(complaint) <= _COMPLAINT else complaint[: _COMPLAINT - 2].rsplit(" ", 1)[0] + " …"
    events = [start, {"type": "complaint", "text": short}]
    notes = [f"Complaint in full: {complaint}"] if short != complaint else []
    if not symptoms:
        plan.strange["complaint"][complaint] += 1
    events += [{"type": "symptom", "symptom": s, "present": True} for s in symptoms]

    def kept(name: str, label: str) -> None:
        notes.append(f"{label} in the list: {text[name]}")

    def unknown(name: str, found: str | None) -> None:
        if found is None:
            plan.strange[name][text[name]] += 1

    if text.get("material"):
        material = words.material(text["material"])
        if material:
            events.append({"type": "setting", "field": "material", "value": material})
        if material is None or (material == "other" and plain_key(text["material"]) != "other"):
            kept("material", "Material")
            unknown("material", material)
    cause = words.cause(text["cause"]) if text.get("cause") else None
    remedy = words.remedy(text["remedy"]) if text.get("remedy") else None
    result = _RESULT_OF.get(plain_key(text.get("result", "")))
    if text.get("result") and result is None:
        kept("result", "Result")
        plan.strange["result"][text["result"]] += 1
    if text.get("remedy"):
        if remedy and result:
            events.append({"type": "remedy", "remedy": remedy, "result": result})
        else:
            kept("remedy", "Remedy")
            unknown("remedy", remedy)
    # a cause whose remedy did not help is not confirmed, whatever the list says
    failed = result in ("no-change", "worse")
    if text.get("cause") and (cause is None or failed):
        kept("cause", "Cause")
        unknown("cause", cause)
    if failed:
        cause = None
    if result and not remedy:
        kept("result", "Result")
    if text.get("id"):
        kept("id", "Number")
    if text.get("note"):
        notes.append(text["note"])
    events += [{"type": "note", "text": note} for note in notes]
    close: Event = {"type": "close", "how": "confirmed" if cause else "open" if failed else "fixed-unproven"}
    close |= {"cause": cause} if cause else {}
    numbers = {"minutes": minutes_of(value.get("minutes")), "blocks": count_of(value.get("blocks"))}
    events.append(close | {name: number for name, number in numbers.items() if number is not None})
    return events, cause


def _content(row: ListRow, columns: Columns, when: datetime) -> str:
    """What a row says, alike from CSV and Excel: all its cells, the date as ISO, numbers without their way of writing.

    Every column counts, used or not, so that another choice of columns does not bring the same row in twice.
    """
    dates = columns.get("date", ())
    parts = []
    for column, cell in enumerate(row.cells):
        text = when.isoformat() if column in dates else unicodedata.normalize("NFC", cell_text(cell))
        number = re.fullmatch(r"(-?\d+)(?:[.,](\d+))?", text)
        if number:
            text = number[1] + (f".{digits}" if (digits := (number[2] or "").rstrip("0")) else "")
        if text:
            parts.append(text)
    return "\x1f".join(parts)


class _Spelling:
    """One way of writing a name: as it is known already, else as it is first met."""

    def __init__(self, known: Iterable[str]) -> None:
        self._first: dict[str, str] = {}
        for name in known:
            self.of(name)

    def of(self, name: str) -> str:
        return self._first.setdefault(plain_key(name) or name, name)


_RESULT_OF = {w: result for result, words in _RESULTS.items() for w in map(plain_key, words.split(","))}
