"""The sections of a case sheet, as plain text, out of the events that stand."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from advisor.caserow import CaseRow, finite
from advisor.compiled import Compiled
from advisor.facts import likelihood_word
from advisor.model import Check, CheckOutcome
from advisor.paper.printed import ENDINGS, moment, quantity, safe, shown_unit
from advisor.readings import ReadingError, standard_uncertainty

__all__ = ["Section", "Teller"]

_RESULTS = {"helped": "helped", "no-change": "no change", "worse": "made it worse"}
_KINDS = {"ask": "asked", "look": "looked", "trial": "tried", "measure": "measured"}
_CELL = 300  # characters of one typed text in a table, where a row must fit on a page


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the sheet: a notice, label and text pairs, a table, dated lines, a sentence when there is none of it."""

    title: str
    notice: str = ""
    facts: tuple[tuple[str, str], ...] = ()
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    widths: tuple[int, ...] = ()
    items: tuple[tuple[str, str], ...] = ()
    empty: str = ""

    @property
    def bare(self) -> bool:
        """True when there is nothing to show but the sentence that says so."""
        return not (self.notice or self.facts or self.rows or self.items)


class Teller:
    """Turns the events that stand into the sections of the sheet."""

    def __init__(self, compiled: Compiled, data: Mapping[str, Any], row: CaseRow) -> None:
        self.compiled, self.kb, self.data, self.row = compiled, compiled.kb, data, row
        self.events: list[Mapping[str, Any]] = [e for e in data["events"] if e.get("stands", True)]
        start = next((e for e in self.events if e.get("type") == "start"), {})
        given = start.get("profile") if isinstance(start.get("profile"), Mapping) else {}
        self.profile = {**compiled.defaults, **{k: v for k, v in (given or {}).items() if k in compiled.defaults}}
        self.findings = {f["check"]: f for f in data["findings"]}
        self.version = str(start.get("version") or "")

    def _title(self, kind: str, key: object) -> str:
        record = self.kb.kind(kind).get(str(key))
        return str(record.title) if record is not None else f"{safe(key, 80)} (not in the present knowledge)"

    def _of(self, *kinds: str) -> Iterator[Mapping[str, Any]]:
        return (e for e in self.events if e.get("type") in kinds)

    def head(self) -> Section:
        row = self.row
        ended = f"{moment(row.closed)}, {ENDINGS.get(str(row.how), safe(row.how, 40))}" if row.closed else "still open"
        facts = [
            ("Case", safe(row.case, 80)),
            ("Mill", safe(row.mill, 200) or "not named"),
            ("Technician", safe(row.technician, 200) or "not named"),
            ("Material", safe(row.material, 80) or "not given"),
            ("Begun (UTC)", moment(row.begun)),
            ("Closed (UTC)", ended),
            ("Bench", safe(row.bench, 80)),
            ("Knowledge", f"{safe(row.knowledge)[:12]} {safe(self.version, 20)}".strip() or "not written down"),
        ]
        if row.minutes is not None:
            facts.append(("Bench time", f"about {row.minutes:.0f} min"))
        if row.blocks is not None:
            facts.append(("Blocks lost", f"{row.blocks:g}"))
        if row.imported:
            facts.append(("Origin", "written in from older records"))
        return Section("", facts=tuple(facts))

    def trouble(self) -> Section:
        there = [self._title("symptoms", s) for s in self.data["symptoms"]]
        absent = [self._title("symptoms", s) for s in self.data["absent"]]
        setting = [
            f"{safe(e.get('field'), 40).replace('_', ' ')} {safe(e.get('value'), 80)}"
            for e in {str(e.get("field")): e for e in self._of("setting")}.values()
        ]
        facts = [("Complaint", f"“{safe(self.row.complaint)}”" if self.row.complaint else "none written down")]
        facts.append(("Symptoms", "; ".join(there) or "none named"))
        if absent:
            facts.append(("Not seen", "; ".join(absent)))
        if setting:
            facts.append(("Circumstances", "; ".join(setting)))
        return Section("Complaint and symptoms", facts=tuple(facts))

    def cause(self) -> Section:
        row = self.row
        named = self._title("causes", row.cause) if row.cause else "none named"
        ending = ENDINGS.get(str(row.how), "case still open")
        facts = [("Technician", f"{named}: {ending}" if row.cause else f"no cause named: {ending}")]
        notice = ""
        correction = next((e for e in reversed(list(self._of("review"))) if e.get("action") == "correct"), None)
        if correction is not None and row.final_cause and row.final_cause != row.cause:
            by, judged = safe(correction.get("by"), 120) or "Supervisor", self._title("causes", row.final_cause)
            facts.append(("Supervisor", f"{judged} ({by}, {moment(str(correction.get('at', '')))})"))
            if correction.get("text"):
                facts.append(("Reason given", safe(correction["text"])))
            who = safe(row.technician, 120) or "the technician"
            notice = f"Technician and supervisor do not agree. {who}: {named}. {by}: {judged}."
        elif row.signed:
            facts.append(("Supervisor", f"{row.reviewed}, {safe(row.reviewer, 120)}, {moment(row.reviewed_at or '')}"))
        facts += [(f"Refer to {r['to']}", str(r["text"])) for r in self.data["referrals"]]
        facts += [("Stop", str(text)) for text in self.data["stops"]]
        shown, when = self._ranking()
        rows = [(title, f"{p:.0%}", likelihood_word(p)) for title, p in shown]
        head = (f"Causes the program put first {when}", "Probability", "In words")
        return Section("Cause, and how sure", notice, tuple(facts), head if rows else (), tuple(rows), (62, 18, 20))

    def _ranking(self) -> tuple[list[tuple[str, float]], str]:
        close = next((e for e in reversed(list(self._of("close"))) if _pairs(e.get("ranking"))), None)
        if close is not None and self.row.closed:
            shown = _pairs(close["ranking"])[:3]
            return [(self._title("causes", cause), p) for cause, p in shown], "when the case was closed"
        return [(r["title"], float(r["probability"])) for r in self.data["ranking"][:3]], "as it stands now"

    def _answers(self) -> Iterator[tuple[Mapping[str, Any], Check | None]]:
        kept: dict[str, Mapping[str, Any]] = {}
        for event in self._of("answer", "unknown", "skip"):
            kept.pop(str(event.get("check")), None)
            if event.get("check"):
                kept[str(event["check"])] = event
        for key, event in kept.items():
            yield event, self.kb.checks.get(key)

    def measured(self) -> Section:
        rows: list[tuple[str, ...]] = []
        for event, check in self._answers():
            if event["type"] != "answer" or event.get("value") is None:
                continue
            found = self.findings.get(str(event["check"]))
            if check is None or found is None or found.get("value") is None:
                typed = safe(f"{event['value']} {event.get('unit') or ''}", _CELL)
                rows.append(
                    (self._title("checks", event["check"]), typed, "", "", "", moment(str(event.get("at", ""))))
                )
                continue
            rows.append(self._reading(event, check, found))
        head = ("What was measured", "Reading", "Instrument", "A sound mill", "Verdict", "When (UTC)")
        return Section("Measured", "", (), head, tuple(rows), (25, 17, 17, 14, 15, 12), empty="Nothing was measured.")

    def _reading(self, event: Mapping[str, Any], check: Check, found: Mapping[str, Any]) -> tuple[str, ...]:
        value, unit = float(found["value"]), str(found["unit"] or "")
        instrument = self.kb.instruments.get(str(found.get("instrument") or ""))
        u = found.get("u")
        if u is None and instrument is not None:
            try:
                u = standard_uncertainty(instrument, value, unit)
            except ReadingError:
                u = None
        reading = quantity(value, unit)
        if u:
            reading = f"{value:.6g} ± {2 * float(u):.2g}{' ' if shown_unit(unit) else ''}{shown_unit(unit)}"
        typed = safe(event.get("typed") or f"{event['value']} {event.get('unit') or ''}", 60)
        if _bare(typed) not in ("", f"{value:.6g}", f"{value:.6g}{unit}"):
            reading += f" (typed: {typed})"
        by = re.sub(r"\bum\b", "µm", instrument.title) if instrument is not None else "as it was given"
        if found.get("calculation"):
            by = f"worked out: {safe(found['calculation'], 60)}"
        return (
            check.title,
            reading,
            by,
            self._limit(check),
            self._verdict(check, found),
            moment(str(event.get("at", ""))),
        )

    def _limit(self, check: Check) -> str:
        """The range of the outcome that a sound mill shows, in the check's unit."""
        sound: CheckOutcome = check.outcomes[0]
        low = sound.start.resolve(self.profile) if sound.start else None
        high = sound.end.resolve(self.profile) if sound.end else None
        unit = check.unit or ""
        if low is not None and high is not None:
            return f"{low:.6g} to {quantity(high, unit)}"
        if high is not None:
            return f"below {quantity(high, unit)}"
        return f"from {quantity(low, unit)}" if low is not None else ""

    def _verdict(self, check: Check, found: Mapping[str, Any]) -> str:
        labels: dict[str, str] = {o.id: o.label for o in check.outcomes}
        ranked = sorted(_pairs(found["outcomes"]), key=lambda pair: -pair[1])
        if ranked[0][1] >= 0.95:
            return labels.get(ranked[0][0], ranked[0][0])
        parts = [f"{labels.get(o, o)} {p:.0%}" for o, p in ranked if p >= 0.01]
        return "near the limit: " + ", ".join(parts)

    def looked(self) -> Section:
        rows = []
        for event, check in self._answers():
            key = str(event["check"])
            if event["type"] != "answer":
                name = key.removeprefix("symptom:")
                title = self._title("symptoms" if name != key else "checks", name)
                rows.append((title, "", "not known" if event["type"] == "unknown" else "left out"))
            elif event.get("value") is None:
                title, kind = self._title("checks", key), _KINDS[check.kind] if check else ""
                rows.append((title, kind, self._outcome(event, check)))
        for found in self.data["findings"]:
            if found.get("derived_by") and (check := self.kb.checks.get(found["check"])):
                rows.append((check.title, "followed", check.outcome(found["outcome"]).label))
        head = ("Check", "How", "Found")
        return Section(
            "Looked at, asked, tried", "", (), head, tuple(rows), (48, 12, 40), empty="Nothing but the above."
        )

    def _outcome(self, event: Mapping[str, Any], check: Check | None) -> str:
        labels = {o.id: o.label for o in check.outcomes} if check else {}
        weights = _pairs(event.get("weights"))
        if weights:
            ranked = sorted(weights, key=lambda pair: -pair[1])
            return ", ".join(f"{labels.get(o, safe(o, 60))} {p:.0%}" for o, p in ranked if p >= 0.01)
        return labels.get(str(event.get("outcome")), safe(event.get("outcome"), 60))

    def worked_out(self) -> Section:
        items = []
        for event in self._of("answer", "calculation"):
            run = event.get("calculation")
            if not isinstance(run, Mapping):
                continue
            figures = []
            for figure in _records(run.get("figures")).values():
                value, doubt = finite(figure.get("value")), finite(figure.get("U"))
                if value is not None:
                    text = f"{safe(figure.get('label'), 80)} {quantity(value, str(figure.get('unit') or ''))}"
                    figures.append(text + (f" ± {doubt:.2g}" if doubt else ""))
            given = [
                f"{safe(name, 60).replace('_', ' ')} {safe(_as_typed(entry.get('typed')), _CELL)}"
                for name, entry in _records(run.get("inputs")).items()
            ]
            text = f"{safe(run.get('calculation'), 60)}: {'; '.join(figures)}"
            items.append((moment(str(event.get("at", ""))), text + (f". From {', '.join(given)}" if given else "")))
        return Section("Worked out", items=tuple(items))

    def done(self) -> Section:
        tried: dict[str, list[str]] = {}
        for event in self._of("remedy", "proof"):
            key = str(event.get("remedy"))
            if event["type"] == "remedy":
                result = str(event.get("result"))
                owed = "still owed" if result == "helped" else "not made"
                tried.pop(key, None)
                tried[key] = [_RESULTS.get(result, safe(result, 40)), owed, moment(str(event.get("at", "")))]
            elif key in tried:
                tried[key][1] = "passed" if event.get("passed") else "failed"
        rows = []
        for key, (result, proof, when) in tried.items():
            record = self.kb.remedies.get(key)
            rows.append((self._title("remedies", key), result, f"{proof}: {record.proof}" if record else proof, when))
        head = ("Remedy", "Result", "Proof test", "When (UTC)")
        return Section("What was done", "", (), head, tuple(rows), (30, 14, 42, 14), empty="No remedy was tried.")

    def cautions(self) -> Section:
        items = []
        for event in self._of("acknowledge"):
            caution = self.kb.cautions.get(str(event.get("caution")))
            text = f"{caution.signal.upper()}: {caution.text}" if caution else safe(event.get("caution"), 80)
            items.append((moment(str(event.get("at", ""))), text))
        return Section("Cautions acknowledged", items=tuple(items), empty="None was shown and acknowledged.")

    def notes(self) -> Section:
        items = tuple((moment(str(e.get("at", ""))), safe(e.get("text"))) for e in self._of("note"))
        return Section("Notes", items=items, empty="None.")

    def review(self) -> Section:
        items = []
        for event in self._of("review"):
            by, text = safe(event.get("by"), 120) or "not named", safe(event.get("text"))
            action = {"approve": "approved", "ask": "asked", "comment": "comment"}.get(str(event.get("action")), "")
            if event.get("action") == "correct":
                action = f"corrected the cause to {self._title('causes', event.get('cause'))}"
            said = f"{by}: {action or safe(event.get('action'), 40)}"
            items.append((moment(str(event.get("at", ""))), said + (f". “{text}”" if text else "")))
        return Section("Supervisor's review", items=tuple(items), empty="Not reviewed yet.")


def _pairs(given: Any) -> list[tuple[str, float]]:
    """Ids with their probabilities, from a list of pairs or a mapping; what is no such pair is left out."""
    pairs = list(given.items()) if isinstance(given, Mapping) else given if isinstance(given, list) else []
    whole = [pair for pair in pairs if isinstance(pair, list | tuple) and len(pair) == 2]
    return [(str(key), p) for key, value in whole if (p := finite(value)) is not None]


def _records(given: Any) -> dict[str, Mapping[str, Any]]:
    """The records of a mapping by name."""
    found = given.items() if isinstance(given, Mapping) else ()
    return {str(name): record for name, record in found if isinstance(record, Mapping)}


def _as_typed(typed: Any) -> str:
    return "; ".join(map(str, typed)) if isinstance(typed, Sequence) and not isinstance(typed, str) else str(typed)


def _bare(typed: str) -> str:
    """A typed reading as the program would write it."""
    return re.sub(r"\s", "", typed).replace(",", ".").replace("µ", "u").replace("μ", "u")
