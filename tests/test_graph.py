"""The graph of causes, symptoms and checks."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_base import SmallBase, write_base

from advisor.graph import cause_graph, inseparable, rivals

LOOSE, WORN = "causes/burr/burr-loose.yaml", "causes/burr/burr-worn.yaml"


@pytest.fixture
def base(tmp_path: Path) -> SmallBase:
    return write_base(tmp_path)


def test_causes_that_share_a_symptom_are_rivals_and_others_are_not(base: SmallBase) -> None:
    assert list(rivals(base.load())) == [("air-low", "burr-worn"), ("burr-loose", "burr-worn")]


def test_a_shared_check_alone_makes_no_rivals(base: SmallBase) -> None:
    base.replace(LOOSE, "symptom: chips, seen: frequent", "symptom: slow-cut, seen: frequent")
    base.replace(WORN, "  - {symptom: slow-cut, seen: frequent, because: the mill lowers its feed, source: common-practice}\n", "")  # fmt: skip
    assert list(rivals(base.load())) == [("air-low", "burr-loose")]


def test_rivals_parted_by_a_check_are_separable_up_to_its_ratio(base: SmallBase) -> None:
    # By hand. The gauge reads ok with 1 - 0.9 = 0.1 of air-low's own draw and 1 - 0.2 = 0.8 of the background, so
    # with 0.1 * 0.8 = 0.08 under air-low and 0.8 under burr-worn: 10. The tug moves with 0.02 of the background and
    # 1 - 0.1 * 0.98 = 0.902 under burr-loose: 45.1.
    kb = base.load()
    assert list(inseparable(kb, ratio=9.9)) == []
    assert list(inseparable(kb, ratio=10.1)) == [("air-low", "burr-worn", pytest.approx(10))]
    assert list(inseparable(kb, ratio=45)) == [("air-low", "burr-worn", pytest.approx(10))]
    assert list(inseparable(kb, ratio=46))[1] == ("burr-loose", "burr-worn", pytest.approx(45.1))


def test_rivals_with_one_check_in_common_part_by_the_ratio_worked_by_hand(base: SmallBase) -> None:
    base.replace(LOOSE, "check: burr-tug, outcome: moves, seen: very frequent", "check: burr-look, outcome: blunt, seen: frequent")  # fmt: skip
    base.replace(WORN, "outcome: gradual", "outcome: sudden")
    # A look misses 0.1. burr-worn: draw of sharp 1 - 0.9 * 0.9 = 0.19, times background 0.9 = 0.171.
    # burr-loose: 1 - 0.5 * 0.9 = 0.55, times 0.9 = 0.495. Sharp: 0.495 / 0.171 = 2.8947; blunt: 0.829 / 0.505 = 1.642.
    found = list(inseparable(base.load(), ratio=5))
    assert found == [("burr-loose", "burr-worn", pytest.approx(0.495 / 0.171))]


def test_rivals_that_show_the_same_in_every_check_have_the_ratio_one(base: SmallBase) -> None:
    base.replace(LOOSE, "check: burr-tug, outcome: moves", "check: burr-look, outcome: blunt")
    base.replace(WORN, "outcome: gradual", "outcome: sudden")
    assert list(inseparable(base.load(), ratio=1.01)) == [("burr-loose", "burr-worn", pytest.approx(1))]


def test_a_ratio_between_two_rare_outcomes_parts_nobody(base: SmallBase) -> None:
    # moves under burr-loose: very rare, 1 - 0.98 * 0.98 = 0.0396 against 0.02: below 0.1, so only firm counts,
    # 0.98 / 0.9604 = 1.0204. The other checks are alike.
    base.replace(LOOSE, "outcome: moves, seen: very frequent", "outcome: moves, seen: very rare")
    base.replace(LOOSE, "  - {check: since-when", "  - {check: burr-look, outcome: blunt, seen: very frequent, because: it rubs, source: geometry}\n  - {check: since-when")  # fmt: skip
    base.replace(WORN, "outcome: gradual", "outcome: sudden")
    assert list(inseparable(base.load(), ratio=1.9)) == [("burr-loose", "burr-worn", pytest.approx(0.98 / 0.9604))]


def test_the_graph_leads_from_each_cause_to_its_symptoms_checks_and_remedies(base: SmallBase) -> None:
    graph = cause_graph(base.load())
    assert set(graph.successors(("cause", "burr-loose"))) == {
        ("symptom", "chips"),
        ("check", "burr-tug"),
        ("check", "since-when"),
        ("remedy", "clamp-burr"),
    }
    assert set(graph.predecessors(("symptom", "slow-cut"))) == {("cause", "burr-worn"), ("cause", "air-low")}
    assert graph[("cause", "air-low")][("check", "air-gauge")] == {0: {"outcome": "low", "seen": "very frequent"}}
    assert graph[("cause", "air-low")][("symptom", "slow-cut")][0]["outcome"] is None
    assert graph[("cause", "air-low")][("remedy", "raise-air")][0]["seen"] == "frequent"
    assert {kind for kind, _ in graph} == {"cause", "symptom", "check", "remedy"}
    assert all(start[0] == "cause" for start, _ in graph.edges())
    assert graph.number_of_edges() == 5 + 4 + 4  # burr-worn, burr-loose, air-low


def test_two_outcomes_of_one_check_are_two_edges(base: SmallBase) -> None:
    base.replace(LOOSE, "remedies:\n", "  - {check: since-when, outcome: gradual, seen: very rare, because: it slips, source: geometry}\nremedies:\n")  # fmt: skip
    edges = cause_graph(base.load())[("cause", "burr-loose")][("check", "since-when")]
    assert {e["outcome"]: e["seen"] for e in edges.values()} == {"sudden": "frequent", "gradual": "very rare"}


def test_a_symptom_that_no_cause_shows_stands_alone(base: SmallBase) -> None:
    base.replace("symptoms.yaml", "  - id: slow-cut", "  - id: noise\n    title: It is loud\n    family: margins\n    say: [loud, squeals, howls]\n    ask: Is it loud?\n  - id: slow-cut")  # fmt: skip
    assert cause_graph(base.load()).degree(("symptom", "noise")) == 0
