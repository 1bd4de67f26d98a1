"""A run as one screen: what was read, the formula with the numbers, the result with its doubt, limits, meaning."""

from __future__ import annotations

import math

from advisor.calc.base import Calculation, Input, put
from advisor.calc.run import Result, Run, Verdict, budget
from advisor.calc.take import Taken, shown
from advisor.model import Knowledge, Source
from advisor.screen import Glyphs, Line, rule_line, text_lines

__all__ = ["figure_text", "input_help", "sheet_lines"]

SCREEN = 23


def figure_text(result: Result, pm: str = "+-") -> str:
    """'0.95 L/min +- 0.31': the value rounded to the second digit of its expanded uncertainty (JCGM 100, 7.2.6)."""
    unit = "" if result.figure.unit == "1" else f" {result.figure.unit}"
    if result.u <= 0 or not math.isfinite(result.u):
        return put(result.value, digits=4) + unit
    places = 1 - math.floor(math.log10(result.expanded))
    if places > 6 or abs(result.value) >= 1e7:
        return f"{put(result.value, digits=4)}{unit} {pm} {put(result.expanded, digits=2)}"
    spread = round(result.expanded, places)
    shown_places = max(places, 0)
    value = round(result.value, places) + 0.0  # no -0
    return f"{value:.{shown_places}f}{unit} {pm} {spread:.{shown_places}f}"


def _from(taken: Taken, kb: Knowledge) -> str:
    if taken.origin == "default":
        return "usual value"
    if taken.origin == "profile":
        usual = next((f for f in kb.vocabulary.mill if f.id == taken.input.profile), None)
        same = usual is not None and taken.typed.split()[0] == repr(usual.default)
        return "usual value" if same else "the mill's papers"
    if taken.instruments:
        return taken.instruments[0].replace("-", " ")
    if taken.input.percent:
        return f"taken as +-{taken.input.percent:g} %"
    return ""


def sheet_lines(
    run: Run, kb: Knowledge, width: int, glyphs: Glyphs, outcomes: tuple[str, ...] = (), figure: str | None = None
) -> list[Line]:
    """The sheet. `outcomes`, when it is run for a check, are its outcomes in words with their probability: they stand
    in place of the calculation's own limits; `figure` is the one the check asks for (the first, if it names none). When
    it would not fit one screen, usual values share a line."""
    lead = run.results.get(figure or "") or run.main
    lines = _lines(run, kb, width, glyphs, outcomes, lead, short=False)
    return lines if len(lines) <= SCREEN else _lines(run, kb, width, glyphs, outcomes, lead, short=True)


def _lines(
    run: Run, kb: Knowledge, width: int, glyphs: Glyphs, outcomes: tuple[str, ...], lead: Result | None, short: bool
) -> list[Line]:
    pm = "±" if glyphs.rule != "-" else "+-"
    out: list[Line] = [rule_line(width, run.calc.title, glyphs)]
    rows = [t for t in run.taken.values() if t.origin != "missing"]
    usual = [t for t in rows if t.origin in ("default", "profile")] if short else []
    rows = [t for t in rows if t not in usual]
    wide = max((len(t.input.ask) for t in rows), default=0)
    for taken in rows:
        front = f" {taken.input.symbol:<4}{taken.input.ask[: min(wide, 40)]:<{min(wide, 40)}}  "
        head = front + shown(taken, width - len(front))
        note = _from(taken, kb)
        place = max(min(58, width - len(note)), len(head) + 2)
        room = width - place
        out.append(
            [("", head[:width])] + ([("dim", " " * (place - len(head)) + note[:room])] if note and room > 8 else [])
        )
    if usual:
        told = "; ".join(f"{t.input.ask} {shown(t)}" for t in usual)
        out += text_lines(f"Usual values: {told}", width - 1, "dim", indent="     ", first=" ")
    for text in run.worked.lines:
        out += text_lines(text, width - 1, "", indent="     ", first="   ")
    for result in run.results.values():
        style = "key" if result is lead else ""
        tail = "  (95 %: k = 2)" if result is lead and result.u > 0 else ""
        out.append(
            [
                ("", f" {result.figure.label + ' ' + result.figure.symbol:<36} "),
                (style, figure_text(result, pm)),
                ("dim", tail),
            ]
        )
    if outcomes:
        out += [[("head", f" {text}")] for text in outcomes]
    else:
        for verdict in run.verdicts:
            out += _verdict(verdict, width)
        if run.worked.classes:
            names = {c.id: c.label for c in run.calc.classes}
            ranked = sorted(run.worked.classes.items(), key=lambda kv: -kv[1])
            out += [
                [("head" if i == 0 else "", f" {p:4.0%}  {names[k]}")] for i, (k, p) in enumerate(ranked) if p >= 0.005
            ][:6]
    parts = budget(run.worked.figures[lead.figure.id]) if lead is not None and lead.u > 0 else ()
    if parts and parts[0][1] >= 0.3:
        out += text_lines(f"Most of the doubt: {_doubt(run, kb, *parts[0])}.", width - 1, "dim", indent=" ")
    for text in run.worked.says:
        out += text_lines(text, width - 1, indent=" ")
    plain = {"physics": "follows from the formula shown"}
    named = [s for s in run.calc.sources if s != "physics"] or ["physics"]
    cited = [plain.get(s) or _cited(kb.sources[s], short) for s in named if s in kb.sources]
    if cited:
        out += text_lines("Source: " + "; ".join(cited), width - 1, "dim", indent=" ")
    return out


def _cited(source: Source, short: bool) -> str:
    """A source's title and, when nobody read it, how it is known; `short` leaves out what it says."""
    known = {"memory": "from memory", "second-hand": "second-hand"}.get(source.known, "")
    title = source.title.split(": ")[0] if short else source.title
    return f"{title} ({known})" if known and known not in title else title


def _verdict(verdict: Verdict, width: int) -> list[Line]:
    style = {"kept": "good", "not kept": "bad"}.get(verdict.word, "warn")
    return text_lines(
        f"Limit {verdict.limit.label}: {verdict.word} ({_chance(verdict.probability)} that it is)",
        width - 1,
        style,
        indent=" ",
    )


def _chance(p: float) -> str:
    return "over 99 %" if p > 0.99 else "under 1 %" if p < 0.01 else f"{p:.0%}"


def _doubt(run: Run, kb: Knowledge, key: str, share: float) -> str:
    try:
        name = run.calc.input(key).ask
    except KeyError:
        name = f"what readings with the {key.replace('-', ' ')} have in common" if key in kb.instruments else key
    return f"{name}, {share:.0%}"


def input_help(calc: Calculation, spec: Input, kb: Knowledge) -> str:
    """One paragraph on an input: what, allowed range, what it is read with, how to type it."""
    parts = [f"{spec.ask}: {spec.range_text}."]
    if spec.columns:
        sample = calc.example.get(spec.id)
        such = f", such as: {sample[0]}" if isinstance(sample, list | tuple) and sample else ""
        parts.append(f"One line each{such}. 'back' takes the last one out, '2: ...' puts line 2 right.")
    elif spec.several:
        parts.append("All readings in one line, with blanks between.")
    if spec.instrument and spec.instrument in kb.instruments:
        parts.append(f"Read with: {kb.instruments[spec.instrument].title}; another: put '@' and its id behind it.")
    if spec.default:
        parts.append(f"Enter takes {spec.default}.")
    elif spec.optional:
        parts.append("Enter leaves it out.")
    return " ".join(p for p in parts if p)
