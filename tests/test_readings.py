"""Readings as people type them, instruments' uncertainty, and the chance that a true value lies in a range."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any, TypeVar

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.model import Check, Instrument, Knowledge
from advisor.readings import (
    ReadingError,
    conformance,
    convert,
    dimension,
    outcome_weights,
    parse_number,
    parse_reading,
    standard_uncertainty,
    unit_name,
)

T = TypeVar("T")


def check(unit: str, low: float, high: float, limit: float | str = 1.0) -> Check:
    """A measuring check with two outcomes that meet at `limit`."""
    return Check.model_validate(
        {
            "id": "some-check",
            "title": "Some check",
            "ask": "What does it show?",
            "kind": "measure",
            "system": "air",
            "minutes": 1,
            "how": ["Read it."],
            "expect": "A value.",
            "quantity": "some quantity",
            "unit": unit,
            "plausible_from": low,
            "plausible_to": high,
            "instrument": "some-gauge",
            "outcomes": [
                {"id": "ok", "label": "at or above", "from": str(limit)},
                {"id": "low", "label": "below", "to": str(limit)},
            ],
            "source": "common-practice",
        }
    )


def instrument(**accuracy: object) -> Instrument:
    data = {"id": "some-gauge", "title": "gauge", "quantity": "pressure", "unit": "MPa", "source": "common-practice"}
    return Instrument.model_validate({**data, **accuracy})


PRESSURE = check("MPa", 0, 1.2)

# -- units ------------------------------------------------------------------------------------------------------------

# What we write -> the same unit in pint's own registry, grouped by quantity.
UNITS = {
    "pressure": {
        "Pa": "pascal",
        "hPa": "hectopascal",
        "kPa": "kilopascal",
        "MPa": "megapascal",
        "GPa": "gigapascal",
        "mbar": "millibar",
        "bar": "bar",
        "psi": "psi",
        "kgf/cm²": "kilogram_force / centimeter ** 2",
        "at": "technical_atmosphere",
        "atm": "standard_atmosphere",
        "N/m²": "newton / meter ** 2",
    },
    "length": {
        "um": "micrometer",
        "mm": "millimeter",
        "cm": "centimeter",
        "dm": "decimeter",
        "m": "meter",
        "km": "kilometer",
        "in": "inch",
        '"': "inch",
        "thou": "thou",
        "mil": "thou",
    },
    "time": {"ms": "millisecond", "s": "second", "min": "minute", "h": "hour", "d": "day"},
    "mass": {"mg": "milligram", "g": "gram", "kg": "kilogram"},
    "temperature": {"°C": "degC", "degC": "degC", "°F": "degF", "degF": "degF", "K": "kelvin"},
    "force": {"N": "newton", "kN": "kilonewton", "mN": "millinewton"},
    "volume": {
        "mL": "milliliter",
        "dL": "deciliter",
        "L": "liter",
        "m³": "meter ** 3",
        "cm³": "centimeter ** 3",
        "mm3": "millimeter ** 3",
        "gal": "gallon",
        "ft3": "foot ** 3",
    },
    "area": {"mm2": "millimeter ** 2", "cm²": "centimeter ** 2"},
    "resistance": {"ohm": "ohm", "kohm": "kiloohm"},
    "toughness": {"MPa.m^0.5": "megapascal * meter ** 0.5", "toughness": "megapascal * meter ** 0.5"},
    "expansion": {"um/(m.K)": "micrometer / meter / kelvin", "ppm/K": "millimeter / kilometer / kelvin"},
    "conductance": {"dm3/(s.bar)": "liter / second / bar", "sonic_conductance": "liter / second / bar"},
    "voltage": {"mV": "millivolt", "V": "volt", "kV": "kilovolt"},
    "current": {"mA": "milliampere", "A": "ampere"},
    "power": {
        "mW": "milliwatt",
        "W": "watt",
        "kW": "kilowatt",
        "VA": "volt * ampere",
        "kVA": "kilovolt * ampere",
        "hp": "horsepower",
    },
    "frequency": {"Hz": "hertz", "kHz": "kilohertz", "MHz": "megahertz"},
    "rotation": {"rpm": "turn / minute", "turn/s": "turn / second"},
    "flow": {
        "L/min": "liter / minute",
        "mL/min": "milliliter / minute",
        "L/s": "liter / second",
        "lpm": "liter / minute",
        "m³/h": "meter ** 3 / hour",
        "cfm": "foot ** 3 / minute",
        "mL/h": "milliliter / hour",
    },
    "speed": {"mm/min": "millimeter / minute", "mm/s": "millimeter / second", "m/s": "meter / second"},
    "decay": {"MPa/min": "megapascal / minute", "kPa/min": "kilopascal / minute", "bar/min": "bar / minute"},
    "content": {
        "mg/L": "milligram / liter",
        "g/L": "gram / liter",
        "kg/m³": "kilogram / meter ** 3",
        "mg/m3": "milligram / meter ** 3",
    },
}
# Scales of their own, which convert into nothing else.
ALONE = {"%": "percent", "Bx": "brix", "pH": "pH_unit", "1": "one", "°": "degree_angle", "dB": "decibel"}


@pytest.fixture(scope="module")
def pints_own() -> pint.UnitRegistry[Any]:
    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@pytest.mark.parametrize("quantity", UNITS)
def test_units_convert_as_in_pints_own_registry(quantity: str, pints_own: pint.UnitRegistry[Any]) -> None:
    for (unit, theirs), (to, theirs_to) in itertools.permutations(UNITS[quantity].items(), 2):
        scale = abs(pints_own.Quantity(1.0, theirs).to(theirs_to).magnitude)
        for value in (0.0, 1.0, -17.25, 6.02e4):
            expected = pints_own.Quantity(value, theirs).to(theirs_to).magnitude
            assert convert(value, unit, to) == pytest.approx(expected, rel=1e-9, abs=1e-9 * scale), (unit, to)


def test_every_unit_of_the_shipped_knowledge_is_among_the_tested_ones(kb: Knowledge) -> None:
    tested = {unit for known in UNITS.values() for unit in known} | set(ALONE) | {"mm/m", "CFU/mL", "deg", ""}
    used = {c.unit for c in kb.checks.values() if c.measured}
    used |= {i.unit for i in kb.instruments.values()} | {m.unit for m in kb.vocabulary.mill}
    used |= {f.unit for f in kb.vocabulary.setting if f.unit}
    assert used <= tested


def test_units_without_a_conversion_fit_only_themselves() -> None:
    everything = [next(iter(known)) for known in UNITS.values()]
    for unit, name in ALONE.items():
        assert convert(2.5, unit, name) == 2.5
        for other in (*everything, *(u for u in ALONE if u != unit)):
            assert dimension(unit) != dimension(other)


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        (0.6, "MPa", "bar", 6.0),  # SI Brochure, 9th ed.: 1 bar = 0.1 MPa (from memory)
        (0.6, "MPa", "psi", 87.0226),  # from 1 psi = 6894.757 Pa
        (1, "kgf/cm2", "bar", 0.980665),  # standard gravity, exact by definition (from memory)
        (1, "°dH", "mg/L", 17.85),  # as calcium carbonate: 10 mg/L CaO, German occupational-safety text
        (1, "°fH", "mg/L", 10.0),
        (180, "ppm", "°dH", 10.084),
        (1.0, "mm/m", "um/m", 1000.0),
        (3, "CFU/mL", "CFU/L", 3000.0),
        (60000, "1/min", "rpm", 60000),
    ],
)
def test_known_values(value: float, unit: str, to: str, expected: float) -> None:
    assert convert(value, unit, to) == pytest.approx(expected, rel=5e-4)


# -- what people type -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("0,55 MPa", "MPa", 0.55),
        ("0.55MPa", "MPa", 0.55),
        ("0.55", "MPa", 0.55),
        (".55", "MPa", 0.55),
        ("5.5 bar", "MPa", 0.55),
        ("550 kPa", "MPa", 0.55),
        ("80 psi", "MPa", 0.551581),
        ("80 psig", "MPa", 0.551581),
        ("5,6 kgf/cm²", "MPa", 0.549172),
        ("12 um", "um", 12),
        ("12 µm", "um", 12),  # micro sign
        ("12 μm", "um", 12),  # Greek letter
        ("12 micron", "um", 12),
        ("0,012 mm", "um", 12),
        ("8 Bx", "Bx", 8),
        ("8 °Bx", "Bx", 8),
        ("8.5 %", "%", 8.5),
        ("68 °F", "degC", 20),
        ("20 °C", "degC", 20),
        ("20\u202f°C", "degC", 20),
        ("\u22120,5", "pH", -0.5),
        ("2,5 min", "s", 150),
        ("90 sec", "s", 90),
        ("1.5 h", "min", 90),
        ("5e5 KBE/ml", "CFU/mL", 5e5),
        ("10 °dH", "mg/L", 178.5),
        ("60000 rpm", "rpm", 60000),
    ],
)
def test_common_notations(text: str, unit: str, expected: float) -> None:
    reading = parse_reading(text, check(unit, -1e9, 1e9))
    assert reading.value == pytest.approx(expected, rel=2e-4)
    assert (reading.unit, reading.typed) == (unit, text)


@pytest.mark.parametrize("text", ["5.5 BAR", "5.5 Bar", "79.77 PSI"])
def test_the_case_of_a_pressure_unit_does_not_matter(text: str) -> None:
    assert parse_reading(text, PRESSURE).value == pytest.approx(0.55, rel=1e-4)


def test_turns_are_taken_per_minute_as_on_a_plate() -> None:
    assert parse_reading("60000 1/min", check("rpm", 0, 1e5)).value == 60000


def test_a_reading_keeps_the_instrument_it_was_taken_with() -> None:
    assert parse_reading("0.5", PRESSURE).instrument == "some-gauge"
    assert parse_reading("0.5", PRESSURE, "test-gauge").instrument == "test-gauge"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("5.5 um", "'um' is no unit of this quantity: give it in MPa"),
        ("5.5 furlongs", "'furlongs' is no unit known here"),
        ("1,234.5 kPa", "one decimal sign and no thousands separators"),
        ("1.234,5 kPa", "one decimal sign and no thousands separators"),
        ("0.5.5 MPa", "one decimal sign"),
        ("0,,5 MPa", "one decimal sign"),
        ("1 000 kPa", "no thousands separators"),
        ("1\u00a0000 kPa", "no thousands separators"),
        ("5.5", "5.5 MPa is outside 0 to 1.2 MPa: check the unit and the decimal sign"),
        ("55 bar", "outside 0 to 1.2 MPa"),
        ("-0.1 MPa", "outside 0 to 1.2 MPa"),
        ("about half", "type a number and its unit, such as 0.55 MPa"),
        ("", "type a number and its unit"),
        ("nan", "type a number and its unit"),
        ("inf", "type a number and its unit"),
        ("1" * 61, "too long for a reading"),
    ],
)
def test_refusals_say_what_to_type_instead(text: str, says: str) -> None:
    with pytest.raises(ReadingError) as refused:
        parse_reading(text, PRESSURE)
    assert says in str(refused.value)


def test_an_apostrophe_between_thousands_is_refused_as_such() -> None:
    with pytest.raises(ReadingError, match="no thousands separators"):
        parse_reading("1'000 kPa", PRESSURE)


# Repeated powers such as MPa**9**9**9 keep pint busy for ever; MPa**1 stands for them here.
@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("0.5 MPa**1", "MPa"),
        ("0.5 (MPa)", "MPa"),
        ("0.5 MPa*1", "MPa"),
        ("0.5 MPa # a remark", "MPa"),
        ("0.5 MPa#\x1b[2J", "MPa"),
        ("0.5 MPa\x00", "MPa"),
        ("0.5 km**150/m**150*MPa", "MPa"),
        ("20 delta_degC", "degC"),
        ("20 degC**2/K", "degC"),
    ],
)
def test_a_unit_is_a_name_and_no_formula(text: str, unit: str) -> None:
    with pytest.raises(ReadingError):
        parse_reading(text, check(unit, 0, 100))


# -- any text at all --------------------------------------------------------------------------------------------------

UNIT_PARTS = [
    "MPa",
    "bar",
    "°",
    "C",
    "F",
    "K",
    "µ",
    "m",
    "²",
    "³",
    "/",
    " ",
    "%",
    "mm",
    "L",
    "min",
    "d",
    "'",
    '"',
    ".",
    ",",
]
CONTROL = st.characters(categories=("Cc", "Cf", "Zs"))
SCRAWL = st.one_of(
    st.text(max_size=70),
    st.text(CONTROL, max_size=10),
    st.builds("{}{}".format, st.floats(), st.text(max_size=12)),
    st.builds("{}{}{}".format, st.integers(), st.text(CONTROL, max_size=3), st.text(max_size=8)),
    st.builds("{} {}".format, st.integers(0, 99), st.lists(st.sampled_from(UNIT_PARTS), max_size=5).map("".join)),
)


def taken(call: Callable[..., T], *args: object) -> T | str:
    """What the call returns, or the text of its ReadingError; any other error goes through."""
    try:
        return call(*args)
    except ReadingError as refused:
        return str(refused)


@settings(max_examples=300, deadline=None)
@given(SCRAWL)
def test_any_text_is_a_number_or_a_reading_error(text: str) -> None:
    found = taken(parse_number, text)
    assert len(found) > 5 if isinstance(found, str) else math.isfinite(found[0])


@settings(max_examples=300, deadline=None)
@given(SCRAWL, st.sampled_from(["MPa", "degC", "um", "%"]))
def test_any_text_is_a_plausible_reading_or_a_reading_error(text: str, unit: str) -> None:
    found = taken(parse_reading, text, check(unit, 0, 100))
    assert len(found) > 5 if isinstance(found, str) else 0 <= found.value <= 100


@settings(max_examples=150, deadline=None)
@given(
    st.decimals(-(10**6), 10**6, places=4),
    st.sampled_from(".,"),
    st.sampled_from(["", " ", "\u00a0"]),
    st.sampled_from(["MPa", "°C", "%", "mm/min", ""]),
)
def test_a_number_written_out_is_read_back(number: Decimal, sign: str, gap: str, unit: str) -> None:
    assert parse_number(f"{number:f}".replace(".", sign) + gap + unit) == (float(number), unit)


@settings(max_examples=150, deadline=None)
@given(st.data(), st.floats(0.01, 1000))
def test_a_reading_in_any_fitting_unit_comes_back_in_the_checks_unit(data: st.DataObject, value: float) -> None:
    quantity = data.draw(st.sampled_from(sorted(UNITS)))
    own, other = (data.draw(st.sampled_from(sorted(UNITS[quantity]))) for _ in range(2))
    typed = f"{convert(value, own, other):.17g} {other}"
    reading = parse_reading(typed, check(own, 0, 2000))
    assert reading.value == pytest.approx(value, rel=1e-9, abs=1e-6 if quantity == "temperature" else 0)


@pytest.mark.parametrize("text", ["furlong", "MPa abs", "-", "!", "MPa MPa", "2"])
def test_an_unknown_unit_is_refused_by_name(text: str) -> None:
    with pytest.raises(ReadingError, match=re.escape(f"'{text}' is no unit known here")):
        unit_name(text)


# -- uncertainty ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("grade", "span", "resolution", "u"),
    [
        (2.5, 1.0, 0.0, 0.0144338),  # error 0.025, over sqrt(3)
        (1.6, 1.6, 0.0, 0.0147802),  # error 0.0256
        (1.0, 1.0, 0.0, 0.0057735),
        (2.5, 1.0, 0.02, 0.0155456),  # and 0.02 / sqrt(12) = 0.0057735, added in squares
    ],
)
def test_a_gauge_class_is_percent_of_the_span(grade: float, span: float, resolution: float, u: float) -> None:
    """EN 837-1 (from memory): the class is the permissible error in percent of span, the same at every reading.
    Rectangular, so over sqrt(3) (JCGM 100:2008, 4.3.7)."""
    gauge = instrument(percent_of_span=grade, span=span, resolution=resolution)
    for reading in (0.1, 0.6, 1.0):
        assert standard_uncertainty(gauge, reading, "MPa") == pytest.approx(u, rel=1e-4)
    assert standard_uncertainty(gauge, 6.0, "bar") == pytest.approx(10 * u, rel=1e-4)


def test_percent_of_reading_grows_with_the_reading_in_any_unit() -> None:
    meter = instrument(unit="V", percent_of_reading=1.0)
    assert standard_uncertainty(meter, 230, "V") == pytest.approx(2.3 / math.sqrt(3))
    assert standard_uncertainty(meter, -115, "V") == pytest.approx(1.15 / math.sqrt(3))
    assert standard_uncertainty(meter, 230_000, "mV") == pytest.approx(2300 / math.sqrt(3))


def test_an_uncertainty_of_temperature_takes_no_offset() -> None:
    thermometer = instrument(unit="degC", error=0.5)
    assert standard_uncertainty(thermometer, 68, "degF") == pytest.approx(0.5 / math.sqrt(3) * 1.8)


# -- conformance ------------------------------------------------------------------------------------------------------


def over_process(weight: float, low: float, high: float) -> tuple[float, float]:
    """JCGM 106:2012 clause 9, precision resistors: process N(1500, 0.12^2) ohm, tolerance 1499.80 to 1500.20,
    instrument 0.04 ohm, accepted from `low` to `high`. Global consumer's and producer's risk by the midpoint rule.

    A true value y is accepted when its reading falls into the acceptance interval: by symmetry that is the
    conformance of y to the acceptance interval.
    """
    consumer = producer = 0.0
    width = 0.0005
    for i in range(-2400, 2400):
        y = 1500 + (i + 0.5) * width
        share = math.exp(-(((y - 1500) / 0.12) ** 2) / 2) / (0.12 * math.sqrt(2 * math.pi)) * width
        accepted = conformance(y, weight, low, high)
        if 1499.80 < y < 1500.20:
            producer += share * (1 - accepted)
        else:
            consumer += share * accepted
    return consumer, producer


@pytest.mark.parametrize(
    ("guard", "consumer", "producer"),
    [(0.02, 0.009878, 0.069027), (0.0, 0.018942, 0.037208), (-0.02, 0.031145, 0.017554)],
)
def test_global_risks_of_the_resistor_example(guard: float, consumer: float, producer: float) -> None:
    """Inputs of JCGM 106:2012 clause 9 (second-hand); risks computed from them (published: 1 % and 7 %, from memory)."""
    found = over_process(0.04, 1499.80 + guard, 1500.20 - guard)
    assert found == pytest.approx((consumer, producer), abs=2e-6)


def test_conforming_share_of_the_resistor_process() -> None:
    """Same example: 0.90442 of the process lies within the tolerance."""
    assert conformance(1500, 0.12, 1499.80, 1500.20) == pytest.approx(0.90442, abs=5e-6)


@pytest.mark.parametrize(("factor", "probability"), [(0.0, 0.5), (1.645, 0.95), (2.0, 0.97725), (2.326, 0.99)])
def test_guard_band_against_a_one_sided_limit(factor: float, probability: float) -> None:
    """JCGM 106:2012 (second-hand): a guard band of 1.645 u leaves 5 %, of 2.326 u 1 %, of U = 2 u 2.28 % risk."""
    u = 0.013
    assert conformance(0.6 + factor * u, u, 0.6, math.inf) == pytest.approx(probability, abs=1e-4)
    assert conformance(0.6 - factor * u, u, -math.inf, 0.6) == pytest.approx(probability, abs=1e-4)


def test_without_uncertainty_the_lower_limit_belongs_to_the_range() -> None:
    assert [conformance(v, 0, 1, 2) for v in (0.999, 1.0, 1.999, 2.0)] == [0, 1, 1, 0]


# -- outcomes ---------------------------------------------------------------------------------------------------------

GAUGE = instrument(percent_of_span=2.5, span=1)


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 0.5), st.floats(0.2, 0.9))
def test_outcomes_are_mirrored_at_a_limit_and_sum_to_one(distance: float, limit: float) -> None:
    each = check("MPa", 0, 2, limit)
    above = outcome_weights(each, limit + distance, GAUGE, {})
    below = outcome_weights(each, limit - distance, GAUGE, {})
    assert sum(above.values()) == pytest.approx(1, abs=1e-12)
    assert above["ok"] == pytest.approx(below["low"], abs=1e-9)
    assert above["low"] == pytest.approx(below["ok"], abs=1e-9)
    assert above["ok"] >= 0.5 - 1e-9


def test_a_reading_on_the_limit_says_one_half() -> None:
    assert outcome_weights(check("MPa", 0, 2, 0.6), 0.6, GAUGE, {}) == pytest.approx({"ok": 0.5, "low": 0.5})


def test_limits_come_from_the_mills_own_papers() -> None:
    each = check("MPa", 0, 2, "0.9 x inlet_pressure")
    crisp = [outcome_weights(each, 0.55, None, {"inlet_pressure": p})["ok"] for p in (0.6, 0.65)]
    assert crisp == [1, 0]


def test_shipped_checks_have_an_outcome_for_every_plausible_reading(kb: Knowledge) -> None:
    profile = {m.id: m.default for m in kb.vocabulary.mill}
    for each in kb.checks.values():
        if not each.measured:
            continue
        low, high = float(each.plausible_from or 0), float(each.plausible_to or 0)
        for i in range(41):
            value = low + (high - low) * i / 40
            for gauge in (kb.instruments[str(each.instrument)], None):
                weights = outcome_weights(each, value, gauge, profile)
                assert sum(weights.values()) == pytest.approx(1, abs=1e-9), each.id
