"""A case's whole reasoning trail, and a knowledge entry, as data and as text."""

from __future__ import annotations

from typing import Any

from advisor.compiled import Compiled
from advisor.dialogue import clean
from advisor.model import Knowledge
from advisor.record import Record
from advisor.review.signing import said
from advisor.scripted import report, report_text
from advisor.session import Session, effective

__all__ = ["record_text", "trail_data", "trail_text"]


def trail_data(
    compiled: Compiled, session: Session, case: str, entries: list[tuple[str, dict[str, Any]]]
) -> dict[str, Any]:
    """Every event with its time, whether it still stands, and the report of the state they lead to."""
    standing = {id(e) for e in effective(event for _, event in entries)}
    data = report(compiled, session, case)
    state = session.state
    data |= {
        "mill": state.mill,
        "complaint": state.complaint,
        "closed": state.closed,
        "cause": state.cause,
        "remedies": [{"remedy": r, "result": result, "proof": state.proofs.get(r)} for r, result in state.remedies],
        "notes": list(state.notes),
        "events": [
            {"at": at, "stands": id(event) in standing or event.get("type") == "undo", **event} for at, event in entries
        ],
    }
    return data


def trail_text(data: dict[str, Any], compiled: Compiled, session: Session) -> str:
    """The trail to read: what was asked, answered and shown, then the reasoning as it stands."""
    kb = compiled.kb
    lines = [f"Case {data['case']}" + (f", mill {clean(data['mill'])}" if data["mill"] else "")]
    if data["complaint"]:
        lines.append(f'Complaint: "{clean(data["complaint"])}"')
    lines.append("")
    for event in data["events"]:
        text = _event_text(kb, event)
        if text:
            lines.append(f"{event['at'][:19].replace('T', ' ')}  {'' if event['stands'] else '(taken back) '}{text}")
    lines.append("")
    lines.append(report_text(data, compiled))
    if data["rules_fired"]:
        lines.append("Rules that fired:")
        lines += [
            f"  {f['rule']}: {'; '.join(f['facts'])} -> {f['kind']} {f['conclusion']}" for f in data["rules_fired"]
        ]
    if data["closed"]:
        cause = f": {kb.causes[data['cause']].title}" if data["cause"] in kb.causes else ""
        lines.append(f"Closed: {data['closed']}{cause}")
    signed = [e for e in data["events"] if e["type"] == "review" and e.get("action") in ("approve", "correct")]
    if signed:
        key = signed[-1].get("cause") or data["cause"]
        title = kb.causes[key].title if key in kb.causes else key or "no cause named"
        lines.append(f"Signed by {clean(str(signed[-1].get('by') or ''))}. What counts now: {title}")
    return "\n".join(lines)


def _event_text(kb: Knowledge, event: dict[str, Any]) -> str:
    try:
        return _told(kb, event)
    except KeyError as missing:
        return f"{event['type']}, of an entry the knowledge no longer has: {missing.args[0]}"


