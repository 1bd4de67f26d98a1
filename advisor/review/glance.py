"""The supervisor's four questions, each answered in a sentence or two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from advisor.review.indicators import CauseCost, Prices, Rate, Totals, plural
from advisor.review.repeats import RemedyHold, Repeats
from advisor.review.trends import LEAST, Trend

if TYPE_CHECKING:
    from advisor.review.figures import Period, ToSign

__all__ = ["WHOLE", "Glance", "drift_words", "glances", "money_text", "number_text", "percent", "plural", "rate_text"]


WHOLE = {"money": "the cost", "minutes": "the bench time", "cases": "the cases"}
"""What a share is of, by the order of the causes."""
_NAMELESS = 0.25  # of the cost without a cause: above it, causes are to be found before anything else


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
        _held(repeats, trends),
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


def _cost(period: Period, totals: Totals, order: str, causes: Sequence[CauseCost], prices: Prices) -> Glance:
    question = "What costs us most?"
    if not totals.closed:
        if not totals.cases:
            return Glance(question, f"No case was begun in these {period.days:g} days.", False)
        return Glance(question, f"Not known yet: none of the {plural(totals.cases, 'case')} is closed.", False)
    named = [c for c in causes if c.cause is not None]
    nameless = next((c for c in causes if c.cause is None), None)
    parts = []
    for cause in named[:2]:
        figures = [plural(cause.cases, "case"), f"{cause.minutes:,.0f} min"]
        if cause.blocks:
            figures.append(plural(cause.blocks, "block"))
        if cause.money is not None:
            figures.append(money_text(cause.money, prices))
        parts.append(f"{cause.title} ({', '.join(figures)}; {percent(cause.share)} of {WHOLE[order]})")
    text = ", then ".join(parts)
    dark = nameless is not None and nameless.share > _NAMELESS
    if nameless:
        without = f"{plural(nameless.cases, 'case')} without a cause: {percent(nameless.share)} of {WHOLE[order]}"
        if not named:
            text = without
        elif nameless is causes[0]:
            text = f"{without}, the dearest; then {text}"
        elif dark:
            text += f"; and {without}"
    if totals.money is not None and totals.unpriced:
        has = "has no price and is" if totals.unpriced == 1 else "have no price and are"
        text += f". {plural(totals.unpriced, 'block')} {has} not in it"
    return Glance(question, text + ".", dark)


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
        return text + f", and is past {limit} (the check calls it '{pace.limit.label}')"
    if pace.days is None or pace.days > 730:
        return text + f", but years from {limit}"
    return text + f", at that pace at {limit} in {plural(max(round(pace.days), 1), 'day')}"


def _drift(trends: Sequence[Trend]) -> Glance:
    question = "Which mill is drifting?"
    drifting = [t for t in trends if t.drift]
    charted = [t for t in trends if t.baseline]
    # a mill that was ill all the time has no sound readings to drift from
    ill = [t for t in trends if not t.baseline and t.count >= _ILL and t.past == t.count]
    tail = ""
    if ill:
        told = "; ".join(f"{t.mill or 'mill not named'}: {t.title} ({t.past})" for t in ill[:2])
        tail = f" Every reading past the check's limit: {told}{', and more' if len(ill) > 2 else ''}."
    if drifting:
        more = len(drifting) - 2
        text = "; ".join(drift_words(t) for t in drifting[:2]) + (f"; and {more} more" if more > 0 else "")
        return Glance(question, text + "." + tail, True)
    if charted:
        text = f"No drift in the {plural(len(charted), 'series', 'series')} with enough readings."
        return Glance(question, text + tail, bool(ill))
    text = f"Too few readings to tell: it takes {LEAST} sound ones of one kind on one mill"
    most = max((len(t.values) for t in trends), default=0)
    few = ", and no series has them." if most >= LEAST else f", the most there are is {most}."
    return Glance(question, text + few + tail, bool(ill))


_ILL = 5  # readings


def _held(repeats: Repeats, trends: Sequence[Trend]) -> Glance:
    question = "Which fix did not hold?"
    days = f"{repeats.days:g} days"
    if not repeats.fixes:
        return Glance(question, "No fix was proven in this period.", False)
    bad = [held for held in repeats.remedies if held.failed.hits >= _TWICE]
    watching = sum(held.watching for held in repeats.remedies)
    young = f" {plural(watching, 'fix is', 'fixes are')} not yet {days} old." if watching else ""
    if not bad:
        once = sum(held.failed.hits for held in repeats.remedies)
        seen = f", and only {once} once" if once else ""
        return Glance(
            question,
            f"None: of {plural(repeats.fixes, 'proven fix', 'proven fixes')} no remedy failed twice{seen} (the same cause"
            f" again within {days}).{young}",
            False,
        )
    parts = []
    for held in bad[:2]:
        cases = [r.later for r in held.repeats if r.kind == "same"]
        named = ", ".join(cases[:2]) + (", ..." if len(cases) > 2 else "")
        came = f"{held.failed.hits} of {held.failed.count} came back within {days} with the same cause"
        parts.append(f"{held.title}: {came}, {_on(held)} (see {named})")
    more = len(bad) - 2
    text = "; ".join(parts) + (f"; and {more} more" if more > 0 else "") + "."
    drifting = {t.mill: t for t in reversed(trends) if t.drift}
    for mill in dict.fromkeys(held.mills[0][0] for held in bad[:2] if 2 * held.mills[0][1] > held.failed.hits):
        if mill in drifting:
            trend = drifting[mill]
            text += f" {mill} also drifts: {trend.title} goes {trend.drift}: look there first."
    return Glance(question, text + young, True)


_TWICE = 2  # what came back once may be chance


def _on(held: RemedyHold) -> str:
    """'all on tide', '25 of them on tide', or 'on north 9, harbour 7, tide 3'."""
    mill, most = held.mills[0]
    if most == held.failed.hits:
        return f"all on {mill}"
    if 2 * most > held.failed.hits:
        return f"{most} of them on {mill}"
    told = ", ".join(f"{mill} {count}" for mill, count in held.mills[:3])
    return f"on {told}" + (", ..." if len(held.mills) > 3 else "")


def _sign(sign: Sequence[ToSign]) -> Glance:
    question = "What must I sign?"
    ready = [s for s in sign if not s.asked]
    asked = len(sign) - len(ready)
    if not ready:
        tail = f" {plural(asked, 'case waits', 'cases wait')} for the technician's answer." if asked else ""
        return Glance(question, "Nothing." + tail, False)
    tail = f" {plural(asked, 'more waits', 'more wait')} for the technician's answer." if asked else ""
    text = plural(len(ready), "case")
    old = sum(s.before for s in ready)
    if old:
        text += f", {old} of them from before this period"
    first = [s for s in ready if s.look]
    if first:
        text += f". Look closely at {len(first)}, first at {first[0].case} ({'; '.join(first[0].look)})"
    return Glance(question, text + "." + tail, True)
