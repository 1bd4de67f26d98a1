"""Which links the next step hangs on: found where by hand it can only be one of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_base import SmallBase, write_base, write_pair

from advisor.compiled import Compiled
from advisor.sensitivity import moments, neighbours, sensitivity

LOOSE, WORN = "causes/burr/burr-loose.yaml", "causes/burr/burr-worn.yaml"
TUG = "outcome: moves, seen: frequent"


@pytest.fixture
def pair(tmp_path: Path) -> SmallBase:
    return write_pair(tmp_path)


def shown(rows: list[dict[str, object]]) -> list[tuple[object, object]]:
    return [(row["cause"], row["shows"]) for row in rows]


def test_the_link_that_alone_decides_is_found_first(pair: SmallBase) -> None:
    # See small_base: the check is worth 10 q minutes and costs 2.8. At the beginning it is the next step for q = 0.5 and
    # 0.9 and not for 0.2; after its answer nothing hangs on it. So a quarter of its trials change the step, and none of
    # those of the other links do: chips in half of the cases of either cause leave 3.4 minutes or more.
    first, *rest = rows = sensitivity(Compiled(pair.load()), cases=3)
    assert len(rows) == 4
    assert (first["cause"], first["shows"], first["seen"], first["evidence"]) == ("burr-loose", "burr-tug: moves", "frequent", "judged")  # fmt: skip
    assert (first["in_play"], first["changed"], first["weight"]) == (6, 0.25, 1.5)
    assert [row["weight"] for row in rest] == [0, 0, 0]


def test_a_counted_link_is_moved_to_the_classes_around_its_count(pair: SmallBase) -> None:
    # 3 of 8 count as (3 + 1) / (8 + 2) = 0.4: still worth 4 minutes, and 2 in the class below, 5 in the one above.
    pair.replace(LOOSE, TUG, "outcome: moves, seen: 3/8, evidence: counted")
    first, *_ = sensitivity(Compiled(pair.load()), cases=3)
    assert (first["cause"], first["shows"], first["seen"], first["evidence"]) == ("burr-loose", "burr-tug: moves", "3/8", "counted")  # fmt: skip
    assert first["changed"] == 0.25


def test_where_nothing_is_close_nothing_changes(pair: SmallBase) -> None:
    pair.replace("checks.yaml", "minutes: 2.8", "minutes: 0.1")
    assert {row["changed"] for row in sensitivity(Compiled(pair.load()), cases=3)} == {0}


def test_no_more_links_are_tried_or_told_than_asked_for(pair: SmallBase) -> None:
    compiled = Compiled(pair.load())
    told: list[tuple[int, int]] = []
    assert len(sensitivity(compiled, cases=2, links=3, progress=lambda *at: told.append(at))) == 3
    assert told[-1] == (5, 5)
    assert shown(sensitivity(compiled, cases=2, count=1)) == [("burr-loose", "burr-tug: moves")]


def test_a_link_that_would_be_more_than_certain_is_not_moved_up(pair: SmallBase) -> None:
    # Half of the loose burrs move and half turn: one of them very frequent would make 1.4.
    pair.replace("checks.yaml", "background: never}", "background: never}\n      - {id: turns, label: turns, background: never}")  # fmt: skip
    pair.replace(LOOSE, "remedies:\n", "  - {check: burr-tug, outcome: turns, seen: frequent, because: nothing holds it, source: geometry}\nremedies:\n")  # fmt: skip
    rows = sensitivity(Compiled(pair.load()), cases=2)
    assert ("burr-loose", "burr-tug: turns") in shown(rows)


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        ("always", ["very frequent"]),
        ("very frequent", ["frequent", "always"]),
        ("occasional", ["very rare", "frequent"]),
        ("very rare", ["occasional"]),  # a link that is never seen is none
        ("never", ["very rare"]),
        ("3/8", ["occasional", "frequent"]),  # 0.4
        ("0/3", ["very rare", "frequent"]),  # 0.2, just what occasional stands for
        ("0/98", ["very rare"]),  # 0.01
        ("98/98", ["very frequent", "always"]),  # 0.99
    ],
)
def test_the_neighbours_of_a_frequency_are_the_classes_next_to_it(
    pair: SmallBase, seen: str, expected: list[str]
) -> None:
    assert neighbours(Compiled(pair.load()), seen) == expected


def test_a_case_is_looked_at_from_its_beginning_and_some_answers_on(tmp_path: Path) -> None:
    compiled = Compiled(write_base(tmp_path).load())
    found = [moments(compiled, seed) for seed in range(4)]
    assert found == [moments(compiled, seed) for seed in range(4)]
    for first, *later in found:
        assert {e["type"] for e in first.events} == {"symptom"}
        assert all(m.events[: len(first.events)] == first.events and len(m.events) > len(first.events) for m in later)
    assert any(later for _, *later in found)
    links = {link for m in found[0] for link in m.links}
    assert links <= {(cause, i) for cause, i, _ in ((c.id, i, x) for c, i, x in compiled.kb.links())}
    assert links
