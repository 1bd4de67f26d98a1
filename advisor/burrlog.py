"""Hours of finishing burrs out of the logged cases: the input of the burr-life calculation."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from advisor.calc.burrlife import reconstruct
from advisor.caserow import CaseRow, Reading
from advisor.readings import ReadingError, convert

__all__ = ["burr_hours", "hours_of"]

CHECK, SETTING, REMEDY, CAUSE = "burr-hours-finishing", "burr_hours", "change-finishing-burr", "finishing-burr-worn"


class _Log(Protocol):
    def rows_read(self, series: Sequence[str], mill: str | None = None) -> list[CaseRow]: ...

    def readings(
        self, since: str | None = None, *, mill: str | None = None, series: str | None = None
    ) -> list[Reading]: ...


def burr_hours(log: _Log, mill: str | None = None) -> tuple[list[float], list[float]]:
    """Hours at which finishing burrs were changed as worn, and hours of those that still run or came out sound; from the
    newest 5000 cases that tell them."""
    series = (f"setting.{SETTING}", CHECK)
    rows = log.rows_read(series, mill)
    if not rows:
        return [], []
    readings = [r for name in series for r in log.readings(since=rows[0].begun, mill=mill, series=name)]
    return hours_of(rows, readings)


def hours_of(rows: Sequence[CaseRow], readings: Iterable[Reading]) -> tuple[list[float], list[float]]:
    """The same from rows in order of time and the readings of their burr hours.

    Each case tells how many hours the burr had (its check, or else the setting). It was worn when changing it helped, or
    the case was confirmed so. Readings of one mill that go on rising belong to the same burr.
    """
    hours: dict[tuple[str, str], tuple[bool, float]] = {}
    for reading in readings:
        if reading.series not in (CHECK, f"setting.{SETTING}"):
            continue
        try:
            value = convert(reading.value, reading.unit or "h", "h")
        except ReadingError:
            continue
        key, measured = (reading.bench, reading.case), reading.series == CHECK
        if key not in hours or measured > hours[key][0]:
            hours[key] = (measured, value)
    records: list[tuple[str, str, float, bool]] = []
    for row in rows:
        _, value = hours.get((row.bench, row.case), (False, 0.0))
        if value > 0:
            changed = (REMEDY, "helped") in row.remedies
            records.append(
                (row.mill or "", "finishing", value, changed or (row.how, row.cause) == ("confirmed", CAUSE))
            )
    return reconstruct(records)
