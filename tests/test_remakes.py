"""A list of remakes kept so far: the file, its columns, its cells, the plan, and the command."""

from __future__ import annotations

import argparse
import csv
import io
import zipfile
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scripted_desk import ScriptedDesk

import advisor
from advisor.caselog import CaseLog
from advisor.caserow import case_row
from advisor.compiled import Compiled
from advisor.exchange.cells import CellError, begun, cell_text, count_of, date_order, minutes_of, parse_date
from advisor.exchange.columns import ColumnError, Wish, guess, header_row, mapping_text
from advisor.exchange.listfile import MOST_ROWS, ListError, Listing, ListRow, read_list
from advisor.exchange.remakes import Known, Plan, plan_remakes
from advisor.exchange.wordbook import WordBook
from advisor.exchange.work import bring_in
from advisor.output import OK, PROBLEM, USAGE, Stop
from advisor.session import Session

TODAY = date(2026, 11, 25)
NOW = datetime(2026, 11, 25, 10, tzinfo=UTC)


@pytest.fixture(scope="module")
def words(compiled: Compiled) -> WordBook:
    return WordBook(compiled)


# -- cells ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-11-03", "2026-11-03T00:00"),
        ("2026-11-03T14:05", "2026-11-03T14:05"),
        ("2026-11-03 14:05:09.5", "2026-11-03T14:05:09"),
        ("20261103", "2026-11-03T00:00"),
        ("3.11.2026", "2026-11-03T00:00"),
        ("03.11.26", "2026-11-03T00:00"),
        ("3. 11. 2026", "2026-11-03T00:00"),
        ("Di 03.11.2026, 14:05 Uhr", "2026-11-03T14:05"),
        ("Dienstag, 3. November 2026", "2026-11-03T00:00"),
        ("3. März 2026", "2026-03-03T00:00"),
        ("Mar 3, 2026", "2026-03-03T00:00"),
        ("3-Dez-25", "2025-12-03T00:00"),
        ("25/12/2025", "2025-12-25T00:00"),
        ("12/25/2025", "2025-12-25T00:00"),
        ("04/04/2026", "2026-04-04T00:00"),
    ],
)
def test_dates_people_write(text: str, expected: str) -> None:
    assert parse_date(text, None, TODAY) == datetime.fromisoformat(expected)


@pytest.mark.parametrize(
    "text", ["31.02.2026", "11.25.2026", "2026-13-01", "yesterday", "25.11.", "1/2/3/4", "12", "", "٣.x.2026"]
)
def test_what_is_no_date_is_said(text: str) -> None:
    with pytest.raises(CellError, match="write it like"):
        parse_date(text, None, TODAY)


@pytest.mark.parametrize("text", ["27.11.2026", "01.01.1950", "0026-01-01"])
def test_a_date_that_cannot_be_of_a_remake(text: str) -> None:
    with pytest.raises(CellError, match=r"still to come|too long ago"):
        parse_date(text, None, TODAY)


def test_a_date_that_reads_two_ways_needs_an_order() -> None:
    with pytest.raises(CellError, match="--day-first or --month-first"):
        parse_date("03/04/2026", None, TODAY)
    assert parse_date("03/04/2026", "day-first", TODAY).month == 4
    assert parse_date("03/04/2026", "month-first", TODAY).month == 3
    with pytest.raises(CellError, match="there is no day"):
        parse_date("25/04/2026", "month-first", TODAY)


def test_the_column_itself_may_tell_the_order() -> None:
    assert date_order(["03/04/2026", "25/04/2026", None, 3.0]) == ("day-first", True)
    assert date_order(["03/04/2026", "04/25/2026"]) == ("month-first", True)
    assert date_order(["03/04/2026", "Mo 05/04/2026"]) == (None, True)
    assert date_order(["04/25/2026", "25/04/2026"]) == (None, True)
    assert date_order(["03.04.2026", "04/04/2026"]) == (None, False)


@given(st.dates(date(1990, 1, 1), TODAY), st.sampled_from(["%Y-%m-%d", "%d.%m.%Y", "%d. %B %Y", "%b %d, %Y", "%Y%m%d"]))
def test_any_day_written_plainly_is_read_back(day: date, form: str) -> None:
    assert parse_date(day.strftime(form), None, TODAY).date() == day


@given(st.dates(date(1990, 1, 1), TODAY), st.sampled_from("/-"))
def test_any_day_in_either_order(day: date, sign: str) -> None:
    for form, order in (("%d{0}%m{0}%Y", "day-first"), ("%m{0}%d{0}%Y", "month-first")):
        assert parse_date(day.strftime(form.format(sign)), order, TODAY).date() == day


