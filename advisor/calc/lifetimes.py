"""Lifetimes with some still running: Kaplan-Meier steps and the most likely Weibull life, with its doubt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from uncertainties import correlated_values, umath

from advisor.calc.base import Number, deviation, nominal

__all__ = ["Weibull", "kaplan_meier", "student", "weibull_fit"]

SPREAD = "spread of the burrs"  # what the doubt of a fit comes from, on the sheet


def kaplan_meier(changed: Sequence[float], running: Sequence[float] = ()) -> list[tuple[float, float]]:
    """Share still good after each failure, as (time, share 0..1): R(t_i) = product of (n_j - d_j) / n_j, where d_j of
    the n_j burrs still watched fail at t_j. Burrs still running count until they leave (right-censored).

    Source: Kaplan & Meier, as in NIST/SEMATECH e-Handbook 8.2.1.5.

    >>> kaplan_meier([10.0], [20.0])
    [(10.0, 0.5)]
    """
    from scipy.stats import CensoredData, ecdf

    good = ecdf(CensoredData(uncensored=list(changed), right=list(running))).sf
    failed = set(changed)
    return [(float(t), float(r)) for t, r in zip(good.quantiles, good.probabilities, strict=True) if t in failed]


@dataclass(frozen=True)
class Weibull:
    """S(t) = exp(-(t / scale)^shape), by the logarithms of shape and scale: uncertain numbers that vary together."""

    log_shape: Number
    log_scale: Number

    @property
    def shape(self) -> Number:
        """k: under 1 early failures, 1 chance, above 1 wear."""
        return umath.exp(self.log_shape)

    @property
    def scale(self) -> Number:
        """eta: the life that 63 % do not reach."""
        return umath.exp(self.log_scale)

    @property
    def mean(self) -> Number:
        """eta Gamma(1 + 1 / k)."""
        return self.scale * umath.gamma(1 + 1 / self.shape)

    def log_life(self, risk: float) -> Number:
        """Logarithm of the life that a share `risk` (0..1) does not reach: ln eta + ln(-ln(1 - risk)) / k."""
        return self.log_scale + math.log(-math.log1p(-risk)) / self.shape

    def life(self, risk: float) -> Number:
        """The life that a share `risk` (0..1) does not reach."""
        return umath.exp(self.log_life(risk))

    def good(self, t: float) -> float:
        """Share still good after `t`."""
        return math.exp(-self._used(t))

    def fails_next(self, now: Number, ahead: Number) -> Number:
        """Chance that one still good at `now` fails within `ahead` more: 1 - S(now + ahead) / S(now)."""
        return 1 - umath.exp(self._hazard(now) - self._hazard(now + ahead))

    def _hazard(self, t: Number) -> Number:
        if nominal(t) <= 0:
            return 0.0
        return umath.exp(self.shape * (umath.log(t) - self.log_scale))

    def _used(self, t: float) -> float:
        if t <= 0:
            return 0.0
        return math.exp(min(nominal(self.shape) * (math.log(t) - nominal(self.log_scale)), 700.0))


def weibull_fit(changed: Sequence[Number], running: Sequence[Number] = (), widen: float = 1.0) -> Weibull:
    """Most likely Weibull life (two parameters) for failures `changed` and right-censored `running`, in one unit.

    The shape solves sum(t^k ln t) / sum(t^k) - 1/k = mean(ln t of the failures), the scale is
    (sum(t^k) / failures)^(1/k); doubt from the observed information of ln k and ln eta (times `widen`), and from the
    doubt of the readings themselves (implicit function). ValueError for fewer than two distinct failures or t <= 0.
    Source: NIST/SEMATECH e-Handbook 8.4.1.3.

    >>> fit = weibull_fit([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10)
    >>> round(fit.scale.nominal_value, 2), round(fit.shape.nominal_value, 4)
    (606.53, 1.7208)
    """
    import numpy as np
    from scipy.optimize import brentq

    values = [*changed, *running]
    times = np.array([nominal(t) for t in values])
    count = len(changed)
    if count < 2 or times.min() <= 0 or times[:count].max() / times[:count].min() < 1 + 1e-6:
        raise ValueError("two distinct failures are needed, all above nothing")
    top = float(times.max())
    logs = np.log(times / top)
    failed = float(logs[:count].mean())

    def slope(k: float) -> float:
        weights = np.exp(k * logs)
        return float(weights @ logs / weights.sum() - 1 / k - failed)

    high = 1.0
    while slope(high) <= 0:
        high *= 2
    low = high / 2
    while slope(low) >= 0:
        low /= 2
    k = float(brentq(slope, low, high, xtol=1e-13, rtol=1e-13))
    log_eta = math.log(top) + math.log(float(np.exp(k * logs).sum()) / count) / k
    event = (np.arange(len(times)) < count).astype(float)
    u = k * (np.log(times) - log_eta)
    z = np.exp(u)
    aa = float(-(event * u - z * u * (1 + u)).sum())
    ab = float(-(k * (z - event) + k * z * u).sum())
    bb = float((k * k * z).sum())
    det = aa * bb - ab * ab
    if not det > 0:
        raise ValueError("the failures lie too close together")
    cov = np.array([[bb, -ab], [-ab, aa]]) / det
    log_k, log_scale = correlated_values([math.log(k), log_eta], cov * widen**2, tags=[SPREAD, SPREAD])
    pull = cov @ np.vstack([k * (event - z - z * u), k * k * z])  # d(ln k, ln eta) / d(ln t) of each reading
    for place, value in enumerate(values):
        if deviation(value):
            moved = (value - nominal(value)) / nominal(value)
            log_k, log_scale = log_k + float(pull[0, place]) * moved, log_scale + float(pull[1, place]) * moved
    return Weibull(log_k, log_scale)


def student(freedom: float) -> float:
    """Factor by which a standard uncertainty from few values grows, so that twice of it holds 95 % (JCGM 100, G.3)."""
    from scipy.stats import t

    return float(t.ppf(0.97725, freedom)) / 2
