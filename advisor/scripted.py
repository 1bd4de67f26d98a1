"""A diagnosis without asking: an answers file in, a report out. The same session as at the console."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from advisor.assess import Assessment, likelihood_word
from advisor.compiled import Compiled
from advisor.issue import Issue, KnowledgeError, nearest
from advisor.match import Matcher
from advisor.session import CaseError, Session, in_full
from advisor.tree import Tree, parse_tree

__all__ = ["answers_events", "read_answers", "report", "report_text"]

SCHEMA = "advisor-report/1"
_FIELDS = ("complaint", "symptoms", "setting", "answers", "remedies", "notes", "mill")


def read_answers(path: Path) -> Tree:
    """Parse an answers file; KnowledgeError with its place when it is no YAML mapping of known fields."""
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise KnowledgeError([Issue(str(path), 1, 1, "file", f"cannot be read: {reason}")]) from None
    tree = parse_tree(text, str(path))
    if not isinstance(tree.data, dict):
        raise KnowledgeError(
            [Issue(str(path), 1, 1, "answers", "must hold named fields", f"such as {', '.join(_FIELDS)}")]
        )
    issues = [
        Issue(
            str(path),
            *tree.mark((key,)),
            "answers",
            f"'{key}' is no field here",
            nearest(str(key), _FIELDS) or f"fields: {', '.join(_FIELDS)}",
        )
        for key in tree.data
        if key not in _FIELDS
    ]
    for key, kind, word in (
        ("symptoms", list, "a list of symptom ids"),
        ("setting", dict, "'field: value' lines"),
        ("answers", dict, "'check: answer' lines"),
        ("remedies", dict, "'remedy: result' lines"),
        ("notes", list, "a list of texts"),
    ):
        value = tree.data.get(key)
        if value not in (None, "") and not isinstance(value, kind):
            issues.append(Issue(str(path), *tree.mark((key,)), "answers", f"'{key}' must hold {word}"))
    if not isinstance(tree.data.get("mill", ""), str):
        issues.append(Issue(str(path), *tree.mark(("mill",)), "answers", "'mill' must hold the name of a mill"))
    if issues:
        raise KnowledgeError(issues)
    return tree


def answers_events(
    tree: Tree, name: str, compiled: Compiled, profile: Mapping[str, float] | None = None
) -> list[dict[str, Any]]:
    """The events of an answers file, each checked against the knowledge in turn. `profile`: the mill's own values.

    Raises KnowledgeError with file, line and the nearest ids for everything that does not fit.
    """
    data = tree.data
    planned: list[tuple[tuple[Any, ...], dict[str, Any]]] = []
    issues: list[Issue] = []

    def wrong(path: tuple[Any, ...], text: str, hint: str = "") -> None:
        issues.append(Issue(name, *tree.mark(path), "answers", text, hint))

    symptoms = list(data.get("symptoms") or [])
    if data.get("complaint"):
        text = str(data["complaint"])
        planned.append((("complaint",), {"type": "complaint", "text": text}))
        if not symptoms:
            found = Matcher(compiled.kb.symptoms.values()).match(text)
            chosen = [m.symptom for m in found if m.score >= max(0.45, 0.8 * found[0].score)][:2]
            if not chosen:
                wrong(
                    ("complaint",),
                    f"no symptom fits the complaint '{text[:60]}'",
                    "name it under 'symptoms': advisor knowledge list symptoms",
                )
            planned += [(("complaint",), {"type": "symptom", "symptom": s, "present": True}) for s in chosen]
    for i, symptom in enumerate(symptoms):
        planned.append((("symptoms", i), {"type": "symptom", "symptom": str(symptom), "present": True}))
    for key, value in (data.get("setting") or {}).items():
        planned.append((("setting", key), {"type": "setting", "field": key, "value": str(value)}))
    for key, value in (data.get("answers") or {}).items():
        try:
            planned.append((("answers", key), answer_event(str(key), value, compiled, profile)))
        except CaseError as error:
            wrong(("answers", key), str(error))
    for key, value in (data.get("remedies") or {}).items():
        planned.append((("remedies", key), {"type": "remedy", "remedy": key, "result": str(value)}))
    for i, value in enumerate(data.get("notes") or []):
        planned.append((("notes", i), {"type": "note", "text": str(value)}))
    probe = Session(compiled, [{"type": "start", "profile": dict(profile or {})}])
    events = []
    for path, event in planned:
        try:
            event = in_full(compiled, event)
            probe.take(event)
            events.append(event)
        except CaseError as error:
            wrong(path, str(error))
    if issues:
        raise KnowledgeError(issues)
    return events


def answer_event(
    key: str, value: Any, compiled: Compiled, profile: Mapping[str, float] | None = None
) -> dict[str, Any]:
    """The event of one `check: answer` line: an outcome word, a number with unit, a mapping, or `unknown`.

    A mapping with `readings` has the check's calculation work the answer out.
    """
    if key.startswith("symptom:"):
        words = {"yes": True, "present": True, "no": False, "absent": False}
        if str(value) == "unknown":
            return {"type": "unknown", "check": key}
        if str(value) not in words:
            raise CaseError(f"'{value}' is no answer to '{key}': yes, no or unknown")
        return {"type": "symptom", "symptom": key.removeprefix("symptom:"), "present": words[str(value)]}
    if isinstance(value, dict) and "readings" in value:
        return _worked_out(key, value, compiled, {**compiled.defaults, **(profile or {})})
    if isinstance(value, dict):
        extra = [k for k in value if k not in ("value", "unit", "instrument", "outcome")]
        if extra:
            raise CaseError(f"'{extra[0]}' is no part of an answer: give value, unit, instrument, outcome or readings")
        return {"type": "answer", "check": key, **{k: str(v) for k, v in value.items()}}
    text = str(value).strip()
    if text == "unknown":
        return {"type": "unknown", "check": key}
    check = compiled.kb.checks.get(key)
    if (
        check is not None
        and text not in [o.id for o in check.outcomes]
        and check.measured
        and any(ch.isdigit() for ch in text)
    ):
        return {"type": "answer", "check": key, "value": text}
    return {"type": "answer", "check": key, "outcome": text}


def _worked_out(key: str, value: dict[str, Any], compiled: Compiled, profile: Mapping[str, float]) -> dict[str, Any]:
    from advisor.checkcalc import worked_answer  # late: the calculations bring libraries of their own

    if key not in compiled.kb.checks:
        raise CaseError(
            f"there is no check '{key}'; {nearest(key, compiled.kb.checks) or 'see: advisor knowledge list checks'}"
        )
    if len(value) > 1 or not isinstance(value["readings"], dict):
        raise CaseError(f"'{key}': 'readings' stands alone and holds 'input: value' lines")
    return worked_answer(compiled.kb.checks[key], value["readings"], compiled.kb, profile)


def report(compiled: Compiled, session: Session, case: str | None, count: int = 8) -> dict[str, Any]:
    """The state of a case as plain data (the JSON of `advisor diagnose --answers`)."""
    view = Assessment(compiled, session.state)
    state = session.state
    findings = [
        {
            "check": c,
            "outcome": a.likeliest,
            "value": a.value,
            "unit": a.unit,
            "instrument": a.instrument,
            "conformance": round(a.probability, 6),
            "outcomes": {o: round(w, 6) for o, w in a.weights.items()},
            **({"calculation": a.calculation, "u": a.u} if a.calculation else {}),
        }
        for c, a in state.answers.items()
    ]
    findings += [
        {"check": c, "outcome": o, "value": None, "unit": None, "instrument": None, "conformance": 1.0, "derived_by": r}
        for c, (o, r) in view.verdict.answers.items()
    ]
    ranking = []
    for ranked in view.ranking[:count]:
        reasons = view.reasons(ranked.cause)
        ranking.append(
            {
                "cause": ranked.cause,
                "title": ranked.title,
                "probability": round(ranked.probability, 6),
                "word": likelihood_word(ranked.probability),
                "remedy_tried": ranked.cause in view.mended,
                "for": [
                    {"finding": r.finding, "text": r.text, "ratio": round(r.ratio, 3)} for r in reasons if r.ratio > 1.2
                ],
                "against": [
                    {"finding": r.finding, "text": r.text, "ratio": round(r.ratio, 3)} for r in reasons if r.ratio < 0.8
                ],
            }
        )
    steps = [
        {
            "kind": s.kind,
            "id": s.id,
            "minutes": round(s.minutes, 2),
            "expected_minutes": round(s.expected, 2),
            "reason": view.step_reason(s),
        }
        for s in view.next
    ]
    cautions = {c.id: {"id": c.id, "signal": c.signal, "text": c.text, "for": "rule"} for c in view.raised}
    for step in view.next[:1]:
        for caution in view.cautions_for(step):
            cautions.setdefault(
                caution.id, {"id": caution.id, "signal": caution.signal, "text": caution.text, "for": step.id}
            )
    return {
        "schema": SCHEMA,
        "case": case,
        "symptoms": [s for s, there in state.symptoms.items() if there],
        "absent": [s for s, there in state.symptoms.items() if not there],
        "setting": dict(view.setting_words),
        "unanswered": dict(state.unanswered),
        "findings": findings,
        "ranking": ranking,
        "none_of_these": round(view.none_of_these, 6),
        "next": steps[0],
        "runners_up": steps[1:],
        "cautions": list(cautions.values()),
        "stops": list(view.verdict.stops),
        "referrals": [{"to": to, "text": text} for to, text in view.verdict.referrals],
        "rules_fired": [
            {"rule": f.rule, "facts": list(f.facts), "kind": f.kind, "conclusion": f.conclusion, "because": f.because}
            for f in view.firings
        ],
        "minutes": round(state.minutes, 2),
        "knowledge": compiled.kb.digest,
    }


def report_text(data: dict[str, Any], compiled: Compiled) -> str:
    """The same report to read."""
    kb = compiled.kb
    lines = [
        f"Case {data['case']}" if data["case"] else "Case (not logged)",
        "Symptoms: " + ("; ".join(kb.symptoms[s].title for s in data["symptoms"]) or "none given"),
    ]
    for stop in data["stops"]:
        lines.append(f"STOP: {stop}")
    for caution in data["cautions"]:
        lines.append(f"{caution['signal'].upper()}: {caution['text']}")
    lines.append("Likely causes:")
    for entry in data["ranking"][:5]:
        lines.append(f"  {entry['probability']:4.0%}  {entry['title']} ({entry['word']}) [{entry['cause']}]")
        for sign, side in (("+", "for"), ("-", "against")):
            for reason in entry[side][:3]:
                lines.append(f"        {sign} {reason['text']} (x{reason['ratio']:.2g})")
    lines.append(f"  {data['none_of_these']:4.0%}  none of the known causes")
    closed = data.get("closed") not in (None, "open")
    for number, step in enumerate([] if closed else [data["next"], *data["runners_up"]]):
        record = kb.checks.get(step["id"]) or kb.remedies.get(step["id"])
        title = (
            record.title
            if record
            else kb.symptoms[step["id"].removeprefix("symptom:")].title
            if ":" in step["id"]
            else "hand the case over"
        )
        lines.append(
            f"{'Next' if number == 0 else 'or  '}: {step['kind']} {title} [{step['id']}], {step['minutes']:g} min; {step['reason']}"
        )
    for referral in data["referrals"]:
        lines.append(f"Refer to {referral['to']}: {referral['text']}")
    return "\n".join(lines)