@given(st.datetimes(datetime(1990, 1, 1), datetime(2026, 11, 25)))
def test_serial_numbers_are_those_of_openpyxl(when: datetime) -> None:
    """Outside oracle: openpyxl's own conversion, for both epochs of ECMA-376."""
    from openpyxl.utils.datetime import CALENDAR_MAC_1904, to_excel

    when = when.replace(microsecond=0)
    for old, epoch in ((False, None), (True, CALENDAR_MAC_1904)):
        serial = to_excel(when, epoch) if epoch else to_excel(when)
        if serial >= 30_000:
            assert parse_date(float(serial), None, TODAY, old) == when
    assert parse_date(str(int(to_excel(when))), None, TODAY).date() == when.date()


@given(st.text(max_size=60))
def test_any_text_as_a_date_is_read_or_refused(text: str) -> None:
    with suppress(CellError):
        assert date(1990, 1, 1) <= parse_date(text, None, TODAY).date() <= date(2026, 11, 26)


def test_a_bare_day_stays_that_day_and_a_time_keeps_its_zone() -> None:
    assert begun(datetime(2026, 11, 3)) == "2026-11-03T12:00:00.000+00:00"
    assert begun(datetime(2026, 11, 3, 0, 30), timezone(timedelta(hours=1))) == "2026-11-02T23:30:00.000+00:00"
    assert begun(parse_date("2026-11-03T08:00+02:00", None, TODAY)) == "2026-11-03T06:00:00.000+00:00"


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("45", 45),
        ("12,5", 12.5),
        ("90 min", 90),
        ("1,5 Std", 90),
        ("2 h", 120),
        ("1:30", 90),
        ("1:30:00", 90),
        ("", None),
        ("-", None),
    ],
)
def test_minutes_people_write(text: str, minutes: float | None) -> None:
    assert minutes_of(text) == minutes


@pytest.mark.parametrize("text", ["1.000", "1,234,5", "-5", "viel", "1e9", "3 kg", "inf"])
def test_what_is_no_time_is_said(text: str) -> None:
    with pytest.raises(CellError):
        minutes_of(text)


@given(st.floats(0, 1000).map(lambda x: round(x, 2)))
def test_a_comma_is_as_good_as_a_point(value: float) -> None:
    text = f"{value:.2f}"
    assert count_of(text.replace(".", ",")) == count_of(text) == count_of(value) == value


@given(st.text(max_size=80))
def test_text_of_a_cell_is_one_printable_line(text: str) -> None:
    assert cell_text(text).isprintable()


# -- columns ----------------------------------------------------------------------------------------------------------


def test_headings_in_english_and_german() -> None:
    sure, unclear = guess(["Date", "Machine", "Problem", "Root cause", "Action taken", "Blocks lost", "Min", "Remarks"])
    assert not unclear
    assert sure == {
        "date": (0,), "mill": (1,), "complaint": (2,), "cause": (3,), "remedy": (4,), "blocks": (5,), "minutes": (6,), "note": (7,),
    }  # fmt: skip
    sure, unclear = guess(
        ["Lfd. Nr.", "DATUM", "Fräsmaschine", "Techniker/in", "Reklamationsgrund", "Fehlerursache", "Maßnahme"]
    )
    assert not unclear
    assert sure == {"id": (0,), "date": (1,), "mill": (2,), "complaint": (4,), "cause": (5,), "remedy": (6,)} | {
        "technician": (3,)
    }


def test_two_columns_for_one_field_are_unclear() -> None:
    sure, unclear = guess(["Reklamationsdatum", "Lieferdatum", "Fehler", "Problem"])
    assert not sure
    assert unclear == {"date": (0, 1), "complaint": (2, 3)}


@pytest.mark.parametrize(
    "heading", ["Patient name", "Patientennummer", "Zahnarzt", "Uhrzeit", "Tooth number", "Birth date", ""]
)
def test_headings_that_are_none_of_our_business(heading: str) -> None:
    assert guess([heading]) == ({}, {})


def test_the_headings_need_not_be_the_first_row() -> None:
    rows = [("Remakes 2026", None), (None, "Hafenlicht Dental"), ("Datum", "Fehler"), ("1.2.2026", "chips")]
    assert header_row(rows, Wish()) == 2
    assert header_row([("A1", "B1"), ("x", "y")], Wish()) is None
    assert header_row([("A1", "B1"), ("x", "y")], Wish.of_pairs(["date=x"])) == 1


