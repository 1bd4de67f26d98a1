"""Hours of finishing burrs out of the logged cases: the input of the burr-life calculation."""

from __future__ import annotations

from advisor.calc.burrlife import reconstruct
from advisor.caselog import CaseLog
from advisor.readings import ReadingError, convert, parse_number
from advisor.session import effective

__all__ = ["burr_hours"]

CHECK, SETTING, REMEDY, CAUSE = "burr-hours-finishing", "burr_hours", "change-finishing-burr", "finishing-burr-worn"


def burr_hours(log: CaseLog, mill: str | None = None) -> tuple[list[float], list[float]]:
    """Hours at which finishing burrs were changed as worn, and hours of those that still run or came out sound.

    Each case tells how many hours the burr had (its check, or the setting). It was worn when changing it helped, or the
    case was confirmed so. Readings of one mill that go on rising belong to the same burr.
    """
    records: list[tuple[str, str, float, bool]] = []
    for summary in reversed(log.cases(limit=1_000_000)):
        events = effective(entry.event for entry in log.entries(summary.case))
        name = next((str(e.get("mill") or "") for e in events if e["type"] == "start"), "")
        hours: float | None = None
        worn = False
        for event in events:
            if event["type"] == "answer" and event.get("check") == CHECK and event.get("value") is not None:
                hours = _hours(str(event["value"]), str(event.get("unit") or "h"))
            elif event["type"] == "setting" and event.get("field") == SETTING and hours is None:
                hours = _hours(str(event["value"]), "h")
            elif event["type"] == "remedy" and event.get("remedy") == REMEDY:
                worn = event.get("result") == "helped"
            elif event["type"] == "close" and event.get("how") == "confirmed":
                worn = worn or event.get("cause") == CAUSE
        if hours is not None and hours > 0 and mill in (None, name):
            records.append((name, "finishing", hours, worn))
    return reconstruct(records)


def _hours(text: str, unit: str) -> float | None:
    try:
        value, typed = parse_number(text)
        return convert(value, typed or unit, "h")
    except ReadingError:
        return None
