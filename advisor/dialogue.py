"""What a technician types at a question -> what is meant. Pure: text in, a `Reply` out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from rapidfuzz import process

from advisor.compiled import Compiled
from advisor.facts import Step
from advisor.model import CheckOutcome
from advisor.readings import ReadingError, parse_reading
from advisor.session import RESULTS

__all__ = [
    "COMMANDS",
    "Command",
    "Misread",
    "Reply",
    "alias",
    "clean",
    "find_check",
    "number",
    "pick",
    "read_command",
    "read_reply",
]


class Misread(ValueError):
    """What was typed is no answer here; the text says what to type instead."""


@dataclass(frozen=True)
class Command:
    """A command that works at every question: its word, other words for it, and one line of help."""

    word: str
    also: tuple[str, ...]
    help: str


COMMANDS: tuple[Command, ...] = (
    Command("help", ("?", "h"), "Show this list."),
    Command(
        "why", ("w",), "Why this step, what speaks for and against the leading causes; 'why 2', 'why 1 2', 'why rules'."
    ),
    Command("rank", ("ranking", "causes"), "Show the causes as they stand."),
    Command(
        "unknown", ("u", "dk", "don't know", "dont know", "no idea"), "You cannot tell: the next best question comes."
    ),
    Command("skip", ("s", "later"), "Leave this one out."),
    Command("back", ("undo",), "Take the last answer back."),
    Command("change", ("correct",), "Correct an earlier answer: 'change' lists them; 'change 2'."),
    Command("calc", ("work",), "Work this reading out from others; 'calc list' shows all."),
    Command("list", ("checks",), "Checks and remedies that make sense now; 'list all'."),
    Command("do", ("go",), "Do another step: 'do 4' from the list, or a word of its name."),
    Command("also", ("symptom",), "Add something else you see: 'also burr broke'."),
    Command("setting", ("set",), "Tell or correct the circumstances: 'setting burr_hours 25'."),
    Command("note", ("n",), "Write a note into the case: 'note collet was new last week'."),
    Command("before", ("history",), "What the log knows of this mill: this complaint before."),
    Command("attach", ("photo", "file"), "Keep a photo or file with the case: 'attach chip.jpg'."),
    Command("close", ("finish", "done"), "End the case: confirmed, fixed, referred."),
    Command("pause", ("quit", "exit", "q"), "Leave now, go on later; nothing is lost (Ctrl-D too)."),
)
_ALIASES = {word: c.word for c in COMMANDS for word in (c.word, *c.also)}


@dataclass(frozen=True)
class Reply:
    """What was meant: a command with its argument, an event to take, or another of the offered steps (1 or 2)."""

    command: str | None = None
    argument: str = ""
    event: dict[str, Any] | None = None
    other: int | None = None


def alias(text: str) -> str | None:
    """The command that a word, typed whole, stands for; None if for none."""
    return _ALIASES.get(text.lower())


def clean(text: str) -> str:
    """Text without control characters and direction overrides, safe to print."""
    kept = (ch if ch.isprintable() or ch == " " else " " for ch in text)
    return re.sub(
        r"\s+", " ", "".join(ch for ch in kept if not "\u202a" <= ch <= "\u202e" and not "\u2066" <= ch <= "\u2069")
    ).strip()


def read_reply(text: str, step: Step, compiled: Compiled, offered: int = 2) -> Reply:
    """Read a reply to a step's question. Raises Misread with what to type instead."""
    typed = clean(text)
    lowered = typed.lower()
    if not typed:
        raise Misread("type an answer, or ? for help")
    answer = _answer(typed, step, compiled)
    if answer is not None:
        return answer
    if lowered in ("a", "b") and (index := "ab".index(lowered) + 1) <= offered:
        return Reply(other=index)
    command = read_command(typed)
    if command is not None:
        return command
    raise Misread(_hint(typed, step, compiled))


def read_command(text: str) -> Reply | None:
    """The command a line begins with, or abbreviates clearly (two letters or more); None if it is none."""
    typed = clean(text)
    lowered = typed.lower()
    for alias in sorted(_ALIASES, key=len, reverse=True):
        if lowered == alias or lowered.startswith(alias + " "):
            return Reply(command=_ALIASES[alias], argument=typed[len(alias) :].strip())
    prefixed = {_ALIASES[a] for a in _ALIASES if len(lowered) >= 2 and a.startswith(lowered)}
    return Reply(command=prefixed.pop()) if len(prefixed) == 1 else None