def test_columns_as_the_user_says() -> None:
    headings = ["Tag", "Was war", "Was war", "Extra"]
    wish = Wish.of_pairs(["date=tag", "complaint=B", "note=Extra", "note=3", "mill="])
    assert wish.find(headings) == {"date": (0,), "complaint": (1,), "note": (3, 2), "mill": ()}
    for pairs, said in (
        (["complaint=Was war"], "give the letter, B or C"),
        (["date=Tagg"], "did you mean Tag"),
        (["dates=Tag"], "did you mean date"),
        (["date"], "field=heading"),
        (["date=A", "date=B"], "only note takes several"),
    ):
        with pytest.raises(ColumnError, match=said):
            Wish.of_pairs(pairs).find(headings)


def test_a_kept_mapping_is_read_again() -> None:
    headings = ["Tag", "Was war: genau?", "", "Zahn", "Zahn", "Rest"]
    columns = {"date": (0,), "complaint": (1,), "mill": (2,), "note": (4, 5)}
    text = mapping_text(columns, headings, "day-first", "Blatt 1")
    wish = Wish.of_text(text, "map.yaml")
    assert wish.find(headings) == columns
    assert (wish.whole, wish.order, wish.sheet) == (True, "day-first", "Blatt 1")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("columns: {dat: Tag}", "map.yaml:1:16: .*'dat'"),
        ("column: {date: Tag}", "did you mean columns"),
        ("- a", "no mapping"),
        ("columns: {date: [A, B]}", "one heading"),
        ("columns: {date: A}\ndates: us", "day-first or month-first"),
        ("columns: {date: &a A}", "anchors"),
        ("", "no mapping"),
    ],
)
def test_a_mapping_that_does_not_fit(text: str, said: str) -> None:
    from advisor.issue import KnowledgeError

    with pytest.raises(KnowledgeError, match=said):
        Wish.of_text(text, "map.yaml")


# -- files ------------------------------------------------------------------------------------------------------------

SHOWN = [
    ["Datum", "Fehler", "Minuten"],
    ["3.11.2026", "Stück fällt, bröselt", "12,5"],
    ["4.11.2026", 'zwei\n"Zeilen"', "3"],
]


def write_csv(path: Path, rows: list[list[str]], sign: str = ";", encoding: str = "utf-8", end: str = "\r\n") -> Path:
    out = io.StringIO()
    csv.writer(out, delimiter=sign, lineterminator=end).writerows(rows)
    path.write_bytes(out.getvalue().encode(encoding))
    return path


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("sign", [",", ";", "\t"])
def test_csv_in_its_many_shapes(tmp_path: Path, sign: str, encoding: str, end: str) -> None:
    found = read_list(write_csv(tmp_path / "list.csv", SHOWN, sign, encoding, end))
    assert [list(row.cells) for row in found.rows] == SHOWN
    assert [row.line for row in found.rows] == [1, 2, 3]


def test_the_separator_is_no_comma_of_the_text(tmp_path: Path) -> None:
    rows = [["Datum", "Fehler, kurz", "Minuten"]] + [[f"{d}.1.2026", "a, b, c, d", "1,5"] for d in range(1, 20)]
    assert len(read_list(write_csv(tmp_path / "a.csv", rows)).rows[3].cells) == 3
    (tmp_path / "b.csv").write_text("sep=;\nx;a,b,c\ny;a,b,c\n")
    assert [r.cells for r in read_list(tmp_path / "b.csv").rows] == [("x", "a,b,c"), ("y", "a,b,c")]
    assert len(read_list(tmp_path / "a.csv", separator=",").rows[3].cells) > 3


