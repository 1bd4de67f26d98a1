"""Run-out: which part is out of true, and what it comes to at the tip, against a turned model of spindle and burr."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.calc import catalogue
from advisor.calc.base import CalcError
from advisor.calc.run import Run, carry_out
from advisor.calc.runout import extrapolate, tip_bounds
from advisor.calc.runout_parts import NoSplit, vectors_from_high_spots
from advisor.calc.runout_sizes import sizes_from_run_outs
from advisor.model import Knowledge

Part = tuple[float, float]  # run-out in um TIR, direction of its high spot in degrees
QUARTERS = ((0, 0), (90, 0), (180, 0), (270, 0))
NOTHING: Part = (0.0, 0.0)
ANGLES = st.floats(0, 359)


def turned(degrees: float) -> np.ndarray:
    """Rotation matrix of the plane."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([[c, -s], [s, c]])


def dial(spindle: Part, collet: Part, burr: Part, at: tuple[float, float]) -> Part:
    """What a dial shows over one turn: the burr set in the collet turned by `at[0]`, the collet in the spindle turned
    by `at[1]`. Each part carries the next one off centre by half its run-out. Returns (TIR, high spot in degrees from
    the spindle's mark), read off a full turn in steps of a twentieth of a degree."""
    offsets = [turned(direction) @ np.array([tir / 2, 0.0]) for tir, direction in (spindle, collet, burr)]
    axis = offsets[0] + turned(at[1]) @ (offsets[1] + turned(at[0]) @ offsets[2])
    steps = np.arange(0, 360, 0.05)
    reading = axis[0] * np.cos(np.radians(steps)) - axis[1] * np.sin(np.radians(steps))
    return float(reading.max() - reading.min()), float(-steps[reading.argmax()] % 360)


def rows(
    spindle: Part, collet: Part, burr: Part, positions: Sequence[tuple[float, float]] = QUARTERS, marks: bool = True
) -> list[str]:
    out = []
    for b, a in positions:
        tir, spot = dial(spindle, collet, burr, (b, a))
        out.append(f"{b} | {tir:.3f} | {f'{spot:.2f}' if marks else ''} | {a}")
    return out


def split(kb: Knowledge, lines: list[str], **more: str) -> Run:
    return carry_out(catalogue()["runout-split"], {"rows": lines, "limit": "10 um", "scatter": "2 um", **more}, kb)


# --- The vectors


def test_half_a_turn_separates_sum_and_difference() -> None:
    """By hand: e = 5 and 1 on the same side are (5 + 1) / 2 = 3 that stays and (5 - 1) / 2 = 2 that turns."""
    stays, turns = vectors_from_high_spots([5, 1], [0, math.pi])
    assert (stays, turns) == (pytest.approx(3), pytest.approx(2))


@settings(max_examples=40)
@given(sizes=st.tuples(*[st.floats(1, 40)] * 3), at=st.tuples(*[ANGLES] * 3))
def test_the_model_with_rotation_matrices_is_taken_apart_again(
    sizes: tuple[float, float, float], at: tuple[float, float, float]
) -> None:
    parts = list(zip(sizes, at, strict=True))
    positions = [(0, 0), (120, 0), (240, 90), (0, 180), (120, 270)]
    read = [dial(*parts, p) for p in positions]
    e = [tir / 2 * np.exp(1j * math.radians(spot)) for tir, spot in read]
    found = vectors_from_high_spots(e, [math.radians(b) for b, _ in positions], [math.radians(a) for _, a in positions])
    wanted = [tir / 2 * np.exp(1j * math.radians(a)) for tir, a in parts]
    assert np.allclose(found, wanted, atol=0.01 * sum(sizes))


