"""A calculation at the desk: asks for what is missing, shows the sheet, lets a reading be corrected. Knows no case."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from advisor.calc.base import CalcError, Calculation, Input
from advisor.calc.picture import terminal
from advisor.calc.run import Run, carry_out
from advisor.calc.sheet import input_help, sheet_lines
from advisor.calc.take import Taker, read_input
from advisor.console import Desk
from advisor.dialogue import clean
from advisor.model import Knowledge
from advisor.screen import caution_box, text_lines

if TYPE_CHECKING:
    from advisor.screen import Line

__all__ = ["CalcTalk", "choose", "listing"]

_HELP = ("?", "help", "h")
_BACK = ("back", "undo")
_LEAVE = ("leave", "cancel", "stop", "quit", "exit")
_PLOT = ("plot", "picture", "p")
_LINE = re.compile(r"(\d{1,3})\s*:\s*(\S.*)")


class CalcTalk:
    """One run of a calculation. `typed` holds the inputs given so far, by input id; it grows as they are typed, and
    `keep` is told of each one at once, so that nothing typed is lost. `figure` is the one that is asked for."""

    def __init__(
        self,
        desk: Desk,
        kb: Knowledge,
        calc: Calculation,
        profile: Mapping[str, float],
        typed: Mapping[str, Any] | None = None,
        fixed: Mapping[str, str] | None = None,
        keep: Callable[[str, Any], None] = lambda key, value: None,
        figure: str | None = None,
    ) -> None:
        self.desk, self.kb, self.calc, self.keep, self.figure = desk, kb, calc, keep, figure
        self.profile, self.fixed = dict(profile), dict(fixed or {})
        self.typed: dict[str, Any] = dict(typed or {})
        self.passed: set[str] = set()  # left out with Enter
        self.units = {f.id: f.unit for f in kb.vocabulary.mill}

    def ask(self, again: bool = False) -> Run | None:
        """Ask for every input not given yet (for all, the old ones offered again, when `again`), and work it out.
        None when the technician leaves. Raises Paused as the desk does."""
        wanted = self._open()
        missing = wanted if again else [i for i in wanted if i.id not in self.typed and i.id not in self.passed]
        if missing and not self._each(missing):
            return None
        while True:
            try:
                return carry_out(self.calc, self.typed, self.kb, self.profile, self.fixed)
            except CalcError as error:
                self.desk.say(str(error), "warn")
                wrong = [i for i in wanted if i.id == error.field] or wanted[:1]
                if not self._each(wrong):
                    return None

    def _each(self, inputs: list[Input]) -> bool:
        place = 0
        while place < len(inputs):
            answer = self._one(inputs[place])
            if answer == "leave":
                return False
            place = max(place - 1, 0) if answer == "back" else place + 1
        return True

    def _one(self, spec: Input) -> str:
        """Ask for one input until it can be used; 'next', 'back' or 'leave'."""
        if spec.columns:
            return self._table(spec)
        hint = "/".join(spec.choices) if spec.choices else ("" if spec.unit == "1" else spec.unit)
        usual = self._usual(spec)
        while True:
            label = f"{spec.ask}{f' [{hint}]' if hint else ''}{f' (Enter: {usual})' if usual else ''}: "
            text = clean(self.desk.ask(label, words=spec.choices))
            lowered = text.lower()
            if lowered in _HELP:
                self.desk.say(input_help(self.calc, spec, self.kb), "dim")
            elif lowered in _BACK or lowered in _LEAVE:
                return "back" if lowered in _BACK else "leave"
            elif not text and (usual or spec.optional):
                self.passed.add(spec.id)
                return "next"
            elif not text:
                self.desk.say(f"This one is needed: {spec.range_text}. 'leave' goes back without it.", "warn")
            elif self._fits(spec, text):
                return "next"

    def _usual(self, spec: Input) -> str:
        """What Enter takes: what was typed before, the value of the mill's papers, or the usual one."""
        if spec.id in self.typed:
            return str(self.typed[spec.id])
        if spec.profile and spec.profile in self.profile:
            return f"{self.profile[spec.profile]:g} {self.units.get(spec.profile, spec.unit)}"
        return spec.default or ("leave it out" if spec.optional else "")

    def _table(self, spec: Input) -> str:
        head = ", ".join(c.range_text_short for c in spec.columns)
        sample = self.calc.example.get(spec.id)
        such = f"  such as: {sample[0]}" if isinstance(sample, list | tuple) and sample else ""
        self.desk.say(f"{spec.ask}, one line each: {head}.{such}", "head")
        so_far = replace(spec, several=(1, (spec.several or (1, 200))[1]))
        rows: list[str] = [str(r) for r in self.typed.get(spec.id, [])]
        if rows:
            self.desk.say(
                "So far: "
                + "; ".join(rows)
                + ". More lines; 'back' takes the last one out, '2: ...' puts line 2 right.",
                "dim",
            )
        while True:
            text = clean(self.desk.ask(f"line {len(rows) + 1} (Enter ends): "))
            lowered = text.lower()
            if lowered in _HELP:
                self.desk.say(input_help(self.calc, spec, self.kb), "dim")
            elif lowered in _LEAVE:
                return "leave"
            elif lowered in _BACK:
                if not rows:
                    return "back"
                self.desk.say(f"Taken out: {rows.pop()}", "good")
                self._remember(spec, list(rows))
            elif not text:
                if (not rows and spec.optional) or self._fits(spec, rows):
                    self.passed.add(spec.id)
                    return "next"
            else:
                put_right = _LINE.match(text)
                place = int(put_right[1]) if put_right else len(rows) + 1
                if not 1 <= place <= len(rows) + 1:
                    self.desk.say(f"There is no line {place}: lines 1 to {len(rows)} can be put right.", "warn")
                    continue
                changed = [*rows[: place - 1], put_right[2] if put_right else text, *rows[place:]]
                try:  # too few lines so far is no fault yet
                    read_input(so_far, changed, Taker(self.kb.instruments))
                except CalcError as error:
                    self.desk.say(str(error), "warn")
                else:
                    rows[:] = changed
                    self._remember(spec, list(rows))

    def _fits(self, spec: Input, typed: Any) -> bool:
        try:
            read_input(spec, typed, Taker(self.kb.instruments))
        except CalcError as error:
            self.desk.say(str(error), "warn")
            return False
        if self.typed.get(spec.id) != typed:
            self._remember(spec, typed)
        return True

    def _remember(self, spec: Input, typed: Any) -> None:
        self.typed[spec.id] = typed
        self.keep(spec.option, typed)

    def warn(self) -> None:
        """The cautions of what has to be done for the readings."""
        for caution in self.kb.cautions.values():
            if set(caution.covers) & set(self.calc.hazards):
                self.desk.show(caution_box(caution, self.desk.width, self.desk.glyphs))

    def show(self, run: Run, outcomes: tuple[str, ...] = ()) -> None:
        """The sheet of a run."""
        self.desk.show(sheet_lines(run, self.kb, self.desk.width, self.desk.glyphs, outcomes, self.figure))

    def plot(self, run: Run) -> None:
        """The picture of a run, if there is one."""
        if run.worked.plot is None:
            self.desk.say("This calculation has no picture.", "warn")
            return
        self.desk.show([[("", text)] for text in terminal(run.worked.plot, min(self.desk.width, 100)).split("\n")])

    def _open(self) -> list[Input]:
        """The inputs that may be typed: all but those the check has fixed."""
        fixed = {k.replace("-", "_") for k in self.fixed}
        return [i for i in self.calc.inputs if i.id not in fixed]

    def correct(self, text: str) -> bool:
        """Ask again for the input meant by its symbol, name or words of its question; False when none is meant."""
        typed = re.sub(r"(?i)^change\s+", "", clean(text)).strip()
        wanted = typed.lower()
        open_inputs = self._open()
        named = [i for i in open_inputs if i.symbol == typed]  # T is not t
        exact = [i for i in open_inputs if wanted in (i.option, i.id, i.symbol.lower(), i.ask.lower())]
        near = [i for i in open_inputs if len(wanted) >= 3 and (wanted in i.option or wanted in i.ask.lower())]
        found = named or exact or near
        if not wanted or len(found) != 1:
            return False
        self._one(found[0])
        return True

    def end(self, run: Run, accept: str, outcomes: Callable[[Run], tuple[str, ...]] = lambda run: ()) -> Run | None:
        """Let the technician look, correct and accept; None when the result is not to be used."""
        picture = "'plot' shows the curve; " if run.worked.plot is not None else ""
        while True:
            text = clean(self.desk.ask(f"Enter {accept}; {picture}a symbol corrects it; 'leave': "))
            symbol = bool(text) and any(i.symbol == text for i in self._open())  # p, h and n may be symbols
            lowered = "" if symbol else text.lower()
            if not symbol and lowered in ("", "yes", "y", "ok"):
                return run
            if lowered in (*_LEAVE, "no", "n"):
                return None
            if lowered in _PLOT:
                self.plot(run)
            elif lowered in _HELP:
                names = ", ".join(f"{i.symbol} {i.option}".strip() for i in self._open())
                self.desk.say(f"Type the symbol or name of what is to be corrected: {names}.", "dim")
            elif self.correct(self._open()[-1].option if lowered in _BACK else text):
                again = self.ask()
                if again is None:
                    return None
                run = again
                self.show(run, outcomes(run))
            else:
                self.desk.say(
                    f"'{text[:30]}': Enter, 'leave', or one of {', '.join(i.symbol or i.option for i in self._open())}",
                    "warn",
                )


