"""Burr life: Kaplan-Meier and Weibull from logged changes, lives rebuilt from readings, Taylor's tool life."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from uncertainties import ufloat

from advisor.calc import catalogue
from advisor.calc.base import CalcError, nominal
from advisor.calc.burrlife import reconstruct, taylor_fit
from advisor.calc.lifetimes import Weibull, kaplan_meier, weibull_fit
from advisor.calc.run import Run, carry_out
from advisor.model import Knowledge

NIST_FAILED = [54.0, 187, 216, 240, 244, 335, 361, 373, 375, 386]
LIVES = st.lists(st.floats(1, 500), min_size=3, max_size=12, unique=True)


def life(kb: Knowledge, changed: str, running: str = "", **more: str) -> Run:
    return carry_out(catalogue()["burr-life"], {"changed": changed, "running": running, **more}, kb)


# --- Kaplan-Meier and Weibull against published examples


def test_kaplan_meier_gives_the_published_steps() -> None:
    """NIST/SEMATECH e-Handbook 8.2.1.5 (read): 20 units, six failures, others taken out unfailed."""
    steps = kaplan_meier([10, 32, 56, 98, 122, 181], [50, 100, 125, 150, *[200] * 10])
    assert [t for t, _ in steps] == [10, 32, 56, 98, 122, 181]
    assert [r for _, r in steps] == pytest.approx([0.95, 0.9, 0.8471, 0.7941, 0.7374, 0.6704], abs=5e-5)


def test_weibull_gives_the_published_fit(kb: Knowledge) -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3 (read): scale 606.5280, shape 1.7208, mean 540.737 h; ten censored at 500 h.
    The 10 % life of 164.02 h follows from these two."""
    run = life(kb, " ".join(f"{t:g}" for t in NIST_FAILED), " ".join(["500"] * 10), risk="10 %")
    assert run.results["scale"].value == pytest.approx(606.528, abs=2e-3)
    assert run.results["shape"].value == pytest.approx(1.7208, abs=5e-5)
    assert run.results["mean"].value == pytest.approx(540.737, abs=2e-3)
    assert run.results["change_by"].value == pytest.approx(164.02, abs=5e-3)


@settings(max_examples=25, deadline=None)
@given(failed=LIVES, running=st.lists(st.floats(1, 500), max_size=6))
def test_weibull_agrees_with_an_independent_fit(failed: list[float], running: list[float]) -> None:
    """scipy.stats.weibull_min.fit on the same censored data never finds a likelier curve."""
    assume(max(failed) / min(failed) > 1.2)
    fit = weibull_fit(failed, running)
    data = stats.CensoredData(uncensored=failed, right=running)
    shape, _, scale = stats.weibull_min.fit(data, floc=0)

    def likelihood(k: float, eta: float) -> float:
        alive = stats.weibull_min.logsf(running, k, scale=eta).sum() if running else 0.0
        return float(stats.weibull_min.logpdf(failed, k, scale=eta).sum() + alive)

    assert likelihood(nominal(fit.shape), nominal(fit.scale)) >= likelihood(shape, scale) - 1e-9


def _log_likelihood(theta: Sequence[float], failed: Sequence[float], running: Sequence[float]) -> float:
    k, eta = math.exp(theta[0]), math.exp(theta[1])
    return float(
        stats.weibull_min.logpdf(failed, k, scale=eta).sum() + stats.weibull_min.logsf(running, k, scale=eta).sum()
    )


