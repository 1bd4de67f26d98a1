"""Calculations of the bath: mixing, strength, correction, losses, water, age, foam, flow."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from advisor.calc import catalogue
from advisor.calc.base import CalcError
from advisor.calc.bath import correction, percent_of_ratio, ratio_of_percent
from advisor.calc.coolant import REPEATABILITY, least_difference, loss_split
from advisor.calc.run import Run, carry_out
from advisor.calc.water import hardness_class, hardness_in, share_of_second
from advisor.checkcalc import worked_answer
from advisor.compiled import Compiled
from advisor.model import Knowledge
from advisor.readings import convert
from advisor.session import Session

strengths = st.floats(1, 30)
volumes = st.floats(0.5, 60)


def run(kb: Knowledge, name: str, **typed: Any) -> Run:
    """The calculation with the mill's usual papers."""
    return carry_out(catalogue()[name], typed, kb, {f.id: f.default for f in kb.vocabulary.mill})


def value(result: Run, figure: str) -> float:
    return result.results[figure].value


# --- mixing


@pytest.mark.parametrize(("parts", "percent"), [(10, 9.09), (20, 4.76), (50, 1.96)])
def test_parts_of_water_to_one_make_the_percentage_of_dilution_tables(parts: float, percent: float) -> None:
    """Dilution tables: 1:10 = 9.09 %, 1:20 = 4.76 %, 1:50 = 1.96 % (arithmetic)."""
    assert percent_of_ratio(parts) == pytest.approx(percent, abs=0.005)


@given(strengths)
def test_ratio_and_percent_turn_into_each_other(percent: float) -> None:
    assert percent_of_ratio(ratio_of_percent(percent)) == pytest.approx(percent)


def test_a_ratio_has_two_meanings_and_both_are_told(kb: Knowledge) -> None:
    to_one = run(kb, "bath-mix", volume="2.75 L", ratio="10")
    one_in = run(kb, "bath-mix", volume="2.75 L", ratio="10", meaning="in")
    assert value(to_one, "concentrate") == pytest.approx(250)  # 2.5 L + 250 mL, the usual small bath
    assert value(to_one, "water") == pytest.approx(2.5)
    assert value(one_in, "concentrate") == pytest.approx(275)
    for result in (to_one, one_in):
        text = " ".join(result.worked.lines)
        assert "9.09 %" in text
        assert "10 %" in text


def test_a_ratio_that_contradicts_the_papers_is_pointed_out(kb: Knowledge) -> None:
    assert "settle" in run(kb, "bath-mix", volume="1 L", ratio="20").worked.says[0]
    assert "settle" not in run(kb, "bath-mix", volume="1 L", ratio="10").worked.says[0]


# --- strength


def test_strength_is_reading_less_zero_times_the_factor_with_its_doubt(kb: Knowledge) -> None:
    """By hand: one refractometer, so only its error of a difference (0.15 Bx, triangular) counts in each reading:
    0.15 / sqrt 6; factor 1.1 known to 5 %, rectangular."""
    result = run(kb, "bath-strength", readings="8.5", zero="0.3 Bx", factor="1.1").results["percent"]
    optics = 1.1 * math.sqrt(2) * 0.15 / math.sqrt(6)
    label = 8.2 * 1.1 * 0.05 / math.sqrt(3)
    assert result.value == pytest.approx(1.1 * 8.2)
    assert result.u == pytest.approx(math.hypot(optics, label), rel=1e-6)


def test_scatter_of_the_readings_is_part_of_the_doubt(kb: Knowledge) -> None:
    """s of 7, 8, 9 is 1; its mean has 1 / sqrt 3 (JCGM 100, 4.2.3), times 4.53 / 2 if three readings were all that is
    known (Table G.2, second-hand); the instrument is known too, so it is less. All else is the same as for 8, 8, 8."""
    loose = run(kb, "bath-strength", readings="7 8 9", zero="0").results["percent"]
    tight = run(kb, "bath-strength", readings="8 8 8", zero="0").results["percent"]
    assert loose.value == pytest.approx(tight.value)
    assert math.hypot(tight.u, 1 / math.sqrt(3)) < loose.u < math.hypot(tight.u, 4.53 / 2 / math.sqrt(3))


