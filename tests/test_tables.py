"""The plain-tables interface: evidence in and out, repairs tried, error texts, and a published circuit."""

from __future__ import annotations

import itertools
import math

import pytest

from advisor.belief import EvidenceError
from advisor.tables import TableModel, Test


@pytest.fixture
def model() -> TableModel:
    """Two independent causes (0.1, 0.2); `chips` is H6's first finding, `sound` has three outcomes."""
    return TableModel(
        {"worn": 0.1, "dirty": 0.2},
        {
            "chips": Test(["no", "yes"], 1, [0.99, 0.01], {"worn": [0.2, 0.8], "dirty": [0.5, 0.5]}),
            "dust": Test(["no", "yes"], 2, [0.98, 0.02], {"worn": [0.7, 0.3], "dirty": [0.4, 0.6]}),
            "sound": Test(["even", "rough", "loud"], 3, [1, 0, 0], {"worn": [0.1, 0.6, 0.3]}),
        },
        {"change": (6, {"worn": 0.8}), "clean": (20, {"dirty": 1.0})},
    )


# -- evidence ---------------------------------------------------------------------------------------------------------


def test_without_evidence_the_priors_stand(model: TableModel) -> None:
    assert model.posteriors() == pytest.approx({"worn": 0.1, "dirty": 0.2})


def test_observing_gives_the_published_posteriors(model: TableModel) -> None:
    """Noisy-OR of Heckerman's Quickscore (1989, from memory), worked by hand: f0+ and then f1-."""
    model.observe("chips", "yes")
    assert model.posteriors() == pytest.approx({"worn": 0.455846, "dirty": 0.604171}, abs=1e-6)
    model.observe("dust", "no")
    assert model.posteriors() == pytest.approx({"worn": 0.534205, "dirty": 0.442757}, abs=1e-6)


def test_a_second_outcome_replaces_the_first_and_forgetting_takes_it_back(model: TableModel) -> None:
    model.observe("chips", "no")
    model.observe("chips", "yes")
    assert model.posteriors()["worn"] == pytest.approx(0.455846, abs=1e-6)
    model.forget("chips")
    model.forget("chips")
    assert model.posteriors() == pytest.approx({"worn": 0.1, "dirty": 0.2})


def test_soft_evidence_weighs_the_outcomes(model: TableModel) -> None:
    """Weights 1 : 2 : 4, by hand: worn 0.1 x (0.1 x 1 + 0.6 x 2 + 0.3 x 4), not worn 0.9 x 1 (always even)."""
    model.observe("sound", {"even": 1, "rough": 2, "loud": 4})
    worn, rest = 0.1 * (0.1 + 1.2 + 1.2), 0.9
    assert model.posteriors()["worn"] == pytest.approx(worn / (worn + rest))
    scaled = model.posteriors()
    model.observe("sound", {"even": 0.1, "rough": 0.2, "loud": 0.4})
    assert model.posteriors() == pytest.approx(scaled)


def test_an_outcome_left_out_of_soft_evidence_is_ruled_out(model: TableModel) -> None:
    model.observe("sound", {"rough": 1, "loud": 1})
    assert model.posteriors()["worn"] == pytest.approx(1)


def test_equal_weights_say_nothing(model: TableModel) -> None:
    model.observe("chips", {"no": 0.5, "yes": 0.5})
    assert model.posteriors() == pytest.approx({"worn": 0.1, "dirty": 0.2})


# -- repairs ----------------------------------------------------------------------------------------------------------


def test_a_repair_that_did_not_help_rules_out_what_it_would_have_cured(model: TableModel) -> None:
    """Weights of the sets none, worn, dirty, both: 0.72, 0.08 x (1 - 0.8), 0.18, 0.02; it cures `both` not whole."""
    model.repaired("change", helped=False)
    total = 0.72 + 0.016 + 0.18 + 0.02
    assert model.posteriors() == pytest.approx({"worn": 0.036 / total, "dirty": 0.20 / total})


