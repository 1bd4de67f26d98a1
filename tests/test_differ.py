"""Two versions of the knowledge on the same cases, through the functions and through `advisor knowledge diff`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from small_base import SmallBase, write_pair

from advisor.caselog import CaseLog, log_path
from advisor.cli import main
from advisor.compiled import Compiled
from advisor.differ import Change, changes, worked_events
from advisor.model import WorkedCase

LOOSE, WORN = "causes/burr/burr-loose.yaml", "causes/burr/burr-worn.yaml"
TUG = "outcome: moves, seen: frequent"
CHIPS = {"type": "symptom", "symptom": "chips", "present": True}
MOVES = {"type": "answer", "check": "burr-tug", "outcome": "moves"}
CASES = """\
cases:
  - {id: complaint-alone, title: Nothing asked yet, story: Chips., symptoms: [chips], causes: [burr-loose]}
  - {id: it-moved, title: It moved, story: Chips., symptoms: [chips], answers: {burr-tug: moves}, causes: [burr-loose]}
"""


@pytest.fixture
def old(tmp_path: Path) -> SmallBase:
    return write_pair(tmp_path / "old")


@pytest.fixture
def new(tmp_path: Path) -> SmallBase:
    return write_pair(tmp_path / "new")


def told(old: SmallBase, new: SmallBase, *cases: list[dict[str, Any]], least: float = 0.05) -> list[Change]:
    named = [(f"case {i}", events) for i, events in enumerate(cases)]
    return changes(Compiled(old.load()), Compiled(new.load()), named, least)


def test_between_a_base_and_itself_nothing_changes(old: SmallBase, new: SmallBase) -> None:
    assert told(old, new, [CHIPS], [CHIPS, MOVES], [], least=1e-9) == []


def test_a_changed_link_shows_up_with_the_case_and_the_new_next_step(old: SmallBase, new: SmallBase) -> None:
    # See small_base: seen occasionally, the check is no longer worth its minutes. The leader stays at 0.9 x 6 to 4.
    new.replace(LOOSE, TUG, "outcome: moves, seen: occasional")
    (change,) = told(old, new, [CHIPS], [CHIPS, MOVES])
    assert (change.case, change.step_changed, change.leader_changed) == ("case 0", True, False)
    assert (change.step_before, change.step_after) == ("check burr-tug", "remedy change-burr")
    assert change.before == change.after
    assert [c for c, _ in change.before] == ["burr-worn", "burr-loose"]
    assert (change.moved, change.misfits) == (0, ())


def test_another_leader_is_told_with_both_probabilities_before_other_changes(old: SmallBase, new: SmallBase) -> None:
    # By hand, one fault: 6 to 4 before and 6 to 9 after, plus the little chance of both.
    new.replace(LOOSE, "per_hundred: 4", "per_hundred: 9")
    firm = {"type": "answer", "check": "burr-tug", "outcome": "firm"}
    first, second = told(old, new, [CHIPS, firm], [CHIPS])
    assert (first.case, first.leader_changed) == ("case 1", True)
    assert ([c for c, _ in first.before], [c for c, _ in first.after]) == (["burr-worn", "burr-loose"], ["burr-loose", "burr-worn"])  # fmt: skip
    assert first.moved == pytest.approx(9 / 15 - 4 / 10, abs=0.03)
    assert (second.case, second.leader_changed) == ("case 0", False)  # firm halves the loose burr: 6 to 4.5
    assert second.moved == pytest.approx(4.5 / 10.5 - 2 / 8, abs=0.03)


def test_small_moves_are_left_out(old: SmallBase, new: SmallBase) -> None:
    new.replace(LOOSE, "per_hundred: 4", "per_hundred: 4.2")
    assert told(old, new, [CHIPS]) == []
    assert len(told(old, new, [CHIPS], least=0.01)) == 1


def test_a_cause_that_only_drops_out_of_the_first_three_has_not_moved_by_all_its_chance(
    old: SmallBase, new: SmallBase
) -> None:
    # Four causes of nearly the same chance: which of them are the first three says nothing.
    for base, shares in ((old, ("5.02", "5.01")), (new, ("5.01", "5.02"))):
        for name, share in zip(("burr-bent", "burr-short"), shares, strict=True):
            text = base.text(LOOSE).replace("burr-loose", name).replace("per_hundred: 4", f"per_hundred: {share}")
            base.write(f"causes/burr/{name}.yaml", text)
        base.replace(LOOSE, "per_hundred: 4", "per_hundred: 5.5")
    (change,) = told(old, new, [CHIPS], least=0.0)
    assert {c for c, _ in change.before} ^ {c for c, _ in change.after} == {"burr-bent", "burr-short"}
    assert change.moved < 0.01


@pytest.mark.parametrize(
    ("event", "said"),
    [
        ({"type": "answer", "check": "burr-tog", "outcome": "moves"}, "burr-tog"),
        ({"type": "answer", "check": "burr-tug", "outcome": "gone"}, "gone"),
        ({"type": "symptom", "symptom": "chip", "present": True}, "chip"),
        ({"type": "remedy", "remedy": "glue-burr", "result": "no-change"}, "glue-burr"),
        ({"type": "sung"}, "sung"),
    ],
)
def test_what_the_new_base_does_not_know_is_told_and_the_rest_of_the_case_used(
    old: SmallBase, new: SmallBase, event: dict[str, Any], said: str
) -> None:
    (change,) = told(old, new, [CHIPS, event, MOVES])
    assert any(said in m for m in change.misfits)
    assert change.after[0][0] == "burr-loose"


def test_the_answers_of_a_worked_case_are_read_by_the_base_that_has_the_check(old: SmallBase, new: SmallBase) -> None:
    gauge = """\
