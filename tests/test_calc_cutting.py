"""Cutting figures, stiffness of a burr and what a finished part shows, against geometry and a simulated burr."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from advisor.calc import catalogue
from advisor.calc.base import CalcError
from advisor.calc.cutting import ball_diameter, chip_thickness, edge_loads, surface_speed, tooth_feed, worst_loads
from advisor.calc.finish import RA_SHARE, jaw_error, scallop_height
from advisor.calc.run import Run, carry_out
from advisor.calc.stiffness import bending
from advisor.model import Knowledge


def run(kb: Knowledge, name: str, **changed: object) -> Run:
    calc = catalogue()[name]
    return carry_out(calc, {**calc.example, **changed}, kb)


def value(r: Run, figure: str) -> float:
    return r.results[figure].value


# --- Speed, feed, chip


def test_speed_and_feed_of_worked_examples() -> None:
    """Computed by hand: 1 mm at 60000 rpm, 2.5 mm at 40000; 1200 mm/min on two teeth."""
    assert surface_speed(1.0, 60_000) == pytest.approx(3.1416, abs=1e-4)
    assert surface_speed(2.5, 40_000) == pytest.approx(5.2360, abs=1e-4)
    assert tooth_feed(1200, 60_000, 2) == pytest.approx(10.0)


@given(share=st.floats(0.005, 0.5), feed=st.floats(0.1, 50))
def test_the_chip_is_the_gap_between_two_circles(share: float, feed: float) -> None:
    """Geometry: the chip is thickest where the tooth leaves, at cos(a) = 1 - 2 b / D, and there it is fz sin(a)."""
    angle = math.acos(1 - 2 * share)
    assert chip_thickness(feed, 2.0, 2.0 * share) == pytest.approx(feed * math.sin(angle), rel=1e-6)


def test_a_tenth_of_the_diameter_thins_the_chip_to_six_tenths() -> None:
    """Textbook correction for thin engagement: the feed may be 1.667 times as large."""
    assert 10.0 / chip_thickness(10.0, 1.0, 0.1) == pytest.approx(1.667, abs=1e-3)
    assert chip_thickness(10.0, 1.0, 0.8) == 10.0


@given(depth=st.floats(0.001, 0.999))
def test_a_ball_cuts_on_the_chord_at_its_depth(depth: float) -> None:
    radius = ball_diameter(2.0, depth) / 2
    assert math.hypot(radius, 1 - depth) == pytest.approx(1.0)  # on the sphere of radius 1


def test_a_grit_burr_is_given_its_feed_per_turn(kb: Knowledge) -> None:
    assert value(run(kb, "cutting-speed", teeth="0"), "tooth") == pytest.approx(20.0)
    assert value(run(kb, "cutting-speed", teeth="1"), "tooth") == pytest.approx(20.0)


def test_removal_is_depth_times_width_times_feed_with_their_doubts(kb: Knowledge) -> None:
    """By hand: 0.15 x 0.10 x 1200 = 18; half-widths of 5, 5 and 2 % give sqrt((25 + 25 + 4) / 3) = 4.243 %."""
    result = run(kb, "cutting-speed", depth="0.15 mm", width="0.10 mm", feed="1200 mm/min").results["removal"]
    assert result.value == pytest.approx(18.0)
    assert result.u == pytest.approx(18.0 * 0.04243, rel=1e-3)


@pytest.mark.parametrize(
    ("name", "field", "text"), [("cutting-speed", "teeth", "2.5"), ("runout-load", "teeth", "2.5")]
)
def test_half_a_tooth_is_refused(kb: Knowledge, name: str, field: str, text: str) -> None:
    with pytest.raises(CalcError, match="whole number"):
        run(kb, name, **{field: text})


def test_a_cut_wider_than_the_burr_is_refused(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="width"):
        run(kb, "cutting-speed", width="1.2 mm")


# --- Run-out and the load of the edges


def simulated(feed: float, runout: float, teeth: int, direction: float) -> list[float]:
    """A burr off its axis that eats its way along a line: each edge takes what stands beyond the deepest cut so far."""
    surface, taken = -1e9, [0.0] * teeth
    for k in range(teeth * 30):
        tip = k * feed + runout / 2 * math.cos(2 * math.pi * (k % teeth) / teeth - direction)
        taken[k % teeth] = max(0.0, tip - surface)
        surface = max(surface, tip)
    return taken


@given(feed=st.floats(1, 50), runout=st.floats(0, 100), teeth=st.integers(2, 12), direction=st.floats(0, 2 * math.pi))
def test_edge_loads_are_those_of_a_simulated_burr(feed: float, runout: float, teeth: int, direction: float) -> None:
    loads = edge_loads(feed, runout, teeth, direction)
    assert loads == pytest.approx(simulated(feed, runout, teeth, direction), abs=1e-6)
    assert sum(loads) == pytest.approx(teeth * feed)  # nothing is lost in a turn


def test_two_edges_share_as_published() -> None:
    """Kline & DeVor 1983 (from memory): loads fz +- the difference of the radii, which is at most the TIR; one edge
    alone cuts from there on."""
    assert worst_loads(0.6, 2)[:2] == (pytest.approx(1.6), pytest.approx(0.4))
    assert worst_loads(0.99, 2)[2] == 2
    assert worst_loads(1.01, 2) == (pytest.approx(2.0), pytest.approx(0.0), 1)


@settings(max_examples=30)
@given(ratio=st.floats(0.01, 8), teeth=st.integers(2, 10))
def test_no_direction_of_the_run_out_is_worse_than_the_worst(ratio: float, teeth: int) -> None:
    high, low, cutting = worst_loads(ratio, teeth)
    tried = [edge_loads(1.0, ratio, teeth, a) for a in np.linspace(0, 2 * math.pi, 721)]
    assert high == pytest.approx(max(map(max, tried)), abs=0.02 * ratio)
    assert high >= max(map(max, tried)) - 1e-6
    assert low <= min(map(min, tried)) + 1e-6
    assert 1 <= cutting <= teeth
    assert 1 <= high <= teeth


@settings(max_examples=30)
@given(ratio=st.floats(0, 5), more=st.floats(0.01, 3), teeth=st.integers(2, 12))
def test_more_run_out_never_evens_the_loads(ratio: float, more: float, teeth: int) -> None:
    (high, low, _), (higher, lower, _) = worst_loads(ratio, teeth), worst_loads(ratio + more, teeth)
    assert higher >= high - 1e-6
    assert lower <= low + 1e-6


def test_many_rows_of_grit_are_a_continuous_rim() -> None:
    """Limit by calculus: a rim of radius r + e cos(t) that gains f / 2 pi per radian takes f / 2 pi + e at most."""
    teeth, ratio = 40, 2.0
    assert worst_loads(ratio, teeth)[0] == pytest.approx(1 + ratio / 2 * 2 * math.pi / teeth, rel=2e-3)


def test_doubt_of_the_overload_by_hand(kb: Knowledge) -> None:
    """Two edges: overload = 1 + TIR / fz. The dial is good to 3 um and read to 1 um: hypot(3 / sqrt(3), 1 / sqrt(12)) =
    1.7559 um, on fz = 10 um 0.17559; the 2 % of feed and speed add 0.6 x 0.02 sqrt(2 / 3) = 0.0098."""
    r = run(kb, "runout-load", runout="6 um", feed="1200 mm/min", speed="60000 rpm", teeth="2").results["overload"]
    assert r.value == pytest.approx(1.6)
    assert r.u == pytest.approx(math.hypot(0.17559, 0.0098), rel=2e-3)


def test_a_raised_feed_shows_in_the_load_meant_not_in_the_share(kb: Knowledge) -> None:
    usual = run(kb, "runout-load", runout="2 um", feed="1200 mm/min", standard="1200 mm/min")
    raised = run(kb, "runout-load", runout="2 um", feed="2600 mm/min", standard="1200 mm/min")
    assert value(raised, "overload") < value(usual, "overload")
    assert value(usual, "peak") < 1.5 < 2 < value(raised, "peak")
    assert "standard feed" in " ".join(raised.worked.says)
    assert value(usual, "peak") == pytest.approx(value(run(kb, "runout-load", runout="2 um", standard=""), "overload"))


def test_an_idle_edge_is_told(kb: Knowledge) -> None:
    r = run(kb, "runout-load", runout="25 um")
    assert value(r, "smallest") == pytest.approx(0)
    assert value(r, "share") == pytest.approx(100)
    assert "does not cut at all" in r.worked.says[0]
    assert r.verdicts[0].word == "not kept"


# --- Stiffness


@pytest.mark.parametrize(
    ("diameter", "length", "deflection"), [(1.0, 10.0, 56.59), (2.5, 20.0, 11.59), (0.6, 6.0, 94.31)]
)
def test_one_step_is_the_textbook_cantilever(diameter: float, length: float, deflection: float) -> None:
    """F L^3 / (3 E I) with E 600 GPa and F 5 N, computed by hand; beam theory."""
    assert bending([(diameter, length)], 5.0, 600.0) == [pytest.approx(deflection, abs=0.01)]


STEPS = st.lists(st.tuples(st.floats(0.3, 4), st.floats(0.5, 15)), min_size=1, max_size=6)


@settings(max_examples=40)
@given(steps=STEPS, force=st.floats(0.1, 20))
def test_steps_are_the_integral_along_the_bar(steps: list[tuple[float, float]], force: float) -> None:
    """Independent: Castigliano's integral of F x^2 / (E I(x)), by numeric quadrature from the tip to the collet."""
    total, at = 0.0, 0.0
    for diameter, length in reversed(steps):
        inertia = math.pi * diameter**4 / 64
        total += quad(lambda x, i=inertia: force * x**2 / (600.0 * i), at, at + length)[0]
        at += length
    assert sum(bending(steps, force, 600.0)) == pytest.approx(total, rel=1e-6)


