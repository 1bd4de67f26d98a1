"""What is typed for a calculation: numbers with units and doubt, series, tables, where they come from, mistakes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from advisor.calc.base import CalcError, CalcErrors, Calculation, Given, Input, Worked, deviation, nominal
from advisor.calc.take import Taken, Taker, read_input, shown, take
from advisor.model import Instrument
from advisor.readings import convert

GAUGE = Instrument(
    id="gauge",
    title="gauge",
    quantity="pressure",
    unit="MPa",
    percent_of_span=1.6,
    span=1.0,
    resolution=0.01,
    source="common-practice",
)
DIAL = Instrument(
    id="dial",
    title="dial",
    quantity="length",
    unit="um",
    error=4,
    difference_error=3,
    resolution=1,
    source="common-practice",
)
METER = Instrument(
    id="meter",
    title="meter",
    quantity="voltage",
    unit="V",
    percent_of_reading=1.0,
    resolution=0.1,
    source="common-practice",
)
INSTRUMENTS = {i.id: i for i in (GAUGE, DIAL, METER)}

LENGTH = Input("size", "", "size of it", "mm", 0.0, 50.0, instrument="dial")
SERIES = Input("sizes", "", "sizes", "mm", 0.0, 50.0, instrument="dial", several=(1, 8))
PRESSURE = Input("inlet_pressure", "", "pressure", "MPa", 0.0, 1.6, instrument="gauge")
PLATE = Input("power", "", "power", "W", 1, 5000, percent=6)
COUNT = Input("count", "", "how many", "1", 1, 100)
KIND = Input("kind", "", "kind", choices=("copper", "aluminium", "cold-steel", "cold"))
ROWS = Input(
    "rows",
    "",
    "devices",
    columns=(
        Input("name", "", "name"),
        PLATE,
        Input("factor", "", "factor", "1", 0.1, 1.0, default="0.8"),
        Input("current", "", "amperes", "A", 0.1, 50, optional=True),
    ),
    several=(1, 4),
)
BURRS = Input(
    "burrs",
    "",
    "burrs",
    columns=(Input("name", "", "name"), Input("sizes", "", "sizes", "um", 0, 500, instrument="dial", several=(1, 4))),
    several=(1, 9),
)


def one(spec: Input, typed: Any, origin: str = "typed") -> Taken:
    return read_input(spec, typed, Taker(INSTRUMENTS), origin)


def numbers(taken: Taken) -> list[float]:
    return [nominal(v) for v in taken.value]


def calculation(*inputs: Input) -> Calculation:
    """A calculation that has nothing to do but to be asked for its inputs."""
    return Calculation("trying", "t", "s", "a?", inputs, (), lambda g: Worked({}, ()), (), {})


def taken(typed: Mapping[str, Any], *inputs: Input, **more: Any) -> Given:
    return take(calculation(*inputs), typed, INSTRUMENTS, **more)[0]


# --- one number


@pytest.mark.parametrize(
    ("typed", "value"),
    [("0.5", 0.5), ("0,5", 0.5), (".5 MPa", 0.5), ("5 bar", 0.5), ("500kPa", 0.5), (" 72,5 psi ", 0.49987), (1, 1.0)],
)
def test_a_number_is_taken_in_its_unit_or_the_usual_one(typed: Any, value: float) -> None:
    assert nominal(one(PRESSURE, typed).value) == pytest.approx(value, rel=1e-4)


def test_a_gauge_gives_its_class_as_a_rectangle_and_its_resolution() -> None:
    """JCGM 100, 4.3.7: 1.6 % of 1 MPa is +-0.016, u = 0.016 / sqrt 3; a step of 0.01 adds 0.01 / sqrt 12."""
    reading = one(PRESSURE, "5 bar")
    assert deviation(reading.value) == pytest.approx(math.hypot(0.016 / math.sqrt(3), 0.01 / math.sqrt(12)))
    assert reading.instruments == ("gauge",)


def test_a_plate_gives_a_share_of_its_value_and_a_count_is_exact() -> None:
    assert deviation(one(PLATE, "1 kW").value) == pytest.approx(1000 * 0.06 / math.sqrt(3))
    assert deviation(one(COUNT, "3").value) == 0


def test_another_instrument_goes_behind_an_at_sign() -> None:
    usual, other = one(Input("u", "", "u", "V", 0, 300), "200"), one(Input("u", "", "u", "V", 0, 300), "200 V @meter")
    assert (usual.instruments, deviation(usual.value)) == ((), 0)
    assert other.instruments == ("meter",)
    assert deviation(other.value) == pytest.approx(math.hypot(2 / math.sqrt(3), 0.1 / math.sqrt(12)))


def test_a_value_nobody_read_has_no_doubt_of_an_instrument() -> None:
    assert deviation(one(LENGTH, "5 mm", "default").value) == 0
    assert deviation(one(LENGTH, "5 mm", "typed").value) > 0
    assert deviation(one(LENGTH, "5 mm @dial", "fixed").value) > 0


@pytest.mark.parametrize(
    ("spec", "typed", "said"),
    [
        (LENGTH, "about 5", "'about 5' is no number: type one such as 25 mm"),
        (LENGTH, "5 MPa", "give it in mm"),
        (LENGTH, "5 furlong", "no unit known"),
        (LENGTH, "51", "outside 0 to 50 mm"),
        (LENGTH, "5.000,5", "two ways"),
        (LENGTH, "1 2", "two ways"),
        (LENGTH, "5 @dail", "did you mean dial"),
        (LENGTH, "5 @", "no instrument"),
        (LENGTH, "5 @gauge", "does not read in mm"),
        (KIND, "brass", "none of copper, aluminium"),
        (SERIES, " ".join("5" * 9), "9 numbers given, 1 to 8"),
    ],
)
def test_what_cannot_be_taken_is_told_with_its_name(spec: Input, typed: str, said: str) -> None:
    with pytest.raises(CalcError) as caught:
        one(spec, typed)
    assert caught.value.field == spec.id
    assert str(caught.value).startswith(spec.option)
    assert said in str(caught.value)


# --- words


@pytest.mark.parametrize(
    ("typed", "word"), [("1", "copper"), ("2", "aluminium"), ("cop", "copper"), (" ALU", "aluminium"), ("cold", "cold")]
)
def test_a_choice_is_a_number_a_beginning_or_the_word(typed: str, word: str) -> None:
    assert one(KIND, typed).value == word


@pytest.mark.parametrize("typed", ["0", "5", "c", "col", "copperish", "²"])
def test_a_choice_that_is_none_or_not_clear_is_refused(typed: str) -> None:
    with pytest.raises(CalcError):
        one(KIND, typed)


# --- series


@pytest.mark.parametrize(
    ("typed", "values"),
    [
        ("3.1 3.2 3.3", [3.1, 3.2, 3.3]),
        ("3,1; 3,2;3,3", [3.1, 3.2, 3.3]),
        ("3.1, 3.2, 3.3", [3.1, 3.2, 3.3]),
        ("3,1, 3,2", [3.1, 3.2]),
        ("3100 3200 um", [3.1, 3.2]),
        ("3.1 mm 3200 um", [3.1, 3.2]),
        ("3.1mm 0,32 cm", [3.1, 3.2]),
        (["3.1", "3.2 mm"], [3.1, 3.2]),
        ("7", [7.0]),
    ],
)
def test_a_series_is_split_and_its_unit_serves_all(typed: Any, values: list[float]) -> None:
    assert numbers(one(SERIES, typed)) == pytest.approx(values)


def test_a_unit_that_begins_with_a_digit_is_no_reading() -> None:
    speeds = Input("speeds", "", "speeds", "rpm", 0, 60000, several=(1, 5))
    assert numbers(one(speeds, "10000 1/min 20000 1/min")) == pytest.approx([10000, 20000])


def test_a_series_has_one_instrument() -> None:
    series = Input("u", "", "u", "V", 0, 300, several=(1, 9))
    reading = one(series, "229 231 V @meter")
    assert numbers(reading) == [229, 231]
    assert reading.instruments == ("meter",)
    assert all(deviation(v) > 1 for v in reading.value)


UNITS = ("mm", "um", "cm", "m", "inch", "thou")
sizes = st.lists(st.floats(0.001, 49.9).map(lambda v: float(f"{v:.5g}")), min_size=1, max_size=8)


@given(sizes, st.sampled_from(UNITS), st.sampled_from([" ", "; ", ", ", "  "]), st.booleans(), st.booleans())
def test_a_series_comes_back_whatever_unit_it_is_typed_in(
    values: list[float], unit: str, between: str, each: bool, comma: bool
) -> None:
    texts = [f"{convert(v, 'mm', unit):.6f}" for v in values]
    if comma:
        texts = [t.replace(".", ",") for t in texts]
    typed = between.join(f"{t} {unit}" for t in texts) if each else between.join(texts) + f" {unit}"
    step = convert(1e-6, unit, "mm")
    assert numbers(one(SERIES, typed)) == pytest.approx(values, abs=step)


# --- tables


def test_a_line_is_split_at_blanks_and_the_rest_is_usual() -> None:
    (row,) = one(ROWS, ["mill 600"]).value
    assert row["name"] == "mill"
    assert (nominal(row["power"]), row["factor"], row["current"]) == (600, 0.8, None)


def test_strokes_allow_blanks_units_and_gaps() -> None:
    (row,) = one(ROWS, ["big mill | 0,6 kW | | 3 A"]).value
    assert row["name"] == "big mill"
    assert (nominal(row["power"]), row["factor"], nominal(row["current"])) == (600, 0.8, 3)
    assert one(ROWS, ["mill | 600 |"]).value[0]["factor"] == 0.8
    assert one(ROWS, ["mill|600|1|2|"]).value[0]["factor"] == 1


def test_lines_come_as_a_list_or_as_one_text() -> None:
    several = one(ROWS, "mill 600\n\nfan 200 0.9")
    assert [r["name"] for r in several.value] == ["mill", "fan"]
    assert several.typed == ["mill 600", "fan 200 0.9"]


def test_a_last_column_of_readings_takes_the_rest_of_the_line() -> None:
    first, second = one(BURRS, ["a 3 4 5 um", "b | 7 8 @dial"]).value
    assert [nominal(v) for v in first["sizes"]] == [3, 4, 5]
    assert [nominal(v) for v in second["sizes"]] == [7, 8]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("fan", "power is missing (1 to 5000 W)"),
        ("fan 9000", "power: 9000 W is outside 1 to 5000 W"),
        ("fan 200 much", "'much' is no number"),
        ("fan 200 0.9 3 4", "has 5 parts"),
        ("fan | 200 | 0.9 | 3 | 4", "has 5 parts"),
        ("| 200", "name is missing"),
        ("", "name is missing"),
    ],
)
def test_a_mistake_in_a_table_is_told_with_its_line(line: str, said: str) -> None:
    with pytest.raises(CalcError) as caught:
        one(ROWS, ["mill 600", line])
    assert caught.value.field == "rows"
    assert str(caught.value).startswith("rows, line 2: ")
    assert said in str(caught.value)


def test_a_table_with_too_many_lines_is_told() -> None:
    with pytest.raises(CalcError, match="5 lines given, 1 to 4 are needed"):
        one(ROWS, ["a 1"] * 5)


# --- where a value comes from


PAPERS = Input("inlet_pressure", "", "pressure", "MPa", 0, 1.6, profile="inlet_pressure", default="0.6 MPa")


@pytest.mark.parametrize(
    ("typed", "fixed", "profile", "value", "origin"),
    [
        ("0.4", "0.3", 0.5, 0.3, "fixed"),
        ("0.4", None, 0.5, 0.4, "typed"),
        ("", None, 0.5, 0.5, "profile"),
        (None, None, None, 0.6, "default"),
    ],
)
def test_a_check_goes_before_the_typed_then_the_mills_papers_then_the_usual(
    typed: str | None, fixed: str | None, profile: float | None, value: float, origin: str
) -> None:
    numbers, used = take(
        calculation(PAPERS),
        {} if typed is None else {"inlet-pressure": typed},
        INSTRUMENTS,
        None if profile is None else {"inlet_pressure": profile},
        None if fixed is None else {"inlet-pressure": fixed},
    )
    assert nominal(numbers["inlet_pressure"]) == pytest.approx(value)
    assert used["inlet_pressure"].origin == origin


def test_a_value_of_the_papers_is_in_the_papers_unit() -> None:
    numbers = taken({}, PAPERS, profile={"inlet_pressure": 5.5}, profile_units={"inlet_pressure": "bar"})
    assert nominal(numbers["inlet_pressure"]) == pytest.approx(0.55)


def test_an_optional_input_may_stay_away() -> None:
    spare = Input("spare", "", "spare", "mm", 0, 1, optional=True)
    row = Input("more", "", "more", "mm", 0, 1, optional=True, several=(1, 3))
    numbers = taken({"size": "5"}, LENGTH, spare, row)
    assert numbers["spare"] is None
    assert numbers["more"] == []


# --- all problems at once


def test_all_problems_come_in_one_go_with_the_nearest_names() -> None:
    with pytest.raises(CalcErrors) as caught:
        taken({"seize": "5", "kind": "brass", "count": "0", "rows": ["mill"]}, LENGTH, KIND, COUNT, PLATE, ROWS)
    problems = {p.field: str(p) for p in caught.value.problems}
    assert set(problems) == {"seize", "size", "kind", "count", "power", "rows"}
    assert "did you mean size" in problems["seize"]
    assert "size is missing: size of it (0 to 50 mm)" in problems["size"]
    assert "line 1" in problems["rows"]
    assert str(caught.value).splitlines() == [str(p) for p in caught.value.problems]


def test_an_unknown_input_like_none_is_answered_with_all_names() -> None:
    with pytest.raises(CalcErrors, match="inputs: size, kind"):
        taken({"xyzzy": "5", "size": "5", "kind": "1"}, LENGTH, KIND)


# --- the shared error of one instrument


def test_readings_on_one_dial_share_what_a_difference_cancels() -> None:
    """JCGM 100, F.1.2.3, by hand: a reading has u^2 = 4^2/3 + 1/12 = 5.4167 um^2. Two readings differ by at most 3 um:
    3 / sqrt 3 = sqrt 3, so each has sqrt(1.5) of its own and 5.4167 - 1.5 = 3.9167 um^2 in common. Then the
    difference has u = sqrt 3; the mean of two has sqrt(1.5/2 + 3.9167)."""
    numbers = taken({"size": "5", "other": "5.01"}, LENGTH, Input("other", "", "o", "mm", 0, 50, instrument="dial"))
    first, second = numbers["size"] * 1000, numbers["other"] * 1000
    assert deviation(first) == pytest.approx(math.sqrt(5.4166667))
    assert deviation(second - first) == pytest.approx(math.sqrt(3))
    assert deviation((first + second) / 2) == pytest.approx(math.sqrt(0.75 + 3.9166667))


def test_a_mean_is_never_better_than_the_instrument() -> None:
    """By hand, no error of a difference known: the four readings share all but the resolution, so
    u^2 = 0.01^2/12/4 + 0.016^2/3."""
    series = Input("p", "", "p", "MPa", 0, 1, instrument="gauge", several=(1, 9))
    values = one(series, "0.5 0.5 0.5 0.5").value
    assert deviation(sum(values) / 4) == pytest.approx(math.sqrt(0.01**2 / 48 + 0.016**2 / 3))


def test_two_readings_on_a_gauge_of_unknown_difference_share_nothing() -> None:
    other = Input("outlet", "", "o", "MPa", 0, 1.6, instrument="gauge")
    numbers = taken({"inlet-pressure": "0.6", "outlet": "0.5"}, PRESSURE, other)
    single = deviation(numbers["outlet"])
    assert deviation(numbers["inlet_pressure"] - numbers["outlet"]) == pytest.approx(single * math.sqrt(2))


def test_two_series_on_a_gauge_of_unknown_difference_share_nothing() -> None:
    first = Input("idle", "", "i", "MPa", 0, 1.6, instrument="gauge", several=(1, 9))
    second = Input("load", "", "l", "MPa", 0, 1.6, instrument="gauge", several=(1, 9))
    numbers = taken({"idle": "0.6 0.6", "load": "0.5 0.5"}, first, second)
    difference = sum(numbers["idle"]) / 2 - sum(numbers["load"]) / 2
    assert deviation(difference) >= 0.016 / math.sqrt(3)  # no better than one reading on that gauge


def test_two_instruments_share_nothing() -> None:
    twin = INSTRUMENTS | {"dial-b": DIAL.model_copy(update={"id": "dial-b"})}
    other = Input("other", "", "o", "mm", 0, 50, instrument="dial-b")
    numbers, _ = take(calculation(LENGTH, other), {"size": "5", "other": "6"}, twin)
    assert deviation(numbers["other"] - numbers["size"]) == pytest.approx(deviation(numbers["size"]) * math.sqrt(2))


# --- nothing typed breaks it


odd = st.one_of(
    st.text(max_size=40),
    st.from_regex(
        r"[-+]?[0-9.,]{0,6}(e[-+]?[0-9]{1,3})?[ ;,|]?(mm|um|bar|1/min|°|%|\"|@dial|@)?[ ;|]?[0-9]?", fullmatch=True
    ),
    st.lists(st.text(max_size=12), max_size=4),
    st.floats(),
    st.integers(),
    st.booleans(),
)


@given(st.sampled_from([LENGTH, SERIES, PRESSURE, PLATE, COUNT, KIND, ROWS, BURRS]), odd)
def test_anything_typed_is_taken_within_its_range_or_told(spec: Input, typed: Any) -> None:
    try:
        reading, problem = one(spec, typed), None
    except CalcError as error:
        reading, problem = None, error
    if problem is not None:
        assert problem.field == spec.id
        assert str(problem)
    elif reading is not None and spec.choices:
        assert reading.value in spec.choices
    elif reading is not None and not spec.columns:
        flat = reading.value if spec.several else [reading.value]
        assert all(spec.low <= nominal(v) <= spec.high and deviation(v) >= 0 for v in flat)


@given(st.dictionaries(st.sampled_from(["size", "sizes", "kind", "rows", "count", "nothing", ""]), odd, max_size=5))
def test_any_set_of_inputs_is_taken_or_every_problem_told(typed: dict[str, Any]) -> None:
    named = {"size", "sizes", "kind", "rows", "count"}
    told: set[str] = set()
    done: set[str] = set()
    try:
        done = set(taken(typed, LENGTH, SERIES, KIND, ROWS, COUNT))
    except CalcErrors as error:
        told = {p.field for p in error.problems if str(p)}
    assert told >= typed.keys() ^ named  # the unknown and the missing ones
    assert done == (set() if told else named)


def test_a_unit_and_an_instrument_stay_with_their_number_in_a_line_of_blanks() -> None:
    table = Input(
        "rows",
        "",
        "r",
        several=(1, 9),
        columns=(
            Input("name", "", "n"),
            Input("size", "", "s", "mm", 0, 100),
            Input("share", "", "f", "%", 0, 100, default="100"),
        ),
    )
    plain = taken({"rows": ["a 2 50", "b 3"]}, table)["rows"]
    units = taken({"rows": ["a 2 mm 50 %", "b 3 mm"]}, table)["rows"]
    assert [(r["name"], float(r["size"]), float(r["share"])) for r in units] == [("a", 2, 50), ("b", 3, 100)]
    assert plain == units


def test_two_readings_never_share_their_rounding() -> None:
    """A gauge whose difference is said to be better than its own steps: each reading keeps u = 0.02 / sqrt 12."""
    coarse = GAUGE.model_copy(update={"resolution": 0.02, "difference_error": 0.001})
    taker = Taker({"gauge": coarse})
    first, second = (read_input(PRESSURE, t, taker).value for t in ("0.50", "0.40"))
    assert deviation(first - second) == pytest.approx(0.02 / math.sqrt(6))


def test_a_pair_is_asked_for_as_two() -> None:
    pair = Input("pair", "", "pair", "mm", 0, 9, several=(2, 2))
    assert pair.range_text.startswith("2 numbers")
    with pytest.raises(CalcError, match="1 number given, 2 are needed"):
        one(pair, "3")


def test_a_long_series_is_cut_to_the_room_with_its_count() -> None:
    taken_ = one(SERIES, "10.5 11.5 12.5 13.5 14.5")
    assert shown(taken_) == "10.5 11.5 12.5 13.5 14.5 mm (5)"
    assert shown(taken_, 22) == "10.5 11.5 ... mm (5)"
