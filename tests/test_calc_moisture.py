"""Water in the air line and the purity class of the air."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from advisor.calc import catalogue
from advisor.calc.airclass import class_odds, oil_class, particle_class, uncounted, water_class
from advisor.calc.base import CalcError
from advisor.calc.moisture import dew_point, saturation, water_content
from advisor.calc.run import Run, carry_out
from advisor.checkcalc import worked_answer
from advisor.model import Knowledge

ATM = 0.101325  # MPa


def run(kb: Knowledge, name: str, **typed: Any) -> Run:
    return carry_out(catalogue()[name], typed, kb)


def magnus(celsius: float) -> float:
    """Vapour pressure over water in hPa: WMO No. 8 / Sonntag 1990 (second-hand), independent of ASHRAE's formula."""
    return 6.112 * math.exp(17.62 * celsius / (243.12 + celsius))


# --- vapour pressure and dew point ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("celsius", "expected"), [(0, 6.112), (3, 7.5763), (20, 23.3260), (25, 31.6006)])
def test_the_vapour_pressure_agrees_with_sonntag(celsius: float, expected: float) -> None:
    """hPa, worked by hand from Sonntag's formula (WMO No. 8, second-hand); the two sets differ by under half a percent."""
    assert magnus(celsius) == pytest.approx(expected, rel=1e-4)
    assert saturation(float(celsius)) * 1e4 == pytest.approx(expected, rel=5e-3)


@pytest.mark.parametrize(
    ("vapour", "expected"),
    [
        (0.6 * magnus(20), 11.995),  # room air of 20 degC and 60 %
        (0.6 * magnus(20) * 0.701325 / ATM, 45.22),  # the same air squeezed to 0.6 MPa gauge
        (magnus(3) * ATM / 0.801325, -20.78),  # 3 degC at 0.7 MPa gauge, let out: over ice (from memory)
    ],
)
def test_the_dew_point_agrees_with_sonntag(vapour: float, expected: float) -> None:
    """degC, worked by hand with Sonntag's formula and Dalton's law."""
    assert dew_point(vapour / 1e4) == pytest.approx(expected, abs=0.15)


@given(celsius=st.floats(-80, 60))
def test_the_dew_point_of_saturated_air_is_its_temperature(celsius: float) -> None:
    assert dew_point(saturation(celsius)) == pytest.approx(celsius, abs=0.02)


@given(celsius=st.floats(-60, 50), more=st.floats(1.05, 15))
def test_squeezing_air_raises_its_dew_point(celsius: float, more: float) -> None:
    assert dew_point(saturation(celsius) * more) > celsius


# --- dew-point-line ------------------------------------------------------------------------------------------------

ROOM = {"room_temperature": "20", "humidity": "60", "store_temperature": "20", "store_pressure": "0.6"}


def test_three_quarters_of_the_rooms_water_falls_out_at_six_bar(kb: Knowledge) -> None:
    """Worked by hand: air of 20 degC and 60 % at 0.6 MPa gauge, cooled back to 20 degC, drops 75.9 % of its water."""
    out = run(kb, "dew-point-line", **ROOM, pressure="0.6", coldest="20", flow="100")
    assert "76 % of the water falls out" in " ".join(out.worked.lines)
    assert out.results["dew"].value == pytest.approx(20.0, abs=0.05)
    whole = water_content(0.6 * saturation(20.0), ATM) * 1.189 * 100 * 60 / 1000
    assert out.results["drained"].value == pytest.approx(0.759 * whole, rel=0.01)


def test_a_dew_point_of_three_degrees_means_a_third_of_saturation_in_a_warm_line(kb: Knowledge) -> None:
    """Worked by hand with Sonntag's formula: 32.5 % relative humidity in a line of 20 degC."""
    out = run(kb, "dew-point-line", dew="3", pressure="0.6", coldest="20", flow="100")
    assert out.results["humidity"].value == pytest.approx(32.5, abs=0.3)
    assert out.results["margin"].value == pytest.approx(17)
    assert out.results["water"].value == 0
    assert all(v.word == "kept" for v in out.verdicts)


def test_expanding_behind_the_receiver_lowers_the_dew_point(kb: Knowledge) -> None:
    """Dalton, with Sonntag's formula: saturated at 22 degC and 0.8 MPa, let down to 0.5 MPa gauge."""
    out = run(
        kb,
        "dew-point-line",
        **{**ROOM, "store_temperature": "22", "store_pressure": "0.8"},
        pressure="0.5",
        coldest="20",
    )
    log = math.log(magnus(22) * 0.601325 / 0.901325 / 6.112)
    assert out.results["dew"].value == pytest.approx(243.12 * log / (17.62 - log), abs=0.05)