def test_a_repair_that_helped_points_to_what_it_cures(model: TableModel) -> None:
    """One in twenty gets well by itself: weights 0.05 + 0.95 x 0.8 for `worn` alone, 0.05 for the other sets."""
    model.repaired("change", helped=True)
    worn = 0.08 * (0.05 + 0.95 * 0.8)
    total = 0.72 * 0.05 + worn + 0.18 * 0.05 + 0.02 * 0.05
    assert model.posteriors()["worn"] == pytest.approx((worn + 0.02 * 0.05) / total)


def test_what_was_done_is_not_offered_again(model: TableModel) -> None:
    model.observe("chips", "yes")
    model.repaired("change", helped=False)
    offered = {s.id for s in model.steps()}
    assert not offered & {"chips", "change"}
    assert {"dust", "clean", "refer"} <= offered


def test_steps_come_by_expected_cost_and_the_first_is_next(model: TableModel) -> None:
    model.observe("chips", "yes")
    steps = model.steps()
    assert [s.expected for s in steps] == sorted(s.expected for s in steps)
    assert model.next_step() == steps[0]
    assert {s.kind for s in steps} == {"check", "remedy", "refer"}


def test_referral_costs_what_was_said() -> None:
    model = TableModel({"worn": 0.1}, {}, refer_cost=77)
    assert (model.next_step().kind, model.next_step().expected) == ("refer", 77)


def test_a_single_fault_shares_out_all_of_the_probability() -> None:
    """Priors are weights then: 0.3 to 0.1 with likelihoods 0.2 and 0.9."""
    sure = TableModel(
        {"a": 0.3, "b": 0.1},
        {"look": Test(["no", "yes"], 1, [1, 0], {"a": [0.8, 0.2], "b": [0.1, 0.9]})},
        single_fault=True,
    )
    assert sure.posteriors() == pytest.approx({"a": 0.75, "b": 0.25})
    sure.observe("look", "yes")
    assert sure.posteriors() == pytest.approx({"a": 0.06 / 0.15, "b": 0.09 / 0.15})


# -- errors -----------------------------------------------------------------------------------------------------------


def test_unknown_tests_and_outcomes_are_refused_by_name(model: TableModel) -> None:
    with pytest.raises(EvidenceError, match="there is no test 'smell'"):
        model.observe("smell", "bad")
    with pytest.raises(EvidenceError, match="test 'sound' has no outcome 'shrill': even, rough, loud"):
        model.observe("sound", "shrill")
    with pytest.raises(EvidenceError, match="test 'sound' has no outcome 'shrill'"):
        model.observe("sound", {"even": 1, "shrill": 1})
    assert model.posteriors() == pytest.approx({"worn": 0.1, "dirty": 0.2})


@pytest.mark.parametrize("weights", [{"no": 0.0}, {"no": -1.0, "yes": 2.0}, {"no": math.nan}])
def test_weights_that_are_none_are_refused(model: TableModel, weights: dict[str, float]) -> None:
    model.observe("chips", weights)
    with pytest.raises(EvidenceError, match="'chips' needs 2 weights of at least 0"):
        model.posteriors()


def test_findings_the_model_gives_no_chance_are_refused() -> None:
    only = TableModel({"worn": 0.1}, {"look": Test(["no", "yes"], 1, [1, 0])})
    only.observe("look", "yes")
    with pytest.raises(EvidenceError, match="contradict each other"):
        only.posteriors()


def test_an_unknown_repair_is_refused(model: TableModel) -> None:
    with pytest.raises(KeyError, match="polish"):
        model.repaired("polish", helped=True)


