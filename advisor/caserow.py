"""A case in one line, for review: what its events say, without the knowledge and without judging.

Also the readings of a case as points of a trend, and the entries of a mill's diary. Everything here is derived from
events and can be made again from them at any time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from advisor.readings import ReadingError, parse_number
from advisor.session import effective

__all__ = ["DIARY", "CaseRow", "DiaryEntry", "Reading", "case_readings", "case_row", "finite"]

DIARY = ("care", "produced", "changed")
"""Events of a mill's diary: a care task done, pieces made in a span of days, something changed on the mill."""


@dataclass(slots=True)  # not frozen: a review makes tens of thousands, and freezing takes six times as long
class CaseRow:
    """One case. Times are UTC, ISO 8601 with milliseconds; ids are those of the knowledge the case ran on.

    `how` and `cause` are the technician's word, None while the case is open; `final_cause` is the supervisor's when he
    corrected it. `first_cause` is what the program put first before any remedy was tried, with its probability.
    `remedies` are (remedy, result) in the order tried; `remedy` is the one that helped, `fixed` when its proof passed.
    `minutes` is the bench time of the steps done, `blocks` the blocks lost. `reviewed` is None, 'approved', 'corrected'
    or 'asked' (the supervisor waits for an answer).
    """

    bench: str
    case: str
    begun: str
    mill: str | None = None
    technician: str | None = None
    material: str | None = None
    process: str | None = None
    complaint: str = ""
    symptoms: tuple[str, ...] = ()
    how: str | None = None
    cause: str | None = None
    closed: str | None = None
    first_cause: str | None = None
    first_probability: float | None = None
    remedies: tuple[tuple[str, str], ...] = ()
    remedy: str | None = None
    fixed: str | None = None
    minutes: float | None = None
    blocks: float | None = None
    cautions: tuple[str, ...] = ()
    reviewed: str | None = None
    reviewer: str | None = None
    reviewed_at: str | None = None
    final_cause: str | None = None
    events: int = 0
    knowledge: str = ""
    imported: bool = False

    @property
    def open(self) -> bool:
        """Not closed, or closed as 'left open'."""
        return self.how in (None, "open")

    @property
    def signed(self) -> bool:
        """Approved or corrected by a supervisor."""
        return self.reviewed in ("approved", "corrected")

    @property
    def first_fix(self) -> bool | None:
        """True when the first remedy tried was the one proven to help; None when none was tried."""
        if not self.remedies:
            return None
        return self.fixed is not None and self.remedies[0][0] == self.remedy

    @property
    def hours_to_fix(self) -> float | None:
        """Hours from the beginning of the case to its proven fix."""
        if self.fixed is None:
            return None
        return (datetime.fromisoformat(self.fixed) - datetime.fromisoformat(self.begun)).total_seconds() / 3600


@dataclass(slots=True)
class Reading:
    """A measured value of a case. `series` is the check, or `calculation.figure`, or `setting.field`; `unit` is as it was typed, `u` the
    standard uncertainty in that unit, if a calculation gave one."""

    bench: str
    case: str
    series: str
    at: str
    mill: str | None
    value: float
    unit: str
    u: float | None = None


@dataclass(frozen=True, slots=True)
class DiaryEntry:
    """An entry of a mill's diary: `event` is of a type in DIARY."""

    bench: str
    mill: str
    at: str
    event: Mapping[str, Any]