def test_a_second_reading_that_agrees_makes_the_strength_no_worse(kb: Knowledge) -> None:
    """The refractometer may be off by 0.2 Bx: readings 0.1 apart are no more doubtful than one of them."""
    one = run(kb, "bath-strength", readings="8.4", zero="0").results["percent"]
    two = run(kb, "bath-strength", readings="8.4 8.5", zero="0").results["percent"]
    assert two.u < 1.1 * one.u


def test_a_shift_of_the_scale_is_taken_out_by_the_zero(kb: Knowledge) -> None:
    plain = run(kb, "bath-strength", readings="8 8.2", zero="0")
    shifted = run(kb, "bath-strength", readings="9.5 9.7", zero="1.5")
    assert value(shifted, "percent") == pytest.approx(value(plain, "percent"))


@pytest.mark.parametrize(("brix", "word"), [("9.1", "kept"), ("4", "not kept"), ("16", "not kept")])
def test_the_limits_lie_about_the_strength_of_the_papers(brix: str, word: str, kb: Knowledge) -> None:
    assert run(kb, "bath-strength", readings=brix, zero="0").verdicts[0].word == word


def test_difference_to_the_log_has_no_sign(kb: Knowledge) -> None:
    low = run(kb, "bath-strength", readings="7", zero="0", noted="9 %")
    high = run(kb, "bath-strength", readings="11", zero="0", noted="9 %")
    assert value(low, "difference") == pytest.approx(2)
    assert value(high, "difference") == pytest.approx(2)
    assert "difference" not in run(kb, "bath-strength", readings="7", zero="0").results


def test_readings_that_no_bath_has_are_refused(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="lower than plain water") as below:
        run(kb, "bath-strength", readings="1", zero="3")
    assert below.value.field == "readings"
    with pytest.raises(CalcError, match="no bath") as above:
        run(kb, "bath-strength", readings="30", zero="0", factor="9")
    assert above.value.field == "factor"


# --- correction


@pytest.mark.parametrize(
    ("now", "strength", "full", "target", "draw", "concentrate", "water"),
    [
        # Worked by hand from the balance of the concentrate: 80 L wanted, 70 L there; 0.5 L wanted, 0.5 L there.
        (700, 10, 1000, 8, 0, 10, 290),
        (8, 6.25, 10, 5, 0, 0, 2),
        # Full and twice too strong: half of it goes. Full of plain water, 10 % wanted: a tenth goes.
        (10, 10, 10, 5, 5, 0, 5),
        (10, 0, 10, 10, 1, 1, 0),
    ],
)
def test_correction_of_worked_examples(
    now: float, strength: float, full: float, target: float, draw: float, concentrate: float, water: float
) -> None:
    assert tuple(correction(now, strength, full, target)) == pytest.approx((draw, concentrate, water))


def test_the_top_up_for_a_rich_bath_is_thinner_than_the_bath(kb: Knowledge) -> None:
    """700 L at 10 % of a 1000 L tank that shall have 8 %: 10 L in 300 L, so 3.33 % and not 8 %; here a tenth of it."""
    result = run(kb, "bath-correct", now="70 L", strength="10 %", full="100 L", target="8 %")
    assert value(result, "concentrate") == pytest.approx(1000)
    assert value(result, "mix") == pytest.approx(3.333, abs=1e-3)
    assert value(result, "result") == pytest.approx(8)


@given(full=volumes, filled=st.floats(0.05, 1), strength=st.floats(0, 40), target=st.floats(1, 30))
def test_a_correction_ends_at_the_mark_with_the_strength_wanted(
    full: float, filled: float, strength: float, target: float
) -> None:
    now = full * filled
    draw, concentrate, water = correction(now, strength, full, target)
    assert min(draw, concentrate, water) >= -1e-9
    assert draw <= now
    assert now - draw + concentrate + water == pytest.approx(full)
    assert (now - draw) * strength + 100 * concentrate == pytest.approx(full * target)
    if draw > 1e-9:
        assert min(concentrate, water) <= 1e-9  # nothing is drawn out that need not be


