"""The planner against brute force, against exact dynamic programming, and at its edges."""

from __future__ import annotations

import itertools
import random
from collections.abc import Mapping, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.belief import Configurations, Network
from advisor.optimum import SmallProblem
from advisor.planner import CheckOption, Plan, Repair, Step, plan
from advisor.tables import TableModel, Test

Rows = Mapping[str, tuple[Sequence[str], Mapping[str, Sequence[float]]]]


def one_fault(shares: Mapping[str, float], findings: Rows | None = None) -> Configurations:
    """Rows for exactly one active cause with these shares: rare causes, and a symptom that only they can make."""
    net = Network({cause: share * 1e-9 for cause, share in shares.items()})
    net.add_finding("trouble", ["no", "yes"], [1, 0], {cause: [0, 1] for cause in shares})
    for name, (levels, rows) in (findings or {}).items():
        net.add_finding(name, levels, [1] + [0] * (len(levels) - 1), rows)
    evidence = {"trouble": [0.0, 1.0]}
    return net.configurations(evidence, net.posterior(evidence), mass=1 - 1e-6)


def step(found: Plan, name: str) -> Step:
    return next(s for s in found.steps if s.id == name)


def cost_of(order: Sequence[int], p: Sequence[float], c: Sequence[float], refer: float = 0.0) -> float:
    """Expected cost of trying repairs in this order, then referring what is left: written from the definition."""
    total, left = 0.0, 1.0
    for i in order:
        total += left * c[i]
        left -= p[i]
    return total + max(left, 0.0) * refer


def random_repairs(rng: random.Random, n: int) -> tuple[list[float], list[float]]:
    w = [rng.uniform(0.1, 1.0) for _ in range(n)]
    return [x / sum(w) for x in w], [rng.uniform(2, 30) for _ in range(n)]


# -- repairs alone ----------------------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**9))
def test_repairs_in_p_over_c_order_are_the_best_of_all_permutations(seed: int) -> None:
    """Kadane & Simon 1977: one fault, independent costs, testable repairs."""
    p, c = random_repairs(random.Random(seed), 5)
    rows = one_fault({f"c{i}": x for i, x in enumerate(p)})
    found = plan(rows, [], [Repair(f"r{i}", c[i], {f"c{i}": 1.0}) for i in range(5)], refer_minutes=1e4)
    best = min(cost_of(order, p, c) for order in itertools.permutations(range(5)))
    assert found.now == pytest.approx(best, rel=1e-5)
    assert cost_of([int(r[1:]) for r in found.repairs], p, c) == pytest.approx(best, rel=1e-9)
    assert found.steps[0].expected == pytest.approx(best, rel=1e-5)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**9), st.floats(5, 80))
def test_referral_comes_where_no_other_stopping_place_is_cheaper(seed: int, refer: float) -> None:
    """Referral is the repair that always ends the case: best over every order of every subset of the repairs."""
    p, c = random_repairs(random.Random(seed), 4)
    rows = one_fault({f"c{i}": x for i, x in enumerate(p)})
    found = plan(rows, [], [Repair(f"r{i}", c[i], {f"c{i}": 1.0}) for i in range(4)], refer_minutes=refer)
    orders = [order for k in range(5) for order in itertools.permutations(range(4), k)]
    best = min(cost_of(order, p, c, refer) for order in orders)
    assert found.now == pytest.approx(best, rel=1e-5)
    assert found.steps[0].expected == pytest.approx(best, rel=1e-5)


def single_fault_model(p: Sequence[float], c: Sequence[float]) -> TableModel:
    return TableModel(
        {f"c{i}": x for i, x in enumerate(p)},
        {},
        {f"r{i}": (c[i], {f"c{i}": 1.0}) for i in range(len(p))},
        refer_cost=1e4,
        single_fault=True,
    )


