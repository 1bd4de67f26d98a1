"""The commands as a user calls them: output, exit codes, plain messages; and a consultation killed at a real terminal."""

from __future__ import annotations

import json
import os
import re
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from small_base import SmallBase, write_base

import advisor
from advisor.caselog import CaseLog, log_path
from advisor.cli import main
from advisor.compiled import Compiled
from advisor.model import KINDS

Run = Callable[..., tuple[int, str, str]]
COMMANDS = ["diagnose", "resume", "cases", "case", "mill", "knowledge", "replay"]
KNOWLEDGE = ["check", "list", "show", "schema"]


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> SmallBase:
    """The small base of our own invention."""
    return write_base(tmp_path_factory.mktemp("small"))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command; exit code, stdout, stderr. No command may show a traceback or own up to a crash."""

    def go(*argv: str) -> tuple[int, str, str]:
        try:
            code = main(argv)
        except SystemExit as stop:
            code = int(stop.code or 0)
        out = capsys.readouterr()
        assert "Traceback" not in out.out + out.err
        assert "Something in the program went wrong" not in out.err
        return code, out.out, out.err

    return go


@pytest.fixture
def on_small(run: Run, base: SmallBase) -> Run:
    """The same on the small base."""
    return lambda *argv: run(*argv, "--knowledge", str(base.root))


# -- help -------------------------------------------------------------------------------------------------------------


def test_version(run: Run) -> None:
    assert run("--version") == (0, f"advisor {advisor.__version__}\n", "")


@pytest.mark.parametrize("argv", [[], *[[c] for c in COMMANDS], *[["knowledge", k] for k in KNOWLEDGE]], ids=" ".join)
def test_every_command_explains_itself(run: Run, argv: list[str]) -> None:
    code, out, err = run(*argv, "--help")
    assert (code, err) == (0, "")
    assert out.startswith("usage: advisor" + "".join(f" {a}" for a in argv))


def test_the_help_names_every_command(run: Run) -> None:
    _, out, _ = run("--help")
    assert all(re.search(rf"^ +{c}( |$)", out, re.M) for c in COMMANDS)


@pytest.mark.parametrize("argv", [["nonsense"], ["--nonsense"], ["knowledge"], ["case"], ["cases", "--limit", "x"], ["cases", "--format", "xml"]])  # fmt: skip
def test_wrong_use_ends_with_2_and_the_usage(run: Run, argv: list[str]) -> None:
    code, out, err = run(*argv)
    assert (code, out) == (2, "")
    assert err.startswith("usage: advisor")


# -- cases ------------------------------------------------------------------------------------------------------------

CHIPS = {"type": "symptom", "symptom": "chips", "present": True}


def kept(*events: dict[str, Any], mill: str | None = "A") -> str:
    """A case in the user's log."""
    log = CaseLog(log_path())
    case = log.new_case({"type": "start", "knowledge": "k", "version": "0", "mill": mill})
    for number, event in enumerate(events, start=1):
        log.append(case, event, number)
    log.close()
    return case


@pytest.mark.parametrize("argv", [["cases"], ["case", "x"], ["resume"], ["resume", "x"]], ids=" ".join)
def test_without_a_log_it_says_how_to_begin(run: Run, argv: list[str]) -> None:
    code, out, err = run(*argv)
    assert (code, out) == (1, "")
    assert "Begin one with: advisor" in err
    assert not log_path().exists()


def test_cases_are_listed_newest_first(run: Run) -> None:
    first = kept({"type": "complaint", "text": "edges \x1b[31mcrumble"}, CHIPS)
    second = kept(CHIPS, {"type": "close", "how": "confirmed", "cause": "burr-worn"}, mill=None)
    code, out, _ = run("cases", "--format", "json")
    found = {c["case"]: c for c in json.loads(out)}
    assert code == 0
    assert found.keys() == {first, second}
    assert (found[first]["closed"], found[second]["closed"], found[second]["cause"]) == (None, "confirmed", "burr-worn")
    _, out, _ = run("cases")
    assert "\x1b" not in out
    assert re.search(rf"{first} .* A .*crumble.* open", out)
    assert re.search(rf"{second} .* confirmed .*burr-worn", out)
    _, out, _ = run("cases", "--open", "--format", "json")
    assert [c["case"] for c in json.loads(out)] == [first]
    _, out, _ = run("cases", "--limit", "1", "--format", "json")
    assert len(json.loads(out)) == 1


