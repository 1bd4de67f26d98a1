"""How honest probabilities are: reliability, Brier score, expected calibration error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["Bin", "brier", "calibration_error", "reliability"]


@dataclass(frozen=True)
class Bin:
    """Forecasts between `low` and `high`: how many, their mean, and the share that came true."""

    low: float
    high: float
    count: int
    said: float
    happened: float


def reliability(said: Sequence[float], happened: Sequence[bool], bins: int = 10) -> list[Bin]:
    """The reliability diagram's points (Murphy 1973): forecasts in bins of equal width over 0..1, empty ones left out."""
    p, y = np.asarray(said, dtype=float), np.asarray(happened, dtype=float)
    place = np.minimum((p * bins).astype(int), bins - 1)
    out = []
    for b in range(bins):
        inside = place == b
        if inside.any():
            out.append(
                Bin(b / bins, (b + 1) / bins, int(inside.sum()), float(p[inside].mean()), float(y[inside].mean()))
            )
    return out


def brier(said: Sequence[float], happened: Sequence[bool]) -> float:
    """Mean squared distance of forecast and outcome (Brier 1950); 0 is perfect, 0.25 is always saying one half."""
    p, y = np.asarray(said, dtype=float), np.asarray(happened, dtype=float)
    return float(np.mean((p - y) ** 2)) if len(p) else float("nan")


def calibration_error(said: Sequence[float], happened: Sequence[bool], bins: int = 10) -> float:
    """Expected calibration error: mean distance of what was said and what happened in each bin, weighed by count."""
    found = reliability(said, happened, bins)
    total = sum(b.count for b in found)
    return sum(b.count * abs(b.said - b.happened) for b in found) / total if total else float("nan")
