"""Views of a case as styled lines for a terminal. Pure: no terminal is touched, so every screen can be tested as text.

A line is a list of (style, text); styles are the constants below. Everything reads without colour.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from advisor.compiled import Compiled
from advisor.dialogue import COMMANDS, clean
from advisor.facts import Firing, Step, likelihood_word
from advisor.model import Caution, Check, Remedy

if TYPE_CHECKING:
    from advisor.assess import Assessment

__all__ = [
    "STYLES",
    "Glyphs",
    "Line",
    "beside",
    "cause_lines",
    "caution_box",
    "help_lines",
    "list_lines",
    "plain",
    "ranking_lines",
    "rather_lines",
    "rule_line",
    "rules_lines",
    "step_lines",
    "summary_lines",
    "text_lines",
    "why_lines",
]

PLAIN, HEAD, DIM, GOOD, BAD, DANGER, WARN, KEY = "", "head", "dim", "good", "bad", "danger", "warn", "key"
STYLES = {
    HEAD: "bold",
    DIM: "ansibrightblack",
    GOOD: "ansigreen",
    BAD: "ansired",
    DANGER: "bold ansired reverse",
    WARN: "bold ansiyellow",
    KEY: "bold",
}
_SIGNAL = {"danger": DANGER, "warning": WARN, "caution": WARN, "notice": HEAD}

Line = list[tuple[str, str]]


@dataclass(frozen=True)
class Glyphs:
    """Characters for bars and frames: plain ASCII where the terminal cannot do better."""

    bar: str = "#"
    empty: str = "."
    rule: str = "-"
    side: str = "|"

    @classmethod
    def best(cls, encoding: str | None) -> Glyphs:
        """The nicest set an output encoding can carry."""
        try:
            "█·─│".encode(encoding or "ascii")
        except (UnicodeEncodeError, LookupError):
            return cls()
        return cls("█", "·", "─", "│")


def plain(lines: Iterable[Line]) -> str:
    """Lines as plain text."""
    return "\n".join("".join(text for _, text in line).rstrip() for line in lines)


def text_lines(text: str, width: int, style: str = PLAIN, indent: str = "", first: str | None = None) -> list[Line]:
    """A paragraph wrapped to `width` columns."""
    wrapped = textwrap.wrap(
        text, max(width, 20), initial_indent=indent if first is None else first, subsequent_indent=indent
    ) or [indent]
    return [[(style, line)] for line in wrapped]


def rule_line(width: int, title: str = "", glyphs: Glyphs | None = None, style: str = DIM) -> Line:
    """A dividing line with a title in it."""
    g = glyphs or Glyphs()
    head = f"{g.rule * 2} {title} " if title else ""
    return [(style, (head + g.rule * width)[:width])]


def ranking_lines(view: Assessment, width: int, glyphs: Glyphs, count: int = 5) -> list[Line]:
    """The leading causes with bar, number and word."""
    lines: list[Line] = []
    bar_width = 10 if width >= 60 else 6
    for number, entry in enumerate(view.ranking[:count], start=1):
        full = round(entry.probability * bar_width)
        bar = glyphs.bar * full + glyphs.empty * (bar_width - full)
        head = f"{number} {bar} {entry.probability:4.0%} "
        word = f" ({likelihood_word(entry.probability)})" if width >= 60 else ""
        title = entry.title + (", remedy tried" if entry.cause in view.mended else "")
        room = width - len(head) - len(word)
        if len(title) > room:
            title = title[: max(room - 1, 5)].rstrip() + ("…" if glyphs.bar != "#" else ".")
        lines.append([(KEY if number == 1 else PLAIN, head + title), (DIM, word)])
    none = view.none_of_these
    full = round(none * bar_width)
    lines.append(
        [(DIM, f"- {glyphs.bar * full + glyphs.empty * (bar_width - full)} {none:4.0%} none of the known causes")]
    )
    if none > 0.5:
        lines += text_lines("No known cause fits well: think of referring the case.", width, WARN)
    return lines


def beside(left: list[Line], right: list[Line], left_width: int, glyphs: Glyphs) -> list[Line]:
    """Two blocks side by side."""
    out: list[Line] = []
    for i in range(max(len(left), len(right))):
        line = list(left[i]) if i < len(left) else []
        used = sum(len(text) for _, text in line)
        line.append((PLAIN, " " * max(left_width - used, 0)))
        line.append((DIM, f" {glyphs.side} "))
        out.append(line + (list(right[i]) if i < len(right) else []))
    return out


def caution_box(caution: Caution, width: int, glyphs: Glyphs) -> list[Line]:
    """A caution framed under its signal word."""
    style = _SIGNAL[caution.signal]
    inner = min(width, 100) - 4
    out: list[Line] = [
        [(style, f" {caution.signal.upper()} "), (DIM, glyphs.rule * max(inner - len(caution.signal), 1))]
    ]
    for text in textwrap.wrap(caution.text, inner):
        out.append([(style, glyphs.side), (PLAIN, " " + text)])
    return out


def caution_reminder(cautions: Sequence[Caution], width: int) -> list[Line]:
    """Cautions already acknowledged, or too light to be: one line each."""
    out: list[Line] = []
    for caution in cautions:
        head = f"{caution.signal.upper()}: "
        out.append([(_SIGNAL[caution.signal], head), (PLAIN, _cut(caution.text, width - len(head)))])
    return out


def step_lines(view: Assessment, step: Step, width: int, others: Sequence[Step] = ()) -> list[Line]:
    """A step as it is put to the technician: what, how, what to expect, the answers, and the other steps offered."""
    kb = view.kb
    if step.kind == "refer":
        lines = _refer(view, width)
    elif step.id.startswith("symptom:"):
        lines = [
            [(HEAD, "Also: " + kb.symptoms[step.id.removeprefix("symptom:")].ask)],
            [(KEY, " 1 "), (PLAIN, "yes   "), (KEY, " 2 "), (PLAIN, "no")],
        ]
    elif step.kind == "check":
        lines = _check(kb.checks[step.id], view, step, width)
    else:
        lines = _remedy(kb.remedies[step.id], step, width)
    acknowledged = [
        c for c in view.cautions_for(step) if c.id in view.state.acknowledged or c.signal in ("caution", "notice")
    ]
    lines += caution_reminder(acknowledged, width)
    lines += [[(DIM, _cut(f"Why: {view.step_reason(step)}", width))]]
    for letter, other in zip("ab", others, strict=False):
        text = f"or {step_title(view, other)}, {_minutes(other.minutes)} ({view.step_reason(other)})"
        lines.append([(KEY, f" {letter} "), (DIM, _cut(text, width - 3))])
    return lines


def _cut(text: str, width: int) -> str:
    """Text cut to one line."""
    return text if len(text) <= width else text[: width - 3].rstrip() + "..."


def step_title(view: Assessment, step: Step) -> str:
    """A step in a few words."""
    kb = view.kb
    if step.kind == "refer":
        return "hand the case over"
    if step.id.startswith("symptom:"):
        return f"do you also see: {kb.symptoms[step.id.removeprefix('symptom:')].title.lower()}"
    if step.kind == "remedy":
        return f"remedy: {kb.remedies[step.id].title.lower()}"
    return kb.checks[step.id].title.lower()


def _minutes(value: float) -> str:
    return f"{value:.0f} min" if value >= 1.5 else "1 min" if value >= 0.75 else "half a minute"


_KIND = {"ask": "Question", "look": "Look", "measure": "Measure", "trial": "Trial"}


def _check(check: Check, view: Assessment, step: Step, width: int) -> list[Line]:
    lines: list[Line] = [[(HEAD, f"{_KIND[check.kind]}: {check.title}"), (DIM, f"  {_minutes(step.minutes)}")]]
    if check.needs:
        lines += text_lines("Needs " + ", ".join(check.needs), width, DIM)
    prep = [view.compiled.preparations[p].text for p in check.prep if p not in view.state.prepared]
    if prep:
        lines += text_lines("First: " + "; ".join(prep).lower() + ".", width)
    for number, text in enumerate(check.how, start=1):
        lines += text_lines(text, width, indent="   ", first=f"{number}. ")
    if check.expect:
        lines += text_lines("Sound: " + check.expect, width, GOOD)
    if check.confuse:
        lines += text_lines("Not to be confused with: " + check.confuse, width, DIM)
    lines += text_lines(check.ask, width, HEAD)
    if check.measured:
        how = f"Type the reading with its unit ({check.unit if check.unit != '1' else 'a number'})"
        calc = ", 'calc' to work it out" if check.calc else ""
        lines += text_lines(f"{how}{calc}, or one of: {', '.join(o.id for o in check.outcomes)}", width)
        return lines
    if check.calc:
        lines += text_lines("Type 'calc' to have it worked out from readings, or answer:", width, DIM)
    packed = "   ".join(f"{i} {o.label}" for i, o in enumerate(check.outcomes, start=1))
    if len(packed) <= width - 2:
        lines.append(
            [part for i, o in enumerate(check.outcomes, start=1) for part in ((KEY, f" {i} "), (PLAIN, o.label + "  "))]
        )
        return lines
    for number, outcome in enumerate(check.outcomes, start=1):
        wrapped = textwrap.wrap(outcome.label, width - 4)
        lines.append([(KEY, f"{number:>2} "), (PLAIN, wrapped[0])])
        lines += [[(PLAIN, "   " + more)] for more in wrapped[1:]]
    return lines


def _remedy(remedy: Remedy, step: Step, width: int) -> list[Line]:
    lines = text_lines(f"Remedy: {remedy.title}  ({_minutes(step.minutes)} with its proof)", width, HEAD)
    if remedy.who != "technician":
        who = {"service": "service", "electrician": "a licensed electrician", "supervisor": "your supervisor"}[
            remedy.who
        ]
        lines += text_lines(f"This is work for {who}. Hand it over; tell them what was found.", width, WARN)
    if remedy.needs:
        lines += text_lines("Needs " + ", ".join(remedy.needs), width, DIM)
    for number, text in enumerate(remedy.steps, start=1):
        lines += text_lines(text, width, indent="   ", first=f"{number}. ")
    lines += text_lines("Proof: " + remedy.proof, width, GOOD)
    lines += text_lines("Follow the machine's manual where it says otherwise.", width, DIM)
    lines.append(
        [
            (HEAD, "Did it help?  "),
            (KEY, " 1 "),
            (PLAIN, "helped  "),
            (KEY, " 2 "),
            (PLAIN, "no change  "),
            (KEY, " 3 "),
            (PLAIN, "worse"),
        ]
    )
    return lines


def _refer(view: Assessment, width: int) -> list[Line]:
    lines: list[Line] = [[(HEAD, "Hand the case over")]]
    for to, text in view.verdict.referrals:
        lines += text_lines(f"{to}: {text}", width, indent="  ", first="- ")
    if not view.verdict.referrals:
        lines += text_lines(
            "Nothing left here is worth its minutes. Give the case to service or your supervisor with what was found; 'advisor case' prints it.",
            width,
        )
    lines.append([(KEY, " 1 "), (PLAIN, "hand it over and close the case")])
    return lines


def cause_lines(view: Assessment, cause: str, width: int) -> list[Line]:
    """What speaks for and against a cause."""
    record = view.kb.causes[cause]
    p = view.posterior.cause[cause]
    lines: list[Line] = [[(HEAD, f"{record.title}: {p:.0%}, {likelihood_word(p)}")]]
    lines += text_lines(record.why, width, indent="  ", first="  ")
    lines += text_lines(
        f"Before any answer: {record.prior.per_hundred:g} of 100 bad results ({_source(view.compiled, record.prior.source)})",
        width,
        DIM,
        "  ",
        "  ",
    )
    for odds, because in view.compiled.setting_terms(record, view.state.choices, view.state.numbers):
        lines += text_lines(f"odds x {odds:g}: {because}", width, DIM, "    ", "  ")
    return lines + _reasons(view, cause, width, 8)[1:]


def _reasons(view: Assessment, cause: str, width: int, count: int) -> list[Line]:
    """A cause with its weightiest findings for and against."""
    p = view.posterior.cause[cause]
    lines: list[Line] = [[(HEAD, f"{view.kb.causes[cause].title}: {p:.0%}, {likelihood_word(p)}")]]
    for reason in view.reasons(cause)[:count]:
        if reason.ratio > 1.05:
            lines += text_lines(f"for      x{reason.ratio:<6.3g} {reason.text}", width, GOOD, " " * 18, "  ")
        elif reason.ratio < 0.95:
            lines += text_lines(
                f"against  /{1 / max(reason.ratio, 1e-3):<6.3g} {reason.text}", width, BAD, " " * 18, "  "
            )
    return lines


def why_lines(view: Assessment, step: Step, width: int) -> list[Line]:
    """Why this step, what speaks for and against the two leading causes, and what would change the ranking most."""
    lines: list[Line] = [[(HEAD, "Why this step")]]
    text = f"{view.step_reason(step)}. By repairs alone: about {view.plan.now:.0f} min to a proven fix; "
    text += f"beginning with this: about {step.expected:.0f} min."
    lines += text_lines(text, width, indent="  ", first="  ")
    for entry in view.ranking[:2]:
        lines += _reasons(view, entry.cause, width, 3)
    for names, chance in [(names, p) for names, p in view.pairs if len(names) >= 2 and p > 0.05][:1]:
        both = " and ".join(view.kb.causes[c].title.lower() for c in names)
        lines += text_lines(f"{chance:.0%}: {both} together", width, indent="  ", first="  ")
    movers = view.movers(2)
    if movers:
        lines.append([(HEAD, "What would change it most")])
        for mover in movers:
            check = view.kb.checks[mover.check]
            what = f"{check.title}: '{check.outcome(mover.outcome).label}' would put it at {mover.after:.0%}"
            lines += text_lines(what, width, indent="    ", first="  ")
    more = f"'why 1' tells all about the first cause; {len(view.firings)} rules fired: 'why rules' shows them."
    return lines + text_lines(more, width, DIM)


def rather_lines(view: Assessment, first: str, second: str, width: int) -> list[Line]:
    """Why one cause rather than another, term by term; the factors multiply to the odds."""
    kb = view.kb
    lines = text_lines(f"'{kb.causes[first].title}' rather than '{kb.causes[second].title}'", width, HEAD, "  ", "")
    total = 0.0
    for term in view.why_rather(first, second):
        total += term.log_ratio
        style = GOOD if term.log_ratio > 0.05 else BAD if term.log_ratio < -0.05 else DIM
        lines += text_lines(f"x {math.exp(term.log_ratio):<8.3g}{term.text}", width, style, " " * 12, "  ")
    return lines + text_lines(f"together x {math.exp(total):.3g}, each taken alone", width, HEAD, "  ", "  ")


def rules_lines(view: Assessment, width: int) -> list[Line]:
    """The rules that fired, what they stood on and what they concluded."""
    lines: list[Line] = []
    for firing in view.firings:
        lines += text_lines(f"{_conclusion(view, firing)}", width, HEAD, indent="  ", first="- ")
        lines += text_lines(
            f"{firing.because} (rule {firing.rule}: {'; '.join(firing.facts)})", width, DIM, "    ", "    "
        )
    return lines or [[(DIM, "No rule has fired yet.")]]


def _conclusion(view: Assessment, firing: Firing) -> str:
    """A rule's conclusion in words."""
    kb, then = view.kb, view.kb.rules[firing.rule].then
    if then.exclude:
        return f"Rules out: {kb.causes[then.exclude].title}"
    if then.derive:
        return f"Means: {kb.findings[then.derive].text}"
    if then.caution:
        return f"{kb.cautions[then.caution].signal.capitalize()}: {kb.cautions[then.caution].text.split('. ')[0]}"
    if then.answer:
        check = kb.checks[then.answer.check]
        return f"Answers '{check.title}': {check.outcome(then.answer.outcome).label}"
    if then.first:
        later = [(kb.checks.get(k) or kb.remedies[k]).title.lower() for k in then.first.before]
        return f"First '{kb.checks[then.first.check].title.lower()}', then {', '.join(later)}"
    if then.refer:
        return f"Refer to {then.refer.to}: {then.refer.text}"
    return f"Stop: {then.stop}"


