"""Signing off: what a supervisor types, what the log keeps of it, and that nobody's word is lost."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from scripted_desk import ScriptedDesk
from small_base import SmallBase, write_base

from advisor.caselog import CaseLog
from advisor.caserow import case_row
from advisor.cli import main
from advisor.model import Knowledge
from advisor.review.signing import Unclear, find_cause, review_event, said, synopsis

Event = dict[str, Any]


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> SmallBase:
    return write_base(tmp_path_factory.mktemp("small"))


@pytest.fixture(scope="module")
def small(base: SmallBase) -> Knowledge:
    return base.load()


def at(minute: int) -> str:
    return f"2026-11-{3 + minute // 60:02}T10:{minute % 60:02}:00.000+00:00"


@pytest.fixture
def log(tmp_path: Path) -> Iterator[CaseLog]:
    times = (at(i) for i in range(900))
    opened = CaseLog(tmp_path / "cases.db", clock=lambda: next(times))
    yield opened
    opened.close()


def closed(log: CaseLog, *, cause: str | None = "burr-worn", how: str = "confirmed", mill: str = "quay") -> str:
    """A case of a technician that is closed."""
    case = log.new_case({"type": "start", "mill": mill, "technician": "Ines", "knowledge": "k1"})
    events: list[Event] = [
        {"type": "complaint", "text": "edges crumble"},
        {"type": "symptom", "symptom": "chips", "present": True},
        {"type": "remedy", "remedy": "change-burr", "result": "helped", "ranking": [["burr-loose", 0.6]]},
        {"type": "close", "how": how, "cause": cause, "minutes": 26.0, "blocks": 2},
    ]
    for place, event in enumerate(events, start=1):
        log.append(case, event, place)
    return case


Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def advisor(log: CaseLog, base: SmallBase, capsys: pytest.CaptureFixture[str]) -> Command:
    """`advisor review ...` on the log: exit code, what was printed, what was complained of."""

    def run(*words: str) -> tuple[int, str, str]:
        code = main(["review", *words, "--log", str(log.path), "--knowledge", str(base.root)])
        out, err = capsys.readouterr()
        return code, out, err

    return run


@pytest.fixture
def at_the_desk(log: CaseLog, base: SmallBase, monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[list[str], str]]:
    """`advisor review queue` at a terminal with these replies: the replies left, and the screen."""

    def run(*replies: str, by: str = "Wiebke") -> tuple[list[str], str]:
        desk = ScriptedDesk(replies)
        monkeypatch.setattr("advisor.console.Desk", lambda: desk)
        monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
        monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
        code = main(["review", "queue", "--by", by, "--log", str(log.path), "--knowledge", str(base.root)])
        assert code == 0
        return desk.replies, "\n".join(desk.screen)

    return run


# -- what was typed ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "cause"),
    [
        ("burr-worn", "burr-worn"),
        ("  BURR-WORN ", "burr-worn"),
        ("Burr worn", "burr-worn"),
        ("worn burr", "burr-worn"),
        ("clamped", "burr-loose"),
    ],
)
def test_a_cause_is_found_by_its_id_or_words_of_its_title(small: Knowledge, typed: str, cause: str) -> None:
    assert find_cause(small, typed) == cause


def test_a_cause_that_is_unclear_is_asked_for(small: Knowledge) -> None:
    with pytest.raises(Unclear, match="fits several causes") as several:
        find_cause(small, "burr")
    assert "burr-worn" in str(several.value)
    assert "burr-loose" in str(several.value)
    with pytest.raises(Unclear, match="no cause is called 'bur wron'") as near:
        find_cause(small, "bur wron")
    assert "burr-worn" in str(near.value)
    for nothing in ("", "   "):
        with pytest.raises(Unclear, match="name the cause"):
            find_cause(small, nothing)
    with pytest.raises(Unclear, match="no cause is called"):
        find_cause(small, "\x00 \ud800 " + "x" * 5000)


def test_what_is_typed_becomes_an_event(small: Knowledge) -> None:
    assert review_event(small, "approve", "", " Wiebke ") == {"type": "review", "action": "approve", "by": "Wiebke"}
    assert review_event(small, "correct", "worn burr: seen under the loupe", "Wiebke") == {
        "type": "review",
        "action": "correct",
        "by": "Wiebke",
        "cause": "burr-worn",
        "text": "seen under the loupe",
    }
    assert review_event(small, "ask", "was the collet out?", "Wiebke")["text"] == "was the collet out?"
    for action, text, by, what in (
        ("sign", "", "Wiebke", "is no review"),
        ("approve", "", " ", "needs the name"),
        ("ask", " ", "Wiebke", "say what"),
        ("comment", "", "Wiebke", "say what"),
        ("correct", "", "Wiebke", "name the cause"),
    ):
        with pytest.raises(Unclear, match=what):
            review_event(small, action, text, by)


def test_a_review_is_told_in_a_sentence(small: Knowledge) -> None:
    event = review_event(small, "correct", "worn burr: seen", "Wiebke")
    assert said(small, event) == "Wiebke put the cause right: burr worn: seen"
    assert said(small, event | {"cause": "gone-since"}) == "Wiebke put the cause right: gone-since: seen"
    assert "\x1b" not in said(small, {"action": "ask", "by": "W\x1b[31m", "text": "a\nb\x1b[2J"})


def test_a_case_in_a_few_lines(small: Knowledge, log: CaseLog) -> None:
    case = closed(log)
    text = "\n".join(synopsis(small, log.row(case), case, "window"))
    for part in (
        case,
        "mill quay",
        "Ines",
        "window",
        "edges crumble",
        "burr worn",
        "no proof",
        "26 min",
        "2 blocks",
        "60%",
    ):
        assert part in text, part
    bare = case_row("b", "261103-aaaa", [(at(0), {"type": "start"}), (at(1), {"type": "close", "how": "referred"})])
    assert "none named" in "\n".join(synopsis(small, bare, "261103-aaaa", ""))


# -- one case ---------------------------------------------------------------------------------------------------------


def test_a_case_is_approved(log: CaseLog, advisor: Command) -> None:
    case = closed(log)
    assert advisor("sign", case, "--approve", "--by", "Wiebke") == (0, f"{case}: Wiebke approved it\n", "")
    row = log.row(case)
    assert (row.reviewed, row.reviewer, row.signed) == ("approved", "Wiebke", True)
    assert row.cause == row.final_cause == "burr-worn"
    assert log.verify() == []


def test_a_disagreement_keeps_both_words(log: CaseLog, advisor: Command, base: SmallBase, capsys: Any) -> None:
    case = closed(log, cause="burr-worn")
    code, out, _ = advisor("sign", case[-4:], "--correct", "not clamped: nut was loose", "--by", "Wiebke")
    assert code == 0
    assert "burr not clamped: nut was loose" in out
    row = log.row(case)
    assert (row.cause, row.final_cause, row.reviewed) == ("burr-worn", "burr-loose", "corrected")
    assert [e.event["cause"] for e in log.entries(case) if "cause" in e.event] == ["burr-worn", "burr-loose"]
    assert main(["case", case, "--log", str(log.path), "--knowledge", str(base.root)]) == 0
    shown = " ".join(capsys.readouterr().out.lower().split())
    assert "wiebke" in shown
    assert "burr worn" in shown
    assert "burr not clamped" in shown


def test_the_last_word_of_a_supervisor_holds(log: CaseLog, advisor: Command) -> None:
    case = closed(log)
    for words in (["--correct", "not clamped"], ["--correct", "worn"], ["--approve"]):
        assert advisor("sign", case, *words, "--by", "Wiebke")[0] == 0
    assert advisor("sign", case, "--comment", "good catch", "--by", "Tomas")[0] == 0
    row = log.row(case)
    assert (row.reviewed, row.reviewer, row.events) == ("approved", "Wiebke", 9)


def test_who_signs_is_the_one_of_the_settings(log: CaseLog, advisor: Command) -> None:
    assert main(["settings", "technician=Tomas"]) == 0
    case = closed(log)
    assert "Tomas approved it" in advisor("sign", case, "--approve")[1]
    assert log.row(case).reviewer == "Tomas"


@pytest.mark.parametrize(
    ("words", "what"),
    [
        ([], "give one of"),
        (["--approve", "--comment", "x"], "give one of"),
        (["--correct", "burr"], "fits several causes"),
        (["--correct", "zzz"], "no cause is called"),
        (["--ask", ""], "say what"),
        (["--approve", "--by", " "], "needs the name"),
    ],
)
def test_what_is_no_review_changes_nothing(log: CaseLog, advisor: Command, words: list[str], what: str) -> None:
    case = closed(log)
    code, out, err = advisor("sign", case, *words)
    assert (code, out) == (2, "")
    assert what in err
    assert err.count("\n") == 1
    assert log.row(case).events == 5


def test_an_open_case_is_not_signed(log: CaseLog, advisor: Command) -> None:
    case = log.new_case({"type": "start", "mill": "quay"})
    for words in (["--approve"], ["--correct", "worn"]):
        code, _, err = advisor("sign", case, *words)
        assert code == 1
        assert "still open" in err
    assert advisor("sign", case, "--comment", "go on")[0] == 0
    assert log.row(case).reviewed is None


# -- the queue --------------------------------------------------------------------------------------------------------


def test_the_queue_is_listed_where_nobody_types(log: CaseLog, advisor: Command) -> None:
    cases = [closed(log), closed(log, mill="north"), closed(log, how="referred", cause=None)]
    log.new_case({"type": "start", "mill": "quay"})
    code, out, _ = advisor("queue")
    assert code == 0
    assert [line.split()[0] for line in out.splitlines()] == [*cases, "3"]
    assert [line.split()[0] for line in advisor("queue", "--mill", "north")[1].splitlines()] == [cases[1], "1"]
    assert advisor("queue", "--from", "2026-12-01")[1].startswith("0 to sign")
    code, _, err = advisor("queue", "--from", "soon")
    assert code != 0
    assert "soon" in err


def test_a_case_asked_about_waits_for_its_answer(log: CaseLog, advisor: Command) -> None:
    case = closed(log)
    assert advisor("sign", case, "--ask", "was the collet out?", "--by", "Wiebke")[0] == 0
    assert log.row(case).reviewed == "asked"
    assert advisor("queue")[1].startswith("0 to sign")
    log.append(case, {"type": "note", "text": "yes, and cleaned"}, log.count(case))
    assert advisor("queue")[1].startswith(case)
    assert advisor("sign", case, "--approve", "--by", "Wiebke")[0] == 0
    assert advisor("queue")[1].startswith("0 to sign")
    assert log.row(case).reviewed == "approved"


def test_the_queue_is_stepped_through_oldest_first(
    log: CaseLog, at_the_desk: Callable[..., tuple[list[str], str]]
) -> None:
    cases = [closed(log) for _ in range(5)]
    left, screen = at_the_desk(
        "?",
        "show",
        "comment good catch",
        "approve",
        "next",
        "correct burr",
        "correct not clamped",
        "ask was it dry?",
        "leave",
    )
    assert left == []
    assert [log.row(case).reviewed for case in cases] == ["approved", None, "corrected", "asked", None]
    assert log.row(cases[0]).events == 7
    assert "1 of 5" in screen
    assert "fits several causes" in screen
    assert "3 dealt with, 2 left" in screen
    assert screen.index(cases[0]) < screen.index(cases[2])
    _, screen = at_the_desk("ap")
    assert log.row(cases[1]).reviewed == "approved"
    assert "1 of 2" in screen
    assert "1 dealt with, 1 left" in screen


def test_leaving_at_any_moment_keeps_what_was_signed(
    log: CaseLog, at_the_desk: Callable[..., tuple[list[str], str]]
) -> None:
    cases = [closed(log), closed(log)]
    at_the_desk("approve")
    assert [log.row(case).reviewed for case in cases] == ["approved", None]
    _, screen = at_the_desk("rubbish", "s", "c", "\x00", "ask", "correct", "q")
    assert "type approve, correct" in screen
    assert log.row(cases[1]).reviewed is None
    assert log.row(cases[1]).events == 5
    at_the_desk("", by="Tomas")
    assert log.row(cases[1]).reviewed is None
    assert log.verify() == []


def test_an_earlier_question_and_its_answer_are_shown(
    log: CaseLog, at_the_desk: Callable[..., tuple[list[str], str]]
) -> None:
    case = closed(log)
    log.add(case, {"type": "review", "action": "ask", "by": "Wiebke", "text": "was it dry?"})
    log.add(case, {"type": "note", "text": "bone dry"})
    _, screen = at_the_desk("leave")
    assert "Wiebke asks: was it dry?" in screen
    assert "bone dry" in screen


def test_an_empty_queue_says_so(
    log: CaseLog, at_the_desk: Callable[..., tuple[list[str], str]], capsys: pytest.CaptureFixture[str]
) -> None:
    at_the_desk()
    assert "Nothing to sign." in capsys.readouterr().out


def test_a_correction_that_does_not_go_with_the_complaint_is_asked_again(
    log: CaseLog, at_the_desk: Callable[..., tuple[list[str], str]]
) -> None:
    case = closed(log)
    _, screen = at_the_desk("correct air-low", "perhaps", "no", "next")
    assert "is not known to show as" in screen
    assert log.row(case).reviewed is None
    at_the_desk("correct air-low", "yes")
    assert (log.row(case).reviewed, log.row(case).final_cause) == ("corrected", "air-low")


def test_back_in_the_queue_takes_the_case_before_again_and_the_last_word_counts(
    log: CaseLog, at_the_desk: Callable[..., tuple[list[str], str]]
) -> None:
    first, second = closed(log), closed(log)
    _, screen = at_the_desk("correct burr-loose", "back", "approve", "approve")
    assert "2 dealt with, 0 left" in screen
    assert [log.row(c).final_cause for c in (first, second)] == ["burr-worn", "burr-worn"]
    assert log.row(first).reviewed == "approved"
    assert [e.event["action"] for e in log.entries(first) if e.event["type"] == "review"] == ["correct", "approve"]
