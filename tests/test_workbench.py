"""The commands for authors that work with the whole knowledge: `knowledge new cause` and `knowledge simulate`."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from small_base import SmallBase, write_base, write_pair

from advisor.cli import main
from advisor.issue import KnowledgeError
from advisor.lint import lint

Run = Callable[..., tuple[int, str, str]]
NEW, BESIDE = "causes/burr/burr-bent.yaml", "causes/burr/burr-bent.cases.yaml"


@pytest.fixture
def base(tmp_path: Path) -> SmallBase:
    return write_base(tmp_path)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run `advisor knowledge ...`; exit code, stdout, stderr. No command may own up to a crash."""

    def go(*argv: object) -> tuple[int, str, str]:
        try:
            code = main(["knowledge", *map(str, argv)])
        except SystemExit as stop:
            code = int(stop.code or 0)
        out = capsys.readouterr()
        assert "Traceback" not in out.out + out.err
        assert "Something in the program went wrong" not in out.err
        return code, out.out, out.err

    return go


@pytest.mark.parametrize("command", ["simulate", "diff", "graph", "new"])
def test_every_command_explains_itself(run: Run, command: str) -> None:
    code, out, err = run(command, "--help")
    assert (code, err) == (0, "")
    assert out.startswith(f"usage: advisor knowledge {command}")


# -- new cause --------------------------------------------------------------------------------------------------------


def files(base: SmallBase) -> dict[str, str]:
    return {p.relative_to(base.root).as_posix(): p.read_text("utf-8") for p in base.root.rglob("*.yaml")}


def begun(run: Run, base: SmallBase, *argv: object, ident: str = "burr-bent") -> tuple[int, str, str]:
    return run("new", "cause", ident, "--system", "burr", "--knowledge", base.root, *argv)


def test_a_new_cause_makes_its_file_and_its_examples_and_touches_nothing_else(run: Run, base: SmallBase) -> None:
    before = files(base)
    code, out, err = begun(run, base)
    assert (code, err) == (0, "")
    after = files(base)
    assert set(after) - set(before) == {NEW, BESIDE}
    assert {name: after[name] for name in before} == before
    assert all(str(base.root / name) in out for name in (NEW, BESIDE))
    assert "burr-loose, burr-worn" in out  # neighbours to learn from
    assert 'title: "Burr bent"\n' in after[NEW]


def test_what_is_to_be_filled_in_keeps_the_base_from_passing(run: Run, base: SmallBase) -> None:
    begun(run, base)
    with pytest.raises(KnowledgeError) as caught:
        base.load()
    places = {(i.file, i.line) for i in caught.value.issues}
    ids = [(NEW, base.line(NEW, f"{{{key}: TODO")) for key in ("symptom", "remedy")]
    assert {(f"mill/{file}", line) for file, line in ids} <= places
    assert any(file == f"mill/{BESIDE}" for file, _ in places)
    assert run("check", base.root)[0] == 1


FILLED = {
    "symptom: TODO": "symptom: chips",
    "{check: TODO, outcome: TODO, seen: very": "{check: burr-tug, outcome: moves, seen: very",
    "{check: TODO, outcome: TODO, seen: freq": "{check: since-when, outcome: sudden, seen: freq",
    "remedy: TODO": "remedy: clamp-burr",
    "[TODO]": "[chips]",
    "rival: TODO": "rival: burr-worn",
}


def filled(base: SmallBase) -> None:
    """The new cause with every id filled in and every text left as it was made."""
    for file in (NEW, BESIDE):
        text = base.text(file)
        for old, new in FILLED.items():
            text = text.replace(old, new)
        text = text.replace("{TODO: TODO}", "{burr-tug: moves}", 1).replace("{TODO: TODO}", "{burr-tug: firm}")
        base.write(file, text)