def _answer(typed: str, step: Step, compiled: Compiled) -> Reply | None:
    lowered = typed.lower()
    if step.kind == "remedy":
        if lowered in _ALIASES:
            return None  # 'help' is no 'helped'
        words = {
            "1": "helped",
            "2": "no-change",
            "3": "worse",
            "yes": "helped",
            "no": "no-change",
            "no change": "no-change",
        }
        result = words.get(lowered) or next((r for r in RESULTS if len(lowered) > 2 and r.startswith(lowered)), None)
        return Reply(event={"type": "remedy", "remedy": step.id, "result": result}) if result else None
    if step.kind == "refer":
        return (
            Reply(event={"type": "close", "how": "referred"})
            if lowered in ("1", "yes", "y", "refer", "hand over")
            else None
        )
    if step.id.startswith("symptom:"):
        yes = {"1": True, "yes": True, "y": True, "2": False, "no": False, "n": False}.get(lowered)
        if yes is None:
            return None
        return Reply(event={"type": "symptom", "symptom": step.id.removeprefix("symptom:"), "present": yes})
    check = compiled.kb.checks[step.id]
    event: dict[str, Any] = {"type": "answer", "check": check.id, "typed": typed}
    if check.measured and (typed[0].isdigit() or typed[0] in "+-.,\u2212"):
        text, _, instrument = (part.strip() for part in typed.partition("@"))
        if instrument and instrument not in compiled.kb.instruments:
            best = process.extractOne(instrument, list(compiled.kb.instruments))
            raise Misread(f"'{instrument}' is no instrument here; did you mean {best[0] if best else 'none'}?")
        try:
            reading = parse_reading(text, check, instrument or None)
        except ReadingError as error:
            raise Misread(str(error)) from None
        return Reply(
            event={**event, "value": repr(reading.value), "unit": reading.unit, "instrument": reading.instrument}
        )
    outcome = pick(lowered, check.outcomes, numbered=not check.measured)
    return Reply(event={**event, "outcome": outcome}) if outcome else None


def pick(lowered: str, outcomes: tuple[CheckOutcome, ...], numbered: bool) -> str | None:
    """The outcome meant by a number, an id, or a word that fits one label only."""
    typed = number(lowered) if numbered else None
    if typed is not None:
        if 1 <= typed <= len(outcomes):
            return outcomes[typed - 1].id
        raise Misread(f"type a number from 1 to {len(outcomes)}")
    for outcome in outcomes:
        if lowered in (outcome.id, outcome.id.replace("-", " "), outcome.label.lower()):
            return outcome.id
    if lowered in _ALIASES or lowered in ("a", "b"):
        return None
    words = [
        o.id
        for o in outcomes
        if len(lowered) >= 3
        and (o.id.startswith(lowered) or any(w.startswith(lowered) for w in re.findall(r"\w+", o.label.lower())))
    ]
    if len(words) == 1:
        return words[0]
    return None


def _hint(typed: str, step: Step, compiled: Compiled) -> str:
    shown = typed[:30]
    if step.kind == "remedy":
        return f"'{shown}': type 1 helped, 2 no change or 3 worse, or ? for help"
    if step.kind == "refer":
        return f"'{shown}': type 1 to hand the case over, 'list' for what else could be done, or ? for help"
    if step.id.startswith("symptom:"):
        return f"'{shown}': type yes or no, or ? for help"
    check = compiled.kb.checks[step.id]
    words = ", ".join(o.id for o in check.outcomes)
    if check.measured:
        return f"'{shown}': type the reading, such as '{_sample(check.plausible_from, check.plausible_to)} {check.unit}', or {words}; ? for help"
    return f"'{shown}': type a number from 1 to {len(check.outcomes)}, or {words}; ? for help"


def _sample(low: float | None, high: float | None) -> str:
    return f"{float(f'{((low or 0) + (high or 1)) / 2:.2g}'):g}"


def number(text: str) -> int | None:
    """A plain whole number typed in ASCII digits; None for anything else."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 7 else None


def find_check(text: str, compiled: Compiled, offered: list[Step]) -> Step:
    """A check or remedy by its number in the offered list, its id, or words of its title. Raises Misread."""
    wanted = clean(text)
    place = number(wanted)
    if place is not None:
        if 1 <= place <= len(offered):
            return offered[place - 1]
        raise Misread(f"the list has numbers 1 to {len(offered)}")
    by_id = {s.id: s for s in offered}
    for name in (wanted, wanted.lower().replace(" ", "-")):
        if name in by_id:
            return by_id[name]
    text_wanted = wanted.lower().removeprefix("remedy:").strip()
    records = {s.id: compiled.kb.checks.get(s.id) or compiled.kb.remedies.get(s.id) for s in offered}
    titles = {key: record.title for key, record in records.items() if record is not None}
    for key, title in titles.items():
        if title.lower() == text_wanted:
            return by_id[key]
    words = [w for w in re.findall(r"[\w']+", text_wanted) if w not in _SMALL]
    if not words:
        raise Misread("say which: 'do 4' from 'list', or a word of its name")
    found = [key for key, title in titles.items() if _all_there(words, f"{title} {key.replace('-', ' ')}")]
    if len(found) == 1:
        return by_id[found[0]]
    if found:
        named = "; ".join(f"{titles[k].lower()} ('do {k}')" for k in found[:4])
        raise Misread(f"several are called so: {named}{' and more' if len(found) > 4 else ''}")
    known = [r.title for r in compiled.kb.checks.values()] + [r.title for r in compiled.kb.remedies.values()]
    later = [title for title in known if _all_there(words, title)]
    if later:
        raise Misread(
            f"'{later[0]}' is not among the steps now: it has been done, or another comes first ('why rules')"
        )
    raise Misread(f"nothing in the list is called '{wanted[:30]}': 'list' shows it, 'calc list' the calculations")


_SMALL = {"the", "a", "an", "of", "in", "on", "at", "to", "and", "or", "for", "with", "do"}


def _all_there(words: list[str], name: str) -> bool:
    """Whether each word begins a word of the name."""
    there = re.findall(r"[\w']+", name.lower())
    return all(any(t.startswith(w) for t in there) for w in words)
