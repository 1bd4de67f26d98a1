"""A case as a state machine: every event, undo, corrections, refusals; and the ranking that follows from its state."""

from __future__ import annotations

import math
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_base import write_base

from advisor.assess import Assessment
from advisor.compiled import Compiled
from advisor.load import load_cases, shipped
from advisor.model import WorkedCase
from advisor.replay import case_session
from advisor.session import UNDOABLE, CaseError, Event, Session

CASES = {c.id: c for c in load_cases(shipped("cases"))}


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Compiled:
    """The small base of our own invention."""
    return Compiled(write_base(tmp_path_factory.mktemp("small")).load())


def symptom(name: str, present: bool = True) -> Event:
    return {"type": "symptom", "symptom": name, "present": present}


def setting(field: str, value: str) -> Event:
    return {"type": "setting", "field": field, "value": value}


def outcome(check: str, name: str) -> Event:
    return {"type": "answer", "check": check, "outcome": name}


def reading(check: str, value: str, **more: str) -> Event:
    return {"type": "answer", "check": check, "value": value, **more}


def remedy(name: str, result: str) -> Event:
    return {"type": "remedy", "remedy": name, "result": result}


def proof(name: str, passed: bool) -> Event:
    return {"type": "proof", "remedy": name, "passed": passed}


def close(how: str, cause: str | None = None) -> Event:
    return {"type": "close", "how": how, "cause": cause}


UNDO: Event = {"type": "undo"}


def refusal(session: Session, event: Event) -> str:
    """The text with which the case refuses an event; it must stay as it was."""
    events, state = list(session.events), session.state
    with pytest.raises(CaseError) as error:
        session.take(event)
    assert session.events == events
    assert session.state is state
    return str(error.value)


def ranks(compiled: Compiled, events: list[Event]) -> dict[str, float]:
    view = Assessment(compiled, Session(compiled, events).state)
    return {r.cause: r.probability for r in view.ranking} | {"none": view.none_of_these}


# -- events -----------------------------------------------------------------------------------------------------------


def test_a_new_case_knows_only_the_defaults_of_the_mill(small: Compiled) -> None:
    state = Session(small).state
    assert state.profile == {"inlet_pressure": 0.6}
    given = [state.symptoms, state.answers, state.choices, state.numbers, state.remedies, state.notes, state.closed]
    assert not any(given)
    assert state.minutes == 0


def test_start_takes_mill_bench_and_the_values_it_knows(small: Compiled) -> None:
    session = Session(small)
    session.take(
        {"type": "start", "mill": "A", "profile": {"inlet_pressure": "0.5", "gone": 3}, "bench": ["inlet-gauge"]}
    )
    assert (session.state.mill, session.state.bench) == ("A", ("inlet-gauge",))
    assert session.state.profile == {"inlet_pressure": 0.5}


def test_the_mills_own_value_moves_the_limit_of_a_reading(small: Compiled) -> None:
    # 0.5 MPa is far below 0.9 x 0.6 and far above 0.9 x 0.45 for a gauge of class 2.5 on 1 MPa.
    given = [reading("air-gauge", "0.48 MPa")]
    assert Session(small, given).state.answers["air-gauge"].likeliest == "low"
    start: Event = {"type": "start", "profile": {"inlet_pressure": 0.45}}
    assert Session(small, [start, *given]).state.answers["air-gauge"].likeliest == "ok"


def test_complaint_and_notes_are_kept_as_said(small: Compiled) -> None:
    session = Session(small, [{"type": "complaint", "text": "Ränder bröckeln"}])
    session.take({"type": "note", "text": "  new burr box  "})
    session.take({"type": "note", "text": "second"})
    assert session.state.complaint == "Ränder bröckeln"
    assert session.state.notes == ("new burr box", "second")
    assert "empty note" in refusal(session, {"type": "note", "text": "  "})


def test_a_symptom_is_there_or_not(small: Compiled) -> None:
    session = Session(small, [{"type": "symptom", "symptom": "chips"}, symptom("slow-cut", False)])
    assert session.state.symptoms == {"chips": True, "slow-cut": False}


