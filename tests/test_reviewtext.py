"""The review on the terminal: what stands first, that it keeps to the width, and that nothing is told by colour alone."""

from __future__ import annotations

import argparse
import io
import json
import re
from pathlib import Path

import pytest
from review_rows import at, reading, row, some_rows
from rich.console import Console

from advisor.caselog import CaseLog
from advisor.caserow import DiaryEntry
from advisor.compiled import Compiled
from advisor.model import Knowledge
from advisor.output import Stop
from advisor.review.figures import Prices, Review, period_of, review_of
from advisor.review.text import show
from advisor.review.work import review

SINCE, UNTIL, NOW = "2026-09-01", "2026-11-30", "2026-12-20T00:00:00.000+00:00"


def shown(found: Review, width: int = 80, colour: bool = False, encoding: str = "utf-8", **given: bool) -> str:
    out = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    console = Console(file=out, width=width, force_terminal=colour, color_system="standard" if colour else None)
    show(found, console, **given)
    out.flush()
    return bytes(out.buffer.getbuffer()).decode(encoding)  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def full(kb: Knowledge) -> Review:
    """A quarter with something in every part."""
    causes, remedies = list(kb.causes), list(kb.remedies)
    rows = [
        row(
            f"x{i}", 3 * i, mill="quay", technician="Ines", material="zirconia", symptoms=(next(iter(kb.symptoms)),),
            how="confirmed", cause=causes[i % 3], final_cause=causes[i % 3], first_cause=causes[0], first_probability=0.6,
            remedies=((remedies[i % 3], "helped"),), remedy=remedies[i % 3], fixed=3 * i + 0.1, closed=3 * i + 0.2,
            minutes=20.0, blocks=1.0, cautions=(next(iter(kb.cautions)),),
        )
        for i in range(12)
    ]  # fmt: skip
    rows += some_rows(30, 7)
    readings = [reading(d, 0.66 - 0.0006 * max(d, 0) + 0.004 * (d % 3 - 1)) for d in range(-40, 80)]
    readings += [reading(d, 0.6 + 0.01 * d, mill="north") for d in range(4)]
    diary = [
        DiaryEntry("bench", "quay", at(2), {"type": "care", "task": next(iter(kb.care)), "by": "Ines"}),
        DiaryEntry("bench", "quay", at(3), {"type": "changed", "what": "new regulator", "by": "Tomas"}),
        DiaryEntry("bench", "quay", at(30), {"type": "produced", "from": "2026-09-01", "to": "2026-09-30", "made": 400, "scrapped": 8}),
    ]  # fmt: skip
    return review_of(
        period_of(SINCE, UNTIL, NOW),
        rows,
        readings,
        diary,
        kb,
        prices=Prices("EUR", {"zirconia": 14.5}, 42),
        profiles={"quay": {}, "harbour": {}},
        burrs=([14.5, 18, 21.5, 16], [12.0, 20]),
    )


QUESTIONS = ("What costs us most?", "Which mill is drifting?", "Which fix did not hold?", "What must I sign?")


def test_on_a_terminal_the_four_answers_stand_last_where_they_stay_in_sight(full: Review) -> None:
    text = shown(full, last=True, invented=True)
    end = text[text.rindex("The four answers, 2026-09-01 to 2026-11-29 (90 days, UTC), all mills") :]
    assert end.count("\n") < 24  # on one screen
    assert [text.count(question) for question in QUESTIONS] == [1] * 4
    assert all(question in end for question in QUESTIONS)
    assert text.startswith("Invented lab: none of this happened.\n")
    assert "Invented lab: none of this happened.\n" in end
    assert text.index("What it cost\n") < text.index("To sign") < text.index(end)


def test_the_four_answers_stand_first_and_in_order(full: Review) -> None:
    text = shown(full)
    places = [text.index(question) for question in QUESTIONS]
    assert places == sorted(places)
    assert places[-1] < text.index("What it cost\n")
    assert text[: places[-1]].count("\n") < 20  # all four on the first screen


@pytest.mark.parametrize("width", [44, 60, 80, 160])
def test_no_line_is_wider_than_the_console(full: Review, width: int) -> None:
    assert max(len(line.rstrip()) for line in shown(full, width).split("\n")) <= width


