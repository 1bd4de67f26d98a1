"""The README tells the truth: its screen, its command list and its figures are made by the program.

`ADVISOR_REWRITE=1 python -m pytest tests/test_docs.py` renews the made parts.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from scripted_desk import ScriptedDesk

from advisor.calc import catalogue
from advisor.calc.run import carry_out
from advisor.calc.sheet import sheet_lines
from advisor.cli import main
from advisor.compiled import Compiled
from advisor.consult import Consultation
from advisor.dialogue import COMMANDS
from advisor.model import Knowledge
from advisor.screen import Glyphs, plain
from advisor.session import Session

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
REPLIES = [
    "loses air",
    "glass",
    "1",
    "0,64 MPa",
    "at-once",
    "a",
    "ok",
    "0,05 MPa",
    "sudden",
    "ok",
    "helped",
    "yes",
    "1",
]


def block(text: str, name: str) -> tuple[str, int, int]:
    """The text between a made block's mark and the next blank line after its end."""
    start = text.index(f"<!-- {name} -->") + len(f"<!-- {name} -->\n")
    end = re.compile(r"\n(?=\n(?!\|)[A-Z#])").search(text, start)
    assert end is not None
    return text[start : end.start() + 1], start, end.start() + 1


def check(name: str, made: str) -> None:
    text = README.read_text("utf-8")
    found, start, end = block(text, name)
    if os.environ.get("ADVISOR_REWRITE"):
        README.write_text(text[:start] + made + text[end:], "utf-8")
        return
    assert found == made, "renew with: ADVISOR_REWRITE=1 python -m pytest tests/test_docs.py"


def test_the_screen_in_the_readme_is_the_programs_own(compiled: Compiled) -> None:
    desk = ScriptedDesk(REPLIES)
    session = Session(compiled, [{"type": "start"}])
    done = Consultation(compiled, session, desk, lambda _: "261125-k7qx", case="261125-k7qx").run()
    assert done, "the replies no longer lead to the end"
    check("screen", "```text\n" + "\n".join(line.rstrip() for line in desk.screen) + "\n```\n")


def test_the_commands_in_the_readme_are_the_programs_own() -> None:
    rows = ["", "| word | also | what it does |", "| --- | --- | --- |"]
    rows += [f"| `{c.word}` | {', '.join(c.also)} | {c.help} |" for c in COMMANDS]
    check("commands", "\n".join(rows) + "\n")


def test_the_sheet_in_the_readme_is_the_programs_own(kb: Knowledge) -> None:
    calc = catalogue()["leak-decay"]
    lines = sheet_lines(carry_out(calc, calc.example, kb), kb, 79, Glyphs("█", "·", "─", "│"))
    check("sheet", "```text\n$ advisor calc leak-decay --example\n" + plain(lines) + "\n```\n")


def test_the_calculations_in_the_readme_are_the_programs_own() -> None:
    rows = ["", "| name | question it answers |", "| --- | --- |"]
    rows += [f"| `{c.id}` | {c.answers} |" for c in catalogue().values()]
    check("calculations", "\n".join(rows) + "\n")


def test_every_command_of_the_readme_exists(capsys: pytest.CaptureFixture[str]) -> None:
    text = README.read_text("utf-8")
    used = {m.split()[0] for m in re.findall(r"`advisor ([a-z][^`]*)`", text)}
    for command in sorted(used):
        with pytest.raises(SystemExit) as stop:
            main([command, "--help"])
        assert stop.value.code == 0
        assert "usage" in capsys.readouterr().out


def test_the_readme_opens_with_the_job() -> None:
    paragraph = README.read_text("utf-8").split("\n\n")[1]
    for word in ("technician", "mill", "causes", "remedy", "logs"):
        assert word in paragraph


def test_ci_runs_the_readmes_test_command() -> None:
    text = README.read_text("utf-8")
    command = re.search(r"<!-- test-command -->\n```sh\n(.*)\n```", text)
    assert command is not None
    assert "pytest" in command[1]
    assert "test-command" in (ROOT / ".ci" / "run").read_text("utf-8")


def test_developers_guide_names_every_module() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    missing = [p.name for p in (ROOT / "advisor").rglob("*.py") if p.name not in text and not p.name.startswith("__")]
    assert missing == []