def test_texts_that_still_say_todo_do_not_pass_the_linter_one_by_one(run: Run, base: SmallBase) -> None:
    begun(run, base)
    filled(base)
    errors, _ = lint(base.load())
    left = {
        (f"mill/{file}", number)
        for file in (NEW, BESIDE)
        for number, line in enumerate(base.text(file).splitlines(), start=1)
        if "TODO" in line
    }
    assert len(left) == 6
    assert {(i.file, i.line) for i in errors if i.code == "todo"} == left
    assert run("check", base.root)[0] == 1
    for file in (NEW, BESIDE):
        base.write(file, re.sub(r"TODO [^,\n]*", "It bends under the load.", base.text(file)))
    assert "todo" not in {i.code for i in lint(base.load())[0]}


@pytest.mark.parametrize("title", ["Burr: bent # or so", 'A "bent" burr', "- bent", "[bent", "bent\nid: other"])
def test_a_title_is_only_text(run: Run, base: SmallBase, title: str) -> None:
    assert begun(run, base, "--title", title)[0] == 0
    filled(base)
    assert base.load().causes["burr-bent"].title == " ".join(title.split())


@pytest.mark.parametrize("ident", ["burr worn", "-burr", "burr_bent", "1burr", "", "burr/../../x", "é", "b" * 49])
def test_a_bad_id_is_refused(run: Run, base: SmallBase, ident: str) -> None:
    before = files(base)
    code, out, err = run("new", "cause", "--system", "burr", "--knowledge", base.root, "--", ident)
    assert (code, out) == (2, "")
    assert "is no id" in err
    assert files(base) == before


def test_an_id_that_is_there_is_refused_with_its_place(run: Run, base: SmallBase) -> None:
    before = files(base)
    for system in ("burr", "air"):
        code, out, err = run("new", "cause", "burr-worn", "--system", system, "--knowledge", base.root)
        assert (code, out) == (1, "")
        assert "mill/causes/burr/burr-worn.yaml:1" in err
    assert files(base) == before


def test_an_unknown_system_is_refused_with_the_nearest(run: Run, base: SmallBase) -> None:
    before = files(base)
    code, out, err = run("new", "cause", "burr-bent", "--system", "bur", "--knowledge", base.root)
    assert (code, out) == (2, "")
    assert "'bur'" in err
    assert "did you mean burr?" in err
    assert files(base) == before


def test_another_kind_than_a_cause_cannot_be_begun(run: Run, base: SmallBase) -> None:
    code, _, err = run("new", "symptom", "loud", "--system", "burr", "--knowledge", base.root)
    assert code == 2
    assert "cause" in err


def test_nothing_is_ever_overwritten_and_no_half_is_left(run: Run, base: SmallBase) -> None:
    base.write(BESIDE, "quiet: []\n")
    before = files(base)
    code, out, err = begun(run, base)
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert "burr-bent.cases.yaml cannot be written" in err
    assert files(base) == before


def test_begun_twice_the_first_stays_as_it_is(run: Run, base: SmallBase) -> None:
    begun(run, base)
    before = files(base)
    code, out, err = begun(run, base, "--title", "Another")
    assert (code != 0, out) == (True, "")
    assert "burr-bent" in err
    assert files(base) == before


def test_a_folder_that_is_not_there_is_told(run: Run, tmp_path: Path) -> None:
    code, out, err = run("new", "cause", "burr-bent", "--system", "burr", "--knowledge", tmp_path / "nowhere")
    assert (code, out) == (2, "")
    assert "nowhere" in err
    assert not (tmp_path / "nowhere").exists()


# -- simulate ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def on_pair(run: Run, tmp_path: Path) -> Run:
    base = write_pair(tmp_path)
    base.replace("causes/burr/burr-loose.yaml", "outcome: moves, seen: frequent", "outcome: moves, seen: always")
    return lambda *argv: run("simulate", *argv, "--jobs", 1, "--knowledge", base.root)