def test_published_form_of_the_ordering_problem() -> None:
    """ECR = sum of c_i (1 - sum of earlier p_j) (Heckerman, Breese & Rommelse 1995). p (.5, .3, .2), c (10, 2, 4):
    ratios .05, .15, .05, best 9.8, worst 12.6, worked by hand."""
    p, c = (0.5, 0.3, 0.2), (10, 2, 4)
    every = [cost_of(order, p, c) for order in itertools.permutations(range(3))]
    assert [min(every), max(every)] == pytest.approx([9.8, 12.6])
    first = single_fault_model(p, c).next_step()
    assert first.id == "r1"
    assert first.probability == pytest.approx(0.3)
    assert first.expected == pytest.approx(9.8)


@pytest.mark.parametrize("seed", range(5))
def test_tables_with_a_single_fault_cost_what_the_best_permutation_costs(seed: int) -> None:
    p, c = random_repairs(random.Random(seed), 5)
    first = single_fault_model(p, c).next_step()
    order = min(itertools.permutations(range(5)), key=lambda o: cost_of(o, p, c))
    assert first.id == f"r{order[0]}"
    assert first.expected == pytest.approx(cost_of(order, p, c), rel=1e-9)


def test_repairs_that_may_fail_are_ordered_by_their_chance_to_cure() -> None:
    """P(cured) / cost decides: 0.4 / 10 comes after 0.5 / 10. Right order 10 + 0.5 (10 + 0.2 x 100) = 25, wrong 26."""
    rows = one_fault({"a": 0.5, "b": 0.5})
    found = plan(rows, [], [Repair("ra", 10, {"a": 0.8}), Repair("rb", 10, {"b": 1.0})], refer_minutes=100)
    assert found.repairs == ["rb", "ra"]
    assert found.now == pytest.approx(25, rel=1e-5)


def test_a_repair_that_failed_is_not_counted_on_a_second_time() -> None:
    """One cause, one repair of 10 minutes that cures 4 of 5, then referral at 100: 10 + 0.2 x 100 = 30."""
    found = plan(one_fault({"a": 1.0}), [], [Repair("ra", 10, {"a": 0.8})], refer_minutes=100)
    assert found.now == pytest.approx(30, rel=1e-5)
    assert step(found, "ra").expected == pytest.approx(30, rel=1e-5)


# -- exact dynamic programming ----------------------------------------------------------------------------------------

CAUSES, QUESTIONS = 5, 6


def problem(seed: int) -> SmallProblem:
    """One fault, perfect repairs, binary questions, at random."""
    rng = random.Random(seed)
    weights = [rng.random() + 0.05 for _ in range(CAUSES)]
    repair = [rng.uniform(2, 30) for _ in range(CAUSES)]
    question = [rng.uniform(0.5, 6) for _ in range(QUESTIONS)]
    yes = [[min(max(rng.betavariate(0.4, 0.4), 0.02), 0.98) for _ in range(CAUSES)] for _ in range(QUESTIONS)]
    return SmallProblem(weights, repair, question, yes)


def test_planner_costs_little_more_than_the_exact_optimum() -> None:
    loss = [p.planned() / p.optimum() - 1 for p in map(problem, range(20))]
    assert min(loss) > -1e-9
    assert sum(loss) / len(loss) <= 0.02
    assert max(loss) <= 0.08


# -- shared preparations ----------------------------------------------------------------------------------------------

TWO = {"a": 0.5, "b": 0.5}
TELLS = {"look": (["a", "b"], {"a": [1.0, 0.0], "b": [0.0, 1.0]})}


def two_repairs(prep: str = "open") -> list[Repair]:
    return [Repair("ra", 10, {"a": 1.0}, (prep,)), Repair("rb", 10, {"b": 1.0}, (prep,))]


def test_a_preparation_two_repairs_share_is_paid_once() -> None:
    found = plan(one_fault(TWO), [], two_repairs(), refer_minutes=1e4, prep_minutes={"open": 6})
    assert found.now == pytest.approx(6 + 10 + 0.5 * 10, rel=1e-5)
    assert step(found, "ra").minutes == pytest.approx(16)
    assert step(found, "ra").expected == pytest.approx(21, rel=1e-5)