def test_lines_are_those_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text('\nDatum;Fehler\n\n;;\n1.1.2026;"a\nb\nc"\n2.1.2026;d\n3.1.2026;#REF!\n')
    assert [(r.line, r.cells[-1]) for r in read_list(path).rows] == [(2, "Fehler"), (5, "a\nb\nc"), (8, "d"), (9, None)]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.lists(
            st.text(st.characters(codec="utf-8", exclude_characters="\x00\ufeff\ue000"), max_size=12).map(str.strip),
            min_size=2,
            max_size=4,
        ),
        min_size=1,
        max_size=6,
    ),
    st.sampled_from([",", ";", "\t"]),
)
def test_reads_what_the_csv_module_wrote(tmp_path: Path, rows: list[list[str]], sign: str) -> None:
    path = write_csv(tmp_path / "any.csv", rows, sign)
    expected = [[c or None for c in row] for row in rows if any(row)]
    expected = [[None if c and c in ("#REF!", "#N/A") else c for c in row] for row in expected]
    if not path.read_bytes().strip() or rows[0][0].startswith("sep"):
        return
    assert [list(r.cells) for r in read_list(path, separator=sign).rows] == expected


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b" \r\n", "is empty"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "old workbook .*xlsx"),
        (b"\x89PNG\x00\x00\x01\x00abc", "neither text nor a workbook"),
        (b"PK\x03\x04 nothing", "damaged workbook"),
        (b"Datum;Fehler\n1.1.2026;\x81\x8d\n", "no known coding"),
        (b'Datum;Fehler\n1.1.2026;"open\n2.1.2026;b\n', "list.csv:2: a quote"),
        (b'Datum;Fehler\n1.1.2026;"open\n' + b"2.1.2026;b\n" * 300 + b'";c', "list.csv:2: a quote"),
        (b"Datum;Fehler\n" + b"x" * 1_000_001, "list.csv:2: this line"),
        (b"Datum;Fehler\n" + b"1;" + b"x" * 140_000, "list.csv:2: .*limit"),
    ],
)
def test_files_that_cannot_be_read(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes(content)
    with pytest.raises(ListError, match=said) as caught:
        read_list(path)
    assert "\n" not in str(caught.value)


def test_no_file_a_folder_and_too_many_rows(tmp_path: Path) -> None:
    with pytest.raises(ListError, match="no file"):
        read_list(tmp_path / "none.csv")
    with pytest.raises(ListError, match="is a folder"):
        read_list(tmp_path)
    (tmp_path / "long.csv").write_text("Datum;Fehler\n" + "1.1.2026;a\n" * (MOST_ROWS + 1))
    with pytest.raises(ListError, match=f"more than {MOST_ROWS} rows"):
        read_list(tmp_path / "long.csv")
    with pytest.raises(ListError, match="no workbook"):
        read_list(write_csv(tmp_path / "a.csv", SHOWN), sheet="x")


def workbook(path: Path) -> Path:
    """Headings in row 4 and column B, a day merged over two rows, a hidden sheet, a sheet of notes, formulas."""
    book = openpyxl.Workbook()
    notes = book.active
    notes.title = "Notes"
    notes["A1"] = "nothing here"
    sheet, hidden = book.create_sheet("Remakes"), book.create_sheet("Before")
    hidden.sheet_state = "hidden"
    hidden.append(["Datum", "Fehler"])
    sheet["A1"] = "Remakes"
    sheet.merge_cells("A1:F1")
    for column, text in enumerate(["Datum", "Fehler", "Minuten", "Erledigt"], start=2):
        sheet.cell(4, column, text)
    sheet["B5"], sheet["C5"], sheet["D5"], sheet["E5"] = datetime(2026, 11, 3), "chips", 12.5, True
    sheet.merge_cells("B5:B7")
    sheet["C6"] = "burr broke"
    sheet["B9"], sheet["C9"], sheet["D9"] = 46330, "rough", "=SUM(D5:D6)"
    book.save(path)
    return path


def test_a_workbook(tmp_path: Path) -> None:
    found = read_list(workbook(tmp_path / "list.xlsx"))
    assert found.sheet == "Remakes"
    assert found.place(5, 2, "Fehler") == "list.xlsx, Remakes!C5 (Fehler)"
    day = datetime(2026, 11, 3)
    assert [(r.line, *r.cells[1:5]) for r in found.rows[1:]] == [
        (4, "Datum", "Fehler", "Minuten", "Erledigt"),
        (5, day, "chips", 12.5, "yes"),
        (6, day, "burr broke"),
        (9, 46330.0, "rough"),
    ]
    assert read_list(tmp_path / "list.xlsx", sheet="before").rows[0].cells == ("Datum", "Fehler")
    with pytest.raises(ListError, match="it has: Notes, Remakes, Before"):
        read_list(tmp_path / "list.xlsx", sheet="after")


def test_a_workbook_with_two_lists_is_asked_about(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["Datum", "Fehler"])
    book.create_sheet("Second").append(["Datum", "Fehler"])
    book.save(tmp_path / "list.xlsx")
    with pytest.raises(ListError, match="several sheets"):
        read_list(tmp_path / "list.xlsx")


def repacked(path: Path, change: Callable[[str, bytes], bytes]) -> Path:
    with zipfile.ZipFile(path) as old:
        parts = {n: change(n, old.read(n)) for n in old.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in parts.items():
            new.writestr(name, content)
    return path


def test_workbooks_that_mean_harm(tmp_path: Path) -> None:
    bomb = workbook(tmp_path / "bomb.xlsx")
    with (
        zipfile.ZipFile(bomb, "a", zipfile.ZIP_DEFLATED, compresslevel=1) as packed,
        packed.open("xl/extra.xml", "w") as part,
    ):
        for _ in range(31):
            part.write(bytes(10_000_000))
    with pytest.raises(ListError, match="unpacks to more than"):
        read_list(bomb)
    entity = b'<!DOCTYPE a [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    evil = repacked(
        workbook(tmp_path / "evil.xlsx"),
        lambda n, c: entity + c.replace(b"Remakes", b"&b;") if n == "xl/workbook.xml" else c,
    )
    with pytest.raises(ListError, match="cannot be read as a workbook"):
        read_list(evil)
    torn = repacked(workbook(tmp_path / "torn.xlsx"), lambda n, c: c[: len(c) // 2] if "sheet2" in n else c)
    with pytest.raises(ListError, match="cannot be read as a workbook"):
        read_list(torn)
    other = tmp_path / "other.xlsx"
    with zipfile.ZipFile(other, "w") as packed:
        packed.writestr("content.xml", "<a/>")
    with pytest.raises(ListError, match="OpenDocument"):
        read_list(other)


# -- words ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("margin chipped", ("margin-chipped",)),
        ("crown 36 does not fit", ("fit-open",)),
        ("burr broke and rough surface", ("burr-broke", "surface-rough")),
        ("no chips", ()),
        ("margin chipped?", ()),
        ("Rand ausgebrochen", ()),
        ("", ()),
    ],
)
def test_symptoms_only_when_clear(words: WordBook, text: str, expected: tuple[str, ...]) -> None:
    assert words.symptoms(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("collet-dirty", "collet-dirty"),
        ("Collet dirty", "collet-dirty"),
        ("dirty collet", "collet-dirty"),
        ("worn finishing burr", "finishing-burr-worn"),
        ("collet not dirty", None),
        ("collet dirty?", None),
        ("finishing burr worn out or collet dirty", None),
        ("burr worn", None),
        ("leak", None),
    ],
)
def test_a_cause_only_when_clear(words: WordBook, text: str, expected: str | None) -> None:
    assert words.cause(text) == expected