def test_the_figures_of_a_simulation_can_be_read(on_pair: Run) -> None:
    # By hand: with the certain check each cause takes 2.8 + 25 minutes in two steps.
    code, out, err = on_pair("--cases", 6)
    assert (code, err) == (0, "")
    for said in (
        "6 invented cases drawn from the knowledge itself, seed 1:",
        "  one cause              6 cases: top-1 100%, top-3 100%",
        "  as planned                             28 +- 0 (28, mended 100%); 2.0 steps",
        "fixed checklist, then by probability",
        "most probable cause first, no checks",
        "Against the exact optimum on 1 parts of the knowledge",
        "0.0% longer on average, worst 0.0%",
        "Brier score 0.0",
        "said        came true   forecasts",
    ):
        assert said in out
    assert "Links the next step hangs on" not in out
    assert "FAILED" not in out


def test_the_figures_as_json_are_the_same_for_the_same_seed(on_pair: Run) -> None:
    outs = [on_pair("--cases", 4, "--seed", seed, "--format", "json", "--planned-only") for seed in (3, 3, 4)]
    assert [(code, err) for code, _, err in outs] == [(0, "")] * 3
    first, again, other = (json.loads(out) for _, out, _ in outs)
    assert first == again
    assert first != other
    assert (first["cases"], first["seed"], list(first["minutes"]), first["failed"]) == (4, 3, ["planned"], [])
    assert first["kinds"] == {"one": 4}


def test_the_links_the_next_step_hangs_on_are_told_when_asked_for(run: Run, tmp_path: Path) -> None:
    base = write_pair(tmp_path)
    args = ("simulate", "--cases", 2, "--jobs", 1, "--planned-only", "--sensitivity", 2, "--knowledge", base.root)
    code, out, _ = run(*args)
    assert code == 0
    head, first = out.split("Links the next step hangs on most")[1].splitlines()[:2]
    assert head == " (moved to the next frequency class):"
    assert first == "  burr-loose shows burr-tug: moves (frequent, judged): 25% of next steps change, in play 4 times"
    (found, *_) = json.loads(run(*args, "--format", "json")[1])["sensitivity"]
    assert (found["shows"], found["changed"]) == ("burr-tug: moves", 0.25)


def test_the_reliability_diagram_is_drawn(on_pair: Run, tmp_path: Path) -> None:
    target = tmp_path / "reliability.svg"
    code, _, err = on_pair("--cases", 4, "--planned-only", "--plot", target)
    assert (code, err) == (0, "")
    assert "share that came true" in target.read_text("utf-8")
    code, _, err = on_pair("--cases", 2, "--planned-only", "--plot", tmp_path / "none" / "x.svg")
    assert code == 1
    assert "cannot be written" in err


def test_a_simulation_in_which_every_case_fails_says_so(run: Run, tmp_path: Path) -> None:
    base = write_pair(tmp_path)
    base.replace("vocabulary.yaml", "symptom: 0.5", "symptom: 1.0e-12")
    for name in ("burr-worn", "burr-loose"):
        base.replace(f"causes/burr/{name}.yaml", "symptom: chips, seen: very frequent", "symptom: chips, seen: never")
    args = ("simulate", "--cases", 1, "--jobs", 1, "--knowledge", base.root)
    _, out, _ = run(*args)
    assert "FAILED: 3" in out
    assert "nobody had anything to complain of" in out

    def refuse(name: str) -> Any:
        raise AssertionError(f"{name} is no JSON")

    assert json.loads(run(*args, "--format", "json")[1], parse_constant=refuse)["brier"] is None


@pytest.mark.parametrize("argv", [("--cases", 0), ("--cases", -3), ("--cases", 100_001), ("--seed", -1), ("--cases", "x")])  # fmt: skip
def test_numbers_that_make_no_sense_are_refused(on_pair: Run, argv: tuple[object, ...]) -> None:
    code, out, err = on_pair(*argv)
    assert (code, out) == (2, "")
    assert str(argv[0]) in err


def test_a_base_that_cannot_be_used_is_told_with_its_place(run: Run, base: SmallBase) -> None:
    base.replace("causes/air/air-low.yaml", "symptom: slow-cut", "symptom: slow-cuts")
    code, out, err = run("simulate", "--cases", 1, "--jobs", 1, "--knowledge", base.root)
    assert (code, out) == (2, "")
    assert "mill/causes/air/air-low.yaml" in err
    assert "slow-cut" in err
