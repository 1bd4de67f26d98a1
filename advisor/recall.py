"""What the log knows of a mill, at once when it is asked: the same complaint before, what was changed, usual readings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from advisor.caserow import CaseRow, DiaryEntry, Reading
from advisor.model import Knowledge
from advisor.readings import ReadingError, convert

__all__ = ["Before", "Memory", "Recall", "Usual", "recall", "told", "usual"]

SHOWN = 3
CHANGED_DAYS = 30


@dataclass(frozen=True)
class Before:
    """An earlier case of the same complaint. `held`: whether its fix did; None when there was none."""

    case: str
    begun: str
    how: str | None
    cause: str | None
    remedy: str | None
    held: bool | None
    tried: int


@dataclass(frozen=True)
class Recall:
    """`count` earlier cases of the complaint on this mill, the newest of them in `before`; `causes` that were confirmed in
    them, with their number, most frequent first; `changes`: (time, what) of the last weeks, what the diary says first."""

    mill: str
    count: int
    before: tuple[Before, ...]
    causes: tuple[tuple[str, int], ...]
    changes: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Usual:
    """The range of the sound readings on this mill: their middle eight tenths, or all for fewer than ten of them.

    In the unit asked for; `sound` of `count` readings are sound, the last of all is `last`, taken `at`. A mill that has
    been ill for months must not make its illness look usual.
    """

    low: float
    high: float
    sound: int
    count: int
    last: float
    at: str


def recall(
    rows: Sequence[CaseRow],
    diary: Iterable[DiaryEntry],
    mill: str,
    symptoms: Iterable[str],
    now: str,
    repeat_days: float,
    handle: Callable[[CaseRow], str] = lambda row: row.case,
) -> Recall:
    """What `rows` and `diary` tell of a mill, for a case with these symptoms that begins `now` (ISO time).

    A fix held when no case with a symptom of it began on the mill within `repeat_days` after it.
    """
    wanted = set(symptoms)
    own = sorted((r for r in rows if r.mill == mill and r.begun < now), key=lambda r: r.begun)
    same = [r for r in own if wanted & set(r.symptoms)]
    before = tuple(
        Before(
            *(handle(r), r.begun, r.how, r.final_cause, r.remedy if r.fixed else None),
            _held(r, own, now, repeat_days),
            len(r.remedies),
        )
        for r in reversed(same[-SHOWN:])
    )
    causes = Counter(r.final_cause for r in same if r.final_cause and (r.how == "confirmed" or r.signed))
    changes: list[tuple[str, str]] = []
    remedies: list[tuple[str, str]] = []
    for entry in diary:
        if entry.mill == mill and entry.event.get("type") == "changed" and _days(entry.at, now) <= CHANGED_DAYS:
            changes.append((entry.at, str(entry.event.get("what") or "")))
    for row in own:
        if row.fixed and row.remedy and 0 <= _days(row.fixed, now) <= CHANGED_DAYS:
            remedies.append((row.fixed, f"remedy:{row.remedy}"))
    changes = [*sorted(changes, reverse=True), *sorted(remedies, reverse=True)]
    return Recall(mill, len(same), before, tuple(causes.most_common(SHOWN)), tuple(changes[:SHOWN]))


def _held(row: CaseRow, own: Sequence[CaseRow], now: str, days: float) -> bool | None:
    if row.fixed is None:
        return None
    mine = set(row.symptoms)
    for other in own:
        if other is not row and 0 <= _days(row.fixed, other.begun) <= days and mine & set(other.symptoms):
            return False
    # The case in hand has the same complaint: within the days, the fix has not held.
    return _days(row.fixed, now) > days


def usual(readings: Iterable[Reading], unit: str, sound: Callable[[float], bool]) -> Usual | None:
    """The range of the sound readings of one series and mill, in `unit`; None for fewer than three of them."""
    found: list[tuple[str, float]] = []
    for reading in readings:
        try:
            found.append((reading.at, convert(reading.value, reading.unit, unit) if reading.unit else reading.value))
        except ReadingError:
            continue
    values = sorted(value for _, value in found if sound(value))
    if len(values) < 3:
        return None
    found.sort()
    cut = len(values) // 10
    return Usual(values[cut], values[-1 - cut], len(values), len(found), found[-1][1], found[-1][0])


def _days(earlier: str, later: str) -> float:
    return (datetime.fromisoformat(later) - datetime.fromisoformat(earlier)).total_seconds() / 86400


class Memory:
    """What the console asks of the log. `log` gives rows, readings and diary; it is opened when first needed."""

    def __init__(
        self, log: Callable[[], Any], mill: str | None, now: Callable[[], str], repeat_days: float, case: str = ""
    ) -> None:
        self._log, self.mill, self._now, self.repeat_days, self.case = log, mill, now, repeat_days, case

    def before(self, symptoms: Iterable[str]) -> Recall | None:
        """What is known of this mill; None when the case has no mill."""
        if not self.mill:
            return None
        log, now = self._log(), self._now()
        since = f"{int(now[:4]) - 2}{now[4:10]}" if now[5:10] != "02-29" else f"{int(now[:4]) - 2}-02-28"
        rows = [r for r in log.rows(since=since, mill=self.mill) if log.handle(r) != self.case]
        month = f"{int(now[:4]) - (now[5:7] == '01')}-{(int(now[5:7]) - 2) % 12 + 1:02}-01"
        diary = log.diary(since=month, mill=self.mill)
        return recall(rows, diary, self.mill, symptoms, now, self.repeat_days, log.handle)

    def usual(self, check: str, unit: str, sound: Callable[[float], bool]) -> Usual | None:
        """The range of a check's sound readings on this mill; None when too few are known."""
        if not self.mill:
            return None
        log = self._log()
        own = self.case.rpartition("/")[2]
        return usual((r for r in log.readings(mill=self.mill, series=check) if r.case != own), unit, sound)


def told(found: Recall, kb: Knowledge) -> list[str]:
    """Sentences that say it, the newest first; empty when there is nothing to tell."""
    lines = []
    if found.count:
        times = "once" if found.count == 1 else f"{found.count} times"
        named = [
            f"{kb.causes[c].title.lower() if c in kb.causes else c}" + (f" ({n} times)" if n > 1 else "")
            for c, n in found.causes
        ]
        confirmed = f" Confirmed then: {', '.join(named)}." if found.count > 1 and named else ""
        lines.append(f"The same complaint on {found.mill} before: {times}.{confirmed}")
    for each in found.before:
        cause = kb.causes[each.cause].title.lower() if each.cause in kb.causes else each.cause
        text = f"{each.begun[:10]} ({each.case}): "
        text += f"{cause or 'no cause found'}"
        if each.remedy:
            remedy = kb.remedies[each.remedy].title if each.remedy in kb.remedies else each.remedy
            text += f". {remedy}: " + ("it held" if each.held else "it did NOT hold")
        elif each.how in (None, "open"):
            text += ", still open"
        elif not each.tried:
            text += " (nothing was tried)"
        lines.append(text + ".")
    for at, what in found.changes:
        key = what.removeprefix("remedy:")
        name = kb.remedies[key].title.lower() if what.startswith("remedy:") and key in kb.remedies else key
        lines.append(f"Changed lately: {at[:10]} {name}.")
    return lines
