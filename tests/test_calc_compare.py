"""The spread of several readings, the difference of two: values, and doubt where errors are shared."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from advisor.calc import catalogue
from advisor.calc.base import nominal
from advisor.calc.compare import spread
from advisor.calc.run import carry_out
from advisor.model import Knowledge

READINGS = st.lists(st.floats(-1000, 1000), min_size=2, max_size=20)


@given(readings=READINGS)
def test_spread_agrees_with_the_statistics_library(readings: list[float]) -> None:
    """Python's statistics.stdev as an independent reference."""
    wide, deviation = spread(readings)
    assert wide == pytest.approx(max(readings) - min(readings))
    assert nominal(deviation) == pytest.approx(statistics.stdev(readings), rel=1e-6, abs=1e-6)


@given(readings=READINGS, shift=st.floats(-500, 500))
def test_an_error_all_readings_share_leaves_the_spread_alone(readings: list[float], shift: float) -> None:
    assert spread([x + shift for x in readings])[0] == pytest.approx(spread(readings)[0], abs=1e-6)


def test_equal_readings_have_no_spread(kb: Knowledge) -> None:
    run = carry_out(catalogue()["reading-spread"], {"readings": "8 8 8 8 8 um"}, kb)
    assert run.results["range"].value == run.results["deviation"].value == 0
    assert run.results["range"].u > 0


def test_five_run_outs_give_their_range(kb: Knowledge) -> None:
    """Two readings on one dial (difference error 1.5 um) have a difference known to 1.5 / sqrt(3) um."""
    run = carry_out(catalogue()["reading-spread"], {"readings": "8 9 12 8 15 um"}, kb)
    assert run.results["range"].value == pytest.approx(7)
    assert run.results["range"].u == pytest.approx(1.5 / math.sqrt(3))


def test_readings_may_come_from_another_instrument_and_in_another_unit(kb: Knowledge) -> None:
    run = carry_out(catalogue()["reading-spread"], {"readings": "1.002 1.010 1.006 mm @micrometer"}, kb)
    assert run.results["range"].value == pytest.approx(8)
    assert run.results["range"].u == pytest.approx(3 / math.sqrt(3))


@pytest.mark.parametrize(
    ("name", "error"), [("reading-difference", 0.003), ("calliper-difference", 0.02), ("dial-difference", 0.0015)]
)
def test_one_instrument_read_twice_is_as_good_as_its_difference_error(kb: Knowledge, name: str, error: float) -> None:
    """JCGM 100, F.1.2.3: what both readings have in common cancels; a rectangular half-width e is e / sqrt(3)."""
    run = carry_out(catalogue()[name], {"one": "1.5 mm", "other": "1.25 mm"}, kb)
    in_mm = 1000 if run.results["difference"].figure.unit == "um" else 1
    assert run.results["difference"].value / in_mm == pytest.approx(0.25)
    assert run.results["difference"].u / in_mm == pytest.approx(error / math.sqrt(3))


def test_the_sign_can_be_left_out(kb: Knowledge) -> None:
    run = carry_out(catalogue()["reading-difference"], {"one": "1.25 mm", "other": "1.5 mm"}, kb)
    assert run.results["difference"].value == pytest.approx(-0.25)
    assert run.results["size"].value == pytest.approx(0.25)


def test_the_deviation_of_few_readings_is_known_badly(kb: Knowledge) -> None:
    """u(s) = s / sqrt(2 (n - 1)) comes on top of the dial, u / sqrt(n - 1) (JCGM 100, E.4.3, second-hand)."""
    found = carry_out(catalogue()["reading-spread"], {"readings": "8 9 12 8 15 um"}, kb).results["deviation"]
    assert found.value == pytest.approx(3.05, abs=0.005)
    assert found.u == pytest.approx(math.hypot(3.0496 / math.sqrt(8), 1.5 / math.sqrt(6) / math.sqrt(4)), rel=1e-3)
