"""The rules: experta's habits held off, every condition and conclusion, the record of firings, and a naive evaluator."""

from __future__ import annotations

import ast
import os
import random
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import advisor
from advisor.model import Condition, Rule
from advisor.rules import Facts, RuleBook, Verdict

STOP = {"stop": "Stop and ask."}


def rule(id: str, *when: dict[str, Any], then: Mapping[str, Any] = STOP, any: tuple[dict[str, Any], ...] = ()) -> Rule:
    return Rule.model_validate(
        {"id": id, "when": when, "any": any, "then": dict(then), "because": f"Because of {id}.", "source": "ours"}
    )


def fires(facts: Facts, *when: dict[str, Any], any: tuple[dict[str, Any], ...] = ()) -> bool:
    """Whether one rule with these conditions fires on these facts."""
    return bool(RuleBook([rule("r", *when, any=any)]).run(facts).firings)


def fresh(code: str, seed: str = "0") -> str:
    """What a fresh Python process prints."""
    env = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(Path(advisor.__file__).resolve().parent.parent)}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout


# The habits of experta named in advisor/rules.py.


def test_a_fresh_process_imports_the_rules_although_collections_mapping_is_gone() -> None:
    code = "import collections; print(hasattr(collections, 'Mapping')); import advisor.rules; print('imported')"
    assert fresh(code).split() == ["False", "imported"]


def test_importing_the_rules_leaves_the_root_logger_as_it_was() -> None:
    code = """
import logging
root = logging.getLogger()
mine = logging.NullHandler()
root.addHandler(mine)
level = root.level
import advisor.rules
print(root.handlers == [mine], root.level == level)
"""
    assert fresh(code).split() == ["True", "True"]
    code = "import logging; import advisor.rules; print(logging.getLogger().handlers)"
    assert fresh(code).strip() == "[]"


def test_rules_fire_in_the_same_order_in_processes_with_different_hash_seeds() -> None:
    # Each `a` asks for the absence of what its `b` says: what comes out shows which of the two went first.
    code = """
from advisor.model import Rule
from advisor.rules import Facts, RuleBook
end = {"because": "It is so.", "source": "ours"}
rules = []
for i in range(8):
    low = {"check": f"c{i}", "is": "low"}
    rules.append({"id": f"a{i}", "when": [{"symptom": "s"}, {"not": low}], "then": {"stop": f"Stop {i}."}, **end})
    rules.append({"id": f"b{i}", "when": [{"symptom": "s"}], "then": {"answer": {"check": f"c{i}", "outcome": "low"}}, **end})
print(RuleBook([Rule.model_validate(r) for r in rules]).run(Facts(symptoms={"s": True})))
"""
    seen = {fresh(code, seed) for seed in ("0", "1", "2", "42", "1234")}
    assert len(seen) == 1


# Joined by `&`, two groups of conditions end in a NameError inside experta (its `chain` is never imported).
def test_a_rule_of_many_conditions_fires_only_when_all_of_them_hold() -> None:
    when = [{"symptom": f"s{i}"} for i in range(6)]
    when += [{"check": f"c{i}", "is": ["low", "high"]} for i in range(6)]
    when += [{"setting": f"n{i}", "above": i, "below": i + 2} for i in range(6)]
    when += [{"not": {"remedy": f"r{i}", "is": "helped"}} for i in range(6)]
    full = Facts(
        symptoms={f"s{i}": True for i in range(6)},
        checks={f"c{i}": "high" for i in range(6)},
        numbers={f"n{i}": i + 1 for i in range(6)},
        remedies={f"r{i}": "no" for i in range(6)},
    )
    book = RuleBook([rule("many", *when)])
    assert [f.rule for f in book.run(full).firings] == ["many"]
    for part, bad in (("symptoms", {"s5": False}), ("checks", {"c3": "ok"}), ("numbers", {"n0": 3}), ("remedies", {"r5": "helped"})):  # fmt: skip
        assert book.run(Facts(**{**vars(full), part: {**getattr(full, part), **bad}})).firings == ()


def test_alternatives_of_many_conditions_hold_and_do_not_multiply() -> None:
    # Spelt out as rules of their own, 12 conditions of 4 values each would make 4 ** 12 = 16 777 216 of them.
    when = [{"check": f"c{i}", "is": ["a", "b", "c", "d"]} for i in range(12)]
    book = RuleBook([rule("r", *when, any=({"symptom": "x"}, {"symptom": "y"}))])
    for value, expected in (("a", 1), ("d", 1), ("e", 0)):
        checks = {f"c{i}": "b" for i in range(11)} | {"c11": value}
        assert len(book.run(Facts(symptoms={"x": True, "y": True}, checks=checks)).firings) == expected