@pytest.mark.parametrize(
    ("field", "typed", "meant"),
    [
        ("material", "resin", "resin"),
        ("material", "Glass", "glass-ceramic"),
        ("material", "2", "resin"),
        ("burr_hours", "30", 30.0),
        ("burr_hours", "30 h", 30.0),
        ("burr_hours", "90 min", 1.5),
        ("burr_hours", "2,5", 2.5),
    ],
)
def test_a_setting_is_read_as_people_type_it(small: Compiled, field: str, typed: str, meant: str | float) -> None:
    state = Session(small, [setting(field, typed)]).state
    assert {**state.choices, **state.numbers} == {field: pytest.approx(meant) if isinstance(meant, float) else meant}


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("material", "steel", "glass-ceramic, resin"),
        ("material", "", "glass-ceramic, resin"),
        ("material", "3", "glass-ceramic, resin"),
        ("burr_hours", "many", "type a number"),
        ("burr_hours", "501", "outside 0 to 500 h"),
        ("burr_hours", "-1", "outside 0 to 500 h"),
        ("burr_hours", "3 MPa", "give it in h"),
        ("burr_hour", "3", "burr_hours"),
        ("zzzz", "3", "material, burr_hours"),
    ],
)
def test_a_wrong_setting_says_what_to_type(small: Compiled, field: str, typed: str, said: str) -> None:
    assert said in refusal(Session(small), setting(field, typed))


def test_a_superscript_digit_is_refused_as_a_setting(small: Compiled) -> None:
    refusal(Session(small), setting("material", "²"))


def test_an_answer_by_word_is_sure(small: Compiled) -> None:
    answer = Session(small, [outcome("burr-look", "blunt")]).state.answers["burr-look"]
    assert answer.weights == {"sharp": 0.0, "blunt": 1.0}
    assert (answer.likeliest, answer.sure, answer.value) == ("blunt", True, None)


def test_a_measuring_check_may_be_answered_by_word_too(small: Compiled) -> None:
    assert Session(small, [outcome("air-gauge", "low")]).state.answers["air-gauge"].likeliest == "low"


@pytest.mark.parametrize(
    "event",
    [
        reading("air-gauge", "0.4"),
        reading("air-gauge", "0,4 MPa"),
        reading("air-gauge", "4 bar"),
        reading("air-gauge", "4", unit="bar"),
        reading("air-gauge", "400 kPa"),
    ],
)
def test_a_reading_is_kept_in_the_checks_own_unit(small: Compiled, event: Event) -> None:
    answer = Session(small, [event]).state.answers["air-gauge"]
    assert answer.value == pytest.approx(0.4)
    assert (answer.unit, answer.instrument, answer.outcome) == ("MPa", "inlet-gauge", None)
    assert sum(answer.weights.values()) == pytest.approx(1)
    assert (answer.likeliest, answer.sure) == ("low", True)


def test_a_reading_on_the_limit_is_evenly_split_and_not_sure(small: Compiled) -> None:
    answer = Session(small, [reading("air-gauge", "0.54")]).state.answers["air-gauge"]
    assert answer.weights["ok"] == pytest.approx(0.5)
    assert not answer.sure