@given(steps=STEPS, cut=st.floats(0.1, 0.9))
def test_a_step_cut_in_two_bends_the_same(steps: list[tuple[float, float]], cut: float) -> None:
    diameter, length = steps[0]
    halves = [(diameter, length * cut), (diameter, length * (1 - cut)), *steps[1:]]
    assert sum(bending(halves, 1.0, 600.0)) == pytest.approx(sum(bending(steps, 1.0, 600.0)))


@given(steps=STEPS)
def test_twice_the_size_is_half_the_deflection(steps: list[tuple[float, float]]) -> None:
    doubled = [(2 * d, 2 * n) for d, n in steps]  # L^3 / D^4
    assert sum(bending(doubled, 1.0, 600.0)) == pytest.approx(sum(bending(steps, 1.0, 600.0)) / 2)


def test_the_thin_neck_is_named(kb: Knowledge) -> None:
    r = run(kb, "burr-deflection", steps=["shank | 3 mm | 10 mm", "neck | 0.8 mm | 8 mm", "head | 2 mm | 3 mm"])
    assert "neck" in r.worked.says[0]
    assert value(r, "largest") > 80
    assert r.verdicts[0].word == "not kept"
    assert value(r, "stiffness") * value(r, "deflection") == pytest.approx(3.0)