def test_a_case_is_shown_with_every_event_and_what_was_taken_back(on_small: Run) -> None:
    case = kept(
        {"type": "complaint", "text": "edges crumble"},
        CHIPS,
        {"type": "setting", "field": "material", "value": "resin"},
        {"type": "answer", "check": "burr-look", "outcome": "blunt", "typed": "2"},
        {"type": "answer", "check": "burr-tug", "outcome": "moves", "typed": "2"},
        {"type": "undo"},
        {"type": "answer", "check": "air-gauge", "value": "0.6", "unit": "MPa", "typed": "6 bar"},
        {"type": "unknown", "check": "since-when"},
        {"type": "skip", "check": "symptom:slow-cut"},
        {"type": "remedy", "remedy": "change-burr", "result": "helped"},
        {"type": "proof", "remedy": "change-burr", "passed": True},
        {"type": "note", "text": "new box"},
        {"type": "acknowledge", "caution": "hose-whips"},
        {"type": "close", "how": "confirmed", "cause": "burr-worn"},
    )
    code, out, err = on_small("case", case[:-1])
    assert (code, err) == (0, "")
    for said in (
        f"Case {case}, mill A",
        'Complaint: "edges crumble"',
        "Margin chipped: yes",
        "setting material = resin",
        "Edge of the burr: bright and bare",
        "(taken back) Hold of the burr: moves or turns",
        "0.6 MPa (typed '6 bar', inlet-gauge)",
        "Since when: not known",
        "Cutting takes longer than usual: left out",
        "remedy Change the burr: helped",
        "proof of Change the burr: passed",
        "note: new box",
        "warning acknowledged: hose-whips",
        "Closed: confirmed: Burr worn",
    ):
        assert said in out
    code, out, _ = on_small("case", case, "--format", "json")
    data = json.loads(out)
    assert code == 0
    assert [e["stands"] for e in data["events"]].count(False) == 1
    assert (data["closed"], data["cause"], data["ranking"][0]["cause"]) == ("confirmed", "burr-worn", "burr-worn")
    assert data["remedies"] == [{"remedy": "change-burr", "result": "helped", "proof": True}]


@pytest.mark.parametrize("command", ["case", "resume"])
def test_an_id_that_is_no_case_is_told(on_small: Run, command: str) -> None:
    kept(CHIPS)
    for wrong in ("zzz", "", "%", "..", "\x00"):
        code, out, err = on_small(command, wrong) if wrong else (1, "", "no case")
        assert (code, out) == (1, "")
        assert "no case" in err


def test_a_case_of_older_knowledge_can_still_be_read(on_small: Run) -> None:
    case = kept(CHIPS, {"type": "answer", "check": "long-gone", "outcome": "x"}, {"type": "note", "text": "new box"})
    code, out, _ = on_small("case", case)
    assert code == 0
    assert "new box" in out


def test_a_case_cannot_go_on_without_a_terminal(on_small: Run) -> None:
    case = kept(CHIPS)
    code, out, err = on_small("resume")
    assert (code, out) == (2, "")
    assert err == f"This needs a terminal. To read the case: advisor case {case}\n"


def test_without_an_open_case_there_is_nothing_to_go_on_with(on_small: Run) -> None:
    kept(CHIPS, {"type": "close", "how": "referred"})
    assert on_small("resume") == (1, "", "No case is open. Begin one with: advisor\n")


