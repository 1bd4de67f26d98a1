"""The shipped knowledge put to the test: the examples beside each cause, and the worked cases."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.load import EXAMPLES, load_cases, shipped
from advisor.model import Example, Knowledge, WorkedCase
from advisor.replay import ALARM, alarm, case_session

CAUSES = sorted(p.name.removesuffix(".yaml") for p in shipped("knowledge").glob("causes/*/*.yaml") if not p.name.endswith(EXAMPLES))  # fmt: skip
CASES = load_cases(shipped("cases"))


def assessed(compiled: Compiled, given: Any) -> Assessment:
    """A case or an example with all its answers."""
    return Assessment(compiled, case_session(compiled, given).state)


def holds(compiled: Compiled, cause: str, example: Example) -> str:
    """Empty when the example comes out as it says, else what came out."""
    view = assessed(compiled, example)
    order = [r.cause for r in view.ranking]
    chance = 0.0 if cause in view.verdict.excluded else view.posterior.cause[cause]
    told = ", ".join(f"{r.cause} {r.probability:.0%}" for r in view.ranking[:4])
    if example.within is not None and cause not in order[: example.within]:
        return f"'{example.because}': not among the first {example.within}: {told}"
    if example.below is not None and chance >= example.below:
        return f"'{example.because}': {chance:.0%} is not below {example.below:.0%}: {told}"
    return ""


# -- examples beside the causes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("cause", CAUSES)
def test_the_examples_of_a_cause_hold(compiled: Compiled, cause: str) -> None:
    examples = compiled.kb.examples[cause]
    assert [x for x in (holds(compiled, cause, e) for e in (*examples.ranks, *examples.quiet)) if x] == []


@pytest.mark.parametrize("cause", CAUSES)
def test_a_cause_has_examples_of_both_kinds_that_can_fail(kb: Knowledge, cause: str) -> None:
    examples = kb.examples[cause]
    assert examples.ranks
    assert examples.quiet
    assert all(e.within and e.symptoms for e in examples.ranks)
    assert all(e.below and e.symptoms for e in examples.quiet)


def test_examples_known_to_fail_still_fail(compiled: Compiled) -> None:
    todo = [(c, e) for c, examples in compiled.kb.examples.items() for e in examples.todo]
    assert [
        f"{c}: '{e.because}' holds now: move it to ranks or quiet" for c, e in todo if not holds(compiled, c, e)
    ] == []
    assert [f"{c}: '{e.because}' has no date" for c, e in todo if not e.since] == []


def test_an_example_that_does_not_hold_is_noticed(compiled: Compiled) -> None:
    cause = CAUSES[0]
    first = compiled.kb.examples[cause].ranks[0]
    assert holds(compiled, cause, first.model_copy(update={"within": None, "below": 1e-6}))
    assert holds(compiled, cause, first.model_copy(update={"within": 0}))


# -- worked cases -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Result:
    """What came out of a worked case."""

    case: WorkedCase
    order: list[str]
    highest: float
    none: float

    def among(self, count: int) -> bool:
        return set(self.case.causes) <= set(self.order[: max(count, len(self.case.causes))])


@pytest.fixture(scope="module")
def results(compiled: Compiled) -> list[Result]:
    found = []
    for case in CASES:
        view = assessed(compiled, case)
        found.append(Result(case, [r.cause for r in view.ranking], alarm(view), view.none_of_these))
    return found


def judged(results: list[Result]) -> list[Result]:
    return [r for r in results if r.case.causes and r.case.sufficient and not r.case.outside]


def test_the_true_cause_leads_in_most_worked_cases(results: list[Result]) -> None:
    known = judged(results)
    missed = [f"{r.case.id}: {r.case.causes}, got {r.order[:3]}" for r in known if not r.among(1)]
    assert len(missed) <= 0.15 * len(known), missed


def test_the_true_cause_is_among_the_first_three_in_nearly_all_worked_cases(results: list[Result]) -> None:
    known = judged(results)
    missed = [f"{r.case.id}: {r.case.causes}, got {r.order[:4]}" for r in known if not r.among(3)]
    assert len(missed) <= 0.03 * len(known), missed


def test_a_healthy_mill_raises_no_cause(results: list[Result]) -> None:
    assert [(r.case.id, r.order[0], r.highest) for r in results if r.case.healthy and r.highest >= ALARM] == []


def test_a_cause_outside_the_knowledge_is_not_taken_for_a_known_one(results: list[Result]) -> None:
    outside = [r for r in results if r.case.outside]
    assert [(r.case.id, r.order[0], r.highest) for r in outside if r.none < r.highest and r.highest >= 0.5] == []


def test_every_worked_case_is_of_one_kind_and_names_known_causes(kb: Knowledge) -> None:
    assert [c.id for c in CASES if bool(c.causes) + bool(c.outside) + c.healthy != 1] == []
    assert [c.id for c in CASES if not set(c.causes) <= set(kb.causes)] == []


def test_few_cases_are_set_aside_as_undecidable() -> None:
    known = [c for c in CASES if c.causes]
    assert sum(not c.sufficient for c in known) <= len(known) / 10


def test_cases_are_not_copies_of_the_examples_they_stand_beside(kb: Knowledge) -> None:
    examples = [e for x in kb.examples.values() for e in (*x.ranks, *x.quiet)]
    shared = [c.id for c in CASES for e in examples if e.answers == c.answers and e.symptoms == c.symptoms]
    assert shared == []


# -- how much there is ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "least"), [("symptoms", 15), ("causes", 50), ("checks", 100), ("remedies", 45), ("rules", 60)]
)
def test_the_knowledge_is_large_enough(kb: Knowledge, kind: str, least: int) -> None:
    assert len(kb.kind(kind)) >= least


def test_many_checks_are_measured(kb: Knowledge) -> None:
    assert sum(c.measured for c in kb.checks.values()) >= 40


def test_every_remedy_cures_something_and_every_one_has_a_proof(kb: Knowledge) -> None:
    used = {cure.remedy for cause in kb.causes.values() for cure in cause.remedies}
    assert set(kb.remedies) == used
    assert [r.id for r in kb.remedies.values() if len(r.proof) < 15 or not r.proof_minutes] == []


def test_the_worked_cases_cover_enough() -> None:
    assert sum(not c.healthy for c in CASES) >= 30
    assert sum(len(c.causes) >= 2 for c in CASES) >= 6
    assert sum(bool(c.outside) for c in CASES) >= 3
    assert {c.flaw for c in CASES} >= {"wrong", "missing"}
    assert sum(c.healthy for c in CASES) >= 10