def imports(path: Path) -> set[str]:
    """Top-level names of all that a source file imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module.split(".")[0])
    return found


@pytest.mark.parametrize(("package", "module"), [("experta", "rules.py"), ("prompt_toolkit", "console.py")])
def test_one_module_alone_imports_the_package(package: str, module: str) -> None:
    sources = sorted(Path(advisor.__file__).parent.rglob("*.py"))
    assert [p.name for p in sources if package in imports(p)] == [module]


@pytest.mark.parametrize("package", ["sqlalchemy", "alembic", "psycopg", "sqlite3"])
def test_the_log_alone_talks_to_a_database(package: str) -> None:
    root = Path(advisor.__file__).parent
    users = [p.relative_to(root) for p in sorted(root.rglob("*.py")) if package in imports(p)]
    assert users
    assert [p for p in users if p.parts[0] != "store" and p.name != "caselog.py"] == []


# Conditions.

CONDITIONS = [
    ({"symptom": "s"}, Facts(symptoms={"s": True}), True),
    ({"symptom": "s"}, Facts(symptoms={"s": False}), False),
    ({"symptom": "s"}, Facts(), False),
    ({"symptom": "s", "is": "absent"}, Facts(symptoms={"s": False}), True),
    ({"symptom": "s", "is": "absent"}, Facts(), False),
    ({"check": "c", "is": "low"}, Facts(checks={"c": "low"}), True),
    ({"check": "c", "is": "low"}, Facts(checks={"c": "high"}), False),
    ({"check": "c", "is": "low"}, Facts(checks={"d": "low"}), False),
    ({"check": "c", "is": ["low", "high", "none"]}, Facts(checks={"c": "none"}), True),
    ({"check": "c", "is": ["low", "high", "none"]}, Facts(checks={"c": "ok"}), False),
    ({"check": "c", "above": 0.5}, Facts(readings={"c": 0.51}), True),
    ({"check": "c", "above": 0.5}, Facts(readings={"c": 0.5}), False),
    ({"check": "c", "below": 0.5}, Facts(readings={"c": 0.49}), True),
    ({"check": "c", "below": 0.5}, Facts(readings={"c": 0.5}), False),
    ({"check": "c", "above": 1, "below": 3}, Facts(readings={"c": 2}), True),
    ({"check": "c", "above": 1, "below": 3}, Facts(readings={"c": 4}), False),
    ({"check": "c", "above": 1, "below": 3}, Facts(readings={"c": 0}), False),
    ({"check": "c", "above": 1}, Facts(checks={"c": "high"}), False),
    ({"check": "c", "above": 1}, Facts(numbers={"c": 2}), False),
    ({"setting": "n", "above": -5}, Facts(numbers={"n": -4.5}), True),
    ({"setting": "n", "below": -5}, Facts(numbers={"n": -4.5}), False),
    ({"setting": "m", "is": ["wax", "resin"]}, Facts(choices={"m": "resin"}), True),
    ({"setting": "m", "is": ["wax", "resin"]}, Facts(choices={"m": "zirconia"}), False),
    ({"setting": "m", "is": "wax"}, Facts(checks={"m": "wax"}), False),
    ({"remedy": "r", "is": "helped"}, Facts(remedies={"r": "helped"}), True),
    ({"remedy": "r", "is": ["helped", "partly"]}, Facts(remedies={"r": "no"}), False),
]


@pytest.mark.parametrize(("condition", "facts", "holds"), CONDITIONS)
def test_a_condition_holds_or_does_not(condition: dict[str, Any], facts: Facts, holds: bool) -> None:
    assert fires(facts, condition) is holds


@pytest.mark.parametrize(("condition", "facts", "holds"), CONDITIONS)
def test_not_turns_a_condition_round_and_twice_not_turns_it_back(
    condition: dict[str, Any], facts: Facts, holds: bool
) -> None:
    assert fires(facts, {"not": condition}) is not holds
    assert fires(facts, {"not": {"not": condition}}) is holds


def test_any_needs_one_of_its_members_beside_all_of_when() -> None:
    some = ({"symptom": "b"}, {"check": "c", "is": "low"}, {"not": {"setting": "m", "is": "wax"}})
    wax = {"m": "wax"}
    assert not fires(Facts(symptoms={"a": True}, choices=wax), {"symptom": "a"}, any=some)
    assert fires(Facts(symptoms={"a": True, "b": True}, choices=wax), {"symptom": "a"}, any=some)
    assert fires(Facts(symptoms={"a": True}, checks={"c": "low"}, choices=wax), {"symptom": "a"}, any=some)
    assert fires(Facts(symptoms={"a": True}, choices={"m": "resin"}), {"symptom": "a"}, any=some)
    assert not fires(Facts(symptoms={"b": True}, checks={"c": "low"}), {"symptom": "a"}, any=some)


def test_a_rule_whose_members_of_any_all_hold_fires_once() -> None:
    some = ({"symptom": "a"}, {"symptom": "b"}, {"symptom": "c"})
    verdict = RuleBook([rule("r", any=some)]).run(Facts(symptoms={"a": True, "b": True, "c": True}))
    assert len(verdict.firings) == 1
    assert verdict.stops == ("Stop and ask.",)


# Conclusions.


def test_every_kind_of_conclusion_reaches_the_verdict() -> None:
    s = {"symptom": "s"}
    book = RuleBook(
        [
            rule("derives", s, then={"derive": "tired"}),
            rule("answers", s, then={"answer": {"check": "c", "outcome": "low"}}),
            rule("excludes", s, then={"exclude": "worn"}),
            rule("warns", s, then={"caution": "mind"}),
            rule("puts-first", s, then={"first": {"check": "c", "before": ["d", "e"]}}),
            rule("puts-first-too", s, then={"first": {"check": "b", "before": ["d"]}}),
            rule("stops", s, then={"stop": "Switch it off."}),
            rule("refers", s, then={"refer": {"to": "service", "text": "It smells."}}),
        ]
    )
    assert book.run(Facts()) == Verdict()
    verdict = book.run(Facts(symptoms={"s": True}))
    assert verdict.findings == ("tired",)
    assert verdict.answers == {"c": ("low", "answers")}
    assert verdict.excluded == {"worn": "excludes"}
    assert verdict.cautions == ("mind",)
    assert verdict.first == {"d": ("b", "c"), "e": ("c",)}
    assert verdict.stops == ("Switch it off.",)
    assert verdict.referrals == (("service", "It smells."),)
    assert [(f.rule, f.kind, f.conclusion) for f in verdict.firings] == [
        ("answers", "answer", "c is low"),
        ("derives", "derive", "tired"),
        ("excludes", "exclude", "worn"),
        ("puts-first", "first", "c before d, e"),
        ("puts-first-too", "first", "b before d"),
        ("refers", "refer", "refer to service: It smells."),
        ("stops", "stop", "Switch it off."),
        ("warns", "caution", "mind"),
    ]


def test_the_same_conclusion_of_two_rules_stands_once_and_names_the_first_rule() -> None:
    s = {"symptom": "s"}
    book = RuleBook([rule(f"{k}-{n}", s, then=then) for n in (2, 1) for k, then in (("x", {"exclude": "worn"}), ("y", {"caution": "mind"}))])  # fmt: skip
    verdict = book.run(Facts(symptoms={"s": True}))
    assert verdict.excluded == {"worn": "x-1"}
    assert verdict.cautions == ("mind",)
    assert len(verdict.firings) == 4


def test_findings_and_derived_answers_carry_on_to_further_rules_against_the_order_of_ids() -> None:
    book = RuleBook(
        [
            rule("c", {"symptom": "s"}, then={"answer": {"check": "gauge", "outcome": "low"}}),
            rule("b", {"check": "gauge", "is": ["low", "none"]}, then={"derive": "short"}),
            rule("a", {"finding": "short"}, then={"exclude": "worn"}),
        ]
    )
    verdict = book.run(Facts(symptoms={"s": True}))
    assert verdict.excluded == {"worn": "a"}
    assert verdict.findings == ("short",)
    assert [f.facts for f in verdict.firings] == [
        ("finding short",),
        ("check gauge is low",),
        ("symptom s present",),
    ]


def test_a_derived_answer_does_not_override_a_given_one() -> None:
    book = RuleBook(
        [
            rule("derives", {"symptom": "s"}, then={"answer": {"check": "c", "outcome": "low"}}),
            rule("waits", {"check": "c", "is": "low"}, then={"exclude": "worn"}),
        ]
    )
    given = book.run(Facts(symptoms={"s": True}, checks={"c": "ok"}))
    assert given.answers == {}
    assert given.excluded == {}
    assert book.run(Facts(symptoms={"s": True})).excluded == {"worn": "waits"}


def test_of_two_derived_answers_only_the_one_that_stands_carries_on() -> None:
    book = RuleBook(
        [
            rule("a", {"symptom": "s"}, then={"answer": {"check": "c", "outcome": "ok"}}),
            rule("b", {"symptom": "s"}, then={"answer": {"check": "c", "outcome": "low"}}),
            rule("c", {"check": "c", "is": "low"}, then={"exclude": "worn"}),
        ]
    )
    verdict = book.run(Facts(symptoms={"s": True}))
    assert verdict.answers == {"c": ("ok", "a")}
    assert verdict.excluded == {}


def test_the_names_of_rules_do_not_change_what_follows() -> None:
    def excluded(asks: str, says: str) -> set[str]:
        book = RuleBook(
            [
                rule(asks, {"symptom": "s"}, {"not": {"check": "c", "is": "low"}}, then={"exclude": "worn"}),
                rule(says, {"symptom": "s"}, then={"answer": {"check": "c", "outcome": "low"}}),
            ]
        )
        return set(book.run(Facts(symptoms={"s": True})).excluded)

    assert excluded("a", "z") == excluded("z", "a")


# The record of firings.


def test_the_record_names_the_facts_and_the_reason() -> None:
    when = (
        {"symptom": "s"},
        {"symptom": "t", "is": "absent"},
        {"check": "c", "is": ["low", "none"]},
        {"check": "d", "below": 0.5},
        {"setting": "n", "above": 20},
        {"setting": "m", "is": ["wax", "resin"]},
        {"remedy": "r", "is": "no"},
    )
    facts = Facts({"s": True, "t": False}, {"c": "none"}, {"d": 0.4}, {"m": "resin"}, {"n": 30}, {"r": "no"})
    (firing,) = RuleBook([rule("r", *when)]).run(facts).firings
    assert firing.because == "Because of r."
    assert firing.facts == (
        "symptom s present",
        "symptom t absent",
        "check c is none",
        "check d is 0.4, below 0.5",
        "setting n is 30, above 20",
        "setting m is resin",
        "remedy r is no",
    )


def test_an_answer_that_gives_way_says_so_in_the_record() -> None:
    book = RuleBook([rule(i, {"symptom": "s"}, then={"answer": {"check": "c", "outcome": o}}) for i, o in (("a", "ok"), ("b", "low"))])  # fmt: skip
    verdict = book.run(Facts(symptoms={"s": True}))
    assert [f.conclusion for f in verdict.firings] == ["c is ok", "c is low (but ok stands)"]
    verdict = book.run(Facts(symptoms={"s": True}, checks={"c": "low"}))
    assert [f.conclusion for f in verdict.firings] == ["c is ok (but low stands)", "c is low"]


def test_of_two_derived_answers_the_first_by_id_stands_even_when_it_is_derived_later() -> None:
    book = RuleBook(
        [
            rule("a", {"finding": "f"}, then={"answer": {"check": "c", "outcome": "ok"}}),
            rule("b", {"symptom": "s"}, then={"answer": {"check": "c", "outcome": "low"}}),
            rule("c", {"check": "c", "is": "low"}, then={"exclude": "worn"}),
            rule("d", {"check": "c", "is": "ok"}, then={"exclude": "loose"}),
            rule("z", {"symptom": "s"}, then={"derive": "f"}),
        ]
    )
    verdict = book.run(Facts(symptoms={"s": True}))
    assert verdict.answers == {"c": ("ok", "a")}
    assert verdict.excluded == {"loose": "d"}


def recorded(facts: Facts, *when: dict[str, Any], any: tuple[dict[str, Any], ...] = ()) -> tuple[str, ...]:
    (firing,) = RuleBook([rule("r", *when, any=any)]).run(facts).firings
    return firing.facts


def test_the_record_leaves_out_members_of_any_that_nobody_knows_of() -> None:
    some = ({"symptom": "a"}, {"symptom": "b"}, {"check": "c", "is": "low"}, {"setting": "n", "above": 3})
    assert recorded(Facts(symptoms={"a": True}, checks={"c": "ok"}, numbers={"n": 1}), any=some) == (
        "symptom a present",
    )


@pytest.mark.parametrize(
    "other",
    [{"symptom": "b"}, {"symptom": "a", "is": "absent"}, {"not": {"symptom": "a"}}, {"finding": "f"}],
    ids=str,
)
def test_the_record_leaves_out_members_of_any_that_do_not_hold(other: dict[str, Any]) -> None:
    facts = Facts(symptoms={"a": True, "b": False})
    assert recorded(facts, any=({"symptom": "a"}, other)) == ("symptom a present",)


@pytest.mark.parametrize(
    ("condition", "facts", "denied"),
    [
        ({"check": "c", "is": "low"}, Facts(checks={"c": "ok"}), "not check c is ok"),
        ({"setting": "m", "is": "wax"}, Facts(choices={"m": "resin"}), "not setting m is resin"),
        ({"remedy": "r", "is": "no"}, Facts(remedies={"r": "helped"}), "not remedy r is helped"),
        ({"setting": "n", "above": 20}, Facts(numbers={"n": 5}), "not setting n is 5, above 20"),
    ],
)
def test_the_record_of_a_not_does_not_deny_what_is_known(condition: dict[str, Any], facts: Facts, denied: str) -> None:
    assert denied not in recorded(facts, {"not": condition})


@pytest.mark.parametrize(
    ("condition", "facts", "said"),
    [
        ({"check": "c", "is": ["low", "none"]}, Facts(checks={"c": "ok"}), "check c is not low or none (it is ok)"),
        ({"check": "c", "is": "low"}, Facts(), "check c is not known to be low"),
        ({"setting": "n", "above": 20}, Facts(numbers={"n": 5}), "setting n is not above 20 (it is 5)"),
        ({"symptom": "s"}, Facts(symptoms={"s": False}), "symptom s absent"),
        ({"symptom": "s"}, Facts(), "symptom s not known"),
        ({"not": {"check": "c", "is": "low"}}, Facts(checks={"c": "low"}), "check c is low"),
    ],
)
def test_the_record_of_a_not_says_what_is_known(condition: dict[str, Any], facts: Facts, said: str) -> None:
    assert recorded(facts, {"not": condition}) == (said,)


# Against a naive evaluator, on random rule bases.

SYMPTOMS, GIVEN, DERIVED = ("s0", "s1", "s2"), ("c0", "c1"), ("d0", "d1")
FINDINGS, VALUES, STATES = ("f0", "f1", "f2"), ("a", "b", "c"), ("helped", "partly", "no")

values = st.lists(st.sampled_from(VALUES), min_size=1, max_size=3, unique=True)
numbers = st.sampled_from([-1.0, 0.0, 0.5, 1.0, 2.0])
limits = st.fixed_dictionaries({"above": numbers}, optional={"below": numbers}) | st.fixed_dictionaries(
    {"below": numbers}
)
on_given = st.one_of(
    st.builds(lambda s, v: {"symptom": s, "is": v}, st.sampled_from(SYMPTOMS), st.sampled_from(["present", "absent"])),
    st.builds(lambda c, v: {"check": c, "is": v}, st.sampled_from(GIVEN), values),
    st.builds(lambda c, v: {"check": c, **v}, st.sampled_from(GIVEN + DERIVED), limits),
    st.builds(lambda v: {"setting": "m", "is": v}, values),
    st.builds(lambda v: {"setting": "n", **v}, limits),
    st.builds(lambda v: {"remedy": "r", "is": v}, st.lists(st.sampled_from(STATES), min_size=1, unique=True)),
)
on_derived = st.builds(lambda f: {"finding": f}, st.sampled_from(FINDINGS)) | st.builds(
    lambda c, v: {"check": c, "is": v}, st.sampled_from(DERIVED), values
)
# As the linter asks, nothing waits for the absence of what rules derive, and no check has two derived answers.
condition = on_given | st.builds(lambda c: {"not": c}, on_given) | on_derived
conclusion = st.one_of(
    st.builds(lambda f: {"derive": f}, st.sampled_from(FINDINGS)),
    st.builds(lambda c: {"answer": {"check": c, "outcome": "a"}}, st.sampled_from(DERIVED)),
    st.builds(lambda c: {"exclude": c}, st.sampled_from(["x0", "x1"])),
    st.builds(lambda c: {"caution": c}, st.sampled_from(["w0", "w1"])),
    st.builds(lambda c, b: {"first": {"check": c, "before": b}}, st.sampled_from(GIVEN), values),
    st.builds(lambda t: {"stop": t}, st.sampled_from(["Stop here.", "Stop there."])),
    st.builds(lambda t: {"refer": {"to": t, "text": "See to it."}}, st.sampled_from(["service", "designer"])),
)
conditions = st.lists(condition, max_size=3)
bodies = st.tuples(conditions, conditions, conclusion).filter(lambda b: b[0] or b[1])
rule_bases = st.lists(bodies, min_size=1, max_size=7).map(
    lambda bs: [rule(f"r{i}", *when, any=tuple(some), then=then) for i, (when, some, then) in enumerate(bs)]
)
fact_bases = st.builds(
    Facts,
    symptoms=st.dictionaries(st.sampled_from(SYMPTOMS), st.booleans()),
    checks=st.dictionaries(st.sampled_from(GIVEN + DERIVED), st.sampled_from(VALUES)),
    readings=st.dictionaries(st.sampled_from(GIVEN + DERIVED), numbers),
    choices=st.dictionaries(st.just("m"), st.sampled_from(VALUES)),
    numbers=st.dictionaries(st.just("n"), numbers),
    remedies=st.dictionaries(st.just("r"), st.sampled_from(STATES)),
)


def naive(rules: list[Rule], facts: Facts) -> dict[str, Any]:
    """What follows, by going over all rules until nothing is new."""
    fired: set[str] = set()
    findings: set[str] = set()
    answers: dict[str, str] = {}

    def holds(c: Condition) -> bool:
        if c.negate:
            return not holds(c.negate)
        if c.finding:
            return c.finding in findings
        if c.symptom:
            return facts.symptoms.get(c.symptom) is ((c.is_ or ("present",)) == ("present",))
        if c.is_:
            known = {**answers, **facts.checks} if c.check else facts.choices if c.setting else facts.remedies
            return known.get(c.check or c.setting or c.remedy or "") in c.is_
        value = (facts.readings if c.check else facts.numbers).get(c.check or c.setting or "")
        return value is not None and (c.above is None or value > c.above) and (c.below is None or value < c.below)

    while True:
        due = [r for r in rules if r.id not in fired and all(map(holds, r.when)) and (not r.any or any(map(holds, r.any)))]  # fmt: skip
        if not due:
            return {"fired": fired, "findings": findings, "answers": {c: o for c, o in answers.items() if c not in facts.checks}}  # fmt: skip
        for r in due:
            fired.add(r.id)
            findings |= {r.then.derive} if r.then.derive else set()
            answers |= {r.then.answer.check: r.then.answer.outcome} if r.then.answer else {}


@settings(max_examples=150, deadline=None)
@given(rule_bases, fact_bases)
def test_the_verdict_agrees_with_a_naive_evaluator(rules: list[Rule], facts: Facts) -> None:
    verdict = RuleBook(rules).run(facts)
    expected = naive(rules, facts)
    fired = [r for r in sorted(rules, key=lambda r: r.id) if r.id in expected["fired"]]
    assert [f.rule for f in verdict.firings] == [r.id for r in fired]
    assert set(verdict.findings) == expected["findings"]
    assert {c: outcome for c, (outcome, _) in verdict.answers.items()} == expected["answers"]
    assert set(verdict.excluded) == {r.then.exclude for r in fired if r.then.exclude}
    assert set(verdict.cautions) == {r.then.caution for r in fired if r.then.caution}
    assert set(verdict.stops) == {r.then.stop for r in fired if r.then.stop}
    assert set(verdict.referrals) == {(r.then.refer.to, r.then.refer.text) for r in fired if r.then.refer}
    orders = {(r.then.first.check, later) for r in fired if r.then.first for later in r.then.first.before}
    assert {(check, later) for later, due in verdict.first.items() for check in due} == orders


@settings(max_examples=50, deadline=None)
@given(rule_bases, fact_bases, st.randoms(use_true_random=False))
def test_shuffled_facts_and_rules_give_the_same_verdict(rules: list[Rule], facts: Facts, rng: random.Random) -> None:
    def shuffled(items: Any) -> list[Any]:
        items = list(items)
        rng.shuffle(items)
        return items

    other = Facts(**{name: dict(shuffled(part.items())) for name, part in vars(facts).items()})
    assert RuleBook(shuffled(rules)).run(other) == RuleBook(rules).run(facts)


@settings(max_examples=50, deadline=None)
@given(rule_bases, fact_bases, fact_bases)
def test_facts_added_and_dropped_again_leave_no_trace(rules: list[Rule], facts: Facts, more: Facts) -> None:
    book = RuleBook(rules)
    before = book.run(facts)
    book.run(Facts(**{name: {**getattr(facts, name), **part} for name, part in vars(more).items()}))
    assert book.run(facts) == before == RuleBook(rules).run(facts)