def _source(compiled: Compiled, key: str) -> str:
    source = compiled.kb.sources.get(key)
    return source.title if source else key


def list_lines(view: Assessment, steps: Sequence[Step], width: int) -> list[Line]:
    """Every check and remedy that makes sense now, numbered."""
    lines: list[Line] = []
    for number, step in enumerate(steps, start=1):
        title = step_title(view, step)
        lines.append(
            [
                (KEY, f"{number:>3} "),
                (PLAIN, f"{title[: width - 22]:<{max(width - 22, 10)}}"),
                (DIM, f" {_minutes(step.minutes):>13}"),
            ]
        )
    return lines


def help_lines(width: int) -> list[Line]:
    """The commands."""
    lines: list[Line] = [[(HEAD, "Answer by number or word. These work at every question:")]]
    for command in COMMANDS:
        also = f" ({', '.join(command.also[:2])})"
        lines += [
            [(KEY, f"  {command.word:<8}"), (PLAIN, text)] if i == 0 else [(PLAIN, " " * 10 + text)]
            for i, text in enumerate(textwrap.wrap(command.help + also, width - 11))
        ]
    lines += text_lines(
        "A reading may be typed as 0,55 MPa, 5.5 bar, 80 psi, 12 um, 8 Bx; add '@ test-gauge' to name the instrument.",
        width,
        DIM,
    )
    return lines


