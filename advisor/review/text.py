"""A review on the terminal: the four answers first, then the tables. Everything reads without colour."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from advisor.review.charttext import chart_text, unit_text
from advisor.review.glance import drift_words, money_text, number_text, percent, plural, rate_text
from advisor.review.printing import Printer

if TYPE_CHECKING:
    from rich.console import Console

    from advisor.review.figures import Review
    from advisor.review.indicators import Count, Quartiles

__all__ = ["show"]

MOST = 10
"""Rows of a table; the rest is counted."""


def show(review: Review, console: Console) -> None:
    """Print the review; the console's width and encoding are kept to (charts need more than ASCII)."""
    out = Printer(console)
    p = review.period
    of = ", ".join(f"{name} {value}" for name, value in _filters(review)) or "all mills"
    out.head(f"Review of {p.since} to {p.last} ({plural(p.days, 'day')}), {of}", rule=True)
    for glance in review.glance:
        out.hanging("! " if glance.alert else "  ", f"{glance.question} {glance.answer}", bold=len(glance.question))
    out.dim("'!' asks for something to be done. Intervals hold the true share with 95 % (Wilson).")
    if not review.totals.cases and not review.trends and not review.sign:
        out.gap()
        out.text("Nothing was logged in this period. Another one: advisor review --last 1y")
        return
    _cost(review, out)
    _drift(review, out)
    _held(review, out)
    _sign(review, out)
    _cases(review, out)
    _mills(review, out)
    _program(review, out)
    _counts(review, out)
    if review.notes:
        out.head("To read these figures right")
        for note in review.notes:
            out.hanging("  ", note)


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
    out.dim(f"By {review.order}, dearest first; share: of all {review.order}; sum: this row and those above.")


def _drift(review: Review, out: Printer) -> None:
    out.head("Drift of readings")
    if not review.trends:
        out.dim("No readings in this period.")
        return
    drifting = [t for t in review.trends if t.drift]
    for trend in drifting[:3]:
        out.hanging("! ", drift_words(trend) + ".")
        if out.rich:
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
        said = f"{len(trend.signals)}, last {last}" if trend.signals else "none" if trend.baseline else "too few"
        rows.append(
            [trend.mill or "not named", trend.title, str(trend.count), f"{span} {unit_text(trend)}".strip(), said]
        )
    if rows:
        out.table(["mill", "reading", "n", "range", "signals, with the case"], rows, "  r")
        out.more(len(rest) - MOST, "series")
    out.dim(
        "Limits: mean of the first 8 to 20 readings (of the time before the period if there are so many) +- 3 sigma, and"
        " they stay put. Signal: a reading outside, a step too large, or a smoothed mean (EWMA) outside its limits."
        " Readings are from cases, mostly taken when something was wrong."
    )


def _held(review: Review, out: Printer) -> None:
    repeats = review.repeats
    out.head(f"Complaints that came back within {repeats.days:g} days of a proven fix")
    out.hanging("  ", f"Cases that repeat a complaint fixed before: {rate_text(repeats.complaints)}")
    back = [held for held in repeats.remedies if held.came_back]
    if not repeats.fixes:
        out.dim("No fix was proven in this period.")
        return
    if not back:
        out.dim(f"None of the {repeats.fixes} proven fixes came back.")
        return
    rows = []
    for held in back[:MOST]:
        low, high = percent(held.failed.low), percent(held.failed.high)
        failed = f"{held.failed.hits} ({percent(held.failed.share or 0.0)})"
        counted = [str(held.fixes), str(held.came_back), failed, f"{low} to {high}"]
        rows.append([held.title, *counted, str(held.unclear), str(held.watching)])
    out.table(["remedy", "fixes", "back", "not held", "interval", "unsure", "young"], rows, " rrrrrr")
    out.more(len(back) - MOST, "remedies")
    pairs = [r for held in back for r in held.repeats]
    words = {
        "same": "the same cause",
        "unclear": "cause not confirmed",
        "other": "another cause: the remedy is not to blame",
    }
    for repeat in pairs[:MOST]:
        shared = ", ".join(review.symptoms.get(s, s) for s in repeat.symptoms)
        told = (
            f"{repeat.case} fixed on {repeat.mill}, again {repeat.later} after {plural(round(repeat.days, 1), 'day')}"
        )
        out.hanging("  ", f"{told}: {words[repeat.kind]}{f' ({shared})' if shared else ''}")
    out.more(len(pairs) - MOST, "pairs of cases")
    out.dim(
        "back: the same mill with a shared symptom or the same cause; not held: those not confirmed as quite another"
        " cause, unsure of them those whose cause is not confirmed at all; young: fixes that may still come back."
    )


def _sign(review: Review, out: Printer) -> None:
    out.head("To sign")
    if not review.sign:
        out.dim("Nothing.")
    else:
        rows = []
        for s in review.sign[:MOST]:
            look = "; ".join(s.look) or "-"
            if s.asked:
                look = "waits for the technician's answer"
            rows.append([s.case, s.begun[:10], s.mill or "-", s.technician or "-", s.title, look])
        out.table(["case", "begun", "mill", "by", "cause", "look at"], rows)
        out.more(len(review.sign) - MOST, "cases")
    if review.open:
        named = ", ".join(review.open[:6]) + (", ..." if len(review.open) > 6 else "")
        out.hanging("  ", f"Still open: {plural(len(review.open), 'case')} ({named})")


