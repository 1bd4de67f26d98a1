"""`advisor calc`: list, options, JSON, example, picture, prompts at a terminal, errors in plain words."""

from __future__ import annotations

import json
import re
import shutil
import sys
from pathlib import Path

import pytest

from advisor.cli import main

READINGS = ["--volume", "24 L", "--start", "8 bar", "--end", "7.6 bar", "--time", "10 min"]
pexpect = pytest.importorskip("pexpect")


def run(*args: str) -> int:
    return main(["calc", *args])


def test_the_list_names_every_calculation_with_its_question(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--format", "json") == 0
    data = json.loads(capsys.readouterr().out)
    assert run() == 0
    shown = capsys.readouterr().out
    assert {"leak-decay"} <= {c["name"] for c in data}
    assert all(c["name"] in shown for c in data)
    assert all(set(c["inputs"]) and (c["figures"] or c["classes"]) for c in data)


def test_options_alone_give_the_sheet(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("leak-decay", *READINGS) == 0
    out = capsys.readouterr().out
    assert "= 0.96 L/min" in out
    assert "95 %: k = 2" in out


def test_json_holds_inputs_figures_and_limits_with_units(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("leak-decay", *READINGS, "--delivery", "50", "--format", "json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["inputs"]["start"] == {
        "value": pytest.approx({"value": 0.8, "u": data["inputs"]["start"]["value"]["u"]}),
        "unit": "MPa",
        "typed": "8 bar",
        "origin": "typed",
        "instruments": ["line-gauge"],
    }
    assert data["figures"]["leak"]["value"] == pytest.approx(0.96)
    assert data["figures"]["leak"]["unit"] == "L/min"
    assert data["limits"][0]["verdict"] == "kept"


def test_the_example_runs_with_some_inputs_of_ones_own(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("leak-decay", "--example", "--volume", "48 L", "--format", "json") == 0
    assert json.loads(capsys.readouterr().out)["inputs"]["volume"]["typed"] == "48 L"


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["leak-decy"], "did you mean leak-decay"),
        (["leak-decay", *READINGS[:4]], "end is missing"),
        (["leak-decay", *READINGS[:4]], "time is missing"),
        (["leak-decay", *READINGS, "--volume", "24 bar"], "no unit of this quantity"),
        (["leak-decay", *READINGS, "--volume", "lots"], "is no number"),
        (["leak-decay", *READINGS, "--volume", "1e9"], "outside 0.5 to 5000 L"),
        (["leak-decay", *READINGS, "--volume", "  "], "--volume is empty"),
        (["leak-decay", *READINGS, "--start", "8 bar @test-gage"], "did you mean test-gauge"),
        (["leak-decay", *READINGS, "--start", "8 bar @calliper"], "does not read in MPa"),
        (["leak-decay", *READINGS, "--mill", "Z"], "no mill 'Z'"),
    ],
)
def test_a_mistake_is_told_in_one_line_each(args: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*args) in (1, 2)
    err = capsys.readouterr().err
    assert said in err
    assert "Traceback" not in err


def test_help_tells_the_inputs_with_their_ranges(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        run("leak-decay", "--help")
    assert stop.value.code == 0
    out = capsys.readouterr().out
    assert "--volume VALUE" in out
    assert "0.5 to 5000 L" in out


def test_a_picture_goes_to_a_file_or_says_why_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "curve.svg"
    assert run("receiver-hold", "--example", "--plot", str(target)) == 0
    assert "<svg" in target.read_text("utf-8")
    assert run("receiver-hold", "--example", "--plot", str(tmp_path / "none" / "x.svg")) == 1
    assert "cannot be written" in capsys.readouterr().err
    assert run("bath-mix", "--example", "--plot") == 1
    assert "no picture" in capsys.readouterr().err


@pytest.mark.parametrize("other", ["-6um", "-6,0", "-6 um", "-.6e1"])
def test_a_negative_reading_is_no_option(other: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("dial-difference", "--one", "7", "--other", other, "--format", "json") == 0
    assert json.loads(capsys.readouterr().out)["figures"]["difference"]["value"] == pytest.approx(13)


@pytest.mark.skipif(sys.platform == "win32" or shutil.which("sh") is None, reason="needs a pseudo-terminal")
def test_at_a_terminal_it_asks_for_what_is_missing_and_tells_the_command_for_the_same_again() -> None:
    child = pexpect.spawn(
        sys.executable,
        ["-m", "advisor", "calc", "leak-decay", *READINGS[:4]],
        encoding="utf-8",
        timeout=30,
        dimensions=(24, 80),
    )
    child.expect("gauge pressure at the end")
    child.sendline("7.6 bar")
    child.expect("time between")
    child.sendline("10")
    for left_out in ("free air delivery", "at the start", "at the end", "working gauge pressure"):
        child.expect(left_out)
        child.sendline("")
    child.expect("0.96 L/min")
    child.expect("Enter ends")
    child.sendline("p2")
    child.expect("gauge pressure at the end")
    child.sendline("7.0 bar")
    child.expect("2.4 L/min")
    child.expect("Enter ends")
    child.sendline("")
    child.expect(pexpect.EOF)
    again = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]|\s", "", child.before)
    assert "--end'7.0bar'" in again
    child.close()
    assert child.exitstatus == 0


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_leaving_half_way_loses_nothing() -> None:
    child = pexpect.spawn(
        sys.executable, ["-m", "advisor", "calc", "leak-decay"], encoding="utf-8", timeout=30, dimensions=(24, 200)
    )
    child.expect("volume of receiver")
    child.sendline("24 L")
    child.expect("gauge pressure at the start")
    child.sendeof()
    child.expect(r"The same again: advisor calc leak-decay --volume '24 L'")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