def case_row(bench: str, case: str, entries: Sequence[tuple[str, dict[str, Any]]]) -> CaseRow:
    """The row of a case from its (time, event) pairs in order; the first must be its `start`."""
    at = {id(event): when for when, event in entries}
    events = effective(event for _, event in entries)  # the very objects it is given: their times go by identity
    start = events[0]
    row: dict[str, Any] = {"bench": bench, "case": case, "begun": start.get("begun") or at[id(start)]}
    row |= {"mill": _text(start.get("mill")), "technician": _text(start.get("technician"))}
    row |= {"knowledge": str(start.get("knowledge") or ""), "imported": bool(start.get("imported"))}
    symptoms: dict[str, bool] = {}
    cautions: dict[str, None] = {}
    remedies: dict[str, str] = {}
    proofs: dict[str, tuple[bool, str]] = {}
    ranking: tuple[str, float] | None = None
    for event in events:
        kind, when = event.get("type"), at[id(event)]
        if not remedies:
            ranking = _first(event.get("ranking")) or ranking
        if kind == "complaint":
            row["complaint"] = str(event.get("text", ""))
        elif kind == "setting" and event.get("field") in ("material", "process"):
            row[event["field"]] = _text(event.get("value"))
        elif kind == "symptom":
            symptoms[str(event.get("symptom"))] = bool(event.get("present", True))
        elif kind == "acknowledge":
            cautions[str(event.get("caution"))] = None
        elif kind == "remedy":
            remedies.pop(str(event.get("remedy")), None)
            remedies[str(event.get("remedy"))] = str(event.get("result"))
        elif kind == "proof":
            proofs[str(event.get("remedy"))] = (bool(event.get("passed")), when)
            if not event.get("passed"):
                remedies[str(event.get("remedy"))] = "no-change"
        elif kind == "close":
            row |= {"how": str(event.get("how")), "cause": _text(event.get("cause")), "closed": when}
            row |= {key: finite(event.get(key)) for key in ("minutes", "blocks")}
        elif kind == "reopen":
            row |= {"how": None, "cause": None, "closed": None}
            if row.get("reviewed") in ("approved", "corrected"):  # what was signed is no longer what is there
                row["reviewed"] = None
                row.pop("corrected", None)
        elif kind == "review":
            _review(row, event, when)
        elif kind == "note" and row.get("reviewed") == "asked":
            row["reviewed"] = None  # answered: it is in the supervisor's queue again
    if ranking:
        row |= {"first_cause": ranking[0], "first_probability": ranking[1]}
    helped = [r for r, result in remedies.items() if result == "helped"]
    if helped:
        row["remedy"] = helped[-1]
        passed, when = proofs.get(helped[-1], (False, ""))
        row["fixed"] = when if passed else None
    if row["imported"] and row.get("closed"):
        row["closed"] = row["begun"]  # it was written down long after: the day in the list is all that is known
    row["symptoms"] = tuple(s for s, there in symptoms.items() if there)
    row |= {"cautions": tuple(cautions), "remedies": tuple(remedies.items()), "events": len(entries)}
    row["final_cause"] = row.pop("corrected", None) or row.get("cause")
    return CaseRow(**row)


def _first(ranking: Any) -> tuple[str, float] | None:
    """The cause a ranking puts first; None when it is no ranking."""
    try:
        cause, probability = ranking[0][0], finite(ranking[0][1])
    except (TypeError, IndexError, KeyError):
        return None
    return None if probability is None else (str(cause), probability)


def _review(row: dict[str, Any], event: Mapping[str, Any], when: str) -> None:
    action = event.get("action")
    if action == "comment":
        return
    row |= {"reviewer": _text(event.get("by")), "reviewed_at": when}
    if action == "approve":
        row["reviewed"] = "approved"
        row.pop("corrected", None)  # the last word counts
    elif action == "correct":
        row |= {"reviewed": "corrected", "corrected": _text(event.get("cause"))}
    elif action == "ask":
        row["reviewed"] = "asked"


def case_readings(
    bench: str, case: str, mill: str | None, entries: Iterable[tuple[str, dict[str, Any]]]
) -> list[Reading]:
    """The measured values that stand in a case: answers with a number, and the figures of calculations beside it."""
    pairs = list(entries)
    at = {id(event): when for when, event in pairs}
    out: dict[str, Reading] = {}
    for event in effective(event for _, event in pairs):
        when = at[id(event)]
        if event.get("type") == "answer" and event.get("value") is not None:
            try:
                value, unit = parse_number(str(event["value"]))
            except ReadingError:
                continue
            series = str(event.get("check"))
            unit = unit or str(event.get("unit") or "")
            out[series] = Reading(bench, case, series, when, mill, value, unit, finite(event.get("uncertainty")))
        if event.get("type") == "setting":
            number = finite(event.get("value"))
            if number is not None:
                series = f"setting.{event.get('field')}"
                out[series] = Reading(bench, case, series, when, mill, number, "")
        run = event.get("calculation")
        if event.get("type") == "calculation" and isinstance(run, Mapping):
            for name, figure in (run.get("figures") or {}).items():
                worked, doubt = finite(figure.get("value")), finite(figure.get("U"))
                if worked is not None:
                    series, unit = f"{run.get('calculation')}.{name}", str(figure.get("unit") or "")
                    u = doubt / 2 if doubt else None
                    out[series] = Reading(bench, case, series, when, mill, worked, unit, u)
    return list(out.values())


def _text(value: Any) -> str | None:
    return None if value in (None, "") else str(value)


def finite(value: Any) -> float | None:
    """A value of an event as a number; None when it is none, or not finite."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None