def choose(text: str, calcs: Mapping[str, Calculation]) -> list[Calculation]:
    """The calculations meant: by id, by its beginning, by subject, or by words of id and title."""
    wanted = clean(text).lower()
    if wanted in calcs:
        return [calcs[wanted]]
    for match in (
        [c for c in calcs.values() if c.subject == wanted],
        [c for c in calcs.values() if c.id.startswith(wanted)],
        [c for c in calcs.values() if all(w in f"{c.id} {c.title}".lower() for w in wanted.split())],
    ):
        if match and wanted:
            return match
    return []


def listing(calcs: Sequence[Calculation], width: int) -> list[Line]:
    """Calculations one line each with their question; many of them by subject, names only, to fit one screen."""
    if len(calcs) <= 16:
        return [
            line
            for calc in calcs
            for line in text_lines(f"{calc.id:<20} {calc.answers}", width - 1, indent=" " * 22, first=" ")
        ]
    subjects: dict[str, list[str]] = {}
    for calc in calcs:
        subjects.setdefault(calc.subject, []).append(calc.id)
    return [
        line
        for subject, names in subjects.items()
        for line in _packed(f"{subject + ':':<13} {', '.join(names)}", width - 1)
    ]


def _packed(text: str, width: int) -> list[Line]:
    wrapped = textwrap.wrap(text, width, initial_indent=" ", subsequent_indent=" " * 15, break_on_hyphens=False)
    return [[("", line)] for line in wrapped]
