"""A calculation at the desk: tables line by line, corrections by symbol, what is said on the sheet."""

from __future__ import annotations

import pytest
from scripted_desk import ScriptedDesk

from advisor.calc import catalogue
from advisor.calc.base import Figure
from advisor.calc.run import Result, Run, carry_out
from advisor.calc.sheet import figure_text, sheet_lines
from advisor.calctalk import CalcTalk, choose
from advisor.model import Knowledge
from advisor.screen import Glyphs, plain

TABLES = [c.id for c in catalogue().values() if any(i.columns and (i.several or (1, 1))[0] > 1 for i in c.inputs)]


class Talk:
    """A calculation worked out at the desk with these replies, and corrected with those."""

    def __init__(self, kb: Knowledge, name: str, replies: list[str], changes: list[str] | None = None) -> None:
        self.desk = ScriptedDesk([*replies, *(changes or [])])
        talk = CalcTalk(self.desk, kb, catalogue()[name], {})
        run = talk.ask()
        assert run is not None
        self.run: Run | None = talk.end(run, "ends") if changes else run
        self.typed = talk.typed

    @property
    def text(self) -> str:
        return "\n".join(self.desk.screen)


@pytest.mark.parametrize("name", TABLES)
def test_a_table_that_needs_several_lines_takes_the_first_one(name: str, kb: Knowledge) -> None:
    calc = catalogue()[name]
    replies: list[str] = []
    for spec in calc.inputs:
        shown = calc.example.get(spec.id, "")
        replies += [*shown, ""] if spec.columns else [shown]
    at = Talk(kb, name, replies)
    assert at.run is not None
    assert at.run.results.keys() == carry_out(calc, calc.example, kb).results.keys()
    assert "are needed" not in at.text


def test_too_few_lines_are_told_at_the_end_and_a_bad_one_at_once(kb: Knowledge) -> None:
    at = Talk(kb, "tool-life-speed", ["45000 24", "", "50000", "0 8", "60000 8", "", "55000"])
    assert "pairs: 1 line given, 2 to 50 are needed" in at.text
    assert "line 2: life of the burr is missing" in at.text
    assert at.typed["pairs"] == ["45000 24", "60000 8"]


def test_a_line_in_the_middle_can_be_put_right(kb: Knowledge) -> None:
    at = Talk(kb, "tool-life-speed", ["45000 24", "50000 17.5", "60000 8", "9: 1 1", "?", "2: 50000 16", "", "55000"])
    assert "puts line 2 right" in at.text.replace("\n", " ")
    assert "no line 9" in at.text
    assert at.typed["pairs"] == ["45000 24", "50000 16", "60000 8"]


def test_symbols_that_differ_by_their_case_are_two(kb: Knowledge) -> None:
    at = Talk(kb, "leak-duty", ["30 s", "150 s", ""], ["T", "31 s", "t", "151 s", ""])
    assert (at.typed["on"], at.typed["off"]) == ("31 s", "151 s")


@pytest.mark.parametrize(
    ("symbol", "key", "new"), [("n", "now", "12 h"), ("p", "risk", "5 %"), ("r", "running", "13 h")]
)
def test_a_symbol_goes_before_the_command_of_that_letter(symbol: str, key: str, new: str, kb: Knowledge) -> None:
    at = Talk(kb, "burr-life", ["14.5 18 21.5 h", "12 h", "", "11 h", ""], [symbol, new, ""])
    assert at.typed[key] == new
    assert at.run is not None


def test_an_input_without_a_symbol_is_offered_by_its_name(kb: Knowledge) -> None:
    at = Talk(kb, "foam-compare", ["41 38", "22 25", "", ""], ["nonsense", ""])
    assert "one of bath, fresh, bath-settle, fresh-settle" in at.text


def sheet(kb: Knowledge, name: str, profile: dict[str, float], **changed: str) -> str:
    calc = catalogue()[name]
    run = carry_out(calc, {**calc.example, **changed}, kb, profile)
    return plain(sheet_lines(run, kb, 79, Glyphs.best("utf-8")))


def test_the_papers_of_the_mill_are_named_only_when_they_say_something_else(kb: Knowledge) -> None:
    usual = {f.id: f.default for f in kb.vocabulary.mill}
    assert "the mill's papers" not in sheet(kb, "line-readings", usual)
    assert "the mill's papers" in sheet(kb, "line-readings", {**usual, "inlet_pressure": 0.55})


def test_a_source_nobody_read_is_marked(kb: Knowledge) -> None:
    text = " ".join(sheet(kb, "repeatability", {}).split())
    assert "numerically controlled axes (from memory)" in text
    assert "Taylor tool life V*T^n = C, textbook form\n" in sheet(kb, "tool-life-speed", {}) + "\n"


def test_a_long_series_keeps_its_count_on_the_sheet(kb: Knowledge) -> None:
    assert "... V (10)" in sheet(kb, "mains-log", {})


def test_nothing_is_never_minus_nothing() -> None:
    assert figure_text(Result(Figure("d", "", "d", "um"), -0.001, 0.5)) == "0.0 um +- 1.0"


def test_back_from_the_sheet_asks_the_last_one_again(kb: Knowledge) -> None:
    assert Talk(kb, "dial-difference", ["7 um", "-6 um"], ["back", "-5 um", ""]).typed["other"] == "-5 um"


def test_the_doubt_named_is_that_of_the_figure_the_check_asks_for(kb: Knowledge) -> None:
    calc = catalogue()["mains-load"]
    run = carry_out(calc, calc.example, kb)
    shown = [plain(sheet_lines(run, kb, 79, Glyphs(), (), figure)).split("\n") for figure in (None, "inrush")]
    told = [next(line for line in lines if "Most of the doubt" in line) for lines in shown]
    marked = [next(line for line in lines if "k = 2" in line) for lines in shown]
    assert "power" in told[0]
    assert "start" in told[1]
    assert "load of the circuit" in marked[0]
    assert "worst start" in marked[1]


def test_the_fall_in_ten_minutes_is_shown_with_its_formula_when_another_time_was_taken(kb: Knowledge) -> None:
    """By hand: 0.9013 (1 - (0.8613 / 0.9013)^2) = 0.0782 MPa."""
    calc = catalogue()["leak-decay"]
    lines = " ".join(carry_out(calc, {**calc.example, "time": "5 min"}, kb).worked.lines)
    assert "^(10 min / t)), absolute, = 0.0782 MPa" in lines
    assert "ten minutes" not in " ".join(carry_out(calc, calc.example, kb).worked.lines)


def test_a_calculation_is_meant_by_its_id_its_subject_or_its_words() -> None:
    calcs = catalogue()
    assert [c.id for c in choose("leak-decay", calcs)] == ["leak-decay"]
    assert {c.subject for c in choose("air", calcs)} == {"air"}
    assert len(choose("air", calcs)) == sum(c.subject == "air" for c in calcs.values())
    assert [c.id for c in choose("sinter", calcs)] == ["sinter-scale"]
    assert choose("nothing of the kind", calcs) == []