def test_steel_bends_about_three_times_as_far(kb: Knowledge) -> None:
    carbide, steel = (value(run(kb, "burr-deflection", material=m), "deflection") for m in ("carbide", "steel"))
    assert steel / carbide == pytest.approx(600 / 205)


# --- The finished part


def test_ridges_of_a_ball_end_follow_the_textbook_rule() -> None:
    """Textbook (from memory): height s^2 / (8 r) and Ra = 0.032 s^2 / r, for steps small against the radius."""
    step, radius = 0.05, 0.5
    height = scallop_height(step, 2 * radius)
    assert height == pytest.approx(step**2 / (8 * radius), rel=1e-3)
    assert RA_SHARE * height == pytest.approx(0.0321 * step**2 / radius, rel=5e-3)


@given(share=st.floats(0.001, 0.99))
def test_the_top_of_a_ridge_lies_on_both_balls(share: float) -> None:
    step, radius = 2 * share, 1.0
    assert math.hypot(step / 2, radius - scallop_height(step, 2.0)) == pytest.approx(radius)


def test_mean_roughness_of_parabolas_by_numbers() -> None:
    x = np.linspace(-1, 1, 200_001)
    profile = x**2
    assert np.abs(profile - profile.mean()).mean() == pytest.approx(RA_SHARE, abs=1e-5)