def test_a_preparation_already_made_costs_nothing() -> None:
    found = plan(
        one_fault(TWO), [], two_repairs(), refer_minutes=1e4, prep_minutes={"open": 6}, done=frozenset({"open"})
    )
    assert found.now == pytest.approx(15, rel=1e-5)
    assert step(found, "ra").minutes == pytest.approx(10)


@pytest.mark.parametrize(("breaks", "expected"), [({}, 1 + 2 + 10), ({"cut": ["open"]}, 1 + 2 + 6 + 10)])
def test_a_preparation_the_check_breaks_is_charged_again(breaks: dict[str, list[str]], expected: float) -> None:
    found = plan(
        one_fault(TWO, TELLS),
        [CheckOption("look", 1, ("cut",))],
        two_repairs(),
        refer_minutes=1e4,
        prep_minutes={"open": 6, "cut": 2},
        done=frozenset({"open"}),
        breaks=breaks,
    )
    assert step(found, "look").minutes == pytest.approx(3)
    assert step(found, "look").expected == pytest.approx(expected, rel=1e-5)


def test_a_check_that_makes_the_repairs_preparation_saves_it_later() -> None:
    found = plan(
        one_fault(TWO, TELLS),
        [CheckOption("look", 1, ("open",))],
        two_repairs(),
        refer_minutes=1e4,
        prep_minutes={"open": 6},
    )
    assert found.steps[0].id == "look"
    assert found.steps[0].expected == pytest.approx(6 + 1 + 10, rel=1e-5)


@pytest.mark.xfail(
    strict=True, reason="planner._Costs.ecr pays each preparation once: repairs do not undo each other's"
)
def test_a_preparation_another_repair_breaks_is_charged_again() -> None:
    """a and c need the cover open (6), b needs the mill cutting (2), which shuts it. Best order a, c, b:
    16 + 2/3 x 20 + 1/3 x 17 = 35. The order a, b, c costs 16 + 2/3 x 17 + 1/3 x 26 = 36, not 34."""
    third = 1 / 3
    found = plan(
        one_fault({"a": third, "b": third, "c": third}),
        [],
        [
            Repair("ra", 10, {"a": 1.0}, ("open",)),
            Repair("rb", 15, {"b": 1.0}, ("cut",)),
            Repair("rc", 20, {"c": 1.0}, ("open",)),
        ],
        refer_minutes=1e4,
        prep_minutes={"open": 6, "cut": 2},
        breaks={"cut": ["open"]},
    )
    assert found.now >= 35 - 1e-3


# -- what a check is worth --------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**9), st.floats(0.5, 20))
def test_a_check_that_tells_nothing_is_never_first(seed: int, minutes: float) -> None:
    rng = random.Random(seed)
    p, c = random_repairs(rng, 4)
    yes = rng.random()
    rows = one_fault(
        {f"c{i}": x for i, x in enumerate(p)},
        {"idle": (["no", "yes"], {f"c{i}": [1 - yes, yes] for i in range(4)})},
    )
    repairs = [Repair(f"r{i}", c[i], {f"c{i}": 1.0}) for i in range(4)]
    found = plan(rows, [CheckOption("idle", minutes)], repairs, refer_minutes=1e3)
    assert found.steps[0].kind != "check"
    assert step(found, "idle").expected == pytest.approx(found.now + minutes, rel=1e-5)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**9))
def test_a_free_check_that_tells_all_is_first(seed: int) -> None:
    p, c = random_repairs(random.Random(seed), 4)
    one_hot = {f"c{i}": [1.0 if j == i else 0.0 for j in range(4)] for i in range(4)}
    rows = one_fault({f"c{i}": x for i, x in enumerate(p)}, {"oracle": (["0", "1", "2", "3"], one_hot)})
    repairs = [Repair(f"r{i}", c[i], {f"c{i}": 1.0}) for i in range(4)]
    found = plan(rows, [CheckOption("oracle", 0)], repairs, refer_minutes=1e3)
    assert found.steps[0].id == "oracle"
    assert found.steps[0].expected == pytest.approx(sum(x * y for x, y in zip(p, c, strict=True)), rel=1e-5)