def test_the_doubt_is_the_inverse_of_the_observed_information() -> None:
    """Second differences of scipy's own likelihood at the maximum."""
    running = [500.0] * 10
    fit = weibull_fit(NIST_FAILED, running)
    at, h = [nominal(fit.log_shape), nominal(fit.log_scale)], 1e-3
    information = np.zeros((2, 2))
    for i, j in itertools.product(range(2), range(2)):
        for a, b in itertools.product((1, -1), (1, -1)):
            moved = list(at)
            moved[i] += a * h
            moved[j] += b * h
            information[i, j] -= a * b * _log_likelihood(moved, NIST_FAILED, running) / (4 * h * h)
    cov = np.linalg.inv(information)
    assert fit.log_shape.std_dev == pytest.approx(math.sqrt(cov[0, 0]), rel=1e-3)
    assert fit.log_scale.std_dev == pytest.approx(math.sqrt(cov[1, 1]), rel=1e-3)
    lean = math.log(-math.log(0.9)) / nominal(fit.shape)  # d ln t / d ln k = -lean
    variance = cov[1, 1] + lean**2 * cov[0, 0] - 2 * lean * cov[0, 1]
    assert fit.log_life(0.1).std_dev == pytest.approx(math.sqrt(variance), rel=1e-3)


def test_the_doubt_of_a_reading_moves_the_fit_as_refitting_does() -> None:
    sharp = weibull_fit(NIST_FAILED)
    moved = weibull_fit([NIST_FAILED[0] + 0.01, *NIST_FAILED[1:]])
    slope = (nominal(moved.scale) - nominal(sharp.scale)) / 0.01
    blurred = weibull_fit([ufloat(NIST_FAILED[0], 30, "first"), *NIST_FAILED[1:]])
    parts = {v.tag: s for v, s in blurred.scale.error_components().items()}
    assert parts["first"] == pytest.approx(abs(slope) * 30, rel=1e-2)