def test_every_title_means_its_own_entry(words: WordBook, compiled: Compiled) -> None:
    assert all(words.cause(c.title) == c.id for c in compiled.kb.causes.values())
    assert all(words.remedy(r.title) == r.id for r in compiled.kb.remedies.values())
    assert all(
        s.id in words.symptoms(s.title) or "," in s.title or " and " in s.title for s in compiled.kb.symptoms.values()
    )


def test_materials_by_everyday_names(words: WordBook) -> None:
    assert [words.material(t) for t in ("Zirkon", "Lithium-Disilicate", "PMMA", "titanium", "cheese")] == [
        "zirconia", "glass-ceramic", "resin", "other", None,
    ]  # fmt: skip


# -- plan -------------------------------------------------------------------------------------------------------------

COLUMNS = {
    name: (i,)
    for i, name in enumerate(
        [
            "date",
            "complaint",
            "mill",
            "technician",
            "material",
            "cause",
            "remedy",
            "result",
            "blocks",
            "minutes",
            "note",
            "id",
        ]
    )
}


def planned(
    compiled: Compiled, words: WordBook, *rows: dict[str, Any], known: Known | None = None, **more: Any
) -> Plan:
    made = [ListRow(i, tuple(row.get(name) for name in COLUMNS)) for i, row in enumerate(rows, start=2)]
    listing = Listing("list.csv", "", tuple(made))
    return plan_remakes(listing, made, COLUMNS, compiled, now=NOW, version="0", known=known, words=words, **more)


FULL = {
    "date": "3.11.2026", "complaint": "margin chipped", "mill": "north", "technician": "Ines", "material": "Zirkon",
    "cause": "worn finishing burr", "remedy": "changed finishing burr", "result": "helped", "blocks": "1,5",
    "minutes": "1:30", "note": "second crown", "id": "4711",
}  # fmt: skip


