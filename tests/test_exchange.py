"""Cases for other programs: CSV that spreadsheets cannot be harmed by, JSON Lines with every event."""

from __future__ import annotations

import argparse
import csv
import io
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas
import pytest
from hypothesis import given
from hypothesis import strategies as st

import advisor
from advisor.caselog import CaseLog
from advisor.caserow import CaseRow
from advisor.compiled import Compiled
from advisor.exchange.export import COLUMNS, as_written, csv_lines, harmless, json_line, put_file
from advisor.exchange.work import log_export
from advisor.output import OK, USAGE, Stop

ANY = st.text(st.characters(codec="utf-8"), max_size=40)
STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def title(kind: str, key: str) -> str:
    return f"=title of {key}" if key == "evil" else f"{kind}: {key}"


def row(**more: Any) -> CaseRow:
    return CaseRow(bench="n", case="261125-aaaa", begun="2026-11-25T10:00:00.000+00:00", **more)


def table(*rows: CaseRow, excel: bool = False) -> list[dict[str, str]]:
    data = b"".join(csv_lines(rows, title, excel))
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


def test_a_row_a_case_with_titles_beside_the_ids() -> None:
    full = row(
        mill="north",
        symptoms=("a", "b"),
        remedies=(("r", "helped"), ("s", "worse")),
        minutes=12.5,
        blocks=-1.0,
        imported=True,
    )
    (found,) = table(full)
    assert tuple(found) == COLUMNS
    assert (found["symptoms"], found["symptoms_title"]) == ("a; b", "symptoms: a; symptoms: b")
    assert (found["remedies"], found["remedies_title"]) == ("r: helped; s: worse", "remedies: r; remedies: s")
    assert (found["minutes"], found["blocks"], found["imported"], found["cause"]) == ("12.5", "-1", "true", "")


def test_line_ends_and_the_mark_for_spreadsheets() -> None:
    data = b"".join(csv_lines([row(complaint='a "b", c')], title))
    assert data.count(b"\r\n") == 2
    assert b',"a ""b"", c",' in data
    marked = b"".join(csv_lines([row(complaint='a "b", c')], title, excel=True))
    assert marked == b"\xef\xbb\xbf" + data


@given(ANY)
def test_any_text_comes_back_from_csv_and_none_is_a_formula(text: str) -> None:
    (found,) = table(row(complaint=text, mill=text, symptoms=(text,), cause="evil"))
    assert as_written(found["complaint"]) == as_written(found["mill"]) == as_written(found["symptoms"]) == text
    assert not any(cell.startswith(STARTS) for name, cell in found.items())


@given(st.sampled_from(["", "'", "''"]), st.sampled_from(STARTS), ANY)
def test_what_begins_like_a_formula_is_quoted_and_can_be_unquoted(quotes: str, sign: str, rest: str) -> None:
    text = quotes + sign + rest
    assert harmless(text) == "'" + text
    assert as_written(harmless(text)) == text


@given(st.text(max_size=40))
def test_text_that_is_no_unicode_does_no_harm(text: str) -> None:
    entry = SimpleNamespace(seq=0, id="i", at="t", writer="w", event={"type": "note", "text": text})
    line = json_line(row(complaint=text), [entry])
    assert line.count(b"\n") == 1
    assert len(line.decode().splitlines()) == 1
    assert json.loads(line)["events"][0]["event"]["text"] == text
    table(row(complaint=text))


def test_a_line_holds_the_whole_case() -> None:
    event = {"type": "answer", "value": float("nan"), "weights": [1.5, float("inf")]}
    data = json.loads(
        json_line(row(symptoms=("a",)), [SimpleNamespace(seq=3, id="i", at="t", writer="w", event=event)])
    )
    assert (data["schema"], data["bench"], data["case"]) == ("advisor-case/1", "n", "261125-aaaa")
    assert data["row"]["symptoms"] == ["a"]
    assert data["events"] == [
        {
            "seq": 3,
            "id": "i",
            "at": "t",
            "writer": "w",
            "event": {"type": "answer", "value": None, "weights": [1.5, None]},
        }
    ]


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    put_file(target, [b"old"])

    def broken() -> Any:
        yield b"new"
        raise RuntimeError

    with pytest.raises(RuntimeError):
        put_file(target, broken())
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]
    put_file(target, [b"n", b"ew"])
    assert target.read_bytes() == b"new"


