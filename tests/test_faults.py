"""What can go wrong with a log: killed, full, locked, damaged. Nothing acknowledged is lost, and one line tells it."""

from __future__ import annotations

import contextlib
import io
import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from scripted_desk import ScriptedDesk
from small_base import write_base

from advisor import casework
from advisor.caselog import CaseLog, LogError
from advisor.cli import main
from advisor.compiled import Compiled
from advisor.session import Session

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")

Event = dict[str, Any]
START: Event = {"type": "start", "mill": "quay", "technician": "Ines", "knowledge": "k1"}


def note(said: str) -> Event:
    return {"type": "note", "text": said}


def filled(path: Path, cases: int = 3) -> list[str]:
    """A log with some closed cases, readings and a diary; returns the cases."""
    times = (f"2026-11-{3 + i // 60:02}T10:{i % 60:02}:00.000+00:00" for i in range(900))
    log = CaseLog(path, clock=lambda: next(times))
    handles = []
    for number in range(cases):
        case = log.new_case(START)
        events = [
            {"type": "complaint", "text": f"edges crumble {number}"},
            {"type": "symptom", "symptom": "chips", "present": True},
            {"type": "answer", "check": "burr-look", "outcome": "blunt", "typed": "2"},
            {"type": "close", "how": "confirmed", "cause": "burr-worn", "minutes": 3.0},
        ]
        for place, event in enumerate(events[: 5 - number % 2], start=1):
            log.append(case, event, place)
        log.note_diary("quay", {"type": "changed", "what": f"hose {number}"})
        handles.append(case)
    log.close()
    return handles


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A small knowledge base."""
    return write_base(tmp_path_factory.mktemp("small"))


@pytest.fixture(scope="module")
def small(base: Any) -> Compiled:
    return Compiled(base.load())


def in_child(work: Callable[[], object], nobody: bool = False) -> str:
    """Run in a process of its own, as a user without rights if asked; returns what it printed."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.dup2(writing, 1)
            os.dup2(writing, 2)
            sys.stdout = io.TextIOWrapper(os.fdopen(1, "wb", 0, closefd=False), "utf-8", write_through=True)
            sys.stderr = sys.stdout
            if nobody and os.geteuid() == 0:
                os.setgroups([])
                os.setgid(65534)
                os.setuid(65534)
            work()
        except BaseException as error:
            print(f"NOT CAUGHT {type(error).__name__}: {error}")
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading, encoding="utf-8") as said:
        text = said.read()
    os.waitpid(child, 0)
    return text


# -- killed -----------------------------------------------------------------------------------------------------------


def scribble(path: Path, seed: int, out: int) -> None:
    """Write to a log for ever, in every way there is, telling what is done; each event has a name of its own."""
    chance = random.Random(seed)
    log = CaseLog(path)
    places: dict[str, int] = {}
    number = 0
    while True:
        number += 1
        name = f"{seed}-{number}"
        way = chance.randrange(5) if places else 0
        if way == 0:
            places[log.new_case(START | {"technician": name})] = 1
        elif way == 1:
            cases = [[("2026-11-03", START | {"technician": f"{name}-{i}"}), ("2026-11-03", note("x"))] for i in "abc"]
            log.write(cases)
        elif way == 2:
            log.note_diary("quay", {"type": "changed", "what": name})
        else:
            case = chance.choice(list(places))
            log.append(case, note(name), places[case])
            places[case] += 1
        os.write(out, f"{way} {name}\n".encode())


def names(log: CaseLog) -> list[str]:
    """The names of all events that are there."""
    found = [str(entry.event["what"]) for entry in log.diary()]
    for row in log.rows():
        for entry in log.entries(row.case):
            found.append(str(entry.event.get("technician") or entry.event.get("text")))
    return [name for name in found if name != "x"]


def test_a_killed_process_loses_and_doubles_nothing_wherever_it_is(tmp_path: Path) -> None:
    path = tmp_path / "cases.db"
    told: list[str] = []
    for seed, after in enumerate([1, 2, 3, 4, 5, 7, 11, 16, 25, 40]):
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            try:
                scribble(path, seed, writing)
            finally:
                os._exit(1)
        os.close(writing)
        with os.fdopen(reading, encoding="utf-8") as said:
            lines = [said.readline() for _ in range(after)]
            os.kill(child, signal.SIGKILL)
            lines += said.readlines()
        os.waitpid(child, 0)
        for way, name in (line.split() for line in lines):
            told += [f"{name}-{i}" for i in "abc"] if way == "1" else [name]
        log = CaseLog(path)
        there = names(log)
        assert set(told) <= set(there), "an acknowledged event is lost"
        assert len(there) == len(set(there)), "an event is there twice"
        assert len([n for n in there if n.startswith(f"{seed}-")]) - len(
            [n for n in told if n.startswith(f"{seed}-")]
        ) in (0, 1, 3), "at most what was being written when it was killed"
        told = there
        assert log.verify() == []
        log.close()