checks:
  - id: run-out
    title: Run-out
    ask: What does the dial show?
    kind: measure
    system: burr
    minutes: 1
    how: [Turn it by hand.]
    expect: Next to nothing.
    quantity: length
    unit: mm
    plausible_from: 0
    plausible_to: 1
    instrument: dial
    source: geometry
    outcomes: [{id: true, label: true, to: 0.02}, {id: out, label: out, from: 0.02}]
instruments:
  - {id: dial, title: dial, quantity: length, unit: mm, error: 0.001, source: geometry}
"""
    new.write("run-out.yaml", gauge)
    case = WorkedCase(id="x", title="It runs out", story="Chips.", symptoms=("chips",), answers={"run-out": "0.1 mm", "burr-tug": "moves"})  # fmt: skip
    events = worked_events(case, Compiled(old.load()), Compiled(new.load()))
    assert events == [CHIPS, {"type": "answer", "check": "run-out", "value": "0.1 mm"}, MOVES]
    (change,) = told(old, new, events, least=0)
    (misfit,) = change.misfits  # the old base's alone
    assert "there is no check 'run-out'" in misfit
    assert change.before[0][0] == change.after[0][0] == "burr-loose"


# -- the command ------------------------------------------------------------------------------------------------------


def diff(capsys: pytest.CaptureFixture[str], *argv: object) -> tuple[int, str, str]:
    code = main(["knowledge", "diff", *map(str, argv)])
    out = capsys.readouterr()
    assert "went wrong" not in out.err
    return code, out.out, out.err


@pytest.fixture
def cases(tmp_path: Path) -> Path:
    path = tmp_path / "cases.yaml"
    path.write_text(CASES, "utf-8")
    return path


def test_the_command_names_the_cases_and_sums_up(
    capsys: pytest.CaptureFixture[str], old: SmallBase, new: SmallBase, cases: Path
) -> None:
    code, out, err = diff(capsys, old.root, new.root, "--cases", cases)
    assert (code, out, err) == (0, "2 cases (2 worked, 0 logged): 0 with another leading cause, 0 with another next step\n", "")  # fmt: skip
    new.replace(LOOSE, TUG, "outcome: moves, seen: occasional")
    code, out, _ = diff(capsys, old.root, new.root, "--cases", cases)
    assert code == 0
    assert "complaint-alone: another next step" in out
    assert "next check burr-tug" in out
    assert "next remedy change-burr" in out
    assert "it-moved" not in out
    assert out.endswith("0 with another leading cause, 1 with another next step\n")
    code, out, _ = diff(capsys, old.root, new.root, "--cases", cases, "--format", "json")
    (found,) = json.loads(out)
    assert (found["case"], found["step_after"], found["step_changed"]) == ("complaint-alone", "remedy change-burr", True)  # fmt: skip


def test_worked_cases_of_a_symptom_only_the_new_base_has_are_told_and_not_refused(
    capsys: pytest.CaptureFixture[str], old: SmallBase, new: SmallBase, cases: Path
) -> None:
    cases.write_text(CASES + "  - {id: squeals, title: It squeals, story: It squeals., symptoms: [squeal], causes: [burr-worn]}\n", "utf-8")  # fmt: skip
    squeal = "  - id: squeal\n    title: It squeals\n    family: margins\n    say: [howls, sings, whistles]\n    ask: Does it squeal?\n"
    new.write("symptoms.yaml", new.text("symptoms.yaml") + squeal)
    new.replace(WORN, "shows:\n", "shows:\n  - {symptom: squeal, seen: always, because: it rubs, source: geometry}\n")
    code, out, err = diff(capsys, old.root, new.root, "--cases", cases)
    assert (code, err) == (0, "")
    assert "squeals: " in out
    assert "there is no symptom 'squeal'" in out


def test_logged_cases_are_used_when_asked_for(
    capsys: pytest.CaptureFixture[str], old: SmallBase, new: SmallBase, cases: Path
) -> None:
    new.replace(LOOSE, TUG, "outcome: moves, seen: occasional")
    args = (old.root, new.root, "--cases", cases)
    code, out, err = diff(capsys, *args, "--logged")
    assert (code, out) == (1, "")
    assert "No case was logged yet" in err
    log = CaseLog(log_path())
    case = log.new_case({"type": "start", "knowledge": "k", "version": "0", "mill": None})
    close = {"type": "close", "how": "referred"}
    for seq, event in enumerate((CHIPS, MOVES, {"type": "undo"}, {"type": "remedy", "remedy": "gone", "result": "no-change"}, close), start=1):  # fmt: skip
        log.append(case, event, seq)
    log.close()
    code, out, _ = diff(capsys, *args)
    assert case not in out
    code, out, _ = diff(capsys, *args, "--logged")
    assert code == 0
    assert f"{case}: another next step" in out  # as it stood before the remedy that neither base knows
    assert "does not fit one of them: remedy: there is no remedy 'gone'" in out
    assert "3 cases (2 worked, 1 logged)" in out
    _, out, _ = diff(capsys, *args, "--log", log_path())
    assert f"{case}: another next step" in out


@pytest.mark.parametrize("missing", ["old", "new", "cases"])
def test_a_folder_that_is_not_there_is_told_in_one_line(
    capsys: pytest.CaptureFixture[str], old: SmallBase, new: SmallBase, cases: Path, missing: str
) -> None:
    where = {"old": old.root, "new": new.root, "cases": cases, missing: cases.parent / "nowhere"}
    code, out, err = diff(capsys, where["old"], where["new"], "--cases", where["cases"])
    assert (code, out) == (2, "")
    assert "nowhere" in err
