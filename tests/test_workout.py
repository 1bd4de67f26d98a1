"""Calculations inside a case: asked, shown, taken as the answer with their doubt, kept in the log, corrected."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from scripted_desk import ScriptedDesk

from advisor.checkcalc import worked_answer
from advisor.compiled import Compiled
from advisor.consult import Consultation
from advisor.facts import Step
from advisor.load import KnowledgeError
from advisor.model import Check, CheckCalc, Knowledge
from advisor.scripted import answers_events, read_answers, report
from advisor.session import CaseError, Session
from advisor.trail import trail_data, trail_text

READINGS = {"volume": "24 L", "start": "0.80 MPa", "end": "0.76 MPa", "time": "10 min", "delivery": "50 L/min"}
TYPED = [*READINGS.values(), "", "", ""]  # temperatures and working pressure are left out
CHECK = "receiver-decay"


@pytest.fixture(scope="module")
def leaky(kb: Knowledge) -> Compiled:
    """The shipped knowledge, with one check that asks for the leak's share of the delivery."""
    data = kb.checks[CHECK].model_dump(by_alias=True, exclude_none=True)
    first, second = data["outcomes"]
    data |= {
        "quantity": "leak share",
        "unit": "%",
        "plausible_from": 0,
        "plausible_to": 100,
        "calc": {"name": "leak-decay", "figure": "share"},
        "outcomes": [
            {"id": first["id"], "label": "under 10 %", "to": "10"},
            {"id": second["id"], "label": "10 % or more", "from": "10"},
        ],
    }
    return Compiled(replace(kb, checks={**kb.checks, CHECK: Check.model_validate(data)}))


class Desk:
    """A case at the desk with what was recorded of it."""

    def __init__(self, compiled: Compiled, replies: list[str], events: list[dict[str, Any]] | None = None) -> None:
        self.desk = ScriptedDesk(replies)
        self.recorded: list[dict[str, Any]] = []
        opening = events or [{"type": "start"}, {"type": "symptom", "symptom": "compressor-busy", "present": True}]
        self.session = Session(compiled, opening)
        self.opening = opening
        talk = Consultation(compiled, self.session, self.desk, self.record, case="261125-k7qx")
        talk.chosen = Step("check", CHECK, 3, 60)
        talk.run()

    def record(self, event: dict[str, Any]) -> str:
        self.recorded.append(event)
        return "261125-k7qx"

    @property
    def text(self) -> str:
        return "\n".join(self.desk.screen)


def warned(compiled: Compiled) -> list[str]:
    """What has to be typed before the check is shown: a word for each warning."""
    hazards = compiled.cautions_for(compiled.kb.checks[CHECK].hazards)
    return ["ok" for c in hazards if compiled.kb.cautions[c].signal in ("danger", "warning")]


def test_the_check_offers_its_calculation_and_takes_the_result_as_the_answer(leaky: Compiled) -> None:
    at = Desk(leaky, [*warned(leaky), "calc", *TYPED, ""])
    assert "'calc' to work it out" in at.text
    answer = at.session.state.answers[CHECK]
    assert answer.value == pytest.approx(100 * 0.96 / 50)
    assert answer.calculation == "leak-decay"
    assert answer.u == pytest.approx(0.43, abs=0.02)
    assert answer.likeliest == "ok"
    assert "under 10 %" in at.text
    assert "Q = V (p1 - p2)" in at.text


def test_the_doubt_of_the_readings_decides_how_far_the_outcome_counts(leaky: Compiled) -> None:
    """The leak is so near the limit that the gauges cannot tell: both outcomes keep a share (JCGM 106)."""
    near = {**READINGS, "end": "0.592 MPa"}  # 24 L x 0.208 MPa / (0.1 MPa x 10 min) = 4.99 L/min = 9.98 %
    at = Desk(leaky, [*warned(leaky), "calc", *near.values(), "", "", "", ""])
    weights = at.session.state.answers[CHECK].weights
    assert 0.3 < weights["falls"] < 0.7
    assert "too near the limit to be sure" in at.text


def test_each_reading_is_recorded_before_the_next_is_asked_and_offered_again_after_a_break(leaky: Compiled) -> None:
    first = Desk(leaky, [*warned(leaky), "calc", *TYPED[:3]])
    assert [(e["input"], e["typed"]) for e in first.recorded if e["type"] == "reading"] == list(READINGS.items())[:3]
    assert CHECK not in first.session.state.answers
    again = Desk(leaky, ["calc", "", "", "", *TYPED[3:], ""], [*first.opening, *first.recorded])
    assert again.session.state.answers[CHECK].value == pytest.approx(1.92)
    assert "(Enter: 24 L)" in again.text