def test_water_that_falls_out_follows_from_the_mass_balance(kb: Knowledge) -> None:
    """Worked by hand with Sonntag's formula: dew point 20 degC, coldest 10 degC, 0.6 MPa gauge, 100 L/min."""
    out = run(kb, "dew-point-line", dew="20", pressure="0.6", coldest="10", flow="100")
    p = 0.701325e4  # hPa
    grams = 621.945 * (magnus(20) / (p - magnus(20)) - magnus(10) / (p - magnus(10)))
    assert out.results["water"].value == pytest.approx(grams * 1.189 * 6.0, rel=0.01)
    assert out.results["humidity"].value == 100
    assert out.verdicts[0].word == "not kept"


def test_the_margin_has_the_doubt_of_meter_and_thermometer(kb: Knowledge) -> None:
    """Worked by hand: 2 K and 0.5 K as largest errors, each / sqrt 3, each read to 0.1 K (/ sqrt 12)."""
    out = run(kb, "dew-point-line", dew="12", pressure="0.6", coldest="15").results["margin"]
    assert out.u == pytest.approx(math.sqrt((4 + 0.25) / 3 + 2 * 0.01 / 12), rel=1e-6)


@pytest.mark.parametrize("coldest", [-5, 5, 10, 14, 19])
def test_a_colder_corner_drops_more_water(coldest: float, kb: Knowledge) -> None:
    typed = {"dew": "20", "pressure": "0.6", "flow": "100"}
    cold = run(kb, "dew-point-line", **typed, coldest=str(coldest)).results
    warmer = run(kb, "dew-point-line", **typed, coldest=str(coldest + 2)).results
    assert cold["water"].value > warmer["water"].value >= 0
    assert cold["margin"].value == pytest.approx(warmer["margin"].value - 2)


def test_without_a_meter_all_of_the_rooms_values_are_asked_for(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="humidity, store-temperature"):
        run(kb, "dew-point-line", room_temperature="20", pressure="0.6", coldest="15")


def test_a_receiver_below_the_line_is_told(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match=r"below the line's 0\.6 MPa"):
        run(kb, "dew-point-line", **{**ROOM, "store_pressure": "0.3"}, pressure="0.6", coldest="15")


def test_without_a_meter_the_dew_point_check_is_worked_out_from_the_room(kb: Knowledge) -> None:
    event = worked_answer(kb.checks["dew-point"], {**ROOM, "pressure": "0.6", "coldest": "18"}, kb, {})
    assert float(event["value"]) == pytest.approx(20.0, abs=0.1)
    assert event["unit"] == "degC"


# --- air-class -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dew", "number"),
    [(-70, 1), (-69.9, 2), (-40, 2), (-20, 3), (-19, 4), (3, 4), (3.01, 5), (7, 5), (10, 6), (10.1, 7), (25, 7)],
)
def test_the_water_class_is_the_tables(dew: float, number: int) -> None:
    """ISO 8573-1:2010 as restated in OPC 40250-1 (second-hand); a value on the edge keeps the class."""
    assert water_class(float(dew)) == {number: 1.0}


@pytest.mark.parametrize(("liquid", "number"), [(0.2, 7), (0.5, 7), (0.51, 8), (5, 8), (10, 9), (10.5, 10)])
def test_liquid_water_decides_from_class_seven_on(liquid: float, number: int) -> None:
    """ISO 8573-1:2010 as restated in OPC 40250-1 (second-hand); 10 stands for X."""
    assert water_class(None, liquid) == {number: 1.0}
    assert water_class(20.0, liquid) == {number: 1.0}
    assert water_class(2.0, 0.0) == {4: 1.0}


@pytest.mark.parametrize(("oil", "number"), [(0.01, 1), (0.05, 2), (0.1, 2), (1, 3), (1.01, 4), (5, 4), (5.1, 10)])
def test_the_oil_class_is_the_tables(oil: float, number: int) -> None:
    """ISO 8573-1:2010 as restated in OPC 40250-1 (second-hand); the old edition's class 5 of 25 mg/m3 is gone."""
    assert oil_class(oil) == {number: 1.0}