def test_doubt_of_the_concentrate_to_add(kb: Knowledge) -> None:
    """By hand: K = (V c - Vn cn) / 100 with Vn = 2 L to 3 % and cn = 5 % to 0.4 % and a step of 0.2 %."""
    u_volume, u_strength = 2 * 0.03 / math.sqrt(3), math.hypot(0.4 / math.sqrt(3), 0.2 / math.sqrt(12))
    result = run(kb, "bath-correct", now="2 L", strength="5 %", full="2.75 L", target="9.1 %").results["concentrate"]
    assert result.u == pytest.approx(1000 * math.hypot(5 * u_volume, 2 * u_strength) / 100, rel=1e-6)


def test_a_full_rich_bath_is_drawn_down_first(kb: Knowledge) -> None:
    result = run(kb, "bath-correct", now="2.75 L", strength="13 %")
    assert result.worked.says[0].startswith("Draw 825 mL out")
    assert value(result, "concentrate") == 0


def test_a_tank_fuller_than_full_is_refused(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="more than the full"):
        run(kb, "bath-correct", now="3 L", strength="9 %")


# --- losses


@given(share=st.floats(0, 1), missing=st.floats(0.02, 0.25), strength=strengths)
def test_the_split_of_a_falling_level_agrees_with_the_exact_balance(
    share: float, missing: float, strength: float
) -> None:
    """Exact for vapour as a constant share of the loss, from V dc = -share c dV: c2 = c1 (V1 / V2) ** share."""
    after = strength * (1 / (1 - missing)) ** share
    evaporated, carried = loss_split(1.0, missing, strength, after)
    assert evaporated + carried == pytest.approx(missing)
    assert evaporated / missing == pytest.approx(share, abs=0.01)


@given(evaporated=st.floats(0.01, 0.2), carried=st.floats(0.01, 0.2), top=st.floats(0, 12))
def test_the_split_with_steady_topping_up_agrees_with_the_exact_balance(
    evaporated: float, carried: float, top: float
) -> None:
    """Exact for a level held by steady topping up, V dc/dt = q ct - d c:
    c2 = c_end + (c1 - c_end) exp(-d / V), c_end = q ct / d."""
    poured, start = evaporated + carried, 9.0
    end = poured * top / carried
    after = end + (start - end) * math.exp(-carried)
    assume(0.67 < after / start < 1.5)
    found = loss_split(1.0, 0.0, start, after, poured, top)
    assert found[1] == pytest.approx(carried, abs=0.03 * poured)


@given(missing=st.floats(0.1, 1.0), strength=st.floats(5, 12))
def test_vapour_leaves_the_concentrate_and_a_leak_leaves_the_strength(missing: float, strength: float) -> None:
    assert loss_split(2.75, missing, strength, strength * 2.75 / (2.75 - missing)) == pytest.approx((missing, 0))
    assert loss_split(2.75, missing, strength, strength) == pytest.approx((0, missing))


def test_the_planted_kind_of_loss_is_the_likelier_one(kb: Knowledge) -> None:
    vapour = run(kb, "bath-evaporation", before="9 %", after="11 %", time="7 d", missing="500 mL")
    leak = run(kb, "bath-evaporation", before="9 %", after="9 %", time="7 d", missing="500 mL")
    assert vapour.worked.classes["evaporation"] > 0.9
    assert leak.worked.classes["leak-or-drag-out"] > 0.9
    assert value(leak, "weekly") == pytest.approx(0.5)


def test_a_small_loss_cannot_be_told_apart(kb: Knowledge) -> None:
    result = run(kb, "bath-evaporation", before="9 %", after="9.1 %", time="1 d", missing="50 mL")
    assert 0.3 < result.worked.classes["evaporation"] < 0.7
    assert "Not to be told apart" in result.worked.says[0]


