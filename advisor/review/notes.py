"""What to know to read the figures of a review right."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from advisor.review.hits import Program
from advisor.review.indicators import FixTimes, Prices, Totals, plural
from advisor.review.trends import Trend
from advisor.review.upkeep import BurrLife

if TYPE_CHECKING:
    from advisor.review.figures import Period

__all__ = ["notes_of"]


def notes_of(
    period: Period,
    totals: Totals,
    prices: Prices,
    times: FixTimes,
    record: Program,
    trends: Sequence[Trend],
    life: BurrLife | None,
) -> tuple[str, ...]:
    """What was left out of the figures, then what the methods behind them are called, in plain words."""
    out = []
    if totals.imported:
        out.append(
            f"Imported: {plural(totals.imported, 'case')}, counted in totals, causes and costs, but not in fix rates, times"
            " or repeats; nor are they to be signed."
        )
    if not prices.given:
        out.append("No prices are set, so costs are in bench minutes.")
    if totals.unpriced:
        out.append(f"Of a material without a price, and so not in the money: {plural(totals.unpriced, 'block')}.")
    if totals.untimed:
        out.append(f"Without bench minutes: {plural(totals.untimed, 'closed case')}.")
    if period.technician or period.material:
        out.append("Figures of mills, trends and care are of all cases: they cannot be told by technician or material.")
    if totals.cases:
        out.append(
            "Interval: so wide that it holds the true value 95 times in 100 (of shares: Wilson's). Few cases make it wide."
        )
    if any(trend.baseline for trend in trends):
        out.append(
            "Limits of readings: mean and three standard deviations either way of the first 8 to 20 sound ones (the"
            " baseline); they stay put. Smoothed mean: each new reading counts 0.3, those before it 0.7 (EWMA)."
        )
    if times.unfixed:
        out.append("Median with cases not fixed: each counts as 'longer than so far' (Kaplan-Meier estimate).")
    if record.brier is not None:
        out.append(
            f"Brier score of the program {record.brier:.2f}: how far what it said lay from what was found; 0 is perfect,"
            " 0.25 always says one half."
        )
    if life:
        out.append(
            "Life of burrs: a curve fitted to their hours (Weibull), and as counted (Kaplan-Meier); those still running count"
            " as 'longer than so far'."
        )
    return tuple(out)