def _told(kb: Knowledge, event: dict[str, Any]) -> str:
    kind = event["type"]
    if kind == "start":
        return f"begun, knowledge {str(event.get('knowledge', ''))[:12]}, version {event.get('version', '')}"
    if kind == "complaint":
        return f'complaint: "{clean(str(event["text"]))}"'
    if kind == "symptom":
        there = "yes" if event.get("present", True) else "no"
        return f"{kb.symptoms[event['symptom']].title}: {there}"
    if kind == "setting":
        return f"setting {event['field']} = {clean(str(event['value']))}"
    if kind == "answer":
        check = kb.checks[event["check"]]
        if event.get("outcome"):
            given = check.outcome(event["outcome"]).label
        elif event.get("weights"):
            ranked = sorted(event["weights"].items(), key=lambda kv: -float(kv[1]))
            given = ", ".join(f"{check.outcome(o).label} {float(p):.0%}" for o, p in ranked if float(p) >= 0.01)
        else:
            given = clean(f"{_short(event['value'])} {event.get('unit') or ''}")
        if event.get("calculation"):
            given += f" (worked out: {_worked(event['calculation'])})"
        elif event.get("typed") and event.get("value") is not None:
            given += f" (typed '{clean(str(event['typed']))}', {event.get('instrument') or check.instrument})"
        lead = ""
        if event.get("ranking"):
            top = event["ranking"][0]
            lead = f"   [before: {kb.causes[top[0]].title if top[0] in kb.causes else top[0]} {top[1]:.0%}]"
        return f"{check.title}: {given}{lead}"
    if kind == "skip" and event.get("remedy"):
        return f"remedy {kb.remedies[event['remedy']].title}: left out"
    if kind in ("unknown", "skip"):
        key = event["check"]
        title = kb.symptoms[key.removeprefix("symptom:")].title if key.startswith("symptom:") else kb.checks[key].title
        return f"{title}: {'not known' if kind == 'unknown' else 'left out'}"
    if kind == "remedy":
        return f"remedy {kb.remedies[event['remedy']].title}: {event['result']}"
    if kind == "proof":
        return f"proof of {kb.remedies[event['remedy']].title}: {'passed' if event['passed'] else 'failed'}"
    if kind == "reading":
        return f"reading for {event.get('calculation')}: {event.get('input')} = {clean(_as_typed(event.get('typed')))}"
    if kind == "calculation":
        return f"worked out: {_worked(event['calculation'])}"
    if kind == "note":
        by = f" by {clean(str(event['by']))}" if event.get("by") else ""
        return f"note{by}: {clean(str(event['text']))}"
    if kind == "acknowledge":
        caution = kb.cautions[event["caution"]]
        return f"{caution.signal} acknowledged: {caution.id}"
    if kind == "review":
        return "review: " + said(kb, event)
    if kind == "attach":
        return f"file kept: {clean(str(event.get('name')))} ({float(event.get('size') or 0) / 1000:.0f} kB)"
    if kind == "close":
        return f"closed: {event['how']} {event.get('cause') or ''}".rstrip()
    return {"undo": "the last answer taken back", "reopen": "opened again"}.get(kind, "")


def _short(value: Any) -> str:
    """A number without the noise of its last binary digits; anything else as it is."""
    try:
        return f"{float(value):.6g}"
    except (TypeError, ValueError):
        return str(value)


def _as_typed(typed: Any) -> str:
    """An input as typed: its text, or the lines of a table."""
    return "; ".join(map(str, typed)) if isinstance(typed, list) else str(typed)


def _worked(run: dict[str, Any]) -> str:
    """A calculation in one line: its inputs as typed, its figures with their doubt."""
    inputs = [f"{name} {_as_typed(entry.get('typed'))}" for name, entry in run.get("inputs", {}).items()]
    figures = [
        f"{f['label']} {f['value']:.4g} {f['unit'] if f['unit'] != '1' else ''}".rstrip()
        + (f" +- {f['U']:.2g}" if f["U"] else "")
        for f in run.get("figures", {}).values()
    ]
    return clean(f"{run.get('calculation')} from {', '.join(inputs)}: {', '.join(figures)}".rstrip(": "))


def record_text(kb: Knowledge, kind: str, record: Record) -> str:
    """A knowledge entry as indented text, with the place it stands in."""
    data = record.model_dump(mode="json", by_alias=True, exclude_none=True)
    file, line, _ = kb.place(kind, data["id"])
    lines = [f"{kind.removesuffix('s') if kind != 'remedies' else 'remedy'} {data['id']}   ({file}:{line})"]

    def put(key: str, value: Any, indent: str) -> None:
        if isinstance(value, dict):
            lines.append(
                f"{indent}{key}: " + ", ".join(f"{k} {v}" for k, v in value.items() if v not in (None, [], {}))
            )
        elif isinstance(value, list):
            if value:
                lines.append(f"{indent}{key}:")
                for item in value:
                    shown = (
                        ", ".join(f"{k}: {v}" for k, v in item.items() if v not in (None, [], {}))
                        if isinstance(item, dict)
                        else str(item)
                    )
                    lines.append(f"{indent}  - {shown}")
        else:
            lines.append(f"{indent}{key}: {value}")

    for key, value in data.items():
        if key != "id":
            put(key, value, "  ")
    return "\n".join(lines)