@settings(max_examples=40)
@given(stays=st.floats(0.5, 40), turns=st.floats(0.5, 40), apart=ANGLES)
def test_sizes_alone_give_both_parts_without_order(stays: float, turns: float, apart: float) -> None:
    angles = [0, 60, 150, 200, 300]
    e = [dial((stays, 0), NOTHING, (turns, apart), (b, 0))[0] / 2 for b in angles]
    larger, smaller, _ = sizes_from_run_outs(e, [math.radians(b) for b in angles])
    assert 2 * larger == pytest.approx(max(stays, turns), rel=0.02, abs=0.05)
    assert 2 * smaller == pytest.approx(min(stays, turns), rel=0.05, abs=0.05)


def test_positions_too_near_each_other_are_refused() -> None:
    with pytest.raises(NoSplit):
        vectors_from_high_spots([5, 5.1], [0, math.radians(10)])
    with pytest.raises(NoSplit):  # burr and collet only turned together
        vectors_from_high_spots([5, 4, 3, 2], [0, 0, 0, 0], [0, 1.5, 3, 4.5])


# --- The planted fault is found


@pytest.mark.parametrize(
    ("spindle", "collet", "burr", "fault"),
    [
        (4, 2, 24, "burr"),
        (24, 2, 4, "spindle"),
        (3, 24, 4, "collet"),
        (1.5, 1.5, 2, "none"),
    ],
)
def test_the_planted_fault_is_the_likeliest(
    kb: Knowledge, spindle: float, collet: float, burr: float, fault: str
) -> None:
    lines = rows((spindle, 20), (collet, 140), (burr, 250), [(0, 0), (180, 0), (90, 90), (0, 180), (180, 270)])
    run = split(kb, lines)
    assert run.worked.classes[fault] > 0.9
    for name, size in (("spindle", spindle), ("collet", collet), ("burr", burr)):
        assert run.results[name].value == pytest.approx(size, abs=0.3)


def test_with_the_collet_left_alone_spindle_and_collet_share_the_chance(kb: Knowledge) -> None:
    run = split(kb, rows((24, 20), NOTHING, (4, 250)))
    assert run.results["holder"].value == pytest.approx(24, abs=0.1)
    assert run.worked.classes["spindle"] == pytest.approx(run.worked.classes["collet"])
    assert run.worked.classes["spindle"] + run.worked.classes["collet"] > 0.95
    assert any("turn the collet too" in text for text in run.worked.says)


def test_a_bore_that_runs_true_lays_it_to_the_collet(kb: Knowledge) -> None:
    run = split(kb, rows((2, 20), (22, 60), (4, 250)), bore="2 um")
    assert run.worked.classes["collet"] > 0.9


def test_a_bore_that_runs_out_as_much_makes_the_spindle_likelier_but_does_not_prove_it(kb: Knowledge) -> None:
    """A collet as bad as the bore can lie so that the two together look no worse."""
    chance = split(kb, rows((22, 20), (2, 60), (4, 250)), bore="22 um").worked.classes
    assert 0.5 < chance["spindle"] < 0.95
    assert chance["collet"] > 0.05


def test_half_a_turn_with_high_spots_is_enough(kb: Knowledge) -> None:
    run = split(kb, rows((4, 30), NOTHING, (26, 200), [(0, 0), (180, 0)]))
    assert run.results["burr"].value == pytest.approx(26, abs=0.1)
    assert run.worked.classes["burr"] > 0.95


def test_readings_that_do_not_fit_are_said_to_be_dirt(kb: Knowledge) -> None:
    bad = ["0 | 30 | 0", "90 | 5 | 200", "180 | 28 | 130", "270 | 30 | 250"]
    assert "dirt has moved" in split(kb, bad).worked.says[0]
    assert not any("dirt" in text for text in split(kb, rows((8, 30), NOTHING, (16, 200))).worked.says)


def test_the_best_position_of_the_burr_is_the_one_where_the_parts_oppose(kb: Knowledge) -> None:
    spindle, burr = (12.0, 30.0), (16.0, 100.0)
    line = next(text for text in split(kb, rows(spindle, NOTHING, burr)).worked.lines if "least run-out" in text)
    turn = float(line.split("turned to ")[1].split(" deg")[0])
    least = dial(spindle, NOTHING, burr, (turn, 0))[0]
    assert least == pytest.approx(4, abs=0.1)
    assert least <= min(dial(spindle, NOTHING, burr, (b, 0))[0] for b in range(0, 360, 10)) + 0.05