# -- full -------------------------------------------------------------------------------------------------------------


def until_full(path: Path, limit: int | None) -> None:
    """Write until there is no more room, telling what is done."""
    if limit is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    log = CaseLog(path)
    case = log.new_case(START)
    print(case)
    try:
        for place in range(1, 2000):
            log.append(case, note("x" * 3000), place)
            print(place)
    except LogError as error:
        print(f"told: {error}")
    with contextlib.suppress(LogError):
        print(f"still {len(log.entries(case))}")


def assert_nothing_lost(path: Path, said: str) -> None:
    lines = said.splitlines()
    told = [line for line in lines if line.startswith("told: ")]
    assert len(told) == 1, said
    assert "nothing before this was lost" in told[0]
    places = [int(line) for line in lines if line.isdigit()]
    assert len(places) > 3
    assert lines[-1] == f"still {len(places) + 1}"
    log = CaseLog(path)
    case = lines[0]
    assert len(log.entries(case)) == len(places) + 1
    assert log.verify() == []
    log.append(case, note("there is room again"), len(places) + 1)
    log.close()


def test_a_file_that_may_not_grow_keeps_what_it_has(tmp_path: Path) -> None:
    path = tmp_path / "cases.db"
    filled(path)
    assert_nothing_lost(path, in_child(lambda: until_full(path, 400_000)))