@pytest.mark.parametrize(
    ("prior", "leak", "row", "says"),
    [
        (1.2, [0.9, 0.1], [0.5, 0.5], "prior of 'worn' is 1.2: give a probability from 0 to 1"),
        (math.nan, [0.9, 0.1], [0.5, 0.5], "give a probability from 0 to 1"),
        (0.1, [0.9, 0.2], [0.5, 0.5], "leak of 'look': probabilities must be at least 0 and sum to 1"),
        (0.1, [0.9, 0.1], [1.5, -0.5], "'worn' on 'look': probabilities must be at least 0 and sum to 1"),
        (0.1, [0.9, 0.1], [0.5, 0.3, 0.2], "'worn' on 'look': give 2 probabilities, one a level"),
    ],
)
def test_tables_that_are_no_probabilities_are_refused(
    prior: float, leak: list[float], row: list[float], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        TableModel({"worn": prior}, {"look": Test(["no", "yes"], 1, leak, {"worn": row})})


def test_a_test_of_an_unknown_cause_is_refused() -> None:
    with pytest.raises(KeyError, match="bent"):
        TableModel({"worn": 0.1}, {"look": Test(["no", "yes"], 1, [0.9, 0.1], {"bent": [0.5, 0.5]})})


@pytest.mark.parametrize(("cures", "error"), [({"bent": 1.0}, KeyError), ({"worn": 1.5}, ValueError)])
def test_a_repair_of_an_unknown_cause_or_with_no_probability_is_refused(
    cures: dict[str, float], error: type[Exception]
) -> None:
    with pytest.raises(error):
        TableModel({"worn": 0.1}, {}, {"change": (6, cures)})


# -- the polybox ------------------------------------------------------------------------------------------------------

PARTS = ("M1", "M2", "M3", "A1", "A2")


def explains(broken: set[str]) -> bool:
    """Can the sound parts give F = 10 and G = 12 from A 3, B 2, C 2, D 3, E 3, whatever the broken ones put out?

    X = A C, Y = B D, Z = C E, F = X + Y, G = Y + Z. A broken part's output is free; numbers up to 30 are enough here.
    """
    free = range(31)
    for x, y, z in itertools.product(
        free if "M1" in broken else [6], free if "M2" in broken else [6], free if "M3" in broken else [6]
    ):
        if ("A1" in broken or x + y == 10) and ("A2" in broken or y + z == 12):
            return True
    return False


@pytest.fixture
def polybox() -> TableModel:
    """De Kleer & Williams 1987: every set of broken parts is a hypothesis of its own, each part broken with 0.01.

    `outputs` is seen or not, by whether the set explains it. A probe reads 6 behind a sound multiplier; behind a broken
    one anything else.
    """
    sets = [s for k in range(6) for s in itertools.combinations(PARTS, k)]
    name = {s: "+".join(s) or "none" for s in sets}

    def probe(part: str) -> Test:
        return Test(["6", "other"], 1, [1, 0], {name[s]: [0, 1] if part in s else [1, 0] for s in sets})

    tests = {"X": probe("M1"), "Y": probe("M2"), "Z": probe("M3")}
    tests["outputs"] = Test(
        ["other", "F10 G12"], 0, [1, 0], {name[s]: [0, 1] if explains(set(s)) else [1, 0] for s in sets}
    )
    model = TableModel(
        {name[s]: 0.01 ** len(s) * 0.99 ** (5 - len(s)) for s in sets},
        tests,
        {f"replace {name[s]}": (30 * len(s), {name[s]: 1.0}) for s in sets if s},
        refer_cost=600,
        single_fault=True,
    )
    model.observe("outputs", "F10 G12")
    return model


def test_polybox_posteriors(polybox: TableModel) -> None:
    """27 of the 32 sets explain the outputs; minimal ones M1, A1, M2+A2, M2+M3 (from memory, and by brute force)."""
    post = polybox.posteriors()
    left = {frozenset(name.split("+")) for name, p in post.items() if p > 0}
    assert len(left) == 27
    minimal = {s for s in left if not any(other < s for other in left)}
    assert minimal == {frozenset(s) for s in ({"M1"}, {"A1"}, {"M2", "A2"}, {"M2", "M3"})}
    assert (post["M1"], post["A1"]) == pytest.approx((0.4780, 0.4780), abs=5e-5)
    broken = {part: sum(p for name, p in post.items() if part in name) for part in PARTS}
    expected = {"M1": 0.4976, "A1": 0.4976, "M2": 0.0196, "M3": 0.0148, "A2": 0.0148}
    assert broken == pytest.approx(expected, abs=5e-5)


def test_polybox_is_probed_first_at_x(polybox: TableModel) -> None:
    """X tells M1 from A1, which hold nearly all of the probability; Y and Z hardly tell anything."""
    assert polybox.next_step().id == "X"
    polybox.observe("X", "6")
    assert polybox.next_step().id == "replace A1"
    polybox.observe("X", "other")
    assert polybox.next_step().id == "replace M1"