# --- Without high spots


def test_sizes_alone_do_not_tell_burr_from_holder(kb: Knowledge) -> None:
    run = split(kb, rows((6, 20), NOTHING, (24, 250), marks=False))
    chance = run.worked.classes
    assert chance["burr"] == pytest.approx(chance["spindle"] + chance["collet"], abs=1e-9)
    assert run.results["larger"].value == pytest.approx(24, abs=0.1)
    assert run.results["smaller"].value == pytest.approx(6, abs=0.1)
    assert not {"burr", "holder"} & set(run.results)
    assert any("gauge pin" in text for text in run.worked.says)


@pytest.mark.parametrize(("pin", "fault"), [("6 um", "burr"), ("24 um", "spindle")])
def test_a_gauge_pin_tells_which_is_the_burr(kb: Knowledge, pin: str, fault: str) -> None:
    run = split(kb, rows((6, 20), NOTHING, (24, 250), marks=False), pin=pin)
    assert run.results["burr"].value == pytest.approx(24 if fault == "burr" else 6, abs=0.1)
    burr = run.worked.classes["burr"]
    assert burr > 0.95 if fault == "burr" else burr < 0.05


def test_a_gauge_pin_that_fits_neither_part_is_refused(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="fits neither") as caught:
        split(kb, rows((6, 20), NOTHING, (24, 250), marks=False), pin="80 um")
    assert caught.value.field == "pin"


def test_two_sizes_half_a_turn_apart_keep_the_larger_part_within_its_bounds(kb: Knowledge) -> None:
    """By hand: with readings E1 and E2 the larger part lies between sqrt(E1^2 + E2^2) / 2 (both alike) and
    (E1 + E2) / 2 (in line), the smaller one between |E1 - E2| / 2 and the same sqrt(E1^2 + E2^2) / 2."""
    run = split(kb, ["0 | 30", "180 | 18"], scatter="0 um")
    alike = math.hypot(30, 18) / 2
    assert alike < run.results["larger"].value < 24
    assert 6 < run.results["smaller"].value < alike
    assert run.results["larger"].u > 0.5
    assert run.worked.classes["burr"] == pytest.approx(0.5, abs=0.02)


# --- What cannot be used


@pytest.mark.parametrize("lines", [["0 12", "0 14"], ["0 12 30", "0 14 40"], ["0 12", "360 14"]])
def test_a_burr_that_was_never_turned_is_refused_with_what_to_do(kb: Knowledge, lines: list[str]) -> None:
    with pytest.raises(CalcError, match="0 and 180"):
        split(kb, lines)


def test_a_turned_collet_needs_the_high_spots(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="high spot is needed"):
        split(kb, ["0 | 12 | | 0", "180 | 14 | | 0", "0 | 15 | | 180"])


def test_a_high_spot_left_out_is_told_by_its_line(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="line 2"):
        split(kb, ["0 | 12 | 30", "180 | 14"])


def test_a_position_without_run_out_needs_no_high_spot(kb: Knowledge) -> None:
    run = split(kb, ["0 | 24 | 90", "180 | 0"])
    assert run.results["burr"].value == pytest.approx(12)
    assert run.results["holder"].value == pytest.approx(12)


# --- Its doubt


def test_the_doubt_from_putting_the_burr_back_follows_by_hand(kb: Knowledge) -> None:
    """Range of five 11.63 um is a standard deviation of 5 um TIR (d2 = 2.326). Half a turn with both high spots in
    line gives B = (T1 - T2) / 2, so u(B) = 5 / sqrt(2); readings of one dial (difference error 1.5 um, u = 0.61 um
    each) add 0.61 / sqrt(2), and what they have in common cancels."""
    run = split(kb, ["0 | 60 | 45", "180 | 20 | 45"], scatter="11.63 um")
    assert run.results["burr"].value == pytest.approx(20)
    assert run.results["burr"].u == pytest.approx(math.hypot(5, 1.5 / math.sqrt(6)) / math.sqrt(2), rel=0.06)


