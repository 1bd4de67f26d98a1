"""The care plan: what is due when, with cautions, and what its neglect brings."""

from __future__ import annotations

import json

import pytest

from advisor.cli import main
from advisor.compiled import Compiled
from advisor.model import CareTask, Knowledge
from advisor.screen import plain, summary_lines
from advisor.session import Session


def test_the_plan_has_daily_weekly_monthly_tasks_and_some_by_hours(kb: Knowledge) -> None:
    assert {t.every for t in kb.care.values()} == {"day", "week", "month", "hours"}
    assert len(kb.care) >= 15


def test_it_is_told_in_order_with_steps_cautions_and_causes(kb: Knowledge, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["care"]) == 0
    out = capsys.readouterr().out
    heads = [out.index(h) for h in ("Every day", "Every week", "Every month", "By cutting hours")]
    assert heads == sorted(heads)
    for task in kb.care.values():
        assert task.title in out
    assert "Left undone it brings:" in out
    assert "WARNING:" in out
    assert "own papers come first" in out
    assert max(map(len, out.split("\n"))) <= 110


def test_each_caution_is_told_in_full_once(kb: Knowledge, capsys: pytest.CaptureFixture[str]) -> None:
    main(["care"])
    out = " ".join(capsys.readouterr().out.split())
    used = {h for t in kb.care.values() for h in t.hazards}
    for caution in kb.cautions.values():
        if used & set(caution.covers):
            assert out.count(" ".join(caution.text.split())) == 1


def test_tasks_of_one_interval_or_against_one_cause(kb: Knowledge, capsys: pytest.CaptureFixture[str]) -> None:
    cause = next(c for t in kb.care.values() for c in t.prevents)
    assert main(["care", "--every", "week", "--format", "json"]) == 0
    assert {t["every"] for t in json.loads(capsys.readouterr().out)} == {"week"}
    assert main(["care", "--cause", cause, "--format", "json"]) == 0
    assert all(cause in t["prevents"] for t in json.loads(capsys.readouterr().out))
    assert main(["care", "--cause", "colet-dirty"]) == 1
    assert "did you mean collet-dirty" in capsys.readouterr().err


def test_the_end_of_a_case_says_how_it_stays_away(compiled: Compiled, kb: Knowledge) -> None:
    from advisor.assess import Assessment

    task = next(t for t in kb.care.values() if t.who == "technician" and t.prevents)
    symptom = next(x.symptom for x in kb.causes[task.prevents[0]].shows if x.symptom)
    session = Session(compiled, [{"type": "symptom", "symptom": symptom, "present": True}])
    session.take({"type": "close", "how": "confirmed", "cause": task.prevents[0]})
    text = " ".join(plain(summary_lines(Assessment(compiled, session.state), "261125-k7qx", 79)).split())
    assert "So that it stays away:" in text


@pytest.mark.parametrize(("every", "hours"), [("hours", None), ("week", "40")])
def test_hours_go_with_hours_alone(every: str, hours: str | None) -> None:
    data = {
        "id": "wipe", "title": "Wipe", "every": every, "minutes": "1", "steps": ["Wipe it."], "sound": "It is clean.",
        "prevents": ["dirt"], "because": "dirt builds up", "source": "common-practice",
    }  # fmt: skip
    with pytest.raises(ValueError, match="hours"):
        CareTask.model_validate(data | ({"hours": hours} if hours else {}))