# -- command ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def log(tmp_path: Path, compiled: Compiled, monkeypatch: pytest.MonkeyPatch) -> CaseLog:
    monkeypatch.setattr(advisor, "knowledge", lambda folder=None: compiled)
    log = CaseLog(tmp_path / "cases.db")
    for day, mill, text in ((3, "north", "=1+1"), (4, "tide", "Bröckel\n\"'"), (5, "north", "")):
        at = f"2026-11-{day:02}T12:00:00.000+00:00"
        start = {"type": "start", "mill": mill, "begun": at}
        close = {"type": "close", "how": "confirmed", "cause": "collet-dirty", "minutes": 7.5}
        events = [start, {"type": "complaint", "text": text}, {"type": "symptom", "symptom": "margin-chipped"}, close]
        log.write([[(at, e) for e in events]])
    return log


def options(tmp_path: Path, **more: Any) -> argparse.Namespace:
    given = {
        "log": str(tmp_path / "cases.db"), "knowledge": None, "format": "csv", "file": None, "since": None, "until": None,
        "mill": None, "case": None, "excel": False,
    }  # fmt: skip
    return argparse.Namespace(**given | more)


@pytest.mark.parametrize("excel", [False, True])
def test_pandas_reads_the_csv(log: CaseLog, tmp_path: Path, excel: bool) -> None:
    assert log_export(options(tmp_path, file=str(tmp_path / "out.csv"), excel=excel)) == OK
    frame = pandas.read_csv(tmp_path / "out.csv", keep_default_na=False)
    assert list(frame["case"]) == [r.case for r in log.rows()]
    assert list(frame["complaint"]) == ["'=1+1", "Bröckel\n\"'", ""]
    assert list(frame["minutes"]) == [7.5, 7.5, 7.5]
    assert set(frame["cause_title"]) == {"Collet dirty"}
    assert set(frame["symptoms_title"]) == {"Margin chipped"}


def test_pandas_reads_the_json_lines(log: CaseLog, tmp_path: Path) -> None:
    assert log_export(options(tmp_path, format="jsonl", file=str(tmp_path / "out.jsonl"))) == OK
    frame = pandas.read_json(tmp_path / "out.jsonl", lines=True)
    assert [r["complaint"] for r in frame["row"]] == [r.complaint for r in log.rows()]
    assert [[e["event"] for e in events] for events in frame["events"]] == [
        [e.event for e in log.entries(log.handle(r))] for r in log.rows()
    ]


@pytest.mark.parametrize(
    ("more", "days"),
    [
        ({}, [3, 4, 5]),
        ({"since": "2026-11-04"}, [4, 5]),
        ({"until": "4.11.2026"}, [3, 4]),
        ({"since": "2026-11-04", "until": "2026-11-04"}, [4]),
        ({"mill": "north"}, [3, 5]),
        ({"since": "2027-01-01"}, []),
    ],
)
def test_the_cases_asked_for_to_stdout(
    log: CaseLog, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes], more: dict[str, Any], days: list[int]
) -> None:
    assert log_export(options(tmp_path, **more)) == OK
    out = capfdbinary.readouterr().out.decode()
    assert [int(r["begun"][8:10]) for r in csv.DictReader(io.StringIO(out, newline=""))] == days


def test_one_case(log: CaseLog, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    case = log.rows()[1].case
    assert log_export(options(tmp_path, format="jsonl", case=case[-4:])) == OK
    assert json.loads(capfdbinary.readouterr().out)["case"] == case


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"since": "soon"}, "--from: 'soon' is no date"),
        ({"since": "2026-11-05", "until": "2026-11-04"}, "is after"),
        ({"since": "03/04/2026"}, "two ways"),
        ({"format": "jsonl", "excel": True}, "--format csv only"),
        ({"case": "261103", "mill": "north"}, "--case"),
    ],
)
def test_wrong_use_is_said(log: CaseLog, tmp_path: Path, more: dict[str, Any], said: str) -> None:
    with pytest.raises(Stop, match=said) as caught:
        log_export(options(tmp_path, **more))
    assert caught.value.code == USAGE


def test_files_that_cannot_be_written(log: CaseLog, tmp_path: Path) -> None:
    for target, said in (
        (tmp_path / "none" / "x.csv", "cannot be written"),
        (tmp_path, "folder"),
        (tmp_path / "cases.db", "log itself"),
    ):
        with pytest.raises(Stop, match=said):
            log_export(options(tmp_path, file=str(target)))
    assert log.verify() == []


def test_no_log_yet(tmp_path: Path) -> None:
    with pytest.raises(Stop, match="No case was logged yet"):
        log_export(options(tmp_path))


def test_a_mill_nobody_knows(log: CaseLog, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert log_export(options(tmp_path, mill="nort")) == OK
    assert "did you mean north" in capsys.readouterr().err
