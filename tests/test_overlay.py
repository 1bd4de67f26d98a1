"""The shop's overlay: written, read, applied, taken back; and what happens when it is damaged or no longer fits."""

from __future__ import annotations

import json
from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from small_base import SmallBase, write_base

import advisor
from advisor.caselog import CaseLog
from advisor.compiled import Compiled
from advisor.home import data_home
from advisor.issue import KnowledgeError
from advisor.learning import work as learnwork
from advisor.learning.overlaid import NONE, with_numbers, with_overlay
from advisor.learning.overlay import FILE, Header, HeldOut, fitting, overlay_text, put, read, undo
from advisor.learning.updates import LinkCount, RateCount, Tally, numbers_of
from advisor.model import Knowledge
from advisor.output import Stop

HEADER = Header(
    written="2026-11-25T10:00:00+00:00",
    cases=120,
    newest="2026-11-24T09:00:00.000+00:00",
    knowledge="abc",
    part="both",
    held_out=HeldOut(cases=30, before=1.2, after=1.0, error=0.05),
)
FOUND = Tally(
    120,
    (RateCount("burr-loose", 60, 20.5, 5), RateCount(NONE, 2, 12.25, 4)),
    (LinkCount("burr-worn", "burr-look", {"sharp": 30, "blunt": 10.125}),),
)


@pytest.fixture
def base(tmp_path: Path) -> SmallBase:
    return write_base(tmp_path)


def numbers(kb: Knowledge) -> tuple[dict[str, float], float, float]:
    look = next(x for x in kb.causes["burr-worn"].shows if x.check == "burr-look")
    rates = {c.id: c.prior.per_hundred for c in kb.causes.values()}
    return rates, kb.vocabulary.unlisted.per_hundred, kb.vocabulary.share(look.seen)


# -- the file ---------------------------------------------------------------------------------------------------------


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    path = put(tmp_path, overlay_text(HEADER, FOUND))
    found = read(path)
    assert (found.header, found.found) == (HEADER, FOUND)


def test_the_digest_tells_counts_apart_and_not_the_time_of_writing(tmp_path: Path) -> None:
    path = tmp_path / FILE
    digests = []
    for header, found in (
        (HEADER, FOUND),
        (HEADER.model_copy(update={"written": "2027-01-01T00:00:00+00:00"}), FOUND),
        (HEADER, Tally(121, FOUND.rates, FOUND.links)),
    ):
        path.write_text(overlay_text(header, found), "utf-8")
        digests.append(read(path).digest)
    assert digests[0] == digests[1] != digests[2]


def test_older_versions_are_kept_and_undo_brings_their_bytes_back(tmp_path: Path) -> None:
    texts = [overlay_text(HEADER, Tally(120 + i, FOUND.rates, FOUND.links)) for i in range(3)]
    for text in texts:
        put(tmp_path, text)
    path = tmp_path / FILE
    assert (tmp_path / "overlay.1.yaml").read_text("utf-8") == texts[0]
    assert undo(tmp_path) is True
    assert path.read_bytes() == texts[1].encode()
    put(tmp_path, texts[2])
    assert [undo(tmp_path), undo(tmp_path)] == [True, True]
    assert path.read_bytes() == texts[0].encode()
    assert undo(tmp_path) is False
    assert not path.exists()
    assert (tmp_path / "overlay.undone.yaml").read_bytes() == texts[0].encode()
    with pytest.raises(FileNotFoundError):
        undo(tmp_path)


def test_ten_versions_come_back_in_their_order(tmp_path: Path) -> None:
    for i in range(12):
        put(tmp_path, overlay_text(HEADER, Tally(120 + i, FOUND.rates)))
    undo(tmp_path)
    assert read(tmp_path / FILE).found.trials == 130


# -- applied ----------------------------------------------------------------------------------------------------------


def test_the_knowledge_gets_the_numbers_and_keeps_the_rest(base: SmallBase, tmp_path: Path) -> None:
    kb = base.load()
    path = put(tmp_path, overlay_text(HEADER, FOUND))
    after, told = with_overlay(kb, path)
    rates, none, look = numbers(after)
    assert told == []
    # by hand: share (100 x 20.5/120 + 60) / 220 = 0.350 of 0.171 expected, none (100 x 12.25/120 + 2) / 220 = 0.055 of 0.102;
    # all others 0.594 of 0.727; 5 x (0.350 / 0.171) / (0.594 / 0.727)
    assert rates["burr-loose"] == pytest.approx(12.55, abs=0.05)
    assert (rates["burr-worn"], rates["air-low"]) == (12, 8)
    assert none < 4
    assert 0.2 < look < 0.5
    assert numbers(kb) == ({"burr-loose": 5, "burr-worn": 12, "air-low": 8}, 4, 0.9)
    assert after.digest == f"{kb.digest}+{read(path).digest}"
    assert after.symptoms == kb.symptoms
    posts = [Compiled(k).network.posterior({"symptom:chips": [0, 1]}).cause["burr-loose"] for k in (kb, after)]
    assert posts[1] > posts[0] + 0.1