def test_the_fall_of_the_level_stands_for_the_litres(kb: Knowledge) -> None:
    litres = run(kb, "bath-evaporation", volume="2.4 L", before="9", after="10.4", time="7 d", missing="0.4 L")
    level = run(
        kb, "bath-evaporation", volume="2.4 L", before="9", after="10.4", time="7 d", fall="20 mm", depth="120 mm"
    )
    assert value(level, "evaporated") == pytest.approx(value(litres, "evaporated"))


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"after": "16 %", "missing": "0.3 L"}, "was concentrate added"),
        ({"after": "4 %", "missing": "0.3 L"}, "was water added"),
        ({"after": "9 %"}, "give the litres missing"),
        ({"after": "9 %", "fall": "20 mm"}, "depth"),
        ({"after": "9 %", "fall": "20 mm", "depth": "120 mm", "missing": "0.4 L"}, "not both"),
        ({"after": "9 %", "missing": "0 L"}, "nothing is missing"),
        ({"after": "9 %", "missing": "2.7 L"}, "leaves no bath"),
    ],
)
def test_losses_that_cannot_be_are_refused(typed: dict[str, str], says: str, kb: Knowledge) -> None:
    with pytest.raises(CalcError, match=says):
        run(kb, "bath-evaporation", before="9 %", time="7 d", **typed)


# --- water


@pytest.mark.parametrize(
    ("amount", "unit", "expected"),
    [(1, "dH", 17.85), (1, "fH", 10.0), (1, "mmol/L", 100.09), (1, "gpg", 17.1), (5.61, "dH", 100.1), (1, "ppm", 1.0)],
)
def test_hardness_units(amount: float, unit: str, expected: float) -> None:
    """Usual conversion tables (second-hand): 1 dH = 17.85, 1 fH = 10, 1 grain/US gal = 17.1, 1 mmol/L = 100.09 mg/L."""
    assert convert(amount, unit, "mg/L") == pytest.approx(expected, rel=2e-3)
    assert hardness_in(convert(amount, unit, "mg/L"), unit) == pytest.approx(amount)


@pytest.mark.parametrize("typed", ["178.48 mg/L", "10 dH", "10 °dH", "17.848 fH", "1.7832 mmol/L", "10.4265 gr/gal"])
def test_hardness_is_taken_in_any_unit(typed: str, kb: Knowledge) -> None:
    result = run(kb, "water-hardness", hardness=typed)
    assert value(result, "hardness") == pytest.approx(178.48, rel=1e-3)
    assert result.results["hardness"].u == pytest.approx(math.hypot(25 / math.sqrt(3), 25 / math.sqrt(12)))


@pytest.mark.parametrize(
    ("mg", "name"), [(30, "soft"), (90, "moderately-hard"), (150, "hard"), (181, "very-hard"), (1000, "very-hard")]
)
def test_hardness_classes(mg: float, name: str) -> None:
    """USGS (second-hand): 0-60 soft, 61-120 moderately hard, 121-180 hard, over 180 very hard, mg/L CaCO3."""
    classes = hardness_class(mg)
    assert classes[name] == 1
    assert sum(classes.values()) == pytest.approx(1)


def test_a_reading_on_a_class_limit_belongs_half_to_each() -> None:
    classes = hardness_class(120.0, 5.0)
    assert classes["moderately-hard"] == pytest.approx(0.5)
    assert classes["hard"] == pytest.approx(0.5)


@given(first=st.floats(0, 800), second=st.floats(0, 800), at=st.floats(0, 1))
def test_a_blend_has_the_hardness_wanted(first: float, second: float, at: float) -> None:
    assume(abs(first - second) > 1)
    low, high = sorted((first, second))
    target = min(max(first + at * (second - first), low), high)  # rounding may carry it past the edge
    share = share_of_second(first, second, target)
    assert 0 <= share <= 1
    assert first * (1 - share) + second * share == pytest.approx(target)


