"""The review of a period for the supervisor: what costs most, what drifts, what did not hold, what to sign.

A pure function of rows, readings and diary entries; nothing here reads the log or prints.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache

from advisor.caserow import CaseRow, DiaryEntry, Reading
from advisor.model import Knowledge
from advisor.review.glance import Glance, glances
from advisor.review.hits import CalibrationBin, Program, program
from advisor.review.indicators import (
    CauseCost,
    Count,
    FixTimes,
    Prices,
    Quartiles,
    Rate,
    Totals,
    costs,
    counts,
    first_fix,
    fix_times,
)
from advisor.review.notes import notes_of
from advisor.review.repeats import RemedyHold, Repeat, Repeats, find_repeats
from advisor.review.series import Limit
from advisor.review.trends import Pace, Trend, find_trends
from advisor.review.upkeep import BurrLife, Change, MillFigures, Overdue, burr_life, changes, mill_figures, overdue_care

__all__ = [
    "BurrLife",
    "CalibrationBin",
    "CauseCost",
    "Change",
    "Count",
    "FixTimes",
    "Glance",
    "Limit",
    "MillFigures",
    "Named",
    "Overdue",
    "Pace",
    "Period",
    "Prices",
    "Program",
    "Quartiles",
    "Rate",
    "RemedyHold",
    "Repeat",
    "Repeats",
    "Review",
    "ToSign",
    "Totals",
    "Trend",
    "period_of",
    "review_of",
]


@dataclass(frozen=True)
class Period:
    """What is reviewed: cases begun at or after `since` and before `until` (ISO dates, UTC; `last` is the last day of it),
    as known at `now` (ISO time), of one mill, technician or material if given."""

    since: str
    until: str
    last: str
    days: float
    now: str
    mill: str | None = None
    technician: str | None = None
    material: str | None = None


@dataclass(frozen=True)
class ToSign:
    """A closed case that no supervisor has signed, or one that he asked about and that waits for an answer (`asked`).

    `look`: why it deserves a look before it is signed, in plain words; empty for a plain one. `before`: begun before the
    period. Those with most to look at come first, then the oldest.
    """

    case: str
    begun: str
    mill: str | None
    technician: str | None
    cause: str | None
    title: str
    asked: bool
    look: tuple[str, ...]
    before: bool


@dataclass(frozen=True)
class Named:
    """A case that the review names: when it began, where, and its cause; without a cause its complaint or symptoms."""

    begun: str
    mill: str | None
    cause: str | None
    title: str


@dataclass(frozen=True)
class Review:
    """Everything that the page and the terminal show.

    `glance`: the four answers, in order: cost, drift, fixes that did not hold, what to sign. `first_fix`: first-time-fix
    rate, of closed cases in which a remedy was tried (imported ones left out). `order`: figure of the Pareto order,
    'money', 'minutes' or 'cases'. `trends`: drifting ones first, then those with a signal, then the others.
    `overdue`: longest overdue first. `care_unknown`: mills without any care in their diary. `sign`: to be signed or
    waiting for an answer. `open`: handles of open cases, oldest first. `notes`: what to know to read the figures right.
    `symptoms`, `remedies`: titles by id of those named anywhere in the review. `cases`: what is known of the cases named,
    by handle.
    """

    period: Period
    prices: Prices
    glance: tuple[Glance, ...]
    totals: Totals
    first_fix: Rate
    times: FixTimes
    order: str
    causes: tuple[CauseCost, ...]
    repeats: Repeats
    mills: tuple[MillFigures, ...]
    program: Program
    cautions: tuple[Count, ...]
    technicians: tuple[Count, ...]
    materials: tuple[Count, ...]
    sign: tuple[ToSign, ...]
    open: tuple[str, ...]
    trends: tuple[Trend, ...]
    burrs: BurrLife | None
    overdue: tuple[Overdue, ...]
    care_unknown: tuple[str, ...]
    changes: tuple[Change, ...]
    notes: tuple[str, ...]
    symptoms: dict[str, str]
    remedies: dict[str, str]
    cases: dict[str, Named]


def period_of(
    since: str,
    until: str,
    now: str | None = None,
    mill: str | None = None,
    technician: str | None = None,
    material: str | None = None,
) -> Period:
    """The period from the day `since` up to, not including, the day `until` (ISO dates), as known at `now` (ISO time, the
    end of the period by default). ValueError when they are no dates, or in the wrong order."""
    first, end = date.fromisoformat(since), date.fromisoformat(until)
    days = (end - first).days
    if days < 1:
        raise ValueError(f"the period from {since} ends before it begins")
    last = (end - timedelta(days=1)).isoformat()
    return Period(since, until, last, days, now or f"{until}T00:00:00.000+00:00", mill, technician, material)


def review_of(
    period: Period,
    rows: Sequence[CaseRow],
    readings: Iterable[Reading],
    diary: Sequence[DiaryEntry],
    kb: Knowledge,
    *,
    waiting: Sequence[CaseRow] = (),
    prices: Prices | None = None,
    repeat_days: float = 30,
    profiles: Mapping[str, Mapping[str, float]] | None = None,
    burrs: tuple[Sequence[float], Sequence[float]] = ((), ()),
    front: Callable[[str], str] = lambda bench: "",
) -> Review:
    """The review of a period.

    `rows` may reach beyond the period on both sides (by `repeat_days`, so that repeats are found), `readings` before it
    (for the baseline of the charts), `diary` as far back as it goes (for care that is due). `waiting`: cases from before
    the period that still wait for a signature. `profiles`: values of the mills' papers by mill, for the limits of
    checks; its names are the known mills. `burrs`: hours of burrs changed as worn, and of those still running. `front`:
    what stands before a case's id to make its handle, by bench. Only `kb` gives titles: an id it does not have is shown
    as it is.
    """
    names = _Names(kb)
    prices = prices or Prices()
    front = cache(front)

    def handle(row: CaseRow) -> str:
        return front(row.bench) + row.case

    def meant(row: CaseRow) -> bool:
        return period.technician in (None, row.technician) and period.material in (None, row.material)

    if period.mill is not None:
        rows = [row for row in rows if row.mill == period.mill]
        readings = (r for r in readings if r.mill == period.mill)
        diary = [entry for entry in diary if entry.mill == period.mill]
        profiles = {mill: values for mill, values in (profiles or {}).items() if mill == period.mill}
    on_mills = [row for row in rows if period.since <= row.begun < period.until]
    inside = [row for row in on_mills if meant(row)]
    totals, order, causes = costs(inside, prices, names.cause)
    repeats = find_repeats(
        rows, period.since, period.until, period.now, repeat_days, names.remedy, counted=meant, handle=handle
    )
    before = [row for row in waiting if row.begun < period.since and period.mill in (None, row.mill) and meant(row)]
    again = {r.later for held in repeats.remedies for r in held.repeats}
    sign = _to_sign([*before, *inside], period, names, again, handle)
    trends = tuple(find_trends(readings, period.since, period.until, kb, profiles, front))
    mills = {*(profiles or {}), *(row.mill for row in on_mills if row.mill)}
    overdue, care_unknown = overdue_care(diary, kb.care.values(), mills, period.now)
    open_cases = tuple(handle(row) for row in sorted(inside, key=lambda row: row.begun) if row.open)
    named = {*open_cases, *(s.case for s in sign), *(t.cases[i] for t in trends for i in t.signals)}
    named.update(each for held in repeats.remedies for r in held.repeats for each in (r.case, r.later))
    times, record, life = fix_times(inside, period.now), program(inside), burr_life(*burrs)
    shown = {s for held in repeats.remedies for r in held.repeats for s in r.symptoms}
    return Review(
        period=period,
        prices=prices,
        glance=glances(period, totals, order, causes, trends, repeats, sign, prices),
        totals=totals,
        first_fix=first_fix(inside),
        times=times,
        order=order,
        causes=causes,
        repeats=repeats,
        mills=mill_figures(on_mills, diary, period.since, period.until),
        program=record,
        cautions=counts((c for row in inside for c in row.cautions), names.caution),
        technicians=counts((row.technician for row in inside), str),
        materials=counts((row.material for row in inside), str),
        sign=sign,
        open=open_cases,
        trends=trends,
        burrs=life,
        overdue=overdue,
        care_unknown=care_unknown,
        changes=changes(diary, period.since, period.until),
        notes=notes_of(period, totals, prices, times, record, trends, life),
        symptoms={s: names.symptom(s) for s in sorted(shown)},
        remedies={held.remedy: held.title for held in repeats.remedies},
        cases={key: names.named(row) for row in (*before, *rows) if (key := handle(row)) in named},
    )


@dataclass(frozen=True)
class _Names:
    """Titles of ids; an id that the knowledge does not have is its own title."""

    kb: Knowledge

    def cause(self, key: str) -> str:
        return self.kb.causes[key].title if key in self.kb.causes else key

    def remedy(self, key: str) -> str:
        return self.kb.remedies[key].title if key in self.kb.remedies else key

    def symptom(self, key: str) -> str:
        return self.kb.symptoms[key].title if key in self.kb.symptoms else key

    def named(self, row: CaseRow) -> Named:
        if row.final_cause:
            title = self.cause(row.final_cause)
        else:
            title = row.complaint or ", ".join(map(self.symptom, row.symptoms)) or "no complaint written"
        return Named(row.begun, row.mill, row.final_cause, title)

    def caution(self, key: str) -> str:
        found = self.kb.cautions.get(key)
        return f"{found.signal.upper()}: {found.text.split('. ')[0].rstrip('.')}" if found else key


def _to_sign(
    rows: Iterable[CaseRow], period: Period, names: _Names, again: set[str], handle: Callable[[CaseRow], str]
) -> tuple[ToSign, ...]:
    out = []
    for row in rows:
        # as the queue has it: imported cases were not diagnosed here
        if row.open or row.imported or row.reviewed not in (None, "asked"):
            continue
        look = []
        cause = row.final_cause
        if cause and row.first_cause and cause != row.first_cause:
            look.append(f"the program put first: {names.cause(row.first_cause)}")
        unproven = row.how == "fixed-unproven"  # fixed, cause not proven
        if unproven and row.fixed is not None:
            look.append("the fix is proven, the cause is not")
        elif cause is None and row.how != "referred":
            look.append("no cause named")
        if row.how in ("confirmed", "fixed-unproven") and row.fixed is None:
            look.append("no fix was proven")
        if handle(row) in again:
            look.append("the complaint came back after an earlier fix")
        out.append(
            ToSign(
                handle(row),
                row.begun,
                row.mill,
                row.technician,
                cause,
                names.cause(cause) if cause else "no cause named",
                row.reviewed == "asked",
                tuple(look),
                row.begun < period.since,
            )
        )
    return tuple(sorted(out, key=lambda s: (s.asked, -len(s.look), s.begun, s.case)))