def test_the_chance_of_no_answer_lowers_a_checks_value() -> None:
    """With chance n of no answer it is worth 1 + (1 - n) x 10 + n x 15: repairs alone follow when nothing was learnt."""
    for n in (0.0, 0.25, 0.5, 0.9):
        found = plan(
            one_fault(TWO, TELLS),
            [CheckOption("look", 1, no_answer=n)],
            [Repair("ra", 10, {"a": 1.0}), Repair("rb", 10, {"b": 1.0})],
            refer_minutes=1e4,
        )
        assert step(found, "look").expected == pytest.approx(1 + (1 - n) * 10 + n * 15, rel=1e-5)


def test_two_checks_that_settle_the_matter_only_together_are_seen() -> None:
    """Two halves of a parity: each alone tells nothing, both all. 2 + 2 + 30 is less than 30 + 30 / 2."""
    rows = one_fault(
        {f"{a}{b}": 0.25 for a in "01" for b in "01"},
        {
            "first": (["0", "1"], {f"{a}{b}": [float(a == "0"), float(a == "1")] for a in "01" for b in "01"}),
            "second": (["0", "1"], {f"{a}{b}": [float(b == "0"), float(b == "1")] for a in "01" for b in "01"}),
        },
    )
    same = Repair("same", 30, {"00": 1.0, "11": 1.0})
    differ = Repair("differ", 30, {"01": 1.0, "10": 1.0})
    found = plan(rows, [CheckOption("first", 2), CheckOption("second", 2)], [same, differ], refer_minutes=1e4)
    assert found.steps[0].kind == "check"
    assert found.steps[0].expected == pytest.approx(2 + 2 + 30, rel=1e-5)


# -- ends -------------------------------------------------------------------------------------------------------------


def test_without_repairs_the_case_is_handed_over() -> None:
    found = plan(one_fault(TWO, TELLS), [CheckOption("look", 1)], [], refer_minutes=60)
    assert (found.steps[0].kind, found.steps[0].expected) == ("refer", 60)
    assert found.now == 60
    assert found.repairs == []


def test_a_cause_without_a_repair_costs_the_referral() -> None:
    found = plan(one_fault(TWO), [], [Repair("ra", 10, {"a": 1.0})], refer_minutes=100)
    assert found.now == pytest.approx(10 + 0.5 * 100, rel=1e-5)


def test_a_repair_dearer_than_referral_is_not_first() -> None:
    found = plan(one_fault({"a": 1.0}), [], [Repair("ra", 300, {"a": 1.0})], refer_minutes=100)
    assert found.steps[0].kind == "refer"


@pytest.mark.parametrize("seed", range(6))
def test_following_the_next_step_ends_and_repeats_nothing(seed: int) -> None:
    rng = random.Random(seed)
    causes = {f"c{i}": rng.uniform(0.02, 0.3) for i in range(5)}
    tests = {}
    for k in range(5):
        yes = [rng.uniform(0.05, 0.95) for _ in causes]
        tests[f"q{k}"] = Test(
            ["no", "yes"], rng.uniform(0, 5), [0.9, 0.1], {c: [1 - y, y] for c, y in zip(causes, yes, strict=True)}
        )
    repairs = {f"r{i}": (rng.uniform(2, 30), {f"c{i}": rng.uniform(0.5, 0.95)}) for i in range(5)}
    model = TableModel(causes, tests, repairs, refer_cost=200)
    done: list[str] = []
    while (following := model.next_step()).kind != "refer" and len(done) <= 10:
        done.append(following.id)
        if following.kind == "check":
            model.observe(following.id, rng.choice(["no", "yes"]))
        else:
            model.repaired(following.id, helped=False)
    assert following.kind == "refer"
    assert len(done) == len(set(done))
