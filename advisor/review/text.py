"""A review as text: the four answers, and the tables behind them. Everything reads without colour."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from advisor.review.charttext import chart_text, unit_text
from advisor.review.glance import WHOLE, drift_words, number_text, percent, plural, rate_text
from advisor.review.printing import MOST, Printer
from advisor.review.repeats import others, telling
from advisor.review.textfigures import figures
from advisor.review.trends import LEAST

if TYPE_CHECKING:
    from rich.console import Console

    from advisor.review.figures import Review
    from advisor.review.trends import Trend

__all__ = ["show"]


def show(review: Review, console: Console, *, last: bool = False, invented: bool = False) -> None:
    """Print the review; the console's width and encoding are kept to (charts need more than ASCII).

    The four answers stand first, or `last`, as on a terminal, where what comes first scrolls away. `invented`: it is of
    an invented lab, and says so beside the answers.
    """
    out = Printer(console)
    p = review.period
    of = ", ".join(f"{name} {value}" for name, value in _filters(review)) or "all mills"
    span = f"{p.since} to {p.last} ({plural(p.days, 'day')}, UTC), {of}"
    empty = not review.totals.cases and not review.trends and not review.sign
    if invented:
        out.text(_INVENTED, "bold")
    out.head(f"Review of {span}", rule=True)
    if not last or empty:
        _answers(review, out)
    if empty:
        out.gap()
        out.text("Nothing was logged in this period. Another one: advisor review --last 1y")
        return
    _cost(review, out)
    _drift(review, out)
    _held(review, out)
    _sign(review, out)
    figures(review, out)
    if review.notes:
        out.head("To read these figures right")
        for note in review.notes:
            out.hanging("  ", note)
    if last:
        out.head(f"The four answers, {span}")
        if invented:
            out.text(_INVENTED, "bold")
        _answers(review, out)


_INVENTED = "Invented lab: none of this happened."


def _answers(review: Review, out: Printer) -> None:
    for glance in review.glance:
        out.hanging("! " if glance.alert else "  ", f"{glance.question} {glance.answer}", bold=len(glance.question))
    out.dim("'!' asks for something to be done.")


def _filters(review: Review) -> Iterable[tuple[str, str]]:
    for name in ("mill", "technician", "material"):
        value = getattr(review.period, name)
        if value is not None:
            yield name, value


def _cost(review: Review, out: Printer) -> None:
    out.head("What it cost")
    if not review.causes:
        out.dim("No closed case.")
        return
    money = review.order == "money"
    headers = [
        "cause",
        "cases",
        "min",
        "blocks",
        *([review.prices.currency or "money"] if money else []),
        "share",
        "sum",
    ]
    rows = []
    for cause in review.causes[:MOST]:
        paid = [f"{cause.money:,.0f}"] if money and cause.money is not None else []
        figures = [f"{cause.cases:,}", f"{cause.minutes:,.0f}", f"{cause.blocks:g}", *paid]
        rows.append([cause.title, *figures, percent(cause.share), percent(cause.cumulative)])
    out.table(headers, rows, " rrrrrrr"[: len(headers)])
    out.more(len(review.causes) - MOST, "causes")
    out.dim(f"Dearest first. share: part of {WHOLE[review.order]}; sum: this row and those above.")


def _drift(review: Review, out: Printer) -> None:
    out.head("Drift of readings")
    if not review.trends:
        out.dim("No readings in this period.")
        return
    drifting = [t for t in review.trends if t.drift]
    for trend in drifting[:3]:
        out.hanging("! ", drift_words(trend) + ".")
        if out.rich and out.width >= _CHART:
            out.console.print(chart_text(trend, min(out.width, 100)), markup=False, highlight=False, end="\n")
    rest = review.trends[len(drifting[:3]) :]  # drifting ones stand first
    rows = []
    for trend in rest[:MOST]:
        spread = number_text(trend.high - trend.low) if trend.high > trend.low else f"{trend.high:g}"
        like = trend.high - trend.low or trend.high
        span = (
            f"{number_text(trend.low, like)} to {number_text(trend.high, like)}" if trend.high > trend.low else spread
        )
        last = trend.cases[trend.signals[-1]] if trend.signals else ""
        said = f"{len(trend.signals)}, last {last}" if trend.signals else "none" if trend.baseline else _why_not(trend)
        rows.append(
            [trend.mill or "not named", trend.title, str(trend.count), f"{span} {unit_text(trend)}".strip(), said]
        )
    if rows:
        out.table(["mill", "reading", "count", "range", "signals, with the case"], rows, "  r")
        out.more(len(rest) - MOST, "series")
    out.dim(
        "Limits come from the first 8 to 20 sound readings and stay put. Signal: a reading outside them, a step too large,"
        " or a smoothed mean outside its own; a sound reading away from the check's limit is none. Readings are from"
        " cases, mostly taken when something was wrong."
    )


_CHART = 60  # columns that a chart needs


def _why_not(trend: Trend) -> str:
    """Why a series has no limits."""
    if len(trend.values) < LEAST:
        return "too few"
    return "too few sound" if trend.limits else "all alike"


def _held(review: Review, out: Printer) -> None:
    repeats = review.repeats
    out.head(f"Complaints that came back within {repeats.days:g} days of a proven fix")
    out.hanging("  ", f"Cases that repeat a complaint fixed before: {rate_text(repeats.complaints)}")
    if not repeats.fixes:
        out.dim("No fix was proven in this period.")
        return
    back = [held for held in repeats.remedies if held.failed.hits]
    rows = []
    for held in back[:MOST]:
        low, high = percent(held.failed.low), percent(held.failed.high)
        failed = f"{held.failed.hits} ({percent(held.failed.share or 0.0)})"
        mills = ", ".join(mill for mill, _ in held.mills[:2]) + (", ..." if len(held.mills) > 2 else "")
        counted = [str(held.fixes), failed, f"{low} to {high}", str(held.unclear), str(held.watching)]
        rows.append([held.title, *counted, mills or "-"])
    if rows:
        out.table(["remedy", "fixes", "not held", "interval", "unclear", "early", "on"], rows, " rrrrr")
        out.more(len(back) - MOST, "remedies")
    if rest := others(repeats.remedies):
        out.hanging("  ", rest)
    for repeat in telling(back, 3)[:MOST]:
        shared = ", ".join(review.symptoms.get(s, s) for s in repeat.symptoms)
        days = plural(round(repeat.days, 1), "day")
        told = f"{review.remedies[repeat.remedy]}: {repeat.case} on {repeat.mill}, again {repeat.later} after {days}"
        out.hanging("  ", f"{told}{f' ({shared})' if shared else ''}")
    if rows:
        out.dim(
            "not held: a later case on the same mill (on) has the same confirmed cause; unclear: the complaint came back, cause"
            f" not confirmed; early: too early to tell, the fix is not yet {repeats.days:g} days old."
        )


def _sign(review: Review, out: Printer) -> None:
    ready = [s for s in review.sign if not s.asked]
    asked = [s for s in review.sign if s.asked]
    out.head(f"To sign: {plural(len(ready), 'case')}" if ready else "To sign")
    if ready:
        rows = []
        for s in ready[:MOST]:
            rows.append(
                [s.case, s.begun[:10], s.mill or "-", s.technician or "-", s.title, "; ".join(s.look) or "-"],
            )
        out.table(["case", "begun", "mill", "by", "cause", "look at"], rows, "kk")
        out.more(len(ready) - MOST, "cases")
    else:
        out.dim("Nothing.")
    if asked:
        told = ", ".join(s.case for s in asked[:MOST]) + (", ..." if len(asked) > MOST else "")
        out.hanging("  ", f"Waiting for the technician's answer: {plural(len(asked), 'case')} ({told})")
    if review.open:
        out.head(f"Still open: {plural(len(review.open), 'case')}, oldest first")
        rows = []
        for case in review.open[:MOST]:
            known = review.cases[case]
            rows.append([case, known.begun[:10], known.mill or "-", known.title])
        out.table(["case", "begun", "mill", "complaint"], rows, "kk")
        out.more(len(review.open) - MOST, "cases")