def test_a_hardness_neither_water_reaches_is_refused(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="between them") as caught:
        run(kb, "water-hardness", hardness="10 dH", target="15 dH")
    assert caught.value.field == "target"


def test_half_deionised_water_halves_the_hardness(kb: Knowledge) -> None:
    result = run(kb, "water-hardness", hardness="20 dH", target="10 dH", volume="3 L")
    assert value(result, "share") == pytest.approx(50)
    assert value(result, "litres") == pytest.approx(1.5)


# --- age


def test_the_fall_of_ph_carries_the_doubt_of_both_strips(kb: Knowledge) -> None:
    """By hand: each strip 0.3 (rectangular) and a step of 0.3."""
    result = run(kb, "bath-age", ph="8.3", ph_fresh="9.2").results["change"]
    assert result.value == pytest.approx(-0.9)
    assert result.u == pytest.approx(math.sqrt(2) * math.hypot(0.3 / math.sqrt(3), 0.3 / math.sqrt(12)), rel=1e-6)


@pytest.mark.parametrize(
    ("nitrite", "count", "verdict"),
    [
        ("0", "1000", "keep"),
        ("0", "100000", "correct"),  # HSE: 1e4 to under 1e6, review and correct
        ("0", "5000000", "dump"),  # HSE: 1e6 and more, act at once
        ("40 mg/L", "1000", "dump"),  # TRGS 611 (2007) 5.3: over 20 mg/L nitrite
    ],
)
def test_a_bath_is_kept_corrected_or_changed_by_the_published_bands(
    nitrite: str, count: str, verdict: str, kb: Knowledge
) -> None:
    classes = run(kb, "bath-age", ph="9.1", ph_fresh="9.1", nitrite=nitrite, count=count).worked.classes
    assert max(classes, key=lambda k: classes[k]) == verdict
    assert classes[verdict] > 0.8


def test_nitrite_on_the_limit_is_half_a_reason_to_change(kb: Knowledge) -> None:
    classes = run(kb, "bath-age", ph="9.1", ph_fresh="9.1", nitrite="20 mg/L").worked.classes
    assert classes["dump"] == pytest.approx(0.5)


@given(ph=st.floats(4, 12), nitrite=st.floats(0, 100), exponent=st.floats(0, 8), step=st.floats(0, 3))
def test_worse_counts_never_speak_for_keeping(
    ph: float, nitrite: float, exponent: float, step: float, kb: Knowledge
) -> None:
    def classes(more: float) -> dict[str, float]:
        count = 10 ** (exponent + more)
        typed = {"ph": f"{ph:.2f}", "ph_fresh": "9", "nitrite": f"{nitrite:.3f}", "count": f"{min(count, 1e9):.1f}"}
        return dict(run(kb, "bath-age", **typed).worked.classes)

    better, worse = classes(0), classes(step)
    assert worse["keep"] <= better["keep"] + 1e-9
    assert worse["dump"] >= better["dump"] - 1e-9


def test_without_a_dip_slide_the_bath_is_not_called_clean(kb: Knowledge) -> None:
    """HSE: pH is no substitute for dip slides."""
    assert "no substitute" in run(kb, "bath-age", ph="9.1", ph_fresh="9.1").worked.says[0]


def test_nitrate_in_the_water_is_pointed_out(kb: Knowledge) -> None:
    """TRGS 611 (2007) 5.2: at most 50 mg/L nitrate in the mixing water."""
    says = run(kb, "bath-age", ph="9.1", ph_fresh="9.1", nitrate="70 mg/L").worked.says
    assert any("nitrate" in text for text in says)


# --- foam and flow


def test_two_shakes_closer_than_the_repeatability_are_the_same(kb: Knowledge) -> None:
    """ASTM D3601 section 9: repeatability 7.0 mm (withdrawn 2013, a comparison only)."""
    assert REPEATABILITY == 7.0
    same = run(kb, "foam-compare", bath="30 mm", fresh="25 mm")
    more = run(kb, "foam-compare", bath="50 mm", fresh="25 mm")
    assert "No more foam" in same.worked.says[0]
    assert "foams more" in more.worked.says[0]
    assert more.verdicts[0].word == "not kept"


