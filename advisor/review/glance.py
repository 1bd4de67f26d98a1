"""The supervisor's four questions, each answered in a sentence or two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from advisor.review.indicators import CauseCost, Prices, Rate, Totals
from advisor.review.repeats import Repeats
from advisor.review.trends import LEAST, Trend

if TYPE_CHECKING:
    from advisor.review.figures import Period, ToSign

__all__ = ["Glance", "drift_words", "glances", "money_text", "number_text", "percent", "plural", "rate_text"]


@dataclass(frozen=True)
class Glance:
    """One of the supervisor's four questions with its answer in a sentence or two. `alert`: something is to be done."""

    question: str
    answer: str
    alert: bool


def glances(
    period: Period,
    totals: Totals,
    order: str,
    causes: Sequence[CauseCost],
    trends: Sequence[Trend],
    repeats: Repeats,
    sign: Sequence[ToSign],
    prices: Prices,
) -> tuple[Glance, ...]:
    """The four answers: cost, drift, fixes that did not hold, signatures."""
    return (
        _cost(period, totals, order, causes, prices),
        _drift(trends),
        _held(repeats),
        _sign(sign),
    )


def percent(share: float) -> str:
    """'43 %'; a share between nothing and all is never rounded to one of them."""
    if 0 < share < 0.005:
        return "under 1 %"
    if 0.995 < share < 1:
        return "over 99 %"
    return f"{100 * share:.0f} %"


def rate_text(rate: Rate) -> str:
    """'3 of 7 (43 %, interval 16 to 75 %)', or 'none counted'."""
    if rate.share is None:
        return "none counted"
    return f"{rate.hits} of {rate.count} ({percent(rate.share)}, interval {100 * rate.low:.0f} to {percent(rate.high)})"


def money_text(amount: float, prices: Prices) -> str:
    """'1,240 EUR'."""
    return f"{amount:,.0f} {prices.currency}".rstrip()


def number_text(value: float, like: float | None = None) -> str:
    """Three digits that matter; with `like`, as many places after the point as would show three digits of that."""
    size = abs(value if like is None else like)
    if size >= 100 or size == 0:
        return f"{value:,.0f}"
    places = 0
    while size < 100 and places < 8:
        size *= 10
        places += 1
    return f"{value:.{places}f}"


def plural(count: float, one: str, many: str = "") -> str:
    """'1 day', '2 days', '2.5 days'."""
    text = f"{count:,.0f}" if count == round(count) else f"{count:,.1f}"
    return f"{text} {one if count == 1 else many or one + 's'}"


def _cost(period: Period, totals: Totals, order: str, causes: Sequence[CauseCost], prices: Prices) -> Glance:
    question = "What costs us most?"
    if not totals.closed:
        if not totals.cases:
            return Glance(question, f"No case was begun in these {period.days:g} days.", False)
        return Glance(question, f"Not known yet: none of the {plural(totals.cases, 'case')} is closed.", False)
    parts = []
    named = [c for c in causes if c.cause is not None]
    for cause in named[:2] or causes[:1]:
        figures = [plural(cause.cases, "case"), f"{cause.minutes:,.0f} min"]
        if cause.blocks:
            figures.append(plural(cause.blocks, "block"))
        if cause.money is not None:
            figures.append(money_text(cause.money, prices))
        parts.append(f"{cause.title} ({', '.join(figures)}; {percent(cause.share)} of all {order})")
    nameless = next((c for c in causes if c.cause is None), None)
    tail = ""
    if named and nameless and nameless.share > named[0].share:
        tail = (
            f" More went on {plural(nameless.cases, 'case')} without a cause: {percent(nameless.share)} of all {order}."
        )
    return Glance(question, ", then ".join(parts) + "." + tail, bool(named))


def drift_words(trend: Trend) -> str:
    """'quay: Air pressure at rest goes down by 0.012 MPa in 30 days (interval 0.008 to 0.020); ...' of a drifting series."""
    unit = "" if trend.unit in ("", "1") else f" {trend.unit}"
    mill = trend.mill or "mill not named"
    text = f"{mill}: {trend.title} goes {trend.drift}"
    pace = trend.pace
    if pace is None:
        return text
    low, high = sorted((abs(pace.low), abs(pace.high)))
    text += (
        f" by {number_text(abs(pace.slope))}{unit} in 30 days"
        f" (interval {number_text(low, abs(pace.slope))} to {number_text(high, abs(pace.slope))})"
    )
    if pace.limit is None:
        return text + ", away from any limit of the check"
    limit = f"the limit of {pace.limit.value:g}{unit}"
    if pace.beyond:
        return text + f", and is past {limit} ({pace.limit.label})"
    if pace.days is None or pace.days > 730:
        return text + f", but years from {limit}"
    return text + f", at that pace at {limit} in {plural(max(round(pace.days), 1), 'day')}"


def _drift(trends: Sequence[Trend]) -> Glance:
    question = "Which mill is drifting?"
    drifting = [t for t in trends if t.drift]
    charted = [t for t in trends if t.baseline]
    if drifting:
        more = len(drifting) - 2
        text = "; ".join(drift_words(t) for t in drifting[:2]) + (f"; and {more} more below" if more > 0 else "")
        return Glance(question, text + ".", True)
    if not charted:
        most = max((len(t.values) for t in trends), default=0)
        return Glance(
            question,
            f"Too few readings to tell: it takes {LEAST} of one kind on one mill, the most there are is {most}.",
            False,
        )
    return Glance(question, f"No drift in the {plural(len(charted), 'series', 'series')} with enough readings.", False)


def _held(repeats: Repeats) -> Glance:
    question = "Which fix did not hold?"
    days = f"{repeats.days:g} days"
    if not repeats.fixes:
        return Glance(question, "No fix was proven in this period.", False)
    bad = [held for held in repeats.remedies if held.failed.hits]
    watching = sum(held.watching for held in repeats.remedies)
    young = f" {plural(watching, 'fix is', 'fixes are')} not yet {days} old." if watching else ""
    if not bad:
        return Glance(question, f"None of the {repeats.fixes} proven fixes came back within {days}.{young}", False)
    parts = []
    for held in bad[:2]:
        cases = [r.later for r in held.repeats if r.kind != "other"]
        named = ", ".join(cases[:3]) + (", ..." if len(cases) > 3 else "")
        parts.append(f"{held.title}: back within {days} after {rate_text(held.failed)} fixes, see {named}")
    more = len(bad) - 2
    return Glance(question, "; ".join(parts) + (f"; and {more} more below" if more > 0 else "") + f".{young}", True)


def _sign(sign: Sequence[ToSign]) -> Glance:
    question = "What must I sign?"
    ready = [s for s in sign if not s.asked]
    asked = len(sign) - len(ready)
    tail = f" {plural(asked, 'case waits', 'cases wait')} for the technician's answer." if asked else ""
    if not ready:
        return Glance(question, "Nothing." + tail, False)
    text = plural(len(ready), "case")
    old = sum(s.before for s in ready)
    if old:
        text += f", {old} of them from before this period"
    first = [s for s in ready if s.look]
    if first:
        text += f". Look closely at {len(first)}, first at {first[0].case} ({'; '.join(first[0].look)})"
    return Glance(question, text + "." + tail, True)