@pytest.mark.parametrize(
    ("event", "said"),
    [
        ({"type": "answer"}, "no check 'None'"),
        (outcome("burr-lok", "blunt"), "burr-look"),
        (outcome("burr-look", "blunted"), "blunt"),
        (outcome("burr-look", "zzzz"), "sharp, blunt"),
        ({"type": "answer", "check": "burr-look"}, "sharp, blunt"),
        ({"type": "answer", "check": "air-gauge"}, "a reading in MPa"),
        (reading("burr-look", "3"), "is not measured: answer sharp, blunt"),
        (reading("air-gauge", "a lot"), "type a number"),
        (reading("air-gauge", "4"), "outside 0 to 1.2 MPa"),
        (reading("air-gauge", "3 mm"), "give it in MPa"),
        (reading("air-gauge", "3 blobs"), "'blobs' is no unit"),
        (reading("air-gauge", "nan"), "type a number"),
        (reading("air-gauge", "0.4", instrument="inlet-gage"), "inlet-gauge"),
        (symptom("chip"), "chips"),
        ({"type": "unknown", "check": "burr-tugs"}, "burr-tug"),
        ({"type": "skip", "check": "symptom:slow"}, "slow-cut"),
        (remedy("change-bur", "helped"), "change-burr"),
        (remedy("change-burr", "better"), "helped, no-change, worse"),
        (proof("clamp-bur", True), "clamp-burr"),
        ({"type": "acknowledge", "caution": "hands-clean"}, "hands-clear"),
        (close("confirmed", "burr-wornn"), "burr-worn"),
        (close("confirmed"), "names its cause"),
        (close("forgotten"), "confirmed, fixed-unproven, referred, open"),
        ({"type": "explode"}, "no event 'explode'"),
        ({"type": 5}, "no event '5'"),
        ({}, "no event 'None'"),
        (UNDO, "nothing to take back"),
    ],
)
def test_what_does_not_fit_is_refused_with_what_to_give_instead(small: Compiled, event: Event, said: str) -> None:
    assert said in refusal(Session(small), event)


def test_events_that_do_not_fit_cannot_begin_a_case_either(small: Compiled) -> None:
    with pytest.raises(CaseError, match="chips"):
        Session(small, [symptom("chip")])


def test_unknown_and_skip_are_remembered_until_there_is_an_answer(small: Compiled) -> None:
    session = Session(small, [{"type": "unknown", "check": "burr-look"}, {"type": "skip", "check": "symptom:slow-cut"}])
    assert session.state.unanswered == {"burr-look": "unknown", "symptom:slow-cut": "skipped"}
    session.take(outcome("burr-look", "sharp"))
    session.take(symptom("slow-cut"))
    assert session.state.unanswered == {}


def test_trying_takes_the_checks_minutes_and_skipping_none(small: Compiled) -> None:
    # burr-look: 2 minutes and 1 to open the cover.
    assert Session(small, [outcome("burr-look", "sharp")]).state.minutes == 3
    assert Session(small, [{"type": "unknown", "check": "burr-look"}]).state.minutes == 3
    assert Session(small, [{"type": "skip", "check": "burr-look"}]).state.minutes == 0


def test_a_preparation_is_paid_once_until_another_step_breaks_it(small: Compiled) -> None:
    session = Session(small, [outcome("burr-look", "sharp"), outcome("burr-tug", "firm")])
    assert session.state.minutes == 3 + 1
    session.take(reading("air-gauge", "0.6"))  # 3 minutes, 2 to have the mill cutting; the cover is shut again
    assert session.state.minutes == 4 + 5
    session.take(remedy("change-burr", "no-change"))  # 5 minutes, and the cover once more
    assert session.state.minutes == 9 + 6


def test_remedies_and_their_proofs(small: Compiled) -> None:
    session = Session(small, [remedy("change-burr", "worse"), remedy("clamp-burr", "helped")])
    assert session.state.remedies == (("change-burr", "worse"), ("clamp-burr", "helped"))
    assert session.state.helped == "clamp-burr"
    before = session.state.minutes
    session.take(proof("clamp-burr", True))
    assert session.state.proofs == {"clamp-burr": True}
    assert session.state.helped == "clamp-burr"
    assert session.state.minutes == before + 1


def test_a_failed_proof_makes_a_remedy_that_seemed_to_help_one_that_did_not(small: Compiled) -> None:
    events = [symptom("chips"), remedy("clamp-burr", "helped"), proof("clamp-burr", False)]
    session = Session(small, events)
    assert session.state.helped is None
    assert session.state.remedies == (("clamp-burr", "no-change"),)
    assert ranks(small, events) == ranks(small, [symptom("chips"), remedy("clamp-burr", "no-change")])


def test_what_is_shown_or_acknowledged_changes_nothing_else(small: Compiled) -> None:
    session = Session(small, [symptom("chips")])
    before = session.state
    session.take({"type": "shown", "caution": "hands-clear"})
    assert session.state == before
    session.take({"type": "acknowledge", "caution": "hands-clear"})
    assert session.state.acknowledged == {"hands-clear"}
    assert ranks(small, session.events) == ranks(small, [symptom("chips")])