def test_a_wrong_reading_is_told_and_asked_again_and_a_late_one_corrected(leaky: Compiled) -> None:
    at = Desk(
        leaky,
        [
            *warned(leaky),
            "calc",
            "plenty",
            "24 L",
            "8",
            "0.80 MPa",
            "back",
            "0.80 MPa",
            *TYPED[2:],
            "p2",
            "0.70 MPa",
            "",
        ],
    )
    assert "'plenty' is no number: type one such as 50 L" in at.text
    assert "8 MPa is outside 0.05 to 1.6 MPa" in at.text
    assert at.session.state.answers[CHECK].value == pytest.approx(100 * 24 * 0.1 / (0.1 * 10) / 50)


def test_leave_goes_back_to_the_check_without_an_answer(leaky: Compiled) -> None:
    at = Desk(leaky, [*warned(leaky), "calc", "24 L", "leave", "ok"])
    assert at.session.state.answers[CHECK].outcome == "ok"
    assert at.session.state.drafts["leak-decay"] == {"volume": "24 L"}


def test_without_the_figure_it_needs_the_missing_reading_is_asked_for(leaky: Compiled) -> None:
    at = Desk(leaky, [*warned(leaky), "calc", *TYPED[:4], "", *TYPED[5:], "", "", "", "", "50 L/min", *TYPED[5:], ""])
    assert "the share of the delivery does not follow" in at.text
    assert at.session.state.answers[CHECK].value == pytest.approx(1.92)


def test_any_calculation_can_be_done_beside_the_case_and_changes_nothing(leaky: Compiled) -> None:
    at = Desk(leaky, [*warned(leaky), "calc list", "calc no-such", "calc bath-mix", "leave"])
    assert "leak-decay" in at.text
    assert "no calculation is called 'no-such'" in at.text
    assert at.session.state.answers == {}


def test_the_trail_shows_inputs_and_result_with_units(leaky: Compiled) -> None:
    at = Desk(leaky, [*warned(leaky), "calc", *TYPED, ""])
    entries = [("2026-11-25T10:00:00", e) for e in [*at.opening, *at.recorded]]
    session = Session(leaky, [e for _, e in entries])
    text = trail_text(trail_data(leaky, session, "261125-k7qx", entries), leaky, session)
    assert "volume 24 L, start 0.80 MPa, end 0.76 MPa, time 10 min" in text
    assert "leak rate, free air 0.96 L/min +- 0.42" in text


def test_taking_the_answer_back_leaves_the_readings(leaky: Compiled) -> None:
    at = Desk(leaky, [*warned(leaky), "calc", *TYPED, "", "back"])
    assert CHECK not in at.session.state.answers
    assert at.session.state.drafts["leak-decay"]["end"] == "0.76 MPa"


def test_an_answers_file_gives_readings_instead_of_the_result(leaky: Compiled, tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    lines = "\n".join(f"      {k}: {v}" for k, v in READINGS.items())
    path.write_text(f"answers:\n  {CHECK}:\n    readings:\n{lines}\n", "utf-8")
    events = answers_events(read_answers(path), "a.yaml", leaky)
    data = report(leaky, Session(leaky, events), None)
    finding = next(f for f in data["findings"] if f["check"] == CHECK)
    assert finding["value"] == pytest.approx(1.92)
    assert finding["calculation"] == "leak-decay"
    path.write_text(f"answers:\n  {CHECK}:\n    readings: {{volum: 24 L}}\n", "utf-8")
    with pytest.raises(KnowledgeError, match=r"no input 'volum'.*volume"):
        answers_events(read_answers(path), "a.yaml", leaky)
    path.write_text("answers:\n  air-static:\n    readings: {volume: 24 L}\n", "utf-8")
    with pytest.raises(KnowledgeError, match="has no calculation"):
        answers_events(read_answers(path), "a.yaml", leaky)


def test_inputs_the_check_settles_are_not_asked(leaky: Compiled) -> None:
    check = leaky.kb.checks[CHECK].model_copy(
        update={"calc": CheckCalc(name="leak-decay", figure="share", given={"volume": "24 L"})}
    )
    rest = {k: v for k, v in READINGS.items() if k != "volume"}
    event = worked_answer(check, rest, leaky.kb, leaky.defaults)
    assert float(event["value"]) == pytest.approx(1.92)


@pytest.mark.parametrize("bad", ["-1", "nan", "much", [1]])
def test_a_doubt_that_is_none_is_refused(leaky: Compiled, bad: Any) -> None:
    with pytest.raises(CaseError, match="no standard uncertainty"):
        Session(leaky).take({"type": "answer", "check": CHECK, "value": "5", "unit": "%", "uncertainty": bad})


@pytest.mark.parametrize(
    "bad", [{}, {"ok": 1.0}, {"ok": 0.7, "falls": 0.7}, {"ok": -0.1, "falls": 1.1}, "ok", {"ok": "x", "falls": 1}]
)
def test_weights_that_are_no_probabilities_are_refused(leaky: Compiled, bad: Any) -> None:
    with pytest.raises(CaseError, match="weights must name"):
        Session(leaky).take({"type": "answer", "check": CHECK, "weights": bad})
