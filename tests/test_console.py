"""The console, driven through a pipe as if someone typed; and its screens as plain text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import PipeInput, create_pipe_input
from prompt_toolkit.output import DummyOutput
from prompt_toolkit.utils import get_cwidth
from small_base import write_base

from advisor import screen
from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.console import Desk
from advisor.consult import Consultation
from advisor.dialogue import Misread, find_check
from advisor.match import Matcher
from advisor.planner import Step
from advisor.session import Event, Session

CTRL_C, CTRL_D = "\x03", "\x04"
Typed = str | Callable[["Talk"], str]


class Wide(DummyOutput):
    """A terminal of 130 columns."""

    def get_size(self) -> Size:
        return Size(rows=24, columns=130)


class Bench(Desk):
    """A desk that types the next reply whenever it asks, and keeps what it shows. Without replies it leaves."""

    def __init__(self, pipe: PipeInput, talk: Talk, output: DummyOutput) -> None:
        super().__init__(pipe, output)
        self.pipe, self.talk = pipe, talk

    def show(self, lines: Any) -> None:
        kept = list(lines)
        self.talk.seen.append(screen.plain(kept))
        if self.talk.loud:
            super().show(kept)

    def ask(self, prompt: str, *args: Any, **more: Any) -> str:
        self.talk.seen.append(prompt)
        reply = self.talk.replies.pop(0) if self.talk.replies else CTRL_D
        text = reply if isinstance(reply, str) else reply(self.talk)
        self.pipe.send_text(text if text.endswith((CTRL_C, CTRL_D, "\r")) else text + "\r")
        return super().ask(prompt, *args, **more)


class Talk:
    """One run of a consultation: what was typed, shown and recorded."""

    def __init__(
        self,
        compiled: Compiled,
        replies: Sequence[Typed],
        events: Sequence[Event] = (),
        output: DummyOutput | None = None,
        loud: bool = False,
    ) -> None:
        self.compiled, self.replies, self.output = compiled, list(replies), output or DummyOutput()
        self.loud = loud  # whether lines go to the (dummy) terminal too, which is slow
        self.seen: list[str] = []
        self.events: list[Event] = list(events)
        self.faults: list[Exception] = []
        self.attempts = 0
        self.closed: bool | None = None
        self.case: Consultation

    def record(self, event: Event) -> str:
        self.attempts += 1
        if self.faults:
            raise self.faults.pop(0)
        self.events.append(event)
        return "case-1"

    def run(self, lossless: bool = True) -> Talk:
        with create_pipe_input() as pipe:
            session, desk = Session(self.compiled, self.events), Bench(pipe, self, self.output)
            case = "case-1" if self.events else ""
            self.case = Consultation(self.compiled, session, desk, self.record, case=case)
            self.closed = self.case.run()
        assert not self.replies, f"not asked for: {self.replies}"
        if lossless:
            assert self.case.session.events == self.events, "what is recorded is what happened"
        return self

    @property
    def state(self) -> Any:
        return self.case.session.state

    @property
    def text(self) -> str:
        return "\n".join(self.seen)

    def types(self) -> list[str]:
        return [e["type"] for e in self.events]

    def ranking(self) -> dict[str, float]:
        view = Assessment(self.compiled, Session(self.compiled, self.events).state)
        return {r.cause: r.probability for r in view.ranking}


def put(talk: Talk) -> str:
    """The step on the screen: the last thing shown before the prompt."""
    return next(text for text in reversed(talk.seen[:-1]) if "Why:" in text)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Compiled:
    """The small base of our own invention."""
    return Compiled(write_base(tmp_path_factory.mktemp("small")).load())


@pytest.fixture
def strict(tmp_path: Path) -> Compiled:
    """The small base with its caution for burrs and axes raised to a warning."""
    return Compiled(write_base(tmp_path).replace("cautions.yaml", "signal: caution", "signal: warning").load())


CHIPS: Event = {"type": "symptom", "symptom": "chips", "present": True}
BEGUN: list[Event] = [{"type": "start"}, {"type": "complaint", "text": "edges crumble"}, CHIPS]


def begun(compiled: Compiled, *replies: Typed) -> Talk:
    """A talk that goes on with a case whose complaint is known."""
    return Talk(compiled, replies, BEGUN).run()


# -- opening ----------------------------------------------------------------------------------------------------------


def test_a_complaint_and_its_circumstances_are_recorded_in_order(small: Compiled) -> None:
    talk = Talk(small, ["edges crumble", "glass", "30 h"]).run()
    assert talk.types() == ["complaint", "symptom", "setting", "setting"]
    assert talk.state.complaint == "edges crumble"
    assert talk.state.symptoms == {"chips": True}
    assert (talk.state.choices, talk.state.numbers) == ({"material": "glass-ceramic"}, {"burr_hours": 30})
    assert "Understood: Margin chipped" in talk.text


def test_a_wrong_circumstance_is_asked_again_and_enter_skips_one(small: Compiled) -> None:
    talk = Talk(small, ["edges crumble", "steel", "", "900 h", "20 min"]).run()
    assert "glass-ceramic, resin" in talk.text
    assert "outside 0 to 500" in talk.text
    assert (talk.state.choices, talk.state.numbers) == ({}, {"burr_hours": pytest.approx(1 / 3)})


def test_skip_leaves_all_circumstances_out(small: Compiled) -> None:
    assert Talk(small, ["edges crumble", "skip", "do burr-look", "1"]).run().types() == [
        "complaint",
        "symptom",
        "answer",
    ]


def test_words_that_fit_nothing_are_asked_again(small: Compiled) -> None:
    talk = Talk(small, ["", "qqqq", "edges crumble", "skip"]).run()
    assert "No complaint known here fits" in talk.text
    assert talk.state.complaint == "edges crumble"


def test_the_list_of_complaints_takes_numbers(small: Compiled) -> None:
    talk = Talk(small, ["list", "1 and 2", "skip"]).run()
    assert "Cutting takes longer than usual" in talk.text
    assert talk.state.symptoms == {"chips": True, "slow-cut": True}


def test_words_that_fit_several_complaints_are_chosen_by_number(compiled: Compiled) -> None:
    def offered(talk: Talk) -> str:
        assert "1 " in talk.seen[-2]
        return "99"

    talk = Talk(compiled, ["burr trouble", offered, "0", "burr trouble", "2", "skip"]).run()
    assert "Type numbers from 1" in talk.text
    second = Matcher(compiled.kb.symptoms.values()).match("burr trouble")[1]
    assert talk.state.symptoms == {second.symptom: True}


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("edges crumble", "margin-chipped"),
        ("EDGES CRUMBLE!!", "margin-chipped"),
        ("crumble edges", "margin-chipped"),
        ("edges crumbel", "margin-chipped"),
        ("bubbles everywhere", "bath-foams"),
        ("bubles everywhere", "bath-foams"),
        ("bubbles evrywhere", "bath-foams"),
        ("burr snapped", "burr-broke"),
        ("bur snaped", "burr-broke"),
        ("wont calibrate", "calibration-fails"),
        ("won't calibrate", "calibration-fails"),
        ("wont calibarte", "calibration-fails"),
        ("loses air", "air-drops"),
        ("air loses", "air-drops"),
        ("losses air", "air-drops"),
        ("looses air", "air-drops"),
        ("burr snappd", "burr-broke"),
    ],
)
def test_an_everyday_complaint_finds_its_symptom_before_all_others(compiled: Compiled, said: str, meant: str) -> None:
    found = Matcher(compiled.kb.symptoms.values()).match(said)
    assert found[0].symptom == meant
    assert all(m.score < found[0].score for m in found[1:])


@pytest.mark.parametrize("said", ["edges crumble", "bubbles everywhere", "burr snapped", "wont calibrate", "loses air"])
def test_a_clear_complaint_needs_no_second_question(compiled: Compiled, said: str) -> None:
    talk = Talk(compiled, [said, "skip"]).run()
    assert talk.types() == ["complaint", "symptom"]


# -- answers ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["2", "blunt", "BLUNT", "bright and bare", "bare", " 2 "])
def test_a_check_is_answered_by_number_id_label_or_a_word_of_it(small: Compiled, typed: str) -> None:
    talk = begun(small, "do burr-look", typed)
    assert talk.state.answers["burr-look"].outcome == "blunt"
    assert talk.events[-1]["question"] == small.kb.checks["burr-look"].ask
    assert talk.events[-1]["typed"] == typed.strip()


@pytest.mark.parametrize("typed", ["0.4", "0,4 MPa", "4 bar", "400 kPa @ inlet-gauge", "4bar"])
def test_a_reading_is_taken_with_its_unit(small: Compiled, typed: str) -> None:
    talk = begun(small, "do air-gauge", typed)
    assert talk.state.answers["air-gauge"].value == pytest.approx(0.4)
    assert "0.4 MPa = below it" in talk.text


def test_a_reading_at_the_limit_is_said_to_be_uncertain(small: Compiled) -> None:
    talk = begun(small, "do air-gauge", "0.54")
    assert "too near the limit" in talk.text
    assert not talk.state.answers["air-gauge"].sure


@pytest.mark.parametrize(
    ("check", "wrong", "said"),
    [
        ("burr-look", "", "type an answer"),
        ("burr-look", "3", "from 1 to 2"),
        ("burr-look", "sideways", "sharp, blunt"),
        ("burr-look", "0.4 MPa", "sharp, blunt"),
        ("air-gauge", "much", "type the reading"),
        ("air-gauge", "4 MPa", "outside 0 to 1.2 MPa"),
        ("air-gauge", "0.4 blobs", "'blobs' is no unit"),
        ("air-gauge", "1.234,5", "two ways"),
        ("air-gauge", "0.4 @ inlet-gage", "inlet-gauge"),
    ],
)
def test_wrong_input_says_what_to_type_and_asks_on(small: Compiled, check: str, wrong: str, said: str) -> None:
    right = {"burr-look": "blunt", "air-gauge": "low"}[check]
    talk = begun(small, f"do {check}", wrong, right)
    assert said in talk.text
    assert [e["type"] for e in talk.events[len(BEGUN) :]] == ["answer"]
    assert talk.state.answers[check].likeliest == right


def test_a_superscript_digit_is_wrong_input_and_ends_nothing(small: Compiled) -> None:
    assert "sharp, blunt" in begun(small, "do burr-look", "²").text


@pytest.mark.parametrize(("typed", "kept"), [("unknown", "unknown"), ("u", "unknown"), ("no idea", "unknown"), ("skip", "skipped")])  # fmt: skip
def test_what_cannot_be_told_is_left_and_the_next_question_comes(small: Compiled, typed: str, kept: str) -> None:
    def another(talk: Talk) -> str:
        assert "Edge of the burr" not in put(talk)
        return "pause"

    talk = begun(small, "do burr-look", typed, another)
    assert talk.state.unanswered == {"burr-look": kept}
    assert talk.ranking() == Talk(small, [], BEGUN).run().ranking()


# -- commands ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("why", "Why this step"),
        ("why 2", "Burr not clamped: "),
        ("why 99", "takes a number from 1 to"),
        ("why rules", "rule"),
        ("rank", "none of the known causes"),
        ("list", "'do 4' takes the fourth"),
        ("?", "These work at every question"),
        ("help", "These work at every question"),
        ("he", "These work at every question"),
        ("change", "'change 2' asks the second again"),
        ("change 9", "takes a number from 1 to"),
        ("do everything", "nothing in the list is called 'everything'"),
        ("do 99", "the list has numbers"),
        ("do", "say which"),
        ("also", "say what else you see"),
        ("setting", "burr_hours = ?"),
        ("setting burr_hour 3", "burr_hours"),
        ("setting burr_hours 900", "outside 0 to 500"),
        ("note", "empty note"),
    ],
)
def test_asking_or_mistyping_a_command_changes_nothing(small: Compiled, typed: str, shown: str) -> None:
    talk = begun(small, "do burr-look", typed, "blunt")
    assert shown in talk.text
    assert [e["type"] for e in talk.events[len(BEGUN) :]] == ["answer"]


def test_do_takes_a_step_by_its_number_in_the_list(small: Compiled) -> None:
    wanted: list[str] = []

    def second(talk: Talk) -> str:
        listed = next(t for t in reversed(talk.seen) if t.lstrip().startswith("1 "))
        wanted.append(listed.splitlines()[1].split("  ")[1].strip()[2:])
        return "do 2"

    def check(talk: Talk) -> str:
        assert wanted[0].split(": ")[-1].lower() in put(talk).lower()
        return "pause"

    begun(small, "list", second, check)


def test_do_takes_a_step_by_a_word_of_its_title(small: Compiled) -> None:
    def there(talk: Talk) -> str:
        assert "Air pressure while cutting" in put(talk)
        return "low"

    assert "air-gauge" in begun(small, "do pressure", there).state.answers


def test_a_letter_takes_one_of_the_other_steps_offered(small: Compiled) -> None:
    def other(talk: Talk) -> str:
        chosen.append(talk.case.view.next[1].id)
        return "a"

    def there(talk: Talk) -> str:
        assert screen.step_title(talk.case.view, talk.case.chosen).lower().split(": ")[-1] in put(talk).lower()
        assert talk.case.chosen.id == chosen[0]
        return "pause"

    chosen: list[str] = []
    begun(small, other, there)


def test_back_takes_the_last_answer_back(small: Compiled) -> None:
    talk = begun(small, "do burr-look", "blunt", "back")
    assert "Taken back: burr-look" in talk.text
    assert talk.types()[-2:] == ["answer", "undo"]
    assert talk.state == Session(small, BEGUN).state


def test_back_to_the_very_beginning_asks_for_the_complaint_again(small: Compiled) -> None:
    talk = begun(small, "back", "takes ages")
    assert talk.state.symptoms == {"slow-cut": True}
    assert talk.text.count("What went wrong?") == 1


def test_change_asks_an_earlier_answer_again(small: Compiled) -> None:
    talk = begun(small, "do burr-look", "sharp", "do burr-tug", "firm", "change", "change 1", "blunt")
    assert "Edge of the burr: rough all round" in talk.text
    given = [{"type": "answer", "check": "burr-look", "outcome": "blunt"}, {"type": "answer", "check": "burr-tug", "outcome": "firm"}]  # fmt: skip
    assert talk.ranking() == Talk(small, [], [*BEGUN, *given]).run().ranking()


def test_change_asks_a_reading_again_in_its_unit(small: Compiled) -> None:
    talk = begun(small, "do air-gauge", "0.4", "change 1", "6 bar")
    assert talk.state.answers["air-gauge"].value == pytest.approx(0.6)


def test_change_asks_a_symptom_again(small: Compiled) -> None:
    talk = begun(small, "also takes ages", "change 2", "no")
    assert talk.state.symptoms == {"chips": True, "slow-cut": False}


def test_notes_further_symptoms_and_settings_come_in_at_any_question(small: Compiled) -> None:
    talk = begun(small, "note new burr box", "also takes ages", "setting material resin", "set burr_hours 25")
    assert talk.state.notes == ("new burr box",)
    assert talk.state.symptoms == {"chips": True, "slow-cut": True}
    assert (talk.state.choices, talk.state.numbers) == ({"material": "resin"}, {"burr_hours": 25})


def test_control_characters_in_what_is_typed_are_not_kept(small: Compiled) -> None:
    (note,) = begun(small, "note new\u202ebox\u200b !").state.notes
    assert note.isprintable()
    assert note.replace(" ", "") == "newbox!"


# -- cautions ---------------------------------------------------------------------------------------------------------


def test_a_step_with_a_warning_is_shown_only_after_it_is_acknowledged(strict: Compiled) -> None:
    def before(talk: Talk) -> str:
        assert "Edge of the burr" not in "".join(talk.seen[-2:])
        assert "WARNING" in talk.text
        assert "1. Take the burr out." not in talk.text
        return "why not"

    def after(talk: Talk) -> str:
        assert "1. Take the burr out." in put(talk)
        assert "WARNING: Reach in only when the spindle stands still." in put(talk)
        return "blunt"

    talk = begun(strict, "do burr-look", "rubbish", before, "ok", after)
    assert [e["type"] for e in talk.events[len(BEGUN) :]] == ["acknowledge", "answer"]
    assert talk.events[-2]["caution"] == "hands-clear"


def test_a_warning_once_acknowledged_is_not_asked_again(strict: Compiled) -> None:
    talk = begun(strict, "do burr-look", "ok", "blunt", "do burr-tug", "firm")
    assert talk.types().count("acknowledge") == 1


@pytest.mark.parametrize("step", ["burr-look", "change-burr"])
def test_a_step_whose_warning_is_not_accepted_is_left_out_and_the_case_goes_on(strict: Compiled, step: str) -> None:
    def elsewhere(talk: Talk) -> str:
        assert talk.case.view.next[0].id != step
        assert step not in [s.id for s in talk.case.view.plan.steps]
        return "pause"

    talk = begun(strict, f"do {step}", "skip", elsewhere)
    assert "acknowledge" not in talk.types()
    assert talk.types()[-1] == "skip"


def test_a_warning_that_a_rule_raises_must_be_acknowledged(small: Compiled) -> None:
    talk = begun(small, "also takes ages", "do air-gauge", "0.3", "ok", "pause")
    assert "Let the pressure out before a hose is loosened" in talk.text
    assert talk.state.acknowledged == {"hose-whips"}


def test_a_stop_that_a_rule_raises_is_shown_once(tmp_path: Path) -> None:
    stop = """\