def test_a_full_row_becomes_a_whole_case(compiled: Compiled, words: WordBook) -> None:
    (case,) = planned(compiled, words, FULL).ready
    row = case_row("b", "c", case.entries)
    assert row.begun == "2026-11-03T12:00:00.000+00:00"
    assert (row.mill, row.technician, row.material, row.complaint) == ("north", "Ines", "zirconia", "margin chipped")
    assert (row.symptoms, row.how, row.cause) == (("margin-chipped",), "confirmed", "finishing-burr-worn")
    assert (row.remedy, row.blocks, row.minutes, row.imported) == ("change-finishing-burr", 1.5, 90.0, True)
    assert row.fixed is None, "a list proves nothing"
    events = [e for _, e in case.entries]
    assert events[0]["imported"]["line"] == 2
    assert len(events[0]["imported"]["row"]) == 64
    assert [e["text"] for e in events if e["type"] == "note"] == ["Number in the list: 4711", "second crown"]
    assert Session(compiled, events).state.closed == "confirmed"


def test_what_does_not_fit_is_kept_as_text(compiled: Compiled, words: WordBook) -> None:
    odd = {
        "date": "3.11.2026",
        "complaint": "foo bar",
        "material": "cheese",
        "cause": "gremlins",
        "remedy": "prayer",
        "result": "so so",
    }
    plan = planned(compiled, words, odd)
    row = case_row("b", "c", plan.ready[0].entries)
    assert (row.symptoms, row.material, row.cause, row.how, row.remedies) == ((), None, None, "fixed-unproven", ())
    notes = [e["text"] for _, e in plan.ready[0].entries if e["type"] == "note"]
    assert notes == [
        "Material in the list: cheese", "Result in the list: so so", "Remedy in the list: prayer", "Cause in the list: gremlins",
    ]  # fmt: skip
    assert {name: list(texts) for name, texts in plan.strange.items()} == {
        "complaint": ["foo bar"], "material": ["cheese"], "cause": ["gremlins"], "remedy": ["prayer"], "result": ["so so"],
    }  # fmt: skip


def test_a_remedy_helped_only_if_the_list_says_so(compiled: Compiled, words: WordBook) -> None:
    plan = planned(compiled, words, FULL | {"result": None}, FULL | {"result": "nein"})
    first, second = (case_row("b", "c", p.entries) for p in plan.ready)
    assert (first.remedies, first.how) == ((), "confirmed")
    assert (second.remedies, second.how, second.cause) == ((("change-finishing-burr", "no-change"),), "open", None)
    assert not plan.strange["remedy"]


def test_bad_rows_are_told_cell_by_cell(compiled: Compiled, words: WordBook) -> None:
    plan = planned(
        compiled,
        words,
        FULL | {"date": "31.2.2026", "blocks": "x"},
        FULL | {"complaint": None},
        FULL | {"minutes": "1.000"},
        FULL | {"mill": "x" * 61},
        FULL,
    )
    assert [(p.line, p.column) for p in plan.bad] == [(2, 0), (2, 8), (3, 1), (4, 9), (5, 2)]
    assert len(plan.ready) == 1


def test_totals_and_months_are_passed_over(compiled: Compiled, words: WordBook) -> None:
    plan = planned(compiled, words, {"date": "November"}, {"blocks": "12"}, {"date": "Summe", "blocks": "12"}, FULL)
    assert (plan.passed_over, plan.bad, len(plan.ready)) == ([2, 3, 4], [], 1)


def test_names_are_spelt_in_one_way(compiled: Compiled, words: WordBook) -> None:
    rows = [
        FULL | {"mill": m, "technician": t, "id": None}
        for m, t in (("NORTH", "ines"), ("tide", "Ines"), ("Tide ", "INES"))
    ]
    plan = planned(compiled, words, *rows, known=Known(mills=("north",)))
    assert [(p.mill, p.entries[0][1]["technician"]) for p in plan.ready] == [
        ("north", "ines"),
        ("tide", "ines"),
        ("tide", "ines"),
    ]


def digests(plan: Plan) -> list[str]:
    return [p.entries[0][1]["imported"]["row"] for p in plan.ready]


def test_the_same_row_comes_in_once_and_equal_lines_are_two(compiled: Compiled, words: WordBook) -> None:
    twice = planned(compiled, words, FULL, FULL)
    assert len(set(digests(twice))) == 2
    again = planned(compiled, words, FULL, FULL, FULL, known=Known(frozenset(digests(twice))))
    assert (again.there, len(again.ready)) == (2, 1)