def summary_lines(view: Assessment, case: str, width: int) -> list[Line]:
    """The end of a case, to read aloud."""
    kb, state = view.kb, view.state
    symptoms = [kb.symptoms[s].title.lower() for s, there in state.symptoms.items() if there]
    parts = [
        f"Case {case}"
        + (f", mill {clean(state.mill)}" if state.mill else "")
        + ": "
        + (", ".join(symptoms) or "no symptom named")
        + "."
    ]
    helped = state.helped
    if state.cause:
        sure = "confirmed" if state.closed == "confirmed" else "likely"
        parts.append(f"Cause, {sure}: {kb.causes[state.cause].title.lower()}.")
    elif view.ranking and state.closed != "open":
        top = view.ranking[0]
        parts.append(f"Likeliest cause: {top.title.lower()} ({top.probability:.0%}), not proven.")
    if helped:
        proof = state.proofs.get(helped)
        parts.append(
            f"What helped: {kb.remedies[helped].title.lower()}"
            + (", proof test passed." if proof else ", proof test still owed.")
        )
    kept_away = [t for t in kb.care.values() if state.cause in t.prevents and t.who == "technician"]
    if kept_away:
        parts.append(
            "So that it stays away: " + "; ".join(f"{t.title.lower()}, {t.interval}" for t in kept_away[:2]) + "."
        )
    endings = {
        "confirmed": "Closed as confirmed.",
        "fixed-unproven": "Closed as fixed, cause not proven.",
        "referred": "Handed over.",
        "open": "Left open.",
    }
    parts.append(endings.get(str(state.closed), "Still open."))
    parts.append(
        f"{len(state.answers)} checks answered, {len(state.remedies)} {'remedy' if len(state.remedies) == 1 else 'remedies'} tried, about {state.minutes:.0f} minutes by the book."
    )
    return text_lines(" ".join(parts), width)