def test_one_shake_each_is_known_to_the_repeatability(kb: Knowledge) -> None:
    """A difference of two single results keeps within r = 7 mm in 95 % of cases, so U of the difference is about r."""
    assert run(kb, "foam-compare", bath="30", fresh="25").results["difference"].expanded == pytest.approx(7, abs=0.3)


@given(st.integers(1, 10), st.integers(1, 10))
def test_more_shakes_tell_smaller_differences(n: int, m: int) -> None:
    assert least_difference(n, m) == least_difference(m, n)
    assert least_difference(n + 1, m) < least_difference(n, m) <= REPEATABILITY


def test_shakes_that_scatter_widely_leave_more_doubt(kb: Knowledge) -> None:
    tight = run(kb, "foam-compare", bath="40 40 40", fresh="20 20 20").results["difference"]
    loose = run(kb, "foam-compare", bath="20 40 60", fresh="20 20 20").results["difference"]
    assert loose.u > 2 * tight.u


def test_flow_is_volume_over_time(kb: Knowledge) -> None:
    result = run(kb, "coolant-flow", caught="250 mL", time="15 s")
    assert value(result, "flow") == pytest.approx(1.0)
    assert value(result, "caught") == pytest.approx(500)
    by_hand = math.hypot(
        math.hypot(10 / math.sqrt(3), 10 / math.sqrt(12)) / 250, math.hypot(1 / math.sqrt(3), 0.1 / math.sqrt(12)) / 15
    )
    assert result.results["flow"].u == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.parametrize("good", ["1.2 L/min", "600 mL/30s", "72 L/h"])
def test_flow_is_judged_against_the_flow_of_the_sound_mill(good: str, kb: Knowledge) -> None:
    result = run(kb, "coolant-flow", caught="300 300", time="30 s", good=good)
    assert value(result, "share") == pytest.approx(50)
    assert value(result, "caught") == pytest.approx(250)  # the check takes 500 mL in 30 s as full
    assert result.verdicts[0].word == "not kept"


def test_no_flow_stops_wet_work(kb: Knowledge) -> None:
    assert "start no wet job" in run(kb, "coolant-flow", caught="0 10", time="30 s").worked.says[0]


# --- in the diagnosis


@pytest.mark.parametrize(
    ("check", "typed", "outcome"),
    [
        ("bath-concentration", {"readings": "14 14.2", "zero": "0.1"}, "strong"),
        ("bath-remeasure", {"readings": "9.2", "zero": "0", "noted": "9 %"}, "same"),
        ("bath-remeasure", {"readings": "5.2", "zero": "0", "noted": "9 %"}, "differs"),
        ("bath-ph", {"ph": "8.1", "ph_fresh": "9.3"}, "fallen"),
        ("water-hardness", {"hardness": "1 dH"}, "soft"),
        ("foam-shake-height", {"bath": "45 48", "fresh": "20 22"}, "more"),
        ("coolant-flow", {"caught": "300", "time": "30 s"}, "weak"),
        ("coolant-flow", {"caught": "300", "time": "30 s", "good": "310 mL/30s"}, "right"),
        ("level-loss-kind", {"before": "9", "after": "9", "time": "7 d", "missing": "0.5 L"}, "leak-or-drag-out"),
        ("level-loss-kind", {"before": "9", "after": "11", "time": "7 d", "missing": "0.5 L"}, "evaporation"),
    ],
)
def test_a_check_takes_its_answer_from_the_calculation(
    check: str, typed: dict[str, str], outcome: str, compiled: Compiled
) -> None:
    profile = {f.id: f.default for f in compiled.kb.vocabulary.mill}
    event = worked_answer(compiled.kb.checks[check], typed, compiled.kb, profile)
    assert Session(compiled).read_answer(check, event).likeliest == outcome
