"""Marginal gap and size after sintering: against tabled factors, arithmetic and planted faults."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.calc import catalogue
from advisor.calc.base import CalcError
from advisor.calc.fit import enlargement, mixed_up, one_sided_factor
from advisor.calc.run import Run, carry_out
from advisor.model import Knowledge


def gap(kb: Knowledge, *gaps: float, **more: str) -> Run:
    return carry_out(catalogue()["gap-series"], {"gaps": " ".join(f"{v:g}" for v in gaps), **more}, kb)


def sinter(kb: Knowledge, rows: list[str], label: str = "1.25", **more: str) -> Run:
    return carry_out(catalogue()["sinter-scale"], {"rows": rows, "label": label, **more}, kb)


# --- Marginal gap


@pytest.mark.parametrize(("count", "factor"), [(5, 4.203), (10, 2.911), (20, 2.396), (30, 2.220), (50, 2.065)])
def test_the_one_sided_tolerance_factors_are_the_tabled_ones(count: int, factor: float) -> None:
    """ISO 16269-6 (and Owen's tables), 95 % of the values with 95 % confidence, sigma unknown; from memory."""
    assert one_sided_factor(count) == pytest.approx(factor, abs=0.001)


def test_the_tolerance_factor_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: 43 values, 90 % of them with 99 % confidence, k about 1.875 (its approximation
    and the noncentral t differ in the third place; from memory)."""
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.875, abs=0.003)


def test_the_mean_carries_scatter_and_loupe(kb: Knowledge) -> None:
    """By hand: 80, 90, 100: s = 10, s / sqrt(3) x 4.53 / 2 (JCGM 100, table G.2); the loupe of +-20 um read to 10 um:
    u^2 = 20^2 / 3 + 10^2 / 12, all of it common but the resolution, 10^2 / 12 / 3 in the mean."""
    found = gap(kb, 80, 90, 100).results
    assert found["mean"].value == pytest.approx(90)
    u = math.sqrt((10 / math.sqrt(3) * 4.53 / 2) ** 2 + 400 / 3 + 100 / 12 / 3)
    assert found["mean"].u == pytest.approx(u, rel=2e-3)
    assert found["s"].value == pytest.approx(10)


def test_half_the_margin_is_over_a_limit_at_the_mean(kb: Knowledge) -> None:
    assert gap(kb, 110, 120, 130, 115, 125).results["over"].value == pytest.approx(50)


def test_one_deviation_over_the_mean_leaves_16_per_cent(kb: Knowledge) -> None:
    """1 - Phi(1) = 15.87 %, any table of the normal distribution."""
    assert gap(kb, 100, 110, 120, limit="120 um").results["over"].value == pytest.approx(15.87, abs=0.01)


@settings(max_examples=25, deadline=None)
@given(shift=st.integers(0, 200), wide=st.integers(1, 60))
def test_a_wider_gap_leaves_more_over_the_limit(shift: int, wide: int, kb: Knowledge) -> None:
    base = (60 - wide / 2, 60, 60 + wide / 2, 60)
    small, large = (gap(kb, *(v + s for v in base)).results for s in (0, shift))
    assert large["over"].value >= small["over"].value - 1e-9
    assert large["upper"].value == pytest.approx(small["upper"].value + shift, abs=0.01)


def test_few_readings_are_said_and_fifty_are_enough(kb: Knowledge) -> None:
    """About fifty: Groten et al. 2000 (read)."""
    assert any("few" in s for s in gap(kb, *([70, 80, 90] * 4)).worked.says)
    assert not any("few" in s for s in gap(kb, *([70, 80, 90] * 17)).worked.says)


def test_readings_all_alike_have_a_mean_and_no_share(kb: Knowledge) -> None:
    found = gap(kb, 80, 80, 80).results
    assert found["mean"].value == 80
    assert "over" not in found


@pytest.mark.parametrize(
    ("gaps", "word"),
    [((50, 60, 70), "kept"), ((115, 120, 125), "too near the limit to tell"), ((250, 260), "not kept")],
)
def test_the_verdict_on_the_mean_follows_the_doubt(gaps: tuple[int, ...], word: str, kb: Knowledge) -> None:
    assert gap(kb, *gaps, *gaps, *gaps).verdicts[0].word == word


# --- Sintering


@pytest.mark.parametrize(("shrink", "factor"), [(0.20, 1.25), (0.22, 1.2821), (0.25, 1.3333)])
def test_shrinkage_and_enlargement_are_not_the_same(shrink: float, factor: float) -> None:
    """Arithmetic: what shrinks to (1 - s) must be cut 1 / (1 - s) as large; the volume goes to (1 - s)^3."""
    assert enlargement(shrink) == pytest.approx(factor, abs=5e-5)
    assert 1 - enlargement(shrink) ** -3 == pytest.approx(1 - (1 - shrink) ** 3)


def test_the_factor_follows_from_cut_and_sintered_size(kb: Knowledge) -> None:
    found = sinter(kb, ["x 25.000 20.000", "y 12.500 10.000"], first="green")
    assert found.results["factor"].value == pytest.approx(1.25)
    assert found.results["error"].value == pytest.approx(0, abs=1e-9)
    assert found.worked.classes["right"] > 0.99


def test_the_doubt_of_a_factor_by_hand(kb: Knowledge) -> None:
    """Design 20 mm, sintered 20 mm: u(F) = F u / 20 mm, u of the micrometer = sqrt(4^2 / 3 + 1 / 12) um."""
    found = sinter(kb, ["x 20 20.000"]).results["factor_x"]
    assert found.u == pytest.approx(1.25 * math.sqrt(16 / 3 + 1 / 12) / 20000)


@pytest.mark.parametrize("size", [8.0, 20.0, 40.0])
def test_20_per_cent_shrinkage_typed_as_enlargement_is_recognised(size: float, kb: Knowledge) -> None:
    """Cut 1.20 times, shrunk to 0.8: 0.96 of the design, 4 % too small."""
    after = size * 1.20 * 0.80
    found = sinter(kb, [f"x {size} {after:.3f}", f"y {size / 2} {after / 2:.3f}"])
    assert found.results["error"].value == pytest.approx(4, abs=0.02)
    assert found.worked.classes["factor"] > 0.99
    assert "1.2000" in found.worked.says[0]
    assert "needs 1.2500" in found.worked.says[0]


def test_a_label_of_1_20_on_a_block_that_shrinks_20_per_cent_is_recognised(kb: Knowledge) -> None:
    found = sinter(kb, ["x 24.00 19.20", "y 12.00 9.60"], label="1.20", first="green")
    assert found.results["factor"].value == pytest.approx(1.25)
    assert "needs 1.2500" in found.worked.says[0]


@pytest.mark.parametrize("label", [1.15, 1.2, 1.25, 1.3])
def test_each_mix_up_has_a_size_error_of_its_own(label: float) -> None:
    errors = sorted(100 * (cut / needed - 1) for _, cut, needed in mixed_up(label))
    assert min(b - a for a, b in pairwise(errors)) > 0.3


def test_another_batch_is_no_mix_up(kb: Knowledge) -> None:
    said = sinter(kb, ["x 20 20.24", "y 10 10.12"]).worked.says[0]
    assert "alike" in said
    assert "mix-up" not in said


def test_directions_that_differ_speak_for_uneven_shrink(kb: Knowledge) -> None:
    found = sinter(kb, ["x 20 20.20", "y 20 20.00", "z 20 19.84"])
    assert found.worked.classes["uneven"] > 0.95
    assert found.results["uneven"].value == pytest.approx(1.8)
    assert "factor will not cure" in found.worked.says[0]


def test_one_direction_asks_for_another(kb: Knowledge) -> None:
    assert any("across" in s for s in sinter(kb, ["x 20 20.3"]).worked.says)


@settings(max_examples=25, deadline=None)
@given(error=st.floats(-8, 8), label=st.floats(1.1, 1.5))
def test_the_planted_error_comes_back(error: float, label: float, kb: Knowledge) -> None:
    after = 40 * (1 + error / 100)
    found = sinter(kb, [f"x 40 {after:.4f}", f"z 20 {after / 2:.4f}"], label=f"{label:.4f}")
    assert found.results["error"].value == pytest.approx(abs(error), abs=0.001)
    assert sum(found.worked.classes.values()) == pytest.approx(1)


def test_cut_sizes_for_design_sizes_are_noticed(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="green"):
        sinter(kb, ["x 25.00 20.00", "y 12.50 10.00"])
    with pytest.raises(CalcError, match="design"):
        sinter(kb, ["x 20.00 20.01", "y 10.00 10.00"], first="green")
    with pytest.raises(CalcError, match="same place"):
        sinter(kb, ["x 25.00 10.00"])


def test_a_factor_of_percents_is_told(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="outside"):
        sinter(kb, ["x 20 20.3"], label="25")


def test_a_small_error_under_a_small_factor_is_no_mix_up_of_the_sizes(kb: Knowledge) -> None:
    """7 % too small with a factor of 1.11 (9.9 % shrinkage): neither the size as cut nor that of the design."""
    assert sinter(kb, ["x 40 37.2"], label="1.11").results["error"].value == pytest.approx(7)