@settings(max_examples=30, deadline=None)
@given(failed=LIVES, factor=st.floats(0.1, 50))
def test_another_unit_of_life_changes_nothing_but_the_scale(failed: list[float], factor: float) -> None:
    assume(max(failed) / min(failed) > 1.05)
    one, other = weibull_fit(failed), weibull_fit([t * factor for t in failed])
    assert nominal(other.shape) == pytest.approx(nominal(one.shape), rel=1e-6)
    assert nominal(other.life(0.1)) == pytest.approx(nominal(one.life(0.1)) * factor, rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(failed=LIVES, risk=st.floats(0.01, 0.4))
def test_a_smaller_risk_means_an_earlier_change(failed: list[float], risk: float) -> None:
    assume(max(failed) / min(failed) > 1.05)
    fit = weibull_fit(failed)
    assert nominal(fit.life(risk)) < nominal(fit.life(risk * 1.2))


def test_without_ageing_a_used_burr_is_as_good_as_new() -> None:
    """Shape 1 is the exponential life: the chance to fail next does not depend on the hours so far."""
    fit = Weibull(ufloat(0, 0.1), ufloat(math.log(20), 0.1))
    assert nominal(fit.fails_next(0, 2)) == pytest.approx(1 - math.exp(-0.1))
    assert nominal(fit.fails_next(35, 2)) == pytest.approx(1 - math.exp(-0.1))


def test_sound_burrs_make_the_change_later(kb: Knowledge) -> None:
    alone = life(kb, "14 16 19 22 h")
    more = life(kb, "14 16 19 22 h", "25 25 25 h")
    assert more.results["scale"].value > alone.results["scale"].value


def test_the_interval_holds_the_true_life_nearly_as_often_as_it_says() -> None:
    """Four burrs each, drawn from a known Weibull life: Student's t keeps small numbers honest, the normal factor
    of 1.96 would hold it in under 80 % of such samples."""
    rng = np.random.default_rng(7)
    factor = stats.t.ppf(0.97725, 3)
    true = math.log(20) + math.log(-math.log(0.9)) / 2.5
    fits = [weibull_fit(list(20 * rng.weibull(2.5, 4))).log_life(0.1) for _ in range(200)]
    held = np.mean([abs(nominal(f) - true) < factor * f.std_dev for f in fits])
    assert held > 0.82


# --- What the technician is told


def test_few_failures_are_said_with_a_wide_interval(kb: Knowledge) -> None:
    few, many = life(kb, "14 18 23 h"), life(kb, "14 15 16 17 18 19 20 21 22 23 h")
    assert "Only 3 failures" in few.worked.says[0]
    assert not any("Only" in text for text in many.worked.says)
    relative = [r.results["change_by"].u / r.results["change_by"].value for r in (few, many)]
    assert relative[0] > 3 * relative[1]


@pytest.mark.parametrize("changed", ["20 h", "20 20 20 h"])
def test_fewer_than_two_different_failures_are_refused(kb: Knowledge, changed: str) -> None:
    with pytest.raises(CalcError, match="two different hours") as caught:
        life(kb, changed, "12 15 h")
    assert caught.value.field == "changed"


def test_early_failures_are_laid_to_the_setup(kb: Knowledge) -> None:
    run = life(kb, "0.5 1 2 3 30 45 60 h")
    assert run.results["shape"].value < 1
    assert any("setup fault" in text for text in run.worked.says)


def test_wear_is_told_from_chance(kb: Knowledge) -> None:
    assert any("fail by wear" in text for text in life(kb, "17 18 19 20 21 22 23 h").worked.says)
    assert any("cannot be told apart" in text for text in life(kb, "4 9 12 21 35 h").worked.says)


def test_the_burr_in_the_mill_is_held_against_its_life(kb: Knowledge) -> None:
    fresh, old = (life(kb, "17 18 19 20 21 22 h", now=now, ahead="1 h") for now in ("5 h", "21 h"))
    assert fresh.results["used"].value == pytest.approx(500 / fresh.results["change_by"].value)
    assert fresh.results["chance"].value < 1 < old.results["chance"].value
    assert any("past" in text for text in old.worked.says)
    assert "used" not in life(kb, "17 18 19 h").results


def test_parts_can_be_counted_instead_of_hours(kb: Knowledge) -> None:
    typed = {"changed": "54 187 216 240 244 335 361 373 375 386", "running": " ".join(["500"] * 10)}
    run = carry_out(catalogue()["burr-life-parts"], typed, kb)
    assert run.results["change_by"].value == pytest.approx(164.02, abs=5e-3)
    assert run.results["change_by"].figure.unit == "1"


# --- Lives from logged readings


def test_a_lower_reading_means_a_new_burr() -> None:
    log = [("A", "finishing", 4.0, False), ("A", "finishing", 12.0, False), ("A", "finishing", 2.0, False)]
    assert reconstruct(log) == ([], [12.0, 2.0])


def test_a_replaced_burr_has_its_last_reading_as_life() -> None:
    log = [("A", "finishing", 9.0, False), ("A", "finishing", 17.0, True), ("A", "finishing", 18.0, False)]
    assert reconstruct(log) == ([17.0], [18.0])


def test_mills_and_kinds_are_kept_apart() -> None:
    log = [
        ("A", "finishing", 12.0, False),
        ("B", "finishing", 3.0, False),
        ("A", "roughing", 5.0, True),
        ("A", "finishing", 14.0, True),
    ]
    assert reconstruct(log) == ([5.0, 14.0], [3.0])


def test_nothing_logged_gives_nothing() -> None:
    assert reconstruct([]) == ([], [])
    assert reconstruct([("A", "finishing", 0.0, False)]) == ([], [])


@given(
    burrs=st.lists(
        st.tuples(st.lists(st.integers(1, 50), min_size=1, max_size=4, unique=True), st.booleans()), max_size=8
    )
)
def test_burrs_read_one_after_the_other_are_found_again(burrs: list[tuple[list[int], bool]]) -> None:
    """Each burr is read at rising hours; the next one starts below the last reading, or after a replacement."""
    log, changed, running = [], [], []
    for place, (hours, replaced) in enumerate(burrs):
        readings = sorted(hours)
        if place and not burrs[place - 1][1]:
            assume(readings[0] < max(burrs[place - 1][0]))
        log += [("A", "f", float(h), replaced and h == readings[-1]) for h in readings]
        (changed if replaced else running).append(float(readings[-1]))
    assert reconstruct(log) == (changed, running)


# --- Taylor


def test_taylor_from_two_pairs_gives_the_textbook_exercise() -> None:
    """Solved textbook exercise (second-hand): 160 m/min lasts 5.75 min, 130 m/min 14.25 min; solved by hand from the
    two pairs n = 0.22879, C = 238.74, 119.0 min at 80 m/min."""
    fit = taylor_fit([160, 130], [5.75, 14.25])
    assert fit.n == pytest.approx(0.22879, abs=5e-6)
    assert fit.c == pytest.approx(238.74, abs=5e-3)
    assert fit.life(80) == pytest.approx(119.0, abs=0.05)


def test_taylor_gives_the_worked_example_of_groover() -> None:
    """Groover, Fundamentals of Modern Manufacturing (from memory): 5 min at 160, 41 min at 100 m/min: n = 0.223,
    C = 229."""
    fit = taylor_fit([160, 100], [5, 41])
    assert fit.n == pytest.approx(0.223, abs=5e-4)
    assert fit.c == pytest.approx(229, abs=0.5)


def test_with_an_exponent_of_a_quarter_half_the_speed_lasts_sixteen_times_as_long() -> None:
    """Follows from V T^n = C (textbook, read)."""
    fit = taylor_fit([100, 200], [16, 1])
    assert fit.n == pytest.approx(0.25)
    assert fit.life(50) / fit.life(100) == pytest.approx(16)


def test_taylor_from_three_pairs_is_the_regression_of_life_on_speed() -> None:
    """scipy.stats.linregress on the logarithms, with its standard error of the slope times Student's t."""
    speeds, lives = [160.0, 130, 100], [5.75, 14.25, 47]
    line = stats.linregress(np.log(speeds), np.log(lives))
    fit = taylor_fit(speeds, lives)
    assert nominal(fit.n) == pytest.approx(-1 / line.slope)
    assert nominal(fit.life(80)) == pytest.approx(math.exp(line.intercept + line.slope * math.log(80)))
    assert fit.slope.std_dev == pytest.approx(line.stderr * stats.t.ppf(0.97725, 1) / 2, rel=1e-6)


@given(
    n=st.floats(0.05, 1.5),
    speeds=st.lists(st.floats(1000, 90000), min_size=2, max_size=6),
    new=st.floats(1000, 90000),
)
def test_an_exact_law_is_found_again(n: float, speeds: list[float], new: float) -> None:
    assume(max(speeds) / min(speeds) > 1.1)
    fit = taylor_fit(speeds, [(100000 / v) ** (1 / n) for v in speeds])
    assert nominal(fit.n) == pytest.approx(n, rel=1e-6)
    assert nominal(fit.c) == pytest.approx(100000, rel=1e-5)
    assert nominal(fit.life(new)) == pytest.approx((100000 / new) ** (1 / n), rel=1e-5)


def speed(kb: Knowledge, *pairs: str, new: str = "55000") -> Run:
    return carry_out(catalogue()["tool-life-speed"], {"pairs": list(pairs), "speed": new}, kb)


def test_lives_at_one_speed_or_rising_with_speed_are_refused(kb: Knowledge) -> None:
    with pytest.raises(CalcError, match="speeds are the same"):
        speed(kb, "50000 10", "50000 12")
    with pytest.raises(CalcError, match="do not fall with speed"):
        speed(kb, "50000 10", "60000 12")


def test_a_life_far_outside_what_was_tried_is_marked(kb: Knowledge) -> None:
    pairs = ("40000 30", "50000 14", "60000 7")
    assert any("outside" in text for text in speed(kb, *pairs, new="90000").worked.says)
    assert not any("outside" in text for text in speed(kb, *pairs).worked.says)


def test_two_pairs_are_said_to_hide_the_scatter(kb: Knowledge) -> None:
    assert any("Two pairs" in text for text in speed(kb, "40000 30", "60000 7").worked.says)
