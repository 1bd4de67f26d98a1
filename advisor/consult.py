"""One case at a desk: the loop that asks the session what is next, shows it, and gives the reply back as an event.

It decides nothing, and knows no terminal: the desk prints and asks. Every event is recorded (by the `record` function it
is given) before the next question appears.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, TypeVar

from advisor.compiled import Compiled
from advisor.console import Desk, Paused
from advisor.dialogue import COMMANDS, Misread, Reply, alias, clean, find_check, number, read_command, read_reply
from advisor.facts import Ranked, Step
from advisor.match import Match, Matcher
from advisor.model import Check, SettingField
from advisor.readings import ReadingError, outcome_weights, parse_number
from advisor.recall import Memory, told
from advisor.screen import (
    Line,
    beside,
    cause_lines,
    caution_box,
    help_lines,
    list_lines,
    ranking_lines,
    rather_lines,
    rule_line,
    rules_lines,
    step_lines,
    step_title,
    summary_lines,
    text_lines,
    why_lines,
)
from advisor.session import CaseError, Event, Session, State, in_full

if TYPE_CHECKING:
    from advisor.assess import Assessment

__all__ = ["Consultation"]

T = TypeVar("T")
WIDE = 112


def _warm(compiled: Compiled, more: Callable[[], None] | None) -> None:
    """Import and build the engines while the complaint is typed, and then what else is slow to open."""
    from advisor.assess import Assessment

    view = Assessment(compiled, State(profile=compiled.defaults))
    view.verdict  # noqa: B018
    view.plan  # noqa: B018
    if more is not None:
        more()


class _Moved(Exception):
    """A command has moved the case on; the next turn begins."""


class Consultation:
    """One case at the console.

    `record` writes an event durably and returns the case's id; it may raise OSError-like errors of its own kind
    `fault`, which are shown and tried again, so that no answer is lost to a full disk. `memory` is what the log knows of
    the mill; `attach` stores a file, given by its path, and returns the event that keeps it with the case;
    `warm` is called in the background while the complaint is typed.
    """

    def __init__(
        self,
        compiled: Compiled,
        session: Session,
        desk: Desk,
        record: Callable[[Event], str],
        fault: type[Exception] = OSError,
        case: str = "",
        memory: Memory | None = None,
        attach: Callable[[str, str], Event] | None = None,
        warm: Callable[[], None] | None = None,
    ) -> None:
        self.compiled, self.session, self.desk = compiled, session, desk
        self.record, self.fault, self.case = record, fault, case
        self.memory, self.attach, self.warm = memory, attach, warm
        self.matcher = Matcher(compiled.kb.symptoms.values())
        self.chosen: Step | None = None
        self.shown: set[str] = set()
        self.unwritten = False
        self._warming: threading.Thread | None = None
        self._view: Assessment | None = None

    # -- recording ------------------------------------------------------------------------------------------------

    def take(self, event: Event) -> None:
        """Check an event, write it down, and only then go on. CaseError when it does not fit."""
        event = in_full(self.compiled, event)
        self.session.take(event)
        self._view = None
        self.unwritten = True
        while True:
            try:
                self.case = self.record(event)
                self.unwritten = False
                return
            except self.fault as error:
                self.desk.say(str(error), "bad")
                self.desk.ask("Not written yet. Enter tries again, Ctrl-D leaves: ")

    @property
    def view(self) -> Assessment:
        """The assessment of the case as it stands."""
        if self._warming is not None:
            self._warming.join()
            self._warming = None
        if self._view is None:
            from advisor.assess import Assessment

            self._view = Assessment(self.compiled, self.session.state)
        return self._view

    # -- opening --------------------------------------------------------------------------------------------------

    def run(self) -> bool:
        """Talk until the case is closed (True) or paused (False)."""
        try:
            if not any(self.session.state.symptoms.values()):
                self._complaint()
                self._remember()
                self._setting()
            else:
                self._welcome_back()
            while not self.session.state.closed:
                self._turn()
            self.desk.show([rule_line(self.desk.width, "Summary", self.desk.glyphs)])
            self.desk.show(summary_lines(self.view, self.case, self.desk.width))
            return True
        except Paused:
            self.desk.say("")
            if self.unwritten:
                self.desk.say("Left. The last answer could NOT be written down; all before it are kept.", "bad")
            elif self.case:
                self.desk.say(f"Paused; every answer is kept. Go on with: advisor resume {self.case}")
            else:
                self.desk.say("Nothing was begun.")
            return False

    def _welcome_back(self) -> None:
        state = self.session.state
        done = [self.view.finding_text(c) for c in state.answers]
        self.desk.say(
            f"Case {self.case} goes on: "
            + "; ".join(self.compiled.kb.symptoms[s].title for s, t in state.symptoms.items() if t)
            + ".",
            "head",
        )
        if done:
            self.desk.say(
                "So far: " + "; ".join(done[-4:]) + ("" if len(done) <= 4 else f" and {len(done) - 4} more") + "."
            )

    def _complaint(self) -> None:
        self.desk.say("What went wrong? Say it in your own words, as short as you like. (? for help)", "head")
        if self._warming is None and self._view is None:
            self._warming = threading.Thread(target=_warm, args=(self.compiled, self.warm), daemon=True)
            self._warming.start()
        while True:
            text = clean(self.desk.ask("> ", matcher=self.matcher))
            if text in ("?", "help", "list"):
                self._symptom_list()
                continue
            if not text:
                continue
            found = self._understood(text)
            if not found:
                self.desk.say("No complaint known here fits that. Try other words, or 'list' for all of them.", "warn")
                continue
            self.take({"type": "complaint", "text": text})
            for symptom in found:
                self.take({"type": "symptom", "symptom": symptom, "present": True})
            return

    def _remember(self, asked: bool = False) -> None:
        """Say what the log knows of this mill; a log that cannot tell does not hold up the case."""
        found, lines = None, []
        if self.memory is not None:
            self.memory.case = self.case
            try:
                found = self.memory.before(s for s, there in self.session.state.symptoms.items() if there)
            except self.fault as error:
                lines = [str(error)]
        if found is not None:
            lines = told(found, self.compiled.kb)
        if lines:
            for line in lines:
                self.desk.say(clean(line), "warn" if "NOT" in line else "dim")
        elif asked:
            known = self.session.state.mill
            self.desk.say(
                f"Nothing like it on {clean(known)} in the last two years." if known else "The case has no mill.", "dim"
            )

    def _usual(self, check: Check) -> str:
        """The usual range of a reading on this mill, to say beside a new one."""
        if self.memory is None:
            return ""
        try:
            found = self.memory.usual(check.id, str(check.unit), lambda value: self._sound(check, value))
        except self.fault:
            return ""
        if found is None:
            return ""
        unit = f" {check.unit}" if check.unit != "1" else ""
        return (
            f"Sound on this mill so far: {found.low:.4g} to {found.high:.4g}{unit} ({found.sound} of {found.count} "
            f"readings); the last one {found.last:.4g}{unit} on {found.at[:10]}."
        )

    def _sound(self, check: Check, value: float) -> bool:
        """Whether a reading is likeliest what a sound mill shows."""
        instrument = self.compiled.kb.instruments[str(check.instrument)]
        weights = outcome_weights(check, value, instrument, self.session.state.profile)
        return max(weights, key=lambda o: weights[o]) == check.outcomes[0].id

    def _symptom_list(self) -> None:
        lines: list[Line] = []
        for place, symptom in enumerate(self.compiled.kb.symptoms.values(), start=1):
            lines.append([("key", f"{place:>3} "), ("", symptom.title), ("dim", f"  {symptom.say[0]}")])
        self.desk.show(lines)
        self.desk.say("Type words of one, or its number; several with 'and'.", "dim")

    def _understood(self, text: str) -> list[str]:
        """The symptoms meant: one that is clear is taken, else the technician picks by number."""
        ids = list(self.compiled.kb.symptoms)
        numbers = text.replace(",", " ").replace("and", " ").split()
        places = self._places(numbers, len(ids))
        if places:
            return [ids[p - 1] for p in places]
        parts = [p for p in re.split(r"\s+and\s+|,|;", text) if p.strip()]
        if len(parts) > 1:
            each = [self.matcher.match(part) for part in parts]
            if all(e and e[0].score >= 0.6 for e in each):
                picked = list(dict.fromkeys(e[0] for e in each))
                self.desk.say("Understood: " + "; ".join(dict.fromkeys(m.title for m in picked)) + ".", "good")
                return list(dict.fromkeys(m.symptom for m in picked))
        found = self.matcher.match(text)
        exact = [m for m in found if m.title.lower() == text.lower()]
        if exact:
            return [exact[0].symptom]
        if not found:
            return []
        if found[0].score >= 0.75 and (len(found) == 1 or found[1].score < 0.7 * found[0].score):
            self.desk.say(f"Understood: {found[0].title}.", "good")
            return [found[0].symptom]
        return self._choose(found)

    @staticmethod
    def _places(words: Sequence[str], count: int) -> list[int]:
        """The words as numbers from 1 to `count`; empty unless every one is."""
        places = [number(w) for w in words]
        return [p for p in places if p is not None] if all(p and p <= count for p in places) else []

    def _choose(self, found: Sequence[Match]) -> list[str]:
        found = [m for m in found if m.score >= 0.6 * found[0].score]
        self.desk.show([[("key", f"{i:>3} "), ("", m.title)] for i, m in enumerate(found, start=1)])
        while True:
            text = clean(
                self.desk.ask("Which? A number, several with a space, Enter for the first, 0 for none of them: ")
            )
            if text == "0":
                return []
            picked = text.replace(",", " ").split() or ["1"]
            places = self._places(picked, len(found))
            if places:
                return [found[p - 1].symptom for p in places]
            self.desk.say(f"Type numbers from 1 to {len(found)}.", "warn")

    def _setting(self) -> None:
        """Ask what matters most for this complaint: the material and one more, each skipped with Enter."""
        fields = self._useful_fields()
        fields = sorted(fields, key=lambda f: f.id != "material")[:2]
        if fields:
            self.desk.say("A few words about the circumstances. Enter skips; 'setting' adds more later.", "dim")
        for entry in fields:
            hint = "/".join(entry.choices) if entry.choices else (entry.unit if entry.unit != "1" else "number")
            while True:
                text = clean(self.desk.ask(f"{entry.ask} [{hint}] ", words=entry.choices))
                if not text or text.lower() in ("?", "dunno") or alias(text) == "unknown":
                    break
                if text.lower() in ("skip", "s"):
                    return
                try:
                    self.take({"type": "setting", "field": entry.id, "value": text})
                    break
                except CaseError as error:
                    self.desk.say(str(error), "warn")

    def _useful_fields(self) -> list[SettingField]:
        """Settings that move the causes in question, the weightiest first; those known already are left out."""
        state = self.session.state
        weight: dict[str, float] = {}
        for cause in self.compiled.kb.causes.values():
            if any(link.symptom and state.symptoms.get(link.symptom) for link in cause.shows):
                for effect in cause.setting:
                    weight[effect.field] = weight.get(effect.field, 0.0) + cause.prior.per_hundred * abs(
                        effect.odds - 1
                    )
        for check in self.compiled.kb.checks.values():
            for condition in check.applies:
                key = condition.flat().setting
                if key:
                    weight[key] = weight.get(key, 0.0) + 0.2
        known = {*state.choices, *state.numbers}
        fields = [f for f in self.compiled.kb.vocabulary.setting if f.id in weight and f.id not in known]
        return sorted(fields, key=lambda f: -weight[f.id])

    # -- one turn -------------------------------------------------------------------------------------------------

    def _turn(self) -> None:
        state = self.session.state
        try:
            if state.helped and state.helped not in state.proofs:
                self._proof(state.helped)
                return
            if state.helped and state.proofs.get(state.helped):
                self._close(Step("remedy", state.helped, 0, 0))
                return
            step = self.chosen or self.view.next[0]
            self._alarm(step)
            for caution in self.view.cautions_for(step):
                if caution.signal in ("danger", "warning") and caution.id not in self.session.state.acknowledged:
                    self.desk.say("Before: " + step_title(self.view, step), "head")
                    self.desk.show(caution_box(caution, self.desk.width, self.desk.glyphs))
                    self._wait_for_ok(caution.id, step)
            others = [s for s in self.view.next if s.id != step.id][:2]
            self._put(step, others)
            self._reply(step, others)
        except _Moved:
            return

    def _alarm(self, step: Step) -> None:
        """Stops and cautions that rules raise on the facts, each shown once."""
        for stop in self.view.verdict.stops:
            if stop not in self.shown:
                self.shown.add(stop)
                self.desk.show([[("danger", " STOP ")], *text_lines(stop, self.desk.width, "bad")])
        for caution in self.view.raised:
            if caution.id not in self.session.state.acknowledged and caution.id not in self.shown:
                self.shown.add(caution.id)
                self.desk.show(caution_box(caution, self.desk.width, self.desk.glyphs))
                if caution.signal in ("danger", "warning"):
                    self._wait_for_ok(caution.id, step)

    def _wait_for_ok(self, caution: str, step: Step) -> None:
        """A danger or a warning is read and accepted before the step is shown; 'skip' leaves the step out."""
        words = {"ok": True, "o": True, "yes": True, "y": True, "no": False, "n": False}
        accepted = self._choice(
            "Read and understood? Type ok, or skip to leave this out: ", words, step, "type ok when you have read it"
        )
        if not accepted:
            self._obey(Reply(command="skip"), step, ())
            raise _Moved
        self.take({"type": "acknowledge", "caution": caution})

    def _choice(self, prompt: str, allowed: Mapping[str, T], step: Step, hint: str) -> T:
        """Ask until one of the allowed words comes; commands work here too, and may move the case on (_Moved)."""
        while True:
            text = clean(self.desk.ask(prompt, words=list(allowed), toolbar=self._toolbar()))
            if text.lower() in allowed:
                return allowed[text.lower()]
            command = read_command(text)
            try:
                if command is None or command.command == "calc":  # nothing is measured before the warning is read
                    raise Misread(f"'{text[:30]}': {hint}, or ? for help")
                if command.command == "back" and self.chosen is not None:
                    self.chosen = None  # only this step is meant
                    raise _Moved
                if self._obey(command, step, ()):
                    raise _Moved
            except (Misread, CaseError) as error:
                self.desk.say(str(error), "warn")

    def _put(self, step: Step, others: Sequence[Step]) -> None:
        width = self.desk.width
        self.desk.show([rule_line(width, f"Case {self.case}", self.desk.glyphs)])
        if width >= WIDE:
            side = 46
            left = step_lines(self.view, step, width - side - 3, others)
            self.desk.show(
                beside(left, ranking_lines(self.view, side, self.desk.glyphs), width - side - 3, self.desk.glyphs)
            )
        else:
            self.desk.show(step_lines(self.view, step, width, others))

    def _toolbar(self) -> str:
        state, ranking = self.session.state, self.view.ranking
        top = ranking[0] if ranking else Ranked("", "", 0.0)
        if top.probability >= self.view.none_of_these:
            lead = f"{top.probability:.0%} {top.title}"
        else:
            lead = f"{self.view.none_of_these:.0%} none of the known causes"
        left = f" {len(state.answers)} answered, {state.minutes:.0f} min  {lead}"
        right = "? help  why  rank  back  pause " if self.desk.width >= 100 else "? help "
        return f"{left[: self.desk.width - len(right) - 2]:<{self.desk.width - len(right)}}{right}"

    def _reply(self, step: Step, others: Sequence[Step]) -> None:
        """Read replies until one moves the case on."""
        words = [c.word for c in COMMANDS]
        if step.kind == "check" and step.id in self.compiled.kb.checks:
            words = [o.id for o in self.compiled.kb.checks[step.id].outcomes] + words
        while True:
            text = self.desk.ask("> ", words=words, toolbar=self._toolbar())
            try:
                reply = read_reply(text, step, self.compiled, len(others))
                if self._obey(reply, step, others):
                    return
            except (Misread, CaseError) as error:
                self.desk.say(str(error), "warn")

    def _obey(self, reply: Reply, step: Step, others: Sequence[Step]) -> bool:
        """Carry out a reply; True when the next turn should begin."""
        if reply.other is not None:
            self.chosen = others[reply.other - 1]
            return True
        if reply.event is not None:
            self._answered(reply.event, step)
            return True
        if reply.command in ("unknown", "skip"):
            if step.kind == "refer":
                raise Misread("see 'list' for what else could be done, and take it with 'do'")
            self.take({"type": "skip" if step.kind == "remedy" else reply.command, step.kind: step.id})
            self.chosen = None
            return True
        handler = getattr(self, f"_do_{reply.command}")
        return bool(handler(reply.argument, step))

    def _answered(self, event: Event, step: Step) -> None:
        kb = self.compiled.kb
        before = [[r.cause, round(r.probability, 4)] for r in self.view.ranking[:5]]
        question = kb.checks[step.id].ask if step.id in kb.checks else step_title(self.view, step)
        self.take({**event, "question": question, "ranking": before})
        self.chosen = None
        if event["type"] == "answer" and event.get("outcome") and kb.checks[step.id].measured:
            label = kb.checks[step.id].outcome(str(event["outcome"])).label
            self.desk.say(f"Taken without a reading: {label}. 'back' takes it back.", "dim")
        if event["type"] == "answer" and event.get("value") is not None:
            answer = self.session.state.answers[step.id]
            if answer.calculation:
                return  # its sheet has said it
            check = kb.checks[step.id]
            label = check.outcome(answer.likeliest).label
            note = ""
            if not answer.sure:
                first, second = answer.ranked[:2]
                label = f"{label} ({answer.weights[first]:.0%})"
                note = f" or {check.outcome(second).label} ({answer.weights[second]:.0%}): too near the limit, each counts as much"
            self.desk.say(
                f"{answer.value:.4g} {check.unit if check.unit != '1' else ''} = {label}{note}".replace("  ", " "),
                "good" if answer.likeliest == check.outcomes[0].id else "bad",
            )
            usual = self._usual(check)
            if usual:
                self.desk.say(usual, "dim")

    # -- commands -------------------------------------------------------------------------------------------------

    def _do_help(self, argument: str, step: Step) -> bool:
        self.desk.show(help_lines(self.desk.width))
        return False

    def _do_why(self, argument: str, step: Step) -> bool:
        width = self.desk.width
        place = number(argument)
        pair = self._places(argument.split(), len(self.view.ranking))
        if len(pair) == 2:
            first, second = (self.view.ranking[p - 1].cause for p in pair)
            self.desk.show(rather_lines(self.view, first, second, width))
        elif place is not None:
            if not 1 <= place <= len(self.view.ranking):
                raise Misread(f"'why' takes a number from 1 to {len(self.view.ranking)}")
            self.desk.show(cause_lines(self.view, self.view.ranking[place - 1].cause, width))
        elif argument.startswith("rule"):
            self.desk.show(rules_lines(self.view, width))
        else:
            self.desk.show(why_lines(self.view, step, width))
        return False

    def _do_rank(self, argument: str, step: Step) -> bool:
        self.desk.show(ranking_lines(self.view, self.desk.width, self.desk.glyphs, 8))
        return False

    def _do_back(self, argument: str, step: Step) -> bool:
        last = self.session.last_undoable()
        self.take({"type": "undo"})
        self.chosen = None
        what = (
            (last or {}).get("check")
            or (last or {}).get("symptom")
            or (last or {}).get("remedy")
            or (last or {}).get("field")
            or (last or {}).get("type")
        )
        self.desk.say(f"Taken back: {what}.", "good")
        if not any(self.session.state.symptoms.values()):
            self._complaint()
        return True

    def _do_change(self, argument: str, step: Step) -> bool:
        answered = [*self.session.state.answers, *(f"symptom:{s}" for s in self.session.state.symptoms)]
        place = number(argument)
        if place is None:
            self.desk.show(
                [[("key", f"{i:>3} "), ("", self.view.finding_text(f))] for i, f in enumerate(answered, start=1)]
            )
            self.desk.say("'change 2' asks the second again.", "dim")
            return False
        if not 1 <= place <= len(answered):
            raise Misread(f"'change' takes a number from 1 to {len(answered)}")
        key = answered[place - 1]
        minutes = self.compiled.kb.checks[key].minutes if key in self.compiled.kb.checks else 0.3
        self.chosen = Step("check", key, minutes, self.view.plan.now)
        return True

    def _do_calc(self, argument: str, step: Step) -> bool:
        from advisor.workout import work_out  # late: the calculations bring libraries of their own

        check = self.compiled.kb.checks.get(step.id) if step.kind == "check" else None
        event = work_out(self, argument, check)
        if event is None:
            return False
        self._answered(event, step)
        return True

    def _do_list(self, argument: str, step: Step) -> bool:
        steps = self.view.all_steps
        count = len(steps) if argument == "all" else 15
        self.desk.show(list_lines(self.view, steps[:count], self.desk.width))
        more = f" {len(steps) - count} more: 'list all'." if len(steps) > count else ""
        self.desk.say(f"'do 4' takes the fourth.{more}", "dim")
        return False

    def _do_do(self, argument: str, step: Step) -> bool:
        self.chosen = find_check(argument, self.compiled, self.view.all_steps)
        return True

    def _do_also(self, argument: str, step: Step) -> bool:
        found = self._understood(argument) if argument else []
        if not found:
            raise Misread("say what else you see, such as: also burr broke")
        for symptom in found:
            self.take({"type": "symptom", "symptom": symptom, "present": True})
        self.chosen = None
        return True

    def _do_setting(self, argument: str, step: Step) -> bool:
        key, _, value = argument.partition(" ")
        if not value:
            known = self.view.setting_words
            for entry in self.compiled.kb.vocabulary.setting:
                self.desk.say(f"{entry.id} = {known.get(entry.id, '?')}   {entry.ask}")
            raise Misread("such as: setting burr_hours 25")
        self.take({"type": "setting", "field": key, "value": value})
        return True

    def _do_note(self, argument: str, step: Step) -> bool:
        self.take({"type": "note", "text": argument})
        self.desk.say("Noted.", "good")
        return False

    def _do_before(self, argument: str, step: Step) -> bool:
        self._remember(asked=True)
        return False

    def _do_attach(self, argument: str, step: Step) -> bool:
        if not argument:
            raise Misread("say which file, such as: attach chip.jpg")
        if self.attach is None or not self.case:
            raise Misread("files are kept with a logged case only")
        try:
            event = self.attach(self.case, argument)
        except self.fault as error:
            raise Misread(str(error)) from None
        self.take(event)
        self.desk.say(f"{clean(str(event['name']))} ({event['size'] / 1000:.0f} kB) is kept with the case.", "good")
        return False

    def _do_pause(self, argument: str, step: Step) -> bool:
        raise Paused

    def _do_close(self, argument: str, step: Step) -> bool:
        self._close(step)
        return True

    # -- ends -----------------------------------------------------------------------------------------------------

    def _proof(self, remedy: str) -> None:
        record = self.compiled.kb.remedies[remedy]
        step = Step("remedy", remedy, 0, 0)
        self.desk.say(f"Good. Now prove it ({record.proof_minutes:g} min): {record.proof}", "head")
        words = dict.fromkeys(("1", "yes", "y"), "yes") | dict.fromkeys(("2", "no", "n"), "no")
        words |= dict.fromkeys(("3", "later", "skip", "s"), "later")
        given = self._choice(
            "Did the proof test pass?  1 yes  2 no  3 cannot be done now: ", words, step, "type 1, 2 or 3"
        )
        if given == "later":
            self._close(step, proven=False)
            return
        self.take({"type": "proof", "remedy": remedy, "passed": given == "yes"})
        if given == "no":
            self.desk.say("Then it was not that, or not that alone. On we go.", "warn")

    def _close(self, step: Step, proven: bool = True) -> None:
        """Ask how the case ends, and close it."""
        state, view = self.session.state, self.view
        cured = view.cures(state.helped) if state.helped else {}
        likely = [r for r in view.ranking if not cured or r.cause in cured][:3]
        choices: list[tuple[str, Event]] = []
        if proven:
            for r in likely:
                closing = {"type": "close", "how": "confirmed", "cause": r.cause}
                choices.append((f"confirmed: {r.title} ({r.probability:.0%})", closing))
        if state.helped:
            best = {"cause": likely[0].cause} if likely else {}
            choices.append(("fixed, cause not proven", {"type": "close", "how": "fixed-unproven", **best}))
        choices.append(("handed over to service or the supervisor", {"type": "close", "how": "referred"}))
        choices.append(("left open", {"type": "close", "how": "open"}))
        self.desk.say("How does the case end?", "head")
        self.desk.show([[("key", f"{i:>3} "), ("", text)] for i, (text, _) in enumerate(choices, start=1)])
        numbers: dict[str, Event | None] = {str(i): event for i, (_, event) in enumerate(choices, start=1)}
        numbers["0"] = None
        hint = f"type 1 to {len(choices)}, or 0"
        chosen = self._choice("Number, or 0 to go on with the case: ", numbers, step, hint)
        if (
            chosen is not None
            and chosen["how"] == "confirmed"
            and not (state.helped and state.proofs.get(state.helped))
        ):
            self.desk.say("No remedy's proof has passed in this case.", "warn")
            words = {"yes": True, "y": True, "no": False, "n": False}
            if not self._choice("Call it confirmed all the same? yes or no: ", words, step, "type yes or no"):
                return
        if chosen is None:
            if state.helped:
                self.take({"type": "proof", "remedy": state.helped, "passed": False})
            return
        final = [[r.cause, round(r.probability, 4)] for r in view.ranking[:5]]
        event: Event = {**chosen, "ranking": final, "minutes": round(state.minutes, 1)}
        try:
            blocks = self._blocks() if chosen["how"] != "open" else None
        except Paused:  # how it ends was said: leaving at this question does not unsay it
            blocks = None
        self.take(event if blocks is None else {**event, "blocks": blocks})

    def _blocks(self) -> float | None:
        """How many blocks the trouble cost; None when it is not known."""
        while True:
            text = clean(self.desk.ask("Blocks lost to it? A number, Enter if you do not know: "))
            if not text or text.lower() in ("?", "skip") or alias(text) == "unknown":
                return None
            try:
                value, unit = parse_number(text)
            except ReadingError:
                value, unit = -1.0, ""
            if 0 <= value <= 1000 and unit in ("", "blocks", "block"):
                return value
            self.desk.say(f"'{text[:20]}' is no number of blocks: type 0, 1, 2 and so on, or Enter.", "warn")