@pytest.mark.parametrize("command", [["cases"], ["case", "x"], ["resume"]], ids=" ".join)
def test_a_log_that_is_none_is_told_in_one_line(run: Run, tmp_path: Path, command: list[str]) -> None:
    (tmp_path / "letter.txt").write_text("Dear Mira, " * 200, "utf-8")
    for wrong in (tmp_path / "letter.txt", tmp_path):
        code, out, err = run(*command, "--log", str(wrong))
        assert (code, out) == (1, "")
        assert len(err.splitlines()) == 1
        assert "--log" in err


# -- mills ------------------------------------------------------------------------------------------------------------


def test_a_mills_values_are_kept_with_their_units(on_small: Run, run: Run) -> None:
    code, out, _ = on_small(
        "mill",
        "A",
        "--set",
        "inlet_pressure=5,5 bar",
        "--set",
        "burr.1=finishing, 1 mm ball",
        "--set",
        "bench=inlet-gauge",
    )
    assert code == 0
    assert "Required air pressure: 0.55 MPa  [inlet_pressure]" in out
    assert "default" not in out
    _, out, _ = on_small("mill", "A", "--format", "json")
    mill = json.loads(out)
    assert mill["values"]["inlet_pressure"] == pytest.approx(0.55)
    assert mill["burrs"] == {"1": "finishing, 1 mm ball"}
    assert mill["bench"] == ["inlet-gauge"]
    assert on_small("mill", "A", "--set", "burr.2=roughing")[0] == 0
    mill = json.loads(on_small("mill", "A", "--format", "json")[1])
    assert (mill["values"]["inlet_pressure"], len(mill["burrs"])) == (pytest.approx(0.55), 2)
    assert run("mill")[1] == "A  (used last)\n"


def test_a_value_not_given_is_marked_as_a_default(on_small: Run) -> None:
    _, out, _ = on_small("mill", "B", "--set", "bench=all")
    assert "0.6 MPa  [inlet_pressure] (default: common practice" in out


def test_no_mill_yet(run: Run) -> None:
    assert run("mill")[:2] == (0, "No mill yet. Make one with: advisor mill NAME\n")
    assert json.loads(run("mill", "--format", "json")[1]) == []


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        ("inlet_presure=5 bar", "inlet_pressure"),
        ("inlet_pressure=50 bar", "outside 0.2 to 1.2 MPa"),
        ("inlet_pressure=5 mm", "give it in MPa"),
        ("inlet_pressure=lots", "type a number"),
        ("inlet_pressure=", "write field=value"),
        ("inlet_pressure", "write field=value"),
        ("=5", "there is no field ''"),
        ("burr.9=x", "burr.1 to burr.8"),
        ("burr.²=x", "burr.1 to burr.8"),
        ("bench=inlet-gage", "inlet-gauge"),
        ("zzzzzz=1", "inlet_pressure"),
    ],
)
def test_a_wrong_value_of_a_mill_is_told_and_nothing_kept(on_small: Run, run: Run, pair: str, said: str) -> None:
    code, out, err = on_small("mill", "A", "--set", pair)
    assert (code != 0, out) == (True, "")
    assert said in err
    assert run("mill")[1].startswith("No mill yet")


def test_an_unknown_mill_without_values_and_terminal_is_told(on_small: Run) -> None:
    code, _, err = on_small("mill", "C")
    assert (code, err) == (2, "there is no mill 'C'; give its values with --set\n")


@pytest.mark.parametrize("text", ["{", "[]", '{"mills": 3}', '{"mills": [{"name": "A", "colour": "red"}]}', "\x00"])
def test_damaged_profiles_are_told_with_their_file(run: Run, text: str) -> None:
    path = Path(os.environ["ADVISOR_HOME"]) / "mills.json"
    path.parent.mkdir(parents=True)
    path.write_text(text, "utf-8")
    code, _, err = run("mill")
    assert code == 1
    assert str(path) in err
    assert path.read_text("utf-8") == text