def test_wider_lines_are_found_against_the_good_part(kb: Knowledge) -> None:
    """By hand: 1500 / 10 - 800 / 8 = 50 um; a span is good to 20 um, read to 10: hypot(20 / sqrt(3), 10 / sqrt(12)) =
    11.902 um; a tenth of it and an eighth."""
    r = run(kb, "line-spacing", span="1500 um", lines="10", good_span="800 um", good_lines="8").results["wider"]
    assert r.value == pytest.approx(50.0)
    assert r.u == pytest.approx(math.hypot(1.1902, 1.4878), rel=1e-3)


def test_paths_that_do_not_meet_are_refused(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="step"):
        run(kb, "scallop", step="1500 um", diameter="1 mm")
    with pytest.raises(CalcError, match="ball end"):
        run(kb, "line-spacing", span="9000 um", lines="2", diameter="1 mm")


def test_pauses_are_taken_out_of_the_times(kb: Knowledge) -> None:
    """By hand: (24 - 2) - (19 - 0) = 3 min; two times rounded to a minute give sqrt(2 / 12), a pause known to 20 % of
    2 min gives 0.231."""
    r = run(kb, "time-saved").results["saved"]
    assert r.value == pytest.approx(3.0)
    assert r.u == pytest.approx(math.hypot(math.sqrt(2 / 12), 0.4 / math.sqrt(3)), rel=1e-6)
    assert value(run(kb, "time-saved", good="19 min", this="24 min", good_pause="", pause=""), "saved") < 0


def test_a_pause_longer_than_the_job_is_refused(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="no less than"):
        run(kb, "time-saved", pause="19 min")


@given(width=st.floats(0.1, 3), bore=st.floats(4, 12))
def test_a_jaw_bridges_the_arc_between_its_edges(width: float, bore: float) -> None:
    angle = math.asin(width / bore)
    assert jaw_error(width, bore) == pytest.approx(bore / 2 * (1 - math.cos(angle)), abs=1e-9)


def test_the_thinnest_place_less_the_jaw_is_the_edge(kb: Knowledge) -> None:
    """By hand: 3 - sqrt(9 - 0.25) = 0.04196 mm."""
    flat = run(kb, "edge-thickness", readings="0.34 0.31 0.36 mm", bore="")
    curved = run(kb, "edge-thickness", readings="0.34 0.31 0.36 mm", width="1 mm", bore="6 mm")
    assert value(flat, "least") == pytest.approx(0.31)
    assert value(curved, "least") == pytest.approx(0.31 - 0.04196, abs=1e-4)
    with pytest.raises(CalcError, match="narrower"):
        run(kb, "edge-thickness", readings="0.1 mm", width="3 mm", bore="6 mm")


def test_the_working_of_a_ball_end_gives_the_share_it_reckons_with(kb: Knowledge) -> None:
    """D = 2 sqrt(0.15 x 0.85) = 0.714 mm; 0.1 / 0.714 = 0.14; h = 2 x 10 sqrt(0.14 x 0.86) x 0.714 = 4.96 um."""
    lines = " ".join(run(kb, "cutting-speed").worked.lines)
    assert "q = 0.14 of the D that cuts = 4.96 um" in lines
