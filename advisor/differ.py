"""Two versions of the knowledge on the same cases: whose ranking or next step changes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.model import WorkedCase
from advisor.scripted import answer_event
from advisor.session import CaseError, Event, Session

__all__ = ["Change", "changes", "logged_events", "worked_events"]


@dataclass(frozen=True)
class Change:
    """One case under both: leading causes with their probability, and the next step, at its end.

    `moved`: the largest change of probability among the leading causes of either.
    """

    case: str
    before: tuple[tuple[str, float], ...]
    after: tuple[tuple[str, float], ...]
    step_before: str
    step_after: str
    misfits: tuple[str, ...]
    moved: float

    @property
    def leader_changed(self) -> bool:
        """True when another cause leads."""
        return [c for c, _ in self.before[:1]] != [c for c, _ in self.after[:1]]

    @property
    def step_changed(self) -> bool:
        """True when the next step is another."""
        return self.step_before != self.step_after


def worked_events(case: WorkedCase, *bases: Compiled) -> list[Event]:
    """The events of a worked case; an answer is read by the first base that has its check."""
    events: list[Event] = [{"type": "symptom", "symptom": s, "present": True} for s in case.symptoms]
    events += [{"type": "setting", "field": key, "value": value} for key, value in case.setting.items()]
    for check, value in case.answers.items():
        base = next((b for b in bases if check in b.kb.checks), bases[0])
        try:
            events.append(answer_event(check, value, base))
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
        before, after = _leading(one), _leading(two)
        change = Change(
            name,
            before,
            after,
            _step(one),
            _step(two),
            tuple(dict.fromkeys([*lost, *missing])),
            max((abs(_chance(one, c) - _chance(two, c)) for c in {**dict(before), **dict(after)}), default=0.0),
        )
        if change.leader_changed or change.step_changed or change.moved >= least or missing:
            found.append(change)
    return sorted(found, key=lambda c: (not c.leader_changed, not c.step_changed, -c.moved, c.case))


def _end(compiled: Compiled, events: Sequence[Event]) -> tuple[Assessment, list[str]]:
    session, misfits = Session.restored(compiled, events)
    return Assessment(compiled, session.state), misfits


def _leading(view: Assessment) -> tuple[tuple[str, float], ...]:
    return tuple((r.cause, round(r.probability, 4)) for r in view.ranking[:3])


def _step(view: Assessment) -> str:
    return f"{view.next[0].kind} {view.next[0].id}"


def _chance(view: Assessment, cause: str) -> float:
    return view.posterior.cause.get(cause, 0.0)


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