@pytest.mark.parametrize("pair", ["process=wet", "process=we", "air_users=3"])
def test_settings_of_a_mill_are_remembered(
    run: Run, compiled: Compiled, monkeypatch: pytest.MonkeyPatch, pair: str
) -> None:
    monkeypatch.setattr(advisor, "knowledge", lambda folder=None: compiled)
    assert run("mill", "A", "--set", pair)[0] == 0
    key, _, value = pair.partition("=")
    assert json.loads(run("mill", "A", "--format", "json")[1])["setting"] == {key: value}
    code, _, err = run("mill", "A", "--set", "process=damp")
    assert code == 1
    assert "wet, dry" in err


# -- knowledge --------------------------------------------------------------------------------------------------------


def test_check_passes_a_sound_base_and_counts_it(run: Run, base: SmallBase) -> None:
    code, out, err = run("knowledge", "check", str(base.root), "--strict")
    assert (code, err) == (0, "")
    assert out == "0 problems, 0 pieces of advice in 2 symptoms, 3 causes, 4 checks, 3 remedies, 4 rules, 2 cautions, 1 measurements\n"  # fmt: skip


def test_check_names_file_line_and_what_to_write(run: Run, tmp_path: Path) -> None:
    base = write_base(tmp_path).replace("causes/burr/burr-loose.yaml", "symptom: chips", "symptom: chip")
    line = base.line("causes/burr/burr-loose.yaml", "symptom: chip,")
    code, out, _ = run("knowledge", "check", str(base.root))
    assert code == 1
    assert f"mill/causes/burr/burr-loose.yaml:{line}:" in out
    assert "did you mean chips" in out
    code, out, _ = run("knowledge", "check", str(base.root), "--format", "json")
    data = json.loads(out)
    assert (code, data["ok"], data["errors"][0]["line"]) == (1, False, line)


def test_a_base_with_an_error_is_not_used(run: Run, tmp_path: Path) -> None:
    base = write_base(tmp_path).replace("causes/burr/burr-loose.yaml", "symptom: chips", "symptom: chip")
    (tmp_path / "a.yaml").write_text("symptoms: [chips]\n", "utf-8")
    code, out, err = run("--answers", str(tmp_path / "a.yaml"), "--knowledge", str(base.root))
    assert (code, out) == (2, "")
    assert "burr-loose.yaml:" in err


@pytest.mark.parametrize("argv", [["list", "causes"], ["show", "chips"]], ids=" ".join)
def test_a_folder_without_knowledge_is_told(run: Run, tmp_path: Path, argv: list[str]) -> None:
    code, out, err = run("knowledge", *argv, "--knowledge", str(tmp_path / "gone"))
    assert (code, out) == (2, "")
    assert "no knowledge files here" in err


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_can_be_listed(on_small: Run, base: SmallBase, kind: str) -> None:
    known = set(base.load().kind(kind))
    code, out, _ = on_small("knowledge", "list", kind)
    assert code == 0
    assert {line.split()[0] for line in out.splitlines()} == known
    assert all(len(line.split(None, 1)[1]) > 1 for line in out.splitlines())
    assert {r["id"] for r in json.loads(on_small("knowledge", "list", kind, "--format", "json")[1])} == known


def test_a_kind_may_be_named_in_the_singular(on_small: Run) -> None:
    assert on_small("knowledge", "list", "remedy") == on_small("knowledge", "list", "remedies")
    assert on_small("knowledge", "list", "cause") == on_small("knowledge", "list", "causes")


@pytest.mark.parametrize(
    ("argv", "nearest"),
    [
        (["list", "sympton"], "symptoms"),
        (["list", "zzzz"], "instruments"),
        (["show", "bur-look"], "burr-look"),
        (["show", "zzzz"], "advisor knowledge list causes"),
        (["show", "../../etc"], "advisor knowledge list causes"),
    ],
    ids=lambda v: " ".join(v) if isinstance(v, list) else v,
)
def test_what_is_not_in_the_knowledge_is_told_with_the_nearest(on_small: Run, argv: list[str], nearest: str) -> None:
    code, out, err = on_small("knowledge", *argv)
    assert (code, out) == (2, "")
    assert nearest in err