def test_the_same_readings_give_the_same_chances(kb: Knowledge) -> None:
    lines = rows((10, 20), NOTHING, (12, 250))
    assert split(kb, lines).worked.classes == split(kb, lines).worked.classes


@settings(max_examples=20, deadline=None)
@given(turn=st.integers(-180, 180))
def test_where_the_mark_is_does_not_matter(kb: Knowledge, turn: int) -> None:
    one = split(kb, rows((6, 20), NOTHING, (18, 100)))
    other = split(kb, rows((6, 20 + turn), NOTHING, (18, 100 + turn)))
    assert other.results["burr"].value == pytest.approx(one.results["burr"].value, abs=0.1)
    assert other.results["burr"].u == pytest.approx(one.results["burr"].u, rel=0.1)


# --- The tip

SHANK = {"z1": "4 mm", "tir1": "8 um", "z2": "12 mm", "tir2": "16 um", "tip": "20 mm"}


def tip(kb: Knowledge, **changed: str) -> Run:
    return carry_out(catalogue()["runout-tip"], {**SHANK, **changed}, kb)


def test_high_spots_in_line_carry_on_straight(kb: Knowledge) -> None:
    """By hand: from 8 um at 4 mm to 16 um at 12 mm it grows 1 um/mm: 24 um at 20 mm, 4 um at the nose; the axis leans
    by half of it, 0.5 um/mm = 0.5 mm/m."""
    run = tip(kb, h1="30 deg", h2="30 deg")
    values = {k: r.value for k, r in run.results.items()}
    assert values == pytest.approx({"tip": 24, "offset": 4, "tilt": 0.5})


def test_high_spots_opposite_cross_over(kb: Knowledge) -> None:
    """By hand: from +8 to -16 um over 8 mm is -3 um/mm: -40 um at 20 mm."""
    assert tip(kb, h1="30 deg", h2="210 deg").results["tip"].value == pytest.approx(40)


@given(spot=ANGLES, z=st.floats(5, 40))
def test_without_high_spots_the_bounds_hold_the_truth(spot: float, z: float) -> None:
    near, far = 8.0 + 0j, 16.0 * np.exp(1j * math.radians(spot))
    low, high = tip_bounds(8.0, 16.0, 4.0, 12.0, z)
    assert low - 1e-9 <= abs(extrapolate(near, far, 4.0, 12.0, z)) <= high + 1e-9


def test_without_high_spots_the_doubt_covers_the_bounds(kb: Knowledge) -> None:
    blind, marked = tip(kb), tip(kb, h1="30 deg", h2="30 deg")
    assert blind.results["tip"].value == pytest.approx((24 + 40) / 2)
    assert blind.results["tip"].u > marked.results["tip"].u
    assert blind.results["tip"].u > 8 / math.sqrt(3)
    assert "Mark the high spot" in blind.worked.says[0]


@pytest.mark.parametrize(
    ("changed", "field"), [({"z2": "5 mm"}, "z2"), ({"tip": "2 mm"}, "tip"), ({"h1": "30 deg"}, "h2")]
)
def test_places_that_do_not_go_together_are_refused(kb: Knowledge, changed: dict[str, str], field: str) -> None:
    with pytest.raises(CalcError) as caught:
        tip(kb, **changed)
    assert caught.value.field == field


def test_no_run_out_at_all_is_none_at_the_tip(kb: Knowledge) -> None:
    run = tip(kb, tir1="0 um", tir2="0 um", h1="0 deg", h2="0 deg")
    assert run.results["tip"].value == 0
    assert math.isfinite(run.results["tip"].u)
