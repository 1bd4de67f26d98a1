"""How honest probabilities are: scores against hand-worked cases, a decomposition, and a plain count."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.scores import brier, calibration_error, reliability

CHANCE = st.floats(0, 1)
FORECASTS = st.lists(st.tuples(CHANCE, st.booleans()), min_size=1, max_size=60)
TENTHS = st.lists(st.tuples(st.integers(0, 9), st.booleans()), min_size=1, max_size=60)
Pairs = list[tuple[float, bool]]


def parted(pairs: Pairs) -> tuple[list[float], list[bool]]:
    return [p for p, _ in pairs], [y for _, y in pairs]


def counted_error(pairs: Pairs, bins: int) -> float:
    """Expected calibration error from its definition, one bin after the other."""
    total = 0.0
    for b in range(bins):
        here = [(p, y) for p, y in pairs if min(int(p * bins), bins - 1) == b]
        if here:
            total += abs(sum(p for p, _ in here) - sum(y for _, y in here))
    return total / len(pairs)


@pytest.mark.parametrize(
    ("said", "happened", "expected"),
    [
        # Worked by hand as (forecast - outcome)^2, the two-class form of Brier 1950.
        ([1.0], [True], 0.0),
        ([1.0], [False], 1.0),
        ([0.7], [True], 0.09),
        ([0.3], [True], 0.49),
        ([0.5, 0.5, 0.5], [True, False, True], 0.25),
        ([0.9, 0.2], [True, True], (0.01 + 0.64) / 2),
    ],
)
def test_the_brier_score_of_cases_worked_by_hand(said: list[float], happened: list[bool], expected: float) -> None:
    assert brier(said, happened) == pytest.approx(expected)


def test_calibration_error_and_reliability_worked_by_hand() -> None:
    # Bin 0.1 to 0.2: said 0.1 and 0.12, mean 0.11, one of two came true: off by 0.39. Bin 0.9 to 1: said 0.9, 0.95 and
    # 1.0, mean 0.95, all came true: off by 0.05. (2 x 0.39 + 3 x 0.05) / 5 = 0.186.
    said, happened = [0.1, 0.9, 0.12, 1.0, 0.95], [False, True, True, True, True]
    low, high = reliability(said, happened)
    assert (low.low, low.high, low.count, low.happened) == (0.1, 0.2, 2, 0.5)
    assert low.said == pytest.approx(0.11)
    assert (high.low, high.high, high.count, high.happened) == (0.9, 1.0, 3, 1.0)
    assert high.said == pytest.approx(0.95)
    assert calibration_error(said, happened) == pytest.approx(0.186)


def test_the_number_of_bins_is_a_choice() -> None:
    # In one bin: said 0.5 on average, half came true. In two: off by 0.1 in each.
    assert calibration_error([0.1, 0.9], [False, True], bins=1) == pytest.approx(0)
    assert calibration_error([0.1, 0.9], [False, True], bins=2) == pytest.approx(0.1)


def test_a_forecast_on_a_limit_belongs_to_the_bin_above_and_certainty_to_the_last() -> None:
    assert [(b.low, b.high) for b in reliability([0.5, 1.0, 0.0], [True] * 3, bins=2)] == [(0.0, 0.5), (0.5, 1.0)]
    assert [b.count for b in reliability([0.5, 1.0, 0.0], [True] * 3, bins=2)] == [1, 2]


def test_without_forecasts_there_is_no_score() -> None:
    assert math.isnan(brier([], []))
    assert math.isnan(calibration_error([], []))
    assert reliability([], []) == []


@settings(max_examples=25, deadline=None)
@given(FORECASTS)
def test_scores_are_between_0_and_1(pairs: Pairs) -> None:
    said, happened = parted(pairs)
    assert 0 <= brier(said, happened) <= 1
    assert 0 <= calibration_error(said, happened) <= 1


@settings(max_examples=25, deadline=None)
@given(st.lists(st.booleans(), min_size=1))
def test_perfect_forecasts_score_0_and_their_opposites_1(happened: list[bool]) -> None:
    right, wrong = [float(y) for y in happened], [float(not y) for y in happened]
    assert brier(right, happened) == calibration_error(right, happened) == 0
    assert brier(wrong, happened) == calibration_error(wrong, happened) == 1


@settings(max_examples=25, deadline=None)
@given(FORECASTS, st.integers(1, 20))
def test_the_calibration_error_is_what_a_plain_count_gives(pairs: Pairs, bins: int) -> None:
    assert calibration_error(*parted(pairs), bins) == pytest.approx(counted_error(pairs, bins), abs=1e-12)


@settings(max_examples=25, deadline=None)
@given(FORECASTS, st.integers(1, 20))
def test_the_calibration_error_keeps_its_bounds(pairs: Pairs, bins: int) -> None:
    """At least the distance of the two means, at most the mean distance, and its square at most the Brier score."""
    said, happened = parted(pairs)
    error = calibration_error(said, happened, bins)
    assert error >= abs(sum(said) - sum(happened)) / len(pairs) - 1e-12
    assert error <= sum(abs(p - y) for p, y in pairs) / len(pairs) + 1e-12
    assert error**2 <= brier(said, happened) + 1e-12


@settings(max_examples=25, deadline=None)
@given(FORECASTS, st.integers(1, 20))
def test_the_bins_hold_every_forecast_once(pairs: Pairs, bins: int) -> None:
    said, happened = parted(pairs)
    found = reliability(said, happened, bins)
    assert sum(b.count for b in found) == len(pairs)
    assert sum(b.count * b.said for b in found) == pytest.approx(sum(said), abs=1e-9)
    assert sum(b.count * b.happened for b in found) == pytest.approx(sum(happened))
    assert [b.low for b in found] == sorted({b.low for b in found})
    assert all(b.low - 1e-12 <= b.said <= b.high + 1e-12 and b.count for b in found)


@settings(max_examples=25, deadline=None)
@given(TENTHS)
def test_brier_and_reliability_fit_the_published_decomposition(pairs: list[tuple[int, bool]]) -> None:
    """Murphy 1973 (from memory): when all forecasts of a bin are alike, the score is reliability - resolution +
    uncertainty."""
    said, happened = [0.05 + t / 10 for t, _ in pairs], [y for _, y in pairs]
    n, mean = len(pairs), sum(happened) / len(pairs)
    found = reliability(said, happened)
    honest = sum(b.count * (b.said - b.happened) ** 2 for b in found) / n
    sharp = sum(b.count * (b.happened - mean) ** 2 for b in found) / n
    assert brier(said, happened) == pytest.approx(honest - sharp + mean * (1 - mean), abs=1e-12)