@pytest.mark.parametrize(
    ("name", "file", "text"),
    [
        pytest.param("air-gauge", "checks.yaml", "id: air-gauge"),
        ("clamp-burr", "remedies.yaml", "id: clamp-burr"),
        ("burr-worn", "causes/burr/burr-worn.yaml", "id: burr-worn"),
        ("mind-the-hose", "rules.yaml", "id: mind-the-hose"),
        ("geometry", "sources.yaml", "id: geometry"),
    ],
)
def test_show_gives_an_entry_whole_with_its_file_and_line(
    on_small: Run, base: SmallBase, name: str, file: str, text: str
) -> None:
    code, out, _ = on_small("knowledge", "show", name)
    assert code == 0
    assert f"{name}   (mill/{file}:{base.line(file, text)})" in out.splitlines()[0]
    (entry,) = json.loads(on_small("knowledge", "show", name, "--format", "json")[1])
    record = base.load().kind(entry["kind"])[name]
    for key, value in record.model_dump(mode="json", by_alias=True, exclude_none=True).items():
        assert entry["entry"][key] == value
        if isinstance(value, str) and key != "id":
            assert f"{key}: {value}" in out


def refs(node: Any) -> list[str]:
    """Every reference in a JSON Schema."""
    if isinstance(node, dict):
        own = [node["$ref"]] if isinstance(node.get("$ref"), str) else []
        return own + [r for v in node.values() for r in refs(v)]
    return [r for v in node for r in refs(v)] if isinstance(node, list) else []


@pytest.mark.parametrize("kind", [None, *KINDS, "vocabulary", "examples", "cases"])
def test_the_schema_is_json_whose_references_all_lead_somewhere(run: Run, kind: str | None) -> None:
    code, out, err = run("knowledge", "schema", *([kind] if kind else []))
    assert (code, err) == (0, "")
    schema = json.loads(out)
    assert {r.removeprefix("#/$defs/") for r in refs(schema)} <= set(schema.get("$defs", {}))
    if kind is None:
        assert schema["$schema"].startswith("https://json-schema.org/")
        assert {"Cause", "Check", "Remedy", "Rule", "Vocabulary"} <= set(schema["$defs"])
        assert schema["$defs"]["Cause"]["additionalProperties"] is False


def admits(schema: dict[str, Any], node: dict[str, Any], kind: str) -> bool:
    """Whether a part of a schema admits a plain value of that JSON type."""
    if "$ref" in node:
        return admits(schema, schema["$defs"][node["$ref"].removeprefix("#/$defs/")], kind)
    return node.get("type") == kind or any(admits(schema, n, kind) for n in node.get("anyOf", []))


@pytest.mark.parametrize(
    ("record", "key", "kind"),
    [
        ("Condition", "is", "string"),
        ("SettingEffect", "is", "string"),
        ("CheckOutcome", "from", "number"),
        ("CheckOutcome", "from", "string"),
        ("CheckOutcome", "to", "number"),
    ],
)
def test_the_schema_admits_what_the_shipped_files_say(run: Run, record: str, key: str, kind: str) -> None:
    # In the files: `is: wet`, `from: 0.9 x inlet_pressure`, `to: 15`.
    schema = json.loads(run("knowledge", "schema")[1])
    assert admits(schema, schema["$defs"][record]["properties"][key], kind)


def test_the_schema_of_an_unknown_kind_is_told(run: Run) -> None:
    code, _, err = run("knowledge", "schema", "caussees")
    assert (code, "causes" in err) == (2, True)


# -- replay -----------------------------------------------------------------------------------------------------------

WORKED = """\
cases:
  - id: blunt
    title: Ragged margins at Hafenlicht Dental
    story: Mira found the tip of the burr bright and bare.
    symptoms: [chips]
    answers: {burr-look: blunt}
    causes: [burr-worn]
  - id: monthly
    title: Monthly check
    story: Nothing is wrong.
    answers: {burr-look: sharp, burr-tug: firm}
    healthy: true
"""


