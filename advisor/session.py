"""One case as a pure state machine: events in, state out. No printing, no clock, no files.

An event is a plain dict with a `type`. `Session` checks each one before it takes it; undo is folding the events again
without the last one, so it can be undone in any order of typing. The console, a scripted run, the log and the tests all
drive this same class.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from advisor.compiled import Compiled
from advisor.issue import nearest
from advisor.model import Check, SettingField
from advisor.readings import ReadingError, convert, outcome_weights, parse_number, parse_reading

__all__ = ["UNDOABLE", "Answer", "CaseError", "Session", "State", "in_full", "parse_setting"]

Event = dict[str, Any]
RESULTS = ("helped", "no-change", "worse")
CLOSES = ("confirmed", "fixed-unproven", "referred", "open")
AFTER = (
    "note",
    "reopen",
    "shown",
    "acknowledge",
    "reading",
    "calculation",
    "review",
    "attach",
)  # a closed case takes these
UNDOABLE = ("setting", "symptom", "answer", "unknown", "skip", "remedy", "proof", "note", "close")


class CaseError(ValueError):
    """An event the case cannot take; the text says what is wrong and what to give instead."""


@dataclass(frozen=True)
class Answer:
    """An answered check: the outcome by word, or a reading in the check's unit; `weights` over its outcomes.

    `calculation` names the bench calculation that worked it out, `u` is then its standard uncertainty.
    """

    check: str
    weights: Mapping[str, float]
    outcome: str | None = None
    value: float | None = None
    unit: str | None = None
    instrument: str | None = None
    typed: str = ""
    u: float | None = None
    calculation: str | None = None

    @property
    def ranked(self) -> list[str]:
        """The outcomes, that with the most weight first."""
        return sorted(self.weights, key=lambda o: -self.weights[o])

    @property
    def likeliest(self) -> str:
        """The outcome with the most weight."""
        return self.ranked[0]

    @property
    def probability(self) -> float:
        """Conformance probability of the likeliest outcome, 0..1."""
        return self.weights[self.likeliest]

    @property
    def sure(self) -> bool:
        """True when the outcome holds with 95 % or more (the usual decision rule, JCGM 106)."""
        return self.probability >= 0.95


@dataclass(frozen=True)
class State:
    """Everything known of a case after its events. `drafts` are inputs of calculations as typed, by calculation."""

    mill: str | None = None
    profile: Mapping[str, float] = field(default_factory=dict)
    bench: tuple[str, ...] | None = None
    complaint: str = ""
    choices: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[str, float] = field(default_factory=dict)
    symptoms: Mapping[str, bool] = field(default_factory=dict)
    answers: Mapping[str, Answer] = field(default_factory=dict)
    unanswered: Mapping[str, str] = field(default_factory=dict)
    remedies: tuple[tuple[str, str], ...] = ()
    declined: frozenset[str] = frozenset()
    proofs: Mapping[str, bool] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    drafts: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    acknowledged: frozenset[str] = frozenset()
    prepared: frozenset[str] = frozenset()
    closed: str | None = None
    cause: str | None = None
    minutes: float = 0.0

    @property
    def helped(self) -> str | None:
        """The remedy that helped, if the last one tried did."""
        return self.remedies[-1][0] if self.remedies and self.remedies[-1][1] == "helped" else None


def parse_setting(entry: SettingField, text: str) -> str | float:
    """A setting's value from what was typed: one of its choices, or a number in the field's unit.

    Raises CaseError with what to type instead.
    """
    cleaned = text.strip()
    if entry.choices:
        lowered = cleaned.lower()
        hits = [c for c in entry.choices if c == lowered] or [
            c for c in entry.choices if lowered and c.startswith(lowered)
        ]
        if cleaned.isascii() and cleaned.isdigit() and 1 <= int(cleaned) <= len(entry.choices):
            hits = [entry.choices[int(cleaned) - 1]]
        if len(hits) != 1:
            raise CaseError(f"{entry.id}: '{cleaned[:40]}' is none of {', '.join(entry.choices)}")
        return hits[0]
    try:
        value, unit = parse_number(cleaned)
        if unit:
            value = convert(value, unit, str(entry.unit))
    except ReadingError as error:
        raise CaseError(f"{entry.id}: {error}") from None
    if entry.low is not None and entry.high is not None and not entry.low <= value <= entry.high:
        raise CaseError(
            f"{entry.id}: {value:g} is outside {entry.low:g} to {entry.high:g} {entry.unit if entry.unit != '1' else ''}".rstrip()
        )
    return value


def in_full(compiled: Compiled, event: Event) -> Event:
    """The event with a setting's choice in full, as reviews count it: 'glass' -> 'glass-ceramic', and what was `typed`.

    Raises CaseError as `parse_setting` does.
    """
    entry = compiled.setting_fields.get(str(event.get("field"))) if event.get("type") == "setting" else None
    if entry is None or not entry.choices:
        return event
    typed = str(event.get("value", ""))
    value = parse_setting(entry, typed)
    return event if value == typed else {**event, "value": value, "typed": typed}


class Session:
    """A case in progress over a compiled knowledge base.

    Examples
    --------
    >>> from advisor import knowledge
    >>> case = Session(knowledge())
    >>> case.take({"type": "symptom", "symptom": "margin-chipped", "present": True})
    >>> case.state.symptoms["margin-chipped"]
    True
    """

    def __init__(self, compiled: Compiled, events: Iterable[Event] = ()) -> None:
        """Start from `events` (a resumed case); raises CaseError if one of them does not fit this knowledge."""
        self.compiled = compiled
        self.events: list[Event] = []
        self.state = State(profile=dict(compiled.defaults))
        for event in events:
            self.take(event)

    @classmethod
    def restored(cls, compiled: Compiled, events: Iterable[Event]) -> tuple[Session, list[str]]:
        """A session of logged events, and what no longer fits (the knowledge may have changed since)."""
        session, misfits = cls(compiled), []
        for event in events:
            try:
                session.take(event)
            except CaseError as error:
                misfits.append(f"{event.get('type')}: {error}")
        return session, misfits

    # -- events ---------------------------------------------------------------------------------------------------

    def take(self, event: Event) -> None:
        """Check an event and fold it in. Raises CaseError and changes nothing when it does not fit."""
        kind = event.get("type")
        if kind == "undo":
            kept = effective(self.events)
            if not any(e["type"] in UNDOABLE for e in kept):
                raise CaseError("there is nothing to take back")
            state = self._fold(effective([*self.events, event]))
        else:
            state = self._step(self.state, event)
        self.events.append(event)
        self.state = state

    def last_undoable(self) -> Event | None:
        """The event that undo would take back."""
        return next((e for e in reversed(effective(self.events)) if e["type"] in UNDOABLE), None)

    def _fold(self, events: Iterable[Event]) -> State:
        state = State(profile=dict(self.compiled.defaults))
        for event in events:
            state = self._step(state, event)
        return state

    def _step(self, state: State, event: Event) -> State:
        kind = event.get("type")
        handler = getattr(self, f"_on_{kind}", None) if isinstance(kind, str) and kind.isidentifier() else None
        if handler is None:
            raise CaseError(f"there is no event '{kind}'")
        if state.closed and kind not in AFTER:
            raise CaseError("this case is closed; 'back' reopens it")
        result: State = handler(state, event)
        return result

    def _on_start(self, state: State, event: Event) -> State:
        profile = {
            **self.compiled.defaults,
            **{k: float(v) for k, v in (event.get("profile") or {}).items() if k in self.compiled.defaults},
        }
        bench = event.get("bench")
        return replace(
            state, mill=event.get("mill"), profile=profile, bench=tuple(bench) if bench is not None else None
        )

    def _on_complaint(self, state: State, event: Event) -> State:
        return replace(state, complaint=str(event.get("text", "")))

    def _on_setting(self, state: State, event: Event) -> State:
        key = str(event.get("field"))
        entry = self.compiled.setting_fields.get(key)
        if entry is None:
            raise CaseError(
                f"there is no setting '{key}'; {nearest(key, self.compiled.setting_fields) or 'settings: ' + ', '.join(self.compiled.setting_fields)}"
            )
        value = parse_setting(entry, str(event.get("value", "")))
        if isinstance(value, str):
            return replace(state, choices={**state.choices, key: value})
        return replace(state, numbers={**state.numbers, key: value})

    def _on_symptom(self, state: State, event: Event) -> State:
        key = str(event.get("symptom"))
        self._known("symptoms", key, "symptom")
        return replace(
            state,
            symptoms={**state.symptoms, key: bool(event.get("present", True))},
            unanswered={k: v for k, v in state.unanswered.items() if k != f"symptom:{key}"},
        )

    def _on_answer(self, state: State, event: Event) -> State:
        answer = self.read_answer(str(event.get("check")), event, state)
        return replace(
            self._done(state, answer.check),
            answers={**state.answers, answer.check: answer},
            unanswered={k: v for k, v in state.unanswered.items() if k != answer.check},
        )

    def _on_unknown(self, state: State, event: Event) -> State:
        return self._without(state, str(event.get("check")), "unknown")

    def _on_skip(self, state: State, event: Event) -> State:
        if event.get("remedy") is not None:
            key = str(event["remedy"])
            self._known("remedies", key, "remedy")
            return replace(state, declined=state.declined | {key})
        return self._without(state, str(event.get("check")), "skipped")

    def _without(self, state: State, key: str, why: str) -> State:
        if key.startswith("symptom:"):
            self._known("symptoms", key.removeprefix("symptom:"), "symptom")
        else:
            self._known("checks", key, "check")
        if key.startswith("symptom:"):
            known = {k: v for k, v in state.symptoms.items() if k != key.removeprefix("symptom:")}
            return replace(state, symptoms=known, unanswered={**state.unanswered, key: why})
        moved = self._done(state, key) if why == "unknown" and key in self.compiled.kb.checks else state
        return replace(
            moved,
            unanswered={**state.unanswered, key: why},
            answers={k: v for k, v in state.answers.items() if k != key},
        )

    def _on_remedy(self, state: State, event: Event) -> State:
        key, result = str(event.get("remedy")), str(event.get("result"))
        self._known("remedies", key, "remedy")
        if result not in RESULTS:
            raise CaseError(f"'{result}' is no result of a remedy: give {', '.join(RESULTS)}")
        record = self.compiled.kb.remedies[key]
        return replace(
            self._prepare(state, record.minutes, record.prep),
            remedies=(*(r for r in state.remedies if r[0] != key), (key, result)),
        )

    def _on_proof(self, state: State, event: Event) -> State:
        key = str(event.get("remedy"))
        self._known("remedies", key, "remedy")
        passed = bool(event.get("passed"))
        remedies = (
            state.remedies
            if passed
            else tuple((r, "no-change" if r == key else result) for r, result in state.remedies)
        )
        minutes = state.minutes + self.compiled.kb.remedies[key].proof_minutes
        return replace(state, proofs={**state.proofs, key: passed}, remedies=remedies, minutes=minutes)

    def _on_note(self, state: State, event: Event) -> State:
        text = str(event.get("text", "")).strip()
        if not text:
            raise CaseError("an empty note says nothing: type its text")
        return replace(state, notes=(*state.notes, text))

    def _on_reading(self, state: State, event: Event) -> State:
        """One input of a calculation, kept as typed: it is there again when the calculation is taken up anew."""
        calc, key = str(event.get("calculation")), str(event.get("input"))
        return replace(
            state, drafts={**state.drafts, calc: {**state.drafts.get(calc, {}), key: event.get("typed", "")}}
        )

    def _on_calculation(self, state: State, event: Event) -> State:
        return state  # worked out beside the case; kept for the trail

    def _on_acknowledge(self, state: State, event: Event) -> State:
        key = str(event.get("caution"))
        self._known("cautions", key, "caution")
        return replace(state, acknowledged=state.acknowledged | {key})

    def _on_review(self, state: State, event: Event) -> State:
        return state  # the supervisor's word stands beside the technician's, it does not change it

    def _on_attach(self, state: State, event: Event) -> State:
        return state

    def _on_shown(self, state: State, event: Event) -> State:
        return state

    def _on_reopen(self, state: State, event: Event) -> State:
        return replace(state, closed=None, cause=None)

    def _on_close(self, state: State, event: Event) -> State:
        how, cause = str(event.get("how")), event.get("cause")
        if how not in CLOSES:
            raise CaseError(f"'{how}' is no way to close a case: give {', '.join(CLOSES)}")
        if how == "confirmed" and not cause:
            raise CaseError("a confirmed case names its cause")
        if cause:
            self._known("causes", str(cause), "cause")
        return replace(state, closed=how, cause=str(cause) if cause else None)

    # -- answers --------------------------------------------------------------------------------------------------

    def read_answer(self, check_id: str, event: Mapping[str, Any], state: State | None = None) -> Answer:
        """An answer from an event: `outcome` by id, or `value` with optional `unit` and `instrument`.

        A calculation gives `value` with its own `uncertainty` (standard, in the check's unit), or `weights`: the
        probability of each outcome. Raises CaseError for an unknown check, outcome, instrument or unit, and for
        readings out of range.
        """
        state = state or self.state
        self._known("checks", check_id, "check")
        check = self.compiled.kb.checks[check_id]
        worked = event.get("calculation")
        calculation = str(worked.get("calculation")) if isinstance(worked, Mapping) else None
        if event.get("weights") is not None:
            weights = _weights(check, event["weights"])
            return Answer(check_id, weights, typed=str(event.get("typed", "")), calculation=calculation)
        if event.get("outcome") is not None:
            outcome = str(event["outcome"])
            ids = [o.id for o in check.outcomes]
            if outcome not in ids:
                raise CaseError(
                    f"check '{check_id}' has no outcome '{outcome}'; {nearest(outcome, ids) or 'outcomes: ' + ', '.join(ids)}"
                )
            return Answer(
                check_id,
                {o: 1.0 if o == outcome else 0.0 for o in ids},
                outcome=outcome,
                typed=str(event.get("typed", outcome)),
            )
        if event.get("value") is None:
            raise CaseError(
                f"check '{check_id}': give an outcome ({', '.join(o.id for o in check.outcomes)})"
                + (f" or a reading in {check.unit}" if check.measured else "")
            )
        if not check.measured:
            raise CaseError(f"check '{check_id}' is not measured: answer {', '.join(o.id for o in check.outcomes)}")
        instrument = str(event.get("instrument") or check.instrument)
        if instrument not in self.compiled.kb.instruments:
            raise CaseError(
                f"there is no instrument '{instrument}'; {nearest(instrument, self.compiled.kb.instruments) or 'see: advisor knowledge list instruments'}"
            )
        typed = f"{event['value']} {event.get('unit') or ''}".strip()
        try:
            reading = parse_reading(typed, check, instrument)
            u = _uncertainty(check_id, event.get("uncertainty"))
            weights = outcome_weights(check, reading.value, self.compiled.kb.instruments[instrument], state.profile, u)
        except ReadingError as error:
            raise CaseError(f"{check_id}: {error}") from None
        return Answer(
            check_id,
            weights,
            value=reading.value,
            unit=reading.unit,
            instrument=None if calculation else instrument,
            typed=str(event.get("typed", typed)),
            u=u,
            calculation=calculation,
        )

    def _known(self, kind: str, key: str, word: str) -> None:
        records = self.compiled.kb.kind(kind)
        if key not in records:
            raise CaseError(
                f"there is no {word} '{key}'; {nearest(key, records) or f'see: advisor knowledge list {kind}'}"
            )

    # -- time and preparations ------------------------------------------------------------------------------------

    def _done(self, state: State, check_id: str) -> State:
        if check_id in state.answers:
            return state  # corrected, not done again
        check = self.compiled.kb.checks[check_id]
        return self._prepare(state, check.minutes, check.prep)

    def _prepare(self, state: State, own: float, prep: tuple[str, ...]) -> State:
        known = self.compiled.preparations
        minutes = own + sum(known[p].minutes for p in prep if p not in state.prepared)
        broken = {b for p in prep for b in known[p].breaks}
        return replace(
            state, minutes=state.minutes + minutes, prepared=frozenset((state.prepared - broken) | set(prep))
        )


def _uncertainty(check_id: str, given: Any) -> float | None:
    if given is None:
        return None
    try:
        u = float(given)
    except (TypeError, ValueError):
        u = math.nan
    if not 0 <= u < math.inf:
        raise CaseError(f"{check_id}: '{given}' is no standard uncertainty: give a number that is not negative")
    return u


def _weights(check: Check, given: Any) -> dict[str, float]:
    """The probability of each outcome of a check, from a mapping that names them all and sums to 1."""
    ids = [o.id for o in check.outcomes]
    try:
        weights = {str(k): float(v) for k, v in dict(given).items()}
    except (TypeError, ValueError):
        weights = {}
    if (
        set(weights) != set(ids)
        or min(weights.values()) < 0
        or not math.isclose(sum(weights.values()), 1, abs_tol=1e-6)
    ):
        raise CaseError(f"check '{check.id}': weights must name {', '.join(ids)} and sum to 1")
    return {o: weights[o] for o in ids}


def effective(events: Iterable[Event]) -> list[Event]:
    """The events that stand when each undo has taken back the last undoable one before it."""
    kept: list[Event] = []
    for event in events:
        if event.get("type") != "undo":
            kept.append(event)
            continue
        for i in range(len(kept) - 1, -1, -1):
            if kept[i]["type"] in UNDOABLE:
                del kept[i]
                break
    return kept