def test_a_row_is_the_same_from_csv_and_from_excel(compiled: Compiled, words: WordBook) -> None:
    typed = FULL | {"blocks": "1,50", "minutes": "90", "id": "4711"}
    cells = FULL | {"date": datetime(2026, 11, 3), "blocks": 1.5, "minutes": 90.0, "id": 4711.0}
    assert digests(planned(compiled, words, typed)) == digests(planned(compiled, words, cells))


def test_other_columns_chosen_do_not_bring_a_row_in_twice(compiled: Compiled, words: WordBook) -> None:
    first = planned(compiled, words, FULL)
    rows = [ListRow(2, tuple(FULL.get(name) for name in COLUMNS))]
    fewer = {"date": (0,), "complaint": (1,)}
    plan = plan_remakes(
        Listing("x", "", ()),
        rows,
        fewer,
        compiled,
        now=NOW,
        version="0",
        known=Known(frozenset(digests(first))),
        words=words,
    )
    assert (plan.there, plan.ready) == (1, [])


def test_a_row_that_was_changed_later_is_told(compiled: Compiled, words: WordBook) -> None:
    known = Known(numbers={("4711", "2026-11-03"): "261103-abcd"})
    plan = planned(compiled, words, FULL | {"cause": "collet dirty"}, FULL | {"date": "4.11.2026"}, known=known)
    assert plan.changed == {2: "261103-abcd"}
    assert [p.line for p in plan.ready] == [3]


def test_long_complaints_are_kept_whole(compiled: Compiled, words: WordBook) -> None:
    text = "margin chipped " * 60
    entries = planned(compiled, words, FULL | {"complaint": text}).ready[0].entries
    assert len(entries[1][1]["text"]) <= 300
    assert any(text.strip() in e["text"] for _, e in entries if e["type"] == "note")


@settings(max_examples=60)
@given(st.fixed_dictionaries({}, optional={name: st.text(max_size=40) for name in COLUMNS}))
def test_whatever_the_cells_hold_the_session_takes_it(compiled: Compiled, words: WordBook, row: dict[str, str]) -> None:
    plan = planned(compiled, words, {"date": "3.11.2026", "complaint": "chips"} | row)
    assert len(plan.ready) + len({p.line for p in plan.bad}) + len(plan.passed_over) == 1
    for case in plan.ready:
        Session(compiled, [e for _, e in case.entries])


# -- command ----------------------------------------------------------------------------------------------------------


def options(file: Path, tmp_path: Path, **more: Any) -> argparse.Namespace:
    given = {
        "file": str(file), "log": str(tmp_path / "cases.db"), "knowledge": None, "map": [], "map_file": None, "save_map": None,
        "sheet": None, "separator": None, "day_first": False, "month_first": False, "dry_run": False, "skip_bad": False, "yes": False,
    }  # fmt: skip
    return argparse.Namespace(**given | more)