@pytest.mark.parametrize("how", ["fixed-unproven", "referred", "open"])
def test_a_case_may_end_without_a_cause(small: Compiled, how: str) -> None:
    assert Session(small, [close(how)]).state.closed == how


REFUSED_WHEN_CLOSED: list[Event] = [
    {"type": "start"},
    {"type": "complaint", "text": "x"},
    symptom("chips"),
    setting("material", "resin"),
    outcome("burr-look", "sharp"),
    {"type": "unknown", "check": "burr-look"},
    {"type": "skip", "check": "burr-look"},
    remedy("clamp-burr", "helped"),
    proof("clamp-burr", True),
    close("open"),
]


@pytest.mark.parametrize("event", REFUSED_WHEN_CLOSED, ids=lambda e: str(e["type"]))
def test_a_closed_case_refuses_and_takes_it_once_reopened(small: Compiled, event: Event) -> None:
    session = Session(small, [close("confirmed", "burr-worn")])
    assert (session.state.closed, session.state.cause) == ("confirmed", "burr-worn")
    assert "closed" in refusal(session, event)
    session.take({"type": "reopen"})
    assert (session.state.closed, session.state.cause) == (None, None)
    session.take(event)


def test_a_closed_case_still_takes_notes(small: Compiled) -> None:
    session = Session(small, [close("referred")])
    session.take({"type": "note", "text": "service came"})
    assert session.state.notes == ("service came",)
    assert session.state.closed == "referred"


def test_undo_reopens_a_case_just_closed(small: Compiled) -> None:
    session = Session(small, [symptom("chips"), close("confirmed", "burr-worn"), UNDO])
    assert session.state == Session(small, [symptom("chips")]).state


# -- undo and corrections ---------------------------------------------------------------------------------------------

POOL: list[Event] = [
    {"type": "start", "mill": "A", "profile": {"inlet_pressure": 0.5}},
    {"type": "complaint", "text": "edges crumble"},
    symptom("chips"),
    symptom("slow-cut"),
    symptom("slow-cut", False),
    setting("material", "resin"),
    setting("material", "glass-ceramic"),
    setting("burr_hours", "30"),
    outcome("burr-look", "blunt"),
    outcome("burr-look", "sharp"),
    outcome("burr-tug", "moves"),
    reading("air-gauge", "0.55"),
    reading("air-gauge", "0.4"),
    outcome("since-when", "sudden"),
    {"type": "unknown", "check": "burr-look"},
    {"type": "skip", "check": "since-when"},
    {"type": "unknown", "check": "symptom:slow-cut"},
    remedy("change-burr", "no-change"),
    remedy("clamp-burr", "helped"),
    proof("clamp-burr", True),
    proof("clamp-burr", False),
    {"type": "note", "text": "n"},
    {"type": "shown", "caution": "hands-clear"},
    {"type": "acknowledge", "caution": "hose-whips"},
    close("confirmed", "burr-worn"),
    close("open"),
    {"type": "reopen"},
]


@given(st.lists(st.one_of(st.sampled_from(POOL), st.just(UNDO)), max_size=25))
@settings(max_examples=150, deadline=None)
def test_undo_equals_never_having_given_it(small: Compiled, events: list[Event]) -> None:
    session = Session(small)
    kept: list[Event] = []
    for event in events:
        if event is UNDO:
            back = [i for i, e in enumerate(kept) if e["type"] in UNDOABLE]
            if not back:
                refusal(session, UNDO)
                continue
            assert session.last_undoable() is kept[back[-1]]
            session.take(UNDO)
            del kept[back[-1]]
        else:
            try:
                session.take(event)
            except CaseError:
                assert session.state.closed
                continue
            kept.append(event)
        assert session.state == Session(small, kept).state
    assert Session(small, session.events).state == session.state