def test_a_narrow_terminal_tells_every_column_and_breaks_no_id(full: Review, kb: Knowledge) -> None:
    text = shown(full, 44)
    cause = full.causes[0]
    body = " ".join(text[text.index("What it cost\n") :].split())
    assert f"{cause.title} cases {cause.cases}; min" in body
    assert "─────" not in text[text.index("What it cost\n") :]  # no table
    for case in [s.case for s in full.sign if not s.asked][:10]:
        assert re.search(rf"^  {case}$", text, re.MULTILINE)


def test_cases_that_wait_for_an_answer_are_not_among_those_to_sign(kb: Knowledge) -> None:
    rows = [
        row("plain", 1, mill="quay", how="referred"),
        row("asked", 2, mill="quay", how="referred", reviewed="asked"),
        row("going", 3, mill="tide", complaint="edges chipped"),
    ]
    text = shown(review_of(period_of(SINCE, UNTIL, NOW), rows, [], [], kb), 120)
    assert "What must I sign? 1 case. 1 more waits for the technician's answer." in text
    part = text[text.index("To sign: 1 case\n") : text.index("Still open: 1 case, oldest first")]
    assert re.search(r"^ plain ", part, re.MULTILINE)
    assert "Waiting for the technician's answer: 1 case (asked)" in part
    assert re.search(r"^ going +2026-09-04 +tide +edges chipped", text, re.MULTILINE)


def test_the_words_of_statistics_stand_in_the_notes_alone(full: Review) -> None:
    text = shown(full, 120)
    body, notes = text.split("To read these figures right")
    for word in ("EWMA", "Kaplan-Meier", "Wilson", "Brier", "baseline", "Weibull"):
        assert word not in body
        assert word in notes
    assert not re.search(r"\b1 (days|blocks|cases|fixes|remedies)\b", text)


def test_every_part_is_there(full: Review) -> None:
    text = shown(full, 120)
    for part in (
        "What it cost", "Drift of readings", "came back within 30 days", "To sign", "Cases", "Mills", "Care overdue",
        "Finishing burrs", "Changed on the mills", "The program itself", "Counts", "To read these figures right",
        "EUR", "ISO 22400-2", "Brier", "EWMA", "Kaplan-Meier", "new regulator (Tomas)", "No care at all is noted for",
    ):  # fmt: skip
        assert part in text, part


def test_causes_and_remedies_are_shown_by_title(full: Review, kb: Knowledge) -> None:
    text = shown(full, 160)
    cause, remedy = next(iter(kb.causes)), next(iter(kb.remedies))
    assert kb.causes[cause].title in text
    assert kb.remedies[remedy].title in text
    assert cause not in text
    assert remedy not in text


def test_without_colour_it_says_the_same(full: Review) -> None:
    coloured = shown(full, 100, colour=True)
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == shown(full, 100)


def test_a_terminal_with_plain_characters_only_is_served_too(full: Review) -> None:
    text = shown(full, 80, encoding="ascii")
    assert all(question in text for question in QUESTIONS)


def test_an_empty_period_says_so_and_what_to_type(kb: Knowledge) -> None:
    text = shown(review_of(period_of(SINCE, UNTIL, NOW), [], [], [], kb))
    assert "No case was begun in these 90 days" in text
    assert "advisor review --last 1y" in text
    assert "nan" not in text.lower().replace("finance", "")


def test_one_case_gives_no_share_without_its_interval(kb: Knowledge) -> None:
    one = row(
        "a", 1, mill="quay", how="confirmed", final_cause="x", first_cause="x", first_probability=0.9,
        remedies=(("r", "helped"),), remedy="r", fixed=2, closed=2,
    )  # fmt: skip
    text = shown(review_of(period_of(SINCE, UNTIL, NOW), [one], [], [], kb))
    assert "First-time fix: 1 of 1 (100 %, interval 21 to 100 %)" in text
    assert "of only 1" in text
    assert "Put the cause first before any remedy: 1 of 1 (100 %, interval 21 to 100 %)" in text


