"""Two versions of the knowledge on the same cases: whose ranking or next step changes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.model import WorkedCase
from advisor.replay import case_session
from advisor.scripted import answer_event
from advisor.session import CaseError, Event, Session

__all__ = ["Change", "changes", "logged_events", "worked_events"]


@dataclass(frozen=True)
class Change:
    """One case under both: leading causes with their probability, and the next step, at its end."""

    case: str
    before: tuple[tuple[str, float], ...]
    after: tuple[tuple[str, float], ...]
    step_before: str
    step_after: str
    misfits: tuple[str, ...]

    @property
    def leader_changed(self) -> bool:
        """True when another cause leads."""
        return [c for c, _ in self.before[:1]] != [c for c, _ in self.after[:1]]

    @property
    def step_changed(self) -> bool:
        """True when the next step is another."""
        return self.step_before != self.step_after

    @property
    def moved(self) -> float:
        """The largest change of probability among the leading causes of either."""
        one, two = dict(self.before), dict(self.after)
        return max((abs(one.get(c, 0.0) - two.get(c, 0.0)) for c in {*one, *two}), default=0.0)


def worked_events(compiled: Compiled, case: WorkedCase) -> list[Event]:
    """The events of a worked case, answers that this base cannot take left out."""
    events = list(case_session(compiled, case, answers=False).events)
    for check, value in case.answers.items():
        try:
            events.append(answer_event(check, value, compiled))
        except CaseError:
            continue
    return events


def logged_events(entries: Iterable[Event]) -> list[Event]:
    """The events of a logged case without its end."""
    return [e for e in entries if e.get("type") not in ("close", "reopen")]


def changes(
    old: Compiled, new: Compiled, cases: Sequence[tuple[str, Sequence[Event]]], least: float = 0.05
) -> list[Change]:
    """Cases whose leader, next step or a leading probability (by `least` or more) differs, the most moved first."""
    found = []
    for name, events in cases:
        one, lost = _end(old, events)
        two, missing = _end(new, events)
        change = Change(name, one[0], two[0], one[1], two[1], tuple(dict.fromkeys([*lost, *missing])))
        if change.leader_changed or change.step_changed or change.moved >= least or missing:
            found.append(change)
    return sorted(found, key=lambda c: (not c.leader_changed, not c.step_changed, -c.moved, c.case))


def _end(compiled: Compiled, events: Sequence[Event]) -> tuple[tuple[tuple[tuple[str, float], ...], str], list[str]]:
    session, misfits = Session.restored(compiled, events)
    view = Assessment(compiled, session.state)
    leading = tuple((r.cause, round(r.probability, 4)) for r in view.ranking[:3])
    step = view.next[0]
    return (leading, f"{step.kind} {step.id}"), misfits


def change_data(change: Change) -> dict[str, Any]:
    """A change as plain data."""
    return {
        "case": change.case,
        "leader_changed": change.leader_changed,
        "step_changed": change.step_changed,
        "before": [list(x) for x in change.before],
        "after": [list(x) for x in change.after],
        "step_before": change.step_before,
        "step_after": change.step_after,
        "misfits": list(change.misfits),
    }