def test_numbers_kept_in_the_cache_are_the_same(
    base: SmallBase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kb, cache = base.load(), tmp_path / "cache"
    cache.mkdir()
    path = put(tmp_path, overlay_text(HEADER, FOUND))
    first, _ = with_overlay(kb, path, cache)
    kept = next(cache.iterdir())
    with monkeypatch.context() as patch:
        patch.setattr("advisor.learning.overlay.read", lambda path: pytest.fail("it was read anew"))
        again, told = with_overlay(kb, path, cache)
    assert (numbers(again), again.digest, told) == (numbers(first), first.digest, [])
    kept.write_text('{"rates": [], "shares"', "utf-8")
    assert numbers(with_overlay(kb, path, cache)[0]) == numbers(first)
    put(tmp_path, overlay_text(HEADER, Tally(120, FOUND.rates)))
    assert numbers(with_overlay(kb, path, cache)[0])[2] == 0.9


def test_an_upgrade_sets_the_counts_against_its_new_numbers(base: SmallBase, tmp_path: Path) -> None:
    path = put(tmp_path, overlay_text(HEADER, FOUND))
    old = numbers(with_overlay(base.load(), path)[0])
    look = "check: burr-look, outcome: blunt, seen: very frequent"
    base.replace("causes/burr/burr-worn.yaml", look, look.replace("very frequent", "frequent"))
    base.replace("causes/burr/burr-loose.yaml", "per_hundred: 5", "per_hundred: 10")
    kb = base.load()
    new = numbers(with_overlay(kb, path)[0])
    assert new == numbers(with_numbers(kb, numbers_of(kb, FOUND), "x"))
    assert new[2] < old[2]
    assert (
        new[0]["burr-loose"] > old[0]["burr-loose"]
    )  # the knowledge now expects more of it, and the cases show more yet


def test_what_no_longer_fits_is_left_out_and_told(base: SmallBase, tmp_path: Path) -> None:
    kb = base.load()
    gone = (
        *FOUND.links,
        LinkCount("burr-worn", "burr-smell", {"none": 4}),
        LinkCount("burr-worn", "since-when", {"always": 4, "monthly": 2}),
        LinkCount("air-low", "burr-tug", {"firm": 4}),
    )
    found = Tally(120, (*FOUND.rates, RateCount("burr-melted", 9, 1, 1)), gone)
    path = put(tmp_path, overlay_text(HEADER, found))
    kept, issues = fitting(kb, read(path))
    assert kept == FOUND
    lines = path.read_text("utf-8").splitlines()
    places = {lines[i.line - 1].split("{")[1][:30]: i.message for i in issues}
    assert [m.split(" any more")[0] for m in places.values()] == [
        "there is no cause 'burr-melted'",
        "there is no check 'burr-smell'",
        "check 'since-when' has no outcome 'monthly'",
        "'air-low' and 'burr-tug' have no link",
    ]
    after, told = with_overlay(kb, path)
    assert told == [f"{path}: 4 entries no longer fit this knowledge; to see which: advisor learn show"]
    assert numbers(after) == numbers(with_numbers(kb, numbers_of(kb, FOUND), "x"))


DAMAGE = [
    ("trials: 120", "trials: many", "'trials'", "trials: many"),
    ("cases: 60", "cases: -3", "'rates.0.cases'", "cases: -3"),
    ("cases: 60", "cases: nan", "'rates.0.cases'", "cases: nan"),
    ("cases: 60", "cases: 600", "more than the 120 of 'trials'", "overlay:"),
    ("expected: 20.5", "expcted: 20.5", "'rates.0.expected' is missing", "expcted: 20.5"),
    ("cause: burr-worn", "cause: Burr worn", "is no id", "cause: Burr worn"),
    ("rates:\n", "rates: [\n", "", None),
    ("overlay:\n", "overlay: *x\n", "not allowed", "overlay: *x"),
    (NONE, "burr-loose", "stands twice", "overlay:"),
]


@pytest.mark.parametrize(("old", "new", "message", "where"), DAMAGE)
def test_a_damaged_overlay_is_told_in_one_line_and_not_used(
    base: SmallBase, tmp_path: Path, old: str, new: str, message: str, where: str | None
) -> None:
    text = overlay_text(HEADER, FOUND)
    path = tmp_path / FILE
    path.write_text(text.replace(old, new, 1), "utf-8")
    kb = base.load()
    after, told = with_overlay(kb, path, tmp_path)
    assert after is kb
    assert len(told) == 1
    assert "\n" not in told[0]
    assert message in told[0]
    assert told[0].endswith("go back with: advisor learn undo")
    line = int(told[0].removeprefix(f"{path}:").split(":")[0])
    if where is not None:
        first = next(n for n, t in enumerate(path.read_text("utf-8").splitlines(), 1) if where in t)
        assert line in (first, 1) if where == "overlay:" else line == first


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", b"- a\n- b\n", b"just words", b"overlay: {\n" * 40])
def test_any_file_at_all_is_survived(base: SmallBase, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / FILE
    path.write_bytes(content)
    kb = base.load()
    after, told = with_overlay(kb, path)
    assert after is kb
    assert len(told) == 1
    assert told[0].startswith(f"{path}:")
    with pytest.raises(KnowledgeError):
        read(path)


# -- the knowledge as the program loads it ----------------------------------------------------------------------------


@pytest.fixture
def shipped(base: SmallBase, monkeypatch: pytest.MonkeyPatch) -> SmallBase:
    """The small base in place of the shipped one."""
    monkeypatch.setattr("advisor.load.shipped", lambda folder: base.root)
    return base


def test_the_shipped_knowledge_gets_the_overlay_unless_told_not_to(shipped: SmallBase) -> None:
    plain = advisor.knowledge().kb
    put(data_home(), overlay_text(HEADER, FOUND))
    lines: list[str] = []
    assert advisor.knowledge(tell=lines.append).kb.digest.startswith(f"{plain.digest}+")
    assert advisor.knowledge(overlay=False).kb == plain
    assert advisor.knowledge(shipped.root).kb == plain  # a folder that is named is used as it stands
    assert lines == []


def test_a_damaged_overlay_is_told_on_stderr(shipped: SmallBase, capsys: pytest.CaptureFixture[str]) -> None:
    put(data_home(), overlay_text(HEADER, FOUND).replace("trials: 120", "trials: ?"))
    assert "+" not in advisor.knowledge().kb.digest
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert f"{data_home() / FILE}:" in printed.err


# -- the commands -----------------------------------------------------------------------------------------------------

Timed = list[tuple[str, dict[str, Any]]]


def signed_case(number: int, cause: str | None, outcome: str, signed: bool = True) -> Timed:
    at = f"2026-{1 + number // 25:02d}-{1 + number % 25:02d}T08:00:00.000+00:00"
    how = "confirmed" if cause else "referred"
    events: list[dict[str, Any]] = [
        {"type": "start", "mill": "north", "technician": "Tomas", "knowledge": "x"},
        {"type": "complaint", "text": f"chips again {number}"},
        {"type": "symptom", "symptom": "chips", "present": True},
        {"type": "answer", "check": "burr-look", "outcome": outcome},
        {"type": "answer", "check": "burr-tug", "outcome": "firm" if cause == "burr-worn" else "moves"},
        {"type": "close", "how": how, **({"cause": cause} if cause else {})},
    ]
    if signed:
        events.append({"type": "review", "action": "approve", "by": "Ines"})
    return [(at, e) for e in events]


def log_of(cases: Sequence[Timed], invented: bool = False) -> Path:
    path = data_home() / "cases.db"
    path.parent.mkdir(parents=True, exist_ok=True)
    log = CaseLog(path, invented=invented)
    log.write(cases)
    log.close()
    return path


def asked(log: Path, **given: Any) -> Namespace:
    return Namespace(**{"log": str(log), "yes": False, "format": "text", "draft": None, **given})


@pytest.fixture
def log(shipped: SmallBase) -> Path:
    """Sixty signed cases in which the burr was loose three times out of four."""
    return log_of(
        [signed_case(i, "burr-worn" if i % 4 == 0 else "burr-loose", "blunt" if i % 3 else "sharp") for i in range(60)]
    )


def test_learn_only_shows_when_nobody_can_agree(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert learnwork.learn(asked(log)) == 0
    out = capsys.readouterr().out
    assert "60 signed cases; the newest 15 held out, 45 learned from." in out
    assert "Burr not clamped" in out
    assert "45 of 60" in out
    assert "Only shown. To adopt them: advisor learn --yes" in out
    assert not (data_home() / FILE).exists()


def test_learn_yes_adopts_and_undo_takes_it_back(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain = advisor.knowledge().kb
    assert learnwork.learn(asked(log, yes=True)) == 0
    learned = advisor.knowledge().kb
    assert learned.causes["burr-loose"].prior.per_hundred > 10
    first = (data_home() / FILE).read_bytes()
    capsys.readouterr()
    assert learnwork.learn_show(asked(log)) == 0
    shown = capsys.readouterr().out
    assert "from 60 signed cases" in shown
    assert "Burr not clamped" in shown
    assert learnwork.learn(asked(log, yes=True)) == 0  # the same cases again: nothing is counted twice
    assert advisor.knowledge().kb == learned
    assert learnwork.learn_undo(asked(log)) == 0
    assert (data_home() / FILE).read_bytes() == first
    assert learnwork.learn_undo(asked(log)) == 0
    assert advisor.knowledge().kb == plain
    with pytest.raises(Stop, match="nothing to take back"):
        learnwork.learn_undo(asked(log))
    with pytest.raises(Stop, match="Nothing learned is in force"):
        learnwork.learn_show(asked(log))


def test_learn_as_json(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    learnwork.learn(asked(log, format="json"))
    data = json.loads(capsys.readouterr().out)
    assert (data["cases"], data["held_out"], data["adopted"]) == (60, 15, False)
    assert data["best"] in ("rates", "both")
    loose = next(c for c in data["changes"] if c["cause"] == "burr-loose" and c["check"] is None)
    assert loose["low"] < loose["new"] < loose["high"]
    assert (loose["old"], loose["cases"], loose["of"]) == (5, 45, 60)


def test_unsigned_cases_are_not_learned_from(shipped: SmallBase) -> None:
    path = log_of([signed_case(i, "burr-loose", "sharp", signed=i < 12) for i in range(60)])
    with pytest.raises(Stop, match="12 signed cases say too little yet: learning needs 40"):
        learnwork.learn(asked(path))


def test_nothing_is_adopted_from_invented_cases(shipped: SmallBase, capsys: pytest.CaptureFixture[str]) -> None:
    path = log_of([signed_case(i, "burr-loose", "sharp") for i in range(48)], invented=True)
    assert learnwork.learn(asked(path, yes=True)) == 0
    assert "invented: nothing is adopted" in capsys.readouterr().out
    assert not (data_home() / FILE).exists()


def test_show_tells_what_the_new_knowledge_does_not_hold(
    shipped: SmallBase, capsys: pytest.CaptureFixture[str]
) -> None:
    put(data_home(), overlay_text(HEADER, Tally(120, (*FOUND.rates, RateCount("burr-melted", 9, 1, 1)))))
    assert learnwork.learn_show(Namespace(format="text")) == 0
    out = capsys.readouterr().out
    assert "The knowledge has changed since" in out
    assert "left out: there is no cause 'burr-melted' any more" in " ".join(out.split())


# -- cases without a known cause --------------------------------------------------------------------------------------


def test_cases_without_a_known_cause_are_grouped_by_what_was_found(
    shipped: SmallBase, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cases = [signed_case(i, "burr-worn", "blunt") for i in range(6)]
    cases += [signed_case(10 + i, None, "blunt", signed=i == 0) for i in range(3)]  # chips, blunt, moves
    odd = signed_case(20, None, "sharp")
    odd[2] = (odd[2][0], {"type": "symptom", "symptom": "slow-cut", "present": True})
    del odd[3:5]
    path = log_of([*cases, odd])
    assert learnwork.learn_unknowns(asked(path, draft=str(tmp_path / "drafts"))) == 0
    out = capsys.readouterr().out
    assert "4 of 10 closed cases ended without a known cause." in out
    assert "Group 1: 3 cases, on average 100% of their findings in common" in out
    assert "3 of 3  Hold of the burr: moves or turns" in out
    assert "Group 2" not in out
    made = tmp_path / "drafts" / "causes" / "burr" / "unlisted-chips.yaml"
    text = made.read_text("utf-8")
    assert "{check: burr-tug, outcome: moves, seen: 3/3, evidence: counted," in text
    assert "per_hundred: 30" in text
    assert (made.parent / "unlisted-chips.cases.yaml").exists()
    # filled in, it is a cause of the knowledge
    filled = (
        text.replace("source: TODO", "source: geometry")
        .replace("remedy: TODO", "remedy: clamp-burr")
        .replace("TODO ", "")
    )
    shipped.write("causes/burr/unlisted-chips.yaml", filled)
    assert shipped.load().causes["unlisted-chips"].prior.per_hundred == 30
    # nothing is written over
    learnwork.learn_unknowns(asked(path, draft=str(tmp_path / "drafts")))
    assert made.read_text("utf-8") == text
    assert "id: unlisted-chips-2\n" in (made.parent / "unlisted-chips-2.yaml").read_text("utf-8")


def test_two_alike_are_no_group(shipped: SmallBase, capsys: pytest.CaptureFixture[str]) -> None:
    path = log_of([signed_case(i, None, "blunt") for i in range(2)])
    assert learnwork.learn_unknowns(asked(path)) == 0
    assert "nothing to write up yet" in " ".join(capsys.readouterr().out.split())
