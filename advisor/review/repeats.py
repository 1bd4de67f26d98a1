"""Complaints that came back after a proven fix, and remedies that did not hold."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from operator import attrgetter, itemgetter

from advisor.caserow import CaseRow
from advisor.review.indicators import Rate, Title, known_cause, moments, plural, rate

__all__ = ["RemedyHold", "Repeat", "Repeats", "find_repeats", "others", "telling"]


@dataclass(frozen=True)
class Repeat:
    """A proven fix and a later case on the same mill, begun within the given days after the fix, that shares a symptom
    or has the same final cause.

    `kind`: 'same' the later case is closed and its cause confirmed as the same; 'unclear' its cause is not confirmed (it
    may be unfinished), or the first one's is not known; 'other' its cause is confirmed as quite another, so the remedy
    is not to blame. `days` from fix to the later case's beginning. `case` and `later` are handles of cases; `symptoms`
    ids they share.
    """

    case: str
    later: str
    mill: str
    remedy: str
    days: float
    kind: str
    symptoms: tuple[str, ...]


@dataclass(frozen=True)
class RemedyHold:
    """How a remedy held: `fixes` proven in the period, `came_back` those followed by any repeat of the complaint: `failed`
    (with its share and Wilson interval) by one of the same confirmed cause, `unclear` by one whose cause is not
    confirmed at best, the others by one of quite another cause. `watching`: fixes younger than the days allowed, which
    may still come back. `repeats`: one for each fix that came back, the most telling."""

    remedy: str
    title: str
    fixes: int
    came_back: int
    failed: Rate
    unclear: int
    watching: int
    repeats: tuple[Repeat, ...]

    @property
    def mills(self) -> tuple[tuple[str, int], ...]:
        """Mills with fixes that failed and how many, most first."""
        found = Counter(r.mill for r in self.repeats if r.kind == "same")
        return tuple(sorted(found.items(), key=lambda item: (-item[1], item[0])))


def others(remedies: Sequence[RemedyHold]) -> str:
    """'57 remedies held each time; 3 came back, but no cause is confirmed.' of those that did not fail; '' without."""
    rest = [held for held in remedies if not held.failed.hits]
    doubtful = sum(held.unclear > 0 for held in rest)
    parts = []
    if len(rest) > doubtful:
        parts.append(f"{plural(len(rest) - doubtful, 'remedy', 'remedies')} held each time")
    if doubtful:
        parts.append(f"of {plural(doubtful, 'remedy', 'remedies')} complaints came back without a confirmed cause")
    return "; ".join(parts) + "." if parts else ""


def telling(remedies: Sequence[RemedyHold], each: int) -> list[Repeat]:
    """Pairs of cases to show: of each remedy that failed the first `each` of the same cause, worst remedy first."""
    return [r for held in remedies for r in [r for r in held.repeats if r.kind == "same"][:each]]


@dataclass(frozen=True)
class Repeats:
    """`days`: how long after a fix a complaint counts as a repeat. `fixes` proven in the period. `complaints`: cases begun
    in the period that repeat a complaint fixed before, among all cases begun on a named mill (imported ones left out on
    both sides). `remedies` with a fix in the period, worst first."""

    days: float
    fixes: int
    complaints: Rate
    remedies: tuple[RemedyHold, ...]


def find_repeats(
    rows: Sequence[CaseRow],
    since: str,
    until: str,
    now: str,
    days: float,
    title: Title,
    counted: Callable[[CaseRow], bool] = lambda row: True,
    handle: Callable[[CaseRow], str] = attrgetter("case"),
) -> Repeats:
    """Repeats among `rows`, which may reach beyond the period `since`..`until` on both sides: a fix late in the period is
    judged by cases after it, as far as `now`. `counted` picks the fixes and complaints to count; any case may be the
    other half of a pair."""
    mills: dict[str, list[CaseRow]] = {}
    for row in rows:
        if row.mill and not row.imported:
            mills.setdefault(row.mill, []).append(row)
    complaints = again = 0
    end = moments([now])[0]
    groups: dict[str, list[tuple[float, Repeat | None]]] = {}
    for group in mills.values():
        mill = _Mill(group, days * 86400)
        for row, begun in zip(mill.rows, mill.begun, strict=True):
            if since <= row.begun < until and counted(row):
                complaints += 1
                again += mill.repeats(row, begun)
        for row, when in mill.fixes:
            if row.remedy is not None and since <= str(row.fixed) < until and counted(row):
                groups.setdefault(row.remedy, []).append((when, mill.repeat(row, when, handle)))
    held = []
    for remedy, fixes in groups.items():
        found = [repeat for _, repeat in fixes if repeat]
        held.append(
            RemedyHold(
                remedy,
                title(remedy),
                len(fixes),
                len(found),
                rate(sum(repeat.kind == "same" for repeat in found), len(fixes)),
                sum(repeat.kind == "unclear" for repeat in found),
                sum(when + days * 86400 > end for when, _ in fixes),
                tuple(found),
            )
        )
    held.sort(key=lambda h: (-h.failed.hits, -h.failed.low, -h.unclear, -h.came_back, -h.fixes, h.remedy))
    return Repeats(days, sum(h.fixes for h in held), rate(again, complaints), tuple(held))


_Cases = dict[str, tuple[list[float], list[CaseRow]]]


class _Mill:
    """The cases of one mill by what they share, in order of time, so that a fix finds its repeats by bisection: 62,500
    cases of twenty mills make fifty million pairs."""

    def __init__(self, rows: Sequence[CaseRow], allowed: float) -> None:
        pairs = sorted(zip(moments([row.begun for row in rows]), rows, strict=True), key=itemgetter(0))
        self.begun = [begun for begun, _ in pairs]
        self.rows = [row for _, row in pairs]
        self.allowed = allowed
        fixed = [row for row in rows if row.fixed is not None]
        times = moments([str(row.fixed) for row in fixed])
        self.fixes = sorted(zip(fixed, times, strict=True), key=itemgetter(1))
        self.symptom: _Cases = {}
        self.unsure: _Cases = {}
        self.cause: _Cases = {}
        self.unsure_cause: _Cases = {}
        for begun, row in pairs:
            sure = known_cause(row) and not row.open
            for symptom in row.symptoms:
                _put(self.symptom, symptom, begun, row)
                if not sure:
                    _put(self.unsure, symptom, begun, row)
            if row.final_cause is not None:
                _put(self.cause if sure else self.unsure_cause, row.final_cause, begun, row)
        self.fixed_symptom: dict[str, list[float]] = {}
        self.fixed_cause: dict[str, list[float]] = {}
        for row, when in self.fixes:
            for symptom in row.symptoms:
                self.fixed_symptom.setdefault(symptom, []).append(when)
            if row.final_cause is not None:
                self.fixed_cause.setdefault(row.final_cause, []).append(when)

    def repeats(self, row: CaseRow, begun: float) -> bool:
        """Whether a case follows a fix of the same complaint. Its own fix is later than its beginning."""
        lists = [self.fixed_symptom.get(symptom) for symptom in row.symptoms]
        if row.final_cause is not None:
            lists.append(self.fixed_cause.get(row.final_cause))
        for times in lists:
            if times:
                place = bisect_left(times, begun)
                if place and times[place - 1] >= begun - self.allowed:
                    return True
        return False

    def repeat(self, row: CaseRow, when: float, handle: Callable[[CaseRow], str]) -> Repeat | None:
        """The most telling repeat after a fix, the first of its kind: the same cause, else an unclear one, else another."""
        found, kind = None, ""
        if row.final_cause is not None:
            cause = (row.final_cause,)
            found, kind = self._first(when, (self.cause, cause)), "same"
            if not found:
                found, kind = self._first(when, (self.unsure, row.symptoms), (self.unsure_cause, cause)), "unclear"
        if not found:
            found = self._first(when, (self.symptom, row.symptoms))
            kind = "other" if row.final_cause is not None else "unclear"
        if not found:
            return None
        begun, later = found
        shared = tuple(symptom for symptom in row.symptoms if symptom in later.symptoms)
        days = (begun - when) / 86400
        return Repeat(handle(row), handle(later), str(row.mill), str(row.remedy), days, kind, shared)

    def _first(self, when: float, *places: tuple[_Cases, Iterable[str]]) -> tuple[float, CaseRow] | None:
        """The first case under any of these keys that began after `when`, within the time allowed."""
        best: tuple[float, CaseRow] | None = None
        for cases, keys in places:
            for key in keys:
                if key not in cases:
                    continue
                begun, rows = cases[key]
                place = bisect_right(begun, when)
                if place < len(begun) and begun[place] <= when + self.allowed and (not best or begun[place] < best[0]):
                    best = begun[place], rows[place]
        return best


def _put(cases: _Cases, key: str, begun: float, row: CaseRow) -> None:
    entry = cases.get(key)
    if entry is None:
        entry = cases[key] = ([], [])
    entry[0].append(begun)
    entry[1].append(row)