rules:
  - id: low-air-stop
    when: [{check: air-gauge, is: low}]
    then: {stop: "Stop the job: the clamping may give way."}
    because: The clamping needs the air.
    source: common-practice
"""
    compiled = Compiled(write_base(tmp_path).write("rules-stop.yaml", stop).load())
    talk = begun(compiled, "do air-gauge", "0.3", "do burr-look", "blunt")
    assert talk.text.count("Stop the job: the clamping may give way.") == 1


# -- leaving and going on ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("leave", ["pause", "quit", "q", CTRL_D, CTRL_C])
def test_leaving_keeps_everything_and_says_how_to_go_on(small: Compiled, leave: str) -> None:
    talk = begun(small, "do burr-look", "blunt", leave)
    assert talk.closed is False
    assert talk.types()[-1] == "answer"
    assert "advisor resume case-1" in talk.text


def test_leaving_before_the_complaint_begins_nothing(small: Compiled) -> None:
    talk = Talk(small, [CTRL_D]).run()
    assert (talk.closed, talk.events) == (False, [])
    assert "Nothing was begun" in talk.text


def test_ctrl_c_on_a_typed_line_only_clears_it(small: Compiled) -> None:
    talk = begun(small, "do burr-look", f"bl{CTRL_C}sharp", "pause")
    assert talk.state.answers["burr-look"].outcome == "sharp"


@pytest.mark.parametrize("replies", [["edges crumble"], ["edges crumble", "glass"], ["edges crumble", "skip", "do burr-look"]])  # fmt: skip
def test_leaving_at_any_question_keeps_what_was_typed_before(small: Compiled, replies: list[str]) -> None:
    talk = Talk(small, [*replies, CTRL_D]).run()
    assert talk.closed is False
    assert talk.state.symptoms == {"chips": True}


def test_a_resumed_case_goes_on_at_the_same_ranking_and_step(small: Compiled) -> None:
    first = Talk(
        small, ["edges crumble", "glass", "", "do burr-look", "sharp", "do since-when", "unknown", "pause"]
    ).run()
    second = Talk(small, [], first.events).run()
    assert second.types() == first.types()
    assert second.state == first.state
    assert [s.id for s in second.case.view.next] == [s.id for s in first.case.view.next]
    assert {r.cause: r.probability for r in second.case.view.ranking} == first.ranking()
    assert "goes on: Margin chipped" in second.text
    assert "Edge of the burr: rough all round" in second.text


# -- ends -------------------------------------------------------------------------------------------------------------


def test_a_remedy_that_helped_and_its_proof_close_the_case(small: Compiled) -> None:
    talk = begun(small, "do burr-look", "blunt", "do change-burr", "1", "what?", "yes", "7", "1", "many", "2")
    assert talk.closed is True
    assert talk.events[-1]["blocks"] == 2
    assert talk.events[-1]["minutes"] == round(talk.state.minutes, 1)
    assert talk.types()[-3:] == ["remedy", "proof", "close"]
    assert (talk.state.closed, talk.state.cause) == ("confirmed", "burr-worn")
    assert small.kb.remedies["change-burr"].proof in talk.text
    assert "Cause, confirmed: burr worn. What helped: change the burr, proof test passed." in " ".join(
        talk.seen[-1].split()
    )


def test_a_failed_proof_goes_on_with_the_case(small: Compiled) -> None:
    talk = begun(small, "do change-burr", "helped", "no", "pause")
    assert talk.closed is False
    assert talk.state.remedies == (("change-burr", "no-change"),)
    assert "change-burr" not in [s.id for s in talk.case.view.plan.steps]


def test_a_proof_that_must_wait_closes_as_fixed_but_not_proven(small: Compiled) -> None:
    talk = begun(small, "do change-burr", "helped", "later", "1")  # and leaves at the next question
    assert "blocks" not in talk.events[-1]
    assert talk.state.closed == "fixed-unproven"
    assert "proof test still owed" in talk.text


def test_a_remedy_that_did_not_help_lowers_its_cause(small: Compiled) -> None:
    before = begun(small).ranking()
    talk = begun(small, "do change-burr", "no change")
    assert talk.state.remedies == (("change-burr", "no-change"),)
    assert talk.ranking()["burr-worn"] < before["burr-worn"]


@pytest.mark.parametrize(
    ("typed", "result"), [("1", "helped"), ("helped", "helped"), ("2", "no-change"), ("3", "worse")]
)
def test_a_remedy_is_answered_by_number_or_word(small: Compiled, typed: str, result: str) -> None:
    assert begun(small, "do clamp-burr", typed).events[len(BEGUN)]["result"] == result


@pytest.mark.parametrize("typed", ["?", pytest.param("help")])  # fmt: skip
def test_asking_for_help_at_a_remedy_does_not_record_that_it_helped(small: Compiled, typed: str) -> None:
    talk = begun(small, "do clamp-burr", typed)
    assert talk.events == BEGUN
    assert "These work at every question" in talk.text


def test_close_ends_a_case_at_any_question_and_zero_goes_on(small: Compiled) -> None:
    def referred(talk: Talk) -> str:
        choices = next(t for t in reversed(talk.seen) if "handed over" in t).splitlines()
        return next(line.split()[0] for line in choices if "handed over" in line)

    talk = begun(small, "close", "0", "do burr-look", "blunt", "close", referred, "")
    assert talk.closed is True
    assert "blocks" not in talk.events[-1]
    assert talk.state.closed == "referred"
    assert talk.types()[-2:] == ["answer", "close"]


def test_a_note_at_the_proof_is_not_lost_when_the_case_goes_on(small: Compiled) -> None:
    talk = begun(small, "do change-burr", "helped", "yes", "note second burr of this box", "0", "pause")
    assert talk.state.notes == ("second burr of this box",)


# -- a log that cannot be written -------------------------------------------------------------------------------------


def test_an_event_that_could_not_be_written_is_told_and_written_once(small: Compiled) -> None:
    talk = Talk(small, ["do burr-look", "blunt", "", "do burr-tug", "firm"], BEGUN)
    talk.faults = [OSError("no space left on the disk")]
    talk.run()
    assert "no space left on the disk" in talk.text
    assert [e.get("check") for e in talk.events if e["type"] == "answer"] == ["burr-look", "burr-tug"]
    assert talk.attempts == 3


def test_leaving_while_an_answer_is_not_written_does_not_claim_that_it_is_kept(small: Compiled) -> None:
    talk = Talk(small, ["do burr-look", "blunt", CTRL_D], BEGUN)
    talk.faults = [OSError("no space left on the disk")]
    talk.run(lossless=False)
    assert talk.events == BEGUN
    assert "every answer is kept" not in talk.text


# -- screens ----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def full(compiled: Compiled) -> Assessment:
    """A case in which every caution is acknowledged, so that each step shows all it can."""
    events: list[Event] = [{"type": "symptom", "symptom": s} for s in ("margin-chipped", "air-drops")]
    events += [{"type": "answer", "check": "air-running", "value": "0.5 MPa"}]
    events += [{"type": "acknowledge", "caution": c} for c in compiled.kb.cautions]
    return Assessment(compiled, Session(compiled, events).state)


def too_wide(lines: list[screen.Line], width: int = 80) -> list[str]:
    return [line for line in screen.plain(lines).splitlines() if get_cwidth(line) > width]


def put_lines(view: Assessment, kind: str, record: Any, width: int = 80) -> list[screen.Line]:
    return screen.step_lines(view, Step(kind, record.id, record.minutes, view.plan.now - 3), width, view.next[1:3])


def test_no_check_is_wider_than_the_terminal(full: Assessment) -> None:
    assert [w for c in full.kb.checks.values() for w in too_wide(put_lines(full, "check", c))] == []


def test_no_remedy_is_wider_than_the_terminal(full: Assessment) -> None:
    assert [w for r in full.kb.remedies.values() for w in too_wide(put_lines(full, "remedy", r))] == []


def test_every_check_fits_a_terminal_of_24_rows(full: Assessment) -> None:
    # Its dividing line, the prompt and the toolbar take three.
    rows = {c.id: len(screen.plain(put_lines(full, "check", c, 79)).splitlines()) + 3 for c in full.kb.checks.values()}
    assert {c: n for c, n in rows.items() if n > 24} == {}


@pytest.mark.parametrize("glyphs", [screen.Glyphs(), screen.Glyphs.best("utf-8")], ids=["ascii", "utf-8"])
def test_no_caution_and_no_ranking_is_wider_than_the_terminal(full: Assessment, glyphs: screen.Glyphs) -> None:
    boxes = [line for c in full.kb.cautions.values() for line in screen.caution_box(c, 80, glyphs)]
    assert too_wide([*boxes, *screen.ranking_lines(full, 80, glyphs, len(full.kb.causes))]) == []


def test_no_explanation_is_wider_than_the_terminal(full: Assessment) -> None:
    assert [w for c in list(full.kb.causes)[::3] for w in too_wide(screen.cause_lines(full, c, 80))] == []
    assert [w for s in full.plan.steps[:6] for w in too_wide(screen.why_lines(full, s, 80))] == []
    refer = Step("refer", "refer", 0, full.plan.now)
    lines = [*screen.help_lines(80), *screen.list_lines(full, full.plan.steps, 80), *screen.step_lines(full, refer, 80)]
    assert too_wide([*lines, *screen.summary_lines(full, "261125-k7qx", 80)]) == []


def test_help_and_why_fit_the_screen(full: Assessment) -> None:
    assert len(screen.help_lines(79)) <= 23
    assert len(screen.why_lines(full, full.next[0], 79)) <= 23


def test_a_screen_reads_without_colour_and_in_ascii(full: Assessment) -> None:
    lines = [*screen.ranking_lines(full, 80, screen.Glyphs()), screen.rule_line(80, "Case", screen.Glyphs())]
    assert screen.plain(lines).isascii()


def test_a_wide_terminal_shows_the_ranking_beside_the_question(small: Compiled) -> None:
    talk = Talk(small, ["do burr-look"], BEGUN, output=Wide(), loud=True).run()
    shown = put(talk)
    assert "Look: Edge of the burr" in shown
    assert "none of the known causes" in shown
    assert max(get_cwidth(line) for line in shown.splitlines()) <= 130
    assert "none of the known causes" not in put(Talk(small, ["do burr-look"], BEGUN).run())


# -- the shipped knowledge --------------------------------------------------------------------------------------------


def finds_nothing(talk: Talk) -> str:
    """The reply of someone who sees what a sound mill shows and whom no remedy helps, for forty questions."""
    step = talk.case.chosen or talk.case.view.next[0]
    if step.kind == "refer":
        return "1"
    if len(talk.events) < 40:
        talk.replies.append(finds_nothing)
    if "Read and understood" in talk.seen[-1]:
        return "ok"
    if step.kind == "remedy":
        return "no change"
    return "no" if step.id.startswith("symptom:") else talk.compiled.kb.checks[step.id].outcomes[0].id


def test_a_case_without_any_finding_asks_nothing_twice_and_ends_with_a_referral(compiled: Compiled) -> None:
    talk = Talk(compiled, ["loses air", "skip", finds_nothing], loud=True).run()
    assert talk.state.closed == "referred"
    asked = [e.get("check") or e.get("symptom") or e.get("remedy") for e in talk.events if "question" in e]
    assert len(asked) > 5
    assert len(set(asked)) == len(asked)
    assert "Handed over." in talk.text
    assert talk.case.desk.width == 80


def finds_the_worst(talk: Talk) -> str:
    """The reply of someone who answers checks only, each with its last outcome, for thirty questions."""
    checks = talk.compiled.kb.checks
    if len(talk.events) < 30 + talk.types().count("acknowledge"):
        talk.replies.append(finds_the_worst)
    step = talk.case.chosen or talk.case.view.next[0]
    if step.id in checks:
        return checks[step.id].outcomes[-1].id
    return f"do {next(s.id for s in talk.case.view.all_steps if s.id in checks)}"


def test_any_number_of_bad_findings_leaves_the_case_usable(compiled: Compiled) -> None:
    read: list[Event] = [{"type": "acknowledge", "caution": c} for c in compiled.kb.cautions]
    chipped: Event = {"type": "symptom", "symptom": "margin-chipped"}
    talk = Talk(compiled, [finds_the_worst], [*read, chipped]).run()
    assert talk.closed is False
    assert Talk(compiled, ["back"], talk.events).run().closed is False


# -- found by a technician's trial ------------------------------------------------------------------------------------


def offered(compiled: Compiled) -> list[Step]:
    kb = compiled.kb
    return [Step("check", k, 1, 1) for k in kb.checks] + [Step("remedy", k, 1, 1) for k in kb.remedies]


def test_do_takes_only_a_step_that_holds_all_the_words(compiled: Compiled) -> None:
    every = offered(compiled)
    for key in list(compiled.kb.remedies)[::7]:
        title = compiled.kb.remedies[key].title
        assert find_check(title, compiled, every).id == key
        assert find_check(f"remedy: {title.lower()}", compiled, every).id == key
        rest = [s for s in every if s.id != key]  # held back: only a step whose name holds all of it may stand in
        try:
            other = find_check(title, compiled, rest)
        except Misread:
            continue
        record = compiled.kb.checks.get(other.id) or compiled.kb.remedies[other.id]
        name = f"{record.title} {other.id}".lower()
        assert [w for w in title.lower().split() if len(w) > 4 and w not in name] == []


def test_do_lists_what_fits_when_it_is_several(compiled: Compiled) -> None:
    with pytest.raises(Misread, match=r"several are called so: .*do "):
        find_check("collet", compiled, offered(compiled))
    with pytest.raises(Misread, match="a word of its name"):
        find_check("the", compiled, offered(compiled))


def test_back_at_a_warning_leaves_the_step_and_keeps_the_answers(strict: Compiled) -> None:
    talk = begun(strict, "do burr-look", "back").run()
    assert "burr-look" not in talk.state.answers
    assert [e["type"] for e in talk.events].count("undo") == 0


def test_two_complaints_in_one_line_are_both_taken(compiled: Compiled) -> None:
    talk = Talk(compiled, ["burr not recognised and spindle stalls"]).run()
    assert {s for s, there in talk.state.symptoms.items() if there} == {"burr-unknown", "spindle-stalls"}


def test_a_reading_between_two_outcomes_names_both_with_their_chance(compiled: Compiled) -> None:
    session = Session(compiled, [{"type": "symptom", "symptom": "air-drops", "present": True}])
    session.take({"type": "answer", "check": "air-static", "value": "0.42", "unit": "MPa"})
    text = Assessment(compiled, session.state).finding_text("air-static")
    labels = [o.label for o in compiled.kb.checks["air-static"].outcomes[1:]]
    assert all(f"'{label}'" in text for label in labels)
    assert text.count("50%") == 2


def test_a_calculation_does_not_go_round_the_warning_of_its_check(strict: Compiled) -> None:
    talk = begun(strict, "do burr-look", "calc leak-decay", "back").run()
    assert "Leak rate" not in talk.text
    assert "type ok when you have read it" in talk.text


def test_a_case_is_not_called_confirmed_unproven_without_being_asked_again(small: Compiled) -> None:
    talk = begun(small, "close", "1", "no", "pause")
    assert "No remedy's proof has passed" in talk.text
    assert talk.closed is False
    talk = begun(small, "close", "1", "yes", "0")
    assert talk.state.closed == "confirmed"


def test_a_choice_typed_short_is_logged_in_full(small: Compiled) -> None:
    entry = next(f for f in small.kb.vocabulary.setting if f.choices)
    short = entry.choices[-1][:-1]
    talk = begun(small, f"setting {entry.id} {short}")
    assert (talk.events[-1]["value"], talk.events[-1]["typed"]) == (entry.choices[-1], short)