def _cases(review: Review, out: Printer) -> None:
    t = review.totals
    out.head("Cases")
    parts = [f"{t.closed:,} closed", f"{t.open:,} open"]
    parts += [f"{n:,} {word}" for n, word in ((t.referred, "referred"), (t.imported, "imported")) if n]
    out.hanging("  ", f"{plural(t.cases, 'case')}: {', '.join(parts)}")
    cost = [f"{t.minutes:,.0f} min at the bench", f"{plural(t.blocks, 'block')} lost"]
    if t.money is not None:
        cost.append(money_text(t.money, review.prices))
    out.hanging("  ", f"Cost of the closed ones: {', '.join(cost)}")
    out.hanging("  ", f"First-time fix: {rate_text(review.first_fix)}: the first remedy tried was the one proven.")
    times = review.times
    if times.hours.count:
        out.hanging(
            "  ", f"Time to a proven fix: {_spread(times.hours, 'h')}; at the bench {_spread(times.minutes, 'min')}"
        )
        if times.unfixed:
            median = "not reached" if times.median_hours is None else f"{number_text(times.median_hours)} h"
            with_open = (
                f"With the {times.unfixed:,} not fixed counted as 'longer than so far': median {median} (Kaplan-Meier)."
            )
            out.hanging("  ", with_open)
    else:
        out.hanging("  ", "Time to a proven fix: no fix was proven.")


def _spread(q: Quartiles, unit: str) -> str:
    if q.median is None or q.lower is None or q.upper is None:
        return "not noted"
    if q.count < 4:
        return f"median {number_text(q.median)} {unit} of only {q.count}"
    low, high = number_text(q.lower, q.median), number_text(q.upper, q.median)
    return f"median {number_text(q.median)} {unit}, the middle half {low} to {high} {unit}"


def _mills(review: Review, out: Printer) -> None:
    if review.mills:
        out.head("Mills")
        rows = []
        for m in review.mills[: 2 * MOST]:
            scrap = "-" if m.scrap_ratio is None else percent(m.scrap_ratio)
            made = "-" if m.made is None else f"{m.made:,.0f}"
            lost = "-" if m.scrapped is None else f"{m.scrapped:,.0f}"
            between = "-" if m.mtbf_days is None else f"{m.mtbf_days:,.1f}"
            rows.append([m.mill or "not named", f"{m.faults:,}", between, made, lost, scrap, m.scrap_from or "-"])
        out.table(["mill", "faults", "days between", "made", "scrapped", "scrap", "scrap from"], rows, " rrrrr")
        out.more(len(review.mills) - 2 * MOST, "mills")
        out.dim(
            "days between: mean time between faults after ISO 22400-2, period / (faults + 1); calendar days stand in for"
            " operating time. scrap: scrapped / made; made comes from the diary, and where it notes no scrap the blocks"
            " lost in cases stand in."
        )
    if review.overdue or review.care_unknown:
        out.head("Care overdue")
        late = [o for o in review.overdue if o.overdue_days is not None]
        rows = [
            [o.mill, o.title, o.every, (o.last or "")[:10], plural(o.overdue_days or 0, "day")] for o in late[:MOST]
        ]
        if rows:
            out.table(["mill", "task", "every", "last noted", "overdue by"], rows, "    r")
        out.more(len(late) - MOST, "tasks")
        never: dict[str, int] = {}
        for o in review.overdue:
            if o.overdue_days is None:
                never[o.mill] = never.get(o.mill, 0) + 1
        if never:
            out.hanging(
                "  ", "Never noted: " + ", ".join(f"{plural(n, 'task')} on {mill}" for mill, n in never.items())
            )
        if review.care_unknown:
            out.hanging("  ", "No care at all is noted for: " + ", ".join(review.care_unknown))
    if review.burrs:
        b = review.burrs
        out.head("Finishing burrs")
        few = " Fewer than five worn ones: next to nothing known yet." if b.few else ""
        out.hanging(
            "  ",
            f"Change by {number_text(b.change_by)} h (interval {number_text(b.low)} to {number_text(b.high)}): one in ten"
            f" is worn before. From {b.changed} worn and {b.running} still running.{few}",
        )
    if review.changes:
        out.head("Changed on the mills")
        for c in review.changes[-MOST:]:
            out.hanging("  ", f"{c.at[:10]} {c.mill}: {c.what}{f' ({c.by})' if c.by else ''}")


def _program(review: Review, out: Printer) -> None:
    program = review.program
    out.head("The program itself")
    if not program.right.count:
        out.dim("No case with a known cause, so nothing to hold it against.")
        return
    out.hanging("  ", f"Put the cause first before any remedy: {rate_text(program.right)}")
    out.hanging("  ", f"Signed cases only: {rate_text(program.signed)}")
    if program.brier is None:
        return
    rows = []
    for b in program.bins:
        share = b.right.share or 0.0
        bar = ["."] * 21
        bar[round(20 * b.said)] = "|"
        bar[round(20 * share)] = "x"
        rows.append(
            [
                f"{100 * b.low:.0f} to {100 * b.high:.0f} %",
                str(b.right.count),
                percent(b.said),
                percent(share),
                f"{percent(b.right.low)} to {percent(b.right.high)}",
                "".join(bar),
            ]
        )
    out.table(["said", "n", "mean", "right", "interval", "0 % to 100 %"], rows, "rrrrr")
    out.dim(
        f"'|' what it said, 'x' how often it was right. Brier score {program.brier:.2f}: 0 is perfect, 0.25 always says"
        " one half."
    )


def _counts(review: Review, out: Printer) -> None:
    lists = (
        ("Cautions raised", review.cautions),
        ("Cases by technician", review.technicians),
        ("Cases by material", review.materials),
    )
    if any(found for _, found in lists):
        out.head("Counts")
    for title, found in lists:
        if found:
            out.hanging("  ", f"{title}: {_counted(found)}")


def _counted(found: Sequence[Count]) -> str:
    told = "; ".join(f"{c.title} {c.count:,}" for c in found[:MOST])
    return told + (f"; {len(found) - MOST} more" if len(found) > MOST else "")
