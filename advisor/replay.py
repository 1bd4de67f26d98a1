"""Worked cases through the engine: how often the true cause leads, and what the planner saves over a checklist."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.model import WorkedCase
from advisor.scripted import answer_event
from advisor.session import Session

__all__ = ["alarm", "case_session", "checklist", "replay", "replay_text"]

ALARM = 0.35  # a healthy mill must rank no cause this high
MAX_STEPS = 60


def case_session(compiled: Compiled, case: WorkedCase, answers: bool = True) -> Session:
    """The session of a worked case: symptoms and setting, and with `answers` all of its answers too."""
    session = Session(compiled)
    for symptom in case.symptoms:
        session.take({"type": "symptom", "symptom": symptom, "present": True})
    for key, value in case.setting.items():
        session.take({"type": "setting", "field": key, "value": value})
    if answers:
        for check, value in case.answers.items():
            session.take(answer_event(check, value, compiled))
    return session


def alarm(view: Assessment) -> float:
    """The highest probability of any cause."""
    return view.ranking[0].probability if view.ranking else 0.0


def replay(
    compiled: Compiled, cases: Sequence[WorkedCase], progress: Callable[[int, int], None] | None = None
) -> dict[str, Any]:
    """Run worked cases.

    A case counts for top-1 when each of its causes is among the first as many (one cause: the first; two: the first
    two), for top-3 when they are among the first three. A case outside the knowledge counts when "none of the known
    causes" leads or nothing reaches even chance. Minutes are those of the simulated session to the remedy of every true
    cause, against asking the complaint's checks in the fixed order of the files.
    """
    rows: list[dict[str, Any]] = []
    for number, case in enumerate(cases, start=1):
        rows.append(_one(compiled, case))
        if progress:
            progress(number, len(cases))
    judged = [r for r in rows if r["kind"] == "known" and r["sufficient"]]
    timed = [r for r in rows if r.get("minutes") is not None]
    return {
        "cases": rows,
        "known": len([r for r in rows if r["kind"] == "known"]),
        "judged": len(judged),
        "top1": _share(judged, "top1"),
        "top3": _share(judged, "top3"),
        "outside": len([r for r in rows if r["kind"] == "outside"]),
        "outside_right": _share([r for r in rows if r["kind"] == "outside"], "top1"),
        "healthy": len([r for r in rows if r["kind"] == "healthy"]),
        "healthy_quiet": _share([r for r in rows if r["kind"] == "healthy"], "top1"),
        "uncautioned": [r["case"] for r in rows if r["uncautioned"]],
        "minutes": round(float(np.mean([r["minutes"] for r in timed])), 1) if timed else None,
        "checklist_minutes": round(float(np.mean([r["checklist_minutes"] for r in timed])), 1) if timed else None,
    }


def _share(rows: Sequence[dict[str, Any]], key: str) -> float | None:
    return round(sum(bool(r[key]) for r in rows) / len(rows), 4) if rows else None


def _one(compiled: Compiled, case: WorkedCase) -> dict[str, Any]:
    session = case_session(compiled, case)
    view = Assessment(compiled, session.state)
    order = [r.cause for r in view.ranking]
    kind = "healthy" if case.healthy else "outside" if case.outside else "known"
    row: dict[str, Any] = {
        "case": case.id,
        "kind": kind,
        "sufficient": case.sufficient,
        "causes": list(case.causes),
        "flaw": case.flaw,
        "ranking": [(r.cause, round(r.probability, 3)) for r in view.ranking[:4]],
        "none": round(view.none_of_these, 3),
    }
    row["uncautioned"] = _uncautioned(view)
    if kind == "healthy":
        row["top1"] = row["top3"] = alarm(view) < ALARM
        return row
    if kind == "outside":
        row["top1"] = row["top3"] = view.none_of_these >= alarm(view) or alarm(view) < 0.5
        return row
    row["top1"] = set(case.causes) <= set(order[: len(case.causes)])
    row["top3"] = set(case.causes) <= set(order[:3])
    row["minutes"] = simulate(compiled, case, planned=True)
    row["checklist_minutes"] = simulate(compiled, case, planned=False)
    return row


def _uncautioned(view: Assessment) -> bool:
    """Whether any hazard of the offered steps goes without a caution."""
    kb = view.kb
    for step in view.next:
        record = kb.checks.get(step.id) or kb.remedies.get(step.id)
        covered = {h for c in view.cautions_for(step) for h in c.covers}
        if record is not None and set(record.hazards) - covered:
            return True
    return False


def simulate(compiled: Compiled, case: WorkedCase, planned: bool) -> float:
    """Minutes until every true cause has had its remedy, at most the referral's.

    Checks the case does not list get the likeliest outcome under its true causes. Planned: the best step each time.
    Otherwise: the checks that bear on the complaint in the order of the files until one cause reaches 80 %, then the
    remedies in order of probability.
    """
    session = case_session(compiled, case, answers=False)
    left = set(case.causes)
    limit = compiled.kb.vocabulary.unlisted.refer_minutes
    fixed = checklist(compiled, case.symptoms, case.setting)
    proofs = 0.0
    for _ in range(MAX_STEPS):
        view = Assessment(compiled, session.state)
        if planned:
            step = view.next[0]
            kind, key = step.kind, step.id
        else:
            todo = [c for c in fixed if c not in session.state.answers and c not in session.state.unanswered]
            if todo and alarm(view) < 0.8:
                kind, key = "check", todo[0]
            else:
                remedy = _likeliest_remedy(view)
                kind, key = ("remedy", remedy) if remedy else ("refer", "refer")
        if kind == "refer" or session.state.minutes >= limit:
            break
        if kind == "check":
            session.take(_answer(compiled, case, key))
            continue
        left -= {c for c, e in view.cures(key).items() if e >= 0.5}
        session.take({"type": "remedy", "remedy": key, "result": "no-change" if left else "helped"})
        proofs += compiled.kb.remedies[key].proof_minutes  # that it did not help shows in its proof too
        if not left:
            return session.state.minutes + proofs
    return session.state.minutes + proofs + limit


def checklist(compiled: Compiled, symptoms: Sequence[str], setting: Mapping[str, str] | None = None) -> list[str]:
    """Checks linked to any cause that shows the complaint, in the order of the files; those the setting rules out are
    left away."""
    kb = compiled.kb
    wanted = {link.check for c in kb.causes.values() if any(x.symptom in symptoms for x in c.shows) for link in c.shows}
    choices = {k: v for k, v in (setting or {}).items() if compiled.setting_fields[k].choices}
    return [c.id for c in kb.checks.values() if c.id in wanted and compiled.applies(c.applies, choices, {})]


def _likeliest_remedy(view: Assessment) -> str | None:
    tried = {r for r, _ in view.state.remedies}
    for ranked in view.ranking[:12]:
        for cure in view.kb.causes[ranked.cause].remedies:
            if cure.remedy not in tried:
                return cure.remedy
    return None


def _answer(compiled: Compiled, case: WorkedCase, key: str) -> dict[str, Any]:
    if key.startswith("symptom:"):
        return {
            "type": "symptom",
            "symptom": key.removeprefix("symptom:"),
            "present": key.removeprefix("symptom:") in case.symptoms,
        }
    if key in case.answers:
        return answer_event(key, case.answers[key], compiled)
    net = compiled.network
    f = net.finding_index[key]
    cum = np.cumsum(net.leak[f])
    for cause in case.causes:
        for block in net.blocks[net.index[cause]]:
            if f in block.rows:
                row = block.rows[f]
                cum = cum * np.cumsum(np.concatenate([[1 - block.share + block.share * row[0]], block.share * row[1:]]))
    level = int(np.argmax(np.diff(cum, prepend=0.0)))
    return {"type": "answer", "check": key, "outcome": net.levels[f][level]}


def replay_text(result: dict[str, Any]) -> str:
    """The figures and each miss, to read."""

    def percent(value: float | None) -> str:
        return "-" if value is None else f"{value:.0%}"

    lines = []
    for row in result["cases"]:
        if not row["top1"]:
            shown = ", ".join(f"{c} {p:.0%}" for c, p in row["ranking"][:3])
            what = {
                "known": "expected " + " + ".join(row["causes"]),
                "outside": "outside the knowledge",
                "healthy": "nothing wrong",
            }[row["kind"]]
            note = "" if row["sufficient"] else " (answers cannot decide)"
            lines.append(f"miss  {row['case']}: {what}{note}; got {shown}, none {row['none']:.0%}")
    lines.append(
        f"{result['known']} worked cases ({result['judged']} with enough answers): top-1 {percent(result['top1'])}, top-3 {percent(result['top3'])}"
    )
    lines.append(f"{result['outside']} outside the knowledge: {percent(result['outside_right'])} recognised")
    lines.append(f"{result['healthy']} healthy mills: {percent(result['healthy_quiet'])} raise no cause to {ALARM:.0%}")
    if result["minutes"] is not None:
        lines.append(
            f"mean minutes to the fix: {result['minutes']:g} planned, {result['checklist_minutes']:g} by fixed checklist"
        )
    lines.append(
        "every hazard offered was cautioned"
        if not result["uncautioned"]
        else "NOT CAUTIONED: " + ", ".join(result["uncautioned"])
    )
    return "\n".join(lines)
