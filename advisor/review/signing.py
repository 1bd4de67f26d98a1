"""Signing off a case: what a supervisor types -> a review event. Pure; nothing here prints or writes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rapidfuzz import fuzz, process

from advisor.caserow import CaseRow
from advisor.dialogue import clean
from advisor.issue import nearest
from advisor.model import Knowledge
from advisor.session import State

__all__ = ["ACTIONS", "Unclear", "find_cause", "measured", "review_event", "said", "synopsis", "unexplained"]

ACTIONS = {
    "approve": "the technician's finding stands",
    "correct": "it was another cause: 'correct worn burr'",
    "ask": "ask for more: 'ask was the collet out?'; the case waits for the answer",
    "comment": "a remark, signs nothing: 'comment good catch'",
}


class Unclear(ValueError):
    """What was typed is no review; the text says what to type instead."""


def review_event(kb: Knowledge, action: str, text: str, by: str) -> dict[str, Any]:
    """The event of a review; `text` names the cause for 'correct'. Raises Unclear with what to type instead."""
    if action not in ACTIONS:
        raise Unclear(f"'{action}' is no review: give {', '.join(ACTIONS)}")
    if not by.strip():
        raise Unclear("a review needs the name of who gives it: --by NAME, or 'advisor settings technician=NAME'")
    event: dict[str, Any] = {"type": "review", "action": action, "by": by.strip()}
    words = text.strip()
    if action == "correct":
        name, _, remark = words.partition(":")
        return event | {"cause": find_cause(kb, name)} | ({"text": remark.strip()} if remark.strip() else {})
    if action in ("ask", "comment") and not words:
        example = "was the collet cleaned?" if action == "ask" else "well found"
        raise Unclear(f"say what, such as: {action} {example}")
    return event | ({"text": words} if words else {})


def find_cause(kb: Knowledge, text: str) -> str:
    """The cause meant: its id, or words of its title. Raises Unclear when none or several fit."""
    typed = text.strip().lower()
    if typed in kb.causes:
        return typed
    if not typed:
        raise Unclear("name the cause, such as: correct worn finishing burr")
    words = typed.split()
    exact = [c.id for c in kb.causes.values() if all(w in f"{c.title.lower()} {c.id}" for w in words)]
    if len(exact) == 1:
        return exact[0]
    if len(exact) > 1:
        shown = "; ".join(f"{kb.causes[c].title.lower()} ({c})" for c in exact[:6])
        raise Unclear(f"'{text.strip()}' fits several causes: {shown}. Type more words, or the id.")
    titles = {c.id: c.title.lower() for c in kb.causes.values()}
    near = process.extract(typed, titles, scorer=fuzz.token_set_ratio, limit=3, score_cutoff=45)
    hint = "; ".join(f"{title} ({key})" for title, _, key in near) or nearest(typed, kb.causes)
    raise Unclear(f"no cause is called '{text.strip()[:40]}'" + (f". Near it: {hint}" if hint else ""))


def unexplained(kb: Knowledge, row: CaseRow, cause: str) -> str:
    """What speaks against a correction at first sight: the cause shows none of the symptoms complained of. Empty if it does."""
    if cause not in kb.causes or not row.symptoms:
        return ""
    if any(link.symptom in row.symptoms for link in kb.causes[cause].shows if link.symptom):
        return ""
    shown = "; ".join(kb.symptoms[s].title.lower() for s in row.symptoms if s in kb.symptoms)
    return f"{kb.causes[cause].title} is not known to show as: {shown}." if shown else ""


def measured(kb: Knowledge, state: State) -> list[str]:
    """What was read or seen in a case that a sound mill does not show, readings first."""
    found = []
    for key, answer in state.answers.items():
        check = kb.checks[key]
        if answer.likeliest == check.outcomes[0].id:
            continue
        unit = f" {check.unit}" if check.unit and check.unit != "1" else ""
        value = f" {answer.value:.4g}{unit}" if answer.value is not None else ""
        found.append((answer.value is None, f"{check.title}{value}, {check.outcome(answer.likeliest).label}"))
    return [text for _, text in sorted(found, key=lambda item: item[0])]


def synopsis(kb: Knowledge, row: CaseRow, handle: str, bench: str, off: Sequence[str] = ()) -> list[str]:
    """A case in a few lines, for whoever is to sign it; `off` is what was read or seen that is not sound."""

    def cause(key: str | None) -> str:
        return "none named" if key is None else kb.causes[key].title.lower() if key in kb.causes else key

    def remedy(key: str) -> str:
        return kb.remedies[key].title if key in kb.remedies else key

    where = ", ".join(
        x for x in (f"mill {clean(row.mill)}" if row.mill else "", clean(row.technician or ""), bench) if x
    )
    lines = [f"{handle}   {row.begun[:16].replace('T', ' ')}   {where}"]
    shown = "; ".join(kb.symptoms[s].title if s in kb.symptoms else s for s in row.symptoms)
    lines.append(f"Complaint: {clean(row.complaint) or shown}" + (f"  ({shown})" if row.complaint and shown else ""))
    if off:
        lines.append("Not sound: " + "; ".join(off[:6]) + (f"; and {len(off) - 6} more" if len(off) > 6 else ""))
    tried = [f"{remedy(r)}: {result.replace('-', ' ')}" for r, result in row.remedies]
    lines.append("Tried: " + ("; ".join(tried) or "nothing"))
    proof = "proof passed" if row.fixed else "no proof" if row.remedy else ""
    ends = {"fixed-unproven": "fixed, cause not proven", "referred": "handed over"}
    lines.append(f"Finding: {cause(row.cause)}, {ends.get(str(row.how), row.how)}" + (f", {proof}" if proof else ""))
    if row.first_cause:
        lines.append(f"The program's first before any remedy: {cause(row.first_cause)} ({row.first_probability:.0%})")
    cost = [
        f"{row.minutes:.0f} min" if row.minutes is not None else "",
        f"{row.blocks:g} block{'' if row.blocks == 1 else 's'}" if row.blocks else "",
    ]
    if any(cost):
        lines.append("Cost: " + ", ".join(c for c in cost if c))
    return lines


def said(kb: Knowledge, event: dict[str, Any]) -> str:
    """A review event as a sentence."""
    by = clean(str(event.get("by") or "someone"))
    text = clean(str(event.get("text") or ""))
    key = str(event.get("cause") or "")
    what = {
        "approve": "approved it",
        "correct": f"put the cause right: {kb.causes[key].title.lower() if key in kb.causes else key}",
        "ask": "asks",
        "comment": "remarks",
    }.get(str(event.get("action")), str(event.get("action")))
    return f"{by} {what}" + (f": {text}" if text else "")