def test_all_open_says_that_costs_are_not_known_yet(kb: Knowledge) -> None:
    text = shown(review_of(period_of(SINCE, UNTIL, NOW), [row(f"o{i}", i) for i in range(12)], [], [], kb))
    assert "none of the 12 cases is closed" in text
    assert "Still open: 12 cases, oldest first" in text
    assert "and 2 more cases" in text
    assert "no fix was proven" in text


# --- the command -------------------------------------------------------------------------------------------------------


@pytest.fixture(autouse=True)
def _knowledge(compiled: Compiled, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("advisor.knowledge", lambda folder: compiled)  # read once, not for each test


def options(log: Path, **given: object) -> argparse.Namespace:
    base = dict.fromkeys(("since", "until", "last", "mill", "technician", "material", "html", "knowledge"))
    return argparse.Namespace(**{**base, "log": str(log), "format": "text", **given})


@pytest.fixture
def log(tmp_path: Path, kb: Knowledge) -> Path:
    """Three cases of November 2026: one of them came back."""
    cause, remedy, symptom = next(iter(kb.causes)), next(iter(kb.remedies)), next(iter(kb.symptoms))
    book = CaseLog(tmp_path / "cases.db")

    def case(day: int, mill: str, fixed: bool) -> list[tuple[str, dict[str, object]]]:
        events: list[dict[str, object]] = [
            {"type": "start", "mill": mill, "technician": "Ines"},
            {"type": "symptom", "symptom": symptom, "present": True},
            {"type": "answer", "check": "air-static", "value": "0.62", "unit": "MPa"},
        ]
        if fixed:
            events += [
                {"type": "remedy", "remedy": remedy, "result": "helped", "ranking": [[cause, 0.7]]},
                {"type": "proof", "remedy": remedy, "passed": True},
                {"type": "close", "how": "confirmed", "cause": cause, "minutes": 25, "blocks": 1},
            ]
        return [(f"2026-11-{day:02d}T10:{i:02d}:00.000+00:00", event) for i, event in enumerate(events)]

    book.write([case(2, "quay", True), case(9, "quay", False), case(10, "north", True)])
    book.close()
    return tmp_path / "cases.db"


def test_the_command_reviews_a_log(log: Path, kb: Knowledge, capsys: pytest.CaptureFixture[str]) -> None:
    assert review(options(log, since="2026-11-01", until="2026-11-30")) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Review of 2026-11-01 to 2026-11-30 (30 days, UTC), all mills" in text
    assert f"{next(iter(kb.causes.values())).title} (2 cases, 50 min, 2 blocks; 100 % of the bench time)" in text
    assert "Which fix did not hold? None: of 2 proven fixes no remedy failed twice" in text
    assert "Put the cause first before any remedy: 2 of 2" in text


def test_the_command_gives_json(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert review(options(log, since="2026-11-01", until="2026-11-30", format="json", mill="quay")) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["period"]["mill"] == "quay"
    assert data["totals"]["cases"] == 2
    assert [len(trend["values"]) for trend in data["trends"]] == [2]
    assert data["invented"] is False


def test_the_command_writes_the_page(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "review.html"
    assert review(options(log, since="2026-11-01", until="2026-11-30", html=str(page))) == 0
    assert str(page) in capsys.readouterr().out
    assert "What costs us most?" in page.read_text("utf-8")
    with pytest.raises(Stop, match="cannot be written"):
        review(options(log, since="2026-11-01", until="2026-11-30", html=str(tmp_path / "no" / "review.html")))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (
            {"mill": "nort"},
            "--mill: 'nort' is not in the profiles and the cases of this period and the days around it; there: north, quay",
        ),
        ({"technician": "Inez"}, "--technician: 'Inez' is not in the cases of this period; there: Ines"),
        ({"material": "wax"}, "--material: 'wax' .*there: none"),
    ],
)
def test_a_name_that_is_not_there_says_which_are(log: Path, given: dict[str, str], said: str) -> None:
    with pytest.raises(Stop, match=said):
        review(options(log, since="2026-11-01", until="2026-11-30", **given))


def test_without_a_log_it_says_how_to_begin_one(tmp_path: Path) -> None:
    with pytest.raises(Stop, match="Begin one with: advisor"):
        review(options(tmp_path / "none.db"))