CORRECTIONS: list[Any] = [
    (outcome("burr-look", "sharp"), outcome("burr-look", "blunt")),
    (outcome("burr-look", "blunt"), {"type": "unknown", "check": "burr-look"}),
    (reading("air-gauge", "0.4"), reading("air-gauge", "0.55")),
    (reading("air-gauge", "0.4"), outcome("air-gauge", "ok")),
    (symptom("slow-cut"), symptom("slow-cut", False)),
    (setting("material", "resin"), setting("material", "glass-ceramic")),
    (setting("burr_hours", "3"), setting("burr_hours", "30")),
    pytest.param(symptom("slow-cut"), {"type": "unknown", "check": "symptom:slow-cut"}),
]


@pytest.mark.parametrize(("earlier", "later"), CORRECTIONS)
def test_changing_an_earlier_answer_equals_giving_the_new_one_at_first(
    small: Compiled, earlier: Event, later: Event
) -> None:
    before, between = [symptom("chips")], [outcome("since-when", "gradual"), outcome("burr-tug", "firm")]
    changed = Session(small, [*before, earlier, *between, later])
    at_first = Session(small, [*before, later, *between])
    assert changed.state == at_first.state
    assert ranks(small, changed.events) == ranks(small, at_first.events)


def test_a_correction_is_not_charged_again(small: Compiled) -> None:
    session = Session(small, [outcome("burr-look", "sharp")])
    before = session.state.minutes
    session.take(outcome("burr-look", "blunt"))
    assert session.state.minutes == before


# -- the ranking that follows, on the shipped knowledge -----------------------------------------------------------------


def draw(case: WorkedCase, compiled: Compiled, seed: int) -> list[Event]:
    """A random part of a worked case's events, in random order; its symptoms are all there."""
    rng = random.Random(f"{case.id} {seed}")
    events = case_session(compiled, case).events
    must = [e for e in events if e["type"] == "symptom"]
    may = [e for e in events if e["type"] != "symptom"]
    chosen = [*must, *rng.sample(may, rng.randint(min(2, len(may)), len(may)))]
    rng.shuffle(chosen)
    return chosen


SOME = random.Random(7).sample(sorted(CASES), 10)


@pytest.mark.parametrize("name", SOME)
def test_the_order_of_answers_does_not_matter_for_the_ranking(compiled: Compiled, name: str) -> None:
    given = draw(CASES[name], compiled, 1)
    first = ranks(compiled, given)
    for seed in range(2):
        shuffled = list(given)
        random.Random(seed).shuffle(shuffled)
        assert ranks(compiled, shuffled) == pytest.approx(first, abs=1e-9)


@pytest.mark.parametrize("name", SOME[:4])
def test_unknown_and_skip_change_no_ranking(compiled: Compiled, name: str) -> None:
    given = draw(CASES[name], compiled, 2)
    answered = {e.get("check") for e in given}
    free = random.Random(3).sample([c for c in compiled.kb.checks if c not in answered], 8)
    more = [{"type": "unknown" if i % 2 else "skip", "check": c} for i, c in enumerate(free)]
    unsaid = next(s for s in compiled.kb.symptoms if s not in CASES[name].symptoms)
    more.append({"type": "unknown", "check": f"symptom:{unsaid}"})
    assert ranks(compiled, [*given, *more]) == ranks(compiled, given)


@st.composite
def consultations(draw_: st.DrawFn) -> Any:
    """Choices for a random case: symptoms, settings, answers and remedies as indices into the knowledge."""
    index = st.integers(0, 10_000)
    return draw_(
        st.tuples(
            st.lists(st.tuples(index, st.booleans()), min_size=1, max_size=3),
            st.lists(st.tuples(index, index), max_size=4),
            st.lists(st.tuples(index, index, st.floats(0, 1)), max_size=9),
            st.lists(st.tuples(index, st.sampled_from(["no-change", "worse", "helped"])), max_size=2),
        )
    )


