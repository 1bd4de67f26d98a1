"""Brittle materials: depth where cracks begin, and how far an edge chips, against published values and rankings."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from advisor.calc import catalogue
from advisor.calc.base import CalcError
from advisor.calc.brittle import MATERIALS, brittleness, chip_force, chip_reach, critical_depth
from advisor.calc.run import Run, carry_out
from advisor.model import Knowledge


def run(kb: Knowledge, name: str, **changed: object) -> Run:
    calc = catalogue()[name]
    return carry_out(calc, {**calc.example, **changed}, kb)


def value(r: Run, figure: str) -> float:
    return r.results[figure].value


# --- Depth where cracks begin


@pytest.mark.parametrize(
    ("modulus", "hardness", "toughness", "depth"),
    [(47.7, 4.92, 1.24, 0.092), (65, 5.6, 1.3, 0.094), (100, 5.8, 2.0, 0.31), (205, 12.5, 4.5, 0.32)],
)
def test_critical_depth_of_four_classes(modulus: float, hardness: float, toughness: float, depth: float) -> None:
    """Formula of Bifano, Dow & Scattergood 1991 (coefficient from memory) worked by hand; E and H of the first from
    Alamoush et al. 2018 (read), the other values from memory."""
    assert critical_depth(modulus, hardness, toughness) == pytest.approx(depth, rel=0.02)


def test_the_feldspathic_row_holds_the_published_modulus_and_hardness() -> None:
    """Alamoush et al. 2018 (read): 47.7 GPa and 502 kgf/mm2; 1 kgf/mm2 is 9.80665 MPa."""
    row = MATERIALS["feldspathic"]
    assert row.modulus[0] == 47.7
    assert row.hardness[0] == pytest.approx(502 * 9.80665e-3, abs=0.01)


def test_every_ceramic_cracks_below_a_micrometre(kb: Knowledge) -> None:
    """'Exploring ductility in dental ceramics', J Dent Res (abstract read): flow turns to cracking near 1 um."""
    for name in ("feldspathic", "leucite", "lithium-disilicate", "zirconia-sintered"):
        depth = value(run(kb, "ductile-depth", material=name), "critical")
        assert 0.03 < depth < 1.0


@given(toughness=st.floats(0.5, 10), hardness=st.floats(1, 20))
def test_tougher_flows_deeper_and_harder_cracks_sooner(toughness: float, hardness: float) -> None:
    depth = critical_depth(100.0, hardness, toughness)
    assert critical_depth(100.0, hardness, 2 * toughness) == pytest.approx(4 * depth)
    assert critical_depth(100.0, 2 * hardness, toughness) == pytest.approx(depth / 8)


def test_resin_is_the_least_brittle() -> None:
    """Tsitrou 2007 and Porto 2019 (both read): resin composite has the lowest brittleness index of the classes."""
    index = {k: brittleness(m.hardness[0], m.toughness[0]) for k, m in MATERIALS.items()}
    assert min(index, key=lambda k: index[k]) == "resin"


def test_doubt_of_the_depth_with_own_values_by_hand(kb: Knowledge) -> None:
    """d = 0.15 E Kc^2 / H^3: half-widths of 30, 5, 2 x 10 and 3 x 5 % over sqrt(3)."""
    r = run(kb, "ductile-depth", material="own", modulus="70", hardness="6", toughness="1.5").results["critical"]
    assert r.value == pytest.approx(0.15 * 70 * 1.5**2 / 6**3)
    assert r.u / r.value == pytest.approx(math.sqrt((30**2 + 5**2 + 20**2 + 15**2) / 3) / 100, rel=1e-6)


def test_own_values_replace_those_of_the_list_and_are_asked_for(kb: Knowledge) -> None:
    own = run(kb, "ductile-depth", material="leucite", toughness="2.6 MPa.m^0.5")
    assert value(own, "critical") == pytest.approx(4 * critical_depth(65, 5.6, 1.3))
    with pytest.raises(CalcError, match="modulus is missing"):
        run(kb, "ductile-depth", material="own")


def test_thin_and_thick_chips_are_told_apart(kb: Knowledge) -> None:
    thin, thick = (run(kb, "ductile-depth", chip=c) for c in ("0.01 um", "3 um"))
    assert thin.verdicts[0].word == "kept"
    assert thick.verdicts[0].word == "not kept"


@pytest.mark.parametrize("name", ["ductile-depth", "margin-chip"])
def test_sintered_zirconia_warns_of_the_pre_sintered_block(kb: Knowledge, name: str) -> None:
    says = run(kb, name, material="zirconia-sintered").worked.says
    assert "pre-sintered" in " ".join(says)


# --- Chips at the margin


def test_force_of_a_chip_by_hand() -> None:
    """Chai & Lawn 2007 (from memory) in plain SI: 9.3 x 1.24e6 Pa m^0.5 x (100e-6 m)^1.5 = 11.532 N."""
    assert chip_force(100.0, 1.24) == pytest.approx(11.532, abs=1e-3)
    assert chip_reach(11.532, 1.24) == pytest.approx(100.0, rel=1e-4)


@given(reach=st.floats(1, 3000), toughness=st.floats(0.3, 10))
def test_force_and_reach_undo_each_other(reach: float, toughness: float) -> None:
    assert chip_reach(chip_force(reach, toughness), toughness) == pytest.approx(reach)


def test_force_grows_with_the_reach_as_edge_chip_tests_do() -> None:
    """Quinn et al. 2014 (read): force against distance follows a power between 1.2 and 1.9."""
    power = math.log2(chip_force(200.0, 2.0) / chip_force(100.0, 2.0))
    assert 1.2 <= power <= 1.9


def test_materials_rank_as_in_edge_chip_tests(kb: Knowledge) -> None:
    """Quinn et al. 2014 (read): feldspathic and leucite about equal and weakest, lithium disilicate and resin above
    them, zirconia strongest."""
    reach = {m: value(run(kb, "margin-chip", material=m), "reach") for m in MATERIALS}
    assert reach["feldspathic"] == pytest.approx(reach["leucite"], rel=0.05)
    weakest = min(reach["feldspathic"], reach["leucite"])
    assert reach["zirconia-sintered"] < min(reach["lithium-disilicate"], reach["resin"])
    assert max(reach["lithium-disilicate"], reach["resin"]) < weakest


def test_run_out_lengthens_the_chip(kb: Knowledge) -> None:
    even, twice = (value(run(kb, "margin-chip", overload=x), "reach") for x in ("1", "2"))
    assert twice / even == pytest.approx(2 ** (2 / 3))


def test_a_knife_edge_fails_and_a_blunt_one_holds(kb: Knowledge) -> None:
    thin = run(kb, "margin-chip", thickness="0.03 mm @micrometer", force="8 N", seen="")
    blunt = run(kb, "margin-chip", thickness="0.5 mm", force="3 N", seen="")
    assert thin.verdicts[0].word == "not kept"
    assert blunt.verdicts[0].word == "kept"
    assert "thicken" in thin.worked.says[0]


def test_the_force_behind_a_chip_tells_a_knock_from_the_cut(kb: Knowledge) -> None:
    knock = run(kb, "margin-chip", force="2 N", overload="1", seen="600 um")
    cut = run(kb, "margin-chip", force="5 N", overload="2", seen="80 um")
    assert value(knock, "needed") > 100
    assert "knock" in knock.worked.says[0]
    assert "is enough" in cut.worked.says[0]


def test_doubt_of_the_reach_by_hand(kb: Knowledge) -> None:
    """Two thirds of the doubts of force (50 %), overload (10 %), factor (15 %) and typed toughness (10 %)."""
    r = run(kb, "margin-chip", material="own", toughness="1.5").results["reach"]
    assert r.u / r.value == pytest.approx(2 / 3 * math.sqrt((50**2 + 10**2 + 15**2 + 10**2) / 3) / 100, rel=1e-6)
