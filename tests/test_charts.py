"""Charts and intervals against published examples."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from advisor.review.charts import ewma, individuals, scrap_ratio, wilson

# NIST/SEMATECH e-Handbook 6.3.2.2, flow rate example (second-hand).
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# NIST/SEMATECH e-Handbook 6.3.2.4 (second-hand): lambda 0.3, target 50, s 2.0539.
SMOOTHED = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip
SERIES = [
    52.0,
    47.0,
    53.0,
    49.3,
    50.1,
    47.0,
    51.0,
    50.1,
    51.2,
    50.5,
    49.6,
    47.6,
    49.9,
    51.3,
    47.8,
    51.2,
    52.6,
    52.4,
    53.6,
    52.1,
]
# Individuals example of a statistics package's documentation, diameters (read): mean, limits, mean range, sigma.
DIAMETERS = [
    24.05, 23.99, 23.95, 23.93, 23.97, 24.02, 24.06, 24.10, 23.98, 24.03, 23.91, 24.06, 24.06, 23.96, 23.98,
    24.06, 24.01, 24.00, 23.93, 23.92, 24.09, 24.11, 24.05, 23.98, 23.98, 24.06, 24.02, 24.06, 23.97, 23.96,
]  # fmt: skip


def test_individuals_as_in_the_handbook() -> None:
    chart = individuals(FLOW)
    assert chart.mean == pytest.approx(50.81)
    assert chart.range_mean == pytest.approx(1.8778, abs=1e-4)
    assert (chart.lower, chart.upper) == (pytest.approx(45.8159, abs=2e-3), pytest.approx(55.8041, abs=2e-3))
    assert chart.range_upper == pytest.approx(6.1349, abs=2e-3)
    assert chart.signals == chart.jumps == ()


def test_individuals_as_in_a_packages_documentation() -> None:
    chart = individuals(DIAMETERS)
    assert chart.mean == pytest.approx(24.0083, abs=1e-4)
    assert (chart.lower, chart.upper) == (pytest.approx(23.8571, abs=2e-4), pytest.approx(24.1596, abs=2e-4))
    assert chart.sigma == pytest.approx(0.050423, abs=2e-5)
    assert chart.range_upper == pytest.approx(0.18585, abs=1e-4)


def test_ewma_as_in_the_handbook() -> None:
    chart = ewma(SERIES, 50, 2.0539)
    assert [round(v, 2) for v in chart.values] == pytest.approx(SMOOTHED, abs=0.011)
    assert chart.upper[-1] == pytest.approx(52.5884, abs=3e-3)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=3e-3)
    assert chart.signals == ()


@pytest.mark.parametrize(
    ("hits", "count", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_as_in_newcombe_1998_table_1(hits: int, count: int, low: float, high: float) -> None:
    """Newcombe 1998, Stat Med 17:857, table I, method 3 (second-hand)."""
    assert wilson(hits, count) == (pytest.approx(low, abs=6e-5), pytest.approx(high, abs=6e-5))


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40), st.floats(-1e3, 1e3))
def test_a_shift_of_all_readings_shifts_the_chart_alone(readings: list[float], shift: float) -> None:
    one, two = individuals(readings), individuals([x + shift for x in readings])
    assert two.mean - one.mean == pytest.approx(shift, abs=1e-6 * (1 + abs(one.mean)))
    assert two.sigma == pytest.approx(one.sigma, rel=1e-6, abs=1e-6)


@given(st.integers(0, 500), st.integers(0, 500))
def test_the_interval_holds_the_share(hits: int, misses: int) -> None:
    low, high = wilson(hits, hits + misses)
    assert 0 <= low <= high <= 1
    if hits + misses:
        assert low - 1e-12 <= hits / (hits + misses) <= high + 1e-12


def test_a_step_is_seen_by_the_ewma_before_a_single_reading_leaves_the_limits() -> None:
    series = [50.0, 49.0, 51.0, 50.0] * 3 + [52.5, 51.5, 52.0, 52.5, 52.0, 52.5]
    steady = individuals(series[:12])
    assert all(steady.lower <= x <= steady.upper for x in series)
    assert ewma(series, steady.mean, steady.sigma).signals


def test_what_cannot_be_charted_is_refused() -> None:
    with pytest.raises(ValueError, match="two readings"):
        individuals([1.0])
    with pytest.raises(ValueError, match="weight"):
        ewma([1.0], 0, 1, weight=0)
    with pytest.raises(ValueError, match="no share"):
        wilson(3, 2)
    assert math.isnan(scrap_ratio(0, 0))
    assert scrap_ratio(3, 60) == pytest.approx(0.05)