@pytest.mark.parametrize(
    ("counts", "number"),
    [
        ((20e3, 400, 10), 1),
        ((20001, 400, 10), 2),
        ((400e3, 6e3, 100), 2),
        ((2e6, 90e3, 1e3), 3),
        ((2e6, 2e6, 10e3), 4),
        ((2e6, 2e6, 100e3), 5),
        ((2e6, 2e6, 2e5), 6),
        ((100, 100, 1001), 4),
    ],
)
def test_the_particle_class_goes_by_the_worst_size(counts: tuple[float, float, float], number: int) -> None:
    """ISO 8573-1:2010 as restated in OPC 40250-1 (second-hand)."""
    assert particle_class(*counts) == {number: 1.0}


@pytest.mark.parametrize(("mass", "number"), [(0.5, 6), (5, 6), (5.5, 7), (10, 7), (11, 10)])
def test_beyond_class_five_the_mass_decides(mass: float, number: int) -> None:
    """ISO 8573-1:2010 as restated in OPC 40250-1 (second-hand)."""
    assert particle_class(mass=mass) == {number: 1.0}
    assert particle_class(1e6, 1e6, 1e6, mass) == {number: 1.0}
    assert particle_class(1e3, 100, 5, mass) == {1: 1.0}


def test_sizes_a_class_needs_and_nobody_counted_are_named() -> None:
    assert uncounted(2, None, 100, 50) == ["0.1 to 0.5 um"]
    assert uncounted(4, None, None, 5e3) == []
    assert uncounted(1, 100, None, None) == ["0.5 to 1 um", "1 to 5 um"]


@given(value=st.floats(-90, 30), u=st.floats(0.01, 20))
def test_the_odds_of_the_classes_make_up_a_whole(value: float, u: float) -> None:
    from uncertainties import ufloat

    odds = water_class(ufloat(value, u))
    assert sum(odds.values()) == pytest.approx(1.0, abs=5e-3)


@given(first=st.floats(-90, 30), second=st.floats(-90, 30))
def test_damper_air_is_never_in_a_better_class(first: float, second: float) -> None:
    low, high = sorted((first, second))
    assert next(iter(water_class(low))) <= next(iter(water_class(high)))


def test_near_an_edge_both_classes_are_told_with_their_odds(kb: Knowledge) -> None:
    """Worked by hand: 2 degC by a meter good to 2 K, u = sqrt(4/3 + 0.01/12) K; chance to be at 3 degC or below."""
    out = run(kb, "air-class", dew="2")
    chance = NormalDist(2, math.sqrt(4 / 3 + 0.01 / 12)).cdf(3)
    assert f"4: {chance:.0%}" in out.worked.lines[0]
    assert "5: " in out.worked.lines[0]
    assert "too near a class edge" in out.worked.says[0]


def test_the_notation_has_particles_water_oil_in_this_order(kb: Knowledge) -> None:
    """The standard's own form, ISO 8573-1:2010 [2:2:1] for particles 2, water 2, oil 1 (read)."""
    counts = {"fine": "100000", "middle": "2000", "coarse": "40"}
    out = run(kb, "air-class", dew="-55", oil="0.004", **counts)
    assert any("ISO 8573-1:2010 [2:2:1]" in text for text in out.worked.lines)
    assert [out.results[k].value for k in ("particles", "water", "oil")] == [2, 2, 1]
    assert any("[-:2:X]" in text for text in run(kb, "air-class", dew="-55", oil="20").worked.lines)


def test_the_wanted_class_is_judged_with_the_doubt_of_the_meter(kb: Knowledge) -> None:
    assert run(kb, "air-class", dew="-5", wanted="4").verdicts[0].word == "kept"
    assert run(kb, "air-class", dew="2", wanted="4").verdicts[0].word == "too near the limit to tell"
    assert run(kb, "air-class", dew="9", wanted="4").verdicts[0].word == "not kept"


def test_an_incomplete_count_is_no_proof(kb: Knowledge) -> None:
    out = run(kb, "air-class", dew="-5", coarse="40")
    assert any("or worse" in text for text in out.worked.lines)
    assert "0.1 to 0.5 um and 0.5 to 1 um" in out.worked.says[0]


def test_a_wanted_class_between_two_is_told(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="whole number from 1 to 6"):
        run(kb, "air-class", dew="2", wanted="3.5")


def test_no_value_on_an_edge_slips_to_the_worse_class() -> None:
    assert class_odds(0.1, ((1, 0.1),)) == {1: 1.0}
    assert class_odds(math.nextafter(0.1, 1), ((1, 0.1),), beyond=2) == {2: 1.0}