@pytest.fixture(autouse=True)
def _one_knowledge(compiled: Compiled, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(advisor, "knowledge", lambda folder=None: compiled)


LIST = [
    ["Remakes of Hafenlicht Dental", "", "", ""],
    ["Datum", "Maschine", "Fehler", "Patient"],
    ["3.11.2026", "north", "margin chipped", "M."],
    ["4.11.2026", "tide", "burr broke", "N."],
    ["4.11.2026", "tide", "burr broke", "N."],
]


def test_a_list_comes_in_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_csv(tmp_path / "list.csv", LIST)
    assert bring_in(options(path, tmp_path, dry_run=True), None) == OK
    assert not (tmp_path / "cases.db").exists()
    out = capsys.readouterr().out
    assert "3 rows would come in, 0 in the log already" in out
    assert "Left out: D Patient" in out
    assert bring_in(options(path, tmp_path, yes=True), None) == OK
    log = CaseLog(tmp_path / "cases.db")
    assert [(r.mill, r.symptoms, r.imported) for r in log.rows()] == [
        ("north", ("margin-chipped",), True), ("tide", ("burr-broke",), True), ("tide", ("burr-broke",), True),
    ]  # fmt: skip
    assert log.verify() == []
    capsys.readouterr()
    assert bring_in(options(path, tmp_path, yes=True), None) == OK
    assert "0 rows would come in, 3 in the log already" in capsys.readouterr().out
    assert len(log.rows()) == 3


def test_all_rows_or_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_csv(tmp_path / "list.csv", [*LIST, ["5.15.2026", "tide", "rough", ""]])
    with pytest.raises(Stop, match="--skip-bad") as caught:
        bring_in(options(path, tmp_path, yes=True), None)
    assert caught.value.code == PROBLEM
    assert not (tmp_path / "cases.db").exists()
    assert "list.csv:6, column A (Datum): there is no day '5.15.2026'" in capsys.readouterr().out
    assert bring_in(options(path, tmp_path, yes=True, skip_bad=True), None) == OK
    assert len(CaseLog(tmp_path / "cases.db").rows()) == 3


def test_the_desk_asks_for_what_is_unclear(tmp_path: Path) -> None:
    rows = [["Datum", "Lieferdatum", "Fehler", "Problem"], ["03/04/2026", "x", "odd", "burr broke"]]
    path = write_csv(tmp_path / "list.csv", rows)
    desk = ScriptedDesk(["z", "Problem", "2", "maybe", "yes"])
    assert bring_in(options(path, tmp_path, save_map=str(tmp_path / "map.yaml")), desk) == OK
    screen = "\n".join(desk.screen)
    assert "Which column holds the complaint?" in screen
    assert "Type one of C, D." in screen
    (row,) = CaseLog(tmp_path / "cases.db").rows()
    assert (row.begun[:10], row.complaint) == ("2026-03-04", "burr broke")
    # the kept mapping answers the same questions
    other = options(path, tmp_path, map_file=str(tmp_path / "map.yaml"), log=str(tmp_path / "other.db"), yes=True)
    assert bring_in(other, None) == OK
    assert CaseLog(tmp_path / "other.db").rows()[0].begun == row.begun


@pytest.mark.parametrize("replies", [[], ["C"], ["C", "1"], ["C", "1", "no"]])
def test_leaving_writes_nothing(tmp_path: Path, replies: list[str]) -> None:
    path = write_csv(tmp_path / "list.csv", [["Datum", "x", "Fehler", "Problem"], ["03/04/2026", "", "odd", "chips"]])
    with suppress(Stop):
        bring_in(options(path, tmp_path), ScriptedDesk(replies))
    assert not (tmp_path / "cases.db").exists()


@pytest.mark.parametrize(
    ("rows", "more", "said"),
    [
        ([["a", "b"], ["1", "2"]], {}, "looks like headings"),
        ([["Datum", "x"], ["1.1.2026", "2"]], {}, "Which column holds the complaint"),
        ([["Datum", "Fehler", "Problem"], ["1.1.2026", "2", "3"]], {}, "of: B Fehler, C Problem"),
        ([["Datum", "Fehler"], ["03/04/2026", "2"]], {}, "--day-first or --month-first"),
        ([["Datum", "Fehler"], ["1.1.2026", "2"]], {"map": ["complaint=Fehlr"]}, "did you mean Fehler"),
        ([["Datum", "Fehler"], ["1.1.2026", "2"]], {}, "say --yes"),
        ([["Datum", "Fehler"], ["1.1.2026", "2"]], {"map_file": "nowhere.yaml"}, "mapping nowhere.yaml cannot be read"),
        (
            [["bench", "case", "begun", "complaint", "final_cause"], ["", "", "1.1.2026", "x", ""]],
            {},
            "advisor log export",
        ),
    ],
)
def test_one_clear_line_where_nobody_can_be_asked(tmp_path: Path, rows: Any, more: dict[str, Any], said: str) -> None:
    path = write_csv(tmp_path / "list.csv", rows)
    with pytest.raises(Stop, match=said) as caught:
        bring_in(options(path, tmp_path, **more), None)
    assert caught.value.code == USAGE
    assert not (tmp_path / "cases.db").exists()


def test_a_mapping_is_never_written_over_another_file(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "list.csv", LIST)
    before = path.read_bytes()
    with pytest.raises(Stop, match="is no mapping"):
        bring_in(options(path, tmp_path, save_map=str(path), dry_run=True), None)
    assert path.read_bytes() == before


def test_no_real_list_among_invented_cases(tmp_path: Path) -> None:
    CaseLog(tmp_path / "cases.db", invented=True).close()
    with pytest.raises(Stop, match="invented cases"):
        bring_in(options(write_csv(tmp_path / "list.csv", LIST), tmp_path, yes=True), None)


def test_a_workbook_comes_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert bring_in(options(workbook(tmp_path / "list.xlsx"), tmp_path, yes=True), None) == OK
    rows = CaseLog(tmp_path / "cases.db").rows()
    assert sorted(((r.begun[:10], r.minutes) for r in rows), key=str) == [
        ("2026-11-03", 12.5), ("2026-11-03", None), ("2026-11-04", None),
    ]  # fmt: skip