def build(compiled: Compiled, plan: Any) -> list[Event]:
    kb = compiled.kb
    symptoms, settings_, answers, remedies = plan
    ids, checks, fields = list(kb.symptoms), list(kb.checks.values()), list(kb.vocabulary.setting)
    events = [symptom(ids[i % len(ids)], there) for i, there in symptoms]
    for i, j in settings_:
        field = fields[i % len(fields)]
        if field.choices:
            value = field.choices[j % len(field.choices)]
        else:
            value = str(round(float(field.low or 0) + (j % 11) / 10 * (float(field.high or 0) - float(field.low or 0))))
        events.append(setting(field.id, value))
    for i, j, share in answers:
        check = checks[i % len(checks)]
        if check.measured and j % 2:
            low, high = float(check.plausible_from or 0), float(check.plausible_to or 0)
            events.append(reading(check.id, f"{low + share * (high - low):.6f}"))
        else:
            events.append(outcome(check.id, check.outcomes[j % len(check.outcomes)].id))
    names = list(kb.remedies)
    for i, result in {names[i % len(names)]: r for i, r in remedies}.items():
        events.append(remedy(i, result))
    return events


@given(consultations())
@settings(max_examples=60, deadline=None)
def test_whatever_is_answered_the_ranking_holds_probabilities_in_order(compiled: Compiled, plan: Any) -> None:
    view = Assessment(compiled, Session(compiled, build(compiled, plan)).state)
    values = [r.probability for r in view.ranking]
    assert values == sorted(values, reverse=True)
    assert all(0 <= v <= 1 for v in values)
    assert 0 <= view.none_of_these <= 1
    # "none" is the chance that no known cause is there, so no known cause can have more than the rest.
    assert all(v + view.none_of_these <= 1 + 1e-9 for v in values)
    # No cause that can keep the complaint alive is left out, and none that a rule excludes is there.
    shown, out = {r.cause for r in view.ranking}, set(view.verdict.excluded)
    assert (view.relevant or set()) - out <= shown <= set(compiled.kb.causes) - out
    assert sum(p for _, p in view.pairs) <= 1 + 1e-9


@pytest.mark.parametrize("seed", range(8))
def test_the_terms_of_why_rather_sum_to_the_log_odds(compiled: Compiled, seed: int) -> None:
    # Oracle: Bayes for two single causes. With a prior of 1 for one cause and 0 for all others, the log evidence of the
    # whole network is the log of that cause's likelihood.
    case = CASES[SOME[seed]]
    events = draw(case, compiled, seed)
    tried = sorted({c.remedy for name in case.causes for c in compiled.kb.causes[name].remedies})
    if seed % 2:
        events += [remedy(name, "no-change" if i else "helped") for i, name in enumerate(tried[:2])]
    view = Assessment(compiled, Session(compiled, events).state)
    net = compiled.network
    priors = compiled.priors(view.state.choices, view.state.numbers, {})

    def log_weight(cause: str) -> float:
        alone = [1.0 if c == cause else 0.0 for c in net.causes]
        odds = priors[net.index[cause]] / (1 - priors[net.index[cause]])
        return math.log(odds) + net.posterior(view.evidence, alone, view.tried).log_evidence

    rng = random.Random(seed)
    pairs = [(view.ranking[0].cause, view.ranking[1].cause)]
    pairs += [tuple(rng.sample([r.cause for r in view.ranking], 2)) for _ in range(3)]
    for first, second in pairs:
        terms = view.why_rather(first, second)
        assert sum(t.log_ratio for t in terms) == pytest.approx(log_weight(first) - log_weight(second), abs=1e-9)
        assert all(t.text for t in terms)


def test_why_rather_names_each_setting_and_finding_in_a_small_base(small: Compiled) -> None:
    events = [symptom("chips"), setting("burr_hours", "30"), outcome("burr-look", "blunt"), outcome("burr-tug", "firm")]
    terms = Assessment(small, Session(small, events).state).why_rather("burr-worn", "burr-loose")
    by_text = {t.text: t.log_ratio for t in terms}
    # Priors 12 and 5 per hundred, as odds; the odds factor of the hours stands in the cause's file.
    assert by_text["how common it is"] == pytest.approx(math.log(0.12 / 0.88) - math.log(0.05 / 0.95))
    assert by_text["its life is about used up"] == pytest.approx(math.log(3))
    assert by_text["Edge of the burr: bright and bare"] > 0
    assert by_text["Hold of the burr: does not move"] > 0
    assert "Margin chipped" in by_text