def test_replay_says_how_often_the_true_cause_leads(on_small: Run, tmp_path: Path) -> None:
    (tmp_path / "cases.yaml").write_text(WORKED, "utf-8")
    code, out, err = on_small("replay", str(tmp_path / "cases.yaml"))
    assert (code, err) == (0, "")
    assert "1 worked cases (1 with enough answers): top-1 100%, top-3 100%" in out
    assert "1 healthy mills: 100%" in out
    data = json.loads(on_small("replay", str(tmp_path / "cases.yaml"), "--format", "json")[1])
    assert (data["top1"], data["healthy_quiet"], len(data["cases"])) == (1, 1, 2)
    assert data["minutes"] > 0


@pytest.mark.parametrize("text", ["cases: 3\n", "- a\n", "cases:\n  - id: x\n", "\x00"])
def test_a_file_that_holds_no_cases_is_told(on_small: Run, tmp_path: Path, text: str) -> None:
    (tmp_path / "cases.yaml").write_text(text, "utf-8")
    code, out, err = on_small("replay", str(tmp_path / "cases.yaml"))
    assert (code, out) == (2, "")
    assert "cases.yaml:" in err


def test_a_missing_case_file_is_told(on_small: Run, tmp_path: Path) -> None:
    code, _, err = on_small("replay", str(tmp_path / "gone"))
    assert (code, "no case files here" in err) == (2, True)


# -- at a terminal ----------------------------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_consultation_killed_after_two_answers_is_kept_and_goes_on(
    run: Run, compiled: Compiled, tmp_path: Path
) -> None:
    pexpect = pytest.importorskip("pexpect")
    home = tmp_path / "terminal"
    root = Path(advisor.__file__).resolve().parent.parent
    env = {**os.environ, "ADVISOR_HOME": str(home), "PYTHONPATH": str(root), "TERM": "xterm", "NO_COLOR": "1"}
    env |= {"PROMPT_TOOLKIT_NO_CPR": "1", "PYTHONIOENCODING": "utf-8"}

    def start(*argv: str) -> Any:
        argv = ("-m", "advisor", *argv)
        return pexpect.spawn(sys.executable, list(argv), env=env, dimensions=(24, 80), timeout=60, encoding="utf-8")

    def say(child: Any, text: str, then: str) -> None:
        child.send(text + "\r")
        child.expect(then)

    child = start()
    child.expect("What went wrong")
    say(child, "loses air", "Understood: Air pressure drops while cutting")
    say(child, "skip", "Why: ")
    say(child, "do since-when", "Question: .*?Why: ")
    say(child, "2", "Why: ")
    say(child, "do last-change", "Question: .*?Why: ")
    say(child, "1", "Why: ")
    child.kill(signal.SIGKILL)
    child.expect(pexpect.EOF)
    child.close()
    assert child.signalstatus == signal.SIGKILL

    log = CaseLog(home / "cases.db")
    (summary,) = log.cases()
    kinds = [e.event["type"] for e in log.entries(summary.case)]
    assert kinds == ["start", "complaint", "symptom", "answer", "answer"]
    assert log.verify() == []
    log.close()

    code, out, err = run("case", summary.case, "--log", str(home / "cases.db"))
    assert (code, err) == (0, "")
    for name, number in (("since-when", 1), ("last-change", 0)):
        check = compiled.kb.checks[name]
        assert f"{check.title}: {check.outcomes[number].label}" in out

    child = start("resume")
    child.expect(f"Case {summary.case} goes on: Air pressure drops while cutting")
    child.expect("Why: ")
    say(child, "note goes on", "Noted")
    child.send("pause\r")
    child.expect(f"advisor resume {summary.case}")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    log = CaseLog(home / "cases.db")
    assert [e.event["type"] for e in log.entries(summary.case)] == [*kinds, "note"]
    log.close()