def test_a_full_disk_keeps_what_it_has(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=700k", "tmpfs", disk], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("no disk of its own can be had here")
    try:
        said = in_child(lambda: until_full(disk / "cases.db", None))
        shutil.copytree(disk, tmp_path / "larger")
    finally:
        subprocess.run(["umount", disk], check=True)
    assert_nothing_lost(tmp_path / "larger" / "cases.db", said)


def test_a_disk_that_is_full_from_the_start_is_told(tmp_path: Path) -> None:
    def begin() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
        try:
            CaseLog(tmp_path / "cases.db")
        except LogError as error:
            print(f"told: {error}")

    said = in_child(begin)
    assert said.startswith("told: ")
    assert said.count("\n") == 1


# -- every command ----------------------------------------------------------------------------------------------------


def commands(case: str) -> list[list[str]]:
    """The commands that open a log."""
    return [
        ["cases"],
        ["cases", "--open", "--format", "json"],
        ["case", case],
        ["review", "queue"],
        ["review", "sign", case, "--approve"],
        ["log", "verify"],
        ["log", "export", "--format", "jsonl"],
        ["log", "export"],
        ["log", "rebuild"],
        ["resume"],
        ["resume", case],
        ["attach", case, __file__],
    ]


def run(words: list[str], path: Path, base: Any, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """A command on a log: exit code, what it printed, what it complained of. It must say it in plain words."""
    more = ["--log", str(path)]
    if words[0] in ("case", "review", "resume") or words[:2] == ["log", "export"]:
        more += ["--knowledge", str(base.root)]
    code = main([*words, *more])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert "Something in the program went wrong" not in err, (words, err)
    return code, out, err


def one_line(err: str) -> bool:
    return err.count("\n") == 1 and len(err) < 600


def test_every_command_works_on_a_sound_log(tmp_path: Path, base: Any, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "cases.db"
    case = filled(path)[0]
    for words in commands(case):
        code, _, err = run(words, path, base, capsys)
        if words[0] == "resume":
            assert code != 0
            assert "terminal" in err or "closed" in err or "No case is open" in err
        else:
            assert code == 0, (words, err)


PLACES = ["folder", "loop", "below a file", "/dev/null", "/dev/full", "/dev/zero", "pipe", "text", "empty", "picture"]


@pytest.mark.parametrize("kind", PLACES)
def test_a_path_that_is_no_log_is_told_in_a_line(
    kind: str, tmp_path: Path, base: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "cases.db"
    if kind == "folder":
        path.mkdir()
    elif kind == "loop":
        path.symlink_to(path)
    elif kind == "below a file":
        path.write_text("x", "utf-8")
        path = path / "cases.db"
    elif kind.startswith("/dev/"):
        path.symlink_to(kind)
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "text":
        path.write_text("Dear Wiebke, " * 500, "utf-8")
    elif kind == "empty":
        path.touch()
    else:
        path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(5000))
    for words in commands("261103-abcd"):
        code, _, err = run(words, path, base, capsys)
        if kind == "empty":  # a log that was never written to
            assert one_line(err) or code == 0
        else:
            assert code != 0, words
            assert one_line(err), err
            assert "cases.db" in err or "no case" in err.lower()


def test_a_log_that_may_only_be_read_is_told_in_a_line(base: Any) -> None:
    home = Path(tempfile.mkdtemp(prefix="advisor-ro-"))
    try:
        home.chmod(0o755)
        case = filled(home / "cases.db")[0]
        (home / "own").mkdir()
        (home / "own").chmod(0o777)
        for file in home.glob("cases.db*"):
            file.chmod(0o444)
        for words in (["cases"], ["log", "verify"], ["log", "rebuild"], ["attach", case, "/etc/hostname"]):

            def work(words: list[str] = words) -> None:
                os.environ["ADVISOR_HOME"] = str(home / "own")
                print(f"exit {main([*words, '--log', str(home / 'cases.db')])}")

            said = in_child(work, nobody=True)
            assert "Traceback" not in said
            assert "NOT CAUGHT" not in said
            assert "went wrong" not in said
            if words[0] in ("cases",):
                assert "exit 0" in said or said.count("\n") == 2, said
            elif words[-1] in ("rebuild", "/etc/hostname"):
                assert said.splitlines()[-1] == "exit 1", said
                assert said.count("\n") == 2
    finally:
        shutil.rmtree(home)


def test_a_locked_log_can_be_read_and_is_told_when_written(
    tmp_path: Path, base: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "cases.db"
    case = filled(path)[0]
    monkeypatch.setattr("advisor.store.engine.BUSY_SECONDS", 0.02)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for words in commands(case):
            code, _, err = run(words, path, base, capsys)
            if words[:2] in (["review", "sign"], ["log", "rebuild"]) or words[0] == "attach":
                assert code == 1, words
                assert "locked by another program" in err
                assert one_line(err)
            elif words[0] != "resume":
                assert code == 0, (words, err)
        with contextlib.closing(sqlite3.connect(tmp_path / "new.db", isolation_level=None)) as new:
            new.execute("PRAGMA journal_mode = DELETE")
            new.execute("BEGIN EXCLUSIVE")
            code, _, err = run(["cases"], tmp_path / "new.db", base, capsys)
            assert code == 1
            assert "locked by another program" in err


# -- damaged ----------------------------------------------------------------------------------------------------------


def looks(case: str) -> list[Callable[[CaseLog], object]]:
    """Every way to read a log."""
    return [
        lambda log: log.cases(),
        lambda log: log.rows("2026-11-01", "2026-12-01", mill="quay"),
        lambda log: log.rows(reviewable=True),
        lambda log: log.readings(mill="quay"),
        lambda log: log.diary(),
        lambda log: log.starts(),
        lambda log: log.find(case),
        lambda log: log.row(case),
        lambda log: log.entries(case),
        lambda log: log.add(case, note("x")),
        lambda log: log.verify(),
        lambda log: log.rebuild(),
    ]


def damaged(whole: bytes, chance: random.Random, page: int | None) -> bytes:
    """A file with a page overwritten, or some bytes turned anywhere."""
    data = bytearray(whole)
    if page is not None:
        data[page * 4096 : (page + 1) * 4096] = chance.randbytes(4096) if chance.random() < 0.5 else bytes(4096)
        return bytes(data)
    for _ in range(chance.choice([1, 1, 8, 60])):
        data[chance.randrange(100, len(data))] ^= 1 << chance.randrange(8)
    return bytes(data)


def test_a_damaged_file_is_told_in_a_line_whatever_is_damaged(
    tmp_path: Path, base: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "cases.db"
    case = filled(path, cases=6)[0]
    whole = path.read_bytes()
    assert not path.with_name("cases.db-wal").exists(), "all of it is in the file"
    pages = len(whole) // 4096
    chance = random.Random(5)
    told: list[str] = []
    for page in [*range(pages), *[None] * 25]:
        for left in tmp_path.glob("cases.db*"):
            left.unlink() if left.is_file() else shutil.rmtree(left)
        path.write_bytes(damaged(whole, chance, page))
        with contextlib.suppress(LogError):
            opened = CaseLog(path)
            for look in looks(case):
                try:
                    look(opened)
                except LogError as error:
                    told.append(str(error))
            opened.close()
        if page is not None:
            for words in ([["cases"]], commands(case))[page % 8 == 3]:
                path.write_bytes(damaged(whole, chance, page))
                code, _, err = run(words, path, base, capsys)
                assert err.count("\n") <= 1, (words, err)
                assert code in (0, 1, 2)
    assert len(told) > 30
    assert not [line for line in told if "\n" in line]


def test_damage_within_the_events_is_found(tmp_path: Path) -> None:
    path = tmp_path / "cases.db"
    filled(path, cases=6)
    whole = path.read_bytes()
    spots = [i for i in range(len(whole)) if whole.startswith(b"edges crumble", i)]
    found = 0
    for spot in spots:
        data = bytearray(whole)
        data[spot] ^= 1
        path.write_bytes(bytes(data))
        log = CaseLog(path)
        found += bool(log.verify())
        log.close()
    assert found == len(spots), "in the event, and in the row made from it"


# -- clocks and consoles ----------------------------------------------------------------------------------------------


def test_a_clock_that_jumps_back_changes_no_order(tmp_path: Path) -> None:
    times = ["2026-11-25T10:00:00", "2026-11-25T09:00:00", "2026-10-31T23:59:59", "2027-01-01T00:00:00", "2020-01-01"]
    moments = iter(times)
    log = CaseLog(tmp_path / "cases.db", clock=lambda: next(moments))
    case = log.new_case(START)
    for place in range(1, 5):
        log.append(case, note(f"{place}"), place)
    assert [e.event.get("text") for e in log.entries(case)] == [None, "1", "2", "3", "4"]
    assert [e.seq for e in log.entries(case)] == [0, 1, 2, 3, 4]
    assert log.row(case).begun == "2026-11-25T10:00:00.000+00:00"
    assert log.verify() == []
    assert log.rebuild() == 1
    assert log.verify() == []
    log.close()


def test_two_consoles_on_one_case_lose_and_double_nothing(small: Compiled, tmp_path: Path) -> None:
    path = tmp_path / "cases.db"
    start = START | {"knowledge": small.kb.digest}
    log = CaseLog(path)
    case = log.new_case(start)
    complaint: list[Event] = [
        {"type": "complaint", "text": "edges crumble"},
        {"type": "symptom", "symptom": "chips", "present": True},
    ]
    for place, event in enumerate(complaint, start=1):
        log.append(case, event, place)

    class Second(ScriptedDesk):
        """While this desk thinks, the other console goes on."""

        def ask(self, prompt: str, *args: Any, **more: Any) -> str:
            if self.replies and self.replies[0].startswith("do "):
                log.append(case, note("theirs"), 3)
            return super().ask(prompt, *args, **more)

    desk = Second(["do burr-look", "blunt", "note ours", ""])
    session, _ = Session.restored(small, [start, *complaint])
    casework._consult(small, session, casework._LateLog(path), desk, case, [], casework._Profile(small, None, None))
    shown = " ".join(" ".join(desk.screen).split())
    assert "was continued in another console" in shown
    assert [e.event.get("text") for e in log.entries(case)][3:] == ["theirs"]
    assert log.verify() == []
    log.close()


# -- files beside the log ---------------------------------------------------------------------------------------------


def test_a_missing_or_altered_file_is_told(tmp_path: Path, base: Any, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "cases.db"
    case = filled(path)[0]
    for name in ("edge.jpg", "rings.jpg", "good.jpg"):
        (tmp_path / name).write_bytes(name.encode() * 50)
        assert run(["attach", case, str(tmp_path / name)], path, base, capsys)[0] == 0
    assert run(["log", "verify"], path, base, capsys)[0] == 0
    log = CaseLog(path)
    kept = {e.event["name"]: e.event["sha256"] for e in log.entries(case) if e.event["type"] == "attach"}
    beside = tmp_path / "cases.db.files"
    (beside / kept["edge.jpg"][:2] / kept["edge.jpg"]).unlink()
    (beside / kept["rings.jpg"][:2] / kept["rings.jpg"]).write_bytes(b"another picture")
    assert [log.content(log.writer, kept[n]) is None for n in ("edge.jpg", "rings.jpg", "good.jpg")] == [
        True,
        True,
        False,
    ]
    code, out, _ = run(["log", "verify"], path, base, capsys)
    assert code == 1
    assert out.splitlines() == [
        f"case {case}: its file {n} is missing or was altered" for n in ("edge.jpg", "rings.jpg")
    ]
    for words in commands(case):
        run(words, path, base, capsys)
    sheet = tmp_path / "sheet.html"
    assert main(["case", case, "--log", str(path), "--knowledge", str(base.root), "--html", str(sheet)]) == 0
    assert "edge.jpg" in sheet.read_text("utf-8")
    log.close()


@pytest.mark.parametrize("name", ["nothing.jpg", "folder", "huge.jpg", "loop"])
def test_a_file_that_cannot_be_kept_is_told(
    name: str, tmp_path: Path, base: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "cases.db"
    case = filled(path)[0]
    (tmp_path / "folder").mkdir()
    with (tmp_path / "huge.jpg").open("wb") as file:
        file.truncate(20_000_001)
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    code, _, err = run(["attach", case, str(tmp_path / name)], path, base, capsys)
    assert code == 1
    assert one_line(err)
    assert name in err
    log = CaseLog(path)
    assert log.row(case).events == 5
    log.close()
